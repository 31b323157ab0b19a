"""What happens when the echo is sent round again: repeats, stability, hiss, limiting.

The bus of the mixer carries ``input_gain * dry + return_gain * playback``; playback
is what the heads give of the bus, each after its delay. A sound that has gone round
once has been multiplied by the loop gain ``L(f) = g R(f) sum_k a_k exp(-j 2 pi f T_k)``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from tapecalc.calc.heads import Heads
from tapecalc.calc.quantity import finite, non_negative, positive, scalar_or_array, single, whole
from tapecalc.calc.response import NULL_DB, OnePass, loudest
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude

__all__ = [
    "HIGHEST_FREQUENCY",
    "EchoLoop",
    "Stability",
    "closed_loop_gain",
    "decay_time",
    "describing_function",
    "gain_for_decay_db",
    "gain_for_repeats_db",
    "growth_db_per_s",
    "hiss_db",
    "limiter",
    "loop_gain",
    "loop_gain_db",
    "noise_build_up_db",
    "oscillation_frequencies",
    "repeat_db",
    "repeat_snr_db",
    "repeats_until",
    "return_gain_for_repeats",
    "settling_level",
    "stability",
    "whole_repeats",
]


#: Nothing above this frequency in Hz is looked at for stability: an octave above hearing.
HIGHEST_FREQUENCY = 40e3

#: Grid points in one turn of the phase of the longest delay, and in one piece of work.
_POINTS_PER_TURN = 32
_CHUNK = 1 << 17

#: Cells in one turn, and in one band, when only the loudest frequency in phase is looked for.
_CELLS_PER_TURN = 8
_BAND = 1 << 12


@dataclass(frozen=True, kw_only=True)
class EchoLoop:
    """One or many playback heads, a mixer's return send, and the tape between them.

    Parameters
    ----------
    heads : Heads
        The playback heads.
    return_gain : float
        Amplitude of the return send; below 0 if the return is inverting.
    input_gain : float, optional
        Amplitude of the input send.
    one_pass : OnePass
        What one trip over the tape does.

    Raises
    ------
    ValueError
        If there is no head, the lengths differ, or a value is not in its range.

    See Also
    --------
    loop_gain : its gain once round

    Notes
    -----
    Source: superposition. Notebook: 03_repeats.

    Examples
    --------
    >>> from tapecalc.calc.response import HeadContact
    >>> good = HeadContact(gap=4e-6, separation=0.5e-6, coating_thickness=11e-6,
    ...                    track_width=2e-3, azimuth_angle=0)
    >>> one_pass = OnePass(speed=0.1905, today=good, aligned=good, boost_db=12, low_cut=30)
    >>> EchoLoop(heads=Heads(spacings=(0.04,)), return_gain=0.5, one_pass=one_pass).delays
    (0.20997375328083987,)
    """

    heads: Heads
    return_gain: float
    input_gain: float = 1.0
    one_pass: OnePass

    def __post_init__(self):
        if not isinstance(self.heads, Heads):
            raise ValueError(f"heads must be a Heads, got {self.heads!r}")
        if not isinstance(self.one_pass, OnePass):
            raise ValueError(f"one_pass must be a OnePass, got {self.one_pass!r}")
        for name in ("return_gain", "input_gain"):
            object.__setattr__(self, name, single(name, finite(name, getattr(self, name))))

    @property
    def delays(self) -> tuple[float, ...]:
        """Delay of each head in s at the speed of `one_pass`."""
        return tuple(spacing / self.one_pass.speed for spacing in self.heads.spacings)

    @property
    def head_gains(self) -> tuple[float, ...]:
        """Amplitude of each head in the return, 0 where it does not feed it."""
        return self.heads.return_gains


@dataclass(frozen=True, kw_only=True)
class Stability:
    """How far a loop is from running away, exactly and by a bound.

    Parameters
    ----------
    stable : bool
        Whether every echo dies away, at this return send and at every lower one.
    margin_db : float
        How far the return send may go up until the loop holds a tone for ever, in dB;
        below 0 how far it is beyond that point.
    frequency : float or None
        Frequency in Hz of the tone that comes first; None if no frequency comes back in phase.
    growing_modes : int or None
        How many frequencies grow: the turns of L(f) around 1 by Nyquist's criterion;
        None if nobody asked.
    bound_db : float
        The margin in dB if all heads were in phase at the loudest frequency; never above `margin_db`.

    See Also
    --------
    stability : works it out

    Notes
    -----
    Source: H. Nyquist, Regeneration Theory, Bell System Technical Journal 11, 1932 (from memory).
    Notebook: 03_repeats.

    Examples
    --------
    >>> Stability(stable=True, margin_db=6.0, frequency=998.2, growing_modes=0, bound_db=6.0).stable
    True
    """

    stable: bool
    margin_db: float
    frequency: float | None
    growing_modes: int | None
    bound_db: float


def loop_gain(loop, frequency):
    """Compute the complex gain once round, ``L = g R(f) sum_k a_k exp(-j 2 pi f T_k)``.

    Parameters
    ----------
    loop : EchoLoop
        Heads, sends and tape.
    frequency : array_like
        Frequency in Hz, 0 or more.

    Returns
    -------
    complex or numpy.ndarray
        Amplitude and phase, of the shape of the input.

    Raises
    ------
    ValueError
        If a frequency is not a finite number of 0 or more.

    See Also
    --------
    loop_gain_db : its level

    Notes
    -----
    Source: superposition. Notebook: 03_repeats.

    Examples
    --------
    >>> from tapecalc.calc.response import HeadContact
    >>> flat = HeadContact(gap=0, separation=0, coating_thickness=0, track_width=2e-3, azimuth_angle=0)
    >>> one_pass = OnePass(speed=0.1905, today=flat, aligned=flat, boost_db=0, low_cut=0)
    >>> gain = loop_gain(EchoLoop(delays=(0.25,), head_gains=(1,), return_gain=0.5, one_pass=one_pass), 2)
    >>> round(gain.real, 6)
    -0.5
    """
    return scalar_or_array(loop.return_gain * np.asarray(_playback_gain(loop, frequency)))


def loop_gain_db(loop, frequency):
    """Compute the level once round, ``20 log10 |L(f)|``.

    Parameters
    ----------
    loop : EchoLoop
        Heads, sends and tape.
    frequency : array_like
        Frequency in Hz, 0 or more.

    Returns
    -------
    float or numpy.ndarray
        Level in dB, of the shape of the input, `tapecalc.response.NULL_DB` at the least.

    Raises
    ------
    ValueError
        If a frequency is not a finite number of 0 or more.

    See Also
    --------
    loop_gain : with its phase

    Notes
    -----
    Source: definition. Notebook: 03_repeats.

    Examples
    --------
    >>> from tapecalc.calc.response import HeadContact
    >>> flat = HeadContact(gap=0, separation=0, coating_thickness=0, track_width=2e-3, azimuth_angle=0)
    >>> one_pass = OnePass(speed=0.1905, today=flat, aligned=flat, boost_db=0, low_cut=0)
    >>> loop = EchoLoop(delays=(0.25,), head_gains=(1,), return_gain=0.5, one_pass=one_pass)
    >>> round(loop_gain_db(loop, 1000), 4)
    -6.0206
    """
    return amplitude_to_db(np.maximum(np.abs(loop_gain(loop, frequency)), db_to_amplitude(NULL_DB)))


def closed_loop_gain(loop, frequency):
    """Compute what all repeats together make of a steady tone, ``input_gain / (1 - L(f))``.

    Parameters
    ----------
    loop : EchoLoop
        Heads, sends and tape; only a loop that is stable ever reaches this gain.
    frequency : array_like
        Frequency in Hz, 0 or more.

    Returns
    -------
    complex or numpy.ndarray
        Gain from the dry sound to the bus, of the shape of the input.

    Raises
    ------
    ValueError
        If a frequency is not a finite number of 0 or more, or the loop holds its tone for ever.

    See Also
    --------
    stability : whether the loop is stable

    Notes
    -----
    Source: J. O. Smith, Physical Audio Signal Processing, eq. 2.5. Notebook: 03_repeats.

    Examples
    --------
    >>> from tapecalc.calc.response import HeadContact
    >>> flat = HeadContact(gap=0, separation=0, coating_thickness=0, track_width=2e-3, azimuth_angle=0)
    >>> one_pass = OnePass(speed=0.1905, today=flat, aligned=flat, boost_db=0, low_cut=0)
    >>> loop = EchoLoop(delays=(0.25,), head_gains=(1,), return_gain=0.5, one_pass=one_pass)
    >>> round(abs(closed_loop_gain(loop, 4)), 6), round(abs(closed_loop_gain(loop, 2)), 6)
    (2.0, 0.666667)
    """
    rest = 1 - np.asarray(loop_gain(loop, frequency))
    if np.any(rest == 0):
        raise ValueError("frequency must be one at which the loop gain is not exactly 1, got one where it is")
    return scalar_or_array(loop.input_gain / rest)


def repeat_db(loop, frequency, repeats):
    """Compute the level of one repeat below the sound that it repeats, ``n 20 log10 |L(f)|``.

    Parameters
    ----------
    loop : EchoLoop
        Heads, sends and tape.
    frequency : array_like
        Frequency in Hz, 0 or more.
    repeats : array_like
        Which repeat, 0 or more.

    Returns
    -------
    float or numpy.ndarray
        Level in dB, of the broadcast shape, `tapecalc.response.NULL_DB` at the least.

    Raises
    ------
    ValueError
        If a value is not a finite number of 0 or more.

    See Also
    --------
    repeats_until : how many repeats until a level

    Notes
    -----
    Source: J. O. Smith, Physical Audio Signal Processing: repeat n has the amplitude g^n.
    Notebook: 03_repeats.

    Examples
    --------
    >>> from tapecalc.calc.response import HeadContact
    >>> flat = HeadContact(gap=0, separation=0, coating_thickness=0, track_width=2e-3, azimuth_angle=0)
    >>> one_pass = OnePass(speed=0.1905, today=flat, aligned=flat, boost_db=0, low_cut=0)
    >>> loop = EchoLoop(delays=(0.25,), head_gains=(1,), return_gain=0.5, one_pass=one_pass)
    >>> repeat_db(loop, 1000, [0, 1, 2]).round(2)
    array([  0.  ,  -6.02, -12.04])
    """
    level_db = np.asarray(loop_gain_db(loop, frequency))
    return scalar_or_array(np.maximum(0.0 + non_negative("repeats", repeats) * level_db, NULL_DB))


def repeats_until(loop_gain_db, level_db):
    """Compute how many repeats it takes to fall to a level, ``n = level_db / loop_gain_db``.

    Parameters
    ----------
    loop_gain_db : array_like
        Level once round in dB, below 0.
    level_db : array_like
        The level to fall to in dB, 0 or below.

    Returns
    -------
    float or numpy.ndarray
        Number of repeats, with its fraction, of the broadcast shape.

    Raises
    ------
    ValueError
        If a value is not a finite number in its range (at 0 dB and above nothing falls).

    See Also
    --------
    gain_for_repeats_db : the inverse
    whole_repeats : without the fraction

    Notes
    -----
    Source: definition. Notebook: 03_repeats.

    Examples
    --------
    >>> round(repeats_until(-6.0206, -60), 4)
    9.9658
    """
    return scalar_or_array(_falling(level_db) / _dying(loop_gain_db))


def whole_repeats(loop_gain_db, level_db):
    """Count the repeats that are not yet below a level, ``floor(level_db / loop_gain_db)``.

    Parameters
    ----------
    loop_gain_db : array_like
        Level once round in dB, below 0.
    level_db : array_like
        The level in dB, 0 or below.

    Returns
    -------
    float or numpy.ndarray
        A whole number of repeats, of the broadcast shape; one that lies on the level counts.

    Raises
    ------
    ValueError
        If a value is not a finite number in its range (at 0 dB and above nothing falls).

    See Also
    --------
    repeats_until : with the fraction

    Notes
    -----
    Source: definition. Notebook: 03_repeats.

    Examples
    --------
    >>> whole_repeats(-6.0206, -60)
    9.0
    """
    # A send that was set for exactly n repeats must count n, whatever the last bit says.
    return scalar_or_array(np.floor(np.asarray(repeats_until(loop_gain_db, level_db)) * (1 + 1e-12)))


def gain_for_repeats_db(repeats, level_db):
    """Compute the level once round that falls to a level in a number of repeats, ``level_db / n``.

    Parameters
    ----------
    repeats : array_like
        Number of repeats, greater than 0.
    level_db : array_like
        The level to fall to in dB, 0 or below.

    Returns
    -------
    float or numpy.ndarray
        Level once round in dB, 0 or below, of the broadcast shape.

    Raises
    ------
    ValueError
        If a value is not a finite number in its range.

    See Also
    --------
    repeats_until : the inverse
    return_gain_for_repeats : the send of one particular loop

    Notes
    -----
    Source: definition. Notebook: 03_repeats.

    Examples
    --------
    >>> gain_for_repeats_db(5, -30)
    -6.0
    """
    return scalar_or_array(_falling(level_db) / positive("repeats", repeats))


def decay_time(delay, loop_gain_db, level_db=-60.0):
    """Compute how long the repeats take to fall to a level, ``t = T level_db / loop_gain_db``.

    Parameters
    ----------
    delay : array_like
        Delay in s, greater than 0.
    loop_gain_db : array_like
        Level once round in dB, below 0.
    level_db : array_like, optional
        The level to fall to in dB, 0 or below.

    Returns
    -------
    float or numpy.ndarray
        Time in s, of the broadcast shape.

    Raises
    ------
    ValueError
        If a value is not a finite number in its range (at 0 dB and above nothing falls).

    See Also
    --------
    gain_for_decay_db : the inverse

    Notes
    -----
    Source: M. R. Schroeder, Natural Sounding Artificial Reverberation, JAES 10, 1962.
    Notebook: 03_repeats.

    Examples
    --------
    >>> from tapecalc.calc.units import amplitude_to_db
    >>> round(decay_time(0.3, amplitude_to_db(0.5)), 5)
    2.98974
    """
    return scalar_or_array(positive("delay", delay, "s") * np.asarray(repeats_until(loop_gain_db, level_db)))


def gain_for_decay_db(delay, time, level_db=-60.0):
    """Compute the level once round that falls to a level in a given time, ``level_db T / t``.

    Parameters
    ----------
    delay : array_like
        Delay in s, greater than 0.
    time : array_like
        Wanted time in s, greater than 0.
    level_db : array_like, optional
        The level to fall to in dB, 0 or below.

    Returns
    -------
    float or numpy.ndarray
        Level once round in dB, 0 or below, of the broadcast shape.

    Raises
    ------
    ValueError
        If a value is not a finite number in its range.

    See Also
    --------
    decay_time : the inverse

    Notes
    -----
    Source: M. R. Schroeder, Natural Sounding Artificial Reverberation, JAES 10, 1962.
    Notebook: 03_repeats.

    Examples
    --------
    >>> gain_for_decay_db(0.1, 2)
    -3.0
    """
    return gain_for_repeats_db(positive("time", time, "s") / positive("delay", delay, "s"), level_db)


def return_gain_for_repeats(loop, repeats, level_db):
    """Compute the return send that gives a loop a number of repeats at its loudest frequency.

    ``g = 10^(level_db / 20 n) / (sum_k |a_k| max |R|)``

    All heads are taken to be in phase, which at some frequency they nearly are; so the
    repeats elsewhere die sooner, and the loop is stable whatever the phase.

    Parameters
    ----------
    loop : EchoLoop
        Heads and tape; its own return send plays no part.
    repeats : array_like
        Number of repeats, greater than 0.
    level_db : array_like
        The level to fall to in dB, 0 or below.

    Returns
    -------
    float or numpy.ndarray
        Amplitude of the return send, above 0, of the broadcast shape.

    Raises
    ------
    ValueError
        If a value is not a finite number in its range, or no head gives anything back.

    See Also
    --------
    gain_for_repeats_db : the loop gain behind it

    Notes
    -----
    Source: small-gain bound. Notebook: 03_repeats.

    Examples
    --------
    >>> from tapecalc.calc.response import HeadContact
    >>> flat = HeadContact(gap=0, separation=0, coating_thickness=0, track_width=2e-3, azimuth_angle=0)
    >>> one_pass = OnePass(speed=0.1905, today=flat, aligned=flat, boost_db=0, low_cut=0)
    >>> loop = EchoLoop(delays=(0.2, 0.3), head_gains=(0.5, 0.5), return_gain=0, one_pass=one_pass)
    >>> round(return_gain_for_repeats(loop, 5, -30), 4)
    0.5012
    """
    if not any(loop.head_gains):
        raise ValueError(f"head_gains must not all be 0 for there to be repeats, got {loop.head_gains}")
    return db_to_amplitude(gain_for_repeats_db(repeats, level_db) - _loudest_db(loop))


def growth_db_per_s(delay, loop_gain_db):
    """Compute how fast the level changes, ``loop_gain_db / T``; it grows above 0 dB.

    Parameters
    ----------
    delay : array_like
        Delay in s, greater than 0.
    loop_gain_db : array_like
        Level once round in dB, of either sign.

    Returns
    -------
    float or numpy.ndarray
        Change in dB per second, of the broadcast shape.

    Raises
    ------
    ValueError
        If a value is not a finite number in its range.

    See Also
    --------
    settling_level : where the growth ends

    Notes
    -----
    Source: definition. Notebook: 03_repeats.

    Examples
    --------
    >>> from tapecalc.calc.units import amplitude_to_db
    >>> round(growth_db_per_s(0.3, amplitude_to_db(1.1)), 2)
    2.76
    """
    return scalar_or_array(finite("loop_gain_db", loop_gain_db) / positive("delay", delay, "s"))


def oscillation_frequencies(loop, low, high):
    """Find the frequencies that come back in phase, where L(f) is real and positive.

    At each of them the loop would hold a tone if its gain there were 1. For one head and
    no low cut they are ``n / T``; for an inverting loop ``(n + 1/2) / T``.

    Parameters
    ----------
    loop : EchoLoop
        Heads, sends and tape; of the return send only the sign matters.
    low, high : float
        The band in Hz, from 0 upward.

    Returns
    -------
    numpy.ndarray
        Frequencies in Hz, rising; empty if there is none.

    Raises
    ------
    ValueError
        If the band is not two numbers of 0 or more, the first below the second.

    See Also
    --------
    stability : which of them comes first

    Notes
    -----
    Source: H. Barkhausen, Lehrbuch der Elektronen-Roehren, volume 3, 1935: the condition of phase.
    Notebook: 03_repeats.

    Examples
    --------
    >>> from tapecalc.calc.response import HeadContact
    >>> flat = HeadContact(gap=0, separation=0, coating_thickness=0, track_width=2e-3, azimuth_angle=0)
    >>> one_pass = OnePass(speed=0.1905, today=flat, aligned=flat, boost_db=0, low_cut=0)
    >>> loop = EchoLoop(delays=(0.5,), head_gains=(1,), return_gain=0.5, one_pass=one_pass)
    >>> oscillation_frequencies(loop, 0, 7).round(6)
    array([0., 2., 4., 6.])
    """
    low, high = (single(name, non_negative(name, f, "Hz")) for name, f in (("low", low), ("high", high)))
    if not low < high:
        raise ValueError(f"low must be below high, {high:g} Hz, got {low:g}")
    unit = _unit_return(loop)
    frequencies = _narrow(unit, *_brackets(unit, low, high))
    return frequencies[_gain_at(unit, frequencies).real > 0]


def stability(loop, *, count_modes=True):
    """Work out whether a loop is stable, its margin, and the frequency at which it would start.

    Exact: among all frequencies that come back in phase (up to `HIGHEST_FREQUENCY`) the one
    with the largest loop gain sets the margin. Beside it stands the small-gain bound
    ``-20 log10(g sum_k |a_k| max |R|)``, which needs no phase and is a little careful.

    Parameters
    ----------
    loop : EchoLoop
        Heads, sends and tape.
    count_modes : bool, optional
        Whether to count the growing modes as well: in a long loop there are very many.

    Returns
    -------
    Stability
        Verdict, margin, frequency, number of growing modes, and bound.

    See Also
    --------
    oscillation_frequencies : all frequencies in phase

    Notes
    -----
    Where the response is flat many frequencies are nearly alike: a real machine may pick
    another one of them. Of equal ones the lowest is named.

    Source: H. Nyquist, Regeneration Theory, Bell System Technical Journal 11, 1932 (from memory).
    Notebook: 03_repeats.

    Examples
    --------
    >>> from tapecalc.calc.response import HeadContact
    >>> good = HeadContact(gap=4e-6, separation=0.5e-6, coating_thickness=11e-6,
    ...                    track_width=2e-3, azimuth_angle=0)
    >>> one_pass = OnePass(speed=0.1905, today=good, aligned=good, boost_db=12, low_cut=30)
    >>> found = stability(EchoLoop(delays=(0.218,), head_gains=(1,), return_gain=0.5, one_pass=one_pass))
    >>> found.stable, round(found.margin_db, 3)
    (True, 6.021)
    """
    send_db, loudest_db = _floored_db(loop.return_gain), _loudest_db(loop)
    frequency, level_db = _first_in_phase(_unit_return(loop))
    margin_db = -max(level_db + send_db, NULL_DB)
    return Stability(
        stable=margin_db > 0,
        margin_db=margin_db,
        frequency=frequency,
        growing_modes=_growing_modes(loop, loudest_db + send_db) if count_modes else None,
        bound_db=-max(loudest_db + send_db, NULL_DB),
    )


def noise_build_up_db(loop_gain_db, repeats=None):
    """Compute how much louder the hiss is than that of one pass, at one frequency.

    ``10 log10((1 - |L|^(2n)) / (1 - |L|^2))`` after n passes, ``-10 log10(1 - |L|^2)`` in the long run.
    The hiss of different passes is not alike, so powers add.

    Parameters
    ----------
    loop_gain_db : array_like
        Level once round in dB; below 0 for the long run.
    repeats : array_like or None, optional
        Number of passes, 1 or more; None for the long run.

    Returns
    -------
    float or numpy.ndarray
        Level in dB over the hiss of one pass, 0 or more, of the broadcast shape.

    Raises
    ------
    ValueError
        If a value is not a finite number in its range (at 0 dB and above there is no long run).

    See Also
    --------
    hiss_db : the sum over all frequencies of one loop

    Notes
    -----
    For one head this is exact for hiss averaged over the teeth of the comb.

    Source: geometric series of powers. Notebook: 03_repeats.

    Examples
    --------
    >>> round(noise_build_up_db(-6.0206), 4)
    1.2494
    >>> round(noise_build_up_db(0, 10), 4)
    10.0
    """
    if repeats is None:
        return scalar_or_array(-10 * np.log10(-np.expm1(np.log(10) / 10 * _dying(loop_gain_db))))
    count = non_negative("repeats", repeats)
    if np.any(count < 1):
        raise ValueError(f"repeats must be 1 or more, got {count.min():g}")
    level_db = finite("loop_gain_db", loop_gain_db)
    # Above 0 dB the same series runs backward from its last and largest term. The quotient of
    # two expm1 is exact near 0 dB, where its limit is the count itself.
    exponent = -np.log(10) / 10 * np.abs(level_db)
    step = np.where(exponent == 0, 1, exponent)
    power = np.where(exponent == 0, count, np.expm1(step * count) / np.expm1(step))
    return scalar_or_array(10 * np.log10(power) + (count - 1) * np.maximum(level_db, 0))


def hiss_db(loop, repeats=None, *, low=20.0, high=20e3):
    """Compute how much louder the hiss of a whole band is than that of one pass.

    The average over frequency of ``|(1 - L^n) / (1 - L)|^2``: white hiss that each pass adds,
    and that goes round n times with the response of the tape.

    Parameters
    ----------
    loop : EchoLoop
        Heads, sends and tape.
    repeats : int or None, optional
        Number of passes, 1 or more; None for the long run.
    low, high : float, optional
        The band in Hz, the first below the second.

    Returns
    -------
    float
        Level in dB over the hiss of one pass.

    Raises
    ------
    ValueError
        If a value is not one number in its range, or the loop has no long run because it is not stable.

    See Also
    --------
    noise_build_up_db : at one frequency

    Notes
    -----
    For one head the average over each tooth of the comb is taken in closed form; for many
    heads 65,536 frequencies are drawn evenly, good to a few tenths of a decibel near 0 dB of margin.

    Source: geometric series. Notebook: 03_repeats.

    Examples
    --------
    >>> from tapecalc.calc.response import HeadContact
    >>> flat = HeadContact(gap=0, separation=0, coating_thickness=0, track_width=2e-3, azimuth_angle=0)
    >>> one_pass = OnePass(speed=0.1905, today=flat, aligned=flat, boost_db=0, low_cut=0)
    >>> loop = EchoLoop(delays=(0.25,), head_gains=(1,), return_gain=0.5, one_pass=one_pass)
    >>> round(hiss_db(loop), 4)
    1.2494
    """
    low, high = (single(name, non_negative(name, f, "Hz")) for name, f in (("low", low), ("high", high)))
    if not low < high:
        raise ValueError(f"low must be below high, {high:g} Hz, got {low:g}")
    if repeats is None and _loudest_db(loop) + _floored_db(loop.return_gain) >= 0:
        raise ValueError("loop must be stable at any phase for a long run, got one that is not; give repeats")
    count = None if repeats is None else whole("repeats", repeats, 1, 1_000_000)
    # Steps by the golden section spread evenly and fall in step with no comb.
    share = (np.arange(1 << 16) + 0.5) * (np.sqrt(5) - 1) / 2 % 1
    frequency = low + (high - low) * share
    if len(loop.delays) == 1:
        build_up_db = noise_build_up_db(loop_gain_db(loop, frequency), count)
        return 10 * float(np.log10(np.mean(10 ** (build_up_db / 10))))
    gain = loop_gain(loop, frequency)
    last = 0 if count is None else gain**count
    return 10 * float(np.log10(np.mean(np.abs((1 - last) / (1 - gain)) ** 2)))


def repeat_snr_db(loop_gain_db, repeats, one_pass_snr_db):
    """Compute by how much one repeat stands above the hiss, at one frequency.

    The first repeat stands above it by the signal-to-noise ratio of one pass. Repeat n is
    ``n - 1`` loop gains weaker, and the hiss of n passes lies under it.

    Parameters
    ----------
    loop_gain_db : array_like
        Level once round in dB, of either sign.
    repeats : array_like
        Which repeat, 1 or more.
    one_pass_snr_db : array_like
        Signal-to-noise ratio of one pass in dB.

    Returns
    -------
    float or numpy.ndarray
        Signal-to-noise ratio in dB, of the broadcast shape; below 0 the repeat is under the hiss.

    Raises
    ------
    ValueError
        If a value is not a finite number in its range.

    See Also
    --------
    noise_build_up_db : the hiss under it

    Notes
    -----
    Source: geometric series of powers. Notebook: 03_repeats.

    Examples
    --------
    >>> repeat_snr_db(-6.0206, [1, 2, 5], 55).round(2)
    array([55.  , 48.01, 29.67])
    """
    fallen_db = (finite("repeats", repeats) - 1) * finite("loop_gain_db", loop_gain_db)
    hiss = noise_build_up_db(loop_gain_db, repeats)
    return scalar_or_array(finite("one_pass_snr_db", one_pass_snr_db) + fallen_db - hiss)


def limiter(signal, saturation):
    """Compute what the tape keeps of a signal, ``y = S tanh(x / S)``.

    Parameters
    ----------
    signal : array_like
        What reaches the record head, of either sign, in any unit.
    saturation : array_like
        The largest amplitude that the tape can hold, in the same unit, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        The recorded signal, never beyond `saturation`, of the broadcast shape.

    Raises
    ------
    ValueError
        If a value is not a finite number in its range.

    See Also
    --------
    describing_function : what it does to a sine wave

    Notes
    -----
    Source: a model, common practice, no source: the smooth curve with slope 1 that the hyperbolic tangent is.
    Notebook: 03_repeats.

    Examples
    --------
    >>> round(limiter(1, 4), 4), round(limiter(100, 4), 4)
    (0.9797, 4.0)
    """
    ceiling = positive("saturation", saturation)
    return scalar_or_array(ceiling * np.tanh(finite("signal", signal) / ceiling))


def describing_function(amplitude, saturation):
    """Compute the gain of the tape's limiter for the fundamental of a sine wave.

    ``N(A) = 2 / (pi A) * integral from 0 to pi of S tanh(A sin(u) / S) sin(u) du``

    Parameters
    ----------
    amplitude : array_like
        Peak of the sine wave that reaches the record head, 0 or more.
    saturation : array_like
        The largest amplitude that the tape can hold, in the same unit, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Gain from 0 to 1, of the broadcast shape: 1 for a weak signal, ``4 S / (pi A)`` for a strong one.

    Raises
    ------
    ValueError
        If a value is not a finite number in its range.

    See Also
    --------
    limiter : the curve itself
    settling_level : the level at which it holds a loop

    Notes
    -----
    Source: harmonic balance (N. Krylov and N. Bogoliubov, from memory).
    Notebook: 03_repeats.

    Examples
    --------
    >>> round(describing_function(0.1, 1), 4), round(describing_function(10, 1), 4)
    (0.9975, 0.1268)
    """
    drive = non_negative("amplitude", amplitude) / positive("saturation", saturation)
    # The mean over a quarter period by the midpoint rule, which for a periodic curve is all but exact.
    sine = np.sin((np.arange(1024) + 0.5) * np.pi / 2048)
    bends = drive > 1e-8  # below, the gain is 1 to the last digit
    driven = np.where(bends, drive, 1)
    mean = np.mean(np.tanh(driven[..., None] * sine) * sine, axis=-1)
    return scalar_or_array(np.where(bends, 2 * mean / driven, 1))


def settling_level(loop_gain_db, saturation):
    """Find the amplitude at which the tape's limiter holds a loop that runs away.

    The tone grows until the loop gain times the limiter's gain is one, ``|L| N(A) = 1``.

    Parameters
    ----------
    loop_gain_db : array_like
        Level once round in dB at the frequency of the tone, 0 or more: what `stability` finds
        beyond the margin.
    saturation : array_like
        The largest amplitude that the tape can hold, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Peak of the tone's fundamental on the bus, before the limiter, in the unit of
        `saturation`, of the broadcast shape. On the tape it is ``A / |L|``.

    Raises
    ------
    ValueError
        If a value is not a finite number in its range (below 0 dB the tone dies away).

    See Also
    --------
    describing_function : the limiter's gain
    growth_db_per_s : how fast it gets there

    Notes
    -----
    Harmonics of the tone are left out; they move the level by less than 1 dB.

    Source: harmonic balance (N. Krylov and N. Bogoliubov, from memory).
    Notebook: 03_repeats.

    Examples
    --------
    >>> round(settling_level(1, 1), 3)
    0.713
    """
    gain = np.asarray(db_to_amplitude(non_negative("loop_gain_db", loop_gain_db, "dB")))
    gain, ceiling = np.broadcast_arrays(gain, positive("saturation", saturation))
    # In units of the saturation: the limiter's fundamental is never above that of a square wave.
    low, high = np.zeros(gain.shape), gain * 4 / np.pi
    for _ in range(60):
        middle = (low + high) / 2
        grows = gain * np.asarray(describing_function(middle, 1)) > 1
        low, high = np.where(grows, middle, low), np.where(grows, high, middle)
    return scalar_or_array(low * ceiling)


def _playback_gain(loop, frequency):
    """Compute the gain from the bus to the playback heads' sum, the loop without its return send."""
    f = non_negative("frequency", frequency, "Hz")
    heads = zip(loop.head_gains, loop.delays, strict=True)
    return loop.one_pass.gain(f) * sum(gain * np.exp(-2j * np.pi * f * delay) for gain, delay in heads)


def _gain_at(loop, frequencies):
    """Compute the loop gain at any number of frequencies, none at all included."""
    return loop_gain(loop, frequencies) if frequencies.size else np.zeros(frequencies.shape, complex)


def _falling(level_db):
    """Return a level as float64 that is 0 dB or below."""
    level = finite("level_db", level_db)
    if np.any(level > 0):
        raise ValueError(f"level_db must be 0 dB or below, got {level.max():g}")
    return level


def _dying(loop_gain_db):
    """Return a level once round as float64 that is below 0 dB."""
    level = finite("loop_gain_db", loop_gain_db)
    if np.any(level >= 0):
        raise ValueError(f"loop_gain_db must be below 0 dB for the echo to die away, got {level.max():g}")
    return level


def _floored_db(amplitude):
    """Convert an amplitude of any sign to decibels, `NULL_DB` at the least."""
    return amplitude_to_db(max(abs(amplitude), db_to_amplitude(NULL_DB)))


def _loudest_db(loop):
    """Compute the level of all heads in phase at the loudest frequency, the return send fully up."""
    return _floored_db(sum(abs(gain) for gain in loop.head_gains)) + loudest(loop.one_pass)[1]


def _unit_return(loop):
    """Return the loop with its return send fully up, its sign kept."""
    return replace(loop, return_gain=-1.0 if loop.return_gain < 0 else 1.0)


def _first_in_phase(unit):
    """Find the loudest frequency in phase and its level; None and `NULL_DB` if there is none.

    The bands where the response is loudest come first; once no other band can hold a
    louder frequency the search ends.
    """
    width = HIGHEST_FREQUENCY / math.ceil(HIGHEST_FREQUENCY * _CELLS_PER_TURN * max(unit.delays))
    # Just above 0 Hz even the slightest low cut turns the phase within one cell.
    best = _loudest_of(unit, *_brackets(unit, 0, _CELLS_PER_TURN * width), (None, NULL_DB))
    gains, delays = np.abs(unit.head_gains), np.array(unit.delays)
    # How far the sum of the heads can go from the center of a cell to its edge, in size and at all.
    slack = np.pi * width * np.sum(gains * np.abs(delays - np.mean(delays)))
    turned = np.pi * width * np.sum(gains * delays)
    heads = np.sum(gains)
    first_cells, responses_db = _bands_loudest_first(unit.one_pass, width)
    done, together = 0, 1
    while done < len(first_cells) and responses_db[done] + _floored_db(heads) > best[1] + 1e-9:
        some = slice(done, done + together)
        least = db_to_amplitude(best[1] - responses_db[some]) - slack
        centers = _loud_cells(unit, width, first_cells[some], least)
        loudest_response = db_to_amplitude(responses_db[done])
        # Within a cell the loop gain turns by the delays, and by the low cut a little.
        away = (turned + 0.1 * heads) * loudest_response
        gain = _gain_at(unit, centers)
        centers = centers[(gain.real + away >= db_to_amplitude(best[1])) & (np.abs(gain.imag) <= away)]
        points = np.clip(centers[:, np.newaxis] + width / 4 * np.arange(-3, 4), 0, HIGHEST_FREQUENCY)
        left, right = _enclosed(unit, points)
        for halvings in (0, 5):  # the closer the two ends, the less can hide between them
            left, right = _halved(unit, left, right, halvings)
            reached = np.maximum(np.abs(_gain_at(unit, left)), np.abs(_gain_at(unit, right)))
            worth = reached + slack * loudest_response / 4 / 2**halvings >= db_to_amplitude(best[1])
            left, right = left[worth], right[worth]
        best = _loudest_of(unit, left, right, best)
        done, together = done + together, min(2 * together, 16)
    return best


def _bands_loudest_first(one_pass, width):
    """List bands of `_BAND` cells up to `HIGHEST_FREQUENCY`: numbers of the first cells, response in dB.

    Of equally loud ones the lowest comes first.
    """
    count = math.ceil(HIGHEST_FREQUENCY / (width * _BAND))
    edges = np.arange(count + 1) * width * _BAND
    inside = np.append(np.geomspace(0.01, HIGHEST_FREQUENCY, 2000), loudest(one_pass)[0])
    levels_db = np.maximum(one_pass.level_db(edges[:-1]), one_pass.level_db(edges[1:]))
    place = np.minimum(inside // (width * _BAND), count - 1).astype(int)
    np.maximum.at(levels_db, place, one_pass.level_db(inside))
    order = np.argsort(-levels_db.round(9), kind="stable")
    return order * _BAND, levels_db[order]


def _loud_cells(unit, width, first_cells, amplitudes):
    """Return the centers of those cells of some bands in which the heads together reach an amplitude."""
    starts = (first_cells + 0.5) * width
    phases = np.exp(-2j * np.pi * np.outer(starts, unit.delays)) * unit.head_gains
    turned = np.exp(-2j * np.pi * width * np.outer(unit.delays, np.arange(_BAND)))
    # Too small a product for BLAS: waking its threads costs more.
    reached = np.abs(np.einsum("bk,kc->bc", phases, turned))
    band, cell = np.nonzero(reached >= amplitudes[:, np.newaxis])
    return starts[band] + width * cell


def _loudest_of(unit, left, right, best):
    """Narrow enclosed frequencies down; return the loudest in phase, or the best so far if that is louder."""
    frequencies = _narrow(unit, left, right)
    gain = _gain_at(unit, frequencies).real
    in_phase = gain > db_to_amplitude(NULL_DB)
    if not np.any(in_phase):
        return best
    frequencies, levels_db = frequencies[in_phase], amplitude_to_db(gain[in_phase])
    # Of equal ones the lowest.
    frequency = np.min(frequencies[levels_db > levels_db.max() - 1e-9])
    level_db = float(levels_db.max())
    return (float(frequency), level_db) if level_db > best[1] + 1e-9 else best


def _growing_modes(loop, excess_db):
    """Count how often L(f) passes clockwise round 1, from 0 Hz up to `HIGHEST_FREQUENCY`."""
    if excess_db <= 0:
        return 0
    left, right = _brackets(loop, *_span(loop.one_pass, excess_db))
    beyond = _gain_at(loop, _narrow(loop, left, right)).real > 1
    after = right + 1e-6 / max(loop.delays)  # a step further on, for those enclosed by two equal ends
    return -int(np.sum(np.sign(_gain_at(loop, after).imag)[beyond]))


def _span(one_pass, drop_db):
    """Find the band in Hz outside which the response is more than `drop_db` below its largest."""
    grid = np.concatenate([[0.0], np.geomspace(0.01, HIGHEST_FREQUENCY, 2000)])
    level_db = one_pass.level_db(grid)
    inside = np.nonzero(level_db >= level_db.max() - drop_db)[0]
    return grid[max(inside[0] - 1, 0)], grid[min(inside[-1] + 1, grid.size - 1)]


def _brackets(loop, low, high):
    """Enclose each frequency of a band at which L(f) is real between two others, rising.

    Between two points with imaginary parts of opposite sign lies one. Where the imaginary
    part comes near zero and turns back, its turning point tells whether a pair is hidden.
    """
    pairs = [np.zeros((2, 0)), *(_enclosed(loop, f) for f in _grid(loop, low, high))]
    left, right = np.concatenate(pairs, axis=1)
    left, first = np.unique(left, return_index=True)  # pieces of the grid overlap
    return left, right[first]


def _enclosed(loop, f):
    """Enclose each frequency at which L(f) is real between two points of rising rows of frequencies."""
    height = _gain_at(loop, f).imag
    side = np.sign(height)
    change = side[..., :-1] * side[..., 1:] < 0
    exact = f[side == 0]  # 0 Hz above all, where every delay is in phase

    height, before, here, after = np.abs(height), side[..., :-2], side[..., 1:-1], side[..., 2:]
    lower = (height[..., 1:-1] < height[..., :-2]) & (height[..., 1:-1] < height[..., 2:])
    turns = (before == here) & (here == after) & lower
    start, end, sign = f[..., :-2][turns], f[..., 2:][turns], here[turns]
    middle = _lowest(loop, start, end, sign)
    hidden = sign * _gain_at(loop, middle).imag < 0
    pairs = [
        (f[..., :-1][change], f[..., 1:][change]),
        (exact, exact),
        (start[hidden], middle[hidden]),
        (middle[hidden], end[hidden]),
    ]
    return np.concatenate([np.stack(pair) for pair in pairs], axis=1)


def _grid(loop, low, high):
    """Yield a band in pieces of evenly spaced frequencies that share two points with the next."""
    step = (high - low) / max(np.ceil((high - low) * _POINTS_PER_TURN * max(loop.delays)), 2)
    count = round((high - low) / step) + 1
    for first in range(0, count - 1, _CHUNK):
        piece = low + step * np.arange(max(first - 1, 0), min(first + _CHUNK, count - 1) + 1)
        # Just above 0 Hz even the slightest low cut turns the phase within one step.
        yield piece if piece[0] > 0 else np.insert(piece, 1, step * np.array([1e-9, 1e-6, 1e-3]))


def _lowest(loop, left, right, sign):
    """Find where the imaginary part of L(f), times a sign, is lowest, by golden section."""
    share = (np.sqrt(5) - 1) / 2
    for _ in range(40):
        near, far = right - share * (right - left), left + share * (right - left)
        falling = sign * _gain_at(loop, near).imag > sign * _gain_at(loop, far).imag
        left, right = np.where(falling, near, left), np.where(falling, right, far)
    return (left + right) / 2


def _narrow(loop, left, right):
    """Bisect for the frequencies at which the imaginary part of L(f) is zero."""
    left, right = _halved(loop, left, right, 40)
    return (left + right) / 2


def _halved(loop, left, right, times):
    """Halve enclosed stretches a number of times, keeping the half in which the imaginary part is zero."""
    side = np.sign(_gain_at(loop, left).imag)
    for _ in range(times if left.size else 0):
        middle = (left + right) / 2
        before = np.sign(_gain_at(loop, middle).imag) == side
        left, right = np.where(before, middle, left), np.where(before, right, middle)
    return left, right
