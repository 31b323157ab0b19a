"""Head bumps: worked out by hand where that can be done, and what must hold of any poles."""

from math import factorial

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapecalc.calc.contour import FADED, POLE_SHAPES, bump_gain

BUMPED = POLE_SHAPES[1:]


def test_endless_waves():
    # Plates take up nothing of a wave without end; of deep blocks each half takes up half.
    assert bump_gain(0.0, "plates") == pytest.approx(0, abs=1e-9)
    assert bump_gain(0.0, "blocks") == pytest.approx(0.5, abs=2e-3)
    # J0 is 1 - t^2/4 at first: pi q - (pi q)^3 / 12, at q = 0.05 0.157080 - 0.000323 = 0.156757
    assert bump_gain(0.05, "plates") == pytest.approx(0.156757, abs=1e-5)


def test_the_largest_bump_of_plates():
    # The integral of J0 is largest where J0 is 0: at t = 2.404826, q = 0.765480. Its series is
    # t - t^3 / (4 * 3) + t^5 / (16 * 4 * 5) - ..., in general (-1)^k t^(2k+1) / (4^k k!^2 (2k + 1)).
    for t in (0.5, 2.404826, 5.0):
        series = sum(
            (-1) ** k * t ** (2 * k + 1) / (4**k * factorial(k) ** 2 * (2 * k + 1)) for k in range(30)
        )
        assert bump_gain(t / np.pi, "plates") == pytest.approx(series, abs=2e-5)
    grid = np.linspace(0.5, 1.2, 7001)
    assert grid[np.argmax(bump_gain(grid, "plates"))] == pytest.approx(0.76548, abs=2e-3)


def test_no_bumps_at_all():
    assert np.array_equal(bump_gain([0.0, 0.7, 30.0], "flat"), [1, 1, 1])


@pytest.mark.parametrize("shape", BUMPED)
def test_short_waves_see_no_poles(shape):
    assert bump_gain([FADED, 2 * FADED, 1000], shape) == pytest.approx([1, 1, 1], abs=1e-9)
    near_end = bump_gain(np.linspace(FADED - 0.2, FADED + 0.2, 41), shape)
    assert np.abs(np.diff(near_end)).max() < 1e-3  # no step where they end


@pytest.mark.parametrize("shape", BUMPED)
def test_each_bump_is_smaller_than_the_last_and_on_the_other_side(shape):
    ratio = np.arange(0.5, 12, 0.001)
    off = bump_gain(ratio, shape) - 1
    turns = np.flatnonzero(np.diff(np.sign(np.diff(off)))) + 1
    extremes = off[turns]
    assert len(extremes) >= 10
    assert np.all(extremes[1:] * extremes[:-1] < 0)
    assert np.all(np.abs(extremes[1:]) < np.abs(extremes[:-1]))
    assert ratio[turns][1:] - ratio[turns][:-1] == pytest.approx(1, abs=0.05)  # one wave more in the poles


@given(ratio=st.floats(0, 40))
def test_deep_blocks_lie_between_nothing_and_twice(ratio):
    # Reciprocity: a head cannot turn a long wave over, nor take up more than both halves of a plate.
    for shape in BUMPED:
        assert 0 <= bump_gain(ratio, shape) + 1e-9 < 1.5
    assert bump_gain(ratio, "blocks") >= 0.49


def test_plates_bump_more_than_blocks():
    ratio = np.arange(0.0, 8, 0.001)
    off = {shape: np.abs(bump_gain(ratio, shape) - 1) for shape in BUMPED}
    for start in range(7):
        wave = (ratio >= start) & (ratio < start + 1)
        assert off["plates"][wave].max() > 1.5 * off["blocks"][wave].max()


@pytest.mark.parametrize(("ratio", "shape"), [(-0.1, "blocks"), (np.nan, "blocks"), (1.0, "spheres")])
def test_nonsense_is_refused(ratio, shape):
    with pytest.raises(
        ValueError, match="poles_per_wave must|shape 'spheres' is not known; known: flat, blocks, plates"
    ):
        bump_gain(ratio, shape)
