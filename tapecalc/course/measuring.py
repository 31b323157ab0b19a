"""What ruler and stopwatch tell, and how long a piece of sound to compare."""

import math
from typing import Any

from tapecalc.calc import flutter, standards, transport
from tapecalc.calc.units import COVERAGE_FACTOR, from_si, to_si
from tapecalc.course.deck import DECK, FAST, SLOW
from tapecalc.course.exercise import Exercise, Guess
from tapecalc.course.wavelength import UM
from tapecalc.panels.panel import Panel

#: What the panels of this lesson know of the bench deck and the trade, SI.
FACTS: dict[str, Any] = {
    "spacing": DECK.spacings[0],
    "speed": FAST,
    "delay": DECK.delays(FAST)[0],
    "coverage": COVERAGE_FACTOR,
    "marks": 1e-3,  # how exactly a length of tape is marked, a share of it (common practice, no source)
    "clock": 1e-4,  # how far an interface's clock may be off, a share, as `solve_geometry` takes it
}


def tools_panel() -> Panel:
    """Return the panel of head spacing and tape speed: delay, ruler and stopwatch, and all together."""
    return Panel("measuring", "toolsPanel", FACTS)


def pieces_panel() -> Panel:
    """Return the panel that looks for 20 pieces of noise in their echo, and compares with the truth."""
    return Panel("measuring", "piecesPanel", FACTS)


# ---- exercises ----

#: The prediction: how well a ruler and a perfect delay tell the speed.
first_guess = Guess(100 * 0.5 / 41.5, "%", tolerance_percent=15).hints(
    "Speed is spacing over delay. One of the two is known far worse than the other.",
    (0.5, "That is the ruler's error in millimeters. What share of the spacing is it?"),
    ((None, 0.1), "The delay is that exact; but the speed needs the spacing as well."),
)

#: Speed from ruler and delay.
_speed_ips = from_si(transport.speed_from_delay(to_si(204, "ms"), to_si(38.1, "mm")), "ips")
speed = Exercise(_speed_ips, "ips", tolerance_percent=0.3).hints(
    "Speed is spacing over delay; then from millimeters per second to inches per second.",
    (7.5, "That is what the switch says, and it is what you are measuring."),
    (38.1 / 204 * 10, "Millimeters over milliseconds are meters a second; an inch is 25.4 millimeters."),
    (from_si(204 / 38.1, "ips"), "Speed is spacing over delay, not delay over spacing."),
)

#: How well a stopwatch tells a speed.
_time = 10 / FAST
_sum = 100 * (0.2 / _time + 1e-3)
stopwatch = Exercise(100 * math.hypot(0.2 / _time, 1e-3), "%", tolerance_percent=2).hints(
    "How long do 10 m take? Then 0.2 seconds as a share of it; the two shares are legs of a triangle.",
    (_sum, "You added the shares; errors that know nothing of each other add like legs of a right triangle."),
    (20 / _time, "That is the thumb alone; the marks have a share, too."),
    (2.0, "A fifth of a second is 0.2 seconds of 52.5, not of 10."),
)

#: Two tools together.
together = Exercise(1 / math.hypot(1 / 1.2, 1 / 0.4), "%").hints(
    "One over the square of the error is a weight, and weights add.",
    (0.8, "A plain mean lets the bad tool spoil the good one; weights are 1 over the error squared."),
    (math.hypot(1.2, 0.4), "That is how errors of a chain add. Here two tools measure the same thing."),
    (0.4, "Close: but the ruler helps a little."),
    (1 / (1 / 1.44 + 1 / 0.16), "That is the square; take its root."),
)

#: What a low pass reads as.
_lag_um = from_si(transport.spacing_from_delay(to_si(32, "us"), SLOW), "um")
lag = Exercise(_lag_um, UM).hints(
    "How far does the tape run in 32 millionths of a second?",
    (from_si(transport.spacing_from_delay(to_si(32, "us"), FAST), "um"), "That is at the fast speed."),
    (_lag_um / 1000, "That is in millimeters."),
    (32.0, "Microseconds are not micrometers: how far does the tape run in them?"),
)

#: Delays that a steady tone cannot tell apart.
_period_ms = from_si(1 / standards.FLUTTER_TONE, "ms")
tone = Exercise(_period_ms, "ms").hints(
    "How long is one wave of the tone?",
    (standards.FLUTTER_TONE / 1000, "That is how many waves there are in a millisecond."),
    (from_si(transport.delay_from_spacing(DECK.spacings[0], FAST), "ms"), "That is the deck's delay itself."),
    (_period_ms / 2, "Half a wave later the tone is upside down: a correlation sees the sign."),
)

#: The machine's own wobble behind a reading.
_sine = abs(math.sin(math.pi * 1.6 * DECK.delays(FAST)[0]))
own = Exercise(from_si(flutter.depth_from_repeat(0.0016, 1.6, DECK.delays(FAST)[0]), "percent"), "%").hints(
    "As read it is 2 m |sin(pi fm T)|; solve for m.",
    (0.16, "That is as read: the recording and the playback both wobbled."),
    (0.08, "Twice is the most; at this rate and delay the factor is a bit less."),
    (0.16 * 2 * _sine, "Divide by the factor, do not multiply."),
    (0.16 / _sine, "The two in front of the sine is missing."),
)
