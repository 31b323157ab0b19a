"""Noise and hum from a recording of nothing.

======  =================  =======  =====================================
symbol  name in code       SI unit  typical value
======  =================  =======  =====================================
--      ``recording``      --       what `open_recording` returns
--      ``channel``        --       ``"playback"``
--      ``reference``      1        0.1, rms of the operating level
======  =================  =======  =====================================
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft, stats

from tapecalc.audio.measure.estimate import CannotTell, Estimate
from tapecalc.audio.measure.recording import channel_health
from tapecalc.checks import positive

__all__ = ["NoiseReading", "measure_noise"]

LOW, HIGH = 20.0, 20000.0  # Hz
MAINS = (50.0, 60.0)  # Hz
HARMONICS = 8
QUIETEST = 1e-7  # rms below which a converter has written nothing
LOUDEST_DB = -20.0  # dB of full scale above which this is not silence
HUM_SHOWS = 10.0  # power of a mains line over its surroundings
SHORTEST = 3.0  # seconds


@dataclass(frozen=True)
class NoiseReading:
    """Level of the noise, with and without hum.

    Parameters
    ----------
    level_db : Estimate
        Rms from 20 Hz to 20 kHz, dB against full scale or against the reference.
    hiss_db : Estimate
        The same without the mains lines.
    hum_db : float or None
        All mains lines together, dB; None if none stands out.
    mains : float or None
        50 or 60 Hz, or None.
    hum_lines : tuple of (float, float)
        Frequency in Hz and level in dB of every line that stands out.
    against : str
        What 0 dB is.
    sentences : tuple of str
        What was noticed.

    Notes
    -----
    Made by `measure_noise`. Source: definition of the rms. Notebook: 08_measure_a_machine.

    Examples
    --------
    >>> from tapecalc.audio.measure import open_recording
    >>> hiss = 0.001 * np.random.default_rng(1).standard_normal(240000)
    >>> measure_noise(open_recording(hiss, sample_rate=48000)).mains is None
    True
    """

    level_db: Estimate
    hiss_db: Estimate
    hum_db: float | None
    mains: float | None
    hum_lines: tuple
    against: str
    sentences: tuple = ()

    def to_dict(self):
        """Return the figures as a plain dict for a JSON file.

        Returns
        -------
        dict
            Levels, lines and sentences.
        """
        return {
            "level_db": self.level_db.to_dict(),
            "hiss_db": self.hiss_db.to_dict(),
            "hum_db": self.hum_db,
            "mains": self.mains,
            "hum_lines": [[float(f), float(db)] for f, db in self.hum_lines],
            "against": self.against,
            "sentences": list(self.sentences),
        }


def measure_noise(recording, *, reference=None, channel="playback"):
    """Measure noise and hum of a machine that plays silence.

    Parameters
    ----------
    recording : Recording
        3 s or more of recorded silence, played back.
    reference : float, optional
        Rms amplitude of the level to count from (a tone at operating level); full scale if left out.
    channel : str, optional
        ``"playback"`` or ``"dry"``.

    Returns
    -------
    NoiseReading
        Levels with uncertainties, mains lines, sentences.

    Raises
    ------
    CannotTell
        If the channel holds digital silence, something loud, or less than 3 s.
    ValueError
        If the reference is not greater than 0.

    Notes
    -----
    Source: Welch's averaged periodogram (from memory). Notebook: 08_measure_a_machine.

    Examples
    --------
    >>> from tapecalc.audio.measure import open_recording
    >>> hiss = 0.001 * np.random.default_rng(1).standard_normal(240000)
    >>> measure_noise(open_recording(hiss, sample_rate=48000), reference=0.1).level_db.text()
    '-40.792 dB +/- 0.039 dB'
    """
    if reference is not None:
        positive("reference", reference)
    health = channel_health(recording, channel)
    if health.rms < QUIETEST:
        raise CannotTell(
            f"the {channel} channel holds digital silence; record the machine playing, not nothing"
        )
    if recording.duration < SHORTEST:
        raise CannotTell(f"{recording.duration:.1f} s of noise are too few, and it takes {SHORTEST:g} s")
    if 20 * np.log10(health.rms) > LOUDEST_DB:
        raise CannotTell(
            f"there is sound at {20 * np.log10(health.rms):.0f} dB of full scale, which is not silence"
        )
    frequency, power, seconds = _spectrum(recording, channel)
    band = (frequency >= LOW) & (frequency <= HIGH)
    floor = _floor(frequency, power)
    mains, lines = _mains(frequency, power, floor)
    hum = sum(strength for _, strength in lines)
    total = float(power[band].sum())
    scale = 20 * np.log10(reference) if reference else 0.0
    against = "the reference tone" if reference else "full scale (an rms of 1)"
    spread = _spread(seconds)
    sentences = list(health.sentences())
    if mains:
        sentences.append(
            f"Hum at multiples of {mains:.0f} Hz stands out: look at grounds, shields and transformers."
        )
    if spread > 1.0:
        sentences.append("The noise is not steady; something was moving, or this is not silence alone.")
    hiss = max(total - hum, 1e-30)
    return NoiseReading(
        level_db=Estimate(_db(total) - scale, spread, "dB"),
        hiss_db=Estimate(_db(hiss) - scale, float(spread * (1 + hum / hiss)), "dB"),
        hum_db=_db(hum) - scale if mains else None,
        mains=mains,
        hum_lines=tuple((f, _db(strength) - scale) for f, strength in lines),
        against=against,
        sentences=tuple(sentences),
    )


def _db(power):
    """Decibels of a mean square."""
    return float(10 * np.log10(power))


def _spectrum(recording, channel):
    """Mean power per bin of 1 Hz (its sum is the mean square), and the power of every second."""
    size = recording.sample_rate
    bell = np.hanning(size + 1)[:-1]
    total, seconds = np.zeros(size // 2 + 1), []
    frequency = fft.rfftfreq(size, 1 / recording.sample_rate)
    band = (frequency >= LOW) & (frequency <= HIGH)
    for first in range(0, recording.count - size + 1, size // 2):
        samples = recording.read(channel, first, size)
        power = np.abs(fft.rfft((samples - samples.mean()) * bell)) ** 2 * 2 / (size * (bell @ bell))
        total += power
        seconds.append(power[band].sum())
    return frequency, total / len(seconds), np.array(seconds)


def _spread(seconds):
    """95 % half width of the mean level in dB from the scatter of its seconds.

    Seconds under a bell that overlap by half are all but independent.
    """
    relative = np.std(seconds, ddof=1) / np.mean(seconds) / np.sqrt(len(seconds) / 1.06)
    return float(10 / np.log(10) * stats.t.ppf(0.975, len(seconds) - 1) * relative + 0.005)


def _floor(frequency, power):
    """Power of the surroundings of each bin: the median of 25 bins."""
    padded = np.pad(power, 12, mode="reflect")
    return np.median(np.lib.stride_tricks.sliding_window_view(padded, 25), axis=1)


def _mains(frequency, power, floor):
    """The mains frequency that explains the lines best, and its lines as (Hz, power)."""
    best, found = None, ()
    for mains in MAINS:
        lines = []
        for k in range(1, HARMONICS + 1):
            bin_at = int(np.argmin(np.abs(frequency - k * mains)))
            near = slice(bin_at - 2, bin_at + 3)
            if power[near].max() > HUM_SHOWS * floor[bin_at]:
                lines.append((float(k * mains), float(max(power[near].sum() - 5 * floor[bin_at], 0.0))))
        # 300 Hz belongs to both; lines that only one of them has decide.
        if sum(p for _, p in lines) > sum(p for _, p in found):
            best, found = mains, tuple(lines)
    return best, found
