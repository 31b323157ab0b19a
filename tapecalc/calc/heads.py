"""Many playback heads on one tape: the rhythm they make, their combs, and closed loops of tape.

Spacings are counted along the tape from the gap of the record head. A head at `d` answers `d / v` after
the sound, whatever the others do; together they make a rhythm on every sound, a comb where two of them
answer nearly at once, and a loop through those that feed the return.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapecalc.calc.quantity import (
    DelayOrZero,
    Frequency,
    FrequencyOrZero,
    Is,
    Level,
    Spacing,
    Speed,
    T,
    Tempo,
    calculator,
    finite,
    non_negative,
    positive,
    single,
    whole,
)
from tapecalc.calc.response import NULL_DB
from tapecalc.calc.standards import FUSION_LIMIT
from tapecalc.calc.tempo import NOTE_VALUES, NoteValue, TempoFit, beats_from_delay, nearest_fits
from tapecalc.calc.transport import run_time, tape_used
from tapecalc.calc.units import UNITS, amplitude_to_db, db_to_amplitude

MOST_HEADS = 8
#: When heads answer, in beats, where a rhythm is shown on a machine that has a single one; our own, uneven.
EXAMPLE_RHYTHM = (0.25, 0.375, 0.75, 1.0)
MINUTE = UNITS["min"]
#: Slack for lengths that are whole numbers of ruler steps but for rounding.
RULER_SLACK = 1e-9

LoopLength = Annotated[T, Is("m", above=0, words="length of a closed loop of tape", usual=(1.0, 10.0))]
HeadGain = Annotated[T, Is(above=0, words="amplitude of one head", usual=(0.1, 1.0))]
TapDelays = Annotated[T, Is("s", least=0, series=True, words="delay of each head", usual=(0.05, 1.0))]
TapLevels = Annotated[T, Is(series=True, words="amplitude of each head, signed", usual=(0.1, 1.0))]
PassesPerHour = Annotated[T, Is(above=0, words="passes in an hour", usual=(60.0, 600.0))]


@dataclass(frozen=True, kw_only=True)
class Heads:
    """The playback heads of a machine: where each stands, how loud it is, and whether it feeds the return.

    Parameters
    ----------
    spacings : tuple of float
        Distance of each head from the record head along the tape in m, greater than 0.
    gains : tuple of float, optional
        Amplitude of each head in the sum that is heard, below 0 where it is inverted; 1 unless given.
    feeds_return : tuple of bool, optional
        Which heads feed the return send; all of them unless given.
    width : float, optional
        Width of one head along the tape in m: no two gaps can be nearer. 0 where nobody asks.

    Examples
    --------
    >>> Heads(spacings=(0.05, 0.1), feeds_return=(True, False)).return_gains
    (1.0, 0.0)
    """

    spacings: tuple[float, ...]
    gains: tuple[float, ...] = ()
    feeds_return: tuple[bool, ...] = ()
    width: float = 0.0

    def __post_init__(self) -> None:
        spacings = np.atleast_1d(positive("spacings", self.spacings, "m"))
        count = spacings.size
        if spacings.ndim > 1 or count > MOST_HEADS:
            raise ValueError(f"spacings must be 1 to {MOST_HEADS} numbers, got shape {spacings.shape}")
        width = single("width", non_negative("width", self.width, "m"))
        if width and np.any(np.diff(spacings, prepend=0.0) < width - RULER_SLACK):
            raise ValueError(
                f"spacings must leave the width of a head, {width:g} m, from gap to gap and after the "
                f"record head, got {tuple(spacings.tolist())}"
            )
        gains = np.atleast_1d(finite("gains", self.gains if len(self.gains) else (1.0,) * count))
        feeds_return = self.feeds_return if len(self.feeds_return) else (True,) * count
        for name, values in (("gains", gains), ("feeds_return", feeds_return)):
            if len(values) != count:
                raise ValueError(f"{name} must have one value for each of {count} heads, got {len(values)}")
        object.__setattr__(self, "spacings", tuple(spacings.tolist()))
        object.__setattr__(self, "gains", tuple(gains.tolist()))
        object.__setattr__(self, "feeds_return", tuple(bool(feeds) for feeds in feeds_return))
        object.__setattr__(self, "width", width)

    @classmethod
    def from_delays(cls, delays: ArrayLike, speed: float, *, gains: tuple[float, ...] = ()) -> Self:
        """Place heads so that they answer after `delays` in s at a tape `speed` in m/s."""
        spacings = positive("delays", delays, "s") * single("speed", positive("speed", speed, "m/s"))
        return cls(spacings=tuple(np.atleast_1d(spacings)), gains=gains)

    @property
    def return_gains(self) -> tuple[float, ...]:
        """Amplitude of each head in the sum that goes back to the machine."""
        return tuple(g if feeds else 0.0 for g, feeds in zip(self.gains, self.feeds_return, strict=True))

    def delays(self, speed: ArrayLike) -> NDArray[np.float64]:
        """Return the delays in s; heads on the last axis, after the axes of `speed` in m/s."""
        return np.array(self.spacings) / positive("speed", speed, "m/s")[..., None]


@dataclass(frozen=True, kw_only=True)
class Onset:
    """One answer of one head to a sound."""

    head: int  # which playback head, counted from 1 in the order given
    delay: float  # s
    beats: float  # the same in beats
    gain: float  # amplitude, below 0 where the head is inverted
    fit: TempoFit  # the nearest note value, and by how much the head misses it


@calculator
def rhythm(
    heads: Heads, speed: Speed[float], bpm: Tempo[float], *, notes: Sequence[NoteValue] = NOTE_VALUES
) -> tuple[Onset, ...]:
    """List what the heads answer to one sound, in order of time, with the nearest note values.

    ``T = d / v``, and one beat lasts ``60 / bpm`` seconds; `head_design.design_heads` goes the way back.

    >>> heads = Heads(spacings=(0.05, 0.075, 0.1))
    >>> [onset.fit.note.name for onset in rhythm(heads, 0.2, 120)]
    ['eighth', 'dotted eighth', 'quarter']
    """
    onsets = []
    for head, delay in enumerate(heads.delays(speed).tolist()):
        fit = nearest_fits(delay, bpm, notes=notes)[0]
        beats = beats_from_delay(delay, bpm)
        onsets.append(Onset(head=head + 1, delay=delay, beats=beats, gain=heads.gains[head], fit=fit))
    return tuple(sorted(onsets, key=lambda onset: onset.delay))


@calculator
def taps_gain(
    frequency: FrequencyOrZero, delays: TapDelays, levels: TapLevels
) -> complex | NDArray[np.complex128]:
    """Compute the response of the summed heads, ``sum of a_k e^(-j 2 pi f T_k)``.

    `delays` and the amplitudes `levels` are one-dimensional, one for each head; the gain has the shape
    of `frequency`.
    """
    delays, levels = np.atleast_1d(delays), np.atleast_1d(levels)
    if delays.ndim > 1 or delays.shape != levels.shape:
        raise ValueError(
            f"levels must be one number for each of the delays, got shape {levels.shape} for {delays.shape}"
        )
    return np.exp(-2j * np.pi * frequency[..., None] * delays) @ levels


@calculator
def notch_frequencies(
    delay: DelayOrZero[float], other_delay: DelayOrZero[float], highest: Frequency[float]
) -> Frequency:
    """List where two heads of one level cancel, ``(k + 1/2) / |T2 - T1|``, rising, up to `highest`.

    >>> notch_frequencies(0.1, 0.1025, 1200.0).round(6)
    array([ 200.,  600., 1000.])
    """
    apart = abs(other_delay - delay)
    if not apart:
        raise ValueError(f"other_delay must differ from delay, got {other_delay:g} s for both")
    count = max(0, math.floor(highest * apart + 0.5 + 1e-9))
    return (np.arange(count) + 0.5) / apart


@calculator
def comb_extremes_db(level: HeadGain, other_level: HeadGain) -> tuple[Level, Level]:
    """Compute the peaks and notches of two summed heads, ``20 log10 (a1 + a2)`` and of ``|a1 - a2|``.

    Notches read -300 dB at the least.

    >>> peak_db, notch_db = comb_extremes_db(1.0, 0.5)
    >>> round(peak_db, 4), round(notch_db, 4)
    (3.5218, -6.0206)
    """
    peak, notch = level + other_level, np.abs(level - other_level)
    floor = db_to_amplitude(NULL_DB)
    return amplitude_to_db(np.maximum(peak, floor)), amplitude_to_db(np.maximum(notch, floor))


@dataclass(frozen=True)
class ClosePair:
    """Two heads that answer so nearly together that the ear hears one sound with a comb."""

    heads: tuple[int, int]  # counted from 1 in the order given, the earlier one first
    apart: float  # s between their answers
    first_notch: float  # Hz, the lowest frequency above 0 at which they cancel
    peak_db: float
    notch_db: float


@calculator
def close_pairs(heads: Heads, speed: Speed[float]) -> tuple[ClosePair, ...]:
    """Find neighbors that answer within 40 ms, in which ears fuse two sounds; silent heads are passed over.

    Where one of the two is inverted, peaks and notches change places.

    Source: limit of fusion, H. Wallach, E. B. Newman, M. R. Rosenzweig, 1949.
    """
    delays = heads.delays(speed).tolist()
    audible = sorted((k for k, gain in enumerate(heads.gains) if gain), key=lambda k: delays[k])
    pairs = []
    for k, other in itertools.pairwise(audible):
        apart = delays[other] - delays[k]
        if 0 < apart < FUSION_LIMIT:
            gain, other_gain = heads.gains[k], heads.gains[other]
            peak_db, notch_db = comb_extremes_db(abs(gain), abs(other_gain))
            turns = 0.5 if gain * other_gain > 0 else 1.0  # that the later one is behind at the first notch
            pairs.append(ClosePair((k + 1, other + 1), apart, turns / apart, peak_db, notch_db))
    return tuple(pairs)


@calculator
def passes_per_hour(length: LoopLength, speed: Speed) -> PassesPerHour:
    """Compute how often each point of a closed loop passes the heads in an hour, ``3600 v / L``."""
    return UNITS["h"] / run_time(length, speed)


@dataclass(frozen=True, kw_only=True)
class LoopReport:
    """What a closed loop of tape does to the music."""

    period: float  # s for one round: so often comes the splice and, without erasing, everything recorded
    whole_bars: int  # the nearest number of whole bars, 1 or more
    error: float  # s, how late the splice comes against them
    exact_length: float  # m of tape that would meet them
    passes_per_hour: float  # how often each point of the tape passes every head
    advice: str  # one sentence on what to expect


@calculator
def closed_loop(
    length: LoopLength[float],
    speed: Speed[float],
    bpm: Tempo[float],
    heads: Heads,
    *,
    beats_per_bar: int = 4,
    erase_distance: Spacing[float] | None = None,
) -> LoopReport:
    """Report on a closed loop of tape: splice against the bar, wear, and erasing before recording.

    In the direction of travel a point of the tape meets the erase head, `erase_distance` before the record
    head, then that and the playback heads; then it goes round. The last playback head must come before the
    erase head, or it finds nothing to play. Without an erase head sound piles up on sound.

    >>> report = closed_loop(1.2, 0.1905, 76, Heads(spacings=(0.0415,)), erase_distance=0.03)
    >>> report.whole_bars, round(report.error, 3), round(report.exact_length, 4)
    (2, -0.017, 1.2032)
    """
    bar = whole("beats_per_bar", beats_per_bar, 1, 16) * MINUTE / bpm
    shortest = max(heads.spacings) + (erase_distance or 0.0)
    if length <= shortest:
        raise ValueError(
            f"length must be more than {shortest:g} m, so that the last playback head "
            f"comes before the {'record' if erase_distance is None else 'erase'} head, got {length:g}"
        )
    period = run_time(length, speed)
    whole_bars = max(1, round(period / bar))
    return LoopReport(
        period=period,
        whole_bars=whole_bars,
        error=period - whole_bars * bar,
        exact_length=tape_used(whole_bars * bar, speed),
        passes_per_hour=passes_per_hour(length, speed),
        advice=(
            "The tape is erased before it is recorded: only the heads echo; the splice ticks once a round."
            if erase_distance is not None
            else "Nothing erases the tape: everything comes back once a round and sound piles up on sound; "
            "keep the input low and renew the tape when it gets noisy."
        ),
    )
