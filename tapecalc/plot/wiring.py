"""Patches: which socket goes where, for mixers with and without sends, and what each track does.

A patch is data (``patches.toml``), boxes on a grid and arrows between them; one function draws them all.
Dashed arrows are the ways that close a loop.
"""

import tomllib
from dataclasses import dataclass
from importlib import resources
from typing import Any

import numpy as np
from matplotlib.patches import Rectangle
from numpy.typing import NDArray

from tapecalc.calc.quantity import known_name, positive, single, whole
from tapecalc.calc.standards import TRACK_WIDTHS
from tapecalc.calc.units import to_si
from tapecalc.machine import Machine
from tapecalc.plot.kit import COMMON_PRACTICE, FIGURES, Canvas, Drawn, Entry, figure
from tapecalc.plot.sketch import Sketch
from tapecalc.words import length

#: Width of quarter-inch tape, m. Source: IEC 60094-5, Amendment 1 (6.30 mm).
TAPE_WIDTH = 6.30e-3
#: The narrowest track on such a tape, and where one counts as a half track and as a full track, m.
LEAST_TRACK, LEAST_HALF_TRACK, LEAST_FULL_TRACK = 0.9e-3, 1.5e-3, 3.1e-3
BOX = (5.9, 2.9)  # along and up, in type sizes
SMALL_BOX = (2.4, 2.2)  # with a number instead of words
DISK = 1.0
ARROW = 1.0  # the shortest arrow between two boxes
MARGIN = 0.35  # between the outermost boxes and the edge of the sheet

Place = tuple[float, float]  # column and row of the grid


@dataclass(frozen=True, kw_only=True)
class Patch:
    """One patch: boxes on a grid, arrows between them with the corners on their way, and words.

    The arrows in `back` are dashed, the boxes in `machine` belong to the tape machine; a name that
    begins with ``"+"`` is a place where signals are added.
    """

    title: str
    boxes: dict[str, Place]
    arrows: tuple[tuple[str, str, tuple[Place, ...]], ...]
    back: frozenset[tuple[str, str]]
    notes: tuple[tuple[str, Place], ...]
    machine: frozenset[str]
    cables: tuple[tuple[str, str, str, str], ...] = ()  # from box to box, and from socket to socket
    caption: str
    alt: str

    @property
    def size(self) -> Place:
        """Last column and last row of the grid."""
        last_column, last_row = np.max(list(self.boxes.values()), axis=0)
        return float(last_column), float(last_row)


def _patch(
    boxes: Any, arrows: Any, back: Any, notes: Any, machine: Any, cables: Any = (), **words: str
) -> Patch:
    return Patch(
        boxes={name: (column, row) for name, column, row in boxes},
        arrows=tuple((start, end, tuple(map(tuple, corners))) for start, end, *corners in arrows),
        back=frozenset(map(tuple, back)),
        notes=tuple((text, (column, row)) for text, column, row in notes),
        machine=frozenset(machine),
        cables=tuple(map(tuple, cables)),
        **words,
    )


_FILE = resources.files("tapecalc.plot").joinpath("patches.toml").read_text(encoding="utf-8")
#: The patches by name.
PATCHES = {name: _patch(**patch) for name, patch in tomllib.loads(_FILE).items()}


@figure()
def patch_diagram(canvas: Canvas, name: str) -> Drawn:
    """Draw one of the `PATCHES`; its artists are the arrows by (from, to).

    With symbols only, and on upright sheets, boxes have numbers in the order of `Patch.boxes`; upright
    sheets have a key below.
    """
    patch, sheet = PATCHES[known_name("patch", name, PATCHES)], canvas.sketch()
    numbered = canvas.symbols_only or sheet.height > sheet.width
    grid = _Grid(sheet, patch, numbered=numbered)
    for number, (box, place) in enumerate(patch.boxes.items(), 1):
        spot, added = grid.spot(place), box.startswith("+")
        if added:
            sheet.disk(spot, DISK)
        else:
            sheet.box(spot, size=grid.box, role="tape" if box in patch.machine else "dry")
        if added and not numbered:  # its name stands below it, in the last row above, beside the arrow there
            side = 1 if place[1] == patch.size[1] else -1
            beside = spot + np.array([0.5, side * (DISK + 0.45)])
            sheet.words(beside, box.removeprefix("+ "), ha="left", va="bottom" if side > 0 else "top")
        sheet.words(spot, str(number) if numbered else "+" if added else box)
    arrows = {}
    for start, end, corners in patch.arrows:
        dashed = (start, end) in patch.back
        points, role = grid.way(start, end, corners), "echo" if dashed else "dry"
        arrows[start, end] = sheet.line(points, arrows=1, dashed=dashed, role=role)
    if not numbered:
        for text, place in patch.notes:
            sheet.words(grid.spot(place), text)
    elif not canvas.symbols_only:
        for number, box in enumerate(patch.boxes, 1):
            words = box.replace("\n", " ").removeprefix("+ ")
            words += " (added up)" if box.startswith("+") else ""
            sheet.words((0.3, grid.bottom - 1.35 * number), f"{number}  {words}", ha="left")
    return Drawn(canvas.figure, arrows, patch.caption, patch.alt, (COMMON_PRACTICE,))


def _entry(name: str, patch: Patch) -> Entry:
    shows = f"a patch: {patch.title[0].lower()}{patch.title[1:]}"
    return Entry(patch_diagram, shows, lambda _: {"name": name})


FIGURES.update((f"patch_{name.replace(' ', '_')}", _entry(name, patch)) for name, patch in PATCHES.items())


class _Grid:
    """The grid of a patch on its sheet; boxes with numbers are small, and leave room for a key below."""

    def __init__(self, sheet: Sketch, patch: Patch, *, numbered: bool) -> None:
        self.patch = patch
        gaps = patch.size[0]  # a box for words leaves room for an arrow beside it
        widest = (sheet.width - 2 * MARGIN - ARROW * gaps) / (gaps + 1)
        self.box = SMALL_BOX if numbered else (min(BOX[0], widest), BOX[1])
        half = np.array(self.box) / 2 + MARGIN
        high = min(sheet.height, 0.75 * sheet.width) if sheet.height > sheet.width else sheet.height
        self.step = (np.array([sheet.width, high]) - 2 * half) / patch.size
        self.corner = np.array([half[0], sheet.height - half[1]])
        self.bottom = sheet.height - high

    def spot(self, place: Place) -> NDArray[np.float64]:
        """Where a place of the grid stands on the sheet."""
        column, row = place
        return self.corner + np.array([column, -row]) * self.step

    def way(self, start: str, end: str, corners: tuple[Place, ...]) -> list[NDArray[np.float64]]:
        """The points of an arrow from the edge of one box to the edge of another."""
        boxes = self.patch.boxes
        middle = [self.spot(place) for place in (boxes[start], *corners, boxes[end])]
        first = middle[0] + self._reach(start, middle[1] - middle[0])
        last = middle[-1] + self._reach(end, middle[-2] - middle[-1])
        return [first, *middle[1:-1], last]

    def _reach(self, box: str, direction: NDArray[np.float64]) -> NDArray[np.float64]:
        """From the middle of a box to its edge, in the direction in which an arrow leaves or comes."""
        if box.startswith("+"):
            return direction / np.hypot(*direction) * DISK
        return direction * np.min(np.array(self.box) / 2 / np.maximum(np.abs(direction), 1e-12))


def _tracks_of(machine: Machine) -> dict[str, Any]:
    """As many tracks as the standard that is nearest; on a loop none is played by turning reels over."""
    width = to_si(machine.heads.track_width_mm, "mm")
    tracks = 1 if width > LEAST_FULL_TRACK else 2 if width > LEAST_HALF_TRACK else 4
    turned = {1: (), 2: (2,), 4: (2, 4)}[tracks] if machine.loop_length is None else ()
    return {"width": width, "tracks": tracks, "turned": turned}


@figure(
    "which tracks the echo may use",
    _tracks_of,
    suits=lambda m: LEAST_TRACK <= to_si(m.heads.track_width_mm, "mm") <= TAPE_WIDTH,
    needs="a quarter-inch tape",
)
def tracks_on_tape(
    canvas: Canvas,
    *,
    width: float = TRACK_WIDTHS["quarter track"],
    tracks: int = 4,
    recorded: tuple[int, ...] = (1,),
    turned: tuple[int, ...] = (2, 4),
) -> Drawn:
    """Draw the tracks across a quarter-inch tape and what each of them does in the echo.

    Up to 4 tracks of a `width` in m lie side by side, counted from the upper edge, spread evenly: widths
    are to scale, gaps are no standard's. The echo is on those `recorded`; those `turned` are played when
    the reels are turned over. Which tracks belong together is common practice, no source.

    >>> tracks_on_tape().caption
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
    colors = {n: "echo" if n in recorded else "tape" if n in turned else "dry" for n in says}
    strips = _strips(canvas.sketch(), width / TAPE_WIDTH, {} if canvas.symbols_only else says, colors)
    caption = f"{count} tracks of {length(width)} on a {length(TAPE_WIDTH)} tape. The echo is on "
    caption += f"track{'s' if len(recorded) > 1 else ''} {' and '.join(map(str, recorded))}"
    caption += f"; free: {', '.join(map(str, free))}" if free else ""
    caption += f"; of the other side: {', '.join(map(str, turned))}" if turned else ""
    each = "; ".join(f"{n}, {words}" for n, words in sorted(says.items()))
    return Drawn(
        canvas.figure,
        {"tracks": strips},
        f"{caption}.",
        f"Sketch of a tape seen from the front, {count} strips one below the other from edge to edge with an "
        f"arrow each for the direction in which it is played: {each}.",
        ("standards.TRACK_WIDTHS", COMMON_PRACTICE),
    )


def _strips(sheet: Sketch, share: float, says: dict[int, str], colors: dict[int, str]) -> list[Any]:
    """Draw the tape as a band across the sheet, its tracks as strips with arrows and words.

    A strip takes a `share` of the tape's width; those of color 1 are played the other way.
    """
    bottom, high = 0.16 * sheet.height, 0.68 * sheet.height
    edge: dict[str, Any] = {"edgecolor": sheet.profile.ground.frame, "linewidth": sheet.profile.line_pt / 2}
    sheet.axes.add_patch(Rectangle((0.1, bottom), sheet.width - 0.2, high, facecolor="none", **edge))
    pitch = high * (1 - share) / max(len(colors) - 1, 1)
    strips = []
    for number, color in sorted(colors.items()):
        middle = bottom + high - share * high / 2 - (number - 1) * pitch
        middle = middle if len(colors) > 1 else bottom + high / 2
        size = (sheet.width - 0.4, share * high)
        strips.append(sheet.box((sheet.width / 2, middle), size=size, role=color))
        ends = [(1.9, middle), (4.4, middle)]
        arrow = sheet.line(ends[::-1] if color == "tape" else ends, arrows=1, role=color)
        arrow.set_zorder(4)  # on the strip, not below it
        sheet.words((1.1, middle), str(number))
        if says:
            words = says[number].replace(": ", ":\n") if sheet.height > sheet.width else says[number]
            sheet.words((5.2, middle), words, ha="left")
    if says:
        sheet.words((0.2, 0.92 * sheet.height), "upper edge", ha="left")
        sheet.words((0.2, 0.08 * sheet.height), "lower edge", ha="left")
    return strips
