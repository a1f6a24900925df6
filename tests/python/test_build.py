"""Tests and wheel share one build of what is below them."""

import shutil
import subprocess
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]


def features(*packages: str) -> dict[str, str]:
    """Every crate in the build of some packages, with the features it is built with."""
    asked = ["cargo", "tree", "--offline", *packages, "--prefix", "none", "-f", "{p}\t{f}"]
    told = subprocess.run(asked, cwd=TOP, check=True, capture_output=True, text=True).stdout
    rows = (line.removesuffix(" (*)").split("\t") for line in told.splitlines() if line)
    return {crate: with_ for crate, with_ in rows if "proc-macro" not in crate}


@pytest.mark.skipif(shutil.which("cargo") is None, reason="no Rust toolchain")
def test_no_crate_is_built_twice_for_the_sake_of_features() -> None:
    tests, wheel = features("--workspace"), features("-p", "vatwright-bindings")
    assert len(wheel) > 50
    differ = {c: (tests[c], with_) for c, with_ in wheel.items() if tests.get(c, with_) != with_}
    assert differ == {}, "ask for the same features in rust/bindings/Cargo.toml"
