"""Heads, rhythms, combs and closed loops against numbers worked out by hand, and what is refused."""

import numpy as np
import pytest

from tapecalc.calc import heads
from tapecalc.calc.heads import Heads
from tapecalc.calc.loop import EchoLoop, loop_gain, stability
from tapecalc.calc.response import HeadContact, OnePass
from tapecalc.calc.tempo import NOTE_VALUES

CONTACT = HeadContact(gap=4e-6, separation=0.5e-6, coating_thickness=11e-6, track_width=2e-3, azimuth_angle=0)
PASS = OnePass(speed=0.2, today=CONTACT, aligned=CONTACT, boost_db=12, low_cut=40)


# ---- layouts ----


def test_gains_and_returns_are_filled_in():
    two = Heads(spacings=[0.05, 0.1])
    assert two.gains == (1.0, 1.0)
    assert two.feeds_return == (True, True)
    assert two.spacings == (0.05, 0.1)


def test_a_head_may_be_inverted_and_stand_in_any_order():
    two = Heads(spacings=(0.1, 0.05), gains=(1.0, -0.5), feeds_return=(False, True))
    assert two.return_gains == (0.0, -0.5)
    assert two.delays(0.2).tolist() == [0.5, 0.25]


def test_delays_and_back():
    back = Heads.from_delays([0.25, 0.5], 0.2, gains=(1.0, -0.5))
    assert back == Heads(spacings=(0.05, 0.1), gains=(1.0, -0.5))
    with pytest.raises(ValueError, match="speed must be greater than 0 m/s"):
        Heads.from_delays([0.25], -0.2)


def test_delays_put_the_heads_on_the_last_axis():
    layout = Heads(spacings=(0.05, 0.1))
    np.testing.assert_allclose(layout.delays([0.5, 0.25]), [[0.1, 0.2], [0.2, 0.4]])


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        ({"spacings": ()}, "spacings must be a number or an array of numbers"),
        ({"spacings": (-0.1, 0.1)}, "spacings must be greater than 0 m, got -0.1 at index 0"),
        ({"spacings": np.arange(1, 10) / 10}, "spacings must be 1 to 8 numbers"),
        ({"spacings": [[0.05, 0.1]]}, r"spacings must be 1 to 8 numbers, got shape \(1, 2\)"),
        ({"spacings": (0.05, 0.06), "width": 0.015}, "must leave the width of a head, 0.015 m"),
        ({"spacings": (0.1, 0.05), "width": 0.015}, r"must leave the width .* got \(0.1, 0.05\)"),
        ({"spacings": (0.01, 0.06), "width": 0.015}, "and after the record head"),
        ({"spacings": (0.1,), "width": -0.015}, "width must be 0 m or more"),
        ({"spacings": (0.05, 0.1), "gains": (1.0,)}, "gains must have one value for each of 2"),
        ({"spacings": (0.05,), "gains": (np.inf,)}, "gains must be a finite number"),
        ({"spacings": (0.05,), "feeds_return": (True, False)}, "feeds_return must have one value"),
    ],
)
def test_heads_that_cannot_be_get_one_sentence(arguments, sentence):
    with pytest.raises(ValueError, match=sentence):
        Heads(**arguments)


def test_heads_may_stand_exactly_one_width_apart():
    Heads(spacings=(0.1, 0.1 + 0.015, 0.1 + 0.03), width=0.015)


def test_rhythm_names_the_nearest_notes_and_what_they_miss():
    two = Heads(spacings=(0.101, 0.05), gains=(-0.5, 1.0))
    first, second = heads.rhythm(two, 0.2, 120)
    assert (first.head, first.fit.note.name, first.gain) == (2, "eighth", 1.0)
    assert (second.head, second.fit.note.name, second.gain) == (1, "quarter", -0.5)
    assert second.fit.error == pytest.approx(0.005)
    assert second.beats == pytest.approx(1.01)


# ---- combs ----


def test_two_taps_cancel_at_the_notches_and_add_between():
    notches = heads.notch_frequencies(0.1, 0.103, 2000)
    assert notches == pytest.approx([166.667, 500, 833.333, 1166.667, 1500, 1833.333], abs=1e-3)
    assert np.abs(heads.taps_gain(notches, [0.1, 0.103], [1, 0.5])) == pytest.approx([0.5] * 6)
    assert abs(heads.taps_gain(1000.0, [0.1, 0.103], [1, 0.5])) == pytest.approx(1.5)


def test_the_order_of_two_heads_does_not_move_the_notches():
    np.testing.assert_allclose(
        heads.notch_frequencies(0.1, 0.103, 2000), heads.notch_frequencies(0.103, 0.1, 2000)
    )
    assert heads.notch_frequencies(0.1, 0.103, 100).size == 0


def test_comb_of_equal_heads_reaches_the_floor():
    peak_db, notch_db = heads.comb_extremes_db([1.0, 1.0], [1.0, 0.1])
    assert peak_db == pytest.approx([6.0206, 0.8279], abs=1e-4)
    assert notch_db == pytest.approx([-300, -0.9151], abs=1e-4)


def test_close_pairs_pass_over_silent_heads():
    four = Heads(spacings=(0.04, 0.042, 0.044, 0.1), gains=(1.0, 0.0, 1.0, 1.0))
    (pair,) = heads.close_pairs(four, 0.2)
    assert pair.heads == (1, 3)
    assert pair.apart == pytest.approx(0.02)
    assert pair.first_notch == pytest.approx(25)
    assert pair.notch_db == -300


def test_an_inverted_head_makes_notches_where_peaks_were():
    (pair,) = heads.close_pairs(Heads(spacings=(0.044, 0.04), gains=(-0.5, 1.0)), 0.2)
    assert pair.heads == (2, 1)
    assert pair.first_notch == pytest.approx(50)
    gain = np.abs(heads.taps_gain([pair.first_notch, pair.first_notch / 2], [0.22, 0.2], [-0.5, 1.0]))
    assert 20 * np.log10(gain) == pytest.approx([pair.notch_db, pair.peak_db])


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda: heads.taps_gain(100, [0.1, 0.2], [1]), "levels must be one number for each of the delays"),
        (lambda: heads.notch_frequencies(0.1, 0.1, 100), "other_delay must differ from delay"),
        (lambda: heads.comb_extremes_db(0, 1), "level must be greater than 0"),
    ],
)
def test_bad_combs_get_one_sentence(call, sentence):
    with pytest.raises(ValueError, match=sentence):
        call()


# ---- the loop through chosen heads ----


def test_only_heads_that_feed_the_return_are_in_the_loop():
    three = Heads(spacings=(0.04, 0.08, 0.12), gains=(1.0, 0.7, -0.5), feeds_return=(True, False, True))
    two = Heads(spacings=(0.04, 0.12), gains=(1.0, -0.5))
    frequency = np.geomspace(50, 8000, 50)
    of_three, of_two = (
        loop_gain(EchoLoop(heads=some, return_gain=0.4, one_pass=PASS), frequency) for some in (three, two)
    )
    assert of_three == pytest.approx(of_two)


def test_fewer_heads_in_the_return_leave_more_margin():
    both = stability(EchoLoop(heads=Heads(spacings=(0.04, 0.085)), return_gain=0.4, one_pass=PASS))
    far = Heads(spacings=(0.04, 0.085), feeds_return=(False, True))
    alone = stability(EchoLoop(heads=far, return_gain=0.4, one_pass=PASS))
    assert alone.margin_db - both.margin_db == pytest.approx(6.02, abs=0.3)
    assert both.bound_db <= both.margin_db


# ---- closed loops ----


def test_a_loop_of_two_bars():
    report = heads.closed_loop(0.8, 0.2, 120, Heads(spacings=(0.05,)), erase_distance=0.03)
    assert (report.period, report.whole_bars) == (4.0, 2)
    assert report.error == 0.0
    assert report.exact_length == pytest.approx(0.8)
    assert report.passes_per_hour == 900
    assert "erased before it is recorded" in report.advice


def test_a_loop_a_little_short_comes_early_and_the_exact_length_cures_it():
    layout = Heads(spacings=(0.05,))
    report = heads.closed_loop(0.79, 0.2, 120, layout)
    assert report.error == pytest.approx(-0.05)
    cured = heads.closed_loop(report.exact_length, 0.2, 120, layout)
    assert cured.error == pytest.approx(0, abs=1e-12)


def test_a_loop_shorter_than_a_bar_counts_as_one_and_waltzes_have_three():
    layout = Heads(spacings=(0.05,))
    assert heads.closed_loop(0.1, 0.2, 120, layout).whole_bars == 1
    waltz = heads.closed_loop(0.3, 0.2, 120, layout, beats_per_bar=3)
    assert (waltz.whole_bars, waltz.error) == (1, pytest.approx(0, abs=1e-12))


def test_without_an_erase_head_sound_piles_up():
    report = heads.closed_loop(0.8, 0.2, 120, Heads(spacings=(0.05,)))
    assert "piles up" in report.advice


@pytest.mark.parametrize(("erase", "next_head"), [(None, "record"), (0.03, "erase")])
def test_a_loop_must_be_longer_than_its_heads(erase, next_head):
    with pytest.raises(ValueError, match=f"last playback head comes before the {next_head} head, got 0.1"):
        heads.closed_loop(0.1, 0.2, 120, Heads(spacings=(0.05, 0.1)), erase_distance=erase)


def test_the_example_rhythm_is_not_evenly_spaced():
    gaps = np.diff(heads.EXAMPLE_RHYTHM, prepend=0.0)
    assert np.all(gaps > 0) and np.ptp(gaps[1:]) > 0 and np.ptp(gaps) > 0
    note_beats = {note.beats for note in NOTE_VALUES}
    assert note_beats.issuperset(heads.EXAMPLE_RHYTHM)
