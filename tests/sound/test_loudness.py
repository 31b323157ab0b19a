"""Loudness: gates, channels, weighting, and the gain to the loudness of a program."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapecalc.sound.loudness import TWICE_DB, loudness_lufs, program_gain_db, true_peak_db

RATE = 48000
SECONDS = np.arange(3 * RATE) / RATE


def sine(frequency, amplitude=0.1):
    return amplitude * np.sin(2 * np.pi * frequency * SECONDS)


@pytest.mark.parametrize(
    ("frequency", "more"),
    [
        # Worked out by hand from the two sections at z = 1, -1: nothing is left of the lowest, and the head
        # adds (1.5351 + 2.6917 + 1.1984) / (1 + 1.6907 + 0.7325) = 1.5849, 4.0 dB; the high pass
        # 4 / (1 + 1.9900 + 0.9901) = 1.0050, 0.04 dB. Less 0.69 dB that count as none at 1 kHz.
        (23_500, 4.04 - 0.691),
        # At 100 Hz the high pass of 38.1 Hz and Q 0.5: f^2 / (f^2 + 38.1^2) = 0.873, -1.18 dB, and the
        # same 0.04 dB.
        (100, -1.18 + 0.04 - 0.691),
    ],
)
def test_treble_counts_more_and_bass_less(frequency, more):
    assert loudness_lufs(sine(frequency), RATE) == pytest.approx(-23.01 + more, abs=0.05)


def test_a_second_channel_of_the_same_adds_3_db():
    one = loudness_lufs(sine(500), RATE)
    both = loudness_lufs(np.column_stack([sine(500), sine(500)]), RATE)
    assert both - one == pytest.approx(TWICE_DB) == pytest.approx(3.0103, abs=1e-4)


def test_silence_and_what_is_shorter_than_a_block_have_no_loudness():
    assert loudness_lufs(np.zeros(RATE), RATE) == -300
    assert loudness_lufs(sine(500)[: RATE // 4], RATE) == -300
    assert program_gain_db(np.zeros(RATE), RATE) == 0
    assert loudness_lufs(sine(500, 10**-3.6), RATE) == -300  # under the gate at -70


@pytest.mark.parametrize("bad", [[np.nan, 0.1], [], [[1, 2, 3.0]]])
def test_nonsense_is_refused(bad):
    for measure in (true_peak_db, lambda sound: loudness_lufs(sound, RATE)):
        with pytest.raises(ValueError, match="samples"):
            measure(bad)
    with pytest.raises(ValueError, match="sample_rate"):
        loudness_lufs(sine(500), 10)


@given(st.floats(-40, 0), st.integers(0, 99))
def test_loudness_and_peak_follow_the_gain(gain_db, seed):
    sound = 0.2 * np.random.default_rng(seed).standard_normal(RATE)
    turned = 10 ** (gain_db / 20) * sound
    assert loudness_lufs(turned, RATE) - loudness_lufs(sound, RATE) == pytest.approx(gain_db, abs=1e-6)
    assert true_peak_db(turned) - true_peak_db(sound) == pytest.approx(gain_db, abs=1e-6)
    assert true_peak_db(sound) >= 20 * np.log10(np.abs(sound).max()) - 0.1


def test_a_sound_is_brought_to_the_loudness_of_a_program_in_both_channels():
    dying = sine(440) * np.exp(-2 * SECONDS)  # the more it is turned up, the more of it counts
    both = 10 ** (program_gain_db(dying, RATE) / 20) * np.column_stack([dying, dying])
    assert loudness_lufs(both, RATE) == pytest.approx(-23, abs=0.1)
    assert true_peak_db(both) < -1


def test_a_sound_of_few_high_peaks_stops_at_its_peak():
    ticks = np.zeros(3 * RATE)
    ticks[::RATE] = 0.01
    turned = 10 ** (program_gain_db(ticks + sine(440, 1e-4), RATE) / 20) * (ticks + sine(440, 1e-4))
    assert true_peak_db(turned) == pytest.approx(-1, abs=1e-6)
    assert loudness_lufs(turned, RATE) + TWICE_DB < -24
