"""The panels about the loop say what the library reckons, and hold at every end."""

from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from panel_runs import assert_drawn, controls_of, drawn_settings, heard, reckoned, told_at

from tapecalc import words
from tapecalc.calc import loop
from tapecalc.calc.heads import Heads
from tapecalc.calc.units import amplitude_to_db
from tapecalc.course.repeats import FACTS
from tapecalc.machine import example_machine

DECK = example_machine()
PANELS = ("fadingPanel", "runawayPanel")
SHAPES = {"none": "flat", "likely": "blocks", "at most": "plates"}


told = partial(told_at, "repeats", FACTS)


def plain(level_db):
    """A level without a plus, and no minus before a zero."""
    return f"{round(level_db, 1) + 0.0:.1f} dB"


def settings_of(panel, count):
    """Settings at the ends and between."""
    return drawn_settings(controls_of("repeats", panel, FACTS), count, 21)


@pytest.mark.parametrize("panel", PANELS)
def test_pictures_hold_at_every_end(panel):
    assert_drawn("repeats", panel, FACTS)


# ---- how repeats fade or pile up ----


def test_what_is_said_of_fading_is_the_librarys():
    settings = settings_of("fadingPanel", 150)
    for setting, found in zip(settings, reckoned("repeats", "fadingPanel", FACTS, settings), strict=True):
        gain, delay, table = round(setting["loop_gain"], 2), setting["delay_ms"] * 1e-3, dict(found["rows"])
        gain_db = amplitude_to_db(gain)
        if gain < 1:
            count = loop.repeats_heard(gain_db, -60)
            wanted = f"{-gain_db:.1f} dB quieter: {count:.0f} are heard down to -60 dB, the last after "
            wanted += f"{delay * count:.1f} s."
            assert table["a steady tone piles up by"] == f"{-amplitude_to_db(1 - gain):.1f} dB"
        elif gain == 1:
            wanted = "as loud as the last: the sound stays for ever, and the hiss climbs up to it."
            assert table["changes each second by"] == "0.0 dB"
        else:
            held_db = amplitude_to_db(loop.settling_level(gain_db, 1.0)) - gain_db
            wanted = (
                f"{gain_db:.1f} dB louder, until the tape holds it at {words.level(held_db)}; there it stays."
            )
            assert table["grows each second by"] == f"{loop.growth_db_per_s(delay, gain_db):.1f} dB"
        assert found["sentence"] == f"At a loop gain of {gain:.2f} each repeat is {wanted}", setting
        above = np.array(found["levels"]) > np.array(found["below"])
        heard_above = int(np.argmin(above)) if not np.all(above) else above.size
        last = f"{heard_above} in {heard_above * delay:.1f} s"
        assert table["repeats above the hiss"] == ("all in these 6 s" if np.all(above) else last)
        risen_db = found["below"][-1] - setting["hiss_db"]
        assert table["hiss has risen by"] == plain(risen_db)


def test_faint_repeats_fall_by_the_loop_gain_one_delay_apart():
    found = told("fadingPanel", loop_gain=0.7, delay_ms=100, start_db=-30)
    assert found["times"] == pytest.approx(0.1 * np.arange(1, 61))
    assert found["levels"][0] == pytest.approx(-30, abs=0.01)  # repeat 1
    # Source: reference values: 20 log10 0.7 = -3.0980 dB per pass; the tape bends it by less than 0.01 dB.
    assert np.diff(found["levels"]) == pytest.approx(-3.0980, abs=5e-3)
    # Source: reference values: 19.37 passes to -60 dB; with the first, 20 repeats stand above it.
    assert found["sentence"].startswith("At a loop gain of 0.70 each repeat is 3.1 dB quieter: 20 are heard")
    assert found["sentence"].endswith("down to -60 dB, the last after 2.0 s.")
    assert found["table"]["a steady tone piles up by"] == "10.5 dB"  # 1 / (1 - 0.7)


def test_the_hiss_rises_by_the_sum_of_its_powers():
    found = told("fadingPanel", loop_gain=0.9, hiss_db=-60, delay_ms=100, start_db=-30)
    # Two passes, 1 + 0.81 in power; and the long run, 1 / (1 - 0.81).
    wanted = [-60, -60 + 10 * np.log10(1.81), -60 + 10 * np.log10(1 / 0.19)]
    assert [found["below"][at] for at in (0, 1, -1)] == pytest.approx(wanted, abs=0.01)
    assert found["table"]["hiss has risen by"] == "7.2 dB"


def test_repeats_above_the_hiss_are_counted():
    # -20, -26, -32, -38 and -44 dB; the hiss is at -43.8 dB by then.
    table = told("fadingPanel", loop_gain=0.5, start_db=-20, hiss_db=-45, delay_ms=200)["table"]
    assert table["repeats above the hiss"] == "4 in 0.8 s"
    # -30, -36 and -42 dB
    table = told("fadingPanel", loop_gain=0.5, start_db=-30, hiss_db=-40, delay_ms=200)["table"]
    assert table["repeats above the hiss"] == "2 in 0.4 s"


def test_a_loop_gain_of_a_little_less_than_six_tenths_answers_the_question():
    gains = (0.56, 0.57, 0.59, 0.6)
    counts = [
        int(told("fadingPanel", loop_gain=g)["table"]["repeats above the hiss"].split()[0]) for g in gains
    ]
    assert counts == [11, 12, 12, 13]
    # The sound is 56 dB above the hiss of one pass, which adds up.
    for gain, count in zip(gains, counts, strict=True):
        gain_db, up_db = 20 * np.log10(gain), 10 * np.log10(1 / (1 - gain**2))
        assert 1 + np.floor((56 - up_db) / -gain_db) == count


def test_beyond_the_edge_the_repeats_grow_until_the_tape_holds_them():
    found = told("fadingPanel", loop_gain=1.2, delay_ms=100, start_db=-20)
    held_db = found["heldDb"]
    assert np.all(np.diff(found["levels"]) > -1e-9)
    assert found["levels"][-1] == pytest.approx(held_db, abs=0.01)
    # What is held, at playback, gains once round just what the tape takes.
    assert 1.2 * loop.describing_function(1.2 * 10 ** (held_db / 20), 1) == pytest.approx(1)
    assert max(found["below"]) <= held_db
    assert found["table"]["grows each second by"] == "15.8 dB"  # 20 log10(1.2) / 0.1
    assert found["sentence"].endswith(f"holds it at {held_db:+.1f} dB; there it stays.")


def test_at_a_loop_gain_of_one_a_faint_sound_stays():
    found = told("fadingPanel", loop_gain=1.0, start_db=-30)
    assert found["levels"] == pytest.approx([-30] * len(found["levels"]), abs=0.1)
    assert found["heldDb"] is None and "as loud as the last" in found["sentence"]


def test_just_below_and_just_above_one_the_picture_differs_by_a_little():
    below, at, above = (
        np.array(told("fadingPanel", loop_gain=gain, start_db=-20, delay_ms=250)["levels"])
        for gain in (0.99, 1.0, 1.01)
    )
    assert np.all(below[1:] < at[1:]) and np.all(at[1:] < above[1:])
    assert np.max(above - below) < 25 * 0.18


@pytest.mark.parametrize(
    "setting", [{"delay_ms": 250, "loop_gain": 0.6}, {"delay_ms": 200, "loop_gain": 1.1}]
)
def test_repeats_are_heard_one_delay_apart_at_their_levels(setting):
    rate, samples = heard("repeats", "fadingPanel", FACTS, {**setting, "hiss_db": -75})
    assert (rate, samples.size) == (24000, 72000)
    assert np.max(np.abs(samples)) <= 0.5 and max(abs(samples[0]), abs(samples[-1])) < 1e-4
    levels = [FACTS["start_db"], *told("fadingPanel", **setting)["levels"]]
    samples = samples[720:]  # the first note begins after 30 ms
    step = round(rate * setting["delay_ms"] / 1000)
    powers_db = [10 * np.log10(np.sum(samples[k * step : (k + 1) * step] ** 2)) for k in range(1, 10)]
    assert np.diff(powers_db) == pytest.approx(np.diff(levels)[1:9], abs=0.3)
    # The second answer begins as the first did, to the sample.
    later = np.correlate(samples[step : 3 * step], samples[step : step + 2400], "valid")
    assert np.argmax(later[step // 2 :]) + step // 2 == step


def test_the_hiss_is_heard_below_the_repeats():
    setting = {"loop_gain": 0.5, "delay_ms": 250, "start_db": -10, "hiss_db": -40}
    rate, samples = heard("repeats", "fadingPanel", FACTS, setting)
    hiss_db = 20 * np.log10(np.std(samples[int(2.6 * rate) : int(2.9 * rate)]) * np.sqrt(2))
    first_db = 20 * np.log10(np.max(np.abs(samples[: rate // 5])))
    # The hiss of two passes and more, 1.2 dB above that of one; the note's peak is at about that of its sine.
    assert hiss_db - first_db == pytest.approx(-40 + 1.2 + 10, abs=1.5)


# ---- where it runs away ----


def deck_loop(return_send_db, delay_ms, separation_um, low_cut_hz, bumps):
    """The bench deck's loop at its fast speed with some of its numbers changed."""
    one_pass = DECK.one_pass(DECK.speeds[0], pole_shape=SHAPES[bumps])
    today = replace(one_pass.today, separation=separation_um * 1e-6)
    one_pass = replace(one_pass, low_cut=low_cut_hz, today=today)
    heads = Heads.from_delays(delay_ms * 1e-3, one_pass.speed)
    return loop.EchoLoop(heads=heads, return_gain=10 ** (return_send_db / 20), one_pass=one_pass)


@pytest.mark.parametrize("step", [12, pytest.param(1, marks=pytest.mark.slow)])
def test_margin_and_place_are_those_of_the_library(step):
    just_past = {"return_send_db": 0.0, "delay_ms": 218, "separation_um": 1.0, "low_cut_hz": 40.0}
    settings = [{**just_past, "bumps": "likely"}, *settings_of("runawayPanel", 60)[::step]]
    for setting, page in zip(settings, reckoned("repeats", "runawayPanel", FACTS, settings), strict=True):
        found = loop.stability(deck_loop(**setting), count_modes=False)
        send_db, delay, margin_db = setting["return_send_db"], setting["delay_ms"] * 1e-3, found.margin_db
        where = f"{found.frequency:.0f} Hz"
        sentence = f"there are {margin_db:.1f} dB to go. It would start first at {where}."
        wanted = {
            "edge of the return send": plain(send_db + margin_db),
            "first tone to start": where,
            "tones within 1 dB of it": f"{found.band[0]:.0f} Hz to {found.band[1]:.0f} Hz",
            "tones in phase are apart by": f"{1 / delay:.1f} Hz",
            "the first tone changes each second by": words.level(loop.growth_db_per_s(delay, -margin_db)),
        }
        if margin_db <= 0:
            sentence = f"the loop is {-margin_db:.1f} dB past the edge. It starts first at {where}."
            one, every = loop.settling_level(-margin_db, 1), loop.crowd_settling_level(-margin_db, 1)
            held = f"{words.level(amplitude_to_db(one))} to {words.level(amplitude_to_db(every))}"
            wanted["the tape holds it, full tape is 0, at"] = held
        assert page["sentence"] == f"With the return send at {send_db:.1f} dB {sentence}", setting
        assert dict(page["rows"]) == wanted, setting
        # The point 1 is inside the turn when the loop runs away, and the arrow ends on the turn.
        tips = np.array([real + 1j * imaginary for real, imaginary in page["turn"]])
        if abs(margin_db) > 0.5 and found.frequency * delay > 3:
            around = np.sum(np.diff(np.unwrap(np.angle(tips - 1)))) / (2 * np.pi)
            assert around == pytest.approx(-1 if margin_db < 0 else 0, abs=0.1), setting
        assert tips[80] == pytest.approx(10 ** (-margin_db / 20), abs=1e-9)


def test_the_larger_the_bumps_the_nearer_and_the_surer_the_place():
    found = [told("runawayPanel", bumps=name) for name in SHAPES]
    edges = [float(one["table"]["edge of the return send"].split()[0]) for one in found]
    assert edges == sorted(edges, reverse=True)
    ends = [one["table"]["tones within 1 dB of it"].split(" to ") for one in found]
    widths = [float(high.split()[0]) / float(low.split()[0]) for low, high in ends]
    assert widths == sorted(widths, reverse=True)
    # Thin plates of 5 mm at 7.5 ips: the third maximum at 2.7546 * 190.5 / 5 = 105 Hz.
    assert found[-1]["frequency"] == pytest.approx(105, abs=3)


def test_the_send_moves_how_near_it_is_and_nothing_else_does_only_that():
    first = told("runawayPanel")
    assert first["sentence"] == (
        "With the return send at -6.0 dB there are 5.7 dB to go. It would start first at 179 Hz."
    )
    for send_db in (-12.0, -3.0, 3.0):
        found = told("runawayPanel", return_send_db=send_db)
        assert found["frequency"] == first["frequency"]
        assert found["pastDb"] - first["pastDb"] == pytest.approx(send_db + 6)
    for other in ({"delay_ms": 150}, {"separation_um": 0}, {"low_cut_hz": 160}, {"bumps": "none"}):
        assert told("runawayPanel", **other)["frequency"] != first["frequency"]


def test_a_clean_head_starts_as_a_whistle_and_a_strong_low_cut_moves_it_up():
    first = told("runawayPanel")
    assert told("runawayPanel", low_cut_hz=320)["frequency"] > 2 * first["frequency"]
    clean = told("runawayPanel", separation_um=0.0)
    assert clean["frequency"] > 5000
    assert float(clean["table"]["edge of the return send"].split()[0]) < 0


def test_the_decks_own_low_cut_is_reached_by_the_slider_in_whole_steps():
    control = next(c for c in controls_of("repeats", "runawayPanel", FACTS) if c["name"] == "low_cut_hz")
    steps = np.log10(np.array([control["value"], control["high"]]) / control["low"]) / control["step"]
    assert steps == pytest.approx(np.round(steps), abs=1e-9)
