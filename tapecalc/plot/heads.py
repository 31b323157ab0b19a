"""Figures of many heads: their rhythm, the tape as its ruler, the map of rhythms, the comb of close heads."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.ticker import MultipleLocator
from numpy.typing import NDArray

from tapecalc.calc import head_design, heads, tempo, transport
from tapecalc.calc.units import amplitude_to_db, from_si, to_si
from tapecalc.machine import Machine
from tapecalc.plot.kit import Canvas, Drawn, figure, minus, note_fraction
from tapecalc.words import amount, listed

#: The note values of the map, from short to long.
RHYTHM_NOTES = (
    *("sixteenth", "eighth triplet", "eighth", "quarter triplet", "dotted eighth", "quarter"),
    *("half triplet", "dotted quarter", "half"),
)
ALLOWED_ERROR = 0.006  # s, how far off a rhythm of the map may be
HIGHEST, FAINTEST_DB = 1000.0, -40.0  # Hz and dB, the range of the comb
MOST_NUMBERS = 8  # beats that are numbered on one ruler
#: Height of a mark on a ruler by how many sixteenths it stands from a beat.
MARK_HEIGHTS = (0.30, 0.12, 0.20, 0.12)


def _tempo(machine: Machine) -> float:
    return machine.song.bpm or 90


def _spacings(machine: Machine) -> tuple[float, ...]:
    """Heads at the example rhythm, in beats of the machine's tempo."""
    delays = tempo.delay_from_tempo(_tempo(machine), np.array(heads.EXAMPLE_RHYTHM))
    return tuple(transport.spacing_from_delay(delays, machine.speeds[0]).tolist())


def _limits(machine: Machine) -> head_design.MechanicalLimits:
    """Where heads could stand: 30 to 140 mm, or from the nearest to the farthest that the machine has."""
    first, longest = min(to_si(30, "mm"), *machine.spacings), max(to_si(140, "mm"), *machine.spacings)
    return head_design.MechanicalLimits(first=first, pitch=to_si(18, "mm"), longest=longest)


@figure(
    "head layouts as rhythm",
    lambda machine: {"spacings": _spacings(machine), "speed": machine.speeds[0], "bpm": _tempo(machine)},
    units=True,
)
def head_rhythm(canvas: Canvas, *, spacings: Sequence[float], speed: float, bpm: float) -> Drawn:
    """Draw where each playback head strikes in the bar: a head layout as a rhythm, ``beats = T bpm / 60``.

    >>> head_rhythm(spacings=(0.075, 0.15), speed=0.1905, bpm=76).artists["hits"].get_xdata().round(3)
    array([0.499, 0.997])
    """
    axes, profile, ground = canvas.axes, canvas.profile, canvas.profile.ground
    beats = np.atleast_1d(tempo.beats_from_delay(transport.delay_from_spacing(list(spacings), speed), bpm))
    last = np.ceil(4 * beats.max() + 0.5) / 4
    rows = range(1, len(beats) + 1)
    axes.hlines(rows, 0, beats, color=ground.colors[0], linewidth=profile.line_pt / 2)
    big: dict[str, Any] = {"linestyle": "none", "markersize": 4 * profile.line_pt}
    (hits,) = axes.plot(beats, rows, **canvas.line_style(0, marker=True, **big))
    (played,) = axes.plot([0], [0], **canvas.line_style(1, marker=True, clip_on=False, **big))
    time = ("time after the note, beats", "$t$", "beat" if canvas.symbols_only else "")
    canvas.style_axes(f"A head layout as a rhythm, {bpm:g} bpm", x=time, grid="x")
    axes.set(xlim=(0, last), ylim=(len(beats) + 0.6, -0.6))
    names = [f"P{k}" if canvas.symbols_only else f"head {k}" for k in rows]
    if not (canvas.symbols_only or profile.portrait):
        names = [f"{name}, {canvas.length(d)}" for name, d in zip(names, spacings, strict=True)]
    axes.set_yticks([0, *rows], ["R" if canvas.symbols_only else "note", *names])
    axes.xaxis.set_major_locator(MultipleLocator(0.5 if last <= 4 else 1))
    axes.xaxis.set_minor_locator(MultipleLocator(0.25))
    axes.grid(True, which="minor", axis="x", color=ground.grid, linewidth=profile.line_pt / 5)
    pairs = zip(spacings, beats.tolist(), strict=True)
    said = listed(f"{canvas.length(d)} at {beat:.2f} beats" for d, beat in pairs)
    return Drawn(
        canvas.figure,
        {"hits": hits, "played": played},
        f"Heads as a rhythm, {canvas.speed(speed)} and {bpm:g} beats a minute: {said}.",
        f"Dot chart, time in beats after the note to the right, one row per playback head: {said}. "
        "Fine vertical lines are sixteenth notes.",
        ("beats = T bpm / 60, from the definition of the tempo",),
    )


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


@figure(
    "where a rhythm stands on the tape",
    lambda machine: {
        "layout": heads.Heads(spacings=_spacings(machine)),
        "speeds": machine.speeds,
        "bpm": _tempo(machine),
    },
    units=True,
)
def tape_as_ruler(canvas: Canvas, *, layout: heads.Heads, speeds: Sequence[float], bpm: float) -> Drawn:
    """Draw the heads on the tape path, and below it one ruler of note values for each speed.

    Heads that feed the return are filled. The artists ``"marks"`` and ``"hits"`` are one for each speed.

    >>> tape_as_ruler(layout=heads.Heads(spacings=(0.05, 0.1)), speeds=(0.2,), bpm=120).caption
    'Heads at 50 mm and 100 mm, 120 beats a minute. At 20 cm/s: eighth +0.0 ms, quarter +0.0 ms.'
    """
    axes, profile, unit = canvas.axes, canvas.profile, canvas.length_unit
    thin, ground = profile.line_pt / 2, profile.ground
    places, farthest = from_si(np.array(layout.spacings), unit), 1.08 * max(layout.spacings)
    end, rows = from_si(farthest, unit), range(1, len(speeds) + 1)
    onsets = [heads.rhythm(layout, speed, bpm) for speed in speeds]
    axes.hlines([0, *rows], 0, end, color=ground.frame, linewidth=thin)
    axes.vlines(places, 0, rows[-1], color=ground.colors[0], linewidth=profile.line_pt / 3)
    squares, marks, hits = [], [], []
    for place, feeds in zip(places.tolist(), layout.feeds_return, strict=True):
        squares += axes.plot([place], [0], **_mark(canvas, 0, "s"))
        if not feeds:
            squares[-1].set_markerfacecolor(ground.face)
    axes.plot([0], [0], **_mark(canvas, 1, "s"))
    for row, speed, answers in zip(rows, speeds, onsets, strict=True):
        positions, heights = ruler_marks(speed, bpm, farthest)
        at = from_si(positions, unit).tolist()
        strokes = [[(x, row), (x, row - height)] for x, height in zip(at, heights.tolist(), strict=True)]
        lines = LineCollection(strokes, colors=ground.text, linewidths=profile.line_pt * 0.75)
        marks.append(axes.add_collection(lines))
        hits += axes.plot(places, np.full(places.size, row), **_mark(canvas, 0, "o"))
        beats = at[:: len(MARK_HEIGHTS)]
        every = 1 + (len(beats) - 1) // MOST_NUMBERS
        for beat in range(every, len(beats), every):
            _write(canvas, (beats[beat], row), f"{beat}", below=True)
        if not profile.narrow:
            for x, onset in zip(places.tolist(), answers, strict=True):
                _write(canvas, (x, row), note_fraction(onset.fit.note), below=False)
    along = "distance" if profile.narrow else "distance from the record head"
    canvas.style_axes(f"The tape is a ruler, {bpm:g} bpm", x=(along, "$d$", unit), grid=None)
    axes.set(xlim=(-0.02 * end, end), ylim=(rows[-1] + 0.5, -0.6))
    axes.set_yticks([0, *rows], ["R, P" if canvas.symbols_only else "tape", *map(canvas.speed, speeds)])
    said = ". ".join(
        f"At {canvas.speed(speed)}: "
        + ", ".join(f"{o.fit.note.name} {minus(amount(o.fit.error, 'ms', '+.1f'))}" for o in answers)
        for speed, answers in zip(speeds, onsets, strict=True)
    )
    return Drawn(
        canvas.figure,
        {"heads": squares, "marks": marks, "hits": hits},
        f"Heads at {' and '.join(map(canvas.length, layout.spacings))}, {bpm:g} beats a minute. {said}.",
        f"Upper line: the tape with its record head at 0 and {len(places)} playback heads as squares, filled "
        "where a head feeds the return. Below, one ruler for each speed: the longest marks are beats, the "
        f"shortest sixteenths; dots are the heads, with the nearest note value. {said}.",
        ("d = T v, from the motion",),
    )


def _mark(canvas: Canvas, index: int, shape: str) -> dict[str, Any]:
    """Look of a marker without a line."""
    return {
        "color": canvas.profile.ground.colors[index],
        "marker": shape,
        "linestyle": "none",
        "markersize": (4 if shape == "s" else 3) * canvas.profile.line_pt,
        "markeredgewidth": canvas.profile.line_pt / 2,
        "clip_on": False,
        "zorder": 4,
    }


def _write(canvas: Canvas, place: tuple[float, float], text: str, *, below: bool) -> None:
    """Write to the lower left of a mark, or to the upper right of a dot."""
    em = canvas.profile.text_pt
    canvas.axes.annotate(
        text,
        place,
        xytext=(-0.35 * em, -0.35 * em - canvas.profile.line_pt) if below else (0.35 * em, 0.9 * em),
        textcoords="offset points",
        ha="right" if below else "left",
        va="top" if below else "bottom",
        fontsize=em,
        color=canvas.profile.ground.text,
        annotation_clip=False,
    )


# ---- what heads can do ----


@figure(
    "which rhythms two heads can play",
    lambda machine: {"limits": _limits(machine), "speeds": machine.speeds[:5], "bpm": _tempo(machine)},
    units=True,
)
def reachable_rhythms(
    canvas: Canvas, *, limits: head_design.MechanicalLimits, speeds: Sequence[float], bpm: float
) -> Drawn:
    """Draw the map of rhythms that two heads of a machine can reach, at no more than five speeds.

    A point counts `RHYTHM_NOTES`, the second head to the right, the first upwards; the artist ``"reached"``
    is one set of points for each speed. The numbers are those of `head_design.rhythm_map`.

    >>> limits = head_design.MechanicalLimits(first=0.03, pitch=0.02, longest=0.1)
    >>> reachable_rhythms(limits=limits, speeds=(0.2,), bpm=120).caption
    'Two heads at 120 beats a minute: 12 of 45 rhythms come within 6 ms. 20 cm/s serves 12.'
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
        f"Rhythms within reach, {bpm:g} bpm",
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
        f"Two heads at {bpm:g} beats a minute: {np.count_nonzero(good)} of {good.size} rhythms come within "
        f"{amount(ALLOWED_ERROR, 'ms')}. {', '.join(served)}.",
        "Chart of pairs of note values as fractions of a whole note, the second head's to the right, the "
        "first head's upwards; one head alone on the diagonal. A mark for the speed that comes nearest, a "
        "cross where none comes near enough.",
        ("d = T v, from the motion", "note values: usual music notation"),
    )


def _close_delays(machine: Machine) -> tuple[float, float]:
    """The first head's delay, and that of another 5 ms behind it."""
    delay = machine.delays(machine.speeds[0])[0]
    return delay, delay + to_si(5, "ms")


@figure(
    "what two heads close together do to the tone",
    lambda machine: {"delays": _close_delays(machine), "levels": (1.0, 0.7)},
)
def comb_of_heads(canvas: Canvas, *, delays: Sequence[float], levels: Sequence[float]) -> Drawn:
    """Draw the level of summed heads over frequency, against the loudest head alone: a comb.

    `delays` in s and the amplitudes `levels` are one for each head.

    >>> comb_of_heads(delays=(0.1, 0.105), levels=(1, 1)).caption
    'Two heads 5.0 ms apart: peaks of +6.0 dB, notches from 100 Hz on, 200 Hz apart.'
    """
    axes, profile = canvas.axes, canvas.profile
    frequency = np.linspace(0, HIGHEST, 4001)
    sums = np.abs(heads.taps_gain(frequency, delays, levels)) / np.max(levels)
    top_db = amplitude_to_db(np.sum(levels) / np.max(levels))
    said = f"{len(delays)} heads: peaks of at most {top_db:+.1f} dB"
    if len(delays) == 2:
        apart = abs(delays[1] - delays[0])
        said = (
            f"Two heads {amount(apart, 'ms', '.1f')} apart: peaks of {top_db:+.1f} dB, "
            f"notches from {amount(0.5 / apart, 'hz')} on, {amount(1 / apart, 'hz')} apart"
        )
        said += ", beyond this picture" if 0.5 / apart > HIGHEST else ""
    comb_db = amplitude_to_db(np.maximum(sums, 10 ** (FAINTEST_DB / 20)))
    (comb,) = axes.plot(frequency, comb_db, **canvas.line_style(0))
    alone = axes.axhline(0, **canvas.line_style(1, linewidth=profile.line_pt / 2))
    level = ("level against one head", "$|H|$", "dB")
    canvas.style_axes("Close heads make a comb", x=("frequency", "$f$", "Hz"), y=level)
    axes.set(xlim=(0, HIGHEST), ylim=(FAINTEST_DB, np.ceil(top_db / 6 + 0.2) * 6))
    return Drawn(
        canvas.figure,
        {"comb": comb, "alone": alone},
        f"{said}.",
        f"Line chart of level in dB over frequency from 0 to {HIGHEST:g} Hz, even steps. The line goes up "
        f"and down like a comb; the dashed line is the loudest head alone. {said}.",
        ("superposition",),
    )
