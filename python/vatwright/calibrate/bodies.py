"""Bodies that the kit is made of: turned, cut from a strip, put together."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from vatwright._core import Mesh, Part, Solid

__all__ = ["Floats", "box", "joined", "moved", "prism", "turned"]

Floats = npt.NDArray[np.floating]


def box(x: tuple[float, float], y: tuple[float, float], z: tuple[float, float]) -> Solid:
    """A box from low to high along each axis."""
    from vatwright.shapes import cuboid

    return moved(cuboid(x[1] - x[0], y[1] - y[0], z[1] - z[0]), low=(x[0], y[0], z[0]))


def moved(solid: Solid, *, low: Sequence[float]) -> Solid:
    """The same with the low corner of its bounds there."""
    mesh = solid.mesh
    shift = np.asarray(low, dtype=float) - np.asarray(mesh.bounds[0])
    return Solid(Mesh(mesh.vertices + shift, mesh.triangles, name=solid.name))


def joined(*solids: Solid) -> Solid:
    """All of them as one surface that nowhere meets itself."""
    vertices, triangles, count = [], [], 0
    for solid in solids:
        vertices.append(solid.mesh.vertices)
        triangles.append(solid.mesh.triangles + np.uint32(count))
        count += len(vertices[-1])
    both = Solid(Mesh(np.concatenate(vertices), np.concatenate(triangles)))
    # A part stands in the middle of its plate; put back where the pieces were.
    return moved(Part(both).fused(), low=both.bounds[0])


def turned(profile: Sequence[tuple[float, float]], segments: int = 96) -> Solid:
    """The body that a profile of radius and height, from bottom to top, makes about z."""
    radius, z = np.asarray(profile, dtype=float).T
    angle = 2.0 * np.pi * np.arange(segments) / segments
    round_ = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    rings = [
        np.column_stack([r * round_, np.full(segments, h)]) for r, h in zip(radius, z, strict=True)
    ]
    ends = np.array([[0.0, 0.0, z[0]], [0.0, 0.0, z[-1]]])
    here = np.arange(segments)
    there = np.roll(here, -1)
    facets = []
    for ring in range(len(rings) - 1):
        a, b = ring * segments, (ring + 1) * segments
        facets += [
            np.column_stack([a + here, a + there, b + there]),
            np.column_stack([a + here, b + there, b + here]),
        ]
    last, foot = (len(rings) - 1) * segments, len(rings) * segments
    facets.append(np.column_stack([there, here, np.full(segments, foot)]))
    facets.append(np.column_stack([last + here, last + there, np.full(segments, foot + 1)]))
    return Solid(Mesh(np.concatenate([*rings, ends]), np.concatenate(facets)))


def prism(x: npt.ArrayLike, half: npt.ArrayLike, height: float) -> Solid:
    """A flat body that reaches by ``half`` to both sides of the x axis.

    Args:
        x: rising, shape (n,).
        half: above zero, shape (n,).
        height: along z, from 0.
    """
    along, wide = np.asarray(x, dtype=float), np.asarray(half, dtype=float)
    n = len(along)
    outline = np.concatenate(
        [np.column_stack([along, -wide]), np.column_stack([along, wide])[::-1]]
    )
    low = np.column_stack([outline, np.zeros(2 * n)])
    high = np.column_stack([outline, np.full(2 * n, height)])
    here = np.arange(2 * n)
    there = np.roll(here, -1)
    i = np.arange(n - 1)
    j = 2 * n - 1 - i
    face = np.concatenate([np.column_stack([i, i + 1, j - 1]), np.column_stack([i, j - 1, j])])
    sides = [
        np.column_stack([here, there, 2 * n + there]),
        np.column_stack([here, 2 * n + there, 2 * n + here]),
    ]
    facets = np.concatenate([face[:, ::-1], face + 2 * n, *sides])
    return Solid(Mesh(np.concatenate([low, high]), facets))
