"""Pictures of how things are wired and where the tape runs, in plain boxes and arrows.

======  =================  =======  ============================================
symbol  name in code       SI unit  typical value
======  =================  =======  ============================================
d       ``spacings``       m        ``(0.0415,)``, one for each playback head
v       ``speed``          m/s      0.1905
T       ``delays``         s        ``(0.218,)``, where measured
--      ``units``          --       ``"metric"`` or ``"inches"``
--      ``profile``        --       ``"notebook"``
--      ``symbols_only``   --       True for a picture without words
--      ``axes``           --       axes of the reader's own figure, or None
======  =================  =======  ============================================
"""

from __future__ import annotations

import numpy as np

from tapecalc.show.drawing import Drawn, length_text, sketch, speed_text, spread
from tapecalc.transport import delay_from_spacing
from tapecalc.units import from_si

__all__ = ["loop_diagram", "tape_path"]

#: Where things stand on the sheet, as shares of its width and height.
_WIDE = {
    "instrument": (0.135, 0.88),
    "channel 1": (0.44, 0.88),
    "main": (0.75, 0.88),
    "out": (0.93, 0.88),
    "send": (0.44, 0.49),
    "channel 2": (0.75, 0.49),
    "record": (0.135, 0.11),
    "tape": (0.44, 0.11),
    "playback": (0.75, 0.11),
}
_TALL = {
    "instrument": (0.24, 0.94),
    "channel 1": (0.24, 0.76),
    "main": (0.76, 0.76),
    "out": (0.76, 0.94),
    "send": (0.24, 0.53),
    "channel 2": (0.76, 0.53),
    "record": (0.24, 0.3),
    "tape": (0.5, 0.08),
    "playback": (0.76, 0.3),
}


def loop_diagram(*, profile="notebook", symbols_only=False, axes=None):
    """Draw the echo loop: a mixer with two channels and one send, and the tape machine.

    Parameters
    ----------
    profile : str or Profile, optional
        Size and ground.
    symbols_only : bool, optional
        Write symbols instead of words.
    axes : matplotlib.axes.Axes, optional
        Axes of the reader's own figure.

    Returns
    -------
    Drawn
        The figure; its artists are the arrows by name.

    Notes
    -----
    Source: common practice, no source. Notebook: 03_repeats_and_loop_stability.

    Examples
    --------
    >>> sorted(loop_diagram().artists)[:3]
    ['channel 2 to main', 'channel to main', 'channel to send']
    """
    with sketch(profile, axes) as (profile, figure, sheet):
        tall = sheet.height > sheet.width
        at = {name: sheet.at(*place) for name, place in (_TALL if tall else _WIDE).items()}
        names = dict(zip(at, "IABOSERTP" if symbols_only else at, strict=True))
        if not symbols_only:
            names |= {"record": "record\nhead", "playback": "playback\nhead", "tape": "tape, $T$"}
        for part in ("instrument", "channel 1", "channel 2", "record", "tape", "playback"):
            machine = part in ("record", "tape", "playback")
            sheet.box(at[part], names[part], size=(7.4, 3.2), color=1 if machine else 0)
        for part in ("send", "main"):
            sheet.disk(at[part], 1.0)
            sheet.words(at[part], "+")
        sheet.words(at["out"], names["out"])
        arrows = _loop_arrows(sheet, at, tall)
        half_way = (at["channel 1"] + at["send"]) / 2
        sheet.words(half_way - (0.8, 0.3), "$a$" if symbols_only else "input\nsend", ha="right")
        half_way = (at["channel 2"] + at["send"]) / 2
        sheet.words(half_way + (-1.4, 1.8), "$g$" if symbols_only else "return\nsend")
    return Drawn(
        figure,
        arrows,
        "The echo loop. Channel 1 brings the instrument, its send feeds the record head; the playback "
        "head comes back on channel 2, whose own send, the return send, closes the loop. Start with the "
        "return send down.",
        "Block diagram: instrument, channel 1, send, record head, tape with delay T, playback head and "
        "channel 2; one dashed arrow, the return send, leads from channel 2 back to the send and closes the "
        "loop.",
        ("common practice, no source",),
    )


def _loop_arrows(sheet, at, tall):
    """The arrows between the boxes; solid is signal, dashed is the way back that makes repeats."""
    half, high, disk = np.array([3.7, 0]), np.array([0, 1.6]), 1.0
    right, up = np.array([disk, 0]), np.array([0, disk])
    gap = np.array([1.4, 0])
    arrows = {
        "channel to main": ([at["channel 1"] + half, at["main"] - right], {}),
        "channel to send": ([at["channel 1"] - high, at["send"] + up], {}),
        "channel 2 to main": ([at["channel 2"] + high, at["main"] - up], {}),
        "return send": ([at["channel 2"] - half, at["send"] + right], {"color": 2, "dashed": True}),
    }
    if tall:
        arrows["instrument to channel"] = ([at["instrument"] - high, at["channel 1"] + high], {})
        arrows["main to out"] = ([at["main"] + up, at["out"] - up], {})
        arrows["send to record"] = ([at["send"] - up, at["record"] + high], {})
        corner = np.array([at["record"][0], at["tape"][1]]), np.array([at["playback"][0], at["tape"][1]])
        arrows["record to tape"] = ([at["record"] - high, corner[0], at["tape"] - half], {"color": 1})
        arrows["tape to playback"] = ([at["tape"] + half, corner[1], at["playback"] - high], {"color": 1})
    else:
        arrows["instrument to channel"] = ([at["instrument"] + half, at["channel 1"] - half], {})
        arrows["main to out"] = ([at["main"] + right, at["out"] - gap], {})
        corner = np.array([at["record"][0], at["send"][1]])
        arrows["send to record"] = ([at["send"] - right, corner, at["record"] + high], {})
        arrows["record to tape"] = ([at["record"] + half, at["tape"] - half], {"color": 1})
        arrows["tape to playback"] = ([at["tape"] + half, at["playback"] - half], {"color": 1})
    arrows["playback to channel 2"] = ([at["playback"] + high, at["channel 2"] - high], {})
    return {name: sheet.line(points, arrow=True, **look) for name, (points, look) in sorted(arrows.items())}


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
    Source: common practice, no source. Notebook: 01_delay_from_head_spacing.

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
