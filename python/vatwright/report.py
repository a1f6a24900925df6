"""Reports as JSON and as one page of HTML that needs nothing beside itself."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator, Sequence
from html import escape
from pathlib import Path as FilePath

from vatwright._core import CAUTIONS, Finding, Report
from vatwright.disk import write_whole
from vatwright.errors import FormatError
from vatwright.types import Path

__all__ = [
    "ORDER",
    "PLATE_HEAD",
    "from_json",
    "load",
    "plate_row",
    "rows",
    "save",
    "to_html",
    "to_json",
]

ORDER = ("fault", "warning", "note")
"""Severities, gravest first."""


def to_json(report: Report) -> str:
    """A report as JSON text."""
    return json.dumps(report.to_dict(), indent=1, ensure_ascii=False, allow_nan=False)


def from_json(text: str, *, place: str = "text") -> Report:
    """Reads a report from JSON; ``place`` names it in messages.

    Raises:
        FormatError: the text is no report.
    """
    try:
        values = json.loads(text)
        return Report(**values)
    except (ValueError, TypeError, RecursionError) as error:
        raise FormatError(f"{place}: this is no report: {error}; make it again") from error


def save(report: Report, path: Path) -> None:
    """Writes a report as JSON, or as HTML for a path that ends so; whole or not at all.

    Raises:
        OSError: the file cannot be written.
    """
    html = FilePath(path).suffix.lower() in {".html", ".htm"}
    write_whole(path, to_html([report]) if html else to_json(report))


def load(path: Path) -> Report:
    """Reads a report from a JSON file.

    Raises:
        OSError: the file cannot be read.
        FormatError: it holds no report.
    """
    place = os.fspath(path)
    try:
        text = FilePath(path).read_bytes().decode()
    except UnicodeDecodeError as error:
        raise FormatError(f"{place}: this is no report: {error}; make it again") from error
    return from_json(text, place=place)


def rows(findings: Iterable[Finding]) -> list[tuple[str, str, str, str, str, str]]:
    """Findings as words, gravest first: severity, parts, code, layers, measure, message.

    What is said of several parts in the same words is one row.
    """
    table: dict[tuple[str, str, str, str, str], list[str]] = {}
    for f in sorted(findings, key=lambda f: ORDER.index(f.severity)):
        layers = "" if f.layers is None else "–".join(dict.fromkeys(map(str, f.layers)))
        measure = "" if f.value is None else f"{f.value:.4g} {f.unit}"
        if f.limit is not None:
            measure += f" (limit {f.limit:.4g} {f.unit})"
        message = f.message if not f.remedy else f"{f.message} → {f.remedy}"
        parts = table.setdefault((f.severity, f.code, layers, measure, message), [])
        if f.part not in parts:
            parts.append(f.part)
    return [(key[0], ", ".join(parts), *key[1:]) for key, parts in table.items()]


_STYLE = """
body { font: 15px/1.5 Georgia, serif; color: #26323a; background: #f6f3ec; margin: 0 }
main { max-width: 62rem; margin: 2rem auto; padding: 0 1.5rem }
h1 { font-size: 1.6rem; margin: 0 0 .2rem } h2 { font-size: 1.15rem; margin: 2rem 0 .5rem }
table { border-collapse: collapse; width: 100%; background: #fffdf8 }
th, td { text-align: left; vertical-align: top; padding: .35rem .6rem;
  border-bottom: 1px solid #ddd5c4 }
td.n { font-variant-numeric: tabular-nums; white-space: nowrap }
.fault { color: #9b1c31; font-weight: bold } .warning { color: #8a5a00 } .note { color: #3f6172 }
svg { max-width: 100%; height: auto; margin: 1rem 0 }
details { margin: .4rem 0 } summary { cursor: pointer }
footer { margin: 2.5rem 0; font-size: .85rem; color: #5c666b }
"""


def to_html(
    reports: Sequence[Report], *, title: str = "Report", pictures: Sequence[str] = ()
) -> str:
    """Reports as one page of HTML without scripts, fonts or pictures from elsewhere.

    ``pictures`` are SVG documents to show above the findings.
    """
    findings = [f for report in reports for f in report.all_findings()]
    counts = {s: sum(f.severity == s for f in findings) for s in ORDER}
    verdict = ", ".join(f"{n} {s}{'' if n == 1 else 's'}" for s, n in counts.items() if n)
    body = [f"<h1>{escape(title)}</h1>", f"<p>{verdict or 'nothing found'}</p>"]
    estimates = [r for report in reports for r in _all(report) if r.pass_ == "estimate"]
    if estimates:
        body += ["<h2>Plates</h2>", _plates(estimates), *pictures]
    if findings:
        body += ["<h2>Findings</h2>", _findings(findings)]
    body += ["<h2>What was done</h2>", *(_numbers(report, open_=True) for report in reports)]
    cautions = "".join(f"<li>{escape(c)}</li>" for c in CAUTIONS)
    return (
        f'<!doctype html><html lang="en"><meta charset="utf-8"><title>{escape(title)}</title>'
        f"<style>{_STYLE}</style><main>{''.join(body)}<footer><ul>{cautions}</ul></footer></main>"
        "</html>\n"
    )


def _all(report: Report) -> Iterator[Report]:
    yield report
    for inner in report.inner:
        yield from _all(inner)


PLATE_HEAD = ("Plate", "Layers", "Hours", "Resin, ml", "Mass, g", "Refills", "Price")
"""What :func:`plate_row` tells."""


def plate_row(estimate: Report) -> tuple[str, ...]:
    """The numbers of an estimate's report that one wants first, as words."""
    n = estimate.numbers
    return (
        estimate.part,
        f"{n['layers']:.0f}",
        f"{n['time_s'] / 3600:.2f}",
        f"{n['resin_total_ml']:.1f}",
        f"{n['mass_g']:.1f}",
        f"{n['refills']:.0f}",
        f"{n['price']:.2f}",
    )


def _plates(estimates: Iterable[Report]) -> str:
    head = "".join(f"<th>{h}" for h in PLATE_HEAD)
    lines = "".join(
        "<tr>" + "".join(f'<td class="n">{escape(c)}' for c in plate_row(e)) for e in estimates
    )
    return f"<table><tr>{head}{lines}</table>"


def _findings(findings: Sequence[Finding]) -> str:
    head = "".join(
        f"<th>{h}" for h in ("", "Part", "Kind", "Layers", "Measure", "What, and what to do")
    )
    lines = "".join(
        f'<tr><td class="{row[0]}">{row[0]}' + "".join(f"<td>{escape(c)}" for c in row[1:])
        for row in rows(findings)
    )
    return f"<table><tr>{head}{lines}</table>"


def _numbers(report: Report, *, open_: bool = False) -> str:
    pairs = [(k, f"{v:.6g}") for k, v in report.numbers.items()]
    pairs += list(report.words.items())
    table = "".join(f'<tr><td>{escape(k)}<td class="n">{escape(v)}' for k, v in pairs)
    inner = "".join(_numbers(r) for r in report.inner)
    name = escape(" · ".join(filter(None, (report.pass_, report.part))))
    return (
        f"<details{' open' if open_ else ''}><summary>{name}</summary>"
        f"{f'<table>{table}</table>' if table else ''}{inner}</details>"
    )
