"""Every notebook runs from top to bottom."""

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

FOLDER = Path(__file__).parents[2] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_a_notebook_runs(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("VATWRIGHT_FIGURES", "24")
    notebook = nbformat.read(path, as_version=4)
    client = NotebookClient(notebook, timeout=300, resources={"metadata": {"path": str(FOLDER)}})
    client.execute()


def test_notebooks_are_stored_without_output() -> None:
    for path in NOTEBOOKS:
        for cell in nbformat.read(path, as_version=4).cells:
            assert not cell.get("outputs"), f"{path.name} holds output; clear it"
