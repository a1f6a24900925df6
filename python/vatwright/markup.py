"""What the pages of a run have in common: their frame, and how they say a thing."""

from __future__ import annotations

import hashlib
from base64 import b64encode
from urllib.parse import quote

from vatwright._core import VERSION, Finding
from vatwright.report import template
from vatwright.words import SEVERITY, html

__all__ = ["bdi", "data_uri", "document", "facts", "on_plate", "plural", "said", "tag", "url"]

MARKS = {"fault": "✖", "warning": "▲", "note": "●"}
"""Signs before severities, so that colour is not all that tells them apart."""


def document(
    title: str,
    head: str,
    body: str,
    foot: str,
    *,
    styles: tuple[str, ...],
    script: str = "",
    run: str = "",
    data: str = "",
) -> str:
    """A page in which nothing can run or load but what it brings.

    Args:
        title: as plain text; the other pieces are HTML.
        head: what stands above the body.
        body: what the page is about.
        foot: what its last line says after the version.
        styles: templates of its style.
        script: template of its script; none for a page to be printed.
        run: word by which the script tells runs apart.
        data: JSON for the script.
    """
    style, code = "".join(map(template, styles)), template(script) if script else ""
    allowed = b64encode(hashlib.sha256(code.encode()).digest()).decode()
    source = f"'sha256-{allowed}'" if code else "'none'"
    policy = (
        f"default-src 'none'; script-src {source}; style-src 'unsafe-inline'; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )
    if data:
        # JSON may hold "<" within words only, where it means the same written like this.
        told = data.replace("<", "\\u003c")
        data = f'<script type="application/json" id="data">{told}</script>'
    return (
        f'<!doctype html>\n<html lang="en" data-run="{run}"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{html(title)}</title><style>{style}</style></head><body>"
        f"<header>{head}</header><main>{body}</main>"
        f"<footer><p class='soft small'>vatwright {html(VERSION)}. {foot}</p></footer>"
        f"{data}{f'<script>{code}</script>' if code else ''}</body></html>\n"
    )


def data_uri(png: bytes) -> str:
    """A picture as it stands within a page."""
    return f"data:image/png;base64,{b64encode(png).decode()}"


def bdi(text: str) -> str:
    """A name, of whatever direction of writing."""
    return f"<bdi>{html(text)}</bdi>"


def plural(n: int, word: str) -> str:
    """A number of things."""
    return f"{n} {word}{'' if n == 1 else 's'}"


def tag(severity: str, word: str = "") -> str:
    """The word for a severity, or another, marked by sign and colour."""
    word = word or SEVERITY[severity]
    return f'<span class="tag {severity}">{MARKS[severity]} {word}:</span>'


def said(f: Finding) -> str:
    """A finding with what to do about it, and its plate where it was found for one."""
    remedy = f" → {html(f.remedy)}" if f.remedy else ""
    return f"{tag(f.severity)} {on_plate(f)}{html(f.message)}{remedy}"


def on_plate(f: Finding) -> str:
    """The plate for which something was found of a part, before the message."""
    return f"on {bdi(f.plate)}: " if f.plate not in ("", f.part) else ""


def facts(*pairs: tuple[str, str]) -> str:
    """Names and values in a row."""
    rows = "".join(f"<div><dt>{k}</dt><dd>{v}</dd></div>" for k, v in pairs)
    return f'<dl class="facts">{rows}</dl>'


def url(name: str) -> str:
    """The name of a file as it stands within a link."""
    return html(quote(name))
