"""Small meshes made by hand."""

import numpy as np
import numpy.typing as npt

import vatwright as vw


def box(size: float = 10.0, name: str = "box") -> vw.Mesh:
    """A cube as 12 triangles, outward."""
    corners: npt.NDArray[np.float64] = np.array(
        [[x, y, z] for z in (0, 1) for y in (0, 1) for x in (0, 1)], dtype=np.float64
    )
    quads = [(0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (2, 6, 7, 3), (0, 4, 6, 2), (1, 3, 7, 5)]
    triangles = [t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))]
    return vw.Mesh(corners * size, triangles, name=name)
