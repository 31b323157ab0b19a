"""Roughly where the echo is, and what the machine does to the sound on its way.

Both are found in the loudest seconds: one correlation gives the delay roughly, the polarity and whether the
channels are swapped; the windows there tell tone, return gain and low cut of the path.

What remains of the path's phase over all windows, ``-2 pi f e + arctan(fc / f) + lead(f)``, is fitted at the
end: the first term belongs to the delay, the second to coupling capacitors that advance the bass, the third
to equalizers, which are known or left out.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import fft, linalg, signal

from tapecalc import words
from tapecalc.measuring.delay_windows import (
    HIGHPASS,
    LEAST_RETURN,
    NO_RETURN,
    Grid,
    MachinePath,
    Spectra,
    Windows,
    fit_windows,
    low_cut_filter,
    match_of_windows,
    missing_low_cut,
    read_highpassed,
)
from tapecalc.measuring.dsp import (
    GROUPS,
    cut_windows,
    group_matrix,
    phase_ramp,
    power_spectrum,
    total_and_without,
)
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, Estimate, jackknife
from tapecalc.measuring.recording import Recording

Array = NDArray[np.float64]

FEWEST = 10  # windows, or frequencies, without which nothing is said
LOUDEST = 8.0  # s of the loudest sound, in which lag and path are found

# ---- where the echo is ----


class RoughLag(NamedTuple):
    """About where the echo is."""

    samples: int
    polarity: int
    swapped: bool  # whether the echo is on the channel called dry


def find_lag(recording: Recording, grid: Grid, longest: float, loudest: float) -> RoughLag:
    """Find the lag, up to `longest` s, at which short windows find their echoes best, and the polarity.

    The loudest sound begins at `loudest` s.
    """
    lags, polarity, either = _rough_lags(recording, longest, loudest)
    swapped = lags[0] < 0
    if swapped:
        recording, lags = recording.swapped(), [-lag for lag in lags]
    first = int(loudest * grid.sample_rate)
    last = min(first + 4 * grid.sample_rate, recording.count)

    @cache
    def score(lag: int, polarity: int) -> float:
        return match_of_windows(recording, grid, lag, MachinePath(polarity), first, last)

    lag = lags[0] if len(lags) == 1 else max(lags, key=lambda lag: score(lag, polarity))
    if either:
        polarity = max((polarity, -polarity), key=lambda polarity: score(lag, polarity))
    return RoughLag(lag, polarity, swapped)


MOST_LAGS, LEAST_PEAK = 6, 0.2  # lags that are tried, and their peaks over the highest
INVERTED_PEAK = 0.7  # a peak of the other polarity so high over the highest leaves the polarity open
PEAK_SECONDS = 1e-3  # half width of a peak


def _rough_lags(recording: Recording, longest: float, loudest: float) -> tuple[list[int], int, bool]:
    """Lags in samples, likeliest first, negative if channels are swapped; polarity; whether that is open."""
    rate = recording.sample_rate
    count = min(int(LOUDEST * rate), recording.count)
    first = min(int(loudest * rate), recording.count - count)
    reach = int(min(longest, recording.duration) * rate)
    dry = read_highpassed(recording, "dry", first, count)
    played = read_highpassed(recording, "playback", first - reach, count + 2 * reach)
    size = fft.next_fast_len(count + len(played), real=True)
    product = fft.irfft(np.conj(fft.rfft(dry, size)) * fft.rfft(played, size), size)[: 2 * reach + 1]
    energy = np.concatenate([[0], np.cumsum(played**2)])
    local = (energy[count:] - energy[:-count])[: len(product)]
    match = product / np.sqrt(np.maximum(local, 1e-3 * local.max()) * (dry @ dry) + 1e-300)
    best = int(np.argmax(np.abs(match)))
    polarity = int(np.sign(match[best]))
    match, height = match * polarity, abs(match[best])
    lobe = int(PEAK_SECONDS * rate)
    _refuse_repetition(match, best, lobe, dry, rate)
    # Beyond a null of a head the treble comes back inverted, and may be most of a sound.
    either = bool(np.max(-match) > INVERTED_PEAK * height)
    # Wow smears the peak of periodic material: a few others stay in the race.
    lags = [best - reach]
    while len(lags) < MOST_LAGS and match.max() > LEAST_PEAK * height:
        place = int(np.argmax(match))
        if all(abs(place - reach - lag) > 5 * lobe for lag in lags) and (place - reach) * lags[0] > 0:
            lags.append(place - reach)
        match[max(place - 5 * lobe, 0) : place + 5 * lobe] = 0
    return lags, polarity, either


AS_HIGH = 0.985  # a second peak so high over the highest leaves the delay open
SELF_LIKENESS = 0.8  # correlation of the dry sound with itself at their distance, if it repeats itself


def _refuse_repetition(match: Array, best: int, lobe: int, dry: Array, rate: int) -> None:
    """Refuse material that repeats itself, so that outside the highest peak another one is as high.

    A slow wobble over a long way makes two peaks of one as well; there the dry sound is not like itself.
    """
    rest = np.concatenate([match[: max(best - lobe, 0)], match[best + lobe + 1 :]])
    if rest.max(initial=0.0) <= AS_HIGH * match[best]:
        return
    apart = np.abs(np.flatnonzero(match > AS_HIGH * match[best]) - best)
    apart = apart[apart > lobe]
    size = fft.next_fast_len(len(dry) + len(match), real=True)
    own = fft.irfft(power_spectrum(fft.rfft(dry, size)), size)
    apart = apart[own[apart] > SELF_LIKENESS * own[0] * (1 - apart / len(dry))]
    if len(apart):
        raise CannotTell(
            "the material repeats itself and a delay that differs by "
            f"{words.amount(apart.min() / rate, 'ms', '.1f')} fits as well; record music, speech, clicks or "
            "noise instead of a steady tone"
        )


# ---- what the path does to the sound ----

TURNS = 3  # times the path is measured; each time the windows are aligned better
POOR_MATCH = 0.6  # of windows from which the treble is left out at first, since it may be inverted
BELOW_NULLS = 3000.0  # Hz, below which nothing is inverted by the null of a gap


def learn_path(recording: Recording, grid: Grid, lag: int, polarity: int, loudest: float) -> MachinePath:
    """Learn what the path does to the sound from the loudest seconds; only its polarity if too few tell."""
    rate = grid.sample_rate

    def fitted(path: MachinePath) -> Windows | None:
        return _loudest_windows(recording, grid, lag, path, loudest)

    lead = filter_taps(np.exp(1j * grid.lead), grid) if grid.lead.any() else None
    unknown = MachinePath(polarity, taps=lead)
    windows = fitted(unknown)
    if windows is None:
        return unknown
    path = replace(unknown, return_gain=_return_gain(recording, grid, windows))
    if np.median(windows.match) < POOR_MATCH:
        taps = signal.firwin(grid.padded + 1, BELOW_NULLS, fs=rate)
        path = replace(path, taps=taps, treble_inverted=True)
    # These windows could not know of a return gain or of inverted treble: then they are found again.
    again = path.treble_inverted or path.return_gain.value != 0
    for turn in range(TURNS):
        if turn > 0 or again:
            windows = fitted(path)
            if windows is None:
                return unknown
            path = replace(path, return_gain=_return_gain(recording, grid, windows))
        path = _path_from(windows, path, grid)
    return path


def filter_taps(gain: NDArray[np.complex128], grid: Grid) -> Array:
    """Taps of a filter with a gain at the frequencies of a padded window, half of them late."""
    taps = np.roll(fft.irfft(gain, grid.padded), grid.padded // 2)
    return np.append(taps, 0.0) * np.hanning(grid.padded + 3)[1:-1]


def lead_is_there(recording: Recording, grid: Grid, lag: int, polarity: int, loudest: float) -> bool:
    """Whether the phase of the loudest seconds has the lead of a grid rather than none."""
    windows = _loudest_windows(recording, grid, lag, MachinePath(polarity), loudest)
    if windows is None:
        return True
    total, none = windows.spectra.total(), Grid(grid.sample_rate, grid.length, grid.hop)
    return fit_phase(total, grid).misfit < fit_phase(total, none).misfit


def _loudest_windows(
    recording: Recording, grid: Grid, lag: int, path: MachinePath, loudest: float
) -> Windows | None:
    """Windows of the loudest seconds, fitted with what is known of the path; None if too few tell."""
    first = int(loudest * grid.sample_rate)
    last = min(first + int(LOUDEST * grid.sample_rate), recording.count)
    found = fit_windows(recording, grid, lag, path, first=first, last=last, learning=True)
    total = found.spectra.total()
    enough = total.number >= FEWEST and np.count_nonzero(_coherence(total, grid)[1]) >= FEWEST
    return found if enough else None


CHANCE = 7.0  # over the number of windows: coherence that chance alone rarely reaches
OVERLAP = 2.0  # neighboring frequencies overlap through the taper, so that about half of them are independent
BASS = 300.0  # Hz, below which a path is known by its low cut alone
MOST_CUT = 300.0  # Hz, of a path's low cut
INVERTED_SHARE = 0.05  # of the playback's power, with its polarity inverted, that misleads a correlation


def _path_from(windows: Windows, path: MachinePath, grid: Grid) -> MachinePath:
    """What windows, fitted while `path` was known, tell of the path."""
    spectra = windows.spectra.total()
    dry, played, cross, count = spectra
    chance = CHANCE / count
    trusted = np.clip((np.abs(cross) ** 2 / (dry * played + 1e-300) - chance) / (1 - chance), 0, 1)
    missing, u_missing = missing_low_cut(windows.cut_sums)
    low_cut = float(np.clip(path.low_cut + missing, 0.0, MOST_CUT))
    of_cut = np.abs(
        signal.freqz(*low_cut_filter(low_cut, grid.sample_rate), grid.frequency, fs=grid.sample_rate)[1]
    )
    gain = trusted * cross / (dry + 1e-300)
    # In the bass a frequency holds more of its neighbors than of its own: there the cut is all there is.
    known = grid.frequency > BASS
    gain[known] /= of_cut[known]
    # Lead and delay are not the taps': with some of them there, no turn could tell what is missing.
    fit = fit_phase(spectra, grid)
    gain *= np.exp(1j * (2 * np.pi * fit.delay * grid.frequency - np.arctan2(fit.low_cut, grid.frequency)))
    gain[~known] = np.mean(np.abs(gain[known & (grid.frequency < HIGHPASS)]))
    power = power_spectrum(gain) * dry
    inverted = power[known & (gain.real < 0)].sum() > INVERTED_SHARE * power[known].sum()
    return replace(
        path,
        low_cut=low_cut,
        taps=filter_taps(gain, grid),
        treble_inverted=bool(inverted),
        unknown_cut=float(np.hypot(missing, u_missing)),
        phase_variance=OVERLAP * (1 - trusted) / (2 * np.maximum(trusted, chance) * count),
    )


def _return_gain(recording: Recording, grid: Grid, windows: Windows) -> Estimate:
    """Gain with which the playback is fed back, 0 unless it is clearly there.

    The playback at ``t`` is regressed on the dry channel and on itself, both at ``t - T``.
    """
    rate = grid.sample_rate
    begins = np.round(windows.center * rate - (grid.length - 1) / 2).astype(int)
    lags = np.round(windows.delay * rate).astype(int)
    if lags.min() <= 0:
        return NO_RETURN  # what comes before its cause is no feedback
    first, span = int(begins[0]), int(begins[-1] - begins[0]) + grid.length
    dry = read_highpassed(recording, "dry", first, span)
    played = read_highpassed(recording, "playback", first, span + int(lags.max()) + 1)
    x, p, y = (
        fft.rfft(cut_windows(samples, begins - first + shift, grid.length) * grid.taper, axis=1)
        for samples, shift in ((dry, 0), (played, 0), (played, lags))
    )
    y *= phase_ramp(windows.delay * rate - lags, grid.length)
    group = group_matrix((begins - first) // grid.hop)
    products = power_spectrum(x), power_spectrum(p), x * np.conj(p), y * np.conj(x), y * np.conj(p)
    sums = [group @ product for product in products]
    total, without = total_and_without(sums, np.flatnonzero(group.sum(axis=1)))
    gain, gains = _feedback_gain(*total), [_feedback_gain(*rest) for rest in without]
    spread = COVERAGE_FACTOR * jackknife(gains) if len(gains) > 1 else abs(gain)
    return Estimate(gain, spread) if abs(gain) > max(LEAST_RETURN, spread) else NO_RETURN


def _feedback_gain(xx: Array, pp: Array, xp: NDArray[Any], xy: NDArray[Any], py: NDArray[Any]) -> float:
    """Gain over that of the dry channel with which the playback comes back, from summed spectra."""
    determinant = xx * pp - np.abs(xp) ** 2
    use = determinant > 0.05 * xx * pp
    direct = (pp * xy - xp.conj() * py)[use] / determinant[use]
    fed_back = (xx * py - xp * xy)[use] / determinant[use]
    weight = xx[use]
    power = np.sum(weight * np.abs(direct) ** 2)
    return float(np.sum(weight * (fed_back * np.conj(direct)).real) / power) if power > 0 else 0.0


# ---- the phase that remains over all windows ----


class Phase(NamedTuple):
    """What the phase of summed spectra tells, with standard uncertainties: s and Hz."""

    delay: float  # left over
    low_cut: float
    u_delay: float  # by noise
    u_low_cut: float
    lead_delay: float  # by what is not known beforehand, above all of the equalizers' lead
    lead_low_cut: float
    misfit: float  # -2 ln of the likelihood


def remaining_phase(groups: Spectra, grid: Grid) -> Phase:
    """As `fit_phase`, with what parts of the recording differ by in the uncertainties (jackknife)."""
    total, without = total_and_without(groups, np.flatnonzero(groups.number))
    fit = fit_phase(Spectra(*total), grid)
    if len(without) < GROUPS:
        return fit
    delays, cuts = zip(*(fit_phase(Spectra(*rest), grid)[:2] for rest in without), strict=True)
    return fit._replace(
        u_delay=max(fit.u_delay, jackknife(delays)), u_low_cut=max(fit.u_low_cut, jackknife(cuts))
    )


#: Standard uncertainty of what is known of the equalizers' lead, as a share of it, and within how many nepers
#: of frequency it errs alike. Judgement: boosts of 18 to 30 dB, heads and coatings as they are sold.
LEAD_SHARE, LEAD_ALIKE = 0.15, 0.5
#: Hz, standard uncertainty of a low cut before anything is measured: machines have some tens.
LIKELY_CUT = 100.0
#: Samples by which all windows may be off, where treble is inverted.
WHOLLY_OFF = np.arange(-8, 8.1, 0.25)


def fit_phase(total: Spectra, grid: Grid) -> Phase:
    """Delay left over in summed spectra, and the low cut: generalized least squares."""
    coherence, use = _coherence(total, grid)
    if np.count_nonzero(use) < FEWEST:
        raise CannotTell("dry channel and playback have too few frequencies in common")
    variance = (1 - coherence[use]) / (2 * coherence[use] * total.number)
    # Beyond a null of a head the sound comes back inverted, which is no delay: half turns do not count.
    frequency, known = grid.frequency[use], grid.lead[use]
    squared = (total.cross[use] * np.exp(-1j * known)) ** 2
    squared /= np.abs(squared) + 1e-300
    ramps = _ramps_of_squares(grid.padded)[:, use]
    best = np.argmax(np.abs(ramps @ (squared / variance)))
    phase = np.angle(squared * ramps[best]) / 2
    doubt, root = np.zeros((len(known), len(known))), (np.diag(np.sqrt(OVERLAP * variance)), False)
    if known.any():
        apart = np.log(frequency[:, np.newaxis] / frequency) / LEAD_ALIKE
        doubt = LEAD_SHARE**2 * np.outer(known, known) * np.exp(-(apart**2) / 2)
        root = linalg.cho_factor(np.diag(OVERLAP * variance) + doubt)
    before = np.diag([0.0, 1 / LIKELY_CUT**2])
    low_cut = 0.0
    for _ in range(4):
        lead = np.arctan2(low_cut, frequency)
        design = np.stack([-2 * np.pi * frequency, frequency / (frequency**2 + low_cut**2)], axis=1)
        weighted = linalg.cho_solve(root, design)
        covariance = np.linalg.inv(design.T @ weighted + before)
        tells = covariance @ weighted.T
        solution = tells @ (phase - lead) - covariance @ before @ [0.0, low_cut]
        low_cut += float(solution[1])
    rest = phase - lead - design @ solution
    square = float(rest @ linalg.cho_solve(root, rest))
    stretch = max(1.0, square / max(len(rest) - 2, 1))
    of_noise = np.sqrt(stretch * OVERLAP * (tells**2 @ variance))
    of_all = LEAD_SHARE * np.linalg.lstsq(design, known)[0][0]
    of_lead = np.sqrt(np.sum(tells @ doubt * tells, axis=1) + covariance[1] ** 2 / LIKELY_CUT**2)
    return Phase(
        delay=float(solution[0] + WHOLLY_OFF[best] / grid.sample_rate),
        low_cut=low_cut,
        u_delay=float(of_noise[0]),
        u_low_cut=float(of_noise[1]),
        lead_delay=float(np.hypot(of_lead[0], of_all)),
        lead_low_cut=float(of_lead[1]),
        misfit=square + 2 * float(np.sum(np.log(np.diag(root[0])))),
    )


@cache
def _ramps_of_squares(length: int) -> NDArray[np.complex128]:
    """Phase ramps of `WHOLLY_OFF` for squared spectra."""
    return phase_ramp(2 * WHOLLY_OFF, length)


def _coherence(total: Spectra, grid: Grid) -> tuple[Array, NDArray[np.bool_]]:
    """Coherence at each frequency, and whether its phase tells anything."""
    coherence = np.clip(np.abs(total.cross) ** 2 / (total.dry * total.played + 1e-300), 0, 1 - 1e-6)
    use = (grid.frequency >= HIGHPASS) & (coherence > 0.1) & (total.dry > 1e-7 * total.dry.max())
    return coherence, use
