"""Takes that went wrong as takes do, and what is said of them before anything is measured."""

import dataclasses
import tracemalloc

import deck_generator as generator
import numpy as np
import pytest
import soundfile

from tapecalc import measuring as measure
from tapecalc.measuring.lag import Lag
from tapecalc.measuring.look import Look, _look_along, look

RATE = 32_000
DECK = generator.Deck(spacing=0.0418, speed=0.188, wobbles=((1.5e-3, 3.4, 0.0), (1e-3, 0.6, 2.0)))
ALL = ["reference", "program", "sweeps", "tone", "silence"]


def opened(dry, played, rate=RATE):
    return measure.open_recording(np.stack([dry, played], axis=1), sample_rate=rate)


def hissing(samples, seed=5):
    """With the noise that every tape has."""
    return samples + 2e-4 * np.random.default_rng(seed).standard_normal(len(samples))


@pytest.fixture(scope="module")
def sent():
    return measure.make_test_signal(RATE)


@pytest.fixture(scope="module")
def played(sent):
    return hissing(generator.echo(sent, RATE, DECK))


def leveled(samples):
    """What an automatic level control makes of it: down at once, up over a second."""
    step = RATE // 100
    blocks = samples[: len(samples) // step * step].reshape(-1, step)
    gain, gains = 1.0, []
    for level in np.sqrt(np.mean(blocks**2, axis=1)):
        want = min(0.1 / max(level, 1e-9), 30.0)
        gain = want if want < gain else gain + 0.01 * (want - gain)
        gains.append(gain)
    return samples * np.interp(np.arange(len(samples)), step * np.arange(len(gains)), gains)


def test_a_good_take_is_good_and_nothing_is_said(sent, played):
    seen = look(opened(sent, played), "test signal")
    assert (seen.light, seen.sentences, list(seen.pieces), seen.spoiled) == ("good", [], ALL, {})
    waited = np.zeros(70 * RATE)
    late = look(opened(np.append(waited, sent), np.append(waited, played)), "test signal")
    assert late.light == "good" and list(late.pieces) == ALL


def test_swapped_channels_are_exchanged_for_every_piece(sent, played):
    seen = look(opened(played, sent), "test signal")
    right = look(opened(sent, played), "test signal")
    assert seen.light == "usable" and "swapped" in seen.sentences[0]
    for name in ALL:
        for channel in ("dry", "playback"):
            given, due = (one.pieces[name].read(channel, 0, 999) for one in (seen, right))
            np.testing.assert_array_equal(given, due)


def spoiled(name, sent, played):
    """A take that went wrong, by a name."""
    gap = np.r_[0 : 45 * RATE, round(46.2 * RATE) : len(sent)]
    stopped = played.copy()
    stopped[30 * RATE :] = 1e-5 * np.random.default_rng(1).standard_normal(len(sent) - 30 * RATE)
    return {
        "source": lambda: opened(sent, hissing(0.7 * sent)),
        "leak": lambda: opened(sent, played + 0.1 * sent),
        "return up": lambda: opened(
            sent, hissing(generator.echo(sent, RATE, DECK, return_gain=0.3, passes=5))
        ),
        "automatic level": lambda: opened(sent, leveled(played)),
        "stopped": lambda: opened(sent, stopped),
        "gap": lambda: opened(sent[gap], played[gap]),
        "cut short": lambda: opened(sent[: 18 * RATE], played[: 18 * RATE]),
        "quiet": lambda: opened(0.01 * sent, np.round(2**15 * 0.01 * played) / 2**15),
        "clipped": lambda: opened(sent, np.clip(12 * played, -1, 1)),
        "unrelated": lambda: opened(sent, 0.1 * np.random.default_rng(1).standard_normal(len(sent))),
        "no dry": lambda: opened(np.zeros(len(sent)), played),
        "nothing played": lambda: opened(sent, np.zeros(len(sent))),
        "wrong rate": lambda: opened(sent, played, rate=RATE),
    }[name]()


@pytest.mark.parametrize(
    ("name", "light", "said", "pieces", "kept_back"),
    [
        ("source", "useless", "from source to tape", [], []),
        (
            "leak",
            "usable",
            "about -20 dB against the echo: turn direct monitoring",
            ALL,
            ["tone", "silence", "sweeps"],
        ),
        ("return up", "usable", "pull the return send down", ALL, ["tone", "silence", "sweeps"]),
        ("automatic level", "usable", "automatic level control is on", ALL, ["silence", "sweeps"]),
        ("stopped", "usable", "From 29.8 s on nothing comes from the tape", ["reference", "program"], []),
        ("gap", "usable", "not all of tone and silence is there", ALL, []),
        ("cut short", "usable", "not all of noise, sweeps, tone and silence", ["reference", "program"], []),
        ("quiet", "usable", "far too quiet, it peaks at -48 dB", ALL, []),
        ("clipped", "usable", "is clipped at", ALL, []),
        ("unrelated", "useless", "nothing to do with each other", [], []),
        ("no dry", "usable", "without what goes in", ["tone", "silence"], []),
        ("nothing played", "useless", "the playback channel is empty: look at its lead", [], []),
    ],
)
def test_what_went_wrong_is_said_once_with_what_to_do(name, light, said, pieces, kept_back, sent, played):
    seen = look(spoiled(name, sent, played), "test signal")
    assert sum(said in sentence for sentence in seen.sentences) >= 1, seen.sentences
    assert (seen.light, list(seen.pieces), list(seen.spoiled)) == (light, pieces, kept_back)
    if name == "quiet":
        assert not any("clipped" in sentence for sentence in seen.sentences)


def test_a_file_that_says_a_wrong_rate_is_read_at_the_true_one():
    sent = measure.make_test_signal(48000)
    played = generator.echo(sent, 48000, DECK)
    seen = look(opened(sent, played, rate=44100), "test signal")
    assert seen.recording.sample_rate == 48000 and list(seen.pieces) == ALL
    assert any("says 44100 Hz" in s and "runs at 48000 Hz" in s for s in seen.sentences)


@pytest.mark.parametrize("sound", [generator.noise, generator.plucked])
def test_music_is_looked_at_too_and_music_that_is_well_is_left_alone(sound):
    dry = sound(10, RATE)
    assert look(opened(dry, hissing(generator.echo(dry, RATE, DECK)))).light == "good"
    again = generator.echo(dry, RATE, DECK, return_gain=0.4, passes=5)
    assert "return send down" in look(opened(dry, hissing(again))).sentences[0]


def test_of_two_tones_the_steadier_went_in_and_two_as_steady_are_from_no_tape():
    steady = 0.3 * np.sin(2 * np.pi * 3150 * np.arange(12 * RATE) / RATE)
    tape = 0.3 * generator.tone(12, RATE, DECK)
    assert look(opened(steady, tape), "tone").light == "good"
    swapped = look(opened(tape, steady), "tone")
    np.testing.assert_array_equal(swapped.pieces["tone"].read("playback", 0, 99), tape[:99])
    both = look(opened(steady, 0.5 * steady), "tone")
    assert not both.pieces and "too steady to come from a tape" in both.sentences[-1]


def test_two_files_without_a_common_start_are_never_exchanged():
    dry = generator.noise(6, RATE)
    wet = generator.echo(dry, RATE, DECK)
    late = dataclasses.replace(opened(dry, np.roll(wet, -RATE)), common_start=False, one_clock=False)
    seen = look(late)
    assert not any("swapped" in sentence for sentence in seen.sentences)
    found = measure.measure([measure.Take(recording=late)])
    assert not found.delays and any("start" in sentence for sentence in found.sentences)


@pytest.mark.parametrize(
    ("played_s", "said"),
    [
        (0.5, "the sound repeats itself"),
        (0.7, "from 0.5 s on nothing comes from the tape"),
        (1.0, "from 0.8 s on nothing comes from the tape"),
    ],
)
def test_of_a_tape_that_stopped_at_once_nothing_is_told(played_s, said):
    dry = generator.noise(6, RATE)
    wet = generator.echo(dry, RATE, DECK)
    wet[round(played_s * RATE) :] = 0.0
    found = measure.measure([measure.Take(recording=opened(dry, wet))])
    assert found.empty and found.lights[0].light == "useless"
    assert f"Nothing can be told of this take, because {said}" in found.sentences[0]


def test_of_silence_no_ratio_is_taken():
    for dry in (generator.noise(2, RATE), np.zeros(2 * RATE)):
        seen = Look(opened(dry, np.zeros(2 * RATE)))
        _look_along(seen, Lag(seconds=0.2, polarity=1), seen.recording)
        assert seen.sentences == []


def test_a_long_take_needs_no_more_memory_than_a_short_one(tmp_path):
    rate, peaks = 8000, []
    for minutes in (3, 15):
        dry = generator.noise(60 * minutes, rate)
        both = np.stack([dry, np.roll(dry, 1600)], axis=1)
        soundfile.write(tmp_path / f"{minutes}.wav", both, rate, subtype="PCM_16")
        recording = measure.open_recording(tmp_path / f"{minutes}.wav")
        tracemalloc.start()
        assert look(recording).light == "good"
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    # Twelve minutes of one channel are 46 MB.
    assert peaks[1] - peaks[0] < 1e6
