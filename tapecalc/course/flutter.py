"""How a wobble of the speed bends a repeat, and which part bends it."""

from dataclasses import asdict
from typing import Any

import numpy as np

from tapecalc.calc import standards
from tapecalc.calc.flutter import forced_wobble, null_rates, repeat_deviation, weighting_db
from tapecalc.calc.units import db_to_amplitude, from_si, ratio_to_cents
from tapecalc.course.deck import DECK, FAST, FASTEST_IPS, SLOW, SLOWEST_IPS
from tapecalc.course.exercise import Exercise, Guess, Question
from tapecalc.panels.panel import Panel
from tapecalc.plan import HELD_NOTE

#: What the panels know of the bench deck and of the standard meter.
FACTS: dict[str, Any] = {
    "delay_ms": round(from_si(DECK.delays(FAST)[0], "ms")),
    "spacing_mm": round(from_si(DECK.spacings[0], "mm"), 3),
    "speed_ips": round(from_si(FAST, "ips"), 6),
    "speed_range_ips": [SLOWEST_IPS, FASTEST_IPS],
    "capstan_mm": round(from_si(DECK.capstan_diameter, "mm"), 3),
    "reel_mm": round(from_si(max(part.reel_radius or 0 for part in DECK.turning_parts), "mm"), 3),
    "held_hz": HELD_NOTE,
    "parts": [{**asdict(part), "kind": part.kind_of_part} for part in DECK.turning_parts],
    "forced_at": FAST,
    "weighting": standards.FLUTTER_WEIGHTING,
    "coverage": standards.TWO_SIGMA_COVERAGE,
}


def wobble_panel() -> Panel:
    """Return the panel of one wobble: speed then and now, and the comb through which a repeat hears it."""
    return Panel("flutter", "wobblePanel", FACTS)


def parts_panel() -> Panel:
    """Return the panel of the bench deck's turning parts: how often, how deep, and what a meter reads."""
    return Panel("flutter", "partsPanel", FACTS)


# ---- exercises ----

_CAPSTAN = DECK.turning_parts[0]

#: The prediction: at most how many times the wobble the tenth repeat can bend.
first_guess = Guess(2, "", tolerance_percent=5).hints(
    "Only two moments count in the end: when the sound was first recorded, and now.",
    (10, "You let each pass add its wobble. But what one pass adds, does the next one leave it alone?"),
    (20, "You let each pass add twice the wobble; passes also take away what others added."),
    (1, "One pass alone compares two moments: fast while it was recorded, slow while it plays."),
    (np.sqrt(10), "So would ten wobbles grow that know nothing of each other. These are of one machine."),
)


def _cents(percent: float) -> Exercise:
    """Ask for the pitch of a deviation of speed."""
    tenfold = "Mind the decimal point: a percent is a hundredth."
    return Exercise(ratio_to_cents(1 + percent / 100), "cents").hints(
        "The pitch moves by 1200 log2(1 + e) cents; e is the deviation as a share, not in percent.",
        (ratio_to_cents(1 + percent / 10), tenfold),
        (12 * percent, "An octave is a ratio of 2, not a change of 100 %: take 1200 log2 of the ratio."),
        (ratio_to_cents(1 + percent), tenfold),
    )


cents = _cents(0.15)
cents_again = Question(
    "A machine runs {percent:g} % too fast for a moment: how many cents sharp is a note from a test tape "
    "just then?",
    _cents,
    "1200 log2 of 1 + {percent:g}/100: {answer}.",
    {"percent": (0.08, 0.12, 0.2, 0.25, 0.3, 0.4, 0.6, 0.8)},
)

#: Bend of a first repeat.
_degrees = 0.2 * np.sin(np.radians(np.pi * 0.375))
_bend_percent = from_si(repeat_deviation(0.001, 1.5, 0.25), "percent")
bend = Exercise(_bend_percent, "%").hints(
    "2 m |sin(pi fm T)|, with fm T = 1.5 x 0.25 turns.",
    (_bend_percent / 2, "You forgot the two in front of the sine."),
    (_degrees, "Your calculator counted in degrees: pi times turns is an angle in radians."),
    (0.2 * np.sin(0.375), "The pi went missing inside the sine."),
    (0.2 * abs(np.sin(2 * np.pi * 0.375)), "That is the second repeat: two delays, not one."),
)

#: The slowest wobble that leaves the echo steady at the slow speed.
_steady_hz = float(null_rates(DECK.delays(SLOW)[0], 3.0)[0])
steady_rate = Exercise(_steady_hz, "Hz").hints(
    "Recording and playback must meet the same speed: one whole wobble per delay.",
    (2 * _steady_hz, "That is the rate at the fast speed: mind the delay."),
    (_steady_hz / 2, "There the wobble goes half round in a delay, and the bend is at its largest."),
    (DECK.delays(SLOW)[0], "That is the delay in seconds; how often does it fit into one?"),
)

#: Where to put the playback head so that the capstan is not heard.
_deaf_mm, _bare_mm = from_si(2 * _CAPSTAN.turn_length, "mm"), 2 * np.pi * from_si(_CAPSTAN.diameter, "mm")
deaf_spacing = Exercise(_deaf_mm, "mm", tolerance_percent=0.2).hints(
    "A whole number of turns of the capstan must pass between the heads.",
    (_bare_mm, "Almost: the tape bends about its middle, so add its thickness to the diameter."),
    (_deaf_mm / 2, "That is one turn, in front of where the head stands now: the next one is asked for."),
    (1.5 * _deaf_mm, "That is three turns; the next one beyond 41.5 mm is nearer."),
)

#: What a meter reads of a sine of 0.1 % at 20 Hz.
_twenty_percent = 0.1 * db_to_amplitude(weighting_db(20.0)) * np.sin(np.pi / 2 * standards.TWO_SIGMA_COVERAGE)
meter = Exercise(float(_twenty_percent), "%", tolerance_percent=1.5).hints(
    "Decibels to a factor first: 10 to the power of -5.9/20. The two-sigma factor is close to 1.",
    (0.0997, "That is the reading at 4 Hz, where the weighting is 0 dB."),
    (0.1 * 10 ** (-5.9 / 10), "A deviation is an amplitude: divide the decibels by 20."),
    (0.1 / db_to_amplitude(-5.9), "The weighting takes away at 20 Hz; you let it add."),
)

#: A wobble that a pulsing force makes, at half the speed.
_forced_percent = 0.05 * forced_wobble(1.0, SLOW / FAST)
forced = Exercise(_forced_percent, "%").hints(
    "A flywheel at half the speed gives way twice as far in the same time, and the push lasts twice as long.",
    (
        _forced_percent / 2,
        "That would do for a push that keeps its own beat, as mains does; this one turns along.",
    ),
    (0.05, "That holds for a part out of round; a force has less of a flywheel against it."),
    (0.05 / 4, "The other way round: a slow flywheel resists less."),
)

#: Whose diameter belongs to a peak at the slow speed.
_diameter_mm = from_si(SLOW / (np.pi * 0.8) - DECK.tape_thickness, "mm")
culprit = Exercise(_diameter_mm, "mm").hints(
    "In one turn the tape runs speed over rate; that is pi times the diameter, nearly.",
    (2 * _diameter_mm, "That would be the roller at the fast speed."),
    (_diameter_mm / 2, "Diameter or radius? A caliper measures the diameter."),
    (from_si(SLOW / 0.8, "mm"), "That is how much tape passes in one turn: divide by pi."),
)
