"""Figures of many heads: their rhythm, the tape as its ruler, the map of rhythms, the comb of close heads."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.lines import Line2D
from matplotlib.ticker import MultipleLocator
from numpy.typing import NDArray

from tapecalc import words
from tapecalc.calc import head_design, heads, response, stereo, tempo, transport
from tapecalc.calc.loop import EchoLoop
from tapecalc.calc.standards import FUSION_LIMIT
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude, from_si, to_si
from tapecalc.machine import Machine
from tapecalc.plan import echo_pattern
from tapecalc.plot.kit import Canvas, Drawn, figure, finely, minus, note_fraction
from tapecalc.plot.style import ROLES
from tapecalc.words import amount, listed

#: The note values of the map, from short to long.
RHYTHM_NOTES = (
    *("sixteenth", "eighth triplet", "eighth", "quarter triplet", "dotted eighth", "quarter"),
    *("half triplet", "dotted quarter", "half"),
)
ALLOWED_ERROR = 0.006  # s, how far off a rhythm of the map may be
HIGHEST, FAINTEST_DB = 1000.0, -40.0  # Hz and dB, the range of the comb
TEETH, MOST_TEETH = 20, 100  # of the comb that are shown, those of the closest heads and of the farthest
MOST_TAPS = 100  # repeats that make one comb
MOST_NUMBERS = 8  # beats that are numbered on one ruler
BAR = 4  # beats in which later answers are shown, or twice the longest delay
#: How much of a return crosses over, by name, how many longest delays are shown, and the highest stroke.
CROSSED, ROUNDS, TALLEST = {"straight": 0.0, "half crossed": 0.5, "all crossed": 1.0}, 8, 0.44
#: Height of a mark on a ruler by how many sixteenths it stands from a beat.
MARK_HEIGHTS = (0.30, 0.12, 0.20, 0.12)


# ---- the machine's own heads ----


def remarks(layout: heads.Heads) -> list[str]:
    """Say of each head what is not plain: its level, whether it is inverted, and outside of the loop.

    >>> remarks(heads.Heads(spacings=(0.04, 0.08), gains=(1, -0.5), feeds_return=(True, False)))
    ['', '\u22126.0 dB, inverted, not in the loop']
    """
    said = []
    for gain, feeds in zip(layout.gains, layout.feeds_return, strict=True):
        level = "silent" if not gain else minus(words.level(float(amplitude_to_db(abs(gain)))))
        parts = [level if abs(gain) != 1 else "", "inverted" if gain < 0 else ""]
        said.append(", ".join(filter(None, [*parts, "" if feeds else "not in the loop"])))
    return said


def said_of_heads(layout: heads.Heads) -> str:
    """Say the same in sentences, with a space before them; nothing where all heads are plain."""
    return "".join(f" Head {k}: {said}." for k, said in enumerate(remarks(layout), 1) if said)


def own_heads(machine: Machine, speed: float) -> heads.Heads:
    """Give the machine's heads where they stand, which a measured delay does not change."""
    return replace(machine.heads_at(speed), spacings=machine.spacings)


def song_tempo(machine: Machine) -> float:
    """The tempo of the machine's song, or 90 beats a minute where it has none."""
    return machine.song.bpm or 90


def later_answers(machine: Machine, speed: float) -> tuple[float, ...]:
    """List when the machine answers again after each head's first answer, s, while that is heard.

    For a bar, or for twice the longest delay.
    """
    echo, delays = machine.echo_loop(speed, pole_shape="flat"), machine.delays(speed)
    first_db = (
        amplitude_to_db(abs(echo.input_gain * echo.heads.gains[0])) + response.loudest(echo.one_pass)[1]
    )
    longest = max(tempo.delay_from_tempo(song_tempo(machine), BAR), 2 * max(delays))
    times, _ = echo_pattern(
        machine, speed, longest=longest * (1 + 1e-9), faintest_db=first_db + machine.song.faded_db - 1e-9
    )
    new = np.all(np.abs(np.subtract.outer(times, delays)) > 1e-6, axis=1)
    return tuple(times[new].tolist())


def rhythm_of(machine: Machine) -> dict[str, Any]:
    """Give the arguments of `head_rhythm`: the machine's heads and all its answers at its first speed."""
    speed = machine.speeds[0]
    own = {"layout": own_heads(machine, speed), "delays": machine.delays(speed)}
    return own | {"speed": speed, "bpm": song_tempo(machine), "repeats": later_answers(machine, speed)}


def _limits(machine: Machine) -> head_design.MechanicalLimits:
    """Where heads could stand: 30 to 140 mm, or from the nearest to the farthest that the machine has."""
    first, longest = min(to_si(30, "mm"), *machine.spacings), max(to_si(140, "mm"), *machine.spacings)
    return head_design.MechanicalLimits(first=first, pitch=to_si(18, "mm"), longest=longest)


def _five_speeds(machine: Machine) -> tuple[float, ...]:
    """The machine's speeds, or five of its range."""
    free = machine.speed_range
    return machine.speeds[:5] if free is None else tuple(np.geomspace(*free, 5).tolist())


# ---- the heads as a rhythm ----


@figure("when each head answers", rhythm_of, units=True)
def head_rhythm(
    canvas: Canvas,
    *,
    layout: heads.Heads,
    speed: float,
    bpm: float,
    delays: Sequence[float] | None = None,
    repeats: Sequence[float] = (),
) -> Drawn:
    """Draw where each playback head strikes in the bar: the heads as a rhythm, ``beats = T bpm / 60``.

    `delays` are those measured, by default spacing over speed; `repeats` are the times of later answers, s.
    A head that does not feed the return is hollow, one that is inverted points down. ``"hits"`` are one mark
    for each head, ``"later"`` are the later answers.

    >>> drawn = head_rhythm(layout=heads.Heads(spacings=(0.075, 0.15)), speed=0.1905, bpm=76)
    >>> [hit.get_xdata()[0].round(3) for hit in drawn.artists["hits"]]
    [np.float64(0.499), np.float64(0.997)]
    """
    axes, profile, ground = canvas.axes, canvas.profile, canvas.profile.ground
    taken = layout.delays(speed) if delays is None else np.array(delays)
    beats = np.atleast_1d(tempo.beats_from_delay(taken, bpm))
    again = tempo.beats_from_delay(np.array(repeats), bpm) if len(repeats) else np.zeros(0)
    last, rows = np.ceil(4 * max(*beats, *again, 0) + 0.5) / 4, range(1, len(beats) + 1)
    axes.hlines(rows, 0, beats, color=ground.dry, linewidth=profile.line_pt / 2)
    hits = [_head_mark(canvas, place, layout, k) for k, place in enumerate(zip(beats, rows, strict=True))]
    (later,) = axes.plot(again, [rows[-1] + 1] * len(again), **canvas.dots(3.2, color=ground.dry))
    (played,) = axes.plot([0], [0], **_mark(canvas, 1, "s"))
    time = ("time after the note, beats", "$t$", "beat" if canvas.symbols_only else "")
    canvas.style_axes(f"When the tape answers, {bpm:g} bpm", x=time, grid="x")
    bottom = rows[-1] + (1 if len(again) else 0)
    axes.set(xlim=(0, last), ylim=(bottom + 0.6, -0.6))
    names = ["R" if canvas.symbols_only else "note", *_row_names(canvas, layout)]
    names += ["$n$ > 1" if canvas.symbols_only else "later\nrepeats"] if len(again) else []
    axes.set_yticks(range(bottom + 1), names)
    marked = 0.5 if last <= (2 if profile.narrow else 4) else np.ceil(last / (4 if profile.narrow else 8))
    axes.xaxis.set_major_locator(MultipleLocator(marked))
    axes.xaxis.set_minor_locator(MultipleLocator(0.25 if last <= 16 else marked))
    axes.grid(True, which="minor", axis="x", color=ground.grid, linewidth=profile.line_pt / 5)
    pairs = zip(layout.spacings, beats.tolist(), strict=True)
    said = listed(f"{canvas.length(d)} at {beat:.2f} beats" for d, beat in pairs)
    follow = (
        "" if not len(again) else f" Repeats follow every {beats[0]:.2f} beats." if len(beats) == 1 else ""
    )
    follow = follow or (f" {len(again)} more answers come back within {last:g} beats." if len(again) else "")
    return Drawn(
        canvas.figure,
        {"hits": hits, "played": played, "later": later},
        f"The answers of the tape, {canvas.speed(speed)} and {bpm:g} beats a minute: {said}."
        f"{said_of_heads(layout)}{follow}",
        f"Dot chart, time in beats after the note to the right, one row per playback head: {said}. A head "
        "outside of the loop is hollow, an inverted one a triangle. Fine vertical lines are sixteenth notes."
        f"{follow}",
        ("beats = T bpm / 60, from the definition of the tempo",),
    )


def _row_names(canvas: Canvas, layout: heads.Heads) -> list[str]:
    """Name each head, its place and what is not plain about it, as far as there is room."""
    profile, said = canvas.profile, remarks(layout)
    names = [f"P{k}" if canvas.symbols_only else f"head {k}" for k in range(1, len(said) + 1)]
    if canvas.symbols_only:
        pairs = zip(names, layout.gains, strict=True)
        return [name if gain == 1 else minus(f"{name}, {gain:.2g}") for name, gain in pairs]
    if not profile.narrow:
        names = [f"{name}, {canvas.length(d)}" for name, d in zip(names, layout.spacings, strict=True)]
    else:
        said = [text.replace(", ", "\n").replace("not in ", "not in\n") for text in said]
    room = profile.height_in * 72 * 0.55 / (1.2 * profile.text_pt) / (len(said) + 2)  # lines of one row
    return [
        f"{name}\n{text}" if text and text.count("\n") + 2 < room else name
        for name, text in zip(names, said, strict=True)
    ]


# ---- the tape as a ruler ----


def ruler_marks(speed: float, bpm: float, farthest: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Find where the sixteenths of a tempo lie along the tape, ``d = k v 60 / (4 bpm)``.

    They end at `farthest`, m from the record head. With each goes the height of its mark: beats are longest.

    >>> ruler_marks(0.2, 120, 0.06)
    (array([0.   , 0.025, 0.05 ]), array([0.3 , 0.12, 0.2 ]))
    """
    sixteenths = len(MARK_HEIGHTS)
    step = transport.spacing_from_delay(tempo.delay_from_tempo(bpm, 1 / sixteenths), speed)
    count = np.arange(int(np.floor(farthest / step * (1 + 1e-9))) + 1)
    return count * step, np.array(MARK_HEIGHTS)[count % sixteenths]


def _rulers_of(machine: Machine) -> dict[str, Any]:
    own = {
        "layout": own_heads(machine, machine.speeds[0]),
        "delays": [machine.delays(v) for v in machine.speeds],
    }
    return own | {"speeds": machine.speeds, "bpm": song_tempo(machine)}


@figure("where a rhythm stands on the tape", _rulers_of, units=True)
def tape_as_ruler(
    canvas: Canvas,
    *,
    layout: heads.Heads,
    speeds: Sequence[float],
    bpm: float,
    delays: Sequence[Sequence[float]] | None = None,
) -> Drawn:
    """Draw the heads on the tape path, and below it one ruler of beats for each speed.

    `delays` are those measured, for each speed and head; by default spacing over speed. Heads that feed the
    return are filled. The artists ``"marks"`` and ``"hits"`` are one for each speed.

    >>> tape_as_ruler(layout=heads.Heads(spacings=(0.05, 0.11)), speeds=(0.2,), bpm=120).caption
    'Heads at 50 mm and 110 mm, 120 beats a minute. At 20 cm/s: 0.50 beats (eighth), 1.10 beats.'
    """
    axes, profile, unit = canvas.axes, canvas.profile, canvas.length_unit
    thin, ground = profile.line_pt / 2, profile.ground
    sixteenth = tempo.delay_from_tempo(bpm, 1 / len(MARK_HEIGHTS)) * min(speeds)  # of tape, at the slowest
    places, farthest = from_si(np.array(layout.spacings), unit), 1.08 * max(*layout.spacings, sixteenth)
    end, rows = from_si(farthest, unit), range(1, len(speeds) + 1)
    times = [layout.delays(v) if delays is None else np.array(delays[k]) for k, v in enumerate(speeds)]
    axes.hlines([0, *rows], 0, end, color=ground.frame, linewidth=thin)
    axes.vlines(places, 0, rows[-1], color=ground.dry, linewidth=profile.line_pt / 3)
    squares = [_head_mark(canvas, (x, 0), layout, k, "s") for k, x in enumerate(places.tolist())]
    axes.plot([0], [0], **_mark(canvas, 1, "s"))
    marks, hits = [], []
    for row, speed, taken in zip(rows, speeds, times, strict=True):
        on_tape = from_si(taken * speed, unit)
        positions, heights = ruler_marks(speed, bpm, farthest)
        at = from_si(positions, unit).tolist()
        strokes = [[(x, row), (x, row - height)] for x, height in zip(at, heights.tolist(), strict=True)]
        lines = LineCollection(strokes, colors=ground.text, linewidths=profile.line_pt * 0.75)
        marks.append(axes.add_collection(lines))
        hits += axes.plot(on_tape, np.full(places.size, row), **_mark(canvas, 0, "o"))
        beats = at[:: len(MARK_HEIGHTS)]
        every = 1 + (len(beats) - 1) // MOST_NUMBERS
        for beat in range(every, len(beats), every):
            _write(canvas, (beats[beat], row), f"{beat}", below=True)
        if not profile.narrow:
            _write_beats(canvas, row, on_tape.tolist(), tempo.beats_from_delay(taken, bpm).tolist(), end)
    along = "distance" if profile.narrow else "distance from the record head"
    canvas.style_axes(f"The tape is a ruler of beats, {bpm:g} bpm", x=(along, "$d$", unit), grid=None)
    axes.set(xlim=(-0.02 * end, 1.02 * end), ylim=(rows[-1] + 0.5, -0.6))
    axes.set_yticks([0, *rows], ["R, P" if canvas.symbols_only else "tape", *map(canvas.speed, speeds)])
    said = ". ".join(
        f"At {canvas.speed(speed)}: {', '.join(_in_beats(delay, bpm) for delay in taken.tolist())}"
        for speed, taken in zip(speeds, times, strict=True)
    )
    where = f"Head{'s' if len(places) > 1 else ''} at {listed(map(canvas.length, layout.spacings))}"
    return Drawn(
        canvas.figure,
        {"heads": squares, "marks": marks, "hits": hits},
        f"{where}, {bpm:g} beats a minute. {said}.{said_of_heads(layout)}",
        f"Upper line: the tape with its record head at 0 and {len(places)} playback heads, filled where "
        "a head feeds the return. Below, one ruler for each speed: the longest marks are beats, the "
        f"shortest sixteenths; dots are the heads, with their beats. {said}.",
        ("d = T v, from the motion",),
    )


def _in_beats(delay: float, bpm: float) -> str:
    """Say how many beats a delay lasts, and the note value where ears take it for one."""
    fit = tempo.nearest_fits(delay, bpm)[0]
    return f"{tempo.beats_from_delay(delay, bpm):.2f} beats" + ("" if fit.audible else f" ({fit.note.name})")


def _write_beats(canvas: Canvas, row: int, places: list[float], beats: list[float], end: float) -> None:
    """Write beats at the dots of one ruler; where two would touch, the first only."""
    inside = canvas.profile.width_in * 72 * 0.75 / canvas.profile.text_pt  # type sizes along the ruler
    free = -np.inf
    for x, beat in sorted(zip(places, beats, strict=True)):
        if x >= free:
            _write(canvas, (x, row - MARK_HEIGHTS[0]), f"{beat:.2f}", below=False)
            free = x + 2.9 / inside * end


def _mark(canvas: Canvas, index: int, shape: str) -> dict[str, Any]:
    """Look of a marker without a line."""
    return {
        "color": canvas.profile.ground.role(ROLES[index]),
        "marker": shape,
        "linestyle": "none",
        "markersize": (3 if shape == "o" else 4) * canvas.profile.line_pt,
        "markeredgewidth": canvas.profile.line_pt / 2,
        "clip_on": False,
        "zorder": 4,
    }


def _head_mark(
    canvas: Canvas, place: tuple[float, float], layout: heads.Heads, k: int, shape: str = "o"
) -> Line2D:
    """Mark a head: hollow where it does not feed the return, pointing down where it is inverted."""
    look = _mark(canvas, 0, "v" if layout.gains[k] < 0 else shape) | {
        "markersize": 4 * canvas.profile.line_pt
    }
    if not layout.feeds_return[k]:
        look["markerfacecolor"] = canvas.profile.ground.face
    return canvas.axes.plot([place[0]], [place[1]], **look)[0]


def _write(canvas: Canvas, place: tuple[float, float], text: str, *, below: bool) -> None:
    """Write to the lower left of a place, or to its upper right."""
    em = canvas.profile.text_pt
    canvas.axes.annotate(
        text,
        place,
        xytext=(-0.35 * em, -0.35 * em - canvas.profile.line_pt) if below else (0.35 * em, 0.1 * em),
        textcoords="offset points",
        ha="right" if below else "left",
        va="top" if below else "bottom",
        fontsize=em,
        color=canvas.profile.ground.text,
        annotation_clip=False,
    )


# ---- what heads can do ----


@figure(
    "which rhythms two heads could play",
    lambda machine: {"limits": _limits(machine), "speeds": _five_speeds(machine), "bpm": song_tempo(machine)},
    units=True,
)
def reachable_rhythms(
    canvas: Canvas, *, limits: head_design.MechanicalLimits, speeds: Sequence[float], bpm: float
) -> Drawn:
    """Draw the map of rhythms that two heads could reach, at no more than five speeds: a suggestion.

    A point counts `RHYTHM_NOTES`, the second head to the right, the first upwards; the artist ``"reached"``
    is one set of points for each speed. The numbers are those of `head_design.rhythm_map`.

    >>> limits = head_design.MechanicalLimits(first=0.03, pitch=0.02, longest=0.1)
    >>> reachable_rhythms(limits=limits, speeds=(0.2,), bpm=120).caption.split(". ")[1]
    '12 of 45 rhythms come within 6 ms: 20 cm/s serves 12.'
    """
    axes, profile, speeds = canvas.axes, canvas.profile, sorted(speeds, reverse=True)
    table = head_design.rhythm_map(limits, speeds, bpm, notes=map(tempo.note_value, RHYTHM_NOTES))
    names = [note_fraction(note) for note in table.notes]
    first, second = np.triu_indices(len(names))
    good, at_speed = (table.errors <= ALLOWED_ERROR)[first, second], table.speeds[first, second]
    size = min(4 * profile.line_pt, 0.9 * profile.text_pt)
    reached, served = [], []
    for k, speed in enumerate(speeds):
        which = good & (at_speed == speed)
        look = canvas.line_style(k, marker=True, linestyle="none", markersize=size)
        reached += axes.plot(second[which], first[which], label=canvas.speed(speed), **look)
        served.append(f"{canvas.speed(speed)} serves {np.count_nonzero(which)}")
    (missed,) = axes.plot(
        second[~good],
        first[~good],
        "x",
        color=profile.ground.frame,
        markersize=0.6 * size,
        markeredgewidth=profile.line_pt / 2,
        label="-" if canvas.symbols_only else "out of reach",
    )
    canvas.style_axes(
        f"A suggestion: what two heads could play, {bpm:g} bpm",
        x=("second head, note value", "$b_2$", ""),
        y=("first head, note value", "$b_1$", ""),
    )
    span = (-0.6, len(names) - 0.4)
    axes.set(xlim=span, ylim=span)
    axes.set_xticks(range(len(names)), names, rotation=90 if profile.portrait else 0)
    axes.set_yticks(range(len(names)), names)
    axes.legend(loc="upper left", borderaxespad=0.2, handletextpad=0.2, labelspacing=0.3)
    return Drawn(
        canvas.figure,
        {"reached": reached, "missed": missed},
        f"A suggestion: two heads from {canvas.length(limits.first)} to {canvas.length(limits.longest)}, "
        f"{bpm:g} beats a minute. {np.count_nonzero(good)} of {good.size} rhythms come within "
        f"{amount(ALLOWED_ERROR, 'ms')}: {', '.join(served)}.",
        "Chart of pairs of note values as fractions of a whole note, the second head's to the right, the "
        "first head's upwards; one head alone on the diagonal. A mark for the speed that comes nearest, a "
        "cross where none comes near enough.",
        ("d = T v, from the motion", "note values: usual music notation"),
    )


# ---- the comb ----


def _taps_of(machine: Machine) -> dict[str, Any]:
    """Delays and amplitudes of the machine's heads; of a single one its answer and all its repeats."""
    speed = max(machine.speeds)
    delays, echo = machine.delays(speed), machine.echo_loop(speed, pole_shape="flat")
    if len(delays) > 1:
        return {"delays": delays, "levels": echo.heads.gains}
    back = echo.return_gain * echo.head_gains[0] * db_to_amplitude(response.loudest(echo.one_pass)[1])
    faded = db_to_amplitude(machine.song.faded_db) * (1 - 1e-9)
    levels = [back**n for n in range(MOST_TAPS) if abs(back) ** n >= faded]
    if abs(back) >= 1:
        levels = levels[: machine.song.wanted_repeats]
    return {"delays": [(n + 1) * delays[0] for n in range(len(levels))], "levels": levels, "repeats": True}


@figure("what answers that follow closely do to the tone", _taps_of)
def comb_of_heads(
    canvas: Canvas, *, delays: Sequence[float], levels: Sequence[float], repeats: bool = False
) -> Drawn:
    """Draw the level of summed heads over frequency, against the loudest head alone: a comb.

    `delays` in s and the amplitudes `levels`, below 0 where inverted, are one for each head, or with
    `repeats` for each repeat of one head. Some twenty teeth of the closest two are shown.

    >>> comb_of_heads(delays=(0.1, 0.105), levels=(1, 1)).caption
    'Two heads 5.0 ms apart: peaks of +6.0 dB, notches from 100 Hz on, 200 Hz apart.'
    """
    axes, profile = canvas.axes, canvas.profile
    gaps, span = np.diff(np.sort(delays)), float(np.ptp(delays))
    apart = float(gaps[gaps > 0].min()) if span else 0.0
    top = float(f"{min(HIGHEST, TEETH / apart, MOST_TEETH / span):.1g}") if span else HIGHEST
    frequency = finely(0, top, 1 / span if span else top)
    loudest = np.max(np.abs(levels))
    sums = np.abs(heads.taps_gain(frequency, delays, levels)) / loudest
    top_db = float(amplitude_to_db(np.sum(np.abs(levels)) / loudest))
    comb_db = amplitude_to_db(np.maximum(sums, 10 ** (FAINTEST_DB / 20)))
    (comb,) = axes.plot(frequency, comb_db, **canvas.line_style(0))
    alone = axes.axhline(0, **canvas.line_style(1, linewidth=profile.line_pt / 2))
    level = ("level against one answer" if repeats else "level against one head", "$|H|$", "dB")
    title = (
        "Repeats make a comb" if repeats else "Heads together make a comb" if span else "One answer, no comb"
    )
    canvas.style_axes(title, x=("frequency", "$f$", "Hz"), y=level)
    bottom = max(FAINTEST_DB, 6 * np.floor(comb_db.min() / 6 - 0.2))
    axes.set(xlim=(0, top), ylim=(bottom, np.ceil(top_db / 6 + 0.2) * 6))
    names = ("$|H|$", "1") if canvas.symbols_only else ("together", "loudest alone")
    canvas.name_lines((comb, alone), names)
    said = _said_of_comb(list(delays), list(levels), apart, top_db, repeats=repeats)
    said += ", beyond this picture" if len(delays) == 2 and 0.5 / apart > top else ""
    said += "; ears take them for answers of their own" if apart >= FUSION_LIMIT else ""
    return Drawn(
        canvas.figure,
        {"comb": comb, "alone": alone},
        f"{said}.",
        f"Line chart of level in dB over frequency from 0 to {top:g} Hz, even steps. The line goes up "
        f"and down like a comb; the dashed line is the loudest alone. {said}.",
        ("superposition",),
    )


def _said_of_comb(
    delays: list[float], levels: list[float], apart: float, top_db: float, *, repeats: bool
) -> str:
    """Say what the comb of some heads, or of one head and its repeats, does to the level."""
    if len(delays) == 1:
        return "One head that does not come back: no comb"
    if repeats:
        every = f"peaks of {top_db:+.1f} dB every {amount(1 / apart, 'hz', '.1f')}"
        return f"One head and its repeats, {amount(apart, 'ms')} apart: {every}"
    if len(delays) > 2:
        closest = f"the closest {amount(apart, 'ms', '.1f')} apart"
        return f"{len(delays)} heads, {closest}: peaks of at most {top_db:+.1f} dB"
    first = (0.5 if levels[0] * levels[1] > 0 else 1) / apart if apart else np.inf
    notches = f"notches from {amount(first, 'hz')} on, {amount(1 / apart, 'hz')} apart"
    return f"Two heads {amount(apart, 'ms', '.1f')} apart: peaks of {top_db:+.1f} dB, {notches}"


# ---- two tracks ----


def _tracks_of(machine: Machine) -> dict[str, Any]:
    """Give a track of the machine with one head, the first that feeds the return, or the first of all."""
    echo, level_db = machine.echo_loop(machine.speeds[0], pole_shape="flat"), machine.song.faded_db
    k = next((k for k, gain in enumerate(echo.head_gains) if gain), 0)
    one = {
        "spacings": echo.heads.spacings,
        "gains": echo.heads.gains,
        "feeds_return": echo.heads.feeds_return,
    }
    alone = heads.Heads(**{name: values[k : k + 1] for name, values in one.items()})  # type: ignore[arg-type]
    return {"echo": replace(echo, heads=alone), "level_db": level_db}


@figure("what two tracks send each other", _tracks_of)
def crossed_returns(canvas: Canvas, *, echo: EchoLoop, level_db: float = -30.0) -> Drawn:
    """Draw the echoes of a sound on the left of two tracks like `echo`: straight, half or all crossed.

    A row for each, left up, right down; the first answer has full height, what is `level_db` below it none.
    The artists ``"left"`` and ``"right"`` are the ends of the strokes, one set for each row.

    >>> from tapecalc.machine import example_machine
    >>> drawn = crossed_returns(echo=example_machine().echo_loop(0.1905, pole_shape="flat"))
    >>> [[ends.get_xdata().size for ends in side] for side in drawn.artists.values()]
    [[5, 4, 3], [0, 3, 2]]
    """
    axes, profile, longest = canvas.axes, canvas.profile, ROUNDS * max(echo.delays)
    first_db = response.loudest(echo.one_pass)[1] + amplitude_to_db(abs(echo.heads.gains[0]))
    ends: dict[str, list[Line2D]] = {"left": [], "right": []}
    for row, share in enumerate(CROSSED.values()):
        sends = stereo.shared_sends(echo.return_gain, share)
        made = stereo.StereoLoop(heads=(echo.heads, echo.heads), sends=sends, one_pass=echo.one_pass)
        faintest_db = first_db + level_db
        times, sides = stereo.stereo_echoes(made, (1.0, 0.0), longest=longest, faintest_db=faintest_db)
        for k, name in enumerate(ends):
            loud = np.abs(sides[:, k]) >= db_to_amplitude(faintest_db) * (1 - 1e-9)
            height = 1 - (20 * np.log10(np.abs(sides[loud, k])) - first_db) / level_db
            tops = row + (2 * k - 1) * TALLEST * np.clip(height, 0.04, 1)
            look = canvas.dots(2.5, marker="os"[k], color=profile.ground.role(ROLES[k]))
            axes.vlines(times[loud], row, tops, color=look["color"], linewidth=profile.line_pt / 2)
            ends[name] += axes.plot(times[loud], tops, **look)
    axes.hlines(range(len(CROSSED)), 0, longest, color=profile.ground.frame, linewidth=profile.line_pt / 3)
    names = ["0", "1/2", "1"] if canvas.symbols_only else list(CROSSED)
    canvas.style_axes("Two tracks that answer each other", x=("time", "$t$", "s"), grid="x")
    axes.set(xlim=(0, longest), ylim=(len(CROSSED) - 0.5, -0.5))
    axes.set_yticks(range(len(CROSSED)), names)
    canvas.legend([side[0] for side in ends.values()], ["L", "R"] if canvas.symbols_only else list(ends))
    said = (
        f"A sound on the left of two tracks, answers {amount(max(echo.delays), 'ms')} apart. Straight, it "
        "stays left. Half crossed, both sides are alike from the second on. All crossed, they take turns"
    )
    return Drawn(
        canvas.figure,
        ends,
        f"{said}.",
        "Three rows of strokes over time in s: straight, half crossed, all crossed. Left points up and right "
        f"down; the higher, the louder, down to {minus(f'{level_db:g} dB')}.",
        ("eigenvalues of the two by two matrix of loop gains",),
    )
