"""The blocks of the pages run as printed, and their words are those of the package."""

import re
from pathlib import Path

import pytest
from pages import blocks, run

import vatwright as vw

DOCS = Path(__file__).parents[2] / "docs"
# A block with one of these builds or installs the project, or needs a toolchain.
BUILDS = ("make ", "pip ", "cargo ")


@pytest.mark.parametrize("page", ["install.md", "guide/first-plate.md"])
def test_the_blocks_of_a_page_run_in_their_order(page: str, tmp_path: Path) -> None:
    ran = 0
    for language, text in blocks(DOCS / page):
        if any(word in text for word in BUILDS):
            continue
        done = run(language, text, tmp_path)
        # `vatwright check` answers 1 where it finds a fault, and the page says so.
        assert done.returncode == ("vatwright check" in text), (text, done.stderr)
        ran += 1
    assert ran == {"install.md": 1, "guide/first-plate.md": 5}[page]
    if "plate" in page:
        made = {path.name for path in (tmp_path / "first").iterdir()}
        assert {"plate 1.3mf", "plate 1.stl", "index.html"} <= made


def options() -> set[str]:
    """Every option as messages name it: section.option."""
    sections = {
        table: getattr(vw.Setup(), table) for table in ("machine", "resin", "exposure", "limits")
    }
    passes = (vw.Orient, vw.Hollow, vw.Vent, vw.Raft, vw.Support, vw.Pack, vw.Estimate, vw.Repair)
    sections |= {kind.__name__.lower(): kind() for kind in passes}
    return {f"{name}.{option}" for name, record in sections.items() for option in record.to_dict()}


def test_troubleshooting_names_what_there_is_and_every_finding() -> None:
    told: set[str] = set()
    rows = re.findall(
        r"^\| (?!what you see|---)(.+) \|$", (DOCS / "troubleshooting.md").read_text(), re.M
    )
    for row in rows:
        seen, *words = (re.findall(r"`([^`]+)`", cell) for cell in row.split(" | "))
        codes, measure, change = words
        assert not seen, row
        assert codes and measure and change, row
        assert set(codes) <= set(vw.codes.FINDINGS), row
        assert {*measure, *change} <= options(), row
        # What is measured is a number of the setup, whose page says how.
        page = (DOCS / "mechanics" / "constants.md").read_text()
        assert all(f"`{name}`" in page for name in measure), row
        told |= set(codes)
    assert told == set(vw.codes.FINDINGS)
