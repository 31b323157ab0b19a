"""What lesson 4 says one hears is in its sounds: where repeats fall, and which stroke of a trial is late."""

import numpy as np
import pytest
from lesson_sounds import share_above, sounds

from tapecalc.course import own_ear

HEARD = sounds("04_tempo")
EIGHTH, DOTTED = 30 / 76, 45 / 76  # s
FROM, TO = 0.08, 0.33  # where the word's first vowel is, s
BELOW_CLICKS = 700  # Hz


def band(sound, low, high):
    """What lies between two frequencies."""
    samples, rate = sound
    spectrum, frequency = np.fft.rfft(samples), np.fft.rfftfreq(len(samples), 1 / rate)
    spectrum[(frequency < low) | (frequency > high)] = 0
    return np.fft.irfft(spectrum, len(samples))


def misses_ms(title, note, count):
    """How late each repeat of the word is against its note, by where it is most like the word itself."""
    rate = HEARD[title][1]
    heard, around = band(HEARD[title], 0, BELOW_CLICKS), round(0.12 * rate)
    word = heard[round(FROM * rate) : round(TO * rate)]
    found = []
    for n in range(1, count + 1):
        at = round((FROM + n * note) * rate)
        likeness = np.correlate(heard[at - around : at + around + len(word)], word, "valid")
        found.append(1000 * (np.argmax(likeness) - around) / rate)
    return np.array(found)


def starts(samples, rate):
    """Where strokes begin, s: loud after 50 ms of quiet."""
    places = np.flatnonzero(np.abs(samples) > 0.3 * np.abs(samples).max())
    return places[np.diff(places, prepend=-rate) > 0.05 * rate] / rate


def test_repeats_that_fit_fall_on_the_clicks():
    assert np.abs(misses_ms("fit", EIGHTH, 10)).max() < 6
    assert np.abs(misses_ms("dotted eighth", DOTTED, 7)).max() < 6


def test_a_near_miss_comes_earlier_and_earlier():
    late = misses_ms("near miss", EIGHTH, 10)
    assert np.all(np.diff(late) < 0)
    assert -50 < late[-1] < -35


def test_a_miss_is_late_by_as_much_again_each_time():
    assert np.allclose(misses_ms("miss", EIGHTH, 2), [41, 82], atol=3)


def test_ten_lines_answer_when_the_library_does_and_keep_the_bass():
    rate = HEARD["ten lines"][1]
    part = slice(round(5.7 * rate), round(6.2 * rate))  # the line is over
    own, model = (band(HEARD[title], 300, 1000)[part] for title in ("ten lines", "the library"))
    lag = np.argmax(np.correlate(own, model, "full")) - len(model) + 1
    assert abs(lag) / rate < 0.002
    bass_gone = [share_above((HEARD[title][0][part], rate), 200) for title in ("ten lines", "the library")]
    assert bass_gone[1] > bass_gone[0] + 3


@pytest.mark.parametrize("number", range(1, 9))
def test_in_each_trial_the_stroke_is_late_where_the_key_has_it(number):
    late, which = own_ear.LATE_MS[number - 1] / 1000, int(own_ear.WHICH[number - 1])
    gaps = np.diff(starts(*HEARD[f"trial {number}"]).reshape(2, 5)) - own_ear.INTERVAL
    assert np.allclose(gaps[which - 1], [0, 0, late, -late], atol=1.5e-3)
    assert np.allclose(gaps[2 - which], 0, atol=1.5e-3)
