"""The exercises of 05_wow_and_flutter.

======  =====================  =======  =====================================
symbol  name in code           SI unit  typical value
======  =====================  =======  =====================================
--      ``expected``           any      2.6, counted in `unit`
--      ``unit``               --       ``"cents"``
--      ``tolerance_percent``  %        1
--      ``slips``              --       ``((0.15, "That is the percent."),)``
--      ``hint``               --       ``"1200 steps to an octave."``
======  =====================  =======  =====================================
"""

from __future__ import annotations

import numpy as np

from tapecalc.flutter import null_rates, repeat_deviation, weighting_db
from tapecalc.machine import example_machine
from tapecalc.show.exercises import Exercise
from tapecalc.standards import TWO_SIGMA_COVERAGE
from tapecalc.units import db_to_amplitude, from_si, ratio_to_cents

__all__ = []

_DECK = example_machine()
_FAST, _SLOW = _DECK.speeds
_CAPSTAN, _ROLLER = _DECK.turning_parts[:2]

#: The prediction: at most how many times the wobble the tenth repeat can bend.
first_guess = Exercise(
    expected=2,
    unit="",
    tolerance_percent=5,
    slips=(
        (10, "You let each pass add its wobble. But what one pass adds, does the next one leave it alone?"),
        (20, "You let each pass add twice the wobble; passes also take away what others added."),
        (1, "One pass alone compares two moments: fast while it was recorded, slow while it plays."),
        (np.sqrt(10), "So would ten wobbles grow that know nothing of each other. These are of one machine."),
    ),
    hint="Only two moments count in the end: when the sound was first recorded, and now.",
)

#: Speed deviation to pitch.
_fifteen_cents = ratio_to_cents(1.0015)
cents = Exercise(
    expected=_fifteen_cents,
    unit="cents",
    slips=(
        (ratio_to_cents(1.015), "That is the pitch of 1.5 %: mind the decimal point."),
        (12 * 0.15, "An octave is a ratio of 2, not a change of 100 %: take 1200 log2 of the ratio."),
        (ratio_to_cents(1.15), "That is the pitch of 15 %: 0.15 % is a ratio of 1.0015."),
    ),
    hint="The pitch moves by 1200 log2(1 + e) cents; e is 0.0015.",
)

#: Bend of a first repeat.
_bend_percent = from_si(repeat_deviation(0.001, 1.5, 0.25), "percent")
bend = Exercise(
    expected=_bend_percent,
    unit="%",
    slips=(
        (_bend_percent / 2, "You forgot the two in front of the sine."),
        (0.2 * np.sin(np.radians(np.pi * 0.375)),
         "Your calculator counted in degrees: pi times turns is an angle in radians."),
        (0.2 * np.sin(0.375), "The pi went missing inside the sine."),
        (0.2 * abs(np.sin(2 * np.pi * 0.375)), "That is the second repeat: two delays, not one."),
    ),
    hint="2 m |sin(pi fm T)|, with fm T = 1.5 x 0.25 turns.",
)  # fmt: skip

#: The slowest wobble that leaves the echo steady at the slow speed.
_steady_hz = float(null_rates(_DECK.delays(_SLOW)[0], 3.0)[0])
steady_rate = Exercise(
    expected=_steady_hz,
    unit="Hz",
    slips=(
        (2 * _steady_hz, "That is the rate at the fast speed: mind the delay."),
        (_steady_hz / 2, "There the wobble goes half round in a delay, and the bend is at its largest."),
        (_DECK.delays(_SLOW)[0], "That is the delay in seconds; how often does it fit into one?"),
    ),
    hint="Recording and playback must meet the same speed: one whole wobble per delay.",
)

#: Where to put the playback head so that the capstan is not heard.
_deaf_mm = from_si(2 * _CAPSTAN.turn_length, "mm")
deaf_spacing = Exercise(
    expected=_deaf_mm,
    unit="mm",
    tolerance_percent=0.2,
    slips=(
        (2 * np.pi * from_si(_CAPSTAN.diameter, "mm"),
         "Almost: the tape bends about its middle, so add its thickness to the diameter."),
        (_deaf_mm / 2, "That is one turn, in front of where the head stands now: the next one is asked for."),
        (1.5 * _deaf_mm, "That is three turns; the next one beyond 41.5 mm is nearer."),
    ),
    hint="A whole number of turns of the capstan must pass between the heads.",
)  # fmt: skip

#: What a meter reads of a sine of 0.1 % at 20 Hz.
_twenty_percent = 0.1 * db_to_amplitude(weighting_db(20.0)) * np.sin(np.pi / 2 * TWO_SIGMA_COVERAGE)
meter = Exercise(
    expected=float(_twenty_percent),
    unit="%",
    tolerance_percent=1.5,
    slips=(
        (0.0997, "That is the reading at 4 Hz, where the weighting is 0 dB."),
        (0.1 * 10 ** (-5.9 / 10), "A deviation is an amplitude: divide the decibels by 20."),
        (0.1 / db_to_amplitude(-5.9), "The weighting takes away at 20 Hz; you let it add."),
    ),
    hint="Decibels to a factor first: 10 to the power of -5.9/20. The two-sigma factor is close to 1.",
)

#: Whose diameter belongs to a peak at the slow speed.
_diameter_mm = from_si(_SLOW / (np.pi * 0.8) - _DECK.tape_thickness, "mm")
culprit = Exercise(
    expected=_diameter_mm,
    unit="mm",
    slips=(
        (2 * _diameter_mm, "That would be the roller at the fast speed."),
        (_diameter_mm / 2, "Diameter or radius? A caliper measures the diameter."),
        (from_si(_SLOW / 0.8, "mm"), "That is how much tape passes in one turn: divide by pi."),
    ),
    hint="In one turn the tape runs speed over rate; that is pi times the diameter, nearly.",
)
