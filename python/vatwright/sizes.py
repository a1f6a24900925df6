"""What a file's size says before any work is done: its unit, and whether it can fit at all."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path as FilePath

import numpy as np
import numpy.typing as npt

from vatwright._core import Mesh, Setup
from vatwright.errors import LimitError, OptionError
from vatwright.types import Path

__all__ = ["UNITS", "Reading", "refuse_misfit"]

UNITS = {"um": 1e-3, "mm": 1.0, "cm": 10.0, "in": 25.4, "ft": 304.8, "m": 1000.0}
"""Lengths of units in mm, by the word for ``--unit``; those of ISO/IEC 25422 (3MF)."""
_SPOKEN = {"um": "micrometres", "cm": "centimetres", "in": "inches", "ft": "feet", "m": "metres"}
SMALLEST_MM = 3.0
"""Nothing shorter than this over all is worth a plate (common practice, no source)."""
LARGEST_MM = 1000.0
"""Nothing longer than this over all fits any plate of the kind (common practice, no source)."""
_WANTED_MM = (10.0, 300.0)  # where the size of a guess should lie
_USUAL_MM = 32.0  # and how near it is to a usual figure's makes it likely


@dataclass(frozen=True)
class Reading:
    """How files are read."""

    unit_mm: float | None = None
    """Length of a unit, mm. None: what the file says, else 1 mm if that makes sense."""
    scale: float = 1.0
    """Factor on the size."""
    weld_mm: float = 0.0
    """Vertices closer than this become one, mm."""
    max_bytes: int | None = None
    """Most bytes to read; 2 GiB where not given."""

    def load(self, path: Path) -> Mesh:
        """Reads a mesh.

        Raises:
            Error: as :meth:`vatwright.Mesh.load`.
            OptionError: no unit was given or is in the file, and the size makes no sense in mm.
        """
        if not (0.0 < self.scale < float("inf")):
            raise OptionError(f"read.scale = {self.scale} is outside 0..inf")
        mesh = Mesh.load(path, unit_mm=self.unit_mm, weld_mm=self.weld_mm, max_bytes=self.max_bytes)
        if self.scale != 1.0:
            mesh = mesh.scaled(self.scale)
        if self.unit_mm is None and not _says_its_unit(path):
            _refuse_unlikely(mesh, path)
        return mesh


def _says_its_unit(path: Path) -> bool:
    """3MF does; it is a package, and a zip file begins so."""
    with FilePath(path).open("rb") as file:
        return file.read(4) == b"PK\x03\x04"


def _refuse_unlikely(mesh: Mesh, path: Path) -> None:
    low, high = mesh.bounds
    size = max(h - w for w, h in zip(low, high, strict=True))
    if SMALLEST_MM <= size <= LARGEST_MM or size <= 0.0:
        return
    least, most = _WANTED_MM
    guesses = [
        (word, size * UNITS[word]) for word in _SPOKEN if least <= size * UNITS[word] <= most
    ]
    guesses.sort(key=lambda guess: abs(np.log(guess[1] / _USUAL_MM)))
    told = ", ".join(f"{mm:.3g} mm if its unit is {_SPOKEN[word]}" for word, mm in guesses)
    word = guesses[0][0] if guesses else "mm"
    remedy = f"give the unit with --unit {word} (unit_mm={UNITS[word]:g})"
    if word != "mm":
        remedy += ", or --unit mm (unit_mm=1) if it is meant so"
    else:
        remedy += " if it is meant so"
    remedy += f", or resize it with --scale, say {_round(50.0 / size):g}"
    what = f"it measures {size:.3g} mm over all if its unit is mm"
    error = OptionError(f"{path}: {what}{', ' if told else ''}{told}; {remedy}")
    error.remedy = remedy
    raise error


def _round(factor: float) -> float:
    """A factor with one digit."""
    return float(f"{factor:.0e}")


# Directions for the widths: spacing on the sphere in degrees, and so how far any direction is
# from the nearest one at most (half the diagonal of a cell).
_STEP_DEG = 4.0
_APART_RAD = float(np.radians(_STEP_DEG)) * 0.75


def _directions() -> npt.NDArray[np.float64]:
    """Directions of the upper half sphere, none farther than ``_APART_RAD`` from any other."""
    rows = []
    for tilt in np.arange(0.0, 90.0 + _STEP_DEG / 2, _STEP_DEG):
        count = max(1, int(np.ceil(360.0 * np.sin(np.radians(tilt)) / _STEP_DEG)))
        turn = np.arange(count) * (2.0 * np.pi / count)
        s, c = np.sin(np.radians(tilt)), np.cos(np.radians(tilt))
        rows.append(np.column_stack([s * np.cos(turn), s * np.sin(turn), np.full(count, c)]))
    return np.vstack(rows)


def refuse_misfit(mesh: Mesh, setup: Setup, place: Path) -> None:
    """Refuses a part that the machine cannot hold however it is turned, before any work on it.

    Its width along three directions at right angles must not exceed the machine's three lengths.
    Widths are measured along directions a few degrees apart and allowed to be as much smaller in
    between as the part's length permits, so what is refused surely does not fit; what passes may
    still not.

    Raises:
        LimitError: it cannot fit.
    """
    m = setup.machine
    room = sorted((m.width_mm, m.depth_mm, m.height_mm))
    points = mesh.vertices
    extents = sorted(np.ptp(points, axis=0))
    if all(e <= r for e, r in zip(extents, room, strict=True)):
        return
    directions = _directions()
    low = np.full(len(directions), np.inf)
    high = -low
    for some in np.array_split(points, max(1, len(points) // 4096)):
        along = some @ directions.T
        np.minimum(low, along.min(axis=0), out=low)
        np.maximum(high, along.max(axis=0), out=high)
    widths = high - low
    if widths.max() <= np.linalg.norm(room) and _may_hold(room, directions, widths):
        return
    thinnest, longest = widths.min(), widths.max()
    remedy = "scale it with --scale, cut it, or take a setup with a larger machine"
    lengths = " × ".join(f"{length:g}" for length in (m.width_mm, m.depth_mm, m.height_mm))
    error = LimitError(
        f"{place}: it is {longest:.1f} mm long and {thinnest:.1f} mm thick at least; the machine's "
        f"{lengths} mm cannot hold it however it is turned; {remedy}"
    )
    error.remedy = remedy
    raise error


def _may_hold(
    room: list[float], directions: npt.NDArray[np.float64], widths: npt.NDArray[np.float64]
) -> bool:
    """Whether three directions nearly at right angles have widths that nearly fit the room."""
    # A width changes by at most the diameter times the change of the direction; and the diameter
    # is little more than the greatest width.
    slack = widths.max() / np.cos(_APART_RAD) * 2.0 * np.sin(_APART_RAD / 2.0)
    crooked = np.sin(2.0 * _APART_RAD)
    narrow = [directions[widths <= length + slack] for length in room]
    for first in narrow[0]:
        second = narrow[1][np.abs(narrow[1] @ first) <= crooked]
        third = narrow[2][np.abs(narrow[2] @ first) <= crooked]
        if (np.abs(second @ third.T) <= crooked).any():
            return True
    return False
