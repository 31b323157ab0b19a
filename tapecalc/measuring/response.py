"""Response of one pass, with its coherence, and which worn or tilted part would explain it.

The windows of the delay track are used again: each piece of the playback is set back by
its own delay, so that flutter does not smear the treble, and the spectra are added up.
Long windows serve the bass, short ones the treble.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import fft, optimize

from tapecalc.calc.quantity import non_negative, positive
from tapecalc.calc.response import HeadContact, contact_loss_db
from tapecalc.measuring.dsp import GROUPS, cut_windows, group_matrix, phase_ramp, power_spectrum
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, Estimate, jackknife

__all__ = [
    "PassResponse",
    "WhatIf",
    "fit_what_ifs",
    "measure_response",
    "what_ifs_in_words",
]


#: Samples of a window (at 48 kHz), which windows of the track are used, and the band in Hz.
#: In the treble a window must be over before the delay has changed by a part of a wave.
WINDOWS = ((8192, 2, 50.0, 1000.0), (1024, 1, 1000.0, 5000.0), (256, 1, 5000.0, 20000.0))
PER_OCTAVE = 12
#: Hz. Below, a window holds too few turns: what comes through its sides reads as bass.
LOWEST, HIGHEST = 50.0, 20000.0
TOP = 0.45  # of the sample rate, where the filters of an interface may begin to fall
CLEARLY = 1.9  # times the noise, a scatter of so few groups that chance reaches once in 100
BATCH = 256  # windows at a time
LEAST_COHERENCE = 0.3
SEEN = 4  # bins on either side that a bin sees, through the bell
LEAK = 0.3  # power of a bin against that of its neighbor, below which it tells of the neighbor
OVERLAP, FLOOR_DB = 1.2, 0.004  # for windows and bins that overlap; for what tapers and ends leave
LONGEST_READ = 60.0  # seconds of the dry channel whose peaks are looked at
UNLIKE = 0.2  # of what clipping takes off, what peaks that the path has changed may make of it
OUT_OF_STEP = 0.3  # nepers, the most that is made up for; beyond, windows have too little in common
MODEL_DB = 0.1  # what the simplest model of a head leaves unexplained, dB
STEEP = 0.05  # of a band, how far the middle of its sound may be from its own
REFERENCE = (700.0, 1400.0)  # Hz, where the level is called 0 dB
FLOOR = 0.002  # relative, of what explains a response
WITHIN = 5  # frequencies of a band at which an explanation is computed
VALLEYS = 4  # of the misfit, from which the fit of an explanation begins
APART = 4.0  # difference of chi-square above which one explanation is better


@dataclass(frozen=True, eq=False)
class PassResponse:
    """Level against frequency of one pass.

    Parameters
    ----------
    frequency : numpy.ndarray
        Middle of each twelfth of an octave that could be told, Hz.
    level_db : numpy.ndarray
        Level against that around 1 kHz.
    uncertainty_db : numpy.ndarray
        Half width of the 95 % interval.
    coherence : numpy.ndarray
        Part of the playback's power that comes from the dry channel, 0 to 1.
    gain_db : Estimate
        Mean level of the bands from 700 to 1400 Hz, playback over dry channel.
    sentences : tuple of str
        What was noticed.

    Notes
    -----
    Made by `measure_response`. Source: J. S. Bendat and A. G. Piersol, Random Data (from memory), for the
    uncertainty from coherence. Notebook: 08_measuring.

    Examples
    --------
    >>> bands = np.array([1000.0, 2000.0])
    >>> flat = PassResponse(bands, np.zeros(2), np.full(2, 0.1), np.ones(2), Estimate(0.0, 0.1, "dB"))
    >>> flat.edge(3.0) is None
    True
    """

    frequency: np.ndarray
    level_db: np.ndarray
    uncertainty_db: np.ndarray
    coherence: np.ndarray
    gain_db: Estimate
    sentences: tuple = ()

    def edge(self, drop_db=3.0):
        """Find where the treble has fallen by `drop_db`.

        Parameters
        ----------
        drop_db : float, optional
            dB below the level around 1 kHz.

        Returns
        -------
        float or None
            Hz, between two bands along a straight line; None if it does not fall so far.
        """
        treble = np.flatnonzero((self.frequency > REFERENCE[1]) & (self.level_db < -drop_db))
        if len(treble) == 0 or treble[0] == 0:
            return None
        k = treble[0]
        part = (-drop_db - self.level_db[k - 1]) / (self.level_db[k] - self.level_db[k - 1])
        return float(np.exp(np.interp(part, [0, 1], np.log(self.frequency[k - 1 : k + 1]))))

    def to_dict(self):
        """Return the figures as a plain dict for a JSON file.

        Returns
        -------
        dict
            One list for each column.
        """
        columns = ("frequency", "level_db", "uncertainty_db", "coherence")
        rounded = {name: [round(float(v), 4) for v in getattr(self, name)] for name in columns}
        return {**rounded, "gain_db": self.gain_db.to_dict(), "sentences": list(self.sentences)}


def measure_response(recording, track):
    """Measure what one pass does to the level at each frequency.

    Parameters
    ----------
    recording : Recording
        The recording that the track was measured from.
    track : DelayTrack
        From `measure_delay`.

    Returns
    -------
    PassResponse
        In twelfths of an octave from 50 Hz to 20 kHz or 0.45 of the sample rate, where the
        coherence suffices.

    Raises
    ------
    CannotTell
        If no band is coherent enough, or none around 1 kHz.

    Notes
    -----
    Source: the H1 estimator, for example Bendat and Piersol, Random Data (from memory).
    Notebook: 08_measuring.

    Examples
    --------
    >>> from tapecalc.measuring import measure_delay, open_recording
    >>> noise = np.random.default_rng(1).standard_normal(96000)
    >>> both = open_recording(np.stack([noise, 0.5 * np.roll(noise, 9600)], axis=1), sample_rate=48000)
    >>> round(measure_response(both, measure_delay(both)).gain_db.value, 2)
    -6.02
    """
    recording = recording.swapped() if track.swapped else recording
    half = 2 ** (0.5 / PER_OCTAVE)
    top = min(HIGHEST, TOP * recording.sample_rate / half)
    bands = np.exp(np.arange(np.log(20), np.log(top), np.log(2) / PER_OCTAVE))
    bands = bands[bands > LOWEST * half]
    columns, finest = [], None
    for size, every, low, high in WINDOWS:
        frequency, dry, *others = _aligned_spectra(recording, track, size, every)
        finest = dry.sum(axis=0) if finest is None else finest
        lies = _where_it_lies(frequency, finest)
        columns += _in_bands(frequency, lies, dry, *others, bands[(bands >= low) & (bands < high)])
    columns = [c for c in columns if c[2] > LEAST_COHERENCE]
    if not columns:
        raise CannotTell("no part of the playback's spectrum comes from the dry channel alone")
    frequency, level, coherence, sigma, scatter, width = (np.array(c) for c in zip(*columns, strict=True))
    if len(level) > 1:
        level = _in_the_middle(level, frequency, width)
    middle = (frequency > REFERENCE[0]) & (frequency < REFERENCE[1])
    if not np.any(middle):
        raise CannotTell("the material has nothing around 1 kHz to count the level from")
    # The plain mean: weights would make the level counted from depend on the noise.
    gain = float(np.mean(level[middle]))
    sigma_or_scatter = np.where(scatter > CLEARLY * sigma, scatter, sigma)
    of_gain = OVERLAP * np.sqrt(np.mean(sigma_or_scatter[middle] ** 2) / np.count_nonzero(middle))
    spread = COVERAGE_FACTOR * np.hypot(OVERLAP * sigma_or_scatter, FLOOR_DB)
    sentences = []
    lost_db = 0.0
    if track.clipped:
        lost_db = _lost_by_clipping(recording, track.clipped)
        sentences.append(
            f"The playback is clipped, which takes {lost_db:.1f} dB off the gain; that was added again, as "
            "far as the dry channel's own peaks tell it."
        )
    if frequency[-1] < 10000:
        sentences.append(
            f"The material tells nothing above {frequency[-1]:.0f} Hz; use noise, clicks or a sweep for more."
        )
    return PassResponse(
        frequency=frequency,
        level_db=level - gain,
        uncertainty_db=spread,
        coherence=coherence,
        gain_db=Estimate(
            gain + lost_db,
            float(COVERAGE_FACTOR * np.sqrt(of_gain**2 + FLOOR_DB**2 + (UNLIKE * lost_db) ** 2)),
            "dB",
        ),
        sentences=tuple(sentences),
    )


def _in_the_middle(level, frequency, width):
    """Levels in the middle of bands: along a slope, the mean of powers is above the power there."""
    return level - np.log(10) / 20 * np.gradient(level, frequency) ** 2 * width


def _lost_by_clipping(recording, share):
    """How much of a sound's level, in dB, is lost where that share of its samples is clipped.

    What is left goes along with the sound as ``E[|x| min(|x|, c)] / E[x^2]``.
    """
    dry = recording.read("dry", 0, min(recording.count, int(LONGEST_READ * recording.sample_rate)))
    size = np.abs(dry - dry.mean())
    ceiling = np.quantile(size, 1 - share)
    return float(-20 * np.log10(size @ np.minimum(size, ceiling) / (size @ size)))


def _aligned_spectra(recording, track, size, every):
    """Frequency, |X|^2, |Y|^2, Y X* of groups of windows, each set back by its delay; and their number."""
    rate = recording.sample_rate
    length = 2 ** round(np.log2(size * rate / 48000))
    bell = np.hanning(length + 1)[:-1]
    omega = 2 * np.pi * fft.rfftfreq(length)
    delay = track.track[::every]
    begins = np.round((track.time[::every] - delay) * rate - (length - 1) / 2).astype(int)
    inside = (begins >= 0) & (begins + length + delay * rate + 1 < recording.count)
    begins, delay = begins[inside], delay[inside]
    slope = np.gradient(track.track, track.time)[::every][inside]
    lags = np.round(delay * rate).astype(int)
    sums = [np.zeros((GROUPS, len(omega)), dtype=kind) for kind in (float, float, complex)]
    which = group_matrix(np.arange(len(begins)) * every)
    for k in range(0, len(begins), BATCH):
        part = slice(k, k + BATCH)
        first, last = int(begins[part].min()), int(begins[part].max()) + length
        room = int(lags[part].max()) + 1
        playback = recording.read("playback", first, last - first + room)
        dry = recording.read("dry", first, last - first) + track.return_gain.value * playback[: last - first]
        x = cut_windows(dry, begins[part] - first, length)
        y = cut_windows(playback, begins[part] - first + lags[part], length)
        x = fft.rfft((x - x.mean(axis=1, keepdims=True)) * bell, axis=1)
        y = fft.rfft((y - y.mean(axis=1, keepdims=True)) * bell, axis=1)
        y *= phase_ramp(delay[part] * rate - lags[part], length)
        sums[0] += which[:, part] @ power_spectrum(x)
        sums[1] += which[:, part] @ power_spectrum(y)
        sums[2] += which[:, part] @ (y * np.conj(x))
    # Where the delay changes within a window, its ends are out of step with its middle.
    when = (np.arange(length) - length / 2) / rate
    reach = np.sqrt(np.mean(slope**2) * (bell**2 @ when**2) / (bell @ bell))
    step = omega * rate * reach
    sums[2] *= np.exp(np.minimum(step**2 / 2, OUT_OF_STEP))
    # Windows that overlap in time do not count in full.
    hop = np.median(np.diff(begins)) if len(begins) > 1 else length
    count = len(begins) * min(1.0, 1.5 * hop / length)
    return fft.rfftfreq(length, 1 / rate), *sums, count


def _where_it_lies(frequency, finest):
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


def _in_bands(frequency, lies, dry, played, cross, count, centers):
    """For bands with a bin: frequency, level, coherence, two uncertainties in dB, variance of its bins."""
    half = 2 ** (0.5 / PER_OCTAVE)
    # Where the dry channel's spectrum ends, a bin holds what leaks in from its neighbor.
    around = np.pad(dry.sum(axis=0), 1, mode="edge")
    leaked = around[1:-1] < LEAK * np.maximum(around[:-2], around[2:])
    out, before = [], -1
    for center in centers:
        bins = np.flatnonzero((frequency >= center / half) & (frequency < center * half))
        if len(bins) == 0:
            bins = np.array([int(np.argmin(np.abs(frequency - center)))])
        bins = bins[bins > before]  # in the bass two bands may share a bin
        if len(bins) == 0 or frequency[bins[0]] < LOWEST:
            continue
        before = int(bins[-1])
        # Each bin by its own, then averaged: a slope within the band does not spoil the coherence.
        x, y = dry[:, bins].sum(axis=0), played[:, bins].sum(axis=0)
        xy = np.abs(cross[:, bins].sum(axis=0))
        weight = np.where((x > 0.2 * x.max()) & ~leaked[bins], x, 0.0)
        # Where the material ends within a band, its last bins are half leak.
        if np.count_nonzero(weight) < len(bins) / 2:
            continue
        weight = weight / weight.sum()
        coherence = float(np.clip(weight @ (xy**2 / (x * y + 1e-300)), 0, 1 - 1e-6))
        # Noise that happens to go along adds to the square: (1 - c) / (c n) of it, n windows of coherence c.
        alone = 1 - (1 - coherence) / (max(coherence, 1e-6) * count)
        power = float(weight @ (xy / (x + 1e-300)) ** 2) * max(alone, 0.0)
        independent = max(count * max(len(bins) / 1.5, 1.0), 1.0)
        if coherence < 3 / max(count, 1) or power <= 0:
            continue
        sigma = 10 / np.log(10) * np.sqrt((1 - coherence) / (coherence * independent) * 2)
        at = float(weight @ lies[bins])
        width = float(weight @ (lies[bins] - at) ** 2)
        scatter = _scattered(dry[:, bins], cross[:, bins], weight)
        out.append((at, float(10 * np.log10(power)), coherence, float(sigma), scatter, width))
    return out


def _scattered(dry, cross, weight):
    """Standard uncertainty of a band's level in dB by what groups of windows differ by.

    A band with little sound of its own, between two partials, reads what their ends leave there,
    which depends on the note and not on the noise.
    """
    dry, cross = (part.sum(axis=0) - part for part in (dry, cross))
    return jackknife(10 * np.log10((np.abs(cross) / (dry + 1e-300)) ** 2 @ weight + 1e-300))


@dataclass(frozen=True)
class WhatIf:
    """One explanation of a measured response.

    Parameters
    ----------
    name : str
        ``"as aligned"``, ``"separation"``, ``"gap"`` or ``"azimuth"``.
    value : Estimate or None
        What the part would have to be today: m, m or rad; None for a machine as aligned.
    low_cut : float
        Hz.
    misfit_db : float
        Rms of what it leaves unexplained, dB.
    chi2 : float
        Sum of squares over uncertainties.
    level_db : numpy.ndarray
        The response of the explanation at the frequencies measured.

    Notes
    -----
    Made by `fit_what_ifs`. Source: Wallace 1951 and the other sources of `tapecalc.response`.
    Notebook: 08_measuring.

    Examples
    --------
    >>> WhatIf("as aligned", None, 30.0, 0.1, 12.0, np.zeros(3)).in_words()
    'The machine as it was aligned leaves 0.1 dB unexplained.'
    """

    name: str
    value: Estimate | None
    low_cut: float
    misfit_db: float
    chi2: float
    level_db: np.ndarray

    def value_text(self) -> str:
        """Write the value in the trade's unit; nothing for a machine as aligned."""
        if self.value is None:
            return ""
        unit = "arcmin" if self.name == "azimuth" else "um"
        return self.value.text(unit, unit)

    def in_words(self) -> str:
        """Say the explanation in a sentence."""
        left = f"leaves {self.misfit_db:.1f} dB unexplained."
        if self.name == "as aligned":
            return f"The machine as it was aligned {left}"
        if self.name == "separation":
            return f"A head-to-tape separation of {self.value_text()} today {left}"
        if self.name == "gap":
            return f"A playback gap of {self.value_text()} {left}"
        return f"An azimuth error of {self.value_text()} (of either sign) {left}"

    def to_dict(self):
        """Return the explanation as a plain dict for a JSON file.

        Returns
        -------
        dict
            Value, misfit and sentence.
        """
        return {
            "name": self.name,
            "value": None if self.value is None else self.value.to_dict(),
            "low_cut": float(self.low_cut),
            "misfit_db": float(self.misfit_db),
            "chi2": float(self.chi2),
            "in_words": self.in_words(),
        }


#: What each explanation changes on the aligned contact, the range looked through, and the unit.
_EXPLANATIONS = {
    "separation": ("separation", np.linspace(0, 15e-6, 61), "m"),
    "gap": ("gap", np.linspace(0.5e-6, 25e-6, 241), "m"),
    "azimuth": ("azimuth_angle", np.linspace(0, 0.02, 241), "rad"),
}


def fit_what_ifs(response, speed, *, aligned, boost_db=12.0):
    """Fit one explanation at a time to a measured response.

    Parameters
    ----------
    response : PassResponse
        From `measure_response`.
    speed : float
        Tape speed, m/s.
    aligned : tapecalc.response.HeadContact
        How the playback head met the tape when the equalizers were set.
    boost_db : float, optional
        The most treble boost that the equalizers can give, dB.

    Returns
    -------
    tuple of WhatIf
        The best first.

    Raises
    ------
    CannotTell
        If fewer than eight bands were measured.
    ValueError
        If an option is out of range.

    Notes
    -----
    Source: the losses of `tapecalc.response`. Notebook: 08_measuring.

    Examples
    --------
    >>> head = HeadContact(gap=4e-6, separation=0.5e-6, coating_thickness=11e-6, track_width=2e-3,
    ...                    azimuth_angle=0)
    >>> f = np.geomspace(50, 15000, 80)
    >>> dull = contact_loss_db(f, 0.1905, replace(head, separation=3e-6)) - contact_loss_db(f, 0.1905, head)
    >>> fine = PassResponse(f, dull, np.full(80, 0.05), np.ones(80), Estimate(0.0, 0.1, "dB"))
    >>> fit_what_ifs(fine, 0.1905, aligned=head, boost_db=60)[0].name
    'separation'
    """
    speed = float(positive("speed", speed, "m/s"))
    boost_db = float(non_negative("boost_db", boost_db, "dB"))
    if not isinstance(aligned, HeadContact):
        raise ValueError(f"aligned must be a HeadContact, got {aligned!r}")
    if len(response.frequency) < 8:
        raise CannotTell("fewer than eight bands of the response were measured")
    frequency = response.frequency
    # What is measured is the mean power of a band, which tells from its middle around a null.
    across = frequency[:, None] * 2 ** (np.linspace(-0.4, 0.4, WITHIN) / PER_OCTAVE)
    width = np.var(across, axis=1)
    equalizer = np.minimum(-contact_loss_db(across, speed, aligned), boost_db)
    # Near a null, what a band reads depends on where in it the sound lies.
    steep = STEEP * np.gradient(response.level_db)
    sigma = np.sqrt((response.uncertainty_db / COVERAGE_FACTOR) ** 2 + MODEL_DB**2 + steep**2)

    def level(gain, low_cut, contact):
        cut = -10 * np.log10(1 + (low_cut / frequency) ** 2)
        power = 10 ** ((contact_loss_db(across, speed, contact) + equalizer) / 10)
        return gain + cut + _in_the_middle(10 * np.log10(power.mean(axis=1)), frequency, width)

    def explanation(name):
        if name == "as aligned":
            return _fitted(name, lambda p: level(p[0], p[1], aligned), [0.0, 20.0], None, response, sigma)
        key, grid, unit = _EXPLANATIONS[name]
        misfit = np.array(
            [
                sum(((level(0, 20, replace(aligned, **{key: v})) - response.level_db) / sigma) ** 2)
                for v in grid
            ]
        )
        # A null that moves past a band is a wall for the fit: begin in several valleys.
        around = np.pad(misfit, 1, constant_values=np.inf)
        valleys = np.flatnonzero((misfit <= around[:-2]) & (misfit < around[2:]))
        starts = grid[valleys[np.argsort(misfit[valleys])][:VALLEYS]]
        scale = grid[-1]

        def model(p):
            return level(p[0], p[1], replace(aligned, **{key: abs(p[2]) * scale}))

        fits = [
            _fitted(name, model, [0.0, 20.0, start / scale + 1e-3], (scale, unit), response, sigma)
            for start in starts
        ]
        return min(fits, key=lambda fit: fit.chi2)

    found = [explanation(name) for name in ("as aligned", *_EXPLANATIONS)]
    return tuple(sorted(found, key=lambda w: w.chi2))


def _fitted(name, model, start, scale, response, sigma):
    """Least squares for one explanation."""
    answer = optimize.least_squares(
        lambda p: (model(p) - response.level_db) / sigma,
        start,
        bounds=([-40, 0, 0][: len(start)], [40, 400, 2][: len(start)]),
        x_scale=[1, 10, 0.1][: len(start)],
    )
    level = model(answer.x)
    rest = level - response.level_db
    value = None
    if scale is not None:
        normal = answer.jac.T @ answer.jac
        covariance = np.linalg.pinv(normal)
        stretch = max(1.0, 2 * answer.cost / max(len(rest) - len(start), 1))
        spread = COVERAGE_FACTOR * np.sqrt(covariance[2, 2] * stretch)
        # Near zero the loss goes with the square and has no slope: ask where it would show.
        limit = 2 * answer.cost + COVERAGE_FACTOR**2 * stretch
        upper = _where_it_shows(model, answer.x, limit, response, sigma)
        if upper is not None:
            spread = max(min(spread, upper - answer.x[2]), answer.x[2])
        spread = np.hypot(spread, FLOOR * answer.x[2])
        value = Estimate(float(answer.x[2] * scale[0]), float(spread * scale[0]), scale[1])
    misfit = float(np.sqrt(np.mean(rest**2)))
    return WhatIf(name, value, float(answer.x[1]), misfit, float(2 * answer.cost), level)


def _where_it_shows(model, best, limit, response, sigma):
    """The smallest value above the best one at which the misfit reaches `limit`; None if 0 does as well."""

    def over(value):
        rest = (model(np.array([*best[:2], value])) - response.level_db) / sigma
        return float(rest @ rest) - limit

    if over(0.0) > 0:
        return None
    top = best[2] + 2.0
    return optimize.brentq(over, best[2], top) if over(top) > 0 else top


def what_ifs_in_words(what_ifs):
    """Say which explanation fits, and which cannot be told apart.

    Parameters
    ----------
    what_ifs : sequence of WhatIf
        From `fit_what_ifs`, the best first.

    Returns
    -------
    tuple of str
        Plain sentences.

    Notes
    -----
    Gap and azimuth loss are the same function, ``sin(x)/x`` with ``x`` in proportion to
    frequency, so that no response alone can separate them. Source: `tapecalc.response`.
    Notebook: 08_measuring.

    Examples
    --------
    >>> what_ifs_in_words([WhatIf("as aligned", None, 30.0, 0.1, 12.0, np.zeros(3))])
    ('The machine as it was aligned leaves 0.1 dB unexplained.',)
    """
    best = what_ifs[0]
    close = [w for w in what_ifs if w.chi2 - best.chi2 < APART]
    plain = [w for w in what_ifs if w.name == "as aligned" and (w in close or w.misfit_db < MODEL_DB)]
    if plain:
        return (plain[0].in_words(),)
    said = [best.in_words()]
    if len(close) > 1:
        names = " and ".join(sorted(w.name for w in close))
        said.append(f"From this response alone {names} cannot be told apart.")
        said += [w.in_words() for w in close[1:]]
    if {"gap", "azimuth"} <= {w.name for w in close}:
        said.append(
            "Gap and azimuth loss have one and the same shape; turn the azimuth screw while a high tone "
            "plays: if the "
            "level rises, it was azimuth."
        )
    if best.misfit_db > 1.5:
        said.append(
            "None of these explains the response; the equalizer may be off, or several things at once."
        )
    return tuple(said)
