"""What happens when the echo is sent round again: repeats, stability, hiss, limiting.

The bus of the mixer carries ``input_gain * dry + return_gain * playback``; playback is what the heads give
of the bus, each after its delay. A sound that has gone round once has been multiplied by the loop gain
``L(f) = g R(f) sum_k a_k exp(-j 2 pi f T_k)``, over the heads that feed the return; `loop_gain_db` is its
level, ``20 log10 |L|``. The first answer of the tape is repeat 1; levels of repeats count from it.
"""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from tapecalc.calc.heads import Heads, taps_gain
from tapecalc.calc.quantity import (
    Decibels,
    Delay,
    Duration,
    FrequencyOrZero,
    Is,
    Level,
    T,
    calculator,
    check_fields,
)
from tapecalc.calc.response import NULL_DB, ComplexGain, OnePass, loudest
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude

#: Nothing above this frequency in Hz is looked at for stability: an octave above hearing.
HIGHEST_FREQUENCY = 40e3

#: Grid points in one turn of the phase of the longest delay, and in one piece of work.
_POINTS_PER_TURN = 32
_CHUNK = 1 << 17

#: Cells in one turn, and in one band, when only the loudest frequency in phase is looked for.
_CELLS_PER_TURN = 8
_BAND = 1 << 12

#: A loop may start at any tone in phase that is within this of the loudest, dB.
START_DB = 1.0
#: Bands that are looked through from either end for the first of these tones: some 2000 turns.
_EDGE_BANDS = 4

#: Frequencies in Hz at which a response is looked at on its own, 0.8 % from one to the next.
_FREQUENCIES = np.geomspace(0.01, HIGHEST_FREQUENCY, 2000)

#: Poles tried, one further to the right than the last, and steps to find one.
_MOST_POLES, _MOST_STEPS = 50, 100

_DYING = Is(
    "dB",
    below=0,
    words="level once round, below 0",
    usual=(-12.0, -1.0),
    must="below 0 dB for the echo to die away",
)
Dying = Annotated[T, _DYING]
Falling = Annotated[T, Is("dB", most=0, words="level to fall to", usual=(-60.0, -20.0), must="0 dB or below")]
Growing = Annotated[T, Is("dB", least=0, words="level once round of a tone that stays", usual=(0.5, 12.0))]
Growth = Annotated[T, Is("dB/s", words="change of level in a second", usual=(-60.0, 60.0))]
Count = Annotated[T, Is(least=1, words="number of repeats", usual=(2.0, 8.0))]
Later = Annotated[T, Is(above=1, words="which repeat, later than the first", usual=(2.0, 8.0))]
Nth = Annotated[T, Is(least=1, words="which repeat, or number of passes", usual=(2.0, 8.0))]
Passes = Annotated[T, Is(least=1, most=1_000_000, whole=True, words="number of passes", usual=(2, 8))]
SignedGain = Annotated[T, Is(words="ratio of amplitudes, below 0 where it inverts", usual=(0.1, 0.9))]
ReturnGain = Annotated[T, Is(above=0, words="amplitude of the return send", usual=(0.1, 0.9))]
Peak = Annotated[T, Is(least=0, words="peak of a sine wave", usual=(0.1, 2.0))]
Saturation = Annotated[T, Is(above=0, words="largest amplitude that the tape can hold", usual=(0.5, 2.0))]
LimiterGain = Annotated[T, Is(least=0, most=1, words="gain of the tape's limit", usual=(0.5, 1.0))]


@dataclass(frozen=True, kw_only=True)
class EchoLoop:
    """One or many playback heads, a mixer's return send, and the tape between them.

    >>> from tapecalc.calc.response import HeadContact
    >>> flat = HeadContact(gap=0, separation=0, coating_thickness=0, track_width=2e-3, azimuth_angle=0)
    >>> one_pass = OnePass(speed=0.2, today=flat, aligned=flat, boost_db=0, low_cut=0)
    >>> loop = EchoLoop(heads=Heads(spacings=(0.05,)), return_gain=0.5, one_pass=one_pass)
    >>> loop.delays, round(loop_gain_db(loop, 1000), 4), round(closed_loop_gain(loop, 4).real, 4)
    ((0.25,), -6.0206, 2.0)
    """

    heads: Heads
    return_gain: SignedGain[float]  # amplitude of the return send, below 0 if it inverts
    input_gain: SignedGain[float] = 1.0  # amplitude of the input send
    one_pass: OnePass

    def __post_init__(self) -> None:
        if not isinstance(self.heads, Heads):
            raise ValueError(f"heads must be a Heads, got {self.heads!r}")
        if not isinstance(self.one_pass, OnePass):
            raise ValueError(f"one_pass must be a OnePass, got {self.one_pass!r}")
        check_fields(self)

    @property
    def delays(self) -> tuple[float, ...]:
        """Delay of each head in s at the speed of `one_pass`."""
        return tuple(spacing / self.one_pass.speed for spacing in self.heads.spacings)

    @property
    def head_gains(self) -> tuple[float, ...]:
        """Amplitude of each head in the return, 0 where it does not feed it."""
        return self.heads.return_gains


# ---- the gain once round ----


@calculator
def loop_gain(loop: EchoLoop, frequency: FrequencyOrZero) -> ComplexGain:
    """Compute the complex gain once round, ``L = g R(f) sum_k a_k exp(-j 2 pi f T_k)``."""
    heads = zip(loop.head_gains, loop.delays, strict=True)
    playback = sum(gain * np.exp(-2j * np.pi * frequency * delay) for gain, delay in heads)
    return loop.return_gain * (loop.one_pass.gain(frequency) * playback)


@calculator
def loop_gain_db(loop: EchoLoop, frequency: FrequencyOrZero) -> Level:
    """Compute the level once round, ``20 log10 |L(f)|``, -300 dB at the least."""
    return amplitude_to_db(np.maximum(np.abs(loop_gain(loop, frequency)), db_to_amplitude(NULL_DB)))


@calculator
def closed_loop_gain(loop: EchoLoop, frequency: FrequencyOrZero) -> ComplexGain:
    """Compute what all repeats together make of a steady tone, ``input_gain / (1 - L(f))``.

    Only a loop that is stable ever reaches this gain from the dry sound to the bus.

    Source: J. O. Smith, Physical Audio Signal Processing, eq. 2.5.
    """
    rest = 1 - np.asarray(loop_gain(loop, frequency))
    if np.any(rest == 0):
        raise ValueError("frequency must be one at which the loop gain is not exactly 1, got one where it is")
    return loop.input_gain / rest


# ---- repeats ----


@calculator
def repeats_until(loop_gain_db: Dying, level_db: Falling) -> Count:
    """Compute which repeat stands at a level, with its fraction: ``n = 1 + level_db / loop_gain_db``.

    The inverse is `gain_for_repeats_db`.

    >>> round(repeats_until(-6.0206, -60), 4)
    10.9658
    """
    return 1 + level_db / loop_gain_db


@calculator
def repeats_heard(loop_gain_db: Dying, level_db: Falling) -> Count:
    """Count the repeats that are not below a level, `repeats_until` without its fraction; a tie counts.

    >>> repeats_heard(-6, -30)
    6.0
    """
    # A repeat that was set to stand at the level must count, whatever the last bit says.
    return 1 + np.floor(level_db / loop_gain_db * (1 + 1e-12))


@calculator
def gain_for_repeats_db(repeats: Later, level_db: Falling) -> Level:
    """Compute the loop gain that puts repeat n at a level, ``level_db / (n - 1)``, as in `repeats_until`."""
    return level_db / (repeats - 1)


@calculator
def decay_time(delay: Delay, loop_gain_db: Dying, level_db: Falling = -60.0) -> Duration:
    """Compute how long repeats take from the first to a level, ``t = T level_db / loop_gain_db``.

    Source: M. R. Schroeder, Natural Sounding Artificial Reverberation, JAES 10, 1962.
    """
    return delay * (level_db / loop_gain_db)


@calculator
def return_gain_for_repeats(loop: EchoLoop, repeats: Count, level_db: Falling) -> ReturnGain:
    """Compute the return send at which so many repeats of a loop's loudest tone are not below a level.

    ``g = 10^(level_db / 20 (n - 1/2)) / (sum_k |a_k| max |R|)``, the middle of the range that gives n.

    All heads that feed the return are taken to be in phase, which at some frequency they nearly are; so other
    tones die sooner, and the loop is stable whatever the phase. The loop's own return send plays no part.
    """
    if not any(loop.head_gains):
        raise ValueError(f"head_gains must not all be 0 for there to be repeats, got {loop.head_gains}")
    return db_to_amplitude(level_db / (repeats - 0.5) - _loudest_db(loop))


@calculator
def growth_db_per_s(delay: Delay, loop_gain_db: Level) -> Growth:
    """Compute how fast the level of one head's echo changes, ``loop_gain_db / T``; it grows above 0 dB."""
    return loop_gain_db / delay


def fastest_growth_db_per_s(loop: EchoLoop) -> float:
    """Compute how fast the tone of a loop changes that in the end is the loudest; it grows above 0 dB.

    The real part of the pole furthest to the right, ``1 = g R sum_k a_k exp(-s T_k)``, with R as it is at the
    pole's frequency; for one head it is `growth_db_per_s`. Where no pole is found, as of a head so close that
    its tones lie above `HIGHEST_FREQUENCY`, it is the rate that no tone exceeds.

    Source: R. Bellman and K. L. Cooke, Differential-Difference Equations, 1963: the roots (from memory).
    """
    unit, send = _unit_return(loop), max(abs(loop.return_gain), db_to_amplitude(NULL_DB))
    sigma, is_pole = 0.0, False
    for _ in range(_MOST_POLES):
        # What grows faster than sigma would, damped by it, come back in phase and louder than it left.
        frequency, level_db = _first_in_phase(_damped(unit, sigma))
        if is_pole and level_db + amplitude_to_db(send) < 1e-9:
            break
        if frequency is None:
            raise ValueError("loop must have a tone that comes back in phase, got one without")
        found = _pole_near(unit, send, complex(sigma, 2 * np.pi * frequency))
        if found is None:
            sigma = _growth_at_most(unit, send, sigma)
            break
        if is_pole and found.real <= sigma:
            break
        sigma, is_pole = found.real, True
    return 20 * math.log10(math.e) * sigma


# ---- stability ----


@dataclass(frozen=True, kw_only=True)
class Stability:
    """How far a loop is from running away, exactly and by a bound."""

    stable: bool  # whether every echo dies away, at this return send and at every lower one
    margin_db: float  # how far the return send may go up until a tone stays; below 0 how far it is beyond
    frequency: float | None  # Hz, of the tone that comes first; None if none comes back in phase
    band: tuple[float, float] | None  # Hz, lowest and highest that is in phase within 1 dB of it
    growing_modes: int | None  # how many frequencies grow; None if nobody asked
    bound_db: float  # the margin if all heads were in phase at the loudest frequency, never above it


@calculator
def oscillation_frequencies(
    loop: EchoLoop, low: FrequencyOrZero[float], high: FrequencyOrZero[float]
) -> NDArray[np.float64]:
    """Find the frequencies of a band that come back in phase, where L(f) is real and positive, rising.

    At each of them the loop would hold a tone if its gain there were 1. For one head and no low cut they
    are ``n / T``; for an inverting loop ``(n + 1/2) / T``.

    Source: H. Barkhausen, Lehrbuch der Elektronen-Roehren, volume 3, 1935: the condition of phase.
    """
    _check_band(low, high)
    unit = _unit_return(loop)
    frequencies = _real_between(unit, *_brackets(unit, low, high))
    return frequencies[_gain_at(unit, frequencies).real > 0]


def stability(loop: EchoLoop, *, count_modes: bool = True) -> Stability:
    """Work out whether a loop is stable, its margin, and the frequency at which it would start.

    Exact: among all frequencies that come back in phase (up to `HIGHEST_FREQUENCY`) the one with the largest
    loop gain sets the margin. Beside it stands the small-gain bound ``-20 log10(g sum_k |a_k| max |R|)``,
    which needs no phase and is a little careful. Of equal ones the lowest is named. Where the response is
    flat many frequencies are nearly alike: a real machine starts anywhere in the `band`. Where no such tone
    is among some 2000 turns from an end, that end is the one of the response.

    `count_modes` also counts the turns of L(f) around 1, by Nyquist's criterion the frequencies that grow;
    in a long loop there are very many.

    Source: H. Nyquist, Regeneration Theory, Bell System Technical Journal 11, 1932 (from memory).
    """
    send_db, loudest_db = _floored_db(loop.return_gain), _loudest_db(loop)
    unit = _unit_return(loop)
    sent = replace(unit, return_gain=loop.return_gain)
    frequency, level_db = _first_in_phase(unit)
    margin_db = -max(level_db + send_db, NULL_DB)
    return Stability(
        stable=margin_db > 0,
        margin_db=margin_db,
        frequency=frequency,
        band=None if frequency is None else _start_band(unit, level_db - START_DB),
        growing_modes=_growing_modes(sent, loudest_db + send_db) if count_modes else None,
        bound_db=-max(loudest_db + send_db, NULL_DB),
    )


# ---- hiss ----


@calculator
def noise_build_up_db(loop_gain_db: Level, repeats: Nth | None = None) -> Decibels:
    """Compute how much louder the hiss is than that of one pass, at one frequency.

    ``10 log10((1 - |L|^(2n)) / (1 - |L|^2))`` after n passes; without `repeats` the long run,
    ``-10 log10(1 - |L|^2)``, for a level below 0 dB. The hiss of different passes is not alike, so powers
    add. For one head this is exact for hiss averaged over the teeth of the comb.

    >>> round(noise_build_up_db(-6.0206), 4), round(noise_build_up_db(0, 10), 4)
    (1.2494, 10.0)
    """
    if repeats is None:
        return -10 * np.log10(-np.expm1(np.log(10) / 10 * _DYING.check("loop_gain_db", loop_gain_db)))
    # Above 0 dB the same series runs backward from its last and largest term. The quotient of
    # two expm1 is exact near 0 dB, where its limit is the count itself.
    exponent = -np.log(10) / 10 * np.abs(loop_gain_db)
    step = np.where(exponent == 0, 1, exponent)
    power = np.where(exponent == 0, repeats, np.expm1(step * repeats) / np.expm1(step))
    return 10 * np.log10(power) + (repeats - 1) * np.maximum(loop_gain_db, 0)


@calculator
def hiss_db(
    loop: EchoLoop,
    repeats: Passes | None = None,
    *,
    low: FrequencyOrZero[float] = 20.0,
    high: FrequencyOrZero[float] = 20e3,
) -> Decibels:
    """Compute how much louder the hiss of a whole band is than that of one pass.

    The noise of the tape, with its spectrum N, joins each pass behind the tape and is heard once it has gone
    round n times: ``mean N |P (1 - L^n) / (1 - L)|^2 / mean N |P|^2``, ``P = sum_k a_k exp(-j 2 pi f T_k)``
    of all heads that are heard; without `repeats` the long run. For one head the average over each tooth of
    the comb is taken in closed form (`noise_build_up_db`); for many heads 65,536 frequencies are drawn
    evenly, good to a few tenths of a decibel near 0 dB of margin.
    """
    _check_band(low, high)
    if repeats is None and not stability(loop, count_modes=False).stable:
        raise ValueError("loop must be stable for a long run, got one that is not; give repeats")
    one_head = len(loop.delays) == 1  # for which no comb is left, and few frequencies tell a smooth curve
    # Steps by the golden section spread evenly and fall in step with no comb.
    share = (np.arange(1 << (12 if one_head else 16)) + 0.5) * (np.sqrt(5) - 1) / 2 % 1
    frequency = low + (high - low) * share
    taps = taps_gain(frequency, loop.delays, loop.heads.gains)
    heard = 10 ** (loop.one_pass.noise_density_db(frequency) / 10) * np.abs(taps) ** 2
    if not np.any(heard):
        raise ValueError(f"heads must not all be silent for their hiss to be heard, got {loop.heads.gains}")
    once = loop_gain_db(loop, frequency) if one_head else loop_gain(loop, frequency)
    found_db = []
    for count in [None] if repeats is None else map(int, np.ravel(repeats)):
        up_db = noise_build_up_db(once, count) if one_head else _build_up_db(once, count)
        most_db = up_db.max()
        power = np.sum(heard * 10 ** ((up_db - most_db) / 10)) / np.sum(heard)
        found_db.append(most_db + 10 * np.log10(power))
    return np.reshape(found_db, () if repeats is None else np.shape(repeats))


def _build_up_db(gain: NDArray[np.complex128], repeats: int | None) -> NDArray[np.float64]:
    """Compute the level of ``(1 - L^n) / (1 - L)``, of ``1 / (1 - L)`` without n."""
    if repeats is None:
        return -amplitude_to_db(np.abs(1 - gain))
    scale = max(1.0, float(np.abs(gain).max()))  # the power of a loud loop may be too large for a number
    rest = np.abs(scale**-repeats - (gain / scale) ** repeats)
    level_db = amplitude_to_db(np.maximum(rest, db_to_amplitude(NULL_DB)) / np.abs(1 - gain))
    return level_db + repeats * amplitude_to_db(scale)


@calculator
def repeat_snr_db(loop_gain_db: Level, repeats: Nth, one_pass_snr_db: Level) -> Level:
    """Compute by how much one repeat stands above the hiss, at one frequency; below 0 it is under it.

    The first repeat stands above it by the signal-to-noise ratio of one pass. Repeat n is ``n - 1`` loop
    gains weaker, and the hiss of n passes lies under it.
    """
    return one_pass_snr_db + (repeats - 1) * loop_gain_db - noise_build_up_db(loop_gain_db, repeats)


# ---- limiting ----


@calculator
def describing_function(amplitude: Peak, saturation: Saturation) -> LimiterGain:
    """Compute the gain of the tape's limit, ``S tanh(x / S)``, for the fundamental of a sine wave.

    ``N(A) = 2 / (pi A) * integral from 0 to pi of S tanh(A sin(u) / S) sin(u) du``: 1 for a weak signal,
    ``4 S / (pi A)`` for a strong one.

    Source: harmonic balance (N. Krylov and N. Bogoliubov, from memory). The limit is a model, no source.

    >>> round(describing_function(0.1, 1), 4), round(describing_function(10, 1), 4)
    (0.9975, 0.1268)
    """
    drive = amplitude / saturation
    # The mean over a quarter period by the midpoint rule, which for a periodic curve is all but exact.
    sine = np.sin((np.arange(1024) + 0.5) * np.pi / 2048)
    bends = drive > 1e-8  # below, the gain is 1 to the last digit
    driven = np.where(bends, drive, 1)
    mean = np.mean(np.tanh(driven[..., None] * sine) * sine, axis=-1)
    return np.where(bends, 2 * mean / driven, 1)


@calculator
def settling_level(loop_gain_db: Growing, saturation: Saturation, record_db: Decibels = 0.0) -> Peak:
    """Find the amplitude at which the tape's limit holds one tone of a loop that runs away, ``|L| N(A) = 1``.

    The result is the peak on the bus, ``A / P``: the record equalizer lifts the tone by P (`record_db`) in
    front of the limit. On the tape it is ``A / |L|``, whatever P. Harmonics are left out; with them the tape
    holds up to 1 dB more. A runaway from noise ends on real tape within 1 dB of that too, all its tones
    together.

    >>> bus = settling_level(2, 1), settling_level(2, 1, 6.0206)
    >>> [round(float(peak), 3) for peak in bus]
    [1.061, 0.53]

    Source: harmonic balance (N. Krylov and N. Bogoliubov, from memory).
    """
    gain = np.asarray(db_to_amplitude(loop_gain_db))
    # The limiter's fundamental is never above that of a square wave, but for rounding; 1 / N(A) is nearly
    # straight.
    most = 1.00001 * gain * 4 / np.pi
    level = _root(lambda drive: 1 / np.asarray(describing_function(drive, 1)) - gain, 0 * gain, most)
    return level * saturation / db_to_amplitude(record_db)


@calculator
def crowd_settling_level(loop_gain_db: Growing, saturation: Saturation) -> Peak:
    """Find where the tape's limit holds a loop in which many tones grow together, at most.

    Where the response is flat each moment goes round alone and settles at ``x = |L| S tanh(x / S)``, either
    sign: a wave with flat tops. The result is the peak of a sine wave as strong as that before the limit,
    ``sqrt(2) x``; on the tape it is ``1 / |L|`` of it. The phase of real equalizers wears flat tops down,
    and all tones together end near `settling_level`. With one head the strongest of them lies far below;
    with several it nears that level in the course of a minute.

    Source: fixed point of the map (R. M. May, Simple Mathematical Models with Very Complicated Dynamics,
    1976, from memory).
    """
    gain = np.asarray(db_to_amplitude(loop_gain_db))
    # tanh(x) / x reaches 1 to the last digit before x is too small a number to divide by.
    level = _root(lambda x: np.maximum(x, 1e-9) / np.tanh(np.maximum(x, 1e-9)) - gain, 0 * gain, gain)
    return np.sqrt(2) * level * saturation


# ---- the search for frequencies in phase ----


def _check_band(low: float, high: float) -> None:
    if not low < high:
        raise ValueError(f"low must be below high, {high:g} Hz, got {low:g}")


def _gain_at(loop: EchoLoop, frequencies: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Compute the loop gain at any number of frequencies, none at all included."""
    return loop_gain(loop, frequencies) if frequencies.size else np.zeros(frequencies.shape, complex)


def _floored_db(amplitude: float) -> float:
    """Convert an amplitude of any sign to decibels, `NULL_DB` at the least."""
    return amplitude_to_db(max(abs(amplitude), db_to_amplitude(NULL_DB)))


def _loudest_db(loop: EchoLoop) -> float:
    """Compute the level of all heads in phase at the loudest frequency, the return send fully up."""
    # At a crawl a bump beyond the first null of a gap or a tilt can be louder than all below it.
    loudest_db = max(loudest(loop.one_pass)[1], np.max(loop.one_pass.level_db(_FREQUENCIES)))
    return _floored_db(sum(abs(gain) for gain in loop.head_gains)) + loudest_db


def _unit_return(loop: EchoLoop) -> EchoLoop:
    """Return the loop with its return send fully up, its sign kept, and only the heads that feed it."""
    fed = [(d, gain) for d, gain in zip(loop.heads.spacings, loop.head_gains, strict=True) if gain]
    spacings, gains = zip(*fed, strict=True) if fed else (loop.heads.spacings, loop.head_gains)
    heads = Heads(spacings=spacings, gains=gains)
    return replace(loop, heads=heads, return_gain=-1.0 if loop.return_gain < 0 else 1.0)


def _cell_width(unit: EchoLoop) -> float:
    return HIGHEST_FREQUENCY / math.ceil(HIGHEST_FREQUENCY * _CELLS_PER_TURN * max(unit.delays))


@lru_cache(maxsize=16)  # whoever asks for the margin asks for the growth next
def _first_in_phase(unit: EchoLoop) -> tuple[float | None, float]:
    """Find the loudest frequency in phase and its level; None and `NULL_DB` if there is none."""
    # Just above 0 Hz even the slightest low cut turns the phase within one cell.
    best = _louder(unit, _lowest_turn(unit), (None, NULL_DB))
    heads_db = _floored_db(sum(abs(gain) for gain in unit.head_gains))
    levels_db = _band_levels_db(unit.one_pass, _BAND * _cell_width(unit))
    bands = np.argsort(-levels_db.round(9), kind="stable")
    done, together = 0, 1
    # The loudest bands come first; once no other can hold a louder frequency the search ends.
    while done < bands.size and levels_db[bands[done]] + heads_db > best[1] + 1e-9:
        some = bands[done : done + together]
        best = _louder(unit, _enclosed_in_bands(unit, some, levels_db[some], best[1]), best)
        done, together = done + together, min(2 * together, 64)
    return best


def _start_band(unit: EchoLoop, least_db: float) -> tuple[float, float]:
    """Find the lowest and the highest frequency in phase that reach a level."""
    levels_db = _band_levels_db(unit.one_pass, _BAND * _cell_width(unit))
    loud = np.nonzero(levels_db + _floored_db(sum(abs(gain) for gain in unit.head_gains)) >= least_db)[0]
    lowest = _in_phase(unit, _lowest_turn(unit), least_db)[0]
    ends = []
    for bands, outermost, edge in ((loud, np.min, 0), (loud[::-1], np.max, 1)):
        found = lowest if edge == 0 else np.zeros(0)
        for band in bands[:_EDGE_BANDS]:
            if found.size:
                break
            enclosed = _enclosed_in_bands(unit, band[np.newaxis], levels_db[[band]], least_db)
            found = _in_phase(unit, enclosed, least_db)[0]
        if not found.size and loud.size <= _EDGE_BANDS:
            found = lowest  # all was looked through
        ends.append(float(outermost(found)) if found.size else _response_band(unit, least_db)[edge])
    return ends[0], ends[1]


def _response_band(loop: EchoLoop, least_db: float) -> tuple[float, float]:
    """Find the band in which the heads, all in phase, reach a level; a grid step more at either end."""
    grid = np.concatenate([[0.0], _FREQUENCIES])
    heads_db = _floored_db(sum(abs(gain) for gain in loop.head_gains)) + _floored_db(loop.return_gain)
    levels_db = loop.one_pass.level_db(grid) + heads_db
    inside = np.nonzero(levels_db >= min(least_db, levels_db.max()))[0]  # the peak may lie between two steps
    return float(grid[max(inside[0] - 1, 0)]), float(grid[min(inside[-1] + 1, grid.size - 1)])


def _lowest_turn(unit: EchoLoop) -> NDArray[np.float64]:
    """Enclose the frequencies at which L(f) is real in the first turn of the longest delay."""
    return _brackets(unit, 0, _CELLS_PER_TURN * _cell_width(unit))


def _enclosed_in_bands(
    unit: EchoLoop, bands: NDArray[np.int64], levels_db: NDArray[np.float64], least_db: float
) -> NDArray[np.float64]:
    """Enclose the frequencies of some bands at which L(f) is real and may reach a level.

    `levels_db` are those of the response, at most, in each band.
    """
    width, loudest_response = _cell_width(unit), db_to_amplitude(float(np.max(levels_db)))
    gains, delays = np.abs(unit.head_gains), np.array(unit.delays)
    # How far the sum of the heads can go from the center of a cell to its edge, in size and at all; in size
    # only what one turns against another counts.
    slack = np.pi * width * min(np.sum(gains * np.abs(delays - delay)) for delay in delays)
    turned = np.pi * width * np.sum(gains * delays)
    least = db_to_amplitude(least_db)
    centers = _loud_cells(unit, width, bands * _BAND, db_to_amplitude(least_db - levels_db) - slack)
    # Within a cell the loop gain turns by the delays, and by the low cut a little.
    away = (turned + 0.1 * np.sum(gains)) * loudest_response
    gain = _gain_at(unit, centers)
    centers = centers[(gain.real + away >= least) & (np.abs(gain.imag) <= away)]
    points = np.clip(centers[:, np.newaxis] + width / 4 * np.arange(-3, 4), 0, HIGHEST_FREQUENCY)
    ends = _enclosed(unit, points)
    reached = np.abs(_gain_at(unit, ends)).max(axis=0)
    return ends[:, reached + slack * loudest_response / 4 >= least]


@lru_cache(maxsize=64)  # one search after another asks for them
def _band_levels_db(one_pass: OnePass, band: float) -> NDArray[np.float64]:
    """Compute how loud the response is, at most, in each of the bands of a width in Hz that follow 0 Hz."""
    count = math.ceil(HIGHEST_FREQUENCY / band)
    edges = np.arange(count + 1) * band
    inside = np.append(_FREQUENCIES, loudest(one_pass)[0])
    levels_db = np.maximum(one_pass.level_db(edges[:-1]), one_pass.level_db(edges[1:]))
    place = np.minimum(inside // band, count - 1).astype(int)
    np.maximum.at(levels_db, place, one_pass.level_db(inside))
    return levels_db


def _loud_cells(
    unit: EchoLoop, width: float, first_cells: NDArray[np.int64], amplitudes: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the centers of those cells of some bands in which the heads together reach an amplitude."""
    starts = (first_cells + 0.5) * width
    phases = np.exp(-2j * np.pi * np.outer(starts, unit.delays)) * unit.head_gains
    turned = np.exp(-2j * np.pi * width * np.outer(unit.delays, np.arange(_BAND)))
    band, cell = np.nonzero(np.abs(phases @ turned) >= amplitudes[:, np.newaxis])
    return starts[band] + width * cell


def _in_phase(
    unit: EchoLoop, ends: NDArray[np.float64], least_db: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Find the frequencies in phase of those enclosed that reach a level, and their levels."""
    frequencies = _real_between(unit, *ends)
    gain = _gain_at(unit, frequencies).real
    loud = gain >= db_to_amplitude(least_db)
    return frequencies[loud], amplitude_to_db(gain[loud]) if np.any(loud) else gain[loud]


def _louder(
    unit: EchoLoop, ends: NDArray[np.float64], best: tuple[float | None, float]
) -> tuple[float | None, float]:
    """Return the loudest frequency in phase of those enclosed, or the best so far if that is louder."""
    frequencies, levels_db = _in_phase(unit, ends, best[1] + 1e-9)
    if not frequencies.size:
        return best
    # Of equal ones the lowest.
    level_db = float(levels_db.max())
    return float(np.min(frequencies[levels_db > level_db - 1e-9])), level_db


def _damped(unit: EchoLoop, rate: float) -> EchoLoop:
    """Return the loop for tones that grow by a rate in 1/s, as if they stayed: heads answer from before."""
    gains = np.array(unit.head_gains) * np.exp(-rate * np.array(unit.delays))
    heard = np.abs(gains) >= db_to_amplitude(NULL_DB) * np.max(np.abs(gains))  # a late head is long over
    spacings = np.array(unit.heads.spacings)[heard]
    return replace(unit, heads=Heads(spacings=tuple(spacings), gains=tuple(gains[heard])))


def _growth_bound(unit: EchoLoop, send: float) -> float:
    """Compute in 1/s what no tone exceeds, as if all heads were the first and in phase, and 1 dB louder."""
    return max(_loudest_db(unit) + amplitude_to_db(send) + 1, 0) * math.log(10) / 20 / min(unit.delays)


def _growth_at_most(unit: EchoLoop, send: float, low: float) -> float:
    """Halve the rates in 1/s down to one above which no tone comes back louder than it left."""
    high = _growth_bound(unit, send)
    for _ in range(12):
        middle = (low + high) / 2
        louder = _first_in_phase(_damped(unit, middle))[1] + amplitude_to_db(send) > 0
        low, high = (middle, high) if louder else (low, middle)
    return high


def _pole_near(unit: EchoLoop, send: float, start: complex) -> complex | None:
    """Solve ``1 = L(s)`` by Newton's rule for its logarithm, R as it is at each step; None if that fails."""
    gains, delays = np.array(unit.head_gains), np.array(unit.delays)
    fastest, slowest = _growth_bound(unit, send), -600 / max(delays)

    def miss(s: complex) -> tuple[complex, complex]:
        """How far L(s) is from 1, as a logarithm, and by how much s moves for each step of that."""
        heads = gains * np.exp(-s * delays)
        once = unit.return_gain * send * unit.one_pass.gain(max(s.imag, 0.0) / (2 * np.pi)) * np.sum(heads)
        return np.log(once) if once else complex(math.inf), np.sum(heads) / np.sum(heads * delays)

    s, (off, turn) = start, miss(start)
    for _ in range(_MOST_STEPS):
        for part in 0.5 ** np.arange(9):  # a step that leads farther away is halved
            step = part * off * turn
            there = complex(np.clip(s.real + step.real, slowest, fastest), s.imag + step.imag)
            found = miss(there)
            if abs(found[0]) < abs(off):
                break
        else:
            break
        s, (off, turn) = there, found
    return s if abs(off) < 1e-6 else None


def _growing_modes(loop: EchoLoop, excess_db: float) -> int:
    """Count how often L(f) passes clockwise round 1, where the response is loud enough for it."""
    if excess_db <= 0:
        return 0
    left, right = _brackets(loop, *_response_band(loop, 0.0))
    beyond = _gain_at(loop, _real_between(loop, left, right)).real > 1
    after = right + 1e-6 / max(loop.delays)  # a step further on, for those enclosed by two equal ends
    return -int(np.sum(np.sign(_gain_at(loop, after).imag)[beyond]))


def _brackets(loop: EchoLoop, low: float, high: float) -> NDArray[np.float64]:
    """Enclose each frequency of a band at which L(f) is real between two others, rising."""
    pairs = [np.zeros((2, 0)), *(_enclosed(loop, f) for f in _grid(loop, low, high))]
    ends = np.concatenate(pairs, axis=1)
    return ends[:, np.unique(ends[0], return_index=True)[1]]  # pieces of the grid overlap


def _grid(loop: EchoLoop, low: float, high: float) -> Iterator[NDArray[np.float64]]:
    """Yield a band in pieces of evenly spaced frequencies that share two points with the next."""
    step = (high - low) / max(np.ceil((high - low) * _POINTS_PER_TURN * max(loop.delays)), 2)
    count = round((high - low) / step) + 1
    for first in range(0, count - 1, _CHUNK):
        piece = low + step * np.arange(max(first - 1, 0), min(first + _CHUNK, count - 1) + 1)
        # Just above 0 Hz even the slightest low cut turns the phase within one step.
        yield piece if piece[0] > 0 else np.insert(piece, 1, 1e-9 * step)


def _enclosed(loop: EchoLoop, f: NDArray[np.float64]) -> NDArray[np.float64]:
    """Enclose each frequency at which L(f) is real between two points of rising rows of frequencies."""
    imaginary = _gain_at(loop, f).imag
    side, height = np.sign(imaginary), np.abs(imaginary)
    change = side[..., :-1] * side[..., 1:] < 0
    exact = f[side == 0]  # 0 Hz above all, where every delay is in phase

    # Where the imaginary part comes near zero and turns back, its turning point tells if it hides a pair.
    before, here, after = side[..., :-2], side[..., 1:-1], side[..., 2:]
    lower = (height[..., 1:-1] < height[..., :-2]) & (height[..., 1:-1] < height[..., 2:])
    turns = (before == here) & (here == after) & lower
    start, end, sign = f[..., :-2][turns], f[..., 2:][turns], here[turns]
    step = 1e-6 / max(loop.delays)
    middle = _root(lambda x: sign * (_gain_at(loop, x + step) - _gain_at(loop, x)).imag, start, end, step)
    hidden = sign * _gain_at(loop, middle).imag < 0
    pairs = [
        (f[..., :-1][change], f[..., 1:][change]),
        (exact, exact),
        (start[hidden], middle[hidden]),
        (middle[hidden], end[hidden]),
    ]
    return np.concatenate([np.stack(pair) for pair in pairs], axis=1)


def _real_between(
    loop: EchoLoop, left: NDArray[np.float64], right: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Find the frequencies at which the imaginary part of L(f) is zero, each between two others."""
    return _root(lambda f: _gain_at(loop, f).imag, left, right)


def _root(
    function: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    left: NDArray[np.float64],
    right: NDArray[np.float64],
    within: float = 0.0,
) -> NDArray[np.float64]:
    """Find where a function changes its sign, to `within`, in many pairs at once: false position."""
    # Illinois. The root finders of scipy take longer to load than a plan takes to print.
    other, here = left, right
    at_other, at_here = function(other), function(here)
    done = at_here == 0
    for _ in range(80):
        apart = at_here - at_other
        share = at_here / np.where(apart == 0, 1, apart)
        step = np.where(done, 0, share * (other - here))
        done |= np.abs(step) <= np.maximum(within, 4 * np.finfo(float).eps * np.abs(here))
        if np.all(done):
            break
        last, at_last = here, at_here
        here = np.clip(last + step, left, right)
        at_here = function(here)
        crossed = at_here * at_last < 0
        other, at_other = np.where(crossed, last, other), np.where(crossed, at_last, at_other / 2)
    return here
