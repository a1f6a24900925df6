"""Many files through one recipe, unattended: nothing stops the run, nothing is done twice.

Each file becomes a folder of its own under ``out/parts``, named after the file and the hash of
everything that shapes the result (file, recipe, setup, options, version). It appears whole or
not at all, so whatever ends the run, the next one goes on from there.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import multiprocessing
import os
import pickle
import re
import shutil
import signal
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    Executor,
    Future,
    ProcessPoolExecutor,
    wait,
)
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from pathlib import Path as FilePath
from typing import Any, Literal

from vatwright import report as reports
from vatwright._core import VERSION, Mesh, Part, Recipe, Report, Setup, repair
from vatwright.errors import ConfigError, Error
from vatwright.types import Path, Progress

__all__ = ["Batch", "Outcome", "batch", "safe_name"]

MeshFormat = Literal["3mf", "stl"]


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
    """What went wrong, when failed."""
    remedy: str = ""
    """What to do about it, when failed."""

    @property
    def ok(self) -> bool:
        """Whether there is a result."""
        return self.status != "failed"


@dataclass(frozen=True)
class Batch:
    """What became of all files, in the order they were given."""

    out: FilePath
    outcomes: tuple[Outcome, ...]

    def parts(self) -> list[Part]:
        """The finished parts, read from the output folder."""
        finished = (self.out / o.folder for o in self.outcomes if o.ok)
        return [Part.from_bytes((folder / _PART).read_bytes()) for folder in finished]

    def reports(self) -> list[Report]:
        """The reports of the finished parts."""
        finished = (self.out / o.folder for o in self.outcomes if o.ok)
        return [reports.load(folder / _REPORT) for folder in finished]


@dataclass(frozen=True)
class _Job:
    """One file and all that shapes its result; travels to the worker."""

    source: str
    out: str
    recipe: Recipe
    setup: Setup
    unit_mm: float | None
    mesh: MeshFormat
    threads: int


_PART = "part.cbor"
_REPORT = "report.json"
_OUTCOME = "outcome.json"


def batch(
    paths: Iterable[Path],
    recipe: Recipe | None = None,
    setup: Setup | None = None,
    *,
    out: Path,
    executor: Executor | None = None,
    unit_mm: float | None = None,
    mesh: MeshFormat = "3mf",
    threads: int = 1,
    progress: Progress | None = None,
) -> Batch:
    """Runs a recipe on many files and writes the table ``out/table.csv`` and ``.json``.

    Without an ``executor``, one process a core is used, made anew should one be killed. Any
    other ``concurrent.futures.Executor`` does as well, such as the one of a Dask client
    (``client.get_executor()``); its workers must see the files and ``out`` under the same names.
    ``threads`` is the number of threads in each worker, ``unit_mm`` the length of a unit of the
    files, ``mesh`` the format in which each part is also written.

    A file that cannot be prepared is a row of the table with code and message. Findings do not
    make a row fail. An interrupt stops the work, writes the table of what there is and is
    raised again.

    Raises:
        FileError: the output folder cannot be written.
    """
    folder = FilePath(out)
    (folder / "parts").mkdir(parents=True, exist_ok=True)
    shared = (str(folder), recipe or Recipe(), setup or Setup(), unit_mm, mesh, threads)
    jobs = [_Job(os.fspath(path), *shared) for path in paths]
    outcomes: dict[int, Outcome] = {}

    def note(index: int, outcome: Outcome) -> None:
        outcomes[index] = outcome
        if progress is not None:
            progress(f"{len(outcomes)} of {len(jobs)}: {outcome.source}", len(outcomes) / len(jobs))

    try:
        if executor is None:
            _run_in_processes(jobs, note)
        else:
            for index in _run(executor, jobs, range(len(jobs)), len(jobs), note):
                note(index, _failed(jobs[index], BrokenExecutor("the executor lost its workers")))
    finally:
        done = Batch(folder, tuple(outcomes[i] for i in sorted(outcomes)))
        _write_table(done)
    return done


def safe_name(name: str) -> str:
    """A file name made of plain letters that stays in its folder, for any text from outside."""
    plain = re.sub(r"[^A-Za-z0-9._-]+", "_", name)[:80].strip("._-")
    return plain or "part"


def _run(
    executor: Executor,
    jobs: Sequence[_Job],
    indices: Iterable[int],
    window: int,
    note: Callable[[int, Outcome], None],
) -> list[int]:
    """Runs jobs with at most ``window`` of them under way; returns those lost with a worker."""
    waiting = iter(indices)
    running: dict[Future[Outcome], int] = {}
    lost: list[int] = []
    try:
        while True:
            for index in waiting:
                try:
                    running[executor.submit(_work, jobs[index])] = index
                except BrokenExecutor:
                    lost.append(index)
                if len(running) >= window:
                    break
            if not running:
                return sorted(lost)
            for future in wait(running, return_when=FIRST_COMPLETED).done:
                index = running.pop(future)
                try:
                    note(index, future.result())
                except BrokenExecutor:
                    lost.append(index)
                except Exception as error:  # whatever the executor says of this job
                    note(index, _failed(jobs[index], error))
    finally:
        for future in running:
            future.cancel()


def _run_in_processes(jobs: Sequence[_Job], note: Callable[[int, Outcome], None]) -> None:
    """Runs jobs in processes; a killed one loses only its own part.

    When a process dies, its pool breaks and says no more than that. So the jobs that were under
    way run again, each alone: the one that breaks its pool once more is the culprit.
    """
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    workers = max(1, min(cores or 1, len(jobs)))
    left = list(range(len(jobs)))
    while left:
        finished: set[int] = set()

        def keep(index: int, outcome: Outcome, finished: set[int] = finished) -> None:
            finished.add(index)
            note(index, outcome)

        # A few more than workers, so that none waits and few are under suspicion.
        suspects = _run_pool(jobs, left, workers, workers + 2, keep)
        for index in suspects[: workers + 2]:
            if _run_pool(jobs, [index], 1, 1, keep):
                gone = BrokenExecutor("its process was killed, perhaps for want of memory")
                keep(index, _failed(jobs[index], gone))
        left = [index for index in left if index not in finished]


def _run_pool(
    jobs: Sequence[_Job],
    indices: Sequence[int],
    workers: int,
    window: int,
    note: Callable[[int, Outcome], None],
) -> list[int]:
    with _pool(workers) as pool:
        return _run(pool, jobs, indices, window, note)


@contextmanager
def _pool(workers: int) -> Iterator[Executor]:
    """Processes that stop their work at the next checkpoint when the block is left by force."""
    context = multiprocessing.get_context("spawn")
    stop = context.Event()
    pool = ProcessPoolExecutor(workers, context, _start, (stop,))
    try:
        yield pool
    except BaseException:
        stop.set()
        raise
    finally:
        pool.shutdown(cancel_futures=True)


# Set by the parent when a worker of its pool is to stop; None in workers of other executors.
_stop: Any = None


def _start(stop: Any) -> None:
    """Prepares a worker: the parent alone decides what an interrupt means."""
    global _stop  # noqa: PLW0603 (an initializer has no other way to leave something behind)
    _stop = stop
    signal.signal(signal.SIGINT, signal.SIG_IGN)


class _Stopped(Exception):
    """The parent asked the worker to stop."""


def _watch(_stage: str, _fraction: float) -> None:
    if _stop is not None and _stop.is_set():
        raise _Stopped


def _work(job: _Job) -> Outcome:
    """Prepares one file in a worker; what goes wrong is an outcome, not an exception."""
    start = time.perf_counter()
    try:
        return _prepare(job, start)
    except Exception as error:
        return _failed(job, error, time.perf_counter() - start)


def _prepare(job: _Job, start: float) -> Outcome:
    _watch("", 0.0)
    parts = FilePath(job.out) / "parts"
    source = FilePath(job.source)
    final = parts / f"{safe_name(source.stem)}-{_key(job)[:16]}"
    kept = _kept(job, final)
    if kept is not None:
        return kept
    mended = repair(Mesh.load(job.source, unit_mm=job.unit_mm))
    part = Part(mended.value, name=source.stem)
    done = job.recipe.apply(part, job.setup, progress=_watch, threads=job.threads)
    report = done.report.replace(inner=[mended.report, *done.report.inner])
    found = report.all_findings()
    outcome = Outcome(
        source=job.source,
        status="done",
        name=source.stem,
        folder=final.relative_to(job.out).as_posix(),
        seconds=round(time.perf_counter() - start, 3),
        worst=report.worst or "",
        findings=len(found),
    )
    # On the same file system as its goal, so that the last step is a rename.
    work = FilePath(tempfile.mkdtemp(prefix=".work-", dir=parts))
    try:
        (work / _PART).write_bytes(done.value.to_bytes())
        done.value.save(work / f"part.{job.mesh}")
        reports.save(report, work / _REPORT)
        (work / _OUTCOME).write_text(json.dumps(asdict(outcome), indent=1), encoding="utf-8")
        work.chmod(0o755)
        _settle(job, work, final)
    finally:
        shutil.rmtree(work, ignore_errors=True)
    return outcome


def _settle(job: _Job, work: FilePath, final: FilePath) -> None:
    """Moves a finished folder to its place, unless another worker had the same file."""
    try:
        work.rename(final)
    except OSError:
        if _kept(job, final) is None:
            # Not whole: somebody else's hand, or a system that lost power.
            shutil.rmtree(final, ignore_errors=True)
            work.rename(final)


def _kept(job: _Job, final: FilePath) -> Outcome | None:
    """The outcome of an earlier run, when all its files are there."""
    if not all((final / name).is_file() for name in (_PART, _REPORT, f"part.{job.mesh}")):
        return None
    try:
        values = json.loads((final / _OUTCOME).read_text(encoding="utf-8"))
        return replace(Outcome(**values), source=job.source, status="kept")
    except (OSError, ValueError, TypeError):
        return None


def _key(job: _Job) -> str:
    """Hash of everything that shapes the result."""
    try:
        recipe = job.recipe.to_json().encode()
    except ConfigError:
        # Passes of one's own count by class and attributes; their code is not seen.
        recipe = pickle.dumps(job.recipe, protocol=4)
    words = (VERSION, FilePath(job.source).stem, job.setup.to_toml(), repr(job.unit_mm), job.mesh)
    digest = hashlib.sha256()
    for piece in (*(w.encode("utf-8", "surrogateescape") for w in words), recipe):
        digest.update(len(piece).to_bytes(8, "little"))
        digest.update(piece)
    with FilePath(job.source).open("rb") as file:
        while block := file.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()


def _failed(job: _Job, error: BaseException, seconds: float = 0.0) -> Outcome:
    if isinstance(error, Error):
        code = error.code
    elif isinstance(error, OSError):
        code = "io"
    elif isinstance(error, _Stopped):
        code = "cancelled"
    else:
        code = type(error).__name__
    remedy = error.remedy if isinstance(error, Error) else ""
    return Outcome(
        job.source,
        "failed",
        name=FilePath(job.source).stem,
        seconds=round(seconds, 3),
        code=code,
        message=(str(error) or type(error).__name__).removesuffix(f"; {remedy}"),
        remedy=remedy,
    )


def _write_table(done: Batch) -> None:
    rows = [asdict(outcome) for outcome in done.outcomes]
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, list(Outcome.__dataclass_fields__), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    reports.write_whole(done.out / "table.csv", text.getvalue())
    for row, outcome in zip(rows, done.outcomes, strict=True):
        if outcome.ok:
            report = reports.load(done.out / outcome.folder / _REPORT)
            row["findings"] = [finding.to_dict() for finding in report.all_findings()]
        else:
            row["findings"] = []
    reports.write_whole(done.out / "table.json", json.dumps(rows, indent=1, ensure_ascii=False))
