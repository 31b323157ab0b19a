"""How fast the tape runs and how long it takes from one head to the next."""

from __future__ import annotations

import numpy as np

from tapecalc.calc.quantity import finite, non_negative, positive, scalar_or_array

__all__ = [
    "capstan_diameter",
    "capstan_rate",
    "capstan_speed",
    "delay_at",
    "delay_from_spacing",
    "delay_uncertainty",
    "loop_length",
    "mains_speed_ratio",
    "pack_radius",
    "pitch_ratio",
    "run_time",
    "sleeve_diameter",
    "sleeve_speed_ratio",
    "spacing_from_delay",
    "speed_from_delay",
    "speed_from_length",
    "splice_period",
    "tape_length",
    "tape_used",
    "turning_radius",
    "turning_rate",
]


def delay_from_spacing(spacing, speed):
    """Compute the echo delay, ``T = d / v``.

    Parameters
    ----------
    spacing : array_like
        Gap-to-gap distance from record to playback head along the tape in m, greater than 0.
    speed : array_like
        Tape speed in m/s, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Delay in s, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    spacing_from_delay, speed_from_delay : the inverses

    Notes
    -----
    Source: definition of speed.
    Notebook: 01_delay.

    Examples
    --------
    >>> round(1e3 * delay_from_spacing(0.0508, 0.1905), 3)  # 2 in at 7.5 ips, in ms
    266.667
    >>> delay_from_spacing(0.1, [0.1, 0.2])
    array([1. , 0.5])
    """
    spacing = positive("spacing", spacing, "m")
    speed = positive("speed", speed, "m/s")
    return scalar_or_array(spacing / speed)


def spacing_from_delay(delay, speed):
    """Compute the head spacing that gives a delay, ``d = T v``.

    Parameters
    ----------
    delay : array_like
        Time from record to playback head in s, greater than 0.
    speed : array_like
        Tape speed in m/s, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Spacing in m, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    delay_from_spacing : the inverse

    Notes
    -----
    Source: definition of speed.
    Notebook: 01_delay.

    Examples
    --------
    >>> round(1e3 * spacing_from_delay(0.25, 0.1905), 3)  # mm
    47.625
    """
    delay = positive("delay", delay, "s")
    speed = positive("speed", speed, "m/s")
    return scalar_or_array(delay * speed)


def speed_from_delay(delay, spacing):
    """Compute the tape speed from a measured delay and spacing, ``v = d / T``.

    Parameters
    ----------
    delay : array_like
        Time from record to playback head in s, greater than 0.
    spacing : array_like
        Gap-to-gap distance from record to playback head along the tape in m, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Speed in m/s, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    delay_from_spacing : the inverse

    Notes
    -----
    Source: definition of speed.
    Notebook: 01_delay.

    Examples
    --------
    >>> round(speed_from_delay(0.2, 0.0381), 4)
    0.1905
    """
    delay = positive("delay", delay, "s")
    spacing = positive("spacing", spacing, "m")
    return scalar_or_array(spacing / delay)


def speed_from_length(length, duration):
    """Compute the tape speed from a marked length and a stopwatch, ``v = L / t``.

    Parameters
    ----------
    length : array_like
        Length of tape in m, greater than 0.
    duration : array_like
        Time in s, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Speed in m/s, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    run_time : the inverse

    Notes
    -----
    Source: definition of speed.
    Notebook: 01_delay.

    Examples
    --------
    >>> round(speed_from_length(7.62, 20.0), 4)  # 25 ft in 20 s is 15 ips
    0.381
    """
    length = positive("length", length, "m")
    duration = positive("duration", duration, "s")
    return scalar_or_array(length / duration)


def run_time(length, speed):
    """Compute how long a length of tape lasts, ``t = L / v``.

    Parameters
    ----------
    length : array_like
        Length of tape in m, greater than 0.
    speed : array_like
        Tape speed in m/s, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Time in s, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    speed_from_length, tape_used : the inverses

    Notes
    -----
    Source: definition of speed.
    Notebook: 02_wavelength.

    Examples
    --------
    >>> round(run_time(365.76, 0.1905) / 60, 6)  # 1200 ft at 7.5 ips, minutes
    32.0
    """
    length = positive("length", length, "m")
    speed = positive("speed", speed, "m/s")
    return scalar_or_array(length / speed)


def tape_used(duration, speed):
    """Compute how much tape a take uses, ``L = v t``.

    Parameters
    ----------
    duration : array_like
        Time in s, greater than 0.
    speed : array_like
        Tape speed in m/s, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Length in m, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    run_time : the inverse

    Notes
    -----
    Source: definition of speed.
    Notebook: 02_wavelength.

    Examples
    --------
    >>> round(tape_used(60.0, 0.1905), 2)
    11.43
    """
    duration = positive("duration", duration, "s")
    speed = positive("speed", speed, "m/s")
    return scalar_or_array(duration * speed)


def capstan_speed(diameter, tape_thickness, rate):
    """Compute the tape speed that a capstan gives, ``v = pi (D + h) n``.

    Parameters
    ----------
    diameter : array_like
        Capstan diameter in m, greater than 0.
    tape_thickness : array_like
        Total tape thickness in m, 0 or more.
    rate : array_like
        Turns per second of the capstan in Hz, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Speed in m/s, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    capstan_rate, capstan_diameter : the inverses

    Notes
    -----
    Source: T. J. Walker, Web Length per Roller Revolution, 2010 (the web's middle sets the radius).
    Notebook: 01_delay.

    Examples
    --------
    >>> round(1e3 * capstan_speed(0.006, 50e-6, 10), 3)  # mm/s
    190.066
    """
    diameter = positive("diameter", diameter, "m")
    tape_thickness = non_negative("tape_thickness", tape_thickness, "m")
    rate = positive("rate", rate, "Hz")
    return scalar_or_array(np.pi * (diameter + tape_thickness) * rate)


def capstan_rate(speed, diameter, tape_thickness):
    """Compute how often the capstan turns, ``n = v / (pi (D + h))``.

    Parameters
    ----------
    speed : array_like
        Tape speed in m/s, greater than 0.
    diameter : array_like
        Capstan diameter in m, greater than 0.
    tape_thickness : array_like
        Total tape thickness in m, 0 or more.

    Returns
    -------
    float or numpy.ndarray
        Turns per second in Hz, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    capstan_speed : the inverse

    Notes
    -----
    Source: as `capstan_speed`.
    Notebook: 01_delay.

    Examples
    --------
    >>> round(capstan_rate(0.1905, 0.008, 35e-6), 4)
    7.5467
    """
    speed = positive("speed", speed, "m/s")
    diameter = positive("diameter", diameter, "m")
    tape_thickness = non_negative("tape_thickness", tape_thickness, "m")
    return scalar_or_array(speed / (np.pi * (diameter + tape_thickness)))


def capstan_diameter(speed, tape_thickness, rate):
    """Compute the capstan diameter for a speed, ``D = v / (pi n) - h``.

    Parameters
    ----------
    speed : array_like
        Tape speed in m/s, greater than 0.
    tape_thickness : array_like
        Total tape thickness in m, 0 or more.
    rate : array_like
        Turns per second of the capstan in Hz, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Diameter in m, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range. Also if the tape alone would
        be too thick for so slow a speed.

    See Also
    --------
    capstan_speed : the inverse

    Notes
    -----
    Source: as `capstan_speed`.
    Notebook: 01_delay.

    Examples
    --------
    >>> round(1e3 * capstan_diameter(0.190066, 50e-6, 10), 3)  # mm
    6.0
    """
    speed = positive("speed", speed, "m/s")
    tape_thickness = non_negative("tape_thickness", tape_thickness, "m")
    rate = positive("rate", rate, "Hz")
    diameter = positive("diameter for this speed", speed / (np.pi * rate) - tape_thickness, "m")
    return scalar_or_array(diameter)


def sleeve_diameter(diameter, tape_thickness, speed_ratio):
    """Compute the sleeve diameter for another speed, ``D2 = (D + h) v2/v1 - h``.

    Parameters
    ----------
    diameter : array_like
        Capstan diameter in m, greater than 0.
    tape_thickness : array_like
        Total tape thickness in m, 0 or more.
    speed_ratio : array_like
        Wanted speed over present speed, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Outer diameter of the sleeve, or of the turned-down capstan, in m.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range. Also if no diameter is
        small enough for the ratio.

    See Also
    --------
    sleeve_speed_ratio : the inverse

    Notes
    -----
    Source: ratio of two `capstan_speed` at the same turning rate.
    Notebook: 01_delay.

    Examples
    --------
    >>> round(1e3 * sleeve_diameter(0.008, 35e-6, 1.05), 3)  # mm
    8.402
    """
    diameter = positive("diameter", diameter, "m")
    tape_thickness = non_negative("tape_thickness", tape_thickness, "m")
    speed_ratio = positive("speed_ratio", speed_ratio)
    sleeve = positive("sleeve diameter", (diameter + tape_thickness) * speed_ratio - tape_thickness, "m")
    return scalar_or_array(sleeve)


def sleeve_speed_ratio(sleeve, diameter, tape_thickness):
    """Compute what a sleeve does to the speed, ``v2/v1 = (D2 + h)/(D + h)``.

    Parameters
    ----------
    sleeve : array_like
        Diameter of the sleeve in m, greater than 0.
    diameter : array_like
        Capstan diameter in m, greater than 0.
    tape_thickness : array_like
        Total tape thickness in m, 0 or more.

    Returns
    -------
    float or numpy.ndarray
        New speed over old speed, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    sleeve_diameter : the inverse

    Notes
    -----
    Source: as `sleeve_diameter`.
    Notebook: 01_delay.

    Examples
    --------
    >>> round(sleeve_speed_ratio(0.0084, 0.008, 35e-6), 4)
    1.0498
    """
    sleeve = positive("sleeve", sleeve, "m")
    diameter = positive("diameter", diameter, "m")
    tape_thickness = non_negative("tape_thickness", tape_thickness, "m")
    return scalar_or_array((sleeve + tape_thickness) / (diameter + tape_thickness))


def mains_speed_ratio(mains, design_mains):
    """Compute the speed of a mains-locked motor on another supply, ``f / f0``.

    Parameters
    ----------
    mains : array_like
        Frequency of the supply in Hz, greater than 0.
    design_mains : array_like
        Supply frequency the motor was made for in Hz, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Speed over its nominal value, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    Notes
    -----
    Source: synchronous motor, turning rate proportional to supply frequency.
    Notebook: 01_delay.

    Examples
    --------
    >>> round(mains_speed_ratio(50, 60), 4)  # 5/6 of the speed, 20 % longer delays
    0.8333
    """
    mains = positive("mains", mains, "Hz")
    design_mains = positive("design_mains", design_mains, "Hz")
    return scalar_or_array(mains / design_mains)


def tape_length(outer_radius, inner_radius, tape_thickness):
    """Compute the length of tape wound on a hub, ``L = pi (Ro^2 - Ri^2) / h``.

    Parameters
    ----------
    outer_radius : array_like
        Outer radius of the wound tape in m, greater than `inner_radius`.
    inner_radius : array_like
        Radius of the hub in m, greater than 0.
    tape_thickness : array_like
        Total tape thickness in m, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Length in m, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range. Also if the outer
        radius is not the larger one.

    See Also
    --------
    pack_radius : the inverse

    Notes
    -----
    Source: area of the wound ring divided by the thickness.
    Notebook: 02_wavelength.

    Examples
    --------
    >>> round(tape_length(0.085725, 0.028575, 52e-6) / 0.3048)  # ft
    1295
    """
    outer_radius = positive("outer_radius", outer_radius, "m")
    inner_radius = positive("inner_radius", inner_radius, "m")
    tape_thickness = positive("tape_thickness", tape_thickness, "m")
    positive("outer_radius minus inner_radius", outer_radius - inner_radius, "m")
    return scalar_or_array(np.pi * (outer_radius**2 - inner_radius**2) / tape_thickness)


def pack_radius(length, inner_radius, tape_thickness):
    """Compute the outer radius of wound tape, ``Ro = sqrt(Ri^2 + L h / pi)``.

    Parameters
    ----------
    length : array_like
        Length of tape in m, greater than 0.
    inner_radius : array_like
        Radius of the hub in m, greater than 0.
    tape_thickness : array_like
        Total tape thickness in m, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Radius in m, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    tape_length : the inverse

    Notes
    -----
    Source: area of the wound ring divided by the thickness.
    Notebook: 02_wavelength.

    Examples
    --------
    >>> round(1e3 * pack_radius(549, 0.0286, 35e-6), 1)  # mm
    83.3
    """
    length = positive("length", length, "m")
    inner_radius = positive("inner_radius", inner_radius, "m")
    tape_thickness = positive("tape_thickness", tape_thickness, "m")
    return scalar_or_array(np.sqrt(inner_radius**2 + length * tape_thickness / np.pi))


def turning_rate(speed, radius):
    """Compute how often a reel or roller turns, ``n = v / (2 pi R)``.

    Parameters
    ----------
    speed : array_like
        Tape speed in m/s, greater than 0.
    radius : array_like
        Radius at which the tape runs on or off in m, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Turns per second in Hz, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    turning_radius : the inverse

    Notes
    -----
    Source: rolling without slip.
    Notebook: 05_flutter.

    Examples
    --------
    >>> round(turning_rate(0.1905, 0.06), 4)
    0.5053
    """
    speed = positive("speed", speed, "m/s")
    radius = positive("radius", radius, "m")
    return scalar_or_array(speed / (2 * np.pi * radius))


def turning_radius(speed, rate):
    """Compute the radius from a turning rate, ``R = v / (2 pi n)``.

    Parameters
    ----------
    speed : array_like
        Tape speed in m/s, greater than 0.
    rate : array_like
        Turns per second of the capstan in Hz, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Radius in m, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    turning_rate : the inverse

    Notes
    -----
    Source: rolling without slip.
    Notebook: 05_flutter.

    Examples
    --------
    >>> round(turning_radius(0.1905, 0.5053), 4)
    0.06
    """
    speed = positive("speed", speed, "m/s")
    rate = positive("rate", rate, "Hz")
    return scalar_or_array(speed / (2 * np.pi * rate))


def splice_period(length, speed):
    """Compute how often the splice of a closed tape loop comes round, ``P = L / v``.

    Parameters
    ----------
    length : array_like
        Length of tape in m, greater than 0.
    speed : array_like
        Tape speed in m/s, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Time of one round in s, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    loop_length : the inverse

    Notes
    -----
    Source: definition of speed.
    Notebook: 06_heads.

    Examples
    --------
    >>> round(splice_period(1.2, 0.1905), 4)
    6.2992
    """
    length = positive("length", length, "m")
    speed = positive("speed", speed, "m/s")
    return scalar_or_array(length / speed)


def loop_length(period, speed):
    """Compute the length of a closed tape loop for a splice period, ``L = P v``.

    Parameters
    ----------
    period : array_like
        Time for one round of a closed loop in s, greater than 0.
    speed : array_like
        Tape speed in m/s, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Length in m, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    splice_period : the inverse

    Notes
    -----
    Source: definition of speed.
    Notebook: 06_heads.

    Examples
    --------
    >>> round(loop_length(6.2992, 0.1905), 4)
    1.2
    """
    period = positive("period", period, "s")
    speed = positive("speed", speed, "m/s")
    return scalar_or_array(period * speed)


def delay_uncertainty(spacing, speed, spacing_uncertainty, speed_uncertainty):
    """Compute how sure a delay is, ``u(T) = T sqrt((u(d)/d)^2 + (u(v)/v)^2)``.

    Parameters
    ----------
    spacing : array_like
        Head spacing in m, greater than 0.
    speed : array_like
        Tape speed in m/s, greater than 0.
    spacing_uncertainty : array_like
        Standard uncertainty of the spacing in m, 0 or more.
    speed_uncertainty : array_like
        Standard uncertainty of the speed in m/s, 0 or more.

    Returns
    -------
    float or numpy.ndarray
        Standard uncertainty of the delay in s, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    Notes
    -----
    Source: JCGM 100:2008, law of propagation for independent inputs.
    Notebook: 01_delay.

    Examples
    --------
    >>> round(1e3 * delay_uncertainty(0.0415, 0.1905, 0.0005, 0), 2)  # half a millimeter, in ms
    2.62
    """
    delay = np.asarray(delay_from_spacing(spacing, speed))
    of_spacing = non_negative("spacing_uncertainty", spacing_uncertainty, "m") / spacing
    of_speed = non_negative("speed_uncertainty", speed_uncertainty, "m/s") / speed
    return scalar_or_array(delay * np.hypot(of_spacing, of_speed))


def delay_at(time, speeds, spacing):
    """Compute the delay while the speed changes: ``integral of v over [t - T, t] = d``.

    The speed is a table over `time` and runs straight between its points; the
    tape position is then exact at the points, and the record time is read off
    the position. Before the table starts the tape ran at the first speed.

    Parameters
    ----------
    time : array_like
        Times of the table in s, one-dimensional, strictly rising.
    speeds : array_like
        Tape speed at each time in m/s, all greater than 0.
    spacing : float
        Head spacing in m, greater than 0.

    Returns
    -------
    numpy.ndarray
        Delay in s of the sound that reaches the playback head at each time.

    Raises
    ------
    ValueError
        If the times do not rise, the shapes differ, or a value is out of its range.

    See Also
    --------
    delay_from_spacing : the same at steady speed

    Notes
    -----
    Source: conservation of tape; derived in the notebook.
    Notebook: 01_delay.

    Examples
    --------
    >>> delay_at([0.0, 1.0, 2.0], [0.2, 0.2, 0.2], 0.05)
    array([0.25, 0.25, 0.25])
    """
    time = finite("time", time)
    speeds = positive("speeds", speeds, "m/s")
    spacing = float(positive("spacing", spacing, "m"))
    if time.ndim != 1 or time.shape != speeds.shape or time.size < 2:
        raise ValueError(
            f"time and speeds must be two one-dimensional tables of equal length, 2 or more, "
            f"got shapes {time.shape} and {speeds.shape}"
        )
    steps = np.diff(time)
    if np.any(steps <= 0):
        raise ValueError("time must rise from each element to the next")
    position = np.concatenate(([0.0], np.cumsum(steps * (speeds[1:] + speeds[:-1]) / 2)))
    recorded = position - spacing
    before = recorded < 0
    k = np.clip(np.searchsorted(position, recorded, side="right") - 1, 0, steps.size - 1)
    # within an interval, position is a parabola in time: solve it in the form that stays
    # exact when the speed does not change
    into = np.where(before, 0.0, recorded - position[k])
    slope = (speeds[k + 1] - speeds[k]) / steps[k]
    into_time = 2 * into / (speeds[k] + np.sqrt(speeds[k] ** 2 + 2 * slope * into))
    recorded_time = np.where(before, time[0] + recorded / speeds[0], time[k] + into_time)
    return time - recorded_time


def pitch_ratio(speed, recorded_speed):
    """Compute what a speed change does to pitch, ``v(t) / v(t - T)``.

    Parameters
    ----------
    speed : array_like
        Tape speed while playing in m/s, greater than 0.
    recorded_speed : array_like
        Tape speed while the sound was recorded in m/s, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Frequency heard over frequency recorded, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or not greater than 0.

    Notes
    -----
    Source: derivative of the record time with respect to the play time.
    Notebook: 01_delay.

    Examples
    --------
    >>> pitch_ratio(0.1905, 0.09525)
    2.0
    """
    speed = positive("speed", speed, "m/s")
    recorded_speed = positive("recorded_speed", recorded_speed, "m/s")
    return scalar_or_array(speed / recorded_speed)
