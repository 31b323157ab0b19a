"""Pictures without axes: a sheet on which boxes, disks, wires and the ribbon of the tape are drawn."""

from collections.abc import Iterable, Sequence
from typing import Any, cast

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Arc, Circle, FancyBboxPatch, PathPatch, Polygon, Rectangle
from matplotlib.path import Path as Outline
from matplotlib.text import Text
from numpy.typing import NDArray

from tapecalc.plot.style import DASHED, STRUCTURE, TOKENS, Profile

Look = dict[str, Any]  # keywords of an artist
Place = tuple[float, float] | NDArray[np.float64]  # x and y
Array = NDArray[np.float64]

LINE = TOKENS["line"]
NARROW = 24.0  # type sizes: on a sheet less wide, drawings run down or have short words


class Sketch:
    """A sheet whose unit of length is the size of its type.

    All places are in type sizes from the lower left corner; `at` turns shares of the sheet into them. On wide
    sheets the type is larger than that of charts. Colors are named by role; see `style.Ground`.
    """

    def __init__(self, axes: Axes, profile: Profile) -> None:
        self.axes, self.profile = axes, profile
        width, height = np.array(axes.get_window_extent().size) * 72 / cast(Figure, axes.figure).dpi
        self.type_pt = max(profile.text_pt, min(1.4 * profile.text_pt, width / 33))
        self.width, self.height = width / self.type_pt, height / self.type_pt
        axes.set(xlim=(0, self.width), ylim=(0, self.height))
        axes.set_axis_off()

    @property
    def tall(self) -> bool:
        """Whether the sheet is higher than wide."""
        return self.height > self.width

    def at(self, across: float, up: float) -> Array:
        """Turn shares of width and height into a place on the sheet."""
        return np.array([across * self.width, up * self.height])

    def color(self, role: str) -> str:
        """Color of a role on this ground."""
        return self.profile.ground.role(role)

    def data(self, share: float = 1.0) -> float:
        """Width of a line, in points, over that of data."""
        return share * self.profile.line_pt

    # -- words

    def words(
        self,
        place: Place,
        text: str,
        *,
        ha: str = "center",
        va: str = "center",
        role: str = "text",
        size: float = 1.0,
        **look: Any,
    ) -> Text:
        """Write words at a place, centered unless told otherwise; `size` over that of the sheet.

        Lines have the height of the type and not of their letters, so that neighbors share a baseline.
        """
        plain: Look = {"fontsize": size * self.type_pt, "color": self.color(role), "zorder": 6}
        return self.axes.text(place[0], place[1], text, ha=ha, va=va, **plain | look)

    # -- bodies

    def body(self, role: str = "frame", fill: str = "fill", *, width: float = STRUCTURE, **look: Any) -> Look:
        """Return the look of a body: edge in the color of a role, and what it is filled with."""
        return {
            "facecolor": self.color(fill),
            "edgecolor": self.color(role),
            "linewidth": self.data(width),
        } | look

    def box(
        self,
        place: Place,
        text: str = "",
        *,
        size: tuple[float, float] = (7.6, 2.8),
        role: str = "frame",
        fill: str = "fill",
        round_by: float = 0.25,
    ) -> FancyBboxPatch:
        """Draw a box around a text."""
        left, bottom = place[0] - size[0] / 2, place[1] - size[1] / 2
        kind = f"round,pad=0,rounding_size={min(round_by, *(0.49 * side for side in size))}"
        patch = FancyBboxPatch((left, bottom), *size, boxstyle=kind, zorder=2, **self.body(role, fill))
        self.axes.add_patch(patch)
        if text:
            self.words(place, text)
        return patch

    def bar(self, place: Place, size: tuple[float, float], **body: Any) -> Rectangle:
        """Draw a plain rectangle around its middle."""
        corner = place[0] - size[0] / 2, place[1] - size[1] / 2
        look: Look = {"zorder": 2} | self.body(**body)
        patch = Rectangle(corner, *size, **look)
        self.axes.add_patch(patch)
        return patch

    def disk(self, place: Place, radius: float, **body: Any) -> Circle:
        """Draw a circle, `radius` in type sizes."""
        patch = Circle((place[0], place[1]), radius, **{"zorder": 3} | self.body(**body))
        self.axes.add_patch(patch)
        return patch

    def shape(self, points: Sequence[Place] | Array, **body: Any) -> Polygon:
        """Draw a closed shape through points."""
        patch = Polygon(np.array(points), closed=True, **{"zorder": 2} | self.body(**body))
        self.axes.add_patch(patch)
        return patch

    # -- lines

    def line(
        self,
        points: Sequence[Place],
        *,
        role: str = "frame",
        width: float = STRUCTURE,
        arrows: int = 0,
        dashed: bool = False,
        over: Iterable[Sequence[Place]] = (),
        corner: float = LINE["corner"],
        zorder: float = 1.5,
    ) -> PathPatch:
        """Draw a line with round corners, an arrowhead at its end or two at both ends.

        Where it crosses a line of `over` it makes a bridge. Arrowheads are whole, dashes or not.
        """
        way = [np.asarray(point, dtype=float) for point in points]
        look: Look = {"color": self.color(role), "zorder": zorder}
        if arrows > 1:
            way[0] = self.arrowhead(way[0], way[0] - way[1], **look)
        if arrows:
            way[-1] = self.arrowhead(way[-1], way[-1] - way[-2], **look)
        outline = _rounded(_bridged(way, [np.asarray(one, dtype=float) for one in over]), corner)
        look |= {"fill": False, "linewidth": self.data(width), "capstyle": "butt"}
        look |= {"linestyle": DASHED if dashed else "-", "edgecolor": look.pop("color")}
        patch = PathPatch(outline, joinstyle="round", **look)
        self.axes.add_patch(patch)
        return patch

    def arrowhead(self, tip: Place, along: Place, *, size: float = 1.0, **look: Any) -> Array:
        """Draw a solid triangle that ends at `tip`; return the middle of its back."""
        length, across = (size * part for part in LINE["arrow"])
        ahead = np.asarray(along, dtype=float) / np.hypot(*np.asarray(along, dtype=float))
        back = np.asarray(tip, dtype=float) - length * ahead
        side = across / 2 * np.array([-ahead[1], ahead[0]])
        self.axes.add_patch(Polygon([tip, back + side, back - side], linewidth=0, **look))
        return back

    def dot(self, place: Place, role: str = "frame") -> Circle:
        """Mark a junction of wires."""
        return self.disk(place, LINE["dot"], role=role, fill=role, width=0)

    def turns(
        self, place: Place, radius: float, *, clockwise: bool = False, role: str = "frame", start: float = 60
    ) -> None:
        """Draw an arrow of rotation around a place, on the 70 degrees from `start` on."""
        first, last = start, start + 70
        arc = Arc((place[0], place[1]), 2 * radius, 2 * radius, theta1=first, theta2=last, zorder=4)
        arc.set(edgecolor=self.color(role), linewidth=self.data(STRUCTURE), facecolor="none")
        self.axes.add_patch(arc)
        angle = np.radians(first if clockwise else last)
        end = np.asarray(place) + radius * np.array([np.cos(angle), np.sin(angle)])
        ahead = (-1 if clockwise else 1) * np.array([-np.sin(angle), np.cos(angle)])
        self.arrowhead(end + 0.5 * ahead, ahead, size=0.8, color=self.color(role), zorder=4)

    def ribbon(
        self, points: Sequence[Place] | Array, *, thickness: float = 0.3, zorder: float = 2.5
    ) -> PathPatch:
        """Draw the tape: one brown ribbon of a thickness, edges and all; returns its face."""
        outline, edge = Outline(np.array(points, dtype=float)), 2 * self.data(STRUCTURE)
        wide = thickness * self.type_pt
        for color, width in (("tape", wide + edge), ("ribbon", wide)):
            look: Look = {"edgecolor": self.color(color), "linewidth": width, "facecolor": "none"}
            patch = PathPatch(outline, capstyle="butt", joinstyle="round", zorder=zorder, **look)
            self.axes.add_patch(patch)
        return patch


def _rounded(way: Sequence[Array], radius: float) -> Outline:
    """Go through points with round corners of one radius, smaller where there is no room."""
    points, codes = [way[0]], [Outline.MOVETO]
    for before, here, after in zip(way, way[1:], way[2:], strict=False):
        legs = [(end - here, float(np.hypot(*(end - here)))) for end in (before, after)]
        cut = min(radius, *(0.5 * length for _, length in legs))
        (first, last) = (here + cut * leg / length if length else here for leg, length in legs)
        points += [first, here, last]
        codes += [Outline.LINETO, Outline.CURVE3, Outline.CURVE3]
    return Outline(np.array([*points, way[-1]]), [*codes, Outline.LINETO])


def _bridged(way: Sequence[Array], under: Sequence[Array]) -> list[Array]:
    """Lift a line over others where its straight parts cross theirs."""
    lifted = [way[0]]
    for start, end in zip(way, way[1:], strict=False):
        ahead, length = end - start, float(np.hypot(*(end - start)))
        met = sorted(
            share
            for one in under
            for low, high in zip(one, one[1:], strict=False)
            if (share := _crossing(start, end, low, high)) is not None
        )
        side = LINE["bridge"] * np.array([-ahead[1], ahead[0]]) / max(length, 1e-9)
        side *= -1 if side[1] < 0 or (side[1] == 0 and side[0] < 0) else 1
        for share in met:
            here, half = start + share * ahead, LINE["bridge"] * ahead / length
            lifted += [here - half, here - half + side, here + half + side, here + half]
        lifted.append(end)
    return lifted


def _crossing(start: Array, end: Array, low: Array, high: Array) -> float | None:
    """Where one straight part crosses another, as a share of its length; None where they do not."""
    both = np.column_stack([end - start, low - high])
    if abs(np.linalg.det(both)) < 1e-9:
        return None
    here, there = np.linalg.solve(both, low - start).tolist()
    return here if 1e-6 < here < 1 - 1e-6 and 1e-6 < there < 1 - 1e-6 else None
