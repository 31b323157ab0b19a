"""The panels about levels say what the library reckons."""

import math
from functools import partial

import numpy as np
import pytest
from panel_runs import assert_drawn, controls_of, drawn_settings, reckoned, told_at

from tapecalc.calc import levels, loop
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude
from tapecalc.course.patching import FACTS, patch_gains
from tapecalc.machine import example_machine, with_changes
from tapecalc.plot.levels import treble_lift_db

DECK = example_machine()
MADE_FOR = {"+4 dBu": 4.0, "-10 dBV": -10 + 20 * math.log10(1 / math.sqrt(0.6))}


told = partial(told_at, "patching", FACTS)


def signed(value):
    """A level with its sign, and no minus before a zero."""
    return f"{round(value, 1) + 0.0:+.1f}"


# ---- what the library says ----


def staging_words(instrument_dbu, mixer_gain_db, input_send_db, reference):
    """The sentence and the rows of the chain."""
    changes = {"levels.mixer_gain_db": mixer_gain_db, "mixer.input_send_db": input_send_db}
    machine = with_changes(DECK, {**changes, "levels.machine_reference_dbu": MADE_FOR[reference]})
    diagram = levels.level_diagram(machine.level_stages, instrument_dbu)
    worst, tape, room_db = diagram.first_to_clip, diagram.nodes[3], diagram.headroom_db
    state = f"first: {room_db:.1f} dB of headroom" if room_db >= 0 else f"now, {-room_db:.1f} dB too loud"
    does = "distorts" if worst is tape else "clips"
    return f"The {worst.name} {does} {state}, {tape.snr_db:.1f} dB above the noise on tape.", {
        "pad that leaves 12 dB": f"{diagram.pad_needed_db(wanted_headroom_db=12.0):.1f} dB",
        "level on tape": f"{signed(tape.dbu)} dBu",
        "headroom of the tape at 10 kHz": f"{tape.headroom_db - treble_lift_db(DECK):.1f} dB",
        "at the return send": f"{1000 * diagram.nodes[-1].volts:.0f} mV",
    }


def patch_words(patch, fader_db, return_send_db, pan_percent, leak_db):
    """The sentence and the rows of a patch."""
    key = {"with sends": "sends", "one bus": "one bus", "pan as a send": "pan"}[patch]
    fader, send = db_to_amplitude(fader_db), db_to_amplitude(return_send_db)
    gains = patch_gains(key, fader=fader, return_send=send, pan=pan_percent / 100)
    heard_db, back_db = (amplitude_to_db(max(gain, 1e-6)) for gain in gains)
    up_db = levels.leak_ripple_db(leak_db)[1]
    round_db = back_db + up_db
    said = f"The first repeat is heard at {heard_db:.1f} dB, once round is {signed(round_db)} dB"
    rows = {"a leak adds to the loop": f"{up_db:.2f} dB"}
    if round_db < 0:
        rows["repeats heard down to 30 dB"] = f"{loop.repeats_heard(round_db, -30):.0f}"
        return f"{said}: {-round_db:.1f} dB of margin.", rows
    rows["grows each second by"] = f"{loop.growth_db_per_s(DECK.delays(DECK.speeds[0])[0], round_db):.1f} dB"
    return f"{said}: no margin, it howls.", rows


@pytest.mark.parametrize(("panel", "said"), [("stagingPanel", staging_words), ("patchPanel", patch_words)])
def test_words_and_numbers_are_the_librarys(panel, said):
    settings = drawn_settings(controls_of("patching", panel, FACTS), 150, 1)
    for setting, found in zip(settings, reckoned("patching", panel, FACTS, settings), strict=True):
        assert (found["sentence"], dict(found["rows"])) == said(**setting)


# ---- where the chain clips ----


def more_noise_db():
    """Noise at 3.75 over that at 7.5 ips: Mallinson's spectrum, NAB playback, 250 against 320 nWb/m."""
    frequency = np.linspace(20, 20e3, 100_001)
    w, power = 2 * np.pi * frequency, []
    for speed, tau in ((0.1905, 50e-6), (0.09525, 90e-6)):
        k = w / speed
        flux = (1 - np.exp(-2 * k * 11e-6)) * np.exp(-2 * k * 1e-6) / (k * speed)
        played = (1 + (w * tau) ** 2) / (1 + (w * 3180e-6) ** -2)
        power.append(np.trapezoid(flux * played, frequency))
    return 10 * np.log10(power[1] / power[0]) + 20 * np.log10(320 / 250)


def test_the_levels_of_the_bench_deck():
    found = told("stagingPanel")
    # By hand: -10 + 10 = 0 dBu to the tape, 6 less at the return send, and 0.1 less that a pass loses.
    signal = [node["dbu"] for node in found["nodes"]]
    assert signal == pytest.approx([0, 0, 0, 0, -0.1, -6.1], abs=0.01)
    # The tape distorts by 3 % at 4 + 4 dBu; its noise is 4 - 56 at 7.5 ips, and more at half of that.
    assert found["most"][3] == 8 and found["first"] == 3
    assert found["nodes"][3]["noiseDbu"] == pytest.approx(4 - 56 + more_noise_db(), abs=2e-3)
    assert found["table"]["at the return send"] == "384 mV"  # 774.6 mV, 6.1 dB less


def test_gain_of_36_db_answers_the_question():
    found = told("stagingPanel", instrument_dbu=-40, mixer_gain_db=36)
    # By hand: -40 + 36 = -4 dBu, 12 below 8 dBu; the noise is at 4 - 56 + 3.8 = -48.2 dBu, 44.2 below.
    assert more_noise_db() == pytest.approx(3.82, abs=0.01)
    assert found["sentence"] == (
        "The tape distorts first: 12.0 dB of headroom, 44.2 dB above the noise on tape."
    )
    assert found["table"]["pad that leaves 12 dB"] == "0.0 dB"
    assert (
        told("stagingPanel", instrument_dbu=-40, mixer_gain_db=37)["table"]["pad that leaves 12 dB"]
        == "1.0 dB"
    )


def test_treble_has_less_headroom_on_tape():
    # By hand at 10 kHz, as aligned. At 7.5 ips 14.978 + 1.432 + 0.791 = 17.201 dB are lost; a boost of
    # 24 dB brings back 17.016 of them, the standard playback 10.362: 6.65 are put on tape. At 3.75 ips it is
    # 8.48, but there the tape bears 2.14 dB more above the reference.
    found = told("stagingPanel")
    assert found["table"]["headroom of the tape at 10 kHz"] == "1.3 dB"
    assert found["trebleDbu"] == pytest.approx(8 - 6.654, abs=2e-3)


def test_a_domestic_machine_takes_11_8_db_less():
    # Source: reference values: +4 dBu and -10 dBV are 11.78 dB apart; 8 - 11.78.
    found = told("stagingPanel", reference="-10 dBV")
    assert found["sentence"].startswith("The tape distorts now, 3.8 dB too loud")


def test_a_level_too_high_is_said_to_clip():
    found = told("stagingPanel", instrument_dbu=4, mixer_gain_db=30)
    assert found["sentence"].startswith("The tape distorts now, 26.0 dB too loud")
    found = told("stagingPanel", instrument_dbu=4, mixer_gain_db=30, input_send_db=-30)
    assert found["sentence"].startswith("The mixer input clips now, 14.0 dB too loud")


# ---- patches ----


def test_repeats_fall_by_what_goes_round_and_start_where_the_fader_stands():
    found = told("patchPanel", fader_db=-3, return_send_db=-8, leak_db=-60)
    assert found["levels"][:2] == pytest.approx([-3, -11], abs=0.01)
    assert np.diff([0, *found["times"]]) == pytest.approx(0.0415 / 0.1905)


def test_the_question_is_answered_by_sends_and_by_a_pan_and_not_on_one_bus():
    found = told("patchPanel", patch="one bus", fader_db=0)
    assert found["sentence"].endswith("no margin, it howls.") and found["howls"]
    assert told("patchPanel", fader_db=0)["sentence"] == (
        "The first repeat is heard at 0.0 dB, once round is -5.9 dB: 5.9 dB of margin."
    )
    found = told("patchPanel", patch="pan as a send", fader_db=0.5, pan_percent=20)
    # By hand: cos 18 degrees is 0.951, -0.4 dB; sin is 0.309, -10.2 dB, with 0.5 and a leak's 0.1 more -9.6.
    assert found["sentence"] == (
        "The first repeat is heard at 0.1 dB, once round is -9.6 dB: 9.6 dB of margin."
    )


def test_a_leak_takes_its_share_of_the_margin():
    found = told("patchPanel", leak_db=-20)
    # By hand: 20 log10(1.1) is 0.828 dB.
    assert found["table"]["a leak adds to the loop"] == "0.83 dB"
    assert "5.2 dB of margin" in found["sentence"]


# ---- both ----


@pytest.mark.parametrize("panel", ["stagingPanel", "patchPanel"])
def test_every_picture_is_whole(panel):
    assert_drawn("patching", panel, FACTS)
