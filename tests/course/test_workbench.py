"""The workbench driven without a browser: a tape that moves, and the plan's words that follow."""

import pytest
from flat_machines import ONE_HEAD, flat_machine
from machines import MACHINES

from tapecalc.course.workbench import Workbench
from tapecalc.files import write_file
from tapecalc.machine import (
    example_machine,
    machine_from_options,
    machine_from_text,
    read_machine,
    with_changes,
    write_machine,
)
from tapecalc.report import plan_page

#: What makes of a machine one without losses and bumps, whose numbers can be worked out by hand.
IDEAL = {
    **{"heads.gap_um": 0.0, "heads.spacing_loss_um": 0.0, "heads.aligned_spacing_loss_um": 0.0},
    **{"heads.low_cut_hz": 0.0, "heads.treble_boost_db": 0.0, "heads.pole_length_mm": 0.0},
    "tape.coating_thickness_um": 1e-6,
}


def ideal(name, **changes):
    """One of the machines without losses and bumps, with what else is changed in its mixer."""
    mixer = {f"mixer.{key}": value for key, value in changes.items()}
    return with_changes(machine_from_text(MACHINES[name]), IDEAL | mixer)


@pytest.fixture
def bench():
    return Workbench()


# ---- the words ----


def test_the_words_of_one_head_by_hand():
    """38.1 mm at 0.1905 m/s are 200 ms; 1 mm of 38.1 mm and 3 % are 3.986 %, 8.0 ms.

    A sixteenth at 76 bpm lasts 197.4 ms: 2.6 ms late, 1.3 %, 1200 log2(1.01333) = 23 cents. The threshold
    is 6 ms and the standard uncertainty 3.986 ms: P(z > 3.37/3.986) + P(z < -8.63/3.986) = 0.199 + 0.015.
    The error of repeat 4 is 10.5 ms with 15.9 ms: P(z > -0.285) + P(z < -1.037) = 0.612 + 0.150. At -8 dB
    a pass 4 repeats are not below -30 dB; for 5 it would be -30/4.5 = -6.7 dB.
    """
    bench = Workbench(ideal("one_head"))
    assert bench.readout == (
        "200 ms +/- 8 ms: a sixteenth at 76 bpm, off by +3 ms +/- 8 ms (heard as off: perhaps, 21 %); "
        "4 repeats down to -30 dB, 8.0 dB before the loop runs away."
    )
    told = {
        "delay": "200 ms +/- 8 ms",
        "note": "sixteenth",
        "off by": "+3 ms +/- 8 ms, +1.3 %, +23 cents",
        "heard as off": "repeat 1: perhaps, 21 %; repeat 4: perhaps, 76 %",
        "loop gain": "-8.0 dB",
        "return send for 4 repeats": "as set",
        "first echo": "+0.0 dB against the dry sound, 8.0 dB below 3 % distortion",
    }
    assert bench.table.items() >= told.items()
    assert bench.table["margin"].startswith("8.0 dB, would start at ")
    bench._wanted.value = 5
    assert bench.table["return send for 5 repeats"] == "-6.7 dB"
    bench._wanted.value = 1
    assert bench.table["heard as off"] == "perhaps, 21 %"


def test_the_words_of_three_heads_by_hand():
    """At 75 bpm a beat is 800 ms, so that 100, 200 and 400 ms are a thirty-second, a sixteenth, an eighth.

    The last head is not in the loop. The others bring back 1 and -1/2 in phase at most: 3.52 dB above
    the send of -10 dB, and the margin counts the tone for which both really agree: x - 0.5012 x^2 of size 1
    is real and above 0 at x = 1, 0.4988, and at cos x = 1/(2 * 0.5012), 0.5012: -6 - 10 = -16 dB.
    """
    three = Workbench(ideal("three_heads"))
    assert three.readout.startswith(
        "100, 200 and 400 ms; the head at 80 mm plays a sixteenth at 75 bpm, off by 0 ms +/- 7 ms (heard as "
        "off: perhaps, 6 %); heard for 0.70 s, down to -30 dB, 16.0 dB before the loop runs away."
    )
    assert three.table["head at 40 mm"] == "100 ms +/- 4 ms: thirty-second, 0 ms +/- 4 ms (heard as off: no)"
    assert three.table["loop gain at most"] == "-6.5 dB"
    assert three.table["return send for 4 passes"] == "-12.1 dB"  # -30 / 3.5 dB, less 3.52
    three._wanted.value = 1
    assert "pass 1 keeps" in three.table
    set_so = with_changes(machine_from_text(MACHINES["three_heads"]), {"mixer.return_send_db": -12.1})
    assert Workbench(set_so).table["return send for 4 passes"] == "as set"


def test_eighths_have_an_article_of_their_own(bench):
    bench.tape.setting = {**bench.tape.setting, "note": "eighth"}
    assert ": an eighth at 76 bpm, off by -177 ms" in bench.readout and bench.table["note"] == "eighth"


def test_a_runaway_is_said_with_the_band_and_what_to_do(bench):
    # Thin plates of 5 mm give 2.06 dB at 105 Hz, of which the low cut takes 0.58 and dirt 0.02: the edge lies
    # at -1.46 dB, 4.46 below.
    bench.tape.return_send_db = 3.0
    start = bench.table["margin"].partition("start at ")[2]
    assert f"THE LOOP RUNS AWAY, starting at {start}: turn the return send down by 4.5 dB or more." in (
        bench.readout
    )
    assert bench.table["margin"].startswith("4.5 dB too loud, would start at ")
    assert start.startswith("97 Hz to ")
    bench.tape.return_send_db = -1.0  # beyond the largest bumps, and below what likely ones need
    assert f"THE LOOP MAY RUN AWAY, starting at {start}: turn the return send down by 0.5 dB" in bench.readout
    assert bench.table["margin"].startswith("0.5 dB too loud if bumps in the bass are large, would start at ")
    bench.tape.reset()
    assert bench.table["margin"].startswith("4.5 dB or more, would start at ")


def test_a_loop_too_loud_by_whole_tenths_is_turned_down_by_no_more():
    # Nothing is lost in a pass, so +3.0 dB are 3.0 dB too much, which the loop gives to the last bit or so.
    bench = Workbench(with_changes(flat_machine(ONE_HEAD), {"mixer.return_send_db": 3.0}))
    assert bench.table["margin"].startswith("3.0 dB too loud, ")
    assert "turn the return send down by 3.0 dB or more." in bench.readout


@pytest.mark.parametrize(
    ("bpm", "off_by"),
    [
        # 200 ms less 15 s / 75.1 = 199.734 ms: 0.266 ms, 0.133 %, 1200 log2(200 / 199.734) = 2.3 cents
        (75.1, "+0.27 ms +/- 0.27 ms, +0.1 %, +2 cents"),
        # 200 ms less 15 s / 74.99 = 200.027 ms: -0.027 ms, -0.013 %, -0.2 cents
        (74.99, "-0.03 ms +/- 0.27 ms, +0.0 %, +0 cents"),
    ],
)
def test_a_small_error_keeps_its_sign_and_a_zero_has_no_minus(bpm, off_by):
    # 0.05 mm of 38.1 mm are 0.131 % of 200 ms: 0.2625 ms, rounded up.
    known = {"transport.speed_plus_minus_percent": 0.0, "playback_heads.1.spacing_plus_minus_mm": 0.05}
    bench = Workbench(with_changes(machine_from_text(MACHINES["one_head"]), {"song.bpm": bpm, **known}))
    assert bench.table["off by"] == off_by


def test_a_margin_near_none_is_neither_none_nor_below():
    edge = ideal("one_head", return_send_db=-0.01)
    bench = Workbench(edge)
    assert bench.table["margin"].startswith("less than 0.1 dB, ")
    bench = Workbench(with_changes(edge, {"mixer.return_send_db": 0.01}))
    assert bench.table["margin"].startswith("0.1 dB too loud, ") and "by 0.1 dB or more" in bench.readout
    assert not any("-0.0" in text for text in bench.table.values())


def test_a_machine_without_a_way_back_is_planned():
    bench = Workbench(with_changes(example_machine(), {"playback_heads.1.feeds_return": False}))
    assert bench.table["return send for 5 repeats"] == "none"
    assert bench.readout.endswith("no head feeds the return, so each sound comes back once from each head.")


def test_a_hot_input_is_said_to_distort(bench):
    bench.tape.setting = {**bench.tape.setting, "input_send_db": 6.0}
    assert bench.table["first echo"].endswith(", 2.0 dB below 3 % distortion")
    hotter = Workbench(with_changes(example_machine(), {"levels.instrument_dbu": 0.0}))
    assert hotter.table["first echo"].endswith(", 2.0 dB above 3 % distortion")


def test_what_is_heard_beyond_the_minute_that_is_followed_is_given_no_time():
    # Two heads in phase give 6.02 dB, so 0.03 dB a pass are lost: 30 dB take a thousand passes.
    machine = machine_from_options(spacings_mm=[40.0, 80.0], speeds_cm_s=[40.0])
    bench = Workbench(with_changes(machine, IDEAL | {"mixer.return_send_db": -6.05}))
    assert "; heard longer than is told here, down to -30 dB, less than 0.1 dB before" in bench.readout


# ---- tap, load, save ----


class Clock:
    """A clock that ticks when it is told to."""

    now = 1000.0

    def __call__(self):
        return self.now


def tap(bench, clock, *gaps):
    """Tap, and again after each gap."""
    bench._tap.click()
    for gap in gaps:
        clock.now += gap
        bench._tap.click()


def test_taps_set_the_tempo_and_say_how_sure_it_is():
    clock = Clock()
    bench = Workbench(clock=clock)
    tap(bench, clock, 0.6)
    assert bench.message == "Tap on: a tempo takes 3 taps or more, so far 2."
    assert bench.tape.bpm == 76
    clock.now += 0.62  # the third and the fourth tap: gaps of 0.6, 0.62 and 0.61 s, 98.4 bpm
    tap(bench, clock, 0.61)
    # 4.303 x 10 ms / sqrt(3) is 24.8 ms and sqrt(2) x 10 ms / 3 is 4.7 ms; of 610 ms 4.1 %, 4.08 bpm.
    assert bench.message == "98 bpm +/- 5 bpm from 4 taps."
    assert bench.tape.bpm == 98.4 and " at 98.4 bpm, " in bench.readout
    bench.tape.spacing_mm = 50.0
    assert bench.message in bench._told["tap"].value  # it still holds
    bench.tape.bpm = 90.0
    assert bench._told["tap"].value == ""
    clock.now += 2.1
    tap(bench, clock, 0.5, 0.5)
    assert bench.message == "120.0 bpm +/- 1.7 bpm from 3 taps." and bench.tape.bpm == 120


@pytest.mark.parametrize("typed", ["tapecalc/examples/bench_deck.toml", "mine.toml", "there/mine.toml"])
def test_a_file_is_found_from_here_from_above_and_from_where_the_library_lies(typed, tmp_path, monkeypatch):
    (tmp_path / "notebooks").mkdir()
    (tmp_path / "there").mkdir()
    for name in ("mine.toml", "there/mine.toml"):
        write_machine(example_machine(), tmp_path / name)
    monkeypatch.chdir(tmp_path / "notebooks")
    bench = Workbench(machine_from_text(MACHINES["cassette"]))
    bench._file.value = typed
    bench._load.click()
    assert bench.message == "Loaded Bench deck." and bench.machine.name == "Bench deck"


def test_an_error_stands_beside_the_field_keeps_the_folder_and_goes_with_the_next_move(tmp_path):
    bench = Workbench()
    bench._file.value = "no such/deck.toml"
    bench._load.click()
    assert bench.message.startswith("That did not work: no such/deck.toml is no file, seen from ")
    shown = list(bench.widget.children)
    assert shown.index(bench._told["load"]) == 4 and "role='alert'" in bench._told["load"].value
    bench.tape.bpm = 80.0
    assert bench._told["load"].value == ""
    broken = tmp_path / "deck.toml"
    broken.write_text("spaceing_mm = 3")
    bench._file.value = str(broken)
    bench._load.click()
    assert bench.message.startswith(f"That did not work: {broken}: spaceing_mm is not a key")
    assert bench.machine.name == "Bench deck"


@pytest.mark.slow
def test_loading_and_saving_go_round(tmp_path):
    bench = Workbench()
    bench.tape.spacing_mm, bench.tape.bpm = 50.0, 90.0
    bench._wanted.value = 7
    written = bench.save(tmp_path / "plan")
    names = {path.name for path in written}
    assert names >= {"machine.toml", "plan.html", "plan.json", "preview.wav", "figures"}
    again = Workbench()
    again.load(tmp_path / "plan" / "machine.toml")
    assert again.machine == bench.machine == read_machine(written[0])
    assert again.tape.spacing_mm == 50 and again._wanted.value == 7


def test_saving_says_at_once_that_it_works_and_then_how_it_went(tmp_path, monkeypatch):
    bench = Workbench()
    said = []

    def write_plan(_, folder):
        said.append((bench.message, bench._save.disabled, bench._told["save"].value))
        return [write_file(f"{folder}/plan.html", "")]

    bench._folder.value = "/dev/null/x"
    bench._save.click()
    assert "That did not work: cannot write to" in bench.message and not bench._save.disabled
    monkeypatch.setattr(plan_page, "write_plan", write_plan)
    bench._folder.value = str(tmp_path / "saved")
    bench._save.click()
    ((message, disabled, shown),) = said
    assert message.startswith("Saving machine file") and disabled and message in shown
    assert bench.message == f"Saved machine.toml, plan.html in {tmp_path / 'saved'}."
    assert list(bench.widget.children)[-1] is bench._told["save"] and not bench._save.disabled


def test_it_reads_without_a_kernel(bench):
    assert repr(bench).startswith("Workbench for Bench deck") and "218 ms +/- 7 ms" in repr(bench)
    shown = bench._repr_mimebundle_()
    assert {"text/html", "text/plain", "application/vnd.jupyter.widget-view+json"} == set(shown)
    assert shown["text/html"].count("<img") == 1 and bench.readout in shown["text/html"].replace(
        "&#x27;", "'"
    )


# ---- the tape ----


def test_the_plan_follows_the_tape(bench):
    bench.tape.spacing_mm = 57.1  # 299.7 ms at 190.5 mm/s
    bench.tape.bpm = 100.0
    assert bench.readout.startswith("300 ms +/- 8 ms: an eighth at 100 bpm")
    bench.tape.speed_ips = 3.75
    assert bench.readout.startswith("599 ms")
    assert bench.machine.playback_heads[0].spacing_mm == 57.1 and bench.machine == bench.tape.machine
    assert bench.plan.loops[0].speed == pytest.approx(0.09525)


def test_heads_that_pass_each_other_are_planned_in_tape_order():
    bench = Workbench(machine_from_text(MACHINES["three_heads"]))
    bench.tape.spacing_mm = [100.0, 80.0, 160.0]
    assert bench.readout.startswith("200, 250 and 400 ms; ")
    assert [head.level_db for head in bench.machine.playback_heads] == [-6, 0, -3]


def test_a_free_speed_is_planned_where_it_stands():
    bench = Workbench(machine_from_text(MACHINES["closed_loop"]))
    bench.tape.speed_ips = 18.4 / 2.54
    # 1.2 m at 18.4 cm/s; at 92 bpm a sixteenth lasts 163.0 ms, 30 mm in that time are 18.4 cm/s.
    assert bench.table["a lap of the tape"] == "6.52 s"
    assert "the head at 30 mm plays a sixteenth at 92 bpm, off by 0 ms" in bench.readout


def test_a_tape_that_nothing_erases_says_so():
    machine = with_changes(machine_from_text(MACHINES["closed_loop"]), {"heads.erases": False})
    assert Workbench(machine).table["a lap of the tape"].endswith(" s, nothing erases it")


def test_the_wanted_note_can_be_taken_back():
    bench = Workbench(with_changes(example_machine(), {"song.note": "eighth quintuplet"}))
    assert bench.table["note"] == "eighth quintuplet"
    bench.tape.setting = {**bench.tape.setting, "note": "any"}
    assert bench.machine.song.note is None and bench.table["note"] == "sixteenth"


def test_a_set_of_songs_begins_with_its_first_and_stays():
    song_set = {"songs": [{"name": "One", "bpm": 92.0}, {"name": "Two", "bpm": 70.0}]}
    machine = with_changes(machine_from_text(MACHINES["closed_loop"]), {"song": {}, **song_set})
    bench = Workbench(machine)
    assert " at 92 bpm, " in bench.readout and len(bench.machine.songs) == 2


def test_without_a_head_the_plan_stays_and_says_so(bench):
    setting, told = bench.tape.setting, bench.readout
    off = [{**head, "on": False} for head in setting["heads"]]
    bench.tape.setting = {**setting, "heads": off}
    assert bench.message.startswith("The plan stays as it was: heads must have one that is on")
    assert bench.readout == told and repr(bench)
    bench.tape.setting = {**setting, "bpm": 90.0}
    assert "at 90 bpm" in bench.readout and bench._told["load"].value == ""


def test_loading_a_machine_changes_the_tape_and_the_old_one_moves_nothing(bench, tmp_path):
    old = bench.tape
    bench.load(write_file(tmp_path / "three.toml", MACHINES["three_heads"]))
    assert bench.tape is not old and bench.tape.spacing_mm == [40.0, 80.0, 160.0]
    assert bench.widget.children[0].children == (bench.tape,)
    told = bench.readout
    old.bpm = 99.0
    assert bench.readout == told


def test_heads_too_near_to_be_played_are_planned_all_the_same():
    clock = Clock()
    bench = Workbench(machine_from_options(spacings_mm=[8], speeds_ips=[30]), clock=clock)
    assert bench.tape is None and "playback_heads must stand" in bench._played.children[0].value
    assert " at 90 bpm" in bench.readout
    tap(bench, clock, 0.5, 0.5)
    assert bench.machine.song.bpm == 120 and " at 120 bpm" in bench.readout
