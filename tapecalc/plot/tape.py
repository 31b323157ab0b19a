"""The way of the tape as a picture: reels or a closed loop, heads, capstan and pinch roller."""

from typing import Any

import numpy as np
from matplotlib.patches import Rectangle
from numpy.typing import NDArray

from tapecalc.calc.heads import Heads
from tapecalc.plot.kit import spread
from tapecalc.plot.sketch import Place, Sketch

_Array = NDArray[np.float64]

CAPSTAN, ROLLER = 0.4, 1.4  # radius in type sizes; the capstan is the thin one
HEAD = (1.2, 2.0)  # along the tape, and away from it
CORNER = 0.9  # radius of a closed loop round its guides
NAMES, ALL_NAMES = 2.4, 3.7  # from the tape to what one head, and all playback heads, are called


class TapePicture:
    """A tape and its heads on a sheet; a place is how far along the tape, and how far to the heads' side.

    Along is to the right, or down an upright sheet. Heads stand on the coated side, which is wound inward.
    """

    def __init__(
        self,
        sheet: Sketch,
        heads: Heads,
        *,
        loop_length: float | None,
        erases: bool,
        words: bool,
        column: float,
    ) -> None:
        self.sheet, self.heads, self.words = sheet, heads, words
        self.tall = sheet.height > sheet.width
        self.many, self.erases = len(heads.spacings) > 1, erases
        self.length = sheet.height if self.tall else sheet.width
        self.on_reels = loop_length is None
        self.step = (
            min(0.9, 4 / len(heads.spacings)) if self.tall else 1.3 if len(heads.spacings) <= 4 else 1.2
        )
        self._share_out()
        self._set_places(column)
        points = self._reels() if self.on_reels else self._loop()
        self.way = self._measured(points, loop_length)
        #: How far what is recorded rides, m: off the sheet, to the erase head, or once round.
        self.ridden = float(self.way[-2 if self.erases and not self.on_reels else -1, 0])
        self.boxes = self._heads()
        self._drive()

    def _share_out(self) -> None:
        """Share the sheet between what stands on the heads' side and what stands on the other."""
        if self.tall:
            self.line, self.reel, self.depth = 6.2, 2.3, self.sheet.width - 6.8
            return
        below = max(2 * ROLLER + 1.7, 3.1 + self.step * (len(self.heads.spacings) - 1))
        rest = self.sheet.height - below
        self.reel = min(0.095 * self.length, (rest - 1.7) / 2)
        self.depth = min(rest - 0.6, 8.0)
        above = max(2 * self.reel + 1.7, ALL_NAMES + 1.2) if self.on_reels else self.depth + 0.6
        self.line = below + max(0.0, rest - above) / 2

    def _set_places(self, column: float) -> None:
        """Place record head, playback heads and capstan; their labels need a `column` beside the tape."""
        if self.tall:
            self.erase, self.record, last, self.capstan = np.array([0.23, 0.31, 0.65, 0.77]) * self.length
        else:
            edge = 2 * self.reel + 0.6 if self.on_reels else 2.0
            self.record = max(edge + (4.9 if self.erases else 2.4), column)
            self.erase, self.capstan = self.record - 3.5, self.length - edge - 2.3
            last = self.capstan - 3.2
        self.places = self.record + np.array(self.heads.spacings) / max(self.heads.spacings) * (
            last - self.record
        )

    def spot(self, along: float, side: float) -> Place:
        """Turn a place into x and y of the sheet."""
        return (self.line + side, self.length - along) if self.tall else (along, self.line + side)

    def name(self, along: float, side: float, word: str, letter: str = "") -> None:
        """Write beside the tape: to the right of it on an upright sheet, else above."""
        text = word if self.words else letter
        if text:
            look: Any = {"ha": "left", "va": "center"} if self.tall else {"ha": "center", "va": "bottom"}
            self.sheet.words(self.spot(along, side), text, **look)

    # -- the tape

    def _reels(self) -> _Array:
        ends = max(self.reel, 2.2) + 0.3, self.length - max(self.reel, 2.2) - 0.3
        for along, word, letter in zip(ends, ("supply", "take-up"), "SU", strict=True):
            self.sheet.disk(self.spot(along, self.reel), self.reel)
            self.sheet.disk(self.spot(along, self.reel), 0.36 * self.reel)
            self.name(along, 2 * self.reel + 0.6, word, letter)
        self.sheet.line([self.spot(along, 0) for along in ends])
        self._direction(ends[0] + (0 if self.tall else 0.4))
        return np.array([[self.record, 0], [ends[1], 0]])

    def _loop(self) -> _Array:
        first, last = (0.8, self.length - 0.8) if self.tall else (0.5, self.length - 0.5)
        near, far = CORNER, self.depth - CORNER
        centers = [(last - near, near), (last - near, far), (first + near, far), (first + near, near)]
        corners = []
        for k, center in enumerate(centers):
            angle = np.pi / 2 * (k - 1 + np.linspace(0, 1, 9))
            corners.append(center + CORNER * np.column_stack([np.cos(angle), np.sin(angle)]))
            self.sheet.disk(self.spot(*center), 0.75 * CORNER)
        start = np.array([[self.record, 0]])
        # What is recorded rides as far as the erase head, or comes round again.
        points = np.concatenate([start, *corners, [[self.erase, 0]] if self.erases else start[:0], start])
        self.sheet.line([self.spot(*point) for point in points])
        along = 0.84 * self.length if self.tall else last - 6
        ends = [(along - 0.35, self.depth - 0.5), (along + 0.35, self.depth + 0.5)]
        self.sheet.line([self.spot(*end) for end in ends], role="tape")
        if self.words:
            inside: Any = {"ha": "right", "va": "center"} if self.tall else {"ha": "center", "va": "top"}
            self.sheet.words(self.spot(along, self.depth - 0.7), "splice", **inside)
        self._direction(first + CORNER)
        return points

    def _measured(self, points: _Array, loop_length: float | None) -> _Array:
        """Rows of m from the record head, x and y; heads are to scale, the rest of a loop is not."""
        drawn = np.concatenate([[0.0], np.hypot(*np.diff(points, axis=0).T).cumsum()])
        farthest, reach = max(self.heads.spacings), self.places[-1] - self.record
        # One more point at the last head, where the scale changes.
        drawn, at = np.insert(drawn, 1, reach), np.insert(points, 1, [self.places[-1], 0], axis=0)
        meters = drawn / reach * farthest
        if loop_length is not None:
            meters = np.interp(drawn, [0, reach, drawn[-1]], [0, farthest, loop_length])
        return np.column_stack([meters, [self.spot(*point) for point in at]])

    def _direction(self, along: float) -> None:
        self.sheet.line([self.spot(along, -0.9), self.spot(along + 3, -0.9)], arrows=1)
        if self.words:
            look: Any = {"ha": "right"} if self.tall else {"ha": "left"}
            self.sheet.words(
                self.spot(along + (1.5 if self.tall else 3.5), -1.3 if self.tall else -0.9), "tape", **look
            )

    def say(self, lines: list[str]) -> None:
        """Write into the closed loop."""
        if not self.words:
            return
        if self.tall:
            self.sheet.words(self.spot(3.7, 0.9), "\n".join(lines), ha="left")
        else:
            place = self.spot(0.8 + 2 * CORNER, self.depth - 0.95)
            self.sheet.words(place, ", ".join(lines), ha="left")

    # -- what it passes

    def _heads(self) -> list[Rectangle]:
        """Draw the heads; return the boxes of the record head and of each playback head."""
        along_tape = min(HEAD[0], 0.8 * np.diff(self.places, prepend=self.record).min())
        if self.erases:
            self._head(self.erase, HEAD[0])
            self.name(self.erase, NAMES, "erase", "E")
        boxes = [self._head(self.record, min(HEAD[0], 1.6 * along_tape))]
        for place, feeds in zip(self.places, self.heads.feeds_return, strict=True):
            boxes.append(self._head(place, along_tape))
            if not feeds:
                boxes[-1].set(facecolor=self.sheet.profile.ground.face, linestyle="--")
        if self.tall or not self.many:
            self.name(self.record, NAMES, "record", "R")
            if not self.tall:
                self.name(self.places[0], NAMES, "playback", "P")
            return boxes
        apart = spread(self.places, 1.1, self.record + 1.6, self.capstan - 1)
        for k, (place, label) in enumerate(zip(self.places, apart, strict=True), 1):
            self.name(label, NAMES, str(k), f"P{k}" if len(apart) <= 4 else f"{k}")
            if abs(place - label) > 0.2:
                self.sheet.line([self.spot(place, HEAD[1]), self.spot(label, NAMES - 0.05)], role="tape")
        self.name(float(apart.mean()), ALL_NAMES, "playback heads")
        self.name(self.record, NAMES, "record" if apart[0] - self.record > 2.4 else "rec.", "R")
        return boxes

    def _head(self, along: float, wide: float) -> Any:
        size = (HEAD[1], wide) if self.tall else (wide, HEAD[1])
        box = self.sheet.box(self.spot(along, HEAD[1] / 2), size=size, role="tape")
        if wide > 0.6:
            gap = self.sheet.line([self.spot(along, 0.05), self.spot(along, 0.6)], role="tape")
            gap.set(zorder=3, linewidth=self.sheet.profile.line_pt / 2)
        return box

    def _drive(self) -> None:
        """Draw the capstan, thin and on the heads' side, and the pinch roller that presses the tape to it."""
        self.sheet.disk(self.spot(self.capstan, CAPSTAN), CAPSTAN, role="echo")
        self.sheet.disk(self.spot(self.capstan, -ROLLER), ROLLER, role="echo")
        self.name(self.capstan, 2 * CAPSTAN + 0.4, "capstan", "C")
        if self.words and self.tall:
            self.sheet.words(self.spot(self.capstan + ROLLER + 1.4, -ROLLER - 0.5), "pinch\nroller")
        elif self.words:
            self.sheet.words(self.spot(self.capstan, -2 * ROLLER - 0.3), "pinch roller", va="top")

    # -- how far, and how long it takes

    def measure(self, numbers: list[tuple[str, str]]) -> None:
        """Write spacing and delay of each playback head, with an arrow from the record head to it."""
        few = len(numbers) <= 4
        low, high = self.record + 2, self.capstan - (2 if few else 1.6)
        room = spread(self.places, 2.5 if few else 1.25, low, high) if self.tall else self.places
        for k, (along, middle, (spacing, delay)) in enumerate(zip(self.places, room, numbers, strict=True)):
            side = -(1.8 if self.tall else 2.4) - self.step * k
            self.sheet.line([self.spot(self.record, side), self.spot(along, side)], arrows=2, role="echo")
            number = f"{k + 1}: " if self.many else ""
            if not self.tall:
                self.sheet.words(
                    self.spot(self.record - 0.5, side), f"{number}{spacing}, {delay}", ha="right"
                )
            elif few:
                head = f"P{number}" if self.many else "playback\n" if self.words else "P\n"
                self.sheet.words(self.spot(middle, NAMES), f"{head}{spacing}\n{delay}", ha="left")
            else:
                self.sheet.words(self.spot(middle, NAMES), f"{number}{delay}", ha="left")
