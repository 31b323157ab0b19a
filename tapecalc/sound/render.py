"""Hear it: what the planned machine does to real sound.

The model is that of the plan. The bus adds the input send and what returns; the
tape limits it and adds hiss; each pass colors it; each head plays what was recorded
its spacing ago, with the speed the tape really has. Stages can be switched off one
by one, to hear what each contributes.
"""

from __future__ import annotations

import itertools
import math
import os
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from tqdm import tqdm

from tapecalc.calc.quantity import between, finite, positive, single
from tapecalc.calc.standards import ALIGNMENT_LEVEL_DBFS
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude
from tapecalc.sound.engine import EchoSettings, echo_layout, wet_blocks
from tapecalc.sound.files import new_sound, open_sound, sound_blocks
from tapecalc.sound.motion import Motion, SpeedChange
from tapecalc.sound.samples import clipped_samples, level_of, sound_array, valid_rate

__all__ = [
    "STAGES",
    "EchoSound",
    "Motion",
    "RenderedFile",
    "SpeedChange",
    "echo_settings",
    "echo_tail",
    "render",
    "render_file",
    "without_stages",
]


#: What can be switched off.
STAGES = ("response", "flutter", "hiss", "saturation", "feedback")

TAIL_DB = 60.0  # the echo is rendered until it has fallen by this much
LONGEST_TAIL = 20.0  # s; a loop that does not die away is cut off here
SINE_PEAK_OVER_RMS = math.sqrt(2)


@dataclass(frozen=True)
class EchoSound:
    """A rendered take: the dry sound, the echo alone, and both together.

    Attributes
    ----------
    dry, wet, mix : numpy.ndarray
        Sounds of one shape, full scale at 1; the dry one is followed by silence while the
        echo dies away. `mix` may exceed full scale where both are loud.
    sample_rate : int
        Samples a second.
    """

    dry: np.ndarray
    wet: np.ndarray
    mix: np.ndarray
    sample_rate: int


@dataclass(frozen=True)
class RenderedFile:
    """What `render_file` wrote, and what a person should know about it.

    Attributes
    ----------
    path : pathlib.Path
        The file.
    seconds : float
        Its length in s.
    peak_db : float
        Peak against full scale in dB, before clipping.
    clipped : int
        Samples that went beyond full scale and were cut off.
    notes : tuple of str
        Sentences about the input and the output; empty where all is well.
    """

    path: Path
    seconds: float
    peak_db: float
    clipped: int
    notes: tuple[str, ...]

    def __str__(self):
        return "\n".join([f"{self.path} ({self.seconds:.1f} s, peak {self.peak_db:.1f} dB)", *self.notes])


def echo_settings(machine, speed=None, *, change=None, seed=0):
    """Say in SI what the engine needs to know of a machine.

    Full scale stands 18 dB above alignment level (EBU R 68), which is the machine's
    reference flux: headroom and tape noise count from there.

    Parameters
    ----------
    machine : Machine
        The machine.
    speed : float, optional
        Tape speed in m/s; the machine's first if left out.
    change : SpeedChange, optional
        One change of speed during the take.
    seed : int, optional
        For hiss, random wobble and the phases of the turning parts.

    Returns
    -------
    EchoSettings
        All stages on.

    Raises
    ------
    ValueError
        If the speed is not greater than 0, or a part wobbles beyond all use.

    See Also
    --------
    without_stages : switches some off

    Notes
    -----
    Source: EBU R 68-2000 for the level. Notebook: 05_flutter.

    Examples
    --------
    >>> from tapecalc.machine import example_machine
    >>> settings = echo_settings(example_machine())
    >>> settings.heads.spacings, round(settings.saturation, 3)
    ((0.0415,), 0.355)
    """
    v = machine.speeds[0] if speed is None else single("speed", positive("speed", speed, "m/s"))
    wobbles = tuple((part.wobble, part.rate_at(v)) for part in machine.turning_parts if part.wobble > 0)
    reference = db_to_amplitude(ALIGNMENT_LEVEL_DBFS)
    return EchoSettings(
        motion=Motion(
            speed=v,
            wobbles=wobbles,
            random_wobble=machine.flutter.random_percent_rms / 100,
            change=change,
            seed=seed,
        ),
        heads=machine.heads_at(v),
        return_gain=db_to_amplitude(machine.mixer.return_send_db),
        input_gain=db_to_amplitude(machine.mixer.input_send_db),
        one_pass=machine.one_pass(v),
        later_pass=None if change is None else machine.one_pass(v * change.ratio),
        hiss=reference / SINE_PEAK_OVER_RMS * db_to_amplitude(machine.levels.tape_noise_db),
        saturation=reference * db_to_amplitude(machine.levels.tape_headroom_db),
        seed=seed,
    )


def without_stages(settings, without):
    """Switch stages off.

    Parameters
    ----------
    settings : EchoSettings
        With all stages.
    without : sequence of str
        Names from `STAGES`: ``response`` makes a pass flat, ``flutter`` the run even (a
        change of speed stays), ``hiss`` silent, ``saturation`` without limit, and
        ``feedback`` leaves the first repeat alone.

    Returns
    -------
    EchoSettings
        Without those stages.

    Raises
    ------
    ValueError
        If a name is not known.

    See Also
    --------
    echo_settings : all stages on

    Notes
    -----
    Source: our own. Notebook: 05_flutter.

    Examples
    --------
    >>> from tapecalc.machine import example_machine
    >>> without_stages(echo_settings(example_machine()), ["feedback"]).return_gain
    0.0
    """
    names = (without,) if isinstance(without, str) else tuple(without)
    for name in names:
        if name not in STAGES:
            raise ValueError(f"without must hold names from {', '.join(STAGES)}, got {name!r}")
    off = {}
    if "response" in names:
        off |= {"one_pass": None, "later_pass": None}
    if "flutter" in names:
        off |= {"motion": replace(settings.motion, wobbles=(), phases=None, random_wobble=0.0)}
    if "hiss" in names:
        off |= {"hiss": 0.0}
    if "saturation" in names:
        off |= {"saturation": None}
    if "feedback" in names:
        off |= {"return_gain": 0.0}
    return replace(settings, **off)


def echo_tail(settings):
    """Compute how long the echo goes on after the sound has ended.

    The time in which the repeats fall by 60 dB, were the tape flat; at most 20 s.

    Parameters
    ----------
    settings : EchoSettings
        What is rendered.

    Returns
    -------
    float
        Time in s.

    Notes
    -----
    Source: geometric series of the repeats. Notebook: 03_repeats.

    Examples
    --------
    >>> from tapecalc.machine import example_machine
    >>> round(echo_tail(echo_settings(example_machine())), 1)
    2.4
    """
    longest = max(settings.heads.spacings) / settings.motion.slowest
    gain = abs(settings.return_gain) * np.sum(np.abs(settings.heads.return_gains))
    if gain >= 1:
        return LONGEST_TAIL
    repeats = TAIL_DB / -amplitude_to_db(gain) if gain > 0 else 0.0
    return min((1 + repeats) * longest, max(LONGEST_TAIL, longest))


def render(
    dry,
    sample_rate,
    machine,
    *,
    speed=None,
    change=None,
    without=(),
    seconds=None,
    seed=0,
    dry_db=0.0,
    wet_db=0.0,
):
    """Play a sound through the machine.

    ``bus = input * dry + return * sum(b_k h_k)``, ``wet = sum(a_k h_k)``, where the head k
    plays ``h_k(t)``, what was recorded at ``t - T_k(t)``, once through the response of a pass.

    Parameters
    ----------
    dry : array_like
        Floating-point samples, full scale at 1, of shape (n,) or (n, 2). The two channels
        share the tape's motion and, so that mono equals either channel, its hiss.
    sample_rate : int
        Samples a second.
    machine : Machine or EchoSettings
        What it is played through.
    speed : float, optional
        Tape speed in m/s; the machine's first if left out.
    change : SpeedChange, optional
        One change of speed during the take: everything on the tape bends by the ratio.
    without : sequence of str, optional
        Stages to switch off, see `without_stages`.
    seconds : float, optional
        Length of the take in s. Left out, the sound and its echo until it is 60 dB down.
    seed : int, optional
        For hiss, random wobble and the phases of the turning parts; the same seed gives
        the same samples.
    dry_db, wet_db : float, optional
        Levels of dry sound and echo in the mix in dB.

    Returns
    -------
    EchoSound
        Dry sound, echo and mix, of one shape.

    Raises
    ------
    ValueError
        If the samples are no sound, the take is over before the first repeat, the shortest
        delay is below some 4 ms, or a stage is not known.

    See Also
    --------
    render_file : the same from file to file

    Notes
    -----
    Source: the model of the plan; block by block, see `tapecalc.audio.passes`.
    Notebook: 03_repeats.

    Examples
    --------
    >>> from tapecalc.machine import example_machine
    >>> click = np.zeros(4800)
    >>> click[100] = 0.5
    >>> take = render(click, 48000, example_machine(), without=["flutter", "hiss"], seconds=0.4)
    >>> int(np.argmax(take.wet)) - 100  # 41.5 mm at 7.5 in/s are 217.85 ms
    10457
    """
    samples = sound_array(dry)
    rate = valid_rate(sample_rate)
    settings = _settings(machine, speed, change, without, seed)
    count = _take_length(settings, len(samples), rate, seconds)
    levels = [db_to_amplitude(single(n, finite(n, v))) for n, v in (("dry_db", dry_db), ("wet_db", wet_db))]
    source = samples[:count]
    if len(source) < count:
        source = np.zeros((count, *samples.shape[1:]))
        source[: len(samples)] = samples
    layout = echo_layout(settings, rate)
    wet = np.empty_like(source)
    tracks, heard = np.atleast_2d(source.T), np.atleast_2d(wet.T)
    for start, block in enumerate(wet_blocks(_blocks(tracks, layout.block), settings, layout)):
        part = heard[:, start * layout.block : (start + 1) * layout.block]
        part[:] = block[:, : part.shape[1]]
    mix = levels[0] * source
    mix += wet if levels[1] == 1 else levels[1] * wet
    return EchoSound(source, wet, mix, rate)


def _settings(machine, speed, change, without, seed):
    """Return the settings asked for, of a machine or ready made."""
    if isinstance(machine, EchoSettings):
        if speed is not None or change is not None:
            raise ValueError("speed and change must be left out where machine is an EchoSettings")
        return without_stages(machine, without)
    return without_stages(echo_settings(machine, speed, change=change, seed=seed), without)


def _take_length(settings, count, rate, seconds):
    """Return the length of the take in samples, refusing one that ends before the first repeat."""
    if seconds is None:
        return count + math.ceil(echo_tail(settings) * rate)
    seconds = single("seconds", positive("seconds", seconds, "s"))
    shortest = min(settings.heads.spacings) / settings.motion.speed
    if seconds <= shortest:
        raise ValueError(
            f"seconds must be more than the shortest delay, {shortest:.3g} s, for an echo to be heard, "
            f"got {seconds:g}"
        )
    return round(between("seconds", seconds * rate, 1, 2**40).item())


def _blocks(tracks, block):
    """Cut tracks (channels, samples) into blocks, the last one filled up with zeros."""
    count = tracks.shape[1]
    for start in range(0, count, block):
        part = tracks[:, start : start + block]
        yield part if part.shape[1] == block else _filled(part, block)


def _filled(part, block):
    """Fill a short block up with zeros."""
    return np.pad(part, ((0, 0), (0, block - part.shape[1])))


def render_file(
    machine,
    source_path,
    target_path,
    *,
    speed=None,
    change=None,
    without=(),
    wet_only=False,
    seconds=None,
    seed=0,
    progress=None,
):
    """Play a sound file through the machine into another file, in constant memory.

    Parameters
    ----------
    machine : Machine or EchoSettings
        What it is played through.
    source_path : str or os.PathLike
        WAV, FLAC, OGG or MP3, mono or stereo.
    target_path : str or os.PathLike
        The file to write, of the kind its ending names. It appears when it is complete.
    speed : float, optional
        Tape speed in m/s; the machine's first if left out.
    change : SpeedChange, optional
        One change of speed during the take.
    without : sequence of str, optional
        Stages to switch off, see `without_stages`.
    wet_only : bool, optional
        Write the echo without the dry sound.
    seconds : float, optional
        Length of the take in s. Left out, the sound and its echo until it is 60 dB down.
    seed : int, optional
        For hiss, random wobble and the phases of the turning parts.
    progress : bool or None, optional
        Whether to show a progress bar; None shows it where a terminal can.

    Returns
    -------
    RenderedFile
        Where it stands, how long and loud it is, and what a person should know.

    Raises
    ------
    ValueError
        If the source cannot be used, source and target are one file, or a value is out of its range.
    OSError
        If the target cannot be written; nothing is left behind and an old file stays.

    See Also
    --------
    render : the same in memory

    Notes
    -----
    Source: as `render`. Notebook: none.

    Examples
    --------
    >>> import tempfile
    >>> from tapecalc.sound.files import write_sound
    >>> from tapecalc.sound.signals import click
    >>> from tapecalc.machine import example_machine
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     dry = write_sound(Path(folder) / "dry.wav", click(0.1), 48000)
    ...     done = render_file(example_machine(), dry, Path(folder) / "echo.flac", seconds=0.5)
    >>> done.path.name, done.seconds, done.clipped
    ('echo.flac', 0.5, 0)
    """
    settings = _settings(machine, speed, change, without, seed)
    with open_sound(source_path) as source:
        if os.path.exists(target_path) and os.path.samefile(source_path, target_path):
            raise ValueError(f"{Path(target_path).name}: source and target must be two files")
        rate = source.samplerate
        count = _take_length(settings, source.frames, rate, seconds)
        layout = echo_layout(settings, rate)
        # Both see the same blocks; one of them is never more than a block ahead.
        sent, kept = itertools.tee(_source_blocks(source, layout.block, count))
        left, peak, clipped, source_clipped = count, 0.0, 0, 0
        hidden = None if progress is None else not progress  # None leaves it to the terminal
        with (
            new_sound(target_path, rate, source.channels) as target,
            tqdm(total=round(count / rate), unit="s", desc="echo", disable=hidden) as bar,
        ):
            for wet, dry in zip(wet_blocks(sent, settings, layout), kept, strict=True):
                out = (wet if wet_only else wet + dry)[:, :left].T
                peak = max(peak, float(np.abs(out).max()))
                clipped += int(np.count_nonzero(np.abs(out) > 1))
                source_clipped += clipped_samples(dry.T)
                target.write(np.clip(out, -1, 1))
                left -= len(out)
                bar.update(round((count - left) / rate) - bar.n)
    notes = _notes(source_clipped, clipped)
    return RenderedFile(Path(target_path), count / rate, level_of(peak), clipped, notes)


def _source_blocks(source, block, count):
    """Yield a sound file in blocks (channels, block), silence after its end, `count` samples in all."""
    sound, silence = sound_blocks(source, block), np.zeros((0, source.channels))
    for start in range(0, count, block):
        yield _filled(next(sound, silence).T[:, : count - start], block)


def _notes(source_clipped, clipped):
    """Say what a person should know about input and output."""
    notes = []
    if source_clipped:
        notes.append(f"The input was clipped when it was recorded ({source_clipped} samples).")
    if clipped:
        notes.append(f"{clipped} samples went beyond full scale and were cut off: turn the input down.")
    return tuple(notes)
