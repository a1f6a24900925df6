"""Plates of figures, held against shapely: no pair comes nearer than the gap."""

from itertools import combinations
from typing import Any

import numpy as np
import shapely
from shapely import affinity

import vatwright as vw

GAP_MM = 1.0


def figures() -> list[vw.Part]:
    return [
        vw.Part(vw.shapes.figure(seed, height, 5_000), name=f"figure {seed}, {height:.0f} mm")
        for seed in (1, 2, 3)
        for height in (12.0, 30.0)
    ]


def small_plates() -> vw.Setup:
    setup = vw.Setup.load("desk-50um")
    return setup.replace(machine=setup.machine.replace(width_mm=40.0, depth_mm=35.0))


def shadow(part: vw.Part) -> Any:
    """The union of all facets seen from above."""
    mesh = part.mesh()
    return shapely.union_all(
        shapely.polygons(mesh.vertices[mesh.triangles][:, :, :2]), grid_size=1e-9
    )


def section(part: vw.Part, z: float) -> Any:
    """The part cut at a height."""
    mesh = part.mesh()
    v, ends = mesh.vertices, []
    # The same edge gives the same point, whichever facet asks.
    for a, b in ((0, 1), (1, 2), (2, 0)):
        edge = np.sort(mesh.triangles[:, [a, b]].astype(int), axis=1)
        low, high = v[edge[:, 0]], v[edge[:, 1]]
        crosses = (low[:, 2] < z) != (high[:, 2] < z)
        with np.errstate(divide="ignore", invalid="ignore"):
            t = ((z - low[:, 2]) / (high[:, 2] - low[:, 2]))[:, None]
            ends.append(np.where(crosses[:, None], low + t * (high - low), np.nan)[:, :2])
    found = np.stack(ends, axis=1)
    cut = np.isfinite(found[:, :, 0]).sum(axis=1) == 2
    lines = [row[np.isfinite(row[:, 0])] for row in found[cut]]
    if not lines:
        return shapely.Polygon()
    nodes = shapely.union_all(shapely.linestrings(lines))
    return shapely.union_all(list(shapely.polygonize([nodes]).geoms))


def placed(shape: Any, p: vw.Placed) -> Any:
    turned = affinity.rotate(shape, p.turn_deg, origin=(0, 0))
    return affinity.translate(turned, p.x_mm, p.y_mm)


def test_outlines_keep_the_gap_and_sorting_saves_time() -> None:
    # Many small figures, and a tall one of each kind now and then.
    kinds = figures()
    order = [p for i in range(12) for p in kinds if p.bounds[1][2] < 20 or i % 6 == 0]
    parts = [p.renamed(f"{p.name} #{i}") for i, p in enumerate(order)]
    done = vw.Pack(gap_mm=GAP_MM, rounds=10).apply(parts, small_plates())
    outlines = {p.name: shadow(p) for p in kinds}
    assert sum(len(plate.placed) for plate in done.value) == len(parts)
    for plate in done.value:
        shapes = [placed(outlines[p.part.name.split(" #")[0]], p) for p in plate.placed]
        assert min(a.distance(b) for a, b in combinations(shapes, 2)) >= GAP_MM - 1e-9
        inside = shapely.box(0.998, 0.998, plate.width_mm - 0.998, plate.depth_mm - 0.998)
        assert all(inside.contains(shape) for shape in shapes)
    in_order = vw.Pack(gap_mm=GAP_MM, keep_order=True).apply(parts, small_plates())
    assert done.report.numbers["time_s"] <= 0.85 * in_order.report.numbers["time_s"]


def test_layers_keep_the_gap_where_arms_pass_over() -> None:
    parts = figures()
    pack = vw.Pack(gap_mm=GAP_MM, band_mm=5.0, copies={p.name: 3 for p in parts}, rounds=20)
    plates = pack.apply(parts, small_plates()).value
    heights = np.arange(0.55, 30.0, 1.7)
    cuts = {p.name: [section(p, z) for z in heights] for p in parts}
    for plate in plates:
        for k in range(len(heights)):
            shapes = [placed(cuts[p.part.name][k], p) for p in plate.placed]
            solid = [s for s in shapes if not s.is_empty]
            for a, b in combinations(solid, 2):
                assert a.distance(b) >= GAP_MM - 1e-9


def test_a_plate_is_looked_at_as_one() -> None:
    box = vw.Part(vw.shapes.cuboid(8.0, 8.0, 6.0), name="box")

    def plate(*at_mm: float) -> vw.Plate:
        placed = [vw.Placed(box, x_mm=x, y_mm=10.0) for x in at_mm]
        return vw.Plate("plate", placed, width_mm=130.0, depth_mm=80.0)

    one, two = plate(10.0).inspect(), plate(10.0, 30.0).inspect()
    # Both stand on the plate itself and flare there; nothing else is the matter.
    bad = [f for f in two.findings if f.severity != "note" and f.code != "first_layer_flare"]
    assert two.part == "plate" and not bad
    # Twice the section and the pull, and not a second more (common practice, no source).
    for name in ("peak_section_mm2", "peak_peel_n"):
        np.testing.assert_allclose(two.numbers[name], 2 * one.numbers[name], rtol=1e-9)
    assert two.numbers["time_s"] == one.numbers["time_s"]
    (beyond,) = [f for f in plate(127.0).inspect().findings if f.severity == "fault"]
    assert beyond.code == "size" and beyond.value is not None
    np.testing.assert_allclose(beyond.value, 1.0, atol=1e-9)
