"""What notebooks show of an object: a picture and the few numbers that matter."""

from __future__ import annotations

from typing import TYPE_CHECKING

from vatwright.markup import data_uri
from vatwright.report import ORDER, combined, every
from vatwright.words import SEVERITY, amount, duration, html

if TYPE_CHECKING:
    from vatwright._core import Cost, Health, Layers, Part, Plate, Printed, Report, Setup

__all__ = ["cost", "health", "layers", "part", "plate", "printed", "report", "setup"]

MOST = 6
"""Findings shown; the others are counted."""


def part(part: Part) -> str:
    """A part from the front left, its size and what was done with it."""
    (x0, y0, z0), (x1, y1, z1) = part.bounds
    held = part.supports
    return _card(
        part.name,
        [
            ("size", f"{x1 - x0:.1f} × {y1 - y0:.1f} × {z1 - z0:.1f} mm"),
            ("triangles", f"{len(part.body.mesh.triangles)}"),
            ("cavities", f"{len(part.cavities) or len(part.drainage)}"),
            ("vents", f"{len(part.vents)}"),
            ("support tips", "none" if held is None else f"{len(held.tips)}"),
            ("base", "none" if part.raft is None else "yes"),
        ],
        _image(part.picture(size_px=260), part.name),
    )


def plate(plate: Plate) -> str:
    """A plate from above."""
    return _card(
        plate.name,
        [
            ("printer", plate.printer or "not said"),
            ("usable", f"{plate.width_mm:.1f} × {plate.depth_mm:.1f} mm"),
            ("parts", f"{len(plate.placed)}"),
            ("height", f"{plate.height_mm:.1f} mm"),
        ],
        f'<div style="width:420px;max-width:100%">{plate.picture_svg()}</div>',
    )


def layers(layers: Layers) -> str:
    """The layer half way up."""
    grid, k = layers.grid, len(layers) // 2
    shown = _image(layers.picture(k), f"layer {k}") if len(layers) else ""
    return _card(
        f"{len(layers)} layers",
        [
            ("thickness", f"{grid.layer_mm:g} mm"),
            ("picture", f"{grid.columns} × {grid.rows} pixels of {grid.pitch_mm:g} mm"),
            ("solid", f"{layers.volume_mm3 / 1000:.3g} ml"),
            ("shown", f"layer {k}, {(k + 0.5) * grid.layer_mm:.2f} mm from the plate"),
        ],
        shown,
    )


def report(report: Report) -> str:
    """What was found, gravest first."""
    found = combined(report.all_findings())
    counts = {s: sum(f.severity == s for f in found) for s in ORDER}
    lines = "".join(
        f"<li>{html(SEVERITY[f.severity])}: {html(f.part)}: {html(f.message)}"
        f"{f' → {html(f.remedy)}' if f.remedy else ''}</li>"
        for f in found[:MOST]
    )
    if len(found) > MOST:
        lines += f"<li>and {len(found) - MOST} more</li>"
    passes = [r.pass_ for r in every(report) if r.pass_]
    return _card(
        " · ".join(filter(None, (report.pass_, report.part))) or "report",
        [(SEVERITY[s], str(n)) for s, n in counts.items()]
        + [("passes", ", ".join(dict.fromkeys(passes)))],
        f"<ul>{lines}</ul>" if lines else "",
    )


def cost(cost: Cost) -> str:
    """Time, resin, money and the refills of a plate."""
    refills = "; ".join(
        f"{amount(r['resin_ml'])} ml after {duration(r['time_s'])}" for r in cost.refills
    )
    return _card(
        cost.plate,
        [
            ("time", duration(cost.time_s)),
            ("layers", str(cost.layers)),
            ("resin", f"{amount(cost.resin_total_ml)} ml"),
            ("mass", f"{amount(cost.mass_g)} g"),
            ("price", f"{sum(cost.prices.values()):.2f}"),
            ("refills", refills or "none"),
        ],
        _curve(cost.layer_mm2),
    )


def printed(printed: Printed) -> str:
    """What the light leaves of a part: where its surface comes to lie, and what goes."""
    more = printed.cured_mm3 - printed.drawn_mm3
    return _card(
        printed.part,
        [
            ("off the model", f"{printed.mean_mm:.3f} mm in the mean"),
            ("at most", f"{printed.greatest_mm:.3f} mm"),
            ("first layers flare", f"{printed.flare_mm:.3f} mm"),
            ("undersides too low", f"{printed.through_mm:.3f} mm"),
            ("voids that close", f"{printed.closed_mm2:.2f} mm²"),
            ("walls that are lost", f"{printed.lost_mm2:.2f} mm²"),
            ("volume", f"{more:+.2f} mm³ of {printed.drawn_mm3:.1f} mm³"),
            ("thinnest upright pin", f"{printed.least_pin_mm:.3f} mm"),
            ("narrowest upright bore", f"{printed.least_bore_mm:.3f} mm"),
            *(
                [
                    ("form of clean faces", f"{printed.form_mm:.4f} mm rms"),
                    ("their roughness", f"{printed.roughness_mm:.4f} mm rms"),
                ]
                if printed.roughness_mm
                else []
            ),
        ],
    )


def health(health: Health) -> str:
    """Whether a mesh is closed, and what is wrong with it."""
    wrong = [
        (word, str(found.count))
        for word, found in (
            ("open edges", health.open_edges),
            ("edges of too many facets", health.crowded_edges),
            ("edges of facets that turn apart", health.clashing_edges),
            ("turned facets", health.turned_facets),
            ("doubled facets", health.doubled_facets),
            ("flat facets", health.flat_facets),
            ("shells inside out", health.inside_out_shells),
            ("slivers", health.slivers),
        )
        if found.count
    ]
    return _card(
        "closed" if health.closed else "not closed",
        [
            ("triangles", str(health.triangles)),
            ("shells", str(health.shells)),
            ("cavities", str(health.cavities)),
            ("holes", str(health.holes)),
            *wrong,
        ],
    )


def setup(setup: Setup) -> str:
    """The numbers that decide most."""
    m, r, e = setup.machine, setup.resin, setup.exposure
    return _card(
        setup.name,
        [
            ("plate", f"{m.width_mm:g} × {m.depth_mm:g} × {m.height_mm:g} mm"),
            ("pixel", f"{m.pixel_mm:g} mm"),
            ("layer", f"{e.layer_mm:g} mm, {e.exposure_s:g} s"),
            ("first layers", f"{e.first_layers}, {e.first_exposure_s:g} s each"),
            ("vat", f"{m.vat_ml:g} ml"),
            ("lift", f"{m.lift_mm:g} mm at {m.lift_speed_mm_s:g} mm/s"),
            ("viscosity", f"{r.viscosity_pa_s:g} Pa·s"),
            ("green strength", f"{r.green_strength_mpa:g} MPa"),
        ],
    )


def _image(png: bytes, name: str) -> str:
    return f'<img alt="{html(name)}" src="{data_uri(png)}" style="max-height:260px">'


def _curve(values: object) -> str:
    """Section over height as a small picture, the plate below."""
    import numpy as np

    area = np.asarray(values, dtype=float)
    if len(area) < 2 or area.max() <= 0:
        return ""
    at = np.unique(np.linspace(0, len(area) - 1, 160).astype(int))
    points = " ".join(
        f"{100 * area[k] / area.max():.1f},{160 - 160 * k / (len(area) - 1):.1f}" for k in at
    )
    return (
        '<svg role="img" aria-label="section over height" width="110" height="160" '
        f'viewBox="0 0 100 160"><polygon points="0,160 {points} 0,0" fill="#2b7a9b"/></svg>'
    )


def _card(title: str, rows: list[tuple[str, str]], picture: str = "") -> str:
    lines = "".join(
        f'<tr><th style="text-align:left;font-weight:400">{html(k)}</th>'
        f'<td style="text-align:left"><b>{html(v)}</b></td></tr>'
        for k, v in rows
    )
    return (
        '<div style="display:flex;flex-wrap:wrap;gap:1rem;align-items:center">'
        f"<div>{picture}</div><div><b><bdi>{html(title)}</bdi></b><table>{lines}</table></div></div>"
    )
