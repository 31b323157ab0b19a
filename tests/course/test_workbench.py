"""The workbench driven without a browser: controls in, plan out."""

import numpy as np
import pytest
from panel_checks import collisions, ends

from tapecalc.calc import loop
from tapecalc.calc.response import bandwidth
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
from tapecalc.plan import make_plan
from tapecalc.report import plan_page
from tapecalc.report.plan_text import delay_text
from tapecalc.words import frequency


@pytest.fixture
def panel():
    panel = workbench_panel(example_machine())
    panel.strict = True
    return panel


@pytest.mark.parametrize(
    "values",
    [
        {},
        {"spacing_mm": 55.0, "bpm": 90.0},
        {"return_send_db": 3.0},
        {"input_send_db": -12.0, "speed": 0.09525},
    ],
)
def test_the_words_are_those_of_the_plan(panel, values):
    panel.set(**values)
    machine, at = changed_machine(example_machine(), panel.values), panel.values["speed"]
    plan = make_plan(machine)
    delay = next(planned for planned in plan.delays if planned.speed == at)
    fit = next(planned.fit for planned in plan.tempos if planned.delay is delay)
    loop = next(planned for planned in plan.loops if planned.speed == at)
    (low, high) = bandwidth(machine.one_pass(at), drop_db=10, passes=4)
    assert panel.table == {
        "delay": delay_text(delay),
        "nearest note": fit.note.name,
        "off by": f"{1e3 * fit.error:+.1f} ms, {fit.error_percent:+.1f} %, {fit.error_cents:+.0f} cents",
        "loop gain": f"{loop.gain_db:+.1f} dB",
        "margin": f"{loop.stability.margin_db:+.1f} dB, would start at {frequency(loop.stability.frequency)}",
        "return send for 5 repeats": f"{loop.return_send_db:+.1f} dB",
        "first echo": f"{loop.first_repeat_db:+.1f} dB against the dry sound, "
        f"{plan.node('tape').headroom_db:.1f} dB below the tape's limit",
        "repeat 4 keeps": f"{frequency(low)} to {frequency(high)}",
    }
    assert panel.readout.startswith(
        f"{delay_text(delay).split(' +')[0]}: a {fit.note.name} at {plan.bpm:g} bpm"
    )
    assert (f"{loop.repeats} repeats" in panel.readout) == loop.stability.stable


def test_echoes_follow_spacing_and_speed(panel):
    panel.set(spacing_mm=38.1)
    times = panel.artists["dots"].get_xdata()
    np.testing.assert_allclose(np.diff(times), 0.2, atol=1e-8)
    assert panel.table["delay"] == "200 ms +/- 3 ms"  # 0.5 mm of 38.1 mm and 1 %: 1.65 % of 200 ms
    panel.set(speed=ends(panel.controls["speed"])[1])
    np.testing.assert_allclose(panel.artists["dots"].get_xdata()[0], 0.4, atol=1e-8)


def test_beats_follow_the_tempo(panel):
    panel.set(bpm=120)
    beats = [segment[0][0] for segment in panel.artists["beats"].get_segments()]
    np.testing.assert_allclose(beats, [0.5, 1, 1.5, 2, 2.5, 3])


def test_the_input_send_moves_all_echoes_alike(panel):
    before = panel.artists["dots"].get_ydata().copy()
    panel.set(input_send_db=-6.0)
    after = panel.artists["dots"].get_ydata()
    np.testing.assert_allclose(after, before[: after.size] - 6, atol=1e-9)


def test_a_runaway_is_said_with_the_frequency(panel):
    panel.set(return_send_db=3.0)
    verdict = loop.stability(changed_machine(example_machine(), panel.values).echo_loop(0.1905))
    assert not verdict.stable
    assert f"RUNS AWAY from {frequency(verdict.frequency)}" in panel.readout


def test_every_control_at_its_ends_stays_finite_and_changes_something(panel):
    first = panel.png
    for name, control in panel.controls.items():
        for value in ends(control):
            panel.reset()
            panel.set(**{name: value})
            for artist in [panel.artists["dots"], *panel.artists["tones"]]:
                assert np.all(np.isfinite(artist.get_ydata()))
            assert panel.error is None
        assert panel.png != first
        panel.reset()
        assert panel.png == first


def test_nothing_that_moves_lies_over_words(panel):
    for values in ({}, {"return_send_db": 6.0}, {"spacing_mm": 10.0}, {"bpm": 400.0}):
        panel.reset()
        panel.set(**values)
        assert collisions(panel) == ()


def test_all_heads_move_along_with_the_first():
    machine = machine_from_text(
        "transport.speeds_cm_s = [19.05]\nplayback_heads = [{spacing_mm = 40}, {spacing_mm = 80}]"
    )
    values = workbench_panel(machine).values | {"spacing_mm": 50.0}
    assert changed_machine(machine, values).spacings == pytest.approx((0.05, 0.1))


def test_a_machine_without_song_or_capstan_has_a_panel():
    panel = workbench_panel(machine_from_options(spacings_mm=[200.0], speeds_cm_s=[19.05]))
    assert panel.values["bpm"] == 90
    assert panel.values["spacing_mm"] == 200


def test_a_machine_without_a_way_back_has_a_panel():
    silent = with_changes(example_machine(), {"playback_heads.1.feeds_return": False})
    panel = workbench_panel(silent)
    assert panel.error is None
    assert panel.table["return send for 5 repeats"] == "none"
    assert "0 repeats down to -30 dB" in panel.readout


@pytest.mark.slow
def test_loading_and_saving_go_round(tmp_path):
    bench = Workbench()
    bench.panel.set(spacing_mm=50.0, bpm=90.0)
    written = bench.save(tmp_path / "plan")
    assert {path.name for path in written} == {
        "machine.toml",
        "plan.html",
        "plan.json",
        "preview.wav",
        "figures",
    }
    again = Workbench()
    again.load(tmp_path / "plan" / "machine.toml")
    assert again.machine == bench.machine == read_machine(written[0])
    assert again.panel.values["spacing_mm"] == 50


def test_buttons_say_how_it_went(tmp_path, monkeypatch):
    bench = Workbench()
    bench._file.value = str(tmp_path / "none.toml")
    bench._load.click()
    assert "none.toml: cannot be read" in bench.message
    assert "role='alert'" in bench._status.value
    write_machine(example_machine(), tmp_path / "m.toml")
    bench._file.value = str(tmp_path / "m.toml")
    bench._load.click()
    assert bench.message == "Loaded Bench deck."
    bench._folder.value = "/dev/null/x"
    bench._save.click()
    assert "That did not work: cannot write to" in bench.message
    monkeypatch.setattr(plan_page, "write_plan", lambda _, folder: [write_file(f"{folder}/plan.html", "")])
    bench._folder.value = str(tmp_path / "saved")
    bench._save.click()
    assert bench.message == f"Saved machine.toml, plan.html in {tmp_path / 'saved'}."


def test_it_reads_without_a_kernel(capsys):
    bench = Workbench()
    assert repr(bench).startswith("Workbench for Bench deck")
    bench._ipython_display_()
    assert "At the first setting: 218 ms" in capsys.readouterr().out
