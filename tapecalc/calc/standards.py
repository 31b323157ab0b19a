"""Published constants, each written down once, with the place it comes from.

A value carries its source in the comment or field beside it. `from memory`
marks what was not seen in print, `common practice` what the trade does without
a document to point at. The module holds data only; the rooms above compute.
"""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass

from tapecalc.calc.units import to_si

__all__ = [
    "ALIGNMENT_LEVEL_DBFS",
    "ANNOYING_FLUTTER",
    "BEST_TEMPO_THRESHOLD",
    "CLICK_FUSION_LIMIT",
    "DBU_VOLTS",
    "DEFAULT_GAP_FACTOR",
    "DISCRETE_ECHO",
    "EQUALIZATIONS",
    "EQUAL_ENERGY_EXCHANGE_DB",
    "EU_EXPOSURE_LIMITS_DBA",
    "EU_PEAK_PRESSURES",
    "EXPOSURE_EXCHANGE_DB",
    "EXPOSURE_LIMIT_DBA",
    "EXPOSURE_LIMIT_TIME",
    "FLUTTER_LIMITS",
    "FLUTTER_TONE",
    "FLUTTER_WEIGHTING",
    "FLUXIVITIES",
    "FUSION_LIMIT",
    "GAP_FACTORS",
    "OSHA_EXCHANGE_DB",
    "OSHA_LIMIT_DBA",
    "PET_DENSITY",
    "PET_MODULUS",
    "PITCH_THRESHOLDS",
    "REFERENCE_PRESSURE",
    "SLAP_LIMIT",
    "SPEECH_FUSION_LIMIT",
    "SPEEDS_IPS",
    "SPEED_LIMITS",
    "TAPE_CLASSES",
    "TEMPO_THRESHOLDS",
    "TIMING_FLOOR",
    "TIMING_FRACTION",
    "TRACK_WIDTHS",
    "TWO_SIGMA_COVERAGE",
    "UNWEIGHTED_FLUTTER_LIMITS",
    "Equalization",
    "TapeClass",
    "equalization",
]


#: Nominal tape speeds in inches per second, a geometric series of ratio 2.
#: Source: IEC 60094-1:1981 Amd 1:1994 clause 10; NAB 1965.
SPEEDS_IPS = (30.0, 15.0, 7.5, 3.75, 1.875, 0.9375, 0.46875)

#: Largest mean speed error, as a fraction.
#: Source: domestic, DIN 45 500 sheet 4 (mean over 30 s); studio, NAB 1965 (from memory).
SPEED_LIMITS = {"domestic": 0.015, "studio": 0.002}


@dataclass(frozen=True, kw_only=True)
class Equalization:
    """One recording standard: the flux a recorder must put on tape at one speed.

    `speed` in m/s; `tau_high` and `tau_low` in seconds, `tau_low` None where
    the standard has no bass time constant (an infinite one).
    """

    name: str
    speed: float
    tau_low: float | None
    tau_high: float
    source: str


def _equalization(name, speed_ips, tau_low_us, tau_high_us, source):
    return Equalization(
        name=name,
        speed=to_si(speed_ips, "ips"),
        tau_low=None if tau_low_us is None else to_si(tau_low_us, "us"),
        tau_high=to_si(tau_high_us, "us"),
        source=source,
    )


_IASA = "IASA-TC 04, table 1 of section 5.4"
_CASSETTE = "IEC 60094-7"

#: Recording standards by name. Sources stand in each entry.
EQUALIZATIONS = {
    entry.name: entry
    for entry in (
        _equalization("AES 30 ips", 30, None, 17.5, _IASA),
        _equalization("CCIR 30 ips", 30, None, 35, _IASA),
        _equalization("IEC1 15 ips", 15, None, 35, _IASA),
        _equalization("NAB 15 ips", 15, 3180, 50, _IASA),
        _equalization("IEC1 7.5 ips", 7.5, None, 70, _IASA),
        _equalization("NAB 7.5 ips", 7.5, 3180, 50, _IASA),
        _equalization("CCIR 7.5 ips before 1966", 7.5, None, 100, _IASA),
        _equalization("NAB 3.75 ips", 3.75, 3180, 90, _IASA),
        _equalization("DIN 3.75 ips 1962", 3.75, 3180, 120, _IASA),
        _equalization("IEC 3.75 ips 1962-1968", 3.75, 3180, 140, _IASA),
        _equalization("DIN 3.75 ips 1955-1961", 3.75, None, 200, _IASA),
        _equalization("Cassette type I", 1.875, 3180, 120, _CASSETTE),
        _equalization("Cassette types II and IV", 1.875, 3180, 70, _CASSETTE),
    )
}

#: First gap null stands at a wavelength of this many gap lengths.
#: Sources: plain formula; J. Eargle, Electroacoustical Reference Data, 1994, ch. 167;
#: J. C. Mallinson, Foundations of Magnetic Recording, 1993, pp. 95-96;
#: W. K. Westmijze, Philips Res. Rep. 8, 1953 (from memory).
GAP_FACTORS = {"plain": 1.00, "Eargle": 1.11, "Mallinson": 1.12, "Westmijze": 1.14}
DEFAULT_GAP_FACTOR = GAP_FACTORS["Eargle"]

#: Tone for flutter measurement, Hz. Source: AES6-2008; IEC 60386:1972.
FLUTTER_TONE = 3150.0

#: Most annoying flutter rate, Hz, where the weighting is 0 dB. Source: AES6-2008 abstract.
ANNOYING_FLUTTER = 4.0

#: Share of the time that the two-sigma reading is not exceeded.
#: Source: erf(2/sqrt 2); the method of AES6-2008.
TWO_SIGMA_COVERAGE = math.erf(2 / math.sqrt(2))

#: Flutter weighting, (Hz, dB) pairs.
#: Source: AES6-2008 = IEC 60386 = DIN 45507, as printed in a public measuring script.
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

#: Largest weighted peak flutter, as a fraction (0.001 is 0.1 %).
#: Sources: professional, IEC 60094-1 for 380 mm/s; hi-fi, DIN 45 500-4;
#: archive, P. Copeland, Manual of Analogue Sound Restoration Techniques, ch. 7.
FLUTTER_LIMITS = {"professional": 0.0010, "hi-fi": 0.0020, "archive": 0.0005}

#: Largest unweighted rms flutter by tape speed in inches per second, (speed, fraction).
#: Source: NAB 1965 (from memory).
UNWEIGHTED_FLUTTER_LIMITS = ((15.0, 0.0015), (7.5, 0.0020), (3.75, 0.0025))

#: Polyester tape along its length: modulus of elasticity, Pa, and density, kg/m3.
#: Source: PET film data bulletin H-37232 (490 kg/mm2; the same sheet's 710 kpsi is 1.9 % more).
PET_MODULUS = 490 * 9.80665e6
PET_DENSITY = 1390.0

#: Width of one track, m. Sources: test-tape know-how page on gap loss (full, DIN, domestic
#: half, quarter); NAB (0.082 in).
TRACK_WIDTHS = {
    "full track": to_si(6.25, "mm"),
    "half track, DIN studio": to_si(2.75, "mm"),
    "half track, NAB": to_si(0.082, "in"),
    "half track, domestic": to_si(2.1, "mm"),
    "quarter track": to_si(1.1, "mm"),
}


@dataclass(frozen=True, kw_only=True)
class TapeClass:
    """One class of quarter-inch tape: `thickness` and `length_on_7_inch` in meters."""

    name: str
    thickness: float
    length_on_7_inch: float
    source: str


_HESS = "R. Hess, tape timing chart; tape box charts"

#: Tape by total thickness and what a 7 in reel holds of it. Sources in the entries.
TAPE_CLASSES = {
    entry.name: entry
    for entry in (
        TapeClass(
            name=name,
            thickness=to_si(thickness_um, "um"),
            length_on_7_inch=to_si(length_ft, "ft"),
            source=_HESS,
        )
        for name, thickness_um, length_ft in (
            ("standard play", 50, 1200),
            ("long play", 35, 1800),
            ("double play", 25, 2400),
            ("triple play", 18, 3600),
        )
    )
}

#: 0 dBu in volts: 1 mW in 600 ohm. Source: definition.
DBU_VOLTS = math.sqrt(0.6)

#: Where a sine at alignment level stands under digital full scale, dB. Source: EBU R 68, from memory.
ALIGNMENT_LEVEL_DBFS = -18.0

#: Reference fluxivities in use, Wb/m. Source: a published table of reference levels.
FLUXIVITIES = tuple(n * 1e-9 for n in (185, 200, 250, 320, 355, 370, 514))

#: Just noticeable shift of one event in a steady pulse: 6 ms below 240 ms, 2.5 % above.
#: Source: A. Friberg & J. Sundberg, J. Acoust. Soc. Am. 98, 1995.
TIMING_FLOOR = 0.006
TIMING_FRACTION = 0.025

#: Just noticeable change of tempo by number of equal intervals heard, (intervals, fraction).
#: Source: Tempo sensitivity in auditory sequences: evidence for a multiple-look model, 1993
#: (authors Drake & Botte from memory).
TEMPO_THRESHOLDS = ((1, 0.06), (2, 0.04), (4, 0.032), (6, 0.03))

#: The best any listener does, at intervals of 0.3 to 0.8 s. Source: as `TEMPO_THRESHOLDS`.
BEST_TEMPO_THRESHOLD = 0.015

#: Two clicks fuse into one up to about here, s.
#: Source: B. Rakerd, J. Hsu, W. M. Hartmann, abstract, Acoustical Society of America, 1997.
CLICK_FUSION_LIMIT = 0.005

#: Running speech hides its echo up to about here, s. Source: as `CLICK_FUSION_LIMIT`.
SPEECH_FUSION_LIMIT = 0.050

#: A short echo is called a slap up to about here, s. Common practice, no source.
SLAP_LIMIT = 0.250

#: Echoes fuse with the sound up to about here, s (speech, piano).
#: Source: H. Wallach, E. B. Newman, M. R. Rosenzweig, 1949.
FUSION_LIMIT = 0.040

#: A discrete echo is heard from about here to there, s.
#: Source: F. A. Everest, Master Handbook of Acoustics, p. 75.
DISCRETE_ECHO = (0.050, 0.100)

#: Just noticeable steady pitch difference, (Hz, fraction).
#: Source: table in J. O. Smith, Spectral Audio Signal Processing (60 dB SPL).
PITCH_THRESHOLDS = (
    (62.0, 0.0346),
    (125.0, 0.0269),
    (250.0, 0.0098),
    (500.0, 0.0035),
    (1000.0, 0.0034),
    (2000.0, 0.0018),
    (4000.0, 0.0020),
)

#: Recommended exposure limit: this level for this time, halved for each exchange step.
#: Source: NIOSH recommended exposure limit, 3 dB exchange.
EXPOSURE_LIMIT_DBA = 85.0
EXPOSURE_LIMIT_TIME = 8 * 3600.0
EXPOSURE_EXCHANGE_DB = 3.0

#: Exchange step of the equal-energy rule: twice the time at half the power.
#: Source: ISO 1999 (from memory); 10 log10 2.
EQUAL_ENERGY_EXCHANGE_DB = 10 * math.log10(2)

#: The older rule of the United States, for contrast. Source: OSHA permissible exposure limit.
OSHA_LIMIT_DBA = 90.0
OSHA_EXCHANGE_DB = 5.0

#: Largest peak sound pressure, Pa, C-weighted. Source: Directive 2003/10/EC, article 3.
EU_PEAK_PRESSURES = {"lower action": 112.0, "upper action": 140.0, "limit": 200.0}

#: 0 dB sound pressure level, Pa. Source: definition, ISO 80000-8.
REFERENCE_PRESSURE = 20e-6

#: Daily exposure, dB(A). Source: Directive 2003/10/EC, article 3.
EU_EXPOSURE_LIMITS_DBA = {"lower action": 80.0, "upper action": 85.0, "limit": 87.0}


def equalization(name):
    """Look up a recording standard by its name.

    Parameters
    ----------
    name : str
        A key of `EQUALIZATIONS`, for example ``"NAB 7.5 ips"``.

    Returns
    -------
    Equalization
        Speed, time constants and source.

    Raises
    ------
    ValueError
        If there is no standard of that name; the nearest one is suggested.

    Notes
    -----
    Source: IASA-TC 04, table 1 of section 5.4; IEC 60094-7.
    Notebook: 02_wavelength.

    Examples
    --------
    >>> round(equalization("NAB 7.5 ips").tau_high * 1e6, 1)
    50.0
    """
    if name in EQUALIZATIONS:
        return EQUALIZATIONS[name]
    near = difflib.get_close_matches(str(name), EQUALIZATIONS, n=1)
    hint = f"did you mean {near[0]!r}?" if near else f"known: {', '.join(EQUALIZATIONS)}"
    raise ValueError(f"equalization {name!r} is not known; {hint}")
