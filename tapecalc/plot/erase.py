"""A figure of tape that nothing erases."""

from typing import Any

import numpy as np

from tapecalc.calc.units import db_to_amplitude
from tapecalc.machine import Machine
from tapecalc.plot import style
from tapecalc.plot.kit import COMMON_PRACTICE, Canvas, Drawn, figure
from tapecalc.plot.sketch import Array
from tapecalc.words import amount

#: How much a new recording takes away from an old one that nothing erased, dB. Judgement, no source: it
#: hangs on the bias.
OLDER_DB = 6.0
ONE_LAYER, LAYERS = "1 layer", "2 layers"
ERASE, RECORD, PLAYBACK = 0.14, 0.4, 0.8  # places of the heads, shares of the sheet
POINTS, WAVE = 900, 1.2  # of the edges of a layer, and how far apart its waves are, in type sizes
BURST = 7.0  # type sizes from one note to the next in the still


def layer_edges(along: Array, level: Array, middle: float, half: float, moved: float = 0.0) -> Array:
    """The outline of one layer of sound around the middle of the ribbon, that has `moved` along it."""
    wave = half * level * (0.15 + 0.85 * np.abs(np.sin(np.pi * (along - moved) / WAVE)))
    upper, lower = np.column_stack([along, middle + wave]), np.column_stack([along, middle - wave])
    return np.concatenate([upper, lower[::-1]])


def _of_machine(machine: Machine) -> dict[str, Any]:
    long, speed = machine.loop_length, machine.speeds[0]
    lap = None if long is None else long / speed
    return {"speed": speed, "lap": lap, "heads": len(machine.spacings)}


@figure("what stays on the tape when nothing erases it", _of_machine, units=True)
def erase_off(canvas: Canvas, *, speed: float, lap: float | None = None, heads: int = 1) -> Drawn:
    """Draw a stretch of tape with the erase head off: the sound of the last pass stays under the new one.

    A `lap` in s is that of a closed loop; else the tape was rewound. Artists are the ``"layers"``: old sound
    before the record head, the same under the new, and the new; the ``"erase"`` head and its ``"name"``;
    the ``"labels"`` of old and new; ``"heads"`` and ``"ribbon"`` say where they are, of several playback
    `heads` the first.

    >>> erase_off(speed=0.1905).title
    'Not erased, old sound stays under new'
    """
    again = "on the second pass" if lap is None else "after one lap"
    canvas.head(
        "Not erased, old sound stays under new",
        f"{'rewound tape' if lap is None else 'a closed loop'} at {canvas.speed(speed)}",
        answer=(LAYERS[0] if canvas.symbols_only else LAYERS) if lap is None else amount(lap, "s", ".3g"),
        means=again if lap is None else "until old sound comes round",
    )
    sheet, short = canvas.sketch(), canvas.symbols_only
    wide, middle, half = sheet.width, 0.4 * sheet.height, min(3.2, 0.2 * sheet.height)
    playback = [PLAYBACK] if heads == 1 else np.linspace(0.64, 0.9, heads).tolist()
    places = [share * wide for share in (ERASE, RECORD, *playback)]
    sheet.ribbon([(0, middle), (wide - 0.9, middle)], thickness=2 * half, zorder=1)
    sheet.arrowhead((wide, middle), (1, 0), color=sheet.color("tape"), zorder=3, size=1.6)
    tall, across = min(4.6, 0.3 * sheet.height), min(5.6, 0.24 * wide)
    boxes, names = [], []
    words = ["E", "R", "P"] if short else ["erase\noff", "record", "playback" if wide > 24 else "play"]
    if heads > 1:
        few = 0.24 * wide / (heads - 1) < 1  # type sizes from head to head: room for the first and the last
        words[2:] = ["" if few and 0 < k < heads - 1 else str(k + 1) for k in range(heads)]
    for place, name in zip(places, words, strict=True):
        spot = (place, middle + half + tall / 2)
        close = min(0.16, 0.24 / max(heads - 1, 1)) * wide if heads > 1 and place > places[1] else across
        size = (min(across, close), tall)
        fill = "face" if place == places[0] else "ribbon"
        boxes.append(sheet.box(spot, size=size, role="tape", fill=fill))
        names.append(sheet.words(spot, name))
    boxes[0].set_linestyle(style.DASHED)
    before = np.linspace(0, places[1], POINTS)
    after = np.linspace(places[1], wide - 0.9, POINTS)
    fainter = float(db_to_amplitude(-OLDER_DB))
    strong, pale = style.sequence(canvas.profile, 2)
    layers = []
    for along, gain, shift, z, color in (
        (before, 1, 0.3, 2.1, pale),
        (after, fainter, 0.3, 2.2, pale),
        (after, 1, 0.75, 2.15, strong),
    ):
        notes = gain * np.exp(-2.5 * np.mod(-along / BURST + shift, 1.0))  # one every `BURST`
        layers.append(sheet.shape(layer_edges(along, notes, middle, 0.9 * half), width=0, zorder=z))
        layers[-1].set_facecolor(color)
    low = middle - half - 1.0
    said = [] if short else [(places[1] / 2, "old sound"), ((places[1] + wide) / 2, "new over old")]
    labels = [sheet.words((at, low), text, role="echo") for at, text in said]
    comes = "is rewound and recorded again" if lap is None else f"comes round every {amount(lap, 's', '.3g')}"
    return Drawn(
        canvas.figure,
        {"layers": layers, "erase": boxes[0], "name": names[0], "heads": places[:3], "labels": labels}
        | {"ribbon": (middle, half, wide - 0.9)},
        f"A stretch of tape with the erase head off. The tape {comes}; what stood on it stays under the new "
        f"sound, drawn here {OLDER_DB:.0f} dB fainter, which is a judgement. Not to scale.",
        "Side view of a tape that runs to the right past an erase head, dashed because it is off, a record "
        f"head and {'a playback head' if heads == 1 else f'{heads} playback heads'}. Before the record head "
        "the tape holds old sound, pale; behind it new sound, strong, with the old one under it.",
        (COMMON_PRACTICE,),
    )
