"""The panels about the loop, driven without a browser."""

from dataclasses import replace

import numpy as np
import pytest
from panel_checks import ends, panel_fixture

from tapecalc.calc import loop
from tapecalc.calc.heads import Heads
from tapecalc.course import repeats as lesson
from tapecalc.course.repeats import fading_panel, runaway_panel
from tapecalc.machine import example_machine

fading = panel_fixture(fading_panel)
runaway = panel_fixture(runaway_panel)


def deck_loop(return_gain, *, delay=0.218, separation=1e-6, low_cut=40.0):
    """The bench deck's loop at its fast speed with some of its numbers changed."""
    machine = example_machine()
    one_pass = machine.one_pass(machine.speeds[0])
    one_pass = replace(one_pass, low_cut=low_cut, today=replace(one_pass.today, separation=separation))
    return loop.EchoLoop(
        heads=Heads.from_delays(delay, one_pass.speed), return_gain=return_gain, one_pass=one_pass
    )


# ---------------------------------------------------------------- how repeats fade or pile up


def test_faint_repeats_fall_by_the_loop_gain_one_delay_apart(fading):
    fading.set(loop_gain=0.7, delay_ms=100, start_db=-30)
    time, level_db = fading.artists["repeats"].get_data()
    assert np.diff(time) == pytest.approx(0.1)
    assert time[0] == pytest.approx(0.1) and level_db[0] == pytest.approx(-30, abs=0.01)  # repeat 1
    # Source: reference values: 20 log10 0.7 = -3.0980 dB per pass; the tape bends it by less than 0.01 dB.
    assert np.diff(level_db) == pytest.approx(-3.0980, abs=5e-3)
    # Source: reference values: 19.37 passes to -60 dB; with the first, 20 repeats stand above it.
    assert fading.readout.startswith("At a loop gain of 0.70 each repeat is 3.1 dB quieter: 20 are heard")
    assert fading.readout.endswith("down to -60 dB, the last after 2.0 s.")
    assert fading.table["a steady tone piles up by"] == "10.5 dB"  # 1 / (1 - 0.7)


def test_the_hiss_rises_by_the_sum_of_its_powers(fading):
    fading.set(loop_gain=0.9, hiss_db=-60, delay_ms=100, start_db=-30)
    hiss_db = fading.artists["hiss"].get_ydata()
    assert hiss_db[0] == pytest.approx(-60)
    # Two passes, 1 + 0.81 in power; and the long run, 1 / (1 - 0.81).
    assert hiss_db[1] == pytest.approx(-60 + 10 * np.log10(1.81), abs=0.01)
    assert hiss_db[-1] == pytest.approx(-60 + 10 * np.log10(1 / 0.19), abs=0.01)
    assert fading.table["hiss has risen by"] == "7.2 dB"


def test_repeats_above_the_hiss_are_counted(fading):
    fading.set(loop_gain=0.5, start_db=-20, hiss_db=-45, delay_ms=200)
    # -20, -26, -32, -38 and -44 dB; the hiss is at -43.8 dB by then.
    assert fading.table["repeats above the hiss"] == "4 in 0.8 s"
    fading.set(start_db=-30, hiss_db=-40)  # -30, -36 and -42 dB
    assert fading.table["repeats above the hiss"] == "2 in 0.4 s"


def test_a_loop_gain_of_a_little_less_than_six_tenths_answers_the_question(fading):
    counts = []
    for gain in (0.56, 0.57, 0.59, 0.6):
        fading.set(loop_gain=gain)
        counts.append(int(fading.table["repeats above the hiss"].split()[0]))
    assert counts == [11, 12, 12, 13]
    # The sound is as far below a full tape as hiss is below the sound, but for what it adds: 52 dB or so.
    room_db = fading.controls["start_db"].value - fading.controls["hiss_db"].value
    for gain, count in zip((0.56, 0.57, 0.59, 0.6), counts, strict=True):
        gain_db, up_db = 20 * np.log10(gain), 10 * np.log10(1 / (1 - gain**2))
        assert 1 + np.floor((room_db - up_db) / -gain_db) == count


def test_hiss_shares_the_tape_with_the_tone():
    # Source: noise and a sine of 100 samples a turn sent round a tanh 15 times, less the sine alone.
    gain, start, hiss = 1.3, 10 ** (-12.9 / 20), 1e-5
    tone = start * np.sin(2 * np.pi * np.arange(200_000) / 100)
    both, rng, up_db = tone.copy(), np.random.default_rng(0), []
    for _ in range(15):
        tone, both = np.tanh(tone), np.tanh(both) + hiss * rng.standard_normal(tone.size)
        up_db.append(10 * np.log10(np.mean((both - tone) ** 2) / hiss**2))
        tone, both = gain * tone, gain * both
    levels_db, hisses_db = lesson._played(gain, start, 15)
    assert hisses_db == pytest.approx(up_db, abs=0.1)
    assert up_db[-1] < 21.5  # alone it would have risen by 36 dB
    assert levels_db[0] == pytest.approx(-12.9, abs=0.2)
    # Far from a full tape nothing is held back.
    assert lesson._played(1.3, 1e-3, 6)[1] == pytest.approx(
        loop.noise_build_up_db(2.2789, np.arange(1, 7)), abs=0.01
    )


def test_beyond_the_edge_the_repeats_grow_until_the_tape_holds_them(fading):
    fading.set(loop_gain=1.2, delay_ms=100, start_db=-20)
    _, level_db = fading.artists["repeats"].get_data()
    held_db = fading.artists["held"].get_ydata()[0]
    assert np.all(np.diff(level_db) > -1e-9)
    assert level_db[-1] == pytest.approx(held_db, abs=0.01)
    # What is held, at playback, gains once round just what the tape takes.
    assert 1.2 * loop.describing_function(1.2 * 10 ** (held_db / 20), 1) == pytest.approx(1)
    assert np.all(fading.artists["hiss"].get_ydata() <= held_db)
    assert fading.table["grows each second by"] == "15.8 dB"  # 20 log10(1.2) / 0.1
    assert fading.readout.endswith(f"holds it at {held_db:+.1f} dB; there it stays.")


def test_at_a_loop_gain_of_one_a_faint_sound_stays(fading):
    fading.set(loop_gain=1.0, start_db=-30)
    level_db = fading.artists["repeats"].get_ydata()
    assert level_db == pytest.approx(-30, abs=0.1)
    assert len(fading.artists["held"].get_xdata()) == 0
    assert "as loud as the last" in fading.readout
    assert fading.table["changes each second by"] == "0.0 dB"


def test_just_below_and_just_above_one_the_picture_differs_by_a_little(fading):
    levels = []
    for gain in (0.99, 1.0, 1.01):
        fading.set(loop_gain=gain, start_db=-20, delay_ms=250)
        levels.append(fading.artists["repeats"].get_ydata())
    below, at, above = levels
    assert np.all(np.diff([below[1:], at[1:], above[1:]], axis=0) > 0)
    assert np.max(above - below) < 25 * 0.18


# ---------------------------------------------------------------- where it runs away


def test_margin_and_place_are_those_of_the_library(runaway):
    runaway.set(return_send_db=-4.0, delay_ms=120, separation_um=2.0, low_cut_hz=100)
    found = loop.stability(deck_loop(10 ** (-4 / 20), delay=0.12, separation=2e-6, low_cut=100.0))
    assert f"there are {found.margin_db:.1f} dB to go" in runaway.readout
    assert runaway.table["first tone to start"] == f"{found.frequency:.0f} Hz"
    assert runaway.table["tones within 1 dB of it"] == f"{found.band[0]:.0f} Hz to {found.band[1]:.0f} Hz"
    (frequency, _), (_, level_db) = runaway.artists["start"].get_data()
    assert (frequency, level_db) == pytest.approx((found.frequency, -found.margin_db))


def test_beyond_the_edge_the_margin_is_still_the_librarys_and_the_turn_encloses_the_point_one(runaway):
    runaway.set(return_send_db=3.0)
    found = loop.stability(deck_loop(10 ** (3 / 20)))
    assert not found.stable and found.growing_modes > 0
    assert f"the loop is {-found.margin_db:.1f} dB past the edge" in runaway.readout
    one_db = 20 * np.log10(loop.settling_level(-found.margin_db, 1))
    all_db = 20 * np.log10(loop.crowd_settling_level(-found.margin_db, 1))
    assert one_db < all_db
    assert runaway.table["the tape holds it, full tape is 0, at"] == f"{one_db:+.1f} dB to {all_db:+.1f} dB"
    real, imaginary = runaway.artists["turn"].get_data()
    turns = np.sum(np.diff(np.unwrap(np.angle(real + 1j * imaginary - 1)))) / (2 * np.pi)
    assert turns == pytest.approx(-1, abs=0.01)


def test_the_larger_the_bumps_the_nearer_and_the_surer_the_place(runaway):
    names = ends(runaway.controls["bumps"])
    edges, widths, starts = [], [], []
    for name in names:
        runaway.set(bumps=name)
        edges.append(float(runaway.table["edge of the return send"].split()[0]))
        low, high = (float(end.split()[0]) for end in runaway.table["tones within 1 dB of it"].split(" to "))
        widths.append(high / low)
        starts.append(runaway.artists["start"].get_xdata()[0])
    assert edges == sorted(edges, reverse=True) and widths == sorted(widths, reverse=True)
    # Thin plates of 5 mm at 7.5 ips: the third maximum at 2.7546 * 190.5 / 5 = 105 Hz.
    assert starts[-1] == pytest.approx(105, abs=3)


def test_a_stable_loop_leaves_the_point_one_outside(runaway):
    real, imaginary = runaway.artists["turn"].get_data()
    turns = np.sum(np.diff(np.unwrap(np.angle(real + 1j * imaginary - 1)))) / (2 * np.pi)
    assert turns == pytest.approx(0, abs=0.01)
    assert runaway.artists["arrow"].get_xdata()[1] == pytest.approx(real.max(), abs=1e-4)


def test_the_send_moves_the_margin_and_not_the_place(runaway):
    places = set()
    for send_db in (-12.0, -6.0, 3.0):
        runaway.set(return_send_db=send_db)
        places.add((runaway.table["first tone to start"], runaway.table["edge of the return send"]))
    assert len(places) == 1


def test_a_clean_head_starts_as_a_whistle_and_a_strong_low_cut_moves_it_up(runaway):
    before = runaway.artists["start"].get_xdata()[0]
    runaway.set(low_cut_hz=320)
    assert runaway.artists["start"].get_xdata()[0] > 2 * before
    runaway.reset()
    runaway.set(separation_um=0.0)
    assert runaway.artists["start"].get_xdata()[0] > 5000
    assert float(runaway.table["edge of the return send"].split()[0]) < 0


def test_the_search_uses_a_send_at_which_every_setting_is_stable():
    loudest = loop.stability(deck_loop(10 ** (lesson.QUIET_DB / 20), separation=0.0, low_cut=10.0))
    assert loudest.stable and loudest.bound_db > 0


def test_the_decks_own_low_cut_is_reached_by_the_slider_in_whole_steps(runaway):
    control = runaway.controls["low_cut_hz"]
    steps = np.log10(np.array([control.value, control.high]) / control.low) / control.step
    assert steps == pytest.approx(np.round(steps), abs=1e-9)
