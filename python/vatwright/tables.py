"""A report as tables: columns by name, numpy arrays, for a data frame or a spreadsheet.

``pandas.DataFrame(tables.findings(report))`` makes a data frame, and other libraries of data
frames take the same. What nobody knows is NaN, what nobody said is empty. The tables are views of
the report and compute nothing but counts, sums, and where a place lands on its plate.
"""

from __future__ import annotations

import csv
import io
import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any

from vatwright import report as reports
from vatwright._core import Finding, Report
from vatwright.types import Table

__all__ = [
    "KINDS",
    "FindingRow",
    "PartRow",
    "PlateRow",
    "findings",
    "parts",
    "plates",
    "rows_to_csv",
    "to_csv",
]


@dataclass(frozen=True)
class FindingRow:
    """A finding at one place where its part stands."""

    finding: int
    """Its number in the report, from 1; a part that stands several times has as many rows of it."""
    severity: str
    code: str
    part: str
    plate: str
    """Name of the plate; empty for a part on none."""
    number: float
    """The part's number in the picture of the plate."""
    first_layer: float
    last_layer: float
    x_mm: float
    """The place as the part stands alone."""
    y_mm: float
    z_mm: float
    plate_x_mm: float
    """The place from the plate's left edge."""
    plate_y_mm: float
    """The place from the plate's front edge."""
    value: float
    limit: float
    unit: str
    message: str
    remedy: str


@dataclass(frozen=True)
class PartRow:
    """A part, or a file that came to none."""

    part: str
    source: str
    """The file, as it was given."""
    fate: str
    plates: str
    """Names of the plates it is on, ", " between them."""
    copies: int
    height_mm: float
    resin_ml: float
    """Liquid resin that one takes, losses not counted."""
    mass_g: float
    """Mass of one once cured and freed of supports and raft."""
    drain_s: float
    retained_ml: float
    cavities: int
    plugs: int
    marks: int
    """Places to sand."""
    faults: int
    warnings: int
    notes: int


@dataclass(frozen=True)
class PlateRow:
    """A plate; the findings of its parts are counted with its own."""

    plate: str
    printer: str
    parts: int
    plugs: int
    """Plugs on bars among them; a bar counts as no part."""
    layers: int
    time_s: float
    change_over_s: float
    wash_s: float
    cure_s: float
    resin_total_ml: float
    mass_g: float
    refills: int
    moments: int
    energy_kwh: float
    price: float
    faults: int
    warnings: int
    notes: int


_Row = FindingRow | PartRow | PlateRow


def findings(report: Report) -> Table:
    """The columns of :class:`FindingRow`, gravest or not, in the order of the report."""
    return _table(FindingRow, _findings(report))


def parts(report: Report) -> Table:
    """The columns of :class:`PartRow`, a row a name; files on no plate come last."""
    return _table(PartRow, _parts(report))


def plates(report: Report) -> Table:
    """The columns of :class:`PlateRow`, a row a plate."""
    return _table(PlateRow, _plates(report))


def to_csv(report: Report, kind: str) -> str:
    """One of the :data:`KINDS` of tables as CSV (RFC 4180), safe to open in a spreadsheet."""
    row, rows = KINDS[kind]
    return rows_to_csv([f.name for f in fields(row)], map(asdict, rows(report)))


def rows_to_csv(columns: Iterable[str], rows: Iterable[Mapping[str, Any]]) -> str:
    """Rows as CSV; what is not known is empty."""
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, list(columns))
    writer.writeheader()
    writer.writerows({key: _cell(value) for key, value in row.items()} for row in rows)
    return text.getvalue()


def _findings(report: Report) -> Iterator[FindingRow]:
    standing = reports.standing(report)
    for n, f in enumerate(report.all_findings(), 1):
        first, last = f.layers or (math.nan, math.nan)
        x, y, z = f.place or (math.nan, math.nan, math.nan)
        for on in reports.places(f, standing):
            yield FindingRow(
                n,
                f.severity,
                f.code,
                f.part,
                on.plate,
                on.number or math.nan,
                first,
                last,
                x,
                y,
                z,
                *on.moved(x, y),
                _known(f.value),
                _known(f.limit),
                f.unit,
                f.message,
                f.remedy,
            )


def _parts(report: Report) -> Iterator[PartRow]:
    standing, costs = reports.standing(report), reports.costs(report)
    sheets = {s["part"]: s for cost in reversed(costs) for s in cost["sheets"]}
    heights = {on["part"]: on["height_mm"] for cost in costs for on in cost["placed"]}
    sources = {source["name"]: source for source in report.sources}
    found = reports.by_part(report)
    for name in dict.fromkeys([*heights, *sources]):
        sheet, source, on = sheets.get(name, {}), sources.get(name), standing.get(name, [])
        yield PartRow(
            name,
            source["path"] if source else "",
            source["fate"] if source else "printed",
            ", ".join(dict.fromkeys(at.plate for at in on)),
            copies=sum(at.number > 0 for at in on),
            height_mm=_known(heights.get(name)),
            resin_ml=_known(sheet.get("resin_ml")),
            mass_g=_known(sheet.get("mass_g")),
            drain_s=_known(sheet.get("drain_s")),
            retained_ml=_known(sheet.get("retained_ml")),
            cavities=len(sheet.get("cavities", ())),
            plugs=sheet.get("plugs", 0),
            marks=len(sheet.get("marks", ())),
            **_counts(found.get(name, ())),
        )


def _plates(report: Report) -> Iterator[PlateRow]:
    found = reports.by_part(report)
    for cost in reports.costs(report):
        plate = cost["plate"]
        names = dict.fromkeys([plate, *(on["part"] for on in cost["placed"])])
        yield PlateRow(
            plate=plate,
            printer=cost["printer"],
            parts=sum("bar" not in on for on in cost["placed"]),
            plugs=cost.get("plugs", 0),
            layers=cost["layers"],
            time_s=cost["time_s"],
            change_over_s=cost["change_over_s"],
            wash_s=cost["wash_s"],
            cure_s=cost["cure_s"],
            resin_total_ml=cost["resin_total_ml"],
            mass_g=cost["mass_g"],
            refills=len(cost["refills"]),
            moments=len(cost["moments"]),
            energy_kwh=cost["energy_kwh"],
            price=sum(cost["prices"].values()),
            **_counts(f for name in names for f in found.get(name, ()) if f.plate in ("", plate)),
        )


KINDS: Mapping[str, tuple[type[_Row], Callable[[Report], Iterator[_Row]]]] = {
    "plates": (PlateRow, _plates),
    "parts": (PartRow, _parts),
    "findings": (FindingRow, _findings),
}
"""The tables there are, by name."""


def _counts(found: Iterable[Finding]) -> dict[str, int]:
    counts = Counter(finding.severity for finding in found)
    return {f"{severity}s": counts[severity] for severity in ("fault", "warning", "note")}


def _known(value: float | None) -> float:
    return math.nan if value is None else value


def _table(row: type[_Row], rows: Iterable[_Row]) -> Table:
    import numpy as np

    kinds = {"str": object, "int": np.int64, "float": np.float64}
    listed = list(rows)
    return {
        f.name: np.array([getattr(r, f.name) for r in listed], dtype=kinds[str(f.type)])
        for f in fields(row)
    }


def _cell(value: object) -> object:
    """A value as it is safe in a spreadsheet: what looks like a formula is made plain text.

    The usual guidance (OWASP, "CSV injection", from memory): an apostrophe before cells that
    begin with = + - @, a tab or a carriage return, also in their full-width forms.
    """
    if isinstance(value, float) and math.isnan(value):
        return ""
    risky = isinstance(value, str) and value.startswith(tuple("=+-@\t\r\n＝＋－＠"))
    return f"'{value}" if risky else value
