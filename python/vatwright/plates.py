"""From files to plates as files: what the command and the demo leave in a folder."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from vatwright import disk, page, part_page, tables, types
from vatwright import report as reports
from vatwright._core import Done, Estimate, Pack, Part, Plate, Recipe, Report, Setup
from vatwright.batch import Batch, batch
from vatwright.keep import Outcome
from vatwright.output import Output
from vatwright.types import Progress, Source

__all__ = ["Run", "drawings", "prepare", "save", "sources"]

ENDINGS = ("3mf", "stl")
"""Formats in which plates are written."""

LOOK_PX = 180
"""Longer side of a part's picture on the page; some six kilobytes."""


@dataclass(frozen=True)
class Run:
    """What a run came to."""

    batch: Batch
    """What became of each file."""
    plates: list[Plate]
    """The plates, as they were written."""
    report: Report
    """The report that was written."""


def prepare(
    paths: Iterable[types.Path],
    recipe: Recipe | None = None,
    setup: Setup | None = None,
    *,
    out: types.Path,
    pack: Pack | None = None,
    estimate: Estimate | None = None,
    progress: Progress | None = None,
    **options: Any,
) -> Run:
    """Runs a recipe on many files, packs the parts onto plates and writes all of it.

    The folder belongs to the run: what an earlier one left there and this one does not make again
    moves to ``out/superseded``. A run that is stopped before the end leaves the earlier plates,
    and the next one goes on from the parts that are finished.

    Args:
        paths: as for :func:`vatwright.batch`.
        recipe: by default every pass.
        setup: by default the built-in one.
        out: folder of the results.
        pack: how parts go onto plates.
        estimate: what plates cost.
        progress: called with what is going on and the share done.
        options: the others of :func:`vatwright.batch`.

    Raises:
        OSError: the output folder cannot be written.
        Error: the parts cannot be packed; each is finished and kept.
    """
    setup, folder = setup or Setup(), Path(out)

    with Output.held(folder, progress):
        done = batch(
            paths, recipe, setup, out=folder, progress=_within(progress, 0.0, 0.8), **options
        )
        packed = (pack or Pack()).apply(done.parts(), setup, progress=_within(progress, 0.8, 0.05))
        report = save(
            packed,
            setup,
            folder,
            before=done.reports(),
            outcomes=done.outcomes,
            estimate=estimate,
            printers=pack.printers if pack else (),
            progress=_within(progress, 0.85, 0.15),
        )
    return Run(done, packed.value, report)


def sources(outcomes: Sequence[Outcome], packed: Done[list[Plate]]) -> list[Source]:
    """The files of a run and what became of each, in the order they were given."""
    placed: dict[str, list[str]] = {}
    for plate in packed.value:
        for name in dict.fromkeys(on.part.name for on in plate.placed):
            placed.setdefault(name, []).append(plate.name)
    why = {finding.part: finding for finding in packed.report.findings}
    found: list[Source] = []
    for outcome in outcomes:
        source = Source(
            path=outcome.source,
            name=outcome.name,
            fate="printed" if outcome.ok else "failed",
            plates=placed.get(outcome.name, []),
            code=outcome.code,
            message=outcome.message,
            remedy=outcome.remedy,
        )
        if outcome.ok and not source["plates"]:
            source["fate"] = "left out"
            if outcome.name in why:
                said = why[outcome.name]
                source |= {"code": said.code, "message": said.message, "remedy": said.remedy}
        found.append(source)
    return found


def drawings(report: Report, folder: Path) -> list[str]:
    """The pictures of a report's plates that lie in its folder."""
    found = (folder / f"{r.part}.svg" for r in reports.every(report) if r.pass_ == "estimate")
    inside = (path for path in found if path.resolve().parent == folder.resolve())
    return [path.read_text(encoding="utf-8") for path in inside if path.is_file()]


def save(
    packed: Done[list[Plate]],
    setup: Setup,
    folder: Path,
    *,
    before: Sequence[Report] = (),
    outcomes: Sequence[Outcome] = (),
    estimate: Estimate | None = None,
    printers: Sequence[Setup] = (),
    progress: Progress | None = None,
) -> Report:
    """Looks at every plate as a whole and writes it as 3MF, STL and picture, with pages of all.

    The pages are index.html (what to do), report.html (everything that was found and measured),
    report.json, the tables plates, parts and findings as CSV in ``tables``, and in ``pages`` a
    page of each part.

    What a plate's check finds is in the report, but for what the checks of its parts have said.

    Plates and reports of an earlier run move to ``superseded`` in the folder, but for those that
    come out the same.

    Args:
        packed: what :class:`vatwright.Pack` returned.
        setup: prints the plates, and says what they cost, where none of ``printers`` does.
        folder: made where there is none.
        before: reports of the passes that made the parts.
        outcomes: what became of the files, so that the report names those on no plate too.
        estimate: what plates cost.
        printers: the setups that plates name as their printers.
        progress: called with what is going on and the share done.

    Returns:
        The report that was written; the last of its inner ones are the plates' estimates, before
        them come their checks.

    Raises:
        OSError: a file cannot be written; the folder is then as it was.
    """
    setups = {printer.name: printer for printer in printers}
    with Output.held(folder) as output, output.replacing("plates") as made:
        checks, estimates, plans, drawings = [], [], {}, []
        parts: dict[str, Part] = {}
        for i, plate in enumerate(packed.value):
            printer = setups.get(plate.printer, setup)
            within = _within(progress, 0.8 * i / len(packed.value), 0.8 / len(packed.value))
            checks.append(_news(plate.inspect(printer, progress=within), before))
            estimates.append((estimate or Estimate()).apply(plate, printer).report)
            plans[plate.name] = plate.picture_svg(legend=False)
            drawings.append(plate.picture_svg())
            for ending in ENDINGS:
                plate.save(made / f"{plate.name}.{ending}")
            disk.write_whole(made / f"{plate.name}.svg", drawings[-1])
            parts |= {on.part.name: on.part for on in plate.placed}
        inner = [*before, packed.report, *checks, *estimates]
        report = Report(pass_="prepare", inner=inner, sources=sources(outcomes, packed))
        reports.save(report, made / "report.json")
        (made / "tables").mkdir()
        for kind in tables.KINDS:
            disk.write_whole(made / "tables" / f"{kind}.csv", tables.to_csv(report, kind))
        told = reports.to_html([report], title="Plates", pictures=drawings)
        disk.write_whole(made / "report.html", told)
        looks = {name: part.picture(size_px=LOOK_PX) for name, part in parts.items()}
        own = {name: part for name, part in parts.items() if part.bar is None}
        pages = _part_pages(report, own, setup, made, _within(progress, 0.8, 0.2))
        first = page.to_html(report, plans=plans, looks=looks, files=ENDINGS, pages=pages)
        disk.write_whole(made / "index.html", first)
    return report


def _within(progress: Progress | None, start: float, share: float) -> Progress | None:
    """The progress of a piece of the work."""
    if progress is None:
        return None
    return lambda stage, fraction: progress(stage, start + share * fraction)


def _news(checked: Report, before: Sequence[Report]) -> Report:
    """A plate's check without what the checks of its parts have said of them as gravely."""
    said: dict[tuple[str, str], int] = {}
    for report in (inner for whole in before for inner in reports.every(whole)):
        for f in report.findings if report.pass_ == "check" else ():
            key, rank = (f.part, f.code), reports.ORDER.index(f.severity)
            said[key] = min(said.get(key, rank), rank)
    none = len(reports.ORDER)
    news = [
        f
        for f in checked.findings
        if reports.ORDER.index(f.severity) < said.get((f.part, f.code), none)
    ]
    return checked.replace(findings=news)


def _part_pages(
    report: Report,
    parts: Mapping[str, Part],
    setup: Setup,
    made: Path,
    progress: Progress | None,
) -> dict[str, str]:
    """Writes a page of each part; returns their paths from the index by name of the part."""
    found, on = reports.by_part(report), reports.plates_of(report)
    plates = {cost["plate"] for cost in reports.costs(report)}
    checks = [r for r in reports.every(report) if r.pass_ == "check" and r.part not in plates]
    checked = {r.part: r for r in checks}
    (made / "pages").mkdir()
    paths = {}
    for i, (name, file) in enumerate(zip(parts, disk.unique_names(parts), strict=True)):
        if progress is not None:
            progress(f"page of {name}", i / len(parts))
        told = part_page.to_html(
            parts[name],
            setup,
            findings=found.get(name, ()),
            checked=checked[name].numbers if name in checked else None,
            profile=checked[name].data.get("profile") if name in checked else None,
            where=", ".join(on[name]),
        )
        paths[name] = f"pages/{file}.html"
        disk.write_whole(made / paths[name], told)
    return paths
