"""What lesson 6 says one hears is in its sounds."""

import numpy as np
from lesson_sounds import sounds

from tapecalc.machine import example_machine

LESSON = "06_heads"
SLOW = example_machine().speeds[1]
APART = 0.001 / SLOW  # s between two heads a millimeter apart
STROKE = 0.1 + 2 * 60 / 76  # s, where the drum of the line is


def level_db(sound, start, seconds):
    """Rms of a piece, dB against full scale."""
    samples, rate = sound
    return 10 * np.log10(np.mean(samples[round(start * rate) : round((start + seconds) * rate)] ** 2) + 1e-12)


def humps(sound, apart=0.004, least=0.5):
    """Times of the loud moments, s, no two nearer than `apart`, each at least a share of the loudest."""
    samples, rate = sound
    left, times = np.abs(samples), []
    loudest = left.max()
    while left.max() > least * loudest:
        at = int(np.argmax(left))
        times.append(at / rate)
        left = np.where(np.abs(np.arange(len(left)) - at) < apart * rate, 0, left)
    return sorted(times)


def test_a_click_from_two_heads_is_two_clicks():
    heard = sounds(LESSON)
    assert len(humps(heard["click, one head"])) == 1
    first, second = humps(heard["click, two heads"])
    assert abs(second - first - APART) < 0.0005


def test_a_voice_from_two_heads_lacks_what_lies_in_the_notches():
    """Against one head, both equally loud, it has holes at even steps, and peaks between them."""
    (one, rate), (two, _) = (sounds(LESSON)[f"voice, {name}"] for name in ("one head", "two heads"))
    frequency = np.fft.rfftfreq(len(one), 1 / rate)
    powers = [np.abs(np.fft.rfft(each)) ** 2 for each in (one, two)]

    def changed_db(hertz):
        near = np.abs(frequency - hertz) < 12
        return 10 * np.log10(powers[1][near].sum() / powers[0][near].sum())

    for number in range(1, 10):
        notch, peak = ((number + part) / APART for part in (0.5, 0.0))
        assert changed_db(notch) < changed_db(peak) - 8, notch


def test_one_stroke_is_answered_by_eighth_dotted_eighth_and_quarter():
    heard = sounds(LESSON)["no return"]
    for place in (0.038, 0.056, 0.075):
        at = STROKE + place / SLOW
        assert level_db(heard, at, 0.03) > level_db(heard, at - 0.04, 0.03) + 6, place


def test_the_last_alone_is_soon_over_and_all_three_hardly_fade():
    none, last, every = (sounds(LESSON)[name] for name in ("no return", "the last returns", "all return"))
    again = STROKE + (0.075 + 0.038) / SLOW  # the figure, a quarter later
    assert level_db(last, again, 0.1) > level_db(none, again, 0.1) + 2
    assert level_db(last, again, 0.1) < level_db(none, again - 0.075 / SLOW, 0.1) - 6
    late = [level_db(sound, 3.9, 0.5) for sound in (none, last, every)]
    assert late[2] > late[1] + 12


def test_crossed_answers_change_sides_and_straight_ones_stay():
    for name, straight in (("straight", True), ("all crossed", False)):
        samples, rate = sounds(LESSON)[name]
        for number in range(1, 7):
            at = 0.08 + number * 0.0415 / SLOW  # the syllable begins a little before the beat
            left, right = np.mean(samples[round(at * rate) : round((at + 0.2) * rate)] ** 2, axis=0)
            on_left = straight or number % 2 == 1
            assert 10 * min(left, right) < (left if on_left else right), (name, number)
