"""A spoken line over a bass, made here: something with consonants to send to a tape.

Voiced sounds are sums of harmonics under moving formants, the others noise under moving bands; nothing was
recorded. The words are our own: "Bench light; tape turns down. Street talks back to me."
"""

import base64
from typing import Literal, NamedTuple

import numpy as np

from tapecalc.calc.quantity import Duration, calculator
from tapecalc.calc.units import db_to_amplitude
from tapecalc.sound.files import encode_mp3
from tapecalc.sound.loudness import program_gain_db
from tapecalc.sound.samples import Array, SampleRate, Seed, with_peak
from tapecalc.sound.signals import PhraseTempo, note_frequency

Part = Literal["all", "voice", "bass", "drums"]

#: Silence before the first beat, in which its consonant begins, s.
LEAD = 0.1
UNHURRIED = 60 / 76  # s of a beat; at faster ones consonants are shorter in proportion
FRAME = 0.0025  # s between two settings of the voice
GLIDE, ONSET = 0.030, 0.006  # s in which formants, and levels, go from sound to sound
HIGHEST_HARMONIC, HIGHEST_NOISE = 5500.0, 11000.0  # Hz
TILT = 0.8  # harmonics fall with this power of their number
AIR = 1.8  # level of all noise against that of the voice
UPPER_FORMANTS = (3500.0, 4500.0)  # of a grown-up's mouth; they hardly move
WIDTHS = (80.0, 100.0, 140.0, 220.0, 300.0)  # of the formants, Hz


class Phone(NamedTuple):
    """One sound of speech: formants in Hz where it begins and ends, levels of voice and noise, length in s.

    The noise has its middle in Hz and its width in octaves.
    """

    start: tuple[float, float, float]
    end: tuple[float, float, float]
    voice: float = 0.0
    noise: float = 0.0
    middle: float = 1000.0
    width: float = 1.0
    seconds: float = 0.0


def _vowel(start: tuple[float, float, float], end: tuple[float, float, float] | None = None) -> list[Phone]:
    """A vowel, whose length its syllable says; with an end of its own it glides there."""
    breath = 0.012
    return [Phone(start, end or start, voice=1.0, noise=breath, middle=2600.0, width=0.9)]


def _voiced(
    formants: tuple[float, float, float], voice: float, seconds: float, noise: float = 0.0
) -> list[Phone]:
    """A nasal, a liquid or a buzz, with the noise of an s or none."""
    return [Phone(formants, formants, voice, noise=noise, middle=6500.0, width=0.4, seconds=seconds)]


def _stop(locus: tuple[float, float, float], murmur: float, burst: tuple[float, float, float]) -> list[Phone]:
    """A closure, a burst (level, middle, width), and breath if it has no voice."""
    level, middle, width = burst
    phones = [
        Phone(locus, locus, voice=murmur, seconds=0.055),
        Phone(locus, locus, voice=murmur, noise=level, middle=middle, width=width, seconds=0.014),
    ]
    if not murmur:
        phones.append(Phone(locus, locus, noise=0.2 * level, middle=middle, width=1.5 * width, seconds=0.03))
    return phones


def _hiss(
    locus: tuple[float, float, float], level: float, middle: float, width: float, seconds: float
) -> list[Phone]:
    """Air through a narrow place."""
    return [Phone(locus, locus, noise=level, middle=middle, width=width, seconds=seconds)]


#: Places of the formants: usual ones of a low voice, common practice, no source.
PHONES: dict[str, list[Phone]] = {
    "e": _vowel((550, 1800, 2500)),
    "ai": _vowel((760, 1250, 2500), (350, 2150, 2700)),
    "ei": _vowel((480, 1900, 2600), (330, 2250, 2850)),
    "er": _vowel((480, 1300, 1650)),
    "au": _vowel((750, 1280, 2500), (400, 900, 2400)),
    "ii": _vowel((290, 2250, 2950)),
    "o": _vowel((560, 880, 2500)),
    "a": _vowel((690, 1650, 2450)),
    "u": _vowel((330, 1100, 2300)),
    "b": _stop((220, 900, 2200), 0.18, (0.35, 700.0, 1.2)),
    "d": _stop((220, 1750, 2700), 0.18, (0.45, 3800.0, 0.8)),
    "p": _stop((220, 800, 2200), 0.0, (0.5, 800.0, 1.3)),
    "t": _stop((250, 1800, 2700), 0.0, (0.9, 4800.0, 0.7)),
    "k": _stop((250, 1600, 2300), 0.0, (0.8, 2000.0, 0.4)),
    "s": _hiss((250, 1700, 2600), 0.55, 6800.0, 0.4, 0.10),
    "sh": _hiss((250, 1900, 2500), 0.60, 3400.0, 0.45, 0.09),
    "z": _voiced((250, 1700, 2600), 0.25, 0.09, noise=0.30),
    "m": _voiced((250, 1000, 2200), 0.35, 0.075),
    "n": _voiced((250, 1550, 2500), 0.35, 0.065),
    "l": _voiced((360, 1100, 2700), 0.55, 0.065),
    "r": _voiced((400, 1150, 1550), 0.60, 0.055),
}


class Syllable(NamedTuple):
    """What is spoken on a beat: sounds before the vowel, that, sounds after it; length in beats, stress."""

    beat: float
    before: str
    vowel: str
    after: str
    beats: float
    stress: float


LINE = (
    Syllable(0.0, "b", "e", "n t sh", 0.20, 1.0),
    Syllable(0.625, "l", "ai", "t", 0.30, 0.8),
    Syllable(1.5, "t", "ei", "p", 0.24, 1.0),
    Syllable(2.0, "t", "er", "n z", 0.20, 0.7),
    Syllable(2.5, "d", "au", "n", 0.45, 0.9),
    Syllable(4.0, "s t r", "ii", "t", 0.24, 1.0),
    Syllable(4.5, "t", "o", "k s", 0.26, 0.8),
    Syllable(5.5, "b", "a", "k", 0.22, 1.0),
    Syllable(6.0, "t", "u", "", 0.14, 0.5),
    Syllable(6.375, "m", "ii", "", 0.55, 0.8),
)
#: Where the voice starts anew at its height, in beats; between, it falls.
BREATHS = (0.0, 1.5, 4.0, 5.5, 8.0)
#: The bass: beat, MIDI note number and length in beats. Our own, in D minor.
BASS = (
    (0.0, 38, 0.85),
    (1.25, 33, 0.2),
    (1.5, 36, 0.4),
    (2.5, 38, 0.7),
    (4.0, 41, 0.7),
    (5.0, 40, 0.3),
    (5.5, 38, 0.35),
    (6.0, 33, 0.9),
)
#: Strokes: beat and kind.
STROKES = ((2.0, "drum"), (3.0, "hat"), (3.5, "hat"), (6.0, "drum"), (7.0, "hat"))
LAST_BEAT = 7.25
FASTEST_SPOKEN = 120.0  # bpm
BALANCE = {"voice": 1.0, "bass": 0.75, "drums": 0.45}  # peaks against that of the voice


@calculator
def line(
    sample_rate: SampleRate[int] = 48000,
    *,
    bpm: PhraseTempo[float] = 76.0,
    seconds: Duration[float] = 8.0,
    part: Part = "all",
    seed: Seed[int] = 0,
) -> Array:
    """Speak a line in two bars over a bass and a few strokes, then leave room for the echo; at -23 LUFS.

    What comes after the end is cut off, at the level that the whole has. A `part` alone is at -23 LUFS too.
    """
    if part not in ("all", *BALANCE):
        raise ValueError(f"part must be all, {', '.join(BALANCE)}, got {part!r}")
    makers = {"voice": _voice, "bass": _bass, "drums": _drums}
    total = np.zeros(round((LEAD + (LAST_BEAT + 1) * 60 / bpm) * sample_rate))
    for number, name in enumerate(makers):
        if part in ("all", name):
            sound = makers[name](sample_rate, 60 / bpm, np.random.default_rng((seed, number)))
            total[: len(sound)] += BALANCE[name] * sound
    heard = np.zeros(max(1, round(seconds * sample_rate)))
    size = min(len(heard), len(total))
    heard[:size] = total[:size] * db_to_amplitude(program_gain_db(total, sample_rate))
    return heard


def line_address(bpm: float, *, seed: int = 0) -> str:
    """Give the line as an MP3 in a data address: two bars, and silence up to the middle of the third.

    A page that plays it again at each third bar has room for a decoder's own delay. Tempos at which nobody
    speaks are halved or doubled until one is found: the beat stays.
    """
    while bpm > FASTEST_SPOKEN:
        bpm /= 2
    while bpm < FASTEST_SPOKEN / 2.5:
        bpm *= 2
    sound = line(48000, bpm=bpm, seconds=10 * 60 / bpm, seed=seed)
    return "data:audio/mpeg;base64," + base64.b64encode(encode_mp3(sound, 48000)).decode()


# ---- the voice ----


def _voice(sample_rate: int, beat: float, rng: np.random.Generator) -> Array:
    """Speak the line, with a peak of 1."""
    frames = _frames(beat)
    pitch = _pitch(len(frames["voice"]), beat, rng)
    size = round(len(pitch) * FRAME * sample_rate)
    sound = _harmonics(frames, pitch, size, sample_rate) + _noise(
        AIR * frames["noise"], frames["middle"], frames["width"], size, sample_rate, rng
    )
    return with_peak(sound, 0.0)


def _spoken(beat: float) -> list[tuple[float, Phone, float]]:
    """Each sound of the line with its start and level: vowels on the beat, what is before them earlier."""
    hurry = min(1.0, beat / UNHURRIED)
    spoken = []
    for syllable in LINE:
        before, after = (
            [
                phone._replace(seconds=hurry * phone.seconds)
                for name in names.split()
                for phone in PHONES[name]
            ]
            for names in (syllable.before, syllable.after)
        )
        (vowel,) = PHONES[syllable.vowel]
        time = LEAD + syllable.beat * beat - sum(phone.seconds for phone in before)
        for phone in (*before, vowel._replace(seconds=syllable.beats * beat), *after):
            spoken.append((time, phone, 0.6 + 0.4 * syllable.stress))
            time += phone.seconds
    return spoken


def _frames(beat: float) -> dict[str, Array]:
    """Set the voice every `FRAME`: formants in Hz, levels, middle and width of the noise."""
    count = round((LEAD + (LAST_BEAT + 0.5) * beat) / FRAME)
    levels = {name: np.zeros(count) for name in ("voice", "noise")}
    held = {name: np.full(count, np.nan) for name in ("f1", "f2", "f3", "middle", "width")}
    for time, phone, level in _spoken(beat):
        span = slice(max(0, round(time / FRAME)), round((time + phone.seconds) / FRAME))
        size = len(levels["voice"][span])
        for name in levels:
            levels[name][span] = level * getattr(phone, name)
        for number, name in enumerate(("f1", "f2", "f3")):
            held[name][span] = np.linspace(phone.start[number], phone.end[number], size)
        held["middle"][span], held["width"][span] = phone.middle, phone.width
        levels["voice"][span] *= np.linspace(1, 0.75, size)  # less air towards the end
    at = np.arange(count)
    for name, values in held.items():  # in a pause the mouth stays where it was
        known = np.flatnonzero(np.isfinite(values))
        held[name] = values[known[np.clip(np.searchsorted(known, at, "right") - 1, 0, None)]]
    smooth = {name: _smoothed(held[name], GLIDE) for name in ("f1", "f2", "f3")}
    return {**held, **smooth, **{name: _smoothed(values, ONSET) for name, values in levels.items()}}


def _smoothed(values: Array, seconds: float) -> Array:
    """Go from value to value along half a cosine."""
    window = np.hanning(2 * round(seconds / FRAME / 2) + 3)
    half = len(window) // 2
    return np.convolve(np.pad(values, half, "edge"), window / window.sum(), "valid")


def _pitch(count: int, beat: float, rng: np.random.Generator) -> Array:
    """The voice's pitch in Hz: it falls over each breath, rises at a stress, and is never quite still."""
    beats = (np.arange(count) * FRAME - LEAD) / beat
    spans = np.diff(BREATHS)
    now = np.clip(np.searchsorted(BREATHS, beats, "right") - 1, 0, len(spans) - 1)
    fall = np.clip((beats - np.asarray(BREATHS)[now]) / spans[now], 0, 1)
    pitch = 128 * 2 ** (-7 / 12 * fall)
    for syllable in LINE:
        near = (beats - syllable.beat - 0.08) / 0.25
        pitch *= 2 ** (2.5 / 12 * syllable.stress * np.exp(-(near**2)))
    return pitch * (1 + 0.036 * _smoothed(rng.normal(size=count), 0.05))


def _mouth(frequency: Array, frames: dict[str, Array]) -> Array:
    """Response of the mouth at a frequency for each frame: five formants in a row, 1 at 0 Hz."""
    response = np.ones(len(frequency), complex)
    formants = [frames["f1"], frames["f2"], frames["f3"], *UPPER_FORMANTS]
    for formant, width in zip(formants, WIDTHS, strict=True):
        pole = np.asarray(formant) ** 2 + (width / 2) ** 2
        response *= pole / (pole - frequency**2 + 1j * width * frequency)
    return response


def _harmonics(frames: dict[str, Array], pitch: Array, size: int, sample_rate: int) -> Array:
    """Voiced sounds: harmonics of the throat, each weaker than the one below, through the mouth."""
    at = np.arange(size) / (FRAME * sample_rate)
    places = np.arange(len(pitch))
    turns = np.cumsum(np.interp(at, places, pitch)) / sample_rate
    sound = np.zeros(size)
    speaks = np.flatnonzero(np.interp(at, places, frames["voice"]) > 1e-6)
    at, turns = at[speaks], turns[speaks]
    first = np.exp(2j * np.pi * turns)
    harmonic = np.ones(len(first), complex)
    for number in range(1, int(min(HIGHEST_HARMONIC, 0.45 * sample_rate) / pitch.min())):
        harmonic *= first
        frequency = number * pitch
        below = np.clip((min(HIGHEST_HARMONIC, 0.45 * sample_rate) - frequency) / 500, 0, 1)
        level = frames["voice"] * below / number**TILT * _mouth(frequency, frames)
        sound[speaks] += np.interp(at, places, level.real) * harmonic.real
        sound[speaks] -= np.interp(at, places, level.imag) * harmonic.imag
    return sound


def _noise(
    level: Array, middle: Array, width: Array, size: int, sample_rate: int, rng: np.random.Generator
) -> Array:
    """Noise in a band that moves: every frame is shaped by itself and laid over its neighbors.

    The band is a bell over log frequency, `width` octaves to each side.
    """
    hop = max(1, round(FRAME * sample_rate))
    length = 1 << (4 * hop - 1).bit_length()
    window = np.hanning(2 * hop + 1)[:-1]
    frequency = np.maximum(np.fft.rfftfreq(length, 1 / sample_rate), 1.0)
    sound = np.zeros(size + length)
    white = rng.normal(size=size + length)
    for start in range(0, size, hop):
        now = min(round(start / (FRAME * sample_rate)), len(level) - 1)
        if level[now] < 1e-4:
            continue
        octaves = np.log2(frequency / middle[now]) / width[now]
        shape = np.exp(-(octaves**2) / 2) * (frequency < HIGHEST_NOISE)
        piece = np.fft.rfft(white[start : start + 2 * hop] * window, length)
        shaped = level[now] * np.fft.irfft(piece * shape, length)
        # No phase is turned, so what goes before the frame comes round at the end of the transform.
        back = (length - 2 * hop) // 2
        first = start - back
        turned = np.roll(shaped, back)
        low = max(0, -first)
        sound[first + low : first + length] += turned[low:]
    return sound[:size]


# ---- bass and strokes ----


def _bass(sample_rate: int, beat: float, rng: np.random.Generator) -> Array:
    """Play the bass: round, three harmonics of which the upper ones go first; a peak of 1."""
    del rng  # nothing about it is random
    sound = np.zeros(round((LEAD + LAST_BEAT * beat) * sample_rate))
    for start, note, beats in BASS:
        time = np.arange(round(beats * beat * sample_rate)) / sample_rate
        left = beats * beat - time
        shape = np.minimum(time / 0.012, 1) * np.minimum(left / 0.06, 1)
        turns = 2 * np.pi * note_frequency(note) * time
        tone = np.exp(-time / 0.9) * (
            np.sin(turns)
            + 0.45 * np.exp(-time / 0.35) * np.sin(2 * turns)
            + 0.20 * np.exp(-time / 0.12) * np.sin(3 * turns)
        )
        first = round((LEAD + start * beat) * sample_rate)
        rest = sound[first : first + len(time)]
        rest += (np.sin(np.pi / 2 * shape) ** 2 * tone)[: len(rest)]
    return with_peak(sound, 0.0)


def _drums(sample_rate: int, beat: float, rng: np.random.Generator) -> Array:
    """Beat a drum, whose pitch falls, and touch a hat: a peak of 1."""
    count = round((LEAD + LAST_BEAT * beat) / FRAME)
    size = round(count * FRAME * sample_rate)
    at = np.arange(count) * FRAME - LEAD
    time = np.arange(size) / sample_rate - LEAD
    rattle, hat, skin = np.zeros(count), np.zeros(count), np.zeros(size)
    for start, kind in STROKES:
        since = at - start * beat
        decay = np.where(since >= 0, np.exp(-np.abs(since) / (0.05 if kind == "drum" else 0.018)), 0)
        if kind == "hat":
            hat += decay
            continue
        rattle += decay
        fine = np.maximum(time - start * beat, 0)
        falling = 2 * np.pi * (58 * fine + 2.4 * (1 - np.exp(-fine / 0.03)))
        skin += np.exp(-fine / 0.09) * np.sin(falling)
    band = np.ones(count)
    noise = _noise(0.5 * rattle, 1900 * band, 0.7 * band, size, sample_rate, rng)
    noise += _noise(0.5 * hat, 8500 * band, 0.3 * band, size, sample_rate, rng)
    return with_peak(skin + noise, 0.0)
