"""Response of one pass, with its coherence, and which worn or tilted part would explain it.

The windows of the delay track are used again: each piece of the playback is set back by
its own delay, so that flutter does not smear the treble, and the spectra are added up.
Long windows serve the bass, short ones the treble.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import fft, optimize

from tapecalc import words
from tapecalc.calc.contour import bump_gain
from tapecalc.calc.response import HeadContact, OnePass
from tapecalc.measuring.delay import DelayTrack
from tapecalc.measuring.dsp import GROUPS, cut_windows, group_matrix, phase_ramp, power_spectrum
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, Estimate, jackknife
from tapecalc.measuring.recording import Recording

Array = NDArray[np.float64]

REFERENCE = (700.0, 1400.0)  # Hz, where the level is called 0 dB


@dataclass(frozen=True, eq=False)
class PassResponse:
    """Level against frequency of one pass, in twelfths of an octave that could be told.

    Source: J. S. Bendat and A. G. Piersol, Random Data (from memory), for the uncertainty from coherence.
    """

    frequency: Array  # middle of each band, Hz
    level_db: Array  # against that around 1 kHz
    plus_minus_db: Array  # half width of the 95 % interval
    coherence: Array  # share of the playback's power that comes from the dry channel
    gain_db: Estimate  # mean level of the bands from 700 to 1400 Hz, playback over dry channel
    sentences: tuple[str, ...] = ()  # what was noticed

    def edge(self, drop_db: float = 3.0) -> float | None:
        """Find where the treble has fallen by `drop_db`, Hz, along a straight line between two bands.

        None if it does not fall so far.
        """
        treble = np.flatnonzero((self.frequency > REFERENCE[1]) & (self.level_db < -drop_db))
        if len(treble) == 0 or treble[0] == 0:
            return None
        k = treble[0]
        part = (-drop_db - self.level_db[k - 1]) / (self.level_db[k] - self.level_db[k - 1])
        return float(np.exp(np.interp(part, [0, 1], np.log(self.frequency[k - 1 : k + 1]))))

    def to_dict(self) -> dict[str, Any]:
        """Return the figures as a plain dict for a JSON file."""
        columns = ("frequency", "level_db", "plus_minus_db", "coherence")
        rounded = {name: [round(float(v), 4) for v in getattr(self, name)] for name in columns}
        return {**rounded, "gain_db": self.gain_db.to_dict(), "sentences": list(self.sentences)}


# ---- the response ----

PER_OCTAVE = 12
HALF_BAND = 2 ** (0.5 / PER_OCTAVE)
#: Samples of a window (at 48 kHz), which windows of the track are used, and the band in Hz.
#: In the treble a window must be over before the delay has changed by a part of a wave.
WINDOWS = ((8192, 2, 50.0, 1000.0), (1024, 1, 1000.0, 5000.0), (256, 1, 5000.0, 20000.0))
#: Hz. Below, a window holds too few turns: what comes through its sides reads as bass.
LOWEST, HIGHEST = 50.0, 20000.0
TOP = 0.45  # of the sample rate, where the filters of an interface may begin to fall
LEAST_COHERENCE = 0.3
CLEARLY = 1.9  # times the noise, a scatter of so few groups that chance reaches once in 100
OVERLAP, FLOOR_DB = 1.2, 0.004  # for windows and bins that overlap; for what tapers and ends leave
CLIPPING_DOUBT = 0.2  # of what clipping takes off, what peaks that the path has changed may make of it
FULL_TREBLE = 10000.0  # Hz; a response that ends below is worth a sentence


def measure_response(recording: Recording, track: DelayTrack) -> PassResponse:
    """Measure what one pass does to the level at each frequency, given the delay track of the recording.

    Bands are twelfths of an octave from 50 Hz to 20 kHz or 0.45 of the sample rate, where the coherence
    suffices. Source: the H1 estimator, for example Bendat and Piersol, Random Data (from memory).

    >>> from tapecalc.measuring import measure_delay, open_recording
    >>> noise = np.random.default_rng(1).standard_normal(96000)
    >>> both = open_recording(np.stack([noise, 0.5 * np.roll(noise, 9600)], axis=1), sample_rate=48000)
    >>> round(measure_response(both, measure_delay(both)).gain_db.value, 2)
    -6.02
    """
    bands = [band for band in _all_bands(recording, track) if band.coherence > LEAST_COHERENCE]
    if not bands:
        raise CannotTell("no part of the playback's spectrum comes from the dry channel alone")
    frequency, level, coherence, sigma, scatter, variance = (np.array(c) for c in zip(*bands, strict=True))
    if len(level) > 1:
        level = _in_the_middle(level, frequency, variance)
    middle = (frequency > REFERENCE[0]) & (frequency < REFERENCE[1])
    if not np.any(middle):
        raise CannotTell("the material has nothing around 1 kHz to count the level from")
    # The plain mean: weights would make the level counted from depend on the noise.
    gain = float(np.mean(level[middle]))
    sigma = np.where(scatter > CLEARLY * sigma, scatter, sigma)
    u_gain = OVERLAP * np.sqrt(np.mean(sigma[middle] ** 2) / np.count_nonzero(middle))
    lost_db = _lost_by_clipping(recording, track.clipped) if track.clipped else 0.0
    gain_spread = COVERAGE_FACTOR * np.sqrt(u_gain**2 + FLOOR_DB**2 + (CLIPPING_DOUBT * lost_db) ** 2)
    sentences = []
    if track.clipped:
        sentences.append(
            f"The playback is clipped, which takes {lost_db:.1f} dB off the gain; that was added again, as "
            "far as the dry channel's own peaks tell it."
        )
    if frequency[-1] < FULL_TREBLE:
        sentences.append(
            f"The material tells nothing above {words.amount(frequency[-1], 'hz')}; use noise, clicks or a "
            "sweep for more."
        )
    return PassResponse(
        frequency=frequency,
        level_db=level - gain,
        plus_minus_db=COVERAGE_FACTOR * np.hypot(OVERLAP * sigma, FLOOR_DB),
        coherence=coherence,
        gain_db=Estimate(gain + lost_db, float(gain_spread), "dB"),
        sentences=tuple(sentences),
    )


def _in_the_middle(level: Array, frequency: Array, variance: Array) -> Array:
    """Levels in the middle of bands: along a slope, the mean of powers is above the power there."""
    return level - np.log(10) / 20 * np.gradient(level, frequency) ** 2 * variance


LONGEST_READ = 60.0  # s of the dry channel whose peaks are looked at


def _lost_by_clipping(recording: Recording, share: float) -> float:
    """How much of a sound's level, in dB, is lost where that share of its samples is clipped.

    What is left goes along with the sound as ``E[|x| min(|x|, c)] / E[x^2]``.
    """
    dry = recording.read("dry", 0, min(recording.count, int(LONGEST_READ * recording.sample_rate)))
    size = np.abs(dry - dry.mean())
    ceiling = np.quantile(size, 1 - share)
    return float(-20 * np.log10(size @ np.minimum(size, ceiling) / (size @ size)))


# ---- spectra of dry channel and playback, each window set back by its delay ----

BATCH = 256  # windows at a time
OUT_OF_STEP = 0.3  # nepers, the most that is made up for; beyond, windows have too little in common


class _Spectra(NamedTuple):
    """Spectra of windows of one size, summed over each of some groups."""

    frequency: Array
    dry: Array  # |X|^2
    played: Array  # |Y|^2
    cross: NDArray[np.complex128]  # Y X*
    number: float  # of windows that are worth as much without overlap


def _aligned_spectra(recording: Recording, track: DelayTrack, size: int, every: int) -> _Spectra:
    """Spectra of windows of `size` samples at 48 kHz, at every so manieth delay of the track."""
    rate = recording.sample_rate
    length = 2 ** round(np.log2(size * rate / 48000))
    bell = np.hanning(length + 1)[:-1]
    frequency = fft.rfftfreq(length, 1 / rate)
    delay = track.track[::every]
    begins = np.round((track.time[::every] - delay) * rate - (length - 1) / 2).astype(int)
    inside = (begins >= 0) & (begins + length + delay * rate + 1 < recording.count)
    begins, delay = begins[inside], delay[inside]
    lags = np.round(delay * rate).astype(int)
    group = group_matrix(np.arange(len(begins)) * every)
    dry, played = np.zeros((2, GROUPS, len(frequency)))
    cross = np.zeros((GROUPS, len(frequency)), dtype=complex)
    for k in range(0, len(begins), BATCH):
        part = slice(k, k + BATCH)
        first, last = int(begins[part].min()), int(begins[part].max()) + length
        playback = recording.read("playback", first, last - first + int(lags[part].max()) + 1)
        source = recording.read("dry", first, last - first)
        source += track.return_gain.value * playback[: last - first]
        x = cut_windows(source, begins[part] - first, length)
        y = cut_windows(playback, begins[part] - first + lags[part], length)
        x = fft.rfft((x - x.mean(axis=1, keepdims=True)) * bell, axis=1)
        y = fft.rfft((y - y.mean(axis=1, keepdims=True)) * bell, axis=1)
        y *= phase_ramp(delay[part] * rate - lags[part], length)
        dry += group[:, part] @ power_spectrum(x)
        played += group[:, part] @ power_spectrum(y)
        cross += group[:, part] @ (y * np.conj(x))
    # Where the delay changes within a window, its ends are out of step with its middle.
    slope = np.gradient(track.track, track.time)[::every][inside]
    since = (np.arange(length) - length / 2) / rate
    reach = np.sqrt(np.mean(slope**2) * (bell**2 @ since**2) / (bell @ bell))
    cross *= np.exp(np.minimum((2 * np.pi * frequency * reach) ** 2 / 2, OUT_OF_STEP))
    # Windows that overlap in time do not count in full.
    hop = np.median(np.diff(begins)) if len(begins) > 1 else length
    return _Spectra(frequency, dry, played, cross, len(begins) * min(1.0, 1.5 * hop / length))


# ---- levels of bands ----

SEEN = 4  # bins on either side that a bin sees, through the bell
LEAK = 0.3  # power of a bin against that of its neighbor, below which it tells of the neighbor
LEAST_POWER = 0.2  # of the loudest bin of a band, below which a bin is left out


class _Band(NamedTuple):
    """What one band tells."""

    frequency: float  # mean of its sound, Hz
    level_db: float
    coherence: float
    sigma_db: float  # standard uncertainty of the level by the coherence
    scatter_db: float  # and by what groups of windows differ by
    variance: float  # of the frequencies of its sound, Hz^2


def _all_bands(recording: Recording, track: DelayTrack) -> list[_Band]:
    """Every band in which there is sound, from low to high."""
    top = min(HIGHEST, TOP * recording.sample_rate / HALF_BAND)
    centers = np.exp(np.arange(np.log(20), np.log(top), np.log(2) / PER_OCTAVE))
    centers = centers[centers > LOWEST * HALF_BAND]
    bands: list[_Band] = []
    finest = None
    for size, every, low, high in WINDOWS:
        spectra = _aligned_spectra(recording, track, size, every)
        finest = spectra.dry.sum(axis=0) if finest is None else finest
        bands += _in_bands(spectra, finest, centers[(centers >= low) & (centers < high)])
    return bands


def _in_bands(spectra: _Spectra, finest: Array, centers: Array) -> list[_Band]:
    """Those of some bands that have a bin of these spectra with sound of its own."""
    frequency, middles = spectra.frequency, _frequencies_seen(spectra.frequency, finest)
    # Where the dry channel's spectrum ends, a bin holds what leaks in from its neighbor.
    around = np.pad(spectra.dry.sum(axis=0), 1, mode="edge")
    leaked = around[1:-1] < LEAK * np.maximum(around[:-2], around[2:])
    bands, before = [], -1
    for center in centers:
        bins = np.flatnonzero((frequency >= center / HALF_BAND) & (frequency < center * HALF_BAND))
        if len(bins) == 0:
            bins = np.array([int(np.argmin(np.abs(frequency - center)))])
        bins = bins[bins > before]  # in the bass two bands may share a bin
        if len(bins) == 0 or frequency[bins[0]] < LOWEST:
            continue
        before = int(bins[-1])
        band = _band(spectra, bins, leaked[bins], middles[bins])
        bands += [] if band is None else [band]
    return bands


def _frequencies_seen(frequency: Array, finest: Array) -> Array:
    """Mean frequency of the sound that each bin sees: partials beside it, if the sound has few of its own.

    `finest` is the power of that sound in finer bins.
    """
    finer = (len(finest) - 1) // (len(frequency) - 1)
    if finer == 1:
        return frequency
    length = 2 * (len(frequency) - 1)
    seen_by_bin = power_spectrum(fft.rfft(np.hanning(length + 1)[:-1], length * finer)[: SEEN * finer])
    seen_by_bin = np.concatenate([seen_by_bin[:0:-1], seen_by_bin])
    fine = np.arange(len(finest)) * frequency[1] / finer
    power = np.convolve(finest, seen_by_bin, "same")[::finer]
    return np.convolve(finest * fine, seen_by_bin, "same")[::finer] / (power + 1e-300)


def _band(
    spectra: _Spectra, bins: NDArray[np.int_], leaked: NDArray[np.bool_], middles: Array
) -> _Band | None:
    """Each bin by its own, then averaged: a slope within the band does not spoil the coherence."""
    number = spectra.number
    dry, cross = spectra.dry[:, bins], spectra.cross[:, bins]
    xx, yy, xy = dry.sum(axis=0), spectra.played[:, bins].sum(axis=0), np.abs(cross.sum(axis=0))
    weight = np.where((xx > LEAST_POWER * xx.max()) & ~leaked, xx, 0.0)
    # Where the material ends within a band, its last bins are half leak.
    if np.count_nonzero(weight) < len(bins) / 2:
        return None
    weight = weight / weight.sum()
    coherence = float(np.clip(weight @ (xy**2 / (xx * yy + 1e-300)), 0, 1 - 1e-6))
    # Noise that happens to go along adds to the square: (1 - c) / (c n) of it, n windows of coherence c.
    alone = 1 - (1 - coherence) / (max(coherence, 1e-6) * number)
    power = float(weight @ (xy / (xx + 1e-300)) ** 2) * max(alone, 0.0)
    if coherence < 3 / max(number, 1) or power <= 0:
        return None
    independent = max(number * max(len(bins) / 1.5, 1.0), 1.0)
    sigma = 10 / np.log(10) * np.sqrt((1 - coherence) / (coherence * independent) * 2)
    middle = float(weight @ middles)
    variance = float(weight @ (middles - middle) ** 2)
    scatter = _scatter_db(dry, cross, weight)
    return _Band(middle, float(10 * np.log10(power)), coherence, float(sigma), scatter, variance)


def _scatter_db(dry: Array, cross: NDArray[np.complex128], weight: Array) -> float:
    """Standard uncertainty of a band's level by what groups of windows differ by.

    A band with little sound of its own, between two partials, reads what their ends leave there,
    which depends on the note and not on the noise.
    """
    xx, xy = dry.sum(axis=0) - dry, np.abs(cross.sum(axis=0) - cross)
    return jackknife(10 * np.log10((xy / (xx + 1e-300)) ** 2 @ weight + 1e-300))


# ---- what explains a response ----


@dataclass(frozen=True, eq=False)
class WhatIf:
    """One explanation of a measured response: "as aligned", "separation", "gap" or "azimuth"."""

    name: str
    value: Estimate | None  # what the part would have to be today, m or rad; None for a machine as aligned
    low_cut: Estimate  # Hz
    misfit_db: float  # rms of what it leaves unexplained
    chi2: float  # sum of squares over uncertainties
    level_db: Array  # the response of the explanation at the frequencies measured

    def value_text(self) -> str:
        """Write the value in the trade's unit; nothing for a machine as aligned."""
        if self.value is None:
            return ""
        unit = "arcmin" if self.name == "azimuth" else "um"
        return self.value.text(unit, unit)

    def in_words(self) -> str:
        """Say the explanation in a sentence.

        >>> WhatIf("as aligned", None, Estimate(30.0, 2.0, "Hz"), 0.1, 12.0, np.zeros(3)).in_words()
        'The machine as it was aligned leaves 0.1 dB unexplained.'
        """
        left = f"leaves {self.misfit_db:.1f} dB unexplained."
        if self.name == "as aligned":
            return f"The machine as it was aligned {left}"
        if self.name == "separation":
            return f"A head-to-tape separation of {self.value_text()} today {left}"
        if self.name == "gap":
            return f"A playback gap of {self.value_text()} {left}"
        return f"An azimuth error of {self.value_text()} (of either sign) {left}"

    def to_dict(self) -> dict[str, Any]:
        """Return the explanation as a plain dict for a JSON file."""
        return {
            "name": self.name,
            "value": None if self.value is None else self.value.to_dict(),
            "low_cut": self.low_cut.to_dict(),
            "misfit_db": float(self.misfit_db),
            "chi2": float(self.chi2),
            "in_words": self.in_words(),
        }


#: What each explanation changes on the aligned contact, the range looked through, and the unit.
EXPLANATIONS = {
    "separation": ("separation", np.linspace(0, 15e-6, 61), "m"),
    "gap": ("gap", np.linspace(0.5e-6, 25e-6, 241), "m"),
    "azimuth": ("azimuth_angle", np.linspace(0, 0.02, 241), "rad"),
}
FEWEST_BANDS = 8
START = [0.0, 20.0]  # of every fit: gain, dB, and low cut, Hz
MODEL_DB = 0.1  # what the simplest model of a head leaves unexplained
STEEP = 0.05  # of a band, how far the middle of its sound may be from its own
WITHIN = 5  # frequencies of a band at which an explanation is computed
VALLEYS = 4  # of the misfit, from which the fit of an explanation begins
FLOOR = 0.002  # relative, of what explains a response


def fit_what_ifs(response: PassResponse, one_pass: OnePass) -> tuple[WhatIf, ...]:
    """Fit one explanation at a time to a measured response; the best comes first.

    `one_pass` is the machine as it was aligned, with the usual bumps of its head; its contact and low cut of
    today are not asked. How large the bumps of a real head are nobody knows, so they count little.

    >>> head = HeadContact(gap=4e-6, separation=0.5e-6, coating_thickness=11e-6, track_width=2e-3,
    ...                    azimuth_angle=0)
    >>> ideal = OnePass(speed=0.1905, today=head, aligned=head, boost_db=60, low_cut=0)
    >>> f = np.geomspace(50, 15000, 80)
    >>> dull = replace(ideal, today=replace(head, separation=3e-6)).level_db(f)
    >>> fine = PassResponse(f, dull, np.full(80, 0.05), np.ones(80), Estimate(0.0, 0.1, "dB"))
    >>> fit_what_ifs(fine, ideal)[0].name
    'separation'
    """
    if not isinstance(one_pass, OnePass):
        raise ValueError(f"one_pass must be a OnePass, got {one_pass!r}")
    if len(response.frequency) < FEWEST_BANDS:
        raise CannotTell("fewer than eight bands of the response were measured")
    fitter = _Fitter(response, replace(one_pass, low_cut=0.0))
    return tuple(sorted((fitter.fit(name) for name in ("as aligned", *EXPLANATIONS)), key=lambda w: w.chi2))


class _Fitter:
    """Fits explanations of one response."""

    def __init__(self, response: PassResponse, one_pass: OnePass) -> None:
        self.measured, self.frequency = response.level_db, response.frequency
        self.one_pass, self.aligned = one_pass, one_pass.aligned
        # What is measured is the mean power of a band, which tells from its middle around a null.
        self.across = self.frequency[:, None] * 2 ** (np.linspace(-0.4, 0.4, WITHIN) / PER_OCTAVE)
        self.variance = np.var(self.across, axis=1)
        # Near a null, what a band reads depends on where in it the sound lies.
        steep = STEEP * np.gradient(response.level_db)
        # Bumps are anything up to those of plates, in 95 of 100 cases.
        shape = "plates" if one_pass.pole_length else "flat"
        bumps = bump_gain(one_pass.pole_length / one_pass.speed * self.frequency, shape)
        bumps_db = 20 * np.log10(np.maximum(np.abs(bumps), 1e-3))
        self.sigma = np.sqrt(
            (np.hypot(response.plus_minus_db, bumps_db) / COVERAGE_FACTOR) ** 2 + MODEL_DB**2 + steep**2
        )

    def level_db(self, gain: float, low_cut: float, contact: HeadContact) -> Array:
        """The response of an explanation."""
        cut = -10 * np.log10(1 + (low_cut / self.frequency) ** 2)
        power = 10 ** (replace(self.one_pass, today=contact).level_db(self.across) / 10)
        mean = 10 * np.log10(power.mean(axis=1))
        return gain + cut + _in_the_middle(mean, self.frequency, self.variance)

    def misfits(self, level: Array) -> Array:
        """What a level leaves unexplained, over the uncertainties."""
        return (level - self.measured) / self.sigma

    def fit(self, name: str) -> WhatIf:
        """The best that one explanation can do."""
        if name == "as aligned":
            return self._fitted(name, lambda p: self.level_db(p[0], p[1], self.aligned), START)
        key, grid, unit = EXPLANATIONS[name]
        scale = float(grid[-1])

        def model(p: Array) -> Array:
            return self.level_db(p[0], p[1], replace(self.aligned, **{key: abs(p[2]) * scale}))

        misfit = np.array(
            [np.sum(self.misfits(model(np.array([*START, value / scale]))) ** 2) for value in grid]
        )
        # A null that moves past a band is a wall for the fit: begin in several valleys.
        around = np.pad(misfit, 1, constant_values=np.inf)
        valleys = np.flatnonzero((misfit <= around[:-2]) & (misfit < around[2:]))
        starts = grid[valleys[np.argsort(misfit[valleys])][:VALLEYS]] / scale
        fits = (self._fitted(name, model, [*START, start + 1e-3], scale, unit) for start in starts)
        return min(fits, key=lambda fit: fit.chi2)

    def _fitted(
        self,
        name: str,
        model: Callable[[Array], Array],
        start: list[float],
        scale: float = 0.0,
        unit: str = "",
    ) -> WhatIf:
        """Least squares from one start; the third parameter is the value of the part over `scale`."""
        answer = optimize.least_squares(
            lambda p: self.misfits(model(p)),
            start,
            bounds=([-40, 0, 0][: len(start)], [40, 400, 2][: len(start)]),
            x_scale=[1, 10, 0.1][: len(start)],
        )
        level, value = model(answer.x), None
        stretch = max(1.0, 2 * answer.cost / max(len(level) - len(start), 1))
        spreads = COVERAGE_FACTOR * np.sqrt(np.diag(np.linalg.pinv(answer.jac.T @ answer.jac)) * stretch)
        if unit:
            best, spread = answer.x[2], spreads[2]
            # Near zero the loss goes with the square and has no slope: ask where it would show.
            upper = self._where_it_shows(model, answer.x, 2 * answer.cost + COVERAGE_FACTOR**2 * stretch)
            if upper is not None:
                spread = max(min(spread, upper - best), best)
            spread = np.hypot(spread, FLOOR * best)
            value = Estimate(float(best * scale), float(spread * scale), unit)
        misfit = float(np.sqrt(np.mean((level - self.measured) ** 2)))
        low_cut = Estimate(float(answer.x[1]), float(spreads[1]), "Hz")
        return WhatIf(name, value, low_cut, misfit, float(2 * answer.cost), level)

    def _where_it_shows(self, model: Callable[[Array], Array], best: Array, limit: float) -> float | None:
        """The least value above the best one at which chi-square reaches `limit`; None if 0 does as well."""

        def over(value: float) -> float:
            rest = self.misfits(model(np.array([*best[:2], value])))
            return float(rest @ rest) - limit

        if over(0.0) > 0:
            return None
        top = best[2] + 2.0
        return optimize.brentq(over, best[2], top) if over(top) > 0 else top


APART = 4.0  # difference of chi-square above which one explanation is better
POOR_DB = 1.5  # misfit of the best explanation that is none


def what_ifs_in_words(what_ifs: Sequence[WhatIf]) -> tuple[str, ...]:
    """Say which explanation fits, and which cannot be told apart; the best comes first.

    Gap and azimuth loss are the same function, ``sin(x)/x`` with ``x`` in proportion to
    frequency, so that no response alone can separate them.
    """
    best = what_ifs[0]
    close = [w for w in what_ifs if w.chi2 - best.chi2 < APART]
    plain = [w for w in what_ifs if w.name == "as aligned" and (w in close or w.misfit_db < MODEL_DB)]
    if plain:
        return (plain[0].in_words(),)
    sentences = [best.in_words()]
    if len(close) > 1:
        names = " and ".join(sorted(w.name for w in close))
        sentences.append(f"From this response alone {names} cannot be told apart.")
        sentences += [w.in_words() for w in close[1:]]
    if {"gap", "azimuth"} <= {w.name for w in close}:
        sentences.append(
            "Gap and azimuth loss have one and the same shape; turn the azimuth screw while a high tone "
            "plays: if the level rises, it was azimuth."
        )
    if best.misfit_db > POOR_DB:
        sentences.append(
            "None of these explains the response; the equalizer may be off, or several things at once."
        )
    return tuple(sentences)
