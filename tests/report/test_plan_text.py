"""The plan in words, tables and plain data: the right numbers, digits and sentences."""

import json

import pytest

from tapecalc.machine import example_machine, machine_from_options, machine_from_text, with_changes
from tapecalc.plan import make_plan
from tapecalc.report.plan_data import plan_data
from tapecalc.report.plan_text import CAUTIONS, headlines, plan_text, tables


@pytest.fixture(scope="module")
def plan():
    return make_plan(example_machine())


def cells(plan, key):
    """Rows of one table of a plan."""
    (table,) = [table for table in tables(plan) if table.key == key]
    return table.rows


def test_every_table_has_a_key_of_its_own_and_a_cell_for_each_column(plan):
    every = tables(plan)
    assert len({table.key for table in every}) == len(every) == 11
    for table in every:
        assert table.rows and {len(row) for row in table.rows} == {len(table.columns)}
        assert not table.columns[0].numeric


@pytest.mark.parametrize("send_db", [-6.0, 3.0])
def test_columns_of_figures_hold_figures_and_the_others_words(send_db):
    for table in tables(make_plan(with_changes(example_machine(), {"mixer.return_send_db": send_db}))):
        for column, texts in zip(table.columns, zip(*table.rows, strict=True), strict=True):
            figures = [text for text in texts if text[0] in "+-0123456789"]
            if column.numeric:
                assert set(texts) - set(figures) <= {"no end", "never", "nowhere", "none"}
            elif table.key not in ("delays", "tempos", "tone", "assumed"):  # a speed, a band, a value
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
    assert "capstan" not in text.split("Assumed")[0]
    assert all(caution in text for caution in CAUTIONS)


def test_where_a_sleeve_cannot_be_told_it_says_why():
    unknown = make_plan(machine_from_options(spacings_mm=[41.5], speeds_ips=[7.5]), bpm=76)
    assert cells(unknown, "exact")[0][3] == "capstan not known"
    too_short = make_plan(with_changes(example_machine(), {"playback_heads.1.spacing_mm": 0.01}))
    assert {row[3] for row in cells(too_short, "exact")} == {"none is thin enough"}


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
    assert said in text if said else "measured" not in text.lower()
    assert [row["measured"] for row in plan_data(plan)["delays"]] == [number < count for number in range(2)]
    if count:
        assert "219.30 ms +/- 0.03 ms at 7.5 ips" in headlines(plan)[0]


@pytest.mark.parametrize(
    ("bpm", "said"),
    [
        # A sixteenth at 76 bpm lasts 15/76 s, at 19.05 cm/s 37.6 mm: 3.9 mm less than 41.5 mm.
        (76, "heard as off. It is exact at 68.9 bpm, or with the head 3.9 mm nearer to the record head."),
        # At 64 bpm it lasts 15/64 s, 44.6 mm.
        (64, "heard as off. It is exact at 68.9 bpm, or with the head 3.1 mm farther from the record head."),
        (69, "which is not heard as off."),
    ],
)
def test_the_headline_of_a_miss_says_what_makes_it_exact(bpm, said):
    assert headlines(make_plan(example_machine(), bpm=bpm))[1].endswith(said)
