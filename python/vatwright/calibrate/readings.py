"""Readings as they were written down: which rows they are, and which of them are in doubt."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vatwright.calibrate import robust
from vatwright.calibrate.result import Constant, Doubt, Fit, Missing
from vatwright.errors import OptionError

__all__ = ["Reading", "fit_rows", "listed", "mean", "measured", "positive"]


@dataclass(frozen=True)
class Reading:
    """One number that somebody read off a tool."""

    row: str
    """Where it stands in the form."""
    value: float
    thing: object
    """What was measured; readings of one thing share it."""
    unit: str
    forward: Callable[[float], float]
    """The modelled quantity from the number as it is written."""
    backward: Callable[[float], float]
    """The number that a modelled quantity would give."""


def fit_rows(
    design: npt.ArrayLike, rows: Sequence[Reading], *, sd: npt.ArrayLike | None = None
) -> tuple[robust.LeastSquares, tuple[Doubt, ...]]:
    """Fits rows, and tells those that do not go with the others.

    Raises:
        ValueError: as :func:`robust.fit`.
    """
    found = robust.fit(
        design,
        [r.forward(r.value) for r in rows],
        sd=sd,
        groups=[r.thing for r in rows],
        others=lambda i: map(rows[i].forward, robust.retyped(rows[i].value)),
    )
    doubts = []
    for line, row, kept in zip(np.asarray(design), rows, found.kept, strict=True):
        if not kept:
            doubts.append(_doubt(row, row.backward(float(line @ found.coefficients))))
    return found, tuple(doubts)


def _doubt(row: Reading, expected: float) -> Doubt:
    others = robust.retyped(row.value)
    nearest = min(others, key=lambda v: abs(v - expected), default=row.value)
    meant = ""
    if abs(nearest - expected) < 0.2 * abs(row.value - expected):
        meant = f"; was {nearest:.6g} meant?"
    message = f"{row.value:.4g} {row.unit} where the other rows say about {expected:.3g}{meant}"
    return Doubt(row.row, message, "read it again, or measure again; it was left out")


def positive(name: str, values: Sequence[float]) -> None:
    """Refuses numbers that no tool shows.

    Raises:
        OptionError: a number is not finite or not above zero; the message names its place.
    """
    for i, value in enumerate(values, 1):
        if not (math.isfinite(value) and value > 0.0):
            raise OptionError(f"{name}, number {i}: {value} is not a number above zero")


def listed(
    kind: str, name: str, readings: Sequence[Sequence[float]]
) -> Iterator[tuple[int, str, float]]:
    """Index of the thing, name of the row, and value of every reading.

    Raises:
        OptionError: a reading is not above zero.
    """
    for i, of in enumerate(readings):
        positive(f"{kind} {i + 1}: {name}", of)
        for j, value in enumerate(of, 1):
            yield i, f"{kind} {i + 1}, {name} {j}", value


def measured(name: str, value: float, low: float, high: float, note: str) -> Constant:
    """A constant with its interval."""
    return Constant(name, float(value), float(low), float(high), note)


def mean(
    name: str, rows: Sequence[Reading], what: str, remedy: str, *, relative_error: float = 0.0
) -> Fit:
    """A constant that every row gives anew: its geometric mean.

    Args:
        name: the constant.
        rows: readings whose ``forward`` is the logarithm of the constant.
        what: what a row is, in the plural.
        remedy: the print that would tell, if these rows cannot.
        relative_error: standard uncertainty that all rows share, from the tools.
    """
    things = len({r.thing for r in rows})
    if things < 3:
        return Fit(missing=(Missing(name, f"{things} of three or more {what}", remedy),))
    found, doubts = fit_rows([[1.0]] * len(rows), rows)
    (centre,) = found.coefficients
    # Independent parts of an uncertainty add in squares (JCGM 100:2008, from memory).
    random = found.reach * math.sqrt(found.covariance[0, 0])
    half = math.hypot(random, robust.quantile(0.975, 10_000) * relative_error)
    note = f"{things} {what}, scatter {100 * found.scatter:.1f} %"
    low, high = math.exp(centre - half), math.exp(centre + half)
    return Fit((measured(name, math.exp(centre), low, high, note),), doubts)
