"""From a measurement to a machine file: what was measured, and the owner's figures where nothing was."""

import math
from collections.abc import Iterable, Iterator, Sequence
from itertools import zip_longest
from typing import Any, NamedTuple

import numpy as np

from tapecalc import words
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
from tapecalc.measuring.estimate import COVERAGE_FACTOR, CannotTell, Estimate
from tapecalc.measuring.loop_gain import RepeatReading
from tapecalc.measuring.session import Measurement, Place


def measured_machine(measurement: Measurement, base: Machine | None = None) -> Machine:
    """Make the machine that was measured, `base` where nothing was; refused if the two do not suffice.

    A machine file has one plus/minus for all speeds, which is then the largest. Each measured delay stands
    beside spacing and speed, for it is known better than their quotient.
    """
    data: dict[str, Any] = {} if base is None else base.model_dump(exclude_unset=True)
    data["name"] = "measured machine" if base is None else f"{base.name}, measured"
    geometry = measurement.geometry
    _fill_speeds(data, () if geometry is None else geometry.speeds, base)
    _fill_spacings(data, () if geometry is None else geometry.spacings)
    for section, key, value in _figures(measurement, _machine(data)):
        data.setdefault(section, {})[key] = value
    if measurement.flutter:
        _fill_flutter(data, measurement, _machine(data))
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
    return float(np.average(sends_db, weights=1 / (spread_db**2 + 1e-4)))


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
            raise CannotTell("the tape speed was not measured; use a ruler, or time a marked length of tape")
        return
    relative = 0.0 if base is None else COVERAGE_FACTOR * base.u_speed
    plates = () if base is None else [Estimate(v, relative * v, "m/s") for v in base.speeds]
    speeds = [plate if found is None else found for found, plate in _each("speed", measured, plates)]
    for number, (speed, plate) in enumerate(zip(speeds, plates, strict=False), start=1):
        if abs(math.log(speed.value / plate.value)) > 0.2:
            known, found = (words.speed(v.value, base.units if base else "inches") for v in (plate, speed))
            raise CannotTell(
                f"speed {number} was measured as {found}, the machine file says {known}, and no machine is "
                "so far off: look at the order of the takes, the ruler and the machine file"
            )
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


#: Where the best explanation of the treble goes; each key ends with its unit.
EXPLAINED_BY = {"separation": "spacing_loss_um", "azimuth": "azimuth_error_arcmin", "gap": "gap_um"}


def _figures(found: Measurement, machine: Machine) -> Iterator[tuple[str, str, float]]:
    """Section, key and value of each figure that stands alone, of the first head and speed."""
    for place in sorted(found.what_ifs)[:1]:
        best = found.what_ifs[place][0]
        if best.low_cut.plus_minus < 30:  # Hz; one that is less sure is better left as it was
            yield "heads", "low_cut_hz", round(max(best.low_cut.value, 0.0), 1)
        for name, value in best.parts.items():
            if value.value > value.plus_minus:  # else it may as well be what the file says
                key = EXPLAINED_BY[name]
                yield "heads", key, round(from_si(value.value, key.rpartition("_")[2]), 2)
    for at in sorted(found.noise)[:1]:
        if "tone" in found.noise[at].against:
            more_db = machine.tape_noise_db(machine.speeds[at]) - machine.tape_noise_db(STATED_AT)
            yield "levels", "tape_noise_db", round(found.noise[at].level_db.value - more_db, 1)


class PartWobble(NamedTuple):
    """The wobble of one part, zero to peak, and how it is known: measured, at most, or not to be seen."""

    name: str
    wobble: float
    how: str


def part_wobbles(measurement: Measurement, machine: Machine) -> Iterator[PartWobble]:
    """Give the wobble of each part of a machine, as measured or as it was said: not seen is not zero.

    A part without a line stays as it was, but for what would have been seen.
    """
    at = min(measurement.flutter, default=None)
    if at is None or at >= len(machine.speeds):
        return
    reading = measurement.flutter[at]
    lines: dict[str, float] = {}
    for verdict in measurement.suspects.get(at, ()):
        if verdict.part is not None and verdict.harmonic == 1:
            lines.setdefault(verdict.part.name, verdict.depth)
    for part in machine.turning_parts:
        most = reading.could_see(float(part.rate_at(machine.speeds[at])))
        if part.name in lines:
            yield PartWobble(part.name, lines[part.name], "measured")
        elif most < part.wobble:
            yield PartWobble(part.name, most, "at most")
        else:
            yield PartWobble(part.name, part.wobble, "not to be seen")


def _fill_flutter(data: dict[str, Any], measurement: Measurement, machine: Machine) -> None:
    """What no line explains as random wobble, and each part's own share."""
    reading = measurement.flutter[min(measurement.flutter)]
    rest = reading.unweighted_rms.value**2 - sum(line.depth.value**2 / 2 for line in reading.lines)
    # Lines that explain all leave what the reading may be off by.
    left = max(rest, reading.unweighted_rms.plus_minus**2)
    data["flutter"] = {"random_percent_rms": round(from_si(float(np.sqrt(left)), "percent"), 4)}
    told = {part.name: part for part in part_wobbles(measurement, machine)}
    for part in data.get("parts", ()):
        if (found := told.get(part["name"])) and found.how != "not to be seen":
            part["wobble_percent"] = math.ceil(from_si(found.wobble, "percent") * 1e4 - 1e-6) / 1e4


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


def _measured_responses(
    measurement: Measurement, machine: Machine, base: Machine | None
) -> list[dict[str, Any]]:
    """The response of the nearest head at each speed; one that was measured before stays if it holds."""
    responses: dict[int, dict[str, Any]] = {}
    if base is not None:
        responses |= {kept.speed: kept.model_dump() for kept in responses_kept(base, machine)}
    for place, response in sorted(measurement.responses.items(), reverse=True):
        sure = response.plus_minus_db < 1  # dB
        bands = zip(response.frequency[sure].round(1), response.level_db[sure].round(2), strict=True)
        points = [[float(hertz), float(level_db)] for hertz, level_db in bands]
        if points:
            responses[place.at + 1] = {"speed": place.at + 1, "hz_and_db": points}
    return [responses[speed] for speed in sorted(responses)]
