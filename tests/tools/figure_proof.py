"""What is wrong with a figure, by geometry and by color: text over lines, ink outside, too few samples ..."""

from __future__ import annotations

import itertools
import math

import numpy as np
from figure_texts import shown_texts, text_problems
from matplotlib.colors import to_hex, to_rgba
from matplotlib.lines import Line2D
from matplotlib.patches import PathPatch
from matplotlib.text import Text

from tapecalc.calc.units import from_si
from tapecalc.plot import style
from tapecalc.plot.loop import OUTLINE

LEAST_FILLED = 0.7  # of the height and of the width that a picture may fill
LEAST_PER_TURN = 20  # samples from one peak of a curve to the next but one
CAPITAL = 0.714  # over the size of the type; another test reads it from the font
#: Source: ISO 9241-303 (from memory): at least 16 arcmin; what is said quietly, 12, our choice.
LEAST_ARCMIN, LEAST_NOTE_ARCMIN = 16.0, 12.0
MOST_WORDS = 8


def problems(drawn, profile):
    """Everything that a proofreader of pictures would mark."""
    profile, figure = style.as_profile(profile), drawn.figure
    found = [f"text: {one}" for one in text_problems(figure, profile)]
    found += [f"text over a line: {one}" for one in texts_over_lines(figure)]
    found += [f"run together: {one}" for one in run_together(figure)]
    found += markers_outside(figure) + few_samples(figure) + strange_colors(figure, profile)
    found += head_problems(drawn, profile) + ink_problems(figure, profile) + small_type(figure, profile)
    return found


def run_together(figure):
    """Pairs of texts in one row with less than a quarter of their height between them: they read as one."""
    found = []
    texts = [(text, box) for text, box in shown_texts(figure) if "\n" not in text]
    for (one, first), (other, second) in itertools.permutations(texts, 2):
        low, high = sorted((first.height, second.height))
        in_row = high < 1.6 * low and abs(first.y0 + first.y1 - second.y0 - second.y1) < low  # none is turned
        if in_row and 0 <= second.x0 - first.x1 < 0.25 * low:
            found.append((one, other))
    return found


def _data_lines(figure):
    return [
        line
        for axes in figure.axes
        for line in axes.lines
        if line.get_visible() and len(line.get_xdata()) and line.get_alpha() != 0
    ]


def texts_over_lines(figure):
    """Texts without a plate through which a drawn line or wire runs."""
    shown_texts(figure)
    renderer, over, ways = figure.canvas.get_renderer(), [], []
    for line in _data_lines(figure):
        if line.get_linestyle() not in ("None", "none", " ", ""):
            data = np.column_stack([np.atleast_1d(values) for values in line.get_data()])
            ways.append((line, line.get_transform().transform(data.astype(float))))
    for axes in figure.axes:
        for wire in axes.patches:
            if isinstance(wire, PathPatch) and wire.get_visible() and not wire.get_fill():
                ways.append((wire, wire.get_transform().transform(wire.get_path().vertices)))
    for text in figure.findobj(Text):
        if not text.get_visible() or not text.get_text().strip() or text.get_bbox_patch() is not None:
            continue
        box = Text.get_window_extent(text, renderer)
        pad = np.array([0.1 * box.width, 0.25 * box.height])
        for artist, way in ways:
            low, high = box.min + pad, box.max - pad
            if artist.get_clip_on():
                seen = artist.axes.get_window_extent()
                low, high = np.maximum(low, seen.min), np.minimum(high, seen.max)
            if np.all(low < high) and _meets(way, low, high):
                over.append(text.get_text())
                break
    return over


def _meets(way, low, high):
    """Whether a way of straight parts runs through a box."""
    way = way[np.all(np.isfinite(way), axis=1)]
    starts, steps = way[:-1], np.diff(way, axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        first, second = (low - starts) / steps, (high - starts) / steps
    inside = (starts >= low) & (starts <= high)
    enter = np.where(steps == 0, np.where(inside, -np.inf, np.inf), np.minimum(first, second)).max(axis=1)
    leave = np.where(steps == 0, np.where(inside, np.inf, -np.inf), np.maximum(first, second)).min(axis=1)
    return bool(np.any(np.maximum(enter, 0) <= np.minimum(leave, 1)))


def markers_outside(figure):
    """Points that are marked, and lie off their axes by more than a pixel."""
    found = []
    for line in _data_lines(figure):
        if line.get_marker() in ("None", "none", " ", "", None) or not line.axes.axison:
            continue
        box = line.axes.get_window_extent()
        points = line.get_transform().transform(np.asarray(line.get_xydata(), dtype=float))
        outside = np.any((points < box.min - 1) | (points > box.max + 1), axis=1)
        if outside.any():
            found.append(f"marker off the axis at {np.asarray(line.get_xydata())[outside][0].tolist()}")
    return found


def few_samples(figure):
    """Curves that turn more often than their points can show."""
    found = []
    for line in _data_lines(figure):
        if line.get_linestyle() in ("None", "none", " ", "") or line.get_label() == OUTLINE:
            continue
        points = line.get_transform().transform(np.asarray(line.get_xydata(), dtype=float))
        rises = np.sign(np.diff(points[:, 1]))[np.abs(np.diff(points[:, 1])) > 0.5]
        turns = int(np.count_nonzero(np.diff(rises)))
        if turns > 4 and 2 * len(points) / turns < LEAST_PER_TURN:
            found.append(f"{2 * len(points) / turns:.0f} points from peak to peak of {line.get_label()}")
    return found


def strange_colors(figure, profile):
    """Colors of lines, texts and faces that are none of the ground's."""
    ground = profile.ground
    known = {to_hex(ground.role(name)) for name in (*style.ROLES, *"text frame grid fill ribbon".split())}
    known |= {to_hex(ground.face)} | {to_hex(c) for n in range(1, 33) for c in style.sequence(profile, n)}
    off = [axis for axes in figure.axes if not axes.axison for axis in (axes.xaxis, axes.yaxis)]
    hidden = {artist for axis in off for artist in axis.findobj()}
    used = {}
    for artist in set(figure.findobj()) - hidden:
        empty = isinstance(artist, Text) and not artist.get_text().strip()
        if not artist.get_visible() or artist.get_alpha() == 0 or artist is figure.patch or empty:
            continue
        for name in ("color", "markerfacecolor", "facecolor", "edgecolor"):
            get = getattr(artist, f"get_{name}", None)
            if get is None or (isinstance(artist, Line2D) and not len(artist.get_xdata())):
                continue
            colors = get()
            for color in colors if isinstance(colors, np.ndarray) and colors.ndim == 2 else [colors]:
                try:
                    *_, opacity = to_rgba(color)
                except (ValueError, TypeError):
                    continue
                if opacity:
                    used.setdefault(to_hex(color), type(artist).__name__)
    return [f"color {color} of a {kind}" for color, kind in used.items() if color not in known]


def head_problems(drawn, profile):
    """A title of few words, one number as large as a title, and no legends."""
    found, texts = [], {text.get_gid(): text for text in drawn.figure.texts if text.get_gid()}
    if not drawn.title or len(drawn.title.split()) > MOST_WORDS:
        found.append(f"title: {drawn.title!r}")
    if "number" not in texts or not any(c.isdigit() for c in texts["number"].get_text()):
        found.append("no number")
    large = [
        text.get_text()
        for text in drawn.figure.findobj(Text)
        if text.get_text().strip()
        and text.get_visible()
        and text.get_size() > 1.2 * profile.text_pt
        and text.get_gid() not in ("title", "number")
        and text.axes is None
    ]
    return (
        found
        + [f"as large as the title: {one}" for one in large]
        + ["a legend" for axes in drawn.figure.axes if axes.get_legend() is not None]
    )


def ink_problems(figure, profile):
    """Ink on the very edge, and pictures that leave too much of their place empty."""
    figure.draw_without_rendering()
    figure.canvas.draw()
    pixels = np.asarray(figure.canvas.buffer_rgba()).astype(int)
    ink = np.abs(pixels - pixels[0, 0]).max(axis=2) > 8
    found = (
        ["ink on the edge"] if any(side.any() for side in (ink[0], ink[-1], ink[:, 0], ink[:, -1])) else []
    )
    down, across = (np.flatnonzero(ink.any(axis=axis)) for axis in (1, 0))
    left, bottom, width, height = profile.inside
    filled = (np.ptp(across) + 1) / ink.shape[1] / width, (np.ptp(down) + 1) / ink.shape[0] / height
    return found + [
        f"fills {share:.0%} of its {side}"
        for share, side in zip(filled, ("width", "height"), strict=True)
        if share < LEAST_FILLED
    ]


def small_type(figure, profile):
    """Texts that cannot be read from where the profile is seen."""
    found = []
    for text in figure.findobj(Text):
        if not text.get_visible() or not text.get_text().strip():
            continue
        tall = CAPITAL * text.get_size() / 72 / profile.width_in * profile.shown_mm
        angle = from_si(math.atan(tall / profile.seen_mm), "arcmin")
        least = LEAST_ARCMIN if text.get_size() > 0.9 * profile.text_pt else LEAST_NOTE_ARCMIN
        if angle < least:
            found.append(f"{text.get_text()!r} is {angle:.1f} arcmin tall")
    return found
