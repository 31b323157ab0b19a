"""Figures of wow and flutter."""

import string
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.ticker import FixedLocator

from tapecalc.calc.flutter import repeat_deviation
from tapecalc.calc.parts import TurningPart, part_rates, part_repeat_deviations
from tapecalc.calc.units import from_si
from tapecalc.machine import Machine
from tapecalc.plot.kit import Canvas, Drawn, figure, finely
from tapecalc.words import amount, listed

MOST_ARCHES = 30  # of the comb that are shown, where no part turns faster
PITCH_OF_A_REPEAT = "pitch of a repeat is v(t) / v(t - T), from the motion"


def _of_machine(machine: Machine) -> dict[str, Any]:
    speed = machine.speeds[0]
    many = len(machine.spacings) > 1
    own = {"delay": machine.delays(speed)[0], "head": 1 if many else None}
    return own | {"parts": machine.turning_parts, "speed": speed}


@figure("how a repeat hears wobble", _of_machine)
def flutter_comb(
    canvas: Canvas,
    *,
    delay: float,
    parts: Sequence[TurningPart] = (),
    speed: float | None = None,
    head: int | None = None,
) -> Drawn:
    """Draw how much of a speed wobble a repeat shows, over the rate of the wobble.

    Parts are marked where they turn at a `speed` in m/s; `delay` is that of one pass in s, and of several
    heads that of the one called `head`.

    >>> flutter_comb(delay=0.25).artists["first"].get_ydata().max().round(3)
    np.float64(2.0)
    """
    if parts and speed is None:
        raise ValueError("speed must be given to mark parts, got None")
    axes, profile = canvas.axes, canvas.profile
    rates = {} if speed is None else part_rates(parts, speed)
    places = np.array(list(rates.values()))
    top = max([min(12.0, MOST_ARCHES / delay), *(1.15 * places)])
    rate, tiny = finely(0, top, 1 / (2 * delay)), 1e-4  # the formula is linear for small wobbles
    bends = [repeat_deviation(tiny, rate, delay, passes=n) / tiny for n in (1, 2)]
    (second,) = axes.plot(rate, bends[1], **canvas.line_style(1, linewidth=0.6 * profile.line_pt))
    (first,) = axes.plot(rate, bends[0], **canvas.line_style(0))
    heights = repeat_deviation(tiny, places, delay) / tiny if rates else places
    look: dict[str, Any] = {"markersize": 3.2 * profile.line_pt, "zorder": 4, "clip_on": False}
    (dots,) = axes.plot(places, heights, "o", color=profile.ground.text, **look)
    canvas.style_axes(
        "A repeat hears wobble in a comb",
        x=("rate of the wobble", "$f_m$", "Hz"),
        y=("bend over wobble", "$e/m$", ""),
    )
    axes.set(xlim=(0, top), ylim=(0, 2.1))
    names = ["$n$ = 1", "$n$ = 2", "$f_m$"] if canvas.symbols_only else ["repeat 1", "repeat 2", "parts"]
    shown = 3 if rates else 2
    canvas.legend([first, second, dots][:shown], names[:shown])
    nulls, which = amount(1 / delay, "hz", ".1f"), f"delay of head {head}," if head else "delay"
    said = f"none at multiples of {nulls}, doubled half way between"
    if rates:
        dot = zip(rates.items(), heights.tolist(), strict=True)
        said = listed(f"{name} ({turns:.1f} Hz) times {height:.1f}" for (name, turns), height in dot)
    return Drawn(
        canvas.figure,
        {"first": first, "second": second, "parts": dots},
        f"Pitch bend of a repeat over the wobble that causes it, {which} {amount(delay, 'ms')}: {said}.",
        "Line chart of bend over wobble against the rate of the wobble in Hz; arches between 0 and 2, twice "
        f"as many for the second repeat, zero at multiples of {nulls}. {said[0].upper()}{said[1:]}.",
        (PITCH_OF_A_REPEAT,),
    )


@figure(
    "which part wobbles how fast",
    _of_machine,
    suits=lambda machine: machine.turning_parts,
    needs="at least one turning part",
)
def flutter_fingerprint(
    canvas: Canvas, *, parts: Sequence[TurningPart], speed: float, delay: float, head: int | None = None
) -> Drawn:
    """Draw each turning part's wobble at its rate, on tape and in the first repeat, of several heads of one.

    Names become letters where symbols are wanted and where they would touch.

    >>> part = TurningPart(name="pinch roller", diameter=0.038, wobble=0.0003)
    >>> drawn = flutter_fingerprint(parts=(part,), speed=0.1905, delay=0.218)
    >>> drawn.artists["wobble"].get_xdata().round(2)
    array([1.6])
    """
    if not parts:
        raise ValueError("parts must hold at least one turning part, got none")
    axes, profile = canvas.axes, canvas.profile
    rates = np.array(list(part_rates(parts, speed).values()))
    wobbles = from_si([part.wobble_at(speed) for part in parts], "percent")
    bends = from_si(list(part_repeat_deviations(parts, speed, delay).values()), "percent")
    tallest = np.maximum(wobbles, bends)
    axes.vlines(rates, 0, tallest, color=profile.ground.frame, linewidth=profile.line_pt / 2)
    big: dict[str, Any] = {"marker": True, "linestyle": "none", "markersize": 3.4 * profile.line_pt}
    (wobble,) = axes.plot(rates, wobbles, **canvas.line_style(0, **big))
    (repeat,) = axes.plot(rates, bends, **canvas.line_style(1, **big))
    low, high = 0.6 * rates.min(), 1.9 * rates.max()
    axes.set(xscale="log", xlim=(low, high), ylim=(0, 1.45 * tallest.max()))
    marks = FixedLocator([mark for mark in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50) if low <= mark <= high])
    axes.xaxis.set(major_locator=marks, major_formatter="{x:g}", minor_formatter="")
    canvas.style_axes(
        "Which part turns how often",
        x=("turns per second", "$f_m$", "Hz"),
        y=("deviation, zero to peak", "$m$", "%"),
        grid="y",
    )
    crowded = len(parts) > 6 or max(len(part.name) for part in parts) > 16
    short, letters = canvas.symbols_only or profile.portrait or crowded, string.ascii_uppercase
    for k, part in enumerate(parts):
        text = letters[k] if short else part.name.replace(" ", "\n")
        canvas.note((rates[k], tallest[k]), text, "above")
    of_head = f" of head {head}" if head else ""
    names = ["$m$", "$e$"] if canvas.symbols_only else ["on tape", "in repeat 1"]
    canvas.legend([wobble, repeat], names)
    said = listed(
        f"{f'{letters[k]} ' if short else ''}{part.name} {rates[k]:.2f} Hz, {bends[k]:.2g} %"
        for k, part in enumerate(parts)
    )
    return Drawn(
        canvas.figure,
        {"wobble": wobble, "repeat": repeat},
        f"Turning parts and their wobble; bend of the first repeat{of_head}: {said}.",
        "Dot chart of deviation in percent over turns per second, two dots per part, on tape and in the "
        f"first repeat: {said}.",
        ("rolling without slip", PITCH_OF_A_REPEAT),
    )
