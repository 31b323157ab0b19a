"""Stated uncertainties of delays cover the truth neither too seldom nor nearly always.

Each test counts over a seeded grid of recordings: speeds, steady and random wobbles, noise, sample
rates, an interface clock that is off by anything up to 100 ppm, offsets, 16-bit rounding.
"""

import deck_generator as generator
import measure_grid as grid
import pytest
from interval_counts import counted, covered, enough, parts

pytestmark = pytest.mark.slow


@parts(1 / 4)
def test_delays_and_tracks_are_covered_as_stated(count):
    errors = counted(grid.delays(count.of(32), seed=7101))
    assert covered(errors["track"])
    for name in ("delay, clock and wander", "drift"):
        assert count.honest(errors[name]), name
    # What equalizers may advance is in it, and here are none: it must cover, and may be wide.
    assert enough(errors["delay"])


@parts(1 / 4)
@pytest.mark.parametrize("trouble", ["feedback", "heads", "clip", "null", "equalizers"])
def test_delays_are_covered_as_stated_whatever_became_of_the_sound(trouble, count):
    errors = counted(grid.delays(count.of(12), seed=7102, **{trouble: True}))
    assert covered(errors["track"])
    for name in ("delay, clock and wander", "drift"):
        assert count.honest(errors[name]), name
    # A part of it is for what became of the sound, which does not err alike in every recording.
    assert enough(errors["delay"])


@parts(1 / 6)
def test_delays_of_speech_are_covered_as_stated(count):
    if generator.voice(1) is None:
        pytest.skip("there are no test sounds of the system's (Debian: alsa-utils)")
    errors = counted(grid.delays(count.of(48), seed=7103, sound=grid.speech))
    assert covered(errors["track"])
    for name in ("delay, clock and wander", "drift"):
        assert count.honest(errors[name]), name
    assert enough(errors["delay"])
