"""Response of one pass, with its coherence, and which worn or tilted part would explain it.

The windows of the delay track are used again: each piece of the playback is set back by
its own delay, so that flutter does not smear the treble, and the spectra are added up.
Long windows serve the bass, short ones the treble.
"""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import NamedTuple

import numpy as np
from scipy import fft, ndimage, optimize

from tapecalc import words
from tapecalc.calc.contour import bump_gain
from tapecalc.calc.response import OnePass
from tapecalc.measuring.delay import DelayTrack
from tapecalc.measuring.delay_windows import Spectra
from tapecalc.measuring.dsp import GROUPS, Array, Bools, cut_windows, group_matrix, phase_ramp, power_spectrum
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, Estimate, Reading, jackknife
from tapecalc.measuring.recording import Recording

REFERENCE = (700.0, 1400.0)  # Hz, where the level is called 0 dB


@dataclass(frozen=True, eq=False)
class PassResponse(Reading):
    """Level against frequency of one pass, in twelfths of an octave that could be told.

    Source: J. S. Bendat and A. G. Piersol, Random Data (from memory), for the uncertainty from coherence.
    """

    frequency: Array  # middle of each band, Hz
    level_db: Array  # against the mean from 700 to 1400 Hz
    plus_minus_db: Array  # half width of the 95 % interval
    coherence: Array  # share of the playback's power that comes from the dry channel
    sentences: tuple[str, ...] = ()  # what was noticed

    def edge(self) -> float | None:
        """Find where the treble has fallen by 3 dB, Hz, on a line between two bands; None if it has not."""
        treble = np.flatnonzero((self.frequency > REFERENCE[1]) & (self.level_db < -3))
        if len(treble) == 0 or treble[0] == 0:
            return None
        two = slice(treble[0] - 1, treble[0] + 1)
        return float(np.exp(np.interp(3, -self.level_db[two], np.log(self.frequency[two]))))


PER_OCTAVE = 12
FEWEST = 8  # bands
#: Samples of a window (at 48 kHz), which windows of the track are used, and the band in Hz.
#: In the treble a window must be over before the delay has changed by a part of a wave.
WINDOWS = ((8192, 2, 50.0, 1000.0), (1024, 1, 1000.0, 5000.0), (256, 1, 5000.0, 20000.0))


def measure_response(recording: Recording, track: DelayTrack) -> PassResponse:
    """Measure what one pass does to the level at each frequency, given the delay track of the recording.

    Bands are twelfths of an octave from 50 Hz to 20 kHz or 0.45 of the sample rate, where the coherence
    suffices. Source: the H1 estimator, for example Bendat and Piersol, Random Data (from memory).

    >>> from tapecalc.measuring import measure_delay, open_recording
    >>> noise = np.random.default_rng(1).standard_normal(96000)
    >>> both = open_recording(np.stack([noise, 0.5 * np.roll(noise, 9600)], axis=1), sample_rate=48000)
    >>> bool(np.all(np.abs(measure_response(both, measure_delay(both)).level_db) < 0.02))
    True
    """
    bands = [band for band in _all_bands(recording, track) if band.coherence > 0.3]
    if len(bands) < FEWEST:
        raise CannotTell("fewer than eight bands of the playback's spectrum come from the dry channel alone")
    frequency, level, coherence, sigma, width = (np.array(column) for column in zip(*bands, strict=True))
    middle = (frequency > REFERENCE[0]) & (frequency < REFERENCE[1])
    if not np.any(middle):
        raise CannotTell("the material has nothing around 1 kHz to count the level from")
    # Where in a bin the sound lies is not known: along a slope that matters.
    slope = np.abs(np.gradient(level, frequency))
    sigma = np.hypot(1.2 * sigma, 0.02 * slope * width)  # windows and bins overlap
    top = words.amount(frequency[-1], "hz")
    dull = f"The sound tells nothing above {top}; noise tells more."
    return PassResponse(
        frequency=frequency,
        # The plain mean: weights would make the level counted from depend on the noise.
        level_db=level - np.mean(level[middle]),
        plus_minus_db=COVERAGE_FACTOR * np.hypot(sigma, 0.005),  # what tapers and ends leave
        coherence=coherence,
        sentences=(dull,) if frequency[-1] < 10000 else (),
    )


def _aligned_spectra(recording: Recording, track: DelayTrack, size: int, every: int) -> tuple[Array, Spectra]:
    """Frequencies and spectra of windows of `size` samples at 48 kHz, at every so manieth delay of the track.

    Their number is that of windows that are worth as much without overlap.
    """
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
    for k in range(0, len(begins), 256):
        part = slice(k, k + 256)
        first, last = int(begins[part].min()), int(begins[part].max()) + length
        playback = recording.read("playback", first, last - first + int(lags[part].max()) + 1)
        x = cut_windows(recording.read("dry", first, last - first), begins[part] - first, length)
        y = cut_windows(playback, begins[part] - first + lags[part], length)
        x = fft.rfft((x - x.mean(axis=1, keepdims=True)) * bell, axis=1)
        y = fft.rfft((y - y.mean(axis=1, keepdims=True)) * bell, axis=1)
        y *= phase_ramp(delay[part] * rate - lags[part], length)
        dry += group[:, part] @ power_spectrum(x)
        played += group[:, part] @ power_spectrum(y)
        cross += group[:, part] @ (y * np.conj(x))
    # Where the delay changes within a window, its ends are out of step with its middle. Beyond 0.3 nepers
    # they have too little in common.
    slope = np.gradient(track.track, track.time)[::every][inside]
    since = (np.arange(length) - length / 2) / rate
    reach = np.sqrt(np.mean(slope**2) * (bell**2 @ since**2) / (bell @ bell))
    cross *= np.exp(np.minimum((2 * np.pi * frequency * reach) ** 2 / 2, 0.3))
    # Windows that overlap in time do not count in full.
    hop = np.median(np.diff(begins)) if len(begins) > 1 else length
    return frequency, Spectra(dry, played, cross, group.sum(axis=1) * min(1.0, 1.5 * hop / length))


class _Band(NamedTuple):
    """What one band tells."""

    frequency: float  # mean of its sound, Hz
    level_db: float
    coherence: float
    sigma_db: float  # standard uncertainty of the level
    width: float  # of a bin, Hz


def _all_bands(recording: Recording, track: DelayTrack) -> list[_Band]:
    """Every band in which there is sound, from low to high."""
    half = 2 ** (0.5 / PER_OCTAVE)
    # Above 0.45 of the sample rate the filters of an interface may begin to fall.
    top = min(20000.0, 0.45 * recording.sample_rate / half)
    centers = np.exp(np.arange(np.log(20), np.log(top), np.log(2) / PER_OCTAVE))
    bands = []
    for size, every, low, high in WINDOWS:
        frequency, spectra = _aligned_spectra(recording, track, size, every)
        # Where the dry channel's spectrum ends, a bin holds what leaks in from its neighbor.
        dry = spectra.total().dry
        around = np.pad(dry, 1, mode="edge")
        own = dry > 0.3 * np.maximum(around[:-2], around[2:])
        before = -1
        for center in centers[(centers >= max(low, 50 * half)) & (centers < high)]:
            bins = np.flatnonzero((frequency >= center / half) & (frequency < center * half))
            if len(bins) == 0:
                bins = np.array([int(np.argmin(np.abs(frequency - center)))])
            bins = bins[bins > before]  # in the bass two bands may share a bin
            if len(bins) and frequency[bins[0]] >= 50:
                before = int(bins[-1])
                band = _band(spectra.at(bins), frequency[bins], frequency[1], own[bins])
                bands += [] if band is None else [band]
    return bands


def _band(spectra: Spectra, frequency: Array, width: float, own: Bools) -> _Band | None:
    """Each bin by its own, then averaged: a slope within the band does not spoil the coherence."""
    xx, yy, cross, _ = spectra.total()
    xy, number = np.abs(cross), float(spectra.number.sum())
    weight = np.where((xx > 0.2 * xx.max()) & own, xx, 0.0)
    # Where the material ends within a band, its last bins are half leak.
    if np.count_nonzero(weight) < len(xx) / 2:
        return None
    weight = weight / weight.sum()
    coherence = float(np.clip(weight @ (xy**2 / (xx * yy + 1e-300)), 0, 1 - 1e-6))
    # Noise that happens to go along adds to the square: (1 - c) / (c n) of it, n windows of coherence c.
    alone = 1 - (1 - coherence) / (max(coherence, 1e-6) * number)
    power = float(weight @ (xy / (xx + 1e-300)) ** 2) * max(alone, 0.0)
    if coherence < 3 / max(number, 1) or power <= 0:
        return None
    independent = max(number * max(len(xx) / 1.5, 1.0), 1.0)
    sigma = float(10 / np.log(10) * np.sqrt((1 - coherence) / (coherence * independent) * 2))
    # A band with little sound of its own, between two partials, reads what their ends leave there, which
    # depends on the note: what groups of windows differ by, where chance would do it once in 100.
    less, of_it = xx - spectra.dry, np.abs(cross - spectra.cross)
    scatter = jackknife(10 * np.log10((of_it / (less + 1e-300)) ** 2 @ weight + 1e-300))
    sigma = scatter if scatter > 1.9 * sigma else sigma
    return _Band(float(weight @ frequency), float(10 * np.log10(power)), coherence, sigma, width)


@dataclass(frozen=True, eq=False)
class WhatIf(Reading):
    """One explanation of a measured response: what parts of the machine would have to be today."""

    parts: dict[str, Estimate]  # in m or rad, by "separation", "gap", "azimuth"; empty for one as aligned
    low_cut: Estimate  # Hz
    misfit_db: float  # rms of what it leaves unexplained
    chi2: float  # sum of squares over uncertainties
    level_db: Array  # the response of the explanation at the frequencies measured

    unwritten = ("level_db",)
    derived = ("name", "in_words")

    @property
    def name(self) -> str:
        """The parts that are not as aligned."""
        return " and ".join(self.parts) or "as aligned"

    def _texts(self) -> dict[str, str]:
        """Each part in the trade's unit."""
        units = {name: "arcmin" if name == "azimuth" else "um" for name in self.parts}
        return {name: value.text(units[name], units[name]) for name, value in self.parts.items()}

    @property
    def value_text(self) -> str:
        """The values in the trade's unit; nothing for a machine as aligned."""
        return " and ".join(self._texts().values())

    @property
    def in_words(self) -> str:
        """The explanation in a sentence.

        >>> WhatIf({}, Estimate(30.0, 2.0, "Hz"), 0.1, 12.0, np.zeros(3)).in_words
        'The machine as it was aligned leaves 0.1 dB unexplained.'
        """
        said = " and ".join(CAUSES[name].words.format(text) for name, text in self._texts().items())
        said = words.sentence(said or "the machine as it was aligned")
        return f"{said} {'leave' if len(self.parts) > 1 else 'leaves'} {self.misfit_db:.1f} dB unexplained."


class _Cause(NamedTuple):
    """A part of a head that may explain a response."""

    field: str  # of the contact
    most: float  # the largest value looked for, m or rad
    power: int  # with which the loss grows while it is small
    unit: str
    words: str


CAUSES = {
    "separation": _Cause("separation", 15e-6, 1, "m", "a head-to-tape separation of {} today"),
    "gap": _Cause("gap", 25e-6, 2, "m", "a playback gap of {}"),
    "azimuth": _Cause("azimuth_angle", 0.02, 2, "rad", "an azimuth error of {} (of either sign)"),
}
MODEL_DB = 0.1  # what the simplest model of a head leaves unexplained


def fit_what_ifs(response: PassResponse, one_pass: OnePass) -> tuple[WhatIf, ...]:
    """Fit explanations to a measured response; the best comes first.

    `one_pass` is the machine as it was aligned, with the usual bumps of its head; its contact and low cut of
    today are not asked. How large the bumps of a real head are nobody knows, so they count little. Dirt comes
    with tilt, or with a worn gap: both together are an explanation of their own where one alone does not do,
    and where it does, its interval allows for the other.
    """
    if not isinstance(one_pass, OnePass):
        raise ValueError(f"one_pass must be a OnePass, got {one_pass!r}")
    fitter = _Fitter(response, replace(one_pass, low_cut=0.0))
    fits = {name: fitter.fit((name,)) for name in CAUSES}
    both = [fitter.fit(("separation", other)) for other in ("azimuth", "gap")]
    least = min(fit.chi2 for fit in fits.values())
    needed = [two for two in both if least - two.chi2 > APART]
    for two in both:
        for name, value in two.parts.items():
            alone = fits[name].parts[name]
            reach = max(alone.plus_minus, abs(value.value - alone.value) + value.plus_minus)
            fits[name] = replace(fits[name], parts={name: replace(alone, plus_minus=reach)})
    # Of two that fit alike, tilt is what happens; gaps seldom wear.
    return tuple(sorted((fitter.fit(()), *fits.values(), *needed), key=lambda w: w.chi2 + ("gap" in w.name)))


class _Fitter:
    """Fits explanations of one response."""

    def __init__(self, response: PassResponse, one_pass: OnePass) -> None:
        self.measured, self.frequency = response.level_db, response.frequency
        self.one_pass = one_pass
        # What is measured is the mean power of a band, which tells from its middle around a null.
        self.across = self.frequency[:, None] * 2 ** (np.linspace(-0.4, 0.4, 5) / PER_OCTAVE)
        # Near a null, what a band reads depends on where in it the sound lies.
        steep = 0.05 * np.gradient(response.level_db)
        # Bumps are anything up to those of plates, in 95 of 100 cases.
        shape = "plates" if one_pass.pole_length else "flat"
        bumps = bump_gain(one_pass.pole_length / one_pass.speed * self.frequency, shape)
        bumps_db = 20 * np.log10(np.maximum(np.abs(bumps), 1e-3))
        self.sigma = np.sqrt(
            (np.hypot(response.plus_minus_db, bumps_db) / COVERAGE_FACTOR) ** 2 + MODEL_DB**2 + steep**2
        )

    def level_db(self, names: Sequence[str], p: Array) -> Array:
        """The response with a gain in dB, a low cut in Hz, and each part's share of its power of the most."""
        aligned, causes = self.one_pass.aligned, [CAUSES[name] for name in names]
        shares = (c.most * max(x, 0.0) ** (1 / c.power) for c, x in zip(causes, p[2:], strict=True))
        contact = replace(aligned, **{c.field: share for c, share in zip(causes, shares, strict=True)})
        cut = -10 * np.log10(1 + (p[1] / self.frequency) ** 2)
        power = 10 ** (replace(self.one_pass, today=contact).level_db(self.across) / 10)
        return p[0] + cut + 10 * np.log10(power.mean(axis=1))

    def fit(self, names: tuple[str, ...]) -> WhatIf:
        """The best that a machine as aligned but for some parts can do, by least squares."""

        def misfits(p: Array) -> Array:
            return (self.level_db(names, p) - self.measured) / self.sigma

        # A null that moves past a band is a wall for the search: begin in several valleys, each with the gain
        # that fits it best, and go on in that which promises most.
        weight = self.sigma**-2 / np.sum(self.sigma**-2)
        count = 2 + len(names)
        shares = np.linspace(0, 1, {0: 1, 1: 61, 2: 10}[len(names)])
        starts = []
        for point in itertools.product(*(shares ** CAUSES[name].power for name in names)):
            rest = self.measured - self.level_db(names, np.array([0.0, 20.0, *point]))
            gain = weight @ rest
            starts.append((np.sum(((rest - gain) / self.sigma) ** 2), gain, 20.0, *point))
        table = np.array(starts)
        valleys = table[:, 0].reshape([len(shares)] * len(names) or [1])
        lowest = np.flatnonzero((valleys == ndimage.minimum_filter(valleys, 3)).ravel())
        search = partial(
            optimize.least_squares,
            misfits,
            bounds=([-40, 0, 0, 0][:count], [40, 400, 4, 4][:count]),
            x_scale=[1, 10, 0.1, 0.1][:count],
        )
        best = lowest[np.argsort(table[lowest, 0])][:4]
        firsts = [search(start + 1e-4, max_nfev=10) for start in table[best, 1:]]
        answer = search(min(firsts, key=lambda first: first.cost).x)
        level = self.level_db(names, answer.x)
        stretch = max(1.0, 2 * answer.cost / max(len(level) - count, 1))
        size = np.linalg.norm(answer.jac, axis=0) + 1e-12
        square = np.diag(np.linalg.pinv((answer.jac / size).T @ (answer.jac / size), hermitian=True))
        spreads = COVERAGE_FACTOR * np.sqrt(np.maximum(square, 0) * stretch) / size
        parts = {
            name: _part_value(CAUSES[name], float(x), float(spread))
            for name, x, spread in zip(names, answer.x[2:], spreads[2:], strict=True)
        }
        return WhatIf(
            parts=parts,
            low_cut=Estimate(float(answer.x[1]), float(spreads[1]), "Hz"),
            misfit_db=float(np.sqrt(np.mean((level - self.measured) ** 2))),
            chi2=float(2 * answer.cost),
            level_db=level,
        )


def _part_value(cause: _Cause, share: float, spread: float) -> Estimate:
    """The value of a part from its share, with an interval that holds that of the share on both sides."""
    low, value, high = (
        cause.most * max(x, 0.0) ** (1 / cause.power) for x in (share - spread, share, share + spread)
    )
    return Estimate(value, float(np.hypot(max(high - value, value - low), 0.002 * value)), cause.unit)


APART = 4.0  # difference of chi-square above which one explanation is better
ADVICE = (
    "Clean the heads, demagnetize them, and look whether belts, rollers and pads are sound; then measure "
    "again. What is left a test tape tells: tilt is for a trained person with that tape."
)


def what_ifs_in_words(what_ifs: Sequence[WhatIf]) -> tuple[str, ...]:
    """Say which explanation fits, and which cannot be told apart; the best comes first."""
    best = what_ifs[0]
    close = [w for w in what_ifs if w.chi2 - best.chi2 < APART]
    plain = [w for w in what_ifs if w.name == "as aligned" and (w in close or w.misfit_db < MODEL_DB)]
    if plain:
        return (plain[0].in_words,)
    sentences = [best.in_words]
    if len(close) > 1:
        names = ", or ".join(sorted(w.name for w in close))
        sentences.append(f"From this response alone it cannot be told whether it is {names}.")
        sentences += [w.in_words for w in close[1:]]
    if any("gap" in w.name for w in close) and any("azimuth" in w.name for w in close):
        sentences.append("Gap and azimuth loss have one and the same shape; a test tape tells them apart.")
    if best.misfit_db > 1.5:
        sentences.append("None of these explains the response; the equalizer may be off.")
    return (*sentences, ADVICE)
