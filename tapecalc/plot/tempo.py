"""The figure of tempo and delay."""

from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FixedLocator, NullLocator
from numpy.typing import NDArray

from tapecalc.calc import tempo
from tapecalc.calc.units import from_si
from tapecalc.machine import Machine
from tapecalc.plot import style
from tapecalc.plot.kit import Canvas, Drawn, Look, figure, from_to, note_fraction
from tapecalc.words import listed

#: The note values that a song is most likely to want, the longest first.
SONG_NOTES = ("quarter", "dotted eighth", "eighth", "eighth triplet", "sixteenth")
TEMPOS = (60.0, 180.0)
MOST_NAMES = 8  # delays that are written out


def of_machine(machine: Machine) -> dict[str, Any]:
    """Give the arguments of `tempo_map`: every delay of a machine, by speed and head."""
    delays = [machine.delays(speed) for speed in machine.speeds]
    between = machine.speed_range is not None
    return {"delays": delays, "speeds": machine.speeds, "bpm": machine.song.bpm, "between": between}


@figure("which tempos the machine likes", of_machine, units=True)
def tempo_map(
    canvas: Canvas,
    *,
    delays: Sequence[Sequence[float]],
    speeds: Sequence[float],
    bpm: float | None = None,
    between: bool = False,
) -> Drawn:
    """Draw delay over tempo, a curve per note value, with the machine's delays across, by speed and head.

    Tempos in quarter notes per minute; `bpm` marks that of a song. The dots ``"fits"`` are tempos that fit.
    Where the speed can be any `between` two, each head is an upright line from its shortest to its longest
    delay, there is one ``"band"`` of them all, and the dots are the notes within it at the song's tempo.

    >>> tempo_map(delays=[(0.25,)], speeds=(0.19,)).artists["fits"].get_xdata()[0]
    np.float64(60.0)
    """
    axes, profile = canvas.axes, canvas.profile
    values, grey = [tempo.note_value(name) for name in SONG_NOTES], profile.ground.frame
    ends = np.array([*TEMPOS, bpm or TEMPOS[0]])
    low, high = min(ends.min(), 0.95 * ends[2]), max(ends.max(), 1.05 * ends[2])
    tempos, curves = np.linspace(low, high, 200), []
    for note, dash in zip(values, style.LINES, strict=True):
        taken = from_si(tempo.delay_from_tempo(tempos, note.beats), "ms")
        curves += axes.plot(tempos, taken, color=grey, linestyle=dash, linewidth=0.6 * profile.line_pt)
    own = from_si(np.array(delays), "ms")
    notes_span = from_si(tempo.delay_from_tempo([high, low], [values[-1].beats, values[0].beats]), "ms")
    span = min(own.min(), notes_span[0]), max(own.max(), notes_span[1])
    x_label, y_label = ("tempo (beats per minute)", "bpm", ""), ("delay", "$T$", "ms")
    canvas.style_axes("Which tempos this machine likes", x=x_label, y=y_label)
    axes.set(yscale="log", xlim=(low, high), ylim=(span[0] / 1.3, span[1] * (1.7 if between else 1.3)))
    round_ms = [digit * 10.0**power for power in range(5) for digit in (1, 2, 5)]
    axes.yaxis.set(major_locator=FixedLocator(round_ms), major_formatter="{x:g}", minor_locator=NullLocator())
    across, band = (
        _reaches(canvas, own, low, high) if between else (_levels(canvas, own, (low, high), bpm), None)
    )
    fits = list(_fits(np.array(delays), low, high, bpm, between=between))
    (dots,) = axes.plot([fit.bpm for fit in fits], [fit.ms for fit in fits], **canvas.dots())
    if own.size <= 2 and not (between or profile.portrait):
        for fit in fits:  # at the right end stand the names of the lines
            side = "upper left" if fit.bpm > high - 0.06 * (high - low) else "upper right"
            canvas.note((fit.bpm, fit.ms), f"{fit.bpm:.0f}", side)
    if bpm is not None:
        axes.axvline(bpm, color=grey, linestyle="--", linewidth=profile.line_pt / 2)
        canvas.note((bpm, span[1] * 1.12), f"{bpm:g} bpm", "left" if bpm > (low + high) / 2 else "right")
    names = [note_fraction(note) if canvas.symbols_only else note.name for note in values]
    firsts = [] if between else across[:: own.shape[1]]
    canvas.name_lines([*curves, *firsts], [*names, *map(canvas.speed, speeds[: len(firsts)])])
    said = "; ".join(_said(canvas, own, speeds, fits, bpm, between=between))
    form = "an upright line for the reach of each head" if between else "level lines for the machine's delays"
    return Drawn(
        canvas.figure,
        {"notes": curves, "delays": across, "fits": dots} | ({"band": band} if between else {}),
        f"Delay and tempo, in beats per minute: {said}.",
        f"Line chart of delay in ms over tempo, a falling curve per note value, {form}, dots where "
        f"they meet: {said}.",
        ("T = beats 60 / bpm, from the definition of the tempo",),
    )


class _Fit(NamedTuple):
    """A tempo at which a head plays a note exactly: its speed and itself counted from 0, its delay in ms."""

    speed: int
    head: int
    note: str
    bpm: float
    ms: float


def _fits(
    delays: NDArray[np.float64], low: float, high: float, bpm: float | None, *, between: bool
) -> Iterator[_Fit]:
    """Find the tempos that the machine's delays like; of a free speed, what it can play at the song's."""
    notes = tuple(map(tempo.note_value, SONG_NOTES))
    if not between:
        for (speed, head), delay in np.ndenumerate(delays):
            for note, at in tempo.tempos_for_delay(float(delay), low=low, high=high, notes=notes):
                yield _Fit(speed, head, note.name, at, from_si(float(delay), "ms"))
    elif bpm is not None:
        for head, (first, last) in enumerate(zip(*np.sort(delays, axis=0), strict=True)):
            for note in notes:
                wanted = tempo.delay_from_tempo(bpm, note.beats)
                if first * (1 - 1e-9) <= wanted <= last * (1 + 1e-9):
                    yield _Fit(0, head, note.name, bpm, from_si(wanted, "ms"))


def _levels(
    canvas: Canvas, own: NDArray[np.float64], ends: tuple[float, float], bpm: float | None
) -> list[Line2D]:
    """Draw each delay as a level line, its color the speed, its dashes the head, with its name below.

    Names stand at the left, or behind the song's tempo where it would run through them.
    """
    low, high = ends
    left = bpm if bpm is not None and bpm < low + 0.25 * (high - low) else low
    profile, heads = canvas.profile, own.shape[1]
    lines = []
    share = 0.31 if profile.portrait else 0.7  # of the height that is the axis
    room = 1.25 * profile.text_pt / (share * 72 * profile.height_in)  # a line of type as a share of the axis
    bottom, top = np.log(canvas.axes.get_ylim())
    written = heads > 1 and own.size <= MOST_NAMES and not (canvas.symbols_only or profile.narrow)
    for (speed, head), ms in np.ndenumerate(own):
        look: Look = {"color": profile.ground.echo, "linestyle": style.LINES[head % len(style.LINES)]}
        look |= {"linewidth": profile.line_pt / (1 + 0.5 * speed)}
        lines += canvas.axes.plot(ends, [ms, ms], **look)
        above = np.log(own[speed, head + 1 :])  # of two that are too close only the farther is named
        if heads == 1 or np.all(above - np.log(ms) > room * (top - bottom)):
            text = (
                f"{ms:.0f} ms"
                if heads == 1
                else f"head {head + 1}, {ms:.0f} ms"
                if written
                else f"{head + 1}"
            )
            along = 0 if heads == 1 else (0.3 if written else 0.1) * speed
            canvas.note((left + (high - low) * along, ms), text, "lower right")
    return lines


def _reaches(canvas: Canvas, own: NDArray[np.float64], low: float, high: float) -> tuple[list[Line2D], Patch]:
    """Draw the reach of each head as an upright line with its number, and that of all as a band."""
    color, lines = canvas.profile.ground.dry, []
    for head, (first, last) in enumerate(zip(*np.sort(own, axis=0), strict=True)):
        at = low + (high - low) * (0.05 + 0.06 * head)
        look: Look = {"color": color, "marker": "_", "markersize": 4 * canvas.profile.line_pt}
        lines += canvas.axes.plot([at, at], [first, last], linewidth=canvas.profile.line_pt, **look)
        name = f"{head + 1}" if head or canvas.symbols_only or canvas.profile.narrow else "head 1"
        canvas.note((at, last), name, "above")
    fill = canvas.profile.ground.fill
    return lines, canvas.axes.axhspan(own.min(), own.max(), facecolor=fill, edgecolor="none", zorder=0.5)


def _said(
    canvas: Canvas,
    own: NDArray[np.float64],
    speeds: Sequence[float],
    fits: list[_Fit],
    bpm: float | None,
    *,
    between: bool,
) -> Iterator[str]:
    """Say of each delay, or each head, which tempos or notes it fits; of very many only the first."""
    if between:
        for head, row in enumerate(own.T):
            plays = [fit.note for fit in fits if fit.head == head]
            at = f", at {bpm:g} {listed(plays) if plays else 'none of these notes'}" if bpm else ""
            yield f"head {head + 1} reaches {from_to(row / 1000, 'ms')}{at}"
        return
    for number, ((speed, head), ms) in enumerate(np.ndenumerate(own)):
        if number == MOST_NAMES and own.size > MOST_NAMES + 1:
            yield f"and {own.size - MOST_NAMES} more delays"
            return
        fitting = [f"{fit.note} at {fit.bpm:.1f}" for fit in fits if (fit.speed, fit.head) == (speed, head)]
        where = "" if own.shape[1] == 1 else f"head {head + 1} at {canvas.speed(speeds[speed])}, "
        yield f"{where}{ms:.0f} ms fits {listed(fitting) if fitting else 'none of these notes'}"
