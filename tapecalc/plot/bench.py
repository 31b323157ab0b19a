"""What stands on the bench, as parts of a picture: sockets, faders, knobs, heads, switches and boxes."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from matplotlib.patches import PathPatch
from matplotlib.text import Text

from tapecalc.plot.sketch import NARROW, Array, Look, Place, Sketch

COLUMNS, ROWS = 24.0, 16.0  # of the grid on which benches are laid out, from the lower left corner
EDGE = 0.3  # of the sheet that stays free, in type sizes
SOCKET, KNOB, FADER = 0.42, 0.85, (0.95, 1.7)  # radii, and half of a fader along and up, in type sizes
CABLE, INSIDE, RETURN = 0.8, 0.5, 1.1  # widths of lines over that of data
LEADING = 1.36  # from line to line of words, in type sizes
RIBBON = 0.32  # thickness of the tape, in type sizes
#: Where words stand beside a part: to which side, how far up in type sizes, and how they are aligned.
SIDES = {
    "right": (1, 0.0, "left"),
    "left": (-1, 0.0, "right"),
    "upper right": (1, 0.85, "left"),
    "upper left": (-1, 0.85, "right"),
    "lower right": (1, -0.85, "left"),
    "lower left": (-1, -0.85, "right"),
    "above": (0, 1.0, "center"),
    "below": (0, -1.0, "center"),
}


@dataclass(frozen=True)
class Part:
    """One part: what it is, where it stands on the grid, what is written beside it, and how it is set."""

    kind: str  # box, head, socket, fader, knob, contact or dot
    place: tuple[float, float]
    label: str = ""
    side: str = "right"
    setting: float = 0.7  # of a fader or knob, from 0 to 1


@dataclass(frozen=True)
class Bench:
    """A sheet with a grid, on which parts are drawn and joined."""

    sheet: Sketch
    parts: dict[str, Part]
    texts: dict[str, str] = field(default_factory=dict)  # in boxes, where it is not their name
    tape: tuple[float, float, float] = (0, 1, 0)  # columns from and to, and the row of the ribbon

    def at(self, place: Any) -> Array:
        """Where a place of the grid stands on the sheet."""
        inner = np.array([self.sheet.width, self.sheet.height]) - 2 * EDGE
        return EDGE + np.array(place) * inner / (COLUMNS, ROWS)

    def box_size(self, name: str) -> tuple[float, float]:
        """How large a box is, along and up, in type sizes: as its words need."""
        lines = self.texts.get(name, name).split("\n")
        return max(1.8, 0.54 * max(map(len, lines)) + 0.5), LEADING * len(lines) + 0.3

    def spot(self, name: str) -> Array:
        """Where the middle of a part stands; a box is moved to lie on the sheet."""
        part = self.parts[name]
        spot, half = self.at(part.place), np.zeros(2)
        if part.kind in ("box", "head"):
            half = np.array(self.box_size(name)) / 2 + EDGE
        if part.kind == "head":  # it touches the tape
            spot[1] = self.at(self.tape[1:])[1] - RIBBON / 2 - half[1] + EDGE
        return np.clip(spot, half, (self.sheet.width, self.sheet.height) - half)

    def reach(self, name: str) -> Array:
        """From the middle of a part to its edges, along and up."""
        kind, scale = self.parts[name].kind, self.scale
        if kind in ("box", "head"):
            return np.array(self.box_size(name)) / 2
        sizes = {"socket": (SOCKET, SOCKET), "knob": (KNOB, KNOB), "fader": FADER}
        return scale * np.array(sizes.get(kind, (0, 0)))

    @property
    def scale(self) -> float:
        """How large parts without words are over their usual size: as the sheet has room."""
        return float(np.clip(self.sheet.width / NARROW, 0.7, 1.15))

    def worded(self, text: str) -> str:
        """The words of a label, after ``"|"`` its short form; without one the words stand line by line."""
        if self.sheet.width >= NARROW:
            return text.partition("|")[0]
        return text.partition("|")[2] if "|" in text else text.replace(" ", "\n")

    def panel(self, name: str, corners: tuple[float, ...]) -> None:
        """Draw the body of the mixer, or in brown that of the machine, between two corners of the grid."""
        low, high = self.at(corners[:2]), self.at(corners[2:])
        role = "tape" if name == "machine" else "context"
        self.sheet.box((low + high) / 2, size=tuple(high - low), role=role).set_zorder(0.5)

    def strip(self, name: str, column: float, columns: float, top: float, *, words: bool) -> None:
        """Draw the strip of a channel and its name at its foot, the number alone where there is no room."""
        (left, low), (right, high) = (
            self.at((column + k * columns / 2, row)) for k, row in ((-1, 0.2), (1, top - 0.2))
        )
        if name.startswith("channel"):
            look: Look = {"role": "grid", "fill": "face", "zorder": 0.6}
            self.sheet.bar(((left + right) / 2, (low + high) / 2), (right - left, high - low), **look)
        fits = 0.55 * len(name) < right - left
        if words or name.startswith("channel"):
            self.words(self.at((column, 0.65)), name if fits and words else name.split()[-1])

    def draw(self, name: str, role: str) -> PathPatch | None:
        """Draw a part in the color of a role; returns the pointer of a knob."""
        part, spot, sheet = self.parts[name], self.spot(name), self.sheet
        half, pointer = self.reach(name), None
        text = self.texts.get(name, name)
        if part.kind == "dot":
            sheet.dot(spot, role)
        elif part.kind == "contact":
            sheet.disk(spot, 0.22, role="tape", fill="face")
        elif part.kind == "socket":
            sheet.disk(spot, half[0], role=role, fill="face", width=CABLE)
            sheet.disk(spot, 0.4 * half[0], role=role, fill=role, width=0)
        elif part.kind == "knob":
            sheet.disk(spot, half[0], role=role, fill="face", width=CABLE)
            pointer = sheet.line(self.pointer(name, part.setting), role=role, width=CABLE, zorder=5)
        elif part.kind == "fader":
            sheet.bar(spot, (0.28, 2 * half[1]), role="context", fill="face", width=0.3)
            cap = spot + (0, 1.6 * (part.setting - 0.5) * half[1])
            sheet.bar(cap, (2 * half[0], 0.62), role=role, fill="face", width=CABLE, zorder=4)
            sheet.line([cap - (half[0], 0), cap + (half[0], 0)], role=role, zorder=5)
        else:
            sheet.box(spot, size=self.box_size(name), role=role)
            self.words(spot - (0, 0.2 * (part.kind == "head")), text)  # clear of the gap
        if part.kind == "head":  # its gap
            top = spot + (0, half[1])
            sheet.line([top - (0, 0.1), top - (0, 0.4)], role=role, width=CABLE, zorder=4)
        if part.label:
            self.beside(name, self.worded(self.texts.get(f"{name} label", part.label)), role)
        return pointer

    def pointer(self, name: str, setting: float) -> list[Array]:
        """Where the pointer of a knob lies at a setting from 0 to 1."""
        angle = np.radians(225 - 270 * setting)
        ahead = self.reach(name)[0] * np.array([np.cos(angle), np.sin(angle)])
        return [self.spot(name) + 0.2 * ahead, self.spot(name) + ahead]

    def beside(self, name: str, text: str, role: str = "text") -> None:
        """Write words beside a part."""
        along, up, ha = SIDES[self.parts[name].side]
        along_by, up_by = self.reach(name)
        place = self.spot(name) + (along * (along_by + 0.2), up + np.sign(up) * (0 if along else up_by))
        if along > 0:  # within the body, which ends where the sheet does
            place[0] = min(place[0], self.sheet.width - EDGE - 0.62 * max(map(len, text.split("\n"))) - 0.25)
        self.words(place, text, ha=ha, role="text" if role == "context" else role)

    def words(self, place: Place, text: str, *, size: float = 1.0, **look: Any) -> Text:
        """Write words; see `Sketch.words`."""
        return self.sheet.words(place, text, size=size, **look)

    def way(self, start: str, end: str, corners: Sequence[Place]) -> list[Array]:
        """The points of a wire from the edge of one part to that of another."""
        between = [self.at(corner) for corner in corners]
        if not between and self.parts[end].kind in ("box", "head"):  # straight from where it starts
            last = self._edge(end, self.spot(start))
            return [self._edge(start, last), last]
        first = self._edge(start, between[0] if between else self.spot(end))
        return [first, *between, self._edge(end, between[-1] if between else first)]

    def _edge(self, name: str, toward: Array) -> Array:
        """Where a wire leaves a part: from the side of a box that it faces, from the middle of others."""
        spot, half = self.spot(name), self.reach(name)
        away = np.round(toward - spot, 6)
        if self.parts[name].kind in ("box", "head"):
            faces = 1 if abs(away[0]) < half[0] else 0
            spot[1 - faces] = toward[1 - faces]
            away[1 - faces] = 0
        return spot + np.sign(away) * half

    def draw_tape(self) -> None:
        """Draw the tape, with an arrow for the way it runs."""
        left, right, row = self.tape
        ends = [self.at((left, row)), self.at((right, row))]
        self.sheet.ribbon(ends, thickness=RIBBON)
        look: Look = {"color": self.sheet.color("tape"), "zorder": 3}
        self.sheet.arrowhead(ends[1] + (0.85, 0), (1, 0), **look)
