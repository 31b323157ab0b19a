"""Every published constant once more, as it is printed at its source; one wrong digit fails here."""

import math

import pytest

from tapecalc.calc import standards

# Source: IASA-TC 04, Guidelines on the Production and Preservation of Digital Audio Objects, section 5.4,
# table 1: tape speed in inches per second, bass and treble time constant in microseconds.
IASA = {
    "AES 30 ips": (30, math.inf, 17.5),
    "CCIR 30 ips": (30, math.inf, 35),
    "IEC1 15 ips": (15, math.inf, 35),
    "NAB 15 ips": (15, 3180, 50),
    "IEC1 7.5 ips": (7.5, math.inf, 70),
    "NAB 7.5 ips": (7.5, 3180, 50),
    "CCIR 7.5 ips before 1966": (7.5, math.inf, 100),
    "Home 7.5 ips 1967": (7.5, math.inf, 50),  # this and the two below second hand; their names are ours
    "NAB 3.75 ips": (3.75, 3180, 90),
    "DIN 3.75 ips 1962": (3.75, 3180, 120),
    "IEC 3.75 ips 1962-1968": (3.75, 3180, 140),
    "DIN 3.75 ips 1955-1961": (3.75, math.inf, 200),
    "Home 3.75 ips 1967": (3.75, math.inf, 100),
    "Home 3.75 ips 1953-1958": (3.75, 3180, 200),
}  # Left out: the table's open-reel rows for 1.875 ips, as their printed values were not seen.
# Source: IEC 60094-7, as quoted in articles on cassettes (gammaelectronics.xyz, April 1990): 120 and 70 us.
CASSETTES = {"Cassette type I": (1.875, 3180, 120), "Cassette types II and IV": (1.875, 3180, 70)}


@pytest.mark.parametrize(("name", "printed"), [*IASA.items(), *CASSETTES.items()])
def test_time_constants(name, printed):
    ips, low_us, high_us = printed
    entry = standards.EQUALIZATIONS[name]
    assert entry.name == name
    assert entry.speed == pytest.approx(ips * 0.0254, rel=1e-12)
    assert (entry.tau_low or math.inf) == pytest.approx(low_us * 1e-6, rel=1e-12)
    assert entry.tau_high == pytest.approx(high_us * 1e-6, rel=1e-12)
    assert entry.source.startswith("IASA-TC 04" if name in IASA else "IEC 60094-7")


def test_no_equalization_is_without_its_printed_row():
    assert set(standards.EQUALIZATIONS) == {*IASA, *CASSETTES}
    assert all(
        (entry.tau_low is None) == math.isinf({**IASA, **CASSETTES}[name][1])
        for name, entry in standards.EQUALIZATIONS.items()
    )


def test_nominal_speeds():
    # Source: IEC 60094-1:1981 Amd 1:1994 clause 10; NAB 1965
    assert standards.SPEEDS_IPS == (30, 15, 7 + 1 / 2, 3 + 3 / 4, 1 + 7 / 8, 15 / 16, 15 / 32)


def test_first_gap_null():
    # Source: J. Eargle, Electroacoustical Reference Data, 1994, ch. 167
    assert standards.DEFAULT_GAP_FACTOR == 1.11


def test_flutter_tone():
    # Source: AES6-2008; IEC 60386:1972: 3150 Hz
    assert standards.FLUTTER_TONE == 3150


def test_share_of_time_within_two_sigma():
    # Source: table of the normal distribution, 95.44997 %
    assert pytest.approx(0.9544997, abs=5e-8) == standards.TWO_SIGMA_COVERAGE


def test_flutter_weighting():
    # Source: AES6-2008 = IEC 60386 = DIN 45507, from memory
    hertz = "0.1 0.2 0.315 0.4 0.63 0.8 1 1.6 2 4 6.3 10 20 40 63 100 200"
    decibels = "48.0 30.6 19.7 15.0 8.4 6.0 4.2 1.8 0.9 0.0 0.9 2.1 5.9 10.4 14.2 17.3 23.0"
    printed = zip(map(float, hertz.split()), map(float, decibels.split()), strict=True)
    assert list(standards.FLUTTER_WEIGHTING) == [(rate, -loss) for rate, loss in printed]


def test_flutter_limit():
    # Source: DIN 45 500 sheet 4: 0.2 %, weighted
    assert {"hi-fi": pytest.approx(0.2 / 100, rel=1e-12)} == standards.FLUTTER_LIMITS


def test_polyester_film():
    # Source: data bulletin H-37232 on polyester film: 490 kg/mm2, density 1.390; 1 kg weighs 9.80665 N
    assert pytest.approx(490 * 9.80665 / 1e-6, rel=1e-12) == standards.PET_MODULUS
    assert standards.PET_DENSITY == 1.390 * 1000


@pytest.mark.parametrize(
    ("name", "millimeters", "source"),
    [
        ("full track", 6.25, "Berechnung der Spaltneigungsdaempfung, www.test-tape.com"),
        ("half track, DIN studio", 2.75, "Berechnung der Spaltneigungsdaempfung, www.test-tape.com"),
        ("half track, NAB", 0.082 * 25.4, "ARSC list, March 2004: 0.082 in"),
        ("half track, domestic", 2.1, "Berechnung der Spaltneigungsdaempfung, www.test-tape.com"),
        ("quarter track", 1.1, "Berechnung der Spaltneigungsdaempfung, www.test-tape.com"),
    ],
)
def test_track_widths(name, millimeters, source):
    assert standards.TRACK_WIDTHS[name] == pytest.approx(millimeters * 1e-3, rel=1e-12), source
    assert len(standards.TRACK_WIDTHS) == 5


def test_voltage_of_0_dbu():
    # Source: definition, 1 mW in 600 ohm
    assert pytest.approx(1e-3, rel=1e-12) == standards.DBU_VOLTS**2 / 600


def test_alignment_level():
    # Source: EBU R 68, from memory: 18 dB below full scale
    assert standards.ALIGNMENT_LEVEL_DBFS == -18


def test_just_noticeable_shift_in_a_pulse():
    # Source: A. Friberg & J. Sundberg, Time discrimination in a monotonic, isochronous sequence,
    # J. Acoust. Soc. Am. 98, 1995: 6 ms below 240 ms, 2.5 % above
    assert pytest.approx(6e-3, rel=1e-12) == standards.TIMING_FLOOR
    assert pytest.approx(2.5 / 100, rel=1e-12) == standards.TIMING_FRACTION


def test_just_noticeable_change_of_tempo():
    # Source: Tempo sensitivity in auditory sequences: evidence for a multiple-look model, 1993:
    # 6, 4, 3.2 and 3 % for 1, 2, 4 and 6 intervals
    assert standards.TEMPO_THRESHOLDS == ((1, 6 / 100), (2, 4 / 100), (4, 3.2 / 100), (6, 3 / 100))


def test_echoes_that_fuse():
    # Sources: B. Rakerd, J. Hsu, W. M. Hartmann, abstract, 1997: clicks, 0.5 to 5 ms;
    # H. Wallach, E. B. Newman, M. R. Rosenzweig, 1949: speech and piano, 40 ms
    assert standards.CLICK_FUSION_LIMIT == 5e-3
    assert standards.FUSION_LIMIT == 40e-3


def test_longest_slap():
    # common practice, no source: a quarter of a second
    assert standards.SLAP_LIMIT == 1 / 4


def test_exposure():
    # Source: NIOSH recommended exposure limit: 85 dB(A) for 8 h, 3 dB exchange
    assert standards.EXPOSURE_LIMIT_DBA == 85
    assert standards.EXPOSURE_LIMIT_TIME == 8 * 60 * 60
    assert standards.EXPOSURE_EXCHANGE_DB == 3


def test_magnetization_at_the_surface():
    # Source: O. Tjaden 1959, as told by J. McKnight, Calculating the wavelength response, 2017, abstract
    assert standards.DEFAULT_SURFACE_SHARE == 20 / 100


def test_response_of_a_machine_for_the_home():
    # Source: DIN 45 500 sheet 4: 40 Hz to 12.5 kHz within 7 dB, 250 Hz to 6.3 kHz of them within 5 dB
    assert standards.HOME_BAND == (40, 12_500)
    assert standards.HOME_MIDDLE == (250, 6_300)
    assert standards.HOME_WINDOWS_DB == (5, 7)


def test_just_noticeable_lag_among_instruments():
    # Source: Just noticeable difference thresholds of asynchrony and non-isochrony in a multi-instrumental
    # groove-based context, preprint, abstract: drums 19 to 24 ms, bass and guitar 31 to 35 ms
    assert standards.ENSEMBLE_THRESHOLDS == {"sharp line": 20e-3, "soft line": 35e-3}
    sharp, soft = standards.ENSEMBLE_THRESHOLDS.values()
    assert 19e-3 <= sharp <= 24e-3 and 31e-3 <= soft <= 35e-3


def test_reference_flux_of_machines_for_the_home():
    # Source: data sheet of a long-play studio tape: 320 nWb/m at 7.5 ips, 250 at 3.75
    fluxes = [standards.usual_reference_flux(ips * 0.0254) for ips in (7.5, 3.75)]
    assert fluxes == pytest.approx([320e-9, 250e-9], rel=1e-12)
