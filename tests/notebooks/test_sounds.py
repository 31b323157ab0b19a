"""What a lesson says one hears is in its sounds: measured in the files that stand in the notebooks."""

import html
import re
from functools import cache

import notebook_rules as rules
import numpy as np

FRAME = 0.02  # s


@cache
def sounds(lesson):
    """Samples and rate of every sound of a lesson, by its title; of two of one name the later one."""
    (notebook,) = (each for each in rules.course() if each.name == lesson)
    found = {}
    for _, cell in notebook.code:
        for output in cell.outputs:
            page = output.get("data", {}).get("text/html", "")
            for title, source in re.findall(r"aria-label='Sound: ([^']*)'><audio[^>]*src='([^']+)'", page):
                found[html.unescape(title)] = rules.heard(notebook, source)
    return found


def share_above(sound, hertz):
    """Power above a frequency against all of it, dB."""
    samples, rate = sound
    power = np.abs(np.fft.rfft(samples)) ** 2
    return 10 * np.log10(power[np.fft.rfftfreq(len(samples), 1 / rate) > hertz].sum() / power.sum())


def levels_db(sound):
    """Rms of each short frame, dB against full scale."""
    samples, rate = sound
    size = round(FRAME * rate)
    frames = samples[: len(samples) // size * size].reshape(-1, size)
    return 10 * np.log10(np.mean(frames**2, axis=1) + 1e-12)


def lag_of(sound, other, least=0.05):
    """Where a sound is most like another, later by `least` or more, s."""
    (samples, rate), (reference, _) = sound, other
    size = 2 * max(len(samples), len(reference))
    product = np.fft.rfft(samples, size) * np.conj(np.fft.rfft(reference, size))
    likeness = np.fft.irfft(product / (np.abs(product) + 1e-9 * np.abs(product).max()))[: len(samples) // 2]
    first = round(least * rate)
    return (first + int(np.argmax(likeness[first:]))) / rate


def test_one_answer_comes_after_each_delay():
    heard = sounds("01_delay")
    for title, delay in (("218 ms", 0.2178), ("436 ms", 0.4357)):
        assert abs(lag_of(heard[title], heard["no echo"]) - delay) < 0.001


def test_the_fast_answer_treads_on_the_next_syllable_and_the_slow_one_speaks_in_gaps():
    """Where the line pauses, the later answer sounds and the sooner one is over more often."""
    heard = sounds("01_delay")
    dry, late, soon = (levels_db(heard[name]) for name in ("no echo", "436 ms", "218 ms"))
    pauses = dry < np.max(dry) - 30
    assert np.mean(late[pauses] > -45) > np.mean(soon[pauses] > -45)


def test_consonants_go_with_the_passes():
    heard = sounds("02_wavelength")
    one, fast, slow = (
        share_above(heard[name], 3000) for name in ("pass 1, fast", "pass 8, fast", "pass 8, slow")
    )
    assert fast < one - 2
    assert slow < fast - 6


def test_each_effect_alone_does_what_is_said_of_it():
    heard = sounds("02_wavelength")
    response, hiss, limiting = (heard[f"only {name}"] for name in ("response", "hiss", "limiting"))
    assert share_above(response, 3000) < share_above(hiss, 3000) - 3
    quiet = [np.percentile(levels_db(sound), 5) for sound in (hiss, limiting)]
    assert quiet[0] > quiet[1] + 10
    assert np.abs(limiting[0]).max() < 0.9 * np.abs(hiss[0]).max()
