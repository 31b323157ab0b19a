"""Many playback heads on one tape: the rhythm they make, and where to put them for a wanted one.

Positions are counted along the tape from the gap of the record head. A head at
`d` answers `d / v` after the sound, whatever the others do; together they make
a rhythm on every sound, a comb where two of them answer nearly at once, and a
loop through those that feed the return.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapecalc.calc.quantity import finite, non_negative, positive, scalar_or_array, single, whole
from tapecalc.calc.response import NULL_DB
from tapecalc.calc.standards import FUSION_LIMIT
from tapecalc.calc.tempo import NOTE_VALUES, TempoFit, nearest_fits
from tapecalc.calc.transport import loop_length, splice_period
from tapecalc.calc.units import UNITS

__all__ = [
    "MOST_HEADS",
    "ClosePair",
    "Heads",
    "LoopReport",
    "Onset",
    "close_pairs",
    "closed_loop",
    "comb_extremes_db",
    "notch_frequencies",
    "passes_per_hour",
    "rhythm",
    "taps_gain",
]


MOST_HEADS = 8
MINUTE = UNITS["min"]
HOUR = UNITS["h"]
#: Slack for lengths that are whole numbers of ruler steps but for rounding.
RULER_SLACK = 1e-9


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
        gains = finite("gains", self.gains if len(self.gains) else (1.0,) * count)
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
        return cls(spacings=tuple(np.atleast_1d(positive("delays", delays, "s")) * speed), gains=gains)

    @property
    def return_gains(self) -> tuple[float, ...]:
        """Amplitude of each head in the sum that goes back to the machine."""
        return tuple(g if feeds else 0.0 for g, feeds in zip(self.gains, self.feeds_return, strict=True))

    def delays(self, speed: ArrayLike) -> NDArray[np.float64]:
        """Return the delays in s; heads on the last axis, after the axes of `speed` in m/s."""
        return np.array(self.spacings) / positive("speed", speed, "m/s")[..., None]


# ---- the rhythm ----


@dataclass(frozen=True, kw_only=True)
class Onset:
    """One answer of one head to a sound.

    Parameters
    ----------
    head : int
        Which playback head, counted from 1 at the record head.
    delay : float
        When it answers in s.
    beats : float
        The same in beats.
    level : float
        Amplitude of the answer, the head's own level.
    fit : TempoFit
        The note value nearest to it and by how much it misses.

    See Also
    --------
    rhythm : makes them

    Notes
    -----
    Source: definition. Notebook: 06_heads.

    Examples
    --------
    >>> rhythm(Heads(positions=[0.05]), 0.2, 120)[0].beats
    0.5
    """

    head: int
    delay: float
    beats: float
    level: float
    fit: TempoFit


def rhythm(layout, speed, bpm, *, notes=NOTE_VALUES):
    """List what the heads answer to one sound, in beats and with the nearest note values.

    Parameters
    ----------
    layout : Heads
        The playback heads.
    speed : float
        Tape speed in m/s, greater than 0.
    bpm : float
        Tempo in beats per minute, greater than 0.
    notes : sequence of NoteValue, optional
        The note values that count.

    Returns
    -------
    tuple of Onset
        One for each head, in order of time.

    Raises
    ------
    ValueError
        If a value is out of its range.

    See Also
    --------
    design_heads : the way back, from a rhythm to positions

    Notes
    -----
    Source: ``T = d / v`` and one beat of ``60 / bpm`` seconds. Notebook: 06_heads.

    Examples
    --------
    >>> layout = Heads(spacings=(0.05, 0.075, 0.1))
    >>> [onset.fit.note.name for onset in rhythm(layout, 0.2, 120)]
    ['eighth', 'dotted eighth', 'quarter']
    """
    speed = single("speed", positive("speed", speed, "m/s"))
    bpm = single("bpm", positive("bpm", bpm))
    return tuple(
        Onset(
            head=head,
            delay=delay,
            beats=delay * bpm / MINUTE,
            level=level,
            fit=nearest_fits(delay, bpm, notes=notes)[0],
        )
        for head, (delay, level) in enumerate(
            zip(layout.delays(speed).tolist(), layout.gains, strict=True), start=1
        )
    )


# ---- combs ----


def taps_gain(frequency, delays, levels):
    """Compute the response of the summed heads, ``sum of a_k e^(-j 2 pi f T_k)``.

    Parameters
    ----------
    frequency : array_like
        Frequency in Hz, 0 or more.
    delays : array_like
        Delay of each head in s, 0 or more, one-dimensional.
    levels : array_like
        Amplitude of each head, one-dimensional, one for each delay.

    Returns
    -------
    complex or numpy.ndarray
        Complex gain, of the shape of `frequency`.

    Raises
    ------
    ValueError
        If a value is out of its range or the lengths differ.

    See Also
    --------
    notch_frequencies : where two heads cancel

    Notes
    -----
    Source: superposition. Notebook: 06_heads.

    Examples
    --------
    >>> abs(taps_gain(250.0, [0.1, 0.102], [1.0, 1.0])) < 1e-9
    True
    """
    frequency = non_negative("frequency", frequency, "Hz")
    delays = np.atleast_1d(non_negative("delays", delays, "s"))
    levels = np.atleast_1d(finite("levels", levels))
    if delays.ndim > 1 or delays.shape != levels.shape:
        raise ValueError(
            f"levels must be one number for each of the delays, got shape {levels.shape} for {delays.shape}"
        )
    return scalar_or_array(np.exp(-2j * np.pi * frequency[..., None] * delays) @ levels)


def notch_frequencies(delay, other_delay, highest):
    """List where two heads of one level cancel, ``(k + 1/2) / |T2 - T1|``.

    Parameters
    ----------
    delay, other_delay : float
        Delays of the two heads in s, 0 or more, not the same.
    highest : float
        Largest frequency of interest in Hz, greater than 0.

    Returns
    -------
    numpy.ndarray
        Frequencies in Hz, rising, up to `highest`.

    Raises
    ------
    ValueError
        If a value is out of its range, or the delays are the same.

    See Also
    --------
    comb_extremes_db : how deep the notches are

    Notes
    -----
    Source: two equal taps in opposite phase. Notebook: 06_heads.

    Examples
    --------
    >>> notch_frequencies(0.1, 0.1025, 1200.0).round(6)
    array([ 200.,  600., 1000.])
    """
    first = single("delay", non_negative("delay", delay, "s"))
    second = single("other_delay", non_negative("other_delay", other_delay, "s"))
    highest = single("highest", positive("highest", highest, "Hz"))
    apart = abs(second - first)
    if not apart:
        raise ValueError(f"other_delay must differ from delay, got {second:g} s for both")
    count = max(0, math.floor(highest * apart + 0.5 + 1e-9))
    return (np.arange(count) + 0.5) / apart


def comb_extremes_db(level, other_level):
    """Compute the peaks and notches of two summed heads, ``20 log10 (a1 + a2)`` and of ``|a1 - a2|``.

    Parameters
    ----------
    level, other_level : array_like
        Amplitudes of the two heads, greater than 0.

    Returns
    -------
    peak_db : float or numpy.ndarray
        Level of the peaks in decibels.
    notch_db : float or numpy.ndarray
        Level of the notches in decibels, no lower than the floor of -300.

    Raises
    ------
    ValueError
        If a value is not finite or not greater than 0.

    See Also
    --------
    notch_frequencies : where the notches are

    Notes
    -----
    Source: two taps in phase and in opposite phase. Notebook: 06_heads.

    Examples
    --------
    >>> peak_db, notch_db = comb_extremes_db(1.0, 0.5)
    >>> round(peak_db, 4), round(notch_db, 4)
    (3.5218, -6.0206)
    """
    level = positive("level", level)
    other_level = positive("other_level", other_level)
    floor = 10 ** (NULL_DB / 20)
    return tuple(
        scalar_or_array(20 * np.log10(np.maximum(amplitude, floor)))
        for amplitude in (level + other_level, np.abs(level - other_level))
    )


@dataclass(frozen=True, kw_only=True)
class ClosePair:
    """Two heads that answer so nearly together that the ear hears one sound with a comb.

    Parameters
    ----------
    heads : tuple of int
        The two heads, counted from 1.
    apart : float
        Time between their answers in s.
    first_notch : float
        The lowest frequency at which they cancel in Hz.
    peak_db, notch_db : float
        Level of peaks and notches in decibels.

    See Also
    --------
    close_pairs : finds them

    Notes
    -----
    Source: definition. Notebook: 06_heads.

    Examples
    --------
    >>> round(close_pairs(Heads(spacings=(0.04, 0.044)), 0.2)[0].first_notch)
    25
    """

    heads: tuple[int, int]
    apart: float
    first_notch: float
    peak_db: float
    notch_db: float


def close_pairs(layout, speed):
    """Find neighboring heads that answer within the time in which ears fuse two sounds.

    Parameters
    ----------
    layout : Heads
        The playback heads; silent ones (level 0) are passed over.
    speed : float
        Tape speed in m/s, greater than 0.

    Returns
    -------
    tuple of ClosePair
        Pairs less than 40 ms apart; empty if there are none.

    Raises
    ------
    ValueError
        If the speed is out of its range.

    See Also
    --------
    taps_gain : the whole response

    Notes
    -----
    Source: limit of fusion, H. Wallach, E. B. Newman, M. R. Rosenzweig, 1949.
    Notebook: 06_heads.

    Examples
    --------
    >>> close_pairs(Heads(spacings=(0.04, 0.08)), 0.2)
    ()
    """
    delays = layout.delays(single("speed", positive("speed", speed, "m/s")))
    audible = [k for k, level in enumerate(layout.gains) if level > 0]
    pairs = []
    for k, other in zip(audible, audible[1:], strict=False):
        apart = float(delays[other] - delays[k])
        if apart < FUSION_LIMIT:
            peak_db, notch_db = comb_extremes_db(layout.gains[k], layout.gains[other])
            pairs.append(
                ClosePair(
                    heads=(k + 1, other + 1),
                    apart=apart,
                    first_notch=0.5 / apart,
                    peak_db=peak_db,
                    notch_db=notch_db,
                )
            )
    return tuple(pairs)



# ---- closed loops of tape ----


def passes_per_hour(length, speed):
    """Compute how often each point of a closed loop passes the heads in an hour, ``3600 v / L``.

    Parameters
    ----------
    length : array_like
        Length of the closed loop of tape in m, greater than 0.
    speed : array_like
        Tape speed in m/s, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Passes in one hour, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or not greater than 0.

    See Also
    --------
    closed_loop : the whole report

    Notes
    -----
    Source: definition of speed. Notebook: 06_heads.

    Examples
    --------
    >>> passes_per_hour(1.8, 0.2)
    400.0
    """
    return scalar_or_array(HOUR / np.asarray(splice_period(length, speed)))


@dataclass(frozen=True, kw_only=True)
class LoopReport:
    """What a closed loop of tape does to the music.

    Parameters
    ----------
    period : float
        Time for one round in s: the splice comes this often, and without an erase
        head so does everything recorded.
    bars : float
        The same in bars.
    whole_bars : int
        The nearest number of whole bars, 1 or more.
    error : float
        How late the splice comes against them in s.
    exact_length : float
        Length of tape in m that would meet them.
    passes_per_hour : float
        How often each point of the tape passes every head in an hour.
    spare : float
        Tape left over in m after the heads, and the erase head if there is one.
    erased : bool
        Whether the tape is erased before it is recorded again.
    advice : str
        One sentence on what to expect.

    See Also
    --------
    closed_loop : makes it

    Notes
    -----
    Source: definition. Notebook: 06_heads.

    Examples
    --------
    >>> closed_loop(1.6, 0.2, 120, Heads(positions=[0.05])).bars
    4.0
    """

    period: float
    bars: float
    whole_bars: int
    error: float
    exact_length: float
    passes_per_hour: float
    spare: float
    erased: bool
    advice: str


def closed_loop(length, speed, bpm, layout, *, beats_per_bar=4, erase_distance=None):
    """Report on a closed loop of tape: splice against the bar, wear, and erasing before recording.

    In the direction of travel a point of the tape meets the erase head, the record
    head and the playback heads; then it goes round. The last playback head must
    come before the erase head, or it finds nothing to play.

    Parameters
    ----------
    length : float
        Length of the closed loop of tape in m, greater than 0.
    speed : float
        Tape speed in m/s, greater than 0.
    bpm : float
        Tempo in beats per minute, greater than 0.
    layout : Heads
        The playback heads.
    beats_per_bar : int, optional
        Beats in one bar, 1 to 16.
    erase_distance : float, optional
        Distance from the erase head to the record head behind it in m, greater than 0; None
        if the tape is not erased and sound piles up on sound.

    Returns
    -------
    LoopReport
        The figures and one sentence of advice.

    Raises
    ------
    ValueError
        If the tape is too short for the heads, or a value is out of its range.

    See Also
    --------
    tapecalc.transport.splice_period : the period alone

    Notes
    -----
    Source: definition of speed. Notebook: 06_heads.

    Examples
    --------
    >>> report = closed_loop(1.2, 0.1905, 76, Heads(positions=[0.0415]), erase_distance=0.03)
    >>> report.whole_bars, round(report.error, 3), round(report.exact_length, 4)
    (2, -0.017, 1.2032)
    """
    length = single("length", positive("length", length, "m"))
    speed = single("speed", positive("speed", speed, "m/s"))
    bar = whole("beats_per_bar", beats_per_bar, 1, 16) * MINUTE / single("bpm", positive("bpm", bpm))
    erased = erase_distance is not None
    before = single("erase_distance", positive("erase_distance", erase_distance, "m")) if erased else 0.0
    spare = length - max(layout.spacings) - before
    if spare <= 0:
        raise ValueError(
            f"length must be more than {max(layout.spacings) + before:g} m, so that the last playback head "
            f"comes before the {'erase' if erased else 'record'} head, got {length:g}"
        )
    period = splice_period(length, speed)
    whole_bars = max(1, round(period / bar))
    return LoopReport(
        period=period,
        bars=period / bar,
        whole_bars=whole_bars,
        error=period - whole_bars * bar,
        exact_length=loop_length(whole_bars * bar, speed),
        passes_per_hour=passes_per_hour(length, speed),
        spare=spare,
        erased=erased,
        advice=(
            "The tape is erased before it is recorded: only the heads echo; the splice ticks once a round."
            if erased
            else "Nothing erases the tape: everything comes back once a round and sound piles up on sound; "
            "keep the input low and renew the tape when it gets noisy."
        ),
    )
