"""What a test looks at in a panel: the ends of its controls, and what lies over what."""

import re
from functools import cache

import numpy as np
import pytest
from matplotlib.text import Text
from matplotlib.transforms import Bbox


@cache
def _made(make):
    panel = make()
    panel.strict = True
    return panel


def strict(make):
    """The panel that a function makes, as at first; it raises what goes wrong in it."""
    panel = _made(make)
    panel.reset()
    return panel


def panel_fixture(make):
    """A fixture with the panel that a function makes."""
    return pytest.fixture(lambda: strict(make))


def ends(control):
    """Both ends of a slider, or every option of a list."""
    return tuple(value for _, value in control.options) or (control.low, control.high)


def said(panel):
    """The numbers of a panel in words."""
    return panel.readout, tuple(panel.table.items())


def collisions(panel):
    """Text and name of the moving artist for every text that one touches in the present picture."""
    renderer = panel.figure.canvas.get_renderer()
    names = {id(artist): name for name, part in panel.artists.items() for artist in np.ravel([part])}
    texts = panel.figure.findobj(
        lambda one: isinstance(one, Text) and one.get_visible() and one.get_text().strip()
    )
    return tuple(
        (text.get_text(), names[id(artist)])
        for artist in panel.moving
        for text in texts  # without the leader that an annotation may have
        if artist is not text and _touches(artist, Text.get_window_extent(text, renderer), renderer)
    )


def _touches(artist, box, renderer):
    """Whether what is drawn of an artist reaches into a box on the canvas."""
    if artist.get_clip_on() and artist.get_clip_box() is not None:
        box = Bbox.intersection(box, artist.get_clip_box())
    if box is None or not artist.get_visible():
        return False
    if hasattr(artist, "get_path") and hasattr(artist, "get_transform"):
        path = artist.get_transform().transform_path(artist.get_path())
        return path.vertices.size > 0 and path.intersects_bbox(box, filled=hasattr(artist, "get_facecolor"))
    if hasattr(artist, "get_paths"):
        paths = map(artist.get_transform().transform_path, artist.get_paths())
        return any(path.intersects_bbox(box, filled=True) for path in paths)
    extent = artist.get_window_extent(renderer)
    return extent.width * extent.height > 0 and extent.overlaps(box)


def unsound(panel):
    """Numbers that are none, in words or in what is drawn, and what moves over words."""
    text = " ".join([panel.readout, *panel.table.values()])
    found = (
        [f"says {text!r}"] if re.search(r"(?i)(?<![a-z])[-+]?(nan|inf(inity)?|none)(?![a-z])", text) else []
    )
    if not all(np.all(np.isfinite(part)) for part in _data(panel)):
        found.append("draws a number that is not finite")
    return found + [f"{name} lies over {text!r}" for text, name in collisions(panel) if name != "paper"]


def _data(panel):
    """Coordinates of every moving artist, and the limits of the axes."""
    for artist in panel.moving:
        for getter in ("get_xydata", "get_xy", "get_position", "get_extents"):
            if hasattr(artist, getter):
                yield np.asarray(getattr(artist, getter)(), dtype=float)
        for path in artist.get_paths() if hasattr(artist, "get_paths") else []:
            yield np.asarray(path.vertices, dtype=float)
    for axes in panel.figure.axes:
        yield np.array([*axes.get_xlim(), *axes.get_ylim()])
