"""Plates as files: what the command and the demo leave in a folder."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from vatwright import report as reports
from vatwright._core import Done, Estimate, Plate, Report, Setup
from vatwright.batch import Outcome
from vatwright.types import Source

__all__ = ["save", "sources"]


def sources(outcomes: Sequence[Outcome], packed: Done[list[Plate]]) -> list[Source]:
    """The files of a run and what became of each, in the order they were given."""
    placed = {on.part.name for plate in packed.value for on in plate.placed}
    why = {finding.part: finding for finding in packed.report.findings}
    found: list[Source] = []
    for outcome in outcomes:
        source = Source(
            path=outcome.source,
            name=outcome.name,
            fate="printed" if outcome.ok else "failed",
            code=outcome.code,
            message=outcome.message,
            remedy=outcome.remedy,
        )
        if outcome.ok and outcome.name not in placed:
            source["fate"] = "left out"
            if outcome.name in why:
                said = why[outcome.name]
                source |= {"code": said.code, "message": said.message, "remedy": said.remedy}
        found.append(source)
    return found


def save(
    packed: Done[list[Plate]],
    setup: Setup,
    folder: Path,
    *,
    before: Sequence[Report] = (),
    outcomes: Sequence[Outcome] = (),
) -> Report:
    """Writes every plate as 3MF, STL and picture, and report.json and report.html beside them.

    Args:
        packed: what :class:`vatwright.Pack` returned.
        setup: prints the plates, and says what they cost.
        folder: exists.
        before: reports of the passes that made the parts.
        outcomes: what became of the files, so that the report names those on no plate too.

    Returns:
        The report that was written; the last of its inner ones are the plates' estimates.

    Raises:
        OSError: a file cannot be written.
    """
    estimates, pictures = [], []
    for plate in packed.value:
        estimates.append(Estimate().apply(plate, setup).report)
        pictures.append(plate.picture_svg())
        for ending in ("3mf", "stl"):
            plate.save(folder / f"{plate.name}.{ending}")
        reports.write_whole(folder / f"{plate.name}.svg", pictures[-1])
    inner = [*before, packed.report, *estimates]
    report = Report(pass_="prepare", inner=inner, sources=sources(outcomes, packed))
    reports.save(report, folder / "report.json")
    page = reports.to_html([report], title="Plates", pictures=pictures)
    reports.write_whole(folder / "report.html", page)
    return report
