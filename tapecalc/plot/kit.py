"""What every figure is made with: a canvas with its head, labels and notes, and the result."""

import base64
import functools
import html
import inspect
import io
import itertools
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, Concatenate, ParamSpec, cast

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.lines import Line2D
from matplotlib.text import Annotation, Text
from matplotlib.transforms import Bbox
from numpy.typing import ArrayLike, NDArray
from PIL import Image

from tapecalc import words
from tapecalc.calc.quantity import known_name
from tapecalc.calc.tempo import NoteValue
from tapecalc.calc.units import from_si
from tapecalc.machine import Machine
from tapecalc.plot import style
from tapecalc.plot.sketch import Look, Place, Sketch
from tapecalc.plot.style import Profile

P = ParamSpec("P")
Label = tuple[str, str, str]  # words, symbol and unit of an axis

AUDIBLE = (20.0, 20e3)
FREQUENCIES = np.geomspace(*AUDIBLE, 400)
PER_FEATURE = 200  # points of a curve on the narrowest thing that it shows
COMMON_PRACTICE = "common practice, no source"
WEIGHTS = 0.6, 1.3  # of the lines of the fastest and the slowest speed, over that of data
LONG = 9.9995  # s, from which on delays are written in seconds


@dataclass(frozen=True)
class Drawn:
    """A finished figure, its artists that carry data by name, and what must be said about it.

    The `caption` stands below the figure, numbers included; `alt` says what kind of chart it is, its axes,
    and the one thing to see; `sources`, where formulas and published numbers come from.
    """

    figure: Figure
    artists: Mapping[Any, Any]
    caption: str
    alt: str
    sources: tuple[str, ...]

    def save(self, stem: str | Path, formats: str | tuple[str, ...] = ("svg", "png")) -> tuple[Path, ...]:
        """Write the figure with its alt text to files; see `style.save_figure`."""
        return style.save_figure(self.figure, stem, formats, title=self.title, alt=self.alt)

    @property
    def title(self) -> str:
        """What it finds, in a few words; empty where it has no title."""
        return str(self.figure.get_label())

    def __repr__(self) -> str:
        return self.caption

    def _repr_mimebundle_(self, *_: object, **__: object) -> Any:
        """Picture and sentence, for whichever a viewer can show."""
        picture = base64.b64encode(_few_colors(style.figure_bytes(self.figure, "png"))).decode("ascii")
        width, height = (round(100 * inches) for inches in self.figure.get_size_inches().tolist())
        metadata = {"image/png": {"alt": self.alt, "width": width, "height": height}}
        return {"image/png": picture, "text/plain": self.caption}, metadata

    def _ipython_display_(self) -> None:
        """Show picture, caption and, folded, description: JupyterLab shows no text in a picture's place."""
        from IPython.display import display

        data, metadata = self._repr_mimebundle_()
        display(data, raw=True, metadata=metadata)
        folded = f"<details><summary>The picture in words</summary>{html.escape(self.alt)}</details>"
        text = {"text/markdown": f"*{self.caption}*\n\n{folded}", "text/plain": f"{self.caption} {self.alt}"}
        display(text, raw=True)


def _few_colors(png: bytes) -> bytes:
    """Make a picture a third as large for a notebook: 128 colors show lines, type and flat areas as well."""
    buffer = io.BytesIO()
    with Image.open(io.BytesIO(png)) as picture:
        few = picture.convert("RGB").quantize(128, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
        few.save(buffer, "png", optimize=True)
    return buffer.getvalue()


# ---- the register of figures ----


@dataclass(frozen=True)
class Entry:
    """One figure of the catalog: its function, what it shows, and how a machine becomes its arguments.

    `suits` tells whether a machine has what the figure `needs`; `units`, whether it says lengths or speeds.
    """

    function: Callable[..., Drawn]
    shows: str
    arguments: Callable[[Machine], dict[str, Any]]
    suits: Callable[[Machine], object] = lambda _: True
    needs: str = ""
    units: bool = False


#: The figures of the catalog by name, which is the stem of their files too.
FIGURES: dict[str, Entry] = {}


def figure(
    shows: str = "", arguments: Callable[[Machine], dict[str, Any]] | None = None, **more: Any
) -> Callable[[Callable[Concatenate["Canvas", P], Drawn]], Callable[..., Drawn]]:
    """Make a figure of a function that draws on a `Canvas`, and put it into the catalog.

    The parameters are those of `Entry`; without `arguments` it stays out of the catalog. The figure takes
    `profile`, `units` (metric or inches), `symbols_only`, `credit` for a line that says whose picture it is,
    and, for the reader's own figure, `axes`.
    """

    def decorate(body: Callable[Concatenate["Canvas", P], Drawn]) -> Callable[..., Drawn]:
        @functools.wraps(body)
        def drawing(
            *args: Any,
            profile: str | Profile = "notebook",
            units: str = "metric",
            symbols_only: bool = False,
            credit: bool = False,
            axes: Axes | None = None,
            **options: Any,
        ) -> Drawn:
            known_name("units", units, words.UNIT_SYSTEMS)
            with style.context(profile) as page:
                place = style.new_figure(page, credit=credit).add_subplot() if axes is None else axes
                drawn = body(Canvas(place, page, units, symbols_only, own=axes is None), *args, **options)
                if axes is None:
                    spread_labels(style.fix_layout(drawn.figure))
            return drawn

        own = list(inspect.signature(body).parameters.values())[1:]
        added = inspect.signature(drawing, follow_wrapped=False).parameters.values()
        keywords = [parameter for parameter in added if parameter.kind is parameter.KEYWORD_ONLY]
        cast(Any, drawing).__signature__ = inspect.Signature([*own, *keywords])
        if arguments:
            FIGURES[body.__name__] = Entry(drawing, shows, arguments, **more)
        return drawing

    return decorate


@dataclass(frozen=True)
class Canvas:
    """What a figure is drawn on: its axes, its profile, and whether with words, and in which units."""

    axes: Axes
    profile: Profile
    units: str = "metric"
    symbols_only: bool = False
    own: bool = True  # whether the axes are ours, not the reader's

    @property
    def figure(self) -> Figure:
        """The figure that holds the axes."""
        return cast(Figure, self.axes.figure)

    @property
    def length_unit(self) -> str:
        """The trade unit of lengths: mm or in."""
        return "mm" if self.units == "metric" else "in"

    def speed(self, *values: float) -> str:
        """Write a tape speed, m/s, or a range of some, in the reader's units."""
        if min(values) == max(values):
            return words.speed(values[0], self.units)
        return from_to(values, "cm_s" if self.units == "metric" else "ips", ".4g")

    def length(self, value: float) -> str:
        """Write a length, m, in the reader's units."""
        return words.length(value, self.units)

    def label(self, text: str, symbol: str, unit: str = "") -> str:
        """Write an axis label, ``frequency (Hz)``, or ``f / Hz`` (ISO 80000-1) where words are not wanted."""
        if self.symbols_only:
            return f"{symbol} / {unit}" if unit else symbol
        return f"{text} ({unit})" if unit else text

    def head(
        self, title: str, subtitle: str = "", *, answer: str = "", means: str = "", role: str = "echo"
    ) -> None:
        """Write the finding, its conditions, and the one number that matters with what it means.

        They stand where the layout of the profile has them, and the picture gets the rest. To be called
        before a `sketch` is made. Without words the number stays.
        """
        self.figure.set_label(title)
        if self.symbols_only or self.profile.layout == "number":
            title = subtitle = ""
        means = "" if self.symbols_only else means
        if self.own:
            Head(self.figure, self.profile, (title, subtitle), (answer, means), role).write()
        elif title:
            self.axes.set_title(title, loc="left", weight=600)

    def style_axes(
        self, title: str = "", *, x: Label | None = None, y: Label | None = None, grid: str | None = "y"
    ) -> None:
        """Give the axes labels, ticks, grid and, where words are wanted, their title."""
        if title:
            self.head(title)
        labels = {name: self.label(*label) for name, label in (("x", x), ("y", y)) if label}
        style.style_axes(self.axes, self.profile, grid=grid, **labels)

    def style_response(self, title: str = "", *, y: Label) -> None:
        """Do the same for a chart over all frequencies that can be heard."""
        style.frequency_axis(self.axes, self.profile, low=AUDIBLE[0], high=AUDIBLE[1])
        self.style_axes(title, x=("frequency", "$f$", "Hz"), y=y)

    def line_look(self, role: str, **changes: Any) -> Look:
        """Return the look of a line of data in the color of a role; see `style.line_look`."""
        return style.line_look(self.profile, role, **changes)

    def color(self, role: str) -> str:
        """Color of a role on this ground."""
        return self.profile.ground.role(role)

    def dots(self, size: float = 3.0, **changes: Any) -> Look:
        """Return the look of dots without a line, as large as `size` lines are wide."""
        look = {"marker": "o", "linestyle": "none", "color": self.profile.ground.text, "zorder": 4}
        return look | {"markersize": size * self.profile.line_pt} | changes

    def weights(self, speeds: Sequence[float]) -> list[float]:
        """Return the width of the line of each speed, in points: the slower, the heavier."""
        shares = np.linspace(*WEIGHTS, len(speeds)) if len(speeds) > 1 else np.ones(1)
        ranks = np.argsort(np.argsort(-np.asarray(speeds), kind="stable"))
        return (self.profile.line_pt * shares[ranks]).tolist()

    def hatched(self, **changes: Any) -> Look:
        """Return the look of an area beyond a limit."""
        look = {"facecolor": "none", "edgecolor": self.color("limit"), "linewidth": 0.0, "hatch": "//"}
        return look | {"hatch_linewidth": style.GRID * self.profile.line_pt} | changes

    def plate(self) -> Look:
        """Return the look of what lies below words, so that they can be read over lines."""
        return {"bbox": {"facecolor": self.profile.ground.face, "edgecolor": "none", "pad": 1}}

    def note(self, place: Place, text: str, side: str, role: str = "text", **changes: Any) -> Text:
        """Write a few words beside a point, at one of the `SIDES`, in the color of a role."""
        shift, ha, va = SIDES[side]
        x, y = (self.profile.text_pt * s for s in shift)
        look = _text_look(self.profile) | {"ha": ha, "va": va, "color": self.color(role)}
        look |= {"xytext": (x, y), "textcoords": "offset points"} | changes
        return self.axes.annotate(text, (place[0], place[1]), **look)

    def fewer(
        self, notes: Iterable[Text | Sequence[Text]], *, inside: bool = True, off: Iterable[Place] = ()
    ) -> None:
        """Take out notes that lie over an earlier one or, unless told otherwise, leave the chart.

        Of several notes that are one, the first that fits stays; no letters lie on the points to keep `off`.
        """
        ways = [[options] if isinstance(options, Text) else options for options in notes]
        for other in itertools.chain.from_iterable(options[1:] for options in ways):
            other.set_in_layout(False)  # or what may go would make the chart small
        self.figure.draw_without_rendering()
        chart, size = self.axes.get_window_extent().padded(1), self.profile.text_pt * self.figure.dpi / 72
        points, kept = [self.axes.transData.transform(point) for point in off], list[Any]()
        for options in ways:
            free = True
            for note in options:
                line = Text.get_window_extent(note)
                ink, box = (
                    Bbox(line.get_points() + [[0, 0.2 * size], [0, -0.3 * size]]),
                    line.padded(0.15 * size),
                )
                out = inside and not (chart.x0 < box.x0 and box.x1 < chart.x1)
                over = any(box.overlaps(other) for other in kept) or any(ink.contains(*at) for at in points)
                if not free or out or over:
                    note.remove()
                else:
                    kept.append(box)
                    free = False

    def name_lines(self, lines: Iterable[Line2D], names: Iterable[str]) -> None:
        """Name lines at their right ends; see `name_lines`."""
        name_lines(self.axes, self.profile, lines, names)

    def sketch(self) -> Sketch:
        """Turn the axes into a sheet for a picture made of bodies, wires and words."""
        engine = self.figure.get_layout_engine()
        if self.own and isinstance(engine, ConstrainedLayoutEngine):
            self.axes.set_position(engine.get()["rect"])
            self.figure.set_layout_engine("none")
        return Sketch(self.axes, self.profile)


@dataclass(frozen=True)
class Head:
    """Title and subtitle, number and what it means, as the layout of a profile places them."""

    figure: Figure
    profile: Profile
    title: tuple[str, str]
    number: tuple[str, str]
    role: str

    def write(self) -> None:
        """Write them, and leave the rest of the figure to the picture."""
        engine = cast(ConstrainedLayoutEngine, self.figure.get_layout_engine())
        left, bottom, width, height = engine.get()["rect"]
        layout, top, taken = self.profile.layout, bottom + height, 0.0
        if layout in ("strip", "number") and any(self.number):
            taken, top = self._number(left + width, top, ha="right")
        top = min(top, self._title(left, bottom + height, width - taken)) - self._up(
            0.5 * self.profile.text_pt
        )
        if layout == "third" and any(self.number):
            across = 0.29 * width
            self._number(left + width - across, bottom + 0.62 * (top - bottom), across=across)
            width -= across + self._along(1.2 * self.profile.text_pt)
        if layout == "column" and any(self.number):
            low = self._number(left, top, across=width)[1]  # to see how tall it is
            for text in self.figure.texts[-2 if self.number[1] else -1 :]:
                text.set_y(text.get_position()[1] + bottom - low)
            bottom += top - low + self._up(0.6 * self.profile.text_pt)
        engine.set(rect=(left, bottom, width, top - bottom))

    def _up(self, points: float) -> float:
        return points / 72 / self.profile.height_in

    def _along(self, points: float) -> float:
        return points / 72 / self.profile.width_in

    def _title(self, left: float, top: float, width: float) -> float:
        """Write title and subtitle below `top`; return where they end."""
        profile = self.profile
        looks: tuple[Look, ...] = ({"weight": 600}, {"color": profile.ground.frame})
        for text, size, look in zip(self.title, (profile.title_pt, profile.note_pt), looks, strict=True):
            if text:
                text = self._wrapped(text, size, width, **look)
                shown: Look = {"fontsize": size, "va": "top"} | look
                gid = "title" if "weight" in look else "subtitle"
                drawn = self.figure.text(left, top, text, gid=gid, **shown)
                top = drawn.get_window_extent().y0 / self.figure.bbox.height - self._up(0.1 * profile.text_pt)
        return top

    def _number(
        self, x: float, top: float, *, ha: str = "left", across: float | None = None
    ) -> tuple[float, float]:
        """Write the number, and what it means below it; return how wide they are, and where they end."""
        profile, (number, means) = self.profile, self.number
        small = profile.text_pt if across else profile.note_pt
        means = means if across is None else self._wrapped(means, small, across)
        look: Any = {"ha": ha, "va": "top"}
        first: Look = {"fontsize": profile.title_pt, "weight": 600, "color": profile.ground.role(self.role)}
        drawn = [self.figure.text(x, top, number, gid="number", **first, **look)]
        if means:
            below = drawn[0].get_window_extent().y0 / self.figure.bbox.height - self._up(0.1 * small)
            drawn.append(self.figure.text(x, below, means, fontsize=small, gid="means", **look))
        boxes = [text.get_window_extent() for text in drawn]
        wide, low = max(box.width for box in boxes), min(box.y0 for box in boxes)
        return wide / self.figure.bbox.width + self._along(profile.text_pt), low / self.figure.bbox.height

    def _wrapped(self, text: str, size: float, width: float, **look: Any) -> str:
        """Break a text into lines that fit a width, a share of the figure; a number keeps its unit."""
        probe = self.figure.text(0, 0, "", fontsize=size, **look)
        lines: list[str] = []
        for word in re.split(r"(?<!\d) ", text):
            longer = f"{lines[-1]} {word}" if lines else word
            probe.set_text(longer)
            fits = probe.get_window_extent().width <= width * self.figure.bbox.width
            lines[-1:] = [longer] if fits or not lines else [*lines[-1:], word]
        probe.remove()
        return "\n".join(lines)


#: Where a note stands beside its point: shift in type sizes, and which side of it is held.
SIDES = {
    "right": ((0.7, 0), "left", "center"),
    "left": ((-0.8, 0), "right", "center"),
    "lower right": ((0.7, -0.9), "left", "center"),
    "lower left": ((-0.7, -0.9), "right", "center"),
    "upper right": ((0.6, 0.7), "left", "center"),
    "upper left": ((-0.7, 0.7), "right", "center"),
    "below": ((0, -0.8), "center", "top"),
    "above": ((0, 0.8), "center", "bottom"),
}


def finely(low: float, high: float, narrowest: float) -> NDArray[np.float64]:
    """Divide an axis evenly so that its narrowest feature, a tooth or a wave, has `PER_FEATURE` points.

    The last point may lie a step beyond `high`, so that halves of a feature from `low` on are met.

    >>> finely(0, 1, 0.5).size
    401
    """
    step = narrowest / PER_FEATURE / np.ceil(narrowest / (high - low))
    return low + step * np.arange(np.ceil((high - low) / step * (1 - 1e-12)) + 1)


def from_to(values: ArrayLike, unit: str, form: str = ".0f") -> str:
    """Write a range of SI values in a trade unit, ``"75 to 300 ms"``, or the one that all of them are."""
    low, high = np.min(values), np.max(values)
    first, last = (f"{from_si(value, unit):{form}}" for value in (low, high))
    return words.amount(high, unit, form) if first == last else f"{first} to {words.amount(high, unit, form)}"


def delay_text(*delays: float) -> str:
    """Write a delay in s, or a range of some: in ms, or in s where they are very long.

    >>> delay_text(0.2178), delay_text(0.075, 1.2), delay_text(24.99)
    ('218 ms', '75 to 1200 ms', '25.0 s')
    """
    return from_to(delays, "s", ".1f") if max(delays) >= LONG else from_to(delays, "ms")


def minus(text: str) -> str:
    """Set a true minus sign before numbers."""
    return text.replace("-", "\N{MINUS SIGN}")


def spelled(unit: str) -> str:
    """Spell out the one unit that reads as another word."""
    return "inches" if unit == "in" else unit


def note_fraction(note: NoteValue) -> str:
    """Write a note value as a share of a whole note, 3/16."""
    return str(Fraction(note.beats / 4).limit_denominator(96))


# ---- labels at line ends ----

_END = "the name of a line at its end"


def name_lines(axes: Axes, profile: Profile, lines: Iterable[Line2D], names: Iterable[str]) -> list[Text]:
    """Name lines at their right ends, in their colors; `spread_labels` keeps the names apart."""
    labels: list[Text] = []
    for line, name in zip(lines, names, strict=True):
        end = _last_shown(line)
        look: Look = {"color": line.get_color(), "linewidth": style.GRID * profile.line_pt}
        leader = {"arrowstyle": "-", "relpos": (0, 0.5), "shrinkA": 1, "shrinkB": 0} | look
        beside: Look = {"xytext": (1.02, end[1]), "textcoords": axes.get_yaxis_transform(), "va": "center"}
        beside |= _text_look(profile) | {"color": line.get_color()}
        labels.append(axes.annotate(name, end, arrowprops=leader, label=_END, **beside))
    return labels


def _text_look(profile: Profile) -> Look:
    return {"fontsize": profile.text_pt, "color": profile.ground.text, "annotation_clip": False}


def _last_shown(line: Line2D) -> tuple[float, float]:
    """Where a line ends, or leaves the chart at its top or bottom."""
    low, high = sorted(cast(Axes, line.axes).get_ylim())
    points = np.nan_to_num(np.asarray(line.get_xydata(), dtype=float), nan=-np.inf)  # not drawn: far below
    shown = points[(points[:, 1] >= low) & (points[:, 1] <= high)]
    x, y = shown[-1] if shown.size else np.clip(points[-1], (-np.inf, low), (np.inf, high))
    return x, y


def spread(wanted: ArrayLike, height: ArrayLike, low: float, high: float) -> NDArray[np.float64]:
    """Move labels as little as possible so that none lies over another.

    Least squares with `height` between neighbors, one for all or for each two, by the formula for values
    that must not fall: the largest, over all ``j <= i``, of the smallest mean of ``j .. k`` with ``k >= i``.
    Source: Barlow and others 1972.

    >>> spread([5, 5, 9], 2, 0, 10)
    array([4., 6., 9.])
    """
    wanted = np.asarray(wanted, dtype=float)
    order = np.argsort(wanted, kind="stable")
    steps = np.concatenate([[0.0], np.cumsum(np.broadcast_to(height, wanted.size - 1))])
    placed = np.empty_like(wanted)
    first, last = np.ogrid[: wanted.size, : wanted.size]
    sums = np.cumsum(wanted[order] - steps)
    means = (sums - np.concatenate([[0.0], sums[:-1]])[:, None]) / np.maximum(last - first + 1, 1)
    smallest = np.minimum.accumulate(means[:, ::-1], axis=1)[:, ::-1]
    moved = np.max(smallest, axis=0, where=first <= last, initial=-np.inf)
    placed[order] = np.clip(moved, low, max(low, high - steps[-1])) + steps
    return placed


def spread_labels(figure: Figure) -> None:
    """Keep the names of `name_lines` apart, once the layout is fixed; twice does no harm."""
    for axes in figure.axes:
        labels = [t for t in axes.texts if isinstance(t, Annotation) and t.get_label() == _END]
        if labels:
            bottom, top = axes.get_window_extent().intervaly
            wanted = axes.transData.transform([label.xy for label in labels])[:, 1]
            height = 1.06 * max(Text.get_window_extent(label).height for label in labels)
            middle = spread(np.clip(wanted, bottom, top), height, bottom, top)
            for label, here, place in zip(labels, wanted, middle, strict=True):
                label.set_position((1.02, (place - bottom) / (top - bottom)))
                label.anncoords = axes.transAxes
                cast(Any, label.arrow_patch).set_visible(abs(place - here) > 0.5 * height)
