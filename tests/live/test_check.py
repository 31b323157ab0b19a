"""The live check: where the noise is in what comes back, how sure that is, and what is said of the wiring."""

import numpy as np
import pytest
import scripts
from scipy import signal

RATE = 48_000
SECONDS = 8.5


@pytest.fixture(scope="module")
def sent():
    return np.array(scripts.run("probe", f"return [...probeSamples({RATE})];"))


def came(sent, *ways, hiss_db=-60.0, seed=1):
    """What comes back by some ways, each a delay in s and a gain, with hiss."""
    heard = 10 ** (hiss_db / 20) * np.random.default_rng(seed).standard_normal(round(SECONDS * RATE))
    for seconds, gain in ways:
        first = round(seconds * RATE)
        piece = sent[: len(heard) - first]
        heard[first : first + len(piece)] += gain * piece
    return heard


def ways(*sounds):
    script = f"return given.map((heard) => wayOf(Float32Array.from(heard), {RATE}));"
    return scripts.run("probe", script, [sound.round(7).tolist() for sound in sounds])


def words(way, source=None):
    return scripts.run("check", "return wayInWords(given.way, given.source);", {"way": way, "source": source})


def test_the_noise_is_soft_and_lies_where_every_tape_carries_it(sent):
    assert np.abs(sent).max() == pytest.approx(0.1, abs=1e-6)
    power = np.abs(np.fft.rfft(sent)) ** 2
    f = np.fft.rfftfreq(len(sent), 1 / RATE)
    assert power[(f > 150) & (f < 6000)].sum() > 0.7 * power.sum()


@pytest.mark.parametrize(("seconds", "gain"), [(0.0183, 0.6), (0.2178, 0.3), (1.743, -0.2), (2.9, 0.5)])
def test_the_way_is_found_whatever_its_length_level_and_polarity(sent, seconds, gain):
    (way,) = ways(came(sent, (seconds, gain)))
    assert abs(way["seconds"] - round(seconds * RATE) / RATE) < way["plusMinus"] < 2e-4
    assert way["inverted"] == (gain < 0)


def test_an_unsteady_tape_widens_the_doubt_and_is_covered(sent):
    """Wow of 0.3 % at 0.8 Hz swings the delay by 0.5 ms to either side of its mean."""
    covered = []
    for seed, phase in enumerate(np.linspace(0, 6, 6)):
        t = np.arange(round(SECONDS * RATE)) / RATE
        delay = 0.25 + 0.0006 * np.sin(2 * np.pi * 0.8 * t + phase)
        played = np.interp((t - delay) * RATE, np.arange(len(sent)), 0.4 * sent, left=0, right=0)
        (way,) = ways(played + came(sent, seed=seed))
        covered.append(abs(way["seconds"] - 0.25) < way["plusMinus"])
    assert sum(covered) >= 5


def test_what_cannot_be_told_is_refused_with_its_reason(sent):
    other = came(sent) + 0.05 * signal.lfilter([1], [1, -0.9], came(sent, hiss_db=0, seed=9)) / 5
    two = came(sent, (0.012, 0.4), (0.23, 0.42))
    loud = np.clip(came(sent, (0.2, 20)), -1, 1)
    found = ways(other, two, loud, np.zeros(round(SECONDS * RATE)))
    assert [way["refused"] for way in found] == ["unlike", "rivals", "clipped", "faint"]
    assert sorted(found[1]["rivals"]) == pytest.approx([0.012, 0.23], abs=1e-3)
    said = [words(way)["text"] for way in found]
    for part, text in zip(("not in it", "12 and 230 ms", "clips", "Nothing comes in"), said, strict=True):
        assert part in text


def test_source_then_tape_tells_the_delay_of_the_tape_alone(sent):
    source, tape = ways(came(sent, (0.0125, 0.5)), came(sent, (0.0125 + 0.2178, 0.4)))
    first = words(source)
    assert first["good"] and "take 12.5 ms" in first["text"] and "switch to tape" in first["text"]
    second = words(tape, source)
    assert second["good"] and "That is the tape: it answers after 217." in second["text"]
    again = words(source, source)
    assert not again["good"] and "that is the source" in again["text"]


def test_a_soft_input_is_asked_for_more(sent):
    (soft,) = ways(came(sent, (0.01, 0.02), hiss_db=-90))
    assert soft["level_db"] < -50
    told = words(soft)
    assert not told["good"] and "too soft" in told["text"]


def test_the_better_of_two_channels_is_told(sent):
    left, right = came(sent, seed=3), came(sent, (0.3, 0.4), seed=4)
    script = f"return bestWay(given.map((one) => Float32Array.from(one)), {RATE});"
    best = scripts.run("check", script, [left.round(7).tolist(), right.round(7).tolist()])
    assert best["channel"] == 1 and best["way"]["seconds"] == pytest.approx(0.3, abs=1e-4)
