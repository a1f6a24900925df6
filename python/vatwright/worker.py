"""One file of a batch, in the process that does its work."""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import pickle
import shutil
import signal
import tempfile
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from multiprocessing.connection import wait
from pathlib import Path as FilePath
from typing import Any

from vatwright import disk, keep, sizes
from vatwright import report as reports
from vatwright._core import VERSION, Part, Recipe, Setup
from vatwright.errors import Cancelled, ConfigError, LimitError, said
from vatwright.keep import Outcome

__all__ = ["Job", "failed", "limit", "spent", "start", "undisturbed", "work"]


@dataclass(frozen=True)
class Job:
    """One file and all that shapes its result; travels to the worker."""

    source: str
    name: str
    out: str
    recipe: Recipe
    setup: Setup
    reading: sizes.Reading
    mending: Mapping[str, Any]
    mesh: str
    threads: int
    budget_s: float | None
    memory_mb: float | None


# Set by the parent when a worker of its pool is to stop; None in workers of other executors.
_stop: Any = None
# What this process works on, for the thread that guards it.
_watched: _Watch | None = None

_GRACE = 1.25
"""Beyond this share of its budget work that did not stop by itself ends with its process."""
_GRACE_S = 5.0
_MORE_TIME = "simplify the model, or allow more time with budget_s"
_MORE_MEMORY = "simplify the model, or allow more memory with memory_mb"


class _Watch:
    """The progress callback of a job: stops it when the parent asks or its budget is spent."""

    def __init__(self, job: Job) -> None:
        self.job = job
        self.start = time.monotonic()

    def __call__(self, _stage: str, _fraction: float) -> None:
        if _stop is not None and _stop.is_set():
            raise Cancelled("the run was stopped")
        why = self.beyond(1.0, 0.0)
        if why is not None:
            raise why

    def beyond(self, share: float, grace_s: float) -> LimitError | None:
        """What the job used up, when it is more than a share of its budget."""
        job = self.job
        used_s = time.monotonic() - self.start
        if job.budget_s is not None and used_s > share * job.budget_s + grace_s:
            return limit(f"it took more than its {job.budget_s:g} s", _MORE_TIME)
        if job.memory_mb is not None and memory_mb() > share * job.memory_mb:
            return limit(f"it took more than its {job.memory_mb:g} MB", _MORE_MEMORY)
        return None


def limit(what: str, remedy: str) -> LimitError:
    """The error of a job that used up its budget."""
    error = LimitError(f"{what}; {remedy}")
    error.remedy = remedy
    return error


def memory_mb() -> float:
    """Memory that this process takes, MB; 0 where the system does not tell (Linux does)."""
    try:
        pages = int(FilePath("/proc/self/statm").read_text().split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE") / 1e6
    except (OSError, ValueError, AttributeError):
        return 0.0


def start(stop: Any) -> None:
    """Prepares a worker: the parent alone decides what an interrupt means."""
    global _stop  # noqa: PLW0603 (an initializer has no other way to leave something behind)
    _stop = stop
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_UNBLOCK, _HELD)
    threading.Thread(target=_guard, daemon=True).start()


_HELD = {signal.SIGINT, signal.SIGTERM}


@contextmanager
def undisturbed() -> Iterator[None]:
    """Holds interrupts back while a process is started; it begins life holding them back too.

    A process that loses its parent's attention half started would say so at length.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []
    before = {number: signal.getsignal(number) for number in _HELD}
    known = {number: handler for number, handler in before.items() if handler is not None}
    for number in known:
        signal.signal(number, lambda number, _: came.append(number))
    masked = hasattr(signal, "pthread_sigmask")
    mask = signal.pthread_sigmask(signal.SIG_BLOCK, _HELD) if masked else set()
    try:
        yield
    finally:
        if masked:
            signal.pthread_sigmask(signal.SIG_SETMASK, mask)
        for number, handler in known.items():
            signal.signal(number, handler)
        for held in came:
            signal.raise_signal(held)


def _guard() -> None:
    """Ends this process when its parent is gone, or when a job will not stop by itself."""
    parent = multiprocessing.parent_process()
    while parent is None or not wait([parent.sentinel], timeout=0.2):
        watch = _watched
        why = None if watch is None else watch.beyond(_GRACE, _GRACE_S)
        if watch is not None and why is not None:
            disk.write_whole(spent(watch.job), str(why))
            break
    os._exit(1)


def spent(job: Job) -> FilePath:
    """Where a worker that ends itself leaves the reason."""
    return FilePath(job.out) / "parts" / f"{keep.SPENT}{job.name}"


def work(job: Job) -> Outcome:
    """Prepares one file in a worker; what goes wrong is an outcome, not an exception."""
    global _watched  # noqa: PLW0603 (the guarding thread looks there)
    watch = _Watch(job)
    # Only a process of our own may be ended.
    _watched = watch if _stop is not None else None
    try:
        return _prepare(job, watch)
    except Exception as error:
        return failed(job, error, time.monotonic() - watch.start)
    finally:
        _watched = None


def failed(job: Job, error: BaseException, seconds: float = 0.0) -> Outcome:
    """The outcome of a job that raised."""
    code, message, remedy = said(error)
    return Outcome(
        disk.shown(job.source),
        "failed",
        name=job.name,
        seconds=round(seconds, 3),
        code=code,
        message=message,
        remedy=remedy,
    )


def _prepare(job: Job, watch: _Watch) -> Outcome:
    watch("", 0.0)
    parts = FilePath(job.out) / "parts"
    key = _key(job)
    final = parts / f"{job.name}-{key[:16]}"
    kept, damage = keep.find(final, key)
    if kept is None and not damage:
        kept = _fetch(job, final, key)
    if kept is not None:
        return replace(kept, source=disk.shown(job.source))
    keep.refuse_strangers(final)
    mesh = job.reading.load(job.source)
    mended = job.recipe.repair.replace(**job.mending).apply(mesh, progress=watch)
    sizes.refuse_misfit(mended.value.mesh, job.setup, job.source)
    part = Part(mended.value, name=job.name)
    done = job.recipe.apply(part, job.setup, progress=watch, threads=job.threads)
    report = done.report.replace(inner=[mended.report, *done.report.inner])
    outcome = Outcome(
        source=disk.shown(job.source),
        status="done",
        name=job.name,
        folder=final.relative_to(job.out).as_posix(),
        seconds=round(time.monotonic() - watch.start, 3),
        worst=report.worst or "",
        findings=len(report.all_findings()),
        message=f"made again: {damage}" if damage else "",
    )
    # On the same file system as its goal, so that the last step is a rename.
    folder = FilePath(tempfile.mkdtemp(prefix=keep.WORK, dir=parts))
    try:
        disk.write_whole(folder / keep.PART, done.value.to_bytes())
        done.value.save(folder / f"part.{job.mesh}")
        reports.save(report, folder / keep.REPORT)
        keep.seal(folder, key, outcome)
        folder.chmod(0o755)
        _settle(job, folder, final, key)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    return outcome


def _fetch(job: Job, final: FilePath, key: str) -> Outcome | None:
    """Takes back work of this key that an earlier run moved aside."""
    aside = FilePath(job.out) / keep.SUPERSEDED / "parts" / final.name
    kept, _ = keep.find(aside, key)
    if kept is not None:
        aside.rename(final)
        disk.sync_folder(final.parent)
    return kept


def _settle(job: Job, folder: FilePath, final: FilePath, key: str) -> None:
    """Moves a finished folder to its place, unless another worker had the same file."""
    if keep.find(final, key)[0] is not None:
        return
    keep.refuse_strangers(final)
    if final.exists():
        keep.move_aside(final, FilePath(job.out) / keep.SUPERSEDED / "damaged" / final.name)
    folder.rename(final)
    disk.sync_folder(final.parent)


def _key(job: Job) -> str:
    """Hash of everything that shapes the result."""
    try:
        recipe = job.recipe.to_json().encode()
    except ConfigError:
        # Passes of one's own count by class and attributes; their code is not seen.
        recipe = pickle.dumps(job.recipe, protocol=4)
    words = (
        VERSION,
        job.name,
        job.setup.to_toml(),
        repr(job.reading),
        repr(sorted(job.mending.items())),
        job.mesh,
    )
    value = hashlib.sha256()
    for piece in (*(w.encode() for w in words), recipe):
        value.update(len(piece).to_bytes(8, "little"))
        value.update(piece)
    value.update(disk.digest(FilePath(job.source)).encode())
    return value.hexdigest()
