"""What is looked at, as Python sees it."""

import pickle

import numpy as np
import pytest

import vatwright as vw


def test_weights_are_an_array_and_can_be_replaced() -> None:
    part = vw.Part(vw.shapes.figure(3, 50.0, 8_000))
    assert part.appearance is None
    part = part.appraised(up="z")
    weights = part.appearance
    assert weights is not None
    assert weights.dtype == np.float32
    assert weights.shape == (len(part.body.mesh.triangles),)
    assert 0.0 <= weights.min() < 0.1
    assert weights.max() == 1.0
    assert part.upright == pytest.approx((0.0, 0.0, 1.0))
    again = part.weighted(weights * 0.5)
    assert again.appearance == pytest.approx(weights * 0.5)
    assert again.upright == part.upright
    restored = pickle.loads(pickle.dumps(again))
    assert restored.appearance == pytest.approx(again.appearance)


def test_up_can_be_any_direction_and_wrong_ones_say_so() -> None:
    part = vw.Part(vw.shapes.sphere(5.0, 500))
    assert part.appraised(up=(0.0, 1.0, 1.0)).upright == pytest.approx((0.0, 0.5**0.5, 0.5**0.5))
    assert part.appraised(up="unknown").upright is None
    with pytest.raises(TypeError, match="up: unknown variant"):
        part.appraised(up="sideways")  # type: ignore[arg-type]
    with pytest.raises(vw.OptionError, match="zero"):
        part.appraised(up=(0.0, 0.0, 0.0))
    with pytest.raises(ValueError, match="weights must have shape"):
        part.weighted([1.0, 0.5])
    assert vw.Orient(up="y").up == "y"
