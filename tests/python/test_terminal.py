"""What the terminal shows, held against golden text: look at every change of it.

``python tests/python/test_terminal.py`` writes the golden files anew.
"""

import re
import sys
from pathlib import Path
from typing import Any

import pytest

import vatwright as vw
from vatwright import terminal
from vatwright.types import Severity

GOLDEN = Path(__file__).parents[1] / "golden"


def finding(code: str, severity: Severity, part: str, message: str, **more: Any) -> vw.Finding:
    return vw.Finding(code=code, severity=severity, part=part, message=message, **more)


def source(name: str, fate: str, *plates: str, **more: str) -> Any:
    return {"path": f"figures/{name}.stl", "name": name, "fate": fate, "plates": plates, **more}


def on_plate(plate: str, parts: tuple[str, ...], numbers: dict[str, float]) -> vw.Report:
    placed = [{"part": p, "x_mm": 9.0, "y_mm": 9.0, "turn_deg": 0.0} for p in parts]
    data = {"cost": {"plate": plate, "placed": placed}}
    return vw.Report(pass_="estimate", part=plate, numbers=numbers, data=data)


def report() -> vw.Report:
    """Two plates with faults, warnings and notes, a failed file and one left out."""
    cup = {"layers": (120, 480), "value": 3.25, "limit": 2.0, "unit": "kPa"}
    sealed = "a void seals against the film and sucks the part off its supports"
    thin = {"value": 0.21, "limit": 0.3, "unit": "mm"}
    estimate = {
        "layers": 1240.0,
        "time_s": 12300.0,
        "resin_total_ml": 84.25,
        "mass_g": 91.0,
        "refills": 0.0,
        "price": 6.5,
    }
    findings = [
        finding("thin", "warning", "stoker", "a wall is thinner than it prints", **thin),
        finding("cup", "fault", "stoker", sealed, remedy="vent it there", **cup),
        *(
            finding("first_layer_flare", "note", name, "the first layers grow past the part")
            for name in ("stoker", "porter", "porter 2", "Zwölf Ritter – 兵")
        ),
        *(
            finding("overhang", "warning", name, "an edge hangs out", layers=(7, 7))
            for name in ("porter", "porter 2")
        ),
        finding("plugs", "note", "porter", "plugs close the holes for good"),
        finding("refill", "note", "plate 2", "the vat must be filled on the way"),
        finding("unpackable", "fault", "wagon", "it fits on no plate", remedy="cut it"),
    ]
    sources = [
        source("stoker", "printed", "plate 2"),
        source("porter", "printed", "plate 1"),
        source("porter 2", "printed", "plate 1"),
        source("Zwölf Ritter – 兵", "printed", "plate 1", "plate 2"),
        source(
            "wagon", "left out", code="unpackable", message="it fits on no plate", remedy="cut it"
        ),
        source(
            "torn\x1b[2Jlamp",
            "failed",
            code="format",
            message="figures/torn\x1b[2Jlamp.stl: byte 84: it ends in the middle of a facet",
            remedy="export it again",
        ),
    ]
    knights = "Zwölf Ritter – 兵"
    plates = [
        on_plate(name, names, estimate)
        for name, names in (
            ("plate 1", ("porter", "porter 2", knights)),
            ("plate 2", ("stoker", knights)),
        )
    ]
    return vw.Report(pass_="prepare", findings=findings, inner=plates, sources=sources)


def shown(name: str) -> str:
    width, _, colour = name.partition("-")
    return "\n".join(terminal.lines(report(), int(width), colour=bool(colour))) + "\n"


@pytest.mark.parametrize("name", ["80", "120", "80-colour"])
def test_the_terminal_shows_what_it_did(name: str) -> None:
    assert shown(name) == (GOLDEN / f"terminal-{name}.txt").read_text(encoding="utf-8")


def test_no_line_is_wider_than_asked() -> None:
    for width in (40, 80, 120, 200):
        lines = terminal.lines(report(), width)
        # Wide letters take two columns: Unicode UAX #11.
        assert max(len(line) + line.count("兵") for line in lines) <= width
    colour = "\n".join(terminal.lines(report(), 80, colour=True))
    assert re.sub(r"\x1b\[[0-9;]*m", "", colour) == "\n".join(terminal.lines(report(), 80))


def test_control_characters_never_reach_the_terminal() -> None:
    text = "\n".join(terminal.lines(report(), 80))
    assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u202e]", text)


def test_a_quiet_report_says_so() -> None:
    assert terminal.lines(vw.Report(pass_="check"), 80) == ["nothing found"]


def test_a_number_without_unit_leaves_no_gap() -> None:
    note = vw.Finding(code="rim", severity="warning", part="guard", message="tips", value=6.0)
    found = vw.Report(pass_="check", findings=[note.replace(limit=0.0, unit="")])
    assert "rim, 6 (limit 0): tips" in "\n".join(terminal.lines(found, 80))


def test_what_a_plate_as_a_whole_fails_by_stands_under_its_own_line() -> None:
    found = [
        finding("island", "fault", "crate", "it floats"),
        finding("lift", "fault", "plate 1", "it does not part"),
    ]
    numbers = {"layers": 1.0, "time_s": 1.0, "resin_total_ml": 1.0, "mass_g": 1.0}
    plate = on_plate("plate 1", ("crate",), {**numbers, "refills": 0.0, "price": 1.0})
    lines = terminal.lines(vw.Report(findings=found, inner=[plate]), 100)
    at = next(i for i, line in enumerate(lines) if line.startswith("plate 1:"))
    assert "it does not part" in lines[at + 1]
    assert any("it floats" in line for line in lines[at + 2 :])


if __name__ == "__main__":
    for name in ("80", "120", "80-colour"):
        (GOLDEN / f"terminal-{name}.txt").write_text(shown(name), encoding="utf-8")
    sys.exit()
