"""Exercises that take the reader's own number and answer with a sentence.

A number close enough is right; a wrong one gets a hint that speaks to the slip which probably led to
it, and never the answer; None, the state in which a notebook is printed or read without running it,
asks for a number. A `Guess` is not judged: it is set beside the truth. The exercises of a lesson are names
in its module, out of the reader's sight, where a test can try every slip; the question itself is asked in
the notebook's text, and the solution is folded into a Markdown cell::

    <details><summary>Solution</summary>

    The delay is $T = d/v$ ...

    </details>

with the empty lines, so that formulas and code inside are set as anywhere else.

On a page `live/exercise.mjs` judges by `Exercise.data` and `COMMON`, and comes to the same sentences.
"""

import html
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np

from tapecalc.calc.quantity import between, finite, single
from tapecalc.calc.units import INCH, UNITS

#: How a likely wrong number is told: the number, the lowest and highest of some, or any that is not whole.
Wrong = float | tuple[float | None, float | None] | str
#: A likely wrong number and the hint for it.
Slip = tuple[Wrong, str]
NOT_WHOLE = "not whole"

#: Slips that any exercise may meet: how many times too large the number is, and what to say.
UNIT_SLIPS = (
    (1000.0, "You are off by a factor of 1000: look at the milli or kilo in the unit."),
    (1000 * INCH, "You are off by 25.4: somewhere an inch and a millimeter have changed places."),
    (100 * INCH, "You are off by 2.54: somewhere an inch and a centimeter have changed places."),
    (100.0, "You are off by a factor of 100: look at the percent or centi in the unit."),
    (60.0, "You are off by a factor of 60: look at the minutes and seconds."),
    (10.0, "You are off by a factor of 10: look at where the decimal point went."),
    (2.0, "You are off by a factor of 2: was something doubled that should be halved, or not at all?"),
    (2 * math.pi, "You are off by 2 pi: turns and radians have changed places."),
)
DECIBEL_SLIP = "You are off by a factor of 2: an amplitude takes 20 log10, a power takes 10 log10."
SIGN_SLIP = "The size is right, the sign is not."
#: What all exercises share, for a page's script.
COMMON = {"unit_slips": UNIT_SLIPS, "decibel_slip": DECIBEL_SLIP, "sign_slip": SIGN_SLIP}
MARKS = {"open": "…", "right": "✓", "not yet": "→", "guess": "↔"}

_MU = "\N{GREEK SMALL LETTER MU}"
#: How a unit may be written, in small letters, and what one is in SI or counted in the first of its kind.
_SPELLED: tuple[dict[str, float], ...] = (
    {name: UNITS[name] for name in ("mm", "cm", "m", "um", "in", "mil", "ft")}
    | {"inch": INCH, "inches": INCH, '"': INCH, "\N{MICRO SIGN}m": 1e-6, f"{_MU}m": 1e-6},
    {name: UNITS[name] for name in ("ms", "s", "us", "min", "h")}
    | {"sec": 1.0, "seconds": 1.0, "minutes": 60.0, "\N{MICRO SIGN}s": 1e-6, f"{_MU}s": 1e-6},
    {"ips": INCH, "in/s": INCH, "mm/s": 1e-3, "cm/s": 1e-2, "m/s": 1.0},
    {"hz": 1.0, "khz": 1e3, "/s": 1.0, "1/s": 1.0},
    {name: UNITS[name] for name in ("arcmin", "deg", "rad")} | {"'": UNITS["arcmin"], "°": UNITS["deg"]},
    {"%": 1.0, "percent": 1.0},
    {"bpm": 1.0, "beats per minute": 1.0, "/min": 1.0, "1/min": 1.0},
    {"db": 1.0},
    {"cents": 1.0, "cent": 1.0, "semitones": 100.0, "semitone": 100.0},
    {"frames": 1.0, "frame": 1.0},
    {"pt": 1.0, "points": 1.0},
    {"mb a second": 1.0, "mb/s": 1.0, "mb per second": 1.0, "gb/s": 1000.0},
)
_SPACES = re.compile("[ \t\N{NO-BREAK SPACE}\N{THIN SPACE}\N{NARROW NO-BREAK SPACE}]+")
_ANSWER = re.compile(
    r"([+-]?) ?([.,]?[0-9][0-9.,]*(?: [0-9.,]+)*)(?:e([+-]?[0-9]{1,3}))?(?:/([0-9]+))? ?(.*)"
)
_ONE_MARK = re.compile(r"[0-9]*[.,]?[0-9]+|[0-9]+[.,]")
_GROUPED = (
    re.compile(r"[1-9][0-9]{0,2}(?: [0-9]{3})+(?:[.,][0-9]+)?"),  # 1 234,5
    re.compile(r"[1-9][0-9]{0,2}(?:,[0-9]{3})+(?:\.[0-9]+)?"),  # 1,234.5
    re.compile(r"[1-9][0-9]{0,2}(?:\.[0-9]{3})+,[0-9]+"),  # 1.234,5
)


@dataclass(frozen=True)
class Reply:
    """What the reader gets to see: a state, a key of `MARKS`, and the words."""

    state: str
    sentence: str

    def __repr__(self) -> str:
        return f"{MARKS[self.state]} {self.sentence}"

    def _repr_html_(self) -> str:
        """The sentence in a frame that stands out on a light and on a dark page."""
        return (
            "<p role='status' style='border-left:4px solid currentColor;margin:4px 0;padding:6px 12px'>"
            f"<b aria-hidden='true'>{MARKS[self.state]}</b> {html.escape(self.sentence)}</p>"
        )


class Exercise:
    """A number to find, counted in `unit`; right means ``|answer - expected| <= tolerance |expected|``.

    What the number is when it is rounded to two digits is right as well, unless it is a slip.
    An answer may be a text with a unit, of any that measure the same.

    >>> delay = Exercise(217.848, "ms").hints("Divide.", (435.7, "That is the slow speed."))
    >>> delay.check(218)
    ✓ Right: 218 ms is within 1 % of the exact number.
    >>> delay.check("0,2178 s")
    ✓ Right: 217.8 ms is within 1 % of the exact number.
    >>> delay.check(0.218)
    → Not yet. You are off by a factor of 1000: look at the milli or kilo in the unit.
    """

    hint: str = ""
    slips: tuple[Slip, ...] = ()
    asked_in: str = ""
    is_guess: bool = False

    def __init__(self, expected: float, unit: str, *, tolerance_percent: float = 1.0) -> None:
        self.expected, self.unit = single("expected", finite("expected", expected)), unit
        if self.expected == 0:
            raise ValueError("expected must not be 0, since no percentage of it can be taken")
        percent = between("tolerance_percent", tolerance_percent, 1e-6, 50, "%")
        self.tolerance_percent = single("tolerance_percent", percent)
        self.units = _units_like(unit)

    def hints(self, hint: str, *slips: Slip) -> "Exercise":
        """Say what helps: slips are tried in order, before `UNIT_SLIPS`; `hint` is for any other number."""
        self.hint, self.slips = hint, slips
        return self

    @property
    def data(self) -> dict[str, Any]:
        """All that judging needs, as JSON has it."""
        return {
            "expected": self.expected,
            "unit": self.unit,
            "units": self.units,
            "tolerance_percent": self.tolerance_percent,
            "rounded": self._rounded,
            "hint": self.hint,
            "slips": [
                [list(wrong) if isinstance(wrong, tuple) else wrong, said] for wrong, said in self.slips
            ],
            "guess": self.is_guess,
            "truth": self._truth,
        }

    def check(self, answer: object) -> Reply:
        """Compare the reader's number, or None for "not tried yet", and say what helps."""
        if answer is None:
            where = (
                f" in {self.asked_in}; run that cell, then this one."
                if self.asked_in
                else ", then run this cell."
            )
            counted = f" in {self.unit}" if self.unit else ""
            return Reply("open", f"Put your number in: replace None by a number{counted}{where}")
        numbers = _read(answer, self.units)
        if numbers is None:
            return Reply("open", f"That unit does not fit: the answer is {self._counted}.")
        if not numbers:
            return Reply("open", f"Put in one number, such as {self._with_unit('12.5')}.")
        replies = [self._reply(number) for number in numbers]
        return next((reply for reply in replies if reply.state == "right"), replies[0])

    def _reply(self, number: float) -> Reply:
        """Judge one number in the exercise's own unit."""
        if self._near(number, self.expected):
            near = f" is within {self.tolerance_percent:g} % of the exact number"
            near = ", exactly" if self._rounded is None else near
            return Reply("right", f"Right: {self._said(number)}{near}.")
        if self._is_rounded(number):
            return Reply("right", f"Right: {self._said(number)} is the exact number, rounded.")
        return Reply("not yet", f"Not yet. {self._hint_for(number)}")

    @property
    def _counted(self) -> str:
        return f"counted in {self.unit}" if self.unit else "a plain number"

    @property
    def _rounded(self) -> float | None:
        """The number to two digits; None where it must be met."""
        return float(f"{self.expected:.1e}") if self.tolerance_percent >= 1e-3 else None

    def _with_unit(self, digits: str) -> str:
        return f"{digits} {self.unit}".rstrip()

    @property
    def _truth(self) -> str:
        """The number to three digits."""
        return self._said(float(f"{self.expected:.3g}"))

    def _said(self, number: float) -> str:
        return self._with_unit(f"{number:.6g}")

    def _is_rounded(self, number: float) -> bool:
        """Whether it is what the number is to two digits, and no slip."""
        rounded = self._rounded
        return rounded is not None and math.isclose(number, rounded) and self._slip(number) is None

    def _near(self, number: float, wanted: float) -> bool:
        """Whether a number is close enough to another, rounding forgiven."""
        share = self.tolerance_percent / 100 + 1e-12
        return math.isclose(number, wanted, rel_tol=0, abs_tol=share * abs(wanted))

    def _slip(self, number: float) -> str | None:
        """The words of the first slip that fits."""
        return next((words for wrong, words in self.slips if self._fits(number, wrong)), None)

    def _fits(self, number: float, wrong: Wrong) -> bool:
        """Whether it is such a wrong number."""
        if isinstance(wrong, str):
            return number != math.floor(number)
        if isinstance(wrong, tuple):
            low, high = wrong
            return (low is None or low <= number) and (high is None or number <= high)
        return self._near(number, wrong)

    def _hint_for(self, number: float) -> str:
        """The hint of the first slip that fits, else the general one."""
        if slip := self._slip(number):
            return slip
        if self._near(-number, self.expected):
            return SIGN_SLIP
        for factor, words in UNIT_SLIPS:
            if any(self._near(number, wrong) for wrong in (self.expected * factor, self.expected / factor)):
                return DECIBEL_SLIP if factor == 2 and self.unit.startswith("dB") else words
        size = "large" if abs(number) > abs(self.expected) else "small"
        return f"{self.hint} Your number is too {size}.".lstrip()


@dataclass(frozen=True)
class Asked:
    """A question in words, what is right, and how one gets there."""

    question: str
    exercise: Exercise
    solution: str

    @property
    def data(self) -> dict[str, Any]:
        """The same as JSON has it."""
        return {"question": self.question, "exercise": self.exercise.data, "solution": self.solution}

    def ask(self, answer: object) -> "Replied":
        """Show the question, and what there is to say to the reader's number, or to None."""
        return Replied(self, self.exercise.check(answer))


@dataclass(frozen=True)
class Replied:
    """A question with the reply to an answer, and the solution folded below."""

    asked: Asked
    reply: Reply

    def __repr__(self) -> str:
        return f"{self.asked.question}\n{self.reply!r}"

    def _repr_html_(self) -> str:
        question, solution = html.escape(self.asked.question), html.escape(self.asked.solution)
        folded = f"<details><summary>Solution</summary><p>{solution}</p></details>"
        return f"<p>{question}</p>{self.reply._repr_html_()}{folded}"


@dataclass(frozen=True)
class Question:
    """An exercise that can be asked again with other numbers: `make` takes one of each of `numbers`.

    The texts name them as format strings do; the solution may name the `answer`, too.

    >>> double = Question("Twice {n:g}?", lambda n: Exercise(2 * n, "ms"), "It is {answer}.", {"n": [3]})
    >>> double.variants(seed=1)[0].ask(5.9)
    Twice 3?
    → Not yet. Your number is too small.
    """

    text: str
    make: Callable[..., Exercise]
    solution: str
    numbers: Mapping[str, Sequence[float]]

    def variants(self, *, seed: int) -> list[Asked]:
        """All that can be asked, in an order drawn by the seed."""
        chosen = [dict(zip(self.numbers, one, strict=True)) for one in product(*self.numbers.values())]
        order = np.random.default_rng(seed).permutation(len(chosen))
        return [self._asked(chosen[place]) for place in order]

    def _asked(self, numbers: dict[str, float]) -> Asked:
        exercise = self.make(**numbers)
        answer = exercise.data["truth"]
        return Asked(self.text.format(**numbers), exercise, self.solution.format(**numbers, answer=answer))


class Guess(Exercise):
    """A number said before it is known: it is not judged but set beside the truth.

    >>> Guess(217.848, "ms", tolerance_percent=25).check(50)
    ↔ You guessed 50 ms; it is 218 ms, 4.4 times as much.
    """

    asked_in = "the cell where you guessed"
    is_guess = True

    def _reply(self, number: float) -> Reply:
        """Say how the two compare, and what may have led astray."""
        set_beside = f"You guessed {self._said(number)}; it is {self._truth}"
        if self._near(number, self.expected):
            return Reply("guess", f"{set_beside}: well guessed.")
        why = self._slip(number) or self.hint
        return Reply("guess", f"{set_beside}{self._compared(number)}. {why}".rstrip())

    def _compared(self, number: float) -> str:
        """How many times the guess the truth is, where that can be said."""
        times = self.expected / number if number else 0.0
        if times >= 1:
            return f", {_times(times)} as much" if times >= 1.5 else f", {_percent(times - 1)} more"
        if times > 0:
            less = f", {_percent(1 - times)} less"
            return less if times > 2 / 3 else f": you guessed {_times(1 / times)} as much"
        return ""


@dataclass(frozen=True)
class Met:
    """Sentences that set the guesses of a lesson beside what is true, in their order."""

    sentences: tuple[str, ...]

    def __repr__(self) -> str:
        return "\n".join(f"{number}. {said}" for number, said in enumerate(self.sentences, 1))

    def _repr_html_(self) -> str:
        return f"<ol>{''.join(f'<li>{html.escape(said)}</li>' for said in self.sentences)}</ol>"


def meet(*guesses: tuple[object, Guess | str]) -> Met:
    """Set guesses, None where there is none, beside a `Guess` or the truth in words.

    >>> meet((50, Guess(217.848, "ms")), ("dozens", "By a few."), (None, "No."))
    1. You guessed 50 ms; it is 218 ms, 4.4 times as much.
    2. By a few. You said: dozens.
    3. No.
    """
    return Met(tuple(met(said, true) for said, true in guesses))


def met(said: object, true: Guess | str) -> str:
    """Set one guess, None where there is none, beside the truth."""
    if isinstance(true, Guess):
        return f"It is {true.data['truth']}." if said is None else true.check(said).sentence
    return true if said is None else f"{true} You said: {str(said).rstrip('.')}."


def _times(factor: float) -> str:
    """A factor in words, halves rounded up."""
    if factor >= 100:
        return "more than a hundred times"
    tenths = math.floor(10 * factor + 0.5)
    return f"{tenths // 10 if tenths % 10 == 0 or tenths >= 100 else tenths / 10} times"


def _percent(share: float) -> str:
    return f"{math.floor(100 * share + 0.5)} %"


def _units_like(unit: str) -> dict[str, float]:
    """How the unit, and others that measure the same, may be written, and what one is, counted in it."""
    own = unit.lower()
    for kind in _SPELLED:
        if own in kind:
            return {name: size / kind[own] for name, size in kind.items()}
    return {own: 1.0} if unit else {}


def _read(answer: object, units: dict[str, float]) -> list[float] | None:
    """What numbers the answer may mean, counted in the exercise's unit; None if its unit is another."""
    if isinstance(answer, str):
        return _read_text(answer, units)
    if isinstance(answer, bytes | bool | np.bool_) or np.ndim(answer):  # type: ignore[arg-type]
        return []
    try:
        number = float(answer)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        return []
    return [number] if math.isfinite(number) else []


def _read_text(text: str, units: dict[str, float]) -> list[float] | None:
    """The same of what is typed; a comma may be a point or stand between thousands: then it means both."""
    plain = _SPACES.sub(" ", text.replace("\N{MINUS SIGN}", "-")).strip(" ").lower()
    found = _ANSWER.fullmatch(plain)
    if not found:
        return []
    sign, digits, exponent, divisor, unit = found.groups()
    if unit and unit not in units:
        return None
    scale = units[unit] if unit else 1.0
    parts = float(divisor or 1) or math.nan
    numbers = (float(f"{sign}{point}e{exponent or 0}") * scale / parts for point in _points(digits))
    return [number + 0.0 for number in numbers if math.isfinite(number)]  # without the minus of 0


def _points(digits: str) -> list[str]:
    """Digits as they may be meant, with a point or none."""
    spaces, commas, points = (pattern.fullmatch(digits) for pattern in _GROUPED)
    meant = [digits.replace(",", ".")] if _ONE_MARK.fullmatch(digits) else []
    if spaces:
        meant.append(digits.replace(" ", "").replace(",", "."))
    if commas:
        meant.append(digits.replace(",", ""))
    if points:
        meant.append(digits.replace(".", "").replace(",", "."))
    return meant
