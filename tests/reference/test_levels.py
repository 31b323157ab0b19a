"""Levels, tracks and exposure against published values, each with its source beside it."""

import math

import pytest

from tapecalc.calc import levels

MM, MINUTES, HOURS = 1e-3, 60, 3600

NJC = "Canadian NJC directive, 87 dB(A) for 8 h"
SCENIHR = "SCENIHR 2008, table 3"


# Source: definition, 1 mW in 600 ohm; E. Sengpiel, audio level page, printed 0.77459667 V.
def test_0_dbu_is_the_voltage_of_1_mw_in_600_ohm():
    assert levels.dbu_to_volts(0) == pytest.approx(0.77459667, abs=1e-8)
    assert levels.dbu_to_volts(0) ** 2 / 600 == pytest.approx(1e-3, rel=1e-12)


# Source: definition; J. Vautin, +4 dBu and -10 dBV, 2009 (jeffvautin.com).
def test_0_dbv_is_1_volt():
    assert levels.dbv_to_volts(0) == 1
    assert levels.volts_to_dbv(1) == 0


# Sources in the last column.
@pytest.mark.parametrize(
    ("dbu", "volts", "tolerance", "source"),
    [
        (4, 1.22765, 1e-5, "definition"),
        (4, 1.228, 0.0005, "wiki on dBV and dBu (controlbooth.com), as printed"),
        (6, 1.5455, 1e-4, "definition"),
        (6, 1.55, 0.005, "E. Sengpiel, audio level page, as printed"),
        (8, 1.9457, 1e-4, "definition"),
        (8, 1.95, 0.005, "textbook chapter 20 (taylorfrancis 9780080963228), as printed"),
        (-7.7815, 0.316228, 1e-5, "E. Sengpiel, audio level page, -10 dBV, printed 0.3162 V and -7.78 dBu"),
    ],
)
def test_published_voltages(dbu, volts, tolerance, source):
    assert levels.dbu_to_volts(dbu) == pytest.approx(volts, abs=tolerance), source
    assert levels.volts_to_dbu(levels.dbu_to_volts(dbu)) == pytest.approx(dbu, abs=1e-9)


# Source: E. Sengpiel, audio level page.
def test_minus_10_dbv_in_volts_and_dbu():
    assert levels.dbv_to_volts(-10) == pytest.approx(0.316228, abs=1e-6)
    assert levels.dbv_to_dbu(-10) == pytest.approx(-7.7815, abs=1e-4)


# Source: article on +4 dBu and -10 dBV, 2009 (printed 1.8).
def test_plus_4_dbu_in_dbv():
    assert levels.dbu_to_dbv(4) == pytest.approx(1.7815, abs=1e-4)
    assert levels.dbu_to_dbv(4) == pytest.approx(1.8, abs=0.05)


# Source: wiki on dBV and dBu (controlbooth.com), printed 11.78.
def test_between_the_studio_and_the_domestic_level_are_11_78_db():
    assert levels.headroom_db(4, levels.dbv_to_dbu(-10)) == pytest.approx(11.7815, abs=1e-4)


# Source: E. Sengpiel, audio level page (printed 2.2).
def test_the_same_voltage_reads_2_2185_higher_in_dbu():
    assert levels.volts_to_dbu(0.5) - levels.volts_to_dbv(0.5) == pytest.approx(2.2185, abs=1e-4)


# Source: derived from the definition: 0.775 V is a rounded number.
def test_the_rounded_reference_of_0_775_volts_is_not_0_dbu():
    assert levels.volts_to_dbu(0.775) == pytest.approx(0.0045, abs=0.0005)


# Source: The Dilettante's Dictionary, magnetic recording tape (dilettantesdictionary.org), printed 3 dB.
def test_twice_the_track_width_is_3_db_quieter():
    assert levels.track_snr_db(2 * 1.1 * MM, 1.1 * MM) == pytest.approx(3, abs=0.02)
    assert levels.track_snr_db(2 * 1.1 * MM, 1.1 * MM) == pytest.approx(3.0103, abs=1e-4)


# Source: rule as above; widths from Berechnung der Spaltneigungsdaempfung, www.test-tape.com.
@pytest.mark.parametrize(
    ("reference", "width", "db"), [(6.25, 2.75, -3.566), (6.25, 2.1, -4.737), (2.1, 1.1, -2.808)]
)
def test_narrow_tracks_are_noisier(reference, width, db):
    assert levels.track_snr_db(width * MM, reference * MM) == pytest.approx(db, abs=0.001)
    assert levels.track_noise_db(width * MM, reference * MM) == pytest.approx(db, abs=0.001)


# Source: derived: flux adds in step, noise in power.
def test_half_the_track_width_halves_the_voltage_and_the_power_of_the_noise():
    assert levels.track_signal_db(1.0 * MM, 2.0 * MM) == pytest.approx(-6.02, abs=0.01)
    assert levels.track_noise_db(1.0 * MM, 2.0 * MM) == pytest.approx(-3.01, abs=0.01)


# Source: NIOSH recommended exposure limit, 3 dB exchange (stored copy of a CDC page); the rows beyond
# 100 dB(A) are derived with t = 480 min / 2^((L - 85)/3).
@pytest.mark.parametrize(
    ("level_dba", "minutes", "tolerance"),
    [
        (85, 480, 1e-9),
        (88, 240, 1e-9),
        (91, 120, 1e-9),
        (94, 60, 1e-9),
        (97, 30, 1e-9),
        (100, 15, 1e-9),
        (103, 7.5, 0.001),
        (106, 3.75, 0.001),
        (110, 1.488, 0.001),
        (115, 0.469, 0.001),
    ],
)
def test_niosh_exposure(level_dba, minutes, tolerance):
    assert levels.allowed_exposure(level_dba) / MINUTES == pytest.approx(minutes, abs=tolerance)


# Source: OSHA permissible exposure limit, 5 dB exchange (same CDC page).
def test_osha_allows_8_hours_at_90_and_half_of_it_5_db_above():
    osha = {"criterion_dba": 90, "exchange_db": 5}
    assert levels.allowed_exposure(90, **osha) == 8 * HOURS
    assert levels.allowed_exposure(95, **osha) == 4 * HOURS
    assert levels.allowed_exposure(90) < levels.allowed_exposure(90, **osha)


# Source: ITU-T H.870, from memory: 80 dB(A) for 40 h a week, which are five days of 8 h.
@pytest.mark.parametrize(("level_dba", "hours_a_week"), [(89, 5.000), (100, 23.6 / 60)])
def test_what_a_player_may_do_in_a_week(level_dba, hours_a_week):
    allowed = 5 * levels.allowed_exposure(level_dba, criterion_dba=80)
    assert allowed / HOURS == pytest.approx(hours_a_week, abs=1e-3)


# Source: Directive 2003/10/EC, article 3.
@pytest.mark.parametrize("level_dba", [87, 85, 80])  # limit, upper and lower action
def test_european_daily_limits(level_dba):
    assert levels.daily_exposure_dba([level_dba], [8 * HOURS]) == pytest.approx(level_dba, rel=1e-12)


# Source: SCENIHR 2008, table 3; a printed 1-minute entry is rounded down, hence its wider tolerance.
@pytest.mark.parametrize(
    ("criterion_dba", "minutes", "level_dba", "tolerance", "source"),
    [
        (80, 240, 83, 0.25, SCENIHR),
        (80, 120, 86, 0.25, SCENIHR),
        (80, 60, 89, 0.25, SCENIHR),
        (80, 30, 92, 0.25, SCENIHR),
        (80, 15, 95, 0.25, SCENIHR),
        (80, 8, 98, 0.25, SCENIHR),
        (80, 4, 101, 0.25, SCENIHR),
        (80, 2, 104, 0.25, SCENIHR),
        (80, 1, 107, 0.25, SCENIHR),
        (85, 15, 100, 0.25, SCENIHR),
        (85, 5, 105, 0.25, SCENIHR),
        (85, 1, 111, 0.85, SCENIHR),
        (87, 15, 102, 0.25, SCENIHR),
        (87, 5, 107, 0.25, SCENIHR),
        (87, 1, 113, 0.85, SCENIHR),
        (85, 15, 100.05, 0.005, "derived, equal energy"),
        (85, 5, 104.82, 0.005, "derived, equal energy"),
        (85, 1, 111.81, 0.005, "derived, equal energy"),
        (87, 15, 102.05, 0.005, "derived, equal energy"),
        (87, 5, 106.82, 0.005, "derived, equal energy"),
        (87, 1, 113.81, 0.005, "derived, equal energy"),
        (80, 240, 83.01, 0.005, "derived, equal energy"),
        (80, 1, 106.81, 0.005, "derived, equal energy"),
    ],
)
def test_european_equivalents(criterion_dba, minutes, level_dba, tolerance, source):
    equal_energy_db = 10 * math.log10(2)  # Source: ISO 1999 (from memory)
    allowed = levels.allowed_level_dba(
        minutes * MINUTES, criterion_dba=criterion_dba, exchange_db=equal_energy_db
    )
    assert allowed == pytest.approx(level_dba, abs=tolerance), source
    # The same by the other road: that level for that time is the criterion over 8 hours.
    assert levels.daily_exposure_dba([allowed], [minutes * MINUTES]) == pytest.approx(criterion_dba, abs=1e-9)


# Sources in the last column.
@pytest.mark.parametrize(
    ("level_dba", "hours", "tolerance", "source"),
    [
        (85, 13, 0.35, NJC),
        (90, 4.0, 0.005, NJC),
        (93, 2.0, 0.005, NJC),
        (96, 1.0, 0.005, NJC),
        (100, 0.40, 0.005, NJC),
        (85, 12.70, 0.005, "derived, 3 dB exchange"),
        (90, 4, 1e-9, "derived, 3 dB exchange"),
        (93, 2, 1e-9, "derived, 3 dB exchange"),
        (96, 1, 1e-9, "derived, 3 dB exchange"),
        (100, 0.397, 0.0005, "derived, 3 dB exchange"),
    ],
)
def test_canadian_exposure(level_dba, hours, tolerance, source):
    allowed = levels.allowed_exposure(level_dba, criterion_dba=87)
    assert allowed / HOURS == pytest.approx(hours, abs=tolerance), source


# Source: scipy: harmonics of S tanh(A sin / S) by quadrature; A for 3 % of the third, and what comes out.
def test_the_level_that_fills_the_tape_is_4_824_db_above_that_of_3_percent_distortion():
    import numpy as np
    from scipy.integrate import quad
    from scipy.optimize import brentq

    def harmonic(number, drive):
        wave = quad(lambda x: np.tanh(drive * np.sin(x)) * np.sin(number * x), 0, np.pi, epsabs=1e-12)[0]
        return 2 / np.pi * wave

    drive = brentq(lambda a: abs(harmonic(3, a) / harmonic(1, a)) - 0.03, 0.1, 2)
    assert drive == pytest.approx(0.62879, abs=1e-5)
    assert pytest.approx(-20 * math.log10(harmonic(1, drive)), abs=0.0005) == levels.FULL_ABOVE_MOL_DB
