"""Measure your own machine and resin: what the readings of an evening say of a setup.

Constants come with 95 % intervals; readings that do not go with the others are told and left
out; what the readings cannot determine is refused, with the print that would.
"""

from vatwright.calibrate import form, kit, sheet
from vatwright.calibrate.edges import Feature, edge
from vatwright.calibrate.evaluate import evaluate
from vatwright.calibrate.laws import (
    Strip,
    bond,
    depth_comb,
    direct,
    green_modulus,
    green_strength,
    stiffness,
    working_curve,
)
from vatwright.calibrate.log import Log, peaks, read_log
from vatwright.calibrate.peel import peel
from vatwright.calibrate.result import Constant, Doubt, Fit, Missing

__all__ = [
    "Constant",
    "Doubt",
    "Feature",
    "Fit",
    "Log",
    "Missing",
    "Strip",
    "bond",
    "depth_comb",
    "direct",
    "edge",
    "evaluate",
    "form",
    "green_modulus",
    "green_strength",
    "kit",
    "peaks",
    "peel",
    "read_log",
    "sheet",
    "stiffness",
    "working_curve",
]
