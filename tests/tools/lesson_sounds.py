"""Sounds as they stand in the notebooks, and what can be measured in them."""

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


def cents(sound, hertz, start, end):
    """Pitch against a frequency from its zero crossings, cents: for each cycle the mean of seven."""
    samples, rate = sound
    spectrum, tones = np.fft.rfft(samples), np.fft.rfftfreq(len(samples), 1 / rate)
    wave = np.fft.irfft(np.where(np.abs(tones - hertz) < 0.3 * hertz, spectrum, 0), len(samples))
    below = np.flatnonzero((wave[:-1] < 0) & (wave[1:] >= 0))
    moments = (below - wave[below] / (wave[below + 1] - wave[below])) / rate
    inside = moments[(moments > start) & (moments < end)]
    return 1200 * np.log2(7 / (inside[7:] - inside[:-7]) / hertz)
