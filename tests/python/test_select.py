"""Facets are selected and marked from Python."""

import numpy as np
import pytest

import vatwright as vw


def cube() -> vw.Solid:
    v = [(x, y, z) for z in (0, 2) for y in (0, 2) for x in (0, 2)]
    quads = [(0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (2, 6, 7, 3), (0, 4, 6, 2), (1, 3, 7, 5)]
    t = [f for a, b, c, d in quads for f in ((a, b, c), (a, c, d))]
    return vw.Solid(vw.Mesh(v, t, name="cube"))


def test_marks_are_kept_with_the_part() -> None:
    solid = cube()
    top = vw.select.by_normal(solid.mesh, (0, 0, 1), within_deg=5)
    assert top.sum() == 2
    assert (top == vw.select.by_plane(solid.mesh, (0, 0, 2), (0, 0, 1))).all()
    seed = int(np.flatnonzero(top)[0])
    assert (top == vw.select.patch(solid.mesh, seed)).all()
    part = vw.Part(solid).marked(top)
    assert (part.keep_clean == top).all()
    assert not vw.Part(solid).keep_clean.any()
    assert (vw.Part.from_bytes(part.to_bytes()).keep_clean == top).all()


def test_wrong_marks_say_what_is_wrong() -> None:
    part = vw.Part(cube())
    with pytest.raises(ValueError, match=r"shape \(12,\)"):
        part.marked([True, False])
    with pytest.raises(TypeError, match="must hold bool"):
        part.marked(np.ones(12))
    with pytest.raises(vw.OptionError, match="the zero vector"):
        vw.select.by_normal(cube().mesh, (0, 0, 0), within_deg=5)
