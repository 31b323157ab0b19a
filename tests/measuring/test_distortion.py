"""Distortion of make-believe tapes whose harmonics are known."""

import functools

import deck_generator as generator
import numpy as np
import pytest

from tapecalc.measuring import CannotTell, find_signal, make_test_signal, open_recording
from tapecalc.measuring.distortion import measure_distortion
from tapecalc.sound.test_signal import PARTS, SWEEPS

RATE = 32000
DECK = generator.Deck(
    spacing=0.0415, speed=0.1905, wobbles=((0.002, 1.1, 0.3), (0.001, 6.3, 1.0)), random=(2e-4, 3)
)
DELAY = 0.0415 / 0.1905
REFERENCE = 10 ** (-18 / 20)  # peak


def emphasis(corner):
    return lambda f: 1 + 1j * f / corner


@functools.cache
def played(limit, *, corner=0.0, hiss=3e-5, seed=0):
    """The sweeps through a tape that takes ``limit tanh(x / limit)``, behind a lift of the treble."""
    begin, end = PARTS[1].start - 0.2, PARTS[3].stop + 2.5
    sent = make_test_signal(RATE)[int(begin * RATE) : int(end * RATE)]
    on_tape = generator.filtered(sent, RATE, emphasis(corner)) if corner else sent
    on_tape = limit * np.tanh(on_tape / limit)
    if corner:
        on_tape = generator.filtered(on_tape, RATE, lambda f: 1 / emphasis(corner)(f))
    wet = generator.echo(on_tape, RATE, DECK)
    wet += hiss * np.random.default_rng(seed).standard_normal(len(wet))
    return find_signal(open_recording(np.stack([sent, wet], axis=1), sample_rate=RATE)).parts


def harmonics(limit, size):
    """First and third harmonic of ``limit tanh(size sin(x) / limit)``, by integrals over a period."""
    x = 2 * np.pi * (np.arange(4096) + 0.5) / 4096
    wave = limit * np.tanh(size * np.sin(x) / limit)
    return 2 * np.mean(wave * np.sin(x)), 2 * np.mean(wave * np.sin(3 * x))


def test_sweeps_that_the_interface_clips_say_nothing_of_the_tape():
    clean = played(8 * REFERENCE)["sweeps"]
    dry, wet = (clean.read(channel, 0, clean.count) for channel in ("dry", "playback"))
    clipped = np.clip(wet, -0.5 * np.max(np.abs(wet)), 0.5 * np.max(np.abs(wet)))
    cut = open_recording(np.stack([dry, clipped], axis=1), sample_rate=RATE)
    with pytest.raises(CannotTell, match="sweeps are clipped"):
        measure_distortion({"sweeps": cut}, delay=DELAY)


def test_third_harmonic_against_level_is_that_of_the_tape():
    limit = 4 * REFERENCE
    reading = measure_distortion(played(limit), delay=DELAY)
    ones, threes = zip(
        *(harmonics(limit, REFERENCE * 10 ** (s.level_db / 20)) for s in SWEEPS[1:]), strict=True
    )
    assert np.allclose(reading.levels_db, 20 * np.log10(np.array(ones) / ones[0]), atol=0.05)
    for share, one, three in zip(reading.third, ones, threes, strict=True):
        assert share.value == pytest.approx(abs(three / one), rel=0.03)
    sizes = np.geomspace(REFERENCE, 4 * REFERENCE, 2000)
    share, level = zip(
        *((abs(t / o), 20 * np.log10(o / ones[0])) for o, t in (harmonics(limit, s) for s in sizes)),
        strict=True,
    )
    assert reading.mol_db.covers(np.interp(0.03, share, level)) and reading.mol_db.plus_minus < 0.6
    assert "reaches 3 %" in reading.sentences[0]


def test_a_rough_delay_a_few_milliseconds_off_does_no_harm():
    exact, rough = (measure_distortion(played(4 * REFERENCE), delay=DELAY + off) for off in (0, 0.004))
    assert rough.mol_db.value == pytest.approx(exact.mol_db.value, abs=0.1)


def test_three_percent_that_are_not_reached_are_said_to_be_so():
    reading = measure_distortion(played(30 * REFERENCE), delay=DELAY)
    assert reading.mol_db is None and "stays below 3 %" in reading.sentences[0]
    quiet = reading.third[0]  # 0.009 % at the reference tone, in the hiss
    assert quiet.value - quiet.plus_minus <= 1 / 12 / 30**2 <= quiet.value + quiet.plus_minus
    assert all(abs(change.value) < 0.3 for _, change in reading.treble_db)
    assert reading.to_dict()["mol_db"] is None


def test_a_tape_that_saturates_in_the_treble_is_told_from_a_dull_one():
    limit, corner = 8 * REFERENCE, 1000.0
    reading = measure_distortion(played(limit, corner=corner), delay=DELAY)
    for middle, change in reading.treble_db:
        lift = abs(emphasis(corner)(middle))
        loud, soft = (harmonics(limit, lift * s * REFERENCE)[0] / s for s in (1.0, 0.1))
        low = abs(emphasis(corner)(315.0))
        low = harmonics(limit, low * REFERENCE)[0] / harmonics(limit, 0.1 * low * REFERENCE)[0] / 10
        assert change.value == pytest.approx(20 * np.log10(loud / soft / low), abs=0.35)
    assert any("saturates in the treble" in sentence for sentence in reading.sentences)


def test_without_sweeps_there_is_no_distortion():
    parts = played(4 * REFERENCE)
    with pytest.raises(CannotTell, match="needs the sweeps"):
        measure_distortion({"noise": parts["noise"]}, delay=DELAY)
    with pytest.raises(CannotTell, match="delay is another"):
        measure_distortion(parts, delay=3.1)
