"""Constants of resin, light and bond from readings, each by the law that uses it.

Every function takes what was read, tells readings that do not go with the others, and refuses
what cannot be determined by naming the print that would.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np

from vatwright.calibrate import robust
from vatwright.calibrate.readings import Reading, fit_rows, listed, mean, measured, positive
from vatwright.calibrate.result import Doubt, Fit, Missing
from vatwright.errors import OptionError

__all__ = [
    "GRAVITY",
    "Gauge",
    "Strip",
    "bond",
    "depth_comb",
    "direct",
    "green_modulus",
    "green_strength",
    "stiffness",
    "working_curve",
]

Gauge: TypeAlias = Literal["machine.film_compliance_mm_n", "machine.frame_stiffness_n_mm"]

GRAVITY = 9.81
"""m/s², as the core has it."""

# Resolution of a micrometer or caliper in the hand, and of a rule, mm.
_CALIPER_MM, _RULE_MM = 0.01, 0.5
# Scatter of coins and teeth beside the caliper's: wiping, the lamp, shrinkage (no source).
_COIN_SCATTER, _TOOTH_SCATTER = 0.05, 0.01
# An interval wider than this, high over low, leaves a constant as unknown as before.
_TOO_WIDE = 4.0


def working_curve(
    exposure_s: Sequence[float],
    thickness_mm: Sequence[Sequence[float]],
    *,
    irradiance_mw_cm2: float,
) -> Fit:
    """``penetration_mm`` and ``critical_mj_cm2`` from coins: Cd = Dp·ln(E/Ec) (Jacobs 1992).

    The interval of Ec is that of the point where a fitted line meets zero (Fieller 1954; both
    from memory).

    Args:
        exposure_s: exposure of each coin.
        thickness_mm: readings of each coin; none for a coin that did not harden.
        irradiance_mw_cm2: of the lamp; Ec holds for this number, measured or not.

    Raises:
        OptionError: a number is not above zero, or the lists do not match.
    """
    _matching("coins", exposure_s, thickness_mm)
    positive("coins: exposure_s", exposure_s)
    positive("coins: irradiance_mw_cm2", [irradiance_mw_cm2])
    rows, logs = [], []
    for i, row, value in listed("coin", "thickness_mm", thickness_mm):
        rows.append(Reading(row, value, i, "mm", float, float))
        logs.append(math.log(irradiance_mw_cm2 * exposure_s[i]))
    remedy = (
        "print coins of at least four exposures, the longest eight times the shortest or more "
        "(coin.stl)"
    )
    names = ("resin.penetration_mm", "resin.critical_mj_cm2")

    def refused(why: str, doubts: tuple[Doubt, ...] = ()) -> Fit:
        return Fit(missing=tuple(Missing(name, why, remedy) for name in names), doubts=doubts)

    coins = len(set(logs))
    if coins < 4 or max(logs) - min(logs) < math.log(3.0):
        return refused(f"{coins} exposures say nothing of a slope and its scatter")
    design = np.column_stack([np.ones(len(logs)), logs])
    # A coin's scatter is part of its thickness; which, the line itself says.
    line = robust.fit(design, [r.value for r in rows]).coefficients
    sd = np.hypot(_CALIPER_MM, _COIN_SCATTER * np.maximum(design @ line, 0.0))
    found, doubts = fit_rows(design, rows, sd=sd)
    (meets, slope), v = found.coefficients, found.covariance * found.reach**2
    span = _fieller(float(meets), float(slope), v)
    if slope <= 0.0 or span is None or math.exp(span[1] - span[0]) > _TOO_WIDE:
        return refused("the thickness does not rise clearly with the exposure", doubts)
    note = f"{coins} coins at {irradiance_mw_cm2:.3g} mW/cm²"
    critical = math.exp(-meets / slope)
    return Fit(
        (
            measured(names[0], slope, *found.interval(1), note),
            measured(names[1], critical, math.exp(span[0]), math.exp(span[1]), note),
        ),
        doubts,
    )


def _fieller(meets: float, slope: float, v: np.ndarray) -> tuple[float, float] | None:
    """Where the line may meet zero; None where it may run level."""
    a = slope**2 - v[1, 1]
    b = meets * slope - v[0, 1]
    c = meets**2 - v[0, 0]
    if a <= 0.0 or b**2 < a * c:
        return None
    root = math.sqrt(b**2 - a * c)
    return (-b - root) / a, (-b + root) / a


def depth_comb(
    layers: Sequence[float],
    thickness_mm: Sequence[Sequence[float]],
    *,
    layer_mm: float,
    dose_mj_cm2: float,
    start: tuple[float, float],
) -> Fit:
    """``penetration_mm`` and ``critical_mj_cm2`` from teeth that light went through.

    A tooth of N layers is thicker by Dp·ln[(E/Ec)(1 − e^(−Nh/Dp))/(e^(h/Dp) − 1)]
    (docs/mechanics/cure-and-time.md); fitted by Gauss and Newton in the logarithms of both.

    Args:
        layers: in each tooth.
        thickness_mm: readings of each tooth.
        layer_mm: of the print.
        dose_mj_cm2: of one layer.
        start: Dp, mm, and Ec, mJ/cm², to begin from.

    Raises:
        OptionError: a number is not above zero, or the lists do not match.
    """
    _matching("depth comb", layers, thickness_mm)
    positive("depth comb: layers", layers)
    positive("depth comb: sizes", [layer_mm, dose_mj_cm2, *start])
    names = ("resin.penetration_mm", "resin.critical_mj_cm2")
    told = list(listed("depth comb", "thickness_mm", thickness_mm))
    count = np.array([layers[i] for i, _, _ in told])

    def refused(why: str, doubts: tuple[Doubt, ...] = ()) -> Fit:
        remedy = "print coins (coin.stl), or the depth comb (depth-comb.stl) and read all its teeth"
        return Fit(missing=tuple(Missing(name, why, remedy) for name in names), doubts=doubts)

    if len(set(count.tolist())) < 4:
        return refused("fewer than four teeth")

    def through(at: np.ndarray) -> np.ndarray:
        dp = math.exp(at[0])
        many = np.log(-np.expm1(-count * layer_mm / dp) / math.expm1(layer_mm / dp))
        deeper: np.ndarray = dp * (math.log(dose_mj_cm2) - at[1] + many)
        return deeper

    sd = np.hypot(_CALIPER_MM, _TOOTH_SCATTER * count * layer_mm)
    at = np.log(np.array(start))
    for _ in range(50):
        here, step = through(at), 1e-6
        design = np.column_stack([(through(at + step * e) - here) / step for e in np.eye(2)])
        rows = [
            _tooth(row, value, i, float(off))
            for (i, row, value), off in zip(
                told, count * layer_mm + here - design @ at, strict=True
            )
        ]
        try:
            found, doubts = fit_rows(design, rows, sd=sd)
        except ValueError:
            return refused("the teeth do not differ in what light adds to them")
        # So far and no further at once: the law bends.
        change = np.clip(found.coefficients - at, -0.5, 0.5)
        at = at + change
        if float(np.abs(change).max()) < 1e-7:
            break
    else:
        return refused("no penetration and critical dose go with the teeth")
    ends = [found.interval(i) for i in range(2)]
    if max(high - low for low, high in ends) > math.log(_TOO_WIDE):
        return refused("the teeth allow too wide a range", doubts)
    note = f"{len(set(count.tolist()))} teeth of the depth comb"
    return Fit(
        tuple(
            measured(name, math.exp(value), math.exp(low), math.exp(high), note)
            for name, value, (low, high) in zip(names, at, ends, strict=True)
        ),
        doubts,
    )


def _tooth(row: str, value: float, thing: int, off: float) -> Reading:
    return Reading(row, value, thing, "mm", lambda v: v - off, lambda y: y + off)


def bond(
    diameter_mm: Sequence[float], pull_kg: Sequence[float], *, names: Sequence[str] = ()
) -> Fit:
    """``plate_bond_kpa`` from the weights that tore bond discs off the plate.

    Args:
        diameter_mm: of each disc, as printed.
        pull_kg: what the scale showed when it came off.
        names: of the discs, for what is said of them.

    Raises:
        OptionError: a number is not above zero, or the lists do not match.
    """
    _matching("bond discs", diameter_mm, pull_kg)
    positive("bond discs: diameter_mm", diameter_mm)
    areas = [math.pi / 4 * d**2 for d in diameter_mm]
    rows = _torn(names or _counted("bond disc", pull_kg), areas, pull_kg, 1e3)
    remedy = "print five bond discs (bond-disc.stl) and tear each off with a luggage scale"
    return mean("resin.plate_bond_kpa", rows, "bond discs", remedy)


def green_strength(
    width_mm: Sequence[float],
    thickness_mm: Sequence[float],
    pull_kg: Sequence[float],
    *,
    names: Sequence[str] = (),
) -> Fit:
    """``green_strength_mpa`` from the weights that tore dumb-bells at their neck.

    Args:
        width_mm: of each neck.
        thickness_mm: of each neck.
        pull_kg: what the scale showed when it tore.
        names: of the dumb-bells, for what is said of them.

    Raises:
        OptionError: a number is not above zero, or the lists do not match.
    """
    _matching("dumb-bells", width_mm, thickness_mm, pull_kg)
    positive("dumb-bells: width_mm", width_mm)
    positive("dumb-bells: thickness_mm", thickness_mm)
    areas = [w * t for w, t in zip(width_mm, thickness_mm, strict=True)]
    rows = _torn(names or _counted("dumb-bell", pull_kg), areas, pull_kg, 1.0)
    remedy = "print five dumb-bells (dumb-bell.stl) and tear them before the cure"
    return mean("resin.green_strength_mpa", rows, "dumb-bells", remedy)


def _counted(kind: str, of: Sequence[object]) -> list[str]:
    return [f"{kind} {i}" for i in range(1, len(of) + 1)]


def _torn(
    names: Sequence[str], area_mm2: Sequence[float], pull_kg: Sequence[float], per_mpa: float
) -> list[Reading]:
    def reading(i: int) -> Reading:
        stress = GRAVITY / area_mm2[i] * per_mpa
        return Reading(
            f"{names[i]}, pull_kg",
            pull_kg[i],
            i,
            "kg",
            lambda kg: math.log(stress * kg),
            lambda log: math.exp(log) / stress,
        )

    positive(f"{names[0] if names else 'piece'} and others: pull_kg", pull_kg)
    return [reading(i) for i in range(len(pull_kg))]


@dataclass(frozen=True)
class Strip:
    """A strip clamped at one end, with weights at the other."""

    free_mm: float
    """From the clamp to the weight."""
    width_mm: float
    thickness_mm: float
    load_g: tuple[float, ...]
    deflection_mm: tuple[float, ...]
    """By each weight, from where the bare strip stood."""
    name: str = ""


def green_modulus(strips: Sequence[Strip]) -> Fit:
    """``green_modulus_mpa`` from bending: E = 4FL³/(b·t³·w), w below L/10 (any handbook).

    Raises:
        OptionError: a number is not above zero, or there is not a deflection for every weight.
    """
    rows = []
    for i, strip in enumerate(strips):
        name = strip.name or f"strip {i + 1}"
        positive(f"{name}: sizes", [strip.free_mm, strip.width_mm, strip.thickness_mm])
        positive(f"{name}: load_g", strip.load_g)
        positive(f"{name}: deflection_mm", strip.deflection_mm)
        _matching(name, strip.load_g, strip.deflection_mm)
        for grams, deflection in zip(strip.load_g, strip.deflection_mm, strict=True):
            if deflection <= 0.1 * strip.free_mm:
                rows.append(
                    _bent(f"{name}, {grams:g} g: deflection_mm", i, strip, grams, deflection)
                )
    remedy = "print four strips (strip.stl) and bend each by less than a tenth of its free length"
    shares = [
        math.hypot(3 * _CALIPER_MM / s.thickness_mm, 3 * _RULE_MM / s.free_mm) / math.sqrt(3)
        for s in strips
    ]
    name, error = "resin.green_modulus_mpa", max(shares, default=0.0)
    return mean(name, rows, "strips", remedy, relative_error=error)


def _bent(row: str, thing: int, strip: Strip, grams: float, deflection: float) -> Reading:
    factor = 4e-3 * grams * GRAVITY * strip.free_mm**3 / strip.width_mm / strip.thickness_mm**3
    return Reading(
        row,
        deflection,
        thing,
        "mm",
        lambda w: math.log(factor / w),
        lambda log: factor / math.exp(log),
    )


def stiffness(
    name: Gauge,
    load_kg: Sequence[float],
    moved_mm: Sequence[float],
) -> Fit:
    """Give of the film, or stiffness of the frame, from a dial gauge under weights.

    Raises:
        OptionError: a number is not above zero, or the lists do not match.
    """
    _matching(name, load_kg, moved_mm)
    positive(f"{name}: load_kg", load_kg)
    positive(f"{name}: moved_mm", moved_mm)
    rows = [
        Reading(f"{name}, {kg:g} kg: moved_mm", moved, i, "mm", float, float)
        for i, (kg, moved) in enumerate(zip(load_kg, moved_mm, strict=True))
    ]
    what = f"{len(rows)} weights"
    remedy = "no print is needed: a dial gauge and four weights, the heaviest four times the least"
    if len(rows) < 4 or max(load_kg) < 2.0 * min(load_kg):
        return Fit(missing=(Missing(name, f"{what} show no slope", remedy),))
    design = [[1.0, GRAVITY * kg] for kg in load_kg]
    found, doubts = fit_rows(design, rows)
    low, high = found.interval(1)
    if low <= 0.0 or high / low > _TOO_WIDE:
        why = "the gauge does not move clearly with the weight"
        return Fit(missing=(Missing(name, why, remedy),), doubts=doubts)
    value = float(found.coefficients[1])
    if name == "machine.frame_stiffness_n_mm":
        value, low, high = 1.0 / value, 1.0 / high, 1.0 / low
    return Fit((measured(name, value, low, high, what),), doubts)


def direct(name: str, readings: Sequence[float]) -> Fit:
    """A constant that a tool shows as it is.

    Raises:
        OptionError: a reading is not above zero.
    """
    positive(name, readings)
    unit = name.rpartition("_")[2]
    rows = [
        Reading(f"{name}, number {i}", value, i, unit, math.log, math.exp)
        for i, value in enumerate(readings, 1)
    ]
    return mean(name, rows, "readings", "no print is needed: read the tool three times or more")


def _matching(name: str, *lists: Sequence[object]) -> None:
    lengths = [len(of) for of in lists]
    if len(set(lengths)) > 1:
        said = " and ".join(map(str, lengths))
        raise OptionError(f"{name}: {said} numbers where there must be as many of each")
