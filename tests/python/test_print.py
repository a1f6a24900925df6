"""What the light leaves of a part, beside closed forms and a slow twin in numpy and scipy."""

import pickle

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter  # type: ignore[import-untyped]
from scipy.special import erfcinv  # type: ignore[import-untyped]

import vatwright as vw

LAYER_MM, PENETRATION_MM, CRITICAL, DOSE, FIRST_DOSE = 0.05, 0.12, 6.0, 12.0, 120.0


@pytest.fixture
def core() -> vw.Setup:
    """The default setup without tails of the light: σ = 25 µm."""
    return vw.Setup().replace(exposure={"edge_tail_share": 0.0})


def block(name: str, x: float, y: float, z: float) -> vw.Part:
    return vw.Part(vw.shapes.cuboid(x, y, z), name=name)


def together(name: str, pieces: list[tuple[vw.Solid, tuple[float, float, float]]]) -> vw.Part:
    """Solids at their places as one part."""
    vertices, triangles, n = [], [], 0
    for solid, at in pieces:
        vertices.append(solid.mesh.vertices + at)
        triangles.append(solid.mesh.triangles + n)
        n += len(vertices[-1])
    mesh = vw.Mesh(np.concatenate(vertices), np.concatenate(triangles), name=name)
    return vw.Part(vw.Solid(mesh))


def grown(dose: float, sigma: float = 0.025) -> float:
    """A straight edge under a normal spread, where its dose falls to the critical one."""
    return float(sigma * 2**0.5 * erfcinv(2 * CRITICAL / dose))


def test_walls_lie_where_the_closed_form_says(core: vw.Setup) -> None:
    part = block("station pillar", 5.0, 4.0, 3.0)
    done = vw.Print().apply(part, core)
    printed = done.value
    mesh = part.body.mesh
    a, b, c = (mesh.vertices[mesh.triangles[:, i]] for i in range(3))
    normals = np.cross(b - a, c - a)
    walls = np.abs(normals[:, 2]) < 1e-9
    assert printed.deviation_mm.dtype == np.float64
    assert printed.deviation_mm.shape == (len(mesh.triangles),)
    # Doses of many layers at a layer's middle: a geometric sum.
    left = np.exp(-LAYER_MM / PENETRATION_MM)
    stacked = DOSE * left**0.5 / (1 - left)
    assert printed.deviation_mm[walls] == pytest.approx(grown(stacked), abs=0.012)
    assert printed.deviation_mm[~walls] == pytest.approx(0.0, abs=0.002)
    first = sum((FIRST_DOSE if k < 5 else DOSE) * left ** (k + 0.5) for k in range(60))
    assert printed.flare_mm == pytest.approx(grown(first), abs=0.004)
    assert {f.code for f in done.report.findings} == {"first_layer_flare"}
    assert (printed.closed_mm2, printed.lost_mm2) == (0.0, 0.0)
    # Where the middle of a round has the critical share: Rayleigh's distribution, from memory.
    share = CRITICAL / stacked
    assert printed.least_pin_mm == pytest.approx(2 * 0.025 * (-2 * np.log(1 - share)) ** 0.5)
    assert printed.least_bore_mm == pytest.approx(2 * 0.025 * (-2 * np.log(share)) ** 0.5)


def test_volumes_are_those_of_a_slow_twin(core: vw.Setup) -> None:
    column, arm = vw.shapes.cuboid(0.6, 1.0, 1.5), vw.shapes.cuboid(1.6, 1.0, 0.5)
    part = together("signal arm", [(column, (0.0, 0.0, 0.0)), (arm, (0.0, 0.0, 1.0))])
    both = part.body.mesh
    printed = vw.Print(pitch_mm=0.02).apply(part, core).value
    # Every layer's mask on pixels of 10 µm, blurred, weakened through the layers before it.
    pixel, edge = 0.01, 0.3
    x = np.arange(-edge, 1.6 + edge, pixel) + pixel / 2
    y = np.arange(-edge, 1.0 + edge, pixel) + pixel / 2
    low, wide = both.vertices[:, :2].min(axis=0), both.vertices[:, :2].max(axis=0)
    assert wide - low == pytest.approx([1.6, 1.0])
    start = column.mesh.vertices[:, 0].min() - low[0]
    left = np.exp(-LAYER_MM / PENETRATION_MM)
    dose, cured, drawn = np.zeros((len(y), len(x))), 0.0, 0.0
    for k in reversed(range(30)):
        from_mm, to_mm = (0.0, 1.6) if k >= 20 else (start, start + 0.6)
        lit = (x > from_mm) & (x < to_mm) & ((y > 0) & (y < 1))[:, None]
        light = gaussian_filter(lit.astype(float), 0.025 / pixel, truncate=8)
        dose = dose * left + light * (FIRST_DOSE if k < 5 else DOSE)
        drawn += lit.sum() * pixel**2 * LAYER_MM
        cured += (dose * left**0.5 >= CRITICAL).sum() * pixel**2 * LAYER_MM
    assert printed.drawn_mm3 == pytest.approx(drawn, rel=1e-3)
    assert printed.cured_mm3 - printed.drawn_mm3 == pytest.approx(cured - drawn, rel=0.03)
    # Far below an underside a whole number of layers may not tell: d∞ = 162.4 µm (derived).
    assert printed.through_mm == pytest.approx(0.1624, abs=0.01)


def test_what_is_too_fine_is_found() -> None:
    setup = vw.Setup().replace(exposure={"edge_blur_mm": 0.1})
    pieces = [((12.0, 1.0), 0.0), ((3.0, 3.0), 0.0), ((3.0, 3.0), 3.1), ((0.04, 3.0), 9.0)]
    comb = together(
        "comb", [(vw.shapes.cuboid(x, 4.0, z), (at, 0.0, 0.0)) for (x, z), at in pieces]
    )
    done = vw.Print().apply(comb, setup)
    assert {"gap", "thin"} <= {f.code for f in done.report.findings}
    assert done.value.closed_mm2 > 1.0
    assert done.value.lost_mm2 > 1.0


def test_a_plate_gives_one_result_a_part(core: vw.Setup) -> None:
    lamp, post = block("lamp", 2.0, 2.0, 1.0), block("post", 1.0, 1.0, 2.0)
    placed = [vw.Placed(p, x_mm=5.0 * i, y_mm=5.0) for i, p in enumerate((lamp, post, lamp))]
    plate = vw.Plate("one", placed, width_mm=60.0, depth_mm=40.0)
    seen: list[float] = []
    passed = vw.Print(apart_mm=0.3)
    done = passed.apply(plate, core, progress=lambda _, f: seen.append(f), threads=1)
    assert [p.part for p in done.value] == ["lamp", "post", "lamp"]
    assert done.value[0] == done.value[2]
    assert done.value[0] == passed.apply(lamp, core).value
    assert [r.part for r in done.report.inner] == ["lamp", "post"]
    assert seen == sorted(seen)


def test_a_result_is_data(core: vw.Setup) -> None:
    printed = vw.Print().apply(block("foot <1>", 2.0, 2.0, 1.0), core).value
    assert pickle.loads(pickle.dumps(printed)) == printed
    assert len(repr(printed)) < 1000
    assert "foot &lt;1&gt;" in printed._repr_html_()
    assert f"{printed.flare_mm:.3f} mm" in printed._repr_html_()
    printed.deviation_mm[:] = 9.0  # a copy
    assert printed.deviation_mm.max() < 9.0


def test_form_and_roughness_of_a_clean_face(core: vw.Setup) -> None:
    part = vw.Part(vw.shapes.plano_convex(8.0, 4.0, 1.0, 48), name="signal lens")
    mesh = part.body.mesh
    a, b, c = (mesh.vertices[mesh.triangles[:, i]] for i in range(3))
    up = np.cross(b - a, c - a)[:, 2] > 1e-9
    printed = vw.Print(apart_mm=0.1).apply(part.marked(up), core).value
    # The steps of layers under a gentle slope, h·cosθ/√12 with cosθ from 0.97 to 1 (derived).
    assert printed.roughness_mm == pytest.approx(0.05 / 12**0.5, rel=0.2)
    assert printed.form_mm < printed.roughness_mm
    assert "their roughness" in printed._repr_html_()
    assert vw.Print(apart_mm=0.1).apply(part, core).value.roughness_mm == 0.0


def test_what_it_does_not_take_is_refused(core: vw.Setup) -> None:
    with pytest.raises(TypeError, match="no Part and no Plate"):
        vw.Print().apply(vw.shapes.cuboid(1.0, 1.0, 1.0), core)  # type: ignore[call-overload]
    with pytest.raises(vw.OptionError, match=r"print\.apart_mm"):
        vw.Print(apart_mm=0.0)
    with pytest.raises(TypeError, match="no pass over parts"):
        vw.Recipe([vw.Print()])  # type: ignore[list-item]
