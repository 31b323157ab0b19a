"""Turning parts: how often each turns, and which one a wobble points to."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

import numpy as np

from tapecalc.calc.flutter import Passes, forced_wobble, repeat_deviation
from tapecalc.calc.quantity import (
    DelayOrZero,
    Depth,
    Is,
    Rate,
    Speed,
    T,
    ThicknessOrZero,
    calculator,
    check_fields,
    non_negative,
    positive,
    single,
)

Tolerance = Annotated[T, Is(least=0, most=0.5, words="uncertainty as a fraction", usual=(0.005, 0.05))]
BeltThickness = Annotated[T, Is("m", least=0, words="thickness of a belt, or 0", usual=(5e-4, 3e-3))]
Harmonics = Annotated[T, Is(least=1, most=20, whole=True, words="multiples looked for", usual=(2, 6))]


# ---- which part turns how often ----

#: What to look at, by kind of part. Common practice, no source.
ADVICE = {
    "capstan": (
        "Clean the shaft with alcohol and look for a ring of oxide. With the machine unplugged, turn it "
        "slowly under a dial gauge: a runout of a few micrometers already shows. Check its bearing for play."
    ),
    "pinch roller": (
        "Look for hard, shiny or dented rubber and a flat from standing engaged. Check that it turns freely, "
        "stands parallel to the capstan and presses with the force the service sheet gives."
    ),
    "belt": (
        "Look for a set bend, cracks, a glazed stripe or a lump at the joint. Clean pulleys and belt, and "
        "replace a belt that has kept the shape of its pulleys."
    ),
    "reel": (
        "Try another reel, then look for a bent flange, a pack wound in steps and tape that scrapes the "
        "flange. Check the hold-back brake and its felt: tension should not pulse once a turn."
    ),
    "guide": (
        "Clean the roller, spin it by hand and listen to its bearing. A fixed guide should be smooth; a "
        "roller that sticks and slips is worse than one that does not turn."
    ),
    "idler": (
        "Look for a flat in the rubber from standing engaged, hard rubber, and a dry bearing. Clean the rim "
        "and both surfaces that it runs on."
    ),
    "motor": (
        "Look at the motor pulley and its set screw, clean it, and listen to the motor bearings with the "
        "belt off. Compare with a multiple of the mains frequency, which points to the motor itself."
    ),
    "roller": (
        "Clean it, spin it by hand and feel for play and flats; measure its runout with a dial gauge while "
        "the machine is unplugged."
    ),
    "unknown": (
        "No part in the list turns at this rate. Measure again at another tape speed: a rate that follows "
        "the speed is a turning part that the list lacks; one that stays put is electrical (mains and its "
        "multiples) or the room."
    ),
}

#: What the number of bumps per turn says about their shape. Common practice, no source.
_SHAPES = {
    1: "Once a turn: off center, bent, or one bad spot.",
    2: "Twice a turn: oval, or squeezed flat on two sides.",
    3: "Three times a turn: three spokes, screws or spots.",
}

#: Words in a part's name that tell its kind, looked for in this order.
_KIND_WORDS = (
    ("pinch", "pinch roller"),
    ("capstan", "capstan"),
    ("flywheel", "capstan"),
    ("belt", "belt"),
    ("reel", "reel"),
    ("idler", "idler"),
    ("guide", "guide"),
    ("motor", "motor"),
)


@dataclass(frozen=True, kw_only=True)
class TurningPart:
    """One part that turns and may make the speed wobble.

    Give `diameter` (of a roller, capstan, idler or pulley), or `belt_length`, or `reel_radius` (of the tape
    wound on it), in m. A part that runs at the speed of the tape needs no more; one on the belt's side also
    needs the `pulley_diameter` on the capstan shaft and the `capstan_diameter`, because the belt runs faster
    than the tape by their ratio. Tape and belt bend about their middle, so half their thickness adds to the
    radius of what they run on; `belt_length` counts along the middle, pi thicknesses more than inside.

    >>> belt = TurningPart(name="belt", belt_length=0.42, pulley_diameter=0.06, capstan_diameter=0.008)
    >>> round(belt.rate_at(0.1905), 3)  # it runs 7.5 times as fast as the tape
    3.402
    """

    name: str
    diameter: float | None = None
    belt_length: float | None = None
    pulley_diameter: float | None = None
    capstan_diameter: float | None = None
    reel_radius: float | None = None
    tape_thickness: ThicknessOrZero[float] = 0.0
    belt_thickness: BeltThickness[float] = 0.0
    wobble: Depth[float] = 0.0  # deviation of the speed that the part makes once a turn, zero to peak
    forced_at: Speed[float] | None = None  # the speed for which the wobble of a pulsing force is given
    kind: str | None = None  # a key of `ADVICE`; found from the name if left out

    def __post_init__(self) -> None:
        given = self._given("diameter", "belt_length", "reel_radius")
        driven = self._given("pulley_diameter", "capstan_diameter")
        if len(given) != 1:
            raise ValueError(
                f"part {self.name!r} must have exactly one of diameter, belt_length and reel_radius, "
                f"got {', '.join(given) or 'none'}"
            )
        if len(driven) == 1 or ("belt_length" in given and not driven):
            raise ValueError(
                f"part {self.name!r} on the belt's side must have both pulley_diameter and capstan_diameter, "
                f"got {', '.join(driven) or 'neither'}"
            )
        for size, value in (given | driven).items():
            single(size, positive(f"{size} of part {self.name!r}", value, "m"))
        check_fields(self)
        if self.kind is not None and self.kind not in ADVICE:
            raise ValueError(f"kind must be one of {', '.join(ADVICE)}, got {self.kind!r}")

    def _given(self, *sizes: str) -> dict[str, float]:
        return {size: getattr(self, size) for size in sizes if getattr(self, size) is not None}

    @property
    def turn_length(self) -> float:
        """Length of tape or belt that passes in one turn, m."""
        if self.belt_length is not None:
            return float(self.belt_length)
        if self.reel_radius is not None:
            return 2 * math.pi * self.reel_radius
        assert self.diameter is not None
        on_the_tape = self.pulley_diameter is None
        return math.pi * (self.diameter + (self.tape_thickness if on_the_tape else self.belt_thickness))

    @property
    def path_ratio(self) -> float:
        """Speed of what the part runs with over the speed of the tape."""
        if self.pulley_diameter is None or self.capstan_diameter is None:
            return 1.0
        return (self.pulley_diameter + self.belt_thickness) / (self.capstan_diameter + self.tape_thickness)

    @property
    def kind_of_part(self) -> str:
        """The kind given, or the one that the name and the dimensions tell."""
        if self.kind is not None:
            return self.kind
        named = [kind for word, kind in _KIND_WORDS if word in self.name.lower()]
        by_shape = "belt" if self.belt_length else "reel" if self.reel_radius else "roller"
        return named[0] if named else by_shape

    @calculator
    def rate_at(self, speed: Speed) -> Rate:
        """Compute how often the part turns, rolling without slip."""
        return speed * (self.path_ratio / self.turn_length)

    @calculator
    def wobble_at(self, speed: Speed) -> Depth:
        """Compute its wobble at a speed: the same if it is out of round, else that of `forced_wobble`."""
        if self.forced_at is None:
            return np.full_like(speed, self.wobble)
        return forced_wobble(self.wobble, speed / self.forced_at)


@calculator
def part_rates(parts: Sequence[TurningPart], speed: Speed) -> dict[str, Any]:
    """Compute how often each part turns in Hz, by name; `fingerprint` goes the way back.

    >>> rates = part_rates([TurningPart(name="pinch roller", diameter=0.038)], 0.1905)
    >>> round(rates["pinch roller"], 3)
    1.596
    """
    return {part.name: part.rate_at(speed) for part in _of_unlike_names(parts)}


@calculator
def part_repeat_deviations(
    parts: Sequence[TurningPart], speed: Speed, delay: DelayOrZero, *, passes: Passes = 1
) -> dict[str, Any]:
    """Compute how far each part's wobble bends the pitch of the n-th repeat, zero to peak, by name.

    >>> capstan = TurningPart(name="capstan", diameter=0.008, wobble=0.0006)
    >>> bend = part_repeat_deviations([capstan], 0.1905, 0.0415 / 0.1905)
    >>> round(100 * bend["capstan"], 3)  # percent
    0.107
    """
    return {
        part.name: repeat_deviation(part.wobble_at(speed), part.rate_at(speed), delay, passes=passes)
        for part in _of_unlike_names(parts)
    }


# ---- the fingerprint ----

#: Weight of "a part that is not in the list" beside the parts that are: it draws level with
#: a listed part whose rate misses the peak by 2.4 standard deviations. The scale is our own.
_UNLISTED = 0.05

#: Weight of a harmonic whose fundamental is missing among the peaks.
_ORPHAN = 0.25

#: A rival is named from this share of the scores on.
_RIVAL = 0.05


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """Which part one peak of a flutter spectrum comes from, and how sure that is."""

    frequency: float  # Hz, of the peak
    depth: float  # of the peak, zero to peak as a fraction
    part: TurningPart | None  # the most likely part; None if none in the list fits
    harmonic: int  # bumps per turn of that part; 0 if there is no part
    expected: float | None  # Hz, at which that part should show; None if there is no part
    sure: float  # from 0 to 1: the share of this answer in the scores of all answers
    rivals: tuple[tuple[str, int, float], ...]  # other answers: name, harmonic and share
    advice: str  # what to look at


@calculator
def fingerprint(
    peaks: Iterable[tuple[float, float]],
    parts: Sequence[TurningPart],
    speed: Speed[float],
    *,
    resolution: Rate[float] = 0.1,
    tolerance: Tolerance[float] = 0.02,
    harmonics: Harmonics[int] = 4,
) -> tuple[Verdict, ...]:
    """Find which turning part each peak of a flutter spectrum comes from, the deepest first.

    A peak is a frequency in Hz and a depth zero to peak. Every part proposes its rate ``r`` and multiples
    ``h r`` up to `harmonics`. A proposal scores ``exp(-z^2 / 2) / h``, where z is its distance from the peak
    over ``hypot(resolution, tolerance h r)``; a multiple counts a quarter if no peak stands at the part's own
    rate. An unlisted part always scores 0.05. The share of the best score in the sum says how sure the answer
    is: two parts that turn alike get about one half each, whatever the match.

    Parameters
    ----------
    peaks, parts, speed
        What was measured, the turning parts (no two of one name), and the speed of the tape.
    resolution : float, optional
        How sure the frequency of a peak is in Hz: about 1 over the recording's length in s.
    tolerance : float, optional
        How sure the rate of a part is, as a fraction: its size was measured, a belt slips.
    harmonics : int, optional
        How many multiples of each rate to look for.

    Examples
    --------
    >>> roller = TurningPart(name="pinch roller", diameter=0.038)
    >>> reel = TurningPart(name="supply reel", reel_radius=0.06)
    >>> verdict = fingerprint([(1.61, 0.0009)], [roller, reel], 0.1905)[0]
    >>> verdict.part.name, verdict.harmonic, round(verdict.sure, 2)
    ('pinch roller', 1, 0.9)
    """
    checked = sorted((_peak(peak) for peak in peaks), key=lambda peak: -peak[1])
    if not parts:
        raise ValueError("parts must hold one turning part or more, got none")
    rates = part_rates(parts, speed)
    frequencies = np.array([frequency for frequency, _ in checked])

    def spread(rate: float) -> float:
        return math.hypot(resolution, tolerance * rate)

    has_fundamental = {
        name: bool(np.any(np.abs(frequencies - rate) < 2 * spread(rate))) for name, rate in rates.items()
    }

    def score(frequency: float, part: TurningPart, harmonic: int) -> float:
        at = harmonic * rates[part.name]
        near = math.exp(-(((frequency - at) / spread(at)) ** 2) / 2) / harmonic
        return near if harmonic == 1 or has_fundamental[part.name] else _ORPHAN * near

    def verdict(frequency: float, depth: float) -> Verdict:
        answers: list[tuple[float, TurningPart | None, int]] = [(_UNLISTED, None, 0)]
        answers += [(score(frequency, part, h), part, h) for part in parts for h in range(1, harmonics + 1)]
        total = sum(points for points, _, _ in answers)
        answers.sort(key=lambda answer: -answer[0])
        best, part, harmonic = answers[0]
        rivals = tuple(
            (other.name if other else "a part not in the list", h, points / total)
            for points, other, h in answers[1:]
            if points >= _RIVAL * total
        )
        return Verdict(
            frequency=frequency,
            depth=depth,
            part=part,
            harmonic=harmonic,
            expected=harmonic * rates[part.name] if part else None,
            sure=best / total,
            rivals=rivals,
            advice=_advice(part, harmonic),
        )

    return tuple(verdict(*peak) for peak in checked)


def _peak(peak: tuple[float, float]) -> tuple[float, float]:
    """Check one peak of a spectrum."""
    try:
        frequency, depth = peak
    except (TypeError, ValueError):
        raise ValueError(f"peaks must be pairs of frequency and depth, got {peak!r}") from None
    return (
        single("peak frequency", positive("peak frequency", frequency, "Hz")),
        single("peak depth", non_negative("peak depth", depth)),
    )


def _of_unlike_names(parts: Sequence[TurningPart]) -> Sequence[TurningPart]:
    names = [part.name for part in parts]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise ValueError(f"parts must have names of their own, got {twice[0]!r} twice")
    return parts


def _advice(part: TurningPart | None, harmonic: int) -> str:
    """Say what to look at."""
    if part is None:
        return ADVICE["unknown"]
    shape = _SHAPES.get(harmonic, f"{harmonic} times a turn: teeth, screws or {harmonic} equal spots.")
    return f"{shape} {ADVICE[part.kind_of_part]}"
