"""One machine, its tape, heads, mixer and song, as a person describes it.

The keys of the file are in trade units with the unit in the name; the
properties of `Machine` give the same things in SI to the rest of the library.
Only the speeds and one head spacing must be given. Everything else has a
default, and `Machine.assumed` lists what was not said.
"""

from __future__ import annotations

import difflib
import math
import tomllib
from importlib import resources
from pathlib import Path
from typing import Annotated

import tomli_w
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from tapecalc.calc.heads import MOST_HEADS, Heads
from tapecalc.calc.levels import Stage
from tapecalc.calc.loop import EchoLoop
from tapecalc.calc.parts import TurningPart
from tapecalc.calc.response import HeadContact, OnePass
from tapecalc.calc.standards import DEFAULT_GAP_FACTOR
from tapecalc.calc.transport import delay_from_spacing, delay_uncertainty, mains_speed_ratio
from tapecalc.calc.units import db_to_amplitude, from_si, to_si
from tapecalc.files import write_file

__all__ = [
    "Machine",
    "MachineFileError",
    "example_machine",
    "machine_from_options",
    "machine_from_text",
    "machine_to_text",
    "read_machine",
    "with_changes",
    "write_machine",
]


MOST_SPEEDS = 6
LARGEST_FILE = 64_000  # bytes; a machine file is a page of text
SMALLEST = 1e-100  # what is smaller, and not 0, is no measurement and is lost in conversions
SLOWEST, FASTEST = 0.001, 20.0  # tape speeds that are planned, m/s; machines have 0.012 to 7.6
SHORTEST, LONGEST = 1e-5, 60.0  # delays that are planned, s
FARTHEST = 3  # standard uncertainties between a measured delay and spacing over speed
ROUNDED = 1e-5  # relative, what the digits of a file may cost


class MachineFileError(ValueError):
    """A machine file that cannot be used, with one line that says why."""


def _number(default, description, **limits):
    """Declare one number of the machine file: its default, what it is, what is allowed."""
    return Field(default, description=description, allow_inf_nan=False, **limits)


class _Section(BaseModel):
    """What all sections have in common: fixed once read, no unknown keys, no text for numbers."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    @field_validator("*")
    @classmethod
    def _measurable(cls, value):
        if isinstance(value, float) and 0 < abs(value) < SMALLEST:
            raise ValueError(f"must be 0 or a number that can be measured, got {value:g}")
        return value


_Speed = Annotated[float, Field(gt=0, le=300, allow_inf_nan=False)]


class Transport(_Section):
    """How the tape is driven."""

    speeds_ips: tuple[_Speed, ...] | None = Field(
        None,
        description="tape speeds in inches per second",
        min_length=1,
        max_length=MOST_SPEEDS,
        strict=False,
    )
    speeds_cm_s: tuple[_Speed, ...] | None = Field(
        None,
        description="tape speeds in centimeters per second, instead of speeds_ips",
        min_length=1,
        max_length=MOST_SPEEDS,
        strict=False,
    )
    speed_uncertainty_percent: float = _number(1.5, "how far the real speed may be off", ge=0, le=20)
    capstan_diameter_mm: float | None = _number(None, "capstan diameter, for sleeves", gt=0, le=200)
    mains_hz: float | None = _number(None, "supply frequency that feeds the motor", gt=0, le=500)
    design_mains_hz: float | None = _number(
        None, "supply frequency the motor was made for, if another", gt=0, le=500
    )

    @model_validator(mode="after")
    def _one_list_of_speeds(self):
        if (self.speeds_ips is None) == (self.speeds_cm_s is None):
            raise ValueError("needs either speeds_ips or speeds_cm_s, and not both")
        return self


class Tape(_Section):
    """The tape on the machine."""

    total_thickness_um: float = _number(35.0, "total tape thickness", gt=0, le=200)
    coating_thickness_um: float = _number(11.0, "thickness of the magnetic coating", gt=0, le=100)
    length_m: float = _number(549.0, "length of tape on the reel", gt=0, le=5000)

    @model_validator(mode="after")
    def _coating_within_tape(self):
        if self.coating_thickness_um >= self.total_thickness_um:
            raise ValueError("coating_thickness_um must be less than total_thickness_um")
        return self


class HeadSection(_Section):
    """What all playback heads have in common."""

    track_width_mm: float = _number(2.0, "width of the track that is played", gt=0, le=60)
    gap_um: float = _number(4.0, "length of the playback gap", ge=0, le=50)
    gap_factor: float = _number(DEFAULT_GAP_FACTOR, "effective gap over the mechanical gap", ge=1, le=1.5)
    spacing_loss_um: float = _number(0.5, "head-to-tape separation today", ge=0, le=50)
    aligned_spacing_loss_um: float = _number(
        0.5, "head-to-tape separation when the machine was aligned", ge=0, le=50
    )
    azimuth_error_arcmin: float = _number(0.0, "tilt of the playback gap today", ge=-300, le=300)
    aligned_azimuth_error_arcmin: float = _number(
        0.0, "tilt of the playback gap when the machine was aligned", ge=-300, le=300
    )
    treble_boost_db: float = _number(
        12.0, "most treble boost that the machine's equalizers can give", ge=0, le=60
    )
    low_cut_hz: float = _number(30.0, "where the bass falls by 3 dB in one pass", ge=0, le=1000)


class PlaybackHead(_Section):
    """One playback head, seen from the record head."""

    spacing_mm: float = _number(..., "distance from record gap to playback gap", gt=0, le=20000)
    spacing_uncertainty_mm: float = _number(0.5, "how far that distance may be off", ge=0, le=100)
    level_db: float = _number(0.0, "level of this head in the sum of all heads", ge=-90, le=20)
    feeds_return: bool = Field(True, description="whether this head feeds the return send")


class MeasuredDelay(_Section):
    """The delay of one head at one speed, which is often known better than spacing or speed."""

    head: int = Field(..., description="which playback head, counted from 1", ge=1, le=MOST_HEADS)
    speed: int = Field(..., description="which of the speeds listed, counted from 1", ge=1, le=MOST_SPEEDS)
    delay_ms: float = _number(..., "that delay as measured", gt=0, le=60_000)
    delay_uncertainty_ms: float = _number(..., "how far it may be off", ge=0, le=1000)


class Mixer(_Section):
    """The small mixer that closes the loop."""

    input_send_db: float = _number(0.0, "send from the instrument to the machine", ge=-90, le=20)
    return_send_db: float = _number(-6.0, "send from the playback back to the machine", ge=-90, le=20)


class Song(_Section):
    """What the echo is for."""

    bpm: float | None = _number(None, "tempo in quarter notes a minute", ge=20, le=400)
    wanted_repeats: int = Field(4, description="repeats to be heard", ge=1, le=200)
    faded_db: float = _number(-30.0, "level at which a repeat no longer counts as heard", ge=-100, le=-1)


class Levels(_Section):
    """Line levels through instrument, mixer and machine."""

    instrument_dbu: float = _number(-10.0, "peak level of the instrument", ge=-80, le=30)
    mixer_gain_db: float = _number(10.0, "gain of the mixer's input channel", ge=-60, le=80)
    mixer_max_dbu: float = _number(20.0, "level at which the mixer clips", ge=-20, le=40)
    mixer_noise_dbu: float = _number(-90.0, "noise of the mixer at the send", ge=-140, le=0)
    machine_reference_dbu: float = _number(
        4.0, "line level that puts the reference flux on tape", ge=-40, le=30
    )
    machine_max_dbu: float = _number(20.0, "level at which the machine's electronics clip", ge=-20, le=40)
    tape_headroom_db: float = _number(9.0, "level above the reference at which the tape is full", ge=0, le=40)
    tape_noise_db: float = _number(-56.0, "tape noise against the reference", ge=-120, le=-10)


class Flutter(_Section):
    """Speed wobble that belongs to no turning part."""

    random_percent_rms: float = _number(0.03, "random speed wobble, rms", ge=0, le=10)


class Part(_Section):
    """One turning part. Give its diameter, or a belt's length and pulley, or a reel's radius."""

    name: str = Field(..., description="what the part is called", min_length=1, max_length=60)
    diameter_mm: float | None = _number(None, "diameter of a part that runs at tape speed", gt=0, le=500)
    length_mm: float | None = _number(None, "length of a belt", gt=0, le=5000)
    pulley_mm: float | None = _number(
        None, "diameter of the pulley on the capstan shaft that drives the belt", gt=0, le=500
    )
    radius_mm: float | None = _number(None, "radius of the tape on a reel", gt=0, le=500)
    wobble_percent: float = _number(0.0, "speed wobble once a turn, zero to peak", ge=0, le=10)

    @field_validator("name")
    @classmethod
    def _printable(cls, value):
        return _printable_line(value)

    @model_validator(mode="after")
    def _one_kind(self):
        given = {k for k in ("diameter_mm", "length_mm", "pulley_mm", "radius_mm") if getattr(self, k)}
        if given not in ({"diameter_mm"}, {"length_mm", "pulley_mm"}, {"radius_mm"}):
            raise ValueError("needs diameter_mm, or length_mm and pulley_mm, or radius_mm")
        return self


def _printable_line(value):
    """Refuse control characters and line breaks, which would upset a terminal or a table."""
    if not value.isprintable() or not value.strip():
        raise ValueError("must be one line of printable characters")
    return value


class Machine(_Section):
    """A machine as a person describes it; see the module for the SI view.

    Attributes
    ----------
    name : str
        What the owner calls it.
    transport, tape, heads, playback_heads, mixer, song, levels, flutter, parts, measured_delays
        The sections of the file.
    """

    name: str = Field("my machine", description="what the owner calls it", min_length=1, max_length=80)
    transport: Transport
    tape: Tape = Tape()
    heads: HeadSection = HeadSection()
    playback_heads: tuple[PlaybackHead, ...] = Field(
        ...,
        description="the playback heads, in tape order",
        min_length=1,
        max_length=MOST_HEADS,
        strict=False,
    )
    mixer: Mixer = Mixer()
    song: Song = Song()
    levels: Levels = Levels()
    flutter: Flutter = Flutter()
    parts: tuple[Part, ...] = Field((), description="turning parts", max_length=30, strict=False)
    measured_delays: tuple[MeasuredDelay, ...] = Field(
        (),
        description="delays that were measured, to stand for spacing over speed",
        max_length=MOST_SPEEDS * MOST_HEADS,
        strict=False,
    )

    @field_validator("name")
    @classmethod
    def _printable(cls, value):
        return _printable_line(value)

    @model_validator(mode="after")
    def _heads_in_tape_order(self):
        spacings = [head.spacing_mm for head in self.playback_heads]
        if spacings != sorted(spacings):
            raise ValueError("playback_heads must stand in tape order, nearest to the record head first")
        return self

    @model_validator(mode="after")
    def _belts_need_a_capstan(self):
        for part in self.parts:
            if part.length_mm is not None and self.transport.capstan_diameter_mm is None:
                raise ValueError(f"transport.capstan_diameter_mm is needed for the belt {part.name!r}")
        return self

    @model_validator(mode="after")
    def _parts_have_names_of_their_own(self):
        names = [part.name for part in self.parts]
        for number, name in enumerate(names, start=1):
            if name in names[: number - 1]:
                raise ValueError(f"parts[{number}].name must be another one, {name!r} is taken")
        return self

    @model_validator(mode="after")
    def _speeds_and_delays_of_a_machine(self):
        for speed in self.speeds:
            if not SLOWEST <= speed <= FASTEST:
                raise ValueError(
                    f"transport gives a tape speed of {speed:.3g} m/s; "
                    f"{SLOWEST:g} to {FASTEST:g} m/s can be planned"
                )
            for number, spacing in enumerate(self.spacings, start=1):
                delay = delay_from_spacing(spacing, speed)
                if not SHORTEST <= delay <= LONGEST:
                    raise ValueError(
                        f"playback_heads[{number}].spacing_mm gives a delay of {delay:.3g} s at "
                        f"{speed:.3g} m/s; {SHORTEST:g} to {LONGEST:g} s can be planned"
                    )
        return self

    @model_validator(mode="after")
    def _measured_delays_agree_with_spacing_and_speed(self):
        taken = set()
        for number, one in enumerate(self.measured_delays, start=1):
            key = f"measured_delays[{number}]"
            for name, given, count in (
                ("head", one.head, len(self.playback_heads)),
                ("speed", one.speed, len(self.speeds)),
            ):
                if given > count:
                    raise ValueError(f"{key}.{name} must be {count} or less on this machine, got {given}")
            if (one.head, one.speed) in taken:
                raise ValueError(f"{key} must be of another head or speed, that one is measured already")
            taken.add((one.head, one.speed))
            delay, unsure = self._stated_delay(one.head - 1, self.speeds[one.speed - 1])
            delay_ms, unsure_ms = from_si(delay, "ms"), from_si(unsure, "ms")
            reach_ms = FARTHEST * math.hypot(unsure_ms, one.delay_uncertainty_ms) + ROUNDED * delay_ms
            if abs(one.delay_ms - delay_ms) > reach_ms:
                raise ValueError(
                    f"{key}.delay_ms must be spacing over speed, {delay_ms:.6g} ms, within {reach_ms:.3g} ms "
                    f"({FARTHEST} standard uncertainties), got {one.delay_ms:.6g}"
                )
        return self

    @property
    def speeds(self):
        """Tape speeds in m/s as they really run, in the order given (a tuple)."""
        transport = self.transport
        if transport.speeds_ips is not None:
            nominal = [to_si(speed, "ips") for speed in transport.speeds_ips]
        else:
            nominal = [to_si(speed, "cm_s") for speed in transport.speeds_cm_s]
        return tuple(speed * self.mains_ratio for speed in nominal)

    @property
    def mains_ratio(self):
        """Real over nominal speed on this supply; 1 where no other supply is named."""
        transport = self.transport
        if transport.mains_hz is None or transport.design_mains_hz is None:
            return 1.0
        return mains_speed_ratio(transport.mains_hz, transport.design_mains_hz)

    @property
    def speed_uncertainty(self):
        """Standard uncertainty of the speed, as a fraction of it."""
        return to_si(self.transport.speed_uncertainty_percent, "percent")

    @property
    def capstan_diameter(self):
        """Capstan diameter in m, or None where it is not known."""
        diameter = self.transport.capstan_diameter_mm
        return None if diameter is None else to_si(diameter, "mm")

    @property
    def tape_thickness(self):
        """Total tape thickness in m."""
        return to_si(self.tape.total_thickness_um, "um")

    @property
    def spacings(self):
        """Spacing of each playback head from the record head in m (a tuple)."""
        return tuple(to_si(head.spacing_mm, "mm") for head in self.playback_heads)

    @property
    def spacing_uncertainties(self):
        """Standard uncertainty of each spacing in m (a tuple)."""
        return tuple(to_si(head.spacing_uncertainty_mm, "mm") for head in self.playback_heads)

    def _stated_delay(self, head, speed):
        """Delay and its standard uncertainty from spacing and speed alone; `head` counts from 0."""
        spacing, unsure = self.spacings[head], self.spacing_uncertainties[head]
        return (
            delay_from_spacing(spacing, speed),
            delay_uncertainty(spacing, speed, unsure, self.speed_uncertainty * speed),
        )

    def _measured_at(self, speed):
        """The measured delays at one of the machine's own speeds, by head counted from 0."""
        return {one.head - 1: one for one in self.measured_delays if self.speeds[one.speed - 1] == speed}

    def delays(self, speed):
        """Delay of each playback head in s at a `speed` in m/s (a tuple).

        As measured where the file holds it for that very speed, else spacing over speed.
        """
        measured = self._measured_at(speed)
        return tuple(
            to_si(measured[head].delay_ms, "ms") if head in measured else delay_from_spacing(spacing, speed)
            for head, spacing in enumerate(self.spacings)
        )

    def delay_uncertainties(self, speed):
        """Standard uncertainty of each delay in s at a `speed` in m/s (a tuple)."""
        measured = self._measured_at(speed)
        return tuple(
            to_si(measured[head].delay_uncertainty_ms, "ms")
            if head in measured
            else self._stated_delay(head, speed)[1]
            for head in range(len(self.playback_heads))
        )

    def delays_measured(self, speed):
        """Whether the delay of each head at a `speed` in m/s was measured (a tuple of bool)."""
        measured = self._measured_at(speed)
        return tuple(head in measured for head in range(len(self.playback_heads)))

    def delays_that_hold(self, other):
        """The measured delays that hold for an `other` machine as well (a tuple).

        Those of heads and speeds that stand there with the same number and the same value.
        """

        def same(ours, theirs, number):
            return number <= len(theirs) and ours[number - 1] == theirs[number - 1]

        return tuple(
            one
            for one in self.measured_delays
            if same(self.spacings, other.spacings, one.head) and same(self.speeds, other.speeds, one.speed)
        )

    def spacings_at(self, speed):
        """Spacing of each head in m that gives its delay at a `speed` in m/s (a tuple).

        The stated one, but where the delay was measured: no ruler is as good.
        """
        measured = self._measured_at(speed)
        return tuple(
            to_si(measured[head].delay_ms, "ms") * speed if head in measured else spacing
            for head, spacing in enumerate(self.spacings)
        )

    def heads_at(self, speed: float) -> Heads:
        """The playback heads with the spacings that give their delays at a `speed` in m/s."""
        return Heads(
            spacings=self.spacings_at(speed),
            gains=tuple(db_to_amplitude(head.level_db) for head in self.playback_heads),
            feeds_return=tuple(head.feeds_return for head in self.playback_heads),
        )

    def one_pass(self, speed):
        """Response of one pass over the tape at a `speed` in m/s (a `OnePass`)."""
        heads = self.heads
        fixed = {
            "gap": to_si(heads.gap_um, "um"),
            "gap_factor": heads.gap_factor,
            "coating_thickness": to_si(self.tape.coating_thickness_um, "um"),
            "track_width": to_si(heads.track_width_mm, "mm"),
        }
        return OnePass(
            speed=speed,
            today=HeadContact(
                separation=to_si(heads.spacing_loss_um, "um"),
                azimuth_angle=to_si(heads.azimuth_error_arcmin, "arcmin"),
                **fixed,
            ),
            aligned=HeadContact(
                separation=to_si(heads.aligned_spacing_loss_um, "um"),
                azimuth_angle=to_si(heads.aligned_azimuth_error_arcmin, "arcmin"),
                **fixed,
            ),
            boost_db=heads.treble_boost_db,
            low_cut=heads.low_cut_hz,
        )

    def echo_loop(self, speed):
        """The loop that the mixer closes at a `speed` in m/s (an `EchoLoop`)."""
        return EchoLoop(
            heads=self.heads_at(speed),
            return_gain=db_to_amplitude(self.mixer.return_send_db),
            input_gain=db_to_amplitude(self.mixer.input_send_db),
            one_pass=self.one_pass(speed),
        )

    @property
    def turning_parts(self):
        """The parts that turn, in SI (a tuple of `TurningPart`)."""

        def meters(value):
            return None if value is None else to_si(value, "mm")

        return tuple(
            TurningPart(
                name=part.name,
                diameter=meters(part.diameter_mm),
                belt_length=meters(part.length_mm),
                pulley_diameter=meters(part.pulley_mm),
                capstan_diameter=self.capstan_diameter if part.length_mm is not None else None,
                reel_radius=meters(part.radius_mm),
                tape_thickness=self.tape_thickness,
                wobble=to_si(part.wobble_percent, "percent"),
            )
            for part in self.parts
        )

    @property
    def level_stages(self):
        """The way of the signal through mixer, machine and back (a tuple of `Stage`)."""
        levels, mixer = self.levels, self.mixer
        tape_full_dbu = levels.machine_reference_dbu + levels.tape_headroom_db
        tape_noise_dbu = levels.machine_reference_dbu + levels.tape_noise_db
        return (
            Stage("mixer input", levels.mixer_gain_db, levels.mixer_max_dbu, levels.mixer_noise_dbu),
            Stage("input send", mixer.input_send_db, levels.mixer_max_dbu),
            Stage("machine input", 0.0, levels.machine_max_dbu),
            Stage("tape", 0.0, tape_full_dbu, tape_noise_dbu),
            Stage("playback output", 0.0, levels.machine_max_dbu),
            Stage("return send", mixer.return_send_db, levels.mixer_max_dbu),
        )

    @property
    def assumed(self):
        """What the file did not say: (key, value or None, description) for each default used."""
        rows = []
        for key, field in type(self).model_fields.items():
            value = getattr(self, key)
            if isinstance(value, BaseModel):
                rows += _unset(value, f"{key}.")
            elif key == "playback_heads":
                for number, head in enumerate(value, start=1):
                    rows += _unset(head, f"playback_heads[{number}].")
            elif key not in self.model_fields_set:
                rows.append((key, value, field.description))
        given_otherwise = ("measured_delays", "parts", "transport.speeds_cm_s", "transport.speeds_ips")
        return tuple(row for row in rows if row[0] not in given_otherwise)


def _unset(section, prefix):
    """List the keys of one section that kept their defaults."""
    return [
        (prefix + key, getattr(section, key), field.description)
        for key, field in type(section).model_fields.items()
        if key not in section.model_fields_set
    ]


def machine_from_text(text, *, source="machine file"):
    """Read a machine from the text of a TOML file.

    Parameters
    ----------
    text : str
        The content of the file.
    source : str, optional
        What error messages call the file.

    Returns
    -------
    Machine
        The machine, validated.

    Raises
    ------
    MachineFileError
        If the text is not TOML, or a key is missing, unknown or out of its range.

    See Also
    --------
    machine_to_text : the inverse

    Notes
    -----
    Source: TOML 1.0. Notebook: workbench.

    Examples
    --------
    >>> text = "transport.speeds_ips = [7.5]\\nplayback_heads = [{spacing_mm = 41.5}]"
    >>> machine_from_text(text).speeds
    (0.1905,)
    """
    try:
        data = tomllib.loads(text)
    except ValueError as error:  # numbers of thousands of digits included
        reason = _cut(_without_controls(str(error)), 100)
        raise MachineFileError(f"{source}: not a TOML file ({reason})") from None
    except RecursionError:
        raise MachineFileError(f"{source}: not a machine file (nested too deeply)") from None
    return _validated(data, source)


def machine_to_text(machine):
    """Write a machine as TOML text, only what was said about it.

    Parameters
    ----------
    machine : Machine
        The machine.

    Returns
    -------
    str
        TOML text from which `machine_from_text` makes the same machine.

    See Also
    --------
    machine_from_text : the inverse

    Notes
    -----
    Source: TOML 1.0. Notebook: workbench.

    Examples
    --------
    >>> print(machine_to_text(example_machine()).splitlines()[0])
    name = "Bench deck"
    """
    return tomli_w.dumps(machine.model_dump(exclude_unset=True, exclude_none=True))


def read_machine(path):
    """Read a machine file.

    Parameters
    ----------
    path : str or os.PathLike
        The file, TOML in UTF-8.

    Returns
    -------
    Machine
        The machine, validated.

    Raises
    ------
    MachineFileError
        If the file cannot be read or used; one line that names the file and the key.

    See Also
    --------
    write_machine : the inverse

    Notes
    -----
    Source: TOML 1.0. Notebook: workbench.

    Examples
    --------
    >>> read_machine("nowhere.toml")
    Traceback (most recent call last):
    tapecalc.machine.MachineFileError: nowhere.toml: cannot be read (No such file or directory)
    """
    source = _plain(Path(path).name or str(path))
    try:
        with open(path, "rb") as file:
            raw = file.read(LARGEST_FILE + 1)
    except OSError as error:
        raise MachineFileError(f"{source}: cannot be read ({error.strerror or error})") from None
    except ValueError as error:
        raise MachineFileError(f"{source}: cannot be read ({error})") from None
    if len(raw) > LARGEST_FILE:
        raise MachineFileError(f"{source}: not a machine file (over {LARGEST_FILE // 1000} kB)")
    try:
        text = raw.decode()
    except UnicodeDecodeError:
        raise MachineFileError(f"{source}: not a TOML file (not UTF-8 text)") from None
    return machine_from_text(text, source=source)


def write_machine(machine, path):
    """Write a machine file in one step.

    Parameters
    ----------
    machine : Machine
        The machine.
    path : str or os.PathLike
        Where the file shall stand.

    Returns
    -------
    pathlib.Path
        The path that was written.

    Raises
    ------
    OSError
        If it cannot be written; an old file stays as it was.

    See Also
    --------
    read_machine : the inverse

    Notes
    -----
    Source: TOML 1.0. Notebook: workbench.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = write_machine(example_machine(), Path(folder) / "copy.toml")
    ...     read_machine(path) == example_machine()
    True
    """
    return write_file(path, machine_to_text(machine))


def example_machine():
    """Return the bundled example: the club's bench deck.

    Returns
    -------
    Machine
        The machine described in ``tapecalc/examples/bench_deck.toml``.

    Notes
    -----
    Source: our own scenario. Notebook: workbench.

    Examples
    --------
    >>> example_machine().name
    'Bench deck'
    """
    file = resources.files("tapecalc.examples") / "bench_deck.toml"
    return machine_from_text(file.read_text(encoding="utf-8"), source=file.name)


def machine_from_options(*, spacings_mm, speeds_ips=None, speeds_cm_s=None):
    """Make a machine of the few numbers that suffice, typed by hand.

    Parameters
    ----------
    spacings_mm : sequence of float
        Distance of each playback head from the record head in mm, in any order.
    speeds_ips : sequence of float, optional
        Tape speeds in inches per second.
    speeds_cm_s : sequence of float, optional
        Tape speeds in centimeters per second, instead of `speeds_ips`.

    Returns
    -------
    Machine
        The machine; all else is assumed.

    Raises
    ------
    MachineFileError
        If a number is missing or out of its range.

    See Also
    --------
    machine_from_text : the same from a file

    Notes
    -----
    Source: house rule, only what a person can know is required. Notebook: workbench.

    Examples
    --------
    >>> machine_from_options(spacings_mm=[41.5], speeds_ips=[7.5]).delays(0.1905)
    (0.2178477690288714,)
    """
    transport = {"speeds_ips": speeds_ips, "speeds_cm_s": speeds_cm_s}
    heads = [{"spacing_mm": spacing} for spacing in sorted(spacings_mm or ())]
    data = {"transport": {key: list(value) for key, value in transport.items() if value is not None}}
    return _validated({**data, "playback_heads": heads}, "options")


def with_changes(machine, changes):
    """Return a copy of a machine with some keys changed, validated again.

    Parameters
    ----------
    machine : Machine
        The machine to start from; it stays as it is.
    changes : dict
        New values by dotted key, for example ``{"song.bpm": 90.0}``; a playback head
        is named by its number from 1: ``{"playback_heads.1.spacing_mm": 50.0}``.

    Returns
    -------
    Machine
        The changed machine. A measured delay is left out where its head's spacing or its speed
        is now another: it was measured on the machine as it was.

    Raises
    ------
    MachineFileError
        If a key does not exist or a value is out of its range.

    Notes
    -----
    Source: house rule, nothing changes in place. Notebook: workbench.

    Examples
    --------
    >>> with_changes(example_machine(), {"song.bpm": 90.0}).song.bpm
    90.0
    """
    data = machine.model_dump(exclude_unset=True)
    for key, value in changes.items():
        *parents, last = key.split(".")
        place = data
        for parent in parents:
            try:
                place = place.setdefault(parent, {}) if isinstance(place, dict) else place[int(parent) - 1]
            except (ValueError, IndexError):
                raise MachineFileError(f"changes: there is no {key}") from None
        place[last] = value
    if machine.measured_delays and not any(key.startswith("measured_delays") for key in changes):
        other = _validated({**data, "measured_delays": []}, "changes")
        data["measured_delays"] = [one.model_dump() for one in machine.delays_that_hold(other)]
    return _validated(data, "changes")


def _validated(data, source):
    """Make a Machine of plain data, or say in one line what is wrong with it."""
    try:
        return Machine.model_validate(data)
    except ValidationError as error:
        raise MachineFileError(f"{source}: {_sentence(error.errors()[0])}") from None


def _sentence(problem):
    """Say one of pydantic's findings in a person's words, with the key's path."""
    path = ""
    for step in problem["loc"]:
        path += f"[{step + 1}]" if isinstance(step, int) else f".{_plain(step)}"
    path = path.removeprefix(".")
    context = problem.get("ctx", {})
    match problem["type"]:
        case "missing":
            return f"{path} is missing"
        case "extra_forbidden":
            return f"{path} is not a key of a machine file{_nearest(problem['loc'])}"
        case "greater_than":
            said = f"must be greater than {context['gt']:g}"
        case "greater_than_equal":
            said = f"must be {context['ge']:g} or more"
        case "less_than_equal":
            said = f"must be {context['le']:g} or less"
        case "finite_number":
            said = "must be a finite number"
        case "float_type" | "int_type" | "int_from_float":
            said = "must be a number" if problem["type"] == "float_type" else "must be a whole number"
        case "too_long" | "too_short":
            few, many = context.get("min_length", 1), context.get("max_length")
            said = f"must have {few} or more entries" if many is None else f"must have at most {many} entries"
            return f"{path} {said}, got {context['actual_length']}"
        case "tuple_type":
            said = "must be a list"
        case "model_type":
            said = "must be a section of keys"
        case "string_type":
            said = "must be text in quotes"
        case "bool_type":
            said = "must be true or false"
        case "value_error":
            return f"{path} {context['error']}".lstrip()
        case _:
            said = "is not right: " + problem["msg"][0].lower() + problem["msg"][1:]
    return f"{path} {said}, got {_short(problem['input'])}"


def _short(value):
    """Show a value in a message without letting it fill the screen."""
    if isinstance(value, dict | list):
        return f"a {'section' if isinstance(value, dict) else 'list'} of {len(value)}"
    if isinstance(value, int) and abs(value) > 10**40:
        return "a whole number of more than 40 digits"
    return _cut(repr(value), 40)


def _cut(text, length):
    """Keep the beginning of a text that is too long."""
    return text if len(text) <= length else text[: length - 3] + "..."


def _without_controls(text):
    """Replace what would upset a terminal."""
    return "".join(character if character.isprintable() else "?" for character in text)


def _plain(key):
    """Write a key as it stands, or in quotes if it would upset a terminal or fill the screen."""
    return key if key.isprintable() and len(key) <= 40 else _short(key)


def _nearest(location):
    """Suggest the key that an unknown key may have meant."""
    model = Machine
    for step in location[:-1]:
        if isinstance(step, str):
            lists = {"playback_heads": PlaybackHead, "parts": Part, "measured_delays": MeasuredDelay}
            model = lists.get(step, model.model_fields[step].annotation)
    near = difflib.get_close_matches(str(location[-1]), model.model_fields, n=1)
    return f"; did you mean {near[0]}?" if near else ""
