"""From takes to one measurement, and from the measurement to a machine file."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import zip_longest

import numpy as np
from pydantic import ValidationError

from tapecalc.calc.parts import fingerprint
from tapecalc.calc.units import from_si
from tapecalc.machine import Machine
from tapecalc.measuring.delay import measure_delay
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, Estimate
from tapecalc.measuring.flutter import TAKEN, measure_flutter
from tapecalc.measuring.geometry import Delay, Geometry, KnownSpeed, solve_geometry
from tapecalc.measuring.loop_gain import RepeatReading, measure_repeats
from tapecalc.measuring.noise import NoiseReading, measure_noise
from tapecalc.measuring.recording import Recording
from tapecalc.measuring.response import fit_what_ifs, measure_response, what_ifs_in_words
from tapecalc.measuring.test_signal import find_parts

__all__ = [
    "KINDS",
    "Measurement",
    "Take",
    "measure",
    "measured_machine",
]


BLAMED, SLIGHT = 5e-5, 0.01  # depth as read (0.005 %), and over the deepest, from which a line is blamed

#: What belongs to a speed and not to a head: kind of take, and where its reading is kept.
READ_ONCE = {"tone": "flutter", "repeats": "repeats", "silence": "noise"}
TOLD_ONCE = "Flutter, noise and loop gain are read once for each speed, from the first take that tells them."

#: What a take may hold.
KINDS = {
    "program": "any sound on the dry channel, what the machine made of it on the other",
    "test signal": "the test signal, dry and played back",
    "tone": "a steady tone, played back",
    "silence": "the machine playing a tape recorded with nothing",
    "repeats": "a sound and its repeats, the return send up",
}


@dataclass(frozen=True, kw_only=True)
class Take:
    """One recording, and what it is of.

    Parameters
    ----------
    recording : Recording
        From `open_recording`.
    kind : str, optional
        A key of `KINDS`.
    at : int, optional
        Which of the machine's speeds, counted from 0.
    head : int, optional
        Which playback head, counted from 0.
    taken : str, optional
        How a tone came to be played, a key of `TAKEN`.

    Raises
    ------
    ValueError
        If a kind or a way of taking is not known.

    Notes
    -----
    Source: definition. Notebook: 08_measuring.

    Examples
    --------
    >>> from tapecalc.measuring import open_recording
    >>> Take(recording=open_recording(np.zeros((48000, 2)), sample_rate=48000)).kind
    'program'
    """

    recording: Recording
    kind: str = "program"
    at: int = 0
    head: int = 0
    taken: str = "through"

    def __post_init__(self):
        if self.kind not in KINDS:
            raise ValueError(f"kind must be one of {', '.join(KINDS)}, got {self.kind!r}")
        if self.taken not in TAKEN:
            raise ValueError(f"taken must be one of {', '.join(TAKEN)}, got {self.taken!r}")


@dataclass(frozen=True, kw_only=True, eq=False)
class Measurement:
    """Everything that the takes told, and what they could not.

    Parameters
    ----------
    delays : dict
        `DelayTrack` by (head, speed), both counted from 0.
    responses : dict
        `PassResponse` by (head, speed).
    what_ifs : dict
        Tuples of `WhatIf`, the best first, by (head, speed).
    flutter : dict
        `FlutterReading` by speed.
    flutter_heads : dict
        Which head it was read from, counted from 0, by speed.
    suspects : dict
        Tuples of `tapecalc.flutter.Verdict` by speed, of lines that are read with 0.005 % or more.
    repeats : dict
        `RepeatReading` by speed.
    noise : dict
        `NoiseReading` by speed.
    geometry : Geometry or None
        Spacings and speeds.
    sentences : tuple of str
        What was noticed and what cannot be told, in the order of the takes.

    Notes
    -----
    Made by `measure`. Source: house rule. Notebook: 08_measuring.

    Examples
    --------
    >>> Measurement().delays
    {}
    """

    delays: dict = field(default_factory=dict)
    responses: dict = field(default_factory=dict)
    what_ifs: dict = field(default_factory=dict)
    flutter: dict = field(default_factory=dict)
    flutter_heads: dict = field(default_factory=dict)
    suspects: dict = field(default_factory=dict)
    repeats: dict[int, RepeatReading] = field(default_factory=dict)
    noise: dict[int, NoiseReading] = field(default_factory=dict)
    geometry: Geometry | None = None
    sentences: tuple = ()

    def rows(self):
        """List every figure for a table.

        Returns
        -------
        list of (str, str)
            What it is, and its value with its uncertainty in trade units.
        """
        rows = []
        for (head, at), track in sorted(self.delays.items()):
            where = f"head {head + 1}, speed {at + 1}"
            rows.append((f"delay, {where}", track.total.text("ms")))
            swing = float(np.std(track.track))
            rows.append((f"swing of the delay (rms), {where}", f"{1e6 * swing:.1f} us"))
            if (head, at) in self.responses:
                edge = self.responses[head, at].edge()
                rows.append(
                    (f"treble down 3 dB, {where}", "above the band" if edge is None else f"{edge:.0f} Hz")
                )
        if self.geometry is not None:
            for h, spacing in enumerate(self.geometry.spacings):
                rows.append((f"spacing, head {h + 1}", _told(spacing, "mm")))
            for s, speed in enumerate(self.geometry.speeds):
                rows.append((f"speed {s + 1}", _told(speed, "ips", "in/s")))
            for s, ratio in enumerate(self.geometry.speed_ratios[1:], 2):
                rows.append((f"speed {s} over speed 1", _told(ratio)))
        for at, reading in sorted(self.flutter.items()):
            rows.append((f"flutter, weighted, speed {at + 1}", reading.weighted.text("percent")))
            needle = reading.quasi_peak.text("percent")
            rows.append((f"flutter, weighted, needle of a meter, speed {at + 1}", needle))
            rows.append((f"flutter, unweighted rms, speed {at + 1}", reading.unweighted_rms.text("percent")))
        for at, reading in sorted(self.repeats.items()):
            rows.append((f"loop gain, speed {at + 1}", reading.loop_gain_db.text()))
            rows.append((f"repeats down to {reading.heard_db:.0f} dB, speed {at + 1}", str(reading.repeats)))
        for at, reading in sorted(self.noise.items()):
            rows.append((f"noise, speed {at + 1}", f"{reading.level_db.text()} against {reading.against}"))
        return rows

    def to_dict(self):
        """Return the measurement as a plain dict, for ``measured.json``.

        Returns
        -------
        dict
            Everything, in SI, heads and speeds counted from 1 in the keys.
        """

        def pairs(results):
            return {f"head {h + 1}, speed {s + 1}": r for (h, s), r in sorted(results.items())}

        def by_speed(results):
            return {f"speed {s + 1}": r for s, r in sorted(results.items())}

        return {
            "delays": {k: r.to_dict() for k, r in pairs(self.delays).items()},
            "responses": {k: r.to_dict() for k, r in pairs(self.responses).items()},
            "what_ifs": {k: [w.to_dict() for w in r] for k, r in pairs(self.what_ifs).items()},
            "flutter": {k: r.to_dict() for k, r in by_speed(self.flutter).items()},
            "flutter_heads": {k: head + 1 for k, head in by_speed(self.flutter_heads).items()},
            "suspects": {
                k: [
                    {
                        "rate": float(v.frequency),
                        "depth": float(v.depth),
                        "part": None if v.part is None else v.part.name,
                        "turns": v.harmonic,
                        "sure": float(v.sure),
                        "advice": v.advice,
                    }
                    for v in r
                ]
                for k, r in by_speed(self.suspects).items()
            },
            "repeats": {k: r.to_dict() for k, r in by_speed(self.repeats).items()},
            "noise": {k: r.to_dict() for k, r in by_speed(self.noise).items()},
            "geometry": None if self.geometry is None else self.geometry.to_dict(),
            "sentences": list(self.sentences),
        }


def _told(estimate, unit=None, label=None):
    """An estimate in words, or that it cannot be told."""
    return "cannot be told" if estimate is None else estimate.text(unit, label)


def measure(takes, *, machine=None, rulers=(), stopwatches=(), reference=None, clock_tolerance=1e-4):
    """Measure a machine from a few takes.

    Parameters
    ----------
    takes : sequence of Take
        At least one; one test signal for each speed tells the most.
    machine : tapecalc.machine.Machine, optional
        What is known of the machine: turning parts for the suspects, the aligned head for the
        explanations, and the speeds on its plate where nothing else tells them.
    rulers : sequence of Ruler, optional
        Spacings measured with a ruler.
    stopwatches : sequence of Stopwatch, optional
        Marked lengths of tape, timed.
    reference : float, optional
        Rms amplitude of the operating level, to count the noise from; by default that of the tone
        in the test signal of the same take, else full scale.
    clock_tolerance : float, optional
        How far the interface's clock may be off, relative.

    Returns
    -------
    Measurement
        Figures with uncertainties. What cannot be told is missing, and said in its sentences.

    Raises
    ------
    ValueError
        If there is no take, or an option is out of range.

    Notes
    -----
    Source: as the single measurements. Notebook: 08_measuring.

    Examples
    --------
    >>> from tapecalc.measuring import open_recording
    >>> nothing = measure([Take(recording=open_recording(np.zeros((48000, 2)), sample_rate=48000))])
    >>> nothing.sentences
    ('Head 1, speed 1: cannot tell the delay, because the dry channel is empty.',)
    """
    if not takes:
        raise ValueError("takes must hold at least one take")
    found = {
        name: {}
        for name in (
            "delays",
            "responses",
            "what_ifs",
            "flutter",
            "flutter_heads",
            "suspects",
            "repeats",
            "noise",
        )
    }
    said = []
    pieces = [piece for take in takes for piece in _pieces(take, reference, said)]
    for piece in pieces:
        if piece.kind == "delay":
            _tell(piece, "the delay", said, _delay, found, clock_tolerance)
    geometry = _geometry(found["delays"], machine, rulers, stopwatches, clock_tolerance, said)
    for piece in pieces:
        if piece.kind == "delay" and (piece.head, piece.at) in found["delays"]:
            _tell(piece, "the response", said, _response, found, machine, _speed(piece.at, geometry, machine))
        elif piece.kind in READ_ONCE and piece.at in found[READ_ONCE[piece.kind]]:
            said.append(TOLD_ONCE)
        elif piece.kind == "tone":
            _tell(piece, "the flutter", said, _flutter, found, machine, geometry, clock_tolerance)
        elif piece.kind == "repeats":
            _tell(piece, "the loop gain", said, _repeats, found)
        elif piece.kind == "silence":
            _tell(piece, "the noise", said, _noise, found)
    return Measurement(**found, geometry=geometry, sentences=tuple(dict.fromkeys(said)))


@dataclass(frozen=True)
class _Piece:
    """Something to measure in a take."""

    kind: str
    recording: Recording
    head: int
    at: int
    taken: str
    reference: float | None = None


def _pieces(take, reference, said):
    """The pieces of a take that are to be measured."""
    at = (take.head, take.at, take.taken)
    if take.kind != "test signal":
        kind = "delay" if take.kind == "program" else take.kind
        return [_Piece(kind, take.recording, *at, reference)]
    try:
        parts = find_parts(take.recording)
    except CannotTell as reason:
        said.append(f"Head {take.head + 1}, speed {take.at + 1}: {reason}; taken as any other sound.")
        return [_Piece("delay", take.recording, *at)]
    pieces = []
    if "clicks" in parts and "noise" in parts:
        clicks, noise = parts["clicks"], parts["noise"]
        both = take.recording.part(
            (clicks.first - take.recording.first) / clicks.sample_rate,
            (noise.first + noise.count - take.recording.first) / clicks.sample_rate,
        )
        pieces.append(_Piece("delay", both, *at))
    if "tone" in parts:
        tone = parts["tone"]
        pieces.append(_Piece("tone", tone, take.head, take.at, "through"))
        if reference is None:
            middle = tone.read("playback", tone.count // 2, tone.sample_rate)
            reference = float(np.std(middle)) or None
    if "silence" in parts:
        pieces.append(_Piece("silence", parts["silence"], *at, reference))
    return pieces


def _tell(piece, what, said, function, *arguments):
    """Run one measurement; its refusal becomes a sentence."""
    where = f"Head {piece.head + 1}, speed {piece.at + 1}: "
    try:
        said += [where + sentence for sentence in function(piece, *arguments)]
    except CannotTell as reason:
        said.append(f"{where}cannot tell {what}, because {reason.reason}.")


def _delay(piece, found, clock_tolerance):
    track = measure_delay(piece.recording, clock_tolerance=clock_tolerance)
    found["delays"][piece.head, piece.at] = track
    return track.sentences


def _response(piece, found, machine, speed):
    key = (piece.head, piece.at)
    response = measure_response(piece.recording, found["delays"][key])
    found["responses"][key] = response
    said = list(response.sentences)
    if machine is not None and speed is not None:
        one_pass = machine.one_pass(speed)
        fits = fit_what_ifs(response, speed, aligned=one_pass.aligned, boost_db=one_pass.boost_db)
        found["what_ifs"][key] = fits
        said += what_ifs_in_words(fits)
    return said


def _flutter(piece, found, machine, geometry, clock_tolerance):
    track = found["delays"].get((piece.head, piece.at))
    delay = None if track is None else track.delay.value
    reading = measure_flutter(
        piece.recording, taken=piece.taken, delay=delay, clock_tolerance=clock_tolerance
    )
    found["flutter"][piece.at], found["flutter_heads"][piece.at] = reading, piece.head
    speed = _speed(piece.at, geometry, machine)
    deepest = max((line.depth.value for line in reading.lines), default=0.0)
    peaks = reading.peaks(least=max(BLAMED, SLIGHT * deepest))
    if machine is not None and machine.turning_parts and speed is not None and peaks:
        resolution = max(1 / reading.duration, 0.01)
        found["suspects"][piece.at] = fingerprint(peaks, machine.turning_parts, speed, resolution=resolution)
    return reading.sentences


def _repeats(piece, found):
    track = found["delays"].get((piece.head, piece.at))
    delay = None if track is None else track.delay.value
    found["repeats"][piece.at] = measure_repeats(piece.recording, delay=delay)
    return found["repeats"][piece.at].sentences


def _noise(piece, found):
    found["noise"][piece.at] = measure_noise(piece.recording, reference=piece.reference)
    return found["noise"][piece.at].sentences


def _speed(at, geometry, machine):
    """Tape speed of index `at`, measured or else from the machine's plate, or None."""
    if geometry is not None and at < len(geometry.speeds) and geometry.speeds[at] is not None:
        return geometry.speeds[at].value
    if machine is not None and at < len(machine.speeds):
        return machine.speeds[at]
    return None


def _geometry(delays, machine, rulers, stopwatches, clock_tolerance, said):
    """Spacings and speeds, from the plate of the machine where nothing better was measured."""
    if not delays:
        return None
    observations = []
    for (head, at), track in delays.items():
        spread = float(np.hypot(track.delay.uncertainty, track.wander))
        observations.append(Delay(Estimate(track.delay.value, spread, "s"), head=head, at=at))
    observations += [*rulers, *stopwatches]
    if not rulers and not stopwatches and machine is not None:
        for at in sorted({at for _, at in delays if at < len(machine.speeds)}):
            plate = machine.speeds[at]
            spread = COVERAGE_FACTOR * machine.speed_uncertainty * plate
            if spread > 0:
                observations.append(KnownSpeed(Estimate(plate, spread, "m/s"), at=at))
        said.append(
            "Without ruler or stopwatch the speeds on the machine's plate were taken, with their uncertainty."
        )
    geometry = solve_geometry(observations, clock_tolerance=clock_tolerance)
    said += geometry.sentences
    return geometry


def measured_machine(measurement, *, machine=None, name=None):
    """Fill in a machine file from a measurement.

    Parameters
    ----------
    measurement : Measurement
        From `measure`.
    machine : tapecalc.machine.Machine, optional
        What to keep where nothing was measured; without it the defaults of a machine file.
    name : str, optional
        What to call the result.

    Returns
    -------
    dict
        The sections of a machine file in trade units; `tapecalc.machine.Machine.model_validate`
        takes it.

    Raises
    ------
    CannotTell
        If spacing or speed are neither measured nor in `machine`, or what was measured makes no
        machine.

    Notes
    -----
    Speeds and heads that were not measured stay what they are in `machine`; a machine file has one
    uncertainty for all speeds, which is then the largest. It is a standard uncertainty, half of the
    95 % ones here. Each measured delay stands beside spacing and speed, for it is known better than
    their quotient. Source: JCGM 100:2008 (GUM). Notebook: 08_measuring.

    Examples
    --------
    >>> from tapecalc.machine import example_machine
    >>> measured_machine(Measurement(), machine=example_machine())["name"]
    'Bench deck, measured'
    """
    data = {} if machine is None else machine.model_dump(exclude_unset=True)
    data["name"] = name or ("measured machine" if machine is None else f"{machine.name}, measured")
    geometry = measurement.geometry
    _fill_transport(data, geometry, machine)
    _fill_heads(data, geometry, measurement)
    if measurement.repeats:
        at = min(measurement.repeats)
        data.setdefault("mixer", {})["return_send_db"] = round(measurement.repeats[at].loop_gain_db.value, 2)
    if measurement.noise:
        noise = measurement.noise[min(measurement.noise)]
        if "tone" in noise.against:
            data.setdefault("levels", {})["tape_noise_db"] = round(noise.level_db.value, 1)
    if measurement.flutter:
        _fill_flutter(data, measurement)
    _fill_delays(data, measurement.delays, machine)
    return _checked(data).model_dump(exclude_unset=True)


def _checked(data):
    """The machine that the sections make, or the reason why they make none."""
    try:
        return Machine.model_validate(data)
    except ValidationError as error:
        reason = error.errors()[0]
        key = ".".join(str(step) for step in reason["loc"])
        said = f"{key} {reason['msg']}".strip().replace("Value error, ", "")
        raise CannotTell(f"what was measured makes no machine: {said}") from None


def _fill_transport(data, geometry, machine):
    """Speeds as measured, in inches per second; those that were not measured stay what they were."""
    relative = 0.0 if machine is None else COVERAGE_FACTOR * machine.speed_uncertainty
    known = [] if machine is None else [Estimate(v, relative * v, "m/s") for v in machine.speeds]
    measured = [] if geometry is None else list(geometry.speeds)
    if any(measured):
        speeds = _filled(measured, known)
        if None in speeds:
            raise CannotTell(
                f"speed {1 + speeds.index(None)} was not measured and the machine given does not name it"
            )
        old = data.get("transport", {})
        kept = {k: v for k, v in old.items() if k not in ("speeds_cm_s", "mains_hz", "design_mains_hz")}
        relative = max(s.uncertainty / s.value for s in speeds) / COVERAGE_FACTOR
        data["transport"] = {
            **kept,
            "speeds_ips": [round(from_si(s.value, "ips"), 5) for s in speeds],
            "speed_uncertainty_percent": round(100 * relative, 4),
        }
    elif "transport" not in data:
        raise CannotTell(
            "the tape speed was not measured; time a marked length of tape or measure a head spacing"
        )


def _filled(measured, known):
    """What was measured, and where nothing was, what is known."""
    pairs = zip_longest(measured, known)
    return [before if found is None else found for found, before in pairs]


def _fill_heads(data, geometry, measurement):
    """Spacings, low cut, and what explains the treble."""
    measured = [] if geometry is None else list(geometry.spacings)
    if any(measured):
        heads = []
        for h, (spacing, old) in enumerate(zip_longest(measured, data.get("playback_heads", ()))):
            head = dict(old or {})
            if spacing is not None:
                head["spacing_mm"] = round(1e3 * spacing.value, 4)
                head["spacing_uncertainty_mm"] = round(1e3 * spacing.uncertainty / COVERAGE_FACTOR, 4)
            elif old is None:
                raise CannotTell(
                    f"the spacing of head {h + 1} was not measured and the machine given does not name it"
                )
            heads.append(head)
        data["playback_heads"] = heads
    elif "playback_heads" not in data:
        raise CannotTell("the head spacing was not measured; use a ruler, or time a marked length of tape")
    if not measurement.delays:
        return
    key = min(measurement.delays)
    heads = dict(data.get("heads", {}))
    heads["low_cut_hz"] = round(max(measurement.delays[key].low_cut.value, 0.0), 1)
    if key in measurement.what_ifs:
        best = measurement.what_ifs[key][0]
        if best.name == "separation":
            heads["spacing_loss_um"] = round(1e6 * best.value.value, 2)
        elif best.name == "azimuth":
            heads["azimuth_error_arcmin"] = round(from_si(best.value.value, "arcmin"), 2)
        elif best.name == "gap":
            heads["gap_um"] = round(1e6 * best.value.value, 2)
    data["heads"] = heads


def _fill_delays(data, tracks, machine):
    """The delays themselves, which are known far better than spacing and speed.

    One that was measured before stays, if its spacing and its speed have stayed.
    """
    new = {
        (head + 1, at + 1): {
            "head": head + 1,
            "speed": at + 1,
            "delay_ms": round(1e3 * track.total.value, 5),
            "delay_uncertainty_ms": round(1e3 * track.total.uncertainty / COVERAGE_FACTOR, 5),
        }
        for (head, at), track in tracks.items()
    }
    data.pop("measured_delays", None)
    if machine is not None and machine.measured_delays:
        still = machine.delays_that_hold(_checked(data))
        new = {(one.head, one.speed): one.model_dump() for one in still} | new
    if new:
        data["measured_delays"] = [new[key] for key in sorted(new)]


def _fill_flutter(data, measurement):
    """What no line explains as random wobble, and each part's own share."""
    at = min(measurement.flutter)
    reading = measurement.flutter[at]
    in_lines = sum(line.depth.value**2 / 2 for line in reading.lines)
    rest = float(np.sqrt(max(reading.unweighted_rms.value**2 - in_lines, 0.0)))
    data["flutter"] = {"random_percent_rms": round(100 * rest, 4)}
    wobble = {}
    for verdict in measurement.suspects.get(at, ()):
        if verdict.part is not None and verdict.harmonic == 1:
            wobble.setdefault(verdict.part.name, verdict.depth)
    if "parts" in data:
        data["parts"] = [
            {**part, "wobble_percent": round(100 * wobble.get(part["name"], 0.0), 4)}
            for part in data["parts"]
        ]
