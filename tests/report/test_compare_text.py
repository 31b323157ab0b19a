"""Two plans side by side: what differs is told with both values, what is the same is summed up."""

import functools
import re

import pytest
from machines import MACHINES

from tapecalc.machine import example_machine, machine_from_text, with_changes
from tapecalc.plan import make_plan
from tapecalc.report.compare_text import compare_text

NAMES = ("a.toml", "b.toml")


@functools.cache
def planned(machine, **song):
    return make_plan(machine, **song)


def compared(first, second, **song):
    """The parts of the text of two machines, by their first lines."""
    text = compare_text(planned(first, **song), planned(second, **song), names=NAMES)
    return {part.splitlines()[0]: part.splitlines()[1:] for part in text.split("\n\n")}


def machine(name):
    return machine_from_text(MACHINES[name])


def cells(lines):
    """The cells of each row of a table, two blanks between them."""
    return [tuple(re.split(r"\s{2,}", line.strip())) for line in lines[2:]]


def test_a_machine_beside_itself_is_the_same():
    assert list(compared(example_machine(), example_machine())) == [
        "a.toml beside b.toml",
        "Both plans are the same.",
    ]


def test_each_key_that_differs_stands_there_with_both_values_and_no_other():
    changes = {"mixer.return_send_db": -12.0, "song.bpm": 90.0, "heads.erases": False}
    parts = compared(example_machine(), with_changes(example_machine(), changes))
    assert set(cells(parts["The machine files"])) == {
        ("heads.erases", "true", "false"),
        ("mixer.return_send_db", "-6", "-12"),
        ("song.bpm", "76", "90"),
    }


def test_a_default_that_was_written_is_no_difference():
    spelled = with_changes(example_machine(), {"levels.tape_mol_db": 4.0, "heads.erases": True})
    assert "Both plans are the same." in compared(example_machine(), spelled)


def test_delays_and_repeats_that_differ_stand_there_by_speed():
    # 38.1 mm at 19.05 cm/s are 200 ms; 45.72 mm are 240 ms, at half the speed 400 and 480 ms. The plus/minus:
    # 1 mm of 38.1 and 3 % make 3.99 %, 8 ms and 16 ms; of 45.72 mm 3.71 %, 8.9 ms and 17.8 ms; rounded up.
    farther = with_changes(machine("one_head"), {"playback_heads.1.spacing_mm": 45.72})
    parts = compared(machine("one_head"), farther)
    assert cells(parts["Delays"]) == [
        ("19.05 cm/s (7.5 ips)", "Head spacing", "38.1 mm", "45.7 mm"),
        ("19.05 cm/s (7.5 ips)", "Delay", "200 ms +/- 8 ms", "240 ms +/- 9 ms"),
        ("9.525 cm/s (3.75 ips)", "Head spacing", "38.1 mm", "45.7 mm"),
        ("9.525 cm/s (3.75 ips)", "Delay", "400 ms +/- 16 ms", "480 ms +/- 18 ms"),
    ]
    # Four repeats of either: the last comes after 0.8 s and 0.96 s.
    repeats = cells(parts["Repeats"])
    assert ("19.05 cm/s (7.5 ips)", "Last heard after", "0.80 s", "0.96 s") in repeats
    assert not any("Loop gain" in row[1] or row[1] == "Repeats" for row in repeats)
    assert next(name for name in parts if name.startswith("The same in both:")) == (
        "The same in both: tone, hiss, levels, tape and all other keys."
    )


def test_the_send_shows_in_gain_repeats_margin_and_hiss_and_not_in_the_delays():
    parts = compared(machine("one_head"), with_changes(machine("one_head"), {"mixer.return_send_db": -20.0}))
    assert "Delays" not in parts
    figures = {row[1] for row in cells(parts["Repeats"])}
    assert {"Loop gain at most", "Repeats", "Margin"} <= figures
    # At -30 dB four repeats of 8 dB each are heard, 0, -8, -16 and -24 dB; of 20 dB two.
    assert ("19.05 cm/s (7.5 ips)", "Repeats", "4", "2") in cells(parts["Repeats"])
    assert "Hiss" in parts and "Tone" not in parts


def test_a_speed_that_is_a_little_off_is_held_against_the_one_that_was_meant():
    real = with_changes(machine("one_head"), {"transport.speeds_cm_s": [18.8, 9.41]})
    parts = compared(machine("one_head"), real)
    assert ("transport.speeds_cm_s", "19.05, 9.525", "18.8, 9.41") in cells(parts["The machine files"])
    assert {row[0] for row in cells(parts["Delays"])} == {"19.05 cm/s (7.5 ips)", "9.525 cm/s (3.75 ips)"}
    assert not any(name.startswith("Only") for name in parts)


def test_speeds_and_heads_that_only_one_has_are_told():
    parts = compared(machine("one_head"), machine("three_heads"), bpm=90)
    (only,) = [name for name in parts if name.startswith("Only a.toml has")]
    assert only == "Only a.toml has 9.525 cm/s (3.75 ips)."
    assert parts[only] == ["Only b.toml has 40 cm/s (15.75 ips), head 2 and head 3."]
    # 19.05 beside 20 cm/s; the first heads are held against each other.
    assert {row[0] for row in cells(parts["Delays"])} == {"19.05 cm/s (7.5 ips), head 1"}


def test_other_units_are_no_other_speeds():
    inches = machine_from_text(
        MACHINES["one_head"].replace("speeds_cm_s = [19.05", "speeds_ips = [7.5").replace("9.525", "3.75")
    )
    parts = compared(machine("one_head"), inches)
    assert set(cells(parts["The machine files"])) == {
        ("transport.speeds_ips", "-", "7.5, 3.75"),
        ("transport.speeds_cm_s", "19.05, 9.525", "-"),
    }
    assert "Delays" not in parts and any("The same in both: delays" in name for name in parts)


def test_without_a_speed_in_common_no_table_by_speed_is_called_the_same():
    parts = compared(machine("closed_loop"), machine("cassette"))
    same = next(name for name in parts if name.startswith("The same in both:"))
    assert same == "The same in both: all other keys."
    assert "Delays" not in parts
    assert any("Only a.toml has a table: Where in the range" in name for name in parts)


def test_a_measured_delay_is_told_and_its_interval_beside_the_stated_one():
    parts = compared(example_machine(), machine("measured"))
    assert "Only b.toml has a measured delay of head 1 at speed 1." in parts
    delays = cells(parts["Delays"])
    assert delays == [("7.5 ips (19.05 cm/s)", "Delay", "218 ms +/- 7 ms", "219.30 ms +/- 0.05 ms")]


def test_what_clips_first_is_told_where_it_is_another():
    quiet = with_changes(machine("one_head"), {"levels.mixer_max_dbu": 1.0})
    rows = cells(compared(machine("one_head"), quiet)["Levels"])
    assert ("tape", "Clips first", "yes", "-") in rows
    assert ("mixer input", "Clips first", "-", "yes") in rows


@pytest.mark.parametrize("one", MACHINES)
@pytest.mark.parametrize("other", MACHINES)
def test_every_two_machines_can_be_held_side_by_side(one, other):
    parts = compared(machine(one), machine(other))
    assert ("Both plans are the same." in parts) == (one == other)
    for lines in parts.values():
        for row in cells(lines) if len(lines) > 2 else ():
            assert row[-1] != row[-2]


def test_a_hostile_name_is_shown_without_what_upsets_a_terminal():
    plan = make_plan(example_machine())
    text = compare_text(plan, plan, names=("a\x1b[31m.toml", "b\n.toml"))
    assert text.startswith("a?[31m.toml beside b?.toml\n")
