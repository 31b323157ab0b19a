"""One machine, its tape, heads, mixer and song, as a person describes it.

The keys of the file are in trade units with the unit in the name; the properties of `Machine` give the
same things in SI to the rest of the library. Only the speeds and one head spacing must be given.
Everything else has a default, and `Machine.assumed` lists what was not said. A plus/minus of the file holds
in 95 of 100 cases; inside the library stand standard uncertainties, half of it, called ``u_...``.
"""

import errno
import itertools
import math
import os
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal, Self

import numpy as np
import tomli_w
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator
from pydantic_core import ErrorDetails

from tapecalc.calc.heads import MOST_HEADS, Heads
from tapecalc.calc.levels import FULL_ABOVE_MOL_DB, Stage
from tapecalc.calc.loop import EchoLoop
from tapecalc.calc.noise import noise_level_db
from tapecalc.calc.parts import TurningPart
from tapecalc.calc.quantity import nearest
from tapecalc.calc.response import HeadContact, OnePass, loudest
from tapecalc.calc.standards import (
    DEFAULT_GAP_FACTOR,
    DEFAULT_SURFACE_SHARE,
    usual_equalization,
    usual_reference_flux,
)
from tapecalc.calc.tempo import JUDGED_AS, NOTE_VALUES
from tapecalc.calc.transport import delay_from_spacing, delay_uncertainty, mains_speed_ratio
from tapecalc.calc.units import COVERAGE_FACTOR, amplitude_to_db, db_to_amplitude, from_si, to_si
from tapecalc.files import read_bounded, write_file

FILE_VERSION = 2  # 1 had no number, and standard uncertainties
MOST_SPEEDS = 6
MOST_SONGS = 60
LARGEST_FILE = 64_000  # bytes; a machine file is a page of text
SMALLEST = 1e-9  # what is smaller, and not 0, is no measurement, and would be printed with all its digits
SLOWEST, FASTEST = 0.001, 20.0  # tape speeds that are planned, m/s; machines have 0.012 to 7.6
SENDS_DB = -90.0, 20.0  # from where to where an input or return send can be set
SHORTEST, LONGEST = 1e-5, 60.0  # delays that are planned, s
STATED_AT = to_si(7.5, "ips")  # the speed for which the file states noise and 3 % distortion of the tape
USUAL_TRACK = 2e-3  # m, of the noise that is assumed
USUAL_POLES = 5e-3  # m, length of a head's poles; at most half the way to the record head
USUAL_SPEEDS = 0.006, 1.6  # m/s, a factor of two beyond those that machines have
USUAL_SPACINGS = 0.001, 2.0  # m, between which heads stand
OCTAVE_SLACK = 0.2  # how far, in octaves, neighboring speeds of a machine are from half or double
NEAREST_MM = 0.1  # of a playback head, by its distance or by its measured delay
FARTHEST = 1.5  # times the plus/minus between a measured delay and spacing over speed
ROUNDED = 1e-5  # relative, what the digits of a file may cost


#: A key of so many parts; ours have three. (Each part is tried once: no text makes this slow.)
_TOO_DEEP = re.compile(r"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){30}""")


class MachineFileError(ValueError):
    """A machine file that cannot be used, with one line that says why."""


# ---- the sections of the file ----


def _real(default: Any, least: float, most: float, text: str) -> Any:
    """Declare a number of the machine file: its default, from where to where it may be, what it is."""
    return Field(default, description=text, allow_inf_nan=False, ge=least, le=most)


def _above_0(default: Any, most: float, text: str) -> Any:
    """Declare a number greater than 0."""
    return Field(default, description=text, allow_inf_nan=False, gt=0, le=most)


def _pair(text: str) -> Any:
    """Declare a range: its two ends, or none."""
    return Field(None, description=text, min_length=2, max_length=2, strict=False)


def _list(default: Any, most: int, text: str) -> Any:
    """Declare a list: its default, how many entries it may have, what it is; if none is one, by default."""
    least = None if default == () else 1
    return Field(default, description=text, min_length=least, max_length=most, strict=False)


class _Section(BaseModel):
    """What all sections have in common: fixed once read, no unknown keys, no text for numbers."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)

    @field_validator("*")
    @classmethod
    def _usable(cls, value: Any) -> Any:
        if isinstance(value, float) and 0 < abs(value) < SMALLEST:
            raise ValueError(f"must be 0 or a number that can be measured, got {value:g}")
        if isinstance(value, str) and not (value.isprintable() and value.strip()):
            raise ValueError("must be one line of printable characters")  # others upset terminals and tables
        return value

    @model_validator(mode="after")
    def _all_agree(self) -> Self:
        for problem in self._problems():
            raise ValueError(problem)
        return self

    def _problems(self) -> Iterator[str]:
        """Say what does not go together."""
        yield from ()


_Speeds = tuple[Annotated[float, Field(gt=0, le=300, allow_inf_nan=False)], ...]
_Hz = Annotated[float, Field(ge=1, le=100_000, allow_inf_nan=False)]
_Db = Annotated[float, Field(ge=-100, le=40, allow_inf_nan=False)]
_Point = Annotated[tuple[_Hz, _Db], Field(strict=False)]
SPEED_KEYS = ("speeds_ips", "speeds_cm_s", "speed_range_ips", "speed_range_cm_s")


class Transport(_Section):
    """How the tape is driven."""

    speeds_ips: _Speeds | None = _list(None, MOST_SPEEDS, "tape speeds in inches per second")
    speeds_cm_s: _Speeds | None = _list(None, MOST_SPEEDS, "the same in centimeters per second, instead")
    speed_range_ips: _Speeds | None = _pair("slowest and fastest of a speed that can be set freely")
    speed_range_cm_s: _Speeds | None = _pair("the same in centimeters per second, instead")
    speed_plus_minus_percent: float = _real(
        3.0, 0, 40, "how far the real speed may be off, in 95 of 100 cases"
    )
    capstan_diameter_mm: float | None = _above_0(None, 200, "capstan diameter, for sleeves")
    mains_hz: float | None = _above_0(None, 500, "supply frequency that feeds the motor")
    design_mains_hz: float | None = _above_0(None, 500, "supply frequency the motor was made for, if another")

    def _problems(self) -> Iterator[str]:
        given = [key for key in SPEED_KEYS if getattr(self, key) is not None]
        if len(given) != 1:
            yield f"needs one of {', '.join(SPEED_KEYS)}, and no other of them"
        elif "range" in given[0] and not self.stated[0] < self.stated[1]:
            yield f"{given[0]} must be the slowest and the fastest speed, got {list(self.stated)}"

    @property
    def stated(self) -> tuple[float, ...]:
        """The speeds, or the ends of their range, in the unit of the file."""
        return next(values for key in SPEED_KEYS if (values := getattr(self, key)) is not None)


class Tape(_Section):
    """The tape on the machine."""

    total_thickness_um: float = _above_0(35.0, 200, "total tape thickness")
    coating_thickness_um: float = _above_0(11.0, 100, "thickness of the magnetic coating")
    surface_share: float = _real(
        DEFAULT_SURFACE_SHARE, 0, 1, "magnetization at the coating's surface over that in its depth"
    )
    length_m: float = _above_0(549.0, 5000, "length of tape on the reel")
    loop_length_m: float | None = _above_0(None, 1000, "length of a closed loop of tape, instead of a reel")

    def _problems(self) -> Iterator[str]:
        if self.loop_length_m is not None and "length_m" in self.model_fields_set:
            yield "needs length_m or loop_length_m, and not both"
        if self.coating_thickness_um >= self.total_thickness_um:
            yield "coating_thickness_um must be less than total_thickness_um"


class HeadSection(_Section):
    """What all playback heads have in common."""

    track_width_mm: float = _above_0(2.0, 60, "width of the track that is played")
    gap_um: float = _real(4.0, 0, 50, "length of the playback gap")
    gap_factor: float = _real(DEFAULT_GAP_FACTOR, 1, 1.5, "effective gap over the mechanical gap")
    spacing_loss_um: float = _real(0.5, 0, 50, "head-to-tape separation today")
    aligned_spacing_loss_um: float = _real(0.5, 0, 50, "head-to-tape separation when the machine was aligned")
    azimuth_error_arcmin: float = _real(0.0, -300, 300, "tilt of the playback gap today")
    aligned_azimuth_error_arcmin: float = _real(
        0.0, -300, 300, "tilt of the playback gap when the machine was aligned"
    )
    treble_boost_db: float = _real(
        24.0, 0, 60, "most treble boost of both equalizers together, mostly 20 to 26"
    )
    pole_length_mm: float | None = _real(
        None, 0, 50, "length of the playback head's poles, usually 3 to 7; 0 for no bumps in the bass"
    )
    low_cut_hz: float = _real(30.0, 0, 1000, "where the bass falls by 3 dB in one pass")
    erases: bool = Field(
        default=True, description="whether an erase head wipes the tape before it is recorded"
    )


class PlaybackHead(_Section):
    """One playback head, seen from the record head."""

    spacing_mm: float = _real(..., NEAREST_MM, 20_000, "distance from record gap to playback gap")
    spacing_plus_minus_mm: float = _real(1.0, 0, 200, "how far that distance may be off, in 95 of 100 cases")
    level_db: float = _real(0.0, -90, 20, "level of this head in the sum of all heads")
    feeds_return: bool = Field(True, description="whether this head feeds the return send")
    inverted: bool = Field(False, description="whether this head is wired with the opposite polarity")


class MeasuredDelay(_Section):
    """The delay of one head at one speed, which is often known better than spacing or speed."""

    head: int = Field(..., description="which playback head, counted from 1", ge=1, le=MOST_HEADS)
    speed: int = Field(..., description="which of the speeds listed, counted from 1", ge=1, le=MOST_SPEEDS)
    delay_ms: float = _above_0(..., 60_000, "that delay as measured")
    delay_plus_minus_ms: float = _real(..., 0, 2000, "how far it may be off, in 95 of 100 cases")


class MeasuredResponse(_Section):
    """The response of one pass at one speed, which stands for all that is reckoned of it, bumps and all."""

    speed: int = Field(..., description="which of the speeds listed, counted from 1", ge=1, le=MOST_SPEEDS)
    hz_and_db: tuple[_Point, ...] = _list(..., 300, "pairs of frequency and level, 0 dB around 1 kHz")

    def _problems(self) -> Iterator[str]:
        if any(b <= a for (a, _), (b, _) in itertools.pairwise(self.hz_and_db)):
            yield "hz_and_db must rise in frequency"


class Mixer(_Section):
    """The small mixer that closes the loop."""

    input_send_db: float = _real(0.0, *SENDS_DB, "send from the instrument to the machine")
    return_send_db: float = _real(-6.0, *SENDS_DB, "send from the playback back to the machine")


def _known_note(name: str | None) -> str | None:
    """Refuse a note that has no such name."""
    names = [note.name for note in NOTE_VALUES]
    if name is not None and name not in names:
        near = nearest(name, names) or "dotted eighth"
        raise ValueError(f"must be a note value, for example {near}, got {_short(name)}")
    return name


class Song(_Section):
    """What the echo is for."""

    bpm: float | None = _real(None, 20, 400, "tempo in quarter notes a minute")
    note: str | None = Field(
        default=None, description="the note that the echo shall be, for example dotted eighth"
    )
    wanted_repeats: int = Field(default=4, description="repeats to be heard", ge=1, le=200)
    faded_db: float = _real(-30.0, -100, -1, "level, from the first repeat, down to which repeats are heard")
    judged_as: Literal["pulse", "sharp line", "soft line"] = Field(
        default="pulse",
        description="what echo and notes make: one even pulse, or a line beside other players, with sharp "
        "attacks or soft ones",
    )
    heard_from_ms: float | None = _above_0(None, 500, "the smallest miss that you hear, if you know it")

    _note = field_validator("note")(_known_note)


class SetSong(_Section):
    """One song of a set that the same machine plays."""

    name: str = Field(..., description="what the song is called", min_length=1, max_length=60)
    bpm: float = _real(..., 20, 400, "tempo in quarter notes a minute")
    note: str | None = Field(
        default=None, description="the note that the echo shall be; any plain one if left out"
    )

    _note = field_validator("note")(_known_note)


class Levels(_Section):
    """Line levels through instrument, mixer and machine."""

    instrument_dbu: float = _real(-10.0, -80, 30, "peak level of the instrument")
    mixer_gain_db: float = _real(10.0, -60, 80, "gain of the mixer's input channel")
    mixer_max_dbu: float = _real(20.0, -20, 40, "level at which the mixer clips")
    mixer_noise_dbu: float = _real(-90.0, -140, 0, "noise of the mixer at the send")
    machine_reference_dbu: float = _real(4.0, -40, 30, "line level that puts the reference flux on tape")
    machine_max_dbu: float = _real(20.0, -20, 40, "level at which the machine's electronics clip")
    reference_flux_nwb_m: float | None = _above_0(
        None, 2000, "flux on tape of the machine's reference level at each speed, usually 185 to 320"
    )
    tape_mol_db: float = _real(
        4.0, -10, 40, "level above the reference, at 7.5 ips, of 3 % distortion, usually 3 to 8"
    )
    tape_noise_db: float = _real(
        -56.0, -120, -10, "tape noise at 7.5 ips against the reference, 20 Hz to 20 kHz unweighted"
    )


class Flutter(_Section):
    """Speed wobble that belongs to no turning part."""

    random_percent_rms: float = _real(0.03, 0, 10, "random speed wobble, rms")


class Part(_Section):
    """One turning part. Give its diameter, or a belt's length and pulley, or a reel's radius."""

    name: str = Field(..., description="what the part is called", min_length=1, max_length=60)
    diameter_mm: float | None = _above_0(None, 500, "diameter of a part that runs at tape speed")
    length_mm: float | None = _above_0(None, 5000, "length of a belt along its middle")
    pulley_mm: float | None = _above_0(None, 500, "diameter of the belt's pulley on the capstan shaft")
    thickness_mm: float = _real(1.0, 0, 20, "thickness of a belt, half of which adds to its pulleys' radius")
    radius_mm: float | None = _above_0(None, 500, "radius of the tape on a reel")
    wobble_percent: float = _real(0.0, 0, 10, "speed wobble once a turn, zero to peak")
    by_force: bool = Field(
        default=False,
        description="whether a pulsing force makes that wobble at the first speed (fourfold at half of it), "
        "and not a part out of round",
    )

    def _problems(self) -> Iterator[str]:
        given = {k for k in ("diameter_mm", "length_mm", "pulley_mm", "radius_mm") if getattr(self, k)}
        if given not in ({"diameter_mm"}, {"length_mm", "pulley_mm"}, {"radius_mm"}):
            yield "needs diameter_mm, or length_mm and pulley_mm, or radius_mm"


class Machine(_Section):
    """A machine as a person describes it, section by section, and the same in SI as properties.

    Speeds are in m/s, lengths in m, times in s, gains are amplitudes.
    """

    file_version: int = Field(FILE_VERSION, description="how this file is written")
    unusual: bool = Field(False, description="whether odd speeds and spacings are meant as they stand")
    name: str = Field("my machine", description="what the owner calls it", min_length=1, max_length=80)
    transport: Transport
    tape: Tape = Tape()
    heads: HeadSection = HeadSection()
    playback_heads: tuple[PlaybackHead, ...] = _list(..., MOST_HEADS, "the playback heads, in tape order")
    mixer: Mixer = Mixer()
    song: Song = Song()
    songs: tuple[SetSong, ...] = _list((), MOST_SONGS, "a set of songs")
    levels: Levels = Levels()
    flutter: Flutter = Flutter()
    parts: tuple[Part, ...] = _list((), 30, "turning parts")
    measured_delays: tuple[MeasuredDelay, ...] = _list((), MOST_SPEEDS * MOST_HEADS, "delays as measured")
    measured_responses: tuple[MeasuredResponse, ...] = _list((), MOST_SPEEDS, "responses as measured")

    def _problems(self) -> Iterator[str]:
        if self.file_version != FILE_VERSION:
            yield f"file_version must be {FILE_VERSION} for this tapecalc, got {_short(self.file_version)}"
        if list(self.spacings) != sorted(self.spacings):
            yield "playback_heads must stand in tape order, nearest to the record head first"
        names = [part.name for part in self.parts]
        for part in self.parts:
            if part.length_mm is not None and self.transport.capstan_diameter_mm is None:
                yield f"transport.capstan_diameter_mm is needed for the belt {part.name!r}"
        for number, name in enumerate(names, start=1):
            if name in names[: number - 1]:
                yield f"parts[{number}].name must be another one, {name!r} is taken"
        for speed in self.speeds:
            if not SLOWEST <= speed <= FASTEST:
                allowed = f"{SLOWEST:g} to {FASTEST:g} m/s can be planned"
                yield f"transport gives a tape speed of {speed:.3g} m/s; {allowed}"
            for number, spacing in enumerate(self.spacings, start=1):
                delay = delay_from_spacing(spacing, speed)
                if not SHORTEST <= delay <= LONGEST:
                    yield (
                        f"playback_heads[{number}].spacing_mm gives a delay of {delay:.3g} s at "
                        f"{speed:.3g} m/s; {SHORTEST:g} to {LONGEST:g} s can be planned"
                    )
        heads = self.playback_heads
        # In one place, alike and inverted: exactly nothing is left of them.
        if not any(
            sum(db_to_amplitude(h.level_db) * (-1 if h.inverted else 1) for h in heads if h.spacing_mm == s)
            for s in {h.spacing_mm for h in heads}
        ):
            yield "playback_heads cancel each other, and nothing would be heard"
        if self.loop_length is not None and self.loop_length <= self.spacings[-1]:
            yield f"tape.loop_length_m must reach beyond the last playback head, got {self.loop_length:g}"
        if not self.unusual:
            yield from (f"{found}; if it is right, write unusual = true" for found in self._odd_numbers())
        yield from self._problems_of_measured_delays()
        told = [measured.speed for measured in self.measured_responses]
        if any(speed > len(self.speeds) for speed in told) or len(set(told)) < len(told):
            yield "measured_responses must be of one speed of this machine each"

    def _odd_numbers(self) -> Iterator[str]:
        """Ask about what is more likely a slip of unit or decimal point than a machine."""
        slowest, fastest = (from_si(speed, "cm_s") for speed in USUAL_SPEEDS)
        if not all(USUAL_SPEEDS[0] <= speed <= USUAL_SPEEDS[1] for speed in self.speeds):
            odd = next(v for v in self.speeds if not USUAL_SPEEDS[0] <= v <= USUAL_SPEEDS[1])
            yield (
                f"transport gives a tape speed of {from_si(odd, 'cm_s'):.3g} cm/s, and tapes run at "
                f"{slowest:g} to {fastest:g} cm/s: is the unit right"
            )
        stated = self.transport.stated
        octaves = [math.log2(a / b) for a, b in itertools.pairwise(stated)]
        in_order = len({octave > 0 for octave in octaves}) < 2
        doubles = all(abs(octave - round(octave)) < OCTAVE_SLACK and round(octave) for octave in octaves)
        if self.speed_range is None and all(map(float.is_integer, stated)) and not (in_order and doubles):
            listed = ", ".join(f"{speed:g}" for speed in stated)
            yield f"transport has the speeds {listed}: were decimal points meant where commas are"
        for number, spacing in enumerate(self.spacings, start=1):
            if not USUAL_SPACINGS[0] <= spacing <= USUAL_SPACINGS[1]:
                far = "nearer than 1 mm" if spacing < USUAL_SPACINGS[0] else "farther than 2 m"
                spacing_mm = f"{from_si(spacing, 'mm'):g}"
                yield f"playback_heads[{number}].spacing_mm = {spacing_mm} is {far}: is the unit right"

    def _problems_of_measured_delays(self) -> Iterator[str]:
        there = {"head": len(self.playback_heads), "speed": len(self.speeds)}
        taken = set()
        for number, measured in enumerate(self.measured_delays, start=1):
            key = f"measured_delays[{number}]"
            for name, count in there.items():
                given = getattr(measured, name)
                if given > count:
                    yield f"{key}.{name} must be {count} or less on this machine, got {given}"
            if (measured.head, measured.speed) in taken:
                yield f"{key} must be of another head or speed, that one is measured already"
            taken.add((measured.head, measured.speed))
            stated = self._stated_delay(measured.head - 1, self.speeds[measured.speed - 1])
            delay_ms, u_delay_ms = (from_si(time, "ms") for time in stated)
            both_ms = math.hypot(COVERAGE_FACTOR * u_delay_ms, measured.delay_plus_minus_ms)
            reach_ms = FARTHEST * both_ms + ROUNDED * delay_ms
            nearest_ms = delay_ms * NEAREST_MM / self.playback_heads[measured.head - 1].spacing_mm
            low, high = max(delay_ms - reach_ms, nearest_ms), delay_ms + reach_ms
            if not low <= measured.delay_ms <= high:
                yield (
                    f"{key}.delay_ms must be spacing over speed, {delay_ms:.6g} ms, give or take "
                    f"{FARTHEST:g} times its plus/minus: {low:.6g} to {high:.6g}, got {measured.delay_ms:.6g}"
                )

    # ---- the same in SI ----

    @property
    def speeds(self) -> tuple[float, ...]:
        """Tape speeds as they really run, in the order given; of a range its ends, the slow one first."""
        unit = "cm_s" if self.units == "metric" else "ips"
        return tuple(to_si(speed, unit) * self.mains_ratio for speed in self.transport.stated)

    @property
    def mains_ratio(self) -> float:
        """By how much the mains frequency makes the tape run faster than the plate says."""
        mains, design = self.transport.mains_hz, self.transport.design_mains_hz
        return mains_speed_ratio(mains, design) if mains and design else 1.0

    @property
    def speed_range(self) -> tuple[float, float] | None:
        """Slowest and fastest speed where any between can be set, else None."""
        driven = self.transport
        free = driven.speed_range_ips is not None or driven.speed_range_cm_s is not None
        return (self.speeds[0], self.speeds[1]) if free else None

    @property
    def units(self) -> str:
        """How the owner counts: ``"inches"`` where the speeds are given in ips, else ``"metric"``."""
        driven = self.transport
        return "metric" if driven.speeds_ips is None and driven.speed_range_ips is None else "inches"

    @property
    def u_speed(self) -> float:
        """Standard uncertainty of the speed, as a fraction of it."""
        return to_si(self.transport.speed_plus_minus_percent, "percent") / COVERAGE_FACTOR

    @property
    def capstan_diameter(self) -> float | None:
        """Capstan diameter, or None where it is not known."""
        return _meters(self.transport.capstan_diameter_mm)

    @property
    def tape_thickness(self) -> float:
        """Total tape thickness."""
        return to_si(self.tape.total_thickness_um, "um")

    @property
    def spacings(self) -> tuple[float, ...]:
        """Spacing of each playback head from the record head."""
        return tuple(to_si(head.spacing_mm, "mm") for head in self.playback_heads)

    @property
    def u_spacings(self) -> tuple[float, ...]:
        """Standard uncertainty of each spacing."""
        return tuple(
            to_si(head.spacing_plus_minus_mm, "mm") / COVERAGE_FACTOR for head in self.playback_heads
        )

    @property
    def timing_threshold(self) -> float | None:
        """Miss beyond which a repeat is heard as off, s; None for an even pulse, which asks the note."""
        own_ms = self.song.heard_from_ms
        return JUDGED_AS[self.song.judged_as] if own_ms is None else to_si(own_ms, "ms")

    @property
    def loop_length(self) -> float | None:
        """Length of the closed loop of tape, None where the tape runs from reel to reel."""
        return self.tape.loop_length_m

    @property
    def erases(self) -> bool:
        """Whether the tape is erased before it is recorded."""
        return self.heads.erases

    def _stated_delay(self, head: int, speed: float) -> tuple[float, float]:
        """Delay and its standard uncertainty from spacing and speed alone; `head` counts from 0."""
        spacing, u_spacing = self.spacings[head], self.u_spacings[head]
        u_delay = delay_uncertainty(spacing, speed, u_spacing, self.u_speed * speed)
        return delay_from_spacing(spacing, speed), u_delay

    def _delays_at(self, speed: float) -> Iterator[tuple[float, float, bool]]:
        """Delay of each head, its standard uncertainty, and whether it was measured at that very speed."""
        measured = {m.head - 1: m for m in self.measured_delays if self.speeds[m.speed - 1] == speed}
        for head in range(len(self.playback_heads)):
            if found := measured.get(head):
                u_delay = to_si(found.delay_plus_minus_ms, "ms") / COVERAGE_FACTOR
                yield to_si(found.delay_ms, "ms"), u_delay, True
            else:
                yield *self._stated_delay(head, speed), False

    def delays(self, speed: float) -> tuple[float, ...]:
        """Delay of each head: as measured where the file holds it for that speed, else spacing over speed."""
        return tuple(delay for delay, _, _ in self._delays_at(speed))

    def u_delays(self, speed: float) -> tuple[float, ...]:
        """Standard uncertainty of each delay."""
        return tuple(u_delay for _, u_delay, _ in self._delays_at(speed))

    def delays_measured(self, speed: float) -> tuple[bool, ...]:
        """Whether the delay of each head was measured at this speed."""
        return tuple(measured for _, _, measured in self._delays_at(speed))

    def spacings_at(self, speed: float) -> tuple[float, ...]:
        """Spacing of each head that gives its delay; where that was measured, delay times speed."""
        return tuple(
            delay * speed if measured else spacing
            for spacing, (delay, _, measured) in zip(self.spacings, self._delays_at(speed), strict=True)
        )

    def heads_at(self, speed: float) -> Heads:
        """Give the playback heads with the spacings that give their delays, and signed gains."""
        heads = self.playback_heads
        return Heads(
            spacings=self.spacings_at(speed),
            gains=tuple(db_to_amplitude(head.level_db) * (-1 if head.inverted else 1) for head in heads),
            feeds_return=tuple(head.feeds_return for head in heads),
        )

    def one_pass(self, speed: float, *, pole_shape: str = "blocks") -> OnePass:
        """Give the response of one pass over the tape, today and as aligned.

        Heads have bumps in the bass: ``"blocks"`` is a middle estimate, ``"plates"`` the most there can be,
        ``"flat"`` none. The equalizers are the usual ones of the speed.
        """
        heads = self.heads
        today = HeadContact(
            gap=to_si(heads.gap_um, "um"),
            gap_factor=heads.gap_factor,
            separation=to_si(heads.spacing_loss_um, "um"),
            coating_thickness=to_si(self.tape.coating_thickness_um, "um"),
            surface_share=self.tape.surface_share,
            track_width=to_si(heads.track_width_mm, "mm"),
            azimuth_angle=to_si(heads.azimuth_error_arcmin, "arcmin"),
        )
        aligned = replace(
            today,
            separation=to_si(heads.aligned_spacing_loss_um, "um"),
            azimuth_angle=to_si(heads.aligned_azimuth_error_arcmin, "arcmin"),
        )
        usual = usual_equalization(speed)
        one_pass = OnePass(
            speed=speed,
            today=today,
            aligned=aligned,
            boost_db=heads.treble_boost_db,
            low_cut=heads.low_cut_hz,
            tau_high=usual.tau_high,
            tau_low=usual.tau_low or 0.0,
            pole_length=self.pole_length,
            pole_shape=pole_shape,
        )
        for measured in self.measured_responses:
            if self.speeds[measured.speed - 1] == speed:
                one_pass = replace(one_pass, pole_length=0.0)
                hertz, level_db = np.transpose(measured.hz_and_db)
                trim = level_db - one_pass.level_db(hertz) + one_pass.level_db(1000.0)
                return replace(one_pass, trim=tuple(zip(hertz.tolist(), trim.tolist(), strict=True)))
        return one_pass

    def as_reckoned(self) -> "Machine":
        """Leave out what was measured of delays and responses."""
        return self.model_copy(update={"measured_delays": (), "measured_responses": ()})

    @property
    def pole_length(self) -> float:
        """Length of the playback head's poles along the tape."""
        if self.heads.pole_length_mm is not None:
            return to_si(self.heads.pole_length_mm, "mm")
        return min(USUAL_POLES, self.spacings[0] / 2)

    def echo_loop(self, speed: float, *, pole_shape: str = "blocks") -> EchoLoop:
        """Give the loop that the mixer closes; `pole_shape` as in `one_pass`."""
        return EchoLoop(
            heads=self.heads_at(speed),
            return_gain=db_to_amplitude(self.mixer.return_send_db),
            input_gain=db_to_amplitude(self.mixer.input_send_db),
            one_pass=self.one_pass(speed, pole_shape=pole_shape),
        )

    def worst_loop(self, speed: float) -> EchoLoop:
        """Give the loop with what leaves it the least margin: the largest bumps there can be, or none."""
        both = (self.echo_loop(speed, pole_shape=shape) for shape in ("plates", "flat"))
        return max(both, key=lambda loop: loudest(loop.one_pass)[1])

    @property
    def turning_parts(self) -> tuple[TurningPart, ...]:
        """The parts that turn."""
        return tuple(
            TurningPart(
                name=part.name,
                diameter=_meters(part.diameter_mm),
                belt_length=_meters(part.length_mm),
                pulley_diameter=_meters(part.pulley_mm),
                capstan_diameter=self.capstan_diameter if part.length_mm is not None else None,
                reel_radius=_meters(part.radius_mm),
                tape_thickness=self.tape_thickness,
                belt_thickness=to_si(part.thickness_mm, "mm") if part.length_mm is not None else 0.0,
                wobble=to_si(part.wobble_percent, "percent"),
                forced_at=self.speeds[0] if part.by_force else None,
            )
            for part in self.parts
        )

    def reference_flux(self, speed: float) -> float:
        """Flux on tape of the machine's reference level, Wb/m: the usual one of the speed unless stated."""
        stated = self.levels.reference_flux_nwb_m
        return usual_reference_flux(speed) if stated is None else to_si(stated, "nwb_m")

    def _reference_falls_db(self, speed: float) -> float:
        """By how much the reference level is lower, in flux, than at 7.5 ips."""
        return amplitude_to_db(self.reference_flux(STATED_AT) / self.reference_flux(speed))

    def tape_noise_db(self, speed: float, *, weighting: str = "unweighted") -> float:
        """Tape noise at playback against the reference, 20 Hz to 20 kHz.

        Where the file does not state it, a narrower track has more of it; speed and equalizers do the rest.
        """
        here_db, there_db = (
            noise_level_db(
                v,
                to_si(self.tape.coating_thickness_um, "um"),
                to_si(self.heads.spacing_loss_um, "um"),
                usual.tau_high,
                usual.tau_low or 0.0,
                weighting=kind,
            )
            for v, usual, kind in (
                (speed, usual_equalization(speed), weighting),
                (STATED_AT, usual_equalization(STATED_AT), "unweighted"),
            )
        )
        return self._noise_at_7_ips_db + here_db - there_db + self._reference_falls_db(speed)

    @property
    def _noise_at_7_ips_db(self) -> float:
        """Tape noise at 7.5 ips as the file states it, else as is usual for the width of the track."""
        said, width = self.levels.model_fields_set, to_si(self.heads.track_width_mm, "mm")
        wider = 1.0 if "tape_noise_db" in said else width / USUAL_TRACK
        return self.levels.tape_noise_db - 10 * math.log10(wider)

    def tape_mol_db(self, speed: float) -> float:
        """Level above the reference at which the tape distorts by 3 %."""
        return self.levels.tape_mol_db + self._reference_falls_db(speed)

    def saturation_dbu(self, speed: float) -> float:
        """Level of a sine on the bus that would fill the tape if it did not give way."""
        return self.levels.machine_reference_dbu + self.tape_mol_db(speed) + FULL_ABOVE_MOL_DB

    @property
    def level_stages(self) -> tuple[Stage, ...]:
        """The way of the signal through mixer, machine and back.

        Behind the heads stands what all of them give in phase at the loudest frequency and speed, which is
        the most there can be, but for bumps in the bass; noise and limit are those of the worst speed.
        Without a head that feeds the return there is no return send.
        """
        levels, mixer, reference = self.levels, self.mixer, self.levels.machine_reference_dbu
        heads = self.heads_at(self.speeds[0])
        heard, fed = (float(np.sum(np.abs(gains))) for gains in (heads.gains, heads.return_gains))
        passed_db = max(loudest(self.one_pass(speed, pole_shape="flat"))[1] for speed in self.speeds)
        back_db = mixer.return_send_db + (amplitude_to_db(fed / heard) if fed else 0.0)
        noise_db, mol_db = max(map(self.tape_noise_db, self.speeds)), min(map(self.tape_mol_db, self.speeds))
        way = (
            Stage("mixer input", levels.mixer_gain_db, levels.mixer_max_dbu, levels.mixer_noise_dbu),
            Stage("input send", mixer.input_send_db, levels.mixer_max_dbu),
            Stage("machine input", 0.0, levels.machine_max_dbu),
            Stage("tape", 0.0, reference + mol_db, reference + noise_db),
            Stage("playback output", passed_db + amplitude_to_db(heard), levels.machine_max_dbu),
            Stage("return send", back_db, levels.mixer_max_dbu),
        )
        return way if fed else way[:-1]

    @property
    def assumed(self) -> tuple[tuple[str, Any, str], ...]:
        """What the file did not say: (key, value or None, description) for each default used."""
        no_need = {"file_version", "unusual", "parts", "song.note", "songs"}
        no_need |= {"measured_delays", "measured_responses"}
        no_need.add("song.judged_as" if self.song.heard_from_ms else "song.heard_from_ms")
        no_need |= {f"transport.{key}" for key in SPEED_KEYS}
        no_need.add("tape.loop_length_m" if self.loop_length is None else "tape.length_m")
        no_need |= {"song.bpm"} if self.songs else set()
        used = {  # what stands for a key depends on others
            "heads.pole_length_mm": from_si(self.pole_length, "mm"),
            "levels.reference_flux_nwb_m": tuple(
                from_si(self.reference_flux(speed), "nwb_m") for speed in self.speeds
            ),
            "levels.tape_noise_db": round(self._noise_at_7_ips_db, 1),
        }
        rows = (row for row in _unset(self) if row[0] not in no_need)
        return tuple((key, used.get(key, value), what) for key, value, what in rows)


def _unset(section: _Section, prefix: str = "") -> Iterator[tuple[str, Any, str]]:
    """List the keys of a section, and of those in it, that kept their defaults."""
    for key, field in type(section).model_fields.items():
        value = getattr(section, key)
        if isinstance(value, _Section):
            yield from _unset(value, f"{key}.")
        elif key == "playback_heads":
            for number, head in enumerate(value, start=1):
                yield from _unset(head, f"playback_heads[{number}].")
        elif key == "parts" and value:
            for number, part in enumerate(value, start=1):
                matter = {"thickness_mm": part.length_mm, "by_force": part.wobble_percent}
                rows = _unset(part, f"parts[{number}].")
                yield from (row for row in rows if matter.get(row[0].partition(".")[2]))
        elif key not in section.model_fields_set:
            yield prefix + key, value, field.description or ""


def _meters(value_mm: float | None) -> float | None:
    return None if value_mm is None else to_si(value_mm, "mm")


# ---- reading, writing, changing ----


def machine_from_text(text: str, *, source: str = "machine file") -> Machine:
    r"""Read a machine from TOML text; what cannot be used is refused in one line that names `source`.

    >>> machine_from_text("transport.speeds_ips = [7.5]\nplayback_heads = [{spacing_mm = 41.5}]").speeds
    (0.1905,)
    """
    try:
        if _TOO_DEEP.search(text):
            raise RecursionError  # the reader would need the square of its depth in memory
        data = tomllib.loads(text)
    except ValueError as error:  # numbers of thousands of digits included
        reason = "".join(character if character.isprintable() else "?" for character in str(error))
        raise MachineFileError(
            f"{source}: not a TOML file ({_cut(reason, 100)}){_comma(text, reason)}"
        ) from None
    except RecursionError:
        raise MachineFileError(f"{source}: not a machine file (nested too deeply)") from None
    return machine_from_data(data, source)


def _comma(text: str, reason: str) -> str:
    """Give a hint where the line that is not TOML has a number with a decimal comma."""
    found = re.search(r"at line (\d+)", reason)
    line = text.splitlines()[int(found[1]) - 1 :][:1] if found else []
    # Of so many digits at most, or a line of digits would take the square of its length.
    number = re.search(r"\d{1,15},\d{1,15}", line[0]) if line else None
    return f"; numbers have a decimal point: {number[0].replace(',', '.')}" if number else ""


def machine_to_text(machine: Machine) -> str:
    """Write a machine as TOML text, only what was said about it; undone by `machine_from_text`."""
    said = machine.model_dump(exclude_unset=True, exclude_none=True)
    return tomli_w.dumps({"file_version": FILE_VERSION, **said})


def read_machine(path: str | os.PathLike[str]) -> Machine:
    """Read a machine file; one that cannot be used is refused in one line that says why and where.

    >>> read_machine("nowhere.toml")
    Traceback (most recent call last):
    tapecalc.machine.MachineFileError: nowhere.toml: cannot be read (No such file or directory)
    """
    source = _plain(Path(path).name or str(path))
    try:
        raw = read_bounded(path, LARGEST_FILE)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        what = "not a machine file" if getattr(error, "errno", None) == errno.EFBIG else "cannot be read"
        raise MachineFileError(f"{source}: {what} ({reason})") from None
    try:
        text = raw.decode("utf-8-sig")  # some editors put a byte-order mark before the text
    except UnicodeDecodeError:
        raise MachineFileError(f"{source}: not a TOML file (not UTF-8 text)") from None
    return machine_from_text(text, source=source)


def write_machine(machine: Machine, path: str | os.PathLike[str]) -> Path:
    """Write a machine file in one step, and give its path back; undone by `read_machine`."""
    return write_file(path, machine_to_text(machine))


def example_machine() -> Machine:
    """Return the bundled example: the club's bench deck."""
    file = resources.files("tapecalc.examples") / "bench_deck.toml"
    return machine_from_text(file.read_text(encoding="utf-8"), source=file.name)


def machine_from_options(
    *,
    spacings_mm: Iterable[float] | None,
    speeds_ips: Sequence[float] | None = None,
    speeds_cm_s: Sequence[float] | None = None,
) -> Machine:
    """Make a machine of the few numbers that suffice; spacings in any order, speeds in either unit.

    >>> machine_from_options(spacings_mm=[41.5], speeds_ips=[7.5]).delays(0.1905)
    (0.2178477690288714,)
    """
    speeds = {"speeds_ips": speeds_ips, "speeds_cm_s": speeds_cm_s}
    transport = {key: list(value) for key, value in speeds.items() if value is not None}
    heads = [{"spacing_mm": spacing} for spacing in sorted(spacings_mm or ())]
    return machine_from_data({"transport": transport, "playback_heads": heads}, "options")


def with_changes(machine: Machine, changes: Mapping[str, Any]) -> Machine:
    """Return a copy of a machine with new values for some dotted keys, validated again.

    A playback head is named by its number from 1: ``{"playback_heads.1.spacing_mm": 50.0}``. A measured
    delay is left out where its head's spacing or its speed is now another, and a measured response where
    what is reckoned of it is: they were measured on the machine as it was.

    >>> with_changes(example_machine(), {"song.bpm": 90.0}).song.bpm
    90.0
    """
    data = machine.model_dump(exclude_unset=True)
    for key, value in changes.items():
        *parents, last = key.split(".")
        place: Any = data
        for parent in parents:
            try:
                place = place.setdefault(parent, {}) if isinstance(place, dict) else place[int(parent) - 1]
            except (ValueError, IndexError):
                raise MachineFileError(f"changes: there is no {key}") from None
        place[last] = value
    if machine.measured_delays and not any(key.startswith("measured_delays") for key in changes):
        other = machine_from_data({**data, "measured_delays": []}, "changes")
        heads, speeds = _same(machine.spacings, other.spacings), _same(machine.speeds, other.speeds)
        kept = (m for m in machine.measured_delays if m.head in heads and m.speed in speeds)
        data["measured_delays"] = [measured.model_dump() for measured in kept]
    if machine.measured_responses and not any(key.startswith("measured_responses") for key in changes):
        other = machine_from_data({**data, "measured_delays": [], "measured_responses": []}, "changes")
        data["measured_responses"] = [kept.model_dump() for kept in responses_kept(machine, other)]
    return machine_from_data(data, "changes")


def responses_kept(before: Machine, after: Machine) -> Iterator[MeasuredResponse]:
    """Give the responses measured on one machine that hold on another: those that are reckoned alike."""
    one, other = before.as_reckoned(), after.as_reckoned()
    for measured in before.measured_responses:
        at = measured.speed - 1
        if other.speeds[at : at + 1] and one.one_pass(one.speeds[at]) == other.one_pass(other.speeds[at]):
            yield measured


def _same(ours: Iterable[float], theirs: Iterable[float]) -> set[int]:
    """Numbers, from 1, of what is the same in both lists."""
    return {number for number, (a, b) in enumerate(zip(ours, theirs, strict=False), start=1) if a == b}


def machine_from_data(data: Mapping[str, Any], source: str) -> Machine:
    """Make a machine of the sections of a machine file; what is wrong is said in one line, after `source`."""
    try:
        return Machine.model_validate(data)
    except ValidationError as error:
        # A key that is misspelled says more than the one that is missing for it.
        first = min(error.errors(), key=lambda problem: problem["type"] != "extra_forbidden")
        raise MachineFileError(f"{source}: {_sentence(first)}") from None


#: What the lists of a machine file hold.
_ENTRIES = {
    "playback_heads": PlaybackHead,
    "parts": Part,
    "measured_delays": MeasuredDelay,
    "measured_responses": MeasuredResponse,
    "songs": SetSong,
}

#: What is wrong with a value, by the type of pydantic's finding.
_WRONG = {
    "missing": "is missing",
    "value_error": "{error}",
    "greater_than": "must be greater than {gt:g}, got {got}",
    "greater_than_equal": "must be {ge:g} or more, got {got}",
    "less_than_equal": "must be {le:g} or less, got {got}",
    "finite_number": "must be a finite number, got {got}",
    "float_type": "must be a number, got {got}",
    "int_type": "must be a whole number, got {got}",
    "int_from_float": "must be a whole number, got {got}",
    "tuple_type": "must be a list, got {got}",
    "model_type": "must be a section of keys, got {got}",
    "string_type": "must be text in quotes, got {got}",
    "bool_type": "must be true or false, got {got}",
    "too_short": "must have {min_length} or more entries, got {actual_length}",
    "too_long": "must have at most {max_length} entries, got {actual_length}",
    "extra_forbidden": "is not a key of a machine file",
}


def _sentence(problem: ErrorDetails) -> str:
    """Say one of pydantic's findings in a person's words, with the key's path."""
    kind, got, message = problem["type"], _short(problem["input"]), problem["msg"]
    steps = (f"[{step + 1}]" if isinstance(step, int) else f".{_plain(step)}" for step in problem["loc"])
    path = "".join(steps).removeprefix(".")
    known = _WRONG.get(kind, "is not right: {message}, got {got}")
    words = known.format(got=got, message=message[0].lower() + message[1:], **problem.get("ctx", {}))
    hint = _instead(problem) if kind == "extra_forbidden" else ""
    if kind == "tuple_type" and isinstance(problem["input"], dict):
        hint = f"; write [[{path}]] with double brackets"
    return f"{path} {words}{hint}".lstrip()


_WAS_68 = "the 95 % of now, not 68 %"
#: Keys of older files: what stands for them, what they are multiplied by, what is added, and why.
_OLDER = {
    "speed_uncertainty_percent": ("speed_plus_minus_percent", 2.0, 0.0, _WAS_68),
    "spacing_uncertainty_mm": ("spacing_plus_minus_mm", 2.0, 0.0, _WAS_68),
    "delay_uncertainty_ms": ("delay_plus_minus_ms", 2.0, 0.0, _WAS_68),
    "tape_headroom_db": ("tape_mol_db", 1.0, -FULL_ABOVE_MOL_DB, "3 % distortion, not a tape that is full"),
}


def _instead(problem: ErrorDetails) -> str:
    """Say what to write for a key of an older file, or which key an unknown one may have meant."""
    *place, key = problem["loc"]
    old = problem["input"]
    if key in _OLDER and isinstance(old, int | float) and math.isfinite(old):
        new, factor, add, why = _OLDER[str(key)]
        return f" any more; write {new} = {round(factor * old + add, 6):g} ({why})"
    model: Any = Machine
    for step in place:
        if isinstance(step, str):
            model = _ENTRIES.get(step, model.model_fields[step].annotation)
    near = nearest(str(key), model.model_fields)
    return f"; did you mean {near}?" if near else ""


def _short(value: Any) -> str:
    """Show a value in a message without letting it fill the screen."""
    if isinstance(value, dict | list):
        return f"a {'section' if isinstance(value, dict) else 'list'} of {len(value)}"
    if isinstance(value, int) and abs(value) > 10**40:
        return "a whole number of more than 40 digits"
    return _cut(repr(value), 40)


def _cut(text: str, length: int) -> str:
    """Keep the beginning of a text that is too long."""
    return text if len(text) <= length else text[: length - 3] + "..."


def _plain(key: str) -> str:
    """Write a key as it stands, or in quotes if it would upset a terminal or fill the screen."""
    return key if key.isprintable() and len(key) <= 40 else _short(key)
