"""Fixtures shared by the tests."""

import pytest
from shapes import box

import vatwright as vw


@pytest.fixture
def part() -> vw.Part:
    return vw.Part(vw.Solid(box()))


@pytest.fixture
def setup() -> vw.Setup:
    return vw.Setup.load("desk-50um")
