"""The exercises of 03_repeats_and_loop_stability.

======  =====================  =======  ==========================
symbol  name in code           SI unit  typical value
======  =====================  =======  ==========================
--      ``expected``           any      3.1, counted in `unit`
--      ``unit``               --       ``"dB"``
--      ``tolerance_percent``  %        25
--      ``slips``              --       ``((1.55, "A power."),)``
--      ``hint``               --       ``"20 log10 of the gain."``
======  =====================  =======  ==========================
"""

from __future__ import annotations

from tapecalc.loop import (
    decay_time,
    gain_for_repeats_db,
    growth_db_per_s,
    noise_build_up_db,
    repeats_until,
    settling_level,
)
from tapecalc.show.exercises import Exercise
from tapecalc.units import amplitude_to_db, to_si

__all__ = []

#: The prediction: repeats at half the amplitude, until 60 dB are gone; a guess may be a quarter off.
_half_db = amplitude_to_db(0.5)
first_guess = Exercise(
    expected=repeats_until(_half_db, -60),
    unit="",
    tolerance_percent=25,
    slips=(
        (500, "Halves do not take away the same amount each time: each takes half of what is left."),
        (lambda n: n > 30, "Halving is quicker than that: two repeats leave a quarter, three an eighth."),
        (20, "Doubled: each repeat takes 6 dB away, not 3."),
    ),
    hint="Halve again and again: a half, a quarter, an eighth; when is a thousandth reached?",
)

#: What one repeat loses at a loop gain of 0.7.
_per_repeat = -amplitude_to_db(0.7)
per_repeat = Exercise(
    expected=_per_repeat,
    unit="dB",
    slips=(
        (_per_repeat / 2, "An amplitude takes 20 log10; 10 log10 is for powers."),
        (30, "A loop gain of 0.7 does take 30 % away, but decibels count in logarithms."),
        (0.3, "That is the share that is lost; turn the gain itself into decibels."),
    ),
    hint="Twenty times the logarithm of the loop gain, and leave the minus away.",
)

#: The margin from counting repeats, without ever going near the edge.
_counted = -gain_for_repeats_db(8, -30)
counted_margin = Exercise(
    expected=_counted,
    unit="dB",
    slips=(
        (8 * 30, "You multiplied; eight repeats share the thirty decibels."),
        (8 / 30, "Upside down: decibels divided by repeats."),
        (60 / 8, "The count ended when thirty decibels were gone, not sixty."),
    ),
    hint="How much does each repeat lose? The send may go up by just as much.",
)

#: Seconds until the poet may go on.
_fades = decay_time(to_si(218, "ms"), amplitude_to_db(0.8), -30)
pause = Exercise(
    expected=_fades,
    unit="s",
    slips=(
        (2 * _fades, "That is twice too long: wait for 30 dB, not 60, and take 20 log10 of an amplitude."),
        (repeats_until(amplitude_to_db(0.8), -30), "That is the number of repeats; how long does each take?"),
    ),
    hint="First the decibels of one repeat, then how many repeats, then the delay times that.",
)

#: The lowest tone of an inverting loop of 200 ms.
lowest_inverted = Exercise(
    expected=0.5 / 0.2,
    unit="Hz",
    slips=(
        (1 / 0.2, "That tone comes back a whole turn late, and the inverting return adds half a turn."),
        (0.2 * 0.5, "A frequency is turns divided by time."),
    ),
    hint="The delay must add half a turn, so that with the half turn of the return it makes a whole one.",
)

#: Hiss in the long run at a loop gain of 0.9.
_hiss = noise_build_up_db(amplitude_to_db(0.9))
hiss = Exercise(
    expected=_hiss,
    unit="dB",
    slips=(
        (20, "So much a steady tone piles up, whose repeats are alike. Hiss adds as power: square the gain."),
        (10, "You took the loop gain itself; the power of a repeat goes with its square."),
        (2 * _hiss, "A power takes 10 log10; 20 log10 is for amplitudes."),
    ),
    hint="Powers add: one divided by one minus the square of the loop gain, in decibels.",
)

#: How long a howl takes from a quiet room to a dangerous one.
_climb = 30 / growth_db_per_s(to_si(300, "ms"), amplitude_to_db(1.1))
climb = Exercise(
    expected=_climb,
    unit="s",
    slips=(
        (30 / amplitude_to_db(1.1), "That is the number of rounds; each takes three tenths of a second."),
        (30 * 0.3 / 1.1, "Turn the loop gain into decibels first: so much it gains in each round."),
        (30 * 0.3 / 10, "Ten percent more amplitude is not ten decibels."),
    ),
    hint="Decibels in one round, divided by the length of a round, is decibels in a second.",
)

#: Where the tape holds a loop that is 2 dB past the edge, against a full tape.
_held = amplitude_to_db(settling_level(2.0, 1.0))
held = Exercise(
    expected=_held,
    unit="dB",
    tolerance_percent=3,
    slips=(
        (amplitude_to_db(settling_level(2.0, 1.0)) - 2.0,
         "That is the level on the tape; we ask for the one before it, at the record head."),
        (2.0, "It goes up not by the excess, but until the tape has eaten the excess up."),
        (settling_level(2.0, 1.0), "That is the amplitude against a full tape; turn it into decibels."),
    ),
    hint="Ask settling_level with a saturation of one, and turn the amplitude into decibels.",
)  # fmt: skip
