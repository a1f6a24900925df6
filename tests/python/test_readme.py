"""The Python blocks of the front page run as they are printed."""

from pathlib import Path

from pages import blocks, run

import vatwright as vw

README = Path(__file__).parents[2] / "README.md"


def output(word: str, folder: Path) -> str:
    """What the one Python block with that word prints."""
    (block,) = (text for kind, text in blocks(README) if kind == "python" and word in text)
    done = run("python", block, folder)
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_figures_become_plates(tmp_path: Path) -> None:
    (tmp_path / "figures").mkdir()
    for x in (6.0, 8.0):
        vw.shapes.cuboid(x, 6, 6).mesh.save(tmp_path / "figures" / f"crate_{x:.0f}.stl")
    assert output("vw.prepare", tmp_path).strip().endswith(" h")
    assert list((tmp_path / "night").glob("*.csv"))


def test_a_lens_tilts(tmp_path: Path) -> None:
    assert len(output("sweep", tmp_path).splitlines()) == 10


def test_no_block_is_left_out() -> None:
    # The shell's only block builds the project.
    assert [kind for kind, _ in blocks(README)] == ["sh", "python", "python"]
