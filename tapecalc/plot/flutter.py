"""Figures of wow and flutter."""

import itertools
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.ticker import FixedLocator
from numpy.typing import ArrayLike

from tapecalc.calc.flutter import repeat_deviation
from tapecalc.calc.parts import TurningPart, part_rates, part_repeat_deviations
from tapecalc.calc.units import from_si
from tapecalc.machine import Machine
from tapecalc.plot import style
from tapecalc.plot.kit import Canvas, Drawn, figure, finely
from tapecalc.plot.style import Profile, frequency_text
from tapecalc.words import amount, listed, sentence

MOST_ARCHES = 6  # of the comb that are shown, where no part turns faster
MANY = 10.0  # s
LONGEST = 16  # letters of a name in a title
PITCH_OF_A_REPEAT = "pitch of a repeat is v(t) / v(t - T), from the motion"


def _of_machine(machine: Machine) -> dict[str, Any]:
    speed = machine.speeds[0]
    many = len(machine.spacings) > 1
    own = {"delay": machine.delays(speed)[0], "head": 1 if many else None}
    return own | {"parts": machine.turning_parts, "speed": speed}


@figure("how a repeat hears wobble", _of_machine, units=True)
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
    top = max([min(12.0, (1.2 if rates else MOST_ARCHES) / delay), *(1.15 * places)])
    rate, tiny = finely(0, top, 1 / (2 * delay)), 1e-4  # the formula is linear for small wobbles
    bends = [repeat_deviation(tiny, rate, delay, passes=n) / tiny for n in (1, 2)]
    times = repeat_deviation(tiny, places, delay) / tiny if rates else places
    nulls = frequency_text(1 / delay)
    which = f"delay{f' of head {head},' if head else ''} {_long(delay)}"
    said = f"none at multiples of {nulls}, doubled half way between"
    number, means = nulls, "and its multiples are not heard"
    if top <= 0.5 / delay:  # where repeat 1 bends as the tape does: 2 sin(pi f T) = 1
        number, means = frequency_text(1 / (6 * delay)), "slower wobble bends repeat 1 less"
    if rates:
        dot = zip(rates.items(), times.tolist(), strict=True)
        said = listed(f"{name} ({turns:.1f} Hz) times {times:.1f}" for (name, turns), times in dot)
        worst = [*rates][int(np.argmax(times))]
        number, means = f"\N{MULTIPLICATION SIGN} {times.max():.1f}", f"the wobble of {_which(worst)}"
    canvas.head(
        "A repeat doubles some wobble and hides some"
        if top > 0.5 / delay
        else "A short delay hides slow wobble",
        which if speed is None else f"{which}, at {canvas.speed(speed)}",
        answer=number,
        means=means,
    )
    pale = {"linewidth": 0.5 * profile.line_pt, "color": style.sequence(profile, 2)[1]}
    (second,) = axes.plot(rate, bends[1], **canvas.line_look("echo", **pale))
    (first,) = axes.plot(rate, bends[0], **canvas.line_look("echo"))
    look = canvas.dots(3.2, color=canvas.color("tape"), clip_on=not rates)  # or nothing would take room
    (dots,) = axes.plot(places, times, **look)
    canvas.style_axes(x=("rate of the wobble", "$f_m$", "Hz"), y=("bend over wobble", "$e/m$", ""))
    tallest = max(*bends[0], *bends[1], 0.1)
    axes.set(xlim=(0, top), ylim=(0, (_room(profile) if rates else 1.05) * tallest))
    axes.xaxis.set_major_formatter("{x:g}")
    axes.yaxis.set_major_formatter("{x:g}")
    axes.yaxis.set_major_locator(FixedLocator([0, 1, 2] if profile.narrow else [0, 0.5, 1, 1.5, 2]))
    names = ["$n$ = 1", "$n$ = 2"] if canvas.symbols_only else ["repeat 1", "repeat 2"]
    canvas.name_lines([first, second], names)
    if rates and not canvas.symbols_only:
        Names(canvas, right=4.5).put(places, times, list(rates), above=tallest)
    return Drawn(
        canvas.figure,
        {"first": first, "second": second, "parts": dots},
        f"Pitch bend of a repeat over the wobble that causes it, {which}: {said}.",
        "Line chart of bend over wobble against the rate of the wobble in Hz; arches between 0 and 2, twice "
        f"as many for the second repeat, zero at multiples of {nulls}; a dot for each part. "
        f"{sentence(said)}.",
        (PITCH_OF_A_REPEAT,),
    )


def _long(delay: float) -> str:
    """Write a delay in ms, or in s where it is many."""
    return amount(delay, "s", ".3g") if delay >= MANY else amount(delay, "ms")


def _which(name: str) -> str:
    """Name a part, if that is short enough for a title."""
    return f"the {name}" if len(name) <= LONGEST else "one part"


def _room(profile: Profile) -> float:
    """How far a chart reaches over what it shows, for names above: where it is narrow, in a pile."""
    return 2.6 if profile.portrait else 2.0 if profile.narrow else 1.6


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

    Where names would touch, parts that bend it less go without; where symbols are wanted, all do.

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
    tallest, names = np.maximum(wobbles, bends), [part.name for part in parts]
    worst, of_head = int(np.argmax(bends)), f" of head {head}" if head else ""
    canvas.head(
        f"{sentence(_which(names[worst]))} bends the first repeat most"
        if bends[worst]
        else "No part bends the pitch",
        f"at {canvas.speed(speed)} and {_long(delay)}{of_head}",
        answer=f"{bends[worst]:.2g} %",
        means=f"bend by {_which(names[worst])} in repeat 1",
    )
    axes.vlines(rates, wobbles, bends, color=profile.ground.frame, linewidth=profile.line_pt / 2)
    (wobble,) = axes.plot(rates, wobbles, **canvas.dots(3.4, color=canvas.color("tape")))
    (repeat,) = axes.plot(rates, bends, **canvas.dots(3.4, color=canvas.color("echo")))
    low, high = 0.5 * rates.min(), (8 if profile.portrait else 3) * rates.max()
    axes.set(xscale="log", xlim=(low, high), ylim=(0, _room(profile) * (tallest.max() or 1)))
    marks = FixedLocator([mark for mark in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50) if low <= mark <= high])
    axes.xaxis.set(major_locator=marks, major_formatter="{x:g}", minor_formatter="")
    canvas.style_axes(x=("turns per second", "$f_m$", "Hz"), y=("peak deviation", "$m$", "%"))
    words = Names(canvas)
    words.tell(
        rates,
        {"tape": wobbles, "echo": bends},
        ("$m$", "$e$") if canvas.symbols_only else ("on tape", "repeat 1"),
    )
    if not canvas.symbols_only:
        words.put(rates, tallest, names)
    said = listed(
        f"{name} {rate:.2f} Hz, {bend:.2g} %" for name, rate, bend in zip(names, rates, bends, strict=True)
    )
    return Drawn(
        canvas.figure,
        {"wobble": wobble, "repeat": repeat},
        f"Turning parts and their wobble; bend of the first repeat{of_head}: {said}.",
        "Dot chart of deviation in percent over turns per second, two dots per part, on tape and in the "
        f"first repeat: {said}.",
        ("rolling without slip", PITCH_OF_A_REPEAT),
    )


class Names:
    """Names of points in a picture, none over another; where there is no room a name stays away.

    Sizes are reckoned in those of the type, before the layout is fixed; limits of the axes must be set. What
    stands at the `right` of the axes takes from their width.
    """

    def __init__(self, canvas: Canvas, *, right: float = 0.0) -> None:
        self.canvas, profile = canvas, canvas.profile
        engine = canvas.figure.get_layout_engine()
        if canvas.own and isinstance(engine, ConstrainedLayoutEngine):
            share = np.array(engine.get()["rect"][2:]) * 72 / profile.text_pt
            self.size = share * (profile.width_in, profile.height_in) - (4.5 + right, 3.5)
        else:
            box = np.array(canvas.axes.get_window_extent().size) * 72 / canvas.figure.dpi
            self.size = box / profile.text_pt
        self.taken: list[tuple[float, ...]] = []

    def avoid(self, x: ArrayLike, *rows: ArrayLike) -> None:
        """Keep off points, and off the lines from one row of them to another."""
        places = np.array([self._places(x, y) for y in rows])
        low, high = places.min(axis=0) - 0.4, places.max(axis=0) + 0.4
        self.taken += [(*first, *last) for first, last in zip(low.tolist(), high.tolist(), strict=True)]

    def put(self, x: ArrayLike, y: ArrayLike, names: Sequence[str], *, above: float | None = None) -> None:
        """Name points by flags on poles, all `above` a level if one is given.

        From the right to the left each is raised until it stands over all that is below it, so that no pole
        goes through a flag.
        """
        axes, profile = self.canvas.axes, self.canvas.profile
        points, places = np.column_stack([x, y]), self._places(x, y)
        least = 0.0 if above is None else self._places(axes.get_xlim()[0], above)[0, 1]
        thin = {"color": profile.ground.frame, "linewidth": style.GRID * profile.line_pt, "shrinkB": 0}
        look: Any = {"textcoords": "axes fraction", "va": "bottom", "zorder": 1.8}
        look |= {"arrowprops": {"arrowstyle": "-", "relpos": (0, 0), "shrinkA": 0} | thin}
        for k in np.argsort(-places[:, 0], kind="stable").tolist():
            across, up = places[k].tolist()
            text = textwrap.fill(names[k], LONGEST)
            wide, tall = self._size(text)
            over = across + wide > self.size[0]  # the flag goes to the left
            left = across - wide if over else across
            below = [top for a, _, b, top in self.taken if a < left + wide + 0.3 and left < b]
            low = max(up, least, *below) + 0.2
            crossed = any(a < across < b and up < bottom for a, bottom, b, _ in self.taken)
            if left >= 0 and low + tall <= self.size[1] and not crossed:
                look["arrowprops"]["relpos"] = (int(over), 0)
                side = {"ha": "right" if over else "left", "xytext": np.array([across, low]) / self.size}
                axes.annotate(text, points[k], **look | side)
                self.taken.append((left, low, left + wide, low + tall))

    def tell(self, x: Any, rows: Mapping[str, Any], names: Sequence[str]) -> None:
        """Say what the dots of each role are, beside one point, or in a corner where there is no room."""
        self.avoid(x, *rows.values())
        places, wide = ([self._places(x, y) for y in rows.values()], [self._size(name)[0] for name in names])
        apart = np.ptp([place[:, 1] for place in places], axis=0)
        for k, side in itertools.product(np.argsort(-apart, kind="stable"), ("right", "left")):
            boxes = []
            for (across, up), width in zip((place[k] for place in places), wide, strict=True):
                left = across + 0.6 if side == "right" else across - 0.6 - width
                boxes.append((left, up - 0.7, left + width, up + 0.7))
            inside = all(left >= 0 and right <= self.size[0] for left, _, right, _ in boxes)
            if inside and (apart[k] > 1.5 or len(rows) == 1) and self._take(boxes):
                for (role, y), name in zip(rows.items(), names, strict=True):
                    self.canvas.note((x[k], y[k]), name, side, role)
                return
        look: Any = {"transform": self.canvas.axes.transAxes, "ha": "left", "va": "top"}
        for number, (role, name) in enumerate(zip(rows, names, strict=True)):
            corner = np.array([0.3, self.size[1] - 1.6 * number])
            left, top = (corner / self.size).tolist()
            self.canvas.axes.text(left, top, name, color=self.canvas.color(role), **look)
            self.taken.append((0, corner[1] - 1.6, wide[number], corner[1]))

    def _take(self, boxes: Sequence[tuple[float, ...]]) -> bool:
        """Take some boxes if nothing stands there yet, and tell whether."""
        free = not any(
            box[0] < right and left < box[2] and box[1] < top and bottom < box[3]
            for left, bottom, right, top in self.taken
            for box in boxes
        )
        self.taken += boxes if free else []
        return free

    def _size(self, text: str) -> list[float]:
        """Measure a text with some room around it."""
        probe = self.canvas.axes.text(0, 0, text)
        box = np.array(probe.get_window_extent().size) * 72 / self.canvas.figure.dpi
        probe.remove()
        return (box / self.canvas.profile.text_pt + (0.3, 0.1)).tolist()

    def _places(self, x: ArrayLike, y: ArrayLike) -> Any:
        """Turn data into type sizes from the lower left corner of the axes."""
        axes, points = self.canvas.axes, np.column_stack(np.broadcast_arrays(x, y))
        return axes.transLimits.transform(axes.transScale.transform(points)) * self.size
