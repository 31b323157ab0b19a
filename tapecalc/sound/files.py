"""Sounds of our own to send through the echo, and sound files in and out.

A sound is a float64 array with full scale at 1: shape ``(n,)`` for mono and
``(n, 2)`` for stereo. Everything generated here starts well below full scale,
because an echo adds to what is there.
"""

from __future__ import annotations

import io
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import soundfile

from tapecalc.files import replacing
from tapecalc.sound.samples import HIGHEST_RATE, HIGHEST_SAMPLE, LOWEST_RATE, sound_array, valid_rate

__all__ = [
    "encode_mp3",
    "read_sound",
    "write_sound",
]


MP3_RATES = (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000)
READ_AT_ONCE = 1 << 18  # samples a channel
MOST_SAMPLES = 1 << 27  # that are read into memory, all channels together: 1 GB
FORMATS = {".wav": "PCM_24", ".flac": "PCM_24", ".ogg": "VORBIS", ".mp3": "MPEG_LAYER_III"}


# --- files -----------------------------------------------------------------------------------------


@contextmanager
def open_sound(path):
    """Open a sound file for reading, or say in one line why it cannot be used."""
    source = Path(path)
    if not source.is_file():
        raise ValueError(f"{source.name}: there is no such sound file")
    if source.stat().st_size == 0:
        raise ValueError(f"{source.name}: the file is empty")
    try:
        file = soundfile.SoundFile(str(source))
    except (soundfile.SoundFileError, TypeError):
        raise ValueError(f"{source.name}: not a sound file that can be read") from None
    with file:
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


def sound_blocks(file, size):
    """Yield what an open sound file holds in blocks (n, channels) of at most `size` samples a channel.

    Memory goes by what is there and not by what the head of the file promises. A file that
    ends more than a second before its promise is refused.
    """
    left = file.frames
    while left > 0:
        block = sound_piece(file, None, min(size, left))
        left -= len(block)
        if not len(block):
            break
        yield block
    if left > file.samplerate:
        seconds = left / file.samplerate
        raise ValueError(f"{Path(file.name).name}: ends {seconds:.3g} s before its head says")


def sound_piece(file, first, count):
    """Read (n, channels) samples of an open sound file from `first` on, or from where it stands if None."""
    name = Path(file.name).name
    try:
        if first is not None:
            file.seek(first)
        piece = file.read(count, dtype="float64", always_2d=True)
    except soundfile.SoundFileError:
        raise ValueError(f"{name}: is damaged and cannot be read to its end") from None
    # NaN is neither above nor below anything, and passes through min and max.
    if not (-HIGHEST_SAMPLE <= piece.min(initial=0) and piece.max(initial=0) <= HIGHEST_SAMPLE):
        raise ValueError(f"{name}: holds samples that are not finite numbers, or far above full scale")
    return piece


def read_sound(path):
    """Read a WAV, FLAC, OGG or MP3 file.

    Parameters
    ----------
    path : str or os.PathLike
        The file.

    Returns
    -------
    samples : numpy.ndarray
        float64, full scale at 1, of shape (n,) for mono or (n, 2) for stereo.
    sample_rate : int
        Samples a second.

    Raises
    ------
    ValueError
        If there is no such file, it is empty, damaged or no sound, has more than two channels,
        holds NaN or infinity, or is too long to be held in memory.

    See Also
    --------
    write_sound : the inverse

    Notes
    -----
    Source: the formats as libsndfile reads them. Notebook: none.

    Examples
    --------
    >>> read_sound("nowhere.wav")
    Traceback (most recent call last):
    ValueError: nowhere.wav: there is no such sound file
    """
    blocks, count = [], 0
    with open_sound(path) as file:
        for block in sound_blocks(file, READ_AT_ONCE):
            blocks.append(block)
            count += block.size
            if count > MOST_SAMPLES:
                minutes = MOST_SAMPLES / file.channels / file.samplerate / 60
                raise ValueError(f"{Path(path).name}: is longer than {minutes:.3g} min; cut it into parts")
        sample_rate = file.samplerate
    if not blocks:
        raise ValueError(f"{Path(path).name}: holds no samples")
    return sound_array(np.concatenate(blocks)), sample_rate


def output_format(path):
    """Return libsndfile's format and subtype for a file name, or say which endings there are."""
    suffix = Path(path).suffix.lower()
    if suffix not in FORMATS:
        endings = ", ".join(FORMATS)
        raise ValueError(f"{Path(path).name}: must end in {endings}, got {suffix or 'no ending'!r}")
    return suffix[1:].upper(), FORMATS[suffix]


@contextmanager
def new_sound(path, sample_rate, channels):
    """Open a sound file for writing under a temporary name; it takes its place when complete."""
    kind, subtype = output_format(path)
    rate = valid_rate(sample_rate)
    if kind == "MP3" and rate not in MP3_RATES:
        raise ValueError(f"{Path(path).name}: MP3 has no sample rate of {rate} Hz, at most 48000")
    with replacing(path) as temporary:
        try:
            with soundfile.SoundFile(str(temporary), "w", rate, channels, subtype, format=kind) as file:
                yield file
        except (soundfile.SoundFileError, AssertionError):
            # soundfile asserts that every sample was taken; a full disk takes fewer.
            raise OSError(f"cannot write {path}: the disk is full or the file may not grow") from None


def write_sound(path, samples, sample_rate):
    """Write a WAV, FLAC, OGG or MP3 file in one step; WAV and FLAC with 24 bits.

    Parameters
    ----------
    path : str or os.PathLike
        Where the file shall stand; its ending names the format.
    samples : array_like
        A sound, see `sound_array`, at most full scale.
    sample_rate : int
        Samples a second.

    Returns
    -------
    pathlib.Path
        The path that was written.

    Raises
    ------
    ValueError
        If the ending is not known, a sample is above full scale, or the samples are no sound.
    OSError
        If the file cannot be written; nothing is left behind and an old file stays.

    See Also
    --------
    read_sound : the inverse

    Notes
    -----
    Source: the formats as libsndfile writes them. Notebook: none.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = write_sound(Path(folder) / "a.wav", [0.5, -0.25], 48000)
    ...     read_sound(path)
    (array([ 0.5 , -0.25]), 48000)
    """
    array = sound_array(samples)
    _within_full_scale(array)
    with new_sound(path, sample_rate, 1 if array.ndim == 1 else 2) as file:
        file.write(array)
    return Path(path)


def _within_full_scale(array):
    """Refuse what would be clipped by the file format."""
    peak = np.max(np.abs(array))
    if peak > 1:
        raise ValueError(f"samples must stay within full scale (1), got a peak of {peak:.3g}; see with_peak")


def encode_mp3(samples, sample_rate):
    """Encode a sound as MP3, for a player inside a page; the same sound gives the same bytes.

    Parameters
    ----------
    samples : array_like
        A sound, see `sound_array`, at most full scale.
    sample_rate : int
        Samples a second, one that MP3 has: at most 48000.

    Returns
    -------
    bytes
        The whole file; 6 s of mono take less than 80 kB.

    Raises
    ------
    ValueError
        If MP3 has no such sample rate, a sample is above full scale, or the samples are no sound.

    Notes
    -----
    Source: ISO 11172-3 and 13818-3, by libsndfile; variable bit rate. Notebook: none.

    Examples
    --------
    >>> len(encode_mp3(phrase(), 48000)) < 80_000
    True
    """
    array = sound_array(samples)
    _within_full_scale(array)
    if sample_rate not in MP3_RATES:
        rates = ", ".join(map(str, MP3_RATES))
        raise ValueError(f"sample_rate must be one of {rates} Hz, got {sample_rate!r}")
    data = io.BytesIO()
    soundfile.write(data, array, sample_rate, format="MP3")
    return data.getvalue()
