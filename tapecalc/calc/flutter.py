"""Wow and flutter: what an uneven tape speed does to a repeat, and which part is to blame.

The speed is `v(t) = v0 (1 + e(t))`; `e` is called the deviation and is a
fraction (0.001 is 0.1 %). A sound recorded at one moment and played at another
changes its pitch by the ratio of the two speeds.
"""

from __future__ import annotations

import math

import numpy as np

from tapecalc.calc import transport
from tapecalc.calc.quantity import between, finite, non_negative, positive, scalar_or_array, single, whole
from tapecalc.calc.standards import (
    FLUTTER_TONE,
    FLUTTER_WEIGHTING,
    PET_DENSITY,
    PET_MODULUS,
    TWO_SIGMA_COVERAGE,
)

__all__ = [
    "delay_swing",
    "depth_from_repeat",
    "fluttered_delay",
    "modulation_index",
    "null_delays",
    "null_rates",
    "peak_deviation",
    "pitch_and_delay",
    "repeat_deviation",
    "repeat_pitch_ratio",
    "rms_deviation",
    "scrape_resonance",
    "two_sigma",
    "wave_speed",
    "weighted",
    "weighted_flutter",
    "weighting_db",
    "weighting_sos",
    "weighting_zpk",
]


# ---- what one pass and n passes do to pitch and delay ----


def repeat_deviation(depth, rate, delay, *, passes=1):
    """Compute how far a small speed wobble bends the pitch of the n-th repeat, ``2 m |sin(pi fm n T)|``.

    Pass k is played at `t_(k-1)` and was recorded at `t_k`, one head spacing of
    tape earlier, so it multiplies the pitch by `v(t_(k-1)) / v(t_k)`. Over n
    passes all speeds between cancel: ``v(t) / v(t_n)``, with exactly n head
    spacings of tape between `t_n` and `t`. The repeats do not wobble more and
    more; each is one comparison of two speeds, n delays apart, and its deviation
    lies between 0 and 2 m.

    Parameters
    ----------
    depth : array_like
        Speed deviation zero to peak as a fraction, 0 or more, well below 1.
    rate : array_like
        How often the wobble comes in Hz, 0 or more.
    delay : array_like
        Delay of one pass in s, 0 or more.
    passes : array_like, optional
        Which repeat: whole numbers from 1.

    Returns
    -------
    float or numpy.ndarray
        Pitch deviation zero to peak as a fraction, broadcast over the inputs.
        Exactly 0 where ``rate * delay * passes`` is a whole number.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    depth_from_repeat : the inverse
    repeat_pitch_ratio : the same for a wobble of any depth

    Notes
    -----
    Source: first order of ``v(t) / v(t - n T)``; the bounds 0 and 2 agree with
    M.R.L. Publication 570. Notebook: 05_flutter.

    Examples
    --------
    >>> repeat_deviation(0.001, 1.0, 0.5)
    0.002
    >>> repeat_deviation(0.001, 2.0, 0.5)
    0.0
    """
    depth = non_negative("depth", depth)
    rate = non_negative("rate", rate, "Hz")
    delay = non_negative("delay", delay, "s")
    return scalar_or_array(2 * depth * _sine_of_turns(rate * delay * _passes(passes)))


def depth_from_repeat(deviation, rate, delay, *, passes=1):
    """Compute the speed wobble behind a pitch deviation, ``m = e / (2 |sin(pi fm n T)|)``.

    Parameters
    ----------
    deviation : array_like
        Pitch deviation of the n-th repeat zero to peak as a fraction, 0 or more.
    rate : array_like
        How often the wobble comes in Hz, greater than 0.
    delay : array_like
        Delay of one pass in s, greater than 0.
    passes : array_like, optional
        Which repeat: whole numbers from 1.

    Returns
    -------
    float or numpy.ndarray
        Speed deviation zero to peak as a fraction, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is out of its range, or the rate lies so near a null of the
        repeat (factor below 0.05) that the repeat says nothing about the speed.

    See Also
    --------
    repeat_deviation : the inverse

    Notes
    -----
    Source: as `repeat_deviation`. Notebook: 05_flutter.

    Examples
    --------
    >>> depth_from_repeat(0.002, 1.0, 0.5)
    0.001
    """
    deviation = non_negative("deviation", deviation)
    rate = positive("rate", rate, "Hz")
    delay = positive("delay", delay, "s")
    factor = 2 * _sine_of_turns(rate * delay * _passes(passes))
    if np.any(factor < 0.05):
        bad = float(np.broadcast_to(rate, factor.shape)[factor < 0.05].flat[0])
        raise ValueError(
            f"rate must keep away from whole multiples of 1 / (delay x passes), where the repeat hides "
            f"the wobble, got {bad:g} Hz"
        )
    return scalar_or_array(deviation / factor)


def delay_swing(depth, rate, delay, *, passes=1):
    """Compute how far a small wobble swings the arrival of the n-th repeat, ``m n T |sinc(fm n T)|``.

    Parameters
    ----------
    depth : array_like
        Speed deviation zero to peak as a fraction, 0 or more, well below 1.
    rate : array_like
        How often the wobble comes in Hz, 0 or more; at 0 a steady speed error.
    delay : array_like
        Delay of one pass in s, 0 or more.
    passes : array_like, optional
        Which repeat: whole numbers from 1.

    Returns
    -------
    float or numpy.ndarray
        Swing of the total delay zero to peak in s, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    fluttered_delay : the delay itself at any moment and depth

    Notes
    -----
    Source: integral of the speed over n head spacings of tape.
    Notebook: 05_flutter.

    Examples
    --------
    >>> round(1e6 * delay_swing(0.001, 1.0, 0.5), 2)  # microseconds
    318.31
    """
    depth = non_negative("depth", depth)
    rate = non_negative("rate", rate, "Hz")
    delay = non_negative("delay", delay, "s") * _passes(passes)
    return scalar_or_array(depth * delay * np.abs(np.sinc(rate * delay)))


def fluttered_delay(time, depth, rate, delay, *, passes=1, phase=0.0):
    """Compute the exact delay of the n-th repeat while the speed is ``v0 (1 + m sin(2 pi fm t + phi))``.

    Solves ``D = n T + (m / w) (cos(w t + phi) - cos(w (t - D) + phi))`` with
    ``w = 2 pi fm`` for `D`. Each round of substitution shrinks the error by the
    factor m or better, so rounds enough for double precision are known beforehand.

    Parameters
    ----------
    time : array_like
        When the repeat is heard in s.
    depth : array_like
        Speed deviation zero to peak as a fraction, from 0 to 0.5.
    rate : array_like
        How often the wobble comes in Hz, greater than 0.
    delay : array_like
        Delay of one pass at the mean speed in s, 0 or more.
    passes : array_like, optional
        Which repeat: whole numbers from 1.
    phase : array_like, optional
        Phase of the wobble at time 0 in rad.

    Returns
    -------
    float or numpy.ndarray
        Time from the original sound to this repeat in s, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    delay_swing : its amplitude for a small wobble

    Notes
    -----
    Source: conservation of tape, ``integral of v over [t - D, t] = n d``.
    Notebook: 05_flutter.

    Examples
    --------
    >>> round(fluttered_delay(0.25, 0.001, 1.0, 0.5), 6)
    0.5
    >>> round(fluttered_delay(0.0, 0.001, 1.0, 0.5), 6)
    0.500318
    """
    time = finite("time", time)
    depth = between("depth", depth, 0, 0.5)
    angular = 2 * np.pi * positive("rate", rate, "Hz")
    nominal = non_negative("delay", delay, "s") * _passes(passes)
    phase = finite("phase", phase)
    heard = np.cos(angular * time + phase)
    result = nominal + 0.0 * (heard + depth)
    for _ in range(_rounds(float(np.max(depth)))):
        result = nominal + depth / angular * (heard - np.cos(angular * (time - result) + phase))
    return scalar_or_array(result)


def repeat_pitch_ratio(time, depth, rate, delay, *, passes=1, phase=0.0):
    """Compute the exact pitch of the n-th repeat, ``v(t) / v(t - D)``, for a sinusoidal wobble.

    Parameters
    ----------
    time : array_like
        When the repeat is heard in s.
    depth : array_like
        Speed deviation zero to peak as a fraction, from 0 to 0.5.
    rate : array_like
        How often the wobble comes in Hz, greater than 0.
    delay : array_like
        Delay of one pass at the mean speed in s, 0 or more.
    passes : array_like, optional
        Which repeat: whole numbers from 1.
    phase : array_like, optional
        Phase of the wobble at time 0 in rad.

    Returns
    -------
    float or numpy.ndarray
        Frequency heard over frequency sung, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    repeat_deviation : its amplitude for a small wobble
    fluttered_delay : the time `D` between the two speeds

    Notes
    -----
    Source: ``1 - dD/dt`` of `fluttered_delay`; all speeds between cancel over
    the passes. Notebook: 05_flutter.

    Examples
    --------
    >>> round(repeat_pitch_ratio(0.25, 0.001, 1.0, 0.5), 6)
    1.002002
    """
    between_speeds = fluttered_delay(time, depth, rate, delay, passes=passes, phase=phase)
    time, depth, phase = finite("time", time), finite("depth", depth), finite("phase", phase)
    angular = 2 * np.pi * finite("rate", rate)
    heard = 1 + depth * np.sin(angular * time + phase)
    recorded = 1 + depth * np.sin(angular * (time - between_speeds) + phase)
    return scalar_or_array(heard / recorded)


def pitch_and_delay(deviation, sample_rate, delay, *, passes=1):
    """Compute pitch and delay of the n-th repeat from any record of the speed deviation.

    Parameters
    ----------
    deviation : array_like
        Speed deviation at equal steps of time, one-dimensional, 2 values or more, each above -1.
    sample_rate : float
        Values per second in Hz, greater than 0.
    delay : float
        Delay of one pass at the mean speed in s, greater than 0.
    passes : int, optional
        Which repeat, from 1.

    Returns
    -------
    ratio : numpy.ndarray
        Frequency heard over frequency recorded at each step.
    total_delay : numpy.ndarray
        Time since the original sound in s. Before the record begins the tape is
        taken to have run at the first speed.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range, or the record is too short.

    See Also
    --------
    repeat_pitch_ratio : the exact result for a sinusoid

    Notes
    -----
    Source: ``v(t) / v(t_n)`` with n head spacings of tape between `t_n` and `t`.
    Notebook: 05_flutter.

    Examples
    --------
    >>> ratio, total = pitch_and_delay([0.0, 0.0, 0.0], 10.0, 0.1, passes=2)
    >>> ratio, total
    (array([1., 1., 1.]), array([0.2, 0.2, 0.2]))
    """
    deviation = _series("deviation", deviation)
    sample_rate = single("sample_rate", positive("sample_rate", sample_rate, "Hz"))
    delay = single("delay", positive("delay", delay, "s"))
    passes = whole("passes", passes, 1, 10_000)
    speeds = positive("1 + deviation", 1 + deviation)
    time = np.arange(deviation.size) / sample_rate
    total = transport.delay_at(time, speeds, passes * delay)
    return speeds / np.interp(time - total, time, speeds), total


def null_rates(delay, highest, *, passes=1):
    """List the wobble rates that leave the n-th repeat steady, ``k / (n T)``.

    Parameters
    ----------
    delay : float
        Delay of one pass in s, greater than 0.
    highest : float
        Largest rate of interest in Hz, greater than 0.
    passes : int, optional
        Which repeat, from 1.

    Returns
    -------
    numpy.ndarray
        Rates in Hz, rising, up to `highest`; empty if the first null lies above it.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    null_delays : the same question asked of the delay

    Notes
    -----
    Source: zeros of ``sin(pi fm n T)``. Notebook: 05_flutter.

    Examples
    --------
    >>> null_rates(0.25, 12.0)
    array([ 4.,  8., 12.])
    """
    total = single("delay", positive("delay", delay, "s")) * whole("passes", passes, 1, 10_000)
    highest = single("highest", positive("highest", highest, "Hz"))
    return np.arange(1, math.floor(highest * total * (1 + 1e-12)) + 1) / total


def null_delays(rate, longest):
    """List the delays at which every repeat is steady in spite of a wobble, ``k / fm``.

    Parameters
    ----------
    rate : float
        How often the wobble comes in Hz, greater than 0.
    longest : float
        Longest delay of interest in s, greater than 0.

    Returns
    -------
    numpy.ndarray
        Delays in s, rising, up to `longest`; empty if the first null lies above it.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    null_rates : the same question asked of the rate

    Notes
    -----
    Source: zeros of ``sin(pi fm T)``, which are zeros for n passes too.
    Notebook: 05_flutter.

    Examples
    --------
    >>> null_delays(4.0, 0.6)
    array([0.25, 0.5 ])
    """
    rate = single("rate", positive("rate", rate, "Hz"))
    longest = single("longest", positive("longest", longest, "s"))
    return np.arange(1, math.floor(longest * rate * (1 + 1e-12)) + 1) / rate


def _passes(passes):
    """Check numbers of passes that may be an array."""
    array = positive("passes", passes)
    if np.any(array != np.floor(array)):
        raise ValueError(f"passes must be whole numbers from 1, got {passes!r}")
    return array


def _sine_of_turns(turns):
    """Return |sin(pi x)|, exactly 0 at whole x however large."""
    return np.abs(np.sin(np.pi * (turns - np.rint(turns))))


def _rounds(depth):
    """Return how many substitutions bring a contraction by `depth` to double precision."""
    return 2 if depth < 1e-16 else 2 + math.ceil(-37 / math.log(depth))


# ---- weighting and reading ----

#: Zeros and poles of a weighting filter, Hz. Fitted to the table by least squares on the decibel
#: error, the rows at 0.8, 4 and 20 Hz counted more; three further zeros stand at 0 Hz. The pair
#: of complex poles has the frequency and the quality named last.
_ZERO = 39.10
_REAL_POLES = (1.508, 9.153, 51.78)
_PAIR = (0.4446, 0.6670)

#: The filter is run at this many values per second or more, where its digital form is true to 200 Hz.
_FILTER_RATE = 4000.0

#: Shortest stretch to read. Source: AES6-2008, at least 5 s.
_READING_TIME = 5.0


def modulation_index(depth, rate, *, tone=FLUTTER_TONE):
    """Compute how strongly a wobble modulates a tone, ``m f0 / fm``.

    The n-th pair of sidebands, ``f0 +/- n fm``, has the amplitude of the Bessel
    function of order n at the index; for a small index the first pair has half of it.

    Parameters
    ----------
    depth : array_like
        Deviation zero to peak as a fraction, 0 or more.
    rate : array_like
        How often the wobble comes in Hz, greater than 0.
    tone : array_like, optional
        Frequency of the tone in Hz, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Swing of the tone's phase zero to peak in rad, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    weighted_flutter : the reading of a meter

    Notes
    -----
    Source: theory of frequency modulation. Notebook: 05_flutter.

    Examples
    --------
    >>> round(modulation_index(0.001, 4.0), 4)
    0.7875
    """
    depth = non_negative("depth", depth)
    rate = positive("rate", rate, "Hz")
    return scalar_or_array(depth * positive("tone", tone, "Hz") / rate)


def weighting_db(frequency):
    """Look up the flutter weighting, the standard table read along straight lines over log frequency.

    Below 0.1 Hz and above 200 Hz, where the table ends, the last line goes on.

    Parameters
    ----------
    frequency : array_like
        How often the wobble comes in Hz, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Weight in decibels, 0 at 4 Hz, of the shape of the input.

    Raises
    ------
    ValueError
        If a frequency is not finite or not greater than 0.

    See Also
    --------
    weighting_zpk : a filter that follows the table

    Notes
    -----
    Source: AES6-2008, IEC 60386, table of the weighting.
    Notebook: 05_flutter.

    Examples
    --------
    >>> weighting_db([0.2, 4.0, 20.0])
    array([-30.6,   0. ,  -5.9])
    """
    x = np.log(positive("frequency", frequency, "Hz"))
    rows = np.array(FLUTTER_WEIGHTING)
    at, weight = np.log(rows[:, 0]), rows[:, 1]
    slope_below = (weight[1] - weight[0]) / (at[1] - at[0])
    slope_above = (weight[-1] - weight[-2]) / (at[-1] - at[-2])
    outside = slope_below * np.minimum(x - at[0], 0) + slope_above * np.maximum(x - at[-1], 0)
    return scalar_or_array(np.interp(x, at, weight) + outside)


def weighting_zpk():
    """Return an analog filter that follows the weighting table, as zeros, poles and gain.

    Three zeros at 0 Hz make the steep fall below 0.5 Hz; one more zero and five
    poles shape the rest. Its gain is exactly 1 at 4 Hz. It stays within 1 dB of
    the table from 0.2 to 200 Hz (0.43 dB at the worst point).

    Returns
    -------
    zeros : numpy.ndarray
        Zeros in rad/s.
    poles : numpy.ndarray
        Poles in rad/s, all with a negative real part.
    gain : float
        Gain factor of the zeros and poles.

    See Also
    --------
    weighting_sos : its digital form
    weighting_db : the table itself

    Notes
    -----
    Source: our own fit to the table of AES6-2008, IEC 60386.
    Notebook: 05_flutter.

    Examples
    --------
    >>> zeros, poles, gain = weighting_zpk()
    >>> len(zeros), len(poles)
    (4, 5)
    """
    pair, quality = _PAIR
    upper = pair * complex(-1 / (2 * quality), math.sqrt(1 - 1 / (4 * quality**2)))
    zeros = 2 * np.pi * np.array([0.0, 0.0, 0.0, -_ZERO])
    poles = 2 * np.pi * np.array([*(-p for p in _REAL_POLES), upper, upper.conjugate()])
    at_4_hz = 2j * np.pi * 4.0
    gain = np.abs(np.prod(at_4_hz - poles) / np.prod(at_4_hz - zeros))
    return zeros, poles, float(gain)


def weighting_sos(sample_rate):
    """Return the weighting filter in digital form, by the bilinear transform, as second-order sections.

    Parameters
    ----------
    sample_rate : float
        Values of speed per second in Hz, from 2000 to 1000000.

    Returns
    -------
    numpy.ndarray
        Sections for ``scipy.signal.sosfilt``, one row of six coefficients each.

    Raises
    ------
    ValueError
        If the rate is out of its range; below 2000 Hz the transform would bend
        the response at 200 Hz.

    See Also
    --------
    weighting_zpk : the analog filter behind it
    weighted : filters a record of any rate

    Notes
    -----
    Source: as `weighting_zpk`. Notebook: 05_flutter.

    Examples
    --------
    >>> weighting_sos(4000.0).shape
    (3, 6)
    """
    from scipy import signal

    rate = single("sample_rate", between("sample_rate", sample_rate, 2000, 1e6, "Hz"))
    return signal.zpk2sos(*signal.bilinear_zpk(*weighting_zpk(), fs=rate))


def weighted(deviation, sample_rate):
    """Weight a record of the speed deviation, as a flutter meter does.

    The mean is taken off first; a record below 4000 values per second is
    brought above that by a whole factor, where the digital filter is true.

    Parameters
    ----------
    deviation : array_like
        Speed deviation at equal steps of time as a fraction, one-dimensional.
    sample_rate : float
        Values per second in Hz, from 100 to 1000000.

    Returns
    -------
    result : numpy.ndarray
        The weighted deviation.
    result_rate : float
        Its values per second in Hz, a whole multiple of `sample_rate`.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range, or the record is too short.

    See Also
    --------
    weighted_flutter : the reading

    Notes
    -----
    Source: AES6-2008, IEC 60386. Notebook: 05_flutter.

    Examples
    --------
    >>> result, result_rate = weighted([0.25] * 100, 1000.0)
    >>> result.shape, float(abs(result).max()), result_rate
    ((400,), 0.0, 4000.0)
    """
    from scipy import signal

    deviation = _series("deviation", deviation)
    rate = single("sample_rate", between("sample_rate", sample_rate, 100, 1e6, "Hz"))
    factor = math.ceil(_FILTER_RATE / rate)
    wobble = deviation - deviation.mean()
    if factor > 1:
        wobble = signal.resample_poly(wobble, factor, 1)
    return signal.sosfilt(weighting_sos(factor * rate), wobble), factor * rate


def weighted_flutter(deviation, sample_rate, *, settling=3.0):
    """Read weighted flutter by the two-sigma method from a record of the speed deviation.

    Parameters
    ----------
    deviation : array_like
        Speed deviation at equal steps of time as a fraction, one-dimensional,
        at least 5 s longer than `settling`.
    sample_rate : float
        Values per second in Hz, from 100 to 1000000.
    settling : float, optional
        How much of the start is left out in s, while the filter settles.

    Returns
    -------
    float
        The weighted deviation that is not exceeded for 95.45 % of the time, as a
        fraction (0.001 is +/- 0.1 %).

    Raises
    ------
    ValueError
        If a value is not finite or out of its range, or the record is too short.

    See Also
    --------
    two_sigma : the reading without weighting

    Notes
    -----
    Source: AES6-2008, IEC 60386. Notebook: 05_flutter.

    Examples
    --------
    >>> t = np.arange(0, 10, 0.001)
    >>> round(weighted_flutter(0.001 * np.sin(2 * np.pi * 4 * t), 1000.0), 6)
    0.000997
    """
    settling = single("settling", non_negative("settling", settling, "s"))
    result, rate = weighted(deviation, sample_rate)
    duration = result.size / rate
    if duration < settling + _READING_TIME:
        raise ValueError(
            f"deviation must last {settling + _READING_TIME:g} s or more ({settling:g} s for the filter to "
            f"settle, {_READING_TIME:g} s to read), got {duration:g} s"
        )
    return two_sigma(result[round(settling * rate) :])


def two_sigma(deviation):
    """Return the deviation from zero that is not exceeded for 95.45 % of the time.

    Parameters
    ----------
    deviation : array_like
        Speed deviation at equal steps of time as a fraction, one-dimensional.

    Returns
    -------
    float
        The reading as a fraction; 0.997447 of the peak for a sinusoid.

    Raises
    ------
    ValueError
        If a value is not finite, or the record is not one-dimensional.

    See Also
    --------
    weighted_flutter : the same after weighting
    peak_deviation : half of the peak-to-peak value

    Notes
    -----
    Source: AES6-2008. Notebook: 05_flutter.

    Examples
    --------
    >>> t = np.arange(0, 1, 1e-5)
    >>> abs(two_sigma(np.sin(2 * np.pi * 4 * t)) - 0.997447) < 1e-4
    True
    """
    return float(np.quantile(np.abs(_series("deviation", deviation)), TWO_SIGMA_COVERAGE))


def rms_deviation(deviation):
    """Return the unweighted root-mean-square deviation about the mean.

    Parameters
    ----------
    deviation : array_like
        Speed deviation at equal steps of time as a fraction, one-dimensional.

    Returns
    -------
    float
        The rms value as a fraction.

    Raises
    ------
    ValueError
        If a value is not finite, or the record is not one-dimensional.

    See Also
    --------
    peak_deviation : zero to peak

    Notes
    -----
    Source: NAB 1965, unweighted rms flutter (from memory).
    Notebook: 05_flutter.

    Examples
    --------
    >>> rms_deviation([0.001, -0.001, 0.001, -0.001])
    0.001
    """
    return float(np.std(_series("deviation", deviation)))


def peak_deviation(deviation):
    """Return the unweighted peak deviation, half of the peak-to-peak value.

    Parameters
    ----------
    deviation : array_like
        Speed deviation at equal steps of time as a fraction, one-dimensional.

    Returns
    -------
    float
        Half of the span as a fraction, to be read as plus or minus.

    Raises
    ------
    ValueError
        If a value is not finite, or the record is not one-dimensional.

    See Also
    --------
    rms_deviation : root mean square
    two_sigma : the peak that short spikes do not set

    Notes
    -----
    Source: AES6-1982 (r2003), reporting of zero to peak.
    Notebook: 05_flutter.

    Examples
    --------
    >>> peak_deviation([0.0, 0.003, 0.001])
    0.0015
    """
    return float(np.ptp(_series("deviation", deviation)) / 2)


def _series(name, value):
    """Check a record at equal steps of time: one-dimensional, two values or more."""
    array = finite(name, value)
    if array.ndim != 1 or array.size < 2:
        raise ValueError(f"{name} must be one-dimensional with 2 values or more, got shape {array.shape}")
    return array


# ---- scrape flutter ----


def wave_speed(modulus=PET_MODULUS, density=PET_DENSITY):
    """Compute how fast a stretch runs along the tape, ``c = sqrt(E / rho)``.

    Parameters
    ----------
    modulus : array_like, optional
        Modulus of elasticity of the tape along its length in Pa, greater than 0.
    density : array_like, optional
        Density of the tape in kg/m3, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Speed of a longitudinal wave in m/s, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or not greater than 0.

    See Also
    --------
    scrape_resonance : what it does between two guides

    Notes
    -----
    Source: theory of the elastic bar; defaults from a polyester film data bulletin.
    Notebook: 05_flutter.

    Examples
    --------
    >>> round(wave_speed(4.805e9, 1390), 1)
    1859.3
    """
    modulus = positive("modulus", modulus, "Pa")
    density = positive("density", density, "kg/m3")
    return scalar_or_array(np.sqrt(modulus / density))


def scrape_resonance(free_length, *, modulus=PET_MODULUS, density=PET_DENSITY):
    """Compute where tape rubbing over a head likes to sing, ``c / (2 Lf)``.

    Friction at heads and guides excites the stretch of tape between them like a
    bow a string, lengthwise. A roller that holds the tape still halfway doubles
    the resonance.

    Parameters
    ----------
    free_length : array_like
        Length of tape between two places that hold it in m, greater than 0.
    modulus : array_like, optional
        Modulus of elasticity of the tape along its length in Pa, greater than 0.
    density : array_like, optional
        Density of the tape in kg/m3, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Lowest resonance in Hz, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or not greater than 0.

    See Also
    --------
    wave_speed : the speed c

    Notes
    -----
    Source: half a wave in a bar held at both ends; no published resonance of tape
    was found to compare with. Notebook: 05_flutter.

    Examples
    --------
    >>> round(scrape_resonance(0.1, modulus=4.805e9, density=1390))
    9296
    """
    free_length = positive("free_length", free_length, "m")
    return scalar_or_array(np.asarray(wave_speed(modulus, density)) / (2 * free_length))
