"""Figures of delay and the tape path."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.artist import Artist
from numpy.typing import NDArray

from tapecalc.calc.heads import Heads
from tapecalc.calc.transport import pack_radius, run_time
from tapecalc.calc.units import from_si, to_si
from tapecalc.machine import Machine
from tapecalc.plan import hub_radius, is_cassette
from tapecalc.plot.heads import own_heads, said_of_heads
from tapecalc.plot.kit import LONG, Canvas, Drawn, delay_text, figure, from_to, spelled
from tapecalc.plot.sketch import NARROW
from tapecalc.plot.tape import Deck, TapePicture
from tapecalc.words import amount, listed

COUNT = ("No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight")


def own_deck(machine: Machine) -> Deck:
    """Give what the machine's tape runs on: parts as named, else as is usual, and packs half wound."""
    loop, cassette, hub = machine.loop_length, is_cassette(machine), hub_radius(machine)
    pack = float(pack_radius(machine.tape.length_m / 2, hub, machine.tape_thickness))
    sizes = {part.kind_of_part: part.diameter for part in machine.turning_parts if part.diameter}
    usual = (2.5e-3, 13e-3) if cassette else (8e-3, 38e-3)
    return Deck(
        capstan=machine.capstan_diameter or sizes.get("capstan", usual[0]),
        roller=sizes.get("pinch roller", usual[1]),
        packs=None if loop else (pack, pack),
        hub=hub,
        loop_length=loop,
        cassette=cassette,
        erases=machine.erases,
    )


def _of_machine(machine: Machine) -> dict[str, Any]:
    speed = machine.speeds[0]
    own = {"layout": own_heads(machine, speed), "speed": speed, "delays": machine.delays(speed)}
    return own | {"speed_range": machine.speed_range, "deck": own_deck(machine)}


def _names(delays: Sequence[str], *, beside: bool, letters: bool) -> list[list[str]]:
    """Name the playback heads on flags, with the delay, with less of it, and by numbers alone."""
    if len(delays) == 1:
        name = "P" if letters else "playback"
        return [[f"{name}\n{delays[0]}"], [f"{name}\n{delays[0].replace(' to ', ' to' + chr(10))}"]]
    row, bare = "  " if beside else "\n", [delay.rpartition(" ")[0] for delay in delays]
    bare[-1] = delays[-1]
    numbers = [f"{k}" for k in range(1, len(delays) + 1)]
    return [
        [number + row + text for number, text in zip(numbers, texts, strict=True)] for texts in (delays, bare)
    ] + [numbers]


def _write_head(canvas: Canvas, numbers: Sequence[tuple[str, str]], times: Sequence[float], at: str) -> None:
    """Write the finding of a tape path: the delay."""
    (first, _), (last, _), many = numbers[0], numbers[-1], len(numbers)
    title = f"{first} of tape make the delay"
    if many > 1:
        title = f"{COUNT[many]} heads answer every sound"
    means = "from record to playback head" if many == 1 else "from the first head to the last"
    if many == 1 and max(times) > min(times):
        means = "from the fastest to the slowest speed"
    where = "" if many == 1 else f"{first} to {last}, "
    canvas.head(title, f"{where}at {at}", answer=delay_text(*times), means=means)


@figure("where the delay comes from", _of_machine, units=True)
def tape_path(
    canvas: Canvas,
    *,
    layout: Heads,
    speed: float,
    delays: Sequence[float] | None = None,
    speed_range: tuple[float, float] | None = None,
    deck: Deck | None = None,
) -> Drawn:
    """Draw the way of the tape past its heads, with each head spacing and its delay.

    `delays` are those measured, by default spacing over speed; a `speed_range` gives a range of them. Of a
    closed loop the `deck` holds the length, and there are no reels. Artists are the places of the heads along
    the sheet, the boxes of ``"record"`` and ``"playback"`` heads, and the ``"way"`` of the tape from the
    record head on, as rows of m, x and y, on which sound is ``"ridden"`` so many m, with the coating on the
    ``"side"`` 1 to its left, or -1; the recorded ``"sound"``; what is ``"turning"``.

    >>> tape_path(layout=Heads(spacings=(0.0415,)), speed=0.1905).caption.partition(". ")[2][:43]
    'At 19.05 cm/s it takes 218 ms over 41.5 mm.'
    """
    speeds, spacings, deck = sorted(speed_range or (speed,)), layout.spacings, deck or Deck()
    each = [
        *zip(*(layout.delays(v) if delays is None or speed_range else delays for v in speeds), strict=True)
    ]
    numbers = [(canvas.length(d), delay_text(*taken)) for d, taken in zip(spacings, each, strict=True)]
    at = canvas.speed(*speeds)
    if canvas.own:
        _write_head(canvas, numbers, np.ravel(each).tolist(), at)
    sheet = canvas.sketch()
    words = _names([d for _, d in numbers], beside=sheet.width < NARROW, letters=canvas.symbols_only)
    picture = TapePicture(sheet, layout, deck, words, letters=canvas.symbols_only)
    picture.measure(canvas.length_unit, None if speed_range else speed)
    said = f"At {at} it takes {listed(f'{delay} over {spacing}' for spacing, delay in numbers)}."
    start, end = "from the supply pack", "to the take-up pack"
    if deck.loop_length is not None:
        long = amount(deck.loop_length, "m", ".3g")
        lap = from_to([run_time(deck.loop_length, v) for v in speeds], "s", ".3g")
        picture.say([f"closed loop, {long}", f"lap {lap}"])
        said += f" The closed loop of {long} comes round in {lap}."
        start, end = "in a closed loop", "and round again, with the splice marked"
    heads = "playback head" if len(numbers) == 1 else f"{len(numbers)} playback heads"
    erase = "erase, " if deck.erases else ""
    return Drawn(
        canvas.figure,
        {"heads": picture.places, "way": picture.way, "ridden": picture.ridden}
        | {"record": picture.boxes[0], "playback": picture.boxes[1:], "sound": picture.sound}
        | {"turning": picture.turning, "side": picture.side},
        f"The way of the tape. {said}{said_of_heads(layout)} {_true_to_scale(picture)}",
        f"Plan view of a tape on its way {start} past {erase}record and {heads}, between the thin capstan "
        f"and the pinch roller {end}; a ruler along the tape starts at the record head. Spacing and delay: "
        f"{'; '.join(map(', '.join, numbers))}. The recorded sound rides on the tape to the last of them.",
        ("T = d / v, from the motion", "pack: L = pi (Ro^2 - Ri^2) / h"),
    )


def _true_to_scale(picture: TapePicture) -> str:
    """Say what is to scale and what is not."""
    deck = picture.deck
    bodies = "heads, rollers and packs (half wound)"
    if deck.packs is None or picture.wound < 1:
        bodies = "heads and rollers"
    if not picture.to_scale:
        said = f"Spacings are to scale with one another; {bodies} are drawn larger"
    elif deck.packs is None and not picture.loop_true:
        said = f"Spacings, {bodies} are to one scale, the loop is drawn shorter"
    else:
        said = f"Spacings, {bodies}{' and loop' if deck.packs is None else ''} are to one scale"
    smaller = ", packs are drawn smaller" if picture.wound < 1 else ""
    return f"{said}{smaller}; the tape is drawn thicker than it is."


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
    along = np.linspace(0, 1.3 * far, 60)
    places, shown = from_si(np.array(spacings), unit), from_si(along, unit)
    found = [np.array(spacings) / v if delays is None else np.array(delays[k]) for k, v in enumerate(speeds)]
    time = "s" if np.max(found) >= LONG else "ms"
    times = [from_si(taken, time) for taken in found]
    lines, heads = [], []
    artists: dict[str, Artist] = {}
    _write_map_head(canvas, spacings, speeds, found, between=between)
    for k, (speed, weight) in enumerate(zip(speeds, canvas.weights(speeds), strict=True)):
        lines += axes.plot(shown, from_si(along / speed, time), **canvas.line_look("tape", linewidth=weight))
        heads += axes.plot(places, times[k], **canvas.dots(3.2, color=canvas.color("echo")))
    if between:
        first, last = (line.get_ydata() for line in lines)
        artists["band"] = axes.fill_between(
            shown, first, last, facecolor=canvas.color("fill"), linewidth=0, zorder=0.5
        )
        artists["reach"] = axes.vlines(
            places, *times, color=canvas.color("echo"), linewidth=canvas.profile.line_pt
        )
    rows = [tuple(zip(*found, strict=True))] if between else [[(t,) for t in taken] for taken in found]
    at = [canvas.speed(*speeds)] if between else list(map(canvas.speed, speeds))
    said = []
    for speed_text, row in zip(at, rows, strict=True):
        gives = (f"{canvas.length(d)} give {delay_text(*t)}" for d, t in zip(spacings, row, strict=True))
        said.append(f"At {speed_text}, {listed(gives)}")
    if len(speeds) * len(spacings) <= 2:
        steepest = heads[int(np.argmin(speeds))]
        for dots in heads:
            side = "upper left" if dots is steepest and len(heads) > 1 else "lower right"
            for x, y in np.array(dots.get_xydata()).tolist():
                canvas.note((x, y), delay_text(to_si(y, time)), side, "echo")
    x, y = ("head spacing", "$d$", unit), ("delay", "$T$", time)
    canvas.style_axes(x=x, y=y)
    axes.set(xlim=(0, shown[-1]), ylim=(0, None))
    canvas.name_lines(lines, map(canvas.speed, speeds))
    form = "a band between two straight lines" if between else "one straight line through zero per speed"
    return Drawn(
        canvas.figure,
        {"lines": lines, "heads": heads, **artists},
        f"Delay over head spacing. {'. '.join(said)}.",
        f"Line chart of delay in {time} over head spacing in {spelled(unit)}, {form}; "
        f"the {'upright lines' if between else 'points'} are this machine's heads. {'. '.join(said)}.",
        ("T = d / v, from the motion",),
    )


def _write_map_head(
    canvas: Canvas,
    spacings: Sequence[float],
    speeds: Sequence[float],
    found: Sequence[NDArray[np.float64]],
    *,
    between: bool,
) -> None:
    """Write what speed and spacing do, and the first delay."""
    half = len(speeds) == 2 and abs(max(speeds) / min(speeds) - 2) < 0.02
    title = "Twice the spacing makes twice the delay"
    if between:
        title = "The speed moves every delay"
    elif half:
        title = "Half the speed makes twice the delay"
    elif len(speeds) > 1:
        title = "The slower the tape, the longer the delay"
    far = canvas.length(spacings[0])
    where = far if len(spacings) == 1 else f"{far} to {canvas.length(spacings[-1])}"
    canvas.head(
        title,
        f"{where} at {canvas.speed(*speeds) if between else listed(map(canvas.speed, speeds))}",
        answer=delay_text(*(float(each[0]) for each in found[: 2 if between else 1])),
        means="the first delay" if between else f"{far} at {canvas.speed(speeds[0])}",
    )
