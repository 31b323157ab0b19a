"""Why short waves fade: gap, contact, standard equalization, and pass after pass."""

from dataclasses import asdict
from typing import Any

from tapecalc.calc import levels, response, standards
from tapecalc.calc.units import from_si, to_si
from tapecalc.course.deck import DECK, FAST, FASTEST_IPS, SLOW, SLOWEST_IPS
from tapecalc.course.exercise import Exercise, Guess, Question
from tapecalc.panels.panel import Panel

PROBE = 10e3  # the frequency that the exercises speak of, Hz
UM = "\N{MICRO SIGN}m"
_PASS = DECK.one_pass(FAST, pole_shape="flat")
_SHARE = _PASS.today.surface_share

#: What the panels of this lesson know of the bench deck and the trade, SI but where a name says its unit.
FACTS: dict[str, Any] = {
    "speed_ips": round(from_si(FAST, "ips"), 6),
    "speed_range_ips": [SLOWEST_IPS, FASTEST_IPS],
    "pass": asdict(_PASS),
    "spacing": DECK.spacings[0],
    "tape_length": DECK.tape.length_m,
    "equalizations": {
        name: [standard.tau_high, standard.tau_low] for name, standard in standards.EQUALIZATIONS.items()
    },
    "first_standards": ["NAB 7.5 ips", "IEC1 7.5 ips"],
    "bumps": {"none": "flat", "likely": "blocks", "at most": "plates"},
}


def pattern_panel() -> Panel:
    """Return the panel of a tone on tape that passes the gap, and of the gap loss."""
    return Panel("wavelength", "patternPanel", FACTS)


def contact_panel() -> Panel:
    """Return the panel of gap, spacing, thickness and azimuth loss, each with its slider, and their sum."""
    return Panel("wavelength", "contactPanel", FACTS)


def equalization_panel() -> Panel:
    """Return the panel of a tape recorded to one standard and played to another."""
    return Panel("wavelength", "equalizationPanel", FACTS)


def passes_panel() -> Panel:
    """Return the panel of one pass and many, with what the speed costs."""
    return Panel("wavelength", "passesPanel", FACTS)


# ---- exercises ----

#: The prediction: 10 kHz at the fast speed; a guess may be a quarter off.
_ten_um = from_si(response.wavelength(10e3, FAST), "um")
first_guess = Guess(_ten_um, UM, tolerance_percent=25).hints(
    "In one second 190.5 mm of tape pass, and ten thousand waves must fit into them.",
    (_ten_um / 2, "That is its length at the slow speed."),
    ((1000, None), "Longer than a millimeter? Ten thousand of them must fit into 190.5 mm of tape."),
)


def _length(frequency_hz: float, speed_ips: float) -> Exercise:
    """Ask how long one wave of a tone is on the tape."""
    speed = to_si(speed_ips, "ips")
    wave = response.wavelength(frequency_hz, speed)
    return Exercise(from_si(wave, "um"), UM).hints(
        "Speed in meters per second first, then divide by the frequency.",
        (frequency_hz / speed, "You divided frequency by speed, which counts the waves on a meter of tape."),
        (
            from_si(wave, "mil"),
            "In thousandths of an inch that is right; there are 25.4 micrometers in each.",
        ),
    )


length = _length(1e3, 15)
length_again = Question(
    "A tone of {frequency_hz:g} Hz at {speed_ips:g} ips: how long is one wave on the tape, in micrometers?",
    _length,
    "Speed over frequency: {speed_ips:g} times 25.4 millimeters a second by {frequency_hz:g}: {answer}.",
    {"frequency_hz": (600, 2000, 4000, 6000, 8000), "speed_ips": (3.75, 7.5, 15)},
)

#: The first null of a gap of a quarter mil at the fast speed.
_null_khz = from_si(response.gap_null_frequency(FAST, to_si(6.35, "um")), "khz")
null = Exercise(_null_khz, "kHz").hints(
    "The gap cancels the tone whose wavelength is the effective gap, 1.11 times the gap.",
    (1.11 * _null_khz, "You took the measured gap; the head acts as if it were 1.11 times as long."),
    (1.11**2 * _null_khz, "The factor makes the gap longer, so the null comes earlier: divide by it."),
    (_null_khz / 2, "There the gap holds half a wave; the tone that it cancels fits in once."),
)

#: What fluff under the head costs.
_coat_db = response.thickness_loss_db(15e3, FAST, to_si(2.5, "um"), surface_share=_SHARE)
fluff = Exercise(response.spacing_loss_db(15e3, FAST, to_si(2.5, "um")), "dB").hints(
    "54.6 dB are lost for each wavelength of distance: which part of a wavelength is the fluff?",
    (response.spacing_loss_db(15e3, SLOW, to_si(2.5, "um")), "That is the loss at the slow speed."),
    (_coat_db, "That is the loss by a coating of that thickness; the whole head is away from the tape here."),
)

#: The tilt that cancels 10 kHz on a full track.
_tilt = response.azimuth_null_angle(10e3, FAST, to_si(6.25, "mm"))
tilt = Exercise(from_si(_tilt, "arcmin"), "arcmin").hints(
    "One edge must lag behind the other by a whole wavelength, over the width of the track.",
    (from_si(_tilt, "deg"), "That is the angle in degrees; a degree has 60 minutes of arc."),
    (_tilt, "That is the angle in radians."),
    ((31, 35), "That is for the bench deck's narrow track; this one is full width."),
)


def _corner(tau_us: float) -> Exercise:
    """Ask for the corner of a time constant."""
    tau = to_si(tau_us, "us")
    return Exercise(response.transition_frequency(tau), "Hz").hints(
        "Frequency is one over 2 pi times the time constant, in seconds.",
        (1 / tau, "One over the time constant counts radians a second; a turn is 2 pi of them."),
        (response.transition_frequency(to_si(50, "us")), "That is the corner of 50 microseconds."),
    )


corner = _corner(70)
corner_again = Question(
    "An equalizer has a time constant of {tau_us:g} µs: at which frequency, in Hz, has its curve bent away "
    "by 3 dB?",
    _corner,
    "One over 2 pi times the time constant, {tau_us:g} millionths of a second: {answer}.",
    {"tau_us": (17.5, 25, 35, 90, 100, 120, 140, 200)},
)

#: What the record equalizer must lift at the fast speed, on the day of alignment.
_LOST_DB, _PLAYED_DB = (
    response.contact_loss_db(PROBE, FAST, _PASS.aligned),
    -response.equalization_db(PROBE, _PASS.tau_high, _PASS.tau_low),
)
lift = Exercise(-_LOST_DB - _PLAYED_DB, "dB", tolerance_percent=3).hints(
    "What is lost must come back; the playback equalizer brings a part of it.",
    (-_LOST_DB, "That is what both equalizers together must lift; the playback equalizer does its part."),
    (
        _PLAYED_DB - _LOST_DB,
        "You added the two: the playback equalizer lifts as well, so less is left to do.",
    ),
)

#: The lowest bump of poles of 4 mm at the slow speed.
bump = Exercise(0.716 * SLOW / to_si(4, "mm"), "Hz", tolerance_percent=1).hints(
    "Which wave is 4 mm / 0.72 long, and which tone is so long at the slow speed?",
    (
        0.716 * FAST / to_si(4, "mm"),
        "That is the bump at the fast speed; the slow one has it an octave lower.",
    ),
    (SLOW / to_si(4, "mm"), "There one wave is as long as the poles; the bump is where 0.72 of one is."),
    (
        SLOW / 0.716 / to_si(4, "mm"),
        "You divided by 0.72: the wave is longer than the poles, the tone lower.",
    ),
)

#: The hiss of eight passes over that of one.
hiss = Exercise(levels.sum_power_db([0.0] * 8), "dB").hints(
    "Eight is one doubled three times, and each doubling of the power is 3 dB.",
    (8 * 3.0103, "You added 3 dB for each pass; hiss gains 3 dB only when the passes double."),
    (7 * 3.0103, "You added 3 dB for each further pass; hiss gains 3 dB only when the passes double."),
    (8, "Hiss powers add, eight equal ones make eight times the power; now say that in decibels."),
)
