"""The command ``vatwright``: thin, everything it does the package does.

Exit codes: 0 fine; 1 something cannot print as it is (a fault was found, or a file of several
failed); 2 wrong usage or unreadable input; 130 interrupted.
"""

from __future__ import annotations

import argparse
import glob
import signal
import sys
import threading
from collections.abc import Sequence
from pathlib import Path

import vatwright as vw
from vatwright import disk, plates, sizes, terminal
from vatwright import report as reports
from vatwright.calibrate import command as calibrate
from vatwright.errors import said
from vatwright.options import Options
from vatwright.output import files_of
from vatwright.types import Source

__all__ = ["expand", "main"]

FINE, FAULT, USAGE, INTERRUPTED = 0, 1, 2, 130


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs the command and returns its exit code."""
    options = _parser().parse_args(arguments)
    if threading.current_thread() is threading.main_thread():
        # What ends the command politely ends it as an interrupt does: nothing is lost.
        signal.signal(signal.SIGTERM, signal.default_int_handler)
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
    prepare.add_argument("--budget-s", type=float, help="most time for one file, s")
    prepare.add_argument("--memory-mb", type=float, help="most memory for one file, MB (Linux)")
    prepare.set_defaults(run=_prepare)

    check = commands.add_parser("check", help="say what would fail, the files as they stand")
    _add_input(check)
    check.add_argument("--report", type=Path, help="also write the report, JSON or HTML")
    check.set_defaults(run=_check)

    show = commands.add_parser("show", help="show a report")
    show.add_argument("report", type=Path, help="a report.json")
    show.add_argument("--html", type=Path, help="write it as a page instead")
    show.add_argument("--numbers", action="store_true", help="also every number of every pass")
    show.set_defaults(run=_show)

    picture = commands.add_parser("picture", help="draw a model as it stands, as PNG")
    picture.add_argument("file", type=Path, help="STL, OBJ or 3MF, or a finished part.cbor")
    picture.add_argument("to", type=Path, help="the PNG to write")
    picture.add_argument("--unit-mm", type=float, help="length of one unit of the file, mm")
    picture.add_argument("--azimuth-deg", type=float, default=300.0, help="where the eye stands")
    picture.add_argument("--elevation-deg", type=float, default=20.0, help="how high it stands")
    picture.add_argument("--size-px", type=int, default=640, help="longer side, pixels")
    picture.set_defaults(run=_picture)

    setup = commands.add_parser("setup", help="list the built-in setups, or print one as TOML")
    setup.add_argument("name", nargs="?", help="built-in setup or TOML file")
    setup.set_defaults(run=_setup)

    recipe = commands.add_parser("recipe", help="print a recipe with all its options as TOML")
    recipe.add_argument("file", nargs="?", type=Path, help="a recipe (default: every pass)")
    recipe.set_defaults(run=_recipe)

    calibrate.add_to(commands)

    explain = commands.add_parser("explain", help="say what a finding's or error's code means")
    explain.add_argument("code", nargs="?", help="the code (default: list them all)")
    explain.set_defaults(run=_explain)
    return parser


def _add_input(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("files", nargs="+", help="STL, OBJ or 3MF; folders and patterns of them")
    parser.add_argument("--setup", default="desk-50um", help="built-in setup or TOML file")
    parser.add_argument(
        "--unit",
        "--unit-mm",
        type=_unit,
        metavar="UNIT",
        help=f"unit of the files: {', '.join(sizes.UNITS)}, or its length in mm",
    )
    parser.add_argument("--scale", type=_scale, help="factor on the size: 0.5, or 1/87")
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="SECTION.OPTION=VALUE",
        help="change an option: of a step (hollow.wall_mm=1.8), of pack, estimate, read or "
        "repair (repair.hole_mm=4), of the setup (machine, resin, exposure, limits); may be "
        "repeated",
    )


def _unit(text: str) -> float:
    return sizes.UNITS[text] if text in sizes.UNITS else float(text)


def _scale(text: str) -> float:
    above, _, below = text.partition("/")
    try:
        return float(above) / float(below or 1.0)
    except ZeroDivisionError as error:
        raise ValueError(text) from error


def _options(options: argparse.Namespace, recipe: vw.Recipe) -> Options:
    """What the flags come to; ``--set`` has the last word."""
    chosen = Options(recipe, vw.Setup.load(options.setup))
    if options.unit is not None:
        chosen.reading["unit_mm"] = options.unit
    if options.scale is not None:
        chosen.reading["scale"] = options.scale
    chosen.set(options.set)
    return chosen


def expand(words: Sequence[str]) -> list[str]:
    """The files that words name: files, folders of models, and patterns; each once."""
    found: dict[Path, str] = {}
    for word in words:
        path = Path(word)
        if path.is_dir():
            made = files_of(path)
            inside = [p for p in sorted(path.iterdir()) if p.name not in made]
            names = [str(p) for p in inside if p.suffix.lower() in {".stl", ".obj", ".3mf"}]
            if not names:
                raise vw.MissingFileError(2, "no STL, OBJ or 3MF is in this folder", word)
        elif path.exists() or not glob.has_magic(word):
            names = [word]
        else:
            names = sorted(glob.glob(word, recursive=True))  # noqa: PTH207 (it may be absolute)
            if not names:
                raise vw.MissingFileError(2, "no file is named like this", word)
        for name in names:
            found.setdefault(Path(name).resolve(), name)
    return list(found.values())


def _prepare(options: argparse.Namespace) -> int:
    recipe = vw.Recipe.load(options.recipe) if options.recipe else vw.Recipe()
    chosen = _options(options, recipe)
    files = expand(options.files)
    reading = dict(chosen.reading)
    reached = ""

    with terminal.progress() as progress:

        def note(stage: str, fraction: float) -> None:
            nonlocal reached
            reached = stage
            if progress is not None:
                progress(stage, fraction)

        try:
            run = vw.prepare(
                files,
                chosen.recipe,
                chosen.setup,
                out=options.out,
                pack=chosen.pack,
                estimate=chosen.estimate,
                unit_mm=reading.pop("unit_mm", None),
                scale=reading.pop("scale", 1.0),
                reading=reading,
                mending=chosen.mending,
                budget_s=options.budget_s,
                memory_mb=options.memory_mb,
                progress=note,
            )
        except KeyboardInterrupt:
            at = f" after {reached}" if reached else ""
            terminal.warn(f"interrupted{at}; what is finished is kept in {options.out}")
            terminal.warn("run the same command again to go on from there")
            return INTERRUPTED
    again = [o for o in run.batch.outcomes if o.ok and o.message]
    for outcome in again:
        terminal.warn(f"{outcome.source}: {outcome.message}")
    page = options.out / "index.html"
    terminal.show(run.report, closing=[f"plates and report: {options.out}", f"page: {page}"])
    fates = [source["fate"] for source in run.report.sources]
    if all(fate == "failed" for fate in fates):
        terminal.warn("none of the files could be used")
        return USAGE
    return FAULT if "failed" in fates or run.report.worst == "fault" else FINE


def _check(options: argparse.Namespace) -> int:
    chosen = _options(options, vw.Recipe([vw.Check()]))
    reading = sizes.Reading(**chosen.reading)
    inner, bad = [], []
    files = expand(options.files)
    names = disk.unique_names(Path(file).stem for file in files)
    with terminal.progress() as progress:
        for i, (file, name) in enumerate(zip(files, names, strict=True)):

            def note(stage: str, fraction: float, i: int = i, name: str = name) -> None:
                if progress is not None:
                    progress(f"{name}: {stage}", (i + fraction) / len(files))

            try:
                mended = vw.repair(reading.load(file), **chosen.mending)
                part = vw.Part(mended.value, name=name)
                done = chosen.recipe.apply(part, chosen.setup, progress=note)
            except (vw.Error, OSError) as error:
                bad.append(_source(file, name, error))
            else:
                inner += [mended.report, done.report]
    report = vw.Report(pass_="check", inner=inner, sources=bad)
    if options.report:
        reports.save(report, options.report)
    terminal.show(report)
    if not inner:
        terminal.warn("none of the files could be used")
        return USAGE
    return FAULT if bad or report.worst == "fault" else FINE


def _source(file: str, name: str, error: BaseException) -> Source:
    code, message, remedy = said(error)
    return Source(
        path=disk.shown(file),
        name=name,
        fate="failed",
        plates=[],
        code=code,
        message=message,
        remedy=remedy,
    )


def _show(options: argparse.Namespace) -> int:
    report = reports.load(options.report)
    if options.html:
        reports.save(report, options.html, pictures=plates.drawings(report, options.report.parent))
    else:
        if options.numbers:
            _print_numbers(report)
        terminal.show(report)
    return FAULT if report.worst == "fault" else FINE


def _picture(options: argparse.Namespace) -> int:
    if options.file.suffix.lower() == ".cbor":
        part = vw.Part.from_bytes(options.file.read_bytes())
    else:
        part = vw.Part(vw.repair(vw.Mesh.load(options.file, unit_mm=options.unit_mm)).value)
    view = ("azimuth_deg", "elevation_deg", "size_px")
    drawn = part.picture(**{name: getattr(options, name) for name in view})
    disk.write_whole(options.to, drawn)
    return FINE


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
            terminal.list_words(kind, {c.code: c.meaning for c in table.values()})
        return FINE
    try:
        print(vw.codes.explain(options.code))
    except KeyError as error:
        terminal.warn(error.args[0])
        return USAGE
    return FINE


def _print_numbers(report: vw.Report, depth: int = 0) -> None:
    print("  " * depth + " · ".join(filter(None, (report.pass_, report.part))))
    for name, value in [*report.numbers.items(), *report.words.items()]:
        shown = value if isinstance(value, str) else f"{value:.6g}"
        print("  " * (depth + 1) + f"{name} = {shown}")
    for inner in report.inner:
        _print_numbers(inner, depth + 1)
