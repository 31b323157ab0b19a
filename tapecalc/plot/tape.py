"""The tape's way over a deck as a picture: packs or a closed loop, guides, heads, capstan and pinch roller.

The deck is seen from above and to scale. Along the tape is u, away from it w, which is above 0 where packs,
guides and capstan are; one unit is the size of the type.
"""

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.patches import Polygon, Rectangle

from tapecalc.calc.heads import Heads
from tapecalc.calc.units import from_si
from tapecalc.plot.kit import LONG, spread
from tapecalc.plot.sketch import NARROW, Array, Place, Sketch
from tapecalc.plot.style import GRID, NOTE, STRUCTURE

#: Usual sizes, m: of a head along the tape and away from it, of a guide, between two things.
#: Common practice, no source.
HEAD, DEEP, GUIDE, APART = 13e-3, 15e-3, 4e-3, 4e-3
ERASE, ERASE_NARROW = 28e-3, 14e-3  # from erase to record head
#: Between the hubs of a cassette, from them to the tape, and between its corner rollers, m.
#: Source: IEC 60094-7 (hubs 42.5 mm apart); the rest common practice.
HUBS, HUBS_UP, CORNERS = 42.5e-3, 34e-3, 88e-3
LEAST = 0.075  # type sizes for 1 mm, below which bodies are drawn larger than the spacings
SCALES = tuple(np.geomspace(420, 0.1, 250).tolist())  # that are tried, type sizes for 1 m
SMALLER = (1.0, 0.7, 0.5, 0.3)  # how large packs are drawn over other bodies: all of it where there is room
RIBBON, DIP = 0.5, 0.14  # thickness of the tape, and how far a head presses it in
LINE = 1.52  # height of a line of words
ROUND = 0.9  # radius of the corners of a closed loop


@dataclass(frozen=True, kw_only=True)
class Deck:
    """What the tape runs on, m: diameters, and radii of both packs and their hub, or a closed loop."""

    capstan: float = 8e-3
    roller: float = 38e-3
    packs: tuple[float, float] | None = (0.0629, 0.0629)
    hub: float = 0.03
    loop_length: float | None = None
    cassette: bool = False
    erases: bool = True


@dataclass(frozen=True)
class Label:
    """Words at a place along the tape: where they point to, and where they stand."""

    words: str
    points: float
    place: float


@dataclass(frozen=True)
class Turning:
    """What turns: its middle and radius on the sheet, the radius on which the tape runs, m, and its sense."""

    middle: Place
    radius: float
    runs_on: float
    sense: int  # 1 counterclockwise, -1 clockwise


class TapePicture:
    """A tape and its heads on a sheet; to the right, or down a narrow one.

    Heads stand on the coated side: on that of the packs, where tape is wound inward; in a cassette opposite.
    """

    def __init__(
        self, sheet: Sketch, heads: Heads, deck: Deck, names: Sequence[Sequence[str]], *, letters: bool
    ) -> None:
        self.sheet, self.heads, self.deck, self.letters = sheet, heads, deck, letters
        self.down = sheet.width < NARROW
        self.length, self.room = (sheet.height, sheet.width) if self.down else (sheet.width, sheet.height)
        self.side = -1 if deck.cassette else 1
        #: Whether the pinch roller is named: not down a sheet that many heads fill. And the room for that.
        self.crowded = self.down and len(heads.spacings) > 4
        self.roller_named = not (letters or self.crowded)
        self.small = NOTE if self.down and len(heads.spacings) > (4 if deck.packs else 2) else 1.0
        self.below_roller = (3.1 if self.down else 3.6) if self.roller_named else 0.5
        self._settle([list(flags) for flags in names])
        self.to_scale = self.scale >= 1000 * LEAST
        points = self._way()
        self.way = self._measured(points)
        #: How far what is recorded rides, m: to the pack, to the erase head, or once round.
        self.ridden = float(self.way[-1, 0]) - (self.gap_of_erase if deck.erases else 0.0)
        self._draw(points)

    # -- how large, and where

    def _settle(self, names: Sequence[list[str]]) -> None:
        """Find the largest scale; the shorter of two sets of names only where that gains much."""
        most, before = 0.0, ["E" if self.letters else "erase"] * self.deck.erases
        for share in SMALLER if self.deck.packs else SMALLER[:1]:
            self.wound = share
            found: list[tuple[float, list[str]]] = []
            for flags in names:
                self.names = [*before, "R" if self.letters else "record", *flags]
                fits = (scale for scale in SCALES if self._set(scale))
                found.append((next(fits, 0.0), self.names))
            if most := max(scale for scale, _ in found):
                break
        scale, self.names = next(one for one in found if one[0] >= 0.75 * most)
        if not scale:  # crowded, where nothing fits
            scale, self.wound = min(SCALES[0], 0.4 * self.length / self.heads.spacings[-1]), 1.0
        self._set(scale)

    def _set(self, scale: float) -> bool:
        """Try a scale, in type sizes for 1 m; whether all has room."""
        deck, far = self.deck, self.heads.spacings
        self.scale, body = scale, max(scale, 1000 * LEAST)
        near = min(np.diff(far, prepend=0.0)[np.diff(far, prepend=0.0) > 0])
        self.wide = min(HEAD * body, 0.8 * near * scale)
        self.wide_record = min(HEAD * body, 1.8 * far[0] * scale - self.wide)
        self.deep, self.guide = np.clip(DEEP * body, 1.5, 3.0), max(GUIDE * body, 0.25)
        self.capstan_radius, self.roller = deck.capstan * body / 2, deck.roller * body / 2
        self.erase = -max((ERASE_NARROW if deck.cassette else ERASE) * body, HEAD * body + 0.3)
        self.places = scale * np.array(far)
        self._place_labels()
        letters = len(f"{1000 * far[-1]:.0f} mm")
        self.numbers = NOTE * (0.6 * letters + 0.7) + RIBBON / 2 + 0.6  # beside the tape
        self.capstan = float(self.places[-1]) + self.wide / 2 + self.roller + APART * body
        name = 0.6 if self.down else 1.95
        last, tall = self.labels[-1].place + self._half(self.names[-1]) + 0.3, LINE + 0.3 + RIBBON / 2
        if self.side > 0 and (self.down or self.deep + 0.5 < 2 * self.capstan_radius + tall):
            self.capstan = max(self.capstan, last + name)
        if self.side < 0 and not self.down and 2 * self.roller > self.deep + 0.3:
            self.capstan = max(self.capstan, last + self.roller)
        if self.side < 0 and not self.down:  # its name stands beside the ruler
            self.capstan = max(self.capstan, self.places[-1] + NOTE * (0.3 * letters + 0.2) + name)
        return self._set_cassette(body) if deck.cassette else self._set_deck(body, name)

    def _half(self, words: str) -> float:
        """Half of what words take along the tape."""
        line = LINE * self.small / 2 * (words.count("\n") + bool(words))
        return line if self.down else 0.3 * _longest(words) + 0.2

    @property
    def reach(self) -> float:
        """How far from the tape the names of the heads end."""
        wide, lines = 0.6 * max(map(_longest, self.names)), max(n.count("\n") + 1 for n in self.names)
        return self.deep + 0.5 + (wide if self.down else LINE * lines)

    def _place_labels(self) -> None:
        """Place the names of the heads so that none touches another."""
        wanted = np.array([*([self.erase] * self.deck.erases), 0.0, *self.places])
        halves = np.array([self._half(name) for name in self.names])
        placed = spread(wanted, halves[1:] + halves[:-1], -np.inf, np.inf)
        self.labels = [Label(*row) for row in zip(self.names, wanted.tolist(), placed.tolist(), strict=True)]

    def _set_deck(self, body: float, name: float) -> bool:
        """Share the sheet between packs, or the ends of a loop, and what the tape passes."""
        self.first = self.labels[0].place - self._half(self.names[0]) - 0.3
        self.last = self.labels[-1].place + self._half(self.names[-1]) + 0.3
        edge = -self.erase if self.deck.erases else 0.0
        self.guides = (
            -edge - HEAD * body / 2 - self.guide - APART * body,
            self.capstan + self.capstan_radius + self.guide + 2 * APART * body,
        )
        # The other side of the tape needs the pinch roller, or the ruler.
        below = max(2 * self.roller + 0.4, self.numbers if self.down else 2.4)
        above = self.reach + 0.3
        up = 4.4 if self.down else LINE
        named = 2 * self.capstan_radius + 0.5 + up  # to where the capstan's name ends
        if self.deck.packs is None:
            return self._set_loop(below, above, name)
        radii = [self.wound * body * radius for radius in self.deck.packs]
        return self._set_packs(radii, below, above, named, name) or self._lift_packs(radii, below, above)

    def _set_packs(self, radii: list[float], below: float, above: float, named: float, name: float) -> bool:
        """Put the packs beside what the tape passes; a part of each may lie beyond the edge."""
        lift = 2 * self.guide + 0.3
        clear = [_clear(radius, above - lift) for radius in radii]
        ends = (
            min(self.first - clear[0], self.guides[0] - self.guide),
            max(
                self.last + clear[1],
                self.capstan + name + 0.3 + _clear(radii[1], named + 0.2 - lift),
                self.guides[1] + self.guide,
            ),
        )
        slack, both = self.length - (ends[1] - ends[0]), sum(radii)
        shown = [min(slack * radius / both, radius + 0.3) for radius in radii]
        self.start = (self.length - (ends[1] - ends[0]) - sum(shown)) / 2 + shown[0] - ends[0]
        self.packs = [(u, radius + lift, radius) for u, radius in zip(ends, radii, strict=True)]
        top = min(max(above, 2 * max(radii) + lift), self.room - below)
        self.line = below + (self.room - below - top) / 2
        return slack >= 0.25 * both and below + above <= self.room

    def _lift_packs(self, radii: list[float], below: float, above: float) -> bool:
        """Put the packs beyond the names of the heads; a part of each may lie beyond the edge."""
        name = 0.6 if self.down else 1.95
        self.guides = (
            min(self.guides[0], self.first - 0.3),
            max(self.guides[1], self.last + 0.3, self.capstan + name + 0.5),
        )
        low = self.guides[0] - self.guide - 0.3
        high = self.guides[1] + self.guide + 0.3
        high = max(high, self.capstan + self.roller + self.below_roller)
        self.start = (self.length - (high - low)) / 2 - low
        middle, apart = self.length / 2 - self.start, sum(radii) + 0.5
        apart = max(apart, self.guides[1] - self.guides[0] + 2 * self.guide - sum(radii))
        sides = zip((-1, 1), radii, strict=True)
        self.packs = [(middle + sign * apart / 2, above + radius, radius) for sign, radius in sides]
        top = min(above + 2 * max(radii) + 0.3, self.room - below)
        self.line = below + (self.room - below - top) / 2
        seen = self.room - below - above >= 1.05 * max(radii) and self.length >= 1.1 * apart
        return seen and high - low <= self.length

    def _set_loop(self, below: float, above: float, name: float) -> bool:
        """Bend the loop so that it is as long as it is, if there is room."""
        deck, inside = self.deck, 0.6 if self.down else LINE + 1.2
        low = min(self.first, self.guides[0])
        lean = (2 * LINE + 0.4) * (self.down and not self.crowded)
        beyond = max(name + lean, self.roller + self.below_roller - ROUND - 0.4)
        high = max(self.last, self.capstan + beyond, self.guides[1])
        need, most = high - low + 2 * ROUND, self.length - 0.8
        worded = 10.8 if self.down and not (self.letters or self.crowded) else 0.0  # see `say`
        deepest, shallowest = self.room - below - 0.6, max(above + inside, worded)
        around = float(deck.loop_length or 0) * self.scale + (8 - 2 * math.pi) * ROUND
        depth = around / 2 - most
        self.loop_true = need <= most and depth <= deepest
        if self.loop_true:
            depth = max(depth, shallowest)
            across = around / 2 - depth
            self.loop_true = across >= need
        if not self.loop_true:
            depth, across = deepest, most
        fits = need <= most and deepest >= shallowest
        # Rather smaller and true than large, as long as bodies need not be drawn too large for that.
        if fits and not self.loop_true and self.scale > 1000 * LEAST and around / 2 > most + deepest:
            return False
        self.start = (self.length - across) / 2 + ROUND + max(0.0, (across - need) / 2) - low
        left, right = (self.length - across) / 2 - self.start, (self.length + across) / 2 - self.start
        self.ends, self.depth, self.packs = (left, right), depth, []
        self.line = below + max(0.0, (self.room - below - depth - 0.6) / 2)
        return fits

    def _set_cassette(self, body: float) -> bool:
        """Put two packs close together behind the heads."""
        packs = self.deck.packs or (0.0, 0.0)
        middle, radii = self.places[-1] / 2, [self.wound * body * radius for radius in packs]
        apart = max(HUBS * body, sum(radii) + 0.2)
        half = max(CORNERS * body, apart + 2 * max(radii)) / 2
        self.guides = min(middle - half, self.erase - 1.5), max(middle + half, self.capstan + 1.5)
        up = max(HUBS_UP * body, max(radii) + 1.0)
        if self.down and not self.letters:  # beyond the name of the capstan
            aside = max(0.0, abs(self.capstan - middle - apart / 2) - LINE / 2)
            up = max(up, 2 * self.capstan_radius + 5.0 + math.sqrt(max(0.0, radii[1] ** 2 - aside**2)))
        sides = zip((-1, 1), radii, strict=True)
        self.packs = [(middle + sign * apart / 2, up, radius) for sign, radius in sides]
        self.first = self.labels[0].place - self._half(self.names[0])
        low, high = self.guides[0] - self.guide - 0.3, self.guides[1] + self.guide + 0.3
        high = max(high, self.capstan + self.roller + self.below_roller)
        below = max(2 * self.roller, self.reach) + 0.7
        above = up + 0.35 * max(radii)
        self.start = (self.length - (high - low)) / 2 - low
        top = min(self.room - below, up + max(radii) + 0.5)
        self.line = below + (self.room - below - top) / 2
        return low + self.length >= high and self.first - 0.3 > low and below + above <= self.room

    def spot(self, along: float, side: float) -> Place:
        """Turn a place, counted from the record head, into x and y of the sheet."""
        along = along + self.start
        return np.array([self.line + side, self.length - along] if self.down else [along, self.line + side])

    # -- the tape

    def _way(self) -> Array:
        """Rows of u and w of the tape, from where it leaves a pack, or from the record head round a loop."""
        if self.packs:
            supply, take_up = ((u, w, radius - RIBBON / 2) for u, w, radius in self.packs)
            disks = [supply, *((along, self.guide, self.guide) for along in self.guides), take_up]
            arcs = list(belt(disks))
            return np.concatenate([arcs[0][-1:], arcs[1], self._flat(*self.guides), arcs[2], arcs[3][:1]])
        (left, right), far = self.ends, self.depth - ROUND
        corners = [(right - ROUND, ROUND), (right - ROUND, far), (left + ROUND, far), (left + ROUND, ROUND)]
        arcs = [
            np.array(center) + ROUND * _turn(np.pi / 2 * (k - 1), np.pi / 2 * k)
            for k, center in enumerate(corners)
        ]
        return np.concatenate([self._flat(0.0, right - ROUND), *arcs, self._flat(left + ROUND, 0.0)])

    def _flat(self, low: float, high: float) -> Array:
        along = np.unique(np.concatenate([np.linspace(low, high, 400), [0.0], self.places]))
        along = along[(along >= low) & (along <= high)]
        return np.column_stack([along, np.zeros_like(along)])

    def _pressed(self, points: Array) -> Array:
        """Press the tape in where heads stand."""
        many = len(self.places)
        widths = [self.wide_record] * (len(self.labels) - many) + [self.wide] * many
        dip = np.zeros(len(points))
        for label, wide in zip(self.labels, widths, strict=True):
            near = (points[:, 0] - label.points) / (0.55 * wide)
            dip = np.maximum(dip, DIP * np.clip(1 - near**2, 0, None) ** 2)
        flat = np.abs(points[:, 1]) < 1e-9
        return points - np.column_stack([np.zeros(len(points)), self.side * np.where(flat, dip, 0)])

    def _measured(self, points: Array) -> Array:
        """Rows of m from the record head, x and y; heads are to scale, a loop that has no room is not."""
        drawn = np.concatenate([[0.0], np.hypot(*np.diff(points, axis=0).T).cumsum()])
        here = int(np.argmin(np.hypot(*points.T)))
        drawn = drawn[here:] - drawn[here]
        meters, self.gap_of_erase = drawn / self.scale, 0.0
        if long := self.deck.loop_length:
            far = self.heads.spacings[-1]
            meters = np.interp(drawn, [0, far * self.scale, drawn[-1]], [0, far, long])
            self.gap_of_erase = long - float(np.interp(drawn[-1] + self.erase, drawn, meters))
        return np.column_stack([meters, [self.spot(*point) for point in self._pressed(points)[here:]]])

    @property
    def turning(self) -> list[Turning]:
        """What turns: hubs, or none on a loop, capstan and pinch roller."""
        deck, touch, hub = self.deck, RIBBON / 2, self._hub
        found = [
            Turning(self.spot(u, w), min(hub, 0.96 * radius), size, 1)
            for (u, w, radius), size in zip(self.packs, deck.packs or (), strict=False)
        ]
        for radius, size, side in ((self.capstan_radius, deck.capstan, 1), (self.roller, deck.roller, -1)):
            found.append(Turning(self.spot(self.capstan, side * (radius + touch)), radius, size / 2, side))
        return found

    @property
    def _hub(self) -> float:
        return float(self.deck.hub * max(self.scale, 1000 * LEAST))

    def _draw(self, points: Array) -> None:
        sheet = self.sheet
        size = sheet.width, sheet.height
        sheet.bar((size[0] / 2, size[1] / 2), size, fill="fill", width=0, zorder=0.2)
        self._packs()
        pressed = self._pressed(points)
        sheet.ribbon([self.spot(*p) for p in pressed], thickness=RIBBON, zorder=1.1)
        self.sound = self._sound()
        self.boxes = self._heads()
        self._drive()
        if self.packs:
            self._travel(self.guides[0] + (self.guide + 0.3 if self.side < 0 else -0.2))
        else:
            self._splice()
        for along in self.guides if self.packs else ():
            self._post((along, self.guide), self.guide)

    def _packs(self) -> None:
        for (u, w, radius), word in zip(self.packs, ("supply", "take-up"), strict=False):
            inner = min(self._hub, 0.96 * radius)
            look: Any = {"role": "tape", "zorder": 1.2}
            self.sheet.disk(self.spot(u, w), radius, fill="ribbon", **look)
            for share in (0.25, 0.5, 0.75):
                wound = self.sheet.disk(self.spot(u, w), inner + share * (radius - inner), **look, width=GRID)
                wound.set_facecolor("none")
            self.sheet.disk(self.spot(u, w), inner, fill="face", **look)
            self.sheet.disk(self.spot(u, w), 0.28 * inner, role="frame", fill="fill", zorder=1.3)
            cut = not self.down and u + self.start + inner > self.sheet.width
            self._turns((u, w), 0.62 * inner, start=205 if self.down or cut else 265)
            ring, text = radius - inner, word[0].upper() if self.letters else word
            half, middle = 0.3 * len(text) + 0.3, (inner + radius) / 2
            at = self.spot(u, w)
            across = min(max(at[0], half), self.sheet.width - half) - at[0]
            down = math.sqrt(max(middle**2 - across**2, 0.0)) * (1 if self.down and word != "supply" else -1)
            at = at + (across, down)
            if ring > 1.5 and 0.6 < at[1] < self.sheet.height - 0.6:
                plate = {"facecolor": self.sheet.color("ribbon"), "edgecolor": "none", "pad": 0}
                self.sheet.words(at, text, bbox=plate)  # the layers of tape run behind it

    def _turns(
        self, place: tuple[float, float], radius: float, *, clockwise: bool = False, start: float = 205
    ) -> None:
        """Draw an arrow of rotation where there is room for one."""
        if radius > 0.6:
            self.sheet.turns(self.spot(*place), radius, clockwise=clockwise, start=start)

    def _post(self, place: tuple[float, float], radius: float) -> None:
        self.sheet.disk(self.spot(*place), radius, role="frame", fill="face", zorder=3)

    def _sound(self) -> Polygon:
        """Write what is recorded into the tape between record head and last playback head."""
        last = self.places[-1]
        along = np.linspace(0, last, max(200, round(60 * last)))
        middle = self._pressed(np.column_stack([along, np.zeros_like(along)]))[:, 1]
        since = np.mod(along / last * 3.0 + 0.35, 1.0)
        half = 0.45 * RIBBON * (0.2 + 0.8 * np.exp(-2.5 * since))
        half *= 0.12 + 0.88 * np.abs(np.sin(along / 0.1))
        upper, lower = (np.column_stack([along, middle + sign * half]) for sign in (1, -1))
        edge = np.concatenate([upper, lower[::-1]])
        return self.sheet.shape([self.spot(*p) for p in edge], role="echo", fill="echo", width=0, zorder=2.7)

    # -- what it passes

    def _heads(self) -> list[Rectangle]:
        """Draw the heads with their names; return the boxes of the record head and of each playback head."""
        boxes = []
        feeds = [True] * (len(self.labels) - len(self.places)) + list(self.heads.feeds_return)
        for k, (label, fed) in enumerate(zip(self.labels, feeds, strict=True)):
            record = k < len(self.labels) - len(self.places)
            boxes.append(self._head(label.points, self.wide_record if record else self.wide, fed=fed))
            self._flag(label)
        return boxes[1 if self.deck.erases else 0 :]

    def _head(self, along: float, wide: float, *, fed: bool) -> Rectangle:
        side, face = self.side, RIBBON / 2 - DIP
        look: Any = {"role": "tape", "fill": "ribbon" if fed else "face"}
        near = np.linspace(-0.5, 0.5, 21)
        pole = face + DIP * (1 - (1 - (near / 0.55) ** 2).clip(0) ** 2)
        back = (along - wide / 2, self.deep), (along + wide / 2, self.deep)
        body = [back[0], *zip(along + wide * near, pole, strict=True), back[1]]
        shape = self.sheet.shape([self.spot(u, side * w) for u, w in body], zorder=2.9, **look)
        size = (self.deep - 0.6, wide) if self.down else (wide, self.deep - 0.6)
        middle = self.spot(along, side * (self.deep + 0.6) / 2)
        box = self.sheet.bar(middle, size, zorder=2.8, width=0, fill=look["fill"])
        if not fed:
            shape.set_linestyle("--")
        gap = [self.spot(along, side * face), self.spot(along, side * 0.7 * self.deep)]
        self.sheet.line(gap, role="text", width=GRID if wide < 0.9 else STRUCTURE, zorder=3.2)
        return box

    def _flag(self, label: Label) -> None:
        """Write the name of a head beyond it, with a line where it had to give way."""
        if not label.words:
            return
        start, end = self.deep + 0.05, self.deep + 0.42
        if abs(label.place - label.points) > 0.15:
            way = [(label.points, start), (label.place, end)]
            self.sheet.line([self.spot(u, self.side * w) for u, w in way], role="tape", corner=0.0)
        at = self.spot(label.place, self.side * (end + 0.1))
        beside, over = ("left", "bottom") if self.side > 0 else ("right", "top")
        ha, va = (beside, "center") if self.down else ("center", over)
        self.sheet.words(at, label.words, ha=ha, va=va, size=self.small)

    def _drive(self) -> None:
        """Draw the capstan, thin, and the pinch roller that presses the tape to it."""
        sheet, at, thin, thick = self.sheet, self.capstan, self.capstan_radius, self.roller
        touch = RIBBON / 2
        sheet.disk(self.spot(at, thin + touch), thin, role="text", fill="frame", zorder=3)
        sheet.disk(self.spot(at, -thick - touch), thick, role="text", fill="face", zorder=3)
        if thick > 0.5:
            sheet.disk(self.spot(at, -thick - touch), min(0.15 * thick, 0.4), role="frame", zorder=3.1)
        self._turns((at, -thick - touch), 0.7 * thick, clockwise=True)
        name = self.spot(at, 2 * thin + touch + 0.3)
        look: Any = {"ha": "left", "va": "center"} if self.down else {"ha": "center", "va": "bottom"}
        sheet.words(name, "C" if self.letters else "capstan", **look)
        if not self.roller_named:
            return
        if self.down:
            place = self.spot(at + thick + 0.2, -thick - touch)
            beside = self.spot(at, -touch)[0] - 1.9  # of the tape
            sheet.words((max(min(place[0], beside), 1.7), max(place[1], 2.95)), "pinch\nroller", va="top")
        else:
            sheet.words(self.spot(at + thick + 0.4, -thick - touch), "pinch\nroller", ha="left")

    def _travel(self, along: float) -> None:
        """Draw an arrow in the direction of the tape, on the side without heads."""
        side = -self.side * 0.95
        self.sheet.line([self.spot(along, side), self.spot(along + 2.4, side)], arrows=1)

    def _splice(self) -> None:
        (left, right), w = self.ends, self.depth
        for u, v in itertools.product((left + ROUND, right - ROUND), (ROUND, w - ROUND)):
            self._post((u, v), ROUND - RIBBON / 2)
        along = left + 2 * ROUND + 1.2 if self.down else right - 0.25 * (right - left)
        for shift in (-0.25, 0.25):
            ends = [(along + shift + 0.3, w - RIBBON / 2), (along + shift - 0.3, w + RIBBON / 2)]
            self.sheet.line([self.spot(*end) for end in ends], role="text", zorder=2.8)
        inside: Any = {"ha": "right", "va": "center"} if self.down else {"ha": "center", "va": "top"}
        if not self.letters:
            self.sheet.words(self.spot(along, w - 0.6), "splice", **inside)
        self._travel(left + ROUND)

    def say(self, lines: Sequence[str]) -> None:
        """Write into the closed loop."""
        if self.letters or self.crowded:
            return
        (left, right), w = self.ends, self.depth
        if self.down:
            middle = self.spot(right - 0.6, (w + RIBBON) / 2)
            self.sheet.words(middle, "\n".join(lines), va="bottom")
        else:
            self.sheet.words(self.spot(left + 1.2 + ROUND, w - 0.6), ", ".join(lines), ha="left", va="top")

    # -- how far, and how long it takes

    def measure(self, unit: str, speed: float | None) -> None:
        """Print distance along one edge of the tape, and time at a speed along the other, if there is one."""
        far = self.heads.spacings[-1]
        self._ruler(-self.side, float(from_si(far, unit)), unit, taken=False)
        if speed is not None:
            unit = "s" if far / speed > LONG else "ms"
            self._ruler(self.side, float(from_si(far / speed, unit)), unit, taken=True)

    def _ruler(self, side: int, reach: float, unit: str, *, taken: bool) -> None:
        """Print one edge of the tape; where heads stand there is no room."""
        each, found = self.places[-1] / reach, None
        room = 0.0 if self.down else 0.3 * NOTE * len(f" {unit}")  # any number may carry the unit
        for step in (m * 10.0**k for k in range(-3, 7) for m in (1, 2, 5)):
            if step * min(40, 6 * self.places[-1]) < reach:
                continue
            marks = step * np.arange(0, reach / step * (1 + 1e-9))
            if len(marks) < 2:
                marks = np.array([reach])
            texts = {mark: f"{mark:.6g}" for mark in marks.tolist()}
            for mark, half in [(mark, self._half_number(text)) for mark, text in texts.items()]:
                if taken and self._hidden(mark * each, half + room):
                    del texts[mark]
            if not texts:
                continue
            texts[max(texts)] += f" {unit}"
            ends = [m * each + np.array([-1, 1]) * self._half_number(text) for m, text in texts.items()]
            if all(one[1] < other[0] for one, other in itertools.pairwise(ends)):
                if len(texts) > 1 or not taken or min(texts) == step:  # one alone must be round
                    found = step, marks, texts
                if len(texts) > 1:
                    break
        if found is None:
            return
        step, marks, texts = found
        fine = np.arange(0, reach * (1 + 1e-9), step / 5) if step * each > 0.8 else marks
        for size, rows in ((0.22, fine), (0.42, marks)):
            for mark in rows.tolist():
                if taken and self._hidden(mark * each, 0.1):
                    continue
                ends = [(mark * each, side * RIBBON / 2), (mark * each, side * (RIBBON / 2 + size))]
                self.sheet.line([self.spot(*end) for end in ends], role="text", width=GRID, zorder=2.75)
        beside, over = ("left", "bottom") if side > 0 else ("right", "top")
        va, ha = ("center", beside) if self.down else (over, "center")
        for mark, text in texts.items():
            at = self.spot(mark * each, side * (RIBBON / 2 + 0.5))
            self.sheet.words(at, text, ha=ha, va=va, size=NOTE)

    def _half_number(self, text: str) -> float:
        """Half of what a number of a ruler takes along the tape."""
        return NOTE * (LINE / 2 if self.down else 0.3 * len(text) + 0.2)

    def _hidden(self, along: float, half: float) -> bool:
        """Whether a head, or on a narrow sheet its name, stands within a half width of a place."""
        body = max(self.wide, self.wide_record) / 2 + 0.1
        if any(abs(along - label.points) < half + body for label in self.labels):
            return True
        names = self.labels if self.down and half > 0.2 else []
        return any(abs(along - label.place) < half + self._half(label.words) for label in names)


def _longest(words: str) -> int:
    return max(map(len, words.split("\n")))


def _clear(radius: float, high: float) -> float:
    """How far from the middle of a pack its lower side is so much above its lowest point."""
    down = radius - max(0.0, min(high, radius))
    return math.sqrt(radius**2 - down**2)


def _turn(first: float, last: float) -> Array:
    angles = np.linspace(first, last, max(3, round(abs(last - first) / 0.1)))
    return np.column_stack([np.cos(angles), np.sin(angles)])


def belt(disks: Sequence[tuple[float, float, float]]) -> Iterator[Array]:
    """Lay a belt around disks (u, w, radius) that it passes counterclockwise; give the arc on each.

    Between two of them it runs at ``phi - asin((r2 - r1) / L)``, phi the direction from one to the next.
    """
    runs = []
    for (u, w, r), (x, y, q) in zip(disks, disks[1:], strict=False):
        far = math.hypot(x - u, y - w)
        runs.append(math.atan2(y - w, x - u) - math.asin(max(-1.0, min(1.0, (q - r) / far))))
    for (u, w, r), come, go in zip(disks, [runs[0], *runs], [*runs, runs[-1]], strict=True):
        go += 2 * math.pi * (go < come - 1e-9)
        yield np.array([u, w]) + r * _turn(come - math.pi / 2, go - math.pi / 2)
