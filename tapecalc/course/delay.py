"""What sets the delay, how sure it is, and what a change of speed does to the echo."""

import math
from typing import Any

from tapecalc.calc import tempo, transport
from tapecalc.calc.units import COVERAGE_FACTOR, from_si, to_si
from tapecalc.course.deck import DECK, FAST, FASTEST_IPS, SLOW, SLOWEST_IPS
from tapecalc.course.exercise import Exercise, Guess, Question
from tapecalc.panels.panel import Panel

#: What the panels of this lesson know of the bench deck and the trade.
FACTS: dict[str, Any] = {
    "spacing_mm": round(from_si(DECK.spacings[0], "mm"), 3),
    "speed_ips": round(from_si(FAST, "ips"), 6),
    "slow_ips": round(from_si(SLOW, "ips"), 6),
    "speed_range_ips": [SLOWEST_IPS, FASTEST_IPS],
    "standard_ips": [3.75, 7.5, 15.0],
    "coverage": COVERAGE_FACTOR,
    "zones": [
        [zone.name, zone.longest if math.isfinite(zone.longest) else None] for zone in tempo.ECHO_ZONES
    ],
}


def delay_panel() -> Panel:
    """Return the panel of delay and its plus/minus over head spacing and tape speed."""
    return Panel("delay", "delayPanel", FACTS)


def speed_change_panel() -> Panel:
    """Return the panel of delay and pitch of the echo while the tape speed changes."""
    return Panel("delay", "speedChangePanel", FACTS)


# ---- exercises ----

#: The prediction: the bench deck's delay at its fast speed; a guess may be a quarter off.
_deck_ms = from_si(DECK.delays(FAST)[0], "ms")
first_guess = Guess(_deck_ms, "ms", tolerance_percent=25).hints(
    "At this speed the tape covers 190.5 mm in each second: which part of a second do 41.5 mm take?",
    (2 * _deck_ms, "That is the echo at the slow speed."),
    (_deck_ms / 1000, "That would be the delay in seconds; the question asks for milliseconds."),
    ((None, 40), "So short a gap would melt into the sound: the tape needs longer than that."),
)


def _in_inches(spacing_in: float, speed_ips: float) -> Exercise:
    """Ask for the delay of a spacing in inches."""
    delay = transport.delay_from_spacing(to_si(spacing_in, "in"), to_si(speed_ips, "ips"))
    mixed = from_si(spacing_in / from_si(to_si(speed_ips, "ips"), "cm_s"), "ms")
    return Exercise(from_si(delay, "ms"), "ms").hints(
        "Both numbers are in inches already, so nothing needs converting before you divide.",
        (from_si(1 / delay, "ms"), "You divided the speed by the spacing; time is length divided by speed."),
        (spacing_in * speed_ips, "You multiplied; time is length divided by speed."),
        (mixed, "Inches and centimeters are mixed: take inches with ips, or SI for both."),
    )


two_inches = _in_inches(2, 7.5)
inches_again = Question(
    "Heads {spacing_in:g} inches apart, and a tape at {speed_ips:g} ips: what is the delay, in milliseconds?",
    _in_inches,
    "Spacing over speed, and the inches cancel: {spacing_in:g}/{speed_ips:g} seconds, {answer}.",
    {"spacing_in": (0.75, 1.25, 1.5, 1.75, 2.5), "speed_ips": (3.75, 7.5, 15)},
)


def _second_head(delay_ms: float) -> Exercise:
    """Ask where a second head must stand at the fast speed."""
    place_mm = from_si(transport.spacing_from_delay(to_si(delay_ms, "ms"), FAST), "mm")
    return Exercise(place_mm, "mm").hints(
        "Length is speed times time, both in SI: meters per second and seconds.",
        (place_mm / 2, "That is the place for the slow speed."),
        (
            from_si(FAST, "mm") / to_si(delay_ms, "ms"),
            "You divided; the length that runs by is speed times time.",
        ),
        (delay_ms * 7.5, "You multiplied milliseconds by inches per second: turn both to SI first."),
    )


second_head = _second_head(150)
second_head_again = Question(
    "A tape runs at 7.5 ips. How many millimeters behind the record head must a head stand to answer after "
    "{delay_ms:g} ms?",
    _second_head,
    "Speed times time: 190.5 millimeters a second, and {delay_ms:g} thousandths of a second, make {answer}.",
    {"delay_ms": (90, 120, 180, 210, 260, 300, 340, 380, 420, 480)},
)

#: How well a ruler must do for one millisecond; a fifth of a millimeter will do.
_ruler_mm = from_si(transport.spacing_from_delay(to_si(1, "ms"), FAST), "mm")
ruler = Exercise(_ruler_mm, "mm", tolerance_percent=6).hints(
    "How far does the tape travel in one millisecond?",
    (_ruler_mm / 2, "That is the answer for the slow speed."),
    (1 / _ruler_mm, "That is how many milliseconds one millimeter makes; we ask the other way round."),
)

#: The wall of a sleeve that makes the delay four percent shorter; two digits will do.
_thin, _tape = DECK.capstan_diameter, DECK.tape_thickness
_wall_mm, _thinner_mm = (
    from_si((transport.sleeve_diameter(_thin, _tape, ratio) - _thin) / 2, "mm") for ratio in (1 / 0.96, 1.04)
)
sleeve_wall = Exercise(_wall_mm, "mm", tolerance_percent=2).hints(
    "The speed must grow by 1/0.96; the sleeve adds its wall on both sides of the capstan.",
    (2 * _wall_mm, "The diameter grows by two walls, one on each side."),
    (_thinner_mm, "Four percent less delay is a little more than four percent more speed: divide by 0.96."),
    ((None, 0), "A shorter delay needs a faster tape, so the capstan must get thicker."),
)

#: A motor made for 60 Hz on 50 Hz.
mains = Exercise(250 / transport.mains_speed_ratio(50, 60), "ms").hints(
    "Find the ratio of the two speeds first. The delay goes the opposite way.",
    (250 * transport.mains_speed_ratio(50, 60), "A slower motor makes a later echo, not an earlier one."),
    (250, "A motor locked to the mains slows down with it."),
)

#: Spacing from a stopwatch and a recorded click.
_true_mm, _told_mm = (1000 * speed * 0.24 for speed in (5 / 25.6, FAST))
stopwatch = Exercise(_true_mm, "mm").hints(
    "First the speed, from the marked length and the stopwatch; then the length that passes in 240 ms.",
    (_told_mm, "You trusted the number on the speed switch; the stopwatch knows better."),
    (from_si(5 * 25.6, "m") * 240, "Speed is length divided by time: 5 m by 25.6 s."),
)
