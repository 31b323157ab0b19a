"""Wow and flutter: what an uneven tape speed does to a repeat, and how it is read.

The speed is `v(t) = v0 (1 + e(t))`; `e` is called the deviation and is a fraction (0.001 is 0.1 %). A sound
recorded at one moment and played at another changes its pitch by the ratio of the two speeds.
"""

import math
from typing import Annotated, Any

import numpy as np
from numpy.typing import NDArray

from tapecalc.calc.quantity import (
    Angle,
    Decibels,
    Delay,
    DelayOrZero,
    Depth,
    DurationOrZero,
    Frequency,
    Gain,
    Is,
    Level,
    Rate,
    RateOrZero,
    Ratio,
    T,
    Time,
    calculator,
)
from tapecalc.calc.standards import FLUTTER_WEIGHTING, PET_DENSITY, PET_MODULUS, TWO_SIGMA_COVERAGE

ExactDepth = Annotated[
    T, Is(least=0, most=0.5, words="deviation of speed zero to peak, of any size", usual=(0.0005, 0.005))
]
Passes = Annotated[T, Is(above=0, whole=True, words="which repeat, from 1", usual=(1.0, 4.0))]
WhichRepeat = Annotated[T, Is(least=1, most=10_000, whole=True, words="which repeat", usual=(1, 4))]
Deviations = Annotated[
    T, Is(series=True, words="deviation of the speed at equal steps of time", usual=(-0.002, 0.002))
]
RecordRate = Annotated[
    T, Is("Hz", least=100, most=1e6, words="deviations recorded in a second", usual=(200.0, 8000.0))
]
FilterRate = Annotated[
    T, Is("Hz", least=2000, most=1e6, words="deviations filtered in a second", usual=(4000.0, 48000.0))
]
Eccentricity = Annotated[T, Is("m", least=0, words="how far a part turns off its center", usual=(1e-6, 1e-5))]
Thick = Annotated[T, Is("m", above=0, words="diameter on which the tape runs", usual=(0.005, 0.06))]
FreeLength = Annotated[T, Is("m", above=0, words="tape between what holds it", usual=(0.03, 0.15))]
Modulus = Annotated[T, Is("Pa", above=0, words="modulus of elasticity of tape", usual=(4.5e9, 6.5e9))]
Density = Annotated[T, Is("kg/m3", above=0, words="density of tape", usual=(1300.0, 1500.0))]
WaveSpeed = Annotated[T, Is("m/s", above=0, words="speed of a longitudinal wave", usual=(1500.0, 2500.0))]

#: Largest swing of a level that is told, dB.
DEEPEST_DB = 60.0
_PHASES = 360  # between dry sound and echo, over which notes are counted
#: Below this factor a repeat says nothing about the speed.
_LEAST_FACTOR = 0.05


# ---- what one pass and n passes do to pitch and delay ----


@calculator
def repeat_deviation(depth: Depth, rate: RateOrZero, delay: DelayOrZero, *, passes: Passes = 1) -> Depth:
    """Compute how far a small speed wobble bends the pitch of the n-th repeat, ``2 m |sin(pi fm n T)|``.

    Over n passes all speeds between cancel: ``v(t) / v(t_n)``, with exactly n head spacings of tape between.
    The repeats do not wobble more and more; each is one comparison of two speeds, n delays apart, and its
    deviation lies between 0 and 2 m, all zero to peak. The inverse is `depth_from_repeat`.

    Source: first order of ``v(t) / v(t - n T)``; the bounds agree with M.R.L. Publication 570.

    >>> repeat_deviation(0.001, 1.0, 0.5), repeat_deviation(0.001, 2.0, 0.5)
    (0.002, 0.0)
    """
    return 2 * depth * _sine_of_turns(rate * delay * passes)


@calculator
def depth_from_repeat(deviation: Depth, rate: Rate, delay: Delay, *, passes: Passes = 1) -> Depth:
    """Compute the speed wobble behind a pitch deviation, ``m = e / (2 |sin(pi fm n T)|)``.

    Refused near a null, where the repeat says nothing about the speed. The inverse of `repeat_deviation`.
    """
    factor = 2 * _sine_of_turns(rate * delay * passes)
    if np.any(factor < _LEAST_FACTOR):
        bad = float(np.broadcast_to(rate, factor.shape)[factor < _LEAST_FACTOR].flat[0])
        raise ValueError(
            f"rate must keep away from whole multiples of 1 / (delay x passes), where the repeat hides "
            f"the wobble, got {bad:g} Hz"
        )
    return deviation / factor


@calculator
def delay_swing(depth: Depth, rate: RateOrZero, delay: DelayOrZero, *, passes: Passes = 1) -> DurationOrZero:
    """Compute how far a small wobble swings the arrival of the n-th repeat, ``m n T |sinc(fm n T)|``.

    It is zero to peak, and at rate 0 a steady speed error.
    """
    total = delay * passes
    return depth * total * np.abs(np.sinc(rate * total))


@calculator
def fluttered_delay(
    time: Time, depth: ExactDepth, rate: Rate, delay: DelayOrZero, *, passes: Passes = 1, phase: Angle = 0.0
) -> DelayOrZero:
    """Compute the exact delay of the n-th repeat while the speed is ``v0 (1 + m sin(2 pi fm t + phi))``.

    Solves ``D = n T + (m / w) (cos(w t + phi) - cos(w (t - D) + phi))`` with ``w = 2 pi fm`` for `D`, n head
    spacings of tape. `time` is when the repeat is heard, `delay` that of one pass at the mean speed.

    >>> round(fluttered_delay(0.25, 0.001, 1.0, 0.5), 6), round(fluttered_delay(0.0, 0.001, 1.0, 0.5), 6)
    (0.5, 0.500318)
    """
    angular, nominal = 2 * np.pi * rate, delay * passes
    heard = np.cos(angular * time + phase)
    result = nominal + 0.0 * (heard + depth)
    # Each round shrinks the error by the factor m or better: so many bring double precision.
    deepest = float(np.max(depth))
    for _ in range(2 if deepest < 1e-16 else 2 + math.ceil(-37 / math.log(deepest))):
        result = nominal + depth / angular * (heard - np.cos(angular * (time - result) + phase))
    return result


@calculator
def repeat_pitch_ratio(
    time: Time, depth: ExactDepth, rate: Rate, delay: DelayOrZero, *, passes: Passes = 1, phase: Angle = 0.0
) -> Ratio:
    """Compute the exact pitch of the n-th repeat, ``v(t) / v(t - D)``, for a sinusoidal wobble.

    It is ``1 - dD/dt`` of `fluttered_delay`; `repeat_deviation` is its amplitude for a small wobble.

    >>> round(repeat_pitch_ratio(0.25, 0.001, 1.0, 0.5), 6)
    1.002002
    """
    between_speeds = fluttered_delay(time, depth, rate, delay, passes=passes, phase=phase)
    angular = 2 * np.pi * rate
    heard = 1 + depth * np.sin(angular * time + phase)
    recorded = 1 + depth * np.sin(angular * (time - between_speeds) + phase)
    return heard / recorded


@calculator
def null_rates(
    delay: Delay[float], highest: Rate[float], *, passes: WhichRepeat[int] = 1
) -> NDArray[np.float64]:
    """List the wobble rates that leave the n-th repeat steady, ``k / (n T)``, rising, up to `highest`."""
    total = delay * passes
    return np.arange(1, math.floor(highest * total * (1 + 1e-12)) + 1) / total


def _sine_of_turns(turns: Any) -> Any:
    """Compute |sin(pi x)|, exactly 0 at whole x however large."""
    return np.abs(np.sin(np.pi * (turns - np.rint(turns))))


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


@calculator
def weighting_db(frequency: Rate) -> Level:
    """Look up the flutter weighting, the standard table read along straight lines over log frequency.

    Below 0.1 Hz and above 200 Hz, where the table ends, the last line goes on.

    Source: AES6-2008, IEC 60386, table of the weighting.

    >>> weighting_db([0.2, 4.0, 20.0])
    array([-30.6,   0. ,  -5.9])
    """
    x, rows = np.log(frequency), np.array(FLUTTER_WEIGHTING)
    at, weight = np.log(rows[:, 0]), rows[:, 1]
    slope_below = (weight[1] - weight[0]) / (at[1] - at[0])
    slope_above = (weight[-1] - weight[-2]) / (at[-1] - at[-2])
    outside = slope_below * np.minimum(x - at[0], 0) + slope_above * np.maximum(x - at[-1], 0)
    return np.interp(x, at, weight) + outside


def weighting_zpk() -> tuple[NDArray[np.float64], NDArray[np.complex128], float]:
    """Give an analog filter that follows `weighting_db`: zeros and poles in rad/s, and the gain.

    Three zeros at 0 Hz make the steep fall below 0.5 Hz; one more zero and five poles shape the rest. The
    gain is exactly 1 at 4 Hz. Our own fit: within 0.43 dB of the table from 0.2 to 200 Hz.
    """
    pair, quality = _PAIR
    upper = pair * complex(-1 / (2 * quality), math.sqrt(1 - 1 / (4 * quality**2)))
    zeros = 2 * np.pi * np.array([0.0, 0.0, 0.0, -_ZERO])
    poles = 2 * np.pi * np.array([*(-p for p in _REAL_POLES), upper, upper.conjugate()], np.complex128)
    at_4_hz = 2j * np.pi * 4.0
    gain = np.abs(np.prod(at_4_hz - poles) / np.prod(at_4_hz - zeros))
    return zeros, poles, float(gain)


@calculator
def weighting_sos(sample_rate: FilterRate[float]) -> NDArray[np.float64]:
    """Give the filter of `weighting_zpk` by the bilinear transform, as sections for ``scipy.signal.sosfilt``.

    Below 2000 Hz the transform would bend the response at 200 Hz.
    """
    from scipy import signal

    return signal.zpk2sos(*signal.bilinear_zpk(*weighting_zpk(), fs=sample_rate))


@calculator
def weighted(deviation: Deviations, sample_rate: RecordRate[float]) -> tuple[NDArray[np.float64], float]:
    """Weight a record of the speed deviation, as a flutter meter does; give it and its values per second.

    The mean is taken off first; a record below 4000 values per second is brought above that by a whole
    factor, where the digital filter is true.

    Source: AES6-2008, IEC 60386.
    """
    from scipy import signal

    wobble = _record(deviation) - deviation.mean()
    factor = math.ceil(_FILTER_RATE / sample_rate)
    if factor > 1:
        wobble = signal.resample_poly(wobble, factor, 1)
    return signal.sosfilt(weighting_sos(factor * sample_rate), wobble), factor * sample_rate


@calculator
def weighted_flutter(
    deviation: Deviations, sample_rate: RecordRate[float], *, settling: DurationOrZero[float] = 3.0
) -> float:
    """Read weighted flutter by the two-sigma method from a record of the speed deviation.

    The filter settles in the first seconds, which are left out; 5 s or more must follow.

    Source: AES6-2008, IEC 60386.

    >>> t = np.arange(0, 10, 0.001)
    >>> round(weighted_flutter(0.001 * np.sin(2 * np.pi * 4 * t), 1000.0), 6)
    0.000997
    """
    result, rate = weighted(deviation, sample_rate)
    duration = result.size / rate
    if duration < settling + _READING_TIME:
        raise ValueError(
            f"deviation must last {settling + _READING_TIME:g} s or more ({settling:g} s for the filter to "
            f"settle, {_READING_TIME:g} s to read), got {duration:g} s"
        )
    return two_sigma(result[round(settling * rate) :])


@calculator
def two_sigma(deviation: Deviations) -> float:
    """Read the deviation from zero that is not exceeded for 95.45 % of the time; 0.997447 m for a sinusoid.

    Source: AES6-2008.
    """
    return float(np.quantile(np.abs(_record(deviation)), TWO_SIGMA_COVERAGE))


@calculator
def peak_deviation(deviation: Deviations) -> float:
    """Read the unweighted peak deviation, half of the peak-to-peak value.

    Source: AES6-1982 (r2003), reporting of zero to peak.
    """
    return float(np.ptp(_record(deviation)) / 2)


def _record(deviation: NDArray[np.float64]) -> NDArray[np.float64]:
    if deviation.ndim != 1 or deviation.size < 2:
        raise ValueError(
            f"deviation must be one-dimensional with 2 values or more, got shape {deviation.shape}"
        )
    return deviation


# ---- what makes a wobble, and what it does beside the dry sound ----


@calculator
def eccentric_wobble(eccentricity: Eccentricity, diameter: Thick) -> Depth:
    """Compute the wobble of a part that turns off its center, ``2 e / D``; the same at every speed.

    Of a capstan `diameter` counts with the tape's thickness. Source: own derivation, the speed of a rim is
    radius times turns.

    >>> round(100 * eccentric_wobble(3e-6, 0.006), 3)  # percent
    0.1
    """
    return 2 * eccentricity / diameter


@calculator
def forced_wobble(depth: Depth, speed_ratio: Ratio, *, once_a_turn: bool = True) -> Depth:
    """Compute the wobble that a pulsing force makes at another speed, ``m / r^2``: fourfold at half of it.

    Only the flywheel holds against the force: ``dv/v = M / (J w_c w_d)``. A force that comes once a turn
    gets slower with the turns; of one that keeps its own beat, as mains does, the wobble only doubles.

    Source: own derivation from ``J dw/dt = M cos(w_d t)``.
    """
    return depth / speed_ratio ** (2 if once_a_turn else 1)


@calculator
def shimmer_db(
    frequency: Frequency, delay: DelayOrZero, swing: DurationOrZero, *, gain: Gain = 1.0
) -> Decibels:
    """Compute by how much a held note swings, lowest to highest, when it sounds together with its echo.

    The level is that of ``|1 + g e^(-j phi)|`` with ``phi = 2 pi f (T +/- swing)``; `swing` is that of
    `delay_swing`, `gain` the echo against the dry sound. Where both can cancel, `DEEPEST_DB` ends it.

    Source: own derivation, the sum of two sines.

    >>> round(shimmer_db(440, 0.25, 0.0001, gain=0.5), 2), round(shimmer_db(441, 0.25, 0.0001, gain=0.5), 2)
    (0.07, 1.93)
    """
    turns, swung = frequency * delay, frequency * swing
    low, high = turns - swung, turns + swung
    ends = np.cos(2 * np.pi * np.array([low, high]))
    highest = np.where(np.ceil(low) <= high, 1.0, ends.max(axis=0))
    lowest = np.where(np.ceil(low - 0.5) <= high - 0.5, -1.0, ends.min(axis=0))
    up, down = (1 + gain**2 + 2 * gain * at for at in (highest, lowest))
    return 10 * np.log10(up / np.maximum(down, up * 10 ** (-DEEPEST_DB / 10)))


@calculator
def usual_shimmer_db(frequency: Frequency, swing: DurationOrZero, *, gain: Gain = 1.0) -> Decibels:
    """Compute the `shimmer_db` that every second note near a frequency passes: a semitone moves all phases.

    For a small swing of an equal echo it is ``(20 / ln 10) 2 pi f swing``.
    """
    phases = (np.arange(_PHASES) + 0.5) / _PHASES
    phases = phases.reshape(-1, *[1] * np.ndim(frequency * swing * gain))
    return np.median(shimmer_db(frequency, phases / frequency, swing, gain=gain), axis=0)


# ---- scrape flutter ----


@calculator
def wave_speed(modulus: Modulus = PET_MODULUS, density: Density = PET_DENSITY) -> WaveSpeed:
    """Compute how fast a stretch runs along the tape, ``c = sqrt(E / rho)``.

    Source: theory of the elastic bar; defaults from a polyester film data bulletin.
    """
    return np.sqrt(modulus / density)


@calculator
def scrape_resonance(
    free_length: FreeLength, *, modulus: Modulus = PET_MODULUS, density: Density = PET_DENSITY
) -> Frequency:
    """Compute where tape rubbing over a head likes to sing, ``c / (2 Lf)``, lengthwise like a bowed string.

    A roller that holds the tape still halfway doubles the resonance.

    Source: half a wave in a bar held at both ends; no published resonance of tape was found to compare with.

    >>> round(scrape_resonance(0.1, modulus=4.805e9, density=1390))
    9296
    """
    return wave_speed(modulus, density) / (2 * free_length)
