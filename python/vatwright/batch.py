"""Many files through one recipe, unattended: nothing stops the run, nothing is done twice.

Each file becomes a folder of its own under ``out/parts``, named after the file and the hash of
everything that shapes the result (file, recipe, setup, options, version). It appears whole or
not at all, so whatever ends the run, the next one goes on from there; and what it finds there it
believes only as far as the digests hold.
"""

from __future__ import annotations

import json
import multiprocessing
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    Executor,
    Future,
    ProcessPoolExecutor,
    wait,
)
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path as FilePath
from typing import Any, Literal

from vatwright import disk, keep, tables, worker
from vatwright import report as reports
from vatwright._core import Part, Recipe, Report, Setup
from vatwright.errors import Error, LimitError
from vatwright.keep import Outcome
from vatwright.output import Output
from vatwright.sizes import Reading
from vatwright.types import Path, Progress
from vatwright.worker import Job

__all__ = ["Batch", "Outcome", "batch"]

MeshFormat = Literal["3mf", "stl"]


@dataclass(frozen=True)
class Batch:
    """What became of all files, in the order they were given."""

    out: FilePath
    outcomes: tuple[Outcome, ...]

    def parts(self) -> list[Part]:
        """The finished parts, read from the output folder.

        Raises:
            FormatError: one was changed since it was written.
        """
        return [Part.from_bytes(keep.read(folder, keep.PART)) for folder in self._folders()]

    def reports(self) -> list[Report]:
        """The reports of the finished parts.

        Raises:
            FormatError: one was changed since it was written.
        """
        return [_report(folder) for folder in self._folders()]

    def _folders(self) -> Iterator[FilePath]:
        """Folders of the finished parts, also when a later run moved them aside."""
        for outcome in self.outcomes:
            if outcome.ok:
                folder = self.out / outcome.folder
                yield folder if folder.is_dir() else self.out / keep.SUPERSEDED / outcome.folder


def _report(folder: FilePath) -> Report:
    text = keep.read(folder, keep.REPORT).decode()
    return reports.from_json(text, place=os.fspath(folder / keep.REPORT))


def batch(
    paths: Iterable[Path],
    recipe: Recipe | None = None,
    setup: Setup | None = None,
    *,
    out: Path,
    executor: Executor | None = None,
    unit_mm: float | None = None,
    scale: float = 1.0,
    reading: Mapping[str, Any] | None = None,
    mending: Mapping[str, Any] | None = None,
    mesh: MeshFormat = "3mf",
    threads: int = 1,
    budget_s: float | None = None,
    memory_mb: float | None = None,
    progress: Progress | None = None,
) -> Batch:
    """Runs a recipe on many files and writes the table ``out/table.csv`` and ``.json``.

    Without an ``executor``, one process a core is used, made anew should one be killed. Any
    other ``concurrent.futures.Executor`` does as well, such as the one of a Dask client
    (``client.get_executor()``); its workers must see the files and ``out`` under the same names.

    Args:
        paths: STL, OBJ and 3MF files. Parts are named after them, each name once: a second
            ``body.stl`` becomes "body 2".
        recipe: by default every pass.
        setup: by default the built-in one.
        out: folder of the results; one run at a time has it, others wait. What is there is used
            again where its digests hold; results of files that are no longer given are moved to
            ``out/superseded``, where a later run finds them.
        executor: does the work.
        unit_mm: length of a unit of the files, mm. Without it, a file that does not say its
            unit and makes no sense in millimetres fails with a guess.
        scale: factor on the size.
        reading: ``weld_mm`` and ``max_bytes`` of :meth:`vatwright.Mesh.load`.
        mending: options of :func:`vatwright.repair`.
        mesh: format in which each part is also written.
        threads: threads in each worker.
        budget_s: most time for one file, s; one that takes longer fails alone.
        memory_mb: most memory of a worker, MB, where the system tells it (Linux); a file that
            takes more fails alone.
        progress: called with file and share done.

    A file that cannot be prepared is a row of the table with code and message. Findings do not
    make a row fail. An interrupt stops the work, writes the table of what there is and is
    raised again. Names in the CSV table that a spreadsheet would take for a formula begin with an
    apostrophe.

    Raises:
        OSError: the output folder cannot be written.
    """
    folder = FilePath(out)
    given = [os.fspath(path) for path in paths]
    names = disk.unique_names(FilePath(path).stem for path in given)
    shared = (
        str(folder),
        recipe or Recipe(),
        setup or Setup(),
        Reading(unit_mm, scale, **(reading or {})),
        dict(mending or {}),
        mesh,
        threads,
        budget_s,
        memory_mb,
    )
    jobs = [Job(path, name, *shared) for path, name in zip(given, names, strict=True)]
    outcomes: dict[int, Outcome] = {}

    def note(index: int, outcome: Outcome) -> None:
        outcomes[index] = outcome
        if progress is not None:
            progress(f"{len(outcomes)} of {len(jobs)}: {outcome.source}", len(outcomes) / len(jobs))

    with Output.held(folder, progress) as output:
        output.clear_leftovers()
        try:
            if executor is None:
                _run_in_processes(jobs, note)
            else:
                for index in _run(executor, jobs, range(len(jobs)), len(jobs), note):
                    lost = BrokenExecutor("the executor lost its workers")
                    note(index, worker.failed(jobs[index], lost))
        finally:
            done = Batch(folder, tuple(outcomes[i] for i in sorted(outcomes)))
            _write_table(done, output)
        output.keep_parts({FilePath(o.folder).name for o in done.outcomes})
    return done


def _run(
    executor: Executor,
    jobs: Sequence[Job],
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
                    with worker.undisturbed():
                        running[executor.submit(worker.work, jobs[index])] = index
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
                    note(index, worker.failed(jobs[index], error))
    finally:
        for future in running:
            future.cancel()


def _run_in_processes(jobs: Sequence[Job], note: Callable[[int, Outcome], None]) -> None:
    """Runs jobs in processes; a killed one loses only its own part.

    When a process dies, its pool breaks and says no more than that. So the jobs that were under
    way run again, each alone: the one that breaks its pool once more is the culprit.
    """
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    workers = max(1, min(cores or 1, len(jobs)))
    left = list(range(len(jobs)))
    while left:
        finished: set[int] = set()

        def settle(index: int, outcome: Outcome, finished: set[int] = finished) -> None:
            finished.add(index)
            note(index, outcome)

        # A few more than workers, so that none waits and few are under suspicion.
        suspects = _run_pool(jobs, left, workers, workers + 2, settle)
        for index in suspects[: workers + 2]:
            why: Error | BrokenExecutor | None = _why_ended(jobs[index])
            if why is None and _run_pool(jobs, [index], 1, 1, settle):
                killed = BrokenExecutor("its process was killed, perhaps for want of memory")
                why = _why_ended(jobs[index]) or killed
            if why is not None:
                settle(index, worker.failed(jobs[index], why))
        left = [index for index in left if index not in finished]


def _why_ended(job: Job) -> LimitError | None:
    """What a worker that ended itself left to say of its job."""
    spent = worker.spent(job)
    if not spent.exists():
        return None
    why = worker.limit(*spent.read_text(encoding="utf-8").split("; "))
    spent.unlink()
    return why


def _run_pool(
    jobs: Sequence[Job],
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
    pool = ProcessPoolExecutor(workers, context, worker.start, (stop,))
    try:
        yield pool
    except BaseException:
        stop.set()
        raise
    finally:
        pool.shutdown(cancel_futures=True)


def _write_table(done: Batch, output: Output) -> None:
    rows = [asdict(outcome) for outcome in done.outcomes]
    text = tables.rows_to_csv(Outcome.__dataclass_fields__, rows)
    for row, outcome in zip(rows, done.outcomes, strict=True):
        row["findings"] = []
        if outcome.ok:
            try:
                report = _report(done.out / outcome.folder)
            except (OSError, Error):
                continue  # damaged since; the next run makes the part again
            row["findings"] = [finding.to_dict() for finding in report.all_findings()]
    work = {(outcome.source, outcome.folder) for outcome in done.outcomes}
    # A table of nothing but the same work, done or kept, is of no worth beside the new one.
    with output.replacing("tables", over=_work_of(done.out / "table.json") <= work) as made:
        disk.write_whole(made / "table.csv", text)
        told = json.dumps(rows, indent=1, ensure_ascii=False)
        disk.write_whole(made / "table.json", told)


def _work_of(table: FilePath) -> set[tuple[str, str]]:
    """Files and folders of an earlier table."""
    try:
        rows = json.loads(table.read_bytes())
        return {(row["source"], row["folder"]) for row in rows}
    except (OSError, ValueError, RecursionError, KeyError, TypeError):
        return set()
