"""The exercises of 07_patching_and_levels.

======  =====================  =======  ==============================
symbol  name in code           SI unit  typical value
======  =====================  =======  ==============================
--      ``expected``           any      41, counted in `unit`
--      ``unit``               --       ``"dB"``
--      ``tolerance_percent``  %        1
--      ``slips``              --       ``((20, "Count the pad."),)``
--      ``hint``               --       ``"Add the gains."``
======  =====================  =======  ==============================
"""

from __future__ import annotations

from tapecalc.levels import (
    allowed_exposure,
    dbv_to_dbu,
    leak_ripple_db,
    level_diagram,
    loading_loss_db,
    pad_db,
    track_snr_db,
)
from tapecalc.machine import example_machine
from tapecalc.show.exercises import Exercise
from tapecalc.standards import TRACK_WIDTHS
from tapecalc.units import amplitude_to_db

__all__ = []

_deck = example_machine()
_diagram = level_diagram(_deck.level_stages, _deck.levels.instrument_dbu)

#: The prediction: how far the voice stays below a full tape.
first_guess = Exercise(
    expected=_diagram.headroom_db,
    unit="dB",
    tolerance_percent=10,
    slips=(
        (9, "That is what the tape has above its reference; the voice arrives 4 dB below the reference."),
        (20, "So much is left in the electronics. Another stage gives up earlier."),
        (23, "Count the gain of channel 1: the voice is not at -10 dBu any more when it meets the tape."),
    ),
    hint="Follow the voice to the tape, adding gains; a full tape is 9 dB above +4 dBu.",
)

#: From a studio mixer into a domestic machine.
pad = Exercise(
    expected=pad_db(4.0, dbv_to_dbu(-10.0)),
    unit="dB",
    slips=(
        (14, "You subtracted dBV from dBu: first turn -10 dBV into dBu."),
        (6, "Plus four and minus ten are fourteen apart, not six, and then there are two kinds of decibel."),
        (pad_db(4.0, -10.0) + 2.2185, "dBV into dBu: the same voltage reads 2.2 more, not less, in dBu."),
    ),
    hint="Both in dBu first, then one less the other.",
)

#: A pickup into an input that is made for a mixer.
_loading = -loading_loss_db(20e3, 10e3)
loading = Exercise(
    expected=_loading,
    unit="dB",
    slips=(
        (-loading_loss_db(10e3, 20e3), "You have exchanged the two: the load is the input."),
        (-amplitude_to_db(0.5), "Half would be left if both were 10 kilo-ohms."),
        (_loading / 2, "A voltage takes 20 log10; 10 log10 is for powers."),
    ),
    hint="What is left is load divided by source plus load; then 20 log10, and leave the minus off.",
)

#: Two quarter tracks with the same signal.
both_tracks = Exercise(
    expected=track_snr_db(2 * TRACK_WIDTHS["quarter track"], TRACK_WIDTHS["quarter track"]),
    unit="dB",
    slips=(
        (amplitude_to_db(2.0), "The signal does gain so much; but the noise gains, too."),
        (0.1, "The signals are alike and add in step; the two hisses are not and add in power."),
    ),
    hint="How much does the signal gain, how much the noise? The rest is yours.",
)

#: How loud a leak eats how much margin.
_leak = leak_ripple_db(-14.0)[1]
leak = Exercise(
    expected=_leak,
    unit="dB",
    slips=(
        (-leak_ripple_db(-14.0)[0], "That is how deep the dip is, out of step. In step the two add."),
        (14, "So much weaker is the leak. How much does it add to a tape that gives back 1?"),
        (0.2, "That is its amplitude; one plus that, in decibels."),
    ),
    hint="Turn the leak into an amplitude, add it to 1, and take 20 log10.",
)

#: How long the room may be so loud.
_stay = allowed_exposure(97.0) / 60
exposure = Exercise(
    expected=_stay,
    unit="min",
    slips=(
        (8 * 60, "That is for 85 dB(A). Halve it for each 3 dB more."),
        (8 * 60 / 12, "You divided by the decibels; halve once for each 3 dB."),
        (8 * 60 * 2 ** (-12 / 5), "You halved for each 5 dB, an older and laxer rule."),
    ),
    hint="How many times do three decibels go into the excess over 85? Halve eight hours as often.",
)
