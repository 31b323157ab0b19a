"""The workbench driven without a browser: controls in, plan out."""

import numpy as np
import pytest
from flat_machines import ONE_HEAD, flat_machine
from machines import MACHINES
from panel_checks import collisions, ends, strict, unsound

from tapecalc.course import workbench
from tapecalc.course.workbench import Workbench, changed_machine, workbench_panel
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


def made(name):
    """A function that makes the panel of one of the machines, or of the bundled one."""

    def make():
        return workbench_panel(machine_from_text(MACHINES[name]) if name in MACHINES else example_machine())

    return make


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


MAKE = {name: made(name) for name in (*MACHINES, "bench deck")}


@pytest.fixture
def panel():
    return strict(MAKE["bench deck"])


@pytest.fixture
def three():
    return strict(MAKE["three_heads"])


def echoes(panel):
    """Times and levels of the echoes in the chart, those that the tape holds included."""
    shown = [panel.artists[name].get_data() for name in ("dots", "held")]
    times, levels_db = (np.concatenate(part) for part in zip(*shown, strict=True))
    order = np.argsort(times)
    return times[order], levels_db[order]


# ---- the words ----


def test_the_words_of_one_head_by_hand():
    """38.1 mm at 0.1905 m/s are 200 ms; 1 mm of 38.1 mm and 3 % are 3.986 %, 8.0 ms.

    A sixteenth at 76 bpm lasts 197.4 ms: 2.6 ms late, 1.3 %, 1200 log2(1.01333) = 23 cents. The threshold
    is 6 ms and the standard uncertainty 3.986 ms: P(z > 3.37/3.986) + P(z < -8.63/3.986) = 0.199 + 0.015.
    The error of repeat 4 is 10.5 ms with 15.9 ms: P(z > -0.285) + P(z < -1.037) = 0.612 + 0.150. At -8 dB
    a pass 4 repeats are not below -30 dB; for 5 it would be -30/4.5 = -6.7 dB.
    """
    panel = workbench_panel(ideal("one_head"))
    assert panel.readout == (
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
    assert panel.table.items() >= told.items()
    assert panel.table["margin"].startswith("8.0 dB, would start at ")
    panel.set(wanted_repeats=5)
    assert panel.table["return send for 5 repeats"] == "-6.7 dB"
    panel.set(wanted_repeats=1)
    assert panel.table["heard as off"] == "perhaps, 21 %"


def test_the_words_of_three_heads_by_hand():
    """At 75 bpm a beat is 800 ms, so that 100, 200 and 400 ms are a thirty-second, a sixteenth, an eighth.

    The last head is not in the loop. The others bring back 1 and -1/2 in phase at most: 3.52 dB above
    the send of -10 dB, and the margin counts the tone for which both really agree: x - 0.5012 x^2 of size 1
    is real and above 0 at x = 1, 0.4988, and at cos x = 1/(2 * 0.5012), 0.5012: -6 - 10 = -16 dB.
    """
    three = workbench_panel(ideal("three_heads"))
    assert three.readout.startswith(
        "100, 200 and 400 ms; the head at 80 mm plays a sixteenth at 75 bpm, off by 0 ms +/- 7 ms (heard as "
        "off: perhaps, 6 %); heard for 0.70 s, down to -30 dB, 16.0 dB before the loop runs away."
    )
    assert three.table["head at 40 mm"] == "100 ms +/- 4 ms: thirty-second, 0 ms +/- 4 ms (heard as off: no)"
    assert three.table["loop gain at most"] == "-6.5 dB"
    assert three.table["return send for 4 passes"] == "-12.1 dB"  # -30 / 3.5 dB, less 3.52
    three.set(wanted_repeats=1)
    assert "pass 1 keeps" in three.table
    set_so = with_changes(machine_from_text(MACHINES["three_heads"]), {"mixer.return_send_db": -12.1})
    assert workbench_panel(set_so).table["return send for 4 passes"] == "as set"


def test_eighths_have_an_article_of_their_own(panel):
    panel.set(note="eighth")
    assert ": an eighth at 76 bpm, off by -177 ms" in panel.readout and panel.table["note"] == "eighth"


def test_a_runaway_is_said_with_the_band_and_what_to_do(panel):
    # Thin plates of 5 mm give 2.06 dB at 105 Hz, of which the low cut takes 0.58 and dirt 0.02: the edge lies
    # at -1.46 dB, 4.46 below.
    panel.set(return_send_db=3.0)
    start = panel.table["margin"].partition("start at ")[2]
    assert f"THE LOOP RUNS AWAY, starting at {start}: turn the return send down by 4.5 dB or more." in (
        panel.readout
    )
    assert panel.table["margin"].startswith("4.5 dB too loud, would start at ")
    assert start.startswith("97 Hz to ")
    panel.set(return_send_db=-1.0)  # beyond the largest bumps, and below what likely ones need
    assert f"THE LOOP MAY RUN AWAY, starting at {start}: turn the return send down by 0.5 dB" in panel.readout
    assert panel.table["margin"].startswith("0.5 dB too loud if bumps in the bass are large, would start at ")
    panel.reset()
    assert panel.table["margin"].startswith("4.5 dB or more, would start at ")


def test_a_loop_too_loud_by_whole_tenths_is_turned_down_by_no_more():
    # Nothing is lost in a pass, so +3.0 dB are 3.0 dB too much, which the loop gives to the last bit or so.
    panel = workbench_panel(with_changes(flat_machine(ONE_HEAD), {"mixer.return_send_db": 3.0}))
    assert panel.table["margin"].startswith("3.0 dB too loud, ")
    assert "turn the return send down by 3.0 dB or more." in panel.readout


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
    panel = workbench_panel(with_changes(machine_from_text(MACHINES["one_head"]), {"song.bpm": bpm, **known}))
    assert panel.table["off by"] == off_by


def test_a_margin_near_none_is_neither_none_nor_below():
    edge = ideal("one_head", return_send_db=-0.01)
    panel = workbench_panel(edge)
    assert panel.table["margin"].startswith("less than 0.1 dB, ")
    panel = workbench_panel(with_changes(edge, {"mixer.return_send_db": 0.01}))
    assert panel.table["margin"].startswith("0.1 dB too loud, ") and "by 0.1 dB or more" in panel.readout
    assert not any("-0.0" in text for text in panel.table.values())


def test_a_machine_without_a_way_back_has_a_panel():
    panel = workbench_panel(with_changes(example_machine(), {"playback_heads.1.feeds_return": False}))
    assert panel.error is None
    assert panel.table["return send for 5 repeats"] == "none"
    assert panel.readout.endswith("no head feeds the return, so each sound comes back once from each head.")


def test_a_hot_input_is_said_to_distort(panel):
    panel.set(input_send_db=6.0)
    assert panel.table["first echo"].endswith(", 2.0 dB below 3 % distortion")
    hotter = workbench_panel(with_changes(example_machine(), {"levels.instrument_dbu": 0.0}))
    assert hotter.table["first echo"].endswith(", 2.0 dB above 3 % distortion")


def test_what_is_heard_beyond_the_minute_that_is_followed_is_given_no_time():
    # Two heads in phase give 6.02 dB, so 0.03 dB a pass are lost: 30 dB take a thousand passes.
    machine = machine_from_options(spacings_mm=[40.0, 80.0], speeds_cm_s=[40.0])
    panel = workbench_panel(with_changes(machine, IDEAL | {"mixer.return_send_db": -6.05}))
    assert "; heard longer than is told here, down to -30 dB, less than 0.1 dB before" in panel.readout


# ---- the picture ----


def test_echoes_follow_spacing_and_speed(panel):
    panel.set(spacing_mm=38.1)
    np.testing.assert_allclose(np.diff(echoes(panel)[0]), 0.2, atol=1e-8)
    panel.set(speed=ends(panel.controls["speed"])[1])
    np.testing.assert_allclose(echoes(panel)[0][0], 0.4, atol=1e-8)


def test_as_many_echoes_stand_above_the_dotted_line_as_are_told(panel):
    for send_db in (-12.0, -9.0, -6.0):
        panel.set(return_send_db=send_db)
        above = np.sum(echoes(panel)[1] >= panel.artists["heard"].get_ydata()[0])
        assert f"; {above} repeats down to" in panel.readout


def test_beats_follow_the_tempo_and_wanted_repeats_the_note(panel):
    panel.set(bpm=120.0, note="dotted eighth", wanted_repeats=3)
    beats = [segment[0][0] for segment in panel.artists["beats"].get_segments()]
    np.testing.assert_allclose(beats, [0.5, 1, 1.5, 2, 2.5, 3])
    np.testing.assert_allclose(panel.artists["wanted"].get_xdata(), [0.375, 0.75, 1.125])


def test_the_input_send_moves_all_echoes_alike(panel):
    before = echoes(panel)[1]
    panel.set(input_send_db=-6.0)
    after = echoes(panel)[1]
    np.testing.assert_allclose(after, before[: after.size] - 6, atol=1e-9)


def test_no_echo_is_louder_than_a_full_tape():
    """The tape is full 4 + 4.824 dB above the reference of +4 dBu; the instrument comes to 0 dBu."""
    panel = workbench_panel(ideal("one_head"))
    panel.set(return_send_db=5.0)
    times, levels_db = echoes(panel)
    np.testing.assert_allclose(levels_db[:3], [0, 5, 10], atol=1e-3)
    np.testing.assert_allclose(levels_db[3:], 12.824, atol=1e-3)
    np.testing.assert_allclose(times[:14], 0.2 * np.arange(1, 15))
    assert (
        panel.artists["held"].get_xdata().size == times.size - 3
        and panel.artists["dots"].get_xdata().size == 3
    )
    assert panel.figure.axes[0].get_ylim()[1] > 13.5
    assert "the tape is full" in [text.get_text() for text in panel.figure.axes[0].texts]


def test_a_tape_that_is_never_full_ends_the_chart_and_marks_what_leaves_it():
    quiet = with_changes(example_machine(), {"levels.instrument_dbu": -70.0, "mixer.return_send_db": 6.0})
    panel = workbench_panel(quiet)
    assert echoes(panel)[1].max() == workbench.HIGHEST_DB and panel.artists["held"].get_xdata().size > 3
    assert not panel.figure.axes[0].texts and unsound(panel) == []


def test_only_the_loudest_of_very_many_echoes_are_drawn():
    spacings = [float(mm) for mm in (11, 13, 17, 19, 23, 29, 31, 37)]
    panel = workbench_panel(machine_from_options(spacings_mm=spacings, speeds_cm_s=[19.05]))
    panel.set(return_send_db=-18.0)
    assert 200 < echoes(panel)[0].size <= workbench.MOST_SHOWN and unsound(panel) == []


@pytest.mark.parametrize("name", MAKE)
def test_every_control_at_its_ends_stays_finite_and_lies_over_no_words(name):
    panel = strict(MAKE[name])
    first = panel.png
    for control in panel.controls.values():
        for value in ends(control):
            panel.reset()
            panel.set(**{control.name: value})
            assert unsound(panel) == []
    panel.reset()
    assert panel.png == first


def test_nothing_that_moves_lies_over_words(panel):
    for values in ({}, {"return_send_db": 6.0}, {"spacing_mm": 10.0}, {"bpm": 400.0}):
        panel.reset()
        panel.set(**values)
        assert collisions(panel) == ()


# ---- the controls ----


def test_every_head_has_its_own_spacing(three):
    machine = machine_from_text(MACHINES["three_heads"])
    assert [name for name in three.controls if "spacing" in name] == [f"spacing_{k}_mm" for k in (1, 2, 3)]
    assert three.controls["spacing_2_mm"].label == "head spacing 2 (mm)"
    three.set(spacing_2_mm=60.0)
    assert changed_machine(machine, three.values).spacings == pytest.approx((0.04, 0.06, 0.16))


def test_a_head_that_passes_another_takes_its_level_along(three):
    machine = machine_from_text(MACHINES["three_heads"])
    three.set(spacing_1_mm=100.0)
    changed = changed_machine(machine, three.values)
    assert changed.spacings == pytest.approx((0.08, 0.1, 0.16))
    assert [head.level_db for head in changed.playback_heads] == [-6, 0, -3]
    assert [head.inverted for head in changed.playback_heads] == [True, False, False]
    assert three.readout.startswith("200, 250 and 400 ms; ")


def test_a_free_speed_has_a_slider_within_its_range():
    panel = strict(MAKE["closed_loop"])
    control = panel.controls["speed_cm_s"]
    assert (control.low, control.high, control.value) == (10.0, 40.0, 25.0)
    assert control.label == "tape speed (cm/s)"
    assert panel.table["a lap of the tape"] == "4.80 s"  # 1.2 m at 0.25 m/s
    # At 92 bpm a sixteenth lasts 163.0 ms; 30 mm in that time are 18.4 cm/s.
    panel.set(speed_cm_s=18.4)
    assert "the head at 30 mm plays a sixteenth at 92 bpm, off by 0 ms" in panel.readout
    inches = machine_from_text(
        MACHINES["closed_loop"].replace("range_cm_s = [10, 40]", "range_ips = [4, 16]")
    )
    assert workbench_panel(inches).values["speed_ips"] == 10.0


def test_a_tape_that_nothing_erases_says_so():
    machine = with_changes(machine_from_text(MACHINES["closed_loop"]), {"heads.erases": False})
    assert workbench_panel(machine).table["a lap of the tape"] == "4.80 s, nothing erases it"


def test_an_unmoved_control_says_nothing_that_the_file_did_not_say():
    machine = machine_from_text(MACHINES["one_head"])
    panel = strict(MAKE["one_head"])
    assert changed_machine(machine, panel.values).assumed == machine.assumed
    panel.set(input_send_db=-3.0)
    assert len(changed_machine(machine, panel.values).assumed) == len(machine.assumed) - 1


def test_the_wanted_note_can_be_taken_back():
    machine = with_changes(example_machine(), {"song.note": "eighth quintuplet"})
    panel = workbench_panel(machine)
    assert panel.values["note"] == "eighth quintuplet" and panel.table["note"] == "eighth quintuplet"
    panel.set(note="any")
    assert changed_machine(machine, panel.values).song.note is None and panel.table["note"] == "sixteenth"


def test_a_machine_without_song_or_capstan_has_a_panel():
    panel = workbench_panel(machine_from_options(spacings_mm=[200.0], speeds_cm_s=[19.05]))
    assert panel.values["bpm"] == 90
    assert panel.values["spacing_mm"] == 200


def test_a_set_of_songs_begins_with_its_first_and_stays():
    song_set = {"songs": [{"name": "One", "bpm": 92.0}, {"name": "Two", "bpm": 70.0}]}
    machine = with_changes(machine_from_text(MACHINES["closed_loop"]), {"song": {}, **song_set})
    panel = workbench_panel(machine)
    assert panel.values["bpm"] == 92 and " at 92 bpm, " in panel.readout
    assert len(changed_machine(machine, panel.values).songs) == 2


def test_a_short_loop_of_tape_keeps_its_heads_on_it():
    short = MACHINES["closed_loop"].replace("loop_length_m = 1.2", "loop_length_m = 0.2")
    panel = workbench_panel(machine_from_text(short))
    panel.strict = True
    for control in panel.controls.values():
        panel.set(**{control.name: ends(control)[-1]})


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
    assert bench.panel.values["bpm"] == 76
    clock.now += 0.62  # the third and the fourth tap: gaps of 0.6, 0.62 and 0.61 s, 98.4 bpm
    tap(bench, clock, 0.61)
    # 4.303 x 10 ms / sqrt(3) is 24.8 ms and sqrt(2) x 10 ms / 3 is 4.7 ms; of 610 ms 4.1 %, 4.08 bpm.
    assert bench.message == "98 bpm +/- 5 bpm from 4 taps."
    assert bench.panel.values["bpm"] == 98.4 and " at 98.4 bpm, " in bench.panel.readout
    bench.panel.set(spacing_mm=50.0)
    bench.panel.set(bpm=98.4 + 1e-9)  # as a browser may send it back
    assert bench.message in bench._told["tap"].value  # it still holds
    bench.panel.set(bpm=90.0)
    assert bench._told["tap"].value == ""
    clock.now += 2.1
    tap(bench, clock, 0.5, 0.5)
    assert bench.message == "120.0 bpm +/- 1.7 bpm from 3 taps." and bench.panel.values["bpm"] == 120


def test_the_tap_button_stands_below_the_tempo_and_comes_along_with_a_new_machine(tmp_path):
    bench = Workbench()
    for _ in range(2):
        shown = list(bench.panel.widget.children)
        assert shown.index(bench._tap_row) == shown.index(bench.panel._widgets["bpm"]) + 1
        bench.load(write_file(tmp_path / "three.toml", MACHINES["three_heads"]))
    assert bench.machine.name == "Three heads"


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
    assert shown.index(bench._told["load"]) == 2 and "role='alert'" in bench._told["load"].value
    bench.panel._reset_button.click()
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
    bench.panel.set(spacing_mm=50.0, bpm=90.0)
    written = bench.save(tmp_path / "plan")
    names = {path.name for path in written}
    assert names >= {"machine.toml", "plan.html", "plan.json", "preview.wav", "figures"}
    again = Workbench()
    again.load(tmp_path / "plan" / "machine.toml")
    assert again.machine == bench.machine == read_machine(written[0])
    assert again.panel.values["spacing_mm"] == 50


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


def test_it_reads_without_a_kernel(capsys):
    bench = Workbench()
    assert repr(bench).startswith("Workbench for Bench deck")
    bench._ipython_display_()
    assert "At the first setting: 218 ms" in capsys.readouterr().out


# ---- the playable tape above it ----


@pytest.fixture
def bench():
    bench = Workbench()
    bench.panel.strict = True
    return bench


def test_a_move_on_the_tape_moves_panel_and_plan(bench):
    bench.tape.spacing_mm = 57.1  # 299.7 ms at 190.5 mm/s
    bench.tape.bpm = 100.0
    assert (bench.panel.values["spacing_mm"], bench.panel.values["bpm"]) == (57.1, 100.0)
    assert bench.panel.readout.startswith("300 ms +/- 8 ms: an eighth at 100 bpm")
    bench.tape.speed_ips = 3.75
    assert bench.panel.readout.startswith("599 ms")
    assert bench.machine.playback_heads[0].spacing_mm == 57.1 and bench.machine == bench.tape.machine


def test_a_move_on_the_panel_moves_the_tape(bench):
    bench.panel.set(
        spacing_mm=60.0, bpm=90.0, return_send_db=-9.0, speed=bench._machine.speeds[1], note="eighth"
    )
    tape = bench.tape
    assert (tape.spacing_mm, tape.bpm, tape.return_send_db, tape.speed_ips) == (60.0, 90.0, -9.0, 3.75)
    assert tape.setting["note"] == "eighth"
    bench.panel.reset()
    assert tape.setting == tape.facts["setting"]


def test_neither_answers_the_other_back(bench):
    moves = []
    bench.tape.observe(lambda change: moves.append(change["new"]), "setting")
    bench.panel.set(spacing_mm=47.3)
    bench.tape.spacing_mm = 52.7
    bench.panel.set(spacing_mm=52.7 + 1e-13)  # as a browser may send it back
    assert [setting["heads"][0]["spacing_mm"] for setting in moves] == [47.3, 52.7]


def test_what_the_panel_has_no_control_for_makes_a_new_one(bench):
    before, setting = bench.panel, bench.tape.setting
    bench.panel.set(wanted_repeats=3)
    first = setting["heads"][0]
    heads = [{**first, "level_db": -3.0}, {**first, "spacing_mm": 30.0, "inverted": True}]
    bench.tape.setting = {**setting, "heads": heads}
    assert bench.panel is not before and bench.panel.values["wanted_repeats"] == 3
    values = bench.panel.values
    assert (values["spacing_1_mm"], values["spacing_2_mm"]) == (30.0, 41.5)  # in tape order
    assert [(h.level_db, h.inverted) for h in bench.machine.playback_heads] == [(0.0, True), (-3.0, False)]
    bench.panel.set(spacing_1_mm=33.0)
    assert bench.tape.spacing_mm == [41.5, 33.0]  # each keeps its place on the tape's list
    bench.tape.return_send_db = -60.0  # below the end of the slider
    assert bench.panel.values["return_send_db"] == -60


def test_without_a_head_the_plan_stays_and_says_so(bench):
    setting, told = bench.tape.setting, bench.panel.readout
    off = [{**head, "on": False} for head in setting["heads"]]
    bench.tape.setting = {**setting, "heads": off}
    assert bench.message.startswith("The plan stays as it was: heads must have one that is on")
    assert bench.panel.readout == told
    bench.tape.setting = {**setting, "bpm": 90.0}
    assert "at 90 bpm" in bench.panel.readout and bench._told["load"].value == ""


def test_loading_a_machine_moves_the_tape_and_the_old_one_moves_nothing(bench, tmp_path):
    old = bench.tape
    bench.load(write_file(tmp_path / "three.toml", MACHINES["three_heads"]))
    assert bench.tape is not old and bench.tape.spacing_mm == [40.0, 80.0, 160.0]
    assert bench.widget.children[0].children == (bench.tape,)
    old.bpm = 99.0
    assert bench.panel.values["bpm"] == 75
    bench.tape.spacing_mm = [140.0, 80.0, 40.0]
    assert [bench.panel.values[f"spacing_{n}_mm"] for n in (1, 2, 3)] == [140.0, 80.0, 40.0]


def test_heads_too_near_to_be_played_are_planned_all_the_same():
    bench = Workbench(machine_from_options(spacings_mm=[8], speeds_ips=[30]))
    assert bench.tape is None and "playback_heads must stand" in bench._played.children[0].value
    bench.panel.set(spacing_mm=9.0)
    assert bench.machine.playback_heads[0].spacing_mm == 9


def test_a_speed_of_a_range_is_the_same_on_both():
    free = {"speed_range_cm_s": [9.5, 38.1], "capstan_diameter_mm": 8.0}
    bench = Workbench(with_changes(example_machine(), {"transport": free}))
    name = next(name for name in bench.panel.values if name.startswith("speed_"))
    bench.tape.speed_ips = 10.0
    assert bench.panel.values[name] == pytest.approx(25.4 if name == "speed_cm_s" else 10.0, rel=1e-12)
    bench.panel.set(**{name: bench.panel.controls[name].high})
    assert bench.tape.speed_ips == pytest.approx(15.0, rel=1e-9)


def test_shown_without_a_kernel_tape_and_panel_stand_there_once(bench, monkeypatch):
    shown = []
    monkeypatch.setattr("IPython.display.display", lambda data, **_: shown.append(data))
    bench._ipython_display_()
    kinds = [set(data) - {"application/vnd.jupyter.widget-view+json", "text/plain"} for data in shown]
    assert kinds == [{"text/html"}, {"image/png"}, {"text/markdown"}]
    assert shown[0]["text/html"].count("<img") == 1
