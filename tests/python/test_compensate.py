"""Compensation from Python: what the light leaves, against the model, by a slow twin."""

import numpy as np
import numpy.typing as npt
import pytest
from scipy.ndimage import gaussian_filter  # type: ignore[import-untyped]

import vatwright as vw

LAYER_MM, PENETRATION_MM, CRITICAL, DOSE, FIRST_DOSE = 0.05, 0.12, 6.0, 12.0, 120.0
PIXEL_MM = 0.01


@pytest.fixture
def core() -> vw.Setup:
    """The default setup without tails of the light: σ = 25 µm."""
    return vw.Setup().replace(exposure={"edge_tail_share": 0.0})


def cured(part: vw.Part, setup: vw.Setup, around: int) -> npt.NDArray[np.bool_]:
    """Masks on pixels of 10 µm, blurred by scipy, weakened layer by layer, added up."""
    layers = part.layers(setup, pitch_mm=PIXEL_MM)
    (x0, y0, _), (x1, y1, _) = part.bounds
    size = [round((high - low) / PIXEL_MM) for low, high in ((y0, y1), (x0, x1))]
    left = np.exp(-LAYER_MM / PENETRATION_MM)
    shape = tuple(2 * (n // 2 + around) for n in size)
    dose, out = np.zeros(shape), []
    for k in reversed(range(len(layers))):
        mask = np.asarray(layers.mask(k), dtype=float)
        mask /= max(mask.max(), 1.0)
        grid = layers.grid
        # The part's middle is the middle of the picture.
        first_y = round((grid.y0_mm) / PIXEL_MM) + shape[0] // 2
        first_x = round((grid.x0_mm) / PIXEL_MM) + shape[1] // 2
        lit = np.zeros(shape)
        lit[first_y : first_y + mask.shape[0], first_x : first_x + mask.shape[1]] = mask
        light = gaussian_filter(lit, 0.025 / PIXEL_MM, truncate=8)
        dose = dose * left + light * (FIRST_DOSE if k < 5 else DOSE)
        out.append(dose * left**0.5 >= CRITICAL)
    return np.array(out[::-1])


def test_a_slow_twin_finds_the_part_nearer_to_the_model(core: vw.Setup) -> None:
    part = vw.Part(vw.shapes.cuboid(1.6, 1.2, 1.0), name="signal base")
    done = vw.Compensate().apply(part, core)
    numbers = done.report.numbers
    assert numbers["mean_after_mm"] < 0.3 * numbers["mean_before_mm"]
    before, after = cured(part, core, 20), cured(done.value, core, 20)
    (ny, nx) = before.shape[1:]
    # The later picture is smaller, about the same middle.
    cut_y, cut_x = (ny - after.shape[1]) // 2, (nx - after.shape[2]) // 2
    y, x = np.mgrid[0:ny, 0:nx]
    model = (np.abs(y + 0.5 - ny / 2) < 60) & (np.abs(x + 0.5 - nx / 2) < 80)
    wider = np.zeros_like(before)
    wider[: len(after), cut_y : ny - cut_y, cut_x : nx - cut_x] = after
    astray = [int((found ^ model).sum()) for found in (before, wider)]
    assert astray[1] < 0.3 * astray[0]


def test_what_was_asked_for_is_kept(core: vw.Setup) -> None:
    part = vw.Part(vw.shapes.cuboid(1.6, 1.2, 1.0))
    assert part.asked is None
    done = vw.Compensate().apply(part, core, threads=1).value
    assert done.asked is not None
    assert np.array_equal(done.asked.triangles, done.body.mesh.triangles)
    assert done.asked.volume_mm3 == pytest.approx(1.6 * 1.2, rel=1e-9)
    assert done.body.mesh.volume_mm3 < done.asked.volume_mm3
    printed = vw.Print().apply(done, core).value
    assert len(printed.deviation_mm) == len(done.body.mesh.triangles)
    assert printed.drawn_mm3 == pytest.approx(1.6 * 1.2, rel=1e-3)
    assert vw.Part.from_bytes(done.to_bytes()) == done
    with pytest.raises(vw.PassError, match="put raft before compensate"):
        vw.Raft().apply(done, core)


def test_it_is_a_step_of_a_recipe_when_asked_for(core: vw.Setup) -> None:
    assert "compensate" not in [step.name for step in vw.Recipe().passes]
    recipe = vw.Recipe([vw.Raft(lift_mm=2.0), vw.Compensate(rounds=1, apart_mm=1.0)])
    assert vw.Recipe.from_toml(recipe.to_toml()) == recipe
    done = recipe.apply(vw.Part(vw.shapes.cuboid(2.0, 2.0, 1.0)), core)
    # The underside is raised for what cures through it: 162 µm less what whole layers leave.
    assert done.value.asked is not None
    low = [mesh.bounds[0][2] for mesh in (done.value.asked, done.value.body.mesh)]
    assert low[1] - low[0] == pytest.approx(0.14, abs=0.03)
