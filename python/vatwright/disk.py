"""Files that appear whole or not at all, on the disk for good; names that every disk takes."""

from __future__ import annotations

import hashlib
import os
import re
import unicodedata
from collections.abc import Iterable
from pathlib import Path as FilePath

from vatwright.types import Path

__all__ = [
    "digest",
    "safe_name",
    "shown",
    "sync_file",
    "sync_folder",
    "unique_names",
    "write_whole",
]


def write_whole(path: Path, data: str | bytes) -> None:
    """Writes a file that appears whole or not at all, and is on the disk before this returns."""
    target = FilePath(path)
    work = target.with_name(f".{target.name}.{os.getpid()}.new")
    try:
        work.write_bytes(data.encode() if isinstance(data, str) else data)
        sync_file(work)
        work.replace(target)
        sync_folder(target.parent)
    finally:
        work.unlink(missing_ok=True)


def sync_file(path: FilePath) -> None:
    """Waits until a file's bytes are on the disk."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def sync_folder(path: FilePath) -> None:
    """Waits until a folder's names are on the disk, where the system can open folders."""
    if os.name == "nt":
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def digest(path: FilePath) -> str:
    """SHA-256 of a file's bytes, in hexadecimal."""
    value = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(1 << 20):
            value.update(block)
    return value.hexdigest()


def shown(path: Path) -> str:
    """A path as text for people and files: bytes that are no letters are replaced."""
    return os.fsencode(path).decode(errors="replace")


# Forbidden in names by one file system or another, control characters and lone surrogates; and
# line ends and turns of the writing direction, which make a name look like another.
_FORBIDDEN = re.compile(
    r'[<>:"/\\|?*\x00-\x1f\x7f-\x9f\ud800-\udfff\u2028\u2029\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]+'
)
# Names of devices on Windows, with any ending (Microsoft's "Naming files, paths, and namespaces",
# from memory).
_DEVICE = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[0-9¹²³])\s*(\..*)?", re.I)
MOST_BYTES = 120
"""Longest name: file systems take 255 bytes, some layers over them 143, and endings come on top."""


def safe_name(text: str) -> str:
    """A file name in the letters of its own script, for any text from outside.

    It stays in its folder, is no hidden file and no device, and takes at most ``MOST_BYTES`` in
    UTF-8; a safe name is left as it is.
    """
    name = _FORBIDDEN.sub("_", unicodedata.normalize("NFC", text)).lstrip(" .-")
    if _DEVICE.fullmatch(name):
        name = f"_{name}"
    name = name.encode()[:MOST_BYTES].decode(errors="ignore").rstrip(" .")
    return name or "part"


def unique_names(texts: Iterable[str]) -> list[str]:
    """Safe names, each once whatever the case of its letters: later ones get a number."""
    names = [safe_name(text) for text in texts]
    given = {name.casefold() for name in names}
    taken: set[str] = set()
    unique = []
    for name in names:
        number, candidate = 1, name
        while candidate.casefold() in (taken if number == 1 else taken | given):
            number += 1
            candidate = f"{name} {number}"
        taken.add(candidate.casefold())
        unique.append(candidate)
    return unique
