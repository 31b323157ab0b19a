"""What every figure of the catalog is made with: words, labels, boxes, and the result."""

from __future__ import annotations

import base64
import contextlib
import io
import re
from dataclasses import dataclass

import numpy as np
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.patches import Circle, FancyArrowPatch, Rectangle
from matplotlib.path import Path
from matplotlib.text import Text

from tapecalc.calc.quantity import known_name
from tapecalc.calc.units import from_si
from tapecalc.plot import style

__all__ = [
    "Drawn",
    "Sketch",
    "axis_label",
    "draw",
    "length_text",
    "name_lines",
    "sketch",
    "speed_text",
    "spread",
    "spread_labels",
]


@dataclass(frozen=True)
class Drawn:
    """A finished figure with everything that must be said about it.

    Attributes
    ----------
    figure : matplotlib.figure.Figure
        The figure.
    artists : dict
        The artists that carry data, by name.
    caption : str
        One or two sentences for below the figure, numbers included.
    alt : str
        What kind of chart it is, its axes, and the one thing to see.
    sources : tuple of str
        Where formulas and published numbers come from.
    """

    figure: Figure
    artists: dict
    caption: str
    alt: str
    sources: tuple[str, ...]

    def save(self, stem, formats=("svg", "png")):
        """Write the figure with its alt text to files; see `style.save_figure`."""
        return style.save_figure(self.figure, stem, formats, alt=self.alt)

    def __repr__(self):
        return self.caption

    def _repr_mimebundle_(self, include=None, exclude=None):
        """Picture and sentence, for whichever a viewer can show."""
        buffer = io.BytesIO()
        with style.context("notebook"):
            self.figure.savefig(
                buffer, format="png", dpi=self.figure.dpi, facecolor="auto", metadata={"Software": None}
            )
        picture = base64.b64encode(buffer.getvalue()).decode("ascii")
        width = round(self.figure.get_figwidth() * 100)
        height = round(self.figure.get_figheight() * 100)
        metadata = {"image/png": {"alt": self.alt, "width": width, "height": height}}
        return {"image/png": picture, "text/plain": self.caption}, metadata

    def _ipython_display_(self):
        """Show the picture and, below it, its description for those who cannot see it."""
        from IPython.display import display

        data, metadata = self._repr_mimebundle_()
        display(data, raw=True, metadata=metadata)
        words = f"{self.caption} {_not_said(self.alt, self.caption)}"
        display({"text/markdown": f"*{words}*", "text/plain": words}, raw=True)


# ---------------------------------------------------------------- words and numbers


def _not_said(alt, caption):
    """Leave out of a description what the caption beside it has said word for word."""
    said, kept = caption.casefold(), []
    for sentence in re.split(r"(?<=\.)\s+(?=[A-Z])", alt.removesuffix(".")):
        sentence = sentence.removesuffix(".")
        head, colon, tail = sentence.rpartition(": ")
        if sentence.casefold() not in said:
            kept.append(f"{head}." if colon and tail.casefold() in said else f"{sentence}.")
    return " ".join(kept)


def axis_label(words, symbol, unit, *, symbols_only=False):
    """Write an axis label, ``frequency (Hz)``, or ``f / Hz`` where words are not wanted.

    Parameters
    ----------
    words : str
        What is plotted.
    symbol : str
        Its symbol; mathtext between dollar signs.
    unit : str
        Its unit; empty for a plain number.
    symbols_only : bool, optional
        Whether to write symbols instead of words.

    Returns
    -------
    str
        The label.

    Notes
    -----
    Source: ISO 80000-1 for the form quantity / unit. Notebook: 09_figures.

    Examples
    --------
    >>> axis_label("frequency", "$f$", "Hz"), axis_label("frequency", "$f$", "Hz", symbols_only=True)
    ('frequency (Hz)', '$f$ / Hz')
    """
    if symbols_only:
        return f"{symbol} / {unit}" if unit else symbol
    return f"{words} ({unit})" if unit else words


def speed_text(speed, units):
    """Write a tape speed as people say it.

    Parameters
    ----------
    speed : float
        Tape speed, m/s.
    units : {"metric", "inches"}
        Which units people are to read.

    Returns
    -------
    str
        Such as ``"19.05 cm/s"`` or ``"7.5 ips"``.

    Raises
    ------
    ValueError
        If `units` is neither.

    Notes
    -----
    Source: common practice, no source. Notebook: 01_delay.

    Examples
    --------
    >>> speed_text(0.1905, "metric"), speed_text(0.1905, "inches")
    ('19.05 cm/s', '7.5 ips')
    """
    if known_name("units", units, ("metric", "inches")) == "metric":
        return f"{from_si(speed, 'cm_s'):.4g} cm/s"
    return f"{from_si(speed, 'ips'):.4g} ips"


def length_text(length, units):
    """Write a length of the size of a head spacing.

    Parameters
    ----------
    length : float
        Length, m.
    units : {"metric", "inches"}
        Which units people are to read.

    Returns
    -------
    str
        Such as ``"41.5 mm"`` or ``"1.63 in"``.

    Raises
    ------
    ValueError
        If `units` is neither.

    Notes
    -----
    Source: common practice, no source. Notebook: 01_delay.

    Examples
    --------
    >>> length_text(0.0415, "metric"), length_text(0.0415, "inches")
    ('41.5 mm', '1.63 in')
    """
    unit = {"metric": "mm", "inches": "in"}[known_name("units", units, ("metric", "inches"))]
    return f"{from_si(length, unit):.3g} {unit}"


# ---------------------------------------------------------------- figures


@contextlib.contextmanager
def draw(profile, axes=None):
    """Open a figure to draw one chart into, and lay it out at the end.

    Parameters
    ----------
    profile : str or Profile
        The profile of the figure.
    axes : matplotlib.axes.Axes, optional
        Axes of the reader's own figure, whose layout is then left alone.

    Yields
    ------
    tuple
        (profile, figure, axes).

    See Also
    --------
    sketch : the same for pictures without axes

    Notes
    -----
    Source: common practice, no source. Notebook: 09_figures.

    Examples
    --------
    >>> with draw("page") as (profile, figure, axes):
    ...     line = axes.plot([0, 1], [0, 1])
    """
    with style.context(profile) as profile:
        figure = style.new_figure(profile) if axes is None else axes.figure
        yield profile, figure, figure.add_subplot() if axes is None else axes
        if axes is None:
            style.fix_layout(figure)
            spread_labels(figure)


def name_lines(axes, profile, lines, names):
    """Name lines at their right ends, or below the figure where it is narrow.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        Where the lines are.
    profile : str or Profile
        The profile of the figure.
    lines : sequence of matplotlib.lines.Line2D
        The lines, each with at least one point.
    names : sequence of str
        Their names, in the same order.

    Returns
    -------
    list of matplotlib.text.Text
        The labels.

    See Also
    --------
    spread : how labels at the ends are kept apart

    Notes
    -----
    Source: common practice, no source. Notebook: 09_figures.

    Examples
    --------
    >>> with draw("page") as (profile, figure, axes):
    ...     labels = name_lines(axes, profile, axes.plot([0, 1], [0, 1]), ["a line"])
    >>> labels[0].get_text()
    'a line'
    """
    profile = style.as_profile(profile)
    if profile.narrow:
        return _legend_below(axes.figure, profile, list(lines), list(names))
    labels = []
    for line, name in zip(lines, names, strict=True):
        end = _last_shown(line)
        label = axes.annotate(
            name,
            end,
            xytext=(1.04, end[1]),
            textcoords=axes.get_yaxis_transform(),
            va="center",
            fontsize=profile.text_pt,
            color=profile.ground.text,
            annotation_clip=False,
            arrowprops={
                "arrowstyle": "-",
                "color": line.get_color(),
                "shrinkA": 1,
                "shrinkB": 0,
                "linewidth": profile.line_pt / 3,
                "linestyle": line.get_linestyle(),
            },
        )
        labels.append(label)
    axes.end_labels = labels
    return labels


def _last_shown(line):
    """Where a line ends, or leaves the chart at its top or bottom."""
    low, high = sorted(line.axes.get_ylim())
    points = line.get_xydata()
    shown = points[(points[:, 1] >= low) & (points[:, 1] <= high)]
    return shown[-1] if shown.size else np.clip(points[-1], (-np.inf, low), (np.inf, high))


def _legend_below(figure, profile, lines, names):
    """Name lines at the foot of a narrow figure, and make room there."""
    inside = 72 * profile.width_in * (1 - 2 * profile.safe) / profile.text_pt
    legend = figure.legend(
        lines,
        names,
        loc="lower left",
        bbox_to_anchor=(profile.safe, profile.floor),
        ncols=int(max(1, min(len(names), inside // (4.2 + 0.6 * max(map(len, names)))))),
        borderpad=0.1,
        borderaxespad=0,
        handlelength=2.4,
        columnspacing=1.2,
        labelspacing=0.35,
    )
    legend.set_in_layout(False)
    gap = 0.6 * profile.text_pt / 72 / profile.height_in
    height = gap + legend.get_window_extent(figure.canvas.get_renderer()).height / figure.bbox.height
    engine = figure.get_layout_engine()
    if isinstance(engine, ConstrainedLayoutEngine):
        left, bottom, width, high = engine.get()["rect"]
        engine.set(rect=(left, bottom + height, width, high - height))
    return list(legend.get_texts())


def spread(wanted, height, low, high):
    """Move labels as little as possible so that none lies over another.

    Parameters
    ----------
    wanted : array_like, shape (n,)
        Heights at which the labels would like to stand.
    height : float
        Room that each one needs.
    low, high : float
        Lowest and greatest height.

    Returns
    -------
    numpy.ndarray, shape (n,)
        Heights, at least `height` apart, with the least sum of squared moves.

    Notes
    -----
    Source: isotonic regression by pooling neighbors (Barlow and others 1972).
    Notebook: 09_figures.

    Examples
    --------
    >>> spread([5, 5, 9], 2, 0, 10)
    array([4., 6., 9.])
    """
    wanted = np.asarray(wanted, dtype=float)
    order = np.argsort(wanted, kind="stable")
    steps = height * np.arange(wanted.size)
    pools = []
    for value in wanted[order] - steps:
        pools.append([value, 1])
        while len(pools) > 1 and pools[-2][0] > pools[-1][0]:
            (upper, many), (lower, few) = pools.pop(), pools.pop()
            pools.append([(upper * many + lower * few) / (many + few), many + few])
    moved = np.repeat([value for value, _ in pools], [count for _, count in pools])
    placed = np.empty_like(wanted)
    placed[order] = np.clip(moved, low, max(low, high - steps[-1])) + steps
    return placed


def spread_labels(figure):
    """Keep the labels at line ends apart, once the layout is settled.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        A settled figure whose lines were named by `name_lines`.

    See Also
    --------
    name_lines : makes the labels

    Notes
    -----
    Source: `spread`. Notebook: 09_figures.

    Examples
    --------
    >>> with draw("page") as (profile, figure, axes):
    ...     labels = name_lines(axes, profile, axes.plot([0, 1], [[0, 0], [1, 1]]), ["one", "other"])
    >>> spread_labels(figure)  # `draw` has done so already; twice does no harm
    >>> bool(labels[0].get_position()[1] < labels[1].get_position()[1])
    True
    """
    renderer = figure.canvas.get_renderer()
    for axes in figure.axes:
        labels = getattr(axes, "end_labels", [])
        if labels:
            bottom, top = axes.get_window_extent(renderer).intervaly
            wanted = axes.transData.transform([label.xy for label in labels])[:, 1]
            height = 1.06 * max(Text.get_window_extent(label, renderer).height for label in labels)
            middle = spread(np.clip(wanted, bottom, top), height, bottom, top)
            for label, place in zip(labels, (middle - bottom) / (top - bottom), strict=True):
                label.set_position((1.04, place))
                label.anncoords = axes.transAxes


# ---------------------------------------------------------------- pictures without axes


class Sketch:
    """A sheet whose unit of length is the size of its type, with boxes, arrows and words.

    Made by `sketch`. All places are in type sizes from the lower left corner; `at` turns
    shares of the sheet into them. On wide sheets the type is larger than that of charts.
    """

    def __init__(self, axes, profile):
        self.axes, self.profile = axes, profile
        box = axes.get_window_extent()
        width, height = np.array([box.width, box.height]) * 72 / axes.figure.dpi
        self.type_pt = max(profile.text_pt, min(1.4 * profile.text_pt, width / 33))
        self.width, self.height = width / self.type_pt, height / self.type_pt
        axes.set(xlim=(0, self.width), ylim=(0, self.height))
        axes.set_axis_off()

    def at(self, across, up):
        """Turn shares of width and height into a place on the sheet."""
        return np.array([across * self.width, up * self.height])

    def words(self, place, text, *, ha="center", va="center"):
        """Write words at a place, centered unless told otherwise."""
        return self.axes.text(
            *place,
            text,
            ha=ha,
            va=va,
            linespacing=1.1,
            zorder=5,
            fontsize=self.type_pt,
            color=self.profile.ground.text,
        )

    def box(self, place, text="", *, size=(7.6, 2.8), color=0):
        """Draw a plain box around a text."""
        corner = np.asarray(place) - np.asarray(size) / 2
        patch = Rectangle(corner, *size, zorder=2, **self._outline(color))
        self.axes.add_patch(patch)
        if text:
            self.words(place, text)
        return patch

    def disk(self, place, radius, *, color=0):
        """Draw a circle, `radius` in type sizes."""
        patch = Circle(place, radius, zorder=3, **self._outline(color))
        self.axes.add_patch(patch)
        return patch

    def _outline(self, color):
        ground = self.profile.ground
        return {
            "facecolor": ground.fill,
            "edgecolor": ground.colors[color],
            "linewidth": self.profile.line_pt * 0.8,
        }

    def line(self, points, *, color=0, arrow=False, both=False, dashed=False):
        """Draw a line through points in type sizes, with an arrow head at its end if asked."""
        head = "<|-|>" if both else "-|>" if arrow else "-"
        patch = FancyArrowPatch(
            path=Path(points),
            arrowstyle=head,
            mutation_scale=self.type_pt * 0.9,
            zorder=1.5,
            color=self.profile.ground.colors[color],
            linewidth=self.profile.line_pt,
            capstyle="butt",
            joinstyle="miter",
            linestyle=(0, (4, 1.5)) if dashed else "-",
            shrinkA=0,
            shrinkB=0,
        )
        self.axes.add_patch(patch)
        return patch


@contextlib.contextmanager
def sketch(profile, axes=None):
    """Open a sheet for a picture made of boxes, arrows and words.

    Parameters
    ----------
    profile : str or Profile
        The profile of the figure.
    axes : matplotlib.axes.Axes, optional
        Axes of the reader's own figure.

    Yields
    ------
    tuple
        (profile, figure, `Sketch`).

    See Also
    --------
    draw : the same for charts

    Notes
    -----
    Source: common practice, no source. Notebook: 09_figures.

    Examples
    --------
    >>> with sketch("page") as (profile, figure, sheet):
    ...     box = sheet.box(sheet.at(0.5, 0.5), "tape")
    """
    with style.context(profile) as profile:
        if axes is None:
            figure = style.new_figure(profile)
            figure.set_layout_engine("none")
            inside = (profile.safe, profile.floor, 1 - 2 * profile.safe, 1 - profile.safe - profile.floor)
            axes = figure.add_axes(inside)
        yield profile, axes.figure, Sketch(axes, profile)


AUDIBLE = (20.0, 20e3)
_GRID = np.geomspace(*AUDIBLE, 400)
_HOUSE = "common practice, no source"


def _f_axis(axes, profile, symbols_only):
    style.frequency_axis(axes, profile, low=AUDIBLE[0], high=AUDIBLE[1])
    return axis_label("frequency", "$f$", "Hz", symbols_only=symbols_only)


#: Where a note stands beside its point: shift in type sizes, and which side of it is held.
_SIDES = {
    "right": ((0.7, 0), "left", "center"),
    "left": ((-0.8, 0), "right", "center"),
    "lower right": ((0.7, -0.9), "left", "center"),
    "upper right": ((0.6, 0.7), "left", "center"),
    "upper left": ((-0.7, 0.7), "right", "center"),
    "below": ((0, -0.8), "center", "top"),
    "above": ((0, 0.8), "center", "bottom"),
}


def _note(axes, profile, place, text, side):
    """Write a few words beside a point."""
    shift, ha, va = _SIDES[side]
    return axes.annotate(
        text,
        place,
        xytext=tuple(profile.text_pt * s for s in shift),
        textcoords="offset points",
        ha=ha,
        va=va,
        fontsize=profile.text_pt,
        linespacing=1.0,
        color=profile.ground.text,
        annotation_clip=False,
    )


def _minus(text):
    """Set a true minus sign before numbers."""
    return text.replace("-", "\N{MINUS SIGN}")


def _spelled(unit):
    """Spell out the one unit that reads as another word."""
    return "inches" if unit == "in" else unit


def _and(texts):
    """Join texts as in a sentence."""
    *most, last = list(texts) or [""]
    return f"{', '.join(most)} and {last}" if most else last
