"""From takes to one measurement, and from the measurement to a machine file."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import zip_longest
from typing import Any, NamedTuple

import numpy as np

from tapecalc.calc.parts import Verdict, fingerprint
from tapecalc.calc.quantity import Ratio, calculator
from tapecalc.calc.units import from_si, to_si
from tapecalc.machine import Machine, MachineFileError, machine_from_data
from tapecalc.measuring.delay import DelayTrack, measure_delay
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, ClockTolerance, Estimate
from tapecalc.measuring.flutter import RECORD_MODES, FlutterReading, measure_flutter
from tapecalc.measuring.geometry import (
    Delay,
    Geometry,
    KnownSpeed,
    Observation,
    Ruler,
    Stopwatch,
    solve_geometry,
)
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
from tapecalc.measuring.test_signal import find_parts

#: What a take may hold.
KINDS = {
    "program": "any sound on the dry channel, what the machine made of it on the other",
    "test signal": "the test signal, dry and played back",
    "tone": "a steady tone, played back",
    "silence": "the machine playing a tape recorded with nothing",
    "repeats": "a sound and its repeats, the return send up",
}


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
        if self.kind not in KINDS:
            raise ValueError(f"kind must be one of {', '.join(KINDS)}, got {self.kind!r}")
        if self.record_mode not in RECORD_MODES:
            raise ValueError(
                f"record_mode must be one of {', '.join(RECORD_MODES)}, got {self.record_mode!r}"
            )


@dataclass(frozen=True, kw_only=True, eq=False)
class Measurement:
    """Everything that the takes told, by head and speed or by speed alone, counted from 0."""

    delays: dict[Place, DelayTrack] = field(default_factory=dict)
    responses: dict[Place, PassResponse] = field(default_factory=dict)
    what_ifs: dict[Place, Sequence[WhatIf]] = field(default_factory=dict)  # the best first
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
        return not (self.delays or self.flutter or self.repeats or self.noise)

    def to_dict(self) -> dict[str, Any]:
        """Return the measurement as a plain dict for ``measured.json``: SI, heads and speeds from 1."""

        def plain(results: Mapping[Any, Any], write: Callable[[Any], Any] = lambda r: r.to_dict()) -> Any:
            return {
                str(key) if isinstance(key, Place) else f"speed {key + 1}": write(result)
                for key, result in sorted(results.items())
            }

        return {
            "delays": plain(self.delays),
            "responses": plain(self.responses),
            "what_ifs": plain(self.what_ifs, lambda fits: [fit.to_dict() for fit in fits]),
            "flutter": plain(self.flutter),
            "flutter_heads": plain(self.flutter_heads, lambda head: head + 1),
            "suspects": plain(self.suspects, lambda verdicts: [_plain_verdict(v) for v in verdicts]),
            "repeats": plain(self.repeats),
            "noise": plain(self.noise),
            "geometry": None if self.geometry is None else self.geometry.to_dict(),
            "sentences": list(self.sentences),
        }


def _plain_verdict(verdict: Verdict) -> dict[str, Any]:
    return {
        "rate": float(verdict.frequency),
        "depth": float(verdict.depth),
        "part": None if verdict.part is None else verdict.part.name,
        "turns": verdict.harmonic,
        "sure": float(verdict.sure),
        "advice": verdict.advice,
    }


# ---- from takes to figures ----


@calculator
def measure(
    takes: Sequence[Take],
    *,
    machine: Machine | None = None,
    rulers: Iterable[Ruler] = (),
    stopwatches: Iterable[Stopwatch] = (),
    reference: Ratio[float] | None = None,
    clock_tolerance: ClockTolerance[float] = 1e-4,
) -> Measurement:
    """Measure a machine from a few takes; one test signal for each speed tells the most.

    Parameters
    ----------
    machine : Machine, optional
        What is known of it: turning parts for the suspects, the aligned head for the explanations, and the
        speeds on its plate where nothing else tells them.
    reference : float, optional
        Rms amplitude of the operating level, to count the noise from; by default that of the tone in the test
        signal of the same take, else full scale.

    Examples
    --------
    >>> from tapecalc.measuring import open_recording
    >>> nothing = measure([Take(recording=open_recording(np.zeros((48000, 2)), sample_rate=48000))])
    >>> nothing.sentences
    ('Head 1, speed 1: cannot tell the delay, because the dry channel is empty.',)
    """
    if not takes:
        raise ValueError("takes must hold at least one take")
    found = Measurement()
    notes: list[Note] = []
    pieces = [piece for take in takes for piece in _pieces(take, reference, notes)]
    for piece in pieces:
        if piece.kind == "program":
            try:
                track = measure_delay(piece.recording, clock_tolerance=clock_tolerance)
                notes += [Note(text, piece.place) for text in track.sentences]
                found.delays[piece.place] = track
            except CannotTell as refusal:
                notes.append(Note(f"cannot tell the delay, because {refusal.reason}.", piece.place))
    geometry = _geometry(found.delays, machine, rulers, stopwatches, clock_tolerance, notes)
    found = replace(found, geometry=geometry)
    read: dict[str, Mapping[int, object]] = {
        "tone": found.flutter,
        "repeats": found.repeats,
        "silence": found.noise,
    }
    for piece in pieces:
        if piece.place.at in read.get(piece.kind, {}):
            notes.append(Note(READ_ONCE))
            continue
        try:
            notes += [Note(text, piece.place) for text in _read(found, piece, machine, clock_tolerance)]
        except CannotTell as refusal:
            notes.append(
                Note(f"cannot tell {WHAT_IT_TELLS[piece.kind]}, because {refusal.reason}.", piece.place)
            )
    return replace(found, notes=tuple(dict.fromkeys(notes)))


READ_ONCE = "Flutter, noise and loop gain are read once for each speed, from the first take that tells them."
WHAT_IT_TELLS = {
    "program": "the response",
    "tone": "the flutter",
    "repeats": "the loop gain",
    "silence": "the noise",
}


class _Piece(NamedTuple):
    """Something to measure in a take; `kind` is a key of `KINDS` but the test signal."""

    kind: str
    recording: Recording
    place: Place
    record_mode: str = "simultaneous"
    reference: float | None = None


def _pieces(take: Take, reference: float | None, notes: list[Note]) -> list[_Piece]:
    """The pieces of a take that are to be measured."""
    place = Place(take.head, take.at)
    if take.kind != "test signal":
        return [_Piece(take.kind, take.recording, place, take.record_mode, reference)]
    try:
        parts = find_parts(take.recording)
    except CannotTell as refusal:
        notes.append(Note(f"{refusal}; taken as any other sound.", place))
        return [_Piece("program", take.recording, place)]
    pieces = []
    if "clicks" in parts and "noise" in parts:
        clicks, noise = parts["clicks"], parts["noise"]
        start = (clicks.first - take.recording.first) / clicks.sample_rate
        stop = (noise.first + noise.count - take.recording.first) / clicks.sample_rate
        pieces.append(_Piece("program", take.recording.part(start, stop), place))
    if "tone" in parts:
        tone = parts["tone"]
        pieces.append(_Piece("tone", tone, place))
        if reference is None:
            middle = tone.read("playback", tone.count // 2, tone.sample_rate)
            reference = float(np.std(middle)) or None
    if "silence" in parts:
        pieces.append(_Piece("silence", parts["silence"], place, reference=reference))
    return pieces


def _read(
    found: Measurement, piece: _Piece, machine: Machine | None, clock_tolerance: float
) -> Sequence[str]:
    """Put what a piece tells, but its delay, into `found`; give back what is to be said of it."""
    at, track = piece.place.at, found.delays.get(piece.place)
    delay = None if track is None else track.delay.value
    match piece.kind:
        case "program":
            return () if track is None else _read_response(found, piece, track, machine)
        case "tone":
            reading = measure_flutter(
                piece.recording, record_mode=piece.record_mode, delay=delay, clock_tolerance=clock_tolerance
            )
            found.flutter[at], found.flutter_heads[at] = reading, piece.place.head
            suspects = _suspects(reading, machine, _speed(at, found.geometry, machine))
            if suspects:
                found.suspects[at] = suspects
            return reading.sentences
        case "repeats":
            found.repeats[at] = measure_repeats(piece.recording, delay=delay)
            return found.repeats[at].sentences
        case _:
            found.noise[at] = measure_noise(piece.recording, reference=piece.reference)
            return found.noise[at].sentences


def _read_response(
    found: Measurement, piece: _Piece, track: DelayTrack, machine: Machine | None
) -> Sequence[str]:
    """Measure the response, and what would explain it on a machine that is known."""
    response = measure_response(piece.recording, track)
    found.responses[piece.place] = response
    speed = _speed(piece.place.at, found.geometry, machine)
    if machine is None or speed is None:
        return response.sentences
    one_pass = machine.one_pass(speed)
    fits = fit_what_ifs(response, speed, aligned=one_pass.aligned, boost_db=one_pass.boost_db)
    found.what_ifs[piece.place] = fits
    return (*response.sentences, *what_ifs_in_words(fits))


SHALLOWEST, SHALLOW = 5e-5, 0.01  # depth of a line as read, and over the deepest, from which it is blamed


def _suspects(reading: FlutterReading, machine: Machine | None, speed: float | None) -> Sequence[Verdict]:
    """Which parts of a machine that is known make the flutter."""
    deepest = max((line.depth.value for line in reading.lines), default=0.0)
    peaks = reading.peaks(least=max(SHALLOWEST, SHALLOW * deepest))
    if machine is None or not machine.turning_parts or speed is None or not peaks:
        return ()
    return fingerprint(peaks, machine.turning_parts, speed, resolution=max(1 / reading.duration, 0.01))


def _speed(at: int, geometry: Geometry | None, machine: Machine | None) -> float | None:
    """Tape speed of index `at`, measured or else from the machine's plate."""
    if geometry is not None and at < len(geometry.speeds):
        measured = geometry.speeds[at]
        if measured is not None:
            return measured.value
    return machine.speeds[at] if machine is not None and at < len(machine.speeds) else None


def _geometry(
    delays: dict[Place, DelayTrack],
    machine: Machine | None,
    rulers: Iterable[Ruler],
    stopwatches: Iterable[Stopwatch],
    clock_tolerance: float,
    notes: list[Note],
) -> Geometry | None:
    """Spacings and speeds, from the plate of the machine where nothing better was measured."""
    if not delays:
        return None
    observations: list[Observation] = []
    for place, track in delays.items():
        spread = float(np.hypot(track.delay.uncertainty, track.wander))
        observations.append(Delay(Estimate(track.delay.value, spread, "s"), head=place.head, at=place.at))
    tools: list[Observation] = [*rulers, *stopwatches]
    observations += tools
    if not tools and machine is not None:
        for at in sorted({place.at for place in delays if place.at < len(machine.speeds)}):
            plate = machine.speeds[at]
            spread = COVERAGE_FACTOR * machine.speed_uncertainty * plate
            if spread > 0:
                observations.append(KnownSpeed(Estimate(plate, spread, "m/s"), at=at))
        notes.append(
            Note(
                "Without ruler or stopwatch the speeds on the machine's plate were taken, with their "
                "uncertainty."
            )
        )
    geometry = solve_geometry(observations, clock_tolerance=clock_tolerance)
    notes += [Note(text) for text in geometry.sentences]
    return geometry


# ---- from figures to a machine file ----


def measured_machine(measurement: Measurement, base: Machine | None = None) -> Machine:
    """Make the machine that was measured, `base` where nothing was; refused if the two do not suffice.

    A machine file has one uncertainty for all speeds, which is then the largest; it is a standard one, half
    of the 95 % ones here. Each measured delay stands beside spacing and speed, for it is known better than
    their quotient. Source: JCGM 100:2008 (GUM).

    >>> from tapecalc.machine import example_machine
    >>> measured_machine(Measurement(), example_machine()).name
    'Bench deck, measured'
    """
    data: dict[str, Any] = {} if base is None else base.model_dump(exclude_unset=True)
    data["name"] = "measured machine" if base is None else f"{base.name}, measured"
    geometry = measurement.geometry
    speeds = _fill_speeds(data, () if geometry is None else geometry.speeds, base)
    _fill_playback_heads(data, () if geometry is None else geometry.spacings)
    _fill_heads(data, measurement)
    if measurement.repeats:
        first = measurement.repeats[min(measurement.repeats)]
        data.setdefault("mixer", {})["return_send_db"] = round(first.loop_gain_db.value, 2)
    if measurement.noise:
        noise = measurement.noise[min(measurement.noise)]
        if "tone" in noise.against:
            data.setdefault("levels", {})["tape_noise_db"] = round(noise.level_db.value, 1)
    if measurement.flutter:
        _fill_flutter(data, measurement)
    _fill_delays(data, measurement.delays, speeds, base)
    try:
        return machine_from_data(data, "what was measured makes no machine")
    except MachineFileError as error:
        raise CannotTell(str(error)) from None


def _standard(uncertainty: float, unit: str, digits: int) -> float:
    """The standard uncertainty of an expanded one, in a trade unit and rounded."""
    return round(from_si(uncertainty / COVERAGE_FACTOR, unit), digits)


def _fill_speeds(
    data: dict[str, Any], measured: Sequence[Estimate | None], base: Machine | None
) -> Sequence[float]:
    """Speeds as measured, in inches per second, those that were not as they were; give them back in m/s."""
    if not any(measured):
        if base is None:
            raise CannotTell(
                "the tape speed was not measured; time a marked length of tape or measure a head spacing"
            )
        return base.speeds
    relative = 0.0 if base is None else COVERAGE_FACTOR * base.speed_uncertainty
    known = [] if base is None else [Estimate(v, relative * v, "m/s") for v in base.speeds]
    speeds = []
    for number, (found, before) in enumerate(zip_longest(measured, known), start=1):
        if found is None and before is None:
            raise CannotTell(f"speed {number} was not measured and the machine given does not name it")
        speeds.append(before if found is None else found)
    worst = max(speed.uncertainty / speed.value for speed in speeds)
    kept = {k: v for k, v in data.get("transport", {}).items() if k not in OTHER_SPEED_KEYS}
    in_ips = [round(from_si(speed.value, "ips"), 5) for speed in speeds]
    data["transport"] = {
        **kept,
        "speeds_ips": in_ips,
        "speed_uncertainty_percent": _standard(worst, "percent", 4),
    }
    return [to_si(ips, "ips") for ips in in_ips]


OTHER_SPEED_KEYS = ("speeds_cm_s", "mains_hz", "design_mains_hz")  # that measured speeds make void


def _fill_playback_heads(data: dict[str, Any], measured: Sequence[Estimate | None]) -> None:
    """Spacings as measured, those that were not as they were."""
    if not any(measured):
        if "playback_heads" not in data:
            raise CannotTell(
                "the head spacing was not measured; use a ruler, or time a marked length of tape"
            )
        return
    heads = []
    for number, (spacing, before) in enumerate(
        zip_longest(measured, data.get("playback_heads", ())), start=1
    ):
        head = dict(before or {})
        if spacing is not None:
            head["spacing_mm"] = round(from_si(spacing.value, "mm"), 4)
            head["spacing_uncertainty_mm"] = _standard(spacing.uncertainty, "mm", 4)
        elif before is None:
            raise CannotTell(
                f"the spacing of head {number} was not measured and the machine given does not name it"
            )
        heads.append(head)
    data["playback_heads"] = heads


#: Where the best explanation of the treble goes: key and unit.
EXPLAINED_BY = {
    "separation": ("spacing_loss_um", "um"),
    "azimuth": ("azimuth_error_arcmin", "arcmin"),
    "gap": ("gap_um", "um"),
}


def _fill_heads(data: dict[str, Any], measurement: Measurement) -> None:
    """Low cut, and what explains the treble."""
    if not measurement.delays:
        return
    place = min(measurement.delays)
    heads = data.setdefault("heads", {})
    heads["low_cut_hz"] = round(max(measurement.delays[place].low_cut.value, 0.0), 1)
    for best in measurement.what_ifs.get(place, ())[:1]:
        if best.name in EXPLAINED_BY and best.value is not None:
            key, unit = EXPLAINED_BY[best.name]
            heads[key] = round(from_si(best.value.value, unit), 2)


def _fill_flutter(data: dict[str, Any], measurement: Measurement) -> None:
    """What no line explains as random wobble, and each part's own share."""
    at = min(measurement.flutter)
    reading = measurement.flutter[at]
    in_lines = sum(line.depth.value**2 / 2 for line in reading.lines)
    rest = float(np.sqrt(max(reading.unweighted_rms.value**2 - in_lines, 0.0)))
    data["flutter"] = {"random_percent_rms": round(from_si(rest, "percent"), 4)}
    wobble: dict[str, float] = {}
    for verdict in measurement.suspects.get(at, ()):
        if verdict.part is not None and verdict.harmonic == 1:
            wobble.setdefault(verdict.part.name, verdict.depth)
    for part in data.get("parts", ()):
        part["wobble_percent"] = round(from_si(wobble.get(part["name"], 0.0), "percent"), 4)


def _fill_delays(
    data: dict[str, Any], tracks: dict[Place, DelayTrack], speeds: Sequence[float], base: Machine | None
) -> None:
    """The delays themselves; one that was measured before stays, if its spacing and its speed have stayed."""
    delays: dict[Place, dict[str, Any]] = {}
    if base is not None:
        for measured in base.measured_delays:
            place = Place(measured.head - 1, measured.speed - 1)
            spacing_mm = data["playback_heads"][place.head]["spacing_mm"]
            if (
                spacing_mm == base.playback_heads[place.head].spacing_mm
                and speeds[place.at] == base.speeds[place.at]
            ):
                delays[place] = measured.model_dump()
    for place, track in tracks.items():
        delays[place] = {
            "head": place.head + 1,
            "speed": place.at + 1,
            "delay_ms": round(from_si(track.total.value, "ms"), 5),
            "delay_uncertainty_ms": _standard(track.total.uncertainty, "ms", 5),
        }
    data.pop("measured_delays", None)
    if delays:
        data["measured_delays"] = [delays[place] for place in sorted(delays)]
