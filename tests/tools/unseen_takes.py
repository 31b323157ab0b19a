"""Recordings that no measurement was tuned to: machines, sounds and slips drawn from a seed.

A second generator, apart from `deck_generator` and from the library's engine. The tape's place is an
integral of its speed over a fine grid, what passes the playback head is found by looking that place up,
and sound between samples is read by a cubic through an oversampled sound. Each take comes with what is true
of the machine, and with the figures that a person could not tell from it either.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import ndimage, signal

GRID = 2000  # places of the tape a second
ROUGH = signal.butter(1, (0.3, 30), "bandpass", fs=GRID, output="sos")  # what random wobble is made with
ROUGH_POWER = float(np.sum(signal.sosfilt(ROUGH, np.eye(1, 40 * GRID)[0]) ** 2))
SPEEDS = (0.0476, 0.0953, 0.1905, 0.381)  # m/s


@dataclass(frozen=True)
class Drawn:
    """A take, and what is true: each figure's value in SI or dB; `open` names what nobody could tell."""

    name: str
    samples: np.ndarray  # (frames, 2): dry, playback
    rate: int
    kind: str
    truth: dict[str, float]
    open: frozenset[str] = frozenset()
    delay: float | None = None  # that the person knows already


@dataclass(frozen=True)
class Machine:
    """A drawn machine; wobbles are (depth zero to peak, rate, phase), random wobble has a band."""

    spacing: float
    speed: float
    wobbles: tuple[tuple[float, float, float], ...]
    random: float  # rms
    low_cut: float
    bump: tuple[float, float]  # Hz, dB
    treble: float  # Hz, where a Gaussian fall reaches -3 dB
    hiss_db: float  # of the playback, against the sound's rms
    hum: tuple[float, float] = (50.0, -200.0)  # Hz, dB against the sound's rms
    seed: int = 0
    passes: int = 5
    send: float = 0.0  # return gain

    @property
    def delay(self) -> float:
        return self.spacing / self.speed

    def speed_ratio(self, seconds: float, before: float) -> tuple[np.ndarray, np.ndarray]:
        """Times from `before` s ahead of 0 on, and the tape's speed over its mean at them."""
        time = np.arange(-before, seconds + 0.5, 1 / GRID)
        ratio = 1 + sum((m * np.sin(2 * np.pi * f * time + p) for m, f, p in self.wobbles), 0 * time)
        if self.random:
            rng = np.random.default_rng(self.seed)
            rough = signal.sosfilt(ROUGH, rng.standard_normal(len(time) + 8 * GRID))[8 * GRID :]
            ratio += self.random * rough / np.sqrt(ROUGH_POWER)
        return time, ratio

    def gain(self, frequency: np.ndarray) -> np.ndarray:
        """What one pass does to each frequency."""
        cut = 1j * frequency / (self.low_cut + 1j * frequency) if self.low_cut else 1.0
        middle, height = self.bump
        octaves = np.log2(np.maximum(frequency, 1e-3) / middle)
        bump = 10 ** (height / 20 * np.exp(-0.5 * (octaves / 0.35) ** 2))
        return cut * bump * 2.0 ** (-0.5 * (frequency / self.treble) ** 2)

    def played(self, dry: np.ndarray, rate: int) -> np.ndarray:
        """The playback of a dry sound, with its repeats, hiss and hum."""
        count = len(dry)
        t = np.arange(count) / rate
        time, ratio = self.speed_ratio(t[-1], self.delay + 1)
        place = np.cumsum(ratio) / GRID
        here = np.interp(t, time, place)
        recorded = np.interp(here - self.delay, place, time)  # when what is played now was recorded
        rms = np.sqrt(np.mean(dry**2)) + 1e-12
        out, going_in = np.zeros(count), dry
        for _ in range(self.passes if self.send else 1):
            once = _through(_read(going_in, recorded * rate), rate, self.gain)
            out = out + once
            going_in = self.send * once
        rng = np.random.default_rng(self.seed + 1)
        out += rms * 10 ** (self.hiss_db / 20) * rng.standard_normal(count)
        mains, hum_db = self.hum
        for k, share in ((1, 1.0), (2, 0.5), (3, 0.4), (5, 0.2)):
            out += share * rms * 10 ** (hum_db / 20) * np.sqrt(2) * np.sin(2 * np.pi * k * mains * t + k)
        return out


def _read(sound: np.ndarray, index: np.ndarray) -> np.ndarray:
    """The sound at fractional places, zero before its beginning."""
    double = signal.resample_poly(np.pad(sound, (64, 64)), 2, 1)
    where = 2 * (index + 64)
    values = ndimage.map_coordinates(double, where[None], order=3, mode="constant")
    return np.where(index >= 0, values, 0.0)


def _through(sound: np.ndarray, rate: int, gain: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
    padded = np.pad(sound, (0, rate))
    spectrum = np.fft.rfft(padded) * gain(np.fft.rfftfreq(len(padded), 1 / rate))
    return np.fft.irfft(spectrum, len(padded))[: len(sound)]


def some_machine(rng: np.random.Generator, **known: object) -> Machine:
    """A machine as they are found: one to four parts that wobble, some random wobble, a bass bump."""
    count = int(rng.integers(1, 5))
    rates = np.exp(rng.uniform(np.log(0.5), np.log(25), count))
    depths = 10 ** rng.uniform(-3.9, -2.7, count) / np.maximum(1, rates / 4)
    speed = float(rng.choice(SPEEDS)) * rng.uniform(0.96, 1.04)
    drawn = {
        "spacing": float(rng.uniform(0.018, 0.12)),
        "speed": speed,
        "wobbles": tuple(zip(depths, rates, rng.uniform(0, 2 * np.pi, count), strict=True)),
        "random": float(10 ** rng.uniform(-4.3, -3.3)),
        "low_cut": float(rng.uniform(15, 45)),
        "bump": (float(rng.uniform(45, 140)), float(rng.uniform(0, 3.5))),
        "treble": float(np.clip(speed / 0.19 * 14000, 4500, 16000) * rng.uniform(0.7, 1.1)),
        "hiss_db": float(rng.uniform(-50, -22)),
        "hum": (float(rng.choice([50, 60]) * rng.uniform(0.97, 1.03)), float(rng.uniform(-70, -35))),
        "seed": int(rng.integers(1 << 30)),
    }
    return Machine(**{**drawn, **known})


# ---- what is played into it ----


def pink(rng, seconds, rate):
    """Noise that falls 3 dB an octave."""
    count = int(seconds * rate)
    f = np.fft.rfftfreq(count, 1 / rate)
    spectrum = np.fft.rfft(rng.standard_normal(count)) / np.sqrt(np.maximum(f, 30))
    spectrum[f > 0.43 * rate] = 0
    return np.fft.irfft(spectrum, count)


def riff(rng, seconds, rate, *, notes=(0,), every=0.5, human=0.0):
    """Plucked strings by a delay line: one note after another, timed by a metronome or by a hand."""
    out = np.zeros(int((seconds + 2) * rate))
    pitch = float(np.exp(rng.uniform(np.log(50), np.log(220))))
    begin, k = 0.05, 0
    while begin < seconds:
        hertz = pitch * 2 ** (notes[k % len(notes)] / 12)
        period = rate / hertz
        whole = int(period)
        line = np.zeros(int(1.6 * rate))
        line[:whole] = rng.uniform(-1, 1, whole)
        part = period - whole
        note = signal.lfilter(
            [1.0], [1.0] + [0.0] * (whole - 1) + [-0.497 * (1 - part), -0.497, -0.497 * part], line
        )
        place = int((begin + human * rng.standard_normal()) * rate)
        if place >= 0:
            out[place : place + len(note)] += note[: len(out) - place]
        begin, k = begin + every, k + 1
    return out[: int(seconds * rate)]


def melody(rng, seconds, rate):
    """A line of different notes, played by a hand."""
    notes = tuple(int(n) for n in rng.choice([0, 2, 3, 5, 7, 10, 12], 16))
    return riff(rng, seconds, rate, notes=notes, every=rng.uniform(0.18, 0.35), human=0.012)


def drums(rng, seconds, rate):
    """Kick, snare and hat, no two bars alike."""
    out = np.zeros(int((seconds + 1) * rate))
    t = np.arange(int(0.3 * rate)) / rate
    step = rng.uniform(0.1, 0.17)
    for k in range(int(seconds / step)):
        drum = rng.choice(4, p=(0.3, 0.2, 0.3, 0.2))
        if drum == 3:
            continue
        hit = (
            np.sin(2 * np.pi * (45 * t + 4 * (1 - np.exp(-30 * t)))) * np.exp(-12 * t),
            rng.standard_normal(len(t)) * np.exp(-25 * t),
            np.diff(rng.standard_normal(len(t) + 1)) * np.exp(-70 * t),
        )[drum]
        place = int((k * step + 0.004 * rng.standard_normal() + 0.02) * rate)
        out[place : place + len(t)] += rng.uniform(0.4, 1) * hit
    return out[: int(seconds * rate)]


def speech(rng, seconds, rate):
    """Something like speech: a buzz with changing pitch through three formants, hisses and gaps."""
    count = int(seconds * rate)
    out = np.zeros(count)
    begin = 0
    while begin < count:
        length = int(rng.uniform(0.07, 0.25) * rate)
        if (kind := rng.random()) < 0.2:
            piece = np.zeros(length)
        elif kind < 0.45:
            piece = 0.3 * signal.lfilter([1, -0.9], [1], rng.standard_normal(length))
        else:
            pitch = np.linspace(*rng.uniform(90, 190, 2), length)
            buzz = (np.diff(np.floor(np.cumsum(pitch) / rate), prepend=0) > 0).astype(float)
            piece = np.zeros(length)
            for low, high in ((300, 800), (900, 2200), (2300, 3300)):
                b, a = signal.iirpeak(rng.uniform(low, high), 8, fs=rate)
                piece += 8 * signal.lfilter(b, a, buzz)
        piece = piece * np.sin(np.pi * np.arange(length) / length) ** 0.5
        out[begin : begin + length] += piece[: count - begin]
        begin += length
    return out


SOUNDS = {"noise": pink, "melody": melody, "drums": drums, "speech": speech}


def _leveled(sound: np.ndarray) -> np.ndarray:
    return 0.3 * sound / np.abs(sound).max()


def _both(dry: np.ndarray, playback: np.ndarray, *, bits: int = 24) -> np.ndarray:
    both = np.stack([dry, playback], axis=1)
    steps = 2.0 ** (bits - 1)
    return np.clip(np.round(both * steps), -steps, steps - 1) / steps


# ---- takes ----


def program_take(seed: int) -> Drawn:
    """Some sound, and what a machine made of it, now and then with a slip of the person who recorded it."""
    rng = np.random.default_rng([seed, 1])
    rate = int(rng.choice([44100, 48000]))
    seconds = float(rng.uniform(8, 16))
    name = str(rng.choice([*SOUNDS]))
    send = float(rng.choice([0.0, 0.0, rng.uniform(0.1, 0.6)]))
    machine = some_machine(rng, send=send)
    dry = _leveled(SOUNDS[name](rng, seconds, rate))
    playback = machine.played(dry, rate)
    slip = str(rng.choice(["none", "none", "swapped", "inverted", "leak", "clipped", "quiet", "offset"]))
    match slip:
        case "inverted":
            playback = -playback
        case "leak":
            playback = playback + 10 ** (rng.uniform(-26, -12) / 20) * dry
        case "clipped":
            top = rng.uniform(0.5, 0.9) * np.abs(playback).max()
            playback = np.clip(playback, -top, top)
        case "quiet":
            playback = 10 ** (rng.uniform(-46, -30) / 20) * playback
        case "offset":
            playback = playback + rng.uniform(-0.03, 0.03)
    both = _both(dry, playback, bits=int(rng.choice([16, 24])))
    if slip == "swapped":
        both = both[:, ::-1]
    clock = float(rng.uniform(-1e-4, 1e-4))
    return Drawn(
        f"{name}, {slip}, send {send:.2f}, {1e3 * machine.delay:.0f} ms",
        both,
        rate,
        "program",
        {"delay": machine.delay * (1 + clock)},
    )


def trap_take(seed: int) -> Drawn:
    """A sound that repeats itself, or a playback that is not the tape: nothing sure can be said."""
    rng = np.random.default_rng([seed, 2])
    rate, seconds = 48000, 12.0
    machine = some_machine(rng)
    trap = str(rng.choice(["one note", "metronome", "source", "unrelated", "tone", "late file"]))
    sound = pink(rng, seconds, rate)
    if trap == "one note":
        sound = riff(rng, seconds, rate, every=0.5)
    elif trap == "metronome":
        sound = np.zeros(int(seconds * rate))
        sound[rate // 4 :: rate // 2] = 1.0
        sound = signal.lfilter([1, -1], [1, -0.7], sound)
    elif trap == "tone":
        sound = np.sin(2 * np.pi * 440 * np.arange(int(seconds * rate)) / rate)
    dry = _leveled(sound)
    playback = machine.played(dry, rate)
    if trap == "source":
        playback = 0.8 * dry + 1e-4 * rng.standard_normal(len(dry))
    elif trap == "unrelated":
        playback = machine.played(_leveled(pink(rng, seconds, rate)), rate)
    elif trap == "late file":
        late = int(rng.uniform(0.3, 1.5) * rate)
        playback = np.concatenate([playback[late:], np.zeros(late)])
    truth = {"delay": machine.delay} if trap != "late file" else {}
    return Drawn(
        f"trap: {trap}, {1e3 * machine.delay:.0f} ms",
        _both(dry, playback),
        rate,
        "two files" if trap == "late file" else "program",
        truth,
        frozenset({"delay"}),
    )


def tone_take(seed: int) -> Drawn:
    """A tone that was played from a test tape or recorded and played at once."""
    rng = np.random.default_rng([seed, 3])
    rate, seconds = 44100, float(rng.choice([26.0, 40.0]))
    hertz = float(rng.choice([3150.0, 3150.0, 3000.0]))
    through = bool(rng.random() < 0.5)
    machine = some_machine(rng, hiss_db=float(rng.uniform(-60, -40)))
    t = np.arange(int(seconds * rate)) / rate
    dry = 0.3 * np.sin(2 * np.pi * hertz * t)
    if through:
        playback = machine.played(dry, rate)
    else:
        time, ratio = machine.speed_ratio(seconds, 1.0)
        place = np.interp(t, time, np.cumsum(ratio) / GRID)
        playback = 0.3 * np.sin(2 * np.pi * hertz * place)
        playback += 0.2 * 10 ** (machine.hiss_db / 20) * np.random.default_rng(seed).standard_normal(len(t))
    return Drawn(
        f"tone, {'through' if through else 'test tape'}, {hertz:.0f} Hz, {seconds:.0f} s",
        _both(dry, playback),
        rate,
        "tone" if through else "test tape",
        wobble_truth(machine, through=through),
        delay=machine.delay if through else None,
    )


def wobble_truth(machine: Machine, *, through: bool) -> dict[str, float]:
    """The rms of the flutter that this machine shows in the long run, as the tone shows it."""
    f = np.arange(0.2, 200, 0.01)
    _, response = signal.sosfreqz(ROUGH, f, fs=GRID)
    density = np.abs(response) ** 2 * machine.random**2 * (2 / GRID) / ROUGH_POWER
    comb = (lambda rate: 2 * np.abs(np.sin(np.pi * rate * machine.delay))) if through else np.ones_like
    square = float(np.sum(density * comb(f) ** 2) * 0.01)
    for depth, rate, _ in machine.wobbles:
        square += 0.5 * depth**2 * float(comb(np.array(rate))) ** 2
    return {"unweighted rms": float(np.sqrt(square))}


def repeats_take(seed: int) -> Drawn:
    """A short sound and its repeats, with a bass bump that may lift the loop above its middle."""
    rng = np.random.default_rng([seed, 4])
    rate = 44100
    send = float(10 ** (rng.uniform(-9, -3.5) / 20))
    machine = some_machine(rng, send=send, passes=24, hiss_db=-60.0, spacing=float(rng.uniform(0.03, 0.07)))
    seconds = min(2 + 14 * machine.delay, 16.0)
    dry = np.zeros(int(seconds * rate))
    length = min(machine.delay * 0.8, 0.25)
    burst = (pink(rng, length, rate), melody(rng, max(length, 0.1), rate))[int(rng.integers(2))]
    dry[rate // 4 : rate // 4 + len(burst)] = _leveled(burst)
    playback = machine.played(dry, rate)
    f = np.arange(30.0, 15000.0, 1.0)
    worst = 20 * np.log10(send * np.abs(machine.gain(f)).max())
    return Drawn(
        f"repeats, {worst:.1f} dB at worst, {1e3 * machine.delay:.0f} ms",
        _both(dry, playback),
        rate,
        "repeats",
        {"worst loop gain": float(worst)},
        delay=machine.delay,
    )


def silence_take(seed: int) -> Drawn:
    """Hiss and hum, and their level."""
    rng = np.random.default_rng([seed, 5])
    rate, seconds = 48000, 9.0
    count = int(rate * seconds)
    t = np.arange(count) / rate
    hiss_db, mains = float(rng.uniform(-75, -50)), float(rng.choice([50, 60]) * rng.uniform(0.96, 1.04))
    hiss = rng.standard_normal(count)
    spectrum = np.fft.rfft(hiss)
    f = np.fft.rfftfreq(count, 1 / rate)
    shape = (1 + (f / 2500) ** 2) ** 0.25 * ((f > 22) & (f < 19500))
    density = np.sum(shape**2) / len(f)
    hiss = np.fft.irfft(spectrum * shape, count) / np.sqrt(density) * 10 ** (hiss_db / 20)
    powers = {k: 10 ** ((hiss_db + rng.uniform(-12, 10) - 3 * k) / 10) for k in (1, 2, 3, 5, 9)}
    hum = sum(np.sqrt(2 * p) * np.sin(2 * np.pi * k * mains * t + k) for k, p in powers.items())
    level = 10 * np.log10(10 ** (hiss_db / 10) + sum(powers.values()))
    return Drawn(
        f"silence, hiss {hiss_db:.0f} dB, mains {mains:.1f} Hz",
        _both(np.zeros(count), hiss + hum),
        rate,
        "silence",
        {"noise": float(level), "hiss": hiss_db},
    )


KINDS = (
    program_take,
    program_take,
    program_take,
    trap_take,
    tone_take,
    tone_take,
    repeats_take,
    silence_take,
)


def drawn_take(seed: int) -> Drawn:
    """The take of a seed; kinds come in turn."""
    return KINDS[seed % len(KINDS)](seed)
