"""Plates as files: what the command and the demo leave in a folder."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from vatwright import report as reports
from vatwright._core import Done, Estimate, Plate, Report, Setup

__all__ = ["save"]


def save(
    packed: Done[list[Plate]], setup: Setup, folder: Path, *, before: Sequence[Report] = ()
) -> Report:
    """Writes every plate as 3MF, STL and picture, and report.json and report.html beside them.

    Args:
        packed: what :class:`vatwright.Pack` returned.
        setup: prints the plates, and says what they cost.
        folder: exists.
        before: reports of the passes that made the parts.

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
    report = Report(pass_="prepare", inner=[*before, packed.report, *estimates])
    reports.save(report, folder / "report.json")
    page = reports.to_html([report], title="Plates", pictures=pictures)
    reports.write_whole(folder / "report.html", page)
    return report
