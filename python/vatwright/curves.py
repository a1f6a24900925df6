"""Curves over the height of a part, as drawings within its page.

All go from the plate, left, to the top, so that one line can show the same layer in each.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt

from vatwright._core import Finding
from vatwright.report import ORDER
from vatwright.words import amount, html

__all__ = ["USES", "areas", "bars", "forces", "reserves"]

USES = (
    ("peak_tip_use", "Tips"),
    ("peak_bar_use", "Bars"),
    ("peak_column_use", "Columns against buckling"),
    ("peak_section_use", "Part itself"),
    ("peak_bond_use", "Bond to the plate"),
)
"""Numbers of the check that are stress over what is allowed, and what bears it."""


def areas(sections: Mapping[str, npt.NDArray[Any]], layer_mm: float) -> str:
    """Solid and sealed area over height."""
    n = len(sections["area_mm2"])
    # A step a layer, or the greatest of those that share a pixel.
    each = -(-n // 600)
    starts = np.arange(0, n, each)
    drawn = ""
    for key, word in (
        ("area_mm2", "Solid area: what the film pulls on"),
        ("sealed_mm2", "Area sealed off: what sucks"),
    ):
        values = sections[key]
        k = int(np.argmax(values))
        most = float(values[k])
        if most <= 0:
            drawn += f'<h3>{word}</h3><p class="soft">none</p>'
            continue
        told = f"at most {amount(most)} mm², in layer {k}, {(k + 1) * layer_mm:.2f} mm up"
        steps = np.maximum.reduceat(values, starts).tolist()
        kind = key.partition("_")[0]
        area = _filled(steps, each, n, most, kind)
        drawn += _told(word, told) + _plot(n, 60, kind, f"{word}, {told}", area)
    return drawn


def bars(places: Sequence[tuple[Finding, tuple[int, int] | None]], layers: int) -> str:
    """The layers that findings are about."""
    bars = "".join(
        f'<rect class="{f.severity}" x="{span[0]}" width="{span[1] - span[0] + 1}" '
        f'y="{4 * ORDER.index(f.severity)}" height="4"/>'
        for f, span in places
        if span is not None
    )
    if not bars:
        return ""
    return (
        '<h3 class="soft small">Findings: will fail, may fail, good to know</h3>'
        f"{_plot(layers, 12, 'bars', 'layers that findings are about', bars)}"
    )


def reserves(profile: Mapping[str, Any]) -> list[float]:
    """What is left of what may be, of whatever works hardest, in each step of a profile."""
    uses = zip(*(profile[key.removeprefix("peak_")] for key, _ in USES), strict=True)
    return [1.0 - max(of) for of in uses]


def forces(profile: Mapping[str, Any], layer_mm: float) -> str:
    """Pull, suction and reserve over height, with their limits."""
    return _pull(profile, layer_mm) + _reserve(profile, layer_mm)


def _pull(profile: Mapping[str, Any], layer_mm: float) -> str:
    n, each = profile["layers"], profile["each"]
    pull, suction, limit = profile["pull_n"], profile["suction_n"], profile["pull_limit_n"]
    most, sucks = max(pull), max(suction)
    told = f"at most {amount(most)} N, {_up(profile, pull.index(most), layer_mm)}"
    told += f"; suction at most {amount(sucks)} N" if sucks > 0 else "; no suction"
    told += f"; the lift parts a layer up to {amount(limit)} N"
    # The limit is in the picture where it is near or passed.
    top = max(most, limit) if limit <= 2 * most else most or 1.0
    inner = _filled(pull, each, n, top, "pull") + _filled(suction, each, n, top, "suction")
    marks = {0.0: f"{amount(top)} N"}
    if limit <= top:
        inner += _limit(n, 60 - 60 * limit / top)
        marks[1 - limit / top] = f"limit {amount(limit)} N"
    word = "Pull of the layer, and how much of it is suction"
    key = (
        '<p class="small"><span class="mark pull">pull</span> '
        '<span class="mark suction">suction</span></p>'
    )
    return _told(word, told) + key + _plot(n, 60, "pull", f"{word}, {told}", inner, marks=marks)


def _reserve(profile: Mapping[str, Any], layer_mm: float) -> str:
    n, each = profile["layers"], profile["each"]
    left = reserves(profile)
    least = min(left)
    step = left.index(least)
    bears = max(USES, key=lambda use: profile[use[0].removeprefix("peak_")][step])[1]
    told = f"at least {100 * least:.0f} %, {_up(profile, step, layer_mm)}: {bears.lower()}"
    # From all that may be down to the limit, and what is beyond it at most as far again.
    low = min(max(least, -1.0), -0.1)
    y = [60 * (1 - max(r, low)) / (1 - low) for r in left]
    zero = 60 / (1 - low)
    beyond = "".join(
        f'<rect class="beyond" x="{i * each}" y="{zero:.1f}" height="{v - zero:.1f}" '
        f'width="{min(each, n - i * each)}"/>'
        for i, v in enumerate(y)
        if v > zero
    )
    line = f'<polyline class="reserve" points="{_stairs(y, each, n)}"/>'
    word = "Reserve of what bears the pull"
    told_all, inner = f"{word}, {told}", beyond + line + _limit(n, zero)
    marks = {0.0: "100 %", zero / 60: "limit: 0 %"}
    return _told(word, told) + _plot(n, 60, "reserve", told_all, inner, marks=marks)


def _up(profile: Mapping[str, Any], step: int, layer_mm: float) -> str:
    """The layers of a step, and how high they are."""
    first = step * profile["each"]
    last = min(first + profile["each"], profile["layers"]) - 1
    which = f"layer {first}" if first == last else f"layers {first} to {last}"
    return f"in {which}, {(first + 1) * layer_mm:.2f} mm up"


def _told(word: str, told: str) -> str:
    return f'<h3>{word}</h3><p class="soft small">{told}</p>'


def _filled(steps: Sequence[float], each: int, layers: int, most: float, kind: str) -> str:
    """An area of steps of so many layers, as high as the plot at ``most``."""
    points = _stairs([60 - 60 * v / most for v in steps], each, layers)
    return f'<polygon class="{kind}" points="0,60 {points} {layers},60"/>'


def _stairs(heights: Sequence[float], each: int, layers: int) -> str:
    """The corners of steps of so many layers."""
    return " ".join(
        f"{i * each},{y:.1f} {min((i + 1) * each, layers)},{y:.1f}" for i, y in enumerate(heights)
    )


def _limit(layers: int, y: float) -> str:
    return f'<line class="limit" x1="0" x2="{layers}" y1="{y:.1f}" y2="{y:.1f}"/>'


def _plot(
    layers: int,
    height: int,
    kind: str,
    told: str,
    inner: str,
    *,
    marks: Mapping[float, str] = MappingProxyType({}),
) -> str:
    """A plot over all layers from left to right, with the line at the layer that is shown.

    ``marks`` are words at a share of the height from above.
    """
    words = "".join(
        f'<span class="at" style="top:{100 * at:.0f}%">{html(word)}</span>'
        for at, word in marks.items()
    )
    return (
        f'<div class="plotted"><svg class="plot {kind}-plot" role="img" aria-label="{html(told)}" '
        f'viewBox="0 0 {layers} {height}" preserveAspectRatio="none">{inner}'
        f'<line class="cursor" x1="0.5" x2="0.5" y1="0" y2="{height}"/></svg>{words}</div>'
    )
