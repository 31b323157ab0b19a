"""The panels about wow and flutter say what the library reckons, and hold at every end."""

import math
from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from panel_runs import assert_drawn, controls_of, drawn_settings, heard, reckoned, told_at

from tapecalc import words
from tapecalc.calc import flutter, parts, transport
from tapecalc.calc.units import ratio_to_cents, to_si
from tapecalc.course.flutter import FACTS
from tapecalc.machine import example_machine

DECK = example_machine()


told = partial(told_at, "flutter", FACTS)


@pytest.mark.parametrize("panel", ["wobblePanel", "partsPanel"])
def test_pictures_hold_at_every_end(panel):
    assert_drawn("flutter", panel, FACTS)


# ---- how a repeat bends ----


def signed(percent):
    """A percentage with its sign, and none before a zero."""
    text = f"{percent:+.2f} %"
    return "0.00 %" if text[1:] == "0.00 %" else text


def test_what_is_said_of_a_wobble_is_the_librarys():
    settings = drawn_settings(controls_of("flutter", "wobblePanel", FACTS), 150, 31)
    for setting, found in zip(settings, reckoned("flutter", "wobblePanel", FACTS, settings), strict=True):
        rate, late_ms, percent = setting["rate_hz"], setting["delay_ms"], setting["wobble_percent"]
        repeat, delay, wobble = int(setting["repeat"]), late_ms * 1e-3, percent / 100
        bend = flutter.repeat_deviation(wobble, rate, delay, passes=repeat)
        swing = flutter.delay_swing(wobble, rate, delay, passes=repeat)
        assert found["sentence"] == (
            f"A wobble of {percent:g} % that comes {rate:g} times a second bends repeat {repeat}, "
            f"{repeat * late_ms:.0f} ms late, by up to {words.amount(bend, 'percent', '.2f')} "
            f"({ratio_to_cents(1 + bend):.1f} cents): {bend / wobble:.2f} times the wobble."
        ), setting
        table, (first, *_, last) = dict(found["rows"]), found["speeds"]
        assert abs(last - first) == pytest.approx(100 * bend, abs=1e-9)
        assert table == {
            "speed now": signed(last),
            "speed when it was recorded": signed(first),
            "the repeat comes early or late by": words.amount(swing, "ms", ".2f"),
            "held 440 Hz, echo as loud, swings by": f"{flutter.usual_shimmer_db(440.0, swing):.1f} dB",
            "every repeat is steady at multiples of": f"{1 / delay:.2f} Hz",
        }


@pytest.mark.parametrize(
    ("rate", "delay", "factor"), [(1.0, 250, math.sqrt(2)), (2.0, 250, 2.0), (4.0, 250, 0.0), (5.0, 100, 2.0)]
)
def test_a_first_repeat_bends_by_twice_the_sine_of_half_a_turn_per_wobble(rate, delay, factor):
    # Source: difference of two speeds one delay apart; bounds 0 and 2, M.R.L. Publication 570.
    found = told("wobblePanel", rate_hz=rate, delay_ms=delay, wobble_percent=0.2)
    assert found["bend"] == pytest.approx(0.002 * factor, abs=1e-12)
    assert found["sentence"].endswith(f"{factor:.2f} times the wobble.")


def test_a_whole_wobble_in_a_delay_leaves_all_repeats_steady_and_half_a_one_the_second():
    for rate, factors in ((5.0, ("0.00", "0.00", "0.00")), (2.5, ("2.00", "0.00", "2.00"))):
        for repeat, factor in enumerate(factors, 1):
            found = told("wobblePanel", rate_hz=rate, delay_ms=200, repeat=repeat)
            assert found["sentence"].endswith(f"{factor} times the wobble.")


def test_the_dots_stand_one_delay_apart():
    found = told("wobblePanel", rate_hz=3.1, delay_ms=300, repeat=3)
    assert found["passed"] == pytest.approx([-0.9, -0.6, -0.3, 0])


def test_the_panel_tells_pitch_in_cents():
    # Source: 1200 log2(1.001) = 1.730 cents.
    found = told("wobblePanel", rate_hz=5.0, delay_ms=100, wobble_percent=0.05)
    assert "0.10 % (1.7 cents)" in found["sentence"]


def test_the_panel_tells_how_far_a_held_note_swings():
    # 0.05 % x 218 ms = 0.109 ms, 0.301 rad to either side: 2 x 4.343 x 0.301 = 2.6 dB and a little more.
    found = told("wobblePanel", rate_hz=0.2, delay_ms=218, wobble_percent=0.05)
    text = found["table"]["held 440 Hz, echo as loud, swings by"]
    assert float(text.removesuffix(" dB")) == pytest.approx(2.65, abs=0.06)


@pytest.mark.parametrize("setting", [{}, {"rate_hz": 4.0, "delay_ms": 125, "wobble_percent": 0.5}])
def test_the_repeat_is_heard_to_bend_by_so_many_cents(setting):
    rate, samples = heard("flutter", "wobblePanel", FACTS, setting)
    assert (rate, samples.size) == (24000, 72000)
    assert np.max(np.abs(samples)) <= 0.5 and max(abs(samples[0]), abs(samples[-1])) < 1e-4
    alone = samples[480:35520]  # the repeat without the dry note
    spectrum = np.fft.fft(alone * np.hanning(alone.size))
    spectrum[alone.size // 2 :] = 0
    pitch = np.diff(np.unwrap(np.angle(np.fft.ifft(spectrum)))) * rate / (2 * np.pi)
    cents = ratio_to_cents(pitch[4000:-4000] / 440)
    bend = told("wobblePanel", **setting)["bend"]
    assert (np.max(cents), np.min(cents)) == pytest.approx(ratio_to_cents([1 + bend, 1 - bend]), abs=0.05)
    # With the dry note the level swings as the table says, here at this note's own phase.
    both = np.sqrt(np.convolve(samples[37000:71000] ** 2, np.ones(600) / 600, "valid"))
    steady = np.sqrt(np.convolve(alone**2, np.ones(600) / 600, "valid"))
    assert np.ptp(20 * np.log10(both)) > 4 * np.ptp(20 * np.log10(steady))


# ---- which part bends it ----


def moved_parts(capstan_mm, reel_mm, forced):
    """The deck's parts with two sizes changed."""
    shaft = capstan_mm * 1e-3
    forced_at = DECK.speeds[0] if forced else None
    capstan, roller, belt, reel = DECK.turning_parts
    return [
        replace(capstan, diameter=shaft, forced_at=forced_at),
        roller,
        replace(belt, capstan_diameter=shaft),
        replace(reel, reel_radius=reel_mm * 1e-3),
    ]


def test_what_is_said_of_the_parts_is_the_librarys():
    settings = drawn_settings(controls_of("flutter", "partsPanel", FACTS), 150, 32)
    time = np.arange(0, 20, 0.005)
    for setting, found in zip(settings, reckoned("flutter", "partsPanel", FACTS, settings), strict=True):
        speed = to_si(setting["speed_ips"], "ips")
        delay = transport.delay_from_spacing(setting["spacing_mm"] * 1e-3, speed)
        turning = moved_parts(setting["capstan_mm"], setting["reel_mm"], setting["forced"])
        rates = parts.part_rates(turning, speed)
        bends = parts.part_repeat_deviations(turning, speed, delay)
        assert dict(found["rows"]) == {
            f"{name}, {rates[name]:.2f} Hz": f"{words.amount(bend, 'percent', '.3f')} in the repeat"
            for name, bend in bends.items()
        }, setting
        worst = max(bends, key=lambda name: bends[name])
        start = (
            f"At {words.speed(speed)} with heads {setting['spacing_mm']:g} mm apart the {worst} bends the "
        )
        assert found["sentence"].startswith(f"{start}first repeat most; a meter on the echo reads "), setting
        turns = f"The capstan turns {rates['capstan'] * delay:.2f} times in a delay."
        assert found["sentence"].endswith(f" from the parts alone. {turns}")
        # Waves of no common beginning: the reading of the standard, whatever their phases, within a little.
        weights = 10 ** (flutter.weighting_db(np.array(list(rates.values()))) / 20) * list(bends.values())
        phases = 2 * np.pi * 1.618034 * np.arange(4)[:, None]
        record = weights @ np.sin(2 * np.pi * np.outer(list(rates.values()), time) + phases)
        reading = float(found["sentence"].partition("reads ")[2].partition(" %")[0])
        assert reading == pytest.approx(100 * flutter.two_sigma(record), abs=0.0051)


def test_parts_turn_as_often_as_tape_runs_over_their_circumference():
    rates = {part["kind"]: part["rate"] for part in told("partsPanel", capstan_mm=8.0, reel_mm=60)["turning"]}
    # Source: rolling without slip at 190.5 mm/s; tape of 35 um bends about its middle.
    assert rates["capstan"] == pytest.approx(190.5 / (math.pi * 8.035))
    assert rates["pinch roller"] == pytest.approx(190.5 / (math.pi * 38.035))
    assert rates["reel"] == pytest.approx(190.5 / (2 * math.pi * 60))
    assert rates["belt"] == pytest.approx(190.5 * 61 / 8.035 / 420)  # a belt of 1 mm


def test_the_speed_moves_parts_sideways_and_leaves_their_bends():
    before, after = (told("partsPanel", speed_ips=ips)["turning"] for ips in (7.5, 3.75))
    for one, other in zip(before, after, strict=True):
        assert other["rate"] == pytest.approx(one["rate"] / 2) and other["bend"] == pytest.approx(one["bend"])


@pytest.mark.parametrize("speed_ips", [3.75, 7.5, 15])
def test_whole_turns_of_the_capstan_between_the_heads_hide_it(speed_ips):
    # One turn is pi (8 + 0.035) = 25.243 mm, two are 50.485 mm.
    for spacing_mm, turns in ((25.2, "1.00"), (50.5, "2.00")):
        found = told("partsPanel", spacing_mm=spacing_mm, speed_ips=speed_ips)
        assert f"turns {turns} times in a delay" in found["sentence"]
        assert found["turning"][0]["bend"] < 0.02 * found["turning"][0]["wobble"]


def test_the_reading_follows_the_weighting_of_the_worst_part():
    def reading(speed_ips):
        found = told("partsPanel", speed_ips=speed_ips)
        return float(found["sentence"].partition("reads ")[2].partition(" %")[0]), found["turning"]

    usual, turning = reading(7.5)
    bends = [100 * part["bend"] for part in turning]
    assert max(bends) / 2 < usual < sum(bends)
    assert reading(15)[0] < usual  # the capstan then turns 15 times a second, where ears mind it less


def test_a_pulsing_force_wobbles_the_capstan_fourfold_at_half_the_speed():
    assert told("partsPanel", forced=True)["turning"][0]["wobble"] == pytest.approx(0.0006)
    found = told("partsPanel", forced=True, speed_ips=3.75)
    assert found["turning"][0]["wobble"] == pytest.approx(0.0024)
    assert max(part["bend"] for part in found["turning"]) < 0.005  # below the names
