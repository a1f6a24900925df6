"""Runs that are killed, starved, crowded or out of disk: the next one ends with the same bytes."""

import errno
import os
import random
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from shapes import box
from test_batch import contents, write_boxes

import vatwright as vw
from vatwright import disk

RECIPE = vw.Recipe([])


class Slow:
    """A pass of one's own that takes time and memory on one part."""

    name = "slow"

    def __init__(self, victim: str = "", sleep_s: float = 0.0, megabytes: int = 0) -> None:
        self.victim = victim
        self.sleep_s = sleep_s
        self.megabytes = megabytes

    def apply(self, part: vw.Part, setup: vw.Setup) -> vw.Part:
        if self.victim in part.name:
            taken = np.ones(self.megabytes * 125_000)
            time.sleep(self.sleep_s)
            assert taken.size >= 0
        return part


def final(out: Path) -> dict[str, bytes]:
    """Parts and plates of a run; not the times and the log of what happened."""
    plates = {p.name: p.read_bytes() for p in out.glob("plate*")}
    report = {p.name: p.read_bytes() for p in out.glob("report.*")}
    return {**contents(out), **plates, **report}


@pytest.fixture
def unbroken(tmp_path: Path) -> dict[str, bytes]:
    vw.prepare(write_boxes(tmp_path / "in", 6), RECIPE, out=tmp_path / "unbroken")
    return final(tmp_path / "unbroken")


KILLED = """
import sys
from pathlib import Path
import vatwright as vw
from test_hard_use import Slow
if __name__ == "__main__":
    folder = Path(sys.argv[1])
    tell = lambda stage, _: print(stage, flush=True)
    vw.prepare(sorted(folder.glob("in/*.stl")), vw.Recipe([]), out=folder / "out", progress=tell)
    print("end", flush=True)
"""


def children(pid: int) -> list[int]:
    words = Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    return [int(word) for word in words]


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="needs /proc")
def test_killed_runs_end_with_the_same_bytes(tmp_path: Path, unbroken: dict[str, bytes]) -> None:
    script = tmp_path / "run.py"
    script.write_text(KILLED)
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parent)}
    dice = random.Random(7)
    ended = False
    for whom in ("parent", "worker", "parent", "worker", "nobody"):
        with subprocess.Popen(
            [sys.executable, script, tmp_path],
            stdout=subprocess.PIPE,
            text=True,
            env=environment,
        ) as run:
            assert run.stdout is not None
            until = dice.choice(["1 of 6", "3 of 6", "outlines", "squeeze", "6 of 6"])
            while whom != "nobody" and (line := run.stdout.readline()):
                if line.startswith(until):
                    break
            time.sleep(dice.random() * 0.2)
            try:
                workers = children(run.pid)
            except OSError:
                workers = []
            if whom == "parent":
                run.kill()
                deadline = time.monotonic() + 20
                while any(Path(f"/proc/{w}/cmdline").exists() for w in workers):
                    assert time.monotonic() < deadline, "a worker outlives its parent"
                    time.sleep(0.05)
            elif whom == "worker" and workers:
                os.kill(workers[-1], signal.SIGKILL)
            ended = run.stdout.read().endswith("end\n")
    assert ended
    assert final(tmp_path / "out") == unbroken
    assert not list((tmp_path / "out").rglob(".vatwright-work-*"))
    assert not list((tmp_path / "out").rglob("*.new"))
    assert not list((tmp_path / "out").rglob("*.tmp"))


@pytest.mark.skipif(sys.platform == "win32", reason="signals are of POSIX")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_polite_end_says_how_to_go_on(tmp_path: Path, number: signal.Signals) -> None:
    vw.shapes.figure(3, 40.0, 20_000).mesh.save(tmp_path / "figure.stl")
    command = Path(sys.executable).with_name("vatwright")
    with subprocess.Popen(
        [command, "prepare", "figure.stl", "--out", "out"],
        cwd=tmp_path,
        stderr=subprocess.PIPE,
        text=True,
    ) as run:
        deadline = time.monotonic() + 60
        while not (tmp_path / "out" / "parts").exists():
            assert time.monotonic() < deadline
            time.sleep(0.05)
        run.send_signal(number)
        assert run.stderr is not None
        said = run.stderr.read()
        assert run.wait(60) == 130
    assert "same command again" in said
    assert "Traceback" not in said
    assert not list((tmp_path / "out").rglob(".vatwright-work-*"))


def test_a_full_disk_at_any_write_loses_nothing(
    tmp_path: Path, unbroken: dict[str, bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    paths = sorted((tmp_path / "in").glob("*.stl"))
    dice = random.Random(11)
    real = disk.sync_file
    for seed in range(8):
        left = dice.randrange(24)

        def sync(path: Path) -> None:
            nonlocal left
            left -= 1
            if left < 0:
                raise OSError(errno.ENOSPC, "No space left on device", str(path))
            real(path)

        out = tmp_path / f"out {seed % 3}"
        with monkeypatch.context() as patch, pytest.raises(OSError, match="No space"):
            patch.setattr(disk, "sync_file", sync)
            vw.prepare(paths, RECIPE, out=out, executor=ThreadPoolExecutor(2))
        assert not list(out.rglob(".vatwright-work-*"))
        if seed >= 5:
            vw.prepare(paths, RECIPE, out=out, executor=ThreadPoolExecutor(2))
            assert final(out) == unbroken


FULL = """
import resource, sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
import vatwright as vw
most = int(sys.argv[2])
resource.setrlimit(resource.RLIMIT_FSIZE, (most, most))
folder = Path(sys.argv[1])
paths = sorted(folder.glob("in/*.stl"))
try:
    run = vw.prepare(paths, vw.Recipe([]), out=folder / "out", executor=ThreadPoolExecutor(2))
except OSError as error:
    sys.exit(3)
sys.exit(0 if all(o.ok for o in run.batch.outcomes) else 4)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="limits of files are of POSIX")
def test_files_that_cannot_be_written_whole_do_not_appear(
    tmp_path: Path, unbroken: dict[str, bytes]
) -> None:
    # A limit on the size of files stands for the full disk in what the core writes, too.
    for most in (100, 900, 2000, 6000):
        done = subprocess.run(
            [sys.executable, "-c", FULL, str(tmp_path), str(most)], check=False, timeout=120
        )
        assert done.returncode in (3, 4)
        for name, data in final(tmp_path / "out").items() if (tmp_path / "out").exists() else ():
            assert data == unbroken.get(name, data)
    paths = sorted((tmp_path / "in").glob("*.stl"))
    vw.prepare(paths, RECIPE, out=tmp_path / "out", executor=ThreadPoolExecutor(2))
    assert final(tmp_path / "out") == unbroken


def test_two_runs_in_one_folder_are_one_after_the_other(
    tmp_path: Path, unbroken: dict[str, bytes]
) -> None:
    paths = sorted((tmp_path / "in").glob("*.stl"))
    out = tmp_path / "out"
    said: list[str] = []
    runs: list[vw.Run] = []
    first_is_in = threading.Event()

    def go(some: list[Path], recipe: vw.Recipe) -> None:
        def tell(stage: str, _: float) -> None:
            said.append(stage)
            first_is_in.set()

        executor = ThreadPoolExecutor(2)
        runs.append(vw.prepare(some, recipe, out=out, executor=executor, progress=tell))

    one = threading.Thread(target=go, args=(paths[:2], vw.Recipe([Slow("", 0.5)])))
    other = threading.Thread(target=go, args=(paths, RECIPE))
    one.start()
    first_is_in.wait(30)
    other.start()
    one.join(60)
    other.join(60)
    assert [len(run.batch.outcomes) for run in runs] == [2, 6]
    assert any("waiting for another run" in stage for stage in said)
    assert final(out) == unbroken
    assert len(runs[0].batch.parts()) == 2


def test_a_part_beyond_its_time_fails_alone(tmp_path: Path) -> None:
    paths = write_boxes(tmp_path / "in", 3)
    done = vw.batch(
        paths, vw.Recipe([Slow("crate 1", sleep_s=120.0)]), out=tmp_path / "out", budget_s=1.0
    )
    assert [o.ok for o in done.outcomes] == [True, False, True]
    assert done.outcomes[1].code == "limit"
    assert done.outcomes[1].message == "it took more than its 1 s"
    assert "budget_s" in done.outcomes[1].remedy
    assert not list((tmp_path / "out" / "parts").glob(".*"))


def test_a_pass_is_stopped_when_its_time_is_up(tmp_path: Path) -> None:
    path = tmp_path / "figure.stl"
    vw.shapes.figure(3, 40.0, 20_000).mesh.save(path)
    begin = time.monotonic()
    done = vw.batch(
        [path],
        vw.Recipe([vw.Orient(directions=4000)]),
        out=tmp_path / "out",
        executor=ThreadPoolExecutor(1),
        budget_s=0.5,
    )
    assert done.outcomes[0].code == "limit"
    assert time.monotonic() - begin < 60.0


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="needs /proc")
def test_a_part_beyond_its_memory_fails_alone(tmp_path: Path) -> None:
    paths = write_boxes(tmp_path / "in", 3)
    recipe = vw.Recipe([Slow("crate 2", sleep_s=60.0, megabytes=900)])
    done = vw.batch(paths, recipe, out=tmp_path / "out", memory_mb=500.0)
    assert [o.ok for o in done.outcomes] == [True, True, False]
    assert done.outcomes[2].message == "it took more than its 500 MB"
    assert "memory_mb" in done.outcomes[2].remedy


def test_a_folder_that_cannot_be_written_is_said_at_once(tmp_path: Path) -> None:
    box(6.0).save(tmp_path / "crate.stl")
    (tmp_path / "out").write_text("a file")
    with pytest.raises(OSError, match="out"):
        vw.batch([tmp_path / "crate.stl"], RECIPE, out=tmp_path / "out")
