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


def test_a_cross_rhythm_splits_the_beat_by_96_at_most():
    assert NoteValue("finest", 1 / 96).cross_rhythm == (96, 1)
    assert NoteValue("too fine", 1 / 97).cross_rhythm == (96, 1)


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


def test_a_miss_of_one_threshold_is_not_heard():
    # 12.5 ms of a quarter at 120, and 6 ms of a sixteenth; what is a millionth more is.
    for wanted, bpm, name, threshold in ((0.5, 120, "quarter", 0.0125), (0.125, 120, "sixteenth", 0.006)):
        for sign in (-1, 1):
            tie = fit(wanted + sign * threshold, bpm, note_value(name))
            assert tie.audible is False and tie.repeats_in_time == 1
            more = fit(wanted + sign * threshold * 1.000001, bpm, note_value(name))
            assert more.audible is True and more.repeats_in_time == 0


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


def test_what_an_echo_is_judged_as_decides_what_is_heard():
    late = 0.515  # 15 ms late of a quarter at 120, in a pulse heard from 12.5 ms
    found = {
        name: fit(late, 120, note_value("quarter"), threshold=heard)
        for name, heard in tempo.JUDGED_AS.items()
    }
    assert {name: one.audible for name, one in found.items()} == {
        "pulse": True, "sharp line": False, "soft line": False
    }  # fmt: skip
    assert [one.repeats_in_time for one in found.values()] == [0, 1, 2]  # 15 and 30 ms against 12.5, 20, 35
    assert found["sharp line"].audibility == pytest.approx(0.75)
    own = fit(late, 120, note_value("quarter"), threshold=0.0149)
    assert own.audible and own.threshold == 0.0149 and own.repeats_in_time == 0
    with pytest.raises(ValueError, match="threshold must be greater than 0 s"):
        fit(late, 120, note_value("quarter"), threshold=0)


def test_an_odd_note_must_fit_better_by_the_threshold_that_is_given():
    # 515 ms: the quarter misses by 15 ms, 1.2 thresholds of a pulse and 0.75 of 20 ms; the odd note by none.
    notes = [tempo.NoteValue("odd", 0.515 * 2), note_value("quarter")]
    assert [one.note.name for one in tempo.nearest_fits(0.515, 120, notes=notes)] == ["odd", "quarter"]
    line = tempo.nearest_fits(0.515, 120, notes=notes, threshold=0.020)
    assert [one.note.name for one in line] == ["quarter", "odd"]


def test_nearest_fits_ranks_every_note_by_what_ears_notice():
    fits = tempo.nearest_fits(DELAY, 76)
    assert {one.note for one in fits} == set(NOTE_VALUES)
    assert fits[0].note.name == "sixteenth"
    assert [one.rank for one in fits] == sorted(one.rank for one in fits)


def test_plain_notes_are_told_from_odd_ones_by_their_length():
    plain = {note.name for note in tempo.PLAIN_NOTES}
    assert plain == {note.name for note in NOTE_VALUES if note.plain}
    assert plain == {
        *("whole", "half", "quarter", "eighth", "sixteenth"),
        *("dotted half", "dotted quarter", "dotted eighth", "dotted sixteenth"),
        *("quarter triplet", "eighth triplet"),
    }
    assert NoteValue("mine", 1 / 3).plain and not NoteValue("mine", 0.3333).plain


# 32 mm at 19.05 and at 9.525 cm/s: 168 and 336 ms.
@pytest.mark.parametrize(
    ("delay", "bpm", "best", "rank", "second"),
    [
        (0.168, 70, "dotted thirty-second", 1 + 7.286 / 6, "sixteenth triplet"),  # a sixteenth misses by 7.7
        (0.336, 70, "dotted sixteenth", 14.571 / 8.0357, "eighth triplet"),
        (0.168, 46, "thirty-second", 1 + 4.957 / 6, "sixteenth triplet"),  # a sixteenth misses by 19 and more
        (0.336, 46, "sixteenth", 9.913 / 8.1522, "eighth triplet"),
    ],
)
def test_an_octave_lower_the_plain_note_of_two_equal_misses_ranks_first(delay, bpm, best, rank, second):
    everyday = [note for note in NOTE_VALUES if "quintuplet" not in note.name]
    first, then, *_ = tempo.nearest_fits(delay, bpm, notes=everyday)
    assert (first.note.name, then.note.name) == (best, second)
    assert first.rank == pytest.approx(rank, abs=1e-3)


def test_an_odd_note_must_miss_by_a_whole_threshold_less():
    # At 120 a quarter lasts 500 ms, heard from 12.5 ms. The odd note is exact, or 10 ms off of some 13.
    notes = (note_value("quarter"), NoteValue("odd", 1.0228))  # 511.4 ms
    plain, odd = tempo.nearest_fits(0.5114, 120, notes=notes)
    assert (plain.note.name, plain.rank) == ("quarter", pytest.approx(11.4 / 12.5))
    assert (odd.note.name, odd.rank) == ("odd", pytest.approx(1))
    notes = (note_value("quarter"), NoteValue("odd", 1.0272))  # 513.6 ms: the quarter misses by 1.088
    assert [one.note.name for one in tempo.nearest_fits(0.5136, 120, notes=notes)] == ["odd", "quarter"]


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


def test_tempos_are_looked_for_from_60_to_180_unless_said():
    quarter = [note_value("quarter")]
    for bpm, found in ((59.7, 0), (60, 1), (60.3, 1), (179.7, 1), (180, 1), (180.3, 0)):
        assert len(tempo.tempos_for_delay(60 / bpm, notes=quarter)) == found


def test_among_equally_good_fits_rounding_does_not_decide():
    ranked = tempo.nearest_fits(0.1, 76, notes=[tempo.NoteValue("b", 0.5), tempo.NoteValue("a", 0.5)])
    assert [fit.note.name for fit in ranked] == ["b", "a"]


# ---- how likely a miss is heard ----


def test_the_chance_counts_both_sides_of_the_threshold():
    # 0.6 ms of 4.2 to the threshold: 1 - Phi(0.1429) = 0.4432; 11.4 of 4.2 to the other: 1 - Phi(2.714)
    # = 0.0033.
    assert tempo.chance_heard(-0.0054, 0.0042, 0.006) == pytest.approx(0.4465, abs=1e-4)
    assert tempo.chance_heard(0.0054, 0.0042, 0.006) == pytest.approx(0.4465, abs=1e-4)
    # Exact on average: P(|z| > 1), the share outside one standard deviation.
    assert tempo.chance_heard(0, 0.006, 0.006) == pytest.approx(0.3173, abs=1e-4)


def test_the_bench_deck_at_67_2_is_perhaps_heard():
    # A sixteenth lasts 223.214 ms, the deck has 217.848, known to 4.191 ms (0.5 of 41.5 mm, 1.5 % of speed).
    off = fit(DELAY, 67.2, note_value("sixteenth"))
    u_delay = DELAY * math.hypot(0.5 / 41.5, 0.015)
    assert 1e3 * off.error == pytest.approx(-5.366, abs=1e-3) and off.audible is False
    # (6 - 5.366)/4.191 = 0.151 and 2.712: 0.4399 + 0.0033.
    assert tempo.chance_heard(off.error, u_delay, off.threshold) == pytest.approx(0.443, abs=1e-3)


def test_the_error_of_later_repeats_adds_up_and_so_does_its_doubt():
    # Repeat 2 is 6 ms off, u 4, threshold 8: 1 - Phi(0.5) + 1 - Phi(3.5) = 0.3085 + 0.0002.
    chances = tempo.chance_heard(0.003, 0.002, 0.008, [0, 1, 2, 4])
    # Repeat 1: 1 - Phi(2.5) = 0.0062; repeat 4 is 12 ms off, u 8: Phi(0.5) + 1 - Phi(2.5) = 0.6915 + 0.0062.
    assert chances == pytest.approx([0, 0.0062, 0.3087, 0.6977], abs=1e-4)


def test_without_doubt_a_miss_is_heard_or_it_is_not():
    assert tempo.chance_heard([0.0061, -0.0061, 0.0059, 0], 0, 0.006).tolist() == [1, 1, 0, 0]
    assert tempo.chance_heard([0.003, -0.003, 0.003], 0, 0.006, [2, 2, 2.001]).tolist() == [0, 0, 1]
    assert tempo.chance_heard(0.0061, [0, 1e-9], 0.006).tolist() == [1, 1]
    tie = fit(0.5125, 120, note_value("quarter"))
    assert tempo.chance_heard(tie.error, 0, tie.threshold) == 0
    with pytest.raises(ValueError, match="u_delay must be 0 s or more"):
        tempo.chance_heard(0.001, -0.001, 0.006)


# ---- how to make it exact ----


def test_each_of_the_four_changes_makes_the_fit_exact():
    late = fit(DELAY, 76, note_value("sixteenth"))
    changes = tempo.exact_changes(
        late, spacing=SPACING, speed=SPEED, capstan_diameter=0.008, tape_thickness=35e-6
    )
    assert changes.spacing / SPEED == pytest.approx(late.wanted_delay, rel=1e-12)
    assert SPACING + changes.spacing_change.value == pytest.approx(changes.spacing, rel=1e-12)
    assert SPACING / changes.speed == pytest.approx(late.wanted_delay, rel=1e-12)
    assert SPEED * (1 + changes.speed_change_percent.value / 100) == pytest.approx(changes.speed, rel=1e-12)
    assert tempo.delay_from_tempo(changes.bpm.value, 0.25) == pytest.approx(DELAY, rel=1e-12)
    turning = SPEED / (math.pi * (0.008 + 35e-6))  # the motor turns as before
    assert changes.sleeve_possible is True
    assert math.pi * (changes.sleeve_diameter.value + 35e-6) * turning == pytest.approx(
        changes.speed, rel=1e-12
    )


def test_each_change_has_its_own_95_percent_interval():
    # 40 mm at 0.2 m/s are 200 ms; an eighth at 160 lasts 187.5 ms. u 2 ms and 1 mm/s.
    late = fit(0.2, 160, note_value("eighth"))
    changes = tempo.exact_changes(
        late,
        spacing=0.04,
        speed=0.2,
        capstan_diameter=0.0099,
        tape_thickness=1e-4,
        u_delay=0.002,
        u_speed=0.001,
    )
    # -12.5 ms x 0.2 m/s; 2 (0.2 x 0.002 + 0.0125 x 0.001) m
    assert changes.spacing_change == pytest.approx((-0.0025, 0.000825), rel=1e-12)
    assert changes.speed_change_percent == pytest.approx((100 / 15, 0.4 / 0.1875), rel=1e-12)
    # 10 mm of shaft and tape x 16/15 less the tape; 2 x 10 mm x 2/187.5
    assert changes.sleeve_diameter == pytest.approx((0.01 * 16 / 15 - 1e-4, 0.04 / 187.5), rel=1e-12)
    assert changes.bpm == pytest.approx((150, 3), rel=1e-12)  # 2 x 150 x 2/200
    assert changes.bpm.value == changes.bpm[0] and changes.bpm.plus_minus == changes.bpm[1]


def test_the_interval_of_an_early_echo_has_no_sign():
    early = fit(0.2, 140, note_value("eighth"))  # 214.3 ms
    changes = tempo.exact_changes(early, spacing=0.04, speed=0.2, u_delay=0, u_speed=0.001)
    assert changes.spacing_change == pytest.approx((0.2 * 0.1 / 7, 0.002 * 0.1 / 7), rel=1e-9)
    assert changes.speed_change_percent.plus_minus == changes.bpm.plus_minus == 0


def test_what_is_sure_stays_sure():
    late = fit(DELAY, 76, note_value("sixteenth"))
    changes = tempo.exact_changes(
        late, spacing=SPACING, speed=SPEED, capstan_diameter=0.008, tape_thickness=35e-6
    )
    every = (changes.spacing_change, changes.speed_change_percent, changes.sleeve_diameter, changes.bpm)
    assert [change.plus_minus for change in every] == [0, 0, 0, 0]


def test_a_sleeve_only_adds():
    capstan = {"capstan_diameter": 0.008, "tape_thickness": 35e-6}
    early = fit(DELAY, 67.2, note_value("sixteenth"))
    slower = tempo.exact_changes(early, spacing=SPACING, speed=SPEED, **capstan)
    assert slower.speed_change_percent.value < 0
    assert slower.sleeve_diameter is None and slower.sleeve_possible is False
    much_slower = tempo.exact_changes(fit(0.01, 60, note_value("whole")), spacing=0.001, speed=0.1, **capstan)
    assert much_slower.sleeve_diameter is None and much_slower.sleeve_possible is False


def test_without_a_capstan_no_sleeve_is_named_but_whether_one_could_do_is():
    late, early = (fit(DELAY, bpm, note_value("sixteenth")) for bpm in (76, 67.2))
    unknown = tempo.exact_changes(late, spacing=SPACING, speed=SPEED)
    assert unknown.sleeve_diameter is None and unknown.sleeve_possible is True
    assert tempo.exact_changes(early, spacing=SPACING, speed=SPEED).sleeve_possible is False


def test_an_exact_fit_needs_no_change():
    capstan = {"capstan_diameter": 0.008, "tape_thickness": 0}
    for delay in (0.5, math.nextafter(0.5, 1), math.nextafter(0.5, 0)):
        exact = fit(delay, 120, note_value("quarter"))
        changes = tempo.exact_changes(exact, spacing=0.1, speed=0.2, **capstan)
        assert changes.spacing_change.value == 0 and changes.speed == pytest.approx(0.2)
        assert changes.speed_change_percent.value == pytest.approx(0, abs=1e-12)
        assert changes.bpm.value == pytest.approx(120)
        assert changes.sleeve_diameter.value == pytest.approx(0.008, rel=1e-15)


def test_half_a_description_of_the_capstan_is_refused():
    late = fit(DELAY, 76, note_value("sixteenth"))
    with pytest.raises(ValueError, match="tape_thickness must be given too"):
        tempo.exact_changes(late, spacing=SPACING, speed=SPEED, capstan_diameter=0.008)
    with pytest.raises(ValueError, match="capstan_diameter must be given too"):
        tempo.exact_changes(late, spacing=SPACING, speed=SPEED, tape_thickness=35e-6)


def test_a_fit_of_another_machine_is_refused():
    late = fit(DELAY, 76, note_value("sixteenth"))
    for nearly in (1 - 0.98e-6, 1 + 0.98e-6):
        assert tempo.exact_changes(late, spacing=SPACING, speed=SPEED * nearly).speed_change_percent
    for not_quite in (1 - 1.02e-6, 1 + 1.02e-6):
        with pytest.raises(ValueError, match="must be the delay of the fit"):
            tempo.exact_changes(late, spacing=SPACING, speed=SPEED * not_quite)
    with pytest.raises(ValueError, match="must be the delay of the fit, 0.217848 s, got 0.435696 s"):
        tempo.exact_changes(late, spacing=SPACING, speed=SPEED / 2)
    with pytest.raises(ValueError, match="spacing must be one number"):
        tempo.exact_changes(late, spacing=[SPACING, SPACING], speed=SPEED)


def test_repeats_pile_up_their_error():
    assert tempo.grid_offset(0.505, 0.5, [0, 1, 4]) == pytest.approx([0, 0.005, 0.020])
    assert tempo.grid_offset(0.495, 0.5, 2) == pytest.approx(-0.01)


def test_a_drift_of_nothing_takes_no_time():
    assert tempo.duration_from_drift([0, 0.05], 0.5).tolist() == [0, 10]


def test_drift_refuses_what_never_comes():
    with pytest.raises(ValueError, match="error_percent must not be 0"):
        tempo.duration_from_drift(0.01, [1, 0])
    with pytest.raises(ValueError, match="must have the same sign"):
        tempo.duration_from_drift(0.01, -1)
    with pytest.raises(ValueError, match="duration must be 0 s or more"):
        tempo.take_drift(-1, 1)


# ---- what each record and error says ----


def test_a_fit_says_of_what_it_is_one():
    late = fit(0.505, 120, note_value("quarter"))
    assert (late.bpm, late.delay, late.note) == (120, 0.505, note_value("quarter"))


def test_an_unknown_note_is_refused_as_a_note_value():
    with pytest.raises(ValueError, match="^note value 'doted eighth' is not known"):
        note_value("doted eighth")


def test_each_zone_says_in_words_of_its_own_what_is_heard():
    effects = [zone.effect for zone in tempo.ECHO_ZONES]
    assert len(set(effects)) == 4
    assert all(len(effect.split()) > 4 for effect in effects)


def test_an_error_of_ten_thousand_roundings_is_an_error():
    # A ten-thousand-millionth of 500 ms is 0.05 ns; into 12.5 ms it goes 250 million times.
    assert fit(0.5 * (1 + 1e-10), 120, note_value("quarter")).repeats_in_time == pytest.approx(
        2.5e8, rel=1e-4
    )
