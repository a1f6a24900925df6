"""Least squares that one mistyped reading does not spoil, with intervals that small samples allow.

Rows that stand apart are found by a forward search in the manner of Hadi & Simonoff 1993
(J. Am. Stat. Assoc. 88:1264, from memory): rows far from a fit by least absolute residuals wait
outside and come in one by one while their deletion residual passes Student's test, shared among
all rows (Bonferroni). What is left is ordinary least squares, so the textbook's intervals hold.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

__all__ = ["CONFIDENCE", "LeastSquares", "fit", "quantile", "retyped"]

Floats = npt.NDArray[np.floating]

CONFIDENCE = 0.95
"""What every interval here covers."""

# Chance that a clean sample has a row called mistyped; greater where another typing explains it.
_CHANCE, _CHANCE_RETYPED = 0.01, 0.10
# Most digits of a number written by hand.
_DIGITS = 5
# Rows within so many robust scatters need no test.
_NEAR = 3.0


@dataclass(frozen=True)
class LeastSquares:
    """A linear model fitted to the rows that belong together."""

    coefficients: Floats
    """Shape (p,)."""
    covariance: Floats
    """Of the coefficients, shape (p, p)."""
    freedom: int
    """Rows, or groups of rows, beyond the number of coefficients."""
    scatter: float
    """Standard deviation of a row, or group, of unit weight."""
    kept: npt.NDArray[np.bool_]
    """Rows that the fit goes by, shape (n,)."""

    @property
    def reach(self) -> float:
        """Standard errors that an interval reaches to each side."""
        return quantile(0.5 + CONFIDENCE / 2, self.freedom)

    def interval(self, i: int) -> tuple[float, float]:
        """Where coefficient ``i`` lies."""
        half = self.reach * math.sqrt(self.covariance[i, i])
        return float(self.coefficients[i] - half), float(self.coefficients[i] + half)


def fit(
    design: npt.ArrayLike,
    values: npt.ArrayLike,
    *,
    sd: npt.ArrayLike | None = None,
    groups: Sequence[object] | None = None,
    others: Callable[[int], Iterable[float]] | None = None,
) -> LeastSquares:
    """Fits ``values = design @ coefficients``.

    Args:
        design: shape (n, p), of full rank.
        values: shape (n,).
        sd: standard deviations of the rows, up to a common factor.
        groups: what each row is a reading of. Readings of one thing count as their mean, since
            what spoils the thing spoils them all; rows of a group share their design.
        others: the values that a row would have if it had been typed otherwise.

    Raises:
        ValueError: too few rows, or columns of the design that say the same.
    """
    x, y = np.array(design, dtype=float), np.array(values, dtype=float)
    weight = np.ones(len(y)) if sd is None else 1.0 / np.asarray(sd, dtype=float)
    x, y = x * weight[:, None], y * weight
    if len(y) <= x.shape[1] or np.linalg.matrix_rank(x) < x.shape[1]:
        raise ValueError("the rows do not determine the coefficients")
    kept = _belonging(x, y, lambda i: [weight[i] * v for v in others(i)] if others else ())
    if groups is None:
        solved = _solved(x[kept], y[kept])
    else:
        solved = _solved(*_means(x[kept], y[kept], [groups[int(i)] for i in np.flatnonzero(kept)]))
    coefficients, inverse, freedom, scatter = solved
    return LeastSquares(coefficients, inverse * scatter**2, freedom, scatter, kept)


def _means(x: Floats, y: Floats, groups: list[object]) -> tuple[Floats, Floats]:
    keys = list(dict.fromkeys(groups))
    mean = np.zeros((len(keys), len(y)))
    for column, group in enumerate(groups):
        mean[keys.index(group), column] = 1.0
    mean /= mean.sum(axis=1, keepdims=True)
    return mean @ x, mean @ y


def _solved(x: Floats, y: Floats) -> tuple[Floats, Floats, int, float]:
    freedom = len(y) - x.shape[1]
    if freedom < 1 or np.linalg.matrix_rank(x) < x.shape[1]:
        raise ValueError("the rows do not determine the coefficients")
    found = np.linalg.lstsq(x, y, rcond=None)[0]
    off = y - x @ found
    # A scatter of nothing would call the least rounding a slip.
    least = 1e-9 * float(np.abs(y).max())
    scatter = max(math.sqrt(float(off @ off) / freedom), least)
    return found, np.linalg.inv(x.T @ x), freedom, scatter


def _belonging(
    x: Floats, y: Floats, others: Callable[[int], Iterable[float]]
) -> npt.NDArray[np.bool_]:
    n, p = x.shape
    off = np.abs(y - x @ _least_absolute(x, y))
    scatter = 1.4826 * float(np.median(off)) * n / (n - p)
    waiting = [int(i) for i in np.argsort(off, kind="stable") if off[i] > _NEAR * scatter]
    # No more can be told apart than leaves the rest a majority with some freedom.
    waiting = waiting[len(waiting) - min(len(waiting), max((n - p - 2) // 2, 0)) :]
    kept = np.ones(n, dtype=bool)
    kept[waiting] = False
    while waiting:
        found, inverse, freedom, scatter = _solved(x[kept], y[kept])
        spread = {i: scatter * math.sqrt(1.0 + float(x[i] @ inverse @ x[i])) for i in waiting}
        away = {i: abs(y[i] - float(x[i] @ found)) / spread[i] for i in waiting}
        i = min(waiting, key=away.__getitem__)
        slip = any(abs(v - float(x[i] @ found)) < 2.0 * spread[i] for v in others(i))
        chance = _CHANCE_RETYPED if slip else _CHANCE
        if away[i] > quantile(1.0 - chance / (2 * n), freedom):
            break
        kept[i] = True
        waiting.remove(i)
    return kept


def _least_absolute(x: Floats, y: Floats) -> Floats:
    """Coefficients of about the least sum of absolute residuals, by reweighting."""
    found: Floats = np.linalg.lstsq(x, y, rcond=None)[0]
    for _ in range(30):
        off = np.abs(y - x @ found)
        # The floor keeps the sum of weighted rows well conditioned.
        pulled = x / np.maximum(off, 1e-3 * float(off.max()) + 1e-300)[:, None]
        found = np.linalg.solve(pulled.T @ x, pulled.T @ y)
    return found


def retyped(value: float) -> list[float]:
    """What may have been meant by a number: neighbouring digits swapped, or the point moved.

    Nothing where it has more digits than anyone writes down.
    """
    text = f"{value:.10g}"
    if sum(map(str.isdigit, text)) > _DIGITS:
        return []
    swapped = {
        float(text[:i] + text[i + 1] + text[i] + text[i + 2 :])
        for i in range(len(text) - 1)
        if text[i : i + 2].isdigit()
    }
    return sorted((swapped | {10.0 * value, 0.1 * value}) - {value, 0.0})


@lru_cache(maxsize=1024)
def quantile(chance: float, freedom: int) -> float:
    """Quantile of Student's t above one half, for whole degrees of freedom.

    The distribution is the finite series of Abramowitz & Stegun 26.7.3 and 26.7.4 (from memory).
    """
    low, high = 0.0, 1.0
    while _student(high, freedom) < chance:
        high *= 2.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _student(middle, freedom) < chance else (low, middle)
    return 0.5 * (low + high)


def _student(t: float, freedom: int) -> float:
    angle = math.atan2(t, math.sqrt(freedom))
    cosine, sine = math.cos(angle), math.sin(angle)
    odd = freedom % 2
    term, total = (cosine if odd else 1.0), 0.0
    for k in range(2 + odd, freedom + 1, 2):
        total += term
        term *= cosine**2 * (k - 1) / k
    if odd:
        return 0.5 + (angle + sine * total) / math.pi
    return 0.5 + 0.5 * sine * total
