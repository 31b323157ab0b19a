"""Many playback heads on one tape: the rhythm they make, and where to put them for a wanted one.

Positions are counted along the tape from the gap of the record head. A head at
`d` answers `d / v` after the sound, whatever the others do; together they make
a rhythm on every sound, a comb where two of them answer nearly at once, and a
loop through those that feed the return.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tapecalc.calc.loop import EchoLoop
from tapecalc.calc.quantity import finite, non_negative, positive, scalar_or_array, single, whole
from tapecalc.calc.response import NULL_DB
from tapecalc.calc.standards import FUSION_LIMIT
from tapecalc.calc.tempo import NOTE_VALUES, TempoFit, nearest_fits
from tapecalc.calc.transport import loop_length, splice_period
from tapecalc.calc.units import UNITS

__all__ = [
    "MOST_HEADS",
    "ClosePair",
    "HeadLayout",
    "LoopReport",
    "Onset",
    "close_pairs",
    "closed_loop",
    "comb_extremes_db",
    "echo_loop",
    "notch_frequencies",
    "passes_per_hour",
    "rhythm",
    "taps_gain",
]


MOST_HEADS = 8
MOST_SPEEDS = 12
MINUTE = UNITS["min"]
HOUR = UNITS["h"]
#: Slack for lengths that are whole numbers of ruler steps but for rounding.
RULER_SLACK = 1e-9


@dataclass(frozen=True, kw_only=True)
class HeadLayout:
    """Where the playback heads stand, how loud they are, and which feed the return.

    Parameters
    ----------
    positions : tuple of float
        Distance from the record head to each of 1 to 8 playback heads along the
        tape in m, greater than 0, rising.
    levels : tuple of float, optional
        Amplitude of each head in the sum, 0 or more; all 1 unless given.
    feeds_return : tuple of bool, optional
        Which heads feed the return send; all of them unless given.
    head_width : float, optional
        Width of one head along the tape in m, 0 or more: no two gaps can be nearer.

    Raises
    ------
    ValueError
        If the positions do not rise, heads are closer than their width, or
        a value is out of its range.

    See Also
    --------
    design_heads : finds the positions

    Notes
    -----
    Source: definition. Notebook: 06_heads.

    Examples
    --------
    >>> HeadLayout(positions=(0.05, 0.1)).delays(0.5)
    array([0.1, 0.2])
    """

    positions: tuple[float, ...]
    levels: tuple[float, ...] = ()
    feeds_return: tuple[bool, ...] = ()
    head_width: float = 0.0

    def __post_init__(self):
        positions = np.atleast_1d(positive("positions", self.positions, "m"))
        heads = positions.size
        if positions.ndim > 1 or heads > MOST_HEADS:
            raise ValueError(f"positions must be 1 to {MOST_HEADS} numbers, got shape {positions.shape}")
        head_width = single("head_width", non_negative("head_width", self.head_width, "m"))
        steps = np.diff(positions)
        if np.any(steps <= 0):
            raise ValueError(
                f"positions must rise from each head to the next, got {tuple(positions.tolist())}"
            )
        if np.any(np.concatenate((positions[:1], steps)) < head_width - RULER_SLACK):
            raise ValueError(
                f"positions must leave the width of a head, {head_width:g} m, from gap to gap and after the "
                f"record head, got {tuple(positions.tolist())}"
            )
        levels = self.levels if len(self.levels) else (1.0,) * heads
        feeds_return = self.feeds_return if len(self.feeds_return) else (True,) * heads
        for name, values in (("levels", levels), ("feeds_return", feeds_return)):
            if len(values) != heads:
                raise ValueError(f"{name} must have one value for each of {heads} heads, got {len(values)}")
        object.__setattr__(self, "positions", tuple(positions.tolist()))
        object.__setattr__(self, "levels", tuple(non_negative("levels", levels).tolist()))
        object.__setattr__(self, "feeds_return", tuple(bool(feeds) for feeds in feeds_return))
        object.__setattr__(self, "head_width", head_width)

    def delays(self, speed):
        """Return the delays in s; heads on the last axis, after the axes of `speed` in m/s."""
        return np.array(self.positions) / positive("speed", speed, "m/s")[..., None]


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
    >>> rhythm(HeadLayout(positions=[0.05]), 0.2, 120)[0].beats
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
    layout : HeadLayout
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
    >>> layout = HeadLayout(positions=(0.05, 0.075, 0.1))
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
            zip(layout.delays(speed).tolist(), layout.levels, strict=True), start=1
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
    >>> round(close_pairs(HeadLayout(positions=(0.04, 0.044)), 0.2)[0].first_notch)
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
    layout : HeadLayout
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
    >>> close_pairs(HeadLayout(positions=(0.04, 0.08)), 0.2)
    ()
    """
    delays = layout.delays(single("speed", positive("speed", speed, "m/s")))
    audible = [k for k, level in enumerate(layout.levels) if level > 0]
    pairs = []
    for k, other in zip(audible, audible[1:], strict=False):
        apart = float(delays[other] - delays[k])
        if apart < FUSION_LIMIT:
            peak_db, notch_db = comb_extremes_db(layout.levels[k], layout.levels[other])
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


def echo_loop(layout, speed, *, return_gain, one_pass, input_gain=1.0):
    """Put the heads that feed the return into an `EchoLoop`, whose stability `loop.stability` tells.

    Parameters
    ----------
    layout : HeadLayout
        The playback heads; those that do not feed the return are heard but play no part in the loop.
    speed : float
        Tape speed in m/s, greater than 0; the one that `one_pass` holds for.
    return_gain : float
        Amplitude of the return send.
    one_pass : OnePass
        What one trip over the tape does.
    input_gain : float, optional
        Amplitude of the input send.

    Returns
    -------
    EchoLoop
        The loop through the chosen heads.

    Raises
    ------
    ValueError
        If no head feeds the return, the speeds differ, or a value is out of its range.

    See Also
    --------
    tapecalc.loop.stability : margin and frequency of the loop

    Notes
    -----
    Source: superposition. Notebook: 06_heads.

    Examples
    --------
    >>> from tapecalc.calc.response import HeadContact, OnePass
    >>> good = HeadContact(gap=4e-6, separation=0.5e-6, coating_thickness=11e-6,
    ...                    track_width=2e-3, azimuth_angle=0)
    >>> one_pass = OnePass(speed=0.2, today=good, aligned=good, boost_db=12, low_cut=30)
    >>> layout = HeadLayout(positions=(0.05, 0.1), feeds_return=(False, True))
    >>> echo_loop(layout, 0.2, return_gain=0.5, one_pass=one_pass).delays
    (0.5,)
    """
    speed = single("speed", positive("speed", speed, "m/s"))
    if not math.isclose(speed, one_pass.speed, rel_tol=1e-9):
        raise ValueError(f"speed must be that of one_pass, {one_pass.speed:g} m/s, got {speed:g}")
    if not any(layout.feeds_return):
        raise ValueError("layout must have a head that feeds the return, or there is no loop")
    chosen = [k for k, feeds in enumerate(layout.feeds_return) if feeds]
    return EchoLoop(
        delays=tuple(layout.positions[k] / speed for k in chosen),
        head_gains=tuple(layout.levels[k] for k in chosen),
        return_gain=return_gain,
        input_gain=input_gain,
        one_pass=one_pass,
    )


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
    >>> closed_loop(1.6, 0.2, 120, HeadLayout(positions=[0.05])).bars
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
    layout : HeadLayout
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
    >>> report = closed_loop(1.2, 0.1905, 76, HeadLayout(positions=[0.0415]), erase_distance=0.03)
    >>> report.whole_bars, round(report.error, 3), round(report.exact_length, 4)
    (2, -0.017, 1.2032)
    """
    length = single("length", positive("length", length, "m"))
    speed = single("speed", positive("speed", speed, "m/s"))
    bar = whole("beats_per_bar", beats_per_bar, 1, 16) * MINUTE / single("bpm", positive("bpm", bpm))
    erased = erase_distance is not None
    before = single("erase_distance", positive("erase_distance", erase_distance, "m")) if erased else 0.0
    spare = length - layout.positions[-1] - before
    if spare <= 0:
        raise ValueError(
            f"length must be more than {layout.positions[-1] + before:g} m, so that the last playback head "
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
