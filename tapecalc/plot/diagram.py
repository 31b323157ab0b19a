"""The block diagram of the echo loop."""

import numpy as np

from tapecalc.plot.kit import Drawn, sketch

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
    Source: common practice, no source. Notebook: 03_repeats.

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
