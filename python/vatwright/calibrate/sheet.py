"""The sheet of an evening, to print and fill in by hand: what to measure with what, and how."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from vatwright._core import CAUTIONS, Part, Setup
from vatwright.calibrate import kit
from vatwright.calibrate.form import SECTIONS, Section
from vatwright.markup import data_uri, document
from vatwright.words import html

__all__ = ["to_html"]

_FIRST = 6
"""Sections that settle most."""

_OWN_CAUTIONS = (
    "Wear goggles for the lamp's wavelength whenever the vat is out; do not look at the panel.",
    "A film under a coin tears: lift with a plastic card, never with a blade.",
    "What is pulled comes off at once: keep face and glass out of its way, hold the plate clamped.",
    "These pieces are measured uncured: gloves on, and cure them before they are thrown away.",
    "Before a machine is opened or its arm is loaded, take it off the mains; its maker's word "
    "comes first.",
)


def to_html(setup: Setup) -> str:
    """The sheet for a setup."""
    name = html(setup.name or "your setup")
    head = (
        "<h1>An evening of calibration</h1>"
        f"<p class='soft'>For {name}: {_settings(setup)}. Take what you have tools for: every "
        "section stands alone, and the first ones settle most.</p>"
    )
    cautions = "".join(f"<li>{html(text)}</li>" for text in (*_OWN_CAUTIONS, *CAUTIONS))
    looks = {p.name: data_uri(_look(p, setup)) for p in kit.PIECES}
    body = [
        f'<section class="card cautions"><h2>Cautions</h2><ul>{cautions}</ul></section>',
        "<h2>What settles most</h2>",
        *(_section(s, setup, looks) for s in SECTIONS[:_FIRST]),
        "<h2>With more time</h2>",
        *(_section(s, setup, looks) for s in SECTIONS[_FIRST:]),
    ]
    foot = (
        "Copy the readings into form.toml, then: vatwright calibrate fit form.toml. The pieces are "
        "vatwright's own, in the kinds that ISO/ASTM 52902 and ISO 527-2 know; none is a "
        "standard's test piece."
    )
    return document(
        "An evening of calibration", head, "".join(body), foot, styles=("page.css", "sheet.css")
    )


def _settings(setup: Setup) -> str:
    x = setup.exposure
    return (
        f"layers of {x.layer_mm:g} mm at {x.exposure_s:g} s, {x.first_layers} first layers at "
        f"{x.first_exposure_s:g} s, lift {setup.machine.lift_speed_mm_s:g} mm/s"
    )


def _look(piece: kit.Piece, setup: Setup) -> bytes:
    return Part(piece.make(setup)).picture(size_px=320, elevation_deg=30.0)


def _section(section: Section, setup: Setup, looks: dict[str, str]) -> str:
    steps = "".join(f"<li>{html(step)}</li>" for step in section.steps)
    pieces = [piece for piece in kit.PIECES if piece.name in section.pieces]
    printed = "; ".join(
        f"{piece.name} ({piece.what}){', alone' if piece.alone else f' × {piece.copies}'}"
        for piece in pieces
    )
    pictures = "".join(f'<img src="{looks[p.name]}" alt="{html(p.name)}">' for p in pieces)
    constants = ", ".join(f"<code>{name}</code>" for name in section.constants)
    tower = _tower(setup) if "tower" in section.pieces else ""
    return (
        f'<section class="card" id="{section.name}"><div class="kit"><div>'
        f"<h3>{html(section.title)}</h3><p class='small'>{constants}</p>"
        f"<p><b>Print:</b> {html(printed or 'nothing')}. <b>Tool:</b> {html(section.tool)}.</p>"
        f"<ul>{steps}</ul></div><div>{pictures}</div></div>"
        f"{tower}{_table(section, setup)}</section>"
    )


def _table(section: Section, setup: Setup) -> str:
    heads = "".join(
        f"<th scope='col'>{html(', '.join(filter(None, (c.what, _unit(c.name)))))}</th>"
        for c in section.columns
    )
    rows = "".join(
        f"<tr><th scope='row'>{i}</th>"
        + "".join(f'<td class="n">{_given(row.get(c.name))}</td>' for c in section.columns)
        + "</tr>"
        for i, row in enumerate(section.rows(setup), 1)
    )
    return (
        f'<table class="read"><thead><tr><th scope="col">{section.name}</th>{heads}</tr></thead>'
        f"<tbody>{rows}</tbody></table>"
    )


def _unit(name: str) -> str:
    units = {"mm_s": "mm/s", "mw_cm2": "mW/cm²", "g_cm3": "g/cm³", "mm": "mm", "kg": "kg"}
    units |= {"s": "s", "g": "g"}
    return next((said for end, said in units.items() if name.endswith(f"_{end}")), "")


def _given(value: object) -> str:
    return "" if value is None else html(f"{value:g}" if isinstance(value, float) else f"{value}")


def _tower(setup: Setup) -> str:
    rows = "".join(
        f"<tr><td class='n'>{first}–{last}</td><td class='n'>{speed:g}</td></tr>"
        for first, last, speed in speeds(setup)
    )
    return (
        "<p>Lift speeds of the tower. A machine that cannot change them while it prints: print "
        "the tower twice, once at each, with a column <code>speed_mm_s</code> in the log.</p>"
        "<table class='read'><thead><tr><th scope='col'>layers</th>"
        f"<th scope='col'>lift, mm/s</th></tr></thead><tbody>{rows}</tbody></table>"
    )


def speeds(setup: Setup) -> Iterator[tuple[int, int, float]]:
    """First and last layer, and lift speed, of each stretch of the tower."""
    _, speed, _ = kit.tower_rows(setup)
    starts = [0, *(np.flatnonzero(np.diff(speed)) + 1).tolist(), len(speed)]
    for first, end in pairwise(starts):
        yield first, end - 1, float(speed[first])
