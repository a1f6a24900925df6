"""The wall that hollow leaves, against a distance from outside the project."""

import igl
import numpy as np
import pytest

import vatwright as vw


@pytest.mark.parametrize("wall_mm", [1.2, 2.0])
def test_the_wall_is_as_thick_as_libigl_measures_it(wall_mm: float) -> None:
    body = vw.shapes.figure(3, 45.0, 20_000).mesh
    # Its roofs are thicker on purpose.
    part = vw.Hollow(wall_mm=wall_mm, roof=False).apply(vw.Part(vw.Solid(body))).value
    cavities = part.cavities
    corners = np.concatenate([c.vertices[c.triangles] for c in cavities])
    sides = corners[:, 1:] - corners[:, :1]
    areas = np.linalg.norm(np.cross(sides[:, 0], sides[:, 1]), axis=1)

    # Points spread evenly over the cavities' surface.
    rng = np.random.default_rng(5)
    of = rng.choice(len(corners), 100_000, p=areas / areas.sum())
    u, v = rng.random((2, len(of), 1))
    u, v = np.where(u + v > 1, 1 - u, u), np.where(u + v > 1, 1 - v, v)
    points = corners[of, 0] + u * sides[of, 0] + v * sides[of, 1]

    triangles = body.triangles.astype(np.int64)
    squared = igl.point_mesh_squared_distance(points, body.vertices, triangles)[0]
    walls = np.sqrt(squared)
    assert walls.min() >= wall_mm - 0.002
    assert np.mean(walls) <= wall_mm * 1.005
    assert (igl.fast_winding_number(body.vertices, triangles, points) > 0.5).all()


def test_a_bore_takes_what_the_drill_fills() -> None:
    block = vw.shapes.cuboid(10, 10, 10)
    low, high = block.bounds
    middle = [(a + b) / 2 for a, b in zip(low, high, strict=True)]
    drill = vw.shapes.cylinder(2.0, 40.0, 64).mesh
    shift = np.array([middle[0], middle[1], -20])
    placed = vw.Solid(vw.Mesh(drill.vertices + shift, drill.triangles))
    # A regular 64-gon of radius 2 through 10 mm.
    taken = 10 * 64 / 2 * 4 * np.sin(2 * np.pi / 64)
    assert block.minus(placed).volume_mm3 == pytest.approx(1000 - taken, rel=1e-9)
    assert block.minus().volume_mm3 == pytest.approx(1000)
