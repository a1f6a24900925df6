"""The shapes of what users hand in: passes of their own, progress callbacks, recipes."""

from __future__ import annotations

from collections.abc import Callable
from os import PathLike
from typing import TYPE_CHECKING, Any, Literal, Protocol, TypeAlias

import numpy.typing as npt

if TYPE_CHECKING:
    from vatwright._core import Done, Part, Setup

__all__ = [
    "OrientGoal",
    "PackGoal",
    "PartPass",
    "Path",
    "Progress",
    "RaftStyle",
    "Role",
    "Severity",
    "Table",
]

Path: TypeAlias = str | PathLike[str]
Progress: TypeAlias = Callable[[str, float], object]
"""Called with the stage and the fraction done; an exception in it stops the work."""

OrientGoal: TypeAlias = Literal[
    "time", "peel", "cups", "marks", "clean_contact", "clean_steps", "steps", "flats"
]
PackGoal: TypeAlias = Literal["total_time", "finish_time"]
RaftStyle: TypeAlias = Literal["pad", "net", "feet", "none"]
Role: TypeAlias = Literal["body", "lattice", "support", "raft"]
Severity: TypeAlias = Literal["note", "warning", "fault"]


Table: TypeAlias = dict[str, npt.NDArray[Any]]
"""Columns by name, a numpy array each; what a data frame is made from."""


class PartPass(Protocol):
    """A pass over parts, built in or of one's own, that may sit in a recipe."""

    @property
    def name(self) -> str:
        """Word used in reports."""

    def apply(self, part: Part, setup: Setup, /) -> Done[Part] | Part:
        """Does the work; a bare part is an answer with an empty report."""
