"""Sounds of our own to send through the echo, and sound files in and out.

A sound is a float64 array with full scale at 1: shape ``(n,)`` for mono and
``(n, 2)`` for stereo. Everything generated here starts well below full scale,
because an echo adds to what is there.

======  =================  =======  ==============================
symbol  name in code       SI unit  typical value
======  =================  =======  ==============================
x       ``samples``        1        array, full scale is 1
fs      ``sample_rate``    Hz       48000
--      ``seconds``        s        2.0
f       ``frequency``      Hz       440.0
f1      ``low``            Hz       40.0
f2      ``high``           Hz       16000.0
--      ``level_db``       dB       -18 dB, peak against full scale
--      ``at``             s        0.05
--      ``width``          s        0.0005
T60     ``decay``          s        2.5
--      ``position``       1        0.18 of the string
--      ``bpm``            1/min    76
--      ``seed``           --       0
--      ``path``           --       ``take.wav``
======  =================  =======  ==============================
"""

from __future__ import annotations

import io
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import soundfile
from scipy.signal import lfilter

from tapecalc.checks import between, finite, positive, scalar_or_array, single, whole
from tapecalc.files import replacing
from tapecalc.units import CENTS_PER_OCTAVE, db_to_amplitude

__all__ = [
    "click",
    "clipped_samples",
    "encode_mp3",
    "peak_db",
    "phrase",
    "pink_noise",
    "pluck",
    "read_sound",
    "rms_db",
    "sound_array",
    "speech_clicks",
    "sweep",
    "tone",
    "with_peak",
    "write_sound",
]

START_LEVEL_DB = -18.0  # peak of what is generated here: there is room for the echo to add up
SILENCE_DB = -300.0  # what a level reads when nothing is there; never minus infinity
LOWEST_RATE, HIGHEST_RATE = 8_000, 384_000  # sample rates that are taken, Hz
MP3_RATES = (8000, 11025, 12000, 16000, 22050, 24000, 32000, 44100, 48000)
HIGHEST_SAMPLE = 1e6  # that is taken for sound; programs exist that write floats in steps of 16 bits
READ_AT_ONCE = 1 << 18  # samples a channel
MOST_SAMPLES = 1 << 27  # that are read into memory, all channels together: 1 GB
CLIPPED_RUN = 4  # consecutive samples at full scale that no natural peak has
FORMATS = {".wav": "PCM_24", ".flac": "PCM_24", ".ogg": "VORBIS", ".mp3": "MPEG_LAYER_III"}

#: The phrase: (start in beats, MIDI note number, strength). Our own, in D minor.
PHRASE_NOTES = (
    (0.0, 50, 1.0),
    (0.0, 57, 0.7),
    (0.75, 65, 0.9),
    (1.0, 64, 0.8),
    (1.75, 60, 0.9),
    (2.5, 62, 1.0),
    (2.75, 57, 0.6),
    (3.25, 53, 0.8),
    (3.5, 55, 0.9),
)

#: The spoken rhythm: (start in beats, stress). A line of nine syllables, our own.
SYLLABLES = (
    (0.0, 1.0),
    (0.5, 0.4),
    (0.75, 0.6),
    (1.25, 1.0),
    (1.75, 0.5),
    (2.0, 0.8),
    (2.75, 0.4),
    (3.0, 1.0),
    (3.5, 0.6),
)


def sound_array(samples):
    """Check a sound and return it as float64, ``(n,)`` or ``(n, 2)``.

    Parameters
    ----------
    samples : array_like
        Floating-point samples with full scale at 1; a second axis holds one or two channels.

    Returns
    -------
    numpy.ndarray
        A float64 array; a single channel comes back one-dimensional.

    Raises
    ------
    ValueError
        If there are no samples, more than two channels, integers, NaN or infinity.

    Notes
    -----
    Source: house rule. Notebook: none.

    Examples
    --------
    >>> sound_array([[0.5], [0.25]])
    array([0.5 , 0.25])
    """
    array = np.asarray(samples)
    if array.dtype.kind in "iu":
        raise ValueError(f"samples must be floating-point with full scale at 1, got {array.dtype} integers")
    if array.size == 0:
        raise ValueError("samples must hold at least one sample, got none")
    if array.ndim not in (1, 2) or (array.ndim == 2 and array.shape[1] > 2):
        raise ValueError(f"samples must be of shape (n,), (n, 1) or (n, 2), got {array.shape}")
    array = finite("samples", array)
    return array[:, 0] if array.ndim == 2 and array.shape[1] == 1 else array


def valid_rate(sample_rate):
    """Check a sample rate."""
    return whole("sample_rate", sample_rate, LOWEST_RATE, HIGHEST_RATE)


def _length(seconds, sample_rate):
    """Return how many samples last `seconds`, at least one."""
    return max(1, round(single("seconds", positive("seconds", seconds, "s")) * sample_rate))


# --- levels ----------------------------------------------------------------------------------------


def peak_db(samples):
    """Compute the peak level against full scale, ``20 log10 max|x|``.

    Parameters
    ----------
    samples : array_like
        A sound, see `sound_array`.

    Returns
    -------
    float
        Level in dB, -300 for silence.

    See Also
    --------
    with_peak : sets the level that this reads

    Notes
    -----
    Source: definition of dBFS, sample peak. Notebook: 03_repeats_and_loop_stability.

    Examples
    --------
    >>> round(peak_db([0.0, -0.5]), 2)
    -6.02
    """
    return level_of(np.max(np.abs(sound_array(samples))))


def rms_db(samples):
    """Compute the rms level against full scale, ``20 log10 sqrt(mean x^2)``.

    Parameters
    ----------
    samples : array_like
        A sound, see `sound_array`.

    Returns
    -------
    float
        Level in dB, -300 for silence; a full-scale sine reads -3.01.

    Notes
    -----
    Source: definition; full scale is an amplitude of 1. Notebook: 02_wavelength_and_tape_speed.

    Examples
    --------
    >>> round(rms_db(tone(1000, 1.0, level_db=0)), 2)
    -3.01
    """
    return level_of(np.sqrt(np.mean(np.square(sound_array(samples)))))


def level_of(amplitude):
    """Turn an amplitude of 0 or more into dB, -300 for silence."""
    return scalar_or_array(20 * np.log10(np.maximum(amplitude, db_to_amplitude(SILENCE_DB))))


def with_peak(samples, level_db):
    """Scale a sound so that its peak stands at a level.

    Parameters
    ----------
    samples : array_like
        A sound, see `sound_array`. Silence stays silence.
    level_db : float
        Wanted peak against full scale in dB, 0 or less.

    Returns
    -------
    numpy.ndarray
        The scaled sound.

    Raises
    ------
    ValueError
        If the level is above 0 dB, or the samples are no sound.

    See Also
    --------
    peak_db : reads the level that this sets

    Notes
    -----
    Source: definition of dBFS. Notebook: none.

    Examples
    --------
    >>> with_peak([0.1, -0.2], 0)
    array([ 0.5, -1. ])
    """
    array = sound_array(samples)
    peak = np.max(np.abs(array))
    return array * (_amplitude(level_db) / peak) if peak > 0 else array


def _amplitude(level_db):
    """Turn a level of at most full scale into an amplitude."""
    return db_to_amplitude(single("level_db", between("level_db", level_db, SILENCE_DB, 0, "dB")))


def clipped_samples(samples):
    """Count samples that were clipped when the sound was recorded.

    A sample counts when it stands in a run of four or more at full scale: natural
    peaks do not stay there.

    Parameters
    ----------
    samples : array_like
        A sound, see `sound_array`.

    Returns
    -------
    int
        How many samples, over all channels.

    Notes
    -----
    Source: common practice, no source. Notebook: none.

    Examples
    --------
    >>> clipped_samples([0.2, 1, 1, 1, 1, 0.3, 1.0, 0.2])
    4
    """
    full = (np.abs(sound_array(samples)) >= 1 - 2.0**-15).T.astype(np.int8)
    edges = np.diff(np.atleast_2d(full), prepend=0, append=0, axis=-1)
    runs = np.nonzero(edges < 0)[1] - np.nonzero(edges > 0)[1]
    return int(runs[runs >= CLIPPED_RUN].sum())


# --- test signals ----------------------------------------------------------------------------------


def click(seconds=1.0, sample_rate=48000, *, at=0.05, width=0.0005, level_db=START_LEVEL_DB):
    """Make a click: one raised cosine, ``(1 + cos(2 pi (t - at)/width)) / 2``.

    Parameters
    ----------
    seconds : float, optional
        Length in s.
    sample_rate : int, optional
        Samples a second.
    at : float, optional
        Time of the click's middle in s.
    width : float, optional
        Length of the whole click in s.
    level_db : float, optional
        Peak against full scale in dB.

    Returns
    -------
    numpy.ndarray
        The sound, mono.

    Raises
    ------
    ValueError
        If a value is out of its range.

    Notes
    -----
    Source: definition. Notebook: 01_delay_from_head_spacing.

    Examples
    --------
    >>> int(click(at=0.01).argmax())
    480
    """
    rate = valid_rate(sample_rate)
    time = np.arange(_length(seconds, rate)) / rate - single("at", between("at", at, 0, seconds, "s"))
    turn = time / single("width", positive("width", width, "s"))
    return _amplitude(level_db) * np.where(np.abs(turn) < 0.5, np.cos(np.pi * turn) ** 2, 0)


def tone(frequency, seconds=1.0, *, sample_rate=48000, level_db=START_LEVEL_DB):
    """Make a sine tone, ``A sin(2 pi f t)``.

    Parameters
    ----------
    frequency : float
        Frequency in Hz, below half the sample rate.
    seconds : float, optional
        Length in s.
    sample_rate : int, optional
        Samples a second.
    level_db : float, optional
        Peak against full scale in dB.

    Returns
    -------
    numpy.ndarray
        The sound, mono.

    Raises
    ------
    ValueError
        If a value is out of its range.

    Notes
    -----
    Source: definition. Notebook: 05_wow_and_flutter.

    Examples
    --------
    >>> tone(12000, 4 / 48000, level_db=0).round(6).tolist()
    [0.0, 1.0, 0.0, -1.0]
    """
    rate = valid_rate(sample_rate)
    f = _audible("frequency", frequency, rate)
    return _amplitude(level_db) * np.sin(2 * np.pi * f / rate * np.arange(_length(seconds, rate)))


def sweep(low, high, seconds=4.0, *, sample_rate=48000, level_db=START_LEVEL_DB):
    """Make a sweep whose pitch rises evenly, ``f(t) = f1 (f2/f1)^(t/seconds)``.

    Parameters
    ----------
    low, high : float
        First and last frequency in Hz, below half the sample rate.
    seconds : float, optional
        Length in s.
    sample_rate : int, optional
        Samples a second.
    level_db : float, optional
        Peak against full scale in dB.

    Returns
    -------
    numpy.ndarray
        The sound, mono, with 10 ms of fade at both ends.

    Raises
    ------
    ValueError
        If a value is out of its range.

    Notes
    -----
    Source: definition of the exponential sweep. Notebook: none.

    Examples
    --------
    >>> sweep(100, 10000, 0.5).shape
    (24000,)
    """
    rate = valid_rate(sample_rate)
    f1, f2 = _audible("low", low, rate), _audible("high", high, rate)
    if f1 == f2:
        raise ValueError(f"high must be another frequency than low, got {high!r} for both")
    n = _length(seconds, rate)
    slope = np.log(f2 / f1)
    phase = 2 * np.pi * f1 * (n / rate) / slope * np.expm1(slope * np.arange(n) / n)
    return _amplitude(level_db) * _faded(np.sin(phase), round(0.01 * rate))


def pink_noise(seconds=1.0, sample_rate=48000, *, seed=0, level_db=START_LEVEL_DB):
    """Make pink noise: the same power in every octave from 20 Hz up.

    Parameters
    ----------
    seconds : float, optional
        Length in s.
    sample_rate : int, optional
        Samples a second.
    seed : int, optional
        Which noise; the same seed gives the same samples.
    level_db : float, optional
        Peak against full scale in dB.

    Returns
    -------
    numpy.ndarray
        The sound, mono.

    Raises
    ------
    ValueError
        If a value is out of its range.

    Notes
    -----
    Source: definition, power density as 1/f. Notebook: none.

    Examples
    --------
    >>> bool((pink_noise(0.1, seed=3) == pink_noise(0.1, seed=3)).all())
    True
    """
    rate = valid_rate(sample_rate)
    n = _length(seconds, rate)
    spectrum = np.fft.rfft(np.random.default_rng(whole("seed", seed, 0, 2**63)).standard_normal(n))
    frequency = np.fft.rfftfreq(n, 1 / rate)
    spectrum *= np.where(frequency >= 20, 1, 0) / np.sqrt(np.maximum(frequency, 20))
    return with_peak(np.fft.irfft(spectrum, n), level_db)


def _audible(name, frequency, rate):
    """Check one frequency against half the sample rate."""
    return single(name, between(name, frequency, 1e-3, rate / 2, "Hz"))


def _faded(samples, n):
    """Fade the first and last `n` samples in and out with half a cosine."""
    n = min(n, len(samples) // 2)
    ramp = np.sin(np.pi / 2 * np.arange(n) / max(n, 1)) ** 2
    samples[:n] *= ramp
    samples[len(samples) - n :] *= ramp[::-1]
    return samples


# --- the plucked string ----------------------------------------------------------------------------


def pluck(
    frequency, seconds=2.0, *, sample_rate=48000, decay=2.5, position=0.18, seed=0, level_db=START_LEVEL_DB
):
    """Pluck a string: noise that circles in a delay line and loses treble at each turn.

    ``y[n] = x[n] + rho (h * y)[n - N]`` with ``h`` a symmetric low pass times a
    fractional delay; ``N`` and the fraction are chosen so that the phase of one turn
    closes exactly at the wanted frequency.

    Parameters
    ----------
    frequency : float
        Fundamental in Hz, at most a twentieth of the sample rate.
    seconds : float, optional
        Length in s.
    sample_rate : int, optional
        Samples a second.
    decay : float, optional
        Time in s in which the fundamental falls by 60 dB.
    position : float, optional
        Where the string is plucked, as a fraction of its length, above 0 up to 0.5.
    seed : int, optional
        Which noise is plucked.
    level_db : float, optional
        Peak against full scale in dB.

    Returns
    -------
    numpy.ndarray
        The sound, mono, faded out over its last 20 ms.

    Raises
    ------
    ValueError
        If a value is out of its range.

    Notes
    -----
    Source: Karplus and Strong 1983, Computer Music Journal 7(2); fractional tuning by
    Lagrange interpolation, Jaffe and Smith 1983 in the same issue. Notebook: 02_wavelength_and_tape_speed.

    Examples
    --------
    >>> pluck(110, 0.5).shape
    (24000,)
    """
    rate = valid_rate(sample_rate)
    f = single("frequency", between("frequency", frequency, 20, rate / 20, "Hz"))
    decay = single("decay", positive("decay", decay, "s"))
    position = single("position", between("position", position, 1e-3, 0.5))
    n = _length(seconds, rate)
    turn = rate / f  # samples in one turn of the string
    delay = int(turn) - 3
    fraction = turn - int(turn)
    low_pass = np.array([0.1, 0.8, 0.1])  # one sample late at every frequency
    taps = np.convolve(low_pass, _fractional_delay(2 + fraction))
    omega = 2 * np.pi * f / rate
    # The interpolator is a hair off at the fundamental; shift the fraction by what is missing.
    late = -np.angle(np.sum(taps * np.exp(-1j * omega * np.arange(len(taps))))) / omega
    fraction += turn - (delay + late)
    taps = np.convolve(low_pass, _fractional_delay(2 + fraction))
    loss = np.abs(np.sum(taps * np.exp(-1j * omega * np.arange(len(taps)))))
    taps *= min(1.0, 10 ** (-3 * turn / (decay * rate)) / loss)
    loop = np.concatenate([[1.0], np.zeros(delay - 1), -taps])

    burst = np.zeros(n)
    length = min(n, int(turn))
    burst[:length] = np.random.default_rng(whole("seed", seed, 0, 2**63)).uniform(-1, 1, length)
    burst = lfilter([0.35], [1, -0.65], burst)  # a fingertip, not a needle
    burst -= np.concatenate([np.zeros(min(n, round(position * turn))), burst])[:n]
    return with_peak(_faded_out(lfilter([1.0], loop, burst), round(0.02 * rate)), level_db)


def _fractional_delay(delay):
    """Return the five taps of Lagrange's interpolator that delays by `delay` samples, near 2."""
    at = np.arange(5.0)
    return np.array([np.prod((delay - np.delete(at, k)) / (k - np.delete(at, k))) for k in range(5)])


def _faded_out(samples, n):
    """Fade the last `n` samples out."""
    n = min(n, len(samples))
    samples[len(samples) - n :] *= np.cos(np.pi / 2 * np.arange(1, n + 1) / n) ** 2
    return samples


def phrase(sample_rate=48000, *, bpm=76.0, seconds=6.0, level_db=-12.0):
    """Play the phrase: one bar on the plucked string, then room for the echo.

    Parameters
    ----------
    sample_rate : int, optional
        Samples a second.
    bpm : float, optional
        Tempo in quarter notes a minute.
    seconds : float, optional
        Length in s; notes that start later are left out.
    level_db : float, optional
        Peak against full scale in dB.

    Returns
    -------
    numpy.ndarray
        The sound, mono.

    Raises
    ------
    ValueError
        If a value is out of its range.

    See Also
    --------
    speech_clicks : the same bar as a spoken rhythm

    Notes
    -----
    Source: our own; equal temperament, A4 = 440 Hz (ISO 16). Notebook: workbench.

    Examples
    --------
    >>> phrase(8000, seconds=1.0).shape
    (8000,)
    """
    rate = valid_rate(sample_rate)
    beat = 60 / single("bpm", between("bpm", bpm, 20, 400))
    sound = np.zeros(_length(seconds, rate))
    for number, (start, note, strength) in enumerate(PHRASE_NOTES):
        first = round(start * beat * rate)
        if first >= len(sound):
            break
        frequency = 440 * 2 ** ((note - 69) * 100 / CENTS_PER_OCTAVE)
        rest = min(1.6, (len(sound) - first) / rate)
        string = strength * pluck(frequency, rest, sample_rate=rate, decay=1.4, seed=number, level_db=0)
        sound[first : first + len(string)] += string[: len(sound) - first]
    return with_peak(sound, level_db)


def speech_clicks(sample_rate=48000, *, bpm=76.0, seconds=6.0, level_db=-12.0):
    """Tap out a spoken line: nine stressed and unstressed syllables as short clicks.

    Parameters
    ----------
    sample_rate : int, optional
        Samples a second.
    bpm : float, optional
        Tempo in quarter notes a minute.
    seconds : float, optional
        Length in s; syllables that start later are left out.
    level_db : float, optional
        Peak against full scale in dB.

    Returns
    -------
    numpy.ndarray
        The sound, mono.

    Raises
    ------
    ValueError
        If a value is out of its range.

    See Also
    --------
    phrase : the same bar on the plucked string

    Notes
    -----
    Source: our own. Notebook: 06_many_heads.

    Examples
    --------
    >>> speech_clicks(8000, seconds=1.0).shape
    (8000,)
    """
    rate = valid_rate(sample_rate)
    beat = 60 / single("bpm", between("bpm", bpm, 20, 400))
    sound = np.zeros(_length(seconds, rate))
    lead = 0.01  # the first click's rise, s
    for start, stress in SYLLABLES:
        at = lead + start * beat
        if at < len(sound) / rate:
            # A stressed syllable is louder and darker: a longer click.
            sound += stress * click(seconds, rate, at=at, width=0.001 + 0.002 * stress, level_db=0)
    return with_peak(sound, level_db)


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
