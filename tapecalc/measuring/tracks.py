"""Two tracks of one tape against each other: time, level, and the tilt of the gap that the time tells."""

from dataclasses import dataclass

import numpy as np
from scipy import fft

from tapecalc.calc.quantity import Spacing, Speed, calculator
from tapecalc.measuring.delay import shared_delay
from tapecalc.measuring.delay_windows import Grid, Spectra
from tapecalc.measuring.dsp import GROUPS, cut_windows, phase_ramp, power_spectrum
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, Estimate, Reading, mean_of
from tapecalc.measuring.lag import HIGHPASS
from tapecalc.measuring.recording import Recording


@dataclass(frozen=True)
class TracksReading(Reading):
    """How the second track comes back against the first, on average."""

    time: Estimate  # s by which it comes later
    level_db: Estimate  # by which it is louder
    polarity: int  # -1 if one of them is turned over
    azimuth: Estimate | None  # rad between the gap and the gap that recorded; None without the geometry
    sentences: tuple[str, ...]


@calculator
def measure_tracks(
    recording: Recording, *, speed: Speed[float] | None = None, track_distance: Spacing[float] | None = None
) -> TracksReading:
    """Measure the second channel of a recording against the first, both playbacks of one sound on two tracks.

    The sound is broadband and was recorded on both at once. The gap's tilt against the gap that recorded is
    ``arctan(v t / d)``, with tape speed `v` and distance `d` of the middles of the tracks, if both are given.
    """
    if recording.dry is None:
        raise CannotTell("two tracks need a recording of two channels")
    grid = Grid(recording.sample_rate)
    groups = _spectra(recording, grid)
    total = groups.total()
    if np.median(total.coherence()[(grid.frequency > HIGHPASS) & (grid.frequency < 10000)]) < 0.3:
        raise CannotTell("the two tracks do not carry one sound; record the same on both at once")
    likeness = fft.irfft(total.cross)
    lag = int(np.argmax(np.abs(likeness)))
    polarity = 1 if likeness[lag] > 0 else -1
    lag -= grid.length if lag > grid.length / 2 else 0  # samples, about
    near, u_time = shared_delay(groups._replace(cross=groups.cross * phase_ramp([lag], grid.length)), grid)
    time = Estimate(near + lag / grid.rate, COVERAGE_FACTOR * u_time, "s")
    # What groups of windows differ by is what another stretch of tape will.
    level_db = mean_of(10 * np.log10(groups.played.sum(axis=1) / groups.dry.sum(axis=1)), "dB")
    sentences = []
    if polarity < 0:
        sentences.append("One of the tracks is turned over in polarity: added up, they cancel the bass.")
    azimuth = None
    if speed is not None and track_distance is not None:
        factor = speed / track_distance
        azimuth = Estimate(float(np.arctan(factor * time.value)), factor * time.plus_minus, "rad")
        sentences.append(
            f"Between the gap that plays and the one that recorded there is a tilt of "
            f"{azimuth.text('arcmin')}. Only a test tape tells which of the two is off."
        )
    return TracksReading(time, level_db, polarity, azimuth, tuple(sentences))


def _spectra(recording: Recording, grid: Grid) -> Spectra:
    """Spectra of both tracks, the first called dry, in eight stretches of up to a minute in all."""
    count = min(recording.count, 60 * grid.rate) // GROUPS
    starts = np.arange(0, count - grid.length + 1, grid.length // 2)
    sums = []
    for k in range(GROUPS):
        x, y = (
            fft.rfft(grid.taper * cut_windows(recording.read(name, k * count, count), starts, grid.length))
            for name in ("dry", "playback")
        )
        sums.append((power_spectrum(x).sum(0), power_spectrum(y).sum(0), (y * np.conj(x)).sum(0), len(x)))
        if len(x) < 8 or not sums[-1][0].any() or not sums[-1][1].any():
            raise CannotTell("the tracks hold too little sound; play some seconds of noise or music")
    return Spectra(*map(np.array, zip(*sums, strict=True)))
