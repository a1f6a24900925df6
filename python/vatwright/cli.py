"""The command ``vatwright``: thin, everything it does the package does.

Exit codes: 0 fine; 1 something cannot print as it is (a fault was found, or a file of several
failed); 2 wrong usage or unreadable input; 130 interrupted.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import vatwright as vw
from vatwright import report as reports
from vatwright.types import Progress

__all__ = ["main", "print_plates"]

FINE, FAULT, USAGE, INTERRUPTED = 0, 1, 2, 130


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs the command and returns its exit code."""
    options = _parser().parse_args(arguments)
    try:
        code: int = options.run(options)
        return code
    except KeyboardInterrupt:
        print("interrupted", file=sys.stderr)
        return INTERRUPTED
    except (vw.Error, OSError) as error:
        print(f"vatwright: {error}", file=sys.stderr)
        return USAGE


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="vatwright",
        description="Prepares models for bottom-up, masked-light resin printing.",
        epilog=(__doc__ or "").split("\n\n", 1)[1],
    )
    parser.add_argument("--version", action="version", version=f"vatwright {vw.__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    prepare = commands.add_parser("prepare", help="turn files into plates by a recipe")
    _add_input(prepare)
    prepare.add_argument("--out", type=Path, required=True, help="folder for plates and reports")
    prepare.add_argument("--recipe", type=Path, help="recipe, TOML or JSON (default: every pass)")
    prepare.set_defaults(run=_prepare)

    check = commands.add_parser("check", help="say what would fail, the files as they stand")
    _add_input(check)
    check.add_argument("--report", type=Path, help="also write the report, JSON or HTML")
    check.set_defaults(run=_check)

    show = commands.add_parser("show", help="show a report")
    show.add_argument("report", type=Path, help="a report.json")
    show.add_argument("--html", type=Path, help="write it as a page instead")
    show.set_defaults(run=_show)

    setup = commands.add_parser("setup", help="list the built-in setups, or print one as TOML")
    setup.add_argument("name", nargs="?", help="built-in setup or TOML file")
    setup.set_defaults(run=_setup)

    recipe = commands.add_parser("recipe", help="print a recipe with all its options as TOML")
    recipe.add_argument("file", nargs="?", type=Path, help="a recipe (default: every pass)")
    recipe.set_defaults(run=_recipe)

    explain = commands.add_parser("explain", help="say what a finding's or error's code means")
    explain.add_argument("code", nargs="?", help="the code (default: list them all)")
    explain.set_defaults(run=_explain)
    return parser


def _add_input(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("files", nargs="+", type=Path, help="STL, OBJ or 3MF")
    parser.add_argument("--setup", default="desk-50um", help="built-in setup or TOML file")
    parser.add_argument("--unit-mm", type=float, help="length of one unit of the files, mm")


def _prepare(options: argparse.Namespace) -> int:
    setup = vw.Setup.load(options.setup)
    recipe = vw.Recipe.load(options.recipe) if options.recipe else vw.Recipe()
    with _progress("run") as progress:
        run = vw.prepare(
            options.files,
            recipe,
            setup,
            out=options.out,
            unit_mm=options.unit_mm,
            progress=progress,
        )
    for outcome in run.batch.outcomes:
        if not outcome.ok:
            told = " → ".join(filter(None, (outcome.message, outcome.remedy)))
            print(f"vatwright: {outcome.source}: {told}", file=sys.stderr)
    if not any(outcome.ok for outcome in run.batch.outcomes):
        return USAGE
    print_plates(run.report)
    _print_findings(run.report)
    failed = any(not outcome.ok for outcome in run.batch.outcomes)
    return FAULT if failed or run.report.worst == "fault" else FINE


def _check(options: argparse.Namespace) -> int:
    setup = vw.Setup.load(options.setup)
    inner = []
    for file in options.files:
        mended = vw.repair(vw.Mesh.load(file, unit_mm=options.unit_mm))
        inner.append(mended.report)
        part = vw.Part(mended.value, name=file.stem)
        with _progress(file.name) as progress:
            inner.append(vw.Check().apply(part, setup, progress=progress).report)
    report = vw.Report(pass_="check", inner=inner)
    if options.report:
        reports.save(report, options.report)
    _print_findings(report)
    return FAULT if report.worst == "fault" else FINE


def _show(options: argparse.Namespace) -> int:
    report = reports.load(options.report)
    if options.html:
        reports.save(report, options.html)
    else:
        _print_numbers(report)
        _print_findings(report)
    return FAULT if report.worst == "fault" else FINE


def _setup(options: argparse.Namespace) -> int:
    if options.name is None:
        print("\n".join(vw.BUILT_IN))
    else:
        print(vw.Setup.load(options.name).to_toml(), end="")
    return FINE


def _recipe(options: argparse.Namespace) -> int:
    recipe = vw.Recipe.load(options.file) if options.file else vw.Recipe()
    print(recipe.to_toml(), end="")
    return FINE


def _explain(options: argparse.Namespace) -> int:
    if options.code is None:
        for kind, table in (("findings", vw.codes.FINDINGS), ("errors", vw.codes.ERRORS)):
            _print_table((kind, ""), [(c.code, c.meaning) for c in table.values()])
        return FINE
    try:
        print(vw.codes.explain(options.code))
    except KeyError as error:
        print(f"vatwright: {error.args[0]}", file=sys.stderr)
        return USAGE
    return FINE


def _print_findings(report: vw.Report) -> None:
    rows = reports.rows(report.all_findings())
    if rows:
        _print_table(("", "part", "kind", "layers", "measure", "what, and what to do"), rows)
    else:
        print("nothing found")


def _print_numbers(report: vw.Report, depth: int = 0) -> None:
    print("  " * depth + " · ".join(filter(None, (report.pass_, report.part))))
    for name, value in [*report.numbers.items(), *report.words.items()]:
        shown = value if isinstance(value, str) else f"{value:.6g}"
        print("  " * (depth + 1) + f"{name} = {shown}")
    for inner in report.inner:
        _print_numbers(inner, depth + 1)


def print_plates(report: vw.Report) -> None:
    """Prints what the plates of a report come to."""
    rows = [reports.plate_row(r) for r in report.inner if r.pass_ == "estimate"]
    _print_table([word.lower() for word in reports.PLATE_HEAD], rows)


def _print_table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    widths = [max(map(len, column)) for column in zip(head, *rows, strict=True)]
    for row in (head, *rows):
        print("  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip())


@contextmanager
def _progress(title: str) -> Iterator[Progress | None]:
    """A bar on standard error where that is a terminal and rich is installed."""
    if not sys.stderr.isatty():
        yield None
        return
    try:
        from rich.console import Console
        from rich.progress import Progress as Bar
    except ImportError:
        yield lambda stage, f: print(f"\r{f:4.0%} {stage[:70]:70}", end="", file=sys.stderr)
        print(file=sys.stderr)
        return
    with Bar(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(title, total=1.0)
        yield lambda stage, f: bar.update(task, completed=f, description=f"{title}: {stage}")
