"""Tempo: note values, fits, exact changes, drift; good values, edges and refusals."""

import dataclasses
import math

import numpy as np
import pytest

from tapecalc.calc import tempo
from tapecalc.calc.tempo import NOTE_VALUES, NoteValue, fit, note_value

SPACING, SPEED = 0.0415, 0.1905  # the bench deck at its fast speed
DELAY = SPACING / SPEED


def test_there_are_six_notes_in_four_kinds_the_longest_first():
    beats = [note.beats for note in NOTE_VALUES]
    assert len(NOTE_VALUES) == 24
    assert beats == sorted(beats, reverse=True)
    assert len(set(beats)) == len({note.name for note in NOTE_VALUES}) == 24


@pytest.mark.parametrize(
    ("name", "beats"),
    [
        ("whole", 4),
        ("half", 2),
        ("quarter", 1),
        ("eighth", 0.5),
        ("sixteenth", 0.25),
        ("thirty-second", 0.125),
        ("dotted eighth", 0.75),
        ("eighth triplet", 1 / 3),
        ("quarter quintuplet", 0.8),
    ],
)
def test_a_note_is_found_by_its_name(name, beats):
    assert note_value(name).beats == pytest.approx(beats, rel=1e-15)


def test_three_triplets_fill_two_notes_and_five_quintuplets_four():
    for plain in ("half", "quarter", "eighth"):
        assert 3 * note_value(f"{plain} triplet").beats == pytest.approx(2 * note_value(plain).beats)
        assert 5 * note_value(f"{plain} quintuplet").beats == pytest.approx(4 * note_value(plain).beats)
        assert note_value(f"dotted {plain}").beats == 1.5 * note_value(plain).beats


def test_an_unknown_note_is_refused_with_the_nearest_name_or_all_names():
    with pytest.raises(ValueError, match="'doted eighth' is not known; did you mean 'dotted eighth'"):
        note_value("doted eighth")
    with pytest.raises(ValueError, match="known: dotted whole, whole"):
        note_value("xyz")


@pytest.mark.parametrize(("name", "beats"), [("", 1), ("  ", 1), (7, 1)])
def test_a_note_needs_a_name(name, beats):
    with pytest.raises(ValueError, match="name must be a word or more"):
        NoteValue(name, beats)


@pytest.mark.parametrize("beats", [0, -1, math.nan, math.inf, "one", [1, 2]])
def test_a_note_needs_a_length(beats):
    with pytest.raises(ValueError, match="beats must be"):
        NoteValue("mine", beats)


def test_a_note_is_frozen_and_its_length_is_a_float():
    note = NoteValue("mine", 2)
    assert isinstance(note.beats, float)
    with pytest.raises(dataclasses.FrozenInstanceError):
        note.beats = 3


@pytest.mark.parametrize(
    ("name", "cross_rhythm"),
    [
        ("dotted eighth", (4, 3)),
        ("quarter", (1, 1)),
        ("eighth", (2, 1)),
        ("half", (1, 2)),
        ("quarter triplet", (3, 2)),
        ("eighth quintuplet", (5, 2)),
        ("dotted thirty-second", (16, 3)),
        ("thirty-second triplet", (12, 1)),
    ],
)
def test_the_cross_rhythm_counts_repeats_against_beats(name, cross_rhythm):
    assert note_value(name).cross_rhythm == cross_rhythm


def test_after_one_cross_rhythm_the_repeats_meet_the_beat():
    for note in NOTE_VALUES:
        repeats, beats = note.cross_rhythm
        assert repeats * note.beats == pytest.approx(beats, rel=1e-14)


def test_tempo_and_notes_broadcast_to_a_table():
    table = tempo.delay_from_tempo(np.array([60.0, 120.0])[:, None], [1, 0.5, 0.25])
    assert table.tolist() == [[1, 0.5, 0.25], [0.5, 0.25, 0.125]]


def test_the_two_timing_rules_hold_side_by_side_in_one_array():
    assert tempo.timing_threshold([0.1, 0.24, 1.0]) == pytest.approx([0.006, 0.006, 0.025], rel=1e-12)


def test_the_tempo_threshold_lies_between_its_points_and_stays_after_the_last():
    assert tempo.tempo_threshold([3, 100]) == pytest.approx([0.036, 0.03])
    with pytest.raises(ValueError, match="intervals must be 1 or more, got 0.5"):
        tempo.tempo_threshold([2, 0.5])


@pytest.mark.parametrize(
    ("delay", "zone"),
    [
        (0.001, "coloration"),
        (0.005, "doubling"),
        (0.0399, "doubling"),
        (0.040, "slap"),
        (DELAY, "slap"),
        (0.250, "separate echo"),
        (2 * DELAY, "separate echo"),
        (100, "separate echo"),
    ],
)
def test_a_delay_falls_into_one_zone(delay, zone):
    assert tempo.echo_zone(delay).name == zone


def test_the_zones_join_without_a_gap():
    zones = tempo.ECHO_ZONES
    assert zones[0].shortest == 0 and zones[-1].longest == math.inf
    assert [zone.longest for zone in zones[:-1]] == [zone.shortest for zone in zones[1:]]


def test_a_zone_is_asked_for_one_delay():
    with pytest.raises(ValueError, match=r"delay must be one number, got an array of shape \(2,\)"):
        tempo.echo_zone([0.1, 0.2])


def test_a_fit_reports_the_error_in_every_unit():
    late = fit(0.505, 120, note_value("quarter"))
    assert late.wanted_delay == 0.5
    assert late.error == pytest.approx(0.005)
    assert late.error_percent == pytest.approx(1.0)
    assert late.error_cents == pytest.approx(1200 * math.log(1.01) / math.log(2))
    assert late.threshold == pytest.approx(0.0125)
    assert late.audibility == pytest.approx(0.4)
    assert late.audible is False


def test_an_early_echo_has_a_negative_error():
    early = fit(0.48, 120, note_value("quarter"))
    assert early.error == pytest.approx(-0.02)
    assert early.error_percent == pytest.approx(-4)
    assert early.error_cents < 0
    assert early.audible is True


@pytest.mark.parametrize(
    ("error", "audible"), [(0.0059, False), (0.0061, True), (-0.0059, False), (-0.0061, True)]
)
def test_a_short_note_is_heard_off_from_six_milliseconds(error, audible):
    assert fit(0.125 + error, 120, note_value("sixteenth")).audible is audible


def test_repeats_stay_in_time_until_the_piled_up_error_is_heard():
    late = fit(0.505, 120, note_value("quarter"))
    assert late.repeats_in_time == 2  # 5 and 10 ms off, the third 15 ms against 12.5
    assert fit(0.5, 120, note_value("quarter")).repeats_in_time is None
    assert fit(math.nextafter(0.5, 1), 120, note_value("quarter")).repeats_in_time is None
    assert fit(0.6, 120, note_value("quarter")).repeats_in_time == 0


def test_a_fit_takes_one_delay_one_tempo_and_a_note():
    with pytest.raises(ValueError, match="delay must be one number"):
        fit([0.1, 0.2], 120, note_value("quarter"))
    with pytest.raises(ValueError, match="bpm must be one number"):
        fit(0.1, [60, 120], note_value("quarter"))
    with pytest.raises(ValueError, match="a note must be a NoteValue.*got 'quarter'"):
        fit(0.1, 120, "quarter")


def test_nearest_fits_ranks_every_note_by_what_ears_notice():
    fits = tempo.nearest_fits(DELAY, 76)
    assert {one.note for one in fits} == set(NOTE_VALUES)
    assert fits[0].note.name == "sixteenth"
    assert [one.audibility for one in fits] == sorted(one.audibility for one in fits)


def test_an_exact_note_comes_first():
    best = tempo.nearest_fits(0.375, 120)[0]
    assert best.note.name == "dotted eighth" and best.error == 0


def test_only_the_notes_that_are_asked_for_are_ranked():
    wanted = [note_value("eighth"), note_value("quarter")]
    assert [one.note.name for one in tempo.nearest_fits(0.4, 76, notes=iter(wanted))] == ["eighth", "quarter"]
    with pytest.raises(ValueError, match="notes must hold at least one note value"):
        tempo.nearest_fits(0.4, 76, notes=())


def test_every_tempo_in_the_range_fits_its_note_exactly_slowest_first():
    tempos = tempo.tempos_for_delay(DELAY, low=60, high=180)
    assert [bpm for _, bpm in tempos] == sorted(bpm for _, bpm in tempos)
    assert {note.name for note, _ in tempos} == {
        note.name for note in NOTE_VALUES if 60 <= 60 * note.beats / DELAY <= 180
    }
    for note, bpm in tempos:
        assert fit(DELAY, bpm, note).error == pytest.approx(0, abs=1e-15)


def test_both_ends_of_the_tempo_range_count_and_an_empty_range_gives_nothing():
    assert [note.name for note, _ in tempo.tempos_for_delay(0.5, low=120, high=120)] == ["quarter"]
    triplet = note_value("quarter triplet")
    for bpm in np.arange(60.0, 180.0):
        delay = tempo.delay_from_tempo(bpm, triplet.beats)
        assert tempo.tempos_for_delay(delay, low=bpm, high=bpm, notes=[triplet])
    assert tempo.tempos_for_delay(0.5, low=121, high=122) == ()
    with pytest.raises(ValueError, match="low must not be above high, got 180 and 60"):
        tempo.tempos_for_delay(0.5, low=180, high=60)


def test_among_equally_good_fits_rounding_does_not_decide():
    ranked = tempo.nearest_fits(0.1, 76, notes=[tempo.NoteValue("b", 0.5), tempo.NoteValue("a", 0.5)])
    assert [fit.note.name for fit in ranked] == ["b", "a"]


def test_each_of_the_four_changes_makes_the_fit_exact():
    late = fit(DELAY, 76, note_value("sixteenth"))
    changes = tempo.exact_changes(
        late, spacing=SPACING, speed=SPEED, capstan_diameter=0.008, tape_thickness=35e-6
    )
    assert changes.spacing / SPEED == pytest.approx(late.wanted_delay, rel=1e-12)
    assert SPACING + changes.spacing_change == pytest.approx(changes.spacing, rel=1e-12)
    assert SPACING / changes.speed == pytest.approx(late.wanted_delay, rel=1e-12)
    assert SPEED * (1 + changes.speed_change_percent / 100) == pytest.approx(changes.speed, rel=1e-12)
    assert tempo.delay_from_tempo(changes.bpm, 0.25) == pytest.approx(DELAY, rel=1e-12)
    turning = SPEED / (math.pi * (0.008 + 35e-6))  # the motor turns as before
    assert math.pi * (changes.sleeve_diameter + 35e-6) * turning == pytest.approx(changes.speed, rel=1e-12)


def test_without_a_capstan_there_is_no_sleeve():
    late = fit(DELAY, 76, note_value("sixteenth"))
    assert tempo.exact_changes(late, spacing=SPACING, speed=SPEED).sleeve_diameter is None


def test_an_exact_fit_needs_no_change():
    changes = tempo.exact_changes(
        fit(0.5, 120, note_value("quarter")), spacing=0.1, speed=0.2, capstan_diameter=0.008, tape_thickness=0
    )
    assert changes.spacing_change == 0 and changes.speed_change_percent == 0
    assert changes.speed == 0.2 and changes.bpm == 120
    assert changes.sleeve_diameter == pytest.approx(0.008, rel=1e-15)


def test_half_a_description_of_the_capstan_is_refused():
    late = fit(DELAY, 76, note_value("sixteenth"))
    with pytest.raises(ValueError, match="tape_thickness must be given too"):
        tempo.exact_changes(late, spacing=SPACING, speed=SPEED, capstan_diameter=0.008)
    with pytest.raises(ValueError, match="capstan_diameter must be given too"):
        tempo.exact_changes(late, spacing=SPACING, speed=SPEED, tape_thickness=35e-6)


def test_a_fit_of_another_machine_is_refused():
    late = fit(DELAY, 76, note_value("sixteenth"))
    with pytest.raises(ValueError, match="must be the delay of the fit, 0.217848 s, got 0.435696 s"):
        tempo.exact_changes(late, spacing=SPACING, speed=SPEED / 2)
    with pytest.raises(ValueError, match="spacing must be one number"):
        tempo.exact_changes(late, spacing=[SPACING, SPACING], speed=SPEED)


def test_repeats_pile_up_their_error():
    assert tempo.grid_offset(0.505, 0.5, [0, 1, 4]) == pytest.approx([0, 0.005, 0.020])
    assert tempo.grid_offset(0.495, 0.5, 2) == pytest.approx(-0.01)


def test_drift_refuses_what_never_comes():
    with pytest.raises(ValueError, match="error_percent must not be 0"):
        tempo.duration_from_drift(0.01, [1, 0])
    with pytest.raises(ValueError, match="must have the same sign"):
        tempo.duration_from_drift(0.01, -1)
    with pytest.raises(ValueError, match="duration must be 0 s or more"):
        tempo.take_drift(-1, 1)
