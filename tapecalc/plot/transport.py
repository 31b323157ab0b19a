"""Figures of delay and the tape path."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.artist import Artist

from tapecalc.calc.heads import Heads
from tapecalc.calc.transport import run_time
from tapecalc.calc.units import from_si
from tapecalc.machine import Machine
from tapecalc.plot.heads import own_heads, said_of_heads
from tapecalc.plot.kit import Canvas, Drawn, figure, from_to, spelled
from tapecalc.plot.tape import TapePicture
from tapecalc.words import amount, listed


def _of_machine(machine: Machine) -> dict[str, Any]:
    speed = machine.speeds[0]
    own = {"layout": own_heads(machine, speed), "speed": speed, "delays": machine.delays(speed)}
    own |= {"speed_range": machine.speed_range, "loop_length": machine.loop_length}
    return own | {"erases": machine.erases}


def _speeds(canvas: Canvas, speeds: Sequence[float]) -> str:
    """Write a range of tape speeds, or the one that there is, in the reader's units."""
    return from_to(speeds, "cm_s" if canvas.units == "metric" else "ips", ".4g")


@figure("where the delay comes from", _of_machine, units=True)
def tape_path(
    canvas: Canvas,
    *,
    layout: Heads,
    speed: float,
    delays: Sequence[float] | None = None,
    speed_range: tuple[float, float] | None = None,
    loop_length: float | None = None,
    erases: bool = True,
) -> Drawn:
    """Draw the way of the tape past its heads, with each head spacing and its delay.

    `delays` are those measured, by default spacing over speed; a `speed_range` gives a range of them. With a
    `loop_length` the tape is a closed loop and there are no reels. Artists are the places of the heads along
    the sheet, the boxes of ``"record"`` and ``"playback"`` heads, and the ``"way"`` of the tape from the
    record head on, as rows of m, x and y, on which sound is ``"ridden"`` so many m.

    >>> tape_path(layout=Heads(spacings=(0.0415,)), speed=0.1905).caption
    'The way of the tape. At 19.05 cm/s it takes 218 ms over 41.5 mm.'
    """
    speeds, spacings = sorted(speed_range or (speed,)), layout.spacings
    each = zip(*(layout.delays(v) if delays is None or speed_range else delays for v in speeds), strict=True)
    numbers = [(canvas.length(d), from_to(taken, "ms")) for d, taken in zip(spacings, each, strict=True)]
    column = 0.58 * max(len(f"1: {spacing}, {delay}") for spacing, delay in numbers) + 0.6
    around: dict[str, Any] = {"loop_length": loop_length, "erases": erases}
    picture = TapePicture(canvas.sketch(), layout, words=not canvas.symbols_only, column=column, **around)
    picture.measure(numbers)
    said = f"At {_speeds(canvas, speeds)} it takes "
    said += f"{listed(f'{delay} over {spacing}' for spacing, delay in numbers)}."
    start, end = "from the supply reel", "to the take-up reel"
    if loop_length is not None:
        long, lap = (
            amount(loop_length, "m", ".3g"),
            from_to([run_time(loop_length, v) for v in speeds], "s", ".3g"),
        )
        picture.say([f"closed loop, {long}", f"lap {lap}"])
        said += f" The closed loop of {long} comes round in {lap}."
        start, end = "in a closed loop", "and round again, with the splice marked"
    heads = "playback head" if len(numbers) == 1 else f"{len(numbers)} playback heads"
    return Drawn(
        canvas.figure,
        {"heads": picture.places, "way": picture.way, "ridden": picture.ridden}
        | {"record": picture.boxes[0], "playback": picture.boxes[1:]},
        f"The way of the tape. {said}{said_of_heads(layout)}",
        f"Sketch of a tape on its way {start} past {'erase, ' if erases else ''}record and {heads}, between "
        f"the thin capstan and the pinch roller {end}; spacing and delay from the record head: "
        f"{'; '.join(map(', '.join, numbers))}. Only the spacings are to scale with one another.",
        ("T = d / v, from the motion",),
    )


@figure(
    "delay over spacing and speed",
    lambda m: {
        "spacings": m.spacings,
        "speeds": m.speeds,
        "delays": [m.delays(v) for v in m.speeds],
        "between": m.speed_range is not None,
    },
    units=True,
)
def delay_map(
    canvas: Canvas,
    *,
    spacings: Sequence[float],
    speeds: Sequence[float],
    delays: Sequence[Sequence[float]] | None = None,
    between: bool = False,
) -> Drawn:
    """Draw delay over head spacing, one line per speed, with this machine's heads as points.

    `delays` are those measured, for each speed and head; by default spacing over speed. Where the speed can
    be any `between` the first and the last, there is a ``"band"``, and each head is an upright line in it.

    >>> delay_map(spacings=(0.0415,), speeds=(0.1905,)).caption
    'Delay over head spacing. At 19.05 cm/s, 41.5 mm give 218 ms.'
    """
    axes, unit, far = canvas.axes, canvas.length_unit, max(spacings)
    along = np.linspace(0, max(1.15 * far, min(0.1, 2.5 * far)), 60)
    places, shown = from_si(np.array(spacings), unit), from_si(along, unit)
    found = [np.array(spacings) / v if delays is None else np.array(delays[k]) for k, v in enumerate(speeds)]
    times = [from_si(taken, "ms") for taken in found]
    lines, heads = [], []
    artists: dict[str, Artist] = {}
    for k, speed in enumerate(speeds):
        lines += axes.plot(shown, from_si(along / speed, "ms"), **canvas.line_style(0 if between else k))
        heads += axes.plot(
            places, times[k], **canvas.line_style(0 if between else k, marker=True, linestyle="none")
        )
    if between:
        fill = canvas.profile.ground.fill
        first, last = (line.get_ydata() for line in lines)
        artists["band"] = axes.fill_between(shown, first, last, facecolor=fill, linewidth=0)
        artists["reach"] = axes.vlines(places, *times, color=canvas.profile.ground.dry)
    rows = [tuple(zip(*found, strict=True))] if between else [[(t,) for t in taken] for taken in found]
    at = [_speeds(canvas, speeds)] if between else list(map(canvas.speed, speeds))
    said = []
    for speed_text, row in zip(at, rows, strict=True):
        gives = (f"{canvas.length(d)} give {from_to(t, 'ms')}" for d, t in zip(spacings, row, strict=True))
        said.append(f"At {speed_text}, {listed(gives)}")
    if len(speeds) * len(spacings) <= 2:
        steepest = heads[int(np.argmin(speeds))]
        for dots in heads:
            side = "upper left" if dots is steepest and len(heads) > 1 else "lower right"
            for x, y in np.array(dots.get_xydata()).tolist():
                canvas.note((x, y), f"{y:.0f} ms", side)
    x, y = ("head spacing", "$d$", unit), ("delay", "$T$", "ms")
    canvas.style_axes("Head spacing and speed make the delay", x=x, y=y)
    axes.set(xlim=(0, shown[-1]), ylim=(0, None))
    canvas.name_lines(lines, map(canvas.speed, speeds))
    form = "a band between two straight lines" if between else "one straight line through zero per speed"
    return Drawn(
        canvas.figure,
        {"lines": lines, "heads": heads, **artists},
        f"Delay over head spacing. {'. '.join(said)}.",
        f"Line chart of delay in ms over head spacing in {spelled(unit)}, {form}; "
        f"the {'upright lines' if between else 'points'} are this machine's heads. {'. '.join(said)}.",
        ("T = d / v, from the motion",),
    )
