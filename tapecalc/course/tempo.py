"""How well a delay fits a note, and where its repeats fall."""

import math
from typing import Any, cast

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Polygon

from tapecalc import words
from tapecalc.calc import tempo
from tapecalc.calc.transport import delay_from_spacing
from tapecalc.calc.units import from_si, to_si
from tapecalc.course.deck import BPM, DECK, FAST, SLOW, spacing_slider, speed_slider
from tapecalc.course.exercise import NOT_WHOLE, Exercise, Guess, Question
from tapecalc.course.panel import Answer, Artists, Control, Panel, chart, choice, empty_line, slider
from tapecalc.plot import style
from tapecalc.plot.kit import name_lines
from tapecalc.plot.tempo import SONG_NOTES

SLOWEST_BPM, FASTEST_BPM = 60.0, 180.0
TEMPOS = np.geomspace(57.0, 195.0, 100)  # across the chart, a little beyond both ends of the slider
LOWEST_MS, HIGHEST_MS = 50.0, 1100.0
NEAREST = "nearest"
NOTES = tuple(tempo.note_value(name) for name in SONG_NOTES)
JUDGED_AS = {
    "an even pulse": "pulse",
    "a line, sharp attacks": "sharp line",
    "a line, soft attacks": "soft line",
}
LARGEST_ERROR = 1.5  # percent
MOST_REPEATS = 16


def _tempo_slider() -> Control:
    return slider("tempo_bpm", "tempo", BPM, low=SLOWEST_BPM, high=FASTEST_BPM, step=0.5, unit="bpm")


def _judge() -> Control:
    return choice("judged_as", "judged as", JUDGED_AS, "pulse")


def _late_or_early(error: float) -> str:
    """Say an error in words, to a tenth of a millisecond."""
    if round(abs(from_si(error, "ms")), 1) == 0:
        return "right in time"
    return f"{words.amount(abs(error), 'ms', '.1f')} {'late' if error > 0 else 'early'}"


# ---- how well a delay fits ----


def tempo_panel() -> Panel:
    """Return the panel of delay over tempo: note values as lines, this machine across, the gap between.

    Both axes have equal steps for equal ratios, so notes are parallel lines and an error of so many
    cents is equally high everywhere. Sources of the band: as `tempo.JUDGED_AS`.

    >>> print(tempo_panel().readout)
    At 76 bpm the delay of 436 ms is an eighth, 41.0 ms late (+10.4 %, +171 cents): a miss, because
    ears notice from 9.9 ms.
    """
    notes = {"the nearest": NEAREST} | {name: name for name in SONG_NOTES}
    return Panel(
        "tempo_and_delay",
        _build_tempo,
        _update_tempo,
        _tempo_slider(),
        spacing_slider(20.0, 100.0, 0.1),
        speed_slider(speed=SLOW, step=math.log10(2) / 120),
        choice("note", "note value", notes, NEAREST),
        _judge(),
        question="Which single move, of one control only, brings the song and the tape together?",
        legend="Slanted lines: how long each note lasts. Level line: your delay; upright line: your song; "
        "thick piece: how far apart the two are. Shaded: what ears let pass. Dot: the tempo that fits.",
        alt="Chart of delay in ms over tempo in beats per minute, both with equal steps for equal ratios. "
        "Note values are parallel falling lines; a level line is the delay, an upright one the song.",
    )


def _build_tempo(figure: Figure, profile: style.Profile) -> Artists:
    """Draw the note values, which stand still; everything else moves."""
    axes = chart(figure.subplots(), profile, x="tempo (beats per minute)", y="delay (ms)")
    axes.set(xscale="log", yscale="log", xlim=TEMPOS[[0, -1]], ylim=(LOWEST_MS, HIGHEST_MS))
    axes.set(xticks=(60, 76, 90, 110, 140, 180), yticks=(50, 100, 200, 400, 800))
    axes.minorticks_off()
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_formatter("{x:.0f}")
    lines = [empty_line(axes, profile, k) for k in range(len(NOTES))]
    for line, note in zip(lines, NOTES, strict=True):
        line.set_data(TEMPOS, from_si(tempo.delay_from_tempo(TEMPOS, note.beats), "ms"))
    name_lines(axes, profile, lines, SONG_NOTES)
    ground = profile.ground
    thin: dict[str, Any] = {"color": ground.text, "linewidth": profile.line_pt / 1.5}
    band = Polygon([[SLOWEST_BPM, LOWEST_MS]], facecolor=ground.dry, alpha=0.3, edgecolor="none")
    return {
        "passes": axes.add_patch(band),
        "delay": axes.axhline(LOWEST_MS, **thin),
        "song": axes.axvline(SLOWEST_BPM, linestyle=style.LINES[1], **thin),
        "gap": axes.plot([], [], color=ground.text, linewidth=2.2 * profile.line_pt)[0],
        "fits": axes.plot([], [], "o", color=ground.text, markersize=3 * profile.line_pt + 2)[0],
    }


def _update_tempo(
    artists: Artists, tempo_bpm: float, spacing_mm: float, speed_ips: float, note: str, judged_as: str
) -> Answer:
    """Judge the delay at this tempo, and say the four ways to be exact."""
    spacing, speed = to_si(spacing_mm, "mm"), to_si(speed_ips, "ips")
    notes = NOTES if note == NEAREST else (tempo.note_value(note),)
    heard, delay = tempo.JUDGED_AS[judged_as], delay_from_spacing(spacing, speed)
    found = tempo.nearest_fits(delay, tempo_bpm, notes=notes, threshold=heard)[0]
    ways = tempo.exact_changes(
        found,
        spacing=spacing,
        speed=speed,
        capstan_diameter=DECK.capstan_diameter,
        tape_thickness=DECK.tape_thickness,
    )
    tempos = TEMPOS[:-1]  # off the right end, where the names of the notes begin
    lasts = tempo.delay_from_tempo(tempos, found.note.beats)
    passes = tempo.timing_threshold(lasts) if heard is None else heard
    least, most = (lasts + sign * passes for sign in (-1, 1))
    edge = np.column_stack([np.append(tempos, tempos[::-1]), np.append(least, most[::-1])])
    artists["passes"].set_xy(edge * (1, from_si(1.0, "ms")))
    delay_ms, wanted_ms = from_si(found.delay, "ms"), from_si(found.wanted_delay, "ms")
    artists["delay"].set_ydata([delay_ms, delay_ms])
    artists["song"].set_xdata([tempo_bpm, tempo_bpm])
    artists["gap"].set_data([tempo_bpm, tempo_bpm], [wanted_ms, delay_ms])
    artists["fits"].set_data([ways.bpm.value], [delay_ms])
    name = found.note.name
    move, to = words.amount(ways.spacing_change.value, "mm", "+.1f"), words.amount(ways.spacing, "mm", ".1f")
    sleeve = "impossible: a sleeve only adds"
    if ways.sleeve_diameter is not None:
        shaft = words.amount(cast(float, DECK.capstan_diameter), "mm", ".2f")
        sleeve = f"{words.amount(ways.sleeve_diameter.value, 'mm', '.2f')}, on a shaft of {shaft}"
    slower, to_speed = f"{ways.speed_change_percent.value:+.1f} %", words.amount(ways.speed, "ips", ".2f")
    verdict = "a miss, because ears notice" if found.audible else "a fit, because ears notice only"
    return (
        f"At {tempo_bpm:g} bpm the delay of {words.amount(found.delay, 'ms')} is "
        f"{words.with_article(name)}, {_late_or_early(found.error)} "
        f"({found.error_percent:+.1f} %, {found.error_cents:+.0f} cents): "
        f"{verdict} from {words.amount(found.threshold, 'ms', '.1f')}.",
        {
            "move the playback head by": f"{move}, to {to}",
            "or change the speed by": f"{slower}, to {to_speed}",
            "or a sleeve of": sleeve,
            "or play at": f"{ways.bpm.value:.1f} bpm",
        },
    )


# ---- where the repeats fall ----


def repeats_panel() -> Panel:
    """Return the panel of repeats against the beat, and of the error that grows with them.

    >>> print(repeats_panel().readout)
    A dotted eighth at 76 bpm lasts 592 ms; 4 repeats make 3 beats. With +1 % of error repeat 8 is
    47.4 ms late; ears notice from repeat 3 on.
    """
    most = LARGEST_ERROR
    return Panel(
        "repeats_and_beat",
        _build_repeats,
        _update_repeats,
        _tempo_slider(),
        choice("note", "note value", {name: name for name in SONG_NOTES}, "dotted eighth"),
        slider("error_percent", "delay too long by", 1.0, low=-most, high=most, step=0.1, unit="%"),
        slider("repeats", "repeats", 8, low=1, high=MOST_REPEATS, step=1, unit=""),
        _judge(),
        question="Which repeat is the first that ears find out of time?",
        legend="Above: upright lines are the beats; diamond, the note itself; squares, where repeats should "
        "fall; large squares, those that meet a beat; dots, where they do fall. Below: how late each repeat "
        "is; shaded, what ears let pass.",
        alt="Two charts over the same time in beats. Above: two rows of marks, repeats as they should fall "
        "and as they do. Below: the error of each repeat in ms, growing along a straight line.",
    )


def _build_repeats(figure: Figure, profile: style.Profile) -> Artists:
    """Draw the beats; everything else moves."""
    rhythm, late = figure.subplots(2, 1, sharex=True, height_ratios=(2, 3))
    chart(rhythm, profile, grid="x", ylim=(-0.7, 1.7), xlim=(-0.3, 1.04 * MOST_REPEATS))
    rhythm.set_yticks((0, 1), ["as it is", "in time"])
    rhythm.tick_params(labelbottom=False)
    largest = LARGEST_ERROR / 100 * from_si(tempo.delay_from_tempo(SLOWEST_BPM, NOTES[0].beats), "ms")
    ends = (-1.1 * MOST_REPEATS * largest, 1.1 * MOST_REPEATS * largest)
    chart(late, profile, x="time after the note (beats)", y="late (ms)", ylim=ends)
    late.set_xticks(range(0, MOST_REPEATS + 1, 2 if profile.narrow else 1))
    text, size = profile.ground.text, 2 * profile.line_pt + 2
    blue, red = profile.ground.dry, profile.ground.echo
    rhythm.plot([0, 0], [0, 1], "D", color=text, markersize=size)
    return {
        "passes": late.axhspan(-1, 1, facecolor=blue, alpha=0.3, edgecolor="none"),
        "wanted": rhythm.plot([], [], "s", color=blue, markersize=size)[0],
        "on the beat": rhythm.plot([], [], "s", color=blue, markersize=1.8 * size)[0],
        "echo": rhythm.plot([], [], "o", color=red, markersize=size)[0],
        "late": late.plot([], [], "o-", color=red, markersize=size, linewidth=profile.line_pt / 1.5)[0],
    }


def _update_repeats(
    artists: Artists, tempo_bpm: float, note: str, error_percent: float, repeats: int, judged_as: str
) -> Answer:
    """Count the repeats off against the beat."""
    value = tempo.note_value(note)
    wanted = tempo.delay_from_tempo(tempo_bpm, value.beats)
    delay = wanted * (1 + to_si(error_percent, "percent"))
    judged = tempo.fit(delay, tempo_bpm, value, threshold=tempo.JUDGED_AS[judged_as])
    number = np.arange(1, repeats + 1)
    offsets = tempo.grid_offset(judged.delay, wanted, number)
    in_time = number * value.beats
    every, beats = value.cross_rhythm
    meeting = in_time[number % every == 0]
    heard_ms = from_si(judged.threshold, "ms")
    artists["passes"].set(y=-heard_ms, height=2 * heard_ms)
    artists["wanted"].set_data(in_time, np.ones_like(in_time))
    artists["on the beat"].set_data(meeting, np.ones_like(meeting))
    artists["echo"].set_data(in_time * judged.delay / wanted, np.zeros_like(in_time))
    artists["late"].set_data(in_time, from_si(offsets, "ms"))
    count = f"{every} repeat{'s' * (every > 1)} make{'s' * (every == 1)} {beats} beat{'s' * (beats > 1)}"
    good = judged.repeats_in_time
    heard = "none is ever heard as wrong" if good is None else f"ears notice from repeat {good + 1} on"
    return (
        f"{words.with_article(note).capitalize()} at {tempo_bpm:g} bpm lasts "
        f"{words.amount(wanted, 'ms')}; {count}. With {error_percent:+.3g} % of error repeat {repeats} is "
        f"{_late_or_early(offsets[-1])}; {heard}.",
        {
            "the delay": words.amount(judged.delay, "ms", ".1f"),
            "late per repeat": words.amount(judged.error, "ms", "+.1f"),
            "ears notice from": words.amount(judged.threshold, "ms", ".1f"),
        },
    )


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
