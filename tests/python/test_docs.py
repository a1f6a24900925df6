"""The blocks of the pages run as printed, and their words are those of the package."""

import dataclasses
import re
import runpy
from pathlib import Path

import pytest
from pages import blocks, run

import vatwright as vw
from vatwright.options import Options

DOCS = Path(__file__).parents[2] / "docs"
PAGES = [*DOCS.parent.glob("*.md"), *sorted(DOCS.rglob("*.md"))]
# A block with one of these builds or installs the project, or needs a toolchain.
BUILDS = ("make ", "pip ", "cargo ")


BLOCKS = {
    "install.md": 1,
    "guide/first-plate.md": 5,
    "guide/three-ways.md": 4,
    "guide/true-to-size.md": 1,
}


@pytest.mark.parametrize("page", BLOCKS)
def test_the_blocks_of_a_page_run_in_their_order(page: str, tmp_path: Path) -> None:
    ran = 0
    for language, text in blocks(DOCS / page):
        if any(word in text for word in BUILDS):
            continue
        done = run(language, text, tmp_path)
        # `vatwright check` answers 1 where it finds a fault, and the page says so.
        assert done.returncode == ("vatwright check" in text), (text, done.stderr)
        ran += 1
    assert ran == BLOCKS[page]
    if "first-plate" in page:
        made = {path.name for path in (tmp_path / "first").iterdir()}
        assert {"plate 1.3mf", "plate 1.stl", "index.html"} <= made


OPTIONS = runpy.run_path(str(DOCS / "options.py"))
ROWS = [row for row in OPTIONS["tables"]() if row.startswith("| `")]
NAMES = {row.split("`")[1] for row in ROWS}


def test_the_page_of_options_has_all_that_the_command_sets_with_a_meaning() -> None:
    setup = {f.name for f in dataclasses.fields(Options)}  # The records that the command holds.
    assert setup == {"recipe", "setup", "pack", "estimate", "reading", "mending"}
    recipe = vw.Recipe([*vw.Recipe().passes, vw.Compensate()])
    sections = {*vw.Setup().to_dict(), *(step.name for step in recipe.passes)}
    sections = sections - {"name", "intervals", "check"} | {"pack", "estimate", "read", "repair"}
    assert {name.split(".")[0] for name in NAMES} == sections
    for row in ROWS:
        assert row.split(" | ")[3].endswith("."), row
    command = Options(recipe, vw.Setup())
    for section in sections:
        # The message names what is near; a name next to each option finds all there are.
        for name in OPTIONS["values"](OPTIONS["SECTIONS"][section]):
            with pytest.raises(vw.ConfigError, match=f"is .*{name}"):
                command.set([f"{section}.{name}_=1"])


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
        assert {*measure, *change} <= NAMES, row
        # What is measured is a number of the setup, whose page says how.
        page = (DOCS / "mechanics" / "constants.md").read_text()
        assert all(f"`{name}`" in page for name in measure), row
        told |= set(codes)
    assert told == set(vw.codes.FINDINGS)


def anchors(page: Path) -> set[str]:
    """The anchors of a page's headings, as sites that show Markdown make them."""
    heads = re.findall(r"^#+ (.+)$", page.read_text(), re.M)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(DOCS.parent)))
def test_no_link_of_a_page_leads_nowhere(page: Path) -> None:
    text = re.sub(r"```.*?```", "", page.read_text(), flags=re.DOTALL)
    for link in re.findall(r"\]\(([^)\s]+)\)", text):
        if re.match(r"[a-z]+:", link):
            continue
        name, _, anchor = link.partition("#")
        goal = page.parent / name if name else page
        assert goal.exists(), link
        assert not anchor or anchor in anchors(goal), link
