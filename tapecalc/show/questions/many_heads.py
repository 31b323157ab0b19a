"""The exercises of 06_many_heads.

======  =====================  =======  ==========================
symbol  name in code           SI unit  typical value
======  =====================  =======  ==========================
--      ``expected``           any      150.4, counted in `unit`
--      ``unit``               --       ``"mm"``
--      ``tolerance_percent``  %        20
--      ``slips``              --       ``((75.2, "That is an eighth."),)``
--      ``hint``               --       ``"Delay times speed."``
======  =====================  =======  ==========================
"""

from __future__ import annotations

import math

from tapecalc.heads import notch_frequencies, passes_per_hour
from tapecalc.machine import example_machine
from tapecalc.show.exercises import Exercise
from tapecalc.tempo import delay_from_tempo
from tapecalc.transport import delay_from_spacing, loop_length, spacing_from_delay
from tapecalc.units import amplitude_to_db, db_to_amplitude, from_si, to_si

__all__ = []

_DECK = example_machine()
_FAST, _SLOW = _DECK.speeds
_BPM = _DECK.song.bpm


def _place_mm(beats, speed):
    """Where a head answers after some beats of the song, in mm."""
    return from_si(spacing_from_delay(delay_from_tempo(_BPM, beats), speed), "mm")


#: The prediction: where the quarter note lies on the fast tape; a guess may be a fifth off.
first_guess = Exercise(
    expected=_place_mm(1, _FAST),
    unit="mm",
    tolerance_percent=20,
    slips=(
        (_place_mm(1, _SLOW), "That is the place at the slow speed."),
        (_place_mm(0.25, _FAST), "That is a sixteenth, the nearest to the head that is there already."),
        (lambda mm: mm <= 0, "Playback heads stand behind the record head: the distance is above 0."),
    ),
    hint="A beat at 76 a minute is 60/76 of a second, and the tape runs 190.5 mm in a second.",
)

#: The dotted eighth on the slow tape.
dotted_eighth = Exercise(
    expected=_place_mm(0.75, _SLOW),
    unit="mm",
    slips=(
        (_place_mm(0.75, _FAST), "That is the place at the fast speed."),
        (_place_mm(0.5, _SLOW), "That is a plain eighth; the dot makes it half as long again."),
        (from_si(_SLOW, "mm") * 76 / 60 * 0.75, "Turn it round: a beat lasts 60/76 seconds, not 76/60."),
    ),
    hint="A dotted eighth is three quarters of a beat; then length is time times speed.",
)

#: What rounding to whole millimeters costs at most on the slow tape.
_half_mm_ms = from_si(delay_from_spacing(to_si(0.5, "mm"), _SLOW), "ms")
ruler_step = Exercise(
    expected=_half_mm_ms,
    unit="ms",
    slips=(
        (2 * _half_mm_ms, "The nearest mark is half a step away at most, not a whole one."),
        (_half_mm_ms / 2, "That is the answer for the fast speed."),
    ),
    hint="How far off can the nearest mark be, and how long does the tape need for that?",
)  # fmt: skip

#: The first notch of two heads 3 mm apart on the fast tape.
_apart = delay_from_spacing(to_si(3, "mm"), _FAST)
_notch_hz = float(notch_frequencies(0, _apart, 1000)[0])
first_notch = Exercise(
    expected=_notch_hz,
    unit="Hz",
    slips=(
        (2 * _notch_hz, "There the two are a whole wave apart and add up; they cancel half a wave apart."),
        (_notch_hz / 2, "That is the answer for the slow speed."),
    ),
    hint="They cancel when the time between them is half a period.",
)

#: The return send for three heads at 0, -3 and -6 dB, 6 dB below the edge.
_levels_db = (0.0, -3.0, -6.0)
_sum = sum(db_to_amplitude(level_db) for level_db in _levels_db)
_power = sum(db_to_amplitude(level_db) ** 2 for level_db in _levels_db)
_send_db = -6 - amplitude_to_db(_sum)
return_send = Exercise(
    expected=_send_db,
    unit="dB",
    slips=(
        (-6 - amplitude_to_db(3), "You took all three at full level."),
        (-6 - sum(_levels_db), "Decibels do not add up like that: turn them into amplitudes first."),
        (-6.0, "That is the send for one head alone."),
        (-6 - 10 * math.log10(_power), "Heads can be in phase: add amplitudes, not powers."),
        (amplitude_to_db(_sum) - 6, "The more the heads add up to, the lower the send must be."),
        (-amplitude_to_db(_sum), "That is the edge itself; stay 6 dB below it."),
    ),
    hint="Turn the levels into amplitudes, add them, turn the sum back into decibels, and go 6 dB below.",
)

#: The closed loop of two bars on the slow tape.
_bar = delay_from_tempo(_BPM, 4)
_loop_mm = from_si(loop_length(2 * _bar, _SLOW), "mm")
two_bars = Exercise(
    expected=_loop_mm,
    unit="mm",
    slips=(
        (2 * _loop_mm, "That is the loop for the fast speed."),
        (_loop_mm / 2, "That is one bar."),
        (_loop_mm / 4, "That is two beats; a bar here has four."),
    ),
    hint="Two bars are eight beats of 60/76 seconds; length is time times speed.",
)

#: How often the tape passes the heads in an evening.
_passes = 3 * passes_per_hour(1.2, _FAST)
evening = Exercise(
    expected=_passes,
    unit="",
    slips=(
        (_passes / 3, "That is one hour; the night has three."),
        (_passes / 2, "That is the slow speed."),
    ),
    hint="How long is one round, and how many of them fit into three hours?",
)
