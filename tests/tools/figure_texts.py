"""Where the texts of a figure stand: outside of its safe area, or one over another."""

import itertools

import pytest
from matplotlib.text import Text

from tapecalc.plot import style

#: Each layout once: grounds do not change it, nor do the pixels of video_2160.
SIZES = sorted(name for name, p in style.PROFILES.items() if p.ground.name == "light" and p.dpi != 240)


def every_size(*daily):
    """Parameters for a test in every size; each day only in those named."""
    return [size if size in daily else pytest.param(size, marks=pytest.mark.weekly) for size in SIZES]


def shown_texts(figure):
    """Every text that is drawn, with its box on the canvas."""
    figure.draw_without_rendering()  # notes move to their places when drawn
    renderer = figure.canvas.get_renderer()
    hidden = set()
    for axes in figure.axes:
        for axis, limits in ((axes.xaxis, axes.get_xlim()), (axes.yaxis, axes.get_ylim())):
            low, high = min(limits), max(limits)
            slack = 1e-9 * (high - low)
            for tick in axis.get_major_ticks() + axis.get_minor_ticks():
                if not low - slack <= tick.get_loc() <= high + slack or not axes.axison:
                    hidden |= {tick.label1, tick.label2}
    found = figure.findobj(lambda artist: isinstance(artist, Text) and artist.get_text().strip() != "")
    return [
        (text.get_text(), Text.get_window_extent(text, renderer))
        for text in found
        if text not in hidden and text.get_visible()
    ]


def text_problems(figure, profile):
    """Texts outside the safe area of a profile, and pairs that lie over one another."""
    profile = style.as_profile(profile)
    width, height = figure.bbox.size
    left, right = profile.safe * width, (1 - profile.safe) * width
    bottom, top = profile.floor * height, (1 - profile.safe) * height
    texts = shown_texts(figure)
    outside = [
        text
        for text, box in texts
        if box.x0 < left - 1 or box.x1 > right + 1 or box.y0 < bottom - 1 or box.y1 > top + 1
    ]
    over = [
        (one, other)
        for (one, first), (other, second) in itertools.combinations(texts, 2)
        if first.x0 < second.x1 and second.x0 < first.x1 and first.y0 < second.y1 and second.y0 < first.y1
    ]
    return outside + over
