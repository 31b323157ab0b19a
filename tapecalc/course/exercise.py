"""Exercises that take the reader's own number and answer with a sentence.

A number close enough is right; a wrong one gets a hint that speaks to the slip
which probably led to it, and never the answer; None, the state in which a
notebook is printed or read without running it, asks for a number.

The exercises of a notebook are names in a module of `tapecalc.show.questions`,
where the answer is out of sight and a test can try every slip; the question
itself is asked in the notebook's text. Solutions are folded in Markdown cells::

    <details><summary>Solution</summary>

    The delay is $T = d/v$ ...

    </details>

with the empty lines, so that formulas and code inside are set as anywhere else.
"""

from __future__ import annotations

import html
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tapecalc.calc.quantity import between, finite, single
from tapecalc.calc.units import INCH

__all__ = [
    "UNIT_SLIPS",
    "Exercise",
    "Reply",
    "check",
]


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
    """What the reader gets to see.

    Attributes
    ----------
    state : str
        ``"open"``, ``"right"`` or ``"not yet"``.
    sentence : str
        The words.

    Notes
    -----
    Source: common practice, no source. Notebook: 01_delay.
    """

    state: str
    sentence: str

    def __repr__(self):
        return f"{MARKS[self.state]} {self.sentence}"

    def _repr_html_(self):
        """The sentence in a frame that stands out on a light and on a dark page."""
        return (
            "<p role='status' style='border-left:4px solid currentColor;margin:4px 0;padding:6px 12px'>"
            f"<b aria-hidden='true'>{MARKS[self.state]}</b> {html.escape(self.sentence)}</p>"
        )


@dataclass(frozen=True, kw_only=True)
class Exercise:
    """A number to find, as `check` takes it.

    Attributes
    ----------
    expected : float
        The right number, counted in `unit`; not 0.
    unit : str
        What the number counts; empty for a plain number.
    tolerance_percent : float
        How far off is still right.
    slips : tuple of (float or function, str)
        Likely wrong numbers, or functions that recognize them, each with its hint.
    hint : str
        What to say about any other wrong number.

    Notes
    -----
    Source: common practice, no source. Notebook: 01_delay.
    """

    expected: float
    unit: str
    tolerance_percent: float = 1.0
    slips: tuple[tuple[float | Callable[[float], bool], str], ...] = ()
    hint: str = ""

    def check(self, answer):
        """Answer the reader's number with a sentence; see the function `check`."""
        return check(
            answer,
            self.expected,
            unit=self.unit,
            tolerance_percent=self.tolerance_percent,
            slips=self.slips,
            hint=self.hint,
        )


def check(answer, expected, *, unit, tolerance_percent=1.0, slips=(), hint=""):
    """Compare the reader's number with the expected one, and say what helps.

    Right means ``|answer - expected| <= tolerance_percent / 100 * |expected|``.

    Parameters
    ----------
    answer : float or None
        The reader's number, counted in `unit`; None for "not tried yet".
    expected : float
        The right number, counted in `unit`; not 0, of which no percentage can be taken.
    unit : str
        What the number counts, as people read it; empty for a plain number.
    tolerance_percent : float, optional
        How far off is still right, more than 0 and at most 50.
    slips : sequence of (float or function, str), optional
        Likely wrong numbers, or functions that recognize them, each with its hint;
        tried in order, before the `UNIT_SLIPS`.
    hint : str, optional
        What to say about any other wrong number.

    Returns
    -------
    Reply
        A sentence, shown by a notebook as text in a frame.

    Raises
    ------
    ValueError
        If the expected number or the tolerance makes no sense; never because of the answer.

    Notes
    -----
    Source: common practice, no source. Notebook: 01_delay.

    Examples
    --------
    >>> check(218, 217.848, unit="ms")
    ✓ Right: 218 ms is within 1 % of the exact number.
    >>> check(0.218, 217.848, unit="ms")
    → Not yet. You are off by a factor of 1000: look at the milli or kilo in the unit.
    >>> check(None, 217.848, unit="ms")
    … Put your number in: replace None by a number in ms, then run this cell.
    """
    wanted = single("expected", finite("expected", expected))
    percent = single("tolerance_percent", between("tolerance_percent", tolerance_percent, 1e-6, 50, "%"))
    if wanted == 0:
        raise ValueError("expected must not be 0, since no percentage of it can be taken")
    counted = f" in {unit}" if unit else ""
    if answer is None:
        return Reply("open", f"Put your number in: replace None by a number{counted}, then run this cell.")
    number = _number(answer)
    if number is None:
        return Reply(
            "open", f"Put in one plain number{counted}, such as 12.5, without quotes and without the unit."
        )
    if _near(number, wanted, percent):
        typed = f"{number:.6g} {unit}".rstrip()
        near = f" is within {percent:g} % of the exact number" if percent > 1e-3 else ", exactly"
        return Reply("right", f"Right: {typed}{near}.")
    return Reply("not yet", f"Not yet. {_hint_for(number, wanted, percent, unit, slips, hint)}")


def _number(answer):
    """The answer as a finite float, or None if it is no such thing."""
    if isinstance(answer, str | bytes | bool | np.bool_) or np.ndim(answer):
        return None
    try:
        number = float(answer)
    except (TypeError, ValueError, OverflowError):
        return None
    return number if math.isfinite(number) else None


def _near(number, wanted, percent):
    """Whether a number is within some percent of the wanted one, rounding forgiven."""
    return math.isclose(number, wanted, rel_tol=0, abs_tol=(percent / 100 + 1e-12) * abs(wanted))


def _hint_for(number, wanted, percent, unit, slips, hint):
    """The hint of the first slip that fits, else the general one."""
    for when, words in slips:
        if when(number) if callable(when) else _near(number, when, percent):
            return words
    if _near(-number, wanted, percent):
        return "The size is right, the sign is not."
    for factor, words in UNIT_SLIPS:
        if _near(number, wanted * factor, percent) or _near(number, wanted / factor, percent):
            return DECIBEL_SLIP if factor == 2 and unit.startswith("dB") else words
    size = "large" if abs(number) > abs(wanted) else "small"
    return f"{hint} Your number is too {size}.".lstrip()
