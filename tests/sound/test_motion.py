"""How the tape moves, and the grid on which its delays are computed."""

import numpy as np
import pytest
from scipy import signal

from tapecalc.sound import motion
from tapecalc.sound.motion import Motion, SpeedChange

RATE = 48000


def test_the_random_wobble_has_the_rms_that_was_asked_for():
    wobbling = Motion(speed=0.1905, random_wobble=0.001, seed=5)
    step = motion.samples_per_cell(wobbling, RATE) / RATE
    chunks = motion._offsets(wobbling, step, 0)
    offset = np.concatenate([next(chunks) for _ in range(20)])
    assert np.std(np.diff(offset) / step) == pytest.approx(0.001, rel=0.05)


def test_random_wobble_is_white_noise_through_a_band_pass_of_first_order():
    # Reference: scipy's own design and recursion; the share of the noise is the mean of the gain squared.
    step = 1 / 750
    share, poles = motion._band_pass(step)
    zeros, wanted = signal.butter(1, motion.RANDOM_BAND, "bandpass", fs=750)
    np.testing.assert_allclose(poles, wanted, rtol=1e-12)
    np.testing.assert_allclose([share, 0, -share], zeros, rtol=1e-12)
    gain = np.abs(signal.freqz(zeros, wanted, 100_000)[1])
    assert share == pytest.approx(np.mean(gain**2), rel=1e-4)
    chunks = motion._offsets(Motion(speed=0.1905, random_wobble=0.001, seed=5), step, 0)
    noise = np.random.default_rng([5, 1]).standard_normal(3 * motion.CHUNK)
    wobble = signal.lfilter(zeros, wanted, 0.001 / np.sqrt(share) * noise)
    path = step * (np.cumsum(wobble) - wobble / 2)
    np.testing.assert_allclose(np.concatenate([next(chunks) for _ in range(3)]), path, atol=1e-15)


def test_a_fast_part_makes_the_grid_finer():
    slow, fast = (Motion(speed=0.2, wobbles=((0.001, rate),)) for rate in (10.0, 300.0))
    assert (motion.samples_per_cell(slow, RATE), motion.samples_per_cell(fast, RATE)) == (64, 16)


def test_speed_ratio_follows_the_change():
    changing = Motion(speed=0.2, change=SpeedChange(ratio=2.0, start=1.0, seconds=1.0))
    assert motion.speed_ratio(changing, [0.0, 1.5, 3.0]) == pytest.approx([1, 1.5, 2])
    assert motion.speed_ratio(Motion(speed=0.2), 1.0) == 1
    assert abs(motion.speed_ratio(Motion(speed=0.2, wobbles=((0.01, 3.0),)), 0.1) - 1) <= 0.01


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: SpeedChange(ratio=0, start=0, seconds=1), "ratio must be from 0.125 to 8"),
        (lambda: SpeedChange(ratio=2, start=-1, seconds=1), "start must be 0 s or more"),
        (lambda: SpeedChange(ratio=2, start=0, seconds=0), "seconds must be from 0.02"),
        (lambda: Motion(speed=0.2, wobbles=((0.2, 1.0), (0.2, 2.0))), "wobbles must be from 0 to 0.3"),
        (lambda: Motion(speed=0.2, wobbles=((0.1, 1.0),), phases=()), "phases must be as many"),
        (lambda: Motion(speed=0.2, random_wobble=0.2), "random_wobble must be from 0 to 0.05"),
    ],
)
def test_a_motion_that_no_tape_makes_is_refused_in_one_line(call, message):
    with pytest.raises(ValueError, match=message) as refused:
        call()
    assert "\n" not in str(refused.value)
