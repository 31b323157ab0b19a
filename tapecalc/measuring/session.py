"""From takes to one measurement: look at each first, then read every figure from what was mended.

Test tapes come first, because they tell speeds, then delays, then all that needs a delay or a speed. Takes of
the same thing are held against each other, and everything against what the machine file says.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, fields, replace
from functools import partial
from itertools import combinations
from typing import Any, NamedTuple, TypeVar

import numpy as np

from tapecalc import words
from tapecalc.calc.parts import Verdict, fingerprint
from tapecalc.calc.quantity import Spacing, calculator
from tapecalc.calc.standards import SPEEDS_IPS
from tapecalc.calc.units import to_si
from tapecalc.machine import Machine
from tapecalc.measuring.delay import DelayTrack, measure_delay
from tapecalc.measuring.distortion import DistortionReading, measure_distortion
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, Estimate, Reading, combined
from tapecalc.measuring.flutter import RECORD_MODES, FlutterReading, measure_flutter
from tapecalc.measuring.geometry import Delay, Geometry, KnownSpeed, Ruler, Stopwatch, solve_geometry
from tapecalc.measuring.lag import Lag
from tapecalc.measuring.look import KINDS, look
from tapecalc.measuring.loop_gain import RepeatReading, measure_repeats
from tapecalc.measuring.noise import NoiseReading, measure_noise
from tapecalc.measuring.recording import Recording
from tapecalc.measuring.response import (
    PassResponse,
    WhatIf,
    fit_what_ifs,
    measure_response,
    what_ifs_in_words,
)
from tapecalc.measuring.tracks import TracksReading, measure_tracks

Told = TypeVar("Told", bound=Reading)
Each = TypeVar("Each", FlutterReading, RepeatReading, NoiseReading)


class Place(NamedTuple):
    """One head at one speed, both counted from 0; people count from 1."""

    head: int
    at: int

    def __str__(self) -> str:
        return f"head {self.head + 1}, speed {self.at + 1}"


class Note(NamedTuple):
    """What was noticed or cannot be told, of one place or of all."""

    text: str
    place: Place | None = None

    def __str__(self) -> str:
        return self.text if self.place is None else f"{str(self.place).capitalize()}: {self.text}"


@dataclass(frozen=True, kw_only=True)
class Take:
    """One recording, and what it is of.

    `kind` is a key of `KINDS`; speed (`at`) and head are counted from 0; `record_mode` tells how a tone came
    to be played, a key of `RECORD_MODES`.
    """

    recording: Recording
    kind: str = "program"
    at: int = 0
    head: int = 0
    record_mode: str = "simultaneous"

    def __post_init__(self) -> None:
        for name, known in (("kind", KINDS), ("record_mode", RECORD_MODES)):
            if getattr(self, name) not in known:
                raise ValueError(f"{name} must be one of {', '.join(known)}, got {getattr(self, name)!r}")

    @property
    def place(self) -> Place:
        """Where it was recorded."""
        return Place(self.head, self.at)


class Light(NamedTuple):
    """The traffic light of one take, with what was noticed."""

    kind: str
    place: Place
    light: str  # one of `look.LIGHTS`
    sentences: Sequence[str]


@dataclass(frozen=True, kw_only=True, eq=False)
class Measurement:
    """Everything that the takes told, by head and speed or by speed alone, counted from 0."""

    lights: Sequence[Light] = ()  # in the order of the takes
    delays: dict[Place, DelayTrack] = field(default_factory=dict)
    responses: dict[Place, PassResponse] = field(default_factory=dict)
    what_ifs: dict[Place, Sequence[WhatIf]] = field(default_factory=dict)  # the best first
    distortion: dict[Place, DistortionReading] = field(default_factory=dict)
    tracks: dict[Place, TracksReading] = field(default_factory=dict)  # two tracks of one tape
    flutter: dict[int, FlutterReading] = field(default_factory=dict)
    flutter_heads: dict[int, int] = field(default_factory=dict)  # which head it was read from
    suspects: dict[int, Sequence[Verdict]] = field(default_factory=dict)  # of the lines that are deep enough
    repeats: dict[int, RepeatReading] = field(default_factory=dict)
    noise: dict[int, NoiseReading] = field(default_factory=dict)
    geometry: Geometry | None = None
    notes: Sequence[Note] = ()  # what was noticed and what cannot be told, in the order of the takes

    @property
    def sentences(self) -> tuple[str, ...]:
        """The notes, each with the head and the speed that it is of."""
        return tuple(str(note) for note in self.notes)

    @property
    def empty(self) -> bool:
        """Whether no figure could be told."""
        return not (self.delays or self.flutter or self.repeats or self.noise or self.tracks)


@calculator
def measure(
    takes: Sequence[Take],
    *,
    machine: Machine | None = None,
    rulers: Iterable[Ruler] = (),
    stopwatches: Iterable[Stopwatch] = (),
    track_distance: Spacing[float] | None = None,
) -> Measurement:
    """Measure a machine from a few takes; one test signal for each speed tells the most.

    Of the `machine` what is known serves: turning parts for the suspects, the aligned head for the
    explanations, and the speeds on its plate where nothing else tells them. With the `track_distance` in m,
    between the middles of two tracks, these tell the tilt of the gap.

    >>> from tapecalc.measuring import open_recording
    >>> measure([Take(recording=open_recording(np.zeros((48000, 2)), sample_rate=48000))]).lights[0].light
    'useless'
    """
    if not takes:
        raise ValueError("takes must hold at least one take")
    session = _Session(machine, [*rulers, *stopwatches])
    pieces = [piece for take in takes for piece in session.look(take)]
    session.read_test_tapes(pieces)
    session.read_delays(pieces)
    session.read_all_else(pieces, track_distance)
    return session.measurement()


class _Piece(NamedTuple):
    """A piece of a take that tells one thing, the rms amplitude to count its noise from, and its lag."""

    take: Take
    kind: str
    recording: Recording
    reference: float | None
    lag: Lag | None


class _Session:
    """What the takes have told so far."""

    def __init__(self, machine: Machine | None, tools: Sequence[Ruler | Stopwatch]) -> None:
        self.machine = machine
        self.tools: list[Ruler | Stopwatch | KnownSpeed] = list(tools)
        self.found = Measurement()
        self.lights: list[Light] = []
        self.notes: list[Note] = []
        self.geometry: Geometry | None = None
        self.tracked: dict[Place, Recording] = {}  # that of which the delay's track is

    def measurement(self) -> Measurement:
        """All of it, each note once."""
        notes = tuple(dict.fromkeys(self.notes))
        return replace(self.found, lights=tuple(self.lights), geometry=self.geometry, notes=notes)

    def note(self, place: Place | None, *texts: str) -> None:
        """Keep what is to be said."""
        self.notes += [Note(text, place) for text in texts]

    def tell(self, what: str, place: Place, read: Callable[[], Told]) -> Told | None:
        """Read a figure, and note what it says or why it cannot be told: one bad take must not end all."""
        try:
            reading = read()
        except CannotTell as refusal:
            self.note(place, f"cannot tell {what}, because {refusal.reason}.")
        except ValueError as error:
            self.note(place, f"cannot tell {what}: {error}.")
        else:
            self.note(place, *reading.sentences)
            return reading
        return None

    def look(self, take: Take) -> Iterator[_Piece]:
        """Look at a take, and give its pieces."""
        seen = look(take.recording, take.kind)
        self.lights.append(Light(take.kind, take.place, seen.light, tuple(seen.sentences)))
        self.note(take.place, *seen.sentences)
        reference = None
        if take.kind == "test signal":
            take = replace(take, record_mode="simultaneous")
            if (tone := seen.pieces.get("reference", seen.pieces.get("tone"))) is not None:
                reference = float(np.std(tone.read("playback", tone.count // 3, tone.count // 3))) or None
        for kind, piece in seen.pieces.items():
            if kind not in seen.spoiled:
                yield _Piece(take, kind, piece, reference, seen.lag)
            elif kind in TELLS:
                self.note(take.place, f"cannot tell {TELLS[kind]}, because {seen.spoiled[kind]}.")

    def speed(self, at: int) -> float | None:
        """Tape speed of index `at`, measured or else from the machine's plate."""
        measured = () if self.geometry is None else self.geometry.speeds
        plates = () if self.machine is None else self.machine.speeds
        if at < len(measured) and (found := measured[at]) is not None:
            return found.value
        return plates[at] if at < len(plates) else None

    def read_test_tapes(self, pieces: Sequence[_Piece]) -> None:
        """Flutter from test tapes, and the speed of the machine against that which they were made for."""
        self.read_tones(pieces, test_tapes=True)
        for at, reading in self.found.flutter.items():
            if reading.speed_error is None:
                continue
            if (plate := self.speed(at)) is None:
                self.note(None, "A test tape tells how far off the speed is; name a machine file to have it.")
                continue
            made_for = min((to_si(ips, "ips") for ips in SPEEDS_IPS), key=lambda v: abs(np.log(v / plate)))
            error = reading.speed_error
            # The tape itself is good to 0.1 % (common practice, no source).
            spread = made_for * float(np.hypot(error.plus_minus, 1e-3))
            self.tools.append(KnownSpeed(Estimate(made_for * (1 + error.value), spread, "m/s"), at))

    def read_delays(self, pieces: Sequence[_Piece]) -> None:
        """Delays of all takes, and what they make of spacings and speeds."""
        tracks: dict[Place, list[DelayTrack]] = {}
        for take, _, recording, _, lag in (piece for piece in pieces if piece.kind == "program"):
            track = self.tell("the delay", take.place, partial(measure_delay, recording, lag))
            if track is not None:
                tracks.setdefault(take.place, []).append(track)
                self.tracked.setdefault(take.place, recording)
        for place, several in tracks.items():
            if (agreed := self._agreed(several, place)) is not None:
                self.found.delays[place] = agreed
        self._solve()

    def _agreed(self, tracks: Sequence[DelayTrack], place: Place) -> DelayTrack | None:
        """One delay of several takes; None where they contradict each other."""
        told, scattered = combined([track.total for track in tracks])
        values = [track.total.value for track in tracks]
        texts = words.listed(words.amount(value, "ms", ".2f") for value in values)
        if max(values) > 1.03 * min(values):
            self.note(place, f"The takes contradict each other, {texts}; none is taken. {OTHER_PLACE}")
            return None
        if scattered:
            self.note(place, f"The takes tell {texts}, more apart than each is sure. {SCATTERED}")
        # A mean is no surer than its takes are on average, and the first may be the surest.
        more = told.plus_minus if scattered or told.plus_minus > tracks[0].total.plus_minus else 0.0
        spread = float(np.hypot(tracks[0].wander, more))
        return replace(tracks[0], delay=replace(tracks[0].delay, value=told.value), wander=spread)

    def _solve(self) -> None:
        """Spacings and speeds, from the plate of the machine where nothing better was measured."""
        machine, delays = self.machine, self.found.delays
        if not delays:
            return
        seen = [
            Delay(
                Estimate(track.delay.value, float(np.hypot(track.delay.plus_minus, track.wander)), "s"),
                *place,
            )
            for place, track in delays.items()
        ]
        plates = []
        if machine is not None and machine.u_speed > 0:
            for at in sorted({at for _, at in delays if at < len(machine.speeds)}):
                spread = COVERAGE_FACTOR * machine.u_speed * machine.speeds[at]
                plates.append(KnownSpeed(Estimate(machine.speeds[at], spread, "m/s"), at))
            if not self.tools:
                self.note(None, FROM_PLATE)
        self.geometry = solve_geometry([*seen, *(self.tools or plates)])
        self.note(None, *self.geometry.sentences)
        if machine is not None:
            self.note(None, *_against_the_file(self.geometry, delays, machine))

    def read_all_else(self, pieces: Sequence[_Piece], track_distance: float | None) -> None:
        """Response, distortion, tracks, flutter, noise and loop gain."""
        found = self.found
        for take, kind, recording, *_ in pieces:
            place = take.place
            track = found.delays.get(place)
            if kind == "program" and track is not None and recording is self.tracked[place]:
                self._read_response(recording, track, place)
            elif kind == "sweeps" and track is not None and place not in found.distortion:
                read = partial(measure_distortion, {kind: recording}, delay=track.delay.value)
                if (distortion := self.tell("the distortion", place, read)) is not None:
                    found.distortion[place] = distortion
            elif kind == "tracks":
                speed = None if track_distance is None else self.speed(place.at)
                both = partial(measure_tracks, recording, speed=speed, track_distance=track_distance)
                if (tracks := self.tell("the tilt of the gap", place, both)) is not None:
                    found.tracks[place] = tracks
        self.read_tones(pieces, test_tapes=False)
        for at in found.flutter:
            self._suspect(at)

        def noise(piece: _Piece) -> NoiseReading:
            return measure_noise(piece.recording, reference=piece.reference)

        self._each_speed(pieces, "silence", found.noise, noise)
        self._each_speed(pieces, "repeats", found.repeats, self._repeats)

    def _read_response(self, recording: Recording, track: DelayTrack, place: Place) -> None:
        """A response, and what would explain it on the machine that is known."""
        response = self.tell("the response", place, partial(measure_response, recording, track))
        if response is None:
            return
        self.found.responses[place] = response
        if self.machine is not None and (speed := self.speed(place.at)) is not None:
            aligned = self.machine.as_reckoned().one_pass(speed)
            fits = self.found.what_ifs[place] = fit_what_ifs(response, aligned)
            self.note(place, *what_ifs_in_words(fits))

    def _repeats(self, piece: _Piece) -> RepeatReading:
        track = self.found.delays.get(piece.take.place)
        if track is None:
            raise CannotTell("it hangs on the delay, which was not measured: give a take for it, too")
        return measure_repeats(piece.recording, delay=track.delay.value)

    def read_tones(self, pieces: Sequence[_Piece], *, test_tapes: bool) -> None:
        """Flutter of all speeds that have a tone, each from the first head that tells it."""

        def flutter(piece: _Piece) -> FlutterReading:
            track = self.found.delays.get(piece.take.place)
            return measure_flutter(
                piece.recording,
                record_mode=piece.take.record_mode,
                delay=None if track is None else track.delay.value,
            )

        tones = [piece for piece in pieces if (piece.take.record_mode == "test tape") == test_tapes]
        heads = self._each_speed(tones, "tone", self.found.flutter, flutter)
        self.found.flutter_heads.update(heads)

    def _each_speed(
        self, pieces: Sequence[_Piece], kind: str, found: dict[int, Each], read: Callable[[_Piece], Each]
    ) -> dict[int, int]:
        """Read one thing at each speed, from the first head that tells it, all its takes together."""
        heads: dict[int, int] = {}
        readings: dict[int, list[Each]] = {}
        for piece in (piece for piece in pieces if piece.kind == kind):
            place = piece.take.place
            if place.at in found or heads.get(place.at, place.head) != place.head:
                self.note(None, READ_ONCE)
                continue
            reading = self.tell(TELLS[piece.kind], place, partial(read, piece))
            if reading is not None:
                heads[place.at] = place.head
                readings.setdefault(place.at, []).append(reading)
        for at, several in readings.items():
            found[at] = self._over_takes(several, Place(heads[at], at))
        return heads

    def _over_takes(self, readings: Sequence[Each], place: Place) -> Each:
        """One reading of several takes: each of its estimates that all of them give."""
        told: dict[str, Any] = {}
        apart = []
        for name in (each.name for each in fields(readings[0])):
            each = [getattr(reading, name) for reading in readings]
            if len(each) > 1 and all(isinstance(value, Estimate) for value in each):
                told[name], scattered = combined(each)
                apart += [name.removesuffix("_db").replace("_", " ")] if scattered else []
        if uppers := [reading.upper_db for reading in readings if isinstance(reading, RepeatReading)]:
            told["upper_db"] = max(uppers)
        if apart:
            self.note(place, f"The takes differ in {words.listed(apart)} more than each is sure. {SCATTERED}")
        return replace(readings[0], **told)

    def _suspect(self, at: int) -> None:
        """Which parts of a machine that is known make the flutter."""
        reading, machine, speed = self.found.flutter[at], self.machine, self.speed(at)
        deepest = max((line.depth.value for line in reading.lines), default=0.0)
        peaks = reading.peaks(least=max(5e-5, 0.01 * deepest))  # shallower ones do not matter
        if machine is not None and machine.turning_parts and speed is not None and peaks:
            sharp = max(1 / reading.duration, 0.01)
            self.found.suspects[at] = fingerprint(peaks, machine.turning_parts, speed, resolution=sharp)


READ_ONCE = "Flutter, noise and loop gain are read once for each speed, from the first head that tells them."
TELLS = {"program": "the delay", "tone": "the flutter", "repeats": "the loop gain", "silence": "the noise"}
FROM_PLATE = "Without ruler or stopwatch the speeds on the machine's plate were taken, with their plus/minus."
SCATTERED = "The machine is not the same every time: the plus/minus has that, and more takes narrow it."
OTHER_PLACE = "Were they of two speeds or two heads? Say --speed and --head before each."


def _against_the_file(geometry: Geometry, delays: dict[Place, DelayTrack], machine: Machine) -> Iterator[str]:
    """Say where the machine file is contradicted by more than both are sure, and what may be the reason."""
    plate = machine.speeds
    told = [(place, track.delay.value) for place, track in delays.items() if place.at < len(plate)]
    for (a, delay), (b, other) in combinations(told, 2):
        if a.head == b.head and (delay - other) * (plate[a.at] - plate[b.at]) > 0:
            yield (
                f"The speeds stand in another order than on the plate: of {a.at + 1} and {b.at + 1} the one "
                "that it calls faster has the longer delay. Give the takes in the order of the plate."
            )
            break
    ratios = []
    u_speeds = [machine.u_speed * speed for speed in plate]
    for name, unit, way, seen, stated, us in (
        ("speed", "ips" if machine.units == "inches" else "cm_s", 1, geometry.speeds, plate, u_speeds),
        ("spacing of head", "mm", -1, geometry.spacings, machine.spacings, machine.u_spacings),
    ):
        for number, (found, value, u) in enumerate(zip(seen, stated, us, strict=False), start=1):
            if found is None:
                continue
            ratios.append((found.value / value) ** way)
            known = Estimate(value, COVERAGE_FACTOR * u)
            if abs(found.value - value) > np.hypot(found.plus_minus, known.plus_minus):
                yield (
                    f"The {name} {number} comes out as {found.text(unit)}, the machine file says "
                    f"{known.text(unit)}: more than both may be off. Which head was recorded, at which "
                    "speed, and is the ruler read from gap to gap?"
                )
    if any(min(abs(ratio * r - 1) for r in (160 / 147, 147 / 160)) < 0.012 for ratio in ratios):
        yield "What is off is 48 to 44.1 kHz: most likely the file says a wrong sample rate."
