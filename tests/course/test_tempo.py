"""The panels about the tempo, driven without a browser."""

import re

import numpy as np
import pytest
from panel_checks import panel_fixture

from tapecalc.calc import tempo, transport
from tapecalc.course import tempo as lesson
from tapecalc.course.tempo import repeats_panel, tempo_panel

INCH = 0.0254


delay = panel_fixture(tempo_panel)
repeats = panel_fixture(repeats_panel)


def test_the_thick_piece_reaches_from_the_note_to_the_delay(delay):
    delay.set(tempo_bpm=90, spacing_mm=50, speed_ips=7.5, note="eighth triplet")
    x, y = delay.artists["gap"].get_data()
    assert list(x) == [90, 90]
    # Source: definition of beats per minute: three eighth triplets fill one beat of 666.667 ms.
    assert list(y) == pytest.approx([222.222, 50 / 190.5 * 1000], abs=1e-3)
    assert list(delay.artists["delay"].get_ydata()) == pytest.approx([262.467] * 2, abs=1e-3)
    assert list(delay.artists["song"].get_xdata()) == [90, 90]
    assert "262 ms is an eighth triplet, 40.2 ms late" in delay.readout


@pytest.mark.parametrize("setting", [(60, 41.5, 3.75), (76, 20, 15), (118, 63.3, 7.5), (76, 41.5, 3.75)])
def test_each_of_the_four_ways_is_exact(setting):
    bpm, spacing_mm, speed_ips = setting
    panel = tempo_panel()
    panel.set(tempo_bpm=bpm, spacing_mm=spacing_mm, speed_ips=speed_ips)
    name = re.search(r"is an? ([\w ]+), ", panel.readout)[1]
    wanted = tempo.delay_from_tempo(bpm, tempo.note_value(name).beats)
    head, speed, capstan, play = panel.table.values()
    new_mm, new_ips, new_bpm = (float(re.findall(r"[\d.]+", text)[-1]) for text in (head, speed, play))
    assert new_mm == pytest.approx(1000 * wanted * speed_ips * INCH, abs=0.051)
    assert new_ips == pytest.approx(spacing_mm / 1000 / wanted / INCH, abs=0.0051)
    delay = transport.delay_from_spacing(spacing_mm / 1000, speed_ips * INCH)
    assert new_bpm == pytest.approx(bpm * wanted / delay, abs=0.051)
    if delay < wanted:
        assert capstan == "impossible: a sleeve only adds"
    else:
        sleeve = float(capstan.split()[0]) / 1000
        assert transport.sleeve_speed_ratio(sleeve, 0.008, 35e-6) == pytest.approx(delay / wanted, abs=0.001)


def test_the_dot_stands_where_the_delay_crosses_the_note(delay):
    (bpm,), (milliseconds,) = delay.artists["fits"].get_data()
    assert tempo.delay_from_tempo(bpm, 0.5) == pytest.approx(milliseconds / 1000)
    assert delay.table["or play at"] == f"{bpm:.1f} bpm"


def test_the_shaded_band_is_the_threshold_on_both_sides_of_the_note(delay):
    delay.set(note="quarter")
    edge = delay.artists["passes"].get_xy()
    beat = 60_000 / edge[:, 0]
    # Source: Friberg and Sundberg 1995: 2.5 % of an interval longer than 240 ms.
    assert np.abs(edge[:, 1] / beat - 1) == pytest.approx(0.025)
    assert np.any(edge[:, 1] > beat) and np.any(edge[:, 1] < beat)


def test_a_delay_within_the_band_is_a_fit_and_one_outside_is_a_miss(delay):
    delay.set(tempo_bpm=69)
    assert "0.9 ms late" in delay.readout
    assert ": a fit, because ears notice only from 10.9 ms" in delay.readout
    delay.set(tempo_bpm=76)
    assert ": a miss, because ears notice from 9.9 ms" in delay.readout


def test_a_line_beside_other_players_may_lag_by_more_and_by_the_same_at_each_tempo(delay):
    delay.set(tempo_bpm=71, judged_as="soft line")
    # 435.696 ms and an eighth of 30000/71 = 422.535 ms: 13.2 late, in a pulse heard from 10.6.
    assert ": a fit, because ears notice only from 35.0 ms" in delay.readout
    edge = delay.artists["passes"].get_xy()
    assert np.abs(edge[:, 1] - 30_000 / edge[:, 0]) == pytest.approx(35)
    delay.set(judged_as="sharp line", tempo_bpm=73)  # 410.959 ms: 24.7 late
    assert ": a miss, because ears notice from 20.0 ms" in delay.readout


def test_as_a_line_more_repeats_pass(repeats):
    # 6 ms of 500 a repeat: 12 pass 12.5, 18 pass 20, 30 pass 35.
    repeats.set(tempo_bpm=120, note="quarter", error_percent=1.2, repeats=12)
    for judged_as, first, heard in (("pulse", 3, 12.5), ("sharp line", 4, 20), ("soft line", 6, 35)):
        repeats.set(judged_as=judged_as)
        assert f"ears notice from repeat {first} on" in repeats.readout
        band = repeats.artists["passes"]
        assert band.get_y() + band.get_height() == pytest.approx(heard)


def test_an_exact_delay_is_said_to_be_in_time(delay):
    delay.set(tempo_bpm=120, spacing_mm=47.6, speed_ips=7.5)  # 249.9 ms
    assert "0.1 ms early" in delay.readout
    delay.set(tempo_bpm=75, spacing_mm=38.1, speed_ips=15)  # 100 ms; a sixteenth lasts 200 ms
    assert "sixteenth, 100.0 ms early (-50.0 %, -1200 cents)" in delay.readout
    delay.set(spacing_mm=76.2)
    assert "sixteenth, right in time" in delay.readout


def test_repeats_stand_at_multiples_of_the_note_and_of_the_delay(repeats):
    repeats.set(tempo_bpm=100, note="dotted eighth", error_percent=1.0, repeats=5)
    beats, _ = repeats.artists["wanted"].get_data()
    assert beats == pytest.approx([0.75, 1.5, 2.25, 3, 3.75])
    echo, _ = repeats.artists["echo"].get_data()
    assert echo == pytest.approx(1.01 * beats)
    assert list(repeats.artists["on the beat"].get_xdata()) == [3]
    # Source: definition of beats per minute: a beat is 600 ms, a dotted eighth 450 ms, 1 % of it 4.5 ms.
    assert repeats.artists["late"].get_ydata() == pytest.approx([4.5, 9, 13.5, 18, 22.5])
    assert repeats.table["the delay"] == "454.5 ms" and repeats.table["late per repeat"] == "+4.5 ms"


@pytest.mark.parametrize(
    ("note", "words"),
    [
        ("quarter", "1 repeat makes 1 beat."),
        ("dotted eighth", "4 repeats make 3 beats."),
        ("eighth triplet", "3 repeats make 1 beat."),
        ("sixteenth", "4 repeats make 1 beat."),
    ],
)
def test_the_cross_rhythm_is_said_in_words(repeats, note, words):
    repeats.set(note=note)
    assert words in repeats.readout


def test_the_first_repeat_outside_the_band_is_the_one_in_the_sentence(repeats):
    repeats.set(tempo_bpm=120, note="quarter", error_percent=0.9, repeats=12)
    band = repeats.artists["passes"]
    heard = band.get_y() + band.get_height()
    assert heard == pytest.approx(12.5)  # Source: Friberg and Sundberg 1995: 2.5 % of 500 ms
    offsets = repeats.artists["late"].get_ydata()
    first = int(np.argmax(offsets > heard)) + 1
    assert f"ears notice from repeat {first} on" in repeats.readout
    assert band.get_y() == pytest.approx(-12.5)


def test_without_an_error_no_repeat_is_heard_as_wrong_and_early_ones_are_said_to_be_early(repeats):
    repeats.set(error_percent=0.0)
    assert repeats.readout.endswith("repeat 8 is right in time; none is ever heard as wrong.")
    repeats.set(error_percent=-1.0)
    assert "repeat 8 is 47.4 ms early" in repeats.readout


def test_a_dotted_eighth_starts_a_bar_of_four_again_with_its_sixteenth_repeat(repeats):
    repeats.set(repeats=16)
    assert list(repeats.artists["on the beat"].get_xdata()) == [3, 6, 9, 12]


def test_all_marks_stay_within_the_axes_at_the_worst_setting(repeats):
    repeats.set(tempo_bpm=60, note="quarter", error_percent=1.5, repeats=16)
    for name in ("wanted", "echo", "late"):
        artist = repeats.artists[name]
        (left, right), (bottom, top) = artist.axes.get_xlim(), artist.axes.get_ylim()
        x, y = artist.get_data()
        assert left <= min(x) and max(x) <= right and bottom <= min(y) and max(y) <= top


@pytest.mark.parametrize(
    ("exercise", "right", "wrong"),
    [
        (lesson.dotted, ["500"], ["0.5", "667"]),
        (lesson.triplet, ["76", "76.2"], ["75", "114"]),
        (lesson.new_spacing, ["34", "34.0"], ["33", "35", "7.5"]),
        (lesson.first_heard, ["3"], ["2", "2.5", "1"]),  # 12 and 18 ms against 12.5
        (lesson.first_beside, ["4"], ["3", "6", "3.5"]),  # 18 and 24 ms against 20
        (lesson.drift, ["16.7", "17", "16.67"], ["16", "18", "0.17"]),
        (lesson.bar_line, ["16"], ["15", "4", "12"]),
    ],
)
def test_an_answer_is_right_as_people_round_it(exercise, right, wrong):
    assert {exercise.check(float(text)).state for text in right} == {"right"}
    assert {exercise.check(float(text)).state for text in wrong} == {"not yet"}
