"""Loop gain from the repeats of a make-believe deck."""

import functools

import deck_generator as generator
import numpy as np
import pytest

from tapecalc import measuring as measure
from tapecalc.measuring import CannotTell

DECK = generator.Deck(wobbles=((0.0008, 1.3, 0.3), (0.0005, 6.3, 1.0)))


@functools.cache
def fading(return_gain, seconds=6, noise=1e-5, passes=60):
    """A burst and its repeats."""
    rate = 16000
    dry = np.zeros(seconds * rate)
    dry[1000:3000] = generator.noise(0.125, rate, seed=4)
    passes = min(passes, int(seconds / 0.2) + 1)
    wet = generator.echo(dry, rate, DECK, return_gain=return_gain, passes=passes)
    wet += noise * np.random.default_rng(6).standard_normal(len(wet))
    return dry, wet, rate


@pytest.mark.parametrize("return_gain", [0.3, 0.6, 0.9])
@pytest.mark.parametrize("with_dry", [True, False])
def test_loop_gain_is_found_from_the_repeats_alone(return_gain, with_dry):
    dry, wet, rate = fading(return_gain)
    samples = np.stack([dry, wet], axis=1) if with_dry else wet
    found = measure.measure_repeats(measure.open_recording(samples, sample_rate=rate))
    assert found.delay == pytest.approx(0.2, abs=0.001)
    assert found.loop_gain_db.value == pytest.approx(20 * np.log10(return_gain), abs=0.15)
    assert found.repeats == pytest.approx(int(-40 / (20 * np.log10(return_gain))), abs=2)
    assert len(found.bands) >= 4


def test_repeats_that_grow_are_called_running_away():
    dry, wet, rate = fading(1.05)
    samples = np.stack([dry, 0.1 * wet], axis=1)
    found = measure.measure_repeats(measure.open_recording(samples, sample_rate=rate), delay=0.2)
    assert found.loop_gain_db.value > 0
    assert found.repeats == 0
    assert "runs away" in found.sentences[-1]
    assert found.to_dict()["repeats"] == 0


def test_repeats_of_nothing_are_refused():
    dry, wet, rate = fading(0.5)

    def refused(samples, reason, **options):
        with pytest.raises(CannotTell, match=reason):
            measure.measure_repeats(measure.open_recording(samples, sample_rate=rate), **options)

    refused(np.zeros(rate), "empty")
    refused(np.random.default_rng(1).standard_normal(4 * rate) * 0.1, "nothing in the recording comes again")
    refused(np.stack([np.ones(6 * rate) * np.sin(np.arange(6 * rate)), wet], axis=1), "sounds to the end")
    refused(wet[: rate // 2], "three repeats", delay=0.2)
    refused(np.r_[wet[:6200], np.zeros(4 * rate)], "above the noise", delay=0.2)
    with pytest.raises(ValueError, match="heard_db"):
        measure.measure_repeats(measure.open_recording(wet, sample_rate=rate), heard_db=5)
