"""Figures of delay, reels and the tape path."""

from __future__ import annotations

import numpy as np

from tapecalc.calc import transport
from tapecalc.calc.quantity import known_name
from tapecalc.calc.transport import delay_from_spacing
from tapecalc.calc.units import from_si
from tapecalc.plot import style
from tapecalc.plot.kit import (
    Drawn,
    _and,
    _note,
    _spelled,
    axis_label,
    draw,
    length_text,
    name_lines,
    sketch,
    speed_text,
    spread,
)

__all__ = ["delay_map", "reel_time", "tape_path"]


# ---------------------------------------------------------------- delay


def delay_map(
    *, spacings, speeds, delays=None, units="metric", profile="notebook", symbols_only=False, axes=None
):
    """Draw delay over head spacing, one line per speed, with this machine's heads as points.

    Parameters
    ----------
    spacings : tuple of float
        The machine's head spacings, m.
    speeds : tuple of float
        Its tape speeds, m/s.
    delays : tuple of tuple of float, optional
        For each speed the delays of the heads as measured, s; by default spacing over speed.
    units : {"metric", "inches"}, optional
        Which units people are to read.
    profile : str or Profile, optional
        Size and ground.
    symbols_only : bool, optional
        Write symbols instead of words.
    axes : matplotlib.axes.Axes, optional
        Axes of the reader's own figure.

    Returns
    -------
    Drawn
        Artists ``"lines"`` (one per speed) and ``"heads"`` (one per speed), in mm or in, and ms.

    Raises
    ------
    ValueError
        If a spacing or speed is not greater than 0.

    Notes
    -----
    Source: T = d / v. Notebook: 01_delay.

    Examples
    --------
    >>> delay_map(spacings=(0.0415,), speeds=(0.1905,)).caption
    'Delay over head spacing. At 19.05 cm/s, 41.5 mm give 218 ms.'
    """
    unit = {"metric": "mm", "inches": "in"}[known_name("units", units, ("metric", "inches"))]
    along = np.linspace(0.002, max(0.1, 1.15 * max(spacings)), 60)
    with draw(profile, axes) as (profile, figure, axes):
        lines, heads, said = [], [], []
        for k, speed in enumerate(speeds):
            look = style.line_style(profile, k, marker=True)
            milliseconds = from_si(transport.delay_from_spacing(along, speed), "ms")
            lines += axes.plot(from_si(along, unit), milliseconds, **(look | {"marker": "none"}))
            stated = np.atleast_1d(transport.delay_from_spacing(list(spacings), speed))
            found = stated if delays is None else np.array(delays[k])
            heads += axes.plot(
                from_si(list(spacings), unit), from_si(found, "ms"), **(look | {"linestyle": "none"})
            )
            pairs = zip(spacings, from_si(found, "ms").tolist(), strict=True)
            said.append(
                f"At {speed_text(speed, units)}, "
                + _and(f"{length_text(d, units)} give {t:.0f} ms" for d, t in pairs)
            )
        if len(said) * len(spacings) <= 2:
            steepest = heads[int(np.argmin(speeds))]
            for points in heads:
                side = "upper left" if points is steepest and len(heads) > 1 else "lower right"
                for x, y in points.get_xydata().tolist():
                    _note(axes, profile, (x, y), f"{y:.0f} ms", side)
        style.style_axes(
            axes,
            profile,
            title="" if symbols_only else "Head spacing and speed make the delay",
            x=axis_label("head spacing", "$d$", unit, symbols_only=symbols_only),
            y=axis_label("delay", "$T$", "ms", symbols_only=symbols_only),
        )
        axes.set(xlim=(0, from_si(along[-1], unit)), ylim=(0, None))
        name_lines(axes, profile, lines, [speed_text(speed, units) for speed in speeds])
    return Drawn(
        figure,
        {"lines": lines, "heads": heads},
        f"Delay over head spacing. {'. '.join(said)}.",
        f"Line chart of delay in ms over head spacing in {_spelled(unit)}, one straight line through zero "
        f"per speed; the points are this machine's heads. {'. '.join(said)}.",
        ("T = d / v, from the motion",),
    )


def tape_path(
    *, spacings, speed, delays=None, units="metric", profile="notebook", symbols_only=False, axes=None
):
    """Draw the way of the tape past its heads, with each head spacing and its delay.

    Parameters
    ----------
    spacings : tuple of float
        Distance of each playback head from the record head, m, in tape order.
    speed : float
        Tape speed, m/s.
    delays : tuple of float, optional
        Delay of each head as measured, s; by default spacing over speed.
    units : {"metric", "inches"}, optional
        Which units people are to read.
    profile : str or Profile, optional
        Size and ground.
    symbols_only : bool, optional
        Write symbols instead of words.
    axes : matplotlib.axes.Axes, optional
        Axes of the reader's own figure.

    Returns
    -------
    Drawn
        The figure; artists ``"heads"`` are the heads' places along the sheet, ``"record"`` and
        ``"playback"`` their boxes, ``"tape"`` the two ends of the tape.

    Raises
    ------
    ValueError
        If a spacing or the speed is not greater than 0.

    Notes
    -----
    Source: common practice, no source. Notebook: 01_delay.

    Examples
    --------
    >>> tape_path(spacings=(0.0415,), speed=0.1905).caption
    'The way of the tape. At 19.05 cm/s it takes 218 ms over 41.5 mm.'
    """
    stated = np.atleast_1d(delay_from_spacing(spacings, speed)).tolist()
    delays = stated if delays is None else delays
    numbers = [
        (length_text(spacing, units), f"{from_si(delay, 'ms'):.0f} ms")
        for spacing, delay in zip(spacings, delays, strict=True)
    ]
    with sketch(profile, axes) as (profile, figure, sheet):
        artists = _tape_and_heads(sheet, np.asarray(spacings) / max(spacings), numbers, symbols_only)
    took = " and ".join(f"{delay} over {spacing}" for spacing, delay in numbers)
    return Drawn(
        figure,
        artists,
        f"The way of the tape. At {speed_text(speed, units)} it takes {took}.",
        "Sketch of a tape on its way from the supply reel past erase, record and "
        f"{'playback head' if len(numbers) == 1 else f'{len(numbers)} playback heads'} to the capstan and "
        f"the take-up reel; spacing and delay from the record head: {'; '.join(map(', '.join, numbers))}. "
        "Only the spacings are to scale with one another.",
        ("T = d / v, from the motion",),
    )


def _tape_and_heads(sheet, shares, numbers, symbols_only):
    """The tape from left to right, or from top to bottom on an upright sheet.

    Places are (along the tape, to the heads' side), in type sizes.
    """
    tall = sheet.height > sheet.width
    length = sheet.height if tall else sheet.width
    line = 6.2 if tall else max(0.46 * sheet.height, 5.7 + 1.3 * (len(shares) - 1))
    reel = 2.7 if tall else min(0.11 * length, (sheet.height - line - 1.9) / 2)

    def spot(along, side):
        return (line + side, sheet.height - along) if tall else (along, line - side)

    def name(along, side, text):
        sheet.words(spot(along, side), text, ha="left" if tall else "center", va="center" if tall else "top")

    start, end, capstan = (
        max(reel, 2.2) + 0.3,
        length - max(reel, 2.2) - 0.3,
        (0.79 if tall else 0.755) * length,
    )
    record, last = 0.31 * length, (0.65 if tall else 0.58) * length
    heads = record + shares * (last - record)
    for along, word, letter in ((start, "supply", "S"), (end, "take-up", "U")):
        sheet.disk(spot(along, -reel), reel)
        sheet.disk(spot(along, -reel), 0.36 * reel)
        word = letter if symbols_only else word
        place = spot(along, 0.6) if tall else spot(along, -2 * reel - 1.1)
        sheet.words(place, word, ha="left" if tall else "center")
    sheet.line([spot(start, 0), spot(end, 0)], arrow=False)
    many = len(shares) > 1
    places = [((0.23 if tall else 0.18) * length, "erase", "E"), (record, "record", "R")]
    places += [
        (along, "playback", (f"P{k}" if len(shares) <= 4 else f"{k}") if many else "P")
        for k, along in enumerate(heads, 1)
    ]
    boxes = []
    for along, word, letter in places:
        boxes.append(sheet.box(spot(along, 1.2), size=(2.0, 1.2) if tall else (1.2, 2.0), color=1))
        short = symbols_only or (many and word == "playback") or (word == "record" and heads[0] - along < 3)
        if not (tall and word == "playback"):
            name(along, 2.7, letter if short else word)
    sheet.disk(spot(capstan, -0.6), 0.6, color=2)
    sheet.disk(spot(capstan, 1.2), 1.2, color=2)
    name(capstan, 2.7, "C" if symbols_only else "capstan")
    if tall:
        few = len(shares) <= 4
        room = spread(heads, 2.5 if few else 1.25, record + 2, capstan - (2 if few else 1.6))
        for k, (along, middle, (spacing, delay)) in enumerate(zip(heads, room, numbers, strict=True), 1):
            head = f"P{k}: " if many else "P\n" if symbols_only else "playback\n"
            name(middle, 2.7, f"{head}{spacing}\n{delay}" if few else f"{k}: {delay}")
            side = -0.9 - 0.9 * k
            sheet.line([spot(record, side), spot(along, side)], both=True, color=2)
    else:
        for row, (along, texts) in enumerate(zip(heads, numbers, strict=True)):
            side = 4.9 + 1.3 * row
            sheet.line([spot(record, side), spot(along, side)], both=True, color=2)
            sheet.words(spot(along + 0.6, side), ", ".join(texts), ha="left")
    ends = np.array([spot(start, 0), spot(end, 0)])
    return {"heads": heads, "record": boxes[1], "playback": boxes[2:], "tape": ends}
