"""Repair from Python: strengths, notes of files, foreign bytes, winding numbers."""

from pathlib import Path

import numpy as np
import pytest
from shapes import box

import vatwright as vw

CORPUS = Path(__file__).parents[1] / "corpus" / "meshes"


def open_box() -> vw.Mesh:
    mesh = box()
    corners = mesh.vertices[mesh.triangles]
    up = (corners[:, :, 2] == mesh.vertices[:, 2].max()).all(axis=1)
    return vw.Mesh(mesh.vertices, mesh.triangles[~up], name="open")


def test_the_strengths_differ_in_what_they_guess() -> None:
    mesh = open_box()
    with pytest.raises(vw.NotSolidError, match=r"holes: 1.*repair\.fill"):
        vw.repair(mesh, strength="mend")
    done = vw.repair(mesh)
    assert done.value.volume_mm3 == pytest.approx(vw.Solid(box()).volume_mm3)
    (told,) = [f for f in done.report.findings if f.code == "filled"]
    assert told.severity == "warning"
    assert "vessel" in told.remedy
    assert vw.repair(mesh, strength="mend", hole_mm=1000.0).report.findings == []
    again = vw.Repair(strength="rebuild").apply(mesh)
    assert again.value.volume_mm3 == pytest.approx(done.value.volume_mm3)


def test_repair_is_a_step_of_a_recipe(part: vw.Part, setup: vw.Setup) -> None:
    step = vw.Repair(hole_mm=5.0, fill="all")
    recipe = vw.Recipe([step, vw.Check()])
    assert vw.Recipe.from_toml(recipe.to_toml()).repair == step
    assert vw.Recipe().repair == vw.Repair()
    done = recipe.apply(part, setup)
    assert done.value.body == part.body
    assert [r.pass_ for r in done.report.inner] == ["repair", "check"]
    with pytest.raises(vw.OptionError, match=r"repair\.weld_mm"):
        vw.Repair(weld_mm=-1.0)


def test_a_diagnosis_says_all_that_is_wrong() -> None:
    health = vw.diagnose(open_box())
    assert health.holes == 1
    assert "holes: 1" in health.summary
    assert health.open_edges.count == len(health.open_edges.places) == 4
    assert health.open_edges.sizes_mm == tuple(sorted(health.open_edges.sizes_mm, reverse=True))
    assert vw.diagnose(box()).summary == ""


def test_options_are_refused_when_made() -> None:
    for bad in (0.0, float("nan"), float("inf"), -2.0, 1e9):
        with pytest.raises(vw.OptionError, match=r"hollow\.wall_mm"):
            vw.Hollow(wall_mm=bad)
    with pytest.raises(vw.OptionError, match="separation_kpa"):
        vw.Setup().replace(machine={"separation_kpa": 5e-324})


def test_reports_take_no_numbers_that_are_none() -> None:
    with pytest.raises(TypeError, match="finite"):
        vw.Report(numbers={"gap_percent": float("nan")})


def test_foreign_bytes_are_a_format_error(part: vw.Part) -> None:
    sound = part.to_bytes()
    foreign = [b"", b"PK\x03\x04", sound[:100], sound[:-1], box().to_bytes(), b"\x81" * 5000]
    for bytes_ in foreign:
        with pytest.raises(vw.FormatError) as caught:
            vw.Part.from_bytes(bytes_)
        assert "Error(" not in str(caught.value), caught.value
    assert vw.Part.from_bytes(sound) == part
    # Whatever is changed in them, what comes out keeps its promises.
    draw = np.random.default_rng(5)
    for _ in range(2000):
        mutated = bytearray(sound)
        for at in draw.integers(0, len(sound), 3):
            mutated[at] = draw.integers(0, 256)
        try:
            read = vw.Part.from_bytes(bytes(mutated))
        except vw.FormatError:
            continue
        assert np.isfinite(read.pose).all()


@pytest.mark.parametrize("name", ["penguin.stl", "wardrobe_end.stl"])
def test_winding_numbers_agree_with_libigl(name: str) -> None:
    """libigl is an independent library; the method is that of Jacobson et al. 2013."""
    igl = pytest.importorskip("igl")
    mesh = vw.Mesh.load(CORPUS / name)
    size = np.ptp(mesh.vertices, axis=0)
    draw = np.random.default_rng(1)
    points = mesh.vertices.min(axis=0) + size * draw.uniform(-0.2, 1.2, (2000, 3))
    # Sound, torn, and with every third facet missing.
    for triangles in (mesh.triangles, mesh.triangles[200:], mesh.triangles[::3]):
        torn = vw.Mesh(mesh.vertices, triangles)
        theirs = igl.winding_number(
            np.ascontiguousarray(torn.vertices), triangles.astype(np.int64), points
        )
        ours = vw.winding_numbers(torn, points)
        assert np.abs(ours - theirs).max() < 1e-6
