"""A report as tables: against the report, and places on a plate against the plate's file."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path

import numpy as np
import pytest

import vatwright as vw
from vatwright import plates, tables
from vatwright import report as reports


def run(folder: Path) -> tuple[vw.Report, list[vw.Plate]]:
    """Two figures' crates, one of them thrice, a file that failed, findings at a corner."""
    crates = [vw.Part(vw.shapes.cuboid(9.0, 5.0, 4.0), name=name) for name in ("=crate", "trunk")]
    packed = vw.Pack(copies={"=crate": 3}, max_parts=2, turn_step_deg=30.0).apply(crates)
    corner = max(map(tuple, crates[0].mesh().vertices.tolist()))
    found = [
        vw.Finding(code="thin", severity="fault", part="=crate", message="thin", place=corner),
        vw.Finding(code="cup", severity="note", part="trunk", message="small", layers=(3, 9)),
        vw.Finding(code="vat", severity="warning", part="plate 1", message="refill", value=2.0),
        vw.Finding(code="island", severity="fault", part="lost", message="no part", unit="mm"),
    ]
    outcomes = [
        vw.Outcome("models/=crate.stl", "done", name="=crate"),
        vw.Outcome("models/torn.stl", "failed", name="torn", message="it ends early"),
    ]
    before = [vw.Report(pass_="check", findings=found)]
    return plates.save(packed, vw.Setup(), folder, before=before, outcomes=outcomes), packed.value


def test_findings_know_plate_and_place(tmp_path: Path) -> None:
    report, packed = run(tmp_path)
    table = tables.findings(report)
    assert len({len(column) for column in table.values()}) == 1
    assert list(table["finding"]) == sorted(table["finding"])
    assert set(table["finding"]) == set(range(1, len(report.all_findings()) + 1))
    # Against the plates as they are written: a corner of each copy is where the table says.
    thin = [i for i, code in enumerate(table["code"]) if code == "thin"]
    assert len(thin) == 3
    for plate in packed:
        vertices = vw.Mesh.load(tmp_path / f"{plate.name}.stl").vertices
        for i in (i for i in thin if table["plate"][i] == plate.name):
            place = [table["plate_x_mm"][i], table["plate_y_mm"][i], table["z_mm"][i]]
            assert np.linalg.norm(vertices - place, axis=1).min() < 1e-4
            on = plate.placed[int(table["number"][i]) - 1]
            assert on.part.name == "=crate"
    vat = list(table["code"]).index("vat")
    assert table["plate"][vat] == "plate 1" and math.isnan(table["number"][vat])
    lost = list(table["part"]).index("lost")
    assert table["plate"][lost] == "" and math.isnan(table["plate_x_mm"][lost])
    cup = list(table["code"]).index("cup")
    assert (table["first_layer"][cup], table["last_layer"][cup]) == (3.0, 9.0)


def test_parts_and_plates_count_and_sum(tmp_path: Path) -> None:
    report, packed = run(tmp_path)
    table = tables.parts(report)
    rows = {name: i for i, name in enumerate(table["part"])}
    assert table["copies"][rows["=crate"]] == 3 and table["faults"][rows["=crate"]] == 1
    assert table["fate"][rows["torn"]] == "failed" and math.isnan(table["mass_g"][rows["torn"]])
    assert table["height_mm"][rows["trunk"]] == pytest.approx(4.0)
    told = tables.plates(report)
    costs = reports.costs(report)
    assert list(told["plate"]) == [p.name for p in packed] == [c["plate"] for c in costs]
    assert list(told["time_s"]) == [c["time_s"] for c in costs]
    assert told["parts"].sum() == table["copies"].sum() == 4
    # The parts stand on the plate itself and flare there, which its check says.
    flares = [f for f in report.all_findings() if f.code == "first_layer_flare"]
    on_first = [f for f in flares if f.plate == "plate 1"]
    assert on_first and told["warnings"][0] == 1 + len(on_first)
    # Of each plate the mass is that of what stands on it, supports and rafts aside (none here).
    on = {name: table["mass_g"][i] for name, i in rows.items()}
    for mass_g, plate in zip(told["mass_g"], packed, strict=True):
        assert mass_g == pytest.approx(sum(on[p.part.name] for p in plate.placed))


def test_tables_are_csv_that_spreadsheets_may_open(tmp_path: Path) -> None:
    report, _ = run(tmp_path)
    for kind in tables.KINDS:
        text = (tmp_path / "tables" / f"{kind}.csv").read_bytes().decode()
        assert text == tables.to_csv(report, kind)
        read = list(csv.DictReader(io.StringIO(text, newline="")))
        table = getattr(tables, kind)(report)
        assert list(read[0]) == list(table) and len(read) == len(
            table["plate" if kind != "parts" else "part"]
        )
        assert not any(cell.startswith("=") for row in read for cell in row.values())
        assert "nan" not in text
        for name, column in table.items():
            if column.dtype == np.float64:
                values = [float(row[name] or "nan") for row in read]
                np.testing.assert_array_equal(values, column)


def test_an_empty_report_has_empty_columns() -> None:
    for kind in tables.KINDS:
        table = getattr(tables, kind)(vw.Report())
        assert table and all(len(column) == 0 for column in table.values())
        assert tables.to_csv(vw.Report(), kind).strip() == ",".join(table)


def test_a_data_frame_takes_them(tmp_path: Path) -> None:
    pandas = pytest.importorskip("pandas")
    report, _ = run(tmp_path)
    frame = pandas.DataFrame(tables.findings(report))
    assert frame.drop_duplicates("finding")["severity"].value_counts()["fault"] == 2
