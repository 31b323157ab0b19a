"""The block diagram of the echo loop."""

import numpy as np

from tapecalc.plot.kit import COMMON_PRACTICE, Canvas, Drawn, figure

#: Letter of each part, and where it stands on a wide and on a tall sheet, as shares of width and height.
PARTS = {
    "instrument": ("I", (0.135, 0.88), (0.24, 0.94)),
    "channel 1": ("A", (0.44, 0.88), (0.24, 0.76)),
    "channel 2": ("E", (0.75, 0.49), (0.76, 0.53)),
    "record": ("R", (0.135, 0.11), (0.24, 0.3)),
    "tape": ("T", (0.44, 0.11), (0.5, 0.08)),
    "playback": ("P", (0.75, 0.11), (0.76, 0.3)),
    "send": ("+", (0.44, 0.49), (0.24, 0.53)),
    "main": ("+", (0.75, 0.88), (0.76, 0.76)),
    "out": ("O", (0.93, 0.88), (0.76, 0.94)),
}
MACHINE = {"record", "tape", "playback"}
#: From the middle of a part to its edges, across and up, in type sizes; a box if not named here.
REACH = {"send": (1.0, 1.0), "main": (1.0, 1.0), "out": (1.4, 1.0)}
BOX_REACH = (3.7, 1.6)
ARROWS = {
    "channel 2 to main": ("channel 2", "main"),
    "channel to main": ("channel 1", "main"),
    "channel to send": ("channel 1", "send"),
    "instrument to channel": ("instrument", "channel 1"),
    "main to out": ("main", "out"),
    "playback to channel 2": ("playback", "channel 2"),
    "record to tape": ("record", "tape"),
    "return send": ("channel 2", "send"),
    "send to record": ("send", "record"),
    "tape to playback": ("tape", "playback"),
}


@figure("how the echo is patched", lambda _: {})
def loop_diagram(canvas: Canvas) -> Drawn:
    """Draw the echo loop: a mixer with two channels and one send, and the tape machine.

    Artists are the arrows by name. Solid is signal, dashed is the way back that makes repeats.

    >>> sorted(loop_diagram().artists)[:3]
    ['channel 2 to main', 'channel to main', 'channel to send']
    """
    sheet, short = canvas.sketch(), canvas.symbols_only
    tall = sheet.height > sheet.width
    at = {part: sheet.at(*(on_tall if tall else on_wide)) for part, (_, on_wide, on_tall) in PARTS.items()}
    names = {"record": "record\nhead", "playback": "playback\nhead", "tape": "tape, $T$"}
    for part, (letter, *_) in PARTS.items():
        if letter == "+":
            sheet.disk(at[part], 1.0)
        elif part != "out":
            sheet.box(at[part], size=(7.4, 3.2), color=1 if part in MACHINE else 0)
        sheet.words(at[part], letter if short or letter == "+" else names.get(part, part))
    arrows = {}
    for name, (start, end) in ARROWS.items():
        way = [at[start], at[end]]
        if not np.any(way[0] == way[1]):  # neither beside nor below: around a corner
            (x0, y0), (x1, y1) = way
            way.insert(1, np.array([x0, y1] if start == "record" else [x1, y0]))
        first = way[0] + np.sign(way[1] - way[0]) * REACH.get(start, BOX_REACH)
        last = way[-1] + np.sign(way[-2] - way[-1]) * REACH.get(end, BOX_REACH)
        color = 2 if name == "return send" else 1 if {start, end} <= MACHINE else 0
        arrows[name] = sheet.line([first, *way[1:-1], last], arrows=1, dashed=color == 2, color=color)
    half_way = (at["channel 1"] + at["send"]) / 2
    sheet.words(half_way - (0.8, 0.3), "$a$" if short else "input\nsend", ha="right")
    half_way = (at["channel 2"] + at["send"]) / 2
    sheet.words(half_way + (-1.4, 1.8), "$g$" if short else "return\nsend")
    return Drawn(
        canvas.figure,
        arrows,
        "The echo loop. Channel 1 brings the instrument, its send feeds the record head; the playback head "
        "comes back on channel 2, whose own send, the return send, closes the loop. Start with the return "
        "send down.",
        "Block diagram: instrument, channel 1, send, record head, tape with delay T, playback head and "
        "channel 2; one dashed arrow, the return send, leads from channel 2 back to the send and closes the "
        "loop.",
        (COMMON_PRACTICE,),
    )
