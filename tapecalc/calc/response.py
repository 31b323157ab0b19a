"""What one pass over tape, and many passes, do to the treble and the bass.

A frequency becomes a length on the tape, and everything that goes wrong between
tape and head is measured against that length. A loss is a level in decibels, 0
or below. Where a slanted or wide gap cancels the signal completely the level
reads `NULL_DB`, never minus infinity.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from tapecalc.calc.quantity import between, non_negative, positive, scalar_or_array, single
from tapecalc.calc.standards import DEFAULT_GAP_FACTOR

__all__ = [
    "NULL_DB",
    "SEARCH_LIMIT",
    "HeadContact",
    "OnePass",
    "azimuth_loss_db",
    "azimuth_null_angle",
    "bandwidth",
    "contact_loss_db",
    "equalization_db",
    "frequency_from_wavelength",
    "gap_loss_db",
    "gap_null_frequency",
    "largest_useful_gap",
    "loudest",
    "repeat_level_db",
    "spacing_loss_db",
    "thickness_loss_db",
    "time_constant",
    "transition_frequency",
    "wavelength",
]


#: The level that stands for "nothing at all"; far below any noise.
NULL_DB = -300.0

#: The frequency in Hz up to which an upper band edge is looked for.
SEARCH_LIMIT = 1e6


@dataclass(frozen=True, kw_only=True)
class HeadContact:
    """How one head meets the tape: everything that costs treble by wavelength.

    Parameters
    ----------
    gap : float
        Mechanical gap length in m, 0 or more.
    separation : float
        Distance from head to coating in m, 0 or more.
    coating_thickness : float
        Thickness of the magnetic coating in m, 0 or more.
    track_width : float
        Width of the track in m, greater than 0.
    azimuth_angle : float
        Tilt of the gap against the recording in rad, of either sign, less than a quarter turn.
    gap_factor : float, optional
        Effective gap over mechanical gap, greater than 0.

    Raises
    ------
    ValueError
        If a value is not one number in its range.

    See Also
    --------
    contact_loss_db : the level that this contact leaves

    Notes
    -----
    Source: Wallace 1951 (separation, coating); Eargle 1994 (gap factor).
    Notebook: 02_wavelength.

    Examples
    --------
    >>> HeadContact(gap=4e-6, separation=0.5e-6, coating_thickness=11e-6,
    ...             track_width=2e-3, azimuth_angle=0).gap_factor
    1.11
    """

    gap: float
    separation: float
    coating_thickness: float
    track_width: float
    azimuth_angle: float
    gap_factor: float = DEFAULT_GAP_FACTOR

    def __post_init__(self):
        checked = {
            "gap": non_negative("gap", self.gap, "m"),
            "separation": non_negative("separation", self.separation, "m"),
            "coating_thickness": non_negative("coating_thickness", self.coating_thickness, "m"),
            "track_width": positive("track_width", self.track_width, "m"),
            "azimuth_angle": _tilt("azimuth_angle", self.azimuth_angle),
            "gap_factor": positive("gap_factor", self.gap_factor),
        }
        for name, value in checked.items():
            object.__setattr__(self, name, single(name, value))


@dataclass(frozen=True, kw_only=True)
class OnePass:
    """One trip from the record input to the playback output.

    The machine was aligned once: its equalizers undo the losses of the *aligned*
    contact as far as a limited treble boost reaches. Wear, dirt and tilt show as
    the difference between *today* and *aligned*. The equalizers are taken to have
    no phase shift; the low cut is a coupling capacitor and has one.

    ``R(f) = 10^((loss_today + min(-loss_aligned, B)) / 20) * j f / (f_c + j f)``

    Parameters
    ----------
    speed : float
        Tape speed in m/s, greater than 0.
    today : HeadContact
        The contact as it is now.
    aligned : HeadContact
        The contact when the equalizers were set.
    boost_db : float
        Largest treble boost of the equalizers in dB, 0 or more.
    low_cut : float
        Frequency of the first-order low cut in Hz, 0 for none.

    Raises
    ------
    ValueError
        If a value is not one number in its range, or a contact is not a `HeadContact`.

    See Also
    --------
    repeat_level_db : the level after several passes
    bandwidth : the band that is left after several passes

    Notes
    -----
    Source: Wallace 1951 for the losses; the equalizer's limit is a model, common practice, no source.
    Notebook: 02_wavelength.

    Examples
    --------
    >>> good = HeadContact(gap=4e-6, separation=0.5e-6, coating_thickness=11e-6,
    ...                    track_width=2e-3, azimuth_angle=0)
    >>> one_pass = OnePass(speed=0.1905, today=good, aligned=good, boost_db=12, low_cut=30)
    >>> [round(one_pass.level_db(f), 2) for f in (30, 10000, 15000)]
    [-3.01, -1.65, -6.72]
    """

    speed: float
    today: HeadContact
    aligned: HeadContact
    boost_db: float
    low_cut: float

    def __post_init__(self):
        checked = {
            "speed": positive("speed", self.speed, "m/s"),
            "boost_db": non_negative("boost_db", self.boost_db, "dB"),
            "low_cut": non_negative("low_cut", self.low_cut, "Hz"),
        }
        for name, value in checked.items():
            object.__setattr__(self, name, single(name, value))
        for name in ("today", "aligned"):
            if not isinstance(getattr(self, name), HeadContact):
                raise ValueError(f"{name} must be a HeadContact, got {getattr(self, name)!r}")

    def gain(self, frequency):
        """Compute the complex gain ``R(f)`` of the pass, delay left out.

        Parameters
        ----------
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

        Notes
        -----
        Source: as `OnePass`. Notebook: 02_wavelength.

        Examples
        --------
        >>> new = HeadContact(gap=0, separation=0, coating_thickness=0, track_width=2e-3, azimuth_angle=0)
        >>> OnePass(speed=0.1905, today=new, aligned=new, boost_db=0, low_cut=30).gain(30)
        (0.5+0.5j)
        """
        f = non_negative("frequency", frequency, "Hz")
        waves = f / self.speed
        equalizer_db = np.minimum(-_contact_db(self.aligned, waves), self.boost_db)
        wavelength_part = 10 ** ((_contact_db(self.today, waves) + equalizer_db) / 20)
        # Without a low cut the quotient is 1 at every frequency, at 0 Hz too.
        low_cut_part = 1j * f / (self.low_cut + 1j * f) if self.low_cut else 1 + 0j
        return scalar_or_array(wavelength_part * low_cut_part)

    def level_db(self, frequency):
        """Compute the level of the pass, ``20 log10 |R(f)|``.

        Parameters
        ----------
        frequency : array_like
            Frequency in Hz, 0 or more.

        Returns
        -------
        float or numpy.ndarray
            Level in dB, of the shape of the input, `NULL_DB` at the least.

        Raises
        ------
        ValueError
            If a frequency is not a finite number of 0 or more.

        Notes
        -----
        Source: as `OnePass`. Notebook: 02_wavelength.

        Examples
        --------
        >>> new = HeadContact(gap=0, separation=0, coating_thickness=0, track_width=2e-3, azimuth_angle=0)
        >>> one_pass = OnePass(speed=0.1905, today=new, aligned=new, boost_db=0, low_cut=30)
        >>> round(one_pass.level_db(30), 4)
        -3.0103
        """
        return scalar_or_array(_level_db(self.gain(frequency)))


def wavelength(frequency, speed):
    """Compute the length of one period on the tape, ``lam = v / f``.

    Parameters
    ----------
    frequency : array_like
        Frequency in Hz, greater than 0.
    speed : array_like
        Tape speed in m/s, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Wavelength in m, of the broadcast shape.

    Raises
    ------
    ValueError
        If a value is not a finite number greater than 0.

    See Also
    --------
    frequency_from_wavelength : the inverse

    Notes
    -----
    Source: definition. Notebook: 02_wavelength.

    Examples
    --------
    >>> round(wavelength(15000, 0.1905) * 1e6, 4)
    12.7
    """
    return scalar_or_array(positive("speed", speed, "m/s") / positive("frequency", frequency, "Hz"))


def frequency_from_wavelength(wavelength, speed):
    """Compute the frequency that has a length on the tape, ``f = v / lam``.

    Parameters
    ----------
    wavelength : array_like
        Wavelength in m, greater than 0.
    speed : array_like
        Tape speed in m/s, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Frequency in Hz, of the broadcast shape.

    Raises
    ------
    ValueError
        If a value is not a finite number greater than 0.

    See Also
    --------
    wavelength : the inverse

    Notes
    -----
    Source: definition. Notebook: 02_wavelength.

    Examples
    --------
    >>> round(frequency_from_wavelength(12.7e-6, 0.1905), 6)
    15000.0
    """
    return scalar_or_array(positive("speed", speed, "m/s") / positive("wavelength", wavelength, "m"))


def spacing_loss_db(frequency, speed, separation):
    """Compute the loss by a distance from head to coating, ``-20 log10(e) 2 pi s / lam``.

    Parameters
    ----------
    frequency : array_like
        Frequency in Hz, 0 or more.
    speed : array_like
        Tape speed in m/s, greater than 0.
    separation : array_like
        Distance in m, 0 or more; 0 loses nothing.

    Returns
    -------
    float or numpy.ndarray
        Level in dB, 0 or below, of the broadcast shape; -54.575 dB per wavelength of distance.

    Raises
    ------
    ValueError
        If a value is not a finite number in its range.

    Notes
    -----
    Source: R. L. Wallace, Bell System Technical Journal 30, 1951, pp. 1145-1173.
    Notebook: 02_wavelength.

    Examples
    --------
    >>> round(spacing_loss_db(15000, 0.1905, 1e-6), 4)
    -4.2972
    """
    separation = non_negative("separation", separation, "m")
    return scalar_or_array(_spacing_db(separation, _waves_per_meter(frequency, speed)))


def thickness_loss_db(frequency, speed, coating_thickness):
    """Compute the loss by the depth of the coating, ``20 log10((1 - e^-x) / x)``, ``x = 2 pi c / lam``.

    Deep layers are far from the head: this is the spacing loss averaged over the depth.

    Parameters
    ----------
    frequency : array_like
        Frequency in Hz, 0 or more.
    speed : array_like
        Tape speed in m/s, greater than 0.
    coating_thickness : array_like
        Thickness in m, 0 or more; 0 loses nothing.

    Returns
    -------
    float or numpy.ndarray
        Level in dB, 0 or below, of the broadcast shape.

    Raises
    ------
    ValueError
        If a value is not a finite number in its range.

    Notes
    -----
    The model falls by 6 dB per octave at short wavelengths; measured tapes may fall faster.

    Source: R. L. Wallace, Bell System Technical Journal 30, 1951, pp. 1145-1173.
    Notebook: 02_wavelength.

    Examples
    --------
    >>> round(thickness_loss_db(10000, 0.1905, 10e-6), 4)
    -10.6927
    """
    thickness = non_negative("coating_thickness", coating_thickness, "m")
    return scalar_or_array(_thickness_db(thickness, _waves_per_meter(frequency, speed)))


def gap_loss_db(frequency, speed, gap, *, gap_factor=DEFAULT_GAP_FACTOR):
    """Compute the loss by the length of the gap, ``20 log10 |sin(y) / y|``, ``y = pi k g / lam``.

    Parameters
    ----------
    frequency : array_like
        Frequency in Hz, 0 or more.
    speed : array_like
        Tape speed in m/s, greater than 0.
    gap : array_like
        Mechanical gap length in m, 0 or more; 0 loses nothing.
    gap_factor : array_like, optional
        Effective gap over mechanical gap, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Level in dB, 0 or below, of the broadcast shape; `NULL_DB` where the gap spans whole wavelengths.

    Raises
    ------
    ValueError
        If a value is not a finite number in its range.

    See Also
    --------
    gap_null_frequency : where the first null is

    Notes
    -----
    Print gives factors from 1.00 to 1.14; the default is that of Eargle, 1.11.

    Source: J. Eargle, Electroacoustical Reference Data, 1994, chapter 167.
    Notebook: 02_wavelength.

    Examples
    --------
    >>> round(gap_loss_db(15000, 0.1905, 5e-6), 3)
    -2.924
    """
    effective = non_negative("gap", gap, "m") * positive("gap_factor", gap_factor)
    return scalar_or_array(_slit_db(effective, _waves_per_meter(frequency, speed)))


def azimuth_loss_db(frequency, speed, track_width, angle):
    """Compute the loss by a tilted gap, ``20 log10 |sin(z) / z|``, ``z = pi W tan(a) / lam``.

    Parameters
    ----------
    frequency : array_like
        Frequency in Hz, 0 or more.
    speed : array_like
        Tape speed in m/s, greater than 0.
    track_width : array_like
        Width of the track in m, greater than 0.
    angle : array_like
        Tilt against the recording in rad, of either sign, less than a quarter turn; 0 loses nothing.

    Returns
    -------
    float or numpy.ndarray
        Level in dB, 0 or below, of the broadcast shape; `NULL_DB` where the tilt spans whole wavelengths.

    Raises
    ------
    ValueError
        If a value is not a finite number in its range.

    See Also
    --------
    azimuth_null_angle : the tilt of the first null

    Notes
    -----
    Source: H. Voelz, lecture notes on recording: a slanted gap acts as an extra gap of length W tan(a).
    Notebook: 02_wavelength.

    Examples
    --------
    >>> from tapecalc.calc.units import to_si
    >>> round(azimuth_loss_db(10000, 0.1905, 6.25e-3, to_si(5, "arcmin")), 3)
    -3.539
    """
    slant = positive("track_width", track_width, "m") * np.tan(_tilt("angle", angle))
    return scalar_or_array(_slit_db(slant, _waves_per_meter(frequency, speed)))


def contact_loss_db(frequency, speed, contact):
    """Compute the sum of the spacing, thickness, gap and azimuth losses of one head.

    Parameters
    ----------
    frequency : array_like
        Frequency in Hz, 0 or more.
    speed : array_like
        Tape speed in m/s, greater than 0.
    contact : HeadContact
        How the head meets the tape.

    Returns
    -------
    float or numpy.ndarray
        Level in dB, 0 or below, of the broadcast shape.

    Raises
    ------
    ValueError
        If a frequency or a speed is not a finite number in its range.

    Notes
    -----
    Source: as the four losses. Notebook: 02_wavelength.

    Examples
    --------
    >>> contact = HeadContact(gap=4e-6, separation=0.5e-6, coating_thickness=11e-6,
    ...                       track_width=2e-3, azimuth_angle=0)
    >>> round(contact_loss_db(10000, 0.1905, contact), 3)
    -13.65
    """
    return scalar_or_array(_contact_db(contact, _waves_per_meter(frequency, speed)))


def gap_null_frequency(speed, gap, *, gap_factor=DEFAULT_GAP_FACTOR):
    """Compute the lowest frequency that a gap cancels, ``f = v / (k g)``.

    Parameters
    ----------
    speed : array_like
        Tape speed in m/s, greater than 0.
    gap : array_like
        Mechanical gap length in m, greater than 0.
    gap_factor : array_like, optional
        Effective gap over mechanical gap, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Frequency in Hz, of the broadcast shape.

    Raises
    ------
    ValueError
        If a value is not a finite number greater than 0.

    See Also
    --------
    gap_loss_db : the loss below the null

    Notes
    -----
    Source: J. Eargle, Electroacoustical Reference Data, 1994, chapter 167.
    Notebook: 02_wavelength.

    Examples
    --------
    >>> round(gap_null_frequency(0.1905, 6.35e-6))
    27027
    """
    effective = positive("gap", gap, "m") * positive("gap_factor", gap_factor)
    return scalar_or_array(positive("speed", speed, "m/s") / effective)


def azimuth_null_angle(frequency, speed, track_width):
    """Compute the smallest tilt that cancels a frequency, ``a = atan(lam / W)``.

    Parameters
    ----------
    frequency : array_like
        Frequency in Hz, greater than 0.
    speed : array_like
        Tape speed in m/s, greater than 0.
    track_width : array_like
        Width of the track in m, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Angle in rad, above 0, of the broadcast shape.

    Raises
    ------
    ValueError
        If a value is not a finite number greater than 0.

    See Also
    --------
    azimuth_loss_db : the loss below the null

    Notes
    -----
    Source: as `azimuth_loss_db`. Notebook: 02_wavelength.

    Examples
    --------
    >>> from tapecalc.calc.units import from_si
    >>> round(from_si(azimuth_null_angle(10000, 0.1905, 6.25e-3), "arcmin"), 3)
    10.478
    """
    width = positive("track_width", track_width, "m")
    return scalar_or_array(np.arctan(wavelength(frequency, speed) / width))


def largest_useful_gap(frequency, speed):
    """Compute the largest playback gap for a highest frequency, half its wavelength, ``g = v / (2 f)``.

    Parameters
    ----------
    frequency : array_like
        Highest wanted frequency in Hz, greater than 0.
    speed : array_like
        Tape speed in m/s, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Gap length in m, of the broadcast shape: an upper bound, a shorter gap serves too.

    Raises
    ------
    ValueError
        If a value is not a finite number greater than 0.

    See Also
    --------
    gap_loss_db : what such a gap still loses

    Notes
    -----
    Source: textbook rule that the gap is at most half the shortest wavelength.
    Notebook: 02_wavelength.

    Examples
    --------
    >>> round(largest_useful_gap(20000, 0.381) * 1e6, 4)
    9.525
    """
    return scalar_or_array(np.asarray(wavelength(frequency, speed)) / 2)


def equalization_db(frequency, tau_high, tau_low=None):
    """Compute the standard flux level on tape at one frequency.

    ``L = 10 log10(1 + 1 / (2 pi f t_low)^2) - 10 log10(1 + (2 pi f t_high)^2)``

    The playback correction after an ideal integrating amplifier is ``-L``.

    Parameters
    ----------
    frequency : array_like
        Frequency in Hz, greater than 0.
    tau_high : array_like
        Time constant of the treble in s, greater than 0.
    tau_low : array_like or None, optional
        Time constant of the bass in s, greater than 0; None or ``inf`` for no bass lift.

    Returns
    -------
    float or numpy.ndarray
        Level in dB relative to the flat part, of the broadcast shape.

    Raises
    ------
    ValueError
        If a value is not a number in its range.

    See Also
    --------
    transition_frequency : where a time constant turns the curve

    Notes
    -----
    Source: IEC 60094-1:1981, clause 15. Notebook: 02_wavelength.

    Examples
    --------
    >>> round(equalization_db(10000, 50e-6, 3180e-6), 3)
    -10.362
    >>> round(equalization_db(10000, 35e-6), 3)
    -7.661
    """
    f = positive("frequency", frequency, "Hz")
    low = np.asarray(np.inf if tau_low is None else tau_low)
    endless = np.isposinf(low) if low.dtype.kind == "f" else np.zeros(low.shape, bool)
    finite_part = np.where(endless, 1, low) if np.any(endless) else low
    x_low = 2 * np.pi * f * positive("tau_low", finite_part, "s")
    x_high = 2 * np.pi * f * positive("tau_high", tau_high, "s")
    bass = np.where(endless, 0, np.log10(np.hypot(1, x_low)) - np.log10(x_low))
    return scalar_or_array(20 * (bass - np.log10(np.hypot(1, x_high))))


def transition_frequency(tau):
    """Compute the frequency of a time constant, ``f = 1 / (2 pi t)``.

    Parameters
    ----------
    tau : array_like
        Time constant in s, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Frequency in Hz, where a first-order curve is 3.01 dB off, of the shape of the input.

    Raises
    ------
    ValueError
        If a value is not a finite number greater than 0.

    See Also
    --------
    time_constant : the inverse

    Notes
    -----
    Source: definition; print often rounds 3183 Hz (50 us) to 3150 Hz. Notebook: 02_wavelength.

    Examples
    --------
    >>> round(transition_frequency(50e-6), 2)
    3183.1
    """
    return scalar_or_array(1 / (2 * np.pi * positive("tau", tau, "s")))


def time_constant(frequency):
    """Compute the time constant of a transition frequency, ``t = 1 / (2 pi f)``.

    Parameters
    ----------
    frequency : array_like
        Frequency in Hz, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Time constant in s, of the shape of the input.

    Raises
    ------
    ValueError
        If a value is not a finite number greater than 0.

    See Also
    --------
    transition_frequency : the inverse

    Notes
    -----
    Source: definition. Notebook: 02_wavelength.

    Examples
    --------
    >>> round(time_constant(3183.1) * 1e6, 3)
    50.0
    """
    return scalar_or_array(1 / (2 * np.pi * positive("frequency", frequency, "Hz")))


def repeat_level_db(one_pass, frequency, passes):
    """Compute the level after several passes, ``n 20 log10 |R(f)|``.

    Parameters
    ----------
    one_pass : OnePass
        What one trip over the tape does.
    frequency : array_like
        Frequency in Hz, 0 or more.
    passes : array_like
        Number of passes, 0 or more; 0 is the dry sound.

    Returns
    -------
    float or numpy.ndarray
        Level in dB relative to the dry sound, of the broadcast shape, `NULL_DB` at the least.

    Raises
    ------
    ValueError
        If a value is not a finite number of 0 or more.

    See Also
    --------
    bandwidth : the band that is left

    Notes
    -----
    Source: levels of stages in a row add. Notebook: 02_wavelength.

    Examples
    --------
    >>> good = HeadContact(gap=4e-6, separation=0.5e-6, coating_thickness=11e-6,
    ...                    track_width=2e-3, azimuth_angle=0)
    >>> one_pass = OnePass(speed=0.1905, today=good, aligned=good, boost_db=12, low_cut=30)
    >>> repeat_level_db(one_pass, 10000, [0, 1, 5]).round(2)
    array([ 0.  , -1.65, -8.25])
    """
    level_db = np.asarray(one_pass.level_db(frequency))
    return scalar_or_array(np.maximum(0.0 + non_negative("passes", passes) * level_db, NULL_DB))


@lru_cache(maxsize=256)  # a plan asks several times for the same pass
def loudest(one_pass):
    """Find the frequency that passes best, the largest ``20 log10 |R(f)|``.

    Parameters
    ----------
    one_pass : OnePass
        What one trip over the tape does.

    Returns
    -------
    frequency : float
        Frequency in Hz, below the first null of today's gap or tilt and `SEARCH_LIMIT`.
    level_db : float
        The level there in dB.

    See Also
    --------
    bandwidth : the band around it

    Notes
    -----
    Where the response is flat the frequency is any one of the flat part.

    Source: a search on a grid, repeated ever finer around its best point.
    Notebook: 02_wavelength.

    Examples
    --------
    >>> good = HeadContact(gap=4e-6, separation=0.5e-6, coating_thickness=11e-6,
    ...                    track_width=2e-3, azimuth_angle=0)
    >>> one_pass = OnePass(speed=0.1905, today=good, aligned=good, boost_db=12, low_cut=30)
    >>> frequency, level_db = loudest(one_pass)
    >>> round(frequency), round(level_db, 5)
    (8522, -5e-05)
    """
    grid = _search_grid(one_pass)
    peak = int(np.argmax(one_pass.level_db(grid)))
    low, high = grid[max(peak - 1, 0)], grid[min(peak + 1, grid.size - 1)]
    for _ in range(6):  # one call with many frequencies costs little more than a call with one
        zoom = np.linspace(low, high, 65)
        peak = int(np.argmax(one_pass.level_db(zoom)))
        low, high = zoom[max(peak - 1, 0)], zoom[min(peak + 1, 64)]
    return float(zoom[peak]), one_pass.level_db(zoom[peak])


def bandwidth(one_pass, *, drop_db=3, passes=1):
    """Find the band around the loudest frequency that has fallen by no more than a given drop.

    The edges are where ``n 20 log10 |R(f)|`` first lies `drop_db` below its largest value,
    on either side of it; they are found by narrowing intervals.

    Parameters
    ----------
    one_pass : OnePass
        What one trip over the tape does.
    drop_db : float, optional
        Drop at the edges in dB, greater than 0.
    passes : float, optional
        Number of passes, greater than 0.

    Returns
    -------
    low : float or None
        Lower edge in Hz; None if the level never falls so far on the way down to 0 Hz.
    high : float or None
        Upper edge in Hz; None if the level never falls so far below `SEARCH_LIMIT`.

    Raises
    ------
    ValueError
        If a value is not one number greater than 0.

    See Also
    --------
    repeat_level_db : the level at one frequency

    Notes
    -----
    Nothing beyond the first null of today's gap or tilt is taken as part of the band.

    Source: definition of the band edges, with 3 dB as common practice.
    Notebook: 02_wavelength.

    Examples
    --------
    >>> good = HeadContact(gap=4e-6, separation=0.5e-6, coating_thickness=11e-6,
    ...                    track_width=2e-3, azimuth_angle=0)
    >>> one_pass = OnePass(speed=0.1905, today=good, aligned=good, boost_db=12, low_cut=30)
    >>> low, high = bandwidth(one_pass, passes=5)
    >>> round(low), round(high)
    (78, 9050)
    """
    whole_drop_db = single("drop_db", positive("drop_db", drop_db, "dB"))
    drop_db_per_pass = whole_drop_db / single("passes", positive("passes", passes))
    frequency, peak_db = loudest(one_pass)
    edge_db = peak_db - drop_db_per_pass

    grid = _search_grid(one_pass)
    outside = grid[one_pass.level_db(grid) < edge_db]
    below, above = outside[outside < frequency], outside[outside > frequency]
    # One grid step further in, or at the peak if that is nearer, the level is above the edge.
    step = grid[1] / grid[0]
    low = _crossing(one_pass, below[-1], min(below[-1] * step, frequency), edge_db) if below.size else None
    high = _crossing(one_pass, above[0], max(above[0] / step, frequency), edge_db) if above.size else None
    return low, high


def _waves_per_meter(frequency, speed):
    """Count how many recorded wavelengths fit into a meter; none at 0 Hz."""
    return non_negative("frequency", frequency, "Hz") / positive("speed", speed, "m/s")


# The losses themselves, of lengths in m and waves per meter that have been checked: one pass asks
# for eight of them at every frequency, and a panel for a whole plan at every move.


def _spacing_db(separation, waves):
    return 0.0 - 40 * np.pi * np.log10(np.e) * separation * waves


def _thickness_db(thickness, waves):
    x = 2 * np.pi * thickness * waves
    return 20 * np.log10(np.divide(-np.expm1(-x), x, out=np.ones_like(x), where=x > 0))


def _slit_db(length, waves):
    """Level that is left when a slit of some length along the tape averages the wave."""
    return _level_db(np.sinc(length * waves))


def _contact_db(contact, waves):
    slant = contact.track_width * np.tan(contact.azimuth_angle)
    return (
        _spacing_db(contact.separation, waves)
        + _thickness_db(contact.coating_thickness, waves)
        + _slit_db(contact.gap * contact.gap_factor, waves)
        + _slit_db(slant, waves)
    )


def _tilt(name, angle):
    """Return an angle as float64 that is safely less than a quarter turn either way."""
    return between(name, angle, -1.5, 1.5, "rad")


def _level_db(gain):
    """Convert a gain of any sign or phase to decibels, `NULL_DB` at the least."""
    return 20 * np.log10(np.maximum(np.abs(gain), 10 ** (NULL_DB / 20)))


def _first_null(one_pass):
    """Find the lowest frequency that today's gap or tilt cancels, `SEARCH_LIMIT` at the most."""
    today = one_pass.today
    longest = max(today.gap * today.gap_factor, today.track_width * abs(np.tan(today.azimuth_angle)))
    return one_pass.speed / max(longest, one_pass.speed / SEARCH_LIMIT)


def _search_grid(one_pass):
    """Lay frequencies in steps of 1 % from far below the low cut up to the first null.

    Every ripple below the first null is many steps wide; the bottom is as far below
    the low cut as `NULL_DB` reaches.
    """
    bottom = max((one_pass.low_cut or 1.0) * 10 ** (NULL_DB / 20), 1e-300)
    top = _first_null(one_pass)
    return np.geomspace(bottom, top, 1 + int(250 * (np.log10(top) - np.log10(bottom))))


def _crossing(one_pass, outside, inside, edge_db):
    """Close in on the frequency at which the level comes back to the edge."""
    for _ in range(7):
        zoom = np.geomspace(outside, inside, 65)
        first = int(np.argmax(one_pass.level_db(zoom[1:]) >= edge_db))
        outside, inside = zoom[first], zoom[first + 1]
    return float(inside)
