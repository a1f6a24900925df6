"""The pictures of the guide are made by the code."""

import subprocess
import sys
from pathlib import Path

import pytest

GUIDE = Path(__file__).parents[2] / "docs" / "guide"


@pytest.mark.parametrize("name", ["cut_open", "calibrate"])
def test_a_picture_of_the_guide_is_drawn(name: str, tmp_path: Path) -> None:
    path = tmp_path / f"{name}.png"
    subprocess.run([sys.executable, GUIDE / f"{name}.py", path], check=True, timeout=300)
    assert path.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    assert (GUIDE / f"{name}.png").exists()
