"""The output folder of a run: one run at a time, and nothing of an earlier run left to be printed.

``manifest.json`` lists the files that belong to the latest run, with digests. A run puts its
files in place of them; what it supersedes moves to ``superseded`` under the number of that run,
and so does whatever else stands where a new file must go. Nothing is deleted or overwritten.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path as FilePath
from pathlib import PurePosixPath
from typing import IO

from vatwright import disk, keep
from vatwright._core import VERSION
from vatwright.types import Progress

__all__ = ["Output", "files_of"]

_MANIFEST = "manifest.json"
_MADE_BY = "vatwright"
_LOCK = ".vatwright-lock"
_PLATE_FILES = ("plate *.3mf", "plate *.stl", "plate *.svg")

_held = threading.local()


class Output:
    """An output folder, held by this thread."""

    def __init__(self, folder: FilePath) -> None:
        """Not to be called: see :meth:`held`."""
        self.folder = folder
        self._aside: FilePath | None = None

    @classmethod
    @contextmanager
    def held(cls, folder: FilePath, progress: Progress | None = None) -> Iterator[Output]:
        """Holds a folder, made where there is none; waits while another run holds it.

        A run within a run, in the same thread, shares what the outer one holds.

        Raises:
            OSError: the folder cannot be made or written.
        """
        folder.mkdir(parents=True, exist_ok=True)
        known: dict[FilePath, Output] = _held.__dict__.setdefault("outputs", {})
        place = folder.resolve()
        if place in known:
            yield known[place]
            return
        with (folder / _LOCK).open("a+b") as file:
            waiting = False
            while not _locked(file):
                if progress is not None and not waiting:
                    progress(f"waiting for another run in {folder}", 0.0)
                waiting = True
                time.sleep(0.1)
            known[place] = cls(folder)
            try:
                yield known[place]
            finally:
                del known[place]

    def clear_leftovers(self) -> None:
        """Prepares the store of parts and removes what killed runs left half made."""
        parts = self.folder / "parts"
        parts.mkdir(exist_ok=True)
        for folder in (self.folder, parts):
            for left in folder.glob(f"{keep.WORK}*"):
                shutil.rmtree(left, ignore_errors=True)
        notes = (f"{keep.SPENT}*", f".{keep.SPENT}*.new", f"../.{_MANIFEST}.*.new")
        for left in (path for pattern in notes for path in parts.glob(pattern)):
            left.unlink()

    def keep_parts(self, names: set[str]) -> None:
        """Moves finished parts aside that are not among the named ones.

        A folder in which somebody else put something stays.
        """
        for part in sorted((self.folder / "parts").iterdir()):
            ours = not part.is_symlink() and (part / "outcome.json").is_file()
            if ours and part.name not in names and not keep.strangers(part):
                keep.move_aside(part, self.folder / keep.SUPERSEDED / "parts" / part.name)

    @contextmanager
    def replacing(self, group: str, *, over: bool = False) -> Iterator[FilePath]:
        """A folder for the new files of a group; they take the place of the old at the end.

        When the block fails, everything stays as it was. Whatever ends the work later, old and
        new files are never left side by side: the old go first.

        Args:
            group: word for what the files are; other groups are not touched.
            over: whether files of this group are of no worth once there are newer ones.
        """
        made = FilePath(tempfile.mkdtemp(prefix=keep.WORK, dir=self.folder))
        try:
            yield made
            self._replace(group, made, over)
        finally:
            shutil.rmtree(made, ignore_errors=True)

    def _replace(self, group: str, made: FilePath, over: bool) -> None:
        new = {}
        for path in sorted(made.rglob("*")):
            if path.is_file():
                disk.sync_file(path)
                new[path.relative_to(made).as_posix()] = disk.digest(path)
        groups = _manifest(self.folder)
        if groups is None:
            # Damaged, somebody else's, or none: plates of an earlier version go by their names.
            if os.path.lexists(self.folder / _MANIFEST):
                keep.move_aside(self.folder / _MANIFEST, self._aside_folder() / _MANIFEST)
            found = (path for pattern in _PLATE_FILES for path in self.folder.glob(pattern))
            groups = {"plates": {path.name: "" for path in found}}
        old = groups.get(group, {})
        # Written first, so that whatever happens meanwhile the next run knows of all these.
        self._write_manifest({**groups, group: {**old, **new}})
        same = {name for name in new if _digest(self.folder / name) == new[name]}
        for name in sorted(({*old, *new}) - same):
            path = self.folder / name
            worthless = over and name in old and name in new and path.is_file()
            if os.path.lexists(path) and not worthless:
                keep.move_aside(path, self._aside_folder() / name)
        for name in sorted(set(new) - same):
            (self.folder / name).parent.mkdir(parents=True, exist_ok=True)
            (made / name).rename(self.folder / name)
        for folder in {(self.folder / name).parent for name in new}:
            disk.sync_folder(folder)
        self._write_manifest({**groups, group: new})

    def _aside_folder(self) -> FilePath:
        """Where this run moves what it supersedes: the next free number."""
        if self._aside is None:
            number = 1
            while os.path.lexists(self.folder / keep.SUPERSEDED / str(number)):
                number += 1
            self._aside = self.folder / keep.SUPERSEDED / str(number)
        return self._aside

    def _write_manifest(self, groups: dict[str, dict[str, str]]) -> None:
        values = {"format": 1, "made_by": f"{_MADE_BY} {VERSION}", "files": groups}
        text = json.dumps(values, indent=1, ensure_ascii=False, sort_keys=True)
        disk.write_whole(self.folder / _MANIFEST, text)


def files_of(folder: FilePath) -> set[str]:
    """Names of the files that a run left in a folder, if it is an output folder."""
    return {name for files in (_manifest(folder) or {}).values() for name in files}


def _manifest(folder: FilePath) -> dict[str, dict[str, str]] | None:
    """Digests of the files of each group; None where no manifest of ours can be read."""
    try:
        values = json.loads((folder / _MANIFEST).read_bytes())
        if not values["made_by"].startswith(_MADE_BY):
            return None
        return {
            group: {name: str(value) for name, value in files.items() if _is_inside(name)}
            for group, files in values["files"].items()
        }
    except (OSError, ValueError, RecursionError, KeyError, TypeError, AttributeError):
        return None


def _is_inside(name: str) -> bool:
    """Whether a name from a file leads to a place below the folder."""
    path = PurePosixPath(name)
    return bool(path.parts) and not path.is_absolute() and not {"..", "\\"} & {*path.parts, *name}


def _digest(path: FilePath) -> str:
    return disk.digest(path) if path.is_file() and not path.is_symlink() else ""


def _locked(file: IO[bytes]) -> bool:
    """Takes the lock on an open file, which goes with the process; False when another has it."""
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        # Some network file systems have no locks; there, one run at a time is up to the user.
        return error.errno not in (errno.EAGAIN, errno.EACCES, errno.EDEADLK)
    return True
