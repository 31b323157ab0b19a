"""The plan in words, tables and plain data: the right numbers, digits and sentences."""

import json

import numpy as np
import pytest
from flat_machines import CASSETTE, MEASURED, ONE_HEAD, THREE_HEADS, flat_machine

from tapecalc.machine import example_machine, machine_from_options, machine_from_text, with_changes
from tapecalc.plan import make_plan
from tapecalc.report.plan_data import plan_data
from tapecalc.report.plan_text import CAUTIONS, headlines, heard_text, plan_text, start_text, tables


@pytest.fixture(scope="module")
def plan():
    return make_plan(example_machine())


def cells(plan, key):
    """Rows of one table of a plan."""
    (table,) = [table for table in tables(plan) if table.key == key]
    return table.rows


def test_every_table_has_a_key_of_its_own_and_a_cell_for_each_column(plan):
    every = tables(plan)
    assert len({table.key for table in every}) == len(every) == 12
    for table in every:
        assert table.rows and {len(row) for row in table.rows} == {len(table.columns)}
        assert not table.columns[0].numeric


@pytest.mark.parametrize("send_db", [-6.0, 3.0])
def test_columns_of_figures_hold_figures_and_the_others_words(send_db):
    for table in tables(make_plan(with_changes(example_machine(), {"mixer.return_send_db": send_db}))):
        for column, texts in zip(table.columns, zip(*table.rows, strict=True), strict=True):
            figures = [text for text in texts if text[0] in "+-0123456789"]
            if column.numeric:
                assert set(texts) - set(figures) <= {"no end", "never", "nowhere", "none", "as set"}
            elif table.key not in ("delays", "tempos", "tone", "omissions", "assumed"):  # a speed, a band
                assert column.title == "Speed" or figures == []


def test_figures_stand_to_the_right_in_a_terminal(plan):
    lines = plan_text(plan).splitlines()
    start = lines.index("Delays")
    head, below = lines[start + 1], lines[start + 3 : start + 5]
    assert {len(line[: head.index("Delay") + 5].rstrip()) for line in below} == {head.index("Delay") + 5}


def test_a_song_without_a_tempo_has_no_fits_in_its_text():
    text = plan_text(make_plan(machine_from_options(spacings_mm=[41.5], speeds_ips=[7.5])))
    assert "Fit to the song" not in text
    assert "Tempos that the delays like" in text


def test_a_loop_that_runs_away_is_said():
    plan = make_plan(with_changes(example_machine(), {"mixer.return_send_db": 3.0}))
    text = plan_text(plan)
    assert "RUNS AWAY" in text
    assert "no end" in text and "never" in text
    assert plan_data(plan)["runs_away"] is True


POLES = "transport.speeds_cm_s = [19.05]\nplayback_heads = [{spacing_mm = 40}]\nsong.wanted_repeats = %d\n"


def of_poles(send_db, wanted=4):
    """A plan of a machine of which little is said, so that its head may have bumps in the bass."""
    return make_plan(
        with_changes(machine_from_text(POLES % wanted), {"mixer.return_send_db": float(send_db)})
    )


def test_a_margin_with_bumps_is_the_least_there_is_and_says_so():
    plan = of_poles(-8)
    (loop,) = plan.loops
    # Plates of 5 mm: 2.06 dB at 105 Hz, of which the low cut at 30 Hz takes 0.34.
    assert loop.bumps and loop.stability.margin_db == pytest.approx(8 - 1.73, abs=0.03)
    assert "the loop is 6.2 dB or more from running away" in headlines(plan)[-1]
    assert cells(plan, "repeats")[0][4] == "6.2 dB or more"
    notes = {table.key: table.note for table in tables(plan)}
    assert "Margin and start are those of the largest that a head can have" in notes["repeats"]
    assert notes["tone"] == "Without bumps in the bass." and "leak" not in notes["repeats"]
    assert plan_data(plan)["loops"][0]["stable_and_margin_are_of"] == "the largest bumps"


def test_between_likely_bumps_and_the_largest_a_loop_may_run_away():
    # Likely ones, of deep blocks, are +0.80 dB at 103 Hz, less 0.36 for the low cut: from -1.7 to -0.4 dB.
    said = {send_db: headlines(of_poles(send_db))[-1] for send_db in (-2.0, -1.0, 0.5)}
    assert "or more from running away" in said[-2.0]
    assert "the loop may RUN AWAY if bumps in the bass are large, starting at" in said[-1.0]
    assert "and growing by up to" in said[-1.0] and "down by 0.8 dB or more" in said[-1.0]
    assert "the loop RUNS AWAY, starting at" in said[0.5]
    between = of_poles(-1.0)
    assert between.runs_away and not between.loops[0].runs_away and between.loops[0].repeats is not None
    assert plan_data(between)["loops"][0]["runs_away_with_likely_bumps"] is False
    assert plan_data(between)["loops"][0]["stable"] is False
    assert cells(between, "repeats")[0][4] == "none"


def test_a_leak_past_the_tape_is_told_where_there_is_little_margin():
    # 20 log10(1 + 0.1) = 0.83 dB
    (note,) = (table.note for table in tables(of_poles(-2.0)) if table.key == "repeats")
    assert note.endswith(
        "A leak from the record head past the tape, 20 dB below the sound, would take 0.8 dB of the margin."
    )


def test_repeats_that_only_a_loop_near_the_edge_gives_come_with_a_warning():
    # 60 repeats are -30/59.5 = -0.5 dB once round, which the largest bumps take above 0.
    said = headlines(of_poles(-8, wanted=60))[-1]
    assert said.endswith("60 take a return send of -0.5 dB, where the loop may run away.")


def test_a_measured_response_is_used_as_it_is_and_said():
    # Flat within a tenth, where the low cut and 5 mm of poles would take and give decibels.
    points = [[float(hertz), 0.0] for hertz in np.geomspace(20, 20e3, 300)]
    response = {"speed": 1, "hz_and_db": points}
    plan = make_plan(with_changes(of_poles(-8).machine, {"measured_responses": [response]}))
    (loop,) = plan.loops
    assert (loop.bumps, loop.measured) == (False, True)
    assert (loop.gain_db, loop.stability.margin_db) == pytest.approx((-8, 8), abs=0.05)
    assert "the loop is 8.0 dB from running away" in headlines(plan)[-1]
    (note,) = (table.note for table in tables(plan) if table.key == "repeats")
    assert note.endswith("At 19.05 cm/s all is of the response as measured.") and "bumps" not in note
    assert "Uneven equalizers" not in {row[0] for row in cells(plan, "omissions")}


def test_a_band_that_reaches_down_to_nothing_is_said():
    machine = machine_from_text(
        "transport.speeds_cm_s = [19.05]\nplayback_heads = [{spacing_mm = 40}]\nmixer.return_send_db = 0\n"
        "heads = {gap_um = 0, spacing_loss_um = 0, aligned_spacing_loss_um = 0, low_cut_hz = 0}"
    )
    assert "0 Hz to" in plan_text(make_plan(machine))


def test_the_plan_lists_assumptions_and_cautions():
    text = plan_text(make_plan(machine_from_options(spacings_mm=[41.5], speeds_ips=[7.5])))
    assert "heads.gap_um" in text
    assert "playback_heads[1].inverted" in text
    assert "capstan" not in text.split("Left out")[0]
    assert all(caution in text for caution in CAUTIONS)


def test_where_a_sleeve_cannot_be_told_it_says_why():
    unknown = make_plan(machine_from_options(spacings_mm=[41.5], speeds_ips=[7.5]), bpm=76)
    assert cells(unknown, "exact")[0][3] == "capstan not known"
    # At 64 bpm the tape would have to run slower, and a sleeve only adds.
    assert {row[3] for row in cells(make_plan(example_machine(), bpm=64), "exact")} == {"impossible"}


def test_all_of_the_plan_is_plain_data(plan):
    data = json.loads(json.dumps(plan_data(plan), allow_nan=False))
    assert data["delays"][0]["delay_ms"] == pytest.approx(41.5 / 190.5 * 1000)
    assert data["tempo_fits"][0]["exact"]["bpm"] == pytest.approx(68.855, abs=0.001)
    assert data["machine"]["name"] == "Bench deck"
    assert data["clips_first"] == "tape"


def test_a_second_head_gets_its_own_rows():
    machine = machine_from_text(
        "transport.speeds_ips = [7.5]\nsong.bpm = 100\n"
        "playback_heads = [{spacing_mm = 40}, {spacing_mm = 75.5}]"
    )
    plan = make_plan(machine)
    for key in ("delays", "fits", "exact", "tempos"):
        assert {row[0][-6:] for row in cells(plan, key)} == {"head 1", "head 2"}


def test_speeds_stand_first_in_the_unit_of_the_owner():
    for text in ("speeds_ips = [7.5]", "speeds_cm_s = [19.05]"):
        plan = make_plan(machine_from_text(f"transport.{text}\nplayback_heads = [{{spacing_mm = 40}}]"))
        first = "7.5 ips (19.05 cm/s)" if "ips" in text else "19.05 cm/s (7.5 ips)"
        assert cells(plan, "delays")[0][0] == cells(plan, "tape")[0][0] == first
        assert first in headlines(plan)[0]


def test_without_a_head_that_feeds_the_return_the_plan_says_so():
    plan = make_plan(with_changes(example_machine(), {"playback_heads.1.feeds_return": False}))
    assert headlines(plan)[-1].startswith("No head feeds the return")
    assert plan_data(plan)["loops"][0]["return_send_db_for_wanted_repeats"] is None
    assert {row[-1] for row in cells(plan, "repeats")} == {"none"}


def measured(count):
    """A machine of one head, with the delay measured at so many of its two speeds."""
    rows = [
        {"head": 1, "speed": 1, "delay_ms": 219.3, "delay_plus_minus_ms": 0.052},
        {"head": 1, "speed": 2, "delay_ms": 437.0, "delay_plus_minus_ms": 0.06},
    ]
    return with_changes(example_machine(), {"measured_delays": rows[:count]})


@pytest.mark.parametrize(
    ("count", "said"),
    [
        (0, None),
        (1, "As measured in 1 of 2 rows, else spacing over speed."),
        (2, "As measured, which is surer than spacing over speed."),
    ],
)
def test_the_plan_says_which_delays_were_measured(count, said):
    plan = make_plan(measured(count))
    text = plan_text(plan)
    assert said in text if said else "as measured" not in text.lower()
    assert [row["measured"] for row in plan_data(plan)["delays"]] == [number < count for number in range(2)]
    if count:
        assert "219.30 ms +/- 0.06 ms at 7.5 ips" in headlines(plan)[0]  # 0.052, rounded up


NOT_BESIDE = "in an even pulse, but not as a line beside other players"
NOT_SOFT = "in an even pulse, but not as a soft line beside other players"


@pytest.mark.parametrize(
    ("bpm", "said"),
    [
        # A sixteenth at 76 bpm lasts 15/76 s, at 19.05 cm/s 37.6 mm: 3.9 mm less than 41.5 mm.
        # The delay is 3.13 % unsure: 2.2 of 68.86 bpm, 1.3 of 41.5 mm and 2 % of what it moves.
        (
            76,
            f"which is heard as off {NOT_SOFT}. It is exact "
            "at 68.9 bpm +/- 2.2 bpm, or with the head 3.9 mm +/- 1.4 mm nearer to the record head.",
        ),
        # At 64 bpm it lasts 15/64 s, 44.6 mm: 16.52 ms early, 20 with a chance of Phi(-3.48/3.41) = 0.15.
        (
            64,
            f"which is heard as off {NOT_SOFT}. It is exact "
            "at 68.9 bpm +/- 2.2 bpm, or with the head 3.1 mm +/- 1.4 mm farther from the record head.",
        ),
        # At 69 bpm 217.39 ms: 0.46 late, 3.41 unsure: 1 - Phi(5.54/3.41 = 1.624) + Phi(-6.46/3.41 = -1.894) =
        # 0.08.
        (
            69,
            f"which is perhaps heard as off (8 %) {NOT_BESIDE}. "
            "The delay is not known well enough to say more: measure it.",
        ),
    ],
)
def test_the_headline_of_a_miss_says_what_makes_it_exact(bpm, said):
    assert headlines(make_plan(example_machine(), bpm=bpm))[1].endswith(said)


def fit_headline(changes, bpm):
    """What is said of the best fit of a machine whose 219.3 ms are known to 0.05 ms."""
    return headlines(make_plan(with_changes(flat_machine(MEASURED), changes), bpm=bpm))[1]


@pytest.mark.parametrize(
    ("bpm", "repeats", "said"),
    [
        # 15/68.4 s = 219.298 ms: the fifth repeat is 0.009 ms off.
        (68.4, 5, "0.00 ms +/- 0.05 ms (+0.0 %), which is not heard as off in an even pulse."),
        # 15/68 s: 1.288 ms early, the fifth 6.44 and 0.125 unsure: surely beyond 6 ms.
        (68, 5, "not heard as off in an even pulse, but the error adds up: repeat 5 is. It is exact at"),
        (68, 4, "-1.29 ms +/- 0.05 ms (-0.6 %), which is not heard as off in an even pulse."),  # 5.15 and 0.1
        # 15/68.03 s: 1.191 early, the fifth 5.956 and 0.125 unsure: Phi(-0.044/0.125 = -0.35) = 0.36.
        (
            68.03,
            5,
            "not heard as off in an even pulse, but the error adds up: repeat 5 is perhaps (36 %). It is",
        ),
        # 15/66.575 s: 6.0098 early and 0.025 unsure: Phi(0.39) = 0.65.
        (66.575, 1, f"which is perhaps heard as off (65 %) {NOT_BESIDE}. It is exact"),
        (66.4, 5, f"which is heard as off {NOT_BESIDE}. It is exact"),  # 6.60 early
    ],
)
def test_the_headline_says_how_sure_the_verdict_is(bpm, repeats, said):
    assert said in fit_headline({"song.wanted_repeats": repeats}, bpm)


@pytest.mark.parametrize(
    ("song", "bpm", "said", "note"),
    [
        # 15/64 s and 15/60 s are 15.075 and 30.7 ms more than the 219.3 that are known to 0.025: 20, 35 and
        # 15 ms are far beyond that doubt.
        ({"judged_as": "sharp line"}, 64, "is not heard as off as a sharp line beside", "more than 20 ms."),
        ({"judged_as": "sharp line"}, 60, "is heard as off as a sharp line beside", "more than 20 ms."),
        ({"judged_as": "soft line"}, 60, "is not heard as off as a soft line beside", "more than 35 ms."),
        ({"judged_as": "soft line"}, 50, "is heard as off as a soft line beside", "more than 35 ms."),
        ({"heard_from_ms": 15.0}, 64, "is heard as off by an ear that hears 15 ms", "more than 15 ms."),
        ({"heard_from_ms": 15.2}, 64, "is not heard as off by an ear that hears", "more than 15.2 ms."),
    ],
)
def test_the_threshold_of_the_verdict_can_be_chosen_and_is_said(song, bpm, said, note):
    changes = {f"song.{key}": value for key, value in song.items()}
    machine = with_changes(flat_machine(MEASURED), changes | {"song.note": "sixteenth"})
    plan = make_plan(machine, bpm=bpm, speeds=machine.speeds[:1])
    assert said in headlines(plan)[1] and "but not as" not in headlines(plan)[1]
    notes = {table.key: table.note for table in tables(plan)}
    assert note in notes["fits"]
    assert plan.tempos[0].fit.threshold == machine.timing_threshold
    assert machine.timing_threshold == pytest.approx(float(note.split()[2]) / 1000)


def test_a_miss_within_its_doubt_asks_for_a_measurement():
    # 0.03 ms late where 0.5 are unsure, and each of 20 repeats adds to it.
    machine = with_changes(flat_machine(MEASURED), {"measured_delays": []})
    said = headlines(make_plan(machine, bpm=68.85))[1]
    assert said.endswith("The delay is not known well enough to say more: measure it.")
    assert "measure it" not in fit_headline({}, 66.4)


@pytest.mark.parametrize(
    ("chance", "error", "text"),
    [
        (0.0, 1.0, "no"),
        (0.05, 1.0, "no"),
        (0.0501, 1.0, "perhaps, 5 %"),
        (0.5, -1.0, "perhaps, 50 %"),
        (0.9499, 1.0, "perhaps, 95 %"),
        (0.95, 1.0, "yes, late"),
        (1.0, -1.0, "yes, early"),
    ],
)
def test_a_chance_in_words(chance, error, text):
    assert heard_text(chance, error) == text


def test_every_chance_of_a_table_is_said_in_its_words():
    allowed = {"no", "yes, late", "yes, early"}
    for text in (ONE_HEAD, THREE_HEADS, CASSETTE, MEASURED):
        plan = make_plan(flat_machine(text))
        for row, one in zip(cells(plan, "fits"), plan.tempos, strict=True):
            for said, chance in zip(row[5:], (one.chance, one.chance_of_last), strict=False):
                percent = [int(word) for word in said.split() if word.isdigit()]
                assert said in allowed or percent == [round(100 * chance)]
                assert (said == "no") == (chance <= 0.05) and said.startswith("yes") == (chance >= 0.95)


@pytest.mark.parametrize(
    ("songs", "said"),
    [
        # 200 and 400 ms: at 75 bpm exact, at 78.2 and 78.5 more than 6 ms late.
        ([75], "The song is in time as the machine is, and no one change of speed makes it more."),
        (
            [75, 75],
            "Of the 2 songs 2 are in time as the machine is, and no one change of speed makes it more.",
        ),
        (
            [78.2],
            "The song is not in time as the machine is; with the tape 4.3 % faster or the head at 36.5 mm or",
        ),
        ([78.2, 78.5], "Of the 2 songs none is in time as the machine is; with the tape"),
        ([75, 78.2], "Of the 2 songs 1 is in time as the machine is; with the tape 2.1 % faster or"),
    ],
)
def test_a_set_is_counted_in_words(songs, said):
    rows = [{"name": f"song {number}", "bpm": float(bpm)} for number, bpm in enumerate(songs)]
    plan = make_plan(with_changes(flat_machine(ONE_HEAD), {"songs": rows}))
    assert headlines(plan)[2].startswith(said)


def test_one_change_is_said_to_mend_all_heads_only_where_two_or_more_are_off():
    # At 75 bpm all three heads of 200, 400, 800 ms are in time; with the first at 190 ms one is not.
    text = THREE_HEADS.replace("44\n", "40\n").replace("88\n", "80\n").replace("176\n", "160\n")
    text = text.replace("bpm = 66", "bpm = 75")
    for first_mm, heads in ((40.0, 3), (38.0, 2)):
        plan = make_plan(with_changes(flat_machine(text), {"playback_heads.1.spacing_mm": first_mm}))
        assert plan.together.before.in_time == heads
        assert not any("mends" in said for said in headlines(plan))
    mended = make_plan(flat_machine(text), bpm=78)  # 4 % late each
    assert "One change mends all 3 heads at 20 cm/s (7.874 ips): run the tape 4.0 % faster." in headlines(
        mended
    )
    # No one change mends 38, 80 and 160 mm at 78 bpm: the first asks for 1.2 % slower, the others for 4 %
    # faster.
    apart = make_plan(with_changes(flat_machine(text), {"playback_heads.1.spacing_mm": 36.0}), bpm=72)
    assert not any("mends" in said for said in headlines(apart))


def test_piles_are_told_of_the_speed_at_which_they_are_highest():
    # A head so dirty that the slow speed loses what the low cut leaves: the fast one piles up more.
    changes = {"heads.low_cut_hz": 300.0, "heads.spacing_loss_um": 20.0, "mixer.return_send_db": -2.0}
    plan = make_plan(with_changes(flat_machine(ONE_HEAD), changes))
    fast, slow = (one.piled_up_db for one in plan.loops)
    assert fast > slow + 1
    (table,) = (table for table in tables(plan) if table.key == "levels")
    assert table.note.endswith(f"pile up with their repeats by {fast:.1f} dB at most.")


def test_a_start_is_a_band_unless_one_tone_stands_out():
    # 40 mm at 40 m/s: modes 1000 Hz apart; 20 um of dirt cost 54.6 dB * 20e-6 / 40 per Hz, 0.03 dB in 1 kHz.
    def start(**changes):
        return start_text(make_plan(with_changes(flat_machine(ONE_HEAD), changes)).loops[1])

    assert start() == "0 Hz to 40 kHz"
    # 50 um of dirt cost 1 dB in 9.525 cm/s at 0.09525/54.575/50e-6 = 34.9 Hz: from 0 to 32.5 Hz in steps of
    # 2.5.
    assert start(**{"heads.spacing_loss_um": 50.0}) == "0 Hz to 32 Hz"
    # With a head of the other polarity tones start half a step higher.
    turned = {"heads.spacing_loss_um": 50.0, "playback_heads.1.inverted": True}
    assert start(**turned) == "1.2 Hz to 34 Hz"
    # 1000 times as much: only the lowest is left.
    machine = machine_from_text(
        "transport.speeds_cm_s = [9.525]\nplayback_heads = [{spacing_mm = 1, inverted = true}]\n"
        "heads = {gap_um = 0, spacing_loss_um = 50, aligned_spacing_loss_um = 0, low_cut_hz = 0, "
        "treble_boost_db = 0}\ntape.coating_thickness_um = 1e-6"
    )
    assert start_text(make_plan(machine).loops[0]) == "48 Hz"  # half of 95.25, and the next costs 2.7 dB more
