"""Figures of many heads: their rhythm, the tape as its ruler, the map of rhythms, the comb of close heads."""

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from matplotlib.text import Text
from matplotlib.ticker import AutoMinorLocator, MultipleLocator
from numpy.typing import NDArray

from tapecalc import words
from tapecalc.calc import head_design, heads, response, stereo, tempo, transport
from tapecalc.calc.loop import EchoLoop
from tapecalc.calc.standards import FUSION_LIMIT
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude, from_si, to_si
from tapecalc.machine import Machine
from tapecalc.plan import echo_pattern
from tapecalc.plot.kit import Canvas, Drawn, Look, delay_text, figure, finely, minus, note_fraction
from tapecalc.plot.style import MOST_GRID, STRUCTURE, frequency_text
from tapecalc.words import amount, listed

#: The note values of the map, from short to long.
RHYTHM_NOTES = (
    *("sixteenth", "eighth triplet", "eighth", "quarter triplet", "dotted eighth", "quarter"),
    *("half triplet", "dotted quarter", "half"),
)
ALLOWED_ERROR = 0.006  # s, how far off a rhythm of the map may be
HIGHEST, FAINTEST_DB = 1000.0, -40.0  # Hz and dB, the range of the comb
TEETH, MOST_TEETH = 8, 16  # of the comb that are shown, those of the closest heads and of the farthest
MOST_TAPS = 100  # repeats that make one comb
MOST_NUMBERS = 8  # beats that are numbered on one ruler
BAR = 4  # beats in which later answers are shown, or twice the longest delay
#: How much of a return crosses over, by name, how many longest delays are shown, and the highest stroke.
CROSSED, ROUNDS, TALLEST = {"straight": 0.0, "half crossed": 0.5, "all crossed": 1.0}, 8, 0.4
#: Height of a mark on a ruler by how many sixteenths it stands from a beat.
MARK_HEIGHTS = (0.30, 0.12, 0.20, 0.12)
PARTS = (
    "0",
    "\N{VULGAR FRACTION ONE QUARTER}",
    "\N{VULGAR FRACTION ONE HALF}",
    "\N{VULGAR FRACTION THREE QUARTERS}",
)
#: Half of the width of a ribbon and where heads stand, in rows, and how many marks it has at most.
RIBBON, HEAD_ROW, MOST_MARKS = 0.24, 0.5, 100


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


def apart_text(gap: float) -> str:
    """Write a time between two heads, s, with one decimal where they are close."""
    return delay_text(gap) if gap >= 0.01 else amount(gap, "ms", ".1f")


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
    axes, profile, thin = canvas.axes, canvas.profile, STRUCTURE * canvas.profile.line_pt
    taken = layout.delays(speed) if delays is None else np.array(delays)
    beats = np.atleast_1d(tempo.beats_from_delay(taken, bpm))
    again = tempo.beats_from_delay(np.array(repeats), bpm) if len(repeats) else np.zeros(0)
    first, unit = beats.min(), "" if canvas.symbols_only else " beats"
    where = f"{canvas.speed(speed)}, {bpm:g} bpm{_said_of_marks(layout)}"
    means = "from the note to the first answer"
    canvas.head(_on_notes(taken, bpm), where, answer=f"{first:.2f}{unit}", means=means)
    last, rows = np.ceil(4 * 1.02 * max(*beats, *again, 0) + 0.5) / 4, range(1, len(beats) + 1)
    axes.hlines(rows, 0, beats, color=canvas.color("tape"), linewidth=thin)
    hits = [_head_mark(canvas, place, layout, k) for k, place in enumerate(zip(beats, rows, strict=True))]
    (later,) = axes.plot(again, [rows[-1] + 1] * len(again), **canvas.dots(3.2, color=canvas.color("echo")))
    (played,) = axes.plot([0], [0], **_mark(canvas, "dry", "s"))
    canvas.style_axes(
        x=("time after the note, beats", "$t$", "beat" if canvas.symbols_only else ""), grid="x"
    )
    bottom = rows[-1] + (1 if len(again) else 0)
    axes.set(xlim=(0, last), ylim=(bottom + 0.6, -0.6))
    names = ["R" if canvas.symbols_only else "note", *_row_names(canvas, layout)]
    if len(again):
        names.append("$n$ > 1" if canvas.symbols_only else "later" if profile.narrow else "later\nrepeats")
    every = int(np.ceil(_lines_a_row(canvas)))  # where heads are very many not each row is named
    axes.set_yticks(range(bottom + 1), [name if k % every == 0 else "" for k, name in enumerate(names)])
    roles = ["dry", *["echo"] * bottom]
    for label, role in zip(axes.get_yticklabels(), roles, strict=True):
        label.set_color(canvas.color(role))
    shown = 3 if profile.narrow else MOST_GRID
    steps = [0.25, 0.5, *(digit * 10.0**power for power in range(4) for digit in (1, 2, 5))]
    marked = next(step for step in steps if last / step <= shown)
    axes.xaxis.set_major_locator(MultipleLocator(marked))
    axes.xaxis.set_minor_locator(MultipleLocator(0.25 if last <= 16 else marked))
    axes.spines["left"].set_color(canvas.color("dry"))
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
        "outside of the loop is hollow, an inverted one a triangle. Small marks on the axis are sixteenths."
        f"{follow}",
        ("beats = T bpm / 60, from the definition of the tempo",),
    )


def _lines_a_row(canvas: Canvas) -> float:
    """How much of a row a line of type takes, once the chart has its place."""
    canvas.figure.draw_without_rendering()
    points = canvas.axes.get_window_extent().height * 72 / canvas.figure.dpi
    return 1.45 * canvas.profile.text_pt * abs(float(np.ptp(canvas.axes.get_ylim()))) / points


def _on_notes(delays: NDArray[np.float64], bpm: float) -> str:
    """Say in a title which note the echo falls on, or how many heads fall on one."""
    fits = [tempo.nearest_fits(float(delay), bpm)[0] for delay in np.atleast_1d(delays)]
    well = [fit.note.name for fit in fits if not fit.audible]
    if len(fits) == 1:
        return (
            f"The echo falls on {words.with_article(well[0])}" if well else "The echo falls beside the notes"
        )
    if len(well) == len(fits):
        return "All heads fall on notes"
    return f"{len(well) or 'None'} of {len(fits)} heads fall{'s' if len(well) < 2 else ''} on a note"


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
    share = 0.3 if profile.portrait else 0.5  # of the height that is the axis
    room = profile.height_in * 72 * share / (1.2 * profile.text_pt) / (len(said) + 2)  # lines of one row
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
    sixteenth = tempo.delay_from_tempo(bpm, 1 / len(MARK_HEIGHTS)) * min(speeds)  # of tape, at the slowest
    places, farthest = from_si(np.array(layout.spacings), unit), 1.08 * max(*layout.spacings, sixteenth)
    end, rows = from_si(farthest, unit), range(1, len(speeds) + 1)
    times = [layout.delays(v) if delays is None else np.array(delays[k]) for k, v in enumerate(speeds)]
    canvas.head(
        _ruler_finding(speeds, float(tempo.beats_from_delay(float(np.max(times[0])), bpm)), len(places)),
        f"{bpm:g} bpm{_said_of_marks(layout)}",
        **_ruler_answer(canvas, speeds, [taken[0] for taken in times], bpm),
    )
    look: Look = {"color": canvas.color("echo"), "linewidth": profile.line_pt / 2, "zorder": 3}
    ways = axes.vlines(places, HEAD_ROW, rows[-1], **look)
    heads_at = [(x, HEAD_ROW) for x in places.tolist()]
    squares = [_head_mark(canvas, place, layout, k, "s", "tape") for k, place in enumerate(heads_at)]
    axes.plot([0], [HEAD_ROW], **_mark(canvas, "tape", "s"))
    marks, hits, brief = [], [], canvas.symbols_only or profile.narrow
    marked = zip([(0, HEAD_ROW), *heads_at], _head_names(canvas, len(places)), strict=True)
    notes: list[Text | list[Text]] = []
    for row, speed, taken in zip(rows, speeds, times, strict=True):
        on_tape = from_si(taken * speed, unit)
        lines, numbers = _ribbon(canvas, row, *ruler_marks(speed, bpm, farthest), end)
        marks.append(lines)
        hits += axes.plot(on_tape, np.full(places.size, row), **_mark(canvas, "echo", "o"))
        notes += [*_beats_at(canvas, row, zip(places, on_tape, taken, strict=True), bpm), *numbers]
    canvas.style_axes(x=("distance" if brief else "from the record head", "$d$", unit), grid=None)
    axes.set(xlim=(-0.02 * end, 1.02 * end), ylim=(rows[-1] + RIBBON, HEAD_ROW - 0.2))
    axes.tick_params(axis="x", which="both", direction="in", color=canvas.color("text"))
    axes.tick_params(axis="y", length=0)
    axes.set_yticks(rows, list(map(canvas.speed, speeds)))
    axes.xaxis.set_minor_locator(AutoMinorLocator())
    axes.set_axisbelow(False)
    axes.spines[["left", "bottom"]].set_visible(False)
    canvas.fewer([canvas.note(place, name, "above", "tape") for place, name in marked], inside=False)
    beside = np.linspace(HEAD_ROW, rows[-1], 80).tolist()
    dots = (places[:, None] + [-0.01 * end, 0, 0.01 * end]).ravel().tolist()
    canvas.fewer(notes, off=[(x, y) for x in dots for y in beside])
    said = ". ".join(
        f"At {canvas.speed(speed)}: {', '.join(_in_beats(delay, bpm) for delay in taken.tolist())}"
        for speed, taken in zip(speeds, times, strict=True)
    )
    where = f"Head{'s' if len(places) > 1 else ''} at {listed(map(canvas.length, layout.spacings))}"
    return Drawn(
        canvas.figure,
        {"heads": squares, "ways": ways, "marks": marks, "hits": hits},
        f"{where}, {bpm:g} beats a minute. {said}.{said_of_heads(layout)}",
        f"Above, the record head at 0 and {len(places)} playback heads, filled where they feed the return. "
        "Below, the tape once for each speed, with beats across it as the longest marks, and sixteenths "
        f"where there is room; dots are the heads, with their beats. {said}.",
        ("d = T v, from the motion",),
    )


def _in_beats(delay: float, bpm: float) -> str:
    """Say how many beats a delay lasts, and the note value where ears take it for one."""
    fit = tempo.nearest_fits(delay, bpm)[0]
    return f"{tempo.beats_from_delay(delay, bpm):.2f} beats" + ("" if fit.audible else f" ({fit.note.name})")


def _head_names(canvas: Canvas, count: int) -> list[str]:
    """Name the record head and the playback heads, briefly where there is little room."""
    head = "P" if canvas.symbols_only else "" if canvas.profile.narrow else "head "
    record = "R" if canvas.symbols_only or canvas.profile.narrow else "record"
    return [record, *(f"{head}{k + 1}" for k in range(count))]


def _ruler_answer(canvas: Canvas, speeds: Sequence[float], delays: Sequence[float], bpm: float) -> Look:
    """Give the number of the ruler: beats of the first head at two speeds, or at one how long a beat is."""
    slow, fast = min(speeds), max(speeds)
    if len(speeds) == 1:
        beat = canvas.length(transport.spacing_from_delay(tempo.delay_from_tempo(bpm, 1), slow))
        return {"answer": beat, "means": f"of tape is one beat at {canvas.speed(slow)}", "role": "tape"}
    most, least = (f"{float(tempo.beats_from_delay(pick(delays), bpm)):.2f}" for pick in (max, min))
    unit = "" if canvas.symbols_only else " beats"
    return {"answer": f"{most}{unit}", "means": f"at {canvas.speed(slow)}, {least} at {canvas.speed(fast)}"}


def _ruler_finding(speeds: Sequence[float], beats: float, count: int) -> str:
    """Say in a title what the ruler shows."""
    if len(speeds) > 1:
        half = np.isclose(max(speeds), 2 * min(speeds)) and len(speeds) == 2
        return "Half the speed, twice the beats" if half else "Slower tape holds more beats"
    return f"{beats:.2f} beats lie before the {'last ' if count > 1 else ''}head"


def _said_of_marks(layout: heads.Heads) -> str:
    """Say what hollow heads and those that point down are, where there are any."""
    said = "" if all(layout.feeds_return) else "; hollow: not in the loop"
    return said + ("; pointing down: inverted" if min(layout.gains) < 0 else "")


def _ribbon(
    canvas: Canvas, row: int, positions: NDArray[np.float64], heights: NDArray[np.float64], end: float
) -> tuple[LineCollection, list[Text]]:
    """Draw the tape along one row, brown, with sixteenths across it, or beats where those are too many."""
    profile, sixteenths = canvas.profile, len(MARK_HEIGHTS)
    look: Look = {"facecolor": canvas.color("ribbon"), "edgecolor": canvas.color("tape"), "zorder": 2}
    look |= {"linewidth": STRUCTURE * profile.line_pt}
    canvas.axes.add_patch(Rectangle((-0.02 * end, row - RIBBON), 1.04 * end, 2 * RIBBON, **look))
    at, low = from_si(positions, canvas.length_unit).tolist(), row + RIBBON
    every = 1 + (len(at) - 1) // sixteenths // (4 if profile.narrow else MOST_NUMBERS)
    step = next(n for n in (1, sixteenths, sixteenths * every) if len(at) <= n * MOST_MARKS or n > sixteenths)
    tops = (low - heights * (2 * RIBBON / MARK_HEIGHTS[0])).tolist()
    strokes = [[(x, low), (x, top)] for x, top in zip(at[::step], tops[::step], strict=True)]
    look = {"colors": canvas.color("text"), "linewidths": 0.6 * profile.line_pt, "zorder": 2.6}
    lines, beats = LineCollection(strokes, **look), at[::sixteenths]
    canvas.axes.add_collection(lines)
    numbered = {sixteenths * k: f"{k}" for k in range(0, len(beats), every)}
    if len(beats) == 1:  # parts of one then
        words = "" if canvas.symbols_only else " beat"
        numbered |= {k: part + words * (k == 1) for k, part in enumerate(PARTS[: len(at)]) if k}
    numbers = [canvas.note((at[k], row), text, "right") for k, text in numbered.items()]
    for number in numbers:
        number.set_x(0.25 * profile.text_pt)
    return lines, numbers


def _beats_at(
    canvas: Canvas, row: int, hits: Iterable[tuple[float, float, float]], bpm: float
) -> list[list[Text]]:
    """Write beats above the ribbon for each place of a head, place of its dot and delay, best on its left."""
    notes, brief = [], canvas.symbols_only or canvas.profile.narrow
    for head, dot, delay in sorted(hits):
        texts = (beats_text(delay, bpm, brief=short) for short in (brief, True))
        sides = ("upper left", min(head, dot)), ("upper right", max(head, dot))
        ways = itertools.product(texts, sides)
        notes.append([canvas.note((x, row - RIBBON), text, side, "echo") for text, (side, x) in ways])
    return notes


def beats_text(delay: float, bpm: float, *, brief: bool = False) -> str:
    """Write how many beats a delay lasts, and unless it shall be brief the note, or that there is none."""
    fit, beats = tempo.nearest_fits(delay, bpm)[0], tempo.beats_from_delay(delay, bpm)
    return f"{beats:.2f}" + ("" if brief else " beats" if fit.audible else f", {fit.note.name}")


def _mark(canvas: Canvas, role: str, shape: str) -> dict[str, Any]:
    """Look of a marker without a line."""
    return {
        "color": canvas.color(role),
        "marker": shape,
        "linestyle": "none",
        "markersize": (3 if shape == "o" else 4) * canvas.profile.line_pt,
        "markeredgewidth": canvas.profile.line_pt / 2,
        "clip_on": False,
        "zorder": 4,
    }


def _head_mark(
    canvas: Canvas,
    place: tuple[float, float],
    layout: heads.Heads,
    k: int,
    shape: str = "o",
    role: str = "echo",
) -> Line2D:
    """Mark a head: hollow where it does not feed the return, pointing down where it is inverted."""
    look = _mark(canvas, role, "v" if layout.gains[k] < 0 else shape)
    look |= {"markersize": 4 * canvas.profile.line_pt}
    if not layout.feeds_return[k]:
        look["markerfacecolor"] = canvas.color("face")
    return canvas.axes.plot([place[0]], [place[1]], **look)[0]


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
    found, all_of = np.count_nonzero(good), good.size
    how_much = "all of these rhythms" if found == all_of else "the filled pairs" if found else "none of these"
    where = f"heads from {canvas.length(limits.first)} to {canvas.length(limits.longest)}, {bpm:g} bpm"
    canvas.head(
        f"Two heads could play {how_much}",
        f"a suggestion: {where}",
        answer=f"{found} of {all_of}",
        means=f"pairs of notes within {amount(ALLOWED_ERROR, 'ms')}",
        role="tape",
    )
    full, key = min(4.5 * profile.line_pt, 0.9 * profile.text_pt), len(names) - 1
    reached, served = [], []
    crosses: Look = {"marker": "x", "color": canvas.color("context"), "markeredgewidth": profile.line_pt / 2}
    crosses |= {"linestyle": "none", "markersize": 0.5 * full}
    (missed,) = axes.plot(second[~good], first[~good], **crosses)
    keys = [(crosses, "\N{EN DASH}" if canvas.symbols_only else "out of reach")]
    for k, speed in enumerate(speeds):
        which = good & (at_speed == speed)
        look = canvas.dots(1, color=canvas.color("tape"), marker="s")
        look |= {"markersize": full * (1 if len(speeds) == 1 else 0.45 + 0.55 * k / (len(speeds) - 1))}
        reached += axes.plot(second[which], first[which], label=canvas.speed(speed), **look)
        keys.append((look, canvas.speed(speed)))
        served.append(f"{canvas.speed(speed)} serves {np.count_nonzero(which)}")
    brief = canvas.symbols_only or profile.narrow
    keys = [*keys[:2], keys[-1]] if profile.slim and len(speeds) > 3 else keys  # or they lie on the points
    canvas.style_axes(x=("second head", "$b_2$", ""), y=("first head", "$b_1$", ""), grid=None)
    span = (-0.6, len(names) - 0.4)
    axes.set(xlim=span, ylim=span)
    plain = [k for k, note in enumerate(table.notes) if " " not in note.name]
    across, up = (plain if few else range(len(names)) for few in (profile.slim, profile.narrow))
    axes.set_xticks(across, [names[k] for k in across])
    spoken = [f"{note.name}  {name}" for note, name in zip(table.notes, names, strict=True)]
    axes.set_yticks(up, [(names if brief else spoken)[k] for k in up])
    axes.tick_params(length=0)
    step = max(1, _lines_a_row(canvas))
    for k, (look, name) in enumerate(keys):
        row = key - k * step
        axes.plot([0], [row], **look)
        canvas.note((0.2, row), name, "right")
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
    `repeats` for each repeat of one head. Some eight teeth of the closest two are shown.

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
    count, regular = len(delays), repeats or len(delays) == 2
    title = f"{count} heads together make a comb"
    if not span:
        title = "One answer makes no comb" if count == 1 else "Heads in one place make no comb"
    elif regular:
        title = "Repeats lift some tones and spare others" if repeats else "Two heads together make a comb"
    answer, means = f"{top_db:+.1f} dB", "at most, all answers together"
    if span and regular:
        answer, means = frequency_text(1 / apart), "from one peak to the next"
    answers = "answers" if repeats else "heads" if regular else "the closest"
    where = f"{answers} {apart_text(apart)} apart" if span else ""
    canvas.head(title, where, answer=minus(answer), means=means)
    (comb,) = axes.plot(frequency, comb_db, **canvas.line_look("echo"))
    (alone,) = axes.plot(
        [0, top], [0, 0], **canvas.line_look("context", linewidth=STRUCTURE * profile.line_pt)
    )
    against = f"level against one {'answer' if repeats else 'head'}"
    level = ("level" if profile.narrow else against, "$|H|$", "dB")
    canvas.style_axes(x=("frequency", "$f$", "Hz"), y=level)
    peak_db, low_db = float(comb_db.max()), float(comb_db.min())
    room_db = max(1.0, 0.22 * (peak_db - low_db))
    axes.set(xlim=(0, top), ylim=(min(low_db, -0.5) - room_db, max(peak_db, 0.5) + room_db))
    names = ("$|H|$", "1") if canvas.symbols_only else ("together", "one alone")
    canvas.name_lines((comb, alone), names)
    if span:
        _name_teeth(canvas, frequency, comb_db)
    said = _said_of_comb(list(delays), list(levels), apart, top_db, repeats=repeats)
    said += ", beyond this picture" if len(delays) == 2 and 0 < apart * top < 0.5 else ""
    said += "; ears take them for answers of their own" if apart >= FUSION_LIMIT else ""
    return Drawn(
        canvas.figure,
        {"comb": comb, "alone": alone},
        f"{said}.",
        f"Line chart of level in dB over frequency from 0 to {top:g} Hz, even steps. The line goes up "
        f"and down like a comb; the level line is the loudest alone. {said}.",
        ("superposition",),
    )


def _name_teeth(canvas: Canvas, frequency: NDArray[np.float64], level_db: NDArray[np.float64]) -> None:
    """Write the frequency of the first of the tallest inner peaks, and of the deepest notches."""
    notes, inner = [], level_db[1:-1]
    for sign, side in ((1, "above"), (-1, "below")):
        turns = (sign * inner >= sign * level_db[:-2]) & (sign * inner >= sign * level_db[2:])
        if np.any(turns):
            tallest = np.max(sign * inner[turns])
            k = 1 + int(np.flatnonzero(turns & (sign * inner >= tallest - 0.05))[0])
            at = frequency_text(float(frequency[k]))
            notes.append(canvas.note((frequency[k], level_db[k]), at, side, "echo"))
    canvas.fewer(notes)


def _said_of_comb(
    delays: list[float], levels: list[float], apart: float, top_db: float, *, repeats: bool
) -> str:
    """Say what the comb of some heads, or of one head and its repeats, does to the level."""
    if len(delays) == 1:
        return "One head that does not come back: no comb"
    if not apart:
        return f"{len(delays)} heads in one place: no comb"
    if repeats:
        every = f"peaks of {top_db:+.1f} dB every {frequency_text(1 / apart)}"
        return f"One head and its repeats, {delay_text(apart)} apart: {every}"
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
    faintest_db, made_of = first_db + level_db, []
    for share in CROSSED.values():
        sends = stereo.shared_sends(echo.return_gain, share)
        made = stereo.StereoLoop(heads=(echo.heads, echo.heads), sends=sends, one_pass=echo.one_pass)
        made_of.append(stereo.stereo_echoes(made, (1.0, 0.0), longest=longest, faintest_db=faintest_db))
    least = db_to_amplitude(faintest_db) * (1 - 1e-9)
    turns = any(np.any(np.abs(sides[:, 1]) >= least) for _, sides in made_of)
    canvas.head(
        "Crossed returns make the echo change sides" if turns else "A single answer stays on its side",
        "a sound on the left of two tracks, one head each",
        answer=delay_text(max(echo.delays)),
        means="from one answer to the next",
    )
    last = 0.0
    for row, (times, sides) in enumerate(made_of):
        for k, name in enumerate(ends):
            loud = np.abs(sides[:, k]) >= least
            height = 1 - (20 * np.log10(np.abs(sides[loud, k])) - first_db) / level_db
            tops = row + (2 * k - 1) * TALLEST * np.clip(height, 0.04, 1)
            look = canvas.dots(2.5, marker="os"[k], color=canvas.color("echo"))
            look |= {"markerfacecolor": canvas.color("face")} if k else {}
            axes.vlines(times[loud], row, tops, color=look["color"], linewidth=STRUCTURE * profile.line_pt)
            ends[name] += axes.plot(times[loud], tops, **look)
            last = max(last, *times[loud], 0.0)
    share = 0.7 if profile.narrow else 0.8 if profile.layout == "third" else 0.88
    longest = max(last + max(echo.delays), last / share)  # sides are named there
    axes.hlines(range(len(CROSSED)), 0, longest, color=canvas.color("frame"), linewidth=profile.line_pt / 3)
    names = ["0", "1/2", "1"] if canvas.symbols_only else list(CROSSED)
    canvas.style_axes(x=("time", "$t$", "s"), grid="x")
    axes.set(xlim=(0, longest), ylim=(len(CROSSED) - 0.5, -0.5))
    axes.set_yticks(range(len(CROSSED)), names)
    axes.tick_params(axis="y", length=0)
    short = canvas.symbols_only
    for name, sign, side in (("left", -1, "L"), ("right", 1, "R")):
        canvas.note((longest, 0.25 * sign), side if short else name, "left", "echo", **canvas.plate())
    said = (
        f"A sound on the left of two tracks, answers {delay_text(max(echo.delays))} apart. Straight, it "
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
