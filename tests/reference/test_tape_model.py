"""The tape as measured and derived elsewhere: thickness, equalization, bumps, limit, noise.

`own` beside a number: derived and computed apart from the library, with quadrature or finite differences.
"""

import numpy as np
import pytest

from tapecalc.calc.contour import bump_gain
from tapecalc.calc.levels import FULL_ABOVE_MOL_DB
from tapecalc.calc.loop import describing_function, settling_level
from tapecalc.calc.noise import a_weighting_db, noise_density_db, noise_level_db
from tapecalc.calc.response import (
    HeadContact,
    OnePass,
    coating_output_db,
    contact_loss_db,
    equalization_db,
    home_band,
    repeat_level_db,
    thickness_loss_db,
)
from tapecalc.calc.units import amplitude_to_db
from tapecalc.machine import example_machine

FAST, SLOW = 0.1905, 0.09525
NAB_FAST, NAB_SLOW = (50e-6, 3180e-6), (90e-6, 3180e-6)


def contact(**changes):
    kind = {"gap": 0, "separation": 0, "coating_thickness": 11e-6, "track_width": 2e-3, "azimuth_angle": 0}
    return HeadContact(**{**kind, **changes})


def chain(speed, head, taus=NAB_FAST, **changes):
    kind = {"boost_db": 60, "low_cut": 0, "tau_high": taus[0], "tau_low": taus[1]}
    return OnePass(speed=speed, today=head, aligned=head, **{**kind, **changes})


# ---- thickness ----


@pytest.mark.parametrize(
    ("depths_per_wave", "loss_db"),  # own
    [(0.1, -3.2107), (0.2, -6.1639), (0.5, -13.4555), (1, -21.2831), (2, -29.1264)],
)
def test_thickness_of_a_coating_that_is_weaker_at_the_surface(depths_per_wave, loss_db):
    frequency = FAST * depths_per_wave / 11e-6
    assert thickness_loss_db(frequency, FAST, 11e-6, surface_share=0.2) == pytest.approx(loss_db, abs=1e-4)


@pytest.mark.parametrize(
    ("speed", "frequency", "share", "loss_db"),  # own
    [
        (FAST, 10e3, 0.2, -14.978),
        (FAST, 15e3, 0.2, -19.597),
        (FAST, 10e3, 1.0, -11.427),
        (FAST, 15e3, 1.0, -14.753),
        (SLOW, 5e3, 0.2, -14.978),
        (SLOW, 8e3, 0.2, -20.354),
        (SLOW, 10e3, 0.2, -22.965),
    ],
)
def test_thickness_at_the_usual_speeds(speed, frequency, share, loss_db):
    assert thickness_loss_db(frequency, speed, 11e-6, surface_share=share) == pytest.approx(loss_db, abs=1e-3)


def test_slopes_of_the_thickness_loss():
    # own: 6 dB an octave for an even coating, 12 for an empty surface, for 0.2 over an octave 8.05 at most
    def slope(ratio, share, octaves=1e-3):
        ends = FAST * ratio * 2 ** np.array([-octaves / 2, octaves / 2]) / 11e-6
        return np.diff(thickness_loss_db(ends, FAST, 11e-6, surface_share=share))[0] / octaves

    assert slope(5, 1.0) == pytest.approx(-6.0206, abs=1e-3)
    assert slope(5, 0.0) == pytest.approx(-12.04, abs=0.01)
    assert slope(1, 0.2, octaves=1) == pytest.approx(-8.05, abs=0.01)
    assert min(slope(ratio, 0.2, octaves=1) for ratio in np.arange(0.7, 1.3, 0.01)) == pytest.approx(
        -8.05, abs=0.01
    )


@pytest.mark.parametrize(
    ("wavelength", "output_db"), [(190.5e-6, -7.239), (19.05e-6, -2.174), (9.525e-6, -0.519)]
)
def test_a_thin_coating_lacks_bass_and_hardly_treble(wavelength, output_db):  # own
    assert coating_output_db(FAST / wavelength, FAST, 4.3e-6, 11e-6) == pytest.approx(output_db, abs=1e-3)


def test_a_measured_curve_without_equalizers():
    """Recorded with constant current: the peak at 3 kHz, and 5 kHz some 8 dB above 500 Hz, at 7.5 ips.

    Source: Elements of Tape Recorder Circuits, 1957, figure 601. Coating and gap are not told there: thick
    coatings and wide gaps of the time, 11 to 17 um and 4 to 6.35 um, must hold the curve between them.
    """
    frequency = np.geomspace(200, 20e3, 4001)

    def output(coating, gap, share=0.2):
        head = contact(coating_thickness=coating, gap=gap, separation=0.5e-6, surface_share=share)
        level_db = 20 * np.log10(frequency) + contact_loss_db(frequency, FAST, head)
        return frequency[np.argmax(level_db)], np.interp(5000, frequency, level_db) - np.interp(
            500, frequency, level_db
        )

    (bright_peak, bright_db), (dull_peak, dull_db) = output(11e-6, 4e-6), output(17e-6, 6.35e-6)
    # own: 5.1 kHz and 11.6 dB at the one end, 3.4 kHz and 8.0 dB at the other: within what can be read
    assert (bright_peak, dull_peak) == pytest.approx((5.1e3, 3.4e3), rel=0.02)
    assert (bright_db, dull_db) == pytest.approx((11.6, 8.0), abs=0.1)
    assert dull_peak == pytest.approx(3000, rel=0.25) and dull_db == pytest.approx(8, abs=2)
    # own: an even coating is 5 dB too bright, at its duller end 2 dB
    even_peak, even_db = output(11e-6, 4e-6, 1.0)
    assert even_db == pytest.approx(13.2, abs=0.1) and even_peak == pytest.approx(7.1e3, rel=0.02)
    assert output(17e-6, 6.35e-6, 1.0)[1] > dull_db + 1.5
    # The same figure at 15 ips: peak at 6 kHz, and 10 kHz 8 dB above 1 kHz. The same waves, so the same.
    twice = [20 * np.log10(f) + contact_loss_db(f, 2 * FAST, contact()) for f in (1e3, 10e3)]
    once = [20 * np.log10(f) + contact_loss_db(f, FAST, contact()) for f in (500.0, 5e3)]
    assert twice[1] - twice[0] == pytest.approx(once[1] - once[0], abs=1e-9)


# ---- equalization ----

# own: record boost that makes the chain flat, (share, separation in um): 5k, 10k, 15k; 5k, 8k, 10k
NEEDED_DB = {
    (1.0, 0.0): ((1.32, 1.07, 1.10), (1.89, 1.98, 2.04)),
    (0.2, 0.0): ((3.16, 4.62, 5.94), (5.44, 7.04, 7.78)),
    (0.2, 0.5): ((3.88, 6.05, 8.09), (6.87, 9.33, 10.65)),
}


@pytest.mark.parametrize("coating", NEEDED_DB)
def test_the_record_equalizer_lifts_what_playback_leaves(coating):
    head = contact(surface_share=coating[0], separation=coating[1] * 1e-6)
    for speed, taus, frequencies, wanted_db in zip(
        (FAST, SLOW),
        (NAB_FAST, NAB_SLOW),
        ((5e3, 10e3, 15e3), (5e3, 8e3, 10e3)),
        NEEDED_DB[coating],
        strict=True,
    ):
        boost = np.abs(chain(speed, head, taus).record_gain(np.array(frequencies)))
        assert 20 * np.log10(boost) == pytest.approx(wanted_db, abs=0.01)


def test_below_its_limit_the_aligned_chain_is_flat():
    frequency = np.geomspace(20, 15e3, 200)
    head = contact(gap=2e-6, separation=0.5e-6)
    assert chain(FAST, head, boost_db=120).level_db(frequency) == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("frequency", [5000.0, 10000.0])
def test_playback_and_tape_undo_what_was_recorded(frequency):
    # short-circuit flux is what the standard names: record boost plus thickness and separation
    head = contact(separation=0.5e-6)
    flux_db = 20 * np.log10(abs(chain(FAST, head).record_gain(frequency))) + contact_loss_db(
        frequency, FAST, head
    )
    assert flux_db == pytest.approx(equalization_db(frequency, *NAB_FAST), abs=1e-3)


@pytest.mark.parametrize("gap", [2e-6, 4e-6])
def test_a_real_chain_lies_in_the_window_for_the_home_at_7_5_ips(gap):
    """40 Hz to 12.5 kHz: 5 dB from 250 to 6300 Hz, 7 dB outside. Source: DIN 45 500 sheet 4."""
    one_pass = chain(FAST, contact(gap=gap, separation=0.5e-6), boost_db=24, low_cut=30)
    middle = one_pass.level_db(np.geomspace(250, 6300, 300))
    whole = one_pass.level_db(np.geomspace(40, 12500, 300))
    assert np.ptp(middle) < 5
    assert np.ptp(whole) < 7
    assert home_band(one_pass) == (40, 12500)
    # 12 dB of boost are less than the playback equalizer alone lifts at 15 kHz, 13.66 dB.
    assert abs(one_pass.playback_gain(15e3)) == pytest.approx(10 ** (13.66 / 20), abs=0.01)
    # At 12.5 kHz the coating alone takes more than the 19 dB that such a boost and the window would bear:
    # its 17.5 dB, 1.8 dB of distance, 0.3 dB of the shorter gap.
    assert home_band(chain(FAST, contact(gap=gap, separation=0.5e-6), boost_db=12, low_cut=30))[1] < 12e3


def test_half_the_speed_states_its_limit():
    # By hand at 10 kHz, waves of 9.525 um: thickness 22.965, 0.5 um 2.865, a gap of 4.44 um 3.36 dB are
    # 29.19 dB, of which 24 dB of boost leave 5.19 + 6 log10(1 + 10^((24 - 29.19) / 6)) = 5.52 dB: inside.
    slow = chain(SLOW, contact(gap=4e-6, separation=0.5e-6), NAB_SLOW, boost_db=24, low_cut=30)
    assert slow.level_db(10e3) - slow.level_db(1e3) == pytest.approx(-5.52, abs=0.02)
    assert 10e3 < home_band(slow)[1] < 11.5e3


def test_passes_add_their_windows():
    # exact: what differs by w in one pass differs by n w in n
    one_pass = chain(FAST, contact(gap=4e-6, separation=0.5e-6), boost_db=24, low_cut=30)
    frequency = np.geomspace(250, 6300, 300)
    once, five = (repeat_level_db(one_pass, frequency, n) for n in (1, 5))
    assert np.ptp(five) == pytest.approx(5 * np.ptp(once), abs=1e-9)


@pytest.mark.parametrize("bias_loss_db", [0.0, 3.0, 4.5])
def test_bias_that_is_made_up_for_moves_headroom_and_not_the_response(bias_loss_db):
    # exact: what more bias takes from short waves is as a little distance more, on the day of alignment too
    more = bias_loss_db / (40 * np.pi * np.log10(np.e) * 10e3 / FAST)
    here, there = (chain(FAST, contact(separation=0.5e-6 + away), boost_db=120) for away in (0.0, more))
    frequency = np.array([1e3, 5e3, 10e3])
    assert there.level_db(frequency) == pytest.approx(here.level_db(frequency), abs=1e-9)
    lifted = 20 * np.log10(abs(there.record_gain(10e3)) / abs(here.record_gain(10e3)))
    assert lifted == pytest.approx(bias_loss_db, abs=1e-6)


def test_the_phase_is_the_least_that_the_boost_can_have():
    """Against the cepstrum of the boost, which is another way to the phase of a minimum-phase circuit."""
    head = contact(gap=2e-6, separation=0.5e-6)
    one_pass = chain(FAST, head, boost_db=24)
    rate, count = 4e6, 1 << 20
    frequency = np.arange(count // 2 + 1) * rate / count
    boost = np.abs(one_pass.gain(frequency)) / 10 ** (contact_loss_db(frequency, FAST, head) / 20)
    boost[frequency > 40e3] = boost[
        np.searchsorted(frequency, 40e3)
    ]  # where nulls leave nothing to divide by
    cepstrum = np.fft.irfft(np.log(boost), count)
    cepstrum[1 : count // 2] *= 2
    cepstrum[count // 2 + 1 :] = 0
    phase = np.angle(np.exp(np.fft.rfft(cepstrum, count)))
    for f in (100.0, 1000.0, 5000.0):
        expected = phase[np.searchsorted(frequency, f)]
        assert np.angle(one_pass.gain(f)) == pytest.approx(expected, abs=0.02)
    assert 20 < np.degrees(np.angle(one_pass.gain(1000.0))) < 31  # own: 22 to 28, by where the boost ends


def test_without_phase_the_equalizers_have_none():
    one_pass = chain(FAST, contact(separation=1e-6), phase=False)
    assert np.all(np.angle(one_pass.gain(np.geomspace(20, 20e3, 50))) == 0)
    assert np.all(np.angle(one_pass.record_gain(np.geomspace(20, 20e3, 50))) == 0)


def test_past_the_null_of_a_gap_the_sign_turns():
    head = contact(coating_thickness=0, gap=4e-6)
    one_pass = OnePass(
        speed=0.047625, today=head, aligned=contact(coating_thickness=0), boost_db=0, low_cut=0
    )
    # own: sin(y) / y with y = pi 1.11 4 um 13 kHz / 4.7625 cm/s = 3.8075
    assert one_pass.gain(13000.0).real == pytest.approx(np.sin(3.8075) / 3.8075, abs=1e-3)


# ---- head bumps ----

PLATES_DB = {  # own
    0.7655: 3.348, 1.7571: -3.493, 2.7546: 2.064, 3.7534: -2.280, 4.7527: 1.624,
    0.1: -10.129, 0.25: -2.546, 0.5: 2.119, 1: 2.591, 2: -2.393,
}  # fmt: skip
BLOCKS_DB = {  # own
    0.716: 1.548, 1.7: -1.172, 2.693: 0.802, 3.689: -0.725, 4.688: 0.580,
    0.1: -3.080, 0.25: -0.765, 0.5: 1.121, 1: 1.003, 2: -0.682,
}  # fmt: skip


@pytest.mark.parametrize(("shape", "table"), [("plates", PLATES_DB), ("blocks", BLOCKS_DB)])
def test_bumps_of_two_shapes(shape, table):
    gain = bump_gain(np.array(list(table)), shape)
    assert 20 * np.log10(gain) == pytest.approx(list(table.values()), abs=1e-3)


def test_where_plates_lose_3_db_and_where_they_are_even():
    assert bump_gain(0.2359, "plates") == pytest.approx(10 ** (-3 / 20), abs=1e-3)
    assert bump_gain(0.3528, "plates") == pytest.approx(1, abs=1e-3)


def test_at_no_frequency_blocks_give_half_and_plates_nothing():
    assert bump_gain(np.array([0.0]), "blocks")[0] == pytest.approx(0.5, abs=1e-3)
    assert bump_gain(0.0, "plates") == 0


@pytest.mark.parametrize(
    ("pole_length", "speed", "bumps", "dip"),  # own: f = (L / lam) v / L
    [(5e-3, FAST, (29.2, 105), 66.9), (5e-3, SLOW, (14.6, 52.5), 33.5), (3e-3, FAST, (48.6, 175), 111.6)],
)
def test_where_the_bumps_of_a_head_are(pole_length, speed, bumps, dip):
    flat = contact(coating_thickness=0)
    head = OnePass(
        speed=speed,
        today=flat,
        aligned=flat,
        boost_db=0,
        low_cut=0,
        pole_length=pole_length,
        pole_shape="plates",
    )
    frequency = np.arange(5, 400, 0.05)
    level = head.level_db(frequency)
    peaks = frequency[1:-1][(level[1:-1] > level[:-2]) & (level[1:-1] > level[2:])]
    assert peaks[:2] == pytest.approx(bumps, rel=2e-3)
    between = (frequency > bumps[0]) & (frequency < bumps[1])
    assert frequency[between][np.argmin(level[between])] == pytest.approx(dip, rel=2e-3)


def test_five_passes_over_the_third_bump():  # own
    flat = contact(coating_thickness=0)
    for shape, level_db in (("plates", 10.3), ("blocks", 4.0)):
        head = OnePass(
            speed=FAST, today=flat, aligned=flat, boost_db=0, low_cut=0, pole_length=5e-3, pole_shape=shape
        )
        assert 5 * head.level_db(np.linspace(95, 115, 2001)).max() == pytest.approx(level_db, abs=0.05)


@pytest.mark.parametrize("shape", ["blocks", "plates"])
def test_bumps_have_a_sign_and_no_phase_and_none_can_be_chosen(shape):
    frequency = np.geomspace(20, 20e3, 400)
    bumped = chain(FAST, contact(), boost_db=24, pole_length=5e-3, pole_shape=shape)
    flat = chain(FAST, contact(), boost_db=24)
    ratio = bumped.gain(frequency) / flat.gain(frequency)
    assert np.max(np.abs(ratio.imag)) < 1e-12 and np.all(ratio.real > 0)  # so that no loop tone moves
    assert np.ptp(ratio.real) > 0.2
    # Recording has none: the flux follows the current at long waves.
    assert np.array_equal(bumped.record_gain(frequency), flat.record_gain(frequency))
    off = chain(FAST, contact(), boost_db=24, pole_length=5e-3, pole_shape="flat")
    assert np.array_equal(off.gain(frequency), flat.gain(frequency))


# ---- the limit of the tape ----


def third_harmonic(peak):
    """Fundamental and third harmonic of ``tanh`` of a sine, by Fourier."""
    spectrum = np.abs(np.fft.rfft(np.tanh(peak * np.sin(2 * np.pi * np.arange(8192) / 8192)))) / 4096
    return spectrum[1], spectrum[3] / spectrum[1]


def test_three_percent_of_third_harmonic():  # own
    fundamental, share = third_harmonic(0.6287903)
    assert share == pytest.approx(0.03, abs=1e-6)
    assert describing_function(0.6287903, 1) == pytest.approx(0.912588, abs=1e-5)
    assert -20 * np.log10(fundamental) == pytest.approx(FULL_ABOVE_MOL_DB, abs=1e-3)


@pytest.mark.parametrize(
    ("drive_db", "percent", "output_db"),  # own, against the drive of 3 %
    [
        (-20, 0.0329, -19.214),
        (-10, 0.3263, -9.291),
        (-6, 0.8076, -5.417),
        (-3, 1.5736, -2.619),
        (3, 5.500, 2.315),
        (6, 9.458, 4.175),
    ],
)
def test_distortion_by_drive(drive_db, percent, output_db):
    peak = 0.6287903 * 10 ** (drive_db / 20)
    fundamental, share = third_harmonic(peak)
    assert 100 * share == pytest.approx(percent, abs=1e-3)
    output = 20 * np.log10(peak * describing_function(peak, 1)) + FULL_ABOVE_MOL_DB
    assert output == pytest.approx(output_db, abs=1e-3)
    assert output == pytest.approx(20 * np.log10(fundamental) + FULL_ABOVE_MOL_DB, abs=1e-9)


@pytest.mark.parametrize(
    ("over_db", "level_db", "percent"),  # own: on the tape, against what it cannot exceed; third harmonic
    [(0.5, -6.67, 1.9), (1, -3.94, 3.8), (2, -1.49, 7.3), (4, 0.47, 13.9)],
)
def test_where_one_tone_settles(over_db, level_db, percent):
    drive = settling_level(over_db, 1.0)
    assert 20 * np.log10(drive) - over_db == pytest.approx(level_db, abs=0.01)
    assert 100 * third_harmonic(drive)[1] == pytest.approx(percent, abs=0.05)


@pytest.mark.parametrize(
    ("flux_nwb_m", "above_db"),  # own; 465 and 762 nWb/m are data of two studio tapes, tonmeister.ca
    [(465, {185: 8.005, 250: 5.390, 320: 3.246}), (762, {185: 12.296, 250: 9.680, 320: 7.536})],
)
def test_the_same_flux_above_several_references(flux_nwb_m, above_db):
    found = amplitude_to_db(flux_nwb_m / np.array(list(above_db)))
    assert found == pytest.approx(list(above_db.values()), abs=1e-3)


def test_a_level_of_flux_stands_higher_above_the_lower_reference_of_the_slow_speed():
    # Source: the data sheet of a 35 um tape, 320 nWb/m at 7.5 and 250 at 3.75 ips
    slow_db, fast_db = map(example_machine().tape_mol_db, (SLOW, FAST))
    assert slow_db - fast_db == pytest.approx(2.144, abs=1e-3)


@pytest.mark.parametrize("speed", [FAST, SLOW])
def test_the_noise_of_a_usual_machine_keeps_to_the_standard_for_the_home(speed):
    # Source: DIN 45 500: 46 dB or more below 3 % distortion, unweighted, 56 dB weighted (by ear, not as A)
    machine = example_machine()
    assert machine.tape_mol_db(speed) - machine.tape_noise_db(speed) >= 46
    assert machine.tape_mol_db(speed) - machine.tape_noise_db(speed, weighting="A") >= 56


def test_treble_meets_the_limit_earlier_by_the_record_boost():  # own
    head = contact(separation=0.5e-6)
    for speed, taus, wanted_db in ((FAST, NAB_FAST, 6.05), (SLOW, NAB_SLOW, 10.65)):
        boost = abs(chain(speed, head, taus).record_gain(10e3))
        assert 20 * np.log10(boost) == pytest.approx(wanted_db, abs=0.01)


# ---- noise ----

ALIKE = (11e-6, 0.5e-6)  # coating and separation
STANDARDS = {
    "15 NAB": (0.381, 50e-6, 3180e-6, 0.56, 0.04),
    "15 35 us": (0.381, 35e-6, 0.0, -1.98, -2.13),
    "7.5 70 us": (FAST, 70e-6, 0.0, 2.54, 2.28),
    "3.75": (SLOW, *NAB_SLOW, 3.00, 3.19),
    "1.875": (0.047625, 120e-6, 3180e-6, 2.45, 3.41),
}


@pytest.mark.parametrize("name", STANDARDS)
def test_noise_against_that_at_7_5_ips(name):  # own, with the density of Mallinson
    speed, high, low, flat_db, a_db = STANDARDS[name]
    for weighting, wanted_db in (("unweighted", flat_db), ("A", a_db)):
        level = noise_level_db(speed, *ALIKE, high, low, weighting=weighting)
        reference = noise_level_db(FAST, *ALIKE, *NAB_FAST, weighting=weighting)
        assert level - reference == pytest.approx(wanted_db, abs=0.05)


@pytest.mark.parametrize(
    ("speed", "taus", "spectrum_db"),  # own, against 1 kHz at 31.5, 125, 4k, 8k, 16k
    [
        (FAST, NAB_FAST, (-4.3, 0.4, -0.1, 1.1, 2.5)),
        (SLOW, NAB_SLOW, (-3.7, 0.8, 0.9, 2.3, 2.8)),
        (0.381, NAB_FAST, (-5.1, -0.3, 1.5, 3.6, 5.8)),
    ],
)
def test_the_spectrum_of_the_noise(speed, taus, spectrum_db):
    frequency = np.array([1e3, 31.5, 125, 4e3, 8e3, 16e3])
    level = noise_density_db(frequency, speed, *ALIKE, *taus)
    assert level[1:] - level[0] == pytest.approx(spectrum_db, abs=0.06)


def test_long_waves_at_half_the_speed():
    step = noise_density_db(1.0, SLOW, *ALIKE) - noise_density_db(1.0, FAST, *ALIKE)
    assert step == pytest.approx(3.01, abs=0.01)


def test_what_a_weighting_takes_from_white_noise_and_from_tape():
    frequency = np.linspace(20, 20e3, 8001)
    white = 10 * np.log10(np.trapezoid(10 ** (a_weighting_db(frequency) / 10), frequency) / 19980)
    assert white == pytest.approx(-2.05, abs=0.01)
    for speed, taus, wanted_db in ((FAST, NAB_FAST, -2.74), (SLOW, NAB_SLOW, -2.55)):
        weighted, flat = (noise_level_db(speed, *ALIKE, *taus, weighting=w) for w in ("A", "unweighted"))
        assert weighted - flat == pytest.approx(wanted_db, abs=0.01)


@pytest.mark.parametrize(
    ("frequency", "level_db"),
    # Source: IEC 61672-1, table 3, rounded there to 0.1 dB
    [(31.5, -39.4), (63, -26.2), (125, -16.1), (250, -8.6), (500, -3.2), (1000, 0.0), (2000, 1.2),
     (4000, 1.0), (8000, -1.1), (16000, -6.6)],
)  # fmt: skip
def test_the_a_weighting_as_printed(frequency, level_db):
    exact = 1000 * 10 ** (0.1 * round(10 * np.log10(frequency / 1000)))  # the table means the exact thirds
    assert a_weighting_db(exact) == pytest.approx(level_db, abs=0.051)
