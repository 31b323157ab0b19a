"""Figures of reels."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from tapecalc.calc import transport
from tapecalc.calc.units import from_si
from tapecalc.machine import Machine
from tapecalc.plan import USUAL_HUB
from tapecalc.plot.kit import Canvas, Drawn, figure, spelled
from tapecalc.words import amount, listed


def _reel(machine: Machine) -> dict[str, Any]:
    size = {"length": machine.tape.length_m, "tape_thickness": machine.tape_thickness}
    return size | {"inner_radius": USUAL_HUB}


@figure(
    "how often the reels turn",
    lambda m: _reel(m) | {"speed": m.speeds[0]},
    suits=lambda m: m.loop_length is None,
    needs="a tape on reels",
    units=True,
)
def reel_turns(
    canvas: Canvas, *, length: float, inner_radius: float, tape_thickness: float, speed: float
) -> Drawn:
    """Draw how often both reels turn while a tape runs from full to empty: the rates of their wobble.

    >>> reel_turns(length=549, inner_radius=0.03, tape_thickness=35e-6, speed=0.1905).caption
    'At 19.05 cm/s a reel turns 0.36 times a second when full and 1.01 times when empty.'
    """
    axes = canvas.axes
    wound = np.linspace(0, length, 200)
    minutes = from_si(wound / speed, "min")
    rates = transport.reel_rate(speed, wound, inner_radius, tape_thickness)
    lines = [
        axes.plot(minutes, rate, **canvas.line_style(k))[0] for k, rate in enumerate((rates[::-1], rates))
    ]
    x, y = ("time", "$t$", "min"), ("turns per second", "$f_m$", "Hz")
    canvas.style_axes("How often the reels turn", x=x, y=y)
    axes.set(xlim=(0, minutes[-1]), ylim=(0, 1.15 * rates[0]))
    names = ["1", "2"] if canvas.symbols_only else ["supply reel", "take-up reel"]
    canvas.legend(lines, names, loc="lower center")
    said = f"a reel turns {rates[-1]:.2f} times a second when full and {rates[0]:.2f} times when empty"
    return Drawn(
        canvas.figure,
        {"supply": lines[0], "take-up": lines[1]},
        f"At {canvas.speed(speed)} {said}.",
        "Line chart of turns per second over time in minutes, two curves that cross: the supply reel turns "
        f"faster and faster, the take-up reel slower and slower; at {canvas.speed(speed)} {said}.",
        ("f = v / (2 pi sqrt(Ri^2 + L h / pi)), from L = pi (Ro^2 - Ri^2) / h",),
    )


@figure(
    "how long a reel runs",
    lambda m: _reel(m) | {"speeds": m.speeds, "between": m.speed_range is not None},
    suits=lambda m: m.loop_length is None,
    needs="a tape on reels",
    units=True,
)
def reel_time(
    canvas: Canvas,
    *,
    length: float,
    inner_radius: float,
    tape_thickness: float,
    speeds: Sequence[float],
    between: bool = False,
) -> Drawn:
    """Draw how the pack on the take-up reel grows from the hub with time, one line per speed.

    Where the speed can be any `between` the first and the last, what lies between them is a ``"band"``.

    >>> reel_time(length=549, inner_radius=0.03, tape_thickness=35e-6, speeds=(0.1905,)).caption
    'A tape of 549 m runs 48 minutes at 19.05 cm/s; on a hub of 30 mm the pack grows to 83.8 mm.'
    """
    axes, unit = canvas.axes, canvas.length_unit
    wound = np.linspace(length / 400, length, 200)
    outer = transport.pack_radius(wound, inner_radius, tape_thickness)
    radius, packs, ends = from_si(outer, unit), [], []
    for k, speed in enumerate(speeds):
        minutes = from_si(transport.run_time(wound, speed), "min")
        packs += axes.plot(minutes, radius, **canvas.line_style(k))
        ends.append(minutes[-1])
    artists = {}
    if between:
        first, last = (line.get_xdata() for line in packs)
        fill = canvas.profile.ground.fill
        artists["band"] = axes.fill_betweenx(radius, first, last, facecolor=fill, linewidth=0)
    (marks,) = axes.plot(ends, [radius[-1]] * len(ends), **canvas.dots())
    x, y = ("time", "$t$", "min"), ("radius of the pack", "$R$", unit)
    canvas.style_axes("How long a reel runs", x=x, y=y)
    axes.set(xlim=(0, 1.06 * max(ends)), ylim=(0, 1.2 * radius[-1]))
    names = [canvas.speed(speed) for speed in speeds]
    canvas.legend(packs, names, loc="lower right")
    said = listed(f"{end:.0f} minutes at {name}" for end, name in zip(ends, names, strict=True))
    tape = amount(length, "m" if canvas.units == "metric" else "ft")
    grows = f"on a hub of {canvas.length(inner_radius)} the pack grows to {canvas.length(outer[-1])}"
    return Drawn(
        canvas.figure,
        {"packs": packs, "ends": marks, **artists},
        f"A tape of {tape} runs {said}; {grows}.",
        f"Line chart of the radius of the take-up pack in {spelled(unit)} over time in minutes, one curve "
        f"per speed: {said}; {grows}.",
        ("L = pi (Ro^2 - Ri^2) / h",),
    )
