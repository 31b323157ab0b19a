"""The block diagram of the echo loop."""

from typing import Any

import numpy as np

from tapecalc.calc.heads import Heads
from tapecalc.calc.units import amplitude_to_db
from tapecalc.machine import Machine
from tapecalc.plot.heads import own_heads, said_of_heads
from tapecalc.plot.kit import COMMON_PRACTICE, Canvas, Drawn, figure, minus
from tapecalc.plot.sketch import Sketch
from tapecalc.words import listed

#: Letter of each part, and where it stands on a wide and on a tall sheet, as shares of width and height.
PARTS = {
    "instrument": ("I", (0.135, 0.88), (0.24, 0.94)),
    "channel 1": ("A", (0.44, 0.88), (0.24, 0.76)),
    "channel 2": ("E", (0.75, 0.49), (0.76, 0.53)),
    "record": ("R", (0.135, 0.15), (0.24, 0.3)),
    "tape": ("T", (0.44, 0.15), (0.5, 0.08)),
    "playback": ("P", (0.75, 0.15), (0.76, 0.3)),
    "send": ("+", (0.44, 0.49), (0.24, 0.53)),
    "main": ("+", (0.75, 0.88), (0.76, 0.76)),
    "out": ("O", (0.93, 0.88), (0.76, 0.94)),
}
#: Where they stand instead when some heads are outside of the loop, with a channel without a send.
MORE_PARTS = PARTS | {
    "instrument": ("I", (0.11, 0.88), (0.24, 0.955)),
    "channel 1": ("A", (0.36, 0.88), (0.24, 0.83)),
    "channel 2": ("E", (0.61, 0.49), (0.7, 0.62)),
    "channel 3": ("H", (0.86, 0.49), (0.7, 0.115)),
    "record": ("R", (0.11, 0.15), (0.24, 0.475)),
    "tape": ("T", (0.36, 0.15), (0.24, 0.335)),
    "playback": ("P", (0.61, 0.15), (0.7, 0.335)),
    "outside": ("Q", (0.86, 0.15), (0.24, 0.115)),
    "send": ("+", (0.36, 0.49), (0.24, 0.62)),
    "main": ("+", (0.61, 0.88), (0.7, 0.83)),
    "all": ("+", (0.86, 0.88), (0.935, 0.83)),
    "out": ("O", (0.97, 0.88), (0.935, 0.955)),
}
MACHINE = {"record", "tape", "playback", "outside"}
#: From the middle of a part to its edges, across and up, in type sizes; a box if not named here.
REACH = {"send": (1.0, 1.0), "main": (1.0, 1.0), "all": (1.0, 1.0), "out": (1.4, 1.0)}
MOST_LETTERS = 7  # of the numbers of heads in a box
BOX_REACH, MORE_REACH, TALL_REACH = (3.7, 1.6), (3.2, 1.6), (3.7, 1.2)
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
MORE_ARROWS = {name: ends for name, ends in ARROWS.items() if name != "main to out"} | {
    "playback to outside": ("playback", "outside"),
    "outside to channel 3": ("outside", "channel 3"),
    "main to all": ("main", "all"),
    "channel 3 to all": ("channel 3", "all"),
    "all to out": ("all", "out"),
}


def _of_machine(machine: Machine) -> dict[str, Any]:
    sends = {"input_send_db": machine.mixer.input_send_db, "return_send_db": machine.mixer.return_send_db}
    return {"layout": own_heads(machine, machine.speeds[0])} | sends


@figure("how the echo is patched", _of_machine)
def loop_diagram(
    canvas: Canvas,
    *,
    layout: Heads | None = None,
    input_send_db: float | None = None,
    return_send_db: float | None = None,
) -> Drawn:
    """Draw the echo loop: a mixer with its channels and one send, and the tape machine with its heads.

    Heads that do not feed the return are heard over a channel of their own, whose send stays down. Artists
    are the arrows by name. Solid is signal, dashed is the way back that makes repeats.

    >>> sorted(loop_diagram().artists)[:3]
    ['channel 2 to main', 'channel to main', 'channel to send']
    """
    sheet, short = canvas.sketch(), canvas.symbols_only
    layout = Heads(spacings=(1.0,)) if layout is None else layout
    inside = [k for k, feeds in enumerate(layout.feeds_return) if feeds]
    outside = [k for k, feeds in enumerate(layout.feeds_return) if not feeds]
    split, tall = bool(inside and outside), sheet.height > sheet.width
    names = {"record": "record\nhead", "tape": "tape, $T$", "outside": _group(layout, outside, short=short)}
    names |= {"playback": _group(layout, inside or outside, short=short)}
    arrows = _wire(sheet, names, split=split, tall=tall, short=short, back=bool(inside))
    at = _places(sheet, split=split, tall=tall)
    levels = ["" if db is None else f"\n{_db(db)}" for db in (input_send_db, return_send_db)]
    middle = (at["channel 1"] + at["send"]) / 2
    sheet.words(middle - (0.8, 0.3), ("$a$" if short else "input\nsend") + levels[0], ha="right")
    if inside:
        across = max(1.2, (at["channel 2"] - at["send"])[0] / 2 - 1.6)
        sheet.words(at["send"] + (across, 0.5), ("$g$" if short else "return\nsend") + levels[1], va="bottom")
    sends = ""
    if input_send_db is not None and return_send_db is not None:
        sends = f" The input send stands at {_db(input_send_db)}, the return send at {_db(return_send_db)}."
    said = f"{sends}{_said_of_return(inside, outside)}{said_of_heads(layout)}"
    return Drawn(
        canvas.figure,
        arrows,
        "The echo loop. Channel 1 brings the instrument, its send feeds the record head; the playback head "
        "comes back on channel 2, whose own send, the return send, closes the loop. Start with the return "
        f"send down.{said}",
        "Block diagram: instrument, channel 1, send, record head, tape with delay T, playback head and "
        "channel 2; one dashed arrow, the return send, leads from channel 2 back to the send and closes the "
        f"loop.{said}",
        (COMMON_PRACTICE,),
    )


def _places(sheet: Sketch, *, split: bool, tall: bool) -> dict[str, Any]:
    parts = MORE_PARTS if split else PARTS
    return {part: sheet.at(*(on_tall if tall else on_wide)) for part, (_, on_wide, on_tall) in parts.items()}


def _wire(
    sheet: Sketch, names: dict[str, str], *, split: bool, tall: bool, short: bool, back: bool
) -> dict[str, Any]:
    """Draw the parts and the arrows between them; return the arrows."""
    at, parts = _places(sheet, split=split, tall=tall), MORE_PARTS if split else PARTS
    box = BOX_REACH if not split else TALL_REACH if tall else MORE_REACH
    reach = dict.fromkeys(parts, box) | REACH
    for part, (letter, *_) in parts.items():
        text = letter if letter == "+" else names.get(part, part)
        if short and part not in ("playback", "outside"):
            text = letter
        if letter == "+":
            sheet.disk(at[part], 1.0)
        elif part != "out":
            across, up = reach[part]
            reach[part] = (across, max(up, 0.5 + 0.6 * (text.count("\n") + 1)))
            size = (2 * reach[part][0], 2 * reach[part][1])
            sheet.box(at[part], size=size, role="tape" if part in MACHINE else "dry")
        sheet.words(at[part], text)
    arrows = {}
    for name, (start, end) in (MORE_ARROWS if split else ARROWS).items():
        if name == "return send" and not back:
            continue
        start = "tape" if tall and end == "outside" else start
        way = [at[start], at[end]]
        if not np.any(way[0] == way[1]):  # neither beside nor below: around a corner
            (x0, y0), (x1, y1) = way
            way.insert(1, np.array([x0, y1] if start == "record" else [x1, y0]))
        first = way[0] + np.sign(way[1] - way[0]) * reach[start]
        last = way[-1] + np.sign(way[-2] - way[-1]) * reach[end]
        role = "echo" if name == "return send" else "tape" if {start, end} <= MACHINE else "dry"
        arrows[name] = sheet.line([first, *way[1:-1], last], arrows=1, dashed=role == "echo", role=role)
    return arrows


def _db(level_db: float) -> str:
    return minus(f"{level_db:z.3g} dB")


def _numbers(heads: list[int], between: str) -> str:
    """Write numbers of heads from 1, three or more in a row as from and to."""
    if len(heads) > 2 and heads[-1] - heads[0] == len(heads) - 1:
        return f"{heads[0] + 1}{between}{heads[-1] + 1}"
    return ", ".join(f"{k + 1}" for k in heads)


def _group(layout: Heads, heads: list[int], *, short: bool) -> str:
    """Say which playback heads a box stands for, their levels and polarity."""
    alone = len(layout.spacings) == 1
    which = _numbers(heads, "-" if short else " to ")
    if len(which) > MOST_LETTERS:
        which = f"{len(heads)} P" if short else f"{len(heads)} heads"
    elif short:
        which = "P" if alone else f"P {which}"
    else:
        which = "head" if alone else f"head{'s' if len(heads) > 1 else ''} {which}"
    if short:
        return which
    lines = ["playback", which]
    gains = [layout.gains[k] for k in heads]
    levels = sorted({round(float(amplitude_to_db(abs(gain))), 1) + 0.0 for gain in gains if gain})
    if len(levels) > 1:
        lines.append(minus(f"{levels[0]:.3g} to ") + _db(levels[-1]))
    elif levels and levels[0]:
        lines.append(_db(levels[0]))
    turned = [k for k in heads if layout.gains[k] < 0]
    if turned:
        lines.append("inverted" if len(turned) == len(heads) else f"{_numbers(turned, ' to ')} inverted")
    return "\n".join(lines)


def _said_of_return(inside: list[int], outside: list[int]) -> str:
    """Say which of several heads feed the return."""
    if not inside:
        return " Nothing feeds the return, so there is one answer and no repeat."
    if not outside:
        return "" if len(inside) == 1 else f" All {len(inside)} playback heads feed the return."
    some = listed(f"{k + 1}" for k in inside)
    one = len(inside) == 1
    return f" Playback head{'' if one else 's'} {some} feed{'s' if one else ''} the return."
