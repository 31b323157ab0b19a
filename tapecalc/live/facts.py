"""What a page must know of a machine to draw and play it, as data that becomes JSON.

Taps and curves are made here once; what moves with the hand is reckoned in the page.
"""

import base64
import math
from typing import Any

import numpy as np

from tapecalc import words
from tapecalc.calc.heads import MOST_HEADS
from tapecalc.calc.response import loudest
from tapecalc.calc.tempo import NOTE_VALUES
from tapecalc.calc.transport import pack_radius
from tapecalc.calc.units import COVERAGE_FACTOR, from_si
from tapecalc.live.designs import BLOCK, POINTS, RATE, Design, designs, limit_taps
from tapecalc.live.setting import file_parts, setting_of_machine, speed_in_ips, speeds_reckoned
from tapecalc.machine import LONGEST, SHORTEST, Machine, with_changes
from tapecalc.plan import hub_radius, is_cassette
from tapecalc.sound.engine import TooNear
from tapecalc.sound.samples import Array

RAMP = 0.6  # s, that a change of speed takes
SPARE = 4  # samples that a head stays behind what is ready for it
ROOMY = 1.1  # how much farther than it must a head stays, for the speed between two designs
ROOM = 0.15, 3.0  # how far heads may be moved: m, and times the farthest of the file
LOOP_SHARE = 0.95  # of a closed loop, before it comes back to the record head
HEAD_WIDTH = 12e-3, 5e-3  # m along the tape, as it is drawn: usual, and of a cassette; no source


def playable_facts(machine: Machine) -> dict[str, Any]:
    """Gather what a page must know of a machine; one that cannot be played is refused in one sentence."""
    made = _designs(machine, speeds_reckoned(machine))
    least, most = _reach(machine, made)
    return {
        "version": 1,
        "name": machine.name,
        "units": "us" if machine.units == "inches" else "metric",
        "sample_rate": RATE,
        "most_heads": MOST_HEADS,
        "speeds": [
            {"speed_ips": speed_in_ips(v), "label": words.speed(v, machine.units)} for v in machine.speeds
        ],
        "speed_range_ips": machine.speed_range and [speed_in_ips(v) for v in machine.speed_range],
        "ramp_s": RAMP,
        "least_mm": least,
        "most_mm": most,
        **_build(machine),
        "spacing_plus_minus_mm": [head.spacing_plus_minus_mm for head in machine.playback_heads],
        "speed_plus_minus_percent": machine.transport.speed_plus_minus_percent,
        "measured_plus_minus_ms": [
            [
                from_si(COVERAGE_FACTOR * u, "ms") if measured else None
                for u, measured in zip(machine.u_delays(v), machine.delays_measured(v), strict=True)
            ]
            for v in machine.speeds
        ],
        "notes": [{"name": note.name, "beats": note.beats, "plain": note.plain} for note in NOTE_VALUES],
        "threshold_s": machine.timing_threshold,
        "faded_db": machine.song.faded_db,
        "limit": _coded(limit_taps()),
        "designs": [_design_facts(design) for design in made],
        "random_rms": machine.flutter.random_percent_rms / 100,
        "deviations_mm": [
            [
                from_si(there - stated, "mm")
                for there, stated in zip(machine.spacings_at(v), machine.spacings, strict=True)
            ]
            for v in machine.speeds
        ],
        "setting": setting_of_machine(machine),
        "file": file_parts(machine),
        "plan": [],
    }


def _reach(machine: Machine, made: tuple[Design, ...]) -> tuple[float, float]:
    """Say from where to where a head can stand, mm; the nearest place is one at which its sound is ready."""
    least = np.ceil(10 * from_si(max(ROOMY * _ready(made), machine.pole_length), "mm")) / 10
    nearest = from_si(_nearest(machine), "mm")
    far, slowest = max(machine.spacings), min(design.speed for design in made)
    most = min(max(ROOM[0], ROOM[1] * far), LONGEST * slowest)
    if machine.loop_length is not None:
        most = min(most, LOOP_SHARE * machine.loop_length)
    return float(min(least, nearest)), float(from_si(max(most, far), "mm"))


def _ready(made: tuple[Design, ...]) -> float:
    """How far behind the record head a sound is ready to be played at every speed, m."""
    spare = BLOCK + POINTS // 2 + SPARE
    return max(design.settings.motion.fastest * (design.late + spare) / RATE for design in made)


def _nearest(machine: Machine) -> float:
    return min(min(machine.spacings_at(v)) for v in machine.speeds)


def _designs(machine: Machine, speeds: tuple[float, ...]) -> tuple[Design, ...]:
    """Design a page's filters; a machine with a head too near for them is refused."""
    made = _designs_or_none(machine, speeds)
    if made is not None:
        return made
    tenths = 10 * from_si(_nearest(machine), "mm")
    far = min(LONGEST * min(machine.speeds), LOOP_SHARE * (machine.loop_length or math.inf))
    most = math.floor(10 * from_si(max(far, _nearest(machine)), "mm"))
    near = math.ceil(10 * from_si(SHORTEST * max(machine.speeds), "mm"))
    low, high = math.floor(tenths), min(max(math.ceil(2 * tenths), near), most)
    while not _is_far_enough(machine, high / 10, speeds):
        if high == most:
            raise ValueError(
                f"playback_heads cannot stand where all speeds of this machine can be played in a page: "
                f"{most / 10:g} mm, the farthest, is too near for the fastest"
            )
        low, high = high, min(2 * high, most)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if _is_far_enough(machine, middle / 10, speeds) else (middle, high)
    raise ValueError(
        f"playback_heads must stand {high / 10:g} mm or more from the record head to be played in a page, "
        f"got {tenths / 10:.3g} mm"
    )


def _designs_or_none(machine: Machine, speeds: tuple[float, ...]) -> tuple[Design, ...] | None:
    """Design a page's filters, or none where a head would play before its sound is ready."""
    try:
        made = designs(machine, speeds)
    except TooNear:
        return None
    return made if _ready(made) <= _nearest(machine) else None


def _is_far_enough(machine: Machine, spacing_mm: float, speeds: tuple[float, ...]) -> bool:
    """Whether a head alone could stand there: a nearer one makes shorter filters, so it must be tried."""
    alone = {"playback_heads": [{"spacing_mm": spacing_mm}]}
    return _designs_or_none(with_changes(machine.as_reckoned(), alone), speeds) is not None


def _build(machine: Machine) -> dict[str, Any]:
    """Say what the tape runs on."""
    cassette, hub = is_cassette(machine), hub_radius(machine)
    sizes = {part.kind_of_part: part.diameter for part in machine.turning_parts if part.diameter}
    pack = float(pack_radius(machine.tape.length_m / 2, hub, machine.tape_thickness))
    capstan, roller = (2.5e-3, 13e-3) if cassette else (8e-3, 38e-3)
    return {
        "head_width_mm": from_si(HEAD_WIDTH[cassette], "mm"),
        "hub_radius_mm": from_si(hub, "mm"),
        "pack_radius_mm": from_si(pack, "mm"),
        "capstan_mm": from_si(machine.capstan_diameter or sizes.get("capstan", capstan), "mm"),
        "roller_mm": from_si(sizes.get("pinch roller", roller), "mm"),
        "loop_length_m": machine.loop_length,
        "erases": machine.erases,
    }


def _design_facts(design: Design) -> dict[str, Any]:
    settings = design.settings
    assert settings.saturation is not None
    assert settings.one_pass is not None
    return {
        "speed_ips": speed_in_ips(design.speed),
        "record": _coded(design.record),
        "passed": _coded(design.passed),
        "noise": _coded(design.noise),
        "bumps": _coded(design.bumps),
        "hop": design.hop,
        "low_cut": design.low_cut and dict(zip("ab", design.low_cut, strict=True)),
        "hiss": settings.hiss,
        "saturation": settings.saturation,
        "loudest_db": loudest(settings.one_pass)[1],
        "wobbles": [{"depth": depth, "rate_hz": rate} for depth, rate in settings.motion.wobbles],
    }


def _coded(taps: Array) -> str:
    """Write numbers as base64 of little-endian 32-bit floats."""
    return base64.b64encode(np.asarray(taps, "<f4").tobytes()).decode()
