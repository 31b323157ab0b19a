"""Sound files in and out: WAV, FLAC, OGG and MP3, whole or in blocks."""

import io
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import ArrayLike

from tapecalc.files import StrPath, refuse_no_file, replacing
from tapecalc.sound.samples import HIGHEST_RATE, HIGHEST_SAMPLE, LOWEST_RATE, Array, sound_array, valid_rate

MP3_RATES = (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000)
READ_AT_ONCE = 1 << 18  # samples a channel
MOST_SAMPLES = 1 << 27  # that are read into memory, all channels together: 1 GB
#: Formats that are read: those that are written, and WAV with an extended head.
READ = {"WAV", "WAVEX", "FLAC", "OGG", "MP3"}
FORMATS = {".wav": "PCM_24", ".flac": "PCM_24", ".ogg": "VORBIS", ".mp3": "MPEG_LAYER_III"}


# ---- reading ----


@contextmanager
def open_sound(path: StrPath) -> Iterator[soundfile.SoundFile]:
    """Open a sound file for reading, or say in one line why it cannot be used."""
    source = Path(path)
    if source.is_dir():
        raise ValueError(f"{source.name or source}: is a folder, and no sound file")
    if not source.exists():
        raise ValueError(f"{source.name}: there is no such sound file")
    try:
        refuse_no_file(source)
    except OSError as error:
        raise ValueError(f"{source.name}: {error.strerror}") from None
    if source.stat().st_size == 0:
        raise ValueError(f"{source.name}: the file is empty")
    try:
        file = soundfile.SoundFile(_as_named(source))
    except (soundfile.SoundFileError, TypeError):
        raise ValueError(f"{source.name}: not a sound file that can be read") from None
    with file:
        if file.format not in READ:
            raise ValueError(f"{source.name}: is of the kind {file.format}, and not WAV, FLAC, OGG or MP3")
        if file.channels > 2:
            raise ValueError(f"{source.name}: has {file.channels} channels, at most 2 can be used")
        if not LOWEST_RATE <= file.samplerate <= HIGHEST_RATE:
            raise ValueError(
                f"{source.name}: sample rate must be from {LOWEST_RATE} to {HIGHEST_RATE} Hz, "
                f"got {file.samplerate}"
            )
        if file.frames == 0:
            raise ValueError(f"{source.name}: holds no samples")
        yield file


def _as_named(path: Path) -> str | bytes:
    """The name that the system gives to a file, which need not be text anywhere but on Windows."""
    return str(path) if os.name == "nt" else os.fsencode(path)


def _name(file: soundfile.SoundFile) -> str:
    """The name of an open sound file, without its folder."""
    return Path(os.fsdecode(file.name)).name


def sound_blocks(file: soundfile.SoundFile, size: int) -> Iterator[Array]:
    """Yield what an open sound file holds in blocks (n, channels) of at most `size` samples a channel.

    Memory goes by what is there and not by what the head of the file promises. A file that ends more than a
    second before its promise is refused.
    """
    left = file.frames
    while left > 0 and len(block := sound_piece(file, None, min(size, left))):
        left -= len(block)
        yield block
    if left > file.samplerate:
        seconds = left / file.samplerate
        raise ValueError(f"{_name(file)}: ends {seconds:.3g} s before its head says")


def sound_piece(file: soundfile.SoundFile, first: int | None, count: int) -> Array:
    """Read (n, channels) samples of an open sound file from `first` on, or from where it stands if None."""
    name = _name(file)
    try:
        if first is not None:
            file.seek(first)
        piece = file.read(count, dtype="float64", always_2d=True)
    except soundfile.SoundFileError:
        raise ValueError(f"{name}: is damaged and cannot be read to its end") from None
    # NaN is neither above nor below anything, and passes through min and max.
    if not (piece.min(initial=0) >= -HIGHEST_SAMPLE and piece.max(initial=0) <= HIGHEST_SAMPLE):
        raise ValueError(f"{name}: holds samples that are not finite numbers, or far above full scale")
    return piece


def read_sound(path: StrPath) -> tuple[Array, int]:
    """Read a sound file whole and give its samples and sample rate; the inverse of `write_sound`.

    >>> read_sound("nowhere.wav")
    Traceback (most recent call last):
    ValueError: nowhere.wav: there is no such sound file
    """
    blocks: list[Array] = []
    with open_sound(path) as file:
        most = MOST_SAMPLES // file.channels
        for block in sound_blocks(file, READ_AT_ONCE):
            blocks.append(block)
            if sum(map(len, blocks)) > most:
                minutes = most / file.samplerate / 60
                raise ValueError(f"{Path(path).name}: is longer than {minutes:.3g} min; cut it into parts")
    if not blocks:
        raise ValueError(f"{Path(path).name}: holds no samples")
    return sound_array(np.concatenate(blocks)), file.samplerate


# ---- writing ----


@contextmanager
def new_sound(path: StrPath, sample_rate: int, channels: int) -> Iterator[soundfile.SoundFile]:
    """Open a sound file for writing under a temporary name; it takes its place when complete."""
    suffix = Path(path).suffix.lower()
    if suffix not in FORMATS:
        got = repr(suffix or "no ending")
        raise ValueError(f"{Path(path).name}: must end in {', '.join(FORMATS)}, got {got}")
    rate = valid_rate(sample_rate)
    if suffix == ".mp3" and rate not in MP3_RATES:
        raise ValueError(f"{Path(path).name}: MP3 has no sample rate of {rate} Hz, at most 48000")
    form = {"format": suffix[1:].upper(), "subtype": FORMATS[suffix]}
    with replacing(path) as temporary:
        try:
            with soundfile.SoundFile(_as_named(temporary), "w", rate, channels, **form) as file:
                yield file
        except (soundfile.SoundFileError, AssertionError):
            # soundfile asserts that every sample was taken; a full disk takes fewer.
            raise OSError(f"cannot write {path}: the disk is full or the file may not grow") from None


def write_sound(path: StrPath, samples: ArrayLike, sample_rate: int) -> Path:
    """Write a sound file in one step, WAV and FLAC with 24 bits; the inverse of `read_sound`.

    The ending names the format. If it cannot be written, nothing is left behind and an old file stays.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = write_sound(Path(folder) / "a.wav", [0.5, -0.25], 48000)
    ...     read_sound(path)
    (array([ 0.5 , -0.25]), 48000)
    """
    array = _within_full_scale(samples)
    with new_sound(path, sample_rate, 1 if array.ndim == 1 else 2) as file:
        file.write(array)
    return Path(path)


def encode_mp3(samples: ArrayLike, sample_rate: int) -> bytes:
    """Encode a sound as MP3, for a player inside a page; the same sound gives the same bytes.

    Source: ISO 11172-3 and 13818-3, by libsndfile; variable bit rate.
    """
    array = _within_full_scale(samples)
    if sample_rate not in MP3_RATES:
        rates = ", ".join(map(str, MP3_RATES))
        raise ValueError(f"sample_rate must be one of {rates} Hz, got {sample_rate!r}")
    data = io.BytesIO()
    soundfile.write(data, array, sample_rate, format="MP3")
    return data.getvalue()


def _within_full_scale(samples: ArrayLike) -> Array:
    """Check a sound and refuse one that would be clipped by the file format."""
    array = sound_array(samples)
    peak = np.max(np.abs(array))
    if peak > 1:
        raise ValueError(f"samples must stay within full scale (1), got a peak of {peak:.3g}; see with_peak")
    return array
