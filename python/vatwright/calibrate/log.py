"""Logs of force: peaks of layers from a CSV file of time and force, or of one row a layer."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path as FilePath

import numpy as np

from vatwright._core import Setup
from vatwright.calibrate import kit
from vatwright.calibrate.bodies import Floats
from vatwright.errors import FormatError, LimitError
from vatwright.types import Path
from vatwright.words import clean

__all__ = ["Log", "peaks", "read_log"]

_COLUMNS = ("time_s", "layer", "force_n", "area_mm2", "speed_mm_s", "shape")
_MOST_BYTES = 256 << 20
# A peak stands so many scatters of the idle signal above it.
_ABOVE = 8.0


@dataclass(frozen=True)
class Log:
    """Peak force of layers, and what pulled; shape (n,) each."""

    force_n: Floats
    area_mm2: Floats
    speed_mm_s: Floats
    shape: Floats
    order: Floats
    names: Sequence[str]


def peaks(time_s: Floats, force_n: Floats) -> tuple[Floats, Floats]:
    """Time and height of the peaks in a signal, above the idle force around each.

    The idle force is the median of blocks that hold many samples, and is taken off first, so
    that a scale whose zero creeps does no harm. Between two peaks the force comes back to idle.

    Args:
        time_s: rising, shape (n,).
        force_n: pull positive, shape (n,).
    """
    blocks = np.array_split(np.arange(len(time_s)), max(len(time_s) // 400, 1))
    middle = [float(time_s[b].mean()) for b in blocks]
    force = force_n - np.interp(time_s, middle, [float(np.median(force_n[b])) for b in blocks])
    idle = 1.4826 * float(np.median(np.abs(force)))
    # Where the idle signal is quieter than the log can show, its last digit is the least.
    steps = np.diff(np.unique(force_n))
    least = _ABOVE * max(idle, float(steps.min()) if len(steps) else 0.0)
    above = force > least
    edges = np.flatnonzero(np.diff(np.concatenate([[False], above, [False]]).astype(np.int8)))
    spans = edges.reshape(-1, 2)
    at = np.array([a + int(np.argmax(force[a:b])) for a, b in spans], dtype=int)
    return time_s[at], force[at]


def read_log(path: Path, setup: Setup) -> Log:
    """The log of the tower, or of any print whose rows say their own area and speed.

    The first line names the columns. A file with ``time_s`` and ``force_n`` alone is a signal,
    and must show a peak for every layer of the tower; a file with ``layer`` and ``force_n`` has
    a row a layer, counted from 0. ``area_mm2``, ``speed_mm_s`` and ``shape`` are the tower's, as
    the sheet has them, where they are left out.

    Raises:
        FormatError: the columns or numbers cannot be read, or peaks and layers do not match.
        LimitError: the file is larger than any log.
        OSError: it cannot be read.
    """
    columns = _table(FilePath(path))
    if "layer" not in columns and "area_mm2" not in columns:
        return _signal(path, columns, setup)
    force = columns["force_n"]
    layer = columns.get("layer", np.arange(len(force), dtype=float))
    if "area_mm2" in columns:
        area, counts = columns["area_mm2"], np.ones(len(force))
        speed = columns.get("speed_mm_s", np.full(len(force), setup.machine.lift_speed_mm_s))
    else:
        areas, speeds, weights = kit.tower_rows(setup)
        strange = layer[(layer < 0.0) | (layer >= len(areas))]
        if len(strange):
            raise FormatError(
                f"{path}: layer {strange[0]:g} of a tower of {len(areas)} layers, the first of "
                "which is 0; was another layer height printed? Give --setup, or a column area_mm2"
            )
        index = layer.astype(int)
        area, counts = areas[index], weights[index]
        speed = columns.get("speed_mm_s", speeds[index])
    shape = columns.get("shape", np.ones(len(force)))
    return _counted(Log(force, area, speed, shape, layer, ()), counts)


def _signal(path: Path, columns: dict[str, Floats], setup: Setup) -> Log:
    if "time_s" not in columns:
        raise FormatError(f"{path}: neither time_s nor layer; name the columns in the first line")
    rising = np.argsort(columns["time_s"], kind="stable")
    _, force = peaks(columns["time_s"][rising], columns["force_n"][rising])
    area, speed, counts = kit.tower_rows(setup)
    if len(force) != len(area):
        raise FormatError(
            f"{path}: {len(force)} peaks, and the tower has {len(area)} layers of "
            f"{setup.exposure.layer_mm:g} mm; cut the log to the print, or write one row a layer "
            "with the columns layer and force_n"
        )
    order = np.arange(len(force), dtype=float)
    return _counted(Log(force, area, speed, np.ones(len(force)), order, ()), counts)


def _counted(log: Log, counts: Floats) -> Log:
    """The layers that count, with their names."""
    used = counts > 0.0
    return Log(
        log.force_n[used],
        log.area_mm2[used],
        log.speed_mm_s[used],
        log.shape[used],
        log.order[used],
        [f"layer {k:g}" for k in log.order[used]],
    )


def _table(path: FilePath) -> dict[str, Floats]:
    if path.stat().st_size > _MOST_BYTES:
        raise LimitError(
            f"{path}: larger than {_MOST_BYTES >> 20} MiB; cut the log to the print, or log fewer "
            "samples"
        )
    with path.open(newline="", encoding="utf-8-sig", errors="replace") as file:
        head = file.readline()
        mark = max(";\t,", key=head.count)
        names = [word.strip().strip('"').lower() for word in head.split(mark)]
        kept = [i for i, name in enumerate(names) if name in _COLUMNS]
        if "force_n" not in names:
            raise FormatError(
                f"{path}, line 1: no column force_n; the first line names the columns, of "
                f"{', '.join(_COLUMNS)}"
            )
        rows, reader = [], csv.reader(file, delimiter=mark)
        try:
            # Where fields end by other marks a comma is a decimal one.
            for row in filter(None, reader):
                told = row if mark == "," else [field.replace(",", ".") for field in row]
                rows.append([float(told[i]) for i in kept])
        except (ValueError, IndexError, csv.Error) as error:
            raise FormatError(f"{path}, line {reader.line_num + 1}: {clean(str(error))}") from error
    if not rows:
        raise FormatError(f"{path}: no rows below the names of the columns")
    table = np.array(rows, dtype=float).reshape(-1, len(kept))
    if not np.isfinite(table).all():
        raise FormatError(f"{path}: not all of it are numbers; leave out the lines that are none")
    return {names[i]: table[:, column] for column, i in enumerate(kept)}
