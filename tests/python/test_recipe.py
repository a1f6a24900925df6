"""Recipes from Python, with passes of one's own among the built-in ones."""

import threading
import time

import pytest

import vatwright as vw
from vatwright import _core


class Rename:
    """A pass of one's own with a report."""

    name = "rename"

    def apply(self, part: vw.Part, setup: vw.Setup) -> vw.Done[vw.Part]:
        report = vw.Report(pass_=self.name, part=part.name, words={"setup": setup.name})
        return vw.Done(part.renamed("renamed"), report)


class Bare(Rename):
    name = "bare"

    def apply(self, part: vw.Part, setup: vw.Setup) -> vw.Part:  # type: ignore[override]
        return vw.Hollow().apply(part, setup, threads=1).value.renamed("bare")


class Fails(Rename):
    name = "fails"

    def apply(self, part: vw.Part, setup: vw.Setup) -> vw.Done[vw.Part]:
        raise LookupError("no such thing")


class Wrong(Rename):
    name = "wrong"

    def apply(self, part: vw.Part, setup: vw.Setup) -> vw.Done[vw.Part]:
        return 3  # type: ignore[return-value]


def test_own_passes_run_among_the_built_in_ones(part: vw.Part, setup: vw.Setup) -> None:
    seen: list[str] = []
    recipe = vw.Recipe([Rename(), Bare()])
    done = recipe.apply(part, setup, progress=lambda stage, _: seen.append(stage), threads=1)
    assert done.value.name == "bare"
    assert [r.pass_ for r in done.report.inner] == ["rename", "bare"]
    assert done.report.inner[0].words == {"setup": setup.name}
    assert done.report.inner[0].part == "box"


def test_what_an_own_pass_raises_comes_out(part: vw.Part) -> None:
    with pytest.raises(LookupError, match="no such thing"):
        vw.Recipe([Fails()]).apply(part)
    with pytest.raises(TypeError, match=r"pass 'wrong' gave back .*int"):
        vw.Recipe([Wrong()]).apply(part)


def test_own_passes_have_no_file_form() -> None:
    with pytest.raises(vw.ConfigError, match="passes of your own"):
        vw.Recipe([Rename()]).to_toml()


def test_a_recipe_takes_only_passes_over_parts() -> None:
    for bad in (3, vw.Pack(), Rename):
        with pytest.raises(TypeError, match="step 1"):
            vw.Recipe([Rename(), bad])  # type: ignore[list-item]


def test_work_inside_an_own_pass_stops_with_the_work_around_it(part: vw.Part) -> None:
    stopped = threading.Event()

    class Waits(Rename):
        def apply(self, part: vw.Part, setup: vw.Setup) -> vw.Done[vw.Part]:
            try:
                _core._wait(60)
            except vw.Cancelled:
                stopped.set()
                raise
            raise AssertionError("it should have been stopped")

    calls = 0

    def progress(_stage: str, _fraction: float) -> None:
        nonlocal calls
        calls += 1
        raise TimeoutError("long enough")

    start = time.monotonic()
    with pytest.raises(TimeoutError):
        vw.Recipe([Waits()]).apply(part, progress=progress)
    assert stopped.is_set()
    assert calls == 1
    assert time.monotonic() - start < 10
