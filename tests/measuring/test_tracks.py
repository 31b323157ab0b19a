"""Two tracks of one tape against each other."""

import deck_generator as generator
import numpy as np
import pytest

from tapecalc.measuring import CannotTell, open_recording
from tapecalc.measuring.tracks import measure_tracks

RATE = 48000


def tracks(late, *, snr_db=40, seconds=4, seed=1, sign=1, weave=0.0):
    """The same noise on two tracks, the second `late` seconds later, weaving by `weave` seconds."""
    sound = generator.noise(seconds, RATE, seed=seed)
    t = np.arange(len(sound)) / RATE
    moved = late + weave * np.sin(2 * np.pi * 0.7 * t + seed)
    second = sign * 0.8 * generator.reader(sound)((t - moved) * RATE)
    both = [generator.soiled(x, snr_db=snr_db, seed=10 * seed + k) for k, x in enumerate((sound, second))]
    return open_recording(np.stack(both, axis=1), sample_rate=RATE)


@pytest.mark.parametrize("late", [-1.3e-3, -3.3e-5, 1e-6, 4.7e-5])
def test_time_level_and_tilt_are_those_that_were_made(late):
    reading = measure_tracks(tracks(late, weave=1e-6), speed=0.1905, track_distance=4e-3)
    assert reading.time.covers(late) and reading.time.plus_minus < 2e-6
    assert reading.level_db.value == pytest.approx(20 * np.log10(0.8), abs=0.02)
    # 0.1905 m/s x 47 us = 8.95 um; over 4 mm that is 2.24 mrad, 7.7 arcmin.
    assert np.tan(reading.azimuth.value) == pytest.approx(0.1905 * reading.time.value / 4e-3, rel=1e-6)
    assert any("tilt of" in sentence for sentence in reading.sentences)
    assert reading.polarity == 1 and set(reading.to_dict()) >= {"time", "azimuth"}


def test_intervals_cover_the_truth_as_stated():
    rng = np.random.default_rng(31)
    inside = 0
    for seed in range(12):
        late = rng.uniform(-5e-5, 5e-5)
        inside += measure_tracks(tracks(late, seed=seed, snr_db=25, weave=2e-6)).time.covers(late)
    assert inside >= 9  # fewer come by chance once in 1,000 times


def test_tracks_turned_over_or_of_other_sounds_are_said():
    turned = measure_tracks(tracks(2e-5, sign=-1))
    assert turned.polarity == -1 and turned.time.covers(2e-5) and "turned over" in turned.sentences[0]
    two = np.stack([generator.noise(4, RATE, seed=k) for k in (1, 2)], axis=1)
    with pytest.raises(CannotTell, match="do not carry one sound"):
        measure_tracks(open_recording(two, sample_rate=RATE))
    with pytest.raises(CannotTell, match="two channels"):
        measure_tracks(open_recording(two[:, 0], sample_rate=RATE))
