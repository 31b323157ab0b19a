"""What a page is told of a machine: all of it in JSON, and numbers that can be worked out by hand."""

import base64
import json
import math

import numpy as np
import pytest
from machines import MACHINES

from tapecalc.live.designs import RATE, designs, limit_taps, record_taps
from tapecalc.live.facts import playable_facts
from tapecalc.live.setting import setting_of_machine
from tapecalc.machine import example_machine, machine_from_data, machine_from_text, with_changes

DECK = example_machine()
ALL = {"example": DECK, **{name: machine_from_text(text) for name, text in MACHINES.items()}}
FACTS = {name: playable_facts(machine) for name, machine in ALL.items()}


def decoded(text):
    """Numbers from base64."""
    return np.frombuffer(base64.b64decode(text), "<f4")


def made(spacings_mm, **transport):
    """A machine of some spacings and speeds."""
    heads = [{"spacing_mm": spacing} for spacing in spacings_mm]
    return machine_from_data({"transport": transport, "playback_heads": heads}, "test")


def gain(taps, frequency, rate=RATE):
    """What a symmetric filter does at a frequency, its delay taken off."""
    place = np.arange(len(taps)) - len(taps) // 2
    return np.exp(-2j * np.pi * np.outer(np.atleast_1d(frequency), place) / rate) @ taps


@pytest.mark.parametrize("name", ALL)
def test_facts_are_json_and_small(name):
    text = json.dumps(FACTS[name], allow_nan=False)
    assert json.loads(text) == FACTS[name]
    assert len(text) < 250_000


def test_the_plain_facts_of_the_bundled_machine():
    facts = FACTS["example"]
    told = {key: facts[key] for key in ("version", "name", "units", "sample_rate", "most_heads", "ramp_s")}
    assert told == {
        "version": 1,
        "name": "Bench deck",
        "units": "us",
        "sample_rate": 48000,
        "most_heads": 8,
        "ramp_s": 0.6,
    }
    assert facts["speeds"] == [
        {"speed_ips": pytest.approx(7.5), "label": "7.5 ips"},
        {"speed_ips": pytest.approx(3.75), "label": "3.75 ips"},
    ]
    assert facts["speed_range_ips"] is None
    assert facts["threshold_s"] is None
    assert (facts["faded_db"], facts["erases"]) == (-30.0, True)
    assert (facts["spacing_plus_minus_mm"], facts["speed_plus_minus_percent"]) == ([1.0], 2.0)
    assert {"name": "dotted eighth", "beats": 0.75, "plain": True} in facts["notes"]
    assert {"name": "eighth quintuplet", "beats": 0.4, "plain": False} in facts["notes"]
    assert facts["setting"] == setting_of_machine(DECK)
    assert (facts["plan"], facts["deviations_mm"]) == ([], [[0.0], [0.0]])
    assert facts["random_rms"] == pytest.approx(0.0003)


def test_wobbles_are_depth_and_rate_at_each_speed():
    fast, slow = (design["wobbles"] for design in FACTS["example"]["designs"])
    # capstan 8 mm, on which the middle of 35 um tape runs: 190.5 / (8.035 pi) turns a second
    assert fast[0] == {"depth": pytest.approx(0.0006), "rate_hz": pytest.approx(190.5 / (8.035 * math.pi))}
    assert slow[0] == {"depth": pytest.approx(0.0006), "rate_hz": pytest.approx(95.25 / (8.035 * math.pi))}
    assert len(fast) == len(slow) == 4


def test_a_part_that_is_forced_wobbles_four_times_as_deep_at_half_the_speed():
    part = {"name": "motor", "diameter_mm": 20.0, "wobble_percent": 0.05, "by_force": True}
    facts = playable_facts(with_changes(DECK, {"parts": [part]}))
    depths = [design["wobbles"][0]["depth"] for design in facts["designs"]]
    assert depths == pytest.approx([0.0005, 0.002])


def test_a_measured_delay_tells_where_the_head_seems_to_stand():
    # 219.3 ms at 190.5 mm/s are 41.77665 mm
    assert FACTS["measured"]["deviations_mm"] == [[pytest.approx(0.27665)], [0.0]]
    assert FACTS["measured"]["measured_plus_minus_ms"] == [[pytest.approx(0.05)], [None]]


def test_a_free_speed_has_designs_from_end_to_end():
    facts = FACTS["closed_loop"]
    assert facts["speed_range_ips"] == pytest.approx([10 / 2.54, 40 / 2.54])
    speeds = [design["speed_ips"] for design in facts["designs"]]
    assert [speeds[0], speeds[-1]] == facts["speed_range_ips"]
    ratios = np.array(speeds[1:]) / speeds[:-1]
    assert ratios == pytest.approx(4 ** (1 / (len(speeds) - 1)))
    assert ratios.max() < 1.13


@pytest.mark.parametrize("name", ALL)
def test_heads_can_stand_between_the_nearest_place_and_the_end_of_the_tape(name):
    facts, machine = FACTS[name], ALL[name]
    spacings_mm = [head.spacing_mm for head in machine.playback_heads]
    assert 0 < facts["least_mm"] <= min(spacings_mm)
    assert facts["most_mm"] >= max(spacings_mm)
    if machine.loop_length is not None:
        assert facts["most_mm"] < 1000 * machine.loop_length
    assert facts["least_mm"] < 0.7 * min(spacings_mm)


def test_a_short_loop_leaves_no_room_behind_it():
    machine = with_changes(made([30.0], speeds_ips=[7.5]), {"tape.loop_length_m": 0.1, "heads.erases": True})
    assert playable_facts(machine)["most_mm"] == pytest.approx(95)


@pytest.mark.parametrize("spacings_mm", [[6.0], [7.0, 60.0], [2.0, 9.0], [1.2]])
def test_a_head_too_near_for_a_page_is_refused_with_the_place_from_which_on_it_is_not(spacings_mm):
    with pytest.raises(ValueError, match=r"^playback_heads must stand [^\n]*, got [\d.]+ mm$") as refused:
        playable_facts(made(spacings_mm, speeds_ips=[15.0]))
    words = str(refused.value).split()
    assert float(words[-2]) == spacings_mm[0]
    place_mm = float(words[3])
    assert playable_facts(made([place_mm], speeds_ips=[15.0]))["least_mm"] <= place_mm
    with pytest.raises(ValueError, match=f"must stand {place_mm:g} mm or more"):
        playable_facts(made([place_mm - 0.1], speeds_ips=[15.0]))


@pytest.mark.parametrize("name", ALL)
def test_the_filters_together_are_the_pass_that_is_reckoned(name):
    machine = ALL[name]
    frequency = np.array([100.0, 1000, 3000, 10e3, 15e3])
    limit = gain(limit_taps(), frequency, 4 * RATE)
    for design, told in zip(
        designs(machine, machine.speeds),
        FACTS[name]["designs"][:: max(len(FACTS[name]["designs"]) - 1, 1)],
        strict=False,
    ):
        one_pass = design.settings.one_pass
        turn = np.exp(-2j * np.pi * frequency / RATE)
        cut = 1.0
        if design.low_cut is not None:
            a, b = design.low_cut
            cut = b * (1 - turn) / (1 - a * turn)
        taps = [gain(decoded(told[key]), frequency) for key in ("record", "passed")]
        played = taps[0] * limit**2 * taps[1] * cut
        bare = machine.one_pass(design.speed, pole_shape="flat")
        wanted = (bare if not one_pass.trim else one_pass).gain(frequency)
        assert 20 * np.log10(np.abs(played[1:] / wanted[1:])) == pytest.approx(0, abs=0.02)
        assert 20 * abs(np.log10(np.abs(played[0] / wanted[0]))) < 1.0  # the rest is the bumps' to set right


def test_the_record_equalizer_is_the_one_before_the_tape():
    one_pass = DECK.one_pass(0.1905)
    frequency = np.array([1000.0, 3000, 5000, 15e3])  # it has no bass of its own
    ratio = gain(record_taps(one_pass), frequency) / one_pass.record_gain(frequency)
    assert 20 * np.log10(np.abs(ratio)) == pytest.approx(0, abs=0.02)


def test_the_limit_passes_sound_and_stops_its_images():
    heard = np.abs(gain(limit_taps(), np.linspace(20, 19e3, 400), 4 * RATE))
    assert 20 * np.log10(heard) == pytest.approx(0, abs=0.002)
    images = np.abs(gain(limit_taps(), np.linspace(29e3, 96e3, 800), 4 * RATE))
    assert 20 * np.log10(images.max()) < -72


def test_noise_has_an_rms_of_one_in_its_band():
    for design in FACTS["three_heads"]["designs"]:
        taps = decoded(design["noise"]).astype(float)
        frequency = np.linspace(20, 20e3, 2000)
        power = np.abs(gain(taps, frequency)) ** 2
        assert np.trapezoid(power, frequency) / (RATE / 2) == pytest.approx(1, abs=0.01)


def test_levels_of_hiss_and_limit_follow_from_the_file():
    # stated: -56 dB, 3 % distortion at +4 dB, and full 7.2 dB above that; alignment at -18 dBFS
    facts = playable_facts(with_changes(DECK, {"levels.tape_noise_db": -56.0, "levels.tape_mol_db": 4.0}))
    design = facts["designs"][0]
    assert 20 * math.log10(design["hiss"]) == pytest.approx(-18 - 10 * math.log10(2) - 56, abs=1e-6)
    assert -18 + 4 < 20 * math.log10(design["saturation"]) < -18 + 4 + 10


@pytest.mark.parametrize("name", ALL)
def test_a_pass_is_judged_by_bumps_no_smaller_than_those_that_are_played(name):
    """Whatever the page says of a margin, its engine is below that."""
    worst = {row["speed_ips"]: row for row in FACTS[name]["file"]["worst"]}
    for design in FACTS[name]["designs"]:
        row = worst[design["speed_ips"]]
        judged_db = [level_db for _, level_db in row["by_pole"]]
        assert min(judged_db) > design["loudest_db"] or row["measured_db"] >= design["loudest_db"]


def test_a_machine_without_poles_has_no_bumps_to_play():
    facts = playable_facts(with_changes(DECK, {"heads.pole_length_mm": 0.0, "heads.low_cut_hz": 0.0}))
    assert [design["low_cut"] for design in facts["designs"]] == [None, None]
    assert all(
        decoded(design["bumps"]).size == 0
        for design in playable_facts(with_changes(DECK, {"heads.pole_length_mm": 0.0}))["designs"]
    )
