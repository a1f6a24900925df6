"""The peel law from a log of forces: stress, exponents of area and of speed, drift taken out.

``pull = separation_kpa · A0 · (A/A0)^a · (shape·V/V0)^n``, as the core has it; in logarithms a
straight line, so that scatter counts by its share of the force. A0 and V0 are put where the
data lie, because there the stress is known best. What creeps with the layers, as a film that
ages or a vat that warms, is a polynomial over the order of the rows, fitted together with the
exponents: where speed or area rise with the layers too, the intervals grow, as they must.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from vatwright.calibrate import robust
from vatwright.calibrate.readings import Reading, fit_rows, measured, positive
from vatwright.calibrate.result import Constant, Doubt, Fit, Missing
from vatwright.errors import OptionError

__all__ = ["peel"]

Floats = npt.NDArray[np.float64]

STRESS = "machine.separation_kpa"
AREA, AREA_EXPONENT = "machine.separation_area_mm2", "machine.separation_area_exponent"
SPEED, SPEED_EXPONENT = "machine.separation_speed_mm_s", "machine.separation_speed_exponent"

# Least span of areas or speeds, greatest over least, that shows an exponent.
_SPAN = 1.5
# What the exponents of the law can be, as the core has it.
_LAW = {AREA_EXPONENT: (0.1, 1.0), SPEED_EXPONENT: (0.0, 1.0)}
# An exponent known less well than this to each side is no better than the default.
_VAGUE = 0.25
# Drift may bow once for so many rows, and three times at most; so many show its residue.
_PER_BOW, _BOWS, _FOLLOWED = 20, 3, 30


def peel(
    force_n: npt.ArrayLike,
    *,
    area_mm2: npt.ArrayLike,
    speed_mm_s: npt.ArrayLike,
    shape: npt.ArrayLike = 1.0,
    order: npt.ArrayLike | None = None,
    names: Sequence[str] | None = None,
) -> Fit:
    """The constants of the peel law from the peak force of every layer.

    Args:
        force_n: peaks, shape (n,).
        area_mm2: sections; one number if all are alike, as for what follows.
        speed_mm_s: lift speeds.
        shape: compactness of the sections, 1 for discs (docs/mechanics/peel.md).
        order: time or layer of every row, for drift; none when the rows are tests apart.
        names: of the rows, for what is said of them.

    Raises:
        OptionError: a number is not above zero, or the lists do not match.
    """
    forces = np.atleast_1d(np.asarray(force_n, dtype=float))
    n = len(forces)
    names = [f"row {i}" for i in range(1, n + 1)] if names is None else names
    try:
        areas, speeds, shapes = (
            np.broadcast_to(np.asarray(of, dtype=float), n) for of in (area_mm2, speed_mm_s, shape)
        )
        at = None if order is None else np.broadcast_to(np.asarray(order, dtype=float), n)
    except ValueError as error:
        raise OptionError(f"{n} forces, and not as many areas, speeds, shapes or times") from error
    given = {"force_n": forces, "area_mm2": areas, "speed_mm_s": speeds, "shape": shapes}
    for name, of in given.items():
        positive(name, of.tolist())
    if n < 4:
        return Fit(missing=(Missing(STRESS, f"{n} of four or more forces", _other(STRESS)),))
    speeds = shapes * speeds
    a0, v0 = _round(areas), _round(speeds)
    columns, missing = {STRESS: np.ones(n)}, []
    for name, of, middle in ((AREA_EXPONENT, areas, a0), (SPEED_EXPONENT, speeds, v0)):
        if of.max() < _SPAN * of.min():
            what = "section" if name == AREA_EXPONENT else "lift speed"
            missing.append(Missing(name, f"all layers have nearly one {what}", _other(name)))
        else:
            columns[name] = np.log(of / middle)
    drift = _drift(at)
    known = _apart(columns, drift, missing)
    rows = [
        Reading(name, float(force), i, "N", math.log, math.exp)
        for i, (name, force) in enumerate(zip(names, forces, strict=True))
    ]
    design = np.column_stack([*(columns[name] for name in known), *drift])
    if n < design.shape[1] + 2:
        why = f"{n} forces for {design.shape[1]} unknowns"
        gone = tuple(Missing(name, why, _other(name)) for name in known)
        return Fit(missing=(*gone, *missing))
    found, doubts = fit_rows(design, rows)
    wander, notes = _wander(found, design, rows, at), []
    if wander > 1.0:
        notes.append(
            "neighbouring layers err alike, so the intervals are wider than rows alone say"
        )
    half = found.reach * wander * np.sqrt(np.diag(found.covariance))
    said = f"{int(found.kept.sum())} forces, scatter {100 * found.scatter:.1f} %"
    constants = []
    for i, name in enumerate(known):
        told = _constant(name, float(found.coefficients[i]), float(half[i]), said, a0)
        if isinstance(told, Constant):
            constants.append(told)
        else:
            missing.append(told)
    constants += [
        Constant(AREA, a0, a0, a0, "about the middle of the sections measured"),
        Constant(SPEED, v0, v0, v0, "about the middle of the speeds measured"),
    ]
    if drift:
        line = float(found.coefficients[len(known)])
        notes.append(f"forces drift by {100 * math.expm1(2 * line):+.0f} % from first to last row")
    return Fit(tuple(constants), _few(doubts), tuple(missing), tuple(notes))


def _constant(name: str, value: float, off: float, said: str, a0: float) -> Constant | Missing:
    if name == STRESS:
        unit = 1e-3 * a0
        low, high = math.exp(value - off) / unit, math.exp(value + off) / unit
        return measured(name, math.exp(value) / unit, low, high, said)
    least, most = _LAW[name]
    # An exponent of 1 is fitted above 1 half of the time.
    if off > _VAGUE or not least - 2.0 * off <= value <= most + 2.0 * off:
        why = f"the forces say {value:.2f} ± {off:.2f}, the law {least:g} to {most:g}"
        return Missing(name, why, _other(name))
    value = min(max(value, least), most)
    return measured(name, value, max(value - off, least), min(value + off, most), said)


def _round(values: Floats) -> float:
    """Two digits of the geometric mean."""
    return float(f"{math.exp(float(np.log(values).mean())):.2g}")


def _other(name: str) -> str:
    if name == SPEED_EXPONENT:
        return "print the peel tower (tower.stl) with the lift speeds that the sheet gives by layer"
    if name == AREA_EXPONENT:
        return "print the peel tower (tower.stl): its sections grow and fall four times"
    return "print the peel tower (tower.stl) and log the force of every layer"


def _drift(at: Floats | None) -> list[Floats]:
    """Polynomials over the order (Legendre's); none where there is no order."""
    if at is None:
        return []
    if not np.isfinite(at).all():
        raise OptionError("order: not all of it are numbers")
    span = float(np.ptp(at))
    if span == 0.0:
        return []
    along = 2.0 * (at - at.min()) / span - 1.0
    degree = min(max(len(at) // _PER_BOW, 1), _BOWS)
    return list(np.polynomial.legendre.legvander(along, degree).T[1:])


def _apart(columns: dict[str, Floats], drift: list[Floats], missing: list[Missing]) -> list[str]:
    """Names that can be told apart: what the others make up between them is given up."""
    known = [STRESS]
    for name, column in columns.items():
        if name == STRESS:
            continue
        others = np.column_stack([*(columns[k] for k in known), *drift])
        own = column - column.mean()
        left = column - others @ np.linalg.lstsq(others, column, rcond=None)[0]
        if float(left @ left) < 1e-3 * float(own @ own):
            why = "it changes in step with the layers or with the other, and drift does so too"
            missing.append(Missing(name, why, _other(name)))
        else:
            known.append(name)
    return known


def _wander(
    found: robust.LeastSquares,
    design: Floats,
    rows: Sequence[Reading],
    at: Floats | None,
) -> float:
    """Factor on standard errors where neighbours err alike: √((1+ρ)/(1−ρ)) (from memory)."""
    if at is None or len(rows) < _FOLLOWED:
        return 1.0
    off = np.array([r.forward(r.value) for r in rows]) - design @ found.coefficients
    off = np.where(found.kept, off, 0.0)[np.argsort(at, kind="stable")]
    alike = float(off[1:] @ off[:-1]) / max(float(off @ off), 1e-300)
    if alike < 2.0 / math.sqrt(len(rows)):
        return 1.0
    return math.sqrt((1.0 + alike) / (1.0 - alike))


def _few(doubts: tuple[Doubt, ...], most: int = 8) -> tuple[Doubt, ...]:
    """The first of many, since one slip of the log may spoil hundreds of rows."""
    if len(doubts) <= most:
        return doubts
    rest = len(doubts) - most
    more = Doubt(f"{rest} more rows", "they do not go with the others either", doubts[0].remedy)
    return (*doubts[:most], more)
