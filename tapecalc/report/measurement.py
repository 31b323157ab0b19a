"""A measurement as people read it: tables and sentences for a terminal, figures, and a folder of all."""

import json
import os
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from tabulate import tabulate

from tapecalc import words
from tapecalc.calc.parts import Verdict
from tapecalc.calc.quantity import known_name
from tapecalc.files import replacing_folder, write_file
from tapecalc.machine import Machine, machine_to_text
from tapecalc.measuring.estimate import CannotTell, Estimate
from tapecalc.measuring.response import WhatIf
from tapecalc.measuring.session import Measurement, Note, Place, measured_machine
from tapecalc.plot import style
from tapecalc.plot.kit import Drawn
from tapecalc.plot.measured import delay_over_time, flutter_spectrum, measured_response

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
    measurement: Measurement, folder: str | os.PathLike[str], *, machine: Machine | None = None
) -> WrittenMeasurement:
    """Write the figures of a measurement, a machine file filled in, and all numbers into a folder.

    The folder appears when it is complete, in place of that of an older measurement; one that holds anything
    else is refused. ``machine.toml`` keeps what `machine` says where nothing was measured; it is missing
    where speed or spacing cannot be told, and ``measured.json`` then says why.
    """
    folder = Path(folder)
    files: dict[str, bytes | str] = {}
    for name, picture in measured_figures(measurement).items():
        for form in ("svg", "png"):
            files[f"{name}.{form}"] = style.figure_bytes(picture.figure, form, alt=picture.alt)
    data = measurement.to_dict()
    notes = []
    try:
        files["machine.toml"] = machine_to_text(measured_machine(measurement, machine))
        data["machine_file"] = "machine.toml"
    except CannotTell as refusal:
        data["machine_file"] = str(refusal)
        notes.append(f"No machine.toml: {refusal}.")
    files["measured.json"] = json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    with replacing_folder(folder, "measure") as place:
        for name, content in files.items():
            write_file(place / name, content)
    return WrittenMeasurement([folder / name for name in files], notes)


# ---- every figure ----


def measurement_rows(found: Measurement, *, units: str = "inches") -> list[tuple[str, str]]:
    """List every figure for a table: what it is, and its value with its 95 % interval in trade units.

    Speeds are in ips, or in cm/s if `units` is "metric", as `Machine.units` says.
    """
    known_name("units", units, words.UNIT_SYSTEMS)
    return list(_rows(found, "cm_s" if units == "metric" else "ips"))


def _rows(found: Measurement, speed_unit: str) -> Iterator[tuple[str, str]]:
    """The rows, one by one."""
    for place, track in sorted(found.delays.items()):
        yield f"delay, {place}", track.total.text("ms")
        yield f"swing of the delay (rms), {place}", words.amount(float(np.std(track.track)), "us", ".1f")
        if place in found.responses:
            edge = found.responses[place].edge()
            yield f"treble down 3 dB, {place}", "above the band" if edge is None else words.amount(edge, "hz")
    if (geometry := found.geometry) is not None:
        for h, spacing in enumerate(geometry.spacings, start=1):
            yield f"spacing, head {h}", _told(spacing, "mm")
        for s, speed in enumerate(geometry.speeds, start=1):
            yield f"speed {s}", _told(speed, speed_unit)
        for s, ratio in enumerate(geometry.speed_ratios[1:], start=2):
            yield f"speed {s} over speed 1", _told(ratio)
    for at, reading in sorted(found.flutter.items()):
        yield f"flutter, weighted, speed {at + 1}", reading.weighted.text("percent")
        yield f"flutter, unweighted rms, speed {at + 1}", reading.unweighted_rms.text("percent")
    for at, repeats in sorted(found.repeats.items()):
        yield f"loop gain, speed {at + 1}", repeats.loop_gain_db.text()
        yield f"repeats down to {repeats.heard_db:.0f} dB, speed {at + 1}", str(repeats.repeats)
    for at, noise in sorted(found.noise.items()):
        yield f"noise, speed {at + 1}", f"{noise.level_db.text()} against {noise.against}"


def _told(estimate: Estimate | None, unit: str | None = None) -> str:
    """An estimate in words, or that it cannot be told."""
    return "cannot be told" if estimate is None else estimate.text(unit)


# ---- the text ----


def measurement_text(found: Measurement, *, units: str = "inches") -> str:
    """Write a measurement as aligned tables and sentences.

    There is every figure, the parts that the flutter accuses, what would explain the treble, and what was
    noticed or cannot be told.

    >>> from tapecalc.measuring import Take, measure, open_recording
    >>> empty = Take(recording=open_recording([[0.0, 0.0]] * 48000, sample_rate=48000))
    >>> print(measurement_text(measure([empty])))
    What was noticed, and what cannot be told
    * Head 1, speed 1: cannot tell the delay, because the dry channel is empty.
    """
    parts = []
    # A figure's value, and its interval where there is one.
    rows = [(name, *text.partition(" +/- ")[::2]) for name, text in measurement_rows(found, units=units)]
    if rows:
        parts.append(
            _table("Measured (+/- holds in 95 of 100 cases)", ("figure", "value", "+/-"), rows, "lrl")
        )
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
        parts.append(_list("What was noticed, and what cannot be told", _merged(found.notes)))
    return "\n\n".join(parts)


def _merged(notes: Iterable[Note]) -> Iterator[str]:
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
    unit = "arcmin" if fit.name == "azimuth" else "um"
    value = "" if fit.value is None else fit.value.text(unit, unit)
    return f"{place.head + 1}, {place.at + 1}", fit.name, value, f"{fit.misfit_db:.1f} dB"
