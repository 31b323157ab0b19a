"""Figures of reels."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from tapecalc.calc import transport
from tapecalc.calc.units import from_si
from tapecalc.machine import Machine
from tapecalc.plot import style
from tapecalc.plot.kit import Canvas, Drawn, figure, spelled
from tapecalc.plot.transport import own_deck
from tapecalc.words import amount, listed


def _tape(canvas: Canvas, length: float) -> str:
    """Write the length of a tape in the reader's units."""
    return amount(length, "m" if canvas.units == "metric" else "ft")


def _reel(machine: Machine) -> dict[str, Any]:
    size = {"length": machine.tape.length_m, "tape_thickness": machine.tape_thickness}
    return size | {"inner_radius": own_deck(machine).hub}


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
    full, empty = (
        amount(float(rate), "hz", ".2f").replace("Hz", "turns/s") for rate in (rates[-1], rates[0])
    )
    canvas.head(
        "A reel turns faster as it empties",
        f"{_tape(canvas, length)} at {canvas.speed(speed)}, hub {canvas.length(inner_radius)}",
        answer=empty.replace("turns/s", "Hz") if canvas.symbols_only else empty,
        means=f"when empty, {full} when full",
        role="tape",
    )
    thin = canvas.profile.line_pt * style.STRUCTURE
    looks = (canvas.line_look("tape"), canvas.line_look("tape", linewidth=thin))
    lines = [
        axes.plot(minutes, rate, **look)[0] for rate, look in zip((rates[::-1], rates), looks, strict=True)
    ]
    x, y = ("time", "$t$", "min"), ("turns per second", "$f_m$", "Hz")
    canvas.style_axes(x=x, y=y)
    axes.set(xlim=(0, minutes[-1]), ylim=(0, 1.15 * rates[0]))
    canvas.name_lines(lines, ["1", "2"] if canvas.symbols_only else ["supply", "take-up"])
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
    radius, packs, ends = from_si(outer, unit), [], [float(transport.run_time(length, v)) for v in speeds]
    names = [canvas.speed(speed) for speed in speeds]
    said = listed(
        f"{amount(end, 'min').replace('min', 'minutes')} at {name}"
        for end, name in zip(ends, names, strict=True)
    )
    tape = _tape(canvas, length)
    slowest = int(np.argmax(ends))
    canvas.head(
        _lasts(ends, between=between),
        f"{tape} on a hub of {canvas.length(inner_radius)} radius",
        answer=amount(ends[0], "min"),
        means=f"until the tape ends, at {names[0]}",
        role="tape",
    )
    for speed, weight in zip(speeds, canvas.weights(speeds), strict=True):
        minutes = from_si(transport.run_time(wound, speed), "min")
        packs += axes.plot(minutes, radius, **canvas.line_look("tape", linewidth=weight))
    artists = {}
    if between:
        first, last = (line.get_xdata() for line in packs)
        look: dict[str, Any] = {"facecolor": canvas.color("fill"), "linewidth": 0, "zorder": 0.5}
        artists["band"] = axes.fill_betweenx(radius, first, last, **look)
    minutes_at = from_si(np.array(ends), "min")
    (marks,) = axes.plot(minutes_at, [radius[-1]] * len(ends), **canvas.dots(color=canvas.color("tape")))
    x, y = ("time", "$t$", "min"), ("radius of the pack", "$R$", unit)
    canvas.style_axes(x=x, y=y)
    axes.set(xlim=(0, 1.06 * max(minutes_at)), ylim=(0.8 * from_si(inner_radius, unit), 1.32 * radius[-1]))
    for k in range(len(ends)) if len(ends) <= 2 else (slowest, int(np.argmin(ends))):
        far = minutes_at[k] > 0.35 * max(minutes_at)
        axes.annotate(
            f"{names[k]}\n{amount(ends[k], 'min')}",
            (minutes_at[k], radius[-1]),
            xytext=(0, 0.6 * canvas.profile.text_pt),
            textcoords="offset points",
            ha="right" if far else "left",
            color=canvas.color("tape"),
        )
    grows = f"on a hub of {canvas.length(inner_radius)} the pack grows to {canvas.length(outer[-1])}"
    return Drawn(
        canvas.figure,
        {"packs": packs, "ends": marks, **artists},
        f"A tape of {tape} runs {said}; {grows}.",
        f"Line chart of the radius of the take-up pack in {spelled(unit)} over time in minutes, one curve "
        f"per speed: {said}; {grows}.",
        ("L = pi (Ro^2 - Ri^2) / h",),
    )


def _lasts(ends: Sequence[float], *, between: bool) -> str:
    """Say in a title what the speed does to how long a reel lasts."""
    if len(ends) == 2 and not between and abs(max(ends) / min(ends) - 2) < 0.02:
        return "Half the speed lasts twice as long"
    return "The slower the tape, the longer it lasts" if len(ends) > 1 else "A reel runs out while you play"
