"""Many heads: a rhythm on the tape, close heads, and heads on the return."""

import math
from typing import Any

from tapecalc.calc import heads, response, standards, tempo, transport
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude, from_si, to_si
from tapecalc.course.deck import BPM, DECK, FAST, FASTEST_IPS, SLOW
from tapecalc.course.exercise import Exercise, Guess, Question
from tapecalc.panels.panel import Panel

#: Eighth, dotted eighth and quarter at 76 beats a minute and 7.5 in/s, to the millimeter.
RHYTHM_MM = (75, 113, 150)
_SPEEDS_IPS = [round(from_si(speed, "ips"), 6) for speed in DECK.speeds]
#: What the panels know of the bench deck, of notes and of ears.
FACTS: dict[str, Any] = {
    "notes": [{"name": note.name, "beats": note.beats, "plain": note.plain} for note in tempo.NOTE_VALUES],
    "bpm": int(BPM),
    "rhythm_mm": RHYTHM_MM,
    "closest_mm": 18,  # the width of a head
    "speeds_ips": _SPEEDS_IPS,
    "many_speeds_ips": sorted({*_SPEEDS_IPS, FASTEST_IPS}, reverse=True),
    "delays": [float(DECK.delays(speed)[0]) for speed in DECK.speeds],
    "passed_db": [response.loudest(DECK.one_pass(speed, pole_shape="flat"))[1] for speed in DECK.speeds],
    # with bumps as large as they can be, as in the plan
    "worst_db": [response.loudest(DECK.one_pass(speed, pole_shape="plates"))[1] for speed in DECK.speeds],
    "fusion_limit": standards.FUSION_LIMIT,  # of speech
    "click_fusion_limit": standards.CLICK_FUSION_LIMIT,
}


def rhythm_panel() -> Panel:
    """Return the panel of three heads on the tape above a ruler of sixteenths."""
    return Panel("heads", "rhythmPanel", FACTS)


def comb_panel() -> Panel:
    """Return the panel of two heads that answer nearly at once, and the comb that they make."""
    return Panel("heads", "combPanel", FACTS)


def return_panel() -> Panel:
    """Return the panel of echoes over time when chosen heads feed the return; tape without losses."""
    return Panel("heads", "returnPanel", FACTS)


def crossed_panel() -> Panel:
    """Return the panel of two tracks whose returns cross; the left is up, the right down."""
    return Panel("heads", "crossedPanel", FACTS)


# ---- exercises ----


def _place_mm(beats: float, speed: float) -> float:
    """Where a head answers after some beats of the song, in mm."""
    return from_si(transport.spacing_from_delay(tempo.delay_from_tempo(BPM, beats), speed), "mm")


#: The prediction: where the quarter note lies on the fast tape; a guess may be a fifth off.
first_guess = Guess(_place_mm(1, FAST), "mm", tolerance_percent=20).hints(
    "A beat at 76 a minute is 60/76 of a second, and the tape runs 190.5 mm in a second.",
    (_place_mm(1, SLOW), "That is the place at the slow speed."),
    (_place_mm(0.25, FAST), "That is a sixteenth, the nearest to the head that is there already."),
    ((None, 0), "Playback heads stand behind the record head: the distance is above 0."),
)

#: The dotted eighth on the slow tape.
dotted_eighth = Exercise(_place_mm(0.75, SLOW), "mm").hints(
    "A dotted eighth is three quarters of a beat; then length is time times speed.",
    (_place_mm(0.75, FAST), "That is the place at the fast speed."),
    (_place_mm(0.5, SLOW), "That is a plain eighth; the dot makes it half as long again."),
    (from_si(SLOW, "mm") * 76 / 60 * 0.75, "Turn it round: a beat lasts 60/76 seconds, not 76/60."),
)

#: What rounding to whole millimeters costs at most on the slow tape.
_half_mm_ms = from_si(transport.delay_from_spacing(to_si(0.5, "mm"), SLOW), "ms")
ruler_step = Exercise(_half_mm_ms, "ms").hints(
    "How far off can the nearest mark be, and how long does the tape need for that?",
    (2 * _half_mm_ms, "The nearest mark is half a step away at most, not a whole one."),
    (_half_mm_ms / 2, "That is the answer for the fast speed."),
)


def _first_notch(apart_mm: float) -> Exercise:
    """Ask for the first notch of two heads on the fast tape."""
    apart = transport.delay_from_spacing(to_si(apart_mm, "mm"), FAST)
    notch_hz = float(heads.notch_frequencies(0, apart, 1000)[0])
    return Exercise(notch_hz, "Hz").hints(
        "They cancel when the time between them is half a period.",
        (2 * notch_hz, "There the two are a whole wave apart and add up; they cancel half a wave apart."),
        (notch_hz / 2, "That is the answer for the slow speed."),
    )


first_notch = _first_notch(3)
notch_again = Question(
    "A tape runs at 7.5 ips past two equal heads {apart_mm:g} mm apart: at how many Hz do they first cancel?",
    _first_notch,
    "The sound needs {apart_mm:g}/190.5 seconds from head to head; that is half a period: {answer}.",
    {"apart_mm": (1, 1.5, 2, 2.5, 4, 5, 8, 10)},
)

#: The return send for three heads at 0, -3 and -6 dB, 6 dB below the edge.
_levels_db = (0.0, -3.0, -6.0)
_sum, _power = (sum(db_to_amplitude(level_db) ** k for level_db in _levels_db) for k in (1, 2))
return_send = Exercise(-6 - amplitude_to_db(_sum), "dB").hints(
    "Turn the levels into amplitudes, add them, turn the sum back into decibels, and go 6 dB below.",
    (-6 - amplitude_to_db(3), "You took all three at full level."),
    (-6 - sum(_levels_db), "Decibels do not add up like that: turn them into amplitudes first."),
    (-6.0, "That is the send for one head alone."),
    (-6 - 10 * math.log10(_power), "Heads can be in phase: add amplitudes, not powers."),
    (amplitude_to_db(_sum) - 6, "The more the heads add up to, the lower the send must be."),
    (-amplitude_to_db(_sum), "That is the edge itself; stay 6 dB below it."),
)

#: The closed loop of two bars on the slow tape.
_loop_mm = from_si(transport.tape_used(2 * tempo.delay_from_tempo(BPM, 4), SLOW), "mm")
two_bars = Exercise(_loop_mm, "mm").hints(
    "Two bars are eight beats of 60/76 seconds; length is time times speed.",
    (2 * _loop_mm, "That is the loop for the fast speed."),
    (_loop_mm / 2, "That is one bar."),
    (_loop_mm / 4, "That is two beats; a bar here has four."),
)

#: How often the tape passes the heads in an evening.
_passes = 3 * heads.passes_per_hour(1.2, FAST)
evening = Exercise(_passes, "").hints(
    "How long is one round, and how many of them fit into three hours?",
    (_passes / 3, "That is one hour; the night has three."),
    (_passes / 2, "That is the slow speed."),
)

#: How far two unlike crossed sends may go up together.
ping_pong = Exercise(6.0, "dB").hints(
    "Follow a tone from left to right and back to the left: that is one way round, over two sends.",
    (12.0, "That is once round, but both sends go up, and each gives its part."),
    (4.0, "One side alone is no loop: what leaves the left comes back over the right."),
    (8.0, "One side alone is no loop: what leaves the right comes back over the left."),
    (-6.0, "They are 12 dB below the edge once round, so they may go up."),
)
