"""The pictures of the guide are made by the code."""

import subprocess
import sys
from pathlib import Path

GUIDE = Path(__file__).parents[2] / "docs" / "guide"


def test_the_cut_open_figure_is_drawn(tmp_path: Path) -> None:
    path = tmp_path / "cut_open.png"
    subprocess.run([sys.executable, GUIDE / "cut_open.py", path], check=True, timeout=300)
    assert path.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    assert (GUIDE / "cut_open.png").exists()
