"""Head spacing and tape speeds from delays, a ruler and a stopwatch, by weighted least squares.

Everything is a product, so that logarithms make it linear: ``ln T = ln d - ln v - ln c``,
``ln ruler = ln d``, ``ln (length / time) = ln v``. Each observation has the weight of its
uncertainty; the interface's clock (its rate is c times the nominal one) is an unknown that
all delays share. Delays alone leave one direction open: make spacing and all speeds larger
by one factor and no delay changes. That direction is found as the null space of the
equations, and said in a sentence.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from tapecalc.calc.quantity import between
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, Estimate

__all__ = [
    "Delay",
    "Geometry",
    "KnownSpeed",
    "Ruler",
    "Stopwatch",
    "solve_geometry",
]


RANK = 1e-9  # singular value against the largest below which a direction is open
OPEN = 1e-6  # part of an open direction in a result that leaves the result open
DOUBT = 0.01  # probability of a misfit as large as found, below which the observations clash


@dataclass(frozen=True)
class Delay:
    """A measured delay of one head at one speed.

    Parameters
    ----------
    delay : Estimate
        s, with noise and wander but without the clock, which is shared.
    head, at : int
        Which head, and which speed, counted from 0.

    Notes
    -----
    Source: definition. Notebook: 08_measuring.

    Examples
    --------
    >>> Delay(Estimate(0.2, 1e-6, "s"), at=1).head
    0
    """

    delay: Estimate
    head: int = 0
    at: int = 0


@dataclass(frozen=True)
class Ruler:
    """A head spacing that was measured with a ruler.

    Parameters
    ----------
    spacing : Estimate
        m.
    head : int
        Which head, counted from 0.

    Notes
    -----
    Source: definition. Notebook: 08_measuring.

    Examples
    --------
    >>> Ruler(Estimate(0.0415, 0.0005, "m")).head
    0
    """

    spacing: Estimate
    head: int = 0


@dataclass(frozen=True)
class Stopwatch:
    """A marked length of tape and the time it took to pass.

    Parameters
    ----------
    length : Estimate
        m.
    time : Estimate
        s; a thumb is good to about 0.2 s.
    at : int
        Which speed, counted from 0.

    Notes
    -----
    Source: definition. Notebook: 08_measuring.

    Examples
    --------
    >>> Stopwatch(Estimate(10, 0.01, "m"), Estimate(52.5, 0.2, "s")).at
    0
    """

    length: Estimate
    time: Estimate
    at: int = 0


@dataclass(frozen=True)
class KnownSpeed:
    """A speed that is known otherwise, from a test tape or the machine's plate.

    Parameters
    ----------
    speed : Estimate
        m/s.
    at : int
        Which speed, counted from 0.

    Notes
    -----
    Source: definition. Notebook: 08_measuring.

    Examples
    --------
    >>> KnownSpeed(Estimate(0.1905, 0.0029, "m/s")).at
    0
    """

    speed: Estimate
    at: int = 0


@dataclass(frozen=True, eq=False)
class Geometry:
    """Spacings and speeds, as far as the observations tell.

    Parameters
    ----------
    spacings, speeds : tuple of (Estimate or None)
        m and m/s; None where it cannot be told.
    spacing_ratios, speed_ratios : tuple of (Estimate or None)
        Against the first head and the first speed.
    names : tuple of str
        The unknowns, in the order of the covariance.
    covariance : numpy.ndarray
        Of the logarithms of the unknowns (standard, not expanded), within what can be told.
    misfit : float
        Probability that chance makes the observations clash as much as they do.
    sentences : tuple of str
        What cannot be told, and why.

    Notes
    -----
    Made by `solve_geometry`. Source: JCGM 100:2008 (GUM). Notebook: 08_measuring.

    Examples
    --------
    >>> solve_geometry([Delay(Estimate(0.2, 1e-6, "s"))]).spacings
    (None,)
    """

    spacings: tuple
    speeds: tuple
    spacing_ratios: tuple
    speed_ratios: tuple
    names: tuple
    covariance: np.ndarray
    misfit: float
    sentences: tuple = ()

    def to_dict(self):
        """Return the figures as a plain dict for a JSON file.

        Returns
        -------
        dict
            Spacings, speeds, ratios, covariance and sentences.
        """

        def plain(estimates):
            return [None if e is None else e.to_dict() for e in estimates]

        return {
            "spacings": plain(self.spacings),
            "speeds": plain(self.speeds),
            "spacing_ratios": plain(self.spacing_ratios),
            "speed_ratios": plain(self.speed_ratios),
            "unknowns": list(self.names),
            "covariance_of_logarithms": [[float(c) for c in row] for row in self.covariance],
            "misfit": float(self.misfit),
            "sentences": list(self.sentences),
        }


def solve_geometry(observations, *, clock_tolerance=1e-4):
    """Find head spacings and tape speeds from everything that was measured.

    Parameters
    ----------
    observations : sequence
        Of `Delay`, `Ruler`, `Stopwatch` and `KnownSpeed`; at least one delay.
    clock_tolerance : float, optional
        Half width of the range in which the interface's clock may be off, relative.

    Returns
    -------
    Geometry
        Estimates where the observations suffice, and sentences where not.

    Raises
    ------
    CannotTell
        If there is no delay.
    ValueError
        If a value is not greater than 0, or an uncertainty is 0 or less.

    Notes
    -----
    Source: weighted least squares, JCGM 100:2008 (GUM) annex H.3. Notebook: 08_measuring.

    Examples
    --------
    >>> two = [Delay(Estimate(0.218, 1e-6, "s"), at=0), Delay(Estimate(0.436, 1e-6, "s"), at=1)]
    >>> ruled = solve_geometry([*two, Ruler(Estimate(0.0415, 0.0005, "m"))])
    >>> [speed.text(100, "cm/s") for speed in ruled.speeds]
    ['19.04 cm/s +/- 0.23 cm/s', '9.52 cm/s +/- 0.11 cm/s']
    >>> solve_geometry(two).speed_ratios[1].text()
    '0.5000000 +/- 0.0000026'
    """
    between("clock_tolerance", clock_tolerance, 0, 0.01)
    delays = [o for o in observations if isinstance(o, Delay)]
    if not delays:
        raise CannotTell("spacing and speed follow from delays, and none was measured")
    heads = 1 + max(o.head for o in observations if hasattr(o, "head"))
    speeds = 1 + max(o.at for o in observations if hasattr(o, "at"))
    names = (
        *(f"ln spacing {h + 1}" for h in range(heads)),
        *(f"ln speed {s + 1}" for s in range(speeds)),
        "ln clock",
    )
    rows, values, sigmas = [], [], []
    for observation in observations:
        row = np.zeros(len(names))
        value, sigma = _equation(observation, row, heads)
        rows.append(row)
        values.append(value)
        sigmas.append(sigma)
    # The clock is counted in parts of what it may be off by, so that 0 is a tolerance like any other.
    clock = clock_tolerance / np.sqrt(3)  # a rectangular distribution
    rows.append(np.eye(len(names))[-1])
    values.append(0.0)
    sigmas.append(1.0)
    matrix, values, sigmas = np.array(rows), np.array(values), np.array(sigmas)
    matrix[:-1, -1] *= clock
    scaled = matrix / sigmas[:, None]
    # Rank from the plain equations: weights that differ by a million would hide an open direction.
    _, singular, directions = np.linalg.svd(matrix)
    rank = int(np.sum(singular > RANK * singular[0]))
    null = directions[rank:]
    told = directions[:rank].T
    # Not by normal equations: a delay weighs a million times a ruler, and squared that is all digits.
    turned, triangle = np.linalg.qr(scaled @ told)
    spread = told @ np.linalg.inv(triangle)
    answer = spread @ (turned.T @ (values / sigmas))
    covariance = spread @ spread.T
    covariance[-1] *= clock
    covariance[:, -1] *= clock
    rest = scaled @ answer - values / sigmas
    spare = len(values) - rank
    misfit = float(stats.chi2.sf(rest @ rest, spare)) if spare > 0 else 1.0

    def result(weights, unit):
        if len(null) and np.max(np.abs(null @ weights)) > OPEN:
            return None
        value = float(np.exp(weights @ answer))
        return Estimate(value, float(COVERAGE_FACTOR * value * np.sqrt(weights @ covariance @ weights)), unit)

    unit = np.eye(len(names))
    spacing, speed = unit[:heads], unit[heads : heads + speeds]
    found = Geometry(
        spacings=tuple(result(w, "m") for w in spacing),
        speeds=tuple(result(w, "m/s") for w in speed),
        spacing_ratios=tuple(result(w - spacing[0], "") for w in spacing),
        speed_ratios=tuple(result(w - speed[0], "") for w in speed),
        names=names,
        covariance=covariance,
        misfit=misfit,
        sentences=(),
    )
    return Geometry(**{**found.__dict__, "sentences": _sentences(found, observations)})


def _equation(observation, row, heads):
    """Fill the row of one observation; return its logarithm and standard uncertainty."""
    if isinstance(observation, Delay):
        row[observation.head], row[heads + observation.at], row[-1] = 1, -1, 1
        return _logarithm("delay", observation.delay)
    if isinstance(observation, Ruler):
        row[observation.head] = 1
        return _logarithm("spacing", observation.spacing)
    if isinstance(observation, KnownSpeed):
        row[heads + observation.at] = 1
        return _logarithm("speed", observation.speed)
    row[heads + observation.at] = 1
    length, of_length = _logarithm("length", observation.length)
    time, of_time = _logarithm("time", observation.time)
    return length - time, float(np.hypot(of_length, of_time))


def _logarithm(name, estimate):
    """Logarithm of an estimate and its standard uncertainty."""
    if not estimate.value > 0 or not estimate.uncertainty > 0:
        raise ValueError(
            f"{name} must be greater than 0 with an uncertainty greater than 0, got {estimate.value:g} +/- "
            f"{estimate.uncertainty:g}"
        )
    return float(np.log(estimate.value)), estimate.uncertainty / estimate.value / COVERAGE_FACTOR


def _sentences(found, observations):
    """Say what cannot be told, and whether the observations clash."""
    said = []
    # A head or a speed that no observation is of is missing, and not open.
    asked = [found.spacings[o.head] for o in observations if hasattr(o, "head")]
    asked += [found.speeds[o.at] for o in observations if hasattr(o, "at")]
    if None in asked:
        said.append(
            "Delays alone cannot separate head spacing from tape speed: make both larger by the same "
            "factor and "
            "every delay stays as it is. Measure one spacing with a ruler, or time a marked length of tape."
        )
        if any(r is not None for r in (*found.speed_ratios[1:], *found.spacing_ratios[1:])):
            said.append("The ratios of speeds and of spacings are told without either.")
    else:
        absolute = [type(o).__name__ for o in observations if not isinstance(o, Delay)]
        if len(absolute) == 1:
            said.append(
                "Spacing and speeds hang on one absolute measurement: if that is off by 1 %, all of them "
                "are, "
                "while their ratios stay right."
            )
    if found.misfit < DOUBT:
        said.append(
            f"The observations clash (chance would do so in {100 * found.misfit:.2g} % of cases): one of "
            "them is "
            "further off than its uncertainty, or the electronics delay the sound as well."
        )
    return tuple(said)
