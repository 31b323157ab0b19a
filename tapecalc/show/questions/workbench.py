"""The exercises of the workbench.

======  ===============  =======  =================
symbol  name in code     SI unit  typical value
======  ===============  =======  =================
B       ``exact_tempo``  bpm      68.9 (in bpm)
--      ``head_move``    m        -3.9 (in mm)
--      ``margin``       dB       6.1
======  ===============  =======  =================
"""

from __future__ import annotations

from tapecalc.loop import stability
from tapecalc.machine import example_machine
from tapecalc.show.exercises import Exercise
from tapecalc.tempo import delay_from_tempo, tempo_from_delay
from tapecalc.transport import spacing_from_delay
from tapecalc.units import from_si

__all__ = []

_DECK = example_machine()
_FAST = _DECK.speeds[0]
_DELAY = _DECK.delays(_FAST)[0]
_WANTED = delay_from_tempo(_DECK.song.bpm, 0.25)

#: The tempo whose sixteenth is the fast delay.
exact_tempo = Exercise(
    expected=tempo_from_delay(_DELAY, 0.25),
    unit="bpm",
    tolerance_percent=0.5,
    slips=(
        (
            tempo_from_delay(_DELAY, 1.0),
            "That makes the echo a whole quarter note; a sixteenth is a fourth of one.",
        ),
        (tempo_from_delay(_DELAY, 0.5), "That makes the echo an eighth note."),
        (_DECK.song.bpm, "That is the tempo of the song as it is, at which the echo comes late."),
    ),
    hint="A longer delay wants a slower song: how long is the beat if four echoes fill it?",
)

#: How far the head moves for a sixteenth at the song's tempo.
_move_mm = from_si(spacing_from_delay(_WANTED, _FAST) - _DECK.spacings[0], "mm")
head_move = Exercise(
    expected=_move_mm,
    unit="mm",
    tolerance_percent=3,
    slips=(
        (-_move_mm, "The size is right. The echo comes late: must the tape run a longer or a shorter way?"),
        (
            from_si(spacing_from_delay(_WANTED, _FAST), "mm"),
            "That is the new spacing; the question asks for the move.",
        ),
        (
            from_si(_WANTED - _DELAY, "ms"),
            "That is the change of the delay in milliseconds: times the speed, please.",
        ),
    ),
    hint="Find the delay that the song wants, turn it into a spacing, and take the present spacing away.",
)

#: The margin of the fast loop.
margin = Exercise(
    expected=stability(_DECK.echo_loop(_FAST)).margin_db,
    unit="dB",
    tolerance_percent=1,
    slips=((lambda db: db < 0, "A margin above zero means that there is room left; here there is some."),),
    hint="Raise the return send on the panel until the words change, or read the margin in the table.",
)
