"""A report as lines for a terminal: by plate and part, gravest first, the sum of it at the end."""

from __future__ import annotations

import os
import re
import shutil
import sys
import time
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import IO

from vatwright import report as reports
from vatwright._core import Finding, Report
from vatwright.types import Progress

__all__ = ["lines", "list_words", "progress", "show", "warn"]

_COLOURS = {"fault": "1;31", "warning": "33", "note": "2", "failed": "1;31", "left out": "1;31"}
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")


def show(report: Report, *, closing: Iterable[str] = ()) -> None:
    """Prints a report, and closing lines after its sum, as wide as the terminal is."""
    width = shutil.get_terminal_size().columns
    plain = not sys.stdout.isatty() or "NO_COLOR" in os.environ or os.environ.get("TERM") == "dumb"
    for line in [*lines(report, width, colour=not plain), *closing]:
        print(line)


def lines(report: Report, width: int, *, colour: bool = False) -> list[str]:
    """A report as lines of at most so many columns (but for words that are longer).

    Files without a plate come first, then plates, each with its parts, both gravest first; what
    is only worth knowing is one line a kind. The last line is the sum.
    """
    out = _Lines(width, colour)
    for source in report.sources:
        if source["fate"] != "printed" and source["message"]:
            out.title(f"{source['path']}")
            said = source["message"].removeprefix(f"{source['path']}: ")
            out.item(source["fate"], _advice(said, source["remedy"]))
    _of_plates(report, out)
    _notes(report, out)
    out.blank()
    out.text(_sum(report))
    return out.lines


def warn(text: str) -> None:
    """Prints a line on standard error."""
    print(f"vatwright: {_CONTROL.sub('?', text)}", file=sys.stderr)


def list_words(title: str, words: Mapping[str, str]) -> None:
    """Prints words and what they mean, under a title."""
    out = _Lines(shutil.get_terminal_size().columns, colour=False)
    out.text(title)
    room = max(map(len, words)) + 4
    for word, meaning in words.items():
        out.text(meaning, room, f"  {word:{room - 2}}")
    print("\n".join(out.lines))


class _Lines:
    """Lines being written."""

    def __init__(self, width: int, colour: bool) -> None:
        self.width, self.colour = max(width, 20), colour
        self.lines: list[str] = []

    def blank(self) -> None:
        if self.lines and self.lines[-1]:
            self.lines.append("")

    def text(self, text: str, indent: int = 0, first: str = "") -> None:
        """Wrapped text; ``first`` stands before it in the first line."""
        room = self.width - indent
        for i, line in enumerate(_wrapped(text, room)):
            self.lines.append((first if i == 0 else " " * indent) + line)

    def title(self, text: str) -> None:
        self.blank()
        self.text(text)

    def item(self, word: str, text: str) -> None:
        """A line or more that begin with a word of how grave it is."""
        painted = f"\x1b[{_COLOURS[word]}m{word}\x1b[0m" if self.colour else word
        self.text(text, 11, "  " + painted + " " * (9 - len(word)))


def _advice(message: str, remedy: str) -> str:
    return f"{message} → {remedy}" if remedy else message


def _of_plates(report: Report, out: _Lines) -> None:
    estimates = {r.part: r for r in report.inner if r.pass_ == "estimate"}
    plates_of = reports.plates_of(report)
    found: dict[str, dict[str, list[Finding]]] = {plate: {} for plate in estimates}
    told = {s["name"] for s in report.sources if s["fate"] == "left out"}
    for f in report.all_findings():
        if f.part in told and f.code == "unpackable":
            continue  # said of its file
        for plate in reports.on_plates(f, plates_of) or [""]:
            found.setdefault(plate, {}).setdefault(f.part, []).append(f)
    # Gravest first; plates and parts alike keep their order else.
    for plate in sorted(found, key=lambda p: _rank(f for of in found[p].values() for f in of)):
        if plate:
            out.title(_plate(plate, estimates.get(plate)))
        said: dict[tuple[tuple[str, str], ...], list[str]] = {}
        parts = found[plate]
        # What is said of the plate itself stands right under its line.
        for part in sorted(parts, key=lambda p: (p != plate, _rank(parts[p]))):
            rows = tuple((str(f.severity), _sentence(f)) for f in _graver(parts[part]))
            if rows:
                said.setdefault(rows, []).append(part)
        for rows, names in said.items():
            if names != [plate]:
                out.title(f"{', '.join(filter(None, (plate, _some(names))))}")
            for severity, sentence in rows:
                out.item(severity, sentence)


def _rank(findings: Iterable[Finding]) -> int:
    return min((reports.ORDER.index(f.severity) for f in findings), default=len(reports.ORDER))


def _graver(findings: Iterable[Finding]) -> list[Finding]:
    graver = [f for f in findings if f.severity != "note"]
    return sorted(graver, key=lambda f: reports.ORDER.index(f.severity))


def _plate(name: str, estimate: Report | None) -> str:
    if estimate is None:
        return name
    _, layers, hours, resin_ml, mass_g, refills, plugs, price = reports.plate_row(estimate)
    refilled = "" if refills == "0" else f", {_count(int(refills), 'refill')}"
    plugged = "" if plugs == "0" else f", {_count(int(plugs), 'plug')}"
    said = f"{layers} layers, {hours} h, {resin_ml} ml of resin, {mass_g} g{refilled}{plugged}"
    return f"{name}: {said}, price {price}"


def _sentence(f: Finding) -> str:
    """A finding in words: kind, layers, measure, what is the matter and what to do."""
    where = ""
    if f.layers is not None:
        first, last = f.layers
        where = f", layer {first}" if first == last else f", layers {first}–{last}"
    measure = f", {said}" if (said := reports.measured(f)) else ""
    return f"{f.code}{where}{measure}: {_advice(f.message, f.remedy)}"


def _some(names: Sequence[str], most: int = 4) -> str:
    """The first few of many names."""
    rest = len(names) - most
    return ", ".join(names) if rest <= 1 else f"{', '.join(names[:most])} and {rest} more"


def _notes(report: Report, out: _Lines) -> None:
    """What is only worth knowing: a line a kind, with the parts it is about."""
    plates_of = reports.plates_of(report)
    kinds: dict[str, list[Finding]] = {}
    for f in report.all_findings():
        if f.severity == "note":
            kinds.setdefault(f.code, []).append(f)
    if kinds:
        out.blank()
    for code, notes in kinds.items():
        parts = list(dict.fromkeys(f.part for f in notes if f.part))
        if len(notes) == 1:
            name = notes[0].part
            plates = [plate for plate in reports.on_plates(notes[0], plates_of) if plate != name]
            out.item("note", ", ".join(filter(None, (*plates, name, _sentence(notes[0])))))
        else:
            about = f" ({_some(parts)})" if parts else ""
            out.item("note", f"{code}, {len(notes)} times{about}; the first: {notes[0].message}")


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def _sum(report: Report) -> str:
    fates = [source["fate"] for source in report.sources]
    estimates = [r for r in report.inner if r.pass_ == "estimate"]
    parts = []
    if fates:
        each = [f"{fates.count(f)} {f}" for f in ("printed", "failed", "left out") if f in fates]
        parts.append(f"{_count(len(fates), 'file')}: {', '.join(each)}")
    if estimates:
        hours = sum(r.numbers.get("time_s", 0.0) for r in estimates) / 3600
        resin = sum(r.numbers.get("resin_total_ml", 0.0) for r in estimates)
        plugs = sum(r.numbers.get("plugs", 0.0) for r in estimates)
        told = f"{_count(len(estimates), 'plate')}, {hours:.1f} h, {resin:.0f} ml"
        parts.append(told + (f", {_count(round(plugs), 'plug')}" if plugs else ""))
    severities = [f.severity for f in report.all_findings()]
    counts = [_count(severities.count(s), s) for s in reports.ORDER if s in severities]
    parts.append(", ".join(counts) or "nothing found")
    return "; ".join(parts)


def _columns(text: str) -> int:
    """Columns that text takes: two for wide letters, none for marks over others (UAX #11)."""
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1
        for c in text
    )


def _wrapped(text: str, width: int) -> Iterator[str]:
    """Lines of at most so many columns, broken between words; longer words stand alone."""
    line = ""
    for word in _CONTROL.sub("\ufffd", text).split(" "):
        longer = f"{line} {word}" if line else word
        if line and _columns(longer) > width:
            yield line
            longer = word
        line = longer
    yield line


@contextmanager
def progress() -> Iterator[Progress | None]:
    """A line on standard error that says how far the work is, where that is a terminal."""
    if not sys.stderr.isatty():
        yield None
        return
    last, begin = "", time.monotonic()

    def tell(stage: str, fraction: float) -> None:
        nonlocal last
        room = shutil.get_terminal_size().columns - 1
        spent = time.monotonic() - begin
        line = f"{fraction:4.0%} {spent // 60:3.0f}:{spent % 60:02.0f} {_CONTROL.sub('?', stage)}"
        while _columns(line) > room:
            line = line[:-1]
        if line != last:
            print(f"\r\x1b[K{line}", end="", file=sys.stderr, flush=True)
            last = line

    try:
        yield tell
    finally:
        _clear(sys.stderr)


def _clear(stream: IO[str]) -> None:
    print("\r\x1b[K", end="", file=stream, flush=True)
