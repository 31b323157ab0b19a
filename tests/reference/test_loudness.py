"""Loudness and true peak of the signals that meters are tried with."""

import numpy as np
import pytest

from tapecalc.sound.loudness import loudness_lufs, true_peak_db

RATE = 48000


def stereo_sine(*parts, rate=RATE):
    """Sines of 1 kHz, one after the other, in both channels: (level in dBFS, seconds) each."""
    amplitude = np.concatenate(
        [np.full(round(rate * seconds), 10 ** (level / 20)) for level, seconds in parts]
    )
    sine = amplitude * np.sin(2 * np.pi * 1000 * np.arange(len(amplitude)) / rate)
    return np.column_stack([sine, sine])


def test_a_full_scale_sine_in_one_channel_is_minus_3_01():
    # Source: ITU-R BS.1770, annex 1: 997 Hz, 0 dBFS, left, center or right (from memory).
    sine = np.sin(2 * np.pi * 997 * np.arange(20 * RATE) / RATE)
    assert loudness_lufs(sine, RATE) == pytest.approx(-3.01, abs=0.01)
    assert loudness_lufs(np.column_stack([sine, 0 * sine]), RATE) == pytest.approx(-3.01, abs=0.01)


@pytest.mark.parametrize("rate", [44100, RATE, 96000])
@pytest.mark.parametrize(
    ("parts", "lufs"),
    [
        # Source: EBU Tech 3341, test signals 1 to 5, each +/- 0.1 LU (from memory).
        ([(-23, 20)], -23),
        ([(-33, 20)], -33),
        ([(-36, 10), (-23, 60), (-36, 10)], -23),
        ([(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)], -23),
        ([(-26, 20), (-20, 20.1), (-26, 20)], -23),
    ],
)
def test_stereo_sines_read_as_meters_must(parts, lufs, rate):
    assert loudness_lufs(stereo_sine(*parts, rate=rate), rate) == pytest.approx(lufs, abs=0.1)


def test_a_sine_of_1_khz_reads_7_thousandths_above_its_level():
    # Source: own, the two filters of BS.1770 at 1 kHz
    assert loudness_lufs(stereo_sine((-23, 20)), RATE) == pytest.approx(-22.993, abs=2e-3)


@pytest.mark.parametrize(("divided", "degrees"), [(4, 0), (4, 45), (6, 60), (8, 67.5)])
def test_the_peak_of_a_sine_is_found_between_its_samples(divided, degrees):
    # Source: EBU Tech 3341, test signals 15 to 18: amplitude 0.5 reads -6 dBTP, +0.2 or -0.4 (from memory).
    turns = 2 * np.pi * np.arange(RATE) / divided + np.radians(degrees)
    fade = np.clip(np.minimum(np.arange(RATE), np.arange(RATE)[::-1]) / 2400, 0, 1)
    assert -6.4 <= true_peak_db(0.5 * fade * np.sin(turns)) <= -5.8
