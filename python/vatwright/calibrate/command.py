"""``vatwright calibrate``: the kit into a folder, and constants out of a filled form."""

from __future__ import annotations

import argparse
from pathlib import Path as FilePath
from typing import TYPE_CHECKING

from vatwright import disk, terminal
from vatwright._core import Setup
from vatwright.calibrate import form, kit, sheet
from vatwright.calibrate.evaluate import evaluate
from vatwright.calibrate.log import read_log
from vatwright.calibrate.result import Fit
from vatwright.errors import LimitError

if TYPE_CHECKING:
    from argparse import _SubParsersAction

__all__ = ["add_to", "write_kit"]

FORM, SHEET, SETUP = "form.toml", "sheet.html", "setup.toml"
_MOST_BYTES = 1 << 20


def add_to(commands: _SubParsersAction[argparse.ArgumentParser]) -> None:
    """Adds the command to those of ``vatwright``."""
    parser = commands.add_parser("calibrate", help="measure your own machine and resin")
    verbs = parser.add_subparsers(required=True, metavar="VERB")

    make = verbs.add_parser("kit", help="write the prints, the sheet and the form of an evening")
    make.add_argument("--setup", default="desk-50um", help="built-in setup or TOML file")
    make.add_argument(
        "--out", type=FilePath, required=True, help="folder, made where there is none"
    )
    make.set_defaults(run=_kit)

    fit = verbs.add_parser("fit", help="a filled form, and a log of forces, to a setup")
    fit.add_argument("form", type=FilePath, help="the filled form.toml")
    fit.add_argument("--log", type=FilePath, help="CSV of the tower's forces")
    fit.add_argument("--setup", help="what was printed with (default: setup.toml beside the form)")
    fit.add_argument("--out", type=FilePath, help="the setup to write, TOML")
    fit.set_defaults(run=_fit)


def write_kit(setup: Setup, folder: FilePath) -> list[FilePath]:
    """Writes plates, pieces, sheet, form and setup; a form that is there is kept.

    Returns:
        What was written.

    Raises:
        OSError: the folder cannot be made or written.
        PassError: a piece is larger than the plate.
    """
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for piece in kit.PIECES:
        written.append(folder / f"{piece.name}.stl")
        piece.make(setup).mesh.save(written[-1])
    rest = 0
    for alone, plate in kit.plates(setup):
        rest += alone is None
        written.append(folder / f"plate {alone.name if alone else rest}.3mf")
        plate.save(written[-1])
    texts = {SHEET: sheet.to_html(setup), SETUP: setup.to_toml(), FORM: form.write(setup)}
    for name, text in texts.items():
        path = folder / name
        if name == FORM and path.exists():
            terminal.warn(f"{path} is there, and is kept as it stands")
            continue
        disk.write_whole(path, text)
        written.append(path)
    return written


def _kit(options: argparse.Namespace) -> int:
    for path in write_kit(Setup.load(options.setup), options.out):
        print(path)
    print(f"print {SHEET}, fill in {FORM}, then: vatwright calibrate fit {options.out / FORM}")
    return 0


def _fit(options: argparse.Namespace) -> int:
    path: FilePath = options.form
    if path.stat().st_size > _MOST_BYTES:
        raise LimitError(f"{path}: larger than any form; give the form.toml of the kit")
    setup = Setup.load(options.setup or path.with_name(SETUP))
    log = read_log(options.log, setup) if options.log else None
    filled = form.read(path.read_text(encoding="utf-8", errors="replace"), place=str(path))
    found = evaluate(filled, setup, log=log)
    for line in lines(found):
        print(line)
    if not found.constants:
        return 2
    if options.out:
        disk.write_whole(options.out, found.setup(setup).to_toml())
        print(f"setup: {options.out}")
    return 0


def lines(found: Fit) -> list[str]:
    """A fit as lines: constants, then doubts, then what stays unknown and how to learn it."""
    room = max((len(c.name) for c in found.constants), default=0)
    out = [
        f"{c.name:{room}}  {c.value:.4g}  [{c.low:.4g}, {c.high:.4g}]  {c.note}"
        if c.low < c.high
        else f"{c.name:{room}}  {c.value:.4g}  {c.note}"
        for c in found.constants
    ]
    out += [f"in doubt: {d.row}: {d.message} → {d.remedy}" for d in found.doubts]
    out += [f"unknown: {m.name}: {m.why} → {m.remedy}" for m in found.missing]
    return out + [f"note: {note}" for note in found.notes]
