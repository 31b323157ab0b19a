"""The figure of tempo and delay."""

from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

import numpy as np
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.text import Text
from matplotlib.ticker import FixedLocator, MaxNLocator, NullLocator
from numpy.typing import NDArray

from tapecalc.calc import tempo
from tapecalc.calc.units import from_si
from tapecalc.machine import Machine
from tapecalc.plot.kit import Canvas, Drawn, Look, delay_text, figure, from_to, note_fraction
from tapecalc.plot.style import GRID, MOST_GRID, STRUCTURE, sequence
from tapecalc.words import listed, with_article

#: The note values that a song is most likely to want, the longest first.
SONG_NOTES = ("quarter", "dotted eighth", "eighth", "eighth triplet", "sixteenth")
TEMPOS = (60.0, 180.0)
MOST_NAMES = 8  # delays that are written out
BESIDE = 2.0  # how far beyond the notes, as a factor, delays are still shown


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
    Of very many delays one is strong and has dots: that which fits a note nearest to the song's tempo.
    Where the speed can be any `between` two, each head is an upright line from its shortest to its longest
    delay, there is one ``"band"`` of them all, and the dots are the notes within it at the song's tempo.

    >>> tempo_map(delays=[(0.25,)], speeds=(0.19,)).artists["fits"].get_xdata()[0]
    np.float64(60.0)
    """
    axes, own = canvas.axes, from_si(np.array(delays), "ms")
    values = [tempo.note_value(name) for name in SONG_NOTES]
    ends = np.array([*TEMPOS, bpm or TEMPOS[0]])
    low, high = min(ends.min(), 0.95 * ends[2]), max(ends.max(), 1.05 * ends[2])
    fits = list(_fits(np.array(delays), low, high, bpm, between=between))
    finding, answer, means = _finding(own, fits, bpm, between=between)
    if own.size > MOST_NAMES and fits and not between:  # one of them is enough to read
        nearest = min(fits, key=lambda fit: fit.away(bpm))
        fits = [fit for fit in fits if fit[:2] == nearest[:2]]
    canvas.head(finding, _ways(canvas, own, speeds, between=between), answer=answer, means=means)
    tempos, curves = np.linspace(low, high, 200), []
    quiet = canvas.line_look("context", linewidth=STRUCTURE * canvas.profile.line_pt)
    for note in values:
        curves += axes.plot(tempos, from_si(tempo.delay_from_tempo(tempos, note.beats), "ms"), **quiet)
    ends = from_si(tempo.delay_from_tempo([high, low], [values[-1].beats, values[0].beats]), "ms")
    least, most = np.clip([own.min(), own.max()], ends / [BESIDE, 1], ends * [1, BESIDE])  # and what is near
    canvas.style_axes(x=("tempo (beats per minute)", "bpm", ""), y=("delay", "$T$", "ms"))
    axes.set(yscale="log", xlim=(low, high), ylim=(least / 1.3, most * 1.6))
    axes.yaxis.set(
        major_locator=FixedLocator(_round_between(*axes.get_ylim())),
        major_formatter="{x:g}",
        minor_locator=NullLocator(),
    )
    axes.xaxis.set_major_locator(
        MaxNLocator(3 if canvas.profile.narrow else MOST_GRID, steps=(1, 2, 3, 5, 10))
    )
    brief = canvas.symbols_only or canvas.profile.narrow
    canvas.name_lines(curves, [note_fraction(note) if brief else note.name for note in values])
    band, notes = None, list[Text | list[Text]]()
    if bpm is not None:
        axes.axvline(bpm, **canvas.line_look("dry", linewidth=STRUCTURE * canvas.profile.line_pt))
        song, side = f"{bpm:g} bpm", "left" if bpm > (low + high) / 2 else "right"
        song = song if brief else f"song, {song}"
        notes.append(canvas.note((bpm, axes.get_ylim()[1] / 1.22), song, side, "dry"))
    if between:
        across, band = _reaches(canvas, own, low, high)
    else:
        across, names = _levels(canvas, own, speeds, (low, high), [fit[:2] for fit in fits])
        tempos_at = _tempos_at(canvas, fits, bpm, low + 0.94 * (high - low))
        notes += [*tempos_at[:1], *names, *tempos_at[1:]]
    (dots,) = axes.plot([fit.bpm for fit in fits], [fit.ms for fit in fits], **canvas.dots(3.2))
    canvas.fewer(notes, off=[(fit.bpm, fit.ms) for fit in fits])
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

    def away(self, bpm: float | None) -> float:
        """How far from a tempo, or without one from the middle of those shown, in octaves."""
        return abs(float(np.log2(self.bpm / (bpm or float(np.sqrt(np.prod(TEMPOS)))))))


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


def _finding(
    own: NDArray[np.float64], fits: list[_Fit], bpm: float | None, *, between: bool
) -> tuple[str, str, str]:
    """Say in a title whether the song fits, and give the one number with what it means."""
    if between and bpm is None:
        return "A free speed reaches any delay between", from_to(own / 1000, "ms"), "from head 1 to the last"
    if between:
        count = len({fit.note for fit in fits})
        much = "every note" if count == len(SONG_NOTES) else f"{count} of the notes" if count else "no note"
        return f"A free speed fits {much} here", f"{count} of {len(SONG_NOTES)}", f"notes at {bpm:g} bpm"
    if not fits:
        return "No delay fits a note at these tempos", delay_text(own[0, 0] / 1000), "the first delay"
    nearest = min(fits, key=lambda fit: fit.away(bpm))
    answer = f"{nearest.bpm:.1f} bpm"
    if bpm is None:
        count = len({round(fit.bpm, 1) for fit in fits})
        title = "One tempo fits this machine" if count == 1 else f"{count} tempos fit this machine"
        return title, answer, f"fits {with_article(nearest.note)}"
    notes = tuple(map(tempo.note_value, SONG_NOTES))
    best = [tempo.nearest_fits(float(ms) / 1000, bpm, notes=notes)[0] for ms in own.ravel()]
    well = [fit.note.name for fit in best if not fit.audible]
    title = f"At {bpm:g} bpm the echo misses these notes"
    if well:
        title = f"At {bpm:g} bpm the echo plays {with_article(well[0])}"
    return title, answer, f"the nearest that fits {with_article(nearest.note)}"


def _round_between(low: float, high: float) -> list[float]:
    """Choose at most five round numbers of a logarithmic axis."""
    for digits in ((1, 2, 5), (1, 3), (1,)):
        round_ms = [digit * 10.0**power for power in range(6) for digit in digits]
        shown = [ms for ms in round_ms if low <= ms <= high]
        if len(shown) <= MOST_GRID:
            break
    return shown


def _ways(canvas: Canvas, own: NDArray[np.float64], speeds: Sequence[float], *, between: bool) -> str:
    """Say at which speeds, and of very many delays how many they are."""
    if between:
        return f"any speed from {canvas.speed(min(speeds))} to {canvas.speed(max(speeds))}"
    ways = listed(map(canvas.speed, speeds)) if len(speeds) < 4 else f"{len(speeds)} speeds"
    return f"{own.size} delays, {ways}" if own.size > MOST_NAMES else ways


def _tempos_at(canvas: Canvas, fits: list[_Fit], bpm: float | None, right: float) -> list[Text]:
    """Write the tempo at each dot, that nearest to the song's first."""
    return [
        canvas.note((fit.bpm, fit.ms), f"{fit.bpm:.0f}", f"upper {side}", **canvas.plate())
        for fit in sorted(fits, key=lambda fit: fit.away(bpm))
        for side in ("left" if fit.bpm > right else "right",)
    ]


def _levels(
    canvas: Canvas,
    own: NDArray[np.float64],
    speeds: Sequence[float],
    ends: tuple[float, float],
    fitting: Sequence[tuple[int, ...]],
) -> tuple[list[Line2D], list[list[Text]]]:
    """Draw each delay as a level line, the slower the speed the heavier, with its name at the right below.

    A delay that lies beyond the chart is named at its edge, if there is room. Of very many those that are
    not `fitting`, by speed and head, are thin and pale and have no name.
    """
    names: tuple[list[list[Text]], ...] = ([], [])  # of what is seen, and of what lies beyond
    lines, (bottom, top) = [], canvas.axes.get_ylim()
    weights, pale = canvas.weights(speeds), sequence(canvas.profile, 2)[-1]
    brief = canvas.symbols_only or canvas.profile.narrow
    plate: Look = {"facecolor": canvas.color("face"), "edgecolor": "none", "pad": 0.5}
    for (speed, head), ms in np.ndenumerate(own):
        look = canvas.line_look("echo", linewidth=weights[speed])
        if quiet := own.size > MOST_NAMES and (speed, head) not in fitting:
            look |= {"color": pale, "linewidth": GRID * canvas.profile.line_pt, "zorder": 1.5}
        lines += canvas.axes.plot(ends, [ms, ms], **look)
        if quiet:
            continue
        parts = [f"head {head + 1}", delay_text(ms / 1000), canvas.speed(speeds[speed])]
        first, short = (1, parts[1]) if own.shape[1] == 1 else (0, f"{head + 1}: {parts[1]}")
        beyond = "" if brief or bottom < ms < top else ", beyond"
        at, side = (min(ms, top), "lower left") if ms > 1.2 * bottom else (1.06 * bottom, "upper left")
        ways = [short] if brief else [", ".join(parts[first:]) + beyond, parts[1] + beyond]
        options = [canvas.note((ends[1], at), name, side, "echo", bbox=plate) for name in ways]
        for note in options if side == "lower left" else ():
            note.set_y(-canvas.profile.text_pt)  # so that a tempo has room above the line
        names[not bottom < ms < top].append(options)
    return lines, names[0] + names[1]


def _reaches(canvas: Canvas, own: NDArray[np.float64], low: float, high: float) -> tuple[list[Line2D], Patch]:
    """Draw the reach of each head as an upright line with its number, and that of all as a band."""
    color, lines, top = canvas.color("echo"), [], canvas.axes.get_ylim()[1]
    for head, (first, last) in enumerate(zip(*np.sort(own, axis=0), strict=True)):
        at = low + (high - low) * (0.05 + 0.06 * head)
        look: Look = {"color": color, "marker": "_", "markersize": 4 * canvas.profile.line_pt}
        lines += canvas.axes.plot([at, at], [first, last], linewidth=canvas.profile.line_pt, **look)
        name = f"{head + 1}" if head or canvas.symbols_only or canvas.profile.slim else "head 1"
        canvas.note((at, min(last, top / 1.3)), name, "above", "echo", **canvas.plate())
    fill = canvas.color("fill")
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
    """Say of each delay, or each head, which tempos or notes it fits; of very many only what fits."""
    if between:
        for head, row in enumerate(own.T):
            plays = [fit.note for fit in fits if fit.head == head]
            at = f", at {bpm:g} {listed(plays) if plays else 'none of these notes'}" if bpm else ""
            yield f"head {head + 1} reaches {from_to(row / 1000, 'ms')}{at}"
        return
    for (speed, head), ms in np.ndenumerate(own):
        fitting = [f"{fit.note} at {fit.bpm:.1f}" for fit in fits if (fit.speed, fit.head) == (speed, head)]
        if own.size > MOST_NAMES and not fitting:
            continue
        where = "" if own.shape[1] == 1 else f"head {head + 1} at {canvas.speed(speeds[speed])}, "
        yield f"{where}{delay_text(ms / 1000)} fits {listed(fitting) if fitting else 'none of these notes'}"
    if own.size > MOST_NAMES:
        yield f"{'pale, ' if fits else ''}the other delays of {from_to(own.ravel() / 1000, 'ms')}"
