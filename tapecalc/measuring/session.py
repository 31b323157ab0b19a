"""From takes to one measurement, and from the measurement to a machine file."""

import math
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, fields, replace
from itertools import zip_longest
from typing import Any, NamedTuple

import numpy as np

from tapecalc import words
from tapecalc.calc.parts import Verdict, fingerprint
from tapecalc.calc.quantity import Ratio, calculator
from tapecalc.calc.response import OnePass
from tapecalc.calc.units import from_si
from tapecalc.machine import (
    SPEED_KEYS,
    STATED_AT,
    Machine,
    MachineFileError,
    machine_from_data,
    responses_kept,
)
from tapecalc.measuring.delay import DelayTrack, measure_delay
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, ClockTolerance, Estimate
from tapecalc.measuring.flutter import RECORD_MODES, FlutterReading, measure_flutter
from tapecalc.measuring.geometry import Delay, Geometry, KnownSpeed, Ruler, Stopwatch, solve_geometry
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
from tapecalc.measuring.test_signal import PARTS, SIGNAL_LENGTH, find_parts

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
        for name, known in (("kind", KINDS), ("record_mode", RECORD_MODES)):
            if getattr(self, name) not in known:
                raise ValueError(f"{name} must be one of {', '.join(known)}, got {getattr(self, name)!r}")

    @property
    def place(self) -> Place:
        """Where it was recorded."""
        return Place(self.head, self.at)


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
        told = {each.name: _plain(getattr(self, each.name)) for each in fields(self) if each.name != "notes"}
        return {**told, "sentences": list(self.sentences)}


def _plain(result: Any) -> Any:
    """What a JSON file holds of results by head and speed, and of each of them."""
    match result:
        case None:
            return None
        case int():
            return result + 1  # a head
        case dict():
            named = ((str(k) if isinstance(k, Place) else f"speed {k + 1}", k) for k in sorted(result))
            return {name: _plain(result[key]) for name, key in named}
        case Verdict():
            return {
                "rate": float(result.frequency),
                "depth": float(result.depth),
                "part": None if result.part is None else result.part.name,
                "turns": result.harmonic,
                "sure": float(result.sure),
                "advice": result.advice,
            }
        case tuple() | list():
            return [_plain(each) for each in result]
        case _:
            return result.to_dict()


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
    tools: list[Ruler | Stopwatch] = [*rulers, *stopwatches]
    geometry = None
    # The lead of equalizers depends on the speed; where that is measured, a second look knows it.
    for _look in range(1 if machine is not None or not tools else 2):
        seen: list[Note] = []
        for take, _ in pieces:
            if take.kind == "program":
                with _refusal_noted("the delay", take.place, seen):
                    one_pass = _usual_pass(_speed(take.at, geometry, machine), machine)
                    track = measure_delay(take.recording, clock_tolerance=clock_tolerance, one_pass=one_pass)
                    seen += [Note(text, take.place) for text in track.sentences]
                    found.delays[take.place] = track
        geometry = _geometry(found.delays, machine, tools, clock_tolerance, seen)
    notes += seen
    found = replace(found, geometry=geometry)
    read: dict[str, Any] = {"tone": found.flutter, "repeats": found.repeats, "silence": found.noise}
    for piece in pieces:
        take = piece[0]
        if take.at in read.get(take.kind, {}):
            notes.append(Note(READ_ONCE))
            continue
        with _refusal_noted(TELLS[take.kind], take.place, notes):
            notes += [Note(text, take.place) for text in _read(found, piece, machine, clock_tolerance)]
    return replace(found, notes=tuple(dict.fromkeys(notes)))


READ_ONCE = "Flutter, noise and loop gain are read once for each speed, from the first take that tells them."
TELLS = {"program": "the response", "tone": "the flutter", "repeats": "the loop gain", "silence": "the noise"}


@contextmanager
def _refusal_noted(what: str, place: Place, notes: list[Note]) -> Iterator[None]:
    """Note it where a figure cannot be told, and go on."""
    try:
        yield
    except CannotTell as refusal:
        notes.append(Note(f"cannot tell {what}, because {refusal.reason}.", place))


#: A take of one kind of sound, and the rms amplitude to count its noise from.
_Piece = tuple[Take, float | None]


def _pieces(take: Take, reference: float | None, notes: list[Note]) -> list[_Piece]:
    """The pieces of a take that are to be measured: those of a test signal, else all of it."""
    if take.kind != "test signal":
        return [(take, reference)]
    take = replace(take, kind="program", record_mode="simultaneous")
    try:
        parts = find_parts(take.recording)
    except CannotTell as refusal:
        notes.append(Note(f"{refusal}; taken as any other sound.", take.place))
        return [(take, reference)]
    sounds = {}
    if noise := parts.get("noise"):
        sounds["program"] = noise
    sounds |= {kind: parts[kind] for kind in ("tone", "silence") if kind in parts}
    if missing := [part.name for part in PARTS if part.name not in parts]:
        so = "" if sounds else "nothing can be told, "
        cut = f"the test signal is cut, {words.listed(missing)} not in full: {so}record all of it"
        notes.append(Note(f"{cut}, {SIGNAL_LENGTH:.0f} s.", take.place))
    if "reference" in parts and reference is None:
        tone = parts["reference"]
        reference = float(np.std(tone.read("playback", tone.count // 2, tone.sample_rate))) or None
    return [(replace(take, recording=sound, kind=kind), reference) for kind, sound in sounds.items()]


def _read(
    found: Measurement, piece: _Piece, machine: Machine | None, clock_tolerance: float
) -> Sequence[str]:
    """Put what a piece tells, but its delay, into `found`; give back what is to be said of it."""
    take, reference = piece
    recording, place, at = take.recording, take.place, take.at
    track = found.delays.get(place)
    delay = None if track is None else track.delay.value
    speed = _speed(at, found.geometry, machine)
    match take.kind:
        case "program":
            if track is None:
                return ()
            response = found.responses[place] = measure_response(recording, track)
            if machine is None or speed is None:
                return response.sentences
            fits = found.what_ifs[place] = fit_what_ifs(response, machine.as_reckoned().one_pass(speed))
            return (*response.sentences, *what_ifs_in_words(fits))
        case "tone":
            flutter = measure_flutter(
                recording, record_mode=take.record_mode, delay=delay, clock_tolerance=clock_tolerance
            )
            found.flutter[at], found.flutter_heads[at] = flutter, place.head
            if suspects := _suspects(flutter, machine, speed):
                found.suspects[at] = suspects
            return flutter.sentences
        case "repeats":
            if delay is None:
                raise CannotTell("the delay must be known first: record the test signal as well")
            found.repeats[at] = measure_repeats(recording, delay=delay)
            return found.repeats[at].sentences
        case _:
            found.noise[at] = measure_noise(recording, reference=reference)
            return found.noise[at].sentences


def _suspects(reading: FlutterReading, machine: Machine | None, speed: float | None) -> Sequence[Verdict]:
    """Which parts of a machine that is known make the flutter."""
    deepest = max((line.depth.value for line in reading.lines), default=0.0)
    peaks = reading.peaks(least=max(5e-5, 0.01 * deepest))  # shallower ones do not matter
    if machine is None or not machine.turning_parts or speed is None or not peaks:
        return ()
    return fingerprint(peaks, machine.turning_parts, speed, resolution=max(1 / reading.duration, 0.01))


def _speed(at: int, geometry: Geometry | None, machine: Machine | None) -> float | None:
    """Tape speed of index `at`, measured or else from the machine's plate."""
    measured = () if geometry is None else geometry.speeds
    plates = () if machine is None else machine.speeds
    if at < len(measured) and (found := measured[at]) is not None:
        return found.value
    return plates[at] if at < len(plates) else None


def _usual_pass(speed: float | None, machine: Machine | None) -> OnePass | None:
    """One pass over a machine, or over a usual one; None without a speed."""
    if speed is None:
        return None
    usual = {"transport": {"speeds_cm_s": [19.05]}, "playback_heads": [{"spacing_mm": 40.0}]}
    return (machine or machine_from_data(usual, "a usual machine")).one_pass(speed)


def _geometry(
    delays: dict[Place, DelayTrack],
    machine: Machine | None,
    tools: Sequence[Ruler | Stopwatch],
    clock_tolerance: float,
    notes: list[Note],
) -> Geometry | None:
    """Spacings and speeds, from the plate of the machine where nothing better was measured."""
    if not delays:
        return None
    seen = []
    for (head, at), track in delays.items():
        spread = float(np.hypot(track.delay.plus_minus, track.wander))
        seen.append(Delay(Estimate(track.delay.value, spread, "s"), head, at))
    plates = []
    if not tools and machine is not None:
        for at in sorted({at for _, at in delays if at < len(machine.speeds)}):
            spread = COVERAGE_FACTOR * machine.u_speed * machine.speeds[at]
            if spread > 0:
                plates.append(KnownSpeed(Estimate(machine.speeds[at], spread, "m/s"), at))
        notes.append(Note(FROM_PLATE))
    geometry = solve_geometry([*seen, *tools, *plates], clock_tolerance=clock_tolerance)
    notes += [Note(text) for text in geometry.sentences]
    return geometry


FROM_PLATE = "Without ruler or stopwatch the speeds on the machine's plate were taken, with their plus/minus."

# ---- from figures to a machine file ----


def measured_machine(measurement: Measurement, base: Machine | None = None) -> Machine:
    """Make the machine that was measured, `base` where nothing was; refused if the two do not suffice.

    A machine file has one plus/minus for all speeds, which is then the largest. Each measured delay stands
    beside spacing and speed, for it is known better than their quotient.

    >>> from tapecalc.machine import example_machine
    >>> measured_machine(Measurement(), example_machine()).name
    'Bench deck, measured'
    """
    data: dict[str, Any] = {} if base is None else base.model_dump(exclude_unset=True)
    data["name"] = "measured machine" if base is None else f"{base.name}, measured"
    geometry = measurement.geometry
    _fill_speeds(data, () if geometry is None else geometry.speeds, base)
    _fill_spacings(data, () if geometry is None else geometry.spacings)
    for section, key, value in _figures(measurement, _machine(data)):
        data.setdefault(section, {})[key] = value
    if measurement.flutter:
        _fill_flutter(data, measurement)
    for measured in ("measured_delays", "measured_responses"):
        data.pop(measured, None)
    machine = _machine(data)
    rows = {
        "measured_delays": _measured_delays(measurement, machine, base),
        "measured_responses": _measured_responses(measurement, machine, base),
    }
    data |= {key: found for key, found in rows.items() if found}
    for at in sorted(measurement.repeats)[:1]:
        send_db = _return_send_db(measurement.repeats[at], _machine(data).one_pass(machine.speeds[at]))
        data.setdefault("mixer", {})["return_send_db"] = round(send_db, 2)
    return _machine(data)


def _return_send_db(reading: RepeatReading, one_pass: OnePass) -> float:
    """What is left of loop gains without the pass over the tape; octaves that it colors little count most."""
    middles, gains = zip(*reading.bands, strict=True)
    level_db = one_pass.level_db(np.outer(middles, np.geomspace(0.5**0.5, 2**0.5, 33)))
    spread_db = np.hypot(np.std(level_db, axis=1), [gain.plus_minus / COVERAGE_FACTOR for gain in gains])
    sends_db = np.array([gain.value for gain in gains]) - np.mean(level_db, axis=1)
    return float(np.average(sends_db, weights=1 / (spread_db**2 + LEAST_SPREAD_DB**2)))


def _machine(data: dict[str, Any]) -> Machine:
    """The machine of these sections, or a refusal."""
    try:
        return machine_from_data(data, "what was measured makes no machine")
    except MachineFileError as error:
        raise CannotTell(str(error)) from None


def _plus_minus(estimate: Estimate, unit: str) -> float:
    """How far an estimate may be off in 95 of 100 cases, in a trade unit: three digits, never too small."""
    spread = from_si(estimate.plus_minus, unit)
    if spread == 0:
        return 0.0
    places = 2 - math.floor(math.log10(spread))
    return round(math.ceil(spread * 10.0**places - 1e-6) / 10.0**places, max(places, 0))


def _each(what: str, measured: Iterable[Any], before: Iterable[Any]) -> Iterator[tuple[Any, Any]]:
    """Each figure as measured and as it was, one of them None at most."""
    for number, (found, known) in enumerate(zip_longest(measured, before), start=1):
        if found is None and known is None:
            raise CannotTell(f"{what} {number} was not measured and the machine given does not name it")
        yield found, known


def _fill_speeds(data: dict[str, Any], measured: Sequence[Estimate | None], base: Machine | None) -> None:
    """Speeds as measured, in the owner's unit, those that were not as they were."""
    if not any(measured):
        if base is None:
            raise CannotTell(
                "the tape speed was not measured; time a marked length of tape or measure a head spacing"
            )
        return
    relative = 0.0 if base is None else COVERAGE_FACTOR * base.u_speed
    plates = () if base is None else [Estimate(v, relative * v, "m/s") for v in base.speeds]
    speeds = [plate if found is None else found for found, plate in _each("speed", measured, plates)]
    worst = Estimate(1.0, max(speed.plus_minus / speed.value for speed in speeds))
    transport = data.setdefault("transport", {})
    for void in ("mains_hz", "design_mains_hz"):
        transport.pop(void, None)
    key = next((key for key in SPEED_KEYS if transport.get(key)), SPEED_KEYS[0])
    unit = "cm_s" if key.endswith("cm_s") else "ips"
    transport[key] = [round(from_si(speed.value, unit), 5) for speed in speeds]
    transport["speed_plus_minus_percent"] = _plus_minus(worst, "percent")


def _fill_spacings(data: dict[str, Any], measured: Sequence[Estimate | None]) -> None:
    """Spacings as measured, those that were not as they were."""
    if not any(measured):
        if "playback_heads" not in data:
            raise CannotTell(
                "the head spacing was not measured; use a ruler, or time a marked length of tape"
            )
        return
    heads = []
    for spacing, before in _each("the spacing of head", measured, data.get("playback_heads", ())):
        head = dict(before or {})
        if spacing is not None:
            head["spacing_mm"] = round(from_si(spacing.value, "mm"), 4)
            head["spacing_plus_minus_mm"] = _plus_minus(spacing, "mm")
        heads.append(head)
    data["playback_heads"] = heads


LEAST_SPREAD_DB = 0.01  # of a band's loop gain
VAGUE_CUT = 30.0  # Hz; a low cut that is less sure is better left as it was
#: Where the best explanation of the treble goes; each key ends with its unit.
EXPLAINED_BY = {"separation": "spacing_loss_um", "azimuth": "azimuth_error_arcmin", "gap": "gap_um"}


def _figures(found: Measurement, machine: Machine) -> Iterator[tuple[str, str, float]]:
    """Section, key and value of each figure that stands alone, of the first head and speed."""
    for place in sorted(found.delays)[:1]:
        best_of_all = found.what_ifs.get(place, ())[:1]
        # The phase tells a low cut, and the level does; the better of the two, if it is worth anything.
        cuts = found.delays[place].low_cut, *(best.low_cut for best in best_of_all)
        low_cut = min(cuts, key=lambda cut: cut.plus_minus)
        if low_cut.plus_minus < VAGUE_CUT:
            yield "heads", "low_cut_hz", round(max(low_cut.value, 0.0), 1)
        for best in best_of_all:
            if best.name in EXPLAINED_BY and best.value is not None:
                key = EXPLAINED_BY[best.name]
                yield "heads", key, round(from_si(best.value.value, key.rpartition("_")[2]), 2)
    for at in sorted(found.noise)[:1]:
        if "tone" in found.noise[at].against:
            more_db = machine.tape_noise_db(machine.speeds[at]) - machine.tape_noise_db(STATED_AT)
            yield "levels", "tape_noise_db", round(found.noise[at].level_db.value - more_db, 1)


def _fill_flutter(data: dict[str, Any], measurement: Measurement) -> None:
    """What no line explains as random wobble, and each part's own share."""
    at = min(measurement.flutter)
    reading = measurement.flutter[at]
    rest = reading.unweighted_rms.value**2 - sum(line.depth.value**2 / 2 for line in reading.lines)
    data["flutter"] = {"random_percent_rms": round(from_si(float(np.sqrt(max(rest, 0.0))), "percent"), 4)}
    wobbles: dict[str, float] = {}
    for verdict in measurement.suspects.get(at, ()):
        if verdict.part is not None and verdict.harmonic == 1:
            wobbles.setdefault(verdict.part.name, verdict.depth)
    for part in data.get("parts", ()):
        part["wobble_percent"] = round(from_si(wobbles.get(part["name"], 0.0), "percent"), 4)


def _measured_delays(
    measurement: Measurement, machine: Machine, base: Machine | None
) -> list[dict[str, Any]]:
    """The delays themselves; one that was measured before stays, if its spacing and its speed have stayed."""
    delays: dict[Place, dict[str, Any]] = {}
    if base is not None:
        for before in base.measured_delays:
            head, at = place = Place(before.head - 1, before.speed - 1)
            if machine.spacings[head] == base.spacings[head] and machine.speeds[at] == base.speeds[at]:
                delays[place] = before.model_dump()
    for place, track in measurement.delays.items():
        delays[place] = {
            "head": place.head + 1,
            "speed": place.at + 1,
            "delay_ms": round(from_si(track.total.value, "ms"), 5),
            "delay_plus_minus_ms": _plus_minus(track.total, "ms"),
        }
    return [delays[place] for place in sorted(delays)]


SURE_DB = 1.0  # of a band that a machine file takes


def _measured_responses(
    measurement: Measurement, machine: Machine, base: Machine | None
) -> list[dict[str, Any]]:
    """The response of the nearest head at each speed; one that was measured before stays if it holds."""
    responses: dict[int, dict[str, Any]] = {}
    if base is not None:
        responses |= {kept.speed: kept.model_dump() for kept in responses_kept(base, machine)}
    for place, response in sorted(measurement.responses.items(), reverse=True):
        sure = response.plus_minus_db < SURE_DB
        bands = zip(response.frequency[sure].round(1), response.level_db[sure].round(2), strict=True)
        points = [[float(hertz), float(level_db)] for hertz, level_db in bands]
        if points:
            responses[place.at + 1] = {"speed": place.at + 1, "hz_and_db": points}
    return [responses[speed] for speed in sorted(responses)]
