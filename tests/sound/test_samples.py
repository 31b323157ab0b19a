"""Levels, peaks and clipping of sounds in memory."""

import numpy as np
import pytest

from tapecalc.sound.samples import SILENCE_DB, clipped_samples, peak_db, rms_db, sound_array, with_peak


def test_levels_of_silence_have_a_floor():
    assert peak_db(np.zeros(3)) == rms_db(np.zeros(3)) == SILENCE_DB
    assert not with_peak(np.zeros(3), -6).any()


def test_stereo_levels_cover_both_channels():
    assert peak_db([[0.1, -0.5], [0.2, 0.0]]) == pytest.approx(-6.02, abs=0.01)


def test_clipping_is_told_from_natural_peaks():
    loud = np.clip(1.5 * np.sin(np.arange(470) / 10), -1, 1)
    assert clipped_samples(loud) == np.count_nonzero(np.abs(loud) == 1)
    assert clipped_samples(np.sin(np.arange(470) / 10)) == 0
    assert clipped_samples(np.column_stack([loud, loud])) == 2 * clipped_samples(loud)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: sound_array(np.array([1, 2], dtype=np.int16)), "floating-point"),
        (lambda: sound_array([]), "at least one sample"),
        (lambda: sound_array(np.zeros((5, 3))), "shape"),
        (lambda: sound_array(np.zeros((2, 2, 2))), "shape"),
        (lambda: sound_array([0.0, np.nan]), "finite"),
        (lambda: sound_array([0.0, np.inf]), "finite"),
        (lambda: with_peak([0.1], 3), "level_db must be from -300 to 0"),
    ],
)
def test_nonsense_is_refused_in_one_line(call, message):
    with pytest.raises(ValueError, match=message) as refused:
        call()
    assert "\n" not in str(refused.value)
