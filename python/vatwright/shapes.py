"""Solids made by code: figures, gears, lenses and plain bodies, all in mm.

The core's documentation says what each number means. Curved shapes are inscribed: their
vertices lie on the true surface. Raises OptionError when a number makes no sense.
"""

from vatwright._core import (
    biconvex,
    bowl,
    cone,
    cuboid,
    cylinder,
    figure,
    figure_of_shells,
    fresnel,
    gear,
    hollow_sphere,
    lenticular,
    plano_convex,
    sphere,
    torus,
    tube,
)

__all__ = [
    "biconvex",
    "bowl",
    "cone",
    "cuboid",
    "cylinder",
    "figure",
    "figure_of_shells",
    "fresnel",
    "gear",
    "hollow_sphere",
    "lenticular",
    "plano_convex",
    "sphere",
    "torus",
    "tube",
]
