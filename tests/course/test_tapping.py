"""A tempo from taps: by hand, whatever the clock starts from, and how often the interval holds."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tapecalc.course.tapping import PAUSE, tapped_tempo
from tapecalc.measuring.estimate import CannotTell


def test_four_taps_by_hand():
    # Gaps 0.59, 0.61, 0.60 s: mean 0.6 s, 100 bpm; scatter 0.01 s. Student's t for 2 is 4.303 (JCGM 100,
    # table G.2): 4.303 x 10 ms / sqrt(3) = 24.84 ms. Arrival: sqrt(2) x 10 ms / 3 = 4.714 ms. Both:
    # 25.28 ms of 600 ms, 4.214 %.
    found = tapped_tempo([10.0, 10.59, 11.20, 11.80])
    assert found.bpm.value == pytest.approx(100)
    assert found.bpm.plus_minus == pytest.approx(4.214, abs=0.001)
    assert (found.taps, found.left_out) == (4, 0)
    assert found.text == "100 bpm +/- 5 bpm from 4 taps"


def test_even_taps_are_still_no_surer_than_their_arrival():
    # Eight taps, 0.65 s apart: 92.308 bpm; sqrt(2) x 10 ms / 7 = 2.020 ms of 650 ms is 0.287 bpm, rounded up.
    assert tapped_tempo(np.arange(8) * 0.65).text == "92.31 bpm +/- 0.29 bpm from 8 taps"


def test_a_pause_starts_anew():
    assert tapped_tempo([0, 0.5, 1.0, 1.5, 3.6, 4.2, 4.8]).text.endswith("from 3 taps")
    assert tapped_tempo([0, 0.5, 1.0, 1.5, 3.6, 4.2, 4.8]).bpm.value == pytest.approx(100)
    assert tapped_tempo([0, PAUSE, 2 * PAUSE]).bpm.value == pytest.approx(30)  # a gap of just that is none
    with pytest.raises(CannotTell, match="3 taps or more, so far 1$"):
        tapped_tempo([0, 0.5, 1.0, 3.1])


def test_a_missed_and_a_double_tap_are_left_out_and_said():
    missed = tapped_tempo([0, 0.6, 1.2, 2.4, 3.0, 3.6])
    assert missed.bpm.value == pytest.approx(100)
    assert missed.text.endswith("from 6 taps (1 gap left out, too far from the others)")
    double = tapped_tempo([0, 0.6, 1.2, 1.3, 1.8, 2.4, 3.0, 3.6])  # gaps of 0.1 and 0.5 s
    assert double.left_out == 1 and double.bpm.value == pytest.approx(60 / (3.5 / 6))
    twice = tapped_tempo([0, 0.6, 1.2, 2.4, 3.0, 3.6, 4.8, 5.4, 6.0])
    assert twice.text.endswith("from 9 taps (2 gaps left out, too far from the others)")


@pytest.mark.parametrize(
    ("times", "words"),
    [
        ([0.0], "3 taps or more, so far 1"),
        ([0.0, 0.6], "3 taps or more, so far 2"),
        ([0, 0.4, 1.4], "do not keep one tempo"),
        ([0, 0.5, 1.2], "do not agree on a tempo yet"),  # 0.6 s +/- 12.7 x 0.141 s / sqrt(2): 212 %
        (np.arange(9) * 0.14, "429 beats a minute are more than 400"),
    ],
)
def test_taps_without_a_tempo_are_refused_with_the_reason(times, words):
    with pytest.raises(CannotTell, match=words):
        tapped_tempo(times)


@pytest.mark.parametrize("times", [[1.0, 0.5, 2.0], [0, 0, 1], [[0, 1, 2]], [0, float("nan"), 1], ["a"]])
def test_what_is_no_list_of_times_is_refused(times):
    with pytest.raises(ValueError, match="times"):
        tapped_tempo(times)


gaps = st.lists(st.floats(0.55, 0.65), min_size=3, max_size=20)


@given(gaps=gaps, start=st.floats(0, 1e6), slower=st.floats(0.7, 1.5))
def test_the_clock_may_start_anywhere_and_slow_taps_are_a_slow_tempo(gaps, start, slower):
    times = np.append(0, np.cumsum(gaps))
    found, later, slow = (tapped_tempo(t) for t in (times, start + times, slower * times))
    assert later.bpm.value == pytest.approx(found.bpm.value, rel=1e-6)
    assert later.bpm.plus_minus == pytest.approx(found.bpm.plus_minus, rel=1e-4)
    assert slow.bpm.value == pytest.approx(found.bpm.value / slower)
    assert 60 / max(gaps) <= found.bpm.value * (1 + 1e-9) and found.bpm.value <= 60 / min(gaps) * (1 + 1e-9)


@pytest.mark.parametrize("count", [4, 5, 8, 16])
def test_the_interval_holds_as_often_as_it_says(count):
    """Hands that keep time by themselves: gaps scatter by 20 ms, the finger by 8 ms, the arrival by 5 ms."""
    rng, gap = np.random.default_rng(count), 60 / 92
    held = []
    for _ in range(600):
        beats = np.append(0, np.cumsum(gap + 0.020 * rng.standard_normal(count - 1)))
        taps = beats + 0.008 * rng.standard_normal(count) + 0.005 * rng.standard_normal(count)
        try:
            held.append(tapped_tempo(taps).bpm.covers(92))
        except CannotTell:  # one in a hundred of the shortest
            continue
    assert len(held) > 590
    assert 0.93 <= np.mean(held) <= 0.995  # 600 tries scatter by 0.009
