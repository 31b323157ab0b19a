"""What every figure is made with: a canvas with labels and notes, a sheet with boxes, and the result."""

import base64
import functools
import inspect
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
from matplotlib.patches import Circle, FancyArrowPatch, Rectangle
from matplotlib.path import Path as Outline
from matplotlib.text import Annotation, Text
from numpy.typing import ArrayLike, NDArray

from tapecalc import words
from tapecalc.calc.quantity import known_name
from tapecalc.calc.tempo import NoteValue
from tapecalc.calc.units import from_si
from tapecalc.machine import Machine
from tapecalc.plot import style
from tapecalc.plot.style import Profile

P = ParamSpec("P")
Label = tuple[str, str, str]  # words, symbol and unit of an axis
Look = dict[str, Any]  # keywords of an artist
Place = tuple[float, float] | NDArray[np.float64]  # x and y

AUDIBLE = (20.0, 20e3)
FREQUENCIES = np.geomspace(*AUDIBLE, 400)
PER_FEATURE = 200  # points of a curve on the narrowest thing that it shows
COMMON_PRACTICE = "common practice, no source"


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
        return style.save_figure(self.figure, stem, formats, alt=self.alt)

    def __repr__(self) -> str:
        return self.caption

    def _repr_mimebundle_(self, *_: object, **__: object) -> Any:
        """Picture and sentence, for whichever a viewer can show."""
        picture = base64.b64encode(style.figure_bytes(self.figure, "png")).decode("ascii")
        width, height = (round(100 * inches) for inches in self.figure.get_size_inches().tolist())
        metadata = {"image/png": {"alt": self.alt, "width": width, "height": height}}
        return {"image/png": picture, "text/plain": self.caption}, metadata

    def _ipython_display_(self) -> None:
        """Show the picture and, below it, its description for those who cannot see it."""
        from IPython.display import display

        data, metadata = self._repr_mimebundle_()
        display(data, raw=True, metadata=metadata)
        text = f"{self.caption} {_not_said(self.alt, self.caption)}"
        display({"text/markdown": f"*{text}*", "text/plain": text}, raw=True)


def _not_said(alt: str, caption: str) -> str:
    """Leave out of a description what the caption beside it has said word for word."""
    known, kept = caption.casefold(), []
    for sentence in re.split(r"(?<=\.)\s+(?=[A-Z])", alt.removesuffix(".")):
        sentence = sentence.removesuffix(".")
        head, colon, tail = sentence.rpartition(": ")
        if sentence.casefold() not in known:
            kept.append(f"{head}." if colon and tail.casefold() in known else f"{sentence}.")
    return " ".join(kept)


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
    `profile`, `units` (metric or inches), `symbols_only` and, for the reader's own figure, `axes`.
    """

    def decorate(body: Callable[Concatenate["Canvas", P], Drawn]) -> Callable[..., Drawn]:
        @functools.wraps(body)
        def drawing(
            *args: Any,
            profile: str | Profile = "notebook",
            units: str = "metric",
            symbols_only: bool = False,
            axes: Axes | None = None,
            **options: Any,
        ) -> Drawn:
            known_name("units", units, words.UNIT_SYSTEMS)
            with style.context(profile) as page:
                place = style.new_figure(page).add_subplot() if axes is None else axes
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

    def speed(self, value: float) -> str:
        """Write a tape speed, m/s, in the reader's units."""
        return words.speed(value, self.units)

    def length(self, value: float) -> str:
        """Write a length, m, in the reader's units."""
        return words.length(value, self.units)

    def label(self, text: str, symbol: str, unit: str = "") -> str:
        """Write an axis label, ``frequency (Hz)``, or ``f / Hz`` (ISO 80000-1) where words are not wanted."""
        if self.symbols_only:
            return f"{symbol} / {unit}" if unit else symbol
        return f"{text} ({unit})" if unit else text

    def style_axes(
        self, title: str, *, x: Label | None = None, y: Label | None = None, grid: str | None = "both"
    ) -> None:
        """Give the axes labels, ticks, grid and, where words are wanted, their title."""
        labels = {name: self.label(*label) for name, label in (("x", x), ("y", y)) if label}
        title = "" if self.symbols_only else title
        style.style_axes(self.axes, self.profile, title=title, grid=grid, **labels)

    def style_response(self, title: str, y: Label) -> None:
        """Do the same for a chart over all frequencies that can be heard."""
        style.frequency_axis(self.axes, self.profile, low=AUDIBLE[0], high=AUDIBLE[1])
        self.style_axes(title, x=("frequency", "$f$", "Hz"), y=y)

    def line_style(self, index: int, *, marker: bool = False, **changes: Any) -> Look:
        """Return the look of a line by its number; see `style.line_style`."""
        return style.line_style(self.profile, index, marker=marker) | changes

    def dots(self, size: float = 3.0, **changes: Any) -> Look:
        """Return the look of dots without a line, as large as `size` lines are wide."""
        look = {"marker": "o", "linestyle": "none", "color": self.profile.ground.text, "zorder": 4}
        return look | {"markersize": size * self.profile.line_pt} | changes

    def note(self, place: Place, text: str, side: str) -> None:
        """Write a few words beside a point, at one of the `SIDES`."""
        shift, ha, va = SIDES[side]
        x, y = (self.profile.text_pt * s for s in shift)
        look = _text_look(self.profile) | {"ha": ha, "va": va, "linespacing": 1.0}
        self.axes.annotate(text, (place[0], place[1]), xytext=(x, y), textcoords="offset points", **look)

    def name_lines(self, lines: Iterable[Line2D], names: Iterable[str]) -> None:
        """Name lines at their right ends; see `name_lines`."""
        name_lines(self.axes, self.profile, lines, names)

    def legend(self, artists: Sequence[Any], names: Sequence[str], **place: Any) -> None:
        """Name artists in a legend at the right side, or below the figure where it is narrow."""
        if self.profile.narrow:
            self.name_lines(artists, names)
        else:
            place = place or {"loc": "upper left", "bbox_to_anchor": (1.01, 1.0)}
            self.axes.legend(artists, names, **place)

    def sketch(self) -> "Sketch":
        """Turn the axes into a sheet for a picture made of boxes, arrows and words."""
        if self.own:
            self.figure.set_layout_engine("none")
            self.axes.set_position(self.profile.inside)
        return Sketch(self.axes, self.profile)


#: Where a note stands beside its point: shift in type sizes, and which side of it is held.
SIDES = {
    "right": ((0.7, 0), "left", "center"),
    "left": ((-0.8, 0), "right", "center"),
    "lower right": ((0.7, -0.9), "left", "center"),
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
    """Name lines at their right ends, or below the figure where it is narrow.

    The names are kept apart by `spread_labels` once the layout is fixed.
    """
    if profile.narrow:
        return _legend_below(axes, profile, list(lines), list(names))
    labels: list[Text] = []
    for line, name in zip(lines, names, strict=True):
        end = _last_shown(line)
        leader: Look = {"arrowstyle": "-", "color": line.get_color(), "linestyle": line.get_linestyle()}
        leader |= {"linewidth": profile.line_pt / 3, "shrinkA": 1, "shrinkB": 0}
        beside: Look = {"xytext": (1.04, end[1]), "textcoords": axes.get_yaxis_transform(), "va": "center"}
        beside |= _text_look(profile)
        labels.append(axes.annotate(name, end, arrowprops=leader, label=_END, **beside))
    return labels


def _text_look(profile: Profile) -> Look:
    return {"fontsize": profile.text_pt, "color": profile.ground.text, "annotation_clip": False}


def _last_shown(line: Line2D) -> tuple[float, float]:
    """Where a line ends, or leaves the chart at its top or bottom."""
    low, high = sorted(cast(Axes, line.axes).get_ylim())
    points = np.asarray(line.get_xydata())
    shown = points[(points[:, 1] >= low) & (points[:, 1] <= high)]
    x, y = shown[-1] if shown.size else np.clip(points[-1], (-np.inf, low), (np.inf, high))
    return x, y


def _legend_below(axes: Axes, profile: Profile, lines: list[Line2D], names: list[str]) -> list[Text]:
    """Name lines at the foot of a narrow figure, and make room there."""
    figure = cast(Figure, axes.figure)
    inside = 72 * profile.width_in * (1 - 2 * profile.safe) / profile.text_pt
    columns = int(max(1, min(len(names), inside // (4.2 + 0.6 * max(map(len, names))))))
    tight: Look = {"borderpad": 0.1, "borderaxespad": 0, "columnspacing": 1.2, "labelspacing": 0.35}
    tight |= {"ncols": columns, "handlelength": 2.4, "bbox_to_anchor": (profile.safe, profile.floor)}
    legend = figure.legend(lines, names, loc="lower left", **tight)
    legend.set_in_layout(False)
    gap = 0.6 * profile.text_pt / 72 / profile.height_in
    height = gap + legend.get_window_extent().height / figure.bbox.height
    engine = figure.get_layout_engine()
    if isinstance(engine, ConstrainedLayoutEngine):
        left, bottom, width, high = engine.get()["rect"]
        engine.set(rect=(left, bottom + height, width, high - height))
    return list(legend.get_texts())


def spread(wanted: ArrayLike, height: float, low: float, high: float) -> NDArray[np.float64]:
    """Move labels as little as possible so that none lies over another.

    Least squares with `height` between neighbors, by the formula for values that must not fall:
    the largest, over all ``j <= i``, of the smallest mean of ``j .. k`` with ``k >= i``.
    Source: Barlow and others 1972.

    >>> spread([5, 5, 9], 2, 0, 10)
    array([4., 6., 9.])
    """
    wanted = np.asarray(wanted, dtype=float)
    order = np.argsort(wanted, kind="stable")
    steps = height * np.arange(wanted.size)
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
            for label, place in zip(labels, (middle - bottom) / (top - bottom), strict=True):
                label.set_position((1.04, place))
                label.anncoords = axes.transAxes


# ---- pictures without axes ----


class Sketch:
    """A sheet whose unit of length is the size of its type, with boxes, arrows and words.

    All places are in type sizes from the lower left corner; `at` turns shares of the sheet into them. On wide
    sheets the type is larger than that of charts.
    """

    def __init__(self, axes: Axes, profile: Profile) -> None:
        self.axes, self.profile = axes, profile
        width, height = np.array(axes.get_window_extent().size) * 72 / cast(Figure, axes.figure).dpi
        self.type_pt = max(profile.text_pt, min(1.4 * profile.text_pt, width / 33))
        self.width, self.height = width / self.type_pt, height / self.type_pt
        axes.set(xlim=(0, self.width), ylim=(0, self.height))
        axes.set_axis_off()

    def at(self, across: float, up: float) -> NDArray[np.float64]:
        """Turn shares of width and height into a place on the sheet."""
        return np.array([across * self.width, up * self.height])

    def words(self, place: Place, text: str, *, ha: str = "center", va: str = "center") -> None:
        """Write words at a place, centered unless told otherwise."""
        look: Look = {"fontsize": self.type_pt, "color": self.profile.ground.text, "zorder": 5}
        self.axes.text(place[0], place[1], text, ha=ha, va=va, linespacing=1.1, **look)

    def box(
        self, place: Place, text: str = "", *, size: tuple[float, float] = (7.6, 2.8), color: int = 0
    ) -> Rectangle:
        """Draw a plain box around a text."""
        corner = place[0] - size[0] / 2, place[1] - size[1] / 2
        patch = Rectangle(corner, *size, zorder=2, **self._outline(color))
        self.axes.add_patch(patch)
        if text:
            self.words(place, text)
        return patch

    def disk(self, place: Place, radius: float, *, color: int = 0) -> None:
        """Draw a circle, `radius` in type sizes."""
        self.axes.add_patch(Circle((place[0], place[1]), radius, zorder=3, **self._outline(color)))

    def _outline(self, color: int) -> Look:
        ground, width = self.profile.ground, 0.8 * self.profile.line_pt
        return {"facecolor": ground.fill, "edgecolor": ground.colors[color], "linewidth": width}

    def line(
        self, points: Sequence[Place], *, color: int = 0, arrows: int = 0, dashed: bool = False
    ) -> FancyArrowPatch:
        """Draw a line through points in type sizes, with an arrow head at its end, or two at both ends."""
        look: Look = {"color": self.profile.ground.colors[color], "linewidth": self.profile.line_pt}
        look |= {"linestyle": (0, (4, 1.5)) if dashed else "-", "capstyle": "butt", "joinstyle": "miter"}
        look |= {"mutation_scale": self.type_pt * 0.9, "shrinkA": 0, "shrinkB": 0, "zorder": 1.5}
        head = ("-", "-|>", "<|-|>")[arrows]
        if dashed and arrows:  # dashes would cut pieces out of the head, which is drawn alone
            end, before = np.array(points[-1]), np.array(points[-2])
            tip = 0.5 * (end - before) / np.hypot(*(end - before))
            self.axes.add_patch(
                FancyArrowPatch(path=Outline([end - tip, end]), arrowstyle=head, **look | {"linestyle": "-"})
            )
            points, head = [*points[:-1], end - tip], "-"
        patch = FancyArrowPatch(path=Outline(np.array(points)), arrowstyle=head, **look)
        self.axes.add_patch(patch)
        return patch
