"""Sounds made here: clicks, tones, plucked strings, a phrase."""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter

from tapecalc.calc.quantity import between, positive, single, whole
from tapecalc.calc.units import CENTS_PER_OCTAVE
from tapecalc.sound.samples import _amplitude, _length, valid_rate, with_peak

__all__ = [
    "click",
    "phrase",
    "pink_noise",
    "pluck",
    "speech_clicks",
    "sweep",
    "tone",
]


START_LEVEL_DB = -18.0  # peak of what is generated here: there is room for the echo to add up

#: The phrase: (start in beats, MIDI note number, strength). Our own, in D minor.
PHRASE_NOTES = (
    (0.0, 50, 1.0),
    (0.0, 57, 0.7),
    (0.75, 65, 0.9),
    (1.0, 64, 0.8),
    (1.75, 60, 0.9),
    (2.5, 62, 1.0),
    (2.75, 57, 0.6),
    (3.25, 53, 0.8),
    (3.5, 55, 0.9),
)

#: The spoken rhythm: (start in beats, stress). A line of nine syllables, our own.
SYLLABLES = (
    (0.0, 1.0),
    (0.5, 0.4),
    (0.75, 0.6),
    (1.25, 1.0),
    (1.75, 0.5),
    (2.0, 0.8),
    (2.75, 0.4),
    (3.0, 1.0),
    (3.5, 0.6),
)


# --- test signals ----------------------------------------------------------------------------------


def click(seconds=1.0, sample_rate=48000, *, at=0.05, width=0.0005, level_db=START_LEVEL_DB):
    """Make a click: one raised cosine, ``(1 + cos(2 pi (t - at)/width)) / 2``.

    Parameters
    ----------
    seconds : float, optional
        Length in s.
    sample_rate : int, optional
        Samples a second.
    at : float, optional
        Time of the click's middle in s.
    width : float, optional
        Length of the whole click in s.
    level_db : float, optional
        Peak against full scale in dB.

    Returns
    -------
    numpy.ndarray
        The sound, mono.

    Raises
    ------
    ValueError
        If a value is out of its range.

    Notes
    -----
    Source: definition. Notebook: 01_delay.

    Examples
    --------
    >>> int(click(at=0.01).argmax())
    480
    """
    rate = valid_rate(sample_rate)
    time = np.arange(_length(seconds, rate)) / rate - single("at", between("at", at, 0, seconds, "s"))
    turn = time / single("width", positive("width", width, "s"))
    return _amplitude(level_db) * np.where(np.abs(turn) < 0.5, np.cos(np.pi * turn) ** 2, 0)


def tone(frequency, seconds=1.0, *, sample_rate=48000, level_db=START_LEVEL_DB):
    """Make a sine tone, ``A sin(2 pi f t)``.

    Parameters
    ----------
    frequency : float
        Frequency in Hz, below half the sample rate.
    seconds : float, optional
        Length in s.
    sample_rate : int, optional
        Samples a second.
    level_db : float, optional
        Peak against full scale in dB.

    Returns
    -------
    numpy.ndarray
        The sound, mono.

    Raises
    ------
    ValueError
        If a value is out of its range.

    Notes
    -----
    Source: definition. Notebook: 05_flutter.

    Examples
    --------
    >>> tone(12000, 4 / 48000, level_db=0).round(6).tolist()
    [0.0, 1.0, 0.0, -1.0]
    """
    rate = valid_rate(sample_rate)
    f = _audible("frequency", frequency, rate)
    return _amplitude(level_db) * np.sin(2 * np.pi * f / rate * np.arange(_length(seconds, rate)))


def sweep(low, high, seconds=4.0, *, sample_rate=48000, level_db=START_LEVEL_DB):
    """Make a sweep whose pitch rises evenly, ``f(t) = f1 (f2/f1)^(t/seconds)``.

    Parameters
    ----------
    low, high : float
        First and last frequency in Hz, below half the sample rate.
    seconds : float, optional
        Length in s.
    sample_rate : int, optional
        Samples a second.
    level_db : float, optional
        Peak against full scale in dB.

    Returns
    -------
    numpy.ndarray
        The sound, mono, with 10 ms of fade at both ends.

    Raises
    ------
    ValueError
        If a value is out of its range.

    Notes
    -----
    Source: definition of the exponential sweep. Notebook: none.

    Examples
    --------
    >>> sweep(100, 10000, 0.5).shape
    (24000,)
    """
    rate = valid_rate(sample_rate)
    f1, f2 = _audible("low", low, rate), _audible("high", high, rate)
    if f1 == f2:
        raise ValueError(f"high must be another frequency than low, got {high!r} for both")
    n = _length(seconds, rate)
    slope = np.log(f2 / f1)
    phase = 2 * np.pi * f1 * (n / rate) / slope * np.expm1(slope * np.arange(n) / n)
    return _amplitude(level_db) * _faded(np.sin(phase), round(0.01 * rate))


def pink_noise(seconds=1.0, sample_rate=48000, *, seed=0, level_db=START_LEVEL_DB):
    """Make pink noise: the same power in every octave from 20 Hz up.

    Parameters
    ----------
    seconds : float, optional
        Length in s.
    sample_rate : int, optional
        Samples a second.
    seed : int, optional
        Which noise; the same seed gives the same samples.
    level_db : float, optional
        Peak against full scale in dB.

    Returns
    -------
    numpy.ndarray
        The sound, mono.

    Raises
    ------
    ValueError
        If a value is out of its range.

    Notes
    -----
    Source: definition, power density as 1/f. Notebook: none.

    Examples
    --------
    >>> bool((pink_noise(0.1, seed=3) == pink_noise(0.1, seed=3)).all())
    True
    """
    rate = valid_rate(sample_rate)
    n = _length(seconds, rate)
    spectrum = np.fft.rfft(np.random.default_rng(whole("seed", seed, 0, 2**63)).standard_normal(n))
    frequency = np.fft.rfftfreq(n, 1 / rate)
    spectrum *= np.where(frequency >= 20, 1, 0) / np.sqrt(np.maximum(frequency, 20))
    return with_peak(np.fft.irfft(spectrum, n), level_db)


def _audible(name, frequency, rate):
    """Check one frequency against half the sample rate."""
    return single(name, between(name, frequency, 1e-3, rate / 2, "Hz"))


def _faded(samples, n):
    """Fade the first and last `n` samples in and out with half a cosine."""
    n = min(n, len(samples) // 2)
    ramp = np.sin(np.pi / 2 * np.arange(n) / max(n, 1)) ** 2
    samples[:n] *= ramp
    samples[len(samples) - n :] *= ramp[::-1]
    return samples


# --- the plucked string ----------------------------------------------------------------------------


def pluck(
    frequency, seconds=2.0, *, sample_rate=48000, decay=2.5, position=0.18, seed=0, level_db=START_LEVEL_DB
):
    """Pluck a string: noise that circles in a delay line and loses treble at each turn.

    ``y[n] = x[n] + rho (h * y)[n - N]`` with ``h`` a symmetric low pass times a
    fractional delay; ``N`` and the fraction are chosen so that the phase of one turn
    closes exactly at the wanted frequency.

    Parameters
    ----------
    frequency : float
        Fundamental in Hz, at most a twentieth of the sample rate.
    seconds : float, optional
        Length in s.
    sample_rate : int, optional
        Samples a second.
    decay : float, optional
        Time in s in which the fundamental falls by 60 dB.
    position : float, optional
        Where the string is plucked, as a fraction of its length, above 0 up to 0.5.
    seed : int, optional
        Which noise is plucked.
    level_db : float, optional
        Peak against full scale in dB.

    Returns
    -------
    numpy.ndarray
        The sound, mono, faded out over its last 20 ms.

    Raises
    ------
    ValueError
        If a value is out of its range.

    Notes
    -----
    Source: Karplus and Strong 1983, Computer Music Journal 7(2); fractional tuning by
    Lagrange interpolation, Jaffe and Smith 1983 in the same issue. Notebook: 02_wavelength.

    Examples
    --------
    >>> pluck(110, 0.5).shape
    (24000,)
    """
    rate = valid_rate(sample_rate)
    f = single("frequency", between("frequency", frequency, 20, rate / 20, "Hz"))
    decay = single("decay", positive("decay", decay, "s"))
    position = single("position", between("position", position, 1e-3, 0.5))
    n = _length(seconds, rate)
    turn = rate / f  # samples in one turn of the string
    delay = int(turn) - 3
    fraction = turn - int(turn)
    low_pass = np.array([0.1, 0.8, 0.1])  # one sample late at every frequency
    taps = np.convolve(low_pass, _fractional_delay(2 + fraction))
    omega = 2 * np.pi * f / rate
    # The interpolator is a hair off at the fundamental; shift the fraction by what is missing.
    late = -np.angle(np.sum(taps * np.exp(-1j * omega * np.arange(len(taps))))) / omega
    fraction += turn - (delay + late)
    taps = np.convolve(low_pass, _fractional_delay(2 + fraction))
    loss = np.abs(np.sum(taps * np.exp(-1j * omega * np.arange(len(taps)))))
    taps *= min(1.0, 10 ** (-3 * turn / (decay * rate)) / loss)
    loop = np.concatenate([[1.0], np.zeros(delay - 1), -taps])

    burst = np.zeros(n)
    length = min(n, int(turn))
    burst[:length] = np.random.default_rng(whole("seed", seed, 0, 2**63)).uniform(-1, 1, length)
    burst = lfilter([0.35], [1, -0.65], burst)  # a fingertip, not a needle
    burst -= np.concatenate([np.zeros(min(n, round(position * turn))), burst])[:n]
    return with_peak(_faded_out(lfilter([1.0], loop, burst), round(0.02 * rate)), level_db)


def _fractional_delay(delay):
    """Return the five taps of Lagrange's interpolator that delays by `delay` samples, near 2."""
    at = np.arange(5.0)
    return np.array([np.prod((delay - np.delete(at, k)) / (k - np.delete(at, k))) for k in range(5)])


def _faded_out(samples, n):
    """Fade the last `n` samples out."""
    n = min(n, len(samples))
    samples[len(samples) - n :] *= np.cos(np.pi / 2 * np.arange(1, n + 1) / n) ** 2
    return samples


def phrase(sample_rate=48000, *, bpm=76.0, seconds=6.0, level_db=-12.0):
    """Play the phrase: one bar on the plucked string, then room for the echo.

    Parameters
    ----------
    sample_rate : int, optional
        Samples a second.
    bpm : float, optional
        Tempo in quarter notes a minute.
    seconds : float, optional
        Length in s; notes that start later are left out.
    level_db : float, optional
        Peak against full scale in dB.

    Returns
    -------
    numpy.ndarray
        The sound, mono.

    Raises
    ------
    ValueError
        If a value is out of its range.

    See Also
    --------
    speech_clicks : the same bar as a spoken rhythm

    Notes
    -----
    Source: our own; equal temperament, A4 = 440 Hz (ISO 16). Notebook: workbench.

    Examples
    --------
    >>> phrase(8000, seconds=1.0).shape
    (8000,)
    """
    rate = valid_rate(sample_rate)
    beat = 60 / single("bpm", between("bpm", bpm, 20, 400))
    sound = np.zeros(_length(seconds, rate))
    for number, (start, note, strength) in enumerate(PHRASE_NOTES):
        first = round(start * beat * rate)
        if first >= len(sound):
            break
        frequency = 440 * 2 ** ((note - 69) * 100 / CENTS_PER_OCTAVE)
        rest = min(1.6, (len(sound) - first) / rate)
        string = strength * pluck(frequency, rest, sample_rate=rate, decay=1.4, seed=number, level_db=0)
        sound[first : first + len(string)] += string[: len(sound) - first]
    return with_peak(sound, level_db)


def speech_clicks(sample_rate=48000, *, bpm=76.0, seconds=6.0, level_db=-12.0):
    """Tap out a spoken line: nine stressed and unstressed syllables as short clicks.

    Parameters
    ----------
    sample_rate : int, optional
        Samples a second.
    bpm : float, optional
        Tempo in quarter notes a minute.
    seconds : float, optional
        Length in s; syllables that start later are left out.
    level_db : float, optional
        Peak against full scale in dB.

    Returns
    -------
    numpy.ndarray
        The sound, mono.

    Raises
    ------
    ValueError
        If a value is out of its range.

    See Also
    --------
    phrase : the same bar on the plucked string

    Notes
    -----
    Source: our own. Notebook: 06_heads.

    Examples
    --------
    >>> speech_clicks(8000, seconds=1.0).shape
    (8000,)
    """
    rate = valid_rate(sample_rate)
    beat = 60 / single("bpm", between("bpm", bpm, 20, 400))
    sound = np.zeros(_length(seconds, rate))
    lead = 0.01  # the first click's rise, s
    for start, stress in SYLLABLES:
        at = lead + start * beat
        if at < len(sound) / rate:
            # A stressed syllable is louder and darker: a longer click.
            sound += stress * click(seconds, rate, at=at, width=0.001 + 0.002 * stress, level_db=0)
    return with_peak(sound, level_db)
