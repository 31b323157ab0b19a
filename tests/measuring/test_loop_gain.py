"""Loop gain from the repeats of a make-believe deck."""

import functools

import deck_generator as generator
import numpy as np
import pytest

from tapecalc import measuring as measure
from tapecalc.measuring import CannotTell

RATE = 16000
DELAY = 0.2
DECK = generator.Deck(wobbles=((0.0008, 1.3, 0.3), (0.0005, 6.3, 1.0)))


def read(*channels, delay=DELAY, **options):
    samples = np.stack(channels, axis=1) if len(channels) == 2 else channels[0]
    return measure.measure_repeats(measure.open_recording(samples, sample_rate=RATE), delay=delay, **options)


@functools.cache
def burst(seed=4):
    return generator.noise(0.125, RATE, seed=seed)


@functools.cache
def fading(gain_db, *, bump_db=0.0, note=0.0, seconds=6, noise=1e-5, level=1.0, wait=0.5):
    """A burst, or a note of `note` Hz, and its repeats through a deck with a bump of its head at 90 Hz."""
    dry = np.zeros(seconds * RATE)
    sound = plucked(note) if note else burst()
    begin = int(wait * RATE)
    dry[begin : begin + len(sound)] = level * sound
    passes = min(seconds * 5 + 1, int(2 - 60 / gain_db) if gain_db < -1 and not bump_db else 40)
    gain = (lambda f: bump(f, bump_db)) if bump_db else None
    wet = generator.echo(dry, RATE, DECK, gain=gain, return_gain=10 ** (gain_db / 20), passes=passes)
    return dry, wet + noise * np.random.default_rng(6).standard_normal(len(wet))


def bump(frequency, bump_db):
    """A bell of `bump_db` at 90 Hz, as wide as an octave, and a low cut at 20 Hz."""
    f = np.maximum(frequency, 1e-3)
    s = 1j * f / 90
    return (s * s + 10 ** (bump_db / 20) * s + 1) / (s * s + s + 1) / (1 + 20 / (1j * f))


def plucked(pitch):
    """A string with equal partials and notes that all periods of it resemble: what a wrong delay fits."""
    t = np.arange(int(1.2 * RATE)) / RATE
    partials = (np.sin(2 * np.pi * k * pitch * t + k * k) * np.exp(-k * t) / k for k in range(1, 25))
    return 0.1 * sum(partials) * np.minimum(1, (1.2 - t) / 0.02) * np.exp(-2 * t)


def saturated(gain_db, *, limit=0.1, seconds=12):
    """A burst in a loop whose tape has a limit, and no wobble."""
    n, dry = int(DELAY * RATE), np.zeros(seconds * RATE)
    dry[RATE // 2 : RATE // 2 + len(burst())] = burst()
    wet = np.zeros(len(dry))
    for k in range(0, len(dry) - n, n):
        going_in = dry[k : k + n] + 10 ** (gain_db / 20) * wet[k : k + n]
        wet[k + n : k + 2 * n] = limit * np.tanh(going_in / limit)
    return dry, wet + 1e-5 * np.random.default_rng(1).standard_normal(len(wet))


@pytest.mark.parametrize("gain_db", [-10.5, -4.4, -0.9])
@pytest.mark.parametrize("with_dry", [True, False])
def test_loop_gain_is_found_from_the_repeats_alone(gain_db, with_dry):
    dry, wet = fading(gain_db)
    found = read(dry, wet) if with_dry else read(wet)
    assert found.loop_gain_db.value == pytest.approx(gain_db, abs=0.1)
    assert found.loop_gain_db.covers(gain_db)
    assert gain_db < found.upper_db < gain_db + 0.4
    assert found.repeats == pytest.approx(int(-40 / gain_db), abs=2)
    assert len(found.bands) >= 20 and found.bands[0][0] < 45


@pytest.mark.parametrize("with_dry", [True, False])
def test_the_bump_of_a_head_decides(with_dry):
    dry, wet = fading(-4.0, bump_db=3.0)
    highest = -4 + 20 * np.log10(np.abs(bump(np.geomspace(30, 8000, 2000), 3.0)).max())
    found = read(dry, wet) if with_dry else read(wet)
    assert found.loop_gain_db.covers(highest) and found.loop_gain_db.plus_minus < 0.3
    assert highest < found.upper_db < highest + 0.3
    loudest = max(found.bands, key=lambda band: band[1].value)[0]
    assert loudest == pytest.approx(90, rel=0.15)


@pytest.mark.parametrize("pitch", [82.4, 110.0, 196.0])
def test_a_note_errs_on_the_safe_side_and_says_what_it_cannot_tell(pitch):
    dry, wet = fading(-4.0, note=pitch, noise=1e-3)
    found = read(dry, wet)
    assert found.loop_gain_db.covers(-4.0) and found.loop_gain_db.plus_minus < 0.5
    assert found.upper_db > -4.0
    if pitch > 100:  # a bump at 90 Hz would not be in it
        assert any("next to nothing sounded" in sentence for sentence in found.sentences)
        assert found.upper_db > -1.2
    with pytest.raises(CannotTell, match="lasts as long as the delay"):
        read(wet)


def test_the_delay_must_be_known_and_right():
    dry, wet = fading(-4.4)
    with pytest.raises(TypeError, match="delay"):
        measure.measure_repeats(measure.open_recording(wet, sample_rate=RATE))
    with pytest.raises(CannotTell, match="does not come again 190 ms later"):
        read(dry, wet, delay=0.19)


def test_repeats_that_grow_are_called_running_away():
    dry, wet = fading(0.42, level=0.1)
    found = read(dry, wet)
    assert found.loop_gain_db.covers(0.42) and found.upper_db > 0.42
    assert found.repeats == 0
    assert "runs away" in found.sentences[-1]
    assert found.to_dict()["repeats"] == 0


@pytest.mark.parametrize("gain_db", [1.0, 6.0])
def test_a_runaway_that_the_tape_holds_is_known_for_what_it_is(gain_db):
    with pytest.raises(CannotTell, match="only the limit of the tape holds it"):
        read(*saturated(gain_db))


def test_what_the_tape_takes_off_loud_repeats_is_not_taken_for_stability():
    found = read(*saturated(-3.0))
    assert found.loop_gain_db.value == pytest.approx(-3, abs=0.15) and found.upper_db >= -3


def test_repeats_of_nothing_are_refused():
    dry, wet = fading(-6.0)

    def refused(reason, *channels, **options):
        with pytest.raises(CannotTell, match=reason):
            read(*channels, **options)

    refused("empty", np.zeros(RATE))
    refused("lasts as long as the delay", np.random.default_rng(1).standard_normal(4 * RATE) * 0.1)
    refused("sounds to the end", np.sin(np.arange(6 * RATE)), wet)
    refused("three repeats", wet[: RATE + RATE // 4])
    refused("above the noise", np.r_[wet[:13200], 1e-5 * generator.noise(4, RATE)])
    refused("above the noise", *fading(-24.0, noise=1e-2))
