"""Head spacing and tape speeds from delays, a ruler and a stopwatch, by weighted least squares.

Everything is a product, so that logarithms make it linear: ``ln T = ln d - ln v - ln c``,
``ln ruler = ln d``, ``ln (length / time) = ln v``. The interface's clock (its rate is c times the nominal
one) is an unknown that all delays share. Delays alone leave one direction open, the null space of the
equations: make spacing and all speeds larger by one factor and no delay changes.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import stats

from tapecalc.calc.units import from_si
from tapecalc.measuring.dsp import Array
from tapecalc.measuring.estimate import COVERAGE_FACTOR, U_CLOCK, CannotTell, Estimate, Reading


@dataclass(frozen=True)
class Delay:
    """A measured delay in s, with noise and wander but without the clock; head and speed count from 0."""

    delay: Estimate
    head: int = 0
    at: int = 0


@dataclass(frozen=True)
class Ruler:
    """A head spacing in m that was measured with a ruler; heads count from 0."""

    spacing: Estimate
    head: int = 0


@dataclass(frozen=True)
class Stopwatch:
    """A marked length of tape in m and the time in s it took to pass (a thumb is good to about 0.2 s)."""

    length: Estimate
    time: Estimate
    at: int = 0


@dataclass(frozen=True)
class KnownSpeed:
    """A speed in m/s that a test tape or the machine's plate tells; speeds count from 0."""

    speed: Estimate
    at: int = 0


Observation = Delay | Ruler | Stopwatch | KnownSpeed


@dataclass(frozen=True, eq=False)
class Geometry(Reading):
    """Spacings in m and speeds in m/s, None where the observations do not tell them."""

    spacings: tuple[Estimate | None, ...]
    speeds: tuple[Estimate | None, ...]
    speed_ratios: tuple[Estimate | None, ...]  # against the first speed
    covariance: Array  # of the logarithms of spacings, speeds and clock (standard), within what can be told
    misfit: float  # probability that chance makes the observations clash as much as they do
    sentences: tuple[str, ...] = ()  # what cannot be told, and why

    unwritten = ("covariance",)


def solve_geometry(observations: Sequence[Observation], *, u_clock: float = U_CLOCK) -> Geometry:
    """Find head spacings and tape speeds from everything that was measured, at least one delay.

    `u_clock` is the standard uncertainty of the interface's clock, relative.
    Source: weighted least squares, JCGM 100:2008 (GUM) annex H.3.

    >>> two = [Delay(Estimate(0.218, 1e-6, "s"), at=0), Delay(Estimate(0.436, 1e-6, "s"), at=1)]
    >>> ruled = solve_geometry([*two, Ruler(Estimate(0.0415, 0.0005, "m"))])
    >>> [speed.text("cm_s") for speed in ruled.speeds]
    ['19.04 cm/s +/- 0.23 cm/s', '9.52 cm/s +/- 0.12 cm/s']
    """
    if not any(isinstance(o, Delay) for o in observations):
        raise CannotTell("spacing and speed follow from delays, and none was measured")
    heads = 1 + max(o.head for o in observations if isinstance(o, Delay | Ruler))
    speeds = 1 + max(o.at for o in observations if not isinstance(o, Ruler))
    unit = np.eye(heads + speeds + 1)
    answer, covariance, null, misfit = _solve([_equation(o, unit, heads) for o in observations], u_clock)

    def told(weights: Array, of: str = "") -> Estimate | None:
        # A product of powers of the unknowns is open as soon as it holds a millionth of an open direction.
        if np.any(np.abs(null @ weights) > 1e-6):
            return None
        value = float(np.exp(weights @ answer))
        return Estimate(value, float(value * COVERAGE_FACTOR * np.sqrt(weights @ covariance @ weights)), of)

    of_speeds = unit[heads:-1]
    geometry = Geometry(
        spacings=tuple(told(w, "m") for w in unit[:heads]),
        speeds=tuple(told(w, "m/s") for w in of_speeds),
        speed_ratios=tuple(told(w - of_speeds[0]) for w in of_speeds),
        covariance=covariance,
        misfit=misfit,
    )
    return replace(geometry, sentences=tuple(_sentences(observations, geometry)))


Equation = tuple[Array, float, float]  # what each unknown counts, the logarithm observed, its uncertainty


def _equation(observation: Observation, unit: Array, heads: int) -> Equation:
    """What one observation says of spacings, speeds and clock."""
    match observation:
        case Delay(delay, head, at):
            return unit[head] - unit[heads + at] + unit[-1], *_logarithm("delay", delay)
        case Ruler(spacing, head):
            return unit[head], *_logarithm("spacing", spacing)
        case KnownSpeed(speed, at):
            return unit[heads + at], *_logarithm("speed", speed)
        case Stopwatch(length, time, at):
            (ln_length, u_length), (ln_time, u_time) = _logarithm("length", length), _logarithm("time", time)
            return unit[heads + at], ln_length - ln_time, float(np.hypot(u_length, u_time))


def _logarithm(name: str, estimate: Estimate) -> tuple[float, float]:
    """Logarithm of an estimate and its standard uncertainty."""
    if not estimate.value > 0 or not estimate.plus_minus > 0:
        got = f"got {estimate.value:g} +/- {estimate.plus_minus:g}"
        raise ValueError(f"{name} must be greater than 0 with a plus/minus greater than 0, {got}")
    return float(np.log(estimate.value)), estimate.plus_minus / estimate.value / COVERAGE_FACTOR


def _solve(equations: Sequence[Equation], u_clock: float) -> tuple[Array, Array, Array, float]:
    """Weighted least squares, with what is known of the clock as one more equation.

    Gives the unknowns' logarithms, their covariance, the directions that nothing tells, and the misfit.
    """
    matrix, values, sigmas = (np.array(column) for column in zip(*equations, strict=True))
    # The clock is counted in parts of what it may be off by, so that 0 is a doubt like any other.
    scale = np.ones(matrix.shape[1])
    scale[-1] = u_clock
    matrix = np.vstack([matrix * scale, np.eye(len(scale))[-1]])
    values, sigmas = np.append(values, 0.0), np.append(sigmas, 1.0)
    # An open direction has next to no singular value; with weights that differ by a million it would hide.
    _, singular, directions = np.linalg.svd(matrix)
    rank = int(np.sum(singular > 1e-9 * singular[0]))
    told = directions[:rank].T
    # Not by normal equations: a delay weighs a million times a ruler, and squared that is all digits.
    weighted = matrix / sigmas[:, None]
    turned, triangle = np.linalg.qr(weighted @ told)
    spread = told @ np.linalg.inv(triangle)
    answer = spread @ (turned.T @ (values / sigmas))
    rest = weighted @ answer - values / sigmas
    spare = len(values) - rank
    misfit = float(stats.chi2.sf(rest @ rest, spare)) if spare > 0 else 1.0
    return answer, spread @ spread.T * np.outer(scale, scale), directions[rank:], misfit


def _sentences(observations: Sequence[Observation], found: Geometry) -> Iterator[str]:
    """Say what cannot be told or what all of it hangs on, and whether the observations clash."""
    # A head or a speed that no observation is of is missing, and not open.
    seen = [found.spacings[o.head] for o in observations if isinstance(o, Delay | Ruler)]
    if None in seen + [found.speeds[o.at] for o in observations if not isinstance(o, Ruler)]:
        yield (
            "Delays alone cannot separate head spacing from tape speed: make both larger by one factor and "
            "every delay stays as it is. Measure one spacing with a ruler, or time a marked length of tape."
        )
        if any(found.speed_ratios[1:]):
            yield "The ratios of speeds are told without either."
    elif sum(not isinstance(o, Delay) for o in observations) == 1:
        yield (
            "Spacing and speeds hang on one absolute measurement: if that is off by 1 %, all of them are, "
            "while their ratios stay right."
        )
    if found.misfit < 0.01:
        yield (
            f"The observations clash (by chance in {from_si(found.misfit, 'percent'):.2g} % of cases): one "
            "of them is further off than its plus/minus, or the electronics delay the sound as well."
        )
