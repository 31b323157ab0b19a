"""The exercises of 04_matching_the_tempo.

======  =====================  =======  ==========================
symbol  name in code           SI unit  typical value
======  =====================  =======  ==========================
--      ``expected``           any      68.9, counted in `unit`
--      ``unit``               --       ``"bpm"``
--      ``tolerance_percent``  %        5
--      ``slips``              --       ``((137.7, "A quarter."),)``
--      ``hint``               --       ``"First the note in beats."``
======  =====================  =======  ==========================
"""

from __future__ import annotations

from tapecalc.machine import example_machine
from tapecalc.show.exercises import Exercise
from tapecalc.tempo import (
    delay_from_tempo,
    duration_from_drift,
    exact_changes,
    fit,
    note_value,
    tempo_from_delay,
)
from tapecalc.transport import delay_from_spacing
from tapecalc.units import from_si, to_si

__all__ = []

_DECK = example_machine()
_FAST, _SLOW = _DECK.speeds
_WHOLE_NUMBER = 1e-6  # tolerance in percent where only one whole number is right

#: The prediction: at which tempo the slow speed is an eighth; a guess may be a tenth off.
_slow_eighth = tempo_from_delay(_DECK.delays(_SLOW)[0], note_value("eighth").beats)
first_guess = Exercise(
    expected=_slow_eighth,
    unit="bpm",
    tolerance_percent=10,
    slips=(
        (2 * _slow_eighth, "At that tempo the echo is a whole beat, a quarter; an eighth is half a beat."),
        (_slow_eighth / 2, "An eighth is half a beat, not two beats: there are two eighths in each beat."),
    ),
    hint="Two eighths make one beat. How many times do two such delays fit into a minute?",
)

#: A dotted eighth at 90 beats a minute.
_dotted_ms = from_si(delay_from_tempo(90, note_value("dotted eighth").beats), "ms")
dotted = Exercise(
    expected=_dotted_ms,
    unit="ms",
    slips=(
        (from_si(delay_from_tempo(90, 1), "ms"), "That is a whole beat, a quarter note."),
        (from_si(delay_from_tempo(90, 0.5), "ms"), "That is a plain eighth; the dot adds half of it."),
        (from_si(delay_from_tempo(90, 1.5), "ms"), "That is a dotted quarter."),
        (lambda ms: abs(ms - 90 * 0.75) < 1, "You multiplied by the tempo: a faster song has shorter notes."),
    ),
    hint="A beat lasts a minute divided by the tempo; a dotted eighth is three quarters of a beat.",
)

#: The tempo at which 50 mm at 7.5 ips are an eighth triplet.
_fifty = delay_from_spacing(to_si(50, "mm"), to_si(7.5, "ips"))
_triplet_bpm = tempo_from_delay(_fifty, note_value("eighth triplet").beats)
triplet = Exercise(
    expected=_triplet_bpm,
    unit="bpm",
    slips=(
        (tempo_from_delay(_fifty, 1 / 2), "That is the tempo for a plain eighth."),
        (tempo_from_delay(_fifty, 2 / 3),
         "That is a quarter triplet: three of them fill two beats. Three eighth triplets fill one."),
        (tempo_from_delay(_fifty, 1), "That is the tempo for a quarter."),
        (tempo_from_delay(_fifty, 3 / 4), "That is the tempo for a dotted eighth."),
    ),
    hint="First the delay; then: three eighth triplets fill one beat, and so many beats fill a minute.",
)  # fmt: skip

#: Where the head must stand for a sixteenth at 84 beats a minute.
_late = fit(_DECK.delays(_FAST)[0], 84, note_value("sixteenth"))
_spacing = _DECK.spacings[0]
_spacing_mm = from_si(exact_changes(_late, spacing=_spacing, speed=_FAST).spacing, "mm")
new_spacing = Exercise(
    expected=_spacing_mm,
    unit="mm",
    slips=(
        (_spacing_mm / 2, "That is the place for the slow speed."),
        (from_si(_spacing, "mm") * (1 - _late.error_percent / 100),
         "So many percent too long is not cured by so many percent less: divide by 1 plus the error."),
        (from_si(_spacing, "mm") * (1 + _late.error_percent / 100),
         "The echo is late, so the head must come nearer."),
        (from_si(_spacing, "mm") - _spacing_mm, "That is how far to move it; we ask where it must stand."),
    ),
    hint="How long does the sixteenth last? Then: how far does the tape run meanwhile?",
)  # fmt: skip

#: The first repeat that is heard as late: 505 ms at 120 beats a minute.
_quarter = fit(0.505, 120, note_value("quarter"))
first_heard = Exercise(
    expected=_quarter.repeats_in_time + 1,
    unit="",
    tolerance_percent=_WHOLE_NUMBER,
    slips=(
        (_quarter.repeats_in_time, "That is the last one that still passes."),
        (1, "One repeat alone is within the threshold: look at how the error adds up."),
        (lambda number: number != round(number), "Repeats are counted in whole numbers: round up."),
    ),
    hint="How late is each repeat? Compare with 2.5 % of the beat.",
)

#: How long a loop that is 0.3 % slow stays within 50 ms.
_drift_s = duration_from_drift(to_si(50, "ms"), 0.3)
drift = Exercise(
    expected=_drift_s,
    unit="s",
    slips=(
        (0.050 * 0.003, "You multiplied; the drift is time times error, so time is drift divided by error."),
        (_drift_s / 100, "0.3 % is 0.003."),
    ),
    hint="In each second the loop loses 0.3 % of a second.",
)

#: After how many repeats a dotted eighth meets the first beat of a bar of four.
_every, _beats = note_value("dotted eighth").cross_rhythm
bar_line = Exercise(
    expected=_every * 4,
    unit="",
    tolerance_percent=_WHOLE_NUMBER,
    slips=(
        (_every, "There it meets a beat, but which one? It is the fourth of the bar."),
        (_beats * 4, "That is the number of beats; we ask for repeats."),
        (_beats, "That is the number of bars; we ask for repeats."),
    ),
    hint="It meets every third beat. Which is the first of them that starts a bar?",
)
