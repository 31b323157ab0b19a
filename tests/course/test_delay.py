"""The panels about the delay, driven without a browser."""

import numpy as np
import pytest
from panel_checks import panel_fixture

from tapecalc.calc import transport
from tapecalc.course import delay as lesson
from tapecalc.course.delay import STANDARD_IPS, delay_panel, speed_change_panel

INCH = 0.0254


delay = panel_fixture(delay_panel)
change = panel_fixture(speed_change_panel)


def test_all_controls_at_their_ends_together_stay_within_the_axes(delay):
    delay.set(spacing_mm=100, speed_ips=3.75, ruler_mm=2, speed_percent=4)
    for name in ("head", "together"):
        artist = delay.artists[name]
        (left, right), (bottom, top) = artist.axes.get_xlim(), artist.axes.get_ylim()
        x, y = artist.get_data()
        assert left <= min(x) and max(x) <= right and bottom <= min(y) and max(y) <= top


def test_the_delay_is_spacing_over_speed(delay):
    delay.set(spacing_mm=50.8, speed_ips=7.5)
    # Source: definition of speed: 50.8 mm at 19.05 cm/s are 266.667 ms.
    assert delay.artists["head"].get_ydata()[0] == pytest.approx(266.667, abs=1e-3)
    assert delay.readout.startswith("50.8 mm at 7.5 ips (19.05 cm/s): the echo comes after 267 ms")
    assert delay.readout.endswith("a separate echo.")


def test_the_triangle_is_right_angled_with_the_library_on_its_long_side(delay):
    delay.set(spacing_mm=60, speed_ips=15, ruler_mm=0.8, speed_percent=0.5)
    (_, of_ruler), (_, of_speed) = delay.artists["together"].get_data()
    assert of_ruler == pytest.approx(0.8 / 381 * 1000)
    assert of_speed == pytest.approx(0.005 * 60 / 381 * 1000)
    # The library counts in standard uncertainties, half of what a person types and reads.
    together = 2 * transport.delay_uncertainty(0.06, 15 * INCH, 0.4e-3, 0.0025 * 15 * INCH)
    assert np.hypot(of_ruler, of_speed) == pytest.approx(1000 * together)
    assert delay.table["both together"] == f"+/- {1000 * together:.1f} ms"


def test_what_is_typed_as_plus_minus_comes_out_as_plus_minus(delay):
    delay.set(spacing_mm=50, speed_ips=7.5, ruler_mm=1, speed_percent=0)
    # 50 mm +/- 1 mm are 2 %, and 2 % of 262.5 ms are 5.2 ms.
    assert "262 ms +/- 6 ms" in delay.readout
    assert delay.table["from the ruler alone"] == delay.table["both together"] == "+/- 5.2 ms"
    assert delay.table["from the speed alone"] == "+/- 0.0 ms"


def test_without_any_uncertainty_the_triangle_is_a_point(delay):
    delay.set(ruler_mm=0, speed_percent=0)
    assert np.all(delay.artists["together"].get_xydata() == 0)
    assert "218 ms" not in delay.readout and "217.8 ms, a slap" in delay.readout


def test_each_standard_speed_is_reached_by_the_slider_in_whole_steps(delay):
    control = delay.controls["speed_ips"]
    for speed_ips in STANDARD_IPS:
        steps = np.log10(speed_ips / control.low) / control.step
        assert steps == pytest.approx(round(steps), abs=1e-9)


def test_between_two_steady_speeds_the_delay_goes_from_one_to_the_other(change):
    time, milliseconds = change.artists["delay"].get_data()
    assert milliseconds[time <= 1] == pytest.approx(41.5 / 190.5 * 1000)
    assert milliseconds[-1] == pytest.approx(41.5 / 95.25 * 1000)
    assert np.all(np.diff(milliseconds) > -1e-9)


def test_the_echo_is_out_of_tune_only_during_the_change_and_one_new_delay_more(change):
    change.set(spacing_mm=80, first_ips=3.75, last_ips=15, change_s=0.6)
    time, semitones = change.artists["pitch"].get_data()
    in_tune_again = 1.6 + 0.080 / (15 * INCH)
    outside = (time <= 1) | (time >= in_tune_again)
    assert semitones[outside] == pytest.approx(0, abs=1e-9)
    assert np.all(semitones[(time > 1) & (time < in_tune_again)] > 0)
    for mark in change.artists["in tune"]:
        assert mark.get_xdata() == pytest.approx([in_tune_again] * 2)
    assert "The echo rises" in change.readout and "210 ms after the speed has settled" in change.readout


def test_a_change_far_shorter_than_the_delay_bends_by_the_ratio_of_the_speeds(change):
    change.set(spacing_mm=100, first_ips=7.5, last_ips=3.75, change_s=0.05)
    assert change.artists["pitch"].get_ydata().min() == pytest.approx(-12)  # half the speed is an octave


def test_an_unchanged_speed_leaves_the_echo_in_tune(change):
    change.set(first_ips=7.5, last_ips=7.5)
    assert change.artists["pitch"].get_ydata() == pytest.approx(0, abs=1e-9)
    assert change.readout.endswith("and in tune.") and change.table == {}


@pytest.mark.parametrize(
    ("exercise", "answer"),
    [
        (lesson.two_inches, 267),
        (lesson.second_head, 28.6),
        (lesson.ruler, 0.2),  # a fifth of a millimeter
        (lesson.ruler, 0.19),
        (lesson.sleeve_wall, 0.17),
        (lesson.sleeve_wall, 1 / 6),
        (lesson.mains, 300),
        (lesson.stopwatch, 46.9),
        (lesson.stopwatch, 47),
    ],
)
def test_an_answer_as_the_solution_rounds_it_is_right(exercise, answer):
    assert exercise.check(answer).state == "right"


def test_whoever_has_not_guessed_is_told_which_cell_takes_the_number():
    assert "in the cell under Predict" in lesson.first_guess.check(None).sentence
