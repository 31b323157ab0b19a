"""Turning parts: how often each turns, and which one a wobble points to."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tapecalc.calc.flutter import repeat_deviation
from tapecalc.calc.quantity import between, non_negative, positive, scalar_or_array, single, whole

__all__ = [
    "ADVICE",
    "TurningPart",
    "Verdict",
    "blame_by_part",
    "fingerprint",
    "part_rates",
    "part_repeat_deviations",
]


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

    Give `diameter`, or `belt_length`, or `reel_radius`. A part that runs at the
    speed of the tape needs no more; one on the belt's side also needs the
    `pulley_diameter` on the capstan shaft and the `capstan_diameter`, because the
    belt runs faster than the tape by their ratio.

    Parameters
    ----------
    name : str
        What the part is called.
    diameter : float, optional
        Diameter of a roller, capstan, idler or pulley in m.
    belt_length : float, optional
        Length of a belt in m.
    pulley_diameter : float, optional
        Diameter of the belt's pulley on the capstan shaft in m.
    capstan_diameter : float, optional
        Diameter of the capstan where the tape runs in m.
    reel_radius : float, optional
        Radius of the tape wound on a reel in m.
    tape_thickness : float, optional
        Total tape thickness in m: tape bends about its middle, so capstan and
        rollers act as if thicker by this much. 0 leaves it out.
    wobble : float, optional
        Speed deviation that the part makes once a turn, zero to peak, as a fraction.
    kind : str, optional
        A key of `ADVICE`; found from the name if left out.

    Raises
    ------
    ValueError
        If none or more than one of the sizes is given, half of a belt drive, or a value is
        out of its range.

    See Also
    --------
    part_rates : all parts at once

    Notes
    -----
    Source: rolling without slip. Notebook: 05_flutter.

    Examples
    --------
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
    tape_thickness: float = 0.0
    wobble: float = 0.0
    kind: str | None = None

    def __post_init__(self):
        sizes = ("diameter", "belt_length", "reel_radius")
        drive = ("pulley_diameter", "capstan_diameter")
        given = [size for size in sizes if getattr(self, size) is not None]
        driven = [size for size in drive if getattr(self, size) is not None]
        if len(given) != 1:
            raise ValueError(
                f"part {self.name!r} must have exactly one of diameter, belt_length and reel_radius, "
                f"got {', '.join(given) or 'none'}"
            )
        if len(driven) == 1 or (given == ["belt_length"] and not driven):
            raise ValueError(
                f"part {self.name!r} on the belt's side must have both pulley_diameter and capstan_diameter, "
                f"got {', '.join(driven) or 'neither'}"
            )
        for size in given + driven:
            single(size, positive(f"{size} of part {self.name!r}", getattr(self, size), "m"))
        single("tape_thickness", non_negative("tape_thickness", self.tape_thickness, "m"))
        single("wobble", non_negative("wobble", self.wobble))
        if self.kind is not None and self.kind not in ADVICE:
            raise ValueError(f"kind must be one of {', '.join(ADVICE)}, got {self.kind!r}")

    @property
    def turn_length(self):
        """Length of tape or belt that passes in one turn, m."""
        if self.belt_length is not None:
            return float(self.belt_length)
        if self.reel_radius is not None:
            return 2 * math.pi * self.reel_radius
        on_the_tape = self.pulley_diameter is None
        return math.pi * (self.diameter + (self.tape_thickness if on_the_tape else 0.0))

    @property
    def path_ratio(self):
        """Speed of what the part runs with over the speed of the tape."""
        if self.pulley_diameter is None:
            return 1.0
        return self.pulley_diameter / (self.capstan_diameter + self.tape_thickness)

    @property
    def kind_of_part(self):
        """The kind given, or the one that the name and the dimensions tell."""
        if self.kind is not None:
            return self.kind
        named = [kind for word, kind in _KIND_WORDS if word in self.name.lower()]
        by_shape = "belt" if self.belt_length else "reel" if self.reel_radius else "roller"
        return named[0] if named else by_shape

    def rate_at(self, speed):
        """Return how often the part turns in Hz when the tape runs at `speed` in m/s (array or number)."""
        return scalar_or_array(positive("speed", speed, "m/s") * (self.path_ratio / self.turn_length))


def part_rates(parts, speed):
    """Compute how often each part turns, tape or belt speed over the length of one turn.

    Parameters
    ----------
    parts : sequence of TurningPart
        The turning parts, no two of one name.
    speed : array_like
        Tape speed in m/s, greater than 0.

    Returns
    -------
    dict of str to float or numpy.ndarray
        Turns per second in Hz by name, in the order of the parts.

    Raises
    ------
    ValueError
        If two parts share a name, or the speed is out of its range.

    See Also
    --------
    fingerprint : the way back, from rates to parts

    Notes
    -----
    Source: rolling without slip. Notebook: 05_flutter.

    Examples
    --------
    >>> rates = part_rates([TurningPart(name="pinch roller", diameter=0.038)], 0.1905)
    >>> round(rates["pinch roller"], 3)
    1.596
    """
    return {part.name: part.rate_at(speed) for part in _unlike(parts)}


def part_repeat_deviations(parts, speed, delay, *, passes=1):
    """Compute how far each part's wobble bends the pitch of the n-th repeat.

    Parameters
    ----------
    parts : sequence of TurningPart
        The turning parts, no two of one name.
    speed : array_like
        Tape speed in m/s, greater than 0.
    delay : array_like
        Delay of one pass in s, 0 or more.
    passes : array_like, optional
        Which repeat: whole numbers from 1.

    Returns
    -------
    dict of str to float or numpy.ndarray
        Pitch deviation zero to peak as a fraction by name, in the order of the parts.

    Raises
    ------
    ValueError
        If two parts share a name, or a value is out of its range.

    See Also
    --------
    repeat_deviation : the formula

    Notes
    -----
    Source: as `repeat_deviation`. Notebook: 05_flutter.

    Examples
    --------
    >>> capstan = TurningPart(name="capstan", diameter=0.008, wobble=0.0006)
    >>> bend = part_repeat_deviations([capstan], 0.1905, 0.0415 / 0.1905)
    >>> round(100 * bend["capstan"], 3)  # percent
    0.107
    """
    return {
        part.name: repeat_deviation(part.wobble, part.rate_at(speed), delay, passes=passes)
        for part in _unlike(parts)
    }


# ---- the fingerprint ----

#: Weight of "a part that is not in the list" beside the parts that are: it draws level with
#: a listed part whose rate misses the peak by 2.4 standard deviations.
_UNLISTED = 0.05

#: Weight of a harmonic whose fundamental is missing among the peaks.
_ORPHAN = 0.25


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """Which part one peak of a flutter spectrum comes from, and how sure that is.

    Parameters
    ----------
    frequency : float
        Where the peak stands in Hz.
    depth : float
        Its depth zero to peak as a fraction.
    part : TurningPart or None
        The most likely part; None if none in the list fits.
    harmonic : int
        Bumps per turn of that part; 0 if there is no part.
    expected : float or None
        Rate in Hz at which that part should show; None if there is no part.
    sure : float
        From 0 to 1: the share of this answer in the scores of all answers.
    rivals : tuple of (str, int, float)
        The other answers worth 0.05 or more: name, harmonic and share.
    advice : str
        What to look at.

    See Also
    --------
    fingerprint : reaches them

    Notes
    -----
    Source: definition. Notebook: 05_flutter.

    Examples
    --------
    >>> fingerprint([(9.0, 0.001)], [TurningPart(name="capstan", diameter=0.008)], 0.1905)[0].part is None
    True
    """

    frequency: float
    depth: float
    part: TurningPart | None
    harmonic: int
    expected: float | None
    sure: float
    rivals: tuple
    advice: str


def fingerprint(peaks, parts, speed, *, resolution=0.1, tolerance=0.02, harmonics=4):
    """Find which turning part each peak of a flutter spectrum comes from.

    Every part proposes its rate ``r`` and the multiples ``h r`` up to
    `harmonics`. A proposal scores ``exp(-z^2 / 2) / h``, where z is its distance
    from the peak over ``hypot(resolution, tolerance h r)``; a multiple counts a
    quarter if no peak stands at the part's own rate. An unlisted part always
    scores 0.05. The share of the best score in the sum says how sure the answer
    is: two parts that turn alike get about one half each, whatever the match.

    Parameters
    ----------
    peaks : sequence of (float, float)
        Frequency in Hz, greater than 0, and depth zero to peak as a fraction, 0 or more.
    parts : sequence of TurningPart
        The turning parts, one or more, no two of one name.
    speed : float
        Tape speed in m/s, greater than 0.
    resolution : float, optional
        How sure the frequency of a peak is in Hz: about 1 over the recording's length in s.
    tolerance : float, optional
        How sure the rate of a part is, as a fraction: its size was measured, a belt slips.
    harmonics : int, optional
        How many multiples of each rate to look for, from 1 to 20.

    Returns
    -------
    tuple of Verdict
        One for each peak, the deepest first.

    Raises
    ------
    ValueError
        If there are no parts, two share a name, or a value is out of its range.

    See Also
    --------
    part_rates : the way out, from parts to rates
    blame_by_part : the same summed up by part

    Notes
    -----
    Source: shares of likelihood under a normal error, the scale our own.
    Notebook: 05_flutter.

    Examples
    --------
    >>> roller = TurningPart(name="pinch roller", diameter=0.038)
    >>> reel = TurningPart(name="supply reel", reel_radius=0.06)
    >>> verdict = fingerprint([(1.61, 0.0009)], [roller, reel], 0.1905)[0]
    >>> verdict.part.name, verdict.harmonic, round(verdict.sure, 2)
    ('pinch roller', 1, 0.9)
    """
    peaks = sorted((_peak(peak) for peak in peaks), key=lambda peak: -peak[1])
    if not parts:
        raise ValueError("parts must hold one turning part or more, got none")
    rates = part_rates(parts, single("speed", positive("speed", speed, "m/s")))
    resolution = single("resolution", positive("resolution", resolution, "Hz"))
    tolerance = single("tolerance", between("tolerance", tolerance, 0, 0.5))
    harmonics = whole("harmonics", harmonics, 1, 20)
    frequencies = np.array([frequency for frequency, _ in peaks])

    def spread(rate):
        return math.hypot(resolution, tolerance * rate)

    has_fundamental = {
        name: bool(np.any(np.abs(frequencies - rate) < 2 * spread(rate))) for name, rate in rates.items()
    }

    def verdict(frequency, depth):
        answers = [(_UNLISTED, None, 0)]
        for part in parts:
            for h in range(1, harmonics + 1):
                at = h * rates[part.name]
                score = math.exp(-(((frequency - at) / spread(at)) ** 2) / 2) / h
                answers.append((score if h == 1 or has_fundamental[part.name] else _ORPHAN * score, part, h))
        total = sum(score for score, _, _ in answers)
        answers.sort(key=lambda answer: -answer[0])
        score, part, h = answers[0]
        rivals = tuple(
            (other.name if other else "a part not in the list", n, other_score / total)
            for other_score, other, n in answers[1:]
            if other_score >= 0.05 * total
        )
        return Verdict(
            frequency=frequency,
            depth=depth,
            part=part,
            harmonic=h,
            expected=h * rates[part.name] if part else None,
            sure=score / total,
            rivals=rivals,
            advice=_advice(part, h),
        )

    return tuple(verdict(*peak) for peak in peaks)


def blame_by_part(verdicts):
    """Sum up a fingerprint by part: the rms deviation that each part makes.

    Parameters
    ----------
    verdicts : sequence of Verdict
        What `fingerprint` returned.

    Returns
    -------
    dict of str to float
        Rms deviation as a fraction by the part's name, the largest first, each
        peak weighted with how sure its verdict is; unexplained peaks stand
        under ``"a part not in the list"``.

    See Also
    --------
    fingerprint : finds the verdicts

    Notes
    -----
    Source: powers of sinusoids of different rates add. Notebook: 05_flutter.

    Examples
    --------
    >>> roller = TurningPart(name="pinch roller", diameter=0.038)
    >>> blame = blame_by_part(fingerprint([(1.596, 0.001)], [roller], 0.1905))
    >>> round(1e6 * blame["pinch roller"])
    690
    """
    power = {}
    for verdict in verdicts:
        name = verdict.part.name if verdict.part else "a part not in the list"
        power[name] = power.get(name, 0.0) + verdict.sure * verdict.depth**2 / 2
    return {name: math.sqrt(power[name]) for name in sorted(power, key=lambda name: -power[name])}


def _peak(peak):
    """Check one peak of a spectrum."""
    try:
        frequency, depth = peak
    except (TypeError, ValueError):
        raise ValueError(f"peaks must be pairs of frequency and depth, got {peak!r}") from None
    return (
        single("peak frequency", positive("peak frequency", frequency, "Hz")),
        single("peak depth", non_negative("peak depth", depth)),
    )


def _unlike(parts):
    """Return the parts if no two share a name."""
    names = [part.name for part in parts]
    twice = {name for name in names if names.count(name) > 1}
    if twice:
        raise ValueError(f"parts must have names of their own, got {sorted(twice)[0]!r} twice")
    return parts


def _advice(part, harmonic):
    """Say what to look at."""
    if part is None:
        return ADVICE["unknown"]
    shape = _SHAPES.get(harmonic, f"{harmonic} times a turn: teeth, screws or {harmonic} equal spots.")
    return f"{shape} {ADVICE[part.kind_of_part]}"
