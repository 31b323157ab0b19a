"""What a reader's own echo does is told right: good ones pass, and each likely slip has its own words."""

import numpy as np
import pytest

from tapecalc.course.own_echo import check_darker, check_delay, check_repeats, check_timed


def delayed(sound, rate, delay):
    late = round(delay * rate)
    return np.concatenate([np.zeros(late), sound])[: len(sound)]


def darker(sound, rate, corner):
    share, value, out = 1 - np.exp(-2 * np.pi * corner / rate), 0.0, []
    for number in sound:
        value += share * (number - value)
        out.append(value)
    return np.array(out)


def repeating(sound, rate, delay, send, corner, full=np.tanh, again=True):
    late, share, dull = round(delay * rate), 1 - np.exp(-2 * np.pi * corner / rate), 0.0
    tape, out = np.zeros(len(sound) + late), np.zeros(len(sound))
    for n, number in enumerate(sound):
        dull += share * (tape[n] - dull)
        out[n] = dull
        tape[n + late] = full(number + again * send * dull)
    return out


def unbounded(number):
    return min(number, 1e6)


WRONG = [
    (check_delay, lambda s, r, t: None, "open", "Write the function"),
    (check_delay, lambda s, r, t: np.roll(s, round(t * r)), "not yet", "comes round to the beginning"),
    (check_delay, lambda s, r, t: s + delayed(s, r, t), "not yet", "tape and dry sound together"),
    (check_delay, lambda s, r, t: delayed(s, r, t / 2), "not yet", "comes 109 ms later; it should come 218"),
    (check_delay, lambda s, r, t: delayed(s, r, t)[::-1], "not yet", "later; it should come 218"),
    (check_delay, lambda s, r, t: delayed(s, r, t / 1000), "not yet", "hardly moves"),
    (check_delay, lambda s, r, t: 0.5 * delayed(s, r, t), "not yet", "not as it went in"),
    (check_delay, lambda s, r, t: np.concatenate([np.zeros(round(t * r)), s]), "not yet", "as many samples"),
    (check_delay, lambda s, r, t: "late", "not yet", "array of numbers"),
    (check_delay, lambda s, r, t: np.full(len(s), np.nan), "not yet", "not finite"),
    (check_darker, lambda s, r, f: 2 * darker(s, r, f), "not yet", "bass should stay"),
    (check_darker, lambda s, r, f: darker(s, r, 2 * f), "not yet", "it should be -3.0 dB"),
    (check_darker, lambda s, r, f: darker(s[::-1], r, f)[::-1], "not yet", "before the click"),
    (check_darker, lambda s, r, f: None, "open", "Write the function"),
    (check_repeats, lambda s, r, t, g, f: None, "open", "Write the function"),
    (check_repeats, lambda s, r, t, g, f: 0 * s, "not yet", "there is nothing"),
    (check_repeats, lambda s, r, t, g, f: repeating(s, r, t, g, f, again=False), "not yet", "one answer"),
    (check_repeats, lambda s, r, t, g, f: repeating(s, r, t, g / 2, f), "not yet", "each repeat falls by 12"),
    (check_repeats, lambda s, r, t, g, f: repeating(s, r, t, g, f, full=unbounded), "not yet", "beyond 1"),
    (check_repeats, lambda s, r, t, g, f: repeating(s, r, t, min(g, 0.5), f), "not yet", "until the tape"),
    (check_timed, lambda bpm, beats: None, "open", "Write the function"),
    (check_timed, lambda bpm, beats: 60_000 / bpm * beats, "not yet", "milliseconds"),
    (check_timed, lambda bpm, beats: bpm / 60 * beats, "not yet", "197 ms"),
    (check_timed, lambda bpm, beats: "late", "not yet", "197 ms"),
]


@pytest.mark.parametrize(
    ("check", "mine"), [(check_delay, delayed), (check_darker, darker), (check_repeats, repeating)]
)
def test_a_good_part_is_right(check, mine):
    assert check(mine).state == "right"


def test_a_good_tempo_is_right_and_nothing_is_open():
    assert check_timed(lambda bpm, beats: beats * 60 / bpm).state == "right"
    for check in (check_delay, check_darker, check_repeats, check_timed):
        assert check(None).state == "open"


@pytest.mark.parametrize(("check", "mine", "state", "words"), WRONG)
def test_a_slip_is_told_by_its_own_words(check, mine, state, words):
    reply = check(mine)
    assert reply.state == state
    assert words in reply.sentence


def test_what_goes_in_is_the_readers_own_copy():
    def spoiling(sound, rate, delay):
        out = delayed(sound, rate, delay)
        sound[:] = 9
        return out

    assert check_delay(spoiling).state == "right"
