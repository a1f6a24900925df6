"""What ``prepare`` finds of whole plates: in every view, with plate and part, and only once."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from test_page import Reader

import vatwright as vw
from vatwright import plates, terminal
from vatwright import report as reports
from vatwright.cli import main


def short_lift(setup: vw.Setup, part: vw.Part, lifts: float) -> vw.Setup:
    """A film that gives so far that the lift parts so many copies of a part, and no more."""
    machine = setup.machine
    own_n = vw.Check().apply(part, setup).report.numbers["peak_peel_n"]
    give = lifts * own_n
    film = machine.lift_mm / give - 1 / machine.frame_stiffness_n_mm
    return setup.replace(machine=machine.replace(film_compliance_mm_n=film))


def test_a_plate_that_fails_as_a_whole_is_told_in_every_view(
    tmp_path: Path, setup: vw.Setup, capsys: pytest.CaptureFixture[str]
) -> None:
    part = vw.Part(vw.shapes.cylinder(8.0, 2.0), name="lamp lens")
    part.body.mesh.save(tmp_path / "lamp lens.stl")
    setup = short_lift(setup, part, 2.5)
    recipe, own = tmp_path / "recipe.toml", tmp_path / "own.toml"
    recipe.write_text(vw.Recipe([vw.Check()]).to_toml())
    own.write_text(setup.to_toml())
    out = tmp_path / "out"
    words = ["prepare", str(tmp_path / "lamp lens.stl"), "--out", str(out), "--setup", str(own)]
    words += ["--recipe", str(recipe), "--set", "pack.copies={'lamp lens': 4}".replace("'", '"')]
    assert main([*words[:-1], 'pack.copies={"lamp lens": 2}']) == 0
    assert main(words) == 1
    printed = " ".join(capsys.readouterr().out.split())
    assert "plate 1" in printed and "film and machine give way" in printed
    assert "fewer parts on the plate" in printed
    report = reports.load(out / "report.json")
    (lift,) = [f for f in report.all_findings() if f.code == "lift"]
    assert (lift.severity, lift.part, lift.plate) == ("fault", "plate 1", "plate 1")
    # Hooke: the pull of four on film and arm.
    machine = setup.machine
    peak = 4 * vw.Check().apply(part, setup).report.numbers["peak_peel_n"]
    give = machine.film_compliance_mm_n + 1 / machine.frame_stiffness_n_mm
    assert lift.value == pytest.approx(peak * give, rel=1e-9)
    index = Reader((out / "index.html").read_text(encoding="utf-8")).text
    assert index.index("film and machine give way") < index.index("Parts, riskiest first")
    told = Reader((out / "report.html").read_text(encoding="utf-8")).text
    assert "film and machine give way" in told
    with (out / "tables" / "findings.csv").open(encoding="utf-8", newline="") as file:
        (row,) = [row for row in csv.DictReader(file) if row["code"] == "lift"]
    assert (row["plate"], row["part"]) == ("plate 1", "plate 1")
    with (out / "tables" / "plates.csv").open(encoding="utf-8", newline="") as file:
        (row,) = list(csv.DictReader(file))
    assert row["faults"] == "1"


def saved(folder: Path, before: list[vw.Report], parts: list[vw.Part], setup: vw.Setup) -> Any:
    packed = vw.Pack(max_parts=2, copies={"bowl": 3}).apply(parts, setup)
    assert len(packed.value) == 2
    return plates.save(packed, setup, folder, before=before)


def test_what_a_part_has_said_its_plate_does_not_say_again(tmp_path: Path, setup: vw.Setup) -> None:
    # A bowl whose rim lies on the plate is a cup.
    bowl = vw.Part(vw.shapes.bowl(9.0, 1.5, 0.0), name="bowl").turned(np.diag([1.0, -1.0, -1.0]))
    box = vw.Part(vw.shapes.cuboid(5.0, 5.0, 2.0), name="crate")
    own = [vw.Check().apply(part, setup).report for part in (bowl, box)]
    cups = [f for f in own[0].findings if f.code == "cup"]
    assert cups and all(f.plate == "" for f in cups)
    report = saved(tmp_path / "said", own, [bowl, box], setup)
    assert [f for f in report.all_findings() if f.code == "cup"] == cups
    checks = [r for r in reports.every(report) if r.pass_ == "check"]
    assert [r.part for r in checks] == ["bowl", "crate", "plate 1", "plate 2"]
    said = [(f.code, f.part, f.severity) for f in report.all_findings()]
    assert len(said) == len(set(said)), said

    # Without a check of its own the plate is the first to say it, with plate and part.
    report = saved(tmp_path / "new", [], [bowl, box], setup)
    found = [f for f in report.all_findings() if f.code == "cup"]
    assert {(f.part, f.plate) for f in found} == {("bowl", "plate 1"), ("bowl", "plate 2")}
    assert all(f.plate for f in report.all_findings() if f.code != "unpackable")
    assert all(f.place == cups[0].place for f in found)  # as the part stands alone
    values = json.loads((tmp_path / "new" / "report.json").read_text(encoding="utf-8"))
    assert any(f["plate"] == "plate 2" for r in values["inner"] for f in r["findings"])
    lines = "\n".join(terminal.lines(report, 200))
    assert "plate 1, bowl" in lines and "plate 2, bowl" in lines
    rows = reports.rows(report.all_findings(), reports.plates_of(report))
    (cup,) = [row for row in rows if row[3] == "cup"]
    assert cup[1:3] == ("bowl", "plate 1, plate 2")
    with (tmp_path / "new" / "tables" / "findings.csv").open(encoding="utf-8") as file:
        told = [r for r in csv.DictReader(file) if r["code"] == "cup"]
    assert sorted((r["plate"], r["number"]) for r in told) == sorted(
        (plate["plate"], str(number))
        for plate in reports.costs(report)
        for number, on in enumerate(plate["placed"], 1)
        if on["part"] == "bowl"
    )
    page = (tmp_path / "new" / "index.html").read_text(encoding="utf-8")
    start = page.index("<article", page.index('id="plates"'))
    card = Reader(page[start : page.index("</article>", start)])
    assert "bowl" in card.text and "no." in card.text


def test_a_plate_is_judged_by_the_setup_that_prints_it(tmp_path: Path, setup: vw.Setup) -> None:
    part = vw.Part(vw.shapes.cylinder(8.0, 2.0), name="lamp lens")
    short = short_lift(setup, part, 0.5).replace(name="short")
    packed = vw.Pack(printers=[short]).apply([part], setup)
    told = plates.save(packed, setup, tmp_path / "a", printers=[short])
    assert [f.code for f in told.all_findings() if f.severity == "fault"] == ["lift"]
    alike = plates.save(packed, setup, tmp_path / "b")
    assert not [f for f in alike.all_findings() if f.severity == "fault"]
