"""The spread of light at an edge, from what grows and what closes on the edge comb."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias, get_args

import numpy as np

from vatwright.calibrate.bodies import Floats
from vatwright.calibrate.readings import Reading, fit_rows, measured, positive
from vatwright.calibrate.result import Doubt, Fit, Missing
from vatwright.errors import OptionError

__all__ = ["KINDS", "Feature", "Kind", "edge"]

Kind: TypeAlias = Literal["pin", "rib", "hole", "slot"]
KINDS: tuple[Kind, ...] = get_args(Kind)

BLUR, TAIL, SHARE = "exposure.edge_blur_mm", "exposure.edge_tail_mm", "exposure.edge_tail_share"

# Round features from here on are read as ribs and slots: light that comes from all around moves
# their edge by less than 4 µm then. Smaller ones are for the eye.
_ROUND_MM = 2.0
# Doses that tell tails from the core, greatest over least, and how many.
_TAIL_DOSES, _TAIL_SPAN = 3, 8.0
# An interval wider than this, high over low, leaves a constant as unknown as before.
_TOO_WIDE = 4.0
_FARTHEST_MM = 3.0
# The complementary error function, to 2e-6 between these.
_ARGUMENTS = np.linspace(-6.0, 6.0, 4001)
_ERFC = np.array([math.erfc(x) for x in _ARGUMENTS])


@dataclass(frozen=True)
class Feature:
    """A pin, rib, hole or slot of the edge comb."""

    kind: Kind
    drawn_mm: float
    """Diameter or width in the model."""
    measured_mm: tuple[float, ...]
    """Readings; none where it did not survive."""
    dose_ratio: float
    """Dose in a layer's middle, with what the layers behind add to it, over the critical dose."""
    name: str = ""

    @property
    def called(self) -> str:
        """What is said of it."""
        said = f"{self.kind} {self.drawn_mm:g} mm"
        return f"{self.name} ({said})" if self.name else f"{said} at {self.dose_ratio:.3g} times Ec"

    @property
    def outward(self) -> float:
        """1 where light adds to it, −1 where it takes away."""
        return 1.0 if self.kind in ("pin", "rib") else -1.0

    @property
    def counts(self) -> bool:
        """Whether its size is read as that of straight edges."""
        return self.kind in ("rib", "slot") or self.drawn_mm >= _ROUND_MM


def edge(
    features: Sequence[Feature],
    *,
    tail_mm: float = 0.0,
    tail_share: float = 0.0,
    tails: bool = False,
) -> Fit:
    """``edge_blur_mm`` from what grows and what closes, and the tails of the light if asked for.

    Beyond a straight edge lies (1 − s)·½·erfc(x/σ√2) + s·(½ − atan(x/γ)/π) of the light
    (docs/mechanics/cure-and-time.md); a rib gets the light of one edge less that of the other, a
    slot that of both. Resin hardens to where that is Ec/E. Shrinkage is fitted along.

    Args:
        features: as read.
        tail_mm: γ of the setup, mm.
        tail_share: s of the setup, 0 to 1.
        tails: whether γ and s are to be found too, where three doses tell them.

    Raises:
        OptionError: a number is not above zero, or a dose does not harden.
    """
    remedy = (
        "print the edge comb (edge-comb.stl) with the exposures of the sheet, and measure ribs as "
        "well as slots"
    )
    used: list[Feature] = []
    rows: list[tuple[str, float, int]] = []
    for i, feature in enumerate(features):
        positive(f"{feature.called}: drawn_mm", [feature.drawn_mm])
        positive(f"{feature.called}: measured_mm", feature.measured_mm)
        if not feature.dose_ratio > 1.0:
            raise OptionError(
                f"{feature.called}: this dose hardens nothing; fit the working curve first"
            )
        if feature.counts:
            for j, value in enumerate(feature.measured_mm, 1):
                used.append(feature)
                rows.append((f"{feature.called}, reading {j}", value, i))
    if len({i for _, _, i in rows}) < 4 or len({f.outward for f in used}) < 2:
        why = "too few features, or of one kind: growth and shrinkage are one then"
        return Fit(missing=(Missing(BLUR, why, remedy),))
    light = _Light(used)
    doses = {f.dose_ratio for f in used}
    told: Fit | None = None
    if tails and len(doses) >= _TAIL_DOSES and max(doses) >= _TAIL_SPAN * min(doses):
        told = light.fitted(rows, (0.025, tail_mm or 0.1, tail_share or 0.25), remedy, free=3)
        if told.constants:
            return told
    found = light.fitted(rows, (0.025, tail_mm, tail_share), remedy, free=1)
    if tails:
        why = told.missing[0].why if told is not None else f"{len(doses)} exposures of the comb"
        return found + Fit(missing=tuple(Missing(name, why, remedy) for name in (TAIL, SHARE)))
    return found


class _Light:
    """Where the edges of features come to lie."""

    def __init__(self, features: Sequence[Feature]) -> None:
        self.drawn = np.array([f.drawn_mm for f in features])
        self.outward = np.array([f.outward for f in features])
        self.level = np.array([1.0 / f.dose_ratio for f in features])

    def moved(self, sigma: float, gamma: float, share: float) -> Floats:
        """How far outside the drawn edge light still hardens, mm; inside below zero."""

        def beyond(x: Floats) -> Floats:
            core = 0.5 * np.interp(x / (sigma * math.sqrt(2.0)), _ARGUMENTS, _ERFC)
            far = 0.5 - np.arctan2(x, gamma) / np.pi
            mixed: Floats = (1.0 - share) * core + share * far
            return mixed

        # A rib ends where both its edges meet in its middle, a slot where they have closed it.
        rib = self.outward > 0.0
        low = np.where(rib, -0.5 * self.drawn, -_FARTHEST_MM)
        high = np.where(rib, _FARTHEST_MM, 0.5 * self.drawn)
        for _ in range(45):
            x = 0.5 * (low + high)
            other = np.where(rib, -beyond(x + self.drawn), beyond(self.drawn - x))
            bright = beyond(x) + other > self.level
            low, high = np.where(bright, x, low), np.where(bright, high, x)
        return 0.5 * (low + high)

    def fitted(
        self,
        rows: Sequence[tuple[str, float, int]],
        start: tuple[float, float, float],
        remedy: str,
        *,
        free: int,
    ) -> Fit:
        """Gauss and Newton in the scale and the logarithms of the first ``free`` of σ, γ, s."""
        names = (BLUR, TAIL, SHARE)[:free]

        def refused(why: str, doubts: tuple[Doubt, ...] = ()) -> Fit:
            return Fit(missing=tuple(Missing(name, why, remedy) for name in names), doubts=doubts)

        def sizes(at: Floats) -> Floats:
            known = [*np.exp(at[1:]), *start[free:]]
            known[2] = min(known[2], 0.95)
            size: Floats = at[0] * self.drawn + 2.0 * self.outward * self.moved(*known)
            return size

        at = np.array([1.0, *np.log(start[:free])])
        for turn in range(60):
            here, step = sizes(at), 1e-4
            design = np.column_stack(
                [
                    (sizes(at + step * e) - sizes(at - step * e)) / (2 * step)
                    for e in np.eye(len(at))
                ]
            )
            readings = [
                _reading(row, value, thing, float(off))
                for (row, value, thing), off in zip(rows, here - design @ at, strict=True)
            ]
            try:
                found, doubts = fit_rows(design, readings)
            except ValueError:
                return refused("nothing of the light shows in these features")
            # Ever shorter steps, since rows that come and go can make it swing.
            most = 0.4 * 0.85**turn
            change = np.clip(found.coefficients - at, -most, most)
            at = at + change
            if float(np.abs(change).max()) < 1e-4:
                break
        things = len({i for _, _, i in rows})
        said = f"{things} features of the edge comb, scatter {1e3 * found.scatter:.0f} µm"
        constants = []
        for i, name in enumerate(names, 1):
            low, high = (math.exp(v) for v in found.interval(i))
            if high > _TOO_WIDE * low:
                return refused(f"{name}: the readings allow {low:.2g} to {high:.2g}", doubts)
            most = 1.0 if name == SHARE else math.inf
            value = min(math.exp(float(at[i])), most)
            constants.append(measured(name, value, min(low, most), min(high, most), said))
        scale = 100.0 * (at[0] - 1.0)
        size = "larger" if scale > 0 else "smaller"
        note = f"parts come out {abs(scale):.2f} % {size} beside what light does"
        return Fit(tuple(constants), doubts, notes=(note,))


def _reading(row: str, value: float, thing: int, off: float) -> Reading:
    return Reading(row, value, thing, "mm", lambda v: v - off, lambda y: y + off)
