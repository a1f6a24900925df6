"""Finished work on disk: a folder a part, sealed with a digest of every file in it.

What is found again is believed only when every digest holds. What is damaged is made again and
the damaged folder moved aside; what is not ours is never touched.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
from dataclasses import asdict, dataclass, replace
from pathlib import Path as FilePath
from typing import Any, Literal

from vatwright import disk
from vatwright.errors import FileError, FormatError

__all__ = [
    "PART",
    "REPORT",
    "Outcome",
    "find",
    "move_aside",
    "read",
    "refuse_strangers",
    "seal",
    "strangers",
]

PART = "part.cbor"
REPORT = "report.json"
_OUTCOME = "outcome.json"
_OURS = {PART, REPORT, _OUTCOME, "part.3mf", "part.stl"}
SUPERSEDED = "superseded"
WORK = ".vatwright-work-"
"""Begins the names of folders in which work is being made."""
SPENT = ".vatwright-spent-"
"""Begins the names of files that say why a worker ended itself."""


@dataclass(frozen=True)
class Outcome:
    """What became of one file."""

    source: str
    """The file, as it was given."""
    status: Literal["done", "kept", "failed"]
    """Worked on now, found finished from an earlier run, or without a result."""
    name: str = ""
    """Name of the part, as findings and plates use it."""
    folder: str = ""
    """Folder of the result, relative to the output folder; empty when failed."""
    seconds: float = 0.0
    """Time the work took, in whichever run did it."""
    worst: str = ""
    """Gravest severity found: note, warning, fault, or nothing."""
    findings: int = 0
    """Number of findings."""
    code: str = ""
    """Stable code of the error, when failed."""
    message: str = ""
    """What went wrong, when failed; why kept work was made again, when it was."""
    remedy: str = ""
    """What to do about it, when failed."""

    @property
    def ok(self) -> bool:
        """Whether there is a result."""
        return self.status != "failed"


def seal(folder: FilePath, key: str, outcome: Outcome) -> None:
    """Writes the outcome of the work in a folder, with a digest of every file there."""
    files = {path.name: disk.digest(path) for path in sorted(folder.iterdir())}
    kept = {"format": 1, "key": key, "outcome": asdict(outcome), "files": files}
    text = json.dumps({**kept, "digest": _digest(kept)}, indent=1)
    disk.write_whole(folder / _OUTCOME, text)


def find(folder: FilePath, key: str) -> tuple[Outcome | None, str]:
    """The kept outcome of the work of this key, or else what is wrong with what is there.

    Both are empty where there is nothing.
    """
    if not os.path.lexists(folder):
        return None, ""
    try:
        kept = _kept(folder)
        if kept["key"] != key:
            return None, f"{_OUTCOME} is of other work"
        for name in kept["files"]:
            read(folder, name, kept)
        return replace(Outcome(**kept["outcome"]), status="kept", message=""), ""
    except FormatError as error:
        return None, str(error)
    except (OSError, TypeError, KeyError) as error:
        return None, f"{_OUTCOME} cannot be used: {error}"


def read(folder: FilePath, name: str, kept: dict[str, Any] | None = None) -> bytes:
    """A file of finished work, if it is still as it was written.

    Raises:
        FormatError: it is missing or was changed.
    """
    path = folder / name
    expected = (kept or _kept(folder))["files"].get(name)
    try:
        bytes_ = b"" if path.is_symlink() else path.read_bytes()
    except OSError:
        bytes_ = b""
    if hashlib.sha256(bytes_).hexdigest() != expected:
        raise FormatError(f"{path}: it is missing or not as it was written; run the batch again")
    return bytes_


def refuse_strangers(folder: FilePath) -> None:
    """Makes sure that a folder may be moved aside: nothing of somebody else's is in it.

    Raises:
        FileError: it is a link or a file, or holds something that this package never writes.
    """
    if not os.path.lexists(folder):
        return
    if folder.is_symlink() or not folder.is_dir():
        what = "a link" if folder.is_symlink() else "a file"
        problem = f"the folder of the result is to be here, but it is {what}"
    else:
        others = strangers(folder)
        if not others:
            return
        problem = f"the result is damaged, and '{others[0]}' in its folder is not ours"
    error = FileError(errno.EEXIST, problem, str(folder))
    error.remedy = "move it elsewhere and run again"
    raise error


def strangers(folder: FilePath) -> list[str]:
    """Names in a folder of finished work that this package never writes."""
    return sorted(path.name for path in folder.iterdir() if path.name not in _OURS)


def move_aside(path: FilePath, goal: FilePath) -> FilePath:
    """Moves a file or folder to a place of that name, or the next free number of it."""
    goal.parent.mkdir(parents=True, exist_ok=True)
    free, number = goal, 1
    while os.path.lexists(free):
        number += 1
        free = goal.with_name(f"{goal.stem} {number}{goal.suffix}")
    path.rename(free)
    disk.sync_folder(free.parent)
    disk.sync_folder(path.parent)
    return free


def _kept(folder: FilePath) -> dict[str, Any]:
    path = folder / _OUTCOME
    try:
        kept: dict[str, Any] = json.loads(path.read_bytes())
        whole = kept.pop("digest", None) == _digest(kept)
    except (ValueError, RecursionError, AttributeError):
        whole = False
    if not whole or kept.get("format") != 1:
        raise FormatError(f"{path}: it is damaged, or of an earlier version; run the batch again")
    return kept


def _digest(kept: dict[str, Any]) -> str:
    return hashlib.sha256(json.dumps(kept, sort_keys=True).encode()).hexdigest()
