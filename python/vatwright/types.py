"""The shapes of what users hand in: passes of their own, progress callbacks, recipes."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from os import PathLike
from typing import TYPE_CHECKING, Any, Literal, Protocol, TypeAlias, TypedDict

import numpy.typing as npt

if TYPE_CHECKING:
    from vatwright._core import Done, Part, Setup

__all__ = [
    "HoleFill",
    "OrientGoal",
    "PackGoal",
    "PartPass",
    "Path",
    "PlugBar",
    "PlugPlace",
    "Progress",
    "RaftStyle",
    "RepairStrength",
    "Role",
    "Severity",
    "Source",
    "Table",
    "Up",
]

Path: TypeAlias = str | PathLike[str]
Progress: TypeAlias = Callable[[str, float], object]
"""Called with the stage and the fraction done; an exception in it stops the work."""

OrientGoal: TypeAlias = Literal[
    "time", "peel", "cups", "marks", "clean_contact", "clean_steps", "steps", "flats"
]
Up: TypeAlias = Literal["auto", "unknown", "x", "y", "z"] | Mapping[str, Sequence[float]]
"""What is up in a model; `{"along": (0, 1, 1)}` names any direction."""
PlugPlace: TypeAlias = Literal["beside", "apart", "none"]
PackGoal: TypeAlias = Literal["total_time", "finish_time"]
HoleFill: TypeAlias = Literal["small", "planar", "all"]
RepairStrength: TypeAlias = Literal["mend", "fill", "rebuild"]
RaftStyle: TypeAlias = Literal["solid", "net", "feet", "none"]
Role: TypeAlias = Literal["body", "lattice", "support", "raft"]
Severity: TypeAlias = Literal["note", "warning", "fault"]


Table: TypeAlias = dict[str, npt.NDArray[Any]]
"""Columns by name, a numpy array each; what a data frame is made from."""


class PlugBar(TypedDict):
    """What a bar carries that holds stoppers while they print."""

    part: str
    """Name of the part whose holes they close."""
    plugs: Sequence[str]
    """Their names, in the order of the numbers on the bar."""


class Source(TypedDict):
    """A file that a run was given, and what became of it."""

    path: str
    """The file, as it was given."""
    name: str
    """Name of the part made of it, as findings and plates use it."""
    fate: Literal["printed", "failed", "left out"]
    """On a plate; without a part; a part on no plate."""
    plates: Sequence[str]
    """Names of the plates it is on."""
    code: str
    """Stable word for the reason when it is on no plate: an error's or a finding's code."""
    message: str
    """What went wrong, or what to know of the file all the same."""
    remedy: str
    """What to do about it."""


class PartPass(Protocol):
    """A pass over parts, built in or of one's own, that may sit in a recipe."""

    @property
    def name(self) -> str:
        """Word used in reports."""

    def apply(self, part: Part, setup: Setup, /) -> Done[Part] | Part:
        """Does the work; a bare part is an answer with an empty report."""
