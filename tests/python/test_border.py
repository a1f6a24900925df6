"""The border between Python and the core: signals, locks, forks, panics and errors."""

import os
import signal
import subprocess
import sys
import threading
import time

import pytest

import vatwright as vw
from vatwright import _core, errors

INTERRUPTED = """
import time
import vatwright as vw
from vatwright import _core, shapes
part = vw.Part(shapes.figure(1, 32.0, 20_000))
print("ready", flush=True)
try:
    {work}
except KeyboardInterrupt:
    print(time.monotonic(), flush=True)
"""


@pytest.mark.parametrize(
    "work", ["_core._wait(60)", "vw.Orient(directions=2000, coarse_mm=0.1).apply(part)"]
)
def test_ctrl_c_stops_long_work_at_once(work: str) -> None:
    script = INTERRUPTED.format(work=work)
    with subprocess.Popen(
        [sys.executable, "-c", script], stdout=subprocess.PIPE, text=True
    ) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        time.sleep(0.3)
        sent = time.monotonic()
        child.send_signal(signal.SIGINT)
        stopped = float(child.stdout.readline())
        assert child.wait(10) == 0
    # The promise is 0.2 s on a machine that has time; the rest is for one that has not.
    assert stopped - sent < 1.0


def test_the_lock_is_released_while_work_runs() -> None:
    count = 0
    stop = threading.Event()

    def work() -> None:
        nonlocal count
        while not stop.is_set():
            count += 1
            time.sleep(0.001)

    thread = threading.Thread(target=work)
    thread.start()
    before = count
    _core._wait(0.3)
    after = count
    stop.set()
    thread.join()
    assert after - before > 20


def test_progress_arrives_in_order_from_the_calling_thread() -> None:
    seen: list[tuple[str, float, int]] = []
    _core._wait(0.3, progress=lambda stage, f: seen.append((stage, f, threading.get_ident())))
    fractions = [f for _, f, _ in seen]
    assert len(fractions) >= 2
    assert fractions == sorted(fractions)
    assert fractions[-1] == 1.0
    assert {i for _, _, i in seen} == {threading.get_ident()}


def test_an_exception_in_progress_stops_the_work_and_comes_out() -> None:
    def progress(_stage: str, _fraction: float) -> None:
        raise LookupError("enough")

    start = time.monotonic()
    with pytest.raises(LookupError, match="enough"):
        _core._wait(60, progress=progress)
    assert time.monotonic() - start < 10


def test_threads_are_as_many_as_asked() -> None:
    assert _core._wait(0.0, threads=1) == 1
    assert _core._wait(0.0, threads=3) == 3
    assert _core._wait(0.0) >= 1


def test_a_panic_is_an_exception_that_names_the_place(capfd: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(vw.InternalError, match=r"run\.rs.*\n?.*asked to panic"):
        _core._wait(1.0, panic=True)
    assert capfd.readouterr().err == ""
    assert not issubclass(vw.InternalError, vw.Error)
    assert _core._wait(0.0, threads=2) == 2  # and the next call works


@pytest.mark.skipif(not hasattr(os, "fork"), reason="this system cannot fork")
@pytest.mark.filterwarnings("ignore:.*fork.*:DeprecationWarning")
def test_a_forked_child_can_work() -> None:
    assert _core._wait(0.01) >= 1
    background = threading.Thread(target=_core._wait, args=(0.5,))
    background.start()
    time.sleep(0.05)
    pid = os.fork()  # while work runs in another thread
    if pid == 0:
        ok = _core._wait(0.01, threads=2) == 2
        os._exit(0 if ok else 1)
    deadline = time.monotonic() + 20
    while time.monotonic() < deadline:
        done, status = os.waitpid(pid, os.WNOHANG)
        if done:
            break
        time.sleep(0.02)
    else:
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
        pytest.fail("the child hangs")
    background.join()
    assert os.waitstatus_to_exitcode(status) == 0


def test_every_error_code_of_the_core_has_its_exception() -> None:
    assert set(errors.BY_CODE) == set(vw.codes.ERRORS)
    for code, kind in errors.BY_CODE.items():
        assert kind.code == code
        assert issubclass(kind, vw.Error)


def test_errors_are_also_the_exceptions_python_users_expect(tmp_path: object) -> None:
    with pytest.raises(FileNotFoundError) as missing:
        vw.Recipe.load("no/such/recipe.toml")
    assert isinstance(missing.value, vw.FileError)
    assert missing.value.code == "io"
    assert missing.value.filename == "no/such/recipe.toml"
    with pytest.raises(OSError, match="cannot read") as folder:
        vw.Recipe.load(str(tmp_path))
    assert isinstance(folder.value, vw.FileError)
    with pytest.raises(ValueError, match=r"exposure\.layer_mm = 3 is outside") as value:
        vw.Setup(exposure=vw.Exposure(layer_mm=3))
    assert isinstance(value.value, vw.OptionError)
