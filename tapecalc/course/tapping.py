"""A tempo tapped by hand, and how sure it is."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from tapecalc.calc.quantity import finite
from tapecalc.calc.tempo import MINUTE
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, Estimate, student

#: A pause longer than this starts anew, s.
PAUSE = 2.0
#: How far the time may be off at which a tap arrives, 95 of 100, s: browser and kernel keep it waiting.
ARRIVAL = 0.010
#: A gap that is farther from the middle one than this is no beat: a tap was missed, or came twice.
STEADY = 0.3
#: Wider than this, as a fraction, an interval says nothing.
WIDEST = 0.25
FEWEST_TAPS, FASTEST_BPM = 3, 400.0


class TappedTempo(NamedTuple):
    """A tempo in beats a minute, the taps it comes from, and how many gaps between them were left out."""

    bpm: Estimate
    taps: int
    left_out: int

    @property
    def text(self) -> str:
        """What is said about it."""
        gaps = "1 gap" if self.left_out == 1 else f"{self.left_out} gaps"
        without = f" ({gaps} left out, too far from the others)" if self.left_out else ""
        return f"{self.bpm.text()} from {self.taps} taps{without}"


def tapped_tempo(times: Sequence[float]) -> TappedTempo:
    """Find the tempo of the taps since the last pause, from the mean gap ``g`` between them.

    Of n gaps that scatter by s it may be off by ``t s / sqrt(n)`` with Student's t, and by `ARRIVAL` at
    either end. Hands that keep time by themselves make gaps that hang on each other little: a straight line
    through the taps would claim half of that, and be wrong every second time. Along with music each tap
    makes good for the last, and the interval is wider than it need be. Without a tempo: `CannotTell`.

    Source: A. M. Wing and A. B. Kristofferson, Response delays and the timing of discrete motor responses,
    1973 (from memory), for the gaps; JCGM 100:2008, G.3, for the interval.

    >>> tapped_tempo([0.0, 0.59, 1.20, 1.80]).text
    '100 bpm +/- 5 bpm from 4 taps'
    """
    taps = np.asarray(finite("times", times), dtype=float)
    if taps.ndim != 1 or np.any(np.diff(taps) <= 0):
        raise ValueError("times must be a list of rising times in s")
    taps = taps[np.append(0, 1 + np.flatnonzero(np.diff(taps) > PAUSE))[-1] :]
    if taps.size < FEWEST_TAPS:
        raise CannotTell(f"a tempo takes {FEWEST_TAPS} taps or more, so far {taps.size}")
    gaps = np.diff(taps)
    kept = gaps[np.abs(gaps / np.median(gaps) - 1) <= STEADY]
    if kept.size < max(2, 2 / 3 * gaps.size):
        raise CannotTell("the taps do not keep one tempo")
    gap, scatter = float(np.mean(kept)), float(np.std(kept, ddof=1))
    by_hand = COVERAGE_FACTOR * student(kept.size - 1) * scatter / np.sqrt(kept.size)
    share = float(np.hypot(by_hand, np.sqrt(2) * ARRIVAL / kept.size)) / gap
    bpm = MINUTE / gap
    if share > WIDEST:
        raise CannotTell("the taps do not agree on a tempo yet")
    if bpm > FASTEST_BPM:
        raise CannotTell(f"{bpm:.0f} beats a minute are more than {FASTEST_BPM:g}")
    return TappedTempo(Estimate(bpm, share * bpm, "bpm"), taps.size, gaps.size - kept.size)
