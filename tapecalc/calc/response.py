"""What one pass over tape, and many passes, do to the treble and the bass.

A frequency becomes a length on the tape, and everything that goes wrong between tape and head is measured
against that length. A loss is a level in decibels, 0 or below. Where a slanted or wide gap cancels the
signal completely the level reads `NULL_DB`, never minus infinity. Losses by wavelength are real: they have
a sign, which turns past a null, and no phase. What has phase is the electronics.
"""

from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Annotated, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tapecalc.calc.contour import POLE_SHAPES, bump_gain
from tapecalc.calc.noise import noise_density_db
from tapecalc.calc.quantity import (
    Decibels,
    Frequency,
    FrequencyOrZero,
    Is,
    Level,
    Repeats,
    Speed,
    T,
    Thickness,
    TrackWidth,
    Wavelength,
    calculator,
    check_fields,
    known_name,
    positive,
)
from tapecalc.calc.standards import (
    DEFAULT_GAP_FACTOR,
    DEFAULT_SURFACE_SHARE,
    HOME_BAND,
    HOME_MIDDLE,
    HOME_WINDOWS_DB,
)

#: The level that stands for "nothing at all"; far below any noise.
NULL_DB = -300.0

#: How smoothly a boost ends: at its end an equalizer lacks 0.3 of this, dB. Judgement, no source.
BEND_DB = 6.0

#: Waves per meter between which an equalizer's phase is worked out, and in how many steps.
_WAVES, _STEPS = (1.0, 1e8), 4096

#: The frequency in Hz up to which an upper band edge is looked for.
SEARCH_LIMIT = 1e6

Gap = Annotated[T, Is("m", above=0, words="mechanical length of a gap", usual=(2e-6, 8e-6))]
GapOrZero = Annotated[T, Is("m", least=0, words="mechanical length of a gap, or 0", usual=(2e-6, 8e-6))]
GapFactor = Annotated[T, Is(above=0, words="effective over mechanical length of a gap", usual=(1.0, 1.14))]
Separation = Annotated[T, Is("m", least=0, words="distance from head to coating", usual=(0.2e-6, 2e-6))]
Coating = Annotated[T, Is("m", least=0, words="thickness of the magnetic coating", usual=(5e-6, 15e-6))]
SurfaceShare = Annotated[
    T, Is(least=0, most=1, words="magnetization at the surface over that in the depth", usual=(0.2, 1.0))
]
PoleLength = Annotated[T, Is("m", least=0, words="length of the poles along the tape", usual=(3e-3, 8e-3))]
TauOrZero = Annotated[T, Is("s", least=0, words="time constant, or 0 for none", usual=(5e-5, 3e-3))]
Tilt = Annotated[
    T, Is("rad", least=-1.5, most=1.5, words="tilt of a gap against the recording", usual=(0.0005, 0.003))
]
NullTilt = Annotated[T, Is("rad", above=0, words="tilt that cancels a frequency", usual=(0.0005, 0.003))]
TimeConstant = Annotated[T, Is("s", above=0, words="time constant of an equalizer", usual=(2e-5, 2e-4))]
LowCut = Annotated[T, Is("Hz", least=0, words="frequency of a first-order low cut, or 0", usual=(10.0, 80.0))]
ComplexGain = Annotated[T, Is(words="amplitude and phase, a complex number", usual=(0.1, 0.9))]
Loss = Annotated[T, Is("dB", most=0, words="what is left of a level", usual=(-30.0, -3.0))]
CoreShare = Annotated[
    T, Is(least=0, most=1, words="share of the magnetic resistance that is in the core", usual=(0.1, 0.9))
]
Drop = Annotated[T, Is("dB", above=0, words="drop at the edges of a band", usual=(1.0, 12.0))]
Passes = Annotated[T, Is(above=0, words="number of passes over the tape", usual=(1.0, 8.0))]


# ---- heads and passes ----


@dataclass(frozen=True, kw_only=True)
class HeadContact:
    """How one head meets the tape: everything that costs treble by wavelength."""

    gap: GapOrZero[float]
    separation: Separation[float]
    coating_thickness: Coating[float]
    track_width: TrackWidth[float]
    azimuth_angle: Tilt[float]
    gap_factor: GapFactor[float] = DEFAULT_GAP_FACTOR
    surface_share: SurfaceShare[float] = DEFAULT_SURFACE_SHARE  # 1 where the coating is magnetized evenly

    def __post_init__(self) -> None:
        check_fields(self)


@dataclass(frozen=True, kw_only=True)
class OnePass:
    """One trip from the record input to the playback output.

    The machine was aligned once: record and playback equalizer together undo the losses of the *aligned*
    contact, up to a boost that ends smoothly. Wear, dirt and tilt show as the difference between *today* and
    *aligned*. Equalizers are minimum phase, and their phase stays; the low cut is a coupling capacitor. The
    playback equalizer is the standard one of its time constants; the record equalizer does the rest.

    ``R(f) = loss_today(f) E(f) bump(L f / v) j f / (f_c + j f)``

    ``E = -K log10((1 - e) 10^(loss_aligned / K) + e)`` in dB, ``e = 10^(-B / K)``, K = 6 dB, is the boost.

    >>> good = HeadContact(gap=4e-6, separation=0.5e-6, coating_thickness=11e-6,
    ...                    track_width=2e-3, azimuth_angle=0)
    >>> one_pass = OnePass(speed=0.1905, today=good, aligned=good, boost_db=24, low_cut=30)
    >>> [round(one_pass.level_db(f), 2) for f in (30, 10000, 15000)]
    [-3.01, -0.18, -1.6]
    """

    speed: Speed[float]
    today: HeadContact
    aligned: HeadContact
    boost_db: Decibels[float]  # largest treble boost of both equalizers together
    low_cut: LowCut[float]
    tau_high: TauOrZero[float] = 0.0  # of the playback equalizer
    tau_low: TauOrZero[float] = 0.0
    pole_length: PoleLength[float] = 0.0  # 0 for a head without bumps
    pole_shape: str = "blocks"
    phase: bool = True  # whether the equalizers have one
    #: Hz and dB by which a measured pass differs; straight between over log f, beyond the ends as there.
    trim: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        check_fields(self)
        known_name("pole_shape", self.pole_shape, POLE_SHAPES)
        for name in ("today", "aligned"):
            if not isinstance(getattr(self, name), HeadContact):
                raise ValueError(f"{name} must be a HeadContact, got {getattr(self, name)!r}")

    @calculator
    def gain(self, frequency: FrequencyOrZero) -> ComplexGain:
        """Compute the complex gain ``R(f)``, the delay left out."""
        return self._gain(frequency)

    @calculator
    def level_db(self, frequency: FrequencyOrZero) -> Level:
        """Compute the level, ``20 log10 |R(f)|``, `NULL_DB` at the least."""
        return _level_db(self._gain(frequency))

    @calculator
    def record_gain(self, frequency: FrequencyOrZero) -> ComplexGain:
        """Compute the complex gain before the tape: what the playback equalizer leaves of the boost."""
        return self._boost(frequency) / self._playback(frequency)

    @calculator
    def playback_gain(self, frequency: FrequencyOrZero) -> ComplexGain:
        """Compute the complex gain of the playback equalizer, behind an ideal integrating amplifier."""
        return self._playback(frequency)

    @calculator
    def noise_density_db(self, frequency: Frequency) -> Level:
        """Compute the power of the tape's noise in one hertz at playback, up to a constant."""
        head, taus = self.today, (self.tau_high, self.tau_low)
        level_db = noise_density_db(
            frequency, self.speed, max(head.coating_thickness, 1e-9), head.separation, *taus
        )
        return level_db + _level_db(self._bumps(frequency))

    def _gain(self, frequency: NDArray[np.float64]) -> NDArray[np.complex128]:
        waves = frequency / self.speed
        gain: Any = _contact_gain(self.today, waves) * self._boost(frequency)
        gain = gain * self._bumps(frequency)
        if self.trim:
            hertz, trim_db = np.transpose(self.trim)
            octaves = np.log(np.maximum(frequency, hertz[0]))  # as between the marks of a drawn curve
            gain = gain * 10 ** (np.interp(octaves, np.log(hertz), trim_db) / 20)
        # Without a low cut the quotient is 1 at every frequency, at 0 Hz too.
        return gain * (1j * frequency / (self.low_cut + 1j * frequency)) if self.low_cut else gain + 0j

    def _bumps(self, frequency: NDArray[np.float64]) -> Any:
        return (
            bump_gain(self.pole_length * frequency / self.speed, self.pole_shape) if self.pole_length else 1.0
        )

    def _boost(self, frequency: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Compute what both equalizers do."""
        waves = frequency / self.speed
        boost: Any = 10 ** (_boost_db(self.aligned, self.boost_db, waves) / 20) + 0j
        if not (self.phase and self.boost_db):
            return boost
        grid, phases = _boost_phase(self.aligned, self.boost_db)
        turn: Any = np.exp(1j * np.interp(waves, grid, phases, left=0.0, right=0.0))
        return boost * turn

    def _playback(self, frequency: NDArray[np.float64]) -> NDArray[np.complex128]:
        s = 2j * np.pi * frequency
        bass = s * self.tau_low / (1 + s * self.tau_low) if self.tau_low else 1.0
        gain: Any = (1 + s * self.tau_high) * np.where(frequency == 0, 1.0, bass)
        return gain if self.phase else np.abs(gain) + 0j


def _boost_db(aligned: HeadContact, boost_db: float, waves: NDArray[np.float64]) -> NDArray[np.float64]:
    """Compute the boost that undoes losses: all of the small ones, and smoothly no more than so much."""
    end = 10 ** (-boost_db / BEND_DB)
    left = 10 ** (_contact_db(aligned, waves) / BEND_DB)
    return 0.0 - BEND_DB * np.log10((1 - end) * left + end)


@cache
def _boost_phase(aligned: HeadContact, boost_db: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Work out the phase of a boost, rad, on a grid of waves per meter.

    A minimum-phase circuit has ``phi(u) = (1 / pi) integral dA/du' ln coth(|u' - u| / 2) du'``, with
    ``u = ln f`` and A in nepers.

    Source: H. W. Bode, Network Analysis and Feedback Amplifier Design, 1945 (from memory).
    """
    grid = np.geomspace(*_WAVES, _STEPS)
    step = np.log(grid[1] / grid[0])
    slopes = np.diff(_boost_db(aligned, boost_db, grid)) * np.log(10) / 20
    apart = (np.arange(-_STEPS + 1, _STEPS) - 0.5) * step
    kernel = np.log(1 / np.tanh(np.abs(apart) / 2)) / np.pi
    size = 4 * _STEPS
    phases = np.fft.irfft(np.fft.rfft(slopes, size) * np.fft.rfft(kernel, size), size)
    return grid, phases[_STEPS - 1 : 2 * _STEPS - 1]


# ---- lengths on the tape ----


@calculator
def wavelength(frequency: Frequency, speed: Speed) -> Wavelength:
    """Compute the length of one period on the tape, ``lam = v / f``; inverse: `frequency_from_wavelength`.

    >>> round(wavelength(15000, 0.1905) * 1e6, 4)
    12.7
    """
    return speed / frequency


@calculator
def frequency_from_wavelength(wavelength: Wavelength, speed: Speed) -> Frequency:
    """Compute the frequency of a length on the tape, ``f = v / lam``; the inverse of `wavelength`."""
    return speed / wavelength


# ---- losses ----


@calculator
def spacing_loss_db(frequency: FrequencyOrZero, speed: Speed, separation: Separation) -> Loss:
    """Compute the loss by a distance from head to coating, ``-20 log10(e) 2 pi s / lam``: 54.6 dB per wave.

    Source: R. L. Wallace, Bell System Technical Journal 30, 1951, pp. 1145-1173.

    >>> round(spacing_loss_db(15000, 0.1905, 1e-6), 4)
    -4.2972
    """
    return _spacing_db(separation, frequency / speed)


@calculator
def thickness_loss_db(
    frequency: FrequencyOrZero, speed: Speed, coating_thickness: Coating, *, surface_share: SurfaceShare = 1.0
) -> Loss:
    """Compute the loss by the depth of the coating: the spacing loss averaged over it, ``x = 2 pi c / lam``.

    ``[m (1 - e^-x) / x + (1 - m) (1 - (1 + x) e^-x) / x^2] / ((1 + m) / 2)`` for a magnetization that rises
    evenly from the share m at the surface to 1 in the depth; m = 1 is the even coating of Wallace, which
    falls by 6 dB an octave and is brighter than measured tapes.

    Source: R. L. Wallace, Bell System Technical Journal 30, 1951; for the surface O. Tjaden 1959, as told by
    J. McKnight, Calculating the wavelength response, 2017 (the profile in between is ours).

    >>> [round(thickness_loss_db(10000, 0.1905, 11e-6, surface_share=m), 3) for m in (1.0, 0.2)]
    [-11.427, -14.978]
    """
    return _level_db(_thickness(coating_thickness, frequency / speed, surface_share))


@calculator
def coating_output_db(
    frequency: FrequencyOrZero, speed: Speed, coating_thickness: Thickness, reference: Thickness
) -> Level:
    """Compare the flux of two coatings alike magnetized, ``20 log10((1 - e^-x) / (1 - e^-x0))``.

    A thinner one gives less bass and hardly less treble: short waves come from the surface alone.

    >>> [round(coating_output_db(f, 0.1905, 4.3e-6, 11e-6), 3) for f in (1000, 10000, 20000)]
    [-7.239, -2.174, -0.519]
    """
    x, x0 = (2 * np.pi * thickness * frequency / speed for thickness in (coating_thickness, reference))
    ratio = np.divide(
        np.expm1(-x), np.expm1(-x0), out=np.asarray(coating_thickness / reference + 0 * x), where=x0 > 0
    )
    return 20 * np.log10(ratio)


@calculator
def gap_loss_db(
    frequency: FrequencyOrZero, speed: Speed, gap: GapOrZero, *, gap_factor: GapFactor = DEFAULT_GAP_FACTOR
) -> Loss:
    """Compute the loss by the length of the gap, ``20 log10 |sin(y) / y|``, ``y = pi k g / lam``.

    Print gives factors from 1.00 to 1.14.

    Source: J. Eargle, Electroacoustical Reference Data, 1994, chapter 167, for the default 1.11.

    >>> round(gap_loss_db(15000, 0.1905, 5e-6), 3)
    -2.924
    """
    return _slit_db(gap * gap_factor, frequency / speed)


@calculator
def gap_null_frequency(speed: Speed, gap: Gap, *, gap_factor: GapFactor = DEFAULT_GAP_FACTOR) -> Frequency:
    """Compute the lowest frequency that a gap cancels, ``f = v / (k g)``; its loss is `gap_loss_db`."""
    return speed / (gap * gap_factor)


@calculator
def gap_output_db(gap: Gap, reference: Gap, core_share: CoreShare) -> Level:
    """Compare what two gaps leave for the coil, ``-20 log10(1 - c + c g0 / g)``, long waves.

    The flux of the tape divides between the gap and the core with the coil. A shorter gap lets more of it
    by: nothing is lost with an ideal core, c = 0, and all of ``g0 / g`` where the core is the most of it.

    >>> [round(gap_output_db(2e-6, 4e-6, core_share), 2) for core_share in (0, 0.5, 1)]
    [0.0, -3.52, -6.02]
    """
    return 0.0 - 20 * np.log10(1 - core_share + core_share * reference / gap)


@calculator
def azimuth_loss_db(frequency: FrequencyOrZero, speed: Speed, track_width: TrackWidth, angle: Tilt) -> Loss:
    """Compute the loss by a tilted gap, ``20 log10 |sin(z) / z|``, ``z = pi W tan(a) / lam``.

    Source: H. Voelz, lecture notes on recording: a slanted gap acts as an extra gap of length W tan(a).

    >>> round(azimuth_loss_db(10000, 0.1905, 6.25e-3, 0.0015), 1)  # rad, 5 minutes of arc
    -3.8
    """
    return _slit_db(track_width * np.tan(angle), frequency / speed)


@calculator
def azimuth_null_angle(frequency: Frequency, speed: Speed, track_width: TrackWidth) -> NullTilt:
    """Compute the smallest tilt that cancels a frequency, ``a = atan(lam / W)``."""
    return np.arctan(speed / frequency / track_width)


@calculator
def contact_loss_db(frequency: FrequencyOrZero, speed: Speed, contact: HeadContact) -> Loss:
    """Compute the sum of the spacing, thickness, gap and azimuth losses of one head."""
    return _contact_db(contact, frequency / speed)


# The losses themselves, of lengths in m and waves per meter that have been checked: one pass asks
# for eight of them at every frequency, and a panel for a whole plan at every move.


def _spacing_db(separation: Any, waves: NDArray[np.float64]) -> Any:
    return 0.0 - 40 * np.pi * np.log10(np.e) * separation * waves


def _thickness(thickness: Any, waves: NDArray[np.float64], share: Any) -> Any:
    """What is left of a wave by the depth of the coating."""
    x = 2 * np.pi * thickness * waves
    even = np.divide(-np.expm1(-x), x, out=np.ones_like(x), where=x > 0)
    # (1 - (1 + x) e^-x) / x^2, whose terms cancel where x is small
    rising = np.where(x < 1e-3, 0.5 - x / 3 + x**2 / 8, (even - np.exp(-x)) / np.maximum(x, 1e-3))
    return (share * even + (1 - share) * rising) / (share + (1 - share) * 0.5)  # 1 for endless waves, exactly


def _slit_db(length: Any, waves: NDArray[np.float64]) -> Any:
    """Level that is left when a slit of some length along the tape averages the wave."""
    return _level_db(np.sinc(length * waves))


def _contact_gain(contact: HeadContact, waves: NDArray[np.float64]) -> Any:
    """All losses of a contact as one gain with a sign."""
    slant = contact.track_width * np.tan(contact.azimuth_angle)
    return (
        np.exp(-2 * np.pi * contact.separation * waves)
        * _thickness(contact.coating_thickness, waves, contact.surface_share)
        * np.sinc(contact.gap * contact.gap_factor * waves)
        * np.sinc(slant * waves)
    )


def _contact_db(contact: HeadContact, waves: NDArray[np.float64]) -> Any:
    return _level_db(_contact_gain(contact, waves))


def _level_db(gain: Any) -> Any:
    """Convert a gain of any sign or phase to decibels, `NULL_DB` at the least."""
    return 20 * np.log10(np.maximum(np.abs(gain), 10 ** (NULL_DB / 20)))


# ---- equalization ----


@calculator
def equalization_db(frequency: Frequency, tau_high: TimeConstant, tau_low: ArrayLike | None = None) -> Level:
    """Compute the standard flux level on tape at one frequency.

    ``L = 10 log10(1 + 1 / (2 pi f t_low)^2) - 10 log10(1 + (2 pi f t_high)^2)``

    0 dB is where the curve is flat, or would be if its corners ``1 / (2 pi t)`` lay far apart: with 3180 and
    90 us no part is flat, and it falls through 0 dB at ``1 / (2 pi sqrt(t_low t_high))``, 298 Hz.

    `tau_low` is None or ``inf`` for no bass lift. The playback correction after an ideal integrating
    amplifier is ``-L``.

    Source: IEC 60094-1:1981, clause 15.

    >>> round(equalization_db(10000, 50e-6, 3180e-6), 3), round(equalization_db(10000, 35e-6), 3)
    (-10.362, -7.661)
    """
    low = np.asarray(np.inf if tau_low is None else tau_low)
    endless = np.isposinf(low) if low.dtype.kind == "f" else np.zeros(low.shape, bool)
    finite_part = np.where(endless, 1, low) if np.any(endless) else low
    x_low = 2 * np.pi * frequency * positive("tau_low", finite_part, "s")
    bass = np.where(endless, 0, np.log10(np.hypot(1, x_low)) - np.log10(x_low))
    return 20 * (bass - np.log10(np.hypot(1, 2 * np.pi * frequency * tau_high)))


@calculator
def transition_frequency(tau: TimeConstant) -> Frequency:
    """Compute where a first-order curve is 3.01 dB off, ``f = 1 / (2 pi t)``; print often rounds it."""
    return 1 / (2 * np.pi * tau)


# ---- many passes ----


@calculator
def repeat_level_db(one_pass: OnePass, frequency: FrequencyOrZero, passes: Repeats) -> Level:
    """Compute the level after n passes against the dry sound, ``n 20 log10 |R(f)|`` or `NULL_DB`."""
    return np.maximum(0.0 + passes * one_pass.level_db(frequency), NULL_DB)


@lru_cache(maxsize=256)  # a plan asks several times for the same pass
def loudest(one_pass: OnePass) -> tuple[float, float]:
    """Find the frequency in Hz that passes best, and its level in dB.

    It lies below the first null of today's gap or tilt and `SEARCH_LIMIT`. Where the response is flat it is
    any one of the flat part. The search is on a grid, repeated ever finer around its best point.
    """
    grid = _search_grid(one_pass)
    peak = int(np.argmax(one_pass.level_db(grid)))
    low, high = grid[max(peak - 1, 0)], grid[min(peak + 1, grid.size - 1)]
    for _ in range(6):  # one call with many frequencies costs little more than a call with one
        zoom = np.linspace(low, high, 65)
        peak = int(np.argmax(one_pass.level_db(zoom)))
        low, high = zoom[max(peak - 1, 0)], zoom[min(peak + 1, 64)]
    return float(zoom[peak]), one_pass.level_db(zoom[peak])


@calculator
def bandwidth(
    one_pass: OnePass, *, drop_db: Drop[float] = 3, passes: Passes[float] = 1
) -> tuple[float | None, float | None]:
    """Find the band in Hz around the loudest frequency that has fallen by no more than a given drop.

    The edges are where ``n 20 log10 |R(f)|`` first lies `drop_db` below its largest value on either side;
    None where it never falls so far, down to 0 Hz or up to `SEARCH_LIMIT`. Nothing beyond the first null of
    today's gap or tilt is taken as part of the band.
    """
    frequency, peak_db = loudest(one_pass)
    edge_db = peak_db - drop_db / passes
    grid = _search_grid(one_pass)
    outside = grid[one_pass.level_db(grid) < edge_db]
    below, above = outside[outside < frequency], outside[outside > frequency]
    # One grid step further in, or at the peak if that is nearer, the level is above the edge.
    step = grid[1] / grid[0]
    low = _crossing(one_pass, below[-1], min(below[-1] * step, frequency), edge_db) if below.size else None
    high = _crossing(one_pass, above[0], max(above[0] / step, frequency), edge_db) if above.size else None
    return low, high


def home_band(one_pass: OnePass) -> tuple[float, float]:
    """Find the band in Hz in which a response lies in the window that a machine for the home must keep.

    5 dB below its loudest from 250 Hz to 6.3 kHz, and 7 dB outside, from 40 Hz to 12.5 kHz at the most.

    Source: DIN 45 500 sheet 4; that both windows have one upper edge is ours, and strict.
    """
    grid = np.geomspace(*HOME_BAND, 2000)
    level_db = one_pass.level_db(grid)
    middle = (grid >= HOME_MIDDLE[0]) & (grid <= HOME_MIDDLE[1])
    peak = int(np.argmax(level_db))
    low_enough = np.flatnonzero(level_db < level_db[peak] - np.where(middle, *HOME_WINDOWS_DB))
    inside = np.split(grid, low_enough)[int(np.searchsorted(low_enough, peak))]
    return float(inside[0]), float(inside[-1])


def _search_grid(one_pass: OnePass) -> NDArray[np.float64]:
    """Lay frequencies in steps of 1 % from far below the low cut up to the first null of today's contact."""
    today = one_pass.today  # every ripple below its first null is many steps wide
    longest = max(today.gap * today.gap_factor, today.track_width * abs(np.tan(today.azimuth_angle)))
    top = one_pass.speed / max(longest, one_pass.speed / SEARCH_LIMIT)
    # As far below the low cut as `NULL_DB` reaches.
    bottom = max((one_pass.low_cut or 1.0) * 10 ** (NULL_DB / 20), 1e-300)
    return np.geomspace(bottom, top, 1 + int(250 * (np.log10(top) - np.log10(bottom))))


def _crossing(one_pass: OnePass, outside: float, inside: float, edge_db: float) -> float:
    """Close in on the frequency at which the level comes back to the edge."""
    for _ in range(7):
        zoom = np.geomspace(outside, inside, 65)
        first = int(np.argmax(one_pass.level_db(zoom[1:]) >= edge_db))
        outside, inside = zoom[first], zoom[first + 1]
    return float(inside)
