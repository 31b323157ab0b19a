"""A measurement as people read it: figures, tables and sentences, its data, and a folder of all of it.

Figures stand beside what the machine file said, and beside those of an older measurement.
"""

import json
import math
import os
import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from tabulate import tabulate

from tapecalc import words
from tapecalc.calc.parts import Verdict
from tapecalc.calc.quantity import known_name
from tapecalc.calc.response import OnePass, loudest
from tapecalc.calc.units import COVERAGE_FACTOR, from_si
from tapecalc.files import read_bounded, replacing_folder, write_file
from tapecalc.machine import Machine, machine_to_text
from tapecalc.measuring.estimate import CannotTell, Estimate
from tapecalc.measuring.loop_gain import FAINTEST_DB
from tapecalc.measuring.machine_file import measured_machine
from tapecalc.measuring.response import WhatIf
from tapecalc.measuring.session import Light, Measurement, Note, Place
from tapecalc.plot import style
from tapecalc.plot.kit import Drawn
from tapecalc.plot.measured import delay_over_time, flutter_spectrum, measured_response
from tapecalc.plot.templates import picture

# ---- all of it ----


def measured_figures(found: Measurement) -> dict[str, Drawn]:
    """Draw every figure that a measurement allows, by a name for its file: ``"delay_head_1_speed_1"``."""
    drawn = {}
    for place, track in sorted(found.delays.items()):
        drawn[f"delay_{_file_name(place)}"] = delay_over_time(track=track, profile="page")
    for place, response in sorted(found.responses.items()):
        drawn[f"response_{_file_name(place)}"] = measured_response(
            response=response, what_ifs=found.what_ifs.get(place, ()), profile="page"
        )
    for at, reading in sorted(found.flutter.items()):
        heard = found.delays.get(Place(found.flutter_heads.get(at, 0), at))
        drawn[f"flutter_speed_{at + 1}"] = flutter_spectrum(
            reading=reading,
            verdicts=found.suspects.get(at, ()),
            delay=None if heard is None else heard.delay.value,
            profile="page",
        )
    return drawn


def _file_name(place: Place) -> str:
    return f"head_{place.head + 1}_speed_{place.at + 1}"


@dataclass(frozen=True)
class WrittenMeasurement:
    """The files that `write_measurement` wrote, and why there is no machine file where there is none."""

    paths: Sequence[Path]
    notes: Sequence[str] = ()


def write_measurement(
    measurement: Measurement,
    folder: str | os.PathLike[str],
    *,
    machine: Machine | None = None,
    before: Mapping[str, "Figure"] | None = None,
) -> WrittenMeasurement:
    """Write report page, figures, a machine file filled in, and all numbers into a folder.

    The folder appears when it is complete, in place of that of an older measurement; one that holds anything
    else is refused. ``machine.toml`` keeps what `machine` says where nothing was measured; it is missing
    where speed or spacing cannot be told, and ``measured.json`` then says why.
    """
    from tapecalc.report.measurement_page import measurement_page

    folder = Path(folder)
    files: dict[str, bytes | str] = {}
    drawn = measured_figures(measurement)
    for name, one in drawn.items():
        for form in ("svg", "png"):
            files[f"{name}.{form}"] = style.figure_bytes(one.figure, form, alt=one.alt)
    data = measurement_data(measurement, units="inches" if machine is None else machine.units)
    notes = []
    try:
        files["machine.toml"] = machine_to_text(measured_machine(measurement, machine))
        data["machine_file"] = "machine.toml"
    except CannotTell as refusal:
        data["machine_file"] = str(refusal)
        notes.append(f"No machine.toml: {refusal}.")
    files["measured.json"] = json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    pictures = [picture(one) for one in drawn.values()]
    page = measurement_page(measurement, pictures, machine=machine, before=before, notes=notes)
    files = {"report.html": page, **files}
    with replacing_folder(folder, "measure") as place:
        for name, content in files.items():
            write_file(place / name, content)
    return WrittenMeasurement([folder / name for name in files], notes)


def measurement_data(found: Measurement, *, units: str = "inches") -> dict[str, Any]:
    """Return a measurement as a plain dict for ``measured.json``: SI, heads and speeds from 1.

    `figures` holds those of the table in trade units, for a later measurement to compare with.
    """
    told = {each.name: _plain(getattr(found, each.name)) for each in fields(found) if each.name != "notes"}
    rows = [one._asdict() for one in measurement_figures(found, units=units) if one.value is not None]
    kept = [{key: row[key] for key in ("name", "value", "plus_minus", "unit")} for row in rows]
    return {"figures": kept, **told, "sentences": list(found.sentences)}


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
            part = None if result.part is None else result.part.name
            numbers = {
                "rate": float(result.frequency),
                "depth": float(result.depth),
                "sure": float(result.sure),
            }
            return {**numbers, "part": part, "turns": result.harmonic, "advice": result.advice}
        case Light():
            return result._asdict() | {"place": str(result.place)}
        case tuple() | list():
            return [_plain(each) for each in result]
        case _:
            return result.to_dict()


# ---- every figure ----


class Figure(NamedTuple):
    """One figure in a trade unit, with what the machine file says of the same thing.

    Without a value it cannot be told; without a plus/minus it is a description.
    """

    name: str
    value: float | None
    plus_minus: float | None = None
    unit: str = ""
    more: str = ""  # what stands behind the value
    planned: "Figure | None" = None

    @property
    def text(self) -> str:
        """The figure with its 95 % interval."""
        if self.value is None:
            return self.more or "cannot be told"
        spread = self.plus_minus
        plain = f"{self.value:{'.0f' if abs(self.value) >= 1000 else '.4g'}} {self.unit}".strip()
        return (
            plain if spread is None else words.with_uncertainty(self.value, spread, self.unit)
        ) + self.more

    @property
    def off(self) -> bool:
        """Whether it differs from what was planned by more than both may be off."""
        return self.planned is not None and bool(self.differs(self.planned))

    def differs(self, other: "Figure") -> float:
        """By how much it is above another of its kind, 0 within what both may be off."""
        if self.value is None or other.value is None or self.plus_minus is None or other.plus_minus is None:
            return 0.0
        by = self.value - other.value
        return by if abs(by) > math.hypot(self.plus_minus, other.plus_minus) else 0.0


def measurement_rows(found: Measurement, *, units: str = "inches") -> list[tuple[str, str]]:
    """List every figure for a table: what it is, and its value with its 95 % interval in trade units.

    Speeds are in ips, or in cm/s if `units` is "metric", as `Machine.units` says.
    """
    return [(one.name, one.text) for one in measurement_figures(found, units=units)]


def measurement_figures(
    found: Measurement, machine: Machine | None = None, *, units: str = "inches"
) -> list[Figure]:
    """List every figure, with what `machine` says of it."""
    known_name("units", units, words.UNIT_SYSTEMS)
    return list(_figures(found, machine, "cm_s" if units == "metric" else "ips"))


def _estimate(name: str, told: Estimate | None, unit: str = "", planned: Estimate | None = None) -> Figure:
    """A figure from an estimate in SI, or in decibels."""
    if told is None:
        return Figure(name, None)
    before = None if planned is None else _estimate(name, planned, unit)
    if not unit:
        return Figure(name, told.value, told.plus_minus, told.unit, planned=before)
    value, spread = from_si(told.value, unit), from_si(told.plus_minus, unit)
    return Figure(name, value, spread, words.SIGNS.get(unit, unit), planned=before)


def _figures(found: Measurement, machine: Machine | None, speed_unit: str) -> Iterator[Figure]:
    """The figures, one by one."""
    plan = _Planned(machine)
    for place, track in sorted(found.delays.items()):
        yield _estimate(f"delay, {place}", track.total, "ms", plan.delay(place))
        swing = from_si(float(np.std(track.track)), "us")
        yield Figure(f"swing of the delay (rms), {place}", round(swing, 1), None, words.SIGNS["um"][0] + "s")
        if place in found.responses:
            edge, expected = found.responses[place].edge(), plan.edge(place.at)
            name = f"treble down 3 dB, {place}"
            before = None if expected is None else Figure(name, round(expected), None, "Hz")
            value = None if edge is None else float(round(edge))
            yield Figure(name, value, None, "Hz", "above the band" if edge is None else "", before)
    for place, distortion in sorted(found.distortion.items()):
        name = f"3 % distortion over the reference tone, {place}"
        if distortion.mol_db is None:
            most = max(distortion.levels_db)
            yield Figure(name, None, more=f"above {words.level(most)}")
        else:
            yield _estimate(name, distortion.mol_db)
    for place, tracks in sorted(found.tracks.items()):
        yield _estimate(f"second track later, {place}", tracks.time, "us")
        yield _estimate(f"second track louder, {place}", tracks.level_db)
        if tracks.azimuth is not None:
            yield _estimate(f"tilt of the gap, {place}", tracks.azimuth, "arcmin")
    if (geometry := found.geometry) is not None:
        for h, spacing in enumerate(geometry.spacings):
            yield _estimate(f"spacing, head {h + 1}", spacing, "mm", plan.spacing(h))
        for s, speed in enumerate(geometry.speeds):
            yield _estimate(f"speed {s + 1}", speed, speed_unit, plan.speed(s))
        for s, ratio in enumerate(geometry.speed_ratios[1:], start=2):
            yield _estimate(f"speed {s} over speed 1", ratio)
    for at, reading in sorted(found.flutter.items()):
        yield _estimate(f"flutter, weighted, speed {at + 1}", reading.weighted, "percent")
        yield _estimate(f"flutter, unweighted rms, speed {at + 1}", reading.unweighted_rms, "percent")
        if reading.scrape is not None:
            yield _estimate(f"scrape flutter, rms, speed {at + 1}", reading.scrape, "percent")
        yield _estimate(f"drop-outs a minute, speed {at + 1}", reading.dropouts)._replace(unit="")
        if reading.speed_error is not None:
            yield _estimate(f"speed {at + 1} against the test tape", reading.speed_error, "percent")
    for at, repeats in sorted(found.repeats.items()):
        yield _estimate(f"loop gain, speed {at + 1}", repeats.loop_gain_db, planned=plan.loop_gain_db(at))
        yield Figure(f"repeats down to {FAINTEST_DB:.0f} dB, speed {at + 1}", repeats.repeats)
    for at, noise in sorted(found.noise.items()):
        against = f" against {noise.against}"
        yield _estimate(f"noise, A-weighted, speed {at + 1}", noise.weighted_db)._replace(more=against)
        expected_db = plan.noise_db(at) if "tone" in noise.against else None
        yield _estimate(f"noise, speed {at + 1}", noise.level_db, planned=expected_db)._replace(more=against)


class _Planned:
    """What a machine file says of what was measured; None where it says nothing."""

    def __init__(self, machine: Machine | None) -> None:
        self.machine = machine
        self.speeds = () if machine is None else machine.speeds

    def delay(self, place: Place) -> Estimate | None:
        if (machine := self.machine) is None or place.at >= len(self.speeds):
            return None
        speed, head = self.speeds[place.at], place.head
        if head >= len(machine.spacings):
            return None
        return Estimate(machine.delays(speed)[head], COVERAGE_FACTOR * machine.u_delays(speed)[head], "s")

    def spacing(self, head: int) -> Estimate | None:
        if (machine := self.machine) is None or head >= len(machine.spacings):
            return None
        return Estimate(machine.spacings[head], COVERAGE_FACTOR * machine.u_spacings[head], "m")

    def speed(self, at: int) -> Estimate | None:
        if (machine := self.machine) is None or at >= len(self.speeds):
            return None
        return Estimate(self.speeds[at], COVERAGE_FACTOR * machine.u_speed * self.speeds[at], "m/s")

    def one_pass(self, at: int) -> OnePass | None:
        known = self.machine is not None and at < len(self.speeds)
        return self.machine.one_pass(self.speeds[at]) if self.machine is not None and known else None

    def edge(self, at: int) -> float | None:
        if (one_pass := self.one_pass(at)) is None:
            return None
        f = np.geomspace(1000, 20_000, 400)
        below = np.flatnonzero(one_pass.level_db(f) < one_pass.level_db(1000.0) - 3)
        return float(f[below[0]]) if len(below) else None

    def loop_gain_db(self, at: int) -> Estimate | None:
        one_pass, machine = self.one_pass(at), self.machine
        if one_pass is None or machine is None:
            return None
        return Estimate(machine.mixer.return_send_db + loudest(one_pass)[1], 1.0, "dB")

    def noise_db(self, at: int) -> Estimate | None:
        if (machine := self.machine) is None or at >= len(self.speeds):
            return None
        return Estimate(machine.tape_noise_db(self.speeds[at]), 3.0, "dB")


# ---- before and after ----


class Change(NamedTuple):
    """One figure before and after, and by how much it differs beyond chance."""

    name: str
    before: str
    after: str
    change: str
    real: bool


def read_figures(path: str | os.PathLike[str]) -> dict[str, Figure]:
    """Read the figures of an older ``measured.json``, by name."""
    try:
        data = json.loads(read_bounded(path, 20_000_000))
        rows = [
            Figure(str(row["name"]), row["value"], row["plus_minus"], str(row["unit"]))
            for row in data["figures"]
        ]
        numbers = [n for row in rows for n in (row.value, row.plus_minus) if n is not None]
        if not rows or not all(isinstance(n, (int, float)) and math.isfinite(n) for n in numbers):
            raise ValueError
    except OSError as error:
        raise ValueError(f"{path}: cannot be read: {error.strerror or error}") from None
    except (ValueError, KeyError, TypeError, RecursionError):
        raise ValueError(
            f"{path}: not a measured.json of this tapecalc; measure the older takes again"
        ) from None
    return {row.name: row for row in rows}


def changes(figures: Iterable[Figure], before: Mapping[str, Figure]) -> Iterator[Change]:
    """Hold each figure against what it was before."""
    for now in figures:
        old = before.get(now.name)
        if old is None or old.value is None or now.value is None or old.unit != now.unit:
            continue
        if now.plus_minus is None or old.plus_minus is None:
            yield Change(now.name, old.text, now.text, "", False)
            continue
        by = now.value - old.value
        told = words.with_uncertainty(by, math.hypot(now.plus_minus, old.plus_minus), now.unit)
        real = bool(now.differs(old))
        yield Change(now.name, old.text, now.text, told if real else "no more than chance", real)


# ---- the text ----


def measurement_text(
    found: Measurement, *, units: str = "inches", before: Mapping[str, Figure] | None = None
) -> str:
    """Write a measurement as aligned tables and sentences.

    There is every figure, what changed since `before`, the parts that the flutter accuses, what would explain
    the treble, and what was noticed or cannot be told.

    >>> from tapecalc.measuring import Take, measure, open_recording
    >>> empty = Take(recording=open_recording([[0.0, 0.0]] * 48000, sample_rate=48000))
    >>> measurement_text(measure([empty])).splitlines()[-2][:46]
    '* Head 1, speed 1: Nothing can be told of this'
    """
    parts = []
    if any(light.light != "good" for light in found.lights):
        lights = [(light.kind, str(light.place), light.light) for light in found.lights]
        parts.append(_table("The takes", ("take", "of", "is"), lights, "lll"))
    # A figure's value, and its interval where there is one.
    rows = [(name, *text.partition(" +/- ")[::2]) for name, text in measurement_rows(found, units=units)]
    if rows:
        parts.append(
            _table("Measured (+/- holds in 95 of 100 cases)", ("figure", "value", "+/-"), rows, "lrl")
        )
    if changed := [one[:4] for one in changes(measurement_figures(found, units=units), before or {})]:
        parts.append(_table("Before and after", ("figure", "before", "after", "change"), changed, "llll"))
    accused = [(at, verdict) for at, verdicts in sorted(found.suspects.items()) for verdict in verdicts]
    if accused:
        title = "Which part the flutter accuses (wobble zero to peak)"
        lines = [_accused_row(at, verdict) for at, verdict in accused]
        parts.append(_table(title, ("speed", "rate", "wobble", "most likely", "sure"), lines, "lrrlr"))
        advice = dict.fromkeys(f"{_turns(verdict)}: {verdict.advice}" for _, verdict in accused)
        parts.append(_list("What to look at", advice))
    explained = [_explained_row(place, fit) for place, fits in sorted(found.what_ifs.items()) for fit in fits]
    if explained:
        title = "What would explain the response, the likeliest first"
        columns = ("head, speed", "explanation", "would be today", "unexplained")
        parts.append(_table(title, columns, explained, "lllr"))
    if found.notes:
        parts.append(_list("What was noticed, and what cannot be told", merged(found.notes)))
    return "\n\n".join(parts)


def merged(notes: Iterable[Note]) -> Iterator[str]:
    """Say what holds for several places once, with all of them named before it."""
    places: dict[str, list[Place]] = {}
    for note in notes:
        places.setdefault(note.text, []).extend([] if note.place is None else [note.place])
    for text, named in places.items():
        where = "; ".join(map(str, named)).capitalize()
        yield f"{where}: {text}" if named else text


def _list(title: str, sentences: Iterable[str]) -> str:
    """Sentences under a title, wrapped."""
    wrapper = textwrap.TextWrapper(100, initial_indent="* ", subsequent_indent="  ")
    return "\n".join([title, *map(wrapper.fill, sentences)])


def _table(title: str, headers: Sequence[str], rows: Sequence[Sequence[str]], sides: str) -> str:
    """One table with its title; `sides` has l or r for each column."""
    align = [{"l": "left", "r": "right"}[side] for side in sides]
    body = tabulate(rows, headers, tablefmt="simple", disable_numparse=True, colalign=align)
    return f"{title}\n{body}"


def _accused_row(at: int, verdict: Verdict) -> tuple[str, ...]:
    """One line of a flutter spectrum."""
    rate, depth = words.amount(verdict.frequency, "hz", ".2f"), words.amount(verdict.depth, "percent", ".3f")
    return f"{at + 1}", rate, depth, _turns(verdict), words.amount(verdict.sure, "percent")


def _turns(verdict: Verdict) -> str:
    """A part, and its bumps per turn where there are several."""
    if verdict.part is None:
        return "a part not in the list"
    return verdict.part.name if verdict.harmonic == 1 else f"{verdict.part.name}, {verdict.harmonic} a turn"


def _explained_row(place: Place, fit: WhatIf) -> tuple[str, ...]:
    """One explanation of a response."""
    return f"{place.head + 1}, {place.at + 1}", fit.name, fit.value_text, f"{fit.misfit_db:.1f} dB"
