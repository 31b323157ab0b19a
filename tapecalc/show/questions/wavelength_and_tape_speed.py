"""The exercises of 02_wavelength_and_tape_speed.

======  =====================  =======  ==============================
symbol  name in code           SI unit  typical value
======  =====================  =======  ==============================
--      ``expected``           any      19.05, counted in `unit`
--      ``unit``               --       ``"um"``
--      ``tolerance_percent``  %        25
--      ``slips``              --       ``((9.525, "Too slow."),)``
--      ``hint``               --       ``"Speed divided by frequency."``
======  =====================  =======  ==============================
"""

from __future__ import annotations

from tapecalc.levels import sum_power_db
from tapecalc.machine import example_machine
from tapecalc.response import (
    azimuth_null_angle,
    gap_null_frequency,
    spacing_loss_db,
    thickness_loss_db,
    transition_frequency,
    wavelength,
)
from tapecalc.show.exercises import Exercise
from tapecalc.units import from_si, to_si

__all__ = []

_DECK = example_machine()
_FAST = _DECK.speeds[0]

#: The prediction: 10 kHz at the fast speed; a guess may be a quarter off.
_ten_um = from_si(wavelength(10e3, _FAST), "um")
first_guess = Exercise(
    expected=_ten_um,
    unit="\N{MICRO SIGN}m",
    tolerance_percent=25,
    slips=(
        (_ten_um / 2, "That is its length at the slow speed."),
        (
            lambda um: um > 1000,
            "Longer than a millimeter? Ten thousand of them must fit into 190.5 mm of tape.",
        ),
    ),
    hint="In one second 190.5 mm of tape pass, and ten thousand waves must fit into them.",
)

#: 1 kHz at 15 ips.
_studio_um = from_si(wavelength(1e3, to_si(15, "ips")), "um")
length = Exercise(
    expected=_studio_um,
    unit="\N{MICRO SIGN}m",
    slips=(
        (
            1e3 / to_si(15, "ips"),
            "You divided frequency by speed, which counts the waves on a meter of tape.",
        ),
        (15, "Fifteen thousandths of an inch is right; now say it in micrometers, 25.4 to a thousandth."),
    ),
    hint="Speed in meters per second first, then divide by the frequency.",
)

#: The first null of a gap of a quarter mil at the fast speed.
_null_khz = from_si(gap_null_frequency(_FAST, to_si(6.35, "um")), "khz")
null = Exercise(
    expected=_null_khz,
    unit="kHz",
    slips=(
        (1.11 * _null_khz, "You took the measured gap; the head acts as if it were 1.11 times as long."),
        (1.11**2 * _null_khz, "The factor makes the gap longer, so the null comes earlier: divide by it."),
        (_null_khz / 2, "There the gap holds half a wave; the tone that it cancels fits in once."),
    ),
    hint="The gap cancels the tone whose wavelength is the effective gap, 1.11 times the gap.",
)  # fmt: skip

#: What fluff under the head costs.
_fluff_db = spacing_loss_db(15e3, _FAST, to_si(2.5, "um"))
fluff = Exercise(
    expected=_fluff_db,
    unit="dB",
    slips=(
        (spacing_loss_db(15e3, _DECK.speeds[1], to_si(2.5, "um")), "That is the loss at the slow speed."),
        (thickness_loss_db(15e3, _FAST, to_si(2.5, "um")),
         "That is the loss by a coating of that thickness; the whole head is away from the tape here."),
    ),
    hint="54.6 dB are lost for each wavelength of distance: which part of a wavelength is the fluff?",
)  # fmt: skip

#: The tilt that cancels 10 kHz on a full track.
_tilt = azimuth_null_angle(10e3, _FAST, to_si(6.25, "mm"))
_tilt_arcmin = from_si(_tilt, "arcmin")
tilt = Exercise(
    expected=_tilt_arcmin,
    unit="arcmin",
    slips=(
        (from_si(_tilt, "deg"), "That is the angle in degrees; a degree has 60 minutes of arc."),
        (_tilt, "That is the angle in radians."),
        (
            lambda arcmin: 31 < arcmin < 35,
            "That is for the bench deck's narrow track; this one is full width.",
        ),
    ),
    hint="One edge must lag behind the other by a whole wavelength, over the width of the track.",
)

#: The corner of 70 us.
_corner = transition_frequency(to_si(70, "us"))
corner = Exercise(
    expected=_corner,
    unit="Hz",
    slips=(
        (1 / to_si(70, "us"), "One over the time constant counts radians a second; a turn is 2 pi of them."),
        (transition_frequency(to_si(50, "us")), "That is the corner of 50 microseconds."),
    ),
    hint="Frequency is one over 2 pi times the time constant, in seconds.",
)

#: The hiss of eight passes over that of one.
_hiss_db = sum_power_db([0.0] * 8)
hiss = Exercise(
    expected=_hiss_db,
    unit="dB",
    slips=(
        (8 * 3.0103, "You added 3 dB for each pass; hiss gains 3 dB only when the passes double."),
        (7 * 3.0103, "You added 3 dB for each further pass; hiss gains 3 dB only when the passes double."),
        (8, "Hiss powers add, eight equal ones make eight times the power; now say that in decibels."),
    ),
    hint="Eight is one doubled three times, and each doubling of the power is 3 dB.",
)
