"""The loop of a machine: its heads on the tape, and the mixer that sends the echo back."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from tapecalc.calc import loop as loops
from tapecalc.calc.heads import Heads
from tapecalc.calc.units import amplitude_to_db
from tapecalc.machine import Machine
from tapecalc.plot.heads import own_heads, said_of_heads
from tapecalc.plot.kit import COMMON_PRACTICE, Canvas, Drawn, delay_text, figure, minus
from tapecalc.plot.loop import bound_of, margin_means
from tapecalc.plot.sketch import NARROW
from tapecalc.plot.wiring import Patch, draw_patch, read_patches
from tapecalc.words import listed, margin

LAYOUTS = read_patches("loops.toml")
MOST_LETTERS = 7  # of the numbers of heads in a box
MOST_LINES = 2  # of a box on a sheet with little room


def _of_machine(machine: Machine) -> dict[str, Any]:
    speed, mixer = machine.speeds[0], machine.mixer
    bound = bound_of(machine)
    found = loops.stability(bound["loop"], count_modes=False)
    return {
        "layout": own_heads(machine, speed),
        "delays": machine.delays(speed),
        "input_send_db": mixer.input_send_db,
        "return_send_db": mixer.return_send_db,
        "margin_db": None if found.frequency is None else found.margin_db,
        "at_least": bound["at_least"],
        "name": machine.name,
        "speed": speed,
    }


@figure("how the echo is patched", _of_machine, units=True)
def loop_diagram(
    canvas: Canvas,
    *,
    layout: Heads | None = None,
    delays: Sequence[float] = (),
    input_send_db: float | None = None,
    return_send_db: float | None = None,
    margin_db: float | None = None,
    at_least: bool = False,
    name: str = "",
    speed: float | None = None,
) -> Drawn:
    """Draw the echo loop: the heads of the tape machine, and a mixer with its channels and one send.

    Heads that do not feed the return are heard over a channel of their own, which has no send. The number is
    the margin, `at_least` that much. Artists are those of `draw_patch`.

    >>> ("return send", "send bus") in loop_diagram().artists
    True
    """
    short, layout = canvas.symbols_only, Heads(spacings=(1.0,)) if layout is None else layout
    inside = [k for k, feeds in enumerate(layout.feeds_return) if feeds]
    outside = [k for k, feeds in enumerate(layout.feeds_return) if not feeds]
    stable = margin_db is None or margin_db > 0
    title, answer, means = _margin_words(margin_db, at_least=at_least, back=bool(inside))
    conditions = [name, *([canvas.speed(speed)] if speed else [])]
    canvas.head(title, ", ".join(filter(None, conditions)), answer=answer, means=means)
    sheet = canvas.sketch()
    narrow = sheet.width < NARROW
    texts = {"record": "record\nhead"}
    for part, heads in (("playback", inside or outside), ("outside", outside)):
        lines = _group(layout, heads, short=short).split("\n")
        if narrow:
            lines = [line.removeprefix("heads ") for line in lines[:MOST_LINES]]
        texts[part] = "\n".join(lines)
    if short:
        texts |= {"record": "R", "voice": "I", "send label": "S", "main label": "O"}
    levels = ["" if db is None else f"\n{_db(db)}" for db in (input_send_db, return_send_db)]
    patch = LAYOUTS["split" if inside and outside else "loop"]
    labels = [(_send("input send", "$a$", levels[0], short=short), (4.6, 3.2), "dry")]
    if inside:
        labels.append((_send("return send", "$g$", levels[1], short=short), (11.1, 3.2), "echo"))
    else:
        patch = _without(patch, "return send")
    delay = delay_text(*delays) if len(delays) else "$T$"
    labels.append((f"{delay}|{delay}", (12.5, 15.45), "tape"))
    patch = replace(patch, labels=tuple(labels))
    drawn = draw_patch(sheet, patch, texts, plugged=len(patch.cables) + 1, words=not short)
    sends = ""
    if input_send_db is not None and return_send_db is not None:
        sends = f" The input send stands at {_db(input_send_db)}, the return send at {_db(return_send_db)}."
    said = f"{sends}{_said_of_return(inside, outside)}{said_of_heads(layout)}"
    if answer:
        more = " or more from running away" if at_least else " from running away"
        said += f" The loop is {answer}{more if stable else ' past the edge'}."
    return Drawn(
        canvas.figure,
        drawn,
        "The echo loop. Channel 1 brings the voice, its send feeds the record head; the playback head "
        "comes back on channel 2, whose own send, the return send, closes the loop. Start with the return "
        f"send down.{said}",
        "Wiring diagram: the voice, channel 1, the send, and above the mixer the tape with record head and "
        "playback head, which comes back on channel 2; its knob, the return send, leads back to the send and "
        f"closes the loop.{said}",
        (COMMON_PRACTICE,),
    )


def _send(name: str, symbol: str, level: str, *, short: bool) -> str:
    """Write the label of a send, and after a bar its form for sheets with little room."""
    if short:
        return f"{symbol}{level}|{symbol}{level}"
    return f"{name}{level}|{name.split()[0] if level else name.replace(' ', chr(10))}{level}"


def _without(patch: Patch, name: str) -> Patch:
    """Leave a part out, and the wires at it."""
    parts = {part: value for part, value in patch.parts.items() if part != name}
    wires = {ends: value for ends, value in patch.wires.items() if name not in ends}
    return replace(patch, parts=parts, wires=wires)


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


def _margin_words(margin_db: float | None, *, at_least: bool, back: bool) -> tuple[str, str, str]:
    """Say what the return send does: a title, the margin, and what that is."""
    if not back:
        return "Nothing goes back, so nothing repeats", "", ""
    if margin_db is None:
        return "The return send makes the repeats", "", ""
    answer = margin(margin_db, at_least=at_least)
    title = "The return send makes the repeats"
    if margin_db <= 0:
        title = f"This return send {'may make it' if at_least else 'makes it'} run away"
    return title, answer, margin_means(margin_db > 0, at_least=at_least)
