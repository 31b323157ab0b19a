"""Exercises that take the reader's own number and answer with a sentence.

A number close enough is right; a wrong one gets a hint that speaks to the slip which probably led to
it, and never the answer; None, the state in which a notebook is printed or read without running it,
asks for a number. The exercises of a lesson are names in its module, out of the reader's sight, where
a test can try every slip; the question itself is asked in the notebook's text, and the solution is
folded into a Markdown cell::

    <details><summary>Solution</summary>

    The delay is $T = d/v$ ...

    </details>

with the empty lines, so that formulas and code inside are set as anywhere else.
"""

import html
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tapecalc.calc.quantity import between, finite, single
from tapecalc.calc.units import INCH

#: A likely wrong number, or a function that recognizes one, and the hint for it.
Slip = tuple[float | Callable[[float], bool], str]

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
MARKS = {"open": "…", "right": "✓", "not yet": "→"}


@dataclass(frozen=True)
class Reply:
    """What the reader gets to see: a state, ``"open"``, ``"right"`` or ``"not yet"``, and the words."""

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

    `asked_in` names the cell that takes the number, where that is not the one that checks it.

    >>> delay = Exercise(217.848, "ms").hints("Divide.", (435.7, "That is the slow speed."))
    >>> delay.check(218)
    ✓ Right: 218 ms is within 1 % of the exact number.
    >>> delay.check(0.218)
    → Not yet. You are off by a factor of 1000: look at the milli or kilo in the unit.
    """

    hint: str = ""
    slips: tuple[Slip, ...] = ()

    def __init__(
        self, expected: float, unit: str, *, tolerance_percent: float = 1.0, asked_in: str = ""
    ) -> None:
        self.asked_in = asked_in
        self.expected, self.unit = single("expected", finite("expected", expected)), unit
        if self.expected == 0:
            raise ValueError("expected must not be 0, since no percentage of it can be taken")
        percent = between("tolerance_percent", tolerance_percent, 1e-6, 50, "%")
        self.tolerance_percent = single("tolerance_percent", percent)

    def hints(self, hint: str, *slips: Slip) -> "Exercise":
        """Say what helps: slips are tried in order, before `UNIT_SLIPS`; `hint` is for any other number."""
        self.hint, self.slips = hint, slips
        return self

    def check(self, answer: object) -> Reply:
        """Compare the reader's number, or None for "not tried yet", and say what helps."""
        counted = f" in {self.unit}" if self.unit else ""
        if answer is None:
            where = (
                f" in {self.asked_in}; run that cell, then this one."
                if self.asked_in
                else ", then run this cell."
            )
            return Reply("open", f"Put your number in: replace None by a number{counted}{where}")
        number = _number(answer)
        if number is None:
            what = f"one plain number{counted}, such as 12.5, without quotes and without the unit."
            return Reply("open", f"Put in {what}")
        percent, said = self.tolerance_percent, f"Right: {f'{number:.6g} {self.unit}'.rstrip()}"
        must_be_met = percent < 1e-3
        if self._near(number, self.expected):
            near = ", exactly" if must_be_met else f" is within {percent:g} % of the exact number"
            return Reply("right", f"{said}{near}.")
        rounded = not must_be_met and math.isclose(number, float(f"{self.expected:.1e}"))
        if rounded and self._slip(number) is None:
            return Reply("right", f"{said} is the exact number, rounded.")
        return Reply("not yet", f"Not yet. {self._hint_for(number)}")

    def _near(self, number: float, wanted: float) -> bool:
        """Whether a number is close enough to another, rounding forgiven."""
        share = self.tolerance_percent / 100 + 1e-12
        return math.isclose(number, wanted, rel_tol=0, abs_tol=share * abs(wanted))

    def _slip(self, number: float) -> str | None:
        """The words of the first slip that fits."""
        for when, words in self.slips:
            if when(number) if callable(when) else self._near(number, when):
                return words
        return None

    def _hint_for(self, number: float) -> str:
        """The hint of the first slip that fits, else the general one."""
        if slip := self._slip(number):
            return slip
        if self._near(-number, self.expected):
            return "The size is right, the sign is not."
        for factor, words in UNIT_SLIPS:
            if any(self._near(number, wrong) for wrong in (self.expected * factor, self.expected / factor)):
                return DECIBEL_SLIP if factor == 2 and self.unit.startswith("dB") else words
        size = "large" if abs(number) > abs(self.expected) else "small"
        return f"{self.hint} Your number is too {size}.".lstrip()


def _number(answer: object) -> float | None:
    """The answer as a finite float, or None if it is no such thing."""
    if isinstance(answer, str | bytes | bool | np.bool_) or np.ndim(answer):  # type: ignore[arg-type]
        return None
    try:
        number = float(answer)  # type: ignore[arg-type]
    except (TypeError, ValueError, OverflowError):
        return None
    return number if math.isfinite(number) else None
