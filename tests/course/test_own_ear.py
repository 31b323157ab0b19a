"""The blind test: one stroke is late by what is said, where the key has it, and answers are told in words."""

import numpy as np
import pytest

from tapecalc.course import own_ear


def starts(sound):
    """Where strokes begin, s."""
    loud = np.abs(sound) > 0.01
    quiet = round(0.05 * own_ear.RATE)
    places = np.flatnonzero(loud)
    return np.array([p for k, p in enumerate(places) if k == 0 or p - places[k - 1] > quiet]) / own_ear.RATE


@pytest.mark.parametrize("number", range(1, 9))
def test_one_stroke_of_one_pulse_is_late(number):
    late, second = own_ear.LATE_MS[number - 1] / 1000, own_ear.WHICH[number - 1] == "2"
    pulses = starts(own_ear.trial(late, in_second=second)).reshape(2, 5)
    gaps = np.diff(pulses)
    assert np.allclose(gaps[1 - second], 0.240, atol=1e-3)
    assert np.allclose(gaps[int(second)], [0.240, 0.240, 0.240 + late, 0.240 - late], atol=1e-3)


@pytest.mark.parametrize("pattern", ["11111111", "22222222", "12121212", "21212121"])
def test_the_key_gives_nothing_away(pattern):
    """Each answer is right as often, and who answers by a pattern gets no further than the first lateness."""
    assert own_ear.WHICH.count("1") == own_ear.WHICH.count("2")
    said = own_ear.result(pattern).sentence
    assert said.startswith("Not even 40 ms") or "and 20 ms not" in said


@pytest.mark.parametrize(
    ("answers", "says"),
    [
        (own_ear.WHICH, "You heard 5 ms each time, and nothing here is smaller; published are 6 ms."),
        ("21121222", "You heard 10 ms each time, and 5 ms not"),
        ([2, 1, 1, 2, 1, 1, 2, 1], "You heard 20 ms each time, and 10 ms not"),
        ("22121221", "Not even 40 ms each time"),
        ("2112", "Not yet. Eight times 1 or 2"),
        ("21121223", "Not yet. Eight times 1 or 2"),
    ],
)
def test_answers_are_told_in_words(answers, says):
    assert own_ear.result(answers).sentence.startswith(says)
    assert own_ear.result(None).state == "open"


def test_players_show_no_picture_that_tells():
    shown = own_ear.listen(1, 2)._repr_html_()
    assert shown.count("<audio") == 2
    assert "<img" not in shown
