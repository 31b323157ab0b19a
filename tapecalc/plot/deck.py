"""The works of the deck: what turns, how often, and which part a wobble points to."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tapecalc.calc.parts import TurningPart
from tapecalc.calc.quantity import positive, single
from tapecalc.machine import Machine
from tapecalc.plot.kit import COMMON_PRACTICE, Canvas, Drawn, figure
from tapecalc.plot.sketch import NARROW, Sketch
from tapecalc.plot.style import GRID
from tapecalc.plot.tape import LINE, belt
from tapecalc.words import listed, sentence

#: Kind of each part that is drawn, by the name that it has where the machine file names none.
DRAWN = {
    "supply reel": "reel",
    "take-up reel": "reel",
    "guide roller": "guide",
    "capstan": "capstan",
    "flywheel": "flywheel",
    "pinch roller": "pinch roller",
    "belt": "belt",
    "motor": "motor",
}
LONGEST = 20  # letters of a part's name in title and picture
CAUTION = "Parts turn and mains voltage is inside: unplug the machine before the cover comes off."


@dataclass(frozen=True)
class _Works:
    """The parts that are drawn: the name of each, and how often it turns, Hz, if that is known."""

    names: dict[str, str]
    rates: dict[str, float]


def _of_machine(machine: Machine) -> dict[str, Any]:
    own: dict[str, Any] = {"parts": machine.turning_parts, "speed": machine.speeds[0]}
    capstan = machine.capstan_diameter
    if capstan and not any(part.kind_of_part == "capstan" for part in machine.turning_parts):
        thickness = machine.tape_thickness
        part = TurningPart(name="capstan", diameter=capstan, tape_thickness=thickness)
        own["parts"] = (*machine.turning_parts, part)
    return own | {"reels": machine.loop_length is None, "speed_range": machine.speed_range}


def _slot(part: TurningPart) -> str:
    """Where a part is drawn."""
    name, kind = part.name.lower(), part.kind_of_part
    if kind == "reel":
        return "take-up reel" if "take" in name else "supply reel"
    if kind == "capstan" and "flywheel" in name:
        return "flywheel"
    return kind if kind in DRAWN else "guide roller"


def _works(parts: Sequence[TurningPart], speed: float, marked: TurningPart | None) -> _Works:
    """Give every place one part, of two the marked or first; the flywheel turns with its shaft."""
    names, rates = {slot: slot for slot in DRAWN}, {}
    for part in (*([marked] if marked else []), *parts):
        slot = _slot(part)
        if slot not in rates:
            names[slot] = part.name
            rates[slot] = float(part.rate_at(speed))
    shaft = rates.get("capstan", rates.get("flywheel"))
    if shaft is not None:
        rates = {"capstan": shaft, "flywheel": shaft} | rates
    return _Works(names, rates)


def _marked(parts: Sequence[TurningPart], speed: float, rate_hz: float | None) -> TurningPart | None:
    """The part that turns at a rate, or the one that wobbles most, or the capstan."""
    if not parts:
        return None
    if rate_hz is not None:
        wanted = single("rate_hz", positive("rate_hz", rate_hz, "Hz"))
        return min(parts, key=lambda part: abs(math.log(float(part.rate_at(speed)) / wanted)))
    most = max(parts, key=lambda part: float(part.wobble_at(speed)))
    if most.wobble > 0:
        return most
    return next((part for part in parts if part.kind_of_part == "capstan"), None)


@figure("which part turns how often", _of_machine, units=True)
def deck_works(
    canvas: Canvas,
    *,
    parts: Sequence[TurningPart] = (),
    speed: float,
    rate_hz: float | None = None,
    reels: bool = True,
    speed_range: tuple[float, float] | None = None,
) -> Drawn:
    """Draw the works of a deck in general form and mark the part that turns `rate_hz` times a second.

    By default the part that wobbles most is marked, or the capstan. Turns per second, ``v / (pi D)``, stand
    at the parts that are known; where there is none, the number is the speed or its `speed_range`. Artists
    are the parts by name, and ``"marked"``.

    >>> capstan = TurningPart(name="capstan", diameter=0.008)
    >>> deck_works(parts=[capstan], speed=0.1905).figure.get_label()
    'The capstan turns 7.58 times a second'
    """
    part = _marked(parts, speed, rate_hz)
    slot, works = (_slot(part) if part else "capstan"), _works(parts, speed, part)
    rate = works.rates.get(slot)
    _write_head(canvas, part, rate, speed, speed_range or (speed,))
    artists = _Picture(canvas.sketch(), works, slot, reels=reels, words=not canvas.symbols_only).artists
    known = [f"{p.name} {float(p.rate_at(speed)):.3g}" for p in parts]
    said = f"Turns per second: {listed(known)}." if known else "No turning part is described yet."
    which = f" Marked: {part.name}." if part else ""
    return Drawn(
        canvas.figure,
        {**artists, "marked": artists[slot]},
        f"The works of a deck in general form at {canvas.speed(speed)}. {said}{which} {CAUTION}",
        "Sketch of what turns in a deck, not to scale: a motor drives by a belt the flywheel on the "
        "capstan's shaft; the pinch roller presses the tape to the capstan"
        f"{', between two reels on their turntables' if reels else ''}. {said}{which}",
        ("rolling without slip: n = v / (pi D)", COMMON_PRACTICE),
    )


def _write_head(
    canvas: Canvas, part: TurningPart | None, rate: float | None, speed: float, speeds: Sequence[float]
) -> None:
    """Write how often the marked part turns, or how fast the tape runs."""
    at = f"in general form, tape at {canvas.speed(speed)}"
    if part is None or rate is None:
        title, all_of = "The capstan sets the speed of the tape", canvas.speed(*speeds)
        canvas.head(title, f"in general form, tape at {all_of}", answer=all_of, means="tape speed")
        return
    name = f"the {part.name}" if len(part.name) <= LONGEST else "this part"
    canvas.head(
        f"{sentence(name)} turns {rate:.3g} times a second",
        at,
        answer=f"{rate:.3g}/s",
        means=f"turns per second of {name}",
    )


class _Picture:
    """The works on a sheet: reels above, the tape below them, capstan and flywheel on it, the motor aside."""

    def __init__(self, sheet: Sketch, works: _Works, marked: str, *, reels: bool, words: bool) -> None:
        self.sheet, self.works, self.marked, self.words = sheet, works, marked, words
        self.artists: dict[str, Any] = {}
        self.narrow = sheet.width < NARROW
        self.reels = (
            min(0.24 * sheet.height, (0.165 if self.narrow else 0.14) * sheet.width) if reels else 0.0
        )
        self.fly = min(
            (0.16 if reels else 0.2) * sheet.height, (0.145 if self.narrow else 0.11) * sheet.width
        )
        self.tape = (0.38 if reels else 0.46) * sheet.height
        wide, up = sheet.width, sheet.height - self.reels - 0.3
        self.at = {
            "supply reel": np.array([self.reels + 0.5, up]),
            "take-up reel": np.array([wide - self.reels - 0.5, up]),
            "capstan": np.array([(0.5 if self.narrow else 0.56) * wide, self.tape + 0.68]),
            "motor": np.array([(0.16 if self.narrow else 0.22) * wide, 0.54 * self.tape]),
            "guide roller": np.array([(0.2 if self.narrow else 0.3) * wide, self.tape + 0.88]),
        }
        sheet.bar((wide / 2, sheet.height / 2), (wide, sheet.height), fill="fill", width=0, zorder=0.2)
        self._way_of_the_tape()
        self._motor_and_belt()
        self._capstan_and_roller()

    def _look(self, part: str) -> dict[str, Any]:
        """The marked part is filled with vermilion, the others are plain."""
        marked = part == self.marked
        return {"role": "echo" if marked else "frame", "fill": "echo" if marked else "face"}

    def _name(self, part: str, place: Any, *, on: bool = False, lean: bool = False, **look: Any) -> None:
        """Write what a part is called and how often it turns; `on` the marked part in the ground's color."""
        rate, name = self.works.rates.get(part), self.works.names[part]
        name = name if len(name) <= LONGEST else part
        name = name.removesuffix(" reel") if self.narrow else name
        lines = (name.replace(" ", "\n", 1) if lean else name).split("\n") if self.words else []
        if rate is not None and part != "flywheel":  # which turns as the capstan does
            lines.append(f"{rate:.3g}/s")
        role = ("face" if on else "echo") if part == self.marked else "text"
        if lines:
            self.sheet.words(place, "\n".join(lines), role=role, **look)

    def _way_of_the_tape(self) -> None:
        """The tape from reel to reel, or in a loop, past a guide."""
        wide, guide = self.sheet.width, self.at["guide roller"]
        points = np.array([[-0.5, self.tape], [wide + 0.5, self.tape]])
        if self.reels:
            ends = [(*self.at[reel], self.reels - 0.2) for reel in ("supply reel", "take-up reel")]
            posts = [(x, self.tape + 0.4, 0.4) for x in (0.9, wide - 0.9)]
            arcs = list(belt([ends[0], *posts, ends[1]]))
            points = np.concatenate([arcs[0][-1:], arcs[1], arcs[2], arcs[3][:1]])
            for reel in ("supply reel", "take-up reel"):
                self.artists[reel] = self.sheet.disk(self.at[reel], self.reels, zorder=2, **self._look(reel))
                role, down = "face" if reel == self.marked else "frame", 0.0
                if not self.narrow:
                    self.sheet.disk(self.at[reel], 0.4, fill="fill", zorder=2.1)
                    down = 0.48 * self.reels
                self.sheet.turns(self.at[reel], 0.75 * self.reels, role=role)
                self._name(reel, self.at[reel] - (0, down), on=True)
            for x, y, radius in posts:
                self.sheet.disk((x, y), radius - 0.15, zorder=2.2)
        self.sheet.ribbon(points, thickness=0.35, zorder=1.8)
        if not self.narrow or "guide roller" in self.works.rates:
            self.artists["guide roller"] = self.sheet.disk(guide, 0.7, zorder=3, **self._look("guide roller"))
            self._name("guide roller", guide + (0, 0.8), va="bottom")

    def _motor_and_belt(self) -> None:
        """The motor, and the belt from its pulley to the flywheel."""
        sheet, capstan, motor, pulley = self.sheet, self.at["capstan"], self.at["motor"], 0.6
        body, look = min(1.7, 0.24 * self.tape), self._look("motor")
        self.artists["motor"] = sheet.box(motor, size=(2 * body, 2 * body), round_by=0.6)
        self.artists["motor"].set(edgecolor=sheet.color(look["role"]), facecolor=sheet.color(look["fill"]))
        self.artists["flywheel"] = sheet.disk(capstan, self.fly, zorder=1.6, **self._look("flywheel"))
        arcs = list(belt([(*motor, pulley), (*capstan, self.fly)] * 2))
        role, width = ("echo", 1.4) if self.marked == "belt" else ("text", 0.7)
        loop = [*arcs[1], *arcs[2], arcs[1][0]]
        self.artists["belt"] = sheet.line(loop, role=role, width=width, corner=0.0, zorder=2.3)
        sheet.disk(motor, pulley, fill="face", zorder=2.2)
        if self.narrow:
            self._name("motor", motor - (0, body + 0.2), va="top")
        else:
            self._name("motor", motor - (body + 0.3, 0), ha="right")
        if not self.narrow:
            middle = (motor[0] + body + capstan[0] - 1.7) / 2
            self._name("belt", (middle, max(motor[1] - pulley - 0.1, 2 * LINE)), va="top")
        elif "guide roller" not in self.works.rates:
            self._name("belt", self.at["guide roller"] - (0.2, 0.2), va="bottom")

    def _capstan_and_roller(self) -> None:
        """The capstan on the flywheel's shaft, and the pinch roller that presses the tape to it."""
        sheet, capstan, roller = self.sheet, self.at["capstan"], min(1.7, 0.28 * self.tape)
        below = np.array([capstan[0], self.tape - 0.18 - roller])
        sheet.turns(capstan, 0.78 * self.fly, start=20)
        self.artists["pinch roller"] = sheet.disk(below, roller, zorder=3, **self._look("pinch roller"))
        sheet.disk(below, 0.25, zorder=3.1)
        self.artists["capstan"] = sheet.disk(capstan, 0.5, zorder=3, **self._look("capstan"))
        above = capstan + (0, self.fly + 0.5)
        if self.words or "capstan" in self.works.rates:
            sheet.line([above, capstan + (0, 0.5)], role="frame", width=GRID, zorder=2.4)
        self._name("capstan", above + (0, 0.1), va="bottom")
        beside = capstan[0] + self.fly + 0.4
        self._name("flywheel", (beside, capstan[1] + 0.3), ha="left", va="bottom")
        self._name("pinch roller", (beside, self.tape - 0.6), ha="left", va="top", lean=self.narrow)
        if self.words or "pinch roller" in self.works.rates:
            sheet.line(
                [(beside - 0.1, self.tape - 1.3), below + (0.7 * roller, 0.5 * roller)],
                width=GRID,
                zorder=3.2,
            )
