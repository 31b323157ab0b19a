"""Hear it: what the planned machine does to real sound.

The model is that of the plan. The bus adds the input send and what returns; the tape limits it and adds hiss;
each pass colors it; each head plays what was recorded its spacing ago, with the speed the tape really has.
Stages can be switched off one by one, to hear what each contributes.
"""

import itertools
import math
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import ArrayLike
from tqdm import tqdm

from tapecalc.calc.levels import FULL_ABOVE_MOL_DB
from tapecalc.calc.quantity import Duration, Level, Speed, between, calculator
from tapecalc.calc.standards import ALIGNMENT_LEVEL_DBFS
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude
from tapecalc.machine import Machine
from tapecalc.sound.engine import EchoSettings, echo_layout, wet_blocks
from tapecalc.sound.files import StrPath, new_sound, open_sound, sound_blocks
from tapecalc.sound.motion import Motion, SpeedChange
from tapecalc.sound.samples import Array, SampleRate, Seed, clipped_samples, level_of, sound_array

#: What can be switched off.
STAGES = ("response", "flutter", "hiss", "saturation", "feedback")

TAIL_DB = 60.0  # the echo is rendered until it has fallen by this much
LONGEST_TAIL = 20.0  # s; a loop that does not die away is cut off here


@dataclass(frozen=True)
class EchoSound:
    """A rendered take: the dry sound, the echo alone, and both together, of one shape.

    The dry sound is followed by silence while the echo dies away. The mix may exceed full scale where both
    are loud.
    """

    dry: Array
    wet: Array
    mix: Array
    sample_rate: int


@dataclass(frozen=True)
class RenderedFile:
    """What `render_file` wrote, and what a person should know about it."""

    path: Path
    seconds: float
    peak_db: float  # against full scale, before clipping
    clipped: int  # samples that went beyond full scale and were cut off
    notes: tuple[str, ...]  # sentences about the input and the output; empty where all is well

    def __str__(self) -> str:
        return "\n".join([f"{self.path} ({self.seconds:.1f} s, peak {self.peak_db:.1f} dB)", *self.notes])


@calculator
def echo_settings(
    machine: Machine,
    speed: Speed[float] | None = None,
    *,
    change: SpeedChange | None = None,
    seed: Seed[int] = 0,
) -> EchoSettings:
    """Say in SI what the engine needs to know of a machine, at its first speed unless another is given.

    Full scale is 18 dB above alignment level (EBU R 68-2000), which is the machine's reference flux: headroom
    and tape noise count from there. The seed is for hiss, random wobble and the phases of the turning parts.
    All stages are on; `without_stages` switches some off.

    >>> from tapecalc.machine import example_machine
    >>> settings = echo_settings(example_machine())
    >>> settings.heads.spacings, round(settings.saturation, 3)
    ((0.0415,), 0.348)
    """
    v = machine.speeds[0] if speed is None else speed
    wobbles = tuple((part.wobble_at(v), part.rate_at(v)) for part in machine.turning_parts if part.wobble > 0)
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
        hiss=reference / math.sqrt(2) * db_to_amplitude(machine.tape_noise_db(v)),
        saturation=reference * db_to_amplitude(machine.tape_mol_db(v) + FULL_ABOVE_MOL_DB),
        seed=seed,
    )


def without_stages(settings: EchoSettings, without: str | Iterable[str]) -> EchoSettings:
    """Switch stages off, by names from `STAGES`.

    ``response`` makes a pass flat, ``flutter`` the run even (a change of speed stays), ``hiss`` silent,
    ``saturation`` without limit, and ``feedback`` leaves the first repeat alone.

    >>> from tapecalc.machine import example_machine
    >>> without_stages(echo_settings(example_machine()), ["feedback"]).return_gain
    0.0
    """
    names = (without,) if isinstance(without, str) else tuple(without)
    for name in names:
        if name not in STAGES:
            raise ValueError(f"without must hold names from {', '.join(STAGES)}, got {name!r}")
    changes: dict[str, dict[str, Any]] = {
        "response": {"one_pass": None, "later_pass": None},
        "flutter": {"motion": replace(settings.motion, wobbles=(), phases=None, random_wobble=0.0)},
        "hiss": {"hiss": 0.0},
        "saturation": {"saturation": None},
        "feedback": {"return_gain": 0.0},
    }
    return replace(settings, **{field: to for name in names for field, to in changes[name].items()})


def echo_tail(settings: EchoSettings) -> float:
    """Compute how long the echo goes on after the sound has ended, in s.

    The time in which the repeats fall by 60 dB, were the tape flat; at most 20 s.

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


@calculator
def render(
    dry: ArrayLike,
    sample_rate: SampleRate[int],
    machine: Machine | EchoSettings,
    *,
    speed: Speed[float] | None = None,
    change: SpeedChange | None = None,
    without: str | Iterable[str] = (),
    seconds: Duration[float] | None = None,
    seed: Seed[int] = 0,
    dry_db: Level[float] = 0.0,
    wet_db: Level[float] = 0.0,
) -> EchoSound:
    """Play a sound, floats of shape (n,) or (n, 2) with full scale at 1, through the machine.

    ``bus = input * dry + return * sum(b_k h_k)``, ``wet = sum(a_k h_k)``, where the head k plays ``h_k(t)``,
    what was recorded at ``t - T_k(t)``, once through the response of a pass. Two channels share the tape's
    motion and, so that mono equals either of them, its hiss. The take lasts `seconds`, or until the echo is
    60 dB down; the same `seed` gives the same samples. Speed and seed are those of `echo_settings`, the
    stages to switch off those of `without_stages`; a `change` of speed bends everything on the tape.

    >>> from tapecalc.machine import example_machine
    >>> click = np.zeros(4800)
    >>> click[100] = 0.5
    >>> take = render(click, 48000, example_machine(), without=["flutter", "hiss"], seconds=0.4)
    >>> int(np.argmax(take.wet)) - 100  # 41.5 mm at 7.5 in/s are 217.85 ms; equalizers lead a little
    10456
    """
    samples = sound_array(dry)
    settings = _settings(machine, speed, change, without, seed)
    count = _take_length(settings, len(samples), sample_rate, seconds)
    layout = echo_layout(settings, sample_rate)
    blocks = math.ceil(count / layout.block)
    filled = np.zeros((blocks * layout.block, *samples.shape[1:]))
    filled[: min(count, len(samples))] = samples[:count]
    sent = np.split(np.atleast_2d(filled.T), blocks, axis=1)
    wet = np.empty_like(filled)
    for heard, part in zip(wet_blocks(sent, settings, layout), np.split(wet, blocks), strict=True):
        part[:] = heard.T.reshape(part.shape)
    source, wet = filled[:count], wet[:count]
    mix = db_to_amplitude(dry_db) * source + db_to_amplitude(wet_db) * wet
    return EchoSound(source, wet, mix, sample_rate)


def _settings(
    machine: Machine | EchoSettings,
    speed: float | None,
    change: SpeedChange | None,
    without: str | Iterable[str],
    seed: int,
) -> EchoSettings:
    """Return the settings asked for, of a machine or ready made."""
    if isinstance(machine, EchoSettings):
        if speed is not None or change is not None:
            raise ValueError("speed and change must be left out where machine is an EchoSettings")
        return without_stages(machine, without)
    return without_stages(echo_settings(machine, speed, change=change, seed=seed), without)


def _take_length(settings: EchoSettings, count: int, rate: int, seconds: float | None) -> int:
    """Return the length of the take in samples, refusing one that ends before the first repeat."""
    if seconds is None:
        return count + math.ceil(echo_tail(settings) * rate)
    shortest = min(settings.heads.spacings) / settings.motion.speed
    if seconds <= shortest:
        raise ValueError(
            f"seconds must be more than the shortest delay, {shortest:.3g} s, for an echo to be heard, "
            f"got {seconds:g}"
        )
    return round(between("seconds", seconds * rate, 1, 2**40).item())


@calculator
def render_file(
    machine: Machine | EchoSettings,
    source_path: StrPath,
    target_path: StrPath,
    *,
    speed: Speed[float] | None = None,
    change: SpeedChange | None = None,
    without: str | Iterable[str] = (),
    wet_only: bool = False,
    seconds: Duration[float] | None = None,
    seed: Seed[int] = 0,
    progress: bool | None = None,
) -> RenderedFile:
    """Play a sound file through the machine into another file, in constant memory.

    The options are those of `render`. The target is of the kind its ending names and appears when it is
    complete; `wet_only` leaves the dry sound out, and `progress` shows a bar, where a terminal can if None.

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
    notes = [
        f"The input was clipped when it was recorded ({source_clipped} samples).",
        f"{clipped} samples went beyond full scale and were cut off: turn the input down.",
    ]
    said = tuple(itertools.compress(notes, (source_clipped, clipped)))
    return RenderedFile(Path(target_path), count / rate, level_of(peak), clipped, said)


def _source_blocks(source: soundfile.SoundFile, block: int, count: int) -> Iterator[Array]:
    """Yield a sound file in blocks (channels, block), silence after its end, `count` samples in all."""
    sound, silence = sound_blocks(source, block), np.zeros((0, source.channels))
    for start in range(0, count, block):
        part = next(sound, silence).T[:, : count - start]
        yield np.pad(part, ((0, 0), (0, block - part.shape[1])))
