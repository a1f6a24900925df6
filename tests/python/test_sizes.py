"""What a file's size says before any work is done."""

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from shapes import box

import vatwright as vw
from vatwright import sizes

SETUP = vw.Setup.load("desk-50um")


def saved(folder: Path, size: float, ending: str = "stl") -> Path:
    path = folder / f"figure.{ending}"
    box(size).save(path)
    return path


@pytest.mark.parametrize(
    ("size", "unit", "mm"),
    [
        # A 32 mm figure in other units of ISO/IEC 25422, by their lengths in mm.
        (0.032, "m", 32.0),
        (0.03, "m", 30.0),
        (1.2, "in", 30.48),
        (2.9, "cm", 29.0),
        (32_000.0, "um", 32.0),
    ],
)
def test_a_size_in_another_unit_is_guessed(
    tmp_path: Path, size: float, unit: str, mm: float
) -> None:
    path = saved(tmp_path, size)
    with pytest.raises(vw.OptionError) as stopped:
        sizes.Reading().load(path)
    assert f"--unit {unit}" in str(stopped.value)
    assert f"{mm:.3g} mm" in str(stopped.value)
    assert str(path) in str(stopped.value)
    # The remedy works, and so does going on all the same.
    bounds = sizes.Reading(unit_mm=sizes.UNITS[unit]).load(path).bounds
    assert max(bounds[1]) - max(bounds[0]) == pytest.approx(mm, rel=1e-6)
    sizes.Reading(unit_mm=1.0).load(path)


def test_three_metres_may_be_scaled(tmp_path: Path) -> None:
    path = saved(tmp_path, 3000.0)
    with pytest.raises(vw.OptionError, match="--scale"):
        sizes.Reading().load(path)
    low, high = sizes.Reading(scale=1 / 87).load(path).bounds
    assert high[0] - low[0] == pytest.approx(3000 / 87)
    for wrong in (0.0, -1.0, float("nan"), float("inf")):
        with pytest.raises(vw.Error):
            sizes.Reading(scale=wrong).load(path)


def test_a_file_that_says_its_unit_is_believed(tmp_path: Path) -> None:
    low, high = sizes.Reading().load(saved(tmp_path, 1.2, "3mf")).bounds
    assert high[0] - low[0] == pytest.approx(1.2)


def test_usual_sizes_pass(tmp_path: Path) -> None:
    for size in (3.1, 32.0, 200.0):
        sizes.Reading().load(saved(tmp_path, size))


def test_a_batch_stops_such_a_file_alone(tmp_path: Path) -> None:
    saved(tmp_path, 1.2)
    good = tmp_path / "crate.stl"
    box(12.0).save(good)
    done = vw.batch(
        [tmp_path / "figure.stl", good],
        vw.Recipe([]),
        out=tmp_path / "out",
        executor=ThreadPoolExecutor(1),
    )
    assert [o.status for o in done.outcomes] == ["failed", "done"]
    assert "--unit in" in done.outcomes[0].remedy


def bar(x: float, y: float, z: float) -> vw.Mesh:
    return vw.shapes.cuboid(x, y, z).mesh


def turned(mesh: vw.Mesh, seed: int) -> vw.Mesh:
    rotation, _ = np.linalg.qr(np.random.default_rng(seed).normal(size=(3, 3)))
    rotation *= np.linalg.det(rotation)
    return vw.Mesh(mesh.vertices @ rotation.T, mesh.triangles)


def fits(mesh: vw.Mesh) -> bool:
    try:
        sizes.refuse_misfit(mesh, SETUP, "figure.stl")
    except vw.LimitError:
        return False
    return True


ROOM = sorted((SETUP.machine.width_mm, SETUP.machine.depth_mm, SETUP.machine.height_mm))
DIAGONAL = float(np.linalg.norm(ROOM))


def test_what_the_machine_can_hold_is_never_refused() -> None:
    # Boxes as large as the machine itself, however they lie, by the boxes' own making; and a
    # rod along its diagonal, by Pythagoras.
    rod = bar(DIAGONAL * 0.98, 0.5, 0.5)
    for seed in range(20):
        assert fits(turned(bar(*ROOM), seed))
        assert fits(turned(rod, seed))


def test_what_it_cannot_hold_is_refused() -> None:
    a, _, c = ROOM
    for seed in range(5):
        assert not fits(turned(bar(DIAGONAL * 1.1, 1.0, 1.0), seed))  # a longer rod
        assert not fits(turned(bar(a * 1.3, a * 1.3, a * 1.3), seed))  # thicker all ways
        assert not fits(turned(bar(c, c, a * 0.2), seed))  # a plate too broad to stand or lie


class Never:
    """A pass that must not run."""

    name = "never"

    def apply(self, part: vw.Part, setup: vw.Setup) -> vw.Part:
        raise AssertionError("a pass ran on a part that cannot fit")


def test_a_part_that_cannot_fit_costs_no_passes(tmp_path: Path) -> None:
    path = tmp_path / "wagon.stl"
    vw.shapes.cuboid(*(1.3 * np.array(ROOM))).mesh.save(path)
    recipe = vw.Recipe([Never()])
    done = vw.batch([path], recipe, out=tmp_path / "out", executor=ThreadPoolExecutor(1))
    assert done.outcomes[0].code == "limit"
    assert "cannot hold it" in done.outcomes[0].message
    assert "--scale" in done.outcomes[0].remedy
