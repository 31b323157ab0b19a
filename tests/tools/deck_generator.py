"""Recordings of a make-believe deck, to test the measurements against a known truth.

This generator shares no code with the library: the tape's position is a
closed-form integral (of sines, and of a cubic spline where the speed is random
too), the delay is solved from it by Newton's method, sound is read between
samples by oversampling and a cubic spline, and repeats are made
pass by pass. What it returns are plain arrays and the truth they were made from.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy import fft, interpolate, ndimage

VOICES = Path("/usr/share/sounds/alsa")


RANDOM_BAND = (0.02, 40.0)  # Hz, where random wobble lies
RANDOM_PERIOD = 160.0  # s, after which it comes again
RANDOM_KNOTS = 400  # of the spline, a second


@functools.lru_cache(maxsize=4)
def random_speed(rms, seed):
    """Periodic splines of a random relative speed, white in its band, and of its integral."""
    count = int(RANDOM_PERIOD * RANDOM_KNOTS)
    rate = np.fft.rfftfreq(count, 1 / RANDOM_KNOTS)
    rng = np.random.default_rng(seed)
    spectrum = rng.standard_normal(len(rate)) + 1j * rng.standard_normal(len(rate))
    spectrum[(rate < RANDOM_BAND[0]) | (rate > RANDOM_BAND[1])] = 0
    series = np.fft.irfft(spectrum, count)
    series *= rms / np.std(series)
    knots = np.arange(count + 1) / RANDOM_KNOTS
    speed = interpolate.CubicSpline(knots, np.append(series, series[0]), bc_type="periodic")
    return speed, speed.antiderivative()


@dataclass(frozen=True)
class Deck:
    """A transport: head spacing (m), speed (m/s), wobbles as (depth zero to peak, rate Hz, phase rad).

    `random` is (rms, seed) of a random wobble beside these.
    """

    spacing: float = 0.0381
    speed: float = 0.1905
    wobbles: tuple = ()
    random: tuple | None = None

    def speed_ratio(self, t):
        """The tape's speed at time `t` over its mean."""
        t = np.asarray(t, dtype=float)
        ratio = 1 + sum((m * np.sin(2 * np.pi * f * t + p) for m, f, p in self.wobbles), np.zeros_like(t))
        return ratio if self.random is None else ratio + random_speed(*self.random)[0](t % RANDOM_PERIOD)

    def position(self, t):
        """How far the tape has moved by time `t`, in seconds at mean speed."""
        t = np.asarray(t, dtype=float)
        turn = 2 * np.pi
        swing = (m / (turn * f) * (np.cos(p) - np.cos(turn * f * t + p)) for m, f, p in self.wobbles)
        place = t + sum(swing, np.zeros_like(t))
        return place if self.random is None else place + random_speed(*self.random)[1](t % RANDOM_PERIOD)

    def delay(self, t):
        """The delay T(t) of the sound that is played at time `t`, exact to rounding."""
        nominal = self.spacing / self.speed
        delay = np.full_like(np.asarray(t, dtype=float), nominal)
        here = self.position(t)
        for _ in range(6):
            delay -= (here - self.position(t - delay) - nominal) / self.speed_ratio(t - delay)
        return delay


def reader(samples, oversample=4, order=3):
    """A function that reads `samples` at any fractional index, zero outside."""
    count = len(samples)
    pad = 256
    padded = np.zeros(fft.next_fast_len(count + 2 * pad, real=True))
    padded[pad : pad + count] = samples
    spectrum = np.fft.rfft(padded)
    fine = np.fft.irfft(spectrum, oversample * len(padded)) * oversample
    spline = ndimage.spline_filter1d(fine, order=order, mode="mirror")

    def read(index):
        index = np.asarray(index, dtype=float)
        inside = (index > -pad / 2) & (index < count + pad / 2)
        where = np.where(inside, (index + pad) * oversample, 0.0)
        values = ndimage.map_coordinates(spline, where[None], order=order, mode="mirror", prefilter=False)
        return np.where(inside, values, 0.0)

    return read


def filtered(samples, sample_rate, gain):
    """`samples` through a path with complex `gain(frequency)`, with room for its tail."""
    padded = np.concatenate([samples, np.zeros(sample_rate)])
    frequency = np.fft.rfftfreq(len(padded), 1 / sample_rate)
    return np.fft.irfft(np.fft.rfft(padded) * gain(frequency), len(padded))[: len(samples)]


def delay_at(deck, t):
    """`deck.delay(t)` at many even times, from a spline over 4,000 a second: exact to 1e-12 s."""
    knots = np.arange(t[0], t[-1] + 0.01, 1 / 4000)
    return interpolate.CubicSpline(knots, deck.delay(knots))(t)


def one_pass(samples, sample_rate, deck, gain=None, clock=0.0):
    """`samples` recorded, delayed by the deck and played; `clock` is the interface's relative error."""
    t = np.arange(len(samples)) / (sample_rate * (1 + clock))
    true_rate = sample_rate * (1 + clock)
    played = reader(samples)((t - delay_at(deck, t)) * true_rate)
    return played if gain is None else filtered(played, sample_rate, gain)


def echo(dry, sample_rate, deck, *, gain=None, return_gain=0.0, passes=1, clock=0.0):
    """The playback of a deck whose playback is fed back `passes` - 1 times with `return_gain`."""
    playback = np.zeros(len(dry))
    going_in = np.asarray(dry, dtype=float)
    for _ in range(passes):
        going_in = one_pass(going_in, sample_rate, deck, gain, clock)
        playback += going_in
        going_in = return_gain * going_in
    return playback


def soiled(samples, *, snr_db=None, seed=0, offset=0.0, bits=None, ceiling=None):
    """`samples` with white noise (against their own rms), an offset, rounding, and clipped peaks."""
    out = np.array(samples, dtype=float)
    if snr_db is not None:
        rms = np.sqrt(np.mean(out**2))
        out += rms * 10 ** (-snr_db / 20) * np.random.default_rng(seed).standard_normal(len(out))
    out += offset
    if ceiling is not None:
        out = np.clip(out, -ceiling, ceiling)
    if bits is not None:
        steps = 2 ** (bits - 1)
        out = np.clip(np.round(out * steps), -steps, steps - 1) / steps
    return out


def noise(duration, sample_rate, seed=1, top=16000.0):
    """Noise at an rms of 0.1, white up to `top`."""
    count = int(duration * sample_rate)
    white = np.random.default_rng(seed).standard_normal(count)
    spectrum = np.fft.rfft(white)
    frequency = np.fft.rfftfreq(count, 1 / sample_rate)
    spectrum[(frequency > min(top, 0.42 * sample_rate)) | (frequency < 20)] = 0
    shaped = np.fft.irfft(spectrum, count)
    return 0.1 * shaped / np.std(shaped)


def plucked(duration, sample_rate, seed=1, every=0.24):
    """Plucked strings: decaying, slightly stretched partials, a new note every `every` seconds."""
    rng = np.random.default_rng(seed)
    count = int(duration * sample_rate)
    out = np.zeros(count + 2 * sample_rate)
    for start in np.arange(0.05, duration, every):
        note = plucked_note(int(rng.integers(0, 25)), sample_rate)
        begin = int(start * sample_rate)
        out[begin : begin + len(note)] += note * (1 + rng.random())
    out = out[:count]
    return 0.1 * out / np.sqrt(np.mean(out**2))


@functools.lru_cache(maxsize=75)
def plucked_note(semitones, sample_rate):
    """One plucked string, so many semitones above 110 Hz."""
    pitch = 110 * 2 ** (semitones / 12)
    t = np.arange(int(1.5 * sample_rate)) / sample_rate
    note = np.zeros(len(t))
    for k in range(1, int(min(40, 9000 / pitch)) + 1):
        partial = pitch * k * np.sqrt(1 + 1e-4 * k * k)
        strength = abs(np.sin(np.pi * k * 0.13)) / k
        note += strength * np.exp(-t * (1.5 + 0.25 * k)) * np.sin(2 * np.pi * partial * t)
    return note * np.minimum(1, t / 0.0005)


def voice(duration, sample_rate=48000):
    """Spoken words from the system's own test sounds, one after another, or None where they are absent."""
    import soundfile

    files = sorted(VOICES.glob("*_*.wav"))
    if not files:
        return None
    words = [soundfile.read(name)[0] for name in files]
    speech = np.concatenate(words)
    count = int(duration * sample_rate)
    speech = np.tile(speech, count // len(speech) + 1)[:count]
    return 0.1 * speech / np.sqrt(np.mean(speech**2))


def tone(duration, sample_rate, deck, *, frequency=3150.0, level=0.5, through=False, clock=0.0):
    """A test tone played by `deck`: from a perfect tape, or recorded and played at once (`through`)."""
    t = np.arange(int(duration * sample_rate)) / (sample_rate * (1 + clock))
    when = t - delay_at(deck, t) if through else deck.position(t)
    return level * np.sin(2 * np.pi * frequency * when)
