"""Plugs from the hole to the hand: on a plate, counted, and named where they are wanted."""

from __future__ import annotations

import csv
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from test_page import Reader

import vatwright as vw
from vatwright import report as reports
from vatwright.cli import main


@pytest.fixture(scope="module")
def hollow(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A globe to be hollowed and vented, and the recipe."""
    folder = tmp_path_factory.mktemp("globe")
    globe, recipe = folder / "globe lamp.stl", folder / "recipe.toml"
    vw.shapes.sphere(9.0, 2_000).mesh.save(globe)
    passes = [vw.Hollow(wall_mm=2.0), vw.Vent(), vw.Raft(), vw.Support()]
    recipe.write_text(vw.Recipe(passes).to_toml())
    return globe, recipe


def run(hollow: tuple[Path, Path], out: Path, *more: str) -> vw.Report:
    globe, recipe = hollow
    sets = [word for text in more for word in ("--set", text)]
    main(["prepare", str(globe), "--recipe", str(recipe), "--out", str(out), *sets])
    return reports.load(out / "report.json")


def table(out: Path, kind: str) -> list[dict[str, str]]:
    with (out / "tables" / f"{kind}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def words(out: Path, page: str = "index.html") -> str:
    return Reader((out / page).read_text(encoding="utf-8")).text.replace(" ,", ",")


def test_plugs_are_on_a_plate_and_every_view_counts_them(
    hollow: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    report = run(hollow, tmp_path)
    (cost,) = reports.costs(report)
    (bar,) = [on for on in cost["placed"] if "bar" in on]
    (sheet,) = [sheet for sheet in cost["sheets"] if sheet["part"] == "globe lamp"]
    wanted = [hole["plug"] for cavity in sheet["cavities"] for hole in cavity["plugs"]]
    assert wanted and list(bar["bar"]["plugs"]) == wanted and bar["bar"]["part"] == "globe lamp"
    assert cost["plugs"] == sheet["plugs"] == len(wanted)
    said = " ".join(sheet["steps"])
    for plug in wanted:
        assert re.search(rf"{plug} into the hole of [\d.]+ mm on its \w+, [\d.]+ mm above", said)
    # The bar lies in the plate's file, where the report says.
    mesh = vw.Mesh.load(tmp_path / "plate 1.stl")
    at = np.array([bar["x_mm"], bar["y_mm"]])
    near = mesh.vertices[np.linalg.norm(mesh.vertices[:, :2] - at, axis=1) < 3.0]
    assert len(near) and near[:, 2].max() == pytest.approx(bar["height_mm"], abs=1e-4)

    count = f"{len(wanted)} plug{'' if len(wanted) == 1 else 's'}"
    assert capsys.readouterr().out.count(count) >= 2
    told = words(tmp_path)
    assert f"1 part · {count} ·" in told
    assert f"Its plugs: {', '.join(wanted)} on plate 1, no. " in told
    assert f"mm, {', '.join(wanted)}" in told
    assert "Plugs" in words(tmp_path, "report.html")
    (row,) = table(tmp_path, "plates")
    assert (row["parts"], row["plugs"]) == ("1", str(len(wanted)))
    parts = {row["part"]: row for row in table(tmp_path, "parts")}
    assert parts["globe lamp"]["plugs"] == str(len(wanted))
    assert set(parts) == {"globe lamp", "globe lamp plugs"}
    # A bar is nothing to look through layer by layer.
    assert [p.name for p in (tmp_path / "pages").iterdir()] == ["globe lamp.html"]


def test_plugs_apart_or_none(hollow: tuple[Path, Path], tmp_path: Path) -> None:
    apart = run(hollow, tmp_path / "apart", "pack.plugs=apart", 'pack.copies={"globe lamp": 2}')
    one, two = reports.costs(apart)
    assert one["plugs"] == 0 and two["plugs"] == 2 * one["sheets"][0]["plugs"]
    assert all("bar" in on for on in two["placed"]) and len(two["placed"]) == 2
    assert two["time_s"] < one["time_s"]
    assert "on plate 2, no. 1, plate 2, no. 2" in words(tmp_path / "apart")

    none = run(hollow, tmp_path / "none", "pack.plugs=none")
    (cost,) = reports.costs(none)
    (sheet,) = cost["sheets"]
    assert cost["plugs"] == sheet["plugs"] == 0 and len(cost["placed"]) == 1
    steps = " ".join(sheet["steps"])
    assert "No plug comes for the hole" in steps and "fill it with resin" in steps
    assert "Glue in" not in steps


def test_a_plug_too_thin_to_print_is_said_and_not_promised(
    hollow: tuple[Path, Path], tmp_path: Path
) -> None:
    report = run(hollow, tmp_path, "machine.pixel_mm=0.4")
    found = [f for f in report.all_findings() if f.code == "unplugged"]
    assert [f.part for f in found] == ["globe lamp"]
    (cost,) = reports.costs(report)
    (sheet,) = [sheet for sheet in cost["sheets"] if sheet["part"] == "globe lamp"]
    assert sum(len(cavity["open"]) for cavity in sheet["cavities"]) > 0
    assert "No plug comes for" in " ".join(sheet["steps"])
    assert "No plug comes for" in words(tmp_path) and "without a plug" in words(tmp_path)


def test_plugs_of_python(setup: vw.Setup) -> None:
    globe = vw.Part(vw.shapes.sphere(9.0, 2_000), name="globe")
    vented = vw.Recipe([vw.Hollow(wall_mm=2.0), vw.Vent()]).apply(globe, setup).value
    assert vented.bar is None
    placed = vw.Pack(plugs="beside").apply([vented], setup).value[0].placed
    (bar,) = [on.part for on in placed if on.part.bar is not None]
    made: Any = bar.bar
    assert made == {"part": "globe", "plugs": tuple(plug.name for plug in vented.plugs)}
    assert bar == vw.Part.from_bytes(bar.to_bytes())
    with pytest.raises(TypeError, match="elsewhere"):
        vw.Pack(plugs="elsewhere")  # type: ignore[arg-type]
