"""Reports as JSON and as one page of HTML that needs nothing beside itself."""

from __future__ import annotations

import json
import math
import os
from base64 import b64encode
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import Path as FilePath
from typing import Any

from vatwright._core import CAUTIONS, FORMAT, Finding, Report
from vatwright.disk import write_whole
from vatwright.errors import FormatError
from vatwright.types import Path
from vatwright.words import html, label

__all__ = [
    "ORDER",
    "PLATE_HEAD",
    "Standing",
    "bars",
    "by_part",
    "combined",
    "costs",
    "drawing_uri",
    "every",
    "from_json",
    "load",
    "measured",
    "on_plates",
    "places",
    "plate_row",
    "plates_of",
    "rows",
    "save",
    "schema",
    "standing",
    "template",
    "to_html",
    "to_json",
]

ORDER = ("fault", "warning", "note")
"""Severities, gravest first."""


def to_json(report: Report) -> str:
    """A report as JSON text, with the format it is of."""
    values = {"format": FORMAT, **report.to_dict()}
    return json.dumps(values, indent=1, ensure_ascii=False, allow_nan=False)


def schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a report.json, with what every key means."""
    text = resources.files("vatwright").joinpath("report.schema.json").read_text(encoding="utf-8")
    told: dict[str, Any] = json.loads(text)
    return told


def from_json(text: str, *, place: str = "text") -> Report:
    """Reads a report from JSON; ``place`` names it in messages.

    Raises:
        FormatError: the text is no report, or one of a later version.
    """
    try:
        values = json.loads(text)
        format_ = values.pop("format", 1) if isinstance(values, dict) else 1
        if type(format_) is not int or not 1 <= format_ <= FORMAT:
            raise ValueError(
                f"format {format_!r} is none that this version reads, up to {FORMAT}: a later "
                "vatwright wrote it, or it is damaged"
            )
        return Report(**values)
    except (ValueError, TypeError, RecursionError) as error:
        raise FormatError(f"{place}: this is no report: {error}; make it again") from error


def save(report: Report, path: Path, *, pictures: Sequence[str] = ()) -> None:
    """Writes a report as JSON, or as HTML for a path that ends so; whole or not at all.

    ``pictures`` are SVG documents for the page.

    Raises:
        OSError: the file cannot be written.
    """
    page = FilePath(path).suffix.lower() in {".html", ".htm"}
    write_whole(path, to_html([report], pictures=pictures) if page else to_json(report))


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


def combined(findings: Iterable[Finding]) -> list[Finding]:
    """Findings gravest first, the notes of one kind as one with their number."""
    graver, notes = [], dict[str, list[Finding]]()
    for f in sorted(findings, key=lambda f: ORDER.index(f.severity)):
        if f.severity == "note":
            notes.setdefault(f.code, []).append(f)
        else:
            graver.append(f)
    return graver + [_one_of(alike) for alike in notes.values()]


def _one_of(alike: Sequence[Finding]) -> Finding:
    largest = max(alike, key=lambda f: f.value or 0.0)
    others = len({f.message for f in alike}) - 1
    if not others:
        return largest
    return largest.replace(message=f"{largest.message} (and {others} more of this kind)")


def measured(f: Finding) -> str:
    """What was measured and its limit, with the unit where there is one."""
    measure = "" if f.value is None else f"{f.value:.4g} {f.unit}".rstrip()
    if f.limit is not None:
        measure += f" (limit {f.limit:.4g} {f.unit}".rstrip() + ")"
    return measure


def rows(findings: Iterable[Finding], plates: Mapping[str, Sequence[str]]) -> list[tuple[str, ...]]:
    """Findings as words, gravest first: severity, parts, plates, code, layers, measure, message.

    What is said of several parts in the same words is one row, and so are notes of one kind.
    """
    findings = list(findings)
    table: dict[tuple[str, ...], list[Finding]] = {}
    for f in combined(findings):
        layers = "" if f.layers is None else "–".join(dict.fromkeys(map(str, f.layers)))
        measure = measured(f)
        message = f.message if not f.remedy else f"{f.message} → {f.remedy}"
        alike = [f] if f.severity != "note" else findings
        same = [g for g in alike if (g.severity, g.code) == (f.severity, f.code)]
        table.setdefault((f.severity, f.code, layers, measure, message), []).extend(same)
    told = []
    for (severity, *rest), about in table.items():
        parts = dict.fromkeys(f.part for f in about)
        on = dict.fromkeys(plate for f in about for plate in on_plates(f, plates))
        told.append((severity, _names(list(parts)), _names(list(on)), *rest))
    return told


def on_plates(f: Finding, plates: Mapping[str, Sequence[str]]) -> Sequence[str]:
    """Names of the plates that a finding is about: its own, or all on which its part stands."""
    return [f.plate] if f.plate else plates.get(f.part, ())


def _names(parts: Sequence[str]) -> str:
    """Names as long as they are few."""
    shown = ", ".join(parts[:MANY])
    return shown if len(parts) <= MANY else f"{shown} and {len(parts) - MANY} more"


MANY = 4
"""Names in a row; beyond that they are counted."""


def to_html(
    reports: Sequence[Report], *, title: str = "Report", pictures: Sequence[str] = ()
) -> str:
    """Reports as one page of HTML without scripts, fonts or pictures from elsewhere.

    Files that came to nothing are said first. ``pictures`` are SVG documents to show above the
    findings.
    """
    findings = [f for report in reports for f in report.all_findings()]
    counts = {s: sum(f.severity == s for f in combined(findings)) for s in ORDER}
    verdict = ", ".join(f"{n} {s}{'' if n == 1 else 's'}" for s, n in counts.items() if n)
    body = [f"<h1>{html(title)}</h1>", *(_lost(report) for report in reports)]
    body.append(f"<p>{verdict or 'nothing found'}</p>")
    estimates = [r for report in reports for r in every(report) if r.pass_ == "estimate"]
    if estimates:
        body += ["<h2>Plates</h2>", _plates(estimates)]
        body += [f'<p><img alt="a plate from above" src="{drawing_uri(p)}"></p>' for p in pictures]
    if findings:
        plates = {name: on for report in reports for name, on in plates_of(report).items()}
        body += ["<h2>Findings</h2>", _findings(findings, plates)]
    body += ["<h2>What was done</h2>", *(_numbers(report, open_=True) for report in reports)]
    cautions = "".join(f"<li>{html(c)}</li>" for c in CAUTIONS)
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" '
        f'content="width=device-width, initial-scale=1"><title>{html(title)}</title>'
        f"<style>{template('page.css')}</style></head><body><main>{''.join(body)}</main>"
        f"<footer><h2>Cautions</h2><ul>{cautions}</ul></footer></body></html>\n"
    )


def drawing_uri(svg: str) -> str:
    """A drawing as it stands within a page, where nothing in it can run or load anything."""
    return f"data:image/svg+xml;base64,{b64encode(svg.encode()).decode()}"


def template(name: str) -> str:
    """A file that pages are made with."""
    return resources.files("vatwright").joinpath("templates", name).read_text(encoding="utf-8")


def every(report: Report) -> Iterator[Report]:
    """A report and all within it, depth first."""
    yield report
    for inner in report.inner:
        yield from every(inner)


def costs(report: Report) -> list[Mapping[str, Any]]:
    """What the estimates in a report tell of their plates, in order."""
    return [r.data["cost"] for r in every(report) if "cost" in r.data]


@dataclass(frozen=True)
class Standing:
    """Where a part stands, or which plate a finding is about."""

    part: str
    plate: str
    """Name of the plate; empty where a part is on none."""
    number: int = 0
    """The part's in the picture of the plate, from 1; 0 for the plate itself."""
    x_mm: float = 0.0
    y_mm: float = 0.0
    turn_deg: float = 0.0

    def moved(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        """Where a place of the part, as it stands alone, is on its plate; NaN on none."""
        if not self.number:
            return math.nan, math.nan
        turn = math.radians(self.turn_deg)
        c, s = math.cos(turn), math.sin(turn)
        return self.x_mm + c * x_mm - s * y_mm, self.y_mm + s * x_mm + c * y_mm


def standing(report: Report) -> dict[str, list[Standing]]:
    """Where everything stands that findings name: parts on their plates, and plates themselves."""
    found: dict[str, list[Standing]] = {}
    for cost in costs(report):
        plate = cost["plate"]
        found.setdefault(plate, []).append(Standing(plate, plate))
        for number, on in enumerate(cost["placed"], 1):
            at = Standing(on["part"], plate, number, on["x_mm"], on["y_mm"], on["turn_deg"])
            found.setdefault(on["part"], []).append(at)
    return found


def bars(report: Report) -> dict[str, list[tuple[Standing, Sequence[str]]]]:
    """By part, where the bars stand that carry its plugs, with the names of those."""
    found: dict[str, list[tuple[Standing, Sequence[str]]]] = {}
    carried = {
        on["part"]: on["bar"] for cost in costs(report) for on in cost["placed"] if "bar" in on
    }
    for name, there in standing(report).items():
        if name in carried:
            bar = carried[name]
            found.setdefault(bar["part"], []).extend((at, bar["plugs"]) for at in there)
    return found


def plates_of(report: Report) -> dict[str, list[str]]:
    """Names of the plates that each part or plate named in findings is about, each once."""
    found = standing(report)
    return {name: list(dict.fromkeys(at.plate for at in on)) for name, on in found.items()}


def places(f: Finding, found: Mapping[str, Sequence[Standing]]) -> list[Standing]:
    """Where the part or plate stands that a finding is about; on its own plate, if it has one."""
    on = [at for at in found.get(f.part, ()) if f.plate in ("", at.plate)]
    return on or [Standing(f.part, f.plate)]


def by_part(report: Report) -> dict[str, list[Finding]]:
    """All findings by the part or plate that they are about."""
    found: dict[str, list[Finding]] = {}
    for finding in report.all_findings():
        found.setdefault(finding.part, []).append(finding)
    return found


def _lost(report: Report) -> str:
    """The files that are on no plate."""
    lost = [source for source in report.sources if source["fate"] != "printed"]
    if not lost:
        return ""
    lines = "".join(
        f'<tr><td class="fault">{html(s["fate"])}<td><bdi>{html(s["path"])}</bdi>'
        f"<td>{html(s['message'])}<td>{html(s['remedy'])}"
        for s in lost
    )
    return (
        f"<h2>Files on no plate: {len(lost)} of {len(report.sources)}</h2>"
        f'<div class="wide"><table><tr><th>What became of it<th>File<th>Why<th>What to do{lines}'
        "</table></div>"
    )


PLATE_HEAD = ("Plate", "Layers", "Hours", "Resin, ml", "Mass, g", "Refills", "Plugs", "Price")
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
        f"{n.get('plugs', 0.0):.0f}",
        f"{n['price']:.2f}",
    )


def _plates(estimates: Iterable[Report]) -> str:
    head = "".join(f"<th>{h}" for h in PLATE_HEAD)
    lines = "".join(
        "<tr>" + "".join(f'<td class="n">{html(c)}' for c in plate_row(e)) for e in estimates
    )
    return f'<div class="wide"><table><tr>{head}{lines}</table></div>'


def _findings(findings: Sequence[Finding], plates: Mapping[str, Sequence[str]]) -> str:
    heads = ("How grave", "Part", "Plate", "Kind", "Layers", "Measure", "What, and what to do")
    head = "".join(f"<th>{h}" for h in heads)
    lines = "".join(
        f'<tr><td class="{row[0]}">{row[0]}'
        + "".join(f"<td>{html(c)}" for c in (*row[1:3], label(row[3]), *row[4:]))
        for row in rows(findings, plates)
    )
    return f'<div class="wide"><table><tr>{head}{lines}</table></div>'


def _numbers(report: Report, *, open_: bool = False) -> str:
    pairs = [(label(k), f"{v:.6g}") for k, v in report.numbers.items()]
    pairs += [(label(k), v) for k, v in report.words.items()]
    table = "".join(f'<tr><td>{html(k)}<td class="n">{html(v)}' for k, v in pairs)
    inner = "".join(_numbers(r) for r in report.inner)
    name = html(" · ".join(filter(None, (report.pass_, report.part))))
    return (
        f"<details{' open' if open_ else ''}><summary>{name}</summary>"
        f"{f'<table>{table}</table>' if table else ''}{inner}</details>"
    )
