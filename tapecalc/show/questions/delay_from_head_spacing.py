"""The exercises of 01_delay_from_head_spacing.

======  =====================  =======  ==========================
symbol  name in code           SI unit  typical value
======  =====================  =======  ==========================
--      ``expected``           any      217.85, counted in `unit`
--      ``unit``               --       ``"ms"``
--      ``tolerance_percent``  %        25
--      ``slips``              --       ``((2 * 217.85, "Too slow."),)``
--      ``hint``               --       ``"Length divided by speed."``
======  =====================  =======  ==========================
"""

from __future__ import annotations

from tapecalc.machine import example_machine
from tapecalc.show.exercises import Exercise
from tapecalc.transport import (
    delay_from_spacing,
    mains_speed_ratio,
    sleeve_diameter,
    spacing_from_delay,
    speed_from_length,
)
from tapecalc.units import from_si, to_si

__all__ = []

_DECK = example_machine()
_FAST = _DECK.speeds[0]

#: The prediction: the bench deck's delay at its fast speed; a guess may be a quarter off.
_deck_ms = from_si(_DECK.delays(_FAST)[0], "ms")
first_guess = Exercise(
    expected=_deck_ms,
    unit="ms",
    tolerance_percent=25,
    slips=(
        (2 * _deck_ms, "That is the echo at the slow speed."),
        (_deck_ms / 1000, "That would be the delay in seconds; the question asks for milliseconds."),
        (lambda ms: ms < 40, "So short a gap would melt into the sound: the tape needs longer than that."),
    ),
    hint="At this speed the tape covers 190.5 mm in each second: which part of a second do 41.5 mm take?",
)  # fmt: skip

#: Two inches at 7.5 ips.
_two_inches_ms = from_si(delay_from_spacing(to_si(2, "in"), to_si(7.5, "ips")), "ms")
two_inches = Exercise(
    expected=_two_inches_ms,
    unit="ms",
    slips=(
        (from_si(7.5 / 2, "ms"), "You divided the speed by the spacing; time is length divided by speed."),
        (2 * 7.5, "You multiplied; time is length divided by speed."),
        (from_si(2 / 19.05, "ms"), "Inches and centimeters are mixed: take inches with ips, or SI for both."),
    ),
    hint="Both numbers are in inches already, so nothing needs converting before you divide.",
)

#: Where a second head must stand for 150 ms at the fast speed.
_second_head_mm = from_si(spacing_from_delay(to_si(150, "ms"), _FAST), "mm")
second_head = Exercise(
    expected=_second_head_mm,
    unit="mm",
    slips=(
        (_second_head_mm / 2, "That is the place for the slow speed."),
        (from_si(_FAST, "mm") / 0.150, "You divided; the length that runs by is speed times time."),
        (150 * 7.5, "You multiplied milliseconds by inches per second: turn both to SI first."),
    ),
    hint="Length is speed times time, both in SI: meters per second and seconds.",
)

#: How well a ruler must do for one millisecond.
_ruler_mm = from_si(spacing_from_delay(to_si(1, "ms"), _FAST), "mm")
ruler = Exercise(
    expected=_ruler_mm,
    unit="mm",
    slips=(
        (_ruler_mm / 2, "That is the answer for the slow speed."),
        (1 / _ruler_mm, "That is how many milliseconds one millimeter makes; we ask the other way round."),
    ),
    hint="How far does the tape travel in one millisecond?",
)

#: The wall of a sleeve that makes the delay four percent shorter.
_D, _h = _DECK.capstan_diameter, _DECK.tape_thickness
_wall_mm = from_si((sleeve_diameter(_D, _h, 1 / 0.96) - _D) / 2, "mm")
sleeve_wall = Exercise(
    expected=_wall_mm,
    unit="mm",
    tolerance_percent=1.5,
    slips=(
        (2 * _wall_mm, "The diameter grows by two walls, one on each side."),
        (from_si((sleeve_diameter(_D, _h, 1.04) - _D) / 2, "mm"),
         "Four percent less delay is a little more than four percent more speed: divide by 0.96."),
        (lambda mm: mm < 0, "A shorter delay needs a faster tape, so the capstan must get thicker."),
    ),
    hint="The speed must grow by 1/0.96; the sleeve adds its wall on both sides of the capstan.",
)  # fmt: skip

#: A motor made for 60 Hz on 50 Hz.
_there_ms = 250 / mains_speed_ratio(50, 60)
mains = Exercise(
    expected=_there_ms,
    unit="ms",
    slips=(
        (250 * mains_speed_ratio(50, 60), "A slower motor makes a later echo, not an earlier one."),
        (250, "A motor locked to the mains slows down with it."),
    ),
    hint="Find the ratio of the two speeds first. The delay goes the opposite way.",
)

#: Spacing from a stopwatch and a recorded click.
_true_speed = speed_from_length(5, 25.6)
_found_mm = from_si(spacing_from_delay(to_si(240, "ms"), _true_speed), "mm")
stopwatch = Exercise(
    expected=_found_mm,
    unit="mm",
    slips=(
        (from_si(spacing_from_delay(to_si(240, "ms"), _FAST), "mm"),
         "You trusted the number on the speed switch; the stopwatch knows better."),
        (from_si(5 * 25.6, "m") * 240, "Speed is length divided by time: 5 m by 25.6 s."),
    ),
    hint="First the speed, from the marked length and the stopwatch; then the length that passes in 240 ms.",
)  # fmt: skip
