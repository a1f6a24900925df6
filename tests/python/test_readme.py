"""The Python blocks of the front page run as they are printed."""

import re
import subprocess
import sys
from pathlib import Path

import vatwright as vw

README = Path(__file__).parents[2] / "README.md"


def blocks() -> list[str]:
    return re.findall(r"```python\n(.*?)```", README.read_text(), re.DOTALL)


def run(block: str, folder: Path) -> str:
    script = folder / "block.py"
    script.write_text(block)
    done = subprocess.run(
        [sys.executable, script.name],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_figures_become_plates(tmp_path: Path) -> None:
    (tmp_path / "figures").mkdir()
    for x in (6.0, 8.0):
        vw.shapes.cuboid(x, 6, 6).mesh.save(tmp_path / "figures" / f"crate_{x:.0f}.stl")
    (block,) = (b for b in blocks() if "vw.prepare" in b)
    assert run(block, tmp_path).strip().endswith(" h")
    assert list((tmp_path / "night").glob("*.csv"))


def test_a_lens_tilts(tmp_path: Path) -> None:
    (block,) = (b for b in blocks() if "sweep" in b)
    assert len(run(block, tmp_path).splitlines()) == 10


def test_no_block_is_left_out() -> None:
    assert len(blocks()) == 2
