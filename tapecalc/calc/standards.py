"""Published constants, each written down once, with the place it comes from.

A value carries its source in the comment or field beside it. `from memory`
marks what was not seen in print, `common practice` what the trade does without
a document to point at.
"""

import math
from typing import NamedTuple

from tapecalc.calc.quantity import known_name
from tapecalc.calc.units import to_si

#: Nominal tape speeds in inches per second, a geometric series of ratio 2.
#: Source: IEC 60094-1:1981 Amd 1:1994 clause 10; NAB 1965.
SPEEDS_IPS = (30.0, 15.0, 7.5, 3.75, 1.875, 0.9375, 0.46875)


class Equalization(NamedTuple):
    """One recording standard: the flux a recorder must put on tape at one speed.

    `tau_low` is None where the standard has no bass time constant (an infinite one).
    """

    name: str
    speed: float  # m/s
    tau_low: float | None  # s
    tau_high: float  # s
    source: str


_IASA = "IASA-TC 04, table 1 of section 5.4"
_CASSETTE = "IEC 60094-7"

_EQUALIZATION_TABLE = (  # name, ips, bass and treble time constant in microseconds
    ("AES 30 ips", 30, None, 17.5, _IASA),
    ("CCIR 30 ips", 30, None, 35, _IASA),
    ("IEC1 15 ips", 15, None, 35, _IASA),
    ("NAB 15 ips", 15, 3180, 50, _IASA),
    ("IEC1 7.5 ips", 7.5, None, 70, _IASA),
    ("NAB 7.5 ips", 7.5, 3180, 50, _IASA),
    ("CCIR 7.5 ips before 1966", 7.5, None, 100, _IASA),
    ("Home 7.5 ips 1967", 7.5, None, 50, _IASA),
    ("NAB 3.75 ips", 3.75, 3180, 90, _IASA),
    ("DIN 3.75 ips 1962", 3.75, 3180, 120, _IASA),
    ("IEC 3.75 ips 1962-1968", 3.75, 3180, 140, _IASA),
    ("DIN 3.75 ips 1955-1961", 3.75, None, 200, _IASA),
    ("Home 3.75 ips 1967", 3.75, None, 100, _IASA),
    ("Home 3.75 ips 1953-1958", 3.75, 3180, 200, _IASA),
    ("Cassette type I", 1.875, 3180, 120, _CASSETTE),
    ("Cassette types II and IV", 1.875, 3180, 70, _CASSETTE),
)

#: Recording standards by name.
EQUALIZATIONS = {
    name: Equalization(name, to_si(ips, "ips"), low and to_si(low, "us"), to_si(high, "us"), source)
    for name, ips, low, high, source in _EQUALIZATION_TABLE
}

#: The first null of a gap stands at a wavelength of this many gap lengths; others print 1.00 to 1.14.
#: Source: J. Eargle, Electroacoustical Reference Data, 1994, ch. 167.
DEFAULT_GAP_FACTOR = 1.11

#: Magnetization at the surface of a coating over that in its depth.
#: Source: O. Tjaden 1959, as told by J. McKnight, Calculating the wavelength response, 2017, abstract.
DEFAULT_SURFACE_SHARE = 0.2

#: Tone for flutter measurement, Hz. Source: AES6-2008; IEC 60386:1972.
FLUTTER_TONE = 3150.0

#: Share of the time that the two-sigma reading is not exceeded.
#: Source: erf(2/sqrt 2); the method of AES6-2008.
TWO_SIGMA_COVERAGE = math.erf(2 / math.sqrt(2))

#: Flutter weighting, (Hz, dB) pairs.
#: Source: AES6-2008 = IEC 60386 = DIN 45507, from memory: the standards themselves were not seen.
FLUTTER_WEIGHTING = (
    (0.1, -48.0),
    (0.2, -30.6),
    (0.315, -19.7),
    (0.4, -15.0),
    (0.63, -8.4),
    (0.8, -6.0),
    (1.0, -4.2),
    (1.6, -1.8),
    (2.0, -0.9),
    (4.0, 0.0),
    (6.3, -0.9),
    (10.0, -2.1),
    (20.0, -5.9),
    (40.0, -10.4),
    (63.0, -14.2),
    (100.0, -17.3),
    (200.0, -23.0),
)

#: Response of a machine for the home: the whole band and its middle, Hz, and how far levels may differ in
#: the middle and outside, dB. Source: DIN 45 500 sheet 4.
HOME_BAND, HOME_MIDDLE, HOME_WINDOWS_DB = (40.0, 12.5e3), (250.0, 6300.0), (5.0, 7.0)

#: Largest weighted peak flutter, as a fraction (0.001 is 0.1 %). Source: DIN 45 500 sheet 4.
FLUTTER_LIMITS = {"hi-fi": 0.0020}

#: Polyester tape along its length: modulus of elasticity, Pa, and density, kg/m3.
#: Source: data bulletin H-37232 on polyester film (490 kg/mm2; the same sheet's 710 kpsi is 1.9 % more).
PET_MODULUS = 490 * 9.80665e6
PET_DENSITY = 1390.0

#: Width of one track, m. Sources: Berechnung der Spaltneigungsdaempfung, www.test-tape.com (full, DIN,
#: domestic half, quarter); ARSC list, March 2004, for NAB (0.082 in).
TRACK_WIDTHS = {
    "full track": to_si(6.25, "mm"),
    "half track, DIN studio": to_si(2.75, "mm"),
    "half track, NAB": to_si(0.082, "in"),
    "half track, domestic": to_si(2.1, "mm"),
    "quarter track": to_si(1.1, "mm"),
}

#: 0 dBu in volts: 1 mW in 600 ohm. Source: definition.
DBU_VOLTS = math.sqrt(0.6)

#: Where a sine at alignment level stands under digital full scale, dB. Source: EBU R 68, from memory.
ALIGNMENT_LEVEL_DBFS = -18.0

#: Just noticeable shift of one event in a steady pulse: 6 ms below 240 ms, 2.5 % above.
#: Source: A. Friberg & J. Sundberg, J. Acoust. Soc. Am. 98, 1995.
TIMING_FLOOR = 0.006
TIMING_FRACTION = 0.025

#: How far an instrument may lag or lead others steadily, by its attacks, s. To 64 listeners were just
#: noticeable: 19 to 24 ms of kick drum, snare drum and hi-hat, 31 to 35 ms of bass and guitar.
#: Source: Just noticeable difference thresholds of asynchrony and non-isochrony in a multi-instrumental
#: groove-based context, preprint, abstract (authors not seen).
ENSEMBLE_THRESHOLDS = {"sharp line": 0.020, "soft line": 0.035}

#: Just noticeable change of tempo by number of equal intervals heard, (intervals, fraction).
#: Source: Tempo sensitivity in auditory sequences: evidence for a multiple-look model, 1993
#: (authors Drake & Botte from memory).
TEMPO_THRESHOLDS = ((1, 0.06), (2, 0.04), (4, 0.032), (6, 0.03))

#: Two clicks fuse into one up to about here, s.
#: Source: B. Rakerd, J. Hsu, W. M. Hartmann, abstract, Acoustical Society of America, 1997.
CLICK_FUSION_LIMIT = 0.005

#: A short echo is called a slap up to about here, s. Common practice, no source.
SLAP_LIMIT = 0.250

#: Echoes fuse with the sound up to about here, s (speech, piano).
#: Source: H. Wallach, E. B. Newman, M. R. Rosenzweig, 1949.
FUSION_LIMIT = 0.040

#: Recommended exposure limit: this level for this time, halved for each exchange step.
#: Source: NIOSH recommended exposure limit, 3 dB exchange.
EXPOSURE_LIMIT_DBA = 85.0
EXPOSURE_LIMIT_TIME = 8 * 3600.0
EXPOSURE_EXCHANGE_DB = 3.0


def equalization(name: str) -> Equalization:
    """Look up a recording standard by its name, a key of `EQUALIZATIONS`.

    >>> equalization("NAB 7.5 ips").speed
    0.1905
    """
    return EQUALIZATIONS[known_name("equalization", name, EQUALIZATIONS)]


#: Usual equalizations from the fastest speed to the slowest. Common practice, no source.
USUAL_EQUALIZATIONS = ("AES 30 ips", "NAB 15 ips", "NAB 7.5 ips", "NAB 3.75 ips", "Cassette type I")
#: Reference flux of open-reel machines for the home, Wb/m: at 7.5 ips and above, and below.
#: Source: data sheet of a long-play studio tape (320 nWb/m at 7.5 ips, 250 at 3.75).
USUAL_REFERENCE_FLUX = (320e-9, 250e-9)


def usual_equalization(speed: float) -> Equalization:
    """Give the equalization of `USUAL_EQUALIZATIONS` whose speed is nearest, by ratio.

    >>> usual_equalization(0.2).name
    'NAB 7.5 ips'
    """
    usual = (EQUALIZATIONS[name] for name in USUAL_EQUALIZATIONS)
    return min(usual, key=lambda entry: abs(math.log(entry.speed / speed)))


def usual_reference_flux(speed: float) -> float:
    """Give the reference flux that is usual at a speed, Wb/m."""
    return USUAL_REFERENCE_FLUX[usual_equalization(speed).speed < to_si(7, "ips")]
