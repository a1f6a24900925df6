"""Unattended runs: bad files, killed workers, interruptions and going on afterwards."""

import csv
import json
import multiprocessing
import os
import signal
import subprocess
import sys
import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path

import pytest
from shapes import box

import vatwright as vw
from vatwright.disk import safe_name

RECIPE = vw.Recipe([])


class Deadly:
    """A pass of one's own that kills its process on one part, and counts its runs on disk."""

    name = "deadly"

    def __init__(self, log: Path, victim: str = "", sleep_s: float = 0.0) -> None:
        self.log = log
        self.victim = victim
        self.sleep_s = sleep_s

    def apply(self, part: vw.Part, setup: vw.Setup) -> vw.Part:
        if part.name == self.victim:
            os.kill(os.getpid(), signal.SIGKILL)
        time.sleep(self.sleep_s)
        with self.log.open("a") as log:
            log.write(part.name + "\n")
        return part


def write_boxes(folder: Path, count: int) -> list[Path]:
    folder.mkdir(exist_ok=True)
    paths = [folder / f"crate {i}.stl" for i in range(count)]
    for i, path in enumerate(paths):
        box(5.0 + i).save(path)
    return paths


def contents(folder: Path) -> dict[str, bytes]:
    """Every file of the parts but the times of the work."""
    return {
        str(p.relative_to(folder)): p.read_bytes()
        for p in sorted(folder.glob("parts/*/*"))
        if p.name != "outcome.json"
    }


def test_one_bad_file_stops_nothing(tmp_path: Path) -> None:
    good = write_boxes(tmp_path, 2)
    bad = tmp_path / "bad.stl"
    bad.write_bytes(b"solid nothing\n")
    seen: list[float] = []
    done = vw.batch(
        [good[0], bad, tmp_path / "absent.stl", tmp_path, good[1]],
        RECIPE,
        out=tmp_path / "out",
        executor=ThreadPoolExecutor(2),
        progress=lambda _, fraction: seen.append(fraction),
    )
    assert [o.status for o in done.outcomes] == ["done", "failed", "failed", "failed", "done"]
    assert [o.code for o in done.outcomes] == ["", "format", "io", "io", ""]
    assert "bad.stl" in done.outcomes[1].message
    assert [p.name for p in done.parts()] == ["crate 0", "crate 1"]
    assert seen == sorted(seen)
    assert seen[-1] == 1.0
    with (tmp_path / "out" / "table.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert [r["status"] for r in rows] == [o.status for o in done.outcomes]
    table = json.loads((tmp_path / "out" / "table.json").read_text())
    assert all(isinstance(row["findings"], list) for row in table)
    assert table[1]["message"] == done.outcomes[1].message


def test_finished_work_is_found_again(tmp_path: Path) -> None:
    paths = write_boxes(tmp_path, 3)
    out = tmp_path / "out"
    first = vw.batch(paths, RECIPE, out=out, executor=ThreadPoolExecutor(1))
    before = contents(out)
    second = vw.batch(paths, RECIPE, out=out, executor=ThreadPoolExecutor(1))
    assert {o.status for o in second.outcomes} == {"kept"}
    assert [o.seconds for o in second.outcomes] == [o.seconds for o in first.outcomes]
    assert contents(out) == before
    assert second.parts() == first.parts()

    # Another file, recipe, setup, unit or format is other work.
    box(50.0).save(paths[0])
    fine = vw.Setup.load("fine-25um")
    for recipe, setup, unit, mesh, fresh in [
        (RECIPE, None, None, "3mf", 1),
        (vw.Recipe([vw.Check()]), None, None, "3mf", 3),
        (RECIPE, fine, None, "3mf", 3),
        (RECIPE, None, 1.5, "3mf", 3),
        (RECIPE, None, None, "stl", 3),
    ]:
        done = vw.batch(
            paths,
            recipe,
            setup,
            out=out,
            executor=ThreadPoolExecutor(1),
            unit_mm=unit,
            mesh=mesh,  # type: ignore[arg-type]
        )
        assert sum(o.status == "done" for o in done.outcomes) == fresh


def test_half_written_work_is_done_again(tmp_path: Path) -> None:
    paths = write_boxes(tmp_path, 1)
    out = tmp_path / "out"
    first = vw.batch(paths, RECIPE, out=out, executor=ThreadPoolExecutor(1))
    before = contents(out)
    (out / first.outcomes[0].folder / "part.cbor").unlink()
    second = vw.batch(paths, RECIPE, out=out, executor=ThreadPoolExecutor(1))
    assert second.outcomes[0].status == "done"
    assert contents(out) == before


def test_a_killed_worker_loses_only_its_own_part(tmp_path: Path) -> None:
    paths = write_boxes(tmp_path, 8)
    log = tmp_path / "log"
    recipe = vw.Recipe([Deadly(log, victim="crate 3")])
    done = vw.batch(paths, recipe, out=tmp_path / "out")
    assert [o.ok for o in done.outcomes] == [i != 3 for i in range(8)]
    assert "killed" in done.outcomes[3].message
    # Run again: nothing is done twice, only the lost one is tried.
    again = vw.batch(paths, recipe, out=tmp_path / "out")
    assert [o.status for o in again.outcomes].count("kept") == 7
    runs = log.read_text().splitlines()
    assert set(runs) == {f"crate {i}" for i in range(8) if i != 3}


def test_an_executor_that_breaks_leaves_a_row_for_every_file(tmp_path: Path) -> None:
    paths = write_boxes(tmp_path, 4)
    recipe = vw.Recipe([Deadly(tmp_path / "log", victim="crate 1")])
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(1, context) as pool:
        done = vw.batch(paths, recipe, out=tmp_path / "out", executor=pool)
    assert len(done.outcomes) == 4
    assert [o.ok for o in done.outcomes[:2]] == [True, False]
    assert "kill" in done.outcomes[1].message or "lost" in done.outcomes[1].message
    alone = vw.batch(paths, recipe, out=tmp_path / "out")
    assert [o.ok for o in alone.outcomes] == [True, False, True, True]


INTERRUPTED = """
import sys
from pathlib import Path
import vatwright as vw
from test_batch import Deadly
if __name__ == "__main__":
    folder = Path(sys.argv[1])
    recipe = vw.Recipe([Deadly(folder / "log", sleep_s=0.3)])
    paths = sorted(folder.glob("*.stl"))
    print("ready", flush=True)
    vw.batch(paths, recipe, out=folder / "out", progress=lambda s, _: print(s, flush=True))
"""


def test_an_interrupted_run_goes_on(tmp_path: Path) -> None:
    paths = write_boxes(tmp_path, 8)
    script = tmp_path / "run.py"
    script.write_text(INTERRUPTED)
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parent)}
    with subprocess.Popen(
        [sys.executable, script, tmp_path],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env=environment,
    ) as child:
        assert child.stdout is not None
        for line in child.stdout:
            if line.startswith("2 of 8"):
                break
        child.send_signal(signal.SIGINT)
        assert child.wait(30) != 0
    log = tmp_path / "log"
    ran = log.read_text().splitlines()
    assert 2 <= len(ran) < 8
    assert (tmp_path / "out" / "table.csv").is_file()

    recipe = vw.Recipe([Deadly(log, sleep_s=0.3)])
    done = vw.batch(paths, recipe, out=tmp_path / "out")
    assert all(o.ok for o in done.outcomes)
    assert any(o.status == "kept" for o in done.outcomes)
    finished = [o for o in done.outcomes if o.status == "done"]
    ran_again = log.read_text().splitlines()[len(ran) :]
    assert len(ran_again) == len(finished)
    assert not list((tmp_path / "out" / "parts").glob(".vatwright-work-*"))

    unbroken = vw.batch(paths, recipe, out=tmp_path / "unbroken")
    assert [o.folder for o in unbroken.outcomes] == [o.folder for o in done.outcomes]
    assert contents(tmp_path / "out") == contents(tmp_path / "unbroken")


@pytest.mark.parametrize(
    "name",
    ["../../etc/passwd", "..", ".", "", "a/b", "a\\b", "C:x", "\0", "ä" * 500, ".hidden", "-rf"],
)
def test_names_from_outside_stay_inside(name: str, tmp_path: Path) -> None:
    safe = safe_name(name)
    assert 0 < len(safe.encode()) <= 120
    assert (tmp_path / safe).resolve().parent == tmp_path.resolve()
    assert safe == safe_name(safe)


def test_a_model_named_like_a_path_stays_inside(tmp_path: Path) -> None:
    path = tmp_path / "..%2f..%2fx.stl"
    box(name="../../../escape").save(path)
    before = set(tmp_path.parent.rglob("*"))
    done = vw.batch([path], RECIPE, out=tmp_path / "out", executor=ThreadPoolExecutor(1))
    assert done.outcomes[0].ok
    new = set(tmp_path.parent.rglob("*")) - before
    assert all((tmp_path / "out").resolve() in (p.resolve(), *p.resolve().parents) for p in new)


@pytest.mark.filterwarnings("ignore")
def test_a_dask_cluster_of_two_workers(tmp_path: Path) -> None:
    from distributed import Client, LocalCluster

    paths = write_boxes(tmp_path, 4)
    bad = tmp_path / "bad.stl"
    bad.write_bytes(b"")
    with (
        LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            dashboard_address=None,
            local_directory=str(tmp_path / "dask"),
        ) as cluster,
        Client(cluster) as client,
    ):
        done = vw.batch(
            [*paths, bad], RECIPE, out=tmp_path / "dask-out", executor=client.get_executor()
        )
    assert [o.ok for o in done.outcomes] == [True] * 4 + [False]
    vw.batch(paths, RECIPE, out=tmp_path / "alone", executor=ThreadPoolExecutor(1))
    assert contents(tmp_path / "dask-out") == contents(tmp_path / "alone")
