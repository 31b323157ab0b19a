"""The exercises of 08_measure_a_machine.

======  =====================  =======  =======================================
symbol  name in code           SI unit  typical value
======  =====================  =======  =======================================
--      ``expected``           any      1.2, counted in `unit`
--      ``unit``               --       ``"%"``
--      ``tolerance_percent``  %        5
--      ``slips``              --       ``((0.5, "That is the ruler."),)``
--      ``hint``               --       ``"Shares, not millimeters."``
======  =====================  =======  =======================================
"""

from __future__ import annotations

import math

from tapecalc.flutter import depth_from_repeat
from tapecalc.machine import example_machine
from tapecalc.show.exercises import Exercise
from tapecalc.standards import FLUTTER_TONE
from tapecalc.transport import delay_from_spacing, spacing_from_delay, speed_from_delay
from tapecalc.units import from_si, to_si

__all__ = []

_DECK = example_machine()
_FAST, _SLOW = _DECK.speeds

#: The prediction: how well a ruler and a perfect delay tell the speed.
_of_ruler = 100 * 0.5 / 41.5
first_guess = Exercise(
    expected=_of_ruler,
    unit="%",
    tolerance_percent=15,
    slips=(
        (0.5, "That is the ruler's error in millimeters. What share of the spacing is it?"),
        (lambda percent: percent < 0.1, "The delay is that exact; but the speed needs the spacing as well."),
    ),
    hint="Speed is spacing over delay. One of the two is known far worse than the other.",
)  # fmt: skip

#: Speed from ruler and delay.
_speed_ips = from_si(speed_from_delay(to_si(204, "ms"), to_si(38.1, "mm")), "ips")
speed = Exercise(
    expected=_speed_ips,
    unit="ips",
    tolerance_percent=0.3,
    slips=(
        (7.5, "That is what the switch says, and it is what you are measuring."),
        (38.1 / 204 * 10, "Millimeters over milliseconds are meters a second; an inch is 25.4 millimeters."),
        (from_si(speed_from_delay(to_si(38.1, "ms"), to_si(204, "mm")), "ips"),
         "Speed is spacing over delay, not delay over spacing."),
    ),
    hint="Speed is spacing over delay; then from millimeters per second to inches per second.",
)  # fmt: skip

#: How well a stopwatch tells a speed.
_time = 10 / _FAST
_watch_percent = 100 * math.hypot(0.2 / _time, 1e-3)
stopwatch = Exercise(
    expected=_watch_percent,
    unit="%",
    tolerance_percent=2,
    slips=(
        (100 * (0.2 / _time + 1e-3),
         "You added the shares; errors that know nothing of each other add like legs of a right triangle."),
        (20 / _time, "That is the thumb alone; the marks have a share, too."),
        (2.0, "A fifth of a second is 0.2 seconds of 52.5, not of 10."),
    ),
    hint="How long do 10 m take? Then 0.2 seconds as a share of it; the two shares are legs of a triangle.",
)  # fmt: skip

#: Two tools together.
_together = 1 / math.hypot(1 / 1.2, 1 / 0.4)
together = Exercise(
    expected=_together,
    unit="%",
    slips=(
        (0.8, "A plain mean lets the bad tool spoil the good one; weights are 1 over the error squared."),
        (math.hypot(1.2, 0.4), "That is how errors of a chain add. Here two tools measure the same thing."),
        (0.4, "Close: but the ruler helps a little."),
        (1 / (1 / 1.44 + 1 / 0.16), "That is the square; take its root."),
    ),
    hint="One over the square of the error is a weight, and weights add.",
)

#: What a low pass reads as.
_lag_um = from_si(spacing_from_delay(to_si(32, "us"), _SLOW), "um")
lag = Exercise(
    expected=_lag_um,
    unit="um",
    slips=(
        (from_si(spacing_from_delay(to_si(32, "us"), _FAST), "um"), "That is at the fast speed."),
        (_lag_um / 1000, "That is in millimeters."),
        (32.0, "Microseconds are not micrometers: how far does the tape run in them?"),
    ),
    hint="How far does the tape run in 32 millionths of a second?",
)

#: Delays that a steady tone cannot tell apart.
_period_ms = from_si(1 / FLUTTER_TONE, "ms")
tone = Exercise(
    expected=_period_ms,
    unit="ms",
    slips=(
        (FLUTTER_TONE / 1000, "That is how many waves there are in a millisecond."),
        (from_si(delay_from_spacing(_DECK.spacings[0], _FAST), "ms"), "That is the deck's delay itself."),
        (_period_ms / 2, "Half a wave later the tone is upside down: a correlation sees the sign."),
    ),
    hint="How long is one wave of the tone?",
)

#: The machine's own wobble behind a reading.
_sine = abs(math.sin(math.pi * 1.6 * _DECK.delays(_FAST)[0]))
_own_percent = from_si(depth_from_repeat(0.0016, 1.6, _DECK.delays(_FAST)[0]), "percent")
own = Exercise(
    expected=_own_percent,
    unit="%",
    slips=(
        (0.16, "That is as read: the recording and the playback both wobbled."),
        (0.08, "Twice is the most; at this rate and delay the factor is a bit less."),
        (0.16 * 2 * _sine, "Divide by the factor, do not multiply."),
        (0.16 / _sine, "The two in front of the sine is missing."),
    ),
    hint="As read it is 2 m |sin(pi fm T)|; solve for m.",
)  # fmt: skip
