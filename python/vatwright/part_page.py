"""A part's own page: four sides, the layers, what pulls over the height, and what was found.

The slider through the layers, the curves and the findings show the same layer. It is one file
that opens from disk and loads nothing.
"""

from __future__ import annotations

import json
from base64 import b64encode
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from vatwright import curves
from vatwright._core import Finding, Layers, Part, Setup, Survey
from vatwright.curves import USES
from vatwright.markup import bdi, data_uri, document, facts, plural, said
from vatwright.report import ORDER
from vatwright.words import amount, html

__all__ = ["to_html"]

SIDES = (("front", 270.0), ("right", 0.0), ("back", 90.0), ("left", 180.0))
"""Sides of a part and the azimuth from which each is seen, degrees."""

SIDE_PX = 240
"""Longer side of each picture of the part; some five kilobytes each."""

LAYERS = 110
"""Layers shown from bottom to top, besides those of findings, islands and peaks."""

LAYER_PX = 160
"""Longer side of the picture of a layer; some three hundred bytes each."""

MARKED = 40
"""Most islands, and most sealed areas of a layer, that are marked: the largest."""


def to_html(
    part: Part,
    setup: Setup,
    *,
    findings: Sequence[Finding] = (),
    checked: Mapping[str, float] | None = None,
    profile: Mapping[str, Any] | None = None,
    where: str = "",
) -> str:
    """A part as its own page.

    Args:
        part: as it stands on the plate.
        setup: whose layers are shown.
        findings: what was found of it; those with layers or a place lead there.
        checked: the numbers of the check's report.
        profile: what the check's report tells over the height.
        where: the plates it is on, as text.
    """
    layers = part.layers(setup)
    grid = layers.grid
    spans = [_span(f, grid.layer_mm, len(layers)) for f in findings]
    places = list(zip(findings, spans, strict=True))
    body = "<p>It has no layer.</p>"
    data: dict[str, Any] = {}
    if len(layers):
        # Coarser than the printer shows it, but with the same layers.
        widest = max(grid.columns, grid.rows) * grid.pitch_mm
        small = part.layers(setup, pitch_mm=max(grid.pitch_mm, widest / LAYER_PX))
        survey = layers.survey()
        sections = survey.sections()
        shown = _shown(sections, survey, spans)
        data = {
            "layers": len(layers),
            "layer_mm": grid.layer_mm,
            "at": shown,
            "masks": [b64encode(small.picture(k)).decode() for k in shown],
            "solid_mm2": [_short(sections["area_mm2"][k]) for k in shown],
            "sealed_mm2": [_short(sections["sealed_mm2"][k]) for k in shown],
            "marks": _marks(small, survey, shown, places),
        }
        if profile is not None and profile["layers"] != len(layers):
            profile = None  # of another setup
        if profile is not None:
            data["each"] = profile["each"]
            data["pull_n"] = profile["pull_n"]
            data["reserve"] = [round(100 * r) for r in curves.reserves(profile)]
        drawn = curves.areas(sections, grid.layer_mm)
        drawn += curves.forces(profile, grid.layer_mm) if profile else ""
        drawn += curves.bars(places, len(layers))
        body = _sides(part) + _slider(shown, small) + _curves(drawn, len(layers) * grid.layer_mm)
    body += _findings(findings, spans) + _strength(checked or {})
    (x0, y0, z0), (x1, y1, z1) = part.bounds
    size = f"{x1 - x0:.1f} × {y1 - y0:.1f} × {z1 - z0:.1f} mm with supports and base"
    head = (
        f'<a class="skip" href="#layers">To the layers</a><h1>{bdi(part.name)}</h1>'
        f"<p class='soft'>{' · '.join(filter(None, (html(where), size)))}</p>"
        '<nav aria-label="Pages"><ul><li><a href="../index.html">All plates and parts</a></li>'
        "</ul></nav>"
    )
    foot = "Layers are drawn coarser than the printer shows them; areas are those it shows."
    return document(
        part.name,
        head,
        body,
        foot,
        styles=("page.css", "part.css"),
        script="part.js",
        data=json.dumps(data, allow_nan=False, separators=(",", ":")),
    )


def _span(f: Finding, layer_mm: float, layers: int) -> tuple[int, int] | None:
    """The layers a finding is about: those it names, else the one of its place."""
    if f.layers is not None:
        first, last = f.layers
    elif f.place is not None:
        first = last = int(f.place[2] / layer_mm)
    else:
        return None
    top = layers - 1
    return (min(max(first, 0), top), min(max(last, 0), top)) if layers else None


def _shown(
    sections: Mapping[str, npt.NDArray[Any]],
    survey: Survey,
    spans: Sequence[tuple[int, int] | None],
) -> list[int]:
    """The layers that the page brings: evenly spread ones, and those with something to see."""
    n = len(sections["area_mm2"])
    islands = survey.islands()
    largest = np.argsort(-islands["area_mm2"], kind="stable")[:MARKED]
    chosen = {int(k) for k in np.linspace(0, n - 1, min(n, LAYERS)).round()}
    chosen |= {int(np.argmax(sections[key])) for key in ("area_mm2", "sealed_mm2")}
    chosen |= {int(k) for k in islands["layer"][largest]}
    chosen |= {k for span in spans if span for k in span}
    return sorted(chosen)


def _marks(
    small: Layers,
    survey: Survey,
    shown: Sequence[int],
    places: Sequence[tuple[Finding, tuple[int, int] | None]],
) -> dict[int, list[list[Any]]]:
    """What to mark on each shown layer: kind, x and y from the picture's upper left, radius, px."""
    grid = small.grid
    marks: dict[int, list[list[Any]]] = {k: [] for k in shown}

    def mark(k: int, kind: str, x_mm: float, y_mm: float, radius_mm: float) -> None:
        x = (x_mm - grid.x0_mm) / grid.pitch_mm
        y = grid.rows - (y_mm - grid.y0_mm) / grid.pitch_mm
        marks[k].append([kind, round(x, 1), round(y, 1), round(radius_mm / grid.pitch_mm, 1)])

    voids, islands = survey.voids(), survey.islands()
    for kind, table, keep in (
        ("sealed", voids, voids["sealed"].astype(bool)),
        ("island", islands, np.ones(len(islands["layer"]), dtype=bool)),
    ):
        for i in np.argsort(-table["area_mm2"], kind="stable"):
            k = int(table["layer"][i])
            if keep[i] and k in marks and len(marks[k]) < MARKED:
                x_mm, y_mm = table["centroid_mm"][i]
                mark(k, kind, x_mm, y_mm, float(np.sqrt(table["area_mm2"][i] / np.pi)))
    for f, span in places:
        if f.place is not None and span is not None:
            for k in (k for k in shown if span[0] <= k <= span[1]):
                mark(k, f.severity, f.place[0], f.place[1], 0.0)
    return {k: found for k, found in marks.items() if found}


def _sides(part: Part) -> str:
    figures = "".join(
        f'<figure><img alt="{html(part.name)} from the {side}" src="'
        f"{data_uri(part.picture(azimuth_deg=azimuth, elevation_deg=12.0, size_px=SIDE_PX))}"
        f'"><figcaption>{side}</figcaption></figure>'
        for side, azimuth in SIDES
    )
    return (
        '<section aria-labelledby="sides-h"><h2 id="sides-h">Four sides</h2>'
        f'<div class="card sides">{figures}</div></section>'
    )


def _slider(shown: Sequence[int], small: Layers) -> str:
    grid = small.grid
    first = data_uri(small.picture(shown[0]))
    return (
        '<section id="layers" aria-labelledby="layers-h"><h2 id="layers-h">Layers</h2>'
        '<div class="card"><div class="step" hidden><label for="layer">Layer</label>'
        f'<input id="layer" type="range" min="0" max="{len(shown) - 1}" value="0">'
        '<output for="layer" id="told"></output></div>'
        f'<div class="mask" style="aspect-ratio:{grid.columns}/{grid.rows};'
        f'--ratio:{grid.columns / grid.rows:.4f}"><img id="mask" '
        f'alt="the layer as light shows it, white is solid" src="{first}">'
        f'<svg id="marks" viewBox="0 0 {grid.columns} {grid.rows}" aria-hidden="true"></svg></div>'
        '<p class="soft small">Ringed: <span class="mark sealed">sealed off</span>, '
        '<span class="mark island">begins in mid-air</span>, '
        '<span class="mark fault">a finding</span>. '
        f"{plural(len(shown), 'layer')} of {small.grid.layers} are shown.</p></div></section>"
    )


def _curves(drawn: str, height_mm: float) -> str:
    """Curves one below the other, each over the whole height."""
    return (
        '<section aria-labelledby="curves-h"><h2 id="curves-h">Over the height</h2>'
        f'<div class="card" id="curves">{drawn}<p class="ends soft small"><span>0 mm, the plate'
        f"</span><span>{height_mm:.1f} mm</span></p></div></section>"
    )


def _findings(findings: Sequence[Finding], spans: Sequence[tuple[int, int] | None]) -> str:
    lines = []
    order = sorted(range(len(findings)), key=lambda i: ORDER.index(findings[i].severity))
    for i in order:
        link, span = "", spans[i]
        if span is not None:
            first, last = span
            word = f"layer {first}" if first == last else f"layers {first}–{last}"
            link = f' <a href="#layer-{first}">{word}</a>'
        lines.append(f"<li>{said(findings[i])}{_measure(findings[i])}{link}</li>")
    told = f"<ul>{''.join(lines)}</ul>" if lines else '<p class="good">✔ Nothing was found.</p>'
    return (
        '<section id="findings" aria-labelledby="findings-h">'
        '<h2 id="findings-h">What was found</h2>'
        f'<div class="card">{told}</div></section>'
    )


def _measure(f: Finding) -> str:
    if f.value is None:
        return ""
    unit = f.unit and f" {html(f.unit)}"
    limit = "" if f.limit is None else f", limit {amount(f.limit)}{unit}"
    return f' <span class="soft">({amount(f.value)}{unit}{limit})</span>'


def _strength(checked: Mapping[str, float]) -> str:
    """The greatest pulls, and how much of what is allowed each member uses."""
    pulls = [
        (word, f"{amount(checked[key])} N")
        for key, word in (("peak_peel_n", "Greatest pull"), ("peak_suction_n", "Greatest suction"))
        if key in checked
    ]
    rows = "".join(
        f'<tr><td>{word}<td class="n">{100 * checked[key]:.0f} %<td class="n">'
        f"{100 * (1 - checked[key]):.0f} %<td><meter min='0' max='1' high='0.999' low='0.8' "
        f'optimum="0" value="{min(checked[key], 1.0):.3f}" aria-label="{word}, used"></meter>'
        for key, word in USES
        if key in checked
    )
    if not pulls:
        return ""
    return (
        '<section aria-labelledby="strength-h"><h2 id="strength-h">Pull and reserve</h2>'
        f'<div class="card">{facts(*pulls)}<div class="wide"><table><tr><th>What bears it'
        f'<th>Used, of what is allowed<th colspan="2">Reserve{rows}</table></div></div></section>'
    )


def _short(value: float) -> float:
    return round(float(value), 2)
