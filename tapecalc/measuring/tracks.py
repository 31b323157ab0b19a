"""Two tracks of one tape against each other: time, level, and the tilt of the gap that the time tells."""

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from tapecalc.calc.quantity import Spacing, Speed, calculator
from tapecalc.measuring.delay_windows import Spectra
from tapecalc.measuring.dsp import cut_windows, power_spectrum
from tapecalc.measuring.estimate import CannotTell, Estimate, mean_of
from tapecalc.measuring.recording import Recording

Array = NDArray[np.float64]


@dataclass(frozen=True)
class TracksReading:
    """How the second track comes back against the first, on average."""

    time: Estimate  # s by which it comes later
    level_db: Estimate  # by which it is louder
    polarity: int  # -1 if one of them is turned over
    azimuth: Estimate | None  # rad between the gap and the gap that recorded; None without the geometry
    sentences: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the figures as a plain dict for a JSON file."""
        return asdict(self)


@calculator
def measure_tracks(
    recording: Recording, *, speed: Speed[float] | None = None, track_distance: Spacing[float] | None = None
) -> TracksReading:
    """Measure the second channel of a recording against the first, both playbacks of one sound on two tracks.

    The sound is broadband and was recorded on both at once. The gap's tilt against the gap that recorded is
    ``arctan(v t / d)``, with tape speed `v` and distance `d` of the middles of the tracks, if both are given.

    >>> from tapecalc.measuring import open_recording
    >>> noise = np.random.default_rng(1).standard_normal(96000)
    >>> both = open_recording(np.stack([noise, 0.5 * np.roll(noise, 2)], axis=1), sample_rate=48000)
    >>> reading = measure_tracks(both, speed=0.1905, track_distance=4e-3)
    >>> round(1e6 * reading.time.value, 2), round(reading.level_db.value, 2)
    (41.67, -6.02)
    """
    if recording.dry is None:
        raise CannotTell("two tracks need a recording of two channels")
    spectra, rate = _spectra(recording), recording.sample_rate
    frequency = fft.rfftfreq(WINDOW, 1 / rate)
    used = (frequency > 100) & (frequency < min(10000, 0.4 * rate))
    rough = _rough(spectra.total().cross * used, rate)
    spectra, frequency = spectra.at(used), frequency[used]
    coherence = spectra.total().coherence()
    if np.median(coherence) < 0.3:
        raise CannotTell(
            "the two tracks do not carry one sound: record the same on both at once, then play both"
        )
    polarity = 1 if rough[1] > 0 else -1
    turn = polarity * np.exp(2j * np.pi * frequency * rough[0])
    weight = frequency * coherence / (1 - np.minimum(coherence, 0.999))
    # Each group of windows by its own: what they differ by is what another stretch of tape will.
    powers = np.array([spectra.dry.sum(axis=1), spectra.played.sum(axis=1)])
    sounds = np.all(powers > 0, axis=0)
    if np.count_nonzero(sounds) < 2:
        raise CannotTell("the tracks hold too little sound; play some seconds of noise or music")
    slope = weight @ (2 * np.pi * frequency)
    times = rough[0] - np.angle(spectra.cross[sounds] * turn) @ weight / slope
    levels_db = 10 * np.log10(powers[1, sounds] / powers[0, sounds])
    time, level_db = mean_of(times, "s"), mean_of(levels_db, "dB")
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


WINDOW = 4096  # samples


def _spectra(recording: Recording) -> Spectra:
    """Spectra of both tracks, the first called dry, in eight stretches of up to a minute in all."""
    count = min(recording.count, 60 * recording.sample_rate) // 8
    if count < 2 * WINDOW:
        raise CannotTell("two tracks need some seconds of sound")
    bell = np.hanning(WINDOW + 1)[:-1]
    starts = np.arange(0, count - WINDOW + 1, WINDOW // 2)
    sums = []
    for k in range(8):
        x, y = (
            fft.rfft(bell * cut_windows(recording.read(name, k * count, count), starts, WINDOW))
            for name in ("dry", "playback")
        )
        sums.append((power_spectrum(x).sum(0), power_spectrum(y).sum(0), (y * np.conj(x)).sum(0), len(x)))
    return Spectra(*map(np.array, zip(*sums, strict=True)))


def _rough(cross: NDArray[np.complex128], rate: int) -> tuple[float, float]:
    """Time in s at which the second track is most like the first, within 2 ms; and how, with its sign."""
    finer = 8
    likeness = fft.irfft(cross, finer * WINDOW)
    lags = np.arange(-finer * rate // 500, finer * rate // 500 + 1)
    best = lags[np.argmax(np.abs(likeness[lags]))]
    return float(best / (finer * rate)), float(likeness[best])
