"""How fast the tape runs and how long it takes from one head to the next."""

from typing import Annotated

import numpy as np
from numpy.typing import NDArray

from tapecalc.calc.quantity import (
    Delay,
    Duration,
    Is,
    Length,
    Rate,
    Ratio,
    Spacing,
    Speed,
    T,
    Thickness,
    ThicknessOrZero,
    calculator,
    positive,
)

Diameter = Annotated[T, Is("m", above=0, words="diameter of a capstan or sleeve", usual=(0.005, 0.02))]
OuterRadius = Annotated[T, Is("m", above=0, words="outer radius of wound tape", usual=(0.06, 0.1))]
LengthOrZero = Annotated[T, Is("m", least=0, words="length of tape on a reel, or 0", usual=(1.0, 500.0))]
HubRadius = Annotated[T, Is("m", above=0, words="radius of the hub", usual=(0.02, 0.05))]
Mains = Annotated[T, Is("Hz", above=0, words="frequency of the supply", usual=(50.0, 60.0))]
USpacing = Annotated[T, Is("m", least=0, words="standard uncertainty of a spacing", usual=(1e-4, 1e-3))]
USpeed = Annotated[T, Is("m/s", least=0, words="standard uncertainty of a speed", usual=(0.001, 0.005))]
UDelay = Annotated[T, Is("s", least=0, words="standard uncertainty of a delay", usual=(1e-4, 1e-2))]
Times = Annotated[T, Is("s", series=True, words="rising times of a table", usual=(0.05, 2.0))]
Speeds = Annotated[T, Is("m/s", above=0, series=True, words="tape speed at each time", usual=(0.05, 0.8))]


@calculator
def delay_from_spacing(spacing: Spacing, speed: Speed) -> Delay:
    """Compute the echo delay, ``T = d / v``; the inverses are `spacing_from_delay` and `speed_from_delay`.

    >>> round(1e3 * delay_from_spacing(0.0508, 0.1905), 3)  # 2 in at 7.5 ips, in ms
    266.667
    """
    return spacing / speed


@calculator
def spacing_from_delay(delay: Delay, speed: Speed) -> Spacing:
    """Compute the head spacing that gives a delay, ``d = T v``; the inverse of `delay_from_spacing`."""
    return delay * speed


@calculator
def speed_from_delay(delay: Delay, spacing: Spacing) -> Speed:
    """Compute the tape speed from a measured delay, ``v = d / T``; the inverse of `delay_from_spacing`."""
    return spacing / delay


@calculator
def delay_uncertainty(
    spacing: Spacing, speed: Speed, spacing_uncertainty: USpacing, speed_uncertainty: USpeed
) -> UDelay:
    """Compute how sure a delay is, ``u(T) = T sqrt((u(d)/d)^2 + (u(v)/v)^2)``, all standard uncertainties.

    Source: JCGM 100:2008, law of propagation for independent inputs.

    >>> round(1e3 * delay_uncertainty(0.0415, 0.1905, 0.0005, 0), 2)  # half a millimeter, in ms
    2.62
    """
    return spacing / speed * np.hypot(spacing_uncertainty / spacing, speed_uncertainty / speed)


@calculator
def delay_at(time: Times, speeds: Speeds, spacing: Spacing[float]) -> NDArray[np.float64]:
    """Compute the delay while the speed changes: ``integral of v over [t - T, t] = d``.

    The speed runs straight between the points of the table; before the table starts the tape ran at the
    first speed. Gives the delay of the sound that reaches the playback head at each time.
    """
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


@calculator
def pitch_ratio(speed: Speed, recorded_speed: Speed) -> Ratio:
    """Compute what a speed change does to pitch, ``v(t) / v(t - T)``."""
    return speed / recorded_speed


@calculator
def capstan_speed(diameter: Diameter, tape_thickness: ThicknessOrZero, rate: Rate) -> Speed:
    """Compute the tape speed that a capstan gives, ``v = pi (D + h) n``.

    The inverses are `capstan_rate` and `capstan_diameter`.

    Source: T. J. Walker, Web Length per Roller Revolution, 2010 (the web's middle sets the radius).

    >>> round(1e3 * capstan_speed(0.006, 50e-6, 10), 3)  # mm/s
    190.066
    """
    return np.pi * (diameter + tape_thickness) * rate


@calculator
def capstan_rate(speed: Speed, diameter: Diameter, tape_thickness: ThicknessOrZero) -> Rate:
    """Compute how often the capstan turns, ``n = v / (pi (D + h))``; an inverse of `capstan_speed`."""
    return speed / (np.pi * (diameter + tape_thickness))


@calculator
def capstan_diameter(speed: Speed, tape_thickness: ThicknessOrZero, rate: Rate) -> Diameter:
    """Compute the capstan diameter for a speed, ``D = v / (pi n) - h``; an inverse of `capstan_speed`."""
    return positive("diameter for this speed", speed / (np.pi * rate) - tape_thickness, "m")


@calculator
def sleeve_diameter(diameter: Diameter, tape_thickness: ThicknessOrZero, speed_ratio: Ratio) -> Diameter:
    """Compute the sleeve, or the capstan turned down, for another speed, ``D2 = (D + h) v2/v1 - h``."""
    return positive("sleeve diameter", (diameter + tape_thickness) * speed_ratio - tape_thickness, "m")


@calculator
def sleeve_speed_ratio(sleeve: Diameter, diameter: Diameter, tape_thickness: ThicknessOrZero) -> Ratio:
    """Compute what a sleeve does to the speed, ``(D2 + h)/(D + h)``; the inverse of `sleeve_diameter`."""
    return (sleeve + tape_thickness) / (diameter + tape_thickness)


@calculator
def mains_speed_ratio(mains: Mains, design_mains: Mains) -> Ratio:
    """Compute the speed of a mains-locked motor on another supply over its nominal one, ``f / f0``."""
    return mains / design_mains


@calculator
def run_time(length: Length, speed: Speed) -> Duration:
    """Compute how long a tape lasts, or one round of a loop, ``t = L / v``.

    The inverses are `tape_used` and `speed_from_length`.

    >>> round(run_time(365.76, 0.1905) / 60, 6)  # 1200 ft at 7.5 ips, minutes
    32.0
    """
    return length / speed


@calculator
def tape_used(duration: Duration, speed: Speed) -> Length:
    """Compute how much tape a take uses, ``L = v t``; an inverse of `run_time`."""
    return duration * speed


@calculator
def speed_from_length(length: Length, duration: Duration) -> Speed:
    """Compute the speed from a marked length and a stopwatch, ``v = L / t``; an inverse of `run_time`."""
    return length / duration


@calculator
def tape_length(outer_radius: OuterRadius, inner_radius: HubRadius, tape_thickness: Thickness) -> Length:
    """Compute the length of tape wound on a hub, ``L = pi (Ro^2 - Ri^2) / h``.

    The inverse is `pack_radius`.

    >>> round(tape_length(0.085725, 0.028575, 52e-6) / 0.3048)  # ft on a 7 in reel
    1295
    """
    positive("outer_radius minus inner_radius", outer_radius - inner_radius, "m")
    return np.pi * (outer_radius**2 - inner_radius**2) / tape_thickness


@calculator
def reel_rate(speed: Speed, length: LengthOrZero, inner_radius: HubRadius, tape_thickness: Thickness) -> Rate:
    """Compute how often a reel turns with so much tape on it, ``v / (2 pi sqrt(Ri^2 + L h / pi))``.

    >>> [round(reel_rate(0.1905, wound, 0.03, 35e-6), 2) for wound in (0, 549)]  # from hub to full reel
    [1.01, 0.36]
    """
    return speed / (2 * np.pi * np.sqrt(inner_radius**2 + length * tape_thickness / np.pi))


@calculator
def pack_radius(length: Length, inner_radius: HubRadius, tape_thickness: Thickness) -> OuterRadius:
    """Compute the outer radius of wound tape, ``sqrt(Ri^2 + L h / pi)``; the inverse of `tape_length`."""
    return np.sqrt(inner_radius**2 + length * tape_thickness / np.pi)
