"""Patches: which socket goes where, for mixers with and without sends, and what each track does.

A patch is data, boxes on a grid and arrows between them; one function draws them
all. Dashed arrows are the ways that close a loop.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.patches import Rectangle

from tapecalc.calc.quantity import known_name, positive, single, whole
from tapecalc.calc.standards import TRACK_WIDTHS
from tapecalc.plot.kit import Drawn, length_text, sketch

__all__ = [
    "PATCHES",
    "Patch",
    "patch_diagram",
    "track_map",
]


#: Width of quarter-inch tape, m. Source: IEC 60094-5, Amendment 1 (6.30 mm).
TAPE_WIDTH = 6.30e-3

BOX = (5.9, 2.9)  # along and up, in type sizes
SMALL_BOX = (2.4, 2.2)  # with a number instead of words
DISK = 1.0
ARROW = 1.0  # the shortest arrow between two boxes
MARGIN = 0.35  # between the outermost boxes and the edge of the sheet


@dataclass(frozen=True, kw_only=True)
class Patch:
    """One patch: boxes on a grid, arrows between them, and what to say about it.

    Attributes
    ----------
    title : str
        What it is for.
    boxes : dict
        Place of each box, (column, row), by its name; a name that begins with ``"+"`` is a
        place where signals are added.
    arrows : tuple
        (from, to, corners): the corners in between are places on the grid.
    back : frozenset
        The arrows (from, to) that are dashed.
    notes : tuple
        (text, place) of words beside arrows.
    machine : frozenset
        The boxes that belong to the tape machine.
    caption, alt : str
        What to say below the picture, and to those who cannot see it.
    """

    title: str
    boxes: dict[str, tuple[float, float]]
    arrows: tuple[tuple[str, str, tuple[tuple[float, float], ...]], ...]
    back: frozenset[tuple[str, str]]
    notes: tuple[tuple[str, tuple[float, float]], ...]
    machine: frozenset[str]
    caption: str
    alt: str

    @property
    def size(self):
        """Last column and last row of the grid."""
        places = np.array(list(self.boxes.values()))
        return tuple(places.max(axis=0).tolist())


#: The patches by name.
PATCHES = {
    "sends": Patch(
        title="A mixer with sends",
        boxes={
            "voice": (0, 0),
            "channel 1": (1, 0),
            "+ main": (2, 0),
            "limiter,\nspeakers": (3, 0),
            "+ send": (1, 1),
            "channel 2": (2, 1),
            "tape\nmachine": (1, 2),
        },
        arrows=(
            ("voice", "channel 1", ()),
            ("channel 1", "+ main", ()),
            ("+ main", "limiter,\nspeakers", ()),
            ("channel 1", "+ send", ()),
            ("+ send", "tape\nmachine", ()),
            ("tape\nmachine", "channel 2", ((2, 2),)),
            ("channel 2", "+ main", ()),
            ("channel 2", "+ send", ()),
        ),
        back=frozenset({("channel 2", "+ send")}),
        notes=(("input\nsend", (0.72, 0.56)), ("return\nsend", (1.47, 0.7))),
        machine=frozenset({"tape\nmachine"}),
        caption="A mixer with sends: channel 2 sets how loud the echo is heard, its send (dashed) how much "
        "goes back. Take the send before the fader, and the two are independent. Plug the speakers in last.",
        alt="Block diagram: the voice enters channel 1, which feeds the main output and, by its input send, "
        "the tape machine; the machine returns on channel 2, which feeds the main output too; one dashed "
        "arrow, the return send, leads from channel 2 back to the send.",
    ),
    "one bus": Patch(
        title="One bus for everything",
        boxes={
            "voice": (0, 0),
            "channel 1": (1, 0),
            "+ main": (2, 0),
            "limiter,\nspeakers": (3, 0),
            "channel 2": (1, 1),
            "tape\nmachine": (1, 2),
        },
        arrows=(
            ("voice", "channel 1", ()),
            ("channel 1", "+ main", ()),
            ("+ main", "limiter,\nspeakers", ()),
            ("+ main", "tape\nmachine", ((2.43, 0), (2.43, 2))),
            ("tape\nmachine", "channel 2", ((0, 2), (0, 1))),
            ("channel 2", "+ main", ((2, 1),)),
        ),
        back=frozenset({("channel 2", "+ main")}),
        notes=(("main output,\nsplit", (2.88, 1.1)),),
        machine=frozenset({"tape\nmachine"}),
        caption="No sends, one bus: the main output is split and feeds the machine too. The fader of channel "
        "2 is both how loud the echo is heard and how much goes back: as loud as the voice, it howls.",
        alt="Block diagram: the main output, which adds channel 1 and channel 2, feeds the speakers and the "
        "tape machine; the machine returns on channel 2; the dashed arrow from channel 2 to the main output "
        "closes the loop, so that what is heard is also what goes back.",
    ),
    "pan": Patch(
        title="The pan as a send",
        boxes={
            "voice": (0, 0),
            "channel 1": (1, 0),
            "+ left": (2, 0),
            "limiter,\nspeakers": (3, 0),
            "channel 2": (1, 1),
            "+ right": (2, 1),
            "tape\nmachine": (1, 2),
        },
        arrows=(
            ("voice", "channel 1", ()),
            ("channel 1", "+ left", ()),
            ("+ left", "limiter,\nspeakers", ()),
            ("channel 1", "+ right", ()),
            ("channel 2", "+ left", ()),
            ("channel 2", "+ right", ()),
            ("+ right", "tape\nmachine", ((2, 2),)),
            ("tape\nmachine", "channel 2", ((0, 2), (0, 1))),
        ),
        back=frozenset({("channel 2", "+ right")}),
        notes=(("right output:\nto the machine", (2.75, 1.6)), ("left output:\nheard", (2.75, 0.55))),
        machine=frozenset({"tape\nmachine"}),
        caption="No sends, but a stereo output: listen to the left, feed the machine from the right. Channel "
        "1 stands in the middle; the pan of channel 2 is the return send: left is none, right is all.",
        alt="Block diagram: channels 1 and 2 both feed a left and a right output; the left one goes to the "
        "speakers, the right one to the tape machine, which returns on channel 2; the dashed arrow from "
        "channel 2 to the right output is the return send, set by the pan.",
    ),
    "stereo": Patch(
        title="Stereo, each side for itself",
        boxes={
            "voice,\nchannel 1": (0, 1),
            "+ send L": (1, 0),
            "+ send R": (1, 2),
            "track\nleft": (2, 0),
            "track\nright": (2, 2),
            "channel 2": (3, 0),
            "channel 3": (3, 2),
            "main\nleft": (4, 0),
            "main\nright": (4, 2),
        },
        arrows=(
            ("voice,\nchannel 1", "+ send L", ((0, 0),)),
            ("voice,\nchannel 1", "+ send R", ((0, 2),)),
            ("+ send L", "track\nleft", ()),
            ("+ send R", "track\nright", ()),
            ("track\nleft", "channel 2", ()),
            ("track\nright", "channel 3", ()),
            ("channel 2", "main\nleft", ()),
            ("channel 3", "main\nright", ()),
            ("channel 2", "+ send L", ((3, 0.72), (1, 0.72))),
            ("channel 3", "+ send R", ((3, 1.28), (1, 1.28))),
        ),
        back=frozenset({("channel 2", "+ send L"), ("channel 3", "+ send R")}),
        notes=(("return sends", (2, 1)),),
        machine=frozenset({"track\nleft", "track\nright"}),
        caption="Stereo on two tracks of one machine, each side with a loop of its own (the dry way of the "
        "voice to the main output is not drawn). Both loops have the same delay and each its own margin.",
        alt="Block diagram in two rows: left send, left track, channel 2 and left output; right send, right "
        "track, channel 3 and right output; channel 1 feeds both sends, and in each row a dashed arrow leads "
        "from the return channel back to the send of the same side.",
    ),
    "crossed": Patch(
        title="Stereo, crossed returns",
        boxes={
            "voice,\nchannel 1": (0, 0),
            "+ send L": (1, 0),
            "+ send R": (1, 2),
            "track\nleft": (2, 0),
            "track\nright": (2, 2),
            "channel 2": (3, 0),
            "channel 3": (3, 2),
            "main\nleft": (4, 0),
            "main\nright": (4, 2),
        },
        arrows=(
            ("voice,\nchannel 1", "+ send L", ()),
            ("+ send L", "track\nleft", ()),
            ("+ send R", "track\nright", ()),
            ("track\nleft", "channel 2", ()),
            ("track\nright", "channel 3", ()),
            ("channel 2", "main\nleft", ()),
            ("channel 3", "main\nright", ()),
            ("channel 2", "+ send R", ((3, 0.72), (1, 1.28))),
            ("channel 3", "+ send L", ((3, 1.28), (1, 0.72))),
        ),
        back=frozenset({("channel 2", "+ send R"), ("channel 3", "+ send L")}),
        notes=(("return sends\ncross over", (3.6, 1)),),
        machine=frozenset({"track\nleft", "track\nright"}),
        caption="Stereo with crossed returns: the voice is sent to the left only, each repeat changes sides. "
        "Once round is now two passes over the tape, so the two return sends multiply.",
        alt="Block diagram in two rows, left and right; channel 1 feeds the left send only; two dashed "
        "arrows cross over, from channel 2 on the left to the right send and from channel 3 on the right to "
        "the left send.",
    ),
    "monitor": Patch(
        title="Source or tape",
        boxes={
            "line in": (0, 0),
            "switch": (3, 0),
            "line out": (4, 0),
            "record\nhead": (1, 1),
            "tape": (2, 1),
            "playback\nhead": (3, 1),
        },
        arrows=(
            ("line in", "switch", ()),
            ("line in", "record\nhead", ((0, 1),)),
            ("record\nhead", "tape", ()),
            ("tape", "playback\nhead", ()),
            ("playback\nhead", "switch", ()),
            ("switch", "line out", ()),
        ),
        back=frozenset({("line in", "switch")}),
        notes=(("source: no delay", (1.5, 0.25)), ("tape", (3.32, 0.5))),
        machine=frozenset({"line in", "switch", "line out", "record\nhead", "tape", "playback\nhead"}),
        caption="The monitor switch inside the machine. At TAPE the line output plays what the playback head "
        "reads; at SOURCE (dashed) it plays the line input: no delay, no echo, and with the return send up a "
        "loop without tape.",
        alt="Block diagram of a tape machine: from the line input one way leads over record head, tape and "
        "playback head to a switch, the other, dashed and labeled source, leads straight to the same switch, "
        "which feeds the line output.",
    ),
}


def patch_diagram(name, *, profile="notebook", symbols_only=False, axes=None):
    """Draw one patch.

    Parameters
    ----------
    name : str
        A key of `PATCHES`.
    profile : str or Profile, optional
        Size and ground.
    symbols_only : bool, optional
        Number the boxes, in the order of `Patch.boxes`, instead of naming them; upright sheets
        have numbers too, and a key below.
    axes : matplotlib.axes.Axes, optional
        Axes of the reader's own figure.

    Returns
    -------
    Drawn
        The figure; its artists are the arrows by (from, to).

    Raises
    ------
    ValueError
        If there is no such patch; the error names the nearest.

    See Also
    --------
    track_map : what the tracks of the tape do

    Notes
    -----
    Source: common practice, no source. Notebook: 07_patching.

    Examples
    --------
    >>> len(patch_diagram("sends").artists)
    8
    """
    patch = PATCHES[known_name("patch", name, PATCHES)]
    with sketch(profile, axes) as (profile, figure, sheet):
        numbered = symbols_only or sheet.height > sheet.width
        grid = _Grid(sheet, patch, numbered)
        for number, (box, place) in enumerate(patch.boxes.items(), 1):
            spot, color = grid.spot(place), 1 if box in patch.machine else 0
            if box.startswith("+"):
                sheet.disk(spot, DISK)
                if not numbered:
                    _name_sum(sheet, spot, box.removeprefix("+ "), place[1] == patch.size[1])
            else:
                sheet.box(spot, size=grid.box, color=color)
            word = str(number) if numbered else "+" if box.startswith("+") else box
            sheet.words(spot, word)
        arrows = {}
        for start, end, corners in patch.arrows:
            dashed = (start, end) in patch.back
            arrows[start, end] = sheet.line(
                grid.way(start, end, corners), arrow=True, dashed=dashed, color=2 if dashed else 0
            )
        if not numbered:
            for text, place in patch.notes:
                sheet.words(grid.spot(place), text)
        elif not symbols_only:
            _key(sheet, patch, grid.bottom)
    return Drawn(figure, arrows, patch.caption, patch.alt, ("common practice, no source",))


def _name_sum(sheet, spot, name, last):
    """Write the name of an adder below its circle, or above it in the last row, beside the arrow there."""
    side = -1 if not last else 1
    place = spot + np.array([0.5, side * (DISK + 0.45)])
    sheet.words(place, name, ha="left", va="top" if side < 0 else "bottom")


def _key(sheet, patch, top):
    """Say below a numbered picture what the numbers stand for."""
    for number, box in enumerate(patch.boxes, 1):
        words = box.replace("\n", " ").removeprefix("+ ")
        added = " (added up)" if box.startswith("+") else ""
        sheet.words((0.3, top - 1.35 * number), f"{number}  {words}{added}", ha="left")


class _Grid:
    """The grid of a patch on its sheet; boxes with numbers are small, and leave room for a key below."""

    def __init__(self, sheet, patch, numbered):
        self.patch = patch
        self.box = SMALL_BOX if numbered else self._wide_box(sheet.width, 1 + patch.size[0])
        half = np.array(self.box) / 2 + MARGIN
        high = min(sheet.height, 0.75 * sheet.width) if sheet.height > sheet.width else sheet.height
        self.step = (np.array([sheet.width, high]) - 2 * half) / patch.size
        self.corner = np.array([half[0], sheet.height - half[1]])
        self.bottom = sheet.height - high

    def _wide_box(self, width, columns):
        """A box for words that leaves room for an arrow beside it."""
        return min(BOX[0], (width - 2 * MARGIN - ARROW * (columns - 1)) / columns), BOX[1]

    def spot(self, place):
        """Where a place of the grid stands on the sheet."""
        column, row = place
        return self.corner + np.array([column, -row]) * self.step

    def way(self, start, end, corners):
        """The points of an arrow from the edge of one box to the edge of another."""
        boxes = self.patch.boxes
        middle = [self.spot(place) for place in (boxes[start], *corners, boxes[end])]
        first = middle[0] + self._reach(start, middle[1] - middle[0])
        last = middle[-1] + self._reach(end, middle[-2] - middle[-1])
        return [first, *middle[1:-1], last]

    def _reach(self, box, direction):
        """From the middle of a box to its edge, in the direction in which an arrow leaves or comes."""
        if box.startswith("+"):
            return direction / np.hypot(*direction) * DISK
        return direction * np.min(np.array(self.box) / 2 / np.maximum(np.abs(direction), 1e-12))


# ---------------------------------------------------------------- tracks across the tape


def track_map(
    *,
    width=TRACK_WIDTHS["quarter track"],
    tracks=4,
    recorded=(1,),
    turned=(2, 4),
    profile="notebook",
    symbols_only=False,
    axes=None,
):
    """Draw the tracks across a quarter-inch tape and what each of them does in the echo.

    Parameters
    ----------
    width : float, optional
        Width of one track, m.
    tracks : int, optional
        How many lie side by side, 1 to 4.
    recorded : tuple of int, optional
        The tracks that carry the echo, counted from 1 at the upper edge.
    turned : tuple of int, optional
        The tracks that are played when the reels are turned over.
    profile : str or Profile, optional
        Size and ground.
    symbols_only : bool, optional
        Write numbers only.
    axes : matplotlib.axes.Axes, optional
        Axes of the reader's own figure.

    Returns
    -------
    Drawn
        The figure; artists ``"tracks"`` are the strips, from the upper edge.

    Raises
    ------
    ValueError
        If the tracks do not fit side by side, or a number names no track.

    See Also
    --------
    patch_diagram : how the machine is wired

    Notes
    -----
    The strips are spread evenly from edge to edge; widths are to scale, gaps are not a
    standard's.

    Source: track widths in `standards.TRACK_WIDTHS`; which tracks belong together is common
    practice, no source. Notebook: 07_patching.

    Examples
    --------
    >>> track_map().caption
    '4 tracks of 1.1 mm on a 6.3 mm tape. The echo is on track 1; free: 3; of the other side: 2, 4.'
    """
    width = single("width", positive("width", width, "m"))
    count = whole("tracks", tracks, 1, 4)
    if width * count > TAPE_WIDTH:
        raise ValueError(f"width must let {count} tracks fit on {TAPE_WIDTH:g} m, got {width:g} m each")
    for name, numbers in (("recorded", recorded), ("turned", turned)):
        for number in numbers:
            whole(name, number, 1, count)
    free = [n for n in range(1, count + 1) if n not in recorded and n not in turned]
    says = dict.fromkeys(free, "free: silent, or a second loop")
    says |= dict.fromkeys(turned, "other side: old sound, backward")
    says |= dict.fromkeys(recorded, "the echo")
    with sketch(profile, axes) as (profile, figure, sheet):
        strips = _tracks_on_tape(sheet, width, count, says, recorded, turned, symbols_only)
    across, tape = length_text(width, "metric"), length_text(TAPE_WIDTH, "metric")
    caption = f"{count} tracks of {across} on a {tape} tape. The echo is on {_named(recorded)}"
    caption += f"; free: {', '.join(map(str, free))}" if free else ""
    caption += f"; of the other side: {', '.join(map(str, turned))}" if turned else ""
    each = "; ".join(f"{n}, {words}" for n, words in sorted(says.items()))
    return Drawn(
        figure,
        {"tracks": strips},
        caption + ".",
        f"Sketch of a tape seen from the front, {count} strips one below the other from edge to edge with an "
        f"arrow each for the direction in which it is played: {each}.",
        ("standards.TRACK_WIDTHS", "common practice, no source"),
    )


def _named(numbers):
    """Name one track or several."""
    return f"track{'s' if len(numbers) > 1 else ''} {' and '.join(map(str, numbers))}"


def _tracks_on_tape(sheet, width, count, says, recorded, turned, symbols_only):
    """The tape as a band across the sheet, its tracks as strips with arrows and words."""
    tall = sheet.height > sheet.width
    bottom, high = 0.16 * sheet.height, 0.68 * sheet.height
    tape = Rectangle(
        (0.1, bottom), sheet.width - 0.2, high, facecolor="none",
        edgecolor=sheet.profile.ground.frame, linewidth=sheet.profile.line_pt / 2,
    )  # fmt: skip
    sheet.axes.add_patch(tape)
    strip = high * width / TAPE_WIDTH
    pitch = (high - strip) / max(count - 1, 1)
    strips = []
    for number in range(1, count + 1):
        middle = bottom + high - strip / 2 - (number - 1) * pitch if count > 1 else bottom + high / 2
        color = 2 if number in recorded else 1 if number in turned else 0
        strips.append(sheet.box((sheet.width / 2, middle), size=(sheet.width - 0.4, strip), color=color))
        ends = [(1.9, middle), (4.4, middle)]
        arrow = sheet.line(ends[::-1] if number in turned else ends, arrow=True, color=color)
        arrow.set_zorder(4)  # on the strip, not below it
        sheet.words((1.1, middle), str(number))
        if not symbols_only:
            words = says[number].replace(": ", ":\n") if tall else says[number]
            sheet.words((5.2, middle), words, ha="left")
    if not symbols_only:
        sheet.words((0.2, 0.92 * sheet.height), "upper edge", ha="left")
        sheet.words((0.2, 0.08 * sheet.height), "lower edge", ha="left")
    return strips
