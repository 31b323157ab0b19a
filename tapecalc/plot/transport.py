"""Figures of delay and the tape path."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tapecalc.calc.transport import delay_from_spacing
from tapecalc.calc.units import from_si
from tapecalc.plot.kit import Canvas, Drawn, Place, Sketch, figure, spelled, spread
from tapecalc.words import amount, listed


@figure(
    "where the delay comes from",
    lambda m: {"spacings": m.spacings, "speed": m.speeds[0], "delays": m.delays(m.speeds[0])},
    units=True,
)
def tape_path(
    canvas: Canvas, *, spacings: Sequence[float], speed: float, delays: Sequence[float] | None = None
) -> Drawn:
    """Draw the way of the tape past its heads, with each head spacing and its delay.

    `delays` are those measured; by default spacing over speed. Artists are the places of the heads along the
    sheet, the boxes of ``"record"`` and ``"playback"`` heads, and the two ends of the ``"tape"``.

    >>> tape_path(spacings=(0.0415,), speed=0.1905).caption
    'The way of the tape. At 19.05 cm/s it takes 218 ms over 41.5 mm.'
    """
    stated = delay_from_spacing(np.array(spacings), speed).tolist()
    numbers = [
        (canvas.length(spacing), amount(delay, "ms"))
        for spacing, delay in zip(spacings, delays or stated, strict=True)
    ]
    shares = np.array(spacings) / max(spacings)
    artists = _tape_and_heads(canvas.sketch(), shares, numbers, symbols_only=canvas.symbols_only)
    took = " and ".join(f"{delay} over {spacing}" for spacing, delay in numbers)
    return Drawn(
        canvas.figure,
        artists,
        f"The way of the tape. At {canvas.speed(speed)} it takes {took}.",
        "Sketch of a tape on its way from the supply reel past erase, record and "
        f"{'playback head' if len(numbers) == 1 else f'{len(numbers)} playback heads'} to the capstan and "
        f"the take-up reel; spacing and delay from the record head: {'; '.join(map(', '.join, numbers))}. "
        "Only the spacings are to scale with one another.",
        ("T = d / v, from the motion",),
    )


@figure(
    "delay over spacing and speed",
    lambda m: {"spacings": m.spacings, "speeds": m.speeds, "delays": [m.delays(v) for v in m.speeds]},
    units=True,
)
def delay_map(
    canvas: Canvas,
    *,
    spacings: Sequence[float],
    speeds: Sequence[float],
    delays: Sequence[Sequence[float]] | None = None,
) -> Drawn:
    """Draw delay over head spacing, one line per speed, with this machine's heads as points.

    `delays` are those measured, for each speed and head; by default spacing over speed.

    >>> delay_map(spacings=(0.0415,), speeds=(0.1905,)).caption
    'Delay over head spacing. At 19.05 cm/s, 41.5 mm give 218 ms.'
    """
    axes, unit = canvas.axes, canvas.length_unit
    along = np.linspace(0.002, max(0.1, 1.15 * max(spacings)), 60)
    lines, heads, said = [], [], []
    for k, speed in enumerate(speeds):
        milliseconds = from_si(delay_from_spacing(along, speed), "ms")
        lines += axes.plot(from_si(along, unit), milliseconds, **canvas.line_style(k))
        found = delay_from_spacing(np.array(spacings), speed) if delays is None else np.array(delays[k])
        points = from_si(np.array(spacings), unit), from_si(found, "ms")
        heads += axes.plot(*points, **canvas.line_style(k, marker=True, linestyle="none"))
        gives = (f"{canvas.length(d)} give {amount(t, 'ms')}" for d, t in zip(spacings, found, strict=True))
        said.append(f"At {canvas.speed(speed)}, {listed(gives)}")
    if len(said) * len(spacings) <= 2:
        steepest = heads[int(np.argmin(speeds))]
        for dots in heads:
            side = "upper left" if dots is steepest and len(heads) > 1 else "lower right"
            for x, y in np.array(dots.get_xydata()).tolist():
                canvas.note((x, y), f"{y:.0f} ms", side)
    x, y = ("head spacing", "$d$", unit), ("delay", "$T$", "ms")
    canvas.style_axes("Head spacing and speed make the delay", x=x, y=y)
    axes.set(xlim=(0, from_si(along[-1], unit)), ylim=(0, None))
    canvas.name_lines(lines, map(canvas.speed, speeds))
    return Drawn(
        canvas.figure,
        {"lines": lines, "heads": heads},
        f"Delay over head spacing. {'. '.join(said)}.",
        f"Line chart of delay in ms over head spacing in {spelled(unit)}, one straight line through zero "
        f"per speed; the points are this machine's heads. {'. '.join(said)}.",
        ("T = d / v, from the motion",),
    )


def _tape_and_heads(
    sheet: Sketch, shares: NDArray[np.float64], numbers: list[tuple[str, str]], *, symbols_only: bool
) -> dict[str, object]:
    """The tape from left to right, or down an upright sheet; places are (along it, to the heads' side)."""
    tall, many, few = sheet.height > sheet.width, len(shares) > 1, len(shares) <= 4
    length = sheet.height if tall else sheet.width
    line = 6.2 if tall else max(0.46 * sheet.height, 5.7 + 1.3 * (len(shares) - 1))
    reel = 2.7 if tall else min(0.11 * length, (sheet.height - line - 1.9) / 2)

    def spot(along: float, side: float) -> Place:
        return (line + side, sheet.height - along) if tall else (along, line - side)

    def name(along: float, side: float, text: str) -> None:
        sheet.words(spot(along, side), text, ha="left" if tall else "center", va="center" if tall else "top")

    start, end = max(reel, 2.2) + 0.3, length - max(reel, 2.2) - 0.3
    capstan = (0.79 if tall else 0.755) * length
    record, last = 0.31 * length, (0.65 if tall else 0.58) * length
    heads = record + shares * (last - record)
    for along, word, letter in ((start, "supply", "S"), (end, "take-up", "U")):
        sheet.disk(spot(along, -reel), reel)
        sheet.disk(spot(along, -reel), 0.36 * reel)
        place = spot(along, 0.6) if tall else spot(along, -2 * reel - 1.1)
        sheet.words(place, letter if symbols_only else word, ha="left" if tall else "center")
    sheet.line([spot(start, 0), spot(end, 0)])
    places = [((0.23 if tall else 0.18) * length, "erase", "E"), (record, "record", "R")]
    letters = [f"P{k}" if few else f"{k}" for k in range(1, len(shares) + 1)] if many else ["P"]
    places += [(along, "playback", letter) for along, letter in zip(heads, letters, strict=True)]
    boxes = []
    for along, word, letter in places:
        boxes.append(sheet.box(spot(along, 1.2), size=(2.0, 1.2) if tall else (1.2, 2.0), color=1))
        short = symbols_only or (many and word == "playback") or (word == "record" and heads[0] - along < 3)
        if not (tall and word == "playback"):
            name(along, 2.7, letter if short else word)
    sheet.disk(spot(capstan, -0.6), 0.6, color=2)
    sheet.disk(spot(capstan, 1.2), 1.2, color=2)
    name(capstan, 2.7, "C" if symbols_only else "capstan")
    room = spread(heads, 2.5 if few else 1.25, record + 2, capstan - (2 if few else 1.6)) if tall else heads
    for k, (along, middle, (spacing, delay)) in enumerate(zip(heads, room, numbers, strict=True)):
        side = -1.8 - 0.9 * k if tall else 4.9 + 1.3 * k
        if tall:
            head = f"P{k + 1}: " if many else "P\n" if symbols_only else "playback\n"
            name(middle, 2.7, f"{head}{spacing}\n{delay}" if few else f"{k + 1}: {delay}")
        else:
            sheet.words(spot(along + 0.6, side), f"{spacing}, {delay}", ha="left")
        sheet.line([spot(record, side), spot(along, side)], arrows=2, color=2)
    ends = np.array([spot(start, 0), spot(end, 0)])
    return {"heads": heads, "record": boxes[1], "playback": boxes[2:], "tape": ends}
