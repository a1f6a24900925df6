"""Fixtures shared by the tests."""

import signal

import pytest
from shapes import box

import vatwright as vw

# A runner started in the background ignores SIGINT, and so would every process it starts.
signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture
def part() -> vw.Part:
    return vw.Part(vw.Solid(box()))


@pytest.fixture
def setup() -> vw.Setup:
    return vw.Setup.load("desk-50um")
