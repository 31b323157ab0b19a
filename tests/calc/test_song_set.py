"""A set of songs on one machine: hand-worked choices and changes, edges and refusals."""

import dataclasses
import math

import pytest

from tapecalc.calc import transport
from tapecalc.calc.song_set import MachineDelay, Song, best_choices, common_change
from tapecalc.calc.tempo import NOTE_VALUES, PLAIN_NOTES, NoteValue, note_value

QUARTER, EIGHTH, DOTTED = map(note_value, ("quarter", "eighth", "dotted eighth"))
#: A quarter lasts 0.5 s at 120, and is heard as off from 12.5 ms.
AT_120 = Song(name="at 120", bpm=120, notes=(QUARTER,))


def delays(*values):
    """The heads of a machine of one speed, by their delays in s."""
    return [MachineDelay(speed=0, head=head, delay=value) for head, value in enumerate(values)]


#: Heads at 30, 60, 90 and 120 mm at 120 bpm, each a tenth too near: 225 ms for an eighth of 250 and so on.
TENTH_SHORT = delays(0.225, 0.45, 0.675, 0.9)


def offs(setting):
    """By how many thresholds each choice of a setting is off."""
    return [choice.fit.audibility for choice in setting.choices]


# ---- songs and delays ----


def test_a_song_without_a_wish_takes_any_plain_note():
    assert Song(name="free", bpm=90).wanted == PLAIN_NOTES
    assert Song(name="fixed", bpm=90, notes=[DOTTED]).wanted == (DOTTED,)


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"bpm": 0}, "bpm must be greater than 0"),
        ({"bpm": [60, 70]}, "bpm must be one number"),
        ({"notes": ()}, "notes must hold at least one note value"),
        ({"notes": ("quarter",)}, "a note must be a NoteValue"),
    ],
)
def test_a_song_refuses_nonsense(wrong, words):
    with pytest.raises(ValueError, match=words):
        Song(**{"name": "one", "bpm": 90, **wrong})


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"delay": 0}, "delay must be greater than 0"),
        ({"u_delay": -0.001}, "u_delay must be 0 s or more"),
        ({"speed": -1}, "speed must be a whole number from 0 to 99"),
        ({"head": 0.5}, "head must be a whole number from 0 to 99"),
        ({"head": 100}, "head must be a whole number from 0 to 99"),
    ],
)
def test_a_delay_refuses_nonsense(wrong, words):
    with pytest.raises(ValueError, match=words):
        MachineDelay(**{"speed": 0, "head": 0, "delay": 0.2, **wrong})


def test_speeds_and_heads_count_from_0_and_a_delay_is_sure_unless_said():
    last = MachineDelay(speed=0, head=99, delay=0.2)
    assert (last.speed, last.head, last.u_delay) == (0, 99, 0.0)


def test_nothing_of_a_set_can_be_changed():
    change = common_change([AT_120], delays(0.5))
    choice = change.best.choices[0]
    for record in (choice.song, choice.delay, choice, change.best, change):
        name = dataclasses.fields(record)[0].name
        with pytest.raises(dataclasses.FrozenInstanceError):
            setattr(record, name, None)


@pytest.mark.parametrize("search", [best_choices, common_change])
def test_a_search_wants_songs_and_delays(search):
    with pytest.raises(ValueError, match=r"songs must hold one Song or more, got \[\]"):
        search([], delays(0.5))
    with pytest.raises(ValueError, match=r"delays must hold one MachineDelay or more, got \(\)"):
        search([AT_120], ())
    with pytest.raises(ValueError, match=r"delays must hold one MachineDelay or more, got \[0.5\]"):
        search([AT_120], [0.5])
    with pytest.raises(ValueError, match="songs must hold one Song or more"):
        search([AT_120, "another"], delays(0.5))


# ---- which delay each song likes ----


def test_each_song_takes_the_delay_and_the_note_that_fit_best():
    # At 90 a dotted eighth lasts 500 ms; the second delay is 10 ms late of 12.5. At 120 the first is
    # an eighth.
    machine = [
        MachineDelay(speed=0, head=0, delay=0.25, u_delay=0.001),
        MachineDelay(speed=1, head=0, delay=0.51, u_delay=0.005),
    ]
    songs = [Song(name="a", bpm=90, notes=(EIGHTH, DOTTED)), Song(name="b", bpm=120)]
    late, exact = best_choices(songs, machine)
    assert (late.song, late.delay, late.fit.note) == (songs[0], machine[1], DOTTED)
    assert late.fit.delay == 0.51 and late.fit.bpm == 90
    assert late.fit.error == pytest.approx(0.010)
    assert late.fit.audibility == pytest.approx(0.8)
    # 2.5 ms to the threshold are half an uncertainty: 1 - Phi(0.5), from a table of the normal distribution.
    assert late.chance_heard == pytest.approx(0.3085, abs=1e-4)
    assert (exact.song, exact.delay, exact.fit.note) == (songs[1], machine[0], EIGHTH)
    assert exact.fit.error == 0 and exact.chance_heard == pytest.approx(0, abs=1e-8)


def test_misses_are_compared_in_thresholds_and_not_in_milliseconds():
    # A quarter at 60: 990 ms is 10 ms early of 25. A sixteenth at 60: 258 ms is 8 ms late of 6.25.
    song = Song(name="slow", bpm=60, notes=(QUARTER, note_value("sixteenth")))
    (choice,) = best_choices([song], delays(0.258, 0.99))
    assert choice.delay.delay == 0.99 and choice.fit.audibility == pytest.approx(0.4)


def test_a_threshold_of_ones_own_takes_the_place_of_the_even_pulse():
    # 515 ms for the quarter of 500: heard from 12.5 ms in a pulse. Of 20 ms it leaves 5, one uncertainty:
    # 1 - Phi(1), from a table of the normal distribution.
    own = [MachineDelay(speed=0, head=0, delay=0.515, u_delay=0.005)]
    song = Song(name="one", bpm=120, notes=(QUARTER,))
    (pulse,), (line,) = best_choices([song], own), best_choices([song], own, threshold=0.020)
    assert pulse.fit.audible and not line.fit.audible
    assert line.fit.threshold == 0.020 and line.chance_heard == pytest.approx(0.1587, abs=1e-4)
    # Now 8 ms of a sixteenth at 60 are less than 10 ms of the quarter, see above.
    slow = Song(name="slow", bpm=60, notes=(QUARTER, note_value("sixteenth")))
    (choice,) = best_choices([slow], delays(0.258, 0.99), threshold=0.020)
    assert choice.delay.delay == 0.258 and choice.fit.audibility == pytest.approx(0.4)


def test_of_equals_the_first_delay_is_taken_and_rounding_does_not_decide():
    # 0.5 s is a quarter and 1 s a half at 115.38 bpm, each 4 % short: octaves miss by as many thresholds.
    for bpm in (60 / 0.52, 60 / 0.53, 60 / 0.47, 90.7, 131.3):
        song = Song(name="octaves", bpm=bpm, notes=(QUARTER, note_value("half")))
        for first, second in ((0.5, 1.0), (1.0, 0.5)):
            (choice,) = best_choices([song], delays(first, second))
            assert choice.delay.delay == first
    twins = (NoteValue("one name", 0.5), NoteValue("other name", 0.5))
    (choice,) = best_choices([Song(name="twins", bpm=100, notes=twins)], delays(0.31))
    assert choice.fit.note.name == "one name"


# ---- one change for a set ----


def test_with_a_threshold_in_milliseconds_two_songs_are_off_by_equal_times():
    # Quarters of 500 and 1020 ms from 500 and 1000: 500 (f - 1) = 1020 - 1000 f, f = 1.52/1.5, 6.7 ms each.
    # In a pulse the thresholds are 12.5 and 25.5 ms: 0.04 (f - 1) = (1.02 - f)/25.5, f = 0.08/0.0792157.
    songs = [Song(name="a", bpm=120, notes=(QUARTER,)), Song(name="b", bpm=60 / 1.02, notes=(QUARTER,))]
    own = delays(0.5, 1.0)
    line = common_change(songs, own, threshold=0.035)
    assert line.best.factor == pytest.approx(1.52 / 1.5)
    assert [abs(choice.fit.error) for choice in line.best.choices] == pytest.approx([0.02 / 3] * 2)
    assert line.before.in_time == 2 and line.most_in_time.in_time == 2
    assert common_change(songs, own).best.factor == pytest.approx(0.08 / (0.04 + 1 / 25.5))


def test_two_songs_meet_where_both_are_off_alike():
    # The quarter at 125 lasts 480 ms, heard from 12 ms. With the factor f on a delay of 500 ms the songs are
    # off by 500 |f - 1|/12.5 = 40 |f - 1| and 500 |f - 0.96|/12 = 125/3 |f - 0.96| thresholds. Between their
    # notes 40 - 40 f = 125/3 f - 40 gives f = 80 x 3/245 = 48/49, where both are off by 40/49.
    songs = [AT_120, Song(name="at 125", bpm=125, notes=(QUARTER,))]
    machine = [MachineDelay(speed=0, head=0, delay=0.5, u_delay=0.006)]
    change = common_change(songs, machine)
    assert offs(change.before) == pytest.approx([0, 0.04 * 125 / 3])
    assert change.before.factor == 1 and change.before.in_time == 1
    assert change.before.worst.song.name == "at 125"
    best = change.best
    assert best.factor == pytest.approx(48 / 49, rel=1e-12)
    assert offs(best) == pytest.approx([40 / 49, 40 / 49])
    assert best.worst.fit.audibility == pytest.approx(40 / 49)
    assert best.in_time == 2
    assert best.speed_change_percent == pytest.approx(100 / 48)  # 49/48 of the speed
    assert [choice.song for choice in best.choices] == songs
    assert best.choices[0].delay == machine[0] and best.choices[0].fit.delay == pytest.approx(24 / 49)
    # Early by 500/49 of 12.5 ms, u 6 x 48/49 ms: 1 - Phi(0.391) and 1 - Phi(3.863), from tables.
    assert best.choices[0].chance_heard == pytest.approx(0.3480 + 0.0001, abs=2e-4)
    assert change.runner_up is None
    assert change.most_in_time == best


def test_a_set_that_fits_as_it_is_needs_no_change():
    change = common_change([AT_120], delays(0.5))
    assert change.best.factor == 1 and change.best.speed_change_percent == 0
    assert change.best == change.before == change.most_in_time


def test_of_equals_the_smaller_change_is_best_and_the_other_the_runner_up():
    # Exact at 0.9 and at 1.1; as ratios 1.1 is nearer to 1 (1/0.9 = 1.111).
    change = common_change([AT_120], delays(0.5 / 0.9, 0.5 / 1.1))
    assert change.best.factor == pytest.approx(1.1, rel=1e-12)
    assert change.runner_up.factor == pytest.approx(0.9, rel=1e-12)
    assert change.most_in_time.factor == change.best.factor
    assert change.best.choices[0].delay.head == 1 and change.runner_up.choices[0].delay.head == 0


@pytest.mark.parametrize(("near", "runner_up"), [(1.0099, 1.1), (1.0101, 1.0101)])
def test_a_runner_up_lies_more_than_a_percent_away(near, runner_up):
    change = common_change([AT_120], delays(0.5, 0.5 / near, 0.5 / 1.1))
    assert change.best.factor == 1
    assert change.runner_up.factor == pytest.approx(runner_up, rel=1e-12)


def test_a_runner_up_is_the_next_best_and_not_the_next_in_line():
    # Exact at 1, at 1.05 and at 1.15, whichever head comes first: of equals the smaller change.
    change = common_change([AT_120], delays(0.5 / 1.15, 0.5 / 1.05, 0.5))
    assert [change.best.factor, change.runner_up.factor] == pytest.approx([1, 1.05])


def test_a_runner_up_may_be_near_if_other_songs_are_in_time_there():
    # Quarters exact at 0.9725 on head 1 and 1.0275 on head 2 (a), 1.02 on head 1 (b), 0.975 on head 2 (c).
    # Exact at z means off by 40 |f/z - 1|. On the left a meets b at 2/(1/0.9725 + 1/1.02) = 0.995683, off by
    # 0.9536, c by 0.849; on the right c meets a at 2/(1/0.975 + 1/1.0275) = 1.000562, off by 1.0487, b by
    # 0.762. Between them a rises to 1.0997, where it changes heads.
    first, last = 0.5, 0.5 * 0.9725 / 1.0275
    lasts = {"a": 0.9725 * first, "b": 1.02 * first, "c": 0.975 * last}
    songs = [Song(name=name, bpm=60 / quarter, notes=(QUARTER,)) for name, quarter in lasts.items()]
    change = common_change(songs, delays(first, last), low=0.98, high=1.02)
    assert change.best.factor == pytest.approx(0.995683, abs=1e-6)
    assert offs(change.best) == pytest.approx([0.9536, 0.9536, 0.849], abs=1e-3)
    assert change.runner_up.factor == pytest.approx(1.000562, abs=1e-6)
    assert offs(change.runner_up) == pytest.approx([1.0487, 0.762, 1.0487], abs=1e-3)
    assert (change.best.in_time, change.runner_up.in_time) == (3, 1)
    assert [choice.delay.head for choice in change.best.choices] == [0, 0, 1]
    assert [choice.delay.head for choice in change.runner_up.choices] == [1, 0, 1]


def test_a_song_that_fits_nowhere_draws_best_away_but_not_most_in_time():
    # Two songs are off by 40 |f - 1|; a quarter at 100, 600 ms, by 500/15 |f - 1.2| = 100/3 |f - 1.2|.
    # They meet at 40 f - 40 = 40 - 100/3 f: f = 240/220 = 12/11, all off by 40/11, and none is in time.
    songs = [AT_120, Song(name="too", bpm=120, notes=(QUARTER,)), Song(name="far", bpm=100, notes=(QUARTER,))]
    change = common_change(songs, delays(0.5))
    assert change.before.in_time == 2 and change.before.worst.fit.audibility == pytest.approx(20 / 3)
    assert change.best.factor == pytest.approx(12 / 11, rel=1e-12)
    assert offs(change.best) == pytest.approx([40 / 11] * 3) and change.best.in_time == 0
    assert change.most_in_time == change.before


def test_most_in_time_is_where_the_worst_of_these_is_off_the_least():
    # Quarters at 0.99, 1.02 and 1.3: 40 |f/z - 1|. The first two meet at 2/(1/0.99 + 1/1.02) = 1.004776, off
    # by 40 x 0.014925 = 0.597; the third is in time nowhere near.
    songs = [Song(name=str(z), bpm=120 / z, notes=(QUARTER,)) for z in (0.99, 1.02, 1.3)]
    most = common_change(songs, delays(0.5)).most_in_time
    assert most.factor == pytest.approx(1.004776, abs=1e-6) and most.in_time == 2
    assert offs(most)[:2] == pytest.approx([0.597015, 0.597015], abs=1e-6)
    # With a second head that takes the first song to 1.0 the first two meet at 1.00990, off by 0.396.
    most = common_change(songs, delays(0.5, 0.495)).most_in_time
    assert most.factor == pytest.approx(2 / (1 + 1 / 1.02)) and most.in_time == 2
    assert offs(most)[:2] == pytest.approx([0.39604, 0.39604], abs=1e-5)


def test_of_as_many_in_time_and_as_good_the_smaller_change_counts():
    # One song of two is exact, either the one of 600 ms at 1.2 or the one of 450 ms at 0.9: both never.
    songs = [Song(name=str(z), bpm=120 / z, notes=(QUARTER,)) for z in (1.2, 0.9)]
    change = common_change(songs, delays(0.5))
    assert change.most_in_time.factor == pytest.approx(0.9) and change.most_in_time.in_time == 1


def test_where_none_is_ever_in_time_the_best_counts():
    change = common_change([AT_120], delays(0.9), high=1.1)  # 1.1 would be the smaller change
    assert change.most_in_time is change.best and change.best.in_time == 0
    assert change.best.factor == 0.8


def test_a_song_may_change_its_head_and_its_note_with_the_factor():
    # Head 1 is an eighth of 250 ms at 0.85, head 2 a dotted eighth of 375 ms at 1.2.
    songs = [Song(name="either", bpm=120, notes=(EIGHTH, DOTTED))]
    change = common_change(songs, delays(0.25 / 0.85, 0.375 / 1.2), low=0.8, high=1.25)
    by_factor = {round(one.factor, 9): one.choices[0] for one in (change.best, change.runner_up)}
    assert by_factor[0.85].delay.head == 0 and by_factor[0.85].fit.note == EIGHTH
    assert by_factor[1.2].delay.head == 1 and by_factor[1.2].fit.note == DOTTED
    assert change.best.factor == pytest.approx(0.85)  # |ln 0.85| = 0.163 is less than ln 1.2 = 0.182


# ---- one change for all heads ----


def test_one_change_of_speed_mends_all_heads_at_once():
    change = common_change([Song(name="one", bpm=120)], TENTH_SHORT, every_delay=True)
    # 25 of 6.25 ms, 50 of 12.5, 75 of 18.75, 100 of 25: each a tenth, four thresholds.
    assert offs(change.before) == pytest.approx([4, 4, 4, 4]) and change.before.in_time == 0
    assert change.best.factor == pytest.approx(10 / 9, rel=1e-12)
    assert change.best.speed_change_percent == pytest.approx(-10, rel=1e-12)
    assert offs(change.best) == pytest.approx([0] * 4, abs=1e-9) and change.best.in_time == 4
    assert [choice.delay for choice in change.best.choices] == TENTH_SHORT
    names = [choice.fit.note.name for choice in change.best.choices]
    assert names == ["eighth", "quarter", "dotted quarter", "half"]


def test_one_change_of_speed_mends_the_heads_at_both_speeds():
    # 30, 60, 90 and 120 mm at 40 and at 10 cm/s; at 90 bpm the shortest is a thirty-second of 83.3 ms.
    spacings = (0.03, 0.06, 0.09, 0.12)
    every = [
        MachineDelay(speed=k, head=head, delay=spacing / speed)
        for k, speed in enumerate((0.4, 0.1))
        for head, spacing in enumerate(spacings)
    ]
    everyday = tuple(note for note in NOTE_VALUES if "quintuplet" not in note.name)
    change = common_change([Song(name="one", bpm=90, notes=everyday)], every, every_delay=True)
    # The third head is near a triplet as well: 225 ms, an eighth triplet lasts 222.2.
    errors = [choice.fit.error_percent for choice in change.before.choices]
    assert errors == pytest.approx([-10, -10, 1.25, -10] * 2)
    assert change.best.speed_change_percent == pytest.approx(-10) and change.best.in_time == 8
    assert change.best.choices[0].fit.note.name == "thirty-second"
    # Where only plain notes will do, the shortest fits nowhere near: a sixteenth is twice as long.
    plain = common_change([Song(name="one", bpm=90)], every, every_delay=True)
    assert plain.most_in_time.factor == pytest.approx(10 / 9) and plain.most_in_time.in_time == 7
    assert plain.best.worst.delay == every[0]


def test_without_that_wish_one_head_is_enough():
    change = common_change([Song(name="one", bpm=120)], TENTH_SHORT)
    assert len(change.best.choices) == 1 and change.best.in_time == 1


def test_what_only_shortens_delays_ends_at_1():
    # At 0.8: 180 ms is 7.5 of 6 from a dotted sixteenth, 360 is 15 of 9.375 from a dotted eighth, 540 is 40
    # of 12.5 from a quarter, 720 is 30 of 18.75 from a dotted quarter: 3.2 at most. At 1 all are off by 4.
    change = common_change([Song(name="one", bpm=120)], TENTH_SHORT, high=1, every_delay=True)
    assert change.best.factor == 0.8
    assert offs(change.best) == pytest.approx([1.25, 1.6, 3.2, 1.6])
    assert change.runner_up.factor == 1 and change.runner_up.worst.fit.audibility == pytest.approx(4)


def test_what_only_lengthens_delays_starts_at_1():
    change = common_change([AT_120], delays(0.6), low=1)
    assert change.best.factor == 1 and change.runner_up is None  # 600 ms is too long already
    assert change.best == change.before


def test_every_song_at_every_delay_is_a_choice_of_its_own():
    songs = [AT_120, Song(name="other", bpm=60, notes=(QUARTER, note_value("half")))]
    change = common_change(songs, delays(0.5, 1.0), every_delay=True)
    pairs = [(choice.song.name, choice.delay.head) for choice in change.before.choices]
    assert pairs == [("at 120", 0), ("at 120", 1), ("other", 0), ("other", 1)]
    assert change.before.in_time == 2  # 500 ms at 120 and 1000 ms at 60


# ---- the range ----


def test_the_range_may_be_a_single_factor():
    change = common_change([AT_120], delays(0.5), low=1.1, high=1.1)
    assert change.best.factor == 1.1 and change.runner_up is None
    assert change.best.worst.fit.audibility == pytest.approx(4)
    assert change.before.factor == 1


def test_the_usual_range_is_a_fifth_down_and_a_quarter_up():
    assert common_change([AT_120], delays(0.9)).best.factor == 0.8
    assert common_change([AT_120], delays(0.1)).best.factor == 1.25


@pytest.mark.parametrize(
    ("range_", "words"),
    [
        ({"low": 1.2, "high": 1.1}, "low must not be above high, got 1.2 and 1.1"),
        ({"low": 0}, "low must be greater than 0"),
        ({"high": math.inf}, "high must be a finite number"),
    ],
)
def test_a_range_refuses_nonsense(range_, words):
    with pytest.raises(ValueError, match=words):
        common_change([AT_120], delays(0.5), **range_)


def test_the_change_makes_the_delays_that_it_says():
    # By moving the head or by another speed: spacing and speed of the bench deck, 217.8 ms.
    spacing, speed = 0.0415, 0.1905
    own = MachineDelay(speed=0, head=0, delay=spacing / speed)
    best = common_change([Song(name="one", bpm=64, notes=(note_value("sixteenth"),))], [own]).best
    assert best.choices[0].fit.error == pytest.approx(0, abs=1e-15)
    wanted = 60 / 64 / 4
    assert transport.delay_from_spacing(spacing * best.factor, speed) == pytest.approx(wanted)
    faster = speed * (1 + best.speed_change_percent / 100)
    assert transport.delay_from_spacing(spacing, faster) == pytest.approx(wanted)


# ---- ties and gaps ----


@pytest.mark.parametrize(("quarters", "worst"), [((1.03, 1.035), "1.035"), ((1.035, 1.03), "1.035")])
def test_the_worst_song_is_the_one_that_is_off_the_most(quarters, worst):
    # Quarters of 515 and 517.5 ms, a delay of 500: 15 of 12.875 are 1.165, 17.5 of 12.9375 are 1.353.
    songs = [Song(name=str(z), bpm=120 / z, notes=(QUARTER,)) for z in quarters]
    found = common_change(songs, delays(0.5)).before.worst
    assert found.song.name == worst and found.fit.audibility == pytest.approx(1.353, abs=1e-3)


def test_a_song_that_is_off_by_one_threshold_counts_where_none_is_better():
    # The first is off by 40 (f - 1): 1 at 1.025, the low end. The second is exact at 1.4 and never in time.
    songs = [AT_120, Song(name="far", bpm=120 / 1.4, notes=(QUARTER,))]
    change = common_change(songs, delays(0.5), low=1.025)
    assert change.best.in_time == 0
    assert change.most_in_time.factor == 1.025 and change.most_in_time.in_time == 1


def test_a_song_that_is_off_by_one_threshold_at_an_end_is_no_error():
    # 400 ms is a quarter at 1.25, off by 32 (f - 1.25): by just 1 at 1.28125.
    change = common_change([AT_120], delays(0.4), low=1.25, high=1.28125)
    assert change.best.factor == 1.25 and offs(change.best) == [0]


@pytest.mark.parametrize(
    ("quarters", "meet"), [((1, 1.01, 1.1, 1.12), (1, 1.01)), ((0.9, 0.92, 1, 1.01), (1, 1.01))]
)
def test_the_better_of_two_gaps_has_most_in_time_whichever_comes_first(quarters, meet):
    # Two and two are in time together. 1 and 1.01 meet at 2/(1 + 1/1.01), off by 40/201 = 0.199; 1.1 and 1.12
    # by 40/111, 0.9 and 0.92 by 40/91.
    songs = [Song(name=str(z), bpm=120 / z, notes=(QUARTER,)) for z in quarters]
    most = common_change(songs, delays(0.5)).most_in_time
    assert most.factor == pytest.approx(2 / (1 / meet[0] + 1 / meet[1]))
    assert most.in_time == 2 and sorted(offs(most))[:2] == pytest.approx([40 / 201] * 2)
