"""How well a delay fits a note, and where its repeats fall."""

from typing import Any

from tapecalc.calc import tempo
from tapecalc.calc.quantity import positive
from tapecalc.calc.transport import delay_from_spacing
from tapecalc.calc.units import from_si, to_si
from tapecalc.course.deck import BPM, DECK, FAST, FASTEST_IPS, SLOW, SLOWEST_IPS
from tapecalc.course.exercise import NOT_WHOLE, Exercise, Guess, Question
from tapecalc.panels.panel import Panel
from tapecalc.plot.tempo import SONG_NOTES

#: What the panels of this lesson know of the bench deck and the trade.
FACTS: dict[str, Any] = {
    "bpm": BPM,
    "spacing_mm": round(from_si(DECK.spacings[0], "mm"), 3),
    "slow_ips": round(from_si(SLOW, "ips"), 6),
    "speed_range_ips": [SLOWEST_IPS, FASTEST_IPS],
    "capstan_diameter": DECK.capstan_diameter,
    "tape_thickness": DECK.tape_thickness,
    "judged_as": {
        "an even pulse": tempo.JUDGED_AS["pulse"],
        "a line, sharp attacks": tempo.JUDGED_AS["sharp line"],
        "a line, soft attacks": tempo.JUDGED_AS["soft line"],
    },
    "notes": [
        dict(zip(("every", "meets"), note.cross_rhythm, strict=True))
        | {"name": note.name, "beats": note.beats, "plain": note.plain}
        for note in map(tempo.note_value, SONG_NOTES)
    ],
}


def tempo_panel(heard_from_ms: float | None = None) -> Panel:
    """Return the panel of how well a delay fits a note, judged by one's own ear, too, if that is known."""
    if heard_from_ms is None:
        return Panel("tempo", "tempoPanel", FACTS)
    own = {f"my own ear, {heard_from_ms:g} ms": float(to_si(positive("heard_from_ms", heard_from_ms), "ms"))}
    panel = Panel("tempo", "tempoPanel", FACTS | {"judged_as": FACTS["judged_as"] | own})
    controls = [
        {**one, "options": [*one["options"], *own]} if one["name"] == "judged_as" else one
        for one in panel.told["controls"]
    ]
    panel.told = {**panel.told, "controls": controls}
    return panel


def repeats_panel() -> Panel:
    """Return the panel of repeats against the beat, and of the error that grows with them."""
    return Panel("tempo", "repeatsPanel", FACTS)


# ---- exercises ----

_WHOLE_NUMBER = 1e-6  # tolerance in percent where only one whole number is right

#: The prediction: at which tempo the slow speed is an eighth; a guess may be a tenth off.
_slow_eighth = tempo.tempo_from_delay(DECK.delays(SLOW)[0], tempo.note_value("eighth").beats)
first_guess = Guess(_slow_eighth, "bpm", tolerance_percent=10).hints(
    "Two eighths make one beat. How many times do two such delays fit into a minute?",
    (2 * _slow_eighth, "At that tempo the echo is a whole beat, a quarter; an eighth is half a beat."),
    (_slow_eighth / 2, "An eighth is half a beat, not two beats: there are two eighths in each beat."),
)


def _dotted(bpm: float) -> Exercise:
    """Ask for the length of a dotted eighth."""
    beat_ms = from_si(tempo.delay_from_tempo(bpm, 1), "ms")
    product = bpm * tempo.note_value("dotted eighth").beats
    return Exercise(
        from_si(tempo.delay_from_tempo(bpm, tempo.note_value("dotted eighth").beats), "ms"), "ms"
    ).hints(
        "A beat lasts a minute divided by the tempo; a dotted eighth is three quarters of a beat.",
        (beat_ms, "That is a whole beat, a quarter note."),
        (beat_ms / 2, "That is a plain eighth; the dot adds half of it."),
        (1.5 * beat_ms, "That is a dotted quarter."),
        ((product - 1, product + 1), "You multiplied by the tempo: a faster song has shorter notes."),
    )


dotted = _dotted(90)
dotted_again = Question(
    "A song goes at {bpm:g} bpm: how long is a dotted eighth, in milliseconds?",
    _dotted,
    "A beat lasts 60/{bpm:g} seconds, and three quarters of that are {answer}.",
    {"bpm": (66, 72, 80, 84, 96, 100, 108, 112, 125, 132)},
)


def _triplet(spacing_mm: float) -> Exercise:
    """Ask for the tempo at which a spacing at 7.5 ips is an eighth triplet."""
    delay = delay_from_spacing(to_si(spacing_mm, "mm"), to_si(7.5, "ips"))
    said = {
        1 / 2: "That is the tempo for a plain eighth.",
        2 / 3: "That is a quarter triplet: three of them fill two beats. Three eighth triplets fill one.",
        1: "That is the tempo for a quarter.",
        3 / 4: "That is the tempo for a dotted eighth.",
    }
    bpm = tempo.tempo_from_delay(delay, tempo.note_value("eighth triplet").beats)
    return Exercise(bpm, "bpm").hints(
        "First the delay; then: three eighth triplets fill one beat, and so many beats fill a minute.",
        *((tempo.tempo_from_delay(delay, beats), words) for beats, words in said.items()),
    )


triplet = _triplet(50)
triplet_again = Question(
    "Heads {spacing_mm:g} mm apart, and a tape at 7.5 ips: at which tempo is the delay an eighth triplet?",
    _triplet,
    "The delay is {spacing_mm:g}/190.5 seconds, three of them fill a beat, and so many beats fill a minute: "
    "{answer}.",
    {"spacing_mm": (32, 36, 40, 44, 48, 54, 58, 60)},
)

#: Where the head must stand for a sixteenth at 84 beats a minute.
_late = tempo.fit(DECK.delays(FAST)[0], 84, tempo.note_value("sixteenth"))
_now_mm = from_si(DECK.spacings[0], "mm")
_less_mm, _more_mm = (_now_mm * (1 + sign * _late.error_percent / 100) for sign in (-1, 1))
_spacing_mm = from_si(tempo.exact_changes(_late, spacing=DECK.spacings[0], speed=FAST).spacing, "mm")
new_spacing = Exercise(_spacing_mm, "mm").hints(
    "How long does the sixteenth last? Then: how far does the tape run meanwhile?",
    (_spacing_mm / 2, "That is the place for the slow speed."),
    (_less_mm, "So many percent too long is not cured by so many percent less: divide by 1 plus the error."),
    (_more_mm, "The echo is late, so the head must come nearer."),
    (_now_mm - _spacing_mm, "That is how far to move it; we ask where it must stand."),
)

#: The first repeat that is heard as late: 506 ms at 120 beats a minute, in a pulse and as a line of drums.
_in_time, _beside = (
    tempo.fit(0.506, 120, tempo.note_value("quarter"), threshold=tempo.JUDGED_AS[name]).repeats_in_time or 0
    for name in ("pulse", "sharp line")
)
first_heard = Exercise(_in_time + 1, "", tolerance_percent=_WHOLE_NUMBER).hints(
    "How late is each repeat? Compare with 2.5 % of the beat.",
    (_in_time, "That is the last one that still passes."),
    (1, "One repeat alone is within the threshold: look at how the error adds up."),
    (NOT_WHOLE, "Repeats are counted in whole numbers: round up."),
)

first_beside = Exercise(_beside + 1, "", tolerance_percent=_WHOLE_NUMBER).hints(
    "The same misses, but beside other players, with sharp attacks: 20 ms are just not heard.",
    (_beside, "That is the last one that still passes; only in an even pulse it is heard as late."),
    (6, "That is the one for soft attacks; a rim shot is sharp."),
    (NOT_WHOLE, "Repeats are counted in whole numbers: round up."),
)

#: How long a loop that is 0.3 % slow stays within 50 ms; 17 s is right, and so is 16.7.
_drift_s = tempo.duration_from_drift(to_si(50, "ms"), 0.3)
drift = Exercise(_drift_s, "s", tolerance_percent=2.5).hints(
    "In each second the loop loses 0.3 % of a second.",
    (0.050 * 0.003, "You multiplied; the drift is time times error, so time is drift divided by error."),
    (_drift_s / 100, "0.3 % is 0.003."),
)

#: After how many repeats a dotted eighth meets the first beat of a bar of four.
_every, _beats = tempo.note_value("dotted eighth").cross_rhythm
bar_line = Exercise(_every * 4, "", tolerance_percent=_WHOLE_NUMBER).hints(
    "It meets every third beat. Which is the first of them that starts a bar?",
    (_every, "There it meets a beat, but which one? It is the fourth of the bar."),
    (_beats * 4, "That is the number of beats; we ask for repeats."),
    (_beats, "That is the number of bars; we ask for repeats."),
)
