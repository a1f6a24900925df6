"""Measure your own machine and resin: what the readings of an evening say of a setup.

Constants come with 95 % intervals; readings that do not go with the others are told and left
out; what the readings cannot determine is refused, with the print that would.
"""

from vatwright.calibrate.laws import (
    Feature,
    Strip,
    bond,
    direct,
    edge,
    green_modulus,
    green_strength,
    stiffness,
    working_curve,
)
from vatwright.calibrate.peel import peel
from vatwright.calibrate.result import Constant, Doubt, Fit, Missing

__all__ = [
    "Constant",
    "Doubt",
    "Feature",
    "Fit",
    "Missing",
    "Strip",
    "bond",
    "direct",
    "edge",
    "green_modulus",
    "green_strength",
    "peel",
    "stiffness",
    "working_curve",
]
