"""The panels about levels, driven without a browser."""

import math

import numpy as np
import pytest
from panel_checks import panel_fixture

from tapecalc.course import patching as lesson
from tapecalc.course.patching import patch_gains, patch_panel, staging_panel

staging = panel_fixture(staging_panel)
patching = panel_fixture(patch_panel)


# ---------------------------------------------------------------- gain staging


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


def test_the_levels_of_the_bench_deck(staging):
    # By hand: -10 + 10 = 0 dBu to the tape, 6 less at the return send, and 0.1 less that a pass loses.
    assert staging.artists["signal"].get_ydata() == pytest.approx([0, 0, 0, 0, -0.1, -6.1], abs=0.01)
    # The tape distorts by 3 % at 4 + 4 dBu; its noise is 4 - 56 at 7.5 ips, and more at half of that.
    assert staging.artists["most"].get_ydata()[3] == 8
    assert staging.artists["noise"].get_ydata()[3] == pytest.approx(4 - 56 + more_noise_db(), abs=2e-3)
    assert staging.artists["room"].get_xydata() == pytest.approx(np.array([[3, 0], [3, 8]]))
    assert staging.table["at the return send"] == "384 mV"  # 774.6 mV, 6.1 dB less


def test_gain_of_36_db_answers_the_question(staging):
    staging.set(instrument_dbu=-40.0, mixer_gain_db=36.0)
    # By hand: -40 + 36 = -4 dBu, 12 below 8 dBu; the noise is at 4 - 56 + 3.8 = -48.2 dBu, 44.2 below.
    assert more_noise_db() == pytest.approx(3.82, abs=0.01)
    assert staging.readout == "The tape distorts first: 12.0 dB of headroom, 44.2 dB above the noise on tape."
    assert staging.table["pad that leaves 12 dB"] == "0.0 dB"
    staging.set(mixer_gain_db=37.0)
    assert staging.table["pad that leaves 12 dB"] == "1.0 dB"


def test_treble_has_less_headroom_on_tape(staging):
    # By hand at 10 kHz, as aligned. At 7.5 ips 14.978 + 1.432 + 0.791 = 17.201 dB are lost; a boost of
    # 24 dB brings back 17.016 of them, the standard playback 10.362: 6.65 are put on tape. At 3.75 ips it is
    # 8.48, but there the tape bears 2.14 dB more above the reference.
    assert staging.table["headroom of the tape at 10 kHz"] == "1.3 dB"
    assert staging.artists["treble"].get_xydata() == pytest.approx(np.array([[3, 8 - 6.654]]), abs=2e-3)


def test_a_domestic_machine_takes_11_8_db_less(staging):
    staging.set(reference_dbu="-10 dBV")
    # Source: reference values: +4 dBu and -10 dBV are 11.78 dB apart.
    assert staging.readout.startswith("The tape distorts now, 3.8 dB too loud")  # 8 - 11.78


def test_a_level_too_high_is_said_to_clip(staging):
    staging.set(instrument_dbu=4.0, mixer_gain_db=30.0)
    assert staging.readout.startswith("The tape distorts now, 26.0 dB too loud")
    staging.set(input_send_db=-30.0)
    assert staging.readout.startswith("The mixer input clips now, 14.0 dB too loud")


# ---------------------------------------------------------------- patches


def test_gains_of_the_three_patches():
    assert patch_gains("sends", fader=0.8, return_send=0.3, pan=0.9) == (0.8, 0.3)
    assert patch_gains("one bus", fader=0.8, return_send=0.3) == (0.8, 0.8)
    heard, back = patch_gains("pan", fader=1.0, pan=0.5)
    assert heard == pytest.approx(math.sqrt(0.5)) and back == pytest.approx(math.sqrt(0.5))
    for pan in (0, 0.2, 0.7, 1):
        heard, back = patch_gains("pan", fader=0.6, pan=pan)
        assert heard**2 + back**2 == pytest.approx(0.36)  # the power stays the same


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ({"patch": "bus", "fader": 1}, "patch 'bus' is not known"),
        ({"patch": "pan", "fader": -1}, "fader must be"),
        ({"patch": "sends", "fader": 1, "return_send": -0.1}, "return_send must be"),
        ({"patch": "pan", "fader": 1, "pan": 1.1}, "pan must be"),
    ],
)
def test_gains_that_cannot_be_are_refused(arguments, said):
    with pytest.raises(ValueError, match=said):
        patch_gains(**arguments)


def test_repeats_fall_by_what_goes_round_and_start_where_the_fader_stands(patching):
    patching.set(fader_db=-3.0, return_send_db=-8.0, leak_db=-60.0)
    time, level_db = patching.artists["repeats"].get_data()
    assert level_db[:3] == pytest.approx([0, -3, -11], abs=0.01)
    assert np.diff(time) == pytest.approx(0.0415 / 0.1905)


def test_on_one_bus_as_loud_as_the_voice_howls_and_with_sends_it_does_not(patching):
    patching.set(patch="one bus", fader_db=0.0)
    assert patching.readout.endswith("no margin, it howls.")
    patching.set(patch="with sends")
    assert patching.readout == "The first repeat is heard at 0.0 dB, once round is -5.9 dB: 5.9 dB of margin."
    patching.set(patch="pan as a send", pan_percent=20.0)
    assert patching.readout.endswith("of margin.")


def test_a_leak_takes_its_share_of_the_margin(patching):
    patching.set(leak_db=-20.0)
    # By hand: 20 log10(1.1) is 0.828 dB.
    assert patching.table["a leak adds to the loop"] == "0.83 dB"
    assert "5.2 dB of margin" in patching.readout


# ---------------------------------------------------------------- exercises


def test_the_flux_of_a_data_sheet_in_decibels():
    # By hand: 20 log10(465/250) = 5.390 dB; with 10 log10 2.695, above 320 nWb/m 3.246.
    assert lesson.mol.check(5.39).state == "right"
    assert "20 log10" in lesson.mol.check(2.695).sentence and "320" in lesson.mol.check(3.246).sentence
