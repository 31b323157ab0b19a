"""What a page must know of a machine to draw and play it, as data that becomes JSON.

Taps and curves are made here once; what moves with the hand is reckoned in the page.
"""

import base64
from typing import Any

import numpy as np

from tapecalc import words
from tapecalc.calc.heads import MOST_HEADS
from tapecalc.calc.response import loudest
from tapecalc.calc.tempo import NOTE_VALUES
from tapecalc.calc.transport import pack_radius
from tapecalc.calc.units import amplitude_to_db, from_si
from tapecalc.live.designs import BLOCK, POINTS, RATE, Design, designs, limit_taps
from tapecalc.live.setting import file_parts, setting_of_machine, speed_in_ips
from tapecalc.machine import LONGEST, Machine
from tapecalc.plan import hub_radius, is_cassette
from tapecalc.sound.samples import Array

RAMP = 0.6  # s, that a change of speed takes
FREE_SPEEDS = 13  # designs over a range of free speeds
SPARE = 4  # samples that a head stays behind what is ready for it
ROOMY = 1.1  # how much farther than it must a head stays, for the speed between two designs
ROOM = 0.15, 3.0  # how far heads may be moved: m, and times the farthest of the file
LOOP_SHARE = 0.95  # of a closed loop, before it comes back to the record head
CURVE = np.geomspace(20, 20e3, 121)  # Hz, of a response to draw
HEAD_WIDTH = 12e-3, 5e-3  # m along the tape, as it is drawn: usual, and of a cassette; no source


def playable_facts(machine: Machine) -> dict[str, Any]:
    """Gather what a page must know of a machine; one that cannot be played is refused in one sentence."""
    speeds = machine.speeds if machine.speed_range is None else _free_speeds(machine.speed_range)
    made = designs(machine, speeds)
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
        "notes": [{"name": note.name, "beats": note.beats, "plain": note.plain} for note in NOTE_VALUES],
        "threshold_s": machine.timing_threshold,
        "faded_db": machine.song.faded_db,
        "wanted_repeats": machine.song.wanted_repeats,
        "limit": _coded(limit_taps()),
        "designs": [_design_facts(machine, design) for design in made],
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


def _free_speeds(ends: tuple[float, float]) -> tuple[float, ...]:
    """Spread speeds over a range, its ends exactly."""
    return (ends[0], *np.geomspace(*ends, FREE_SPEEDS)[1:-1].tolist(), ends[1])


def _reach(machine: Machine, made: tuple[Design, ...]) -> tuple[float, float]:
    """Say from where to where a head can stand, mm; the nearest place is one at which its sound is ready."""
    ready = max(
        design.settings.motion.fastest * (design.late + BLOCK + POINTS // 2 + SPARE) / RATE for design in made
    )
    least = np.ceil(10 * from_si(max(ROOMY * ready, machine.pole_length), "mm")) / 10
    nearest = min(from_si(min(machine.spacings_at(v)), "mm") for v in machine.speeds)
    if nearest < from_si(ready, "mm"):
        raise ValueError(
            f"playback_heads must stand {words.length(ready)} or more from the record head to be played in a "
            f"page, got {nearest:.3g} mm"
        )
    far, slowest = max(machine.spacings), min(design.speed for design in made)
    most = min(max(ROOM[0], ROOM[1] * far), LONGEST * slowest)
    if machine.loop_length is not None:
        most = min(most, LOOP_SHARE * machine.loop_length)
    return float(min(least, nearest)), float(from_si(max(most, far), "mm"))


def _build(machine: Machine) -> dict[str, Any]:
    """Say what the tape runs on."""
    cassette, hub = is_cassette(machine), hub_radius(machine)
    sizes = {part.kind_of_part: part.diameter for part in machine.turning_parts if part.diameter}
    pack = float(pack_radius(machine.tape.length_m / 2, hub, machine.tape_thickness))
    capstan, roller = (2.5e-3, 13e-3) if cassette else (8e-3, 38e-3)
    return {
        "cassette": cassette,
        "head_width_mm": from_si(HEAD_WIDTH[cassette], "mm"),
        "hub_radius_mm": from_si(hub, "mm"),
        "pack_radius_mm": from_si(pack, "mm"),
        "capstan_mm": from_si(machine.capstan_diameter or sizes.get("capstan", capstan), "mm"),
        "roller_mm": from_si(sizes.get("pinch roller", roller), "mm"),
        "loop_length_m": machine.loop_length,
        "erases": machine.erases,
    }


def _design_facts(machine: Machine, design: Design) -> dict[str, Any]:
    v, settings = design.speed, design.settings
    assert settings.saturation is not None
    assert settings.one_pass is not None
    return {
        "speed_ips": speed_in_ips(v),
        "record": _coded(design.record),
        "passed": _coded(design.passed),
        "noise": _coded(design.noise),
        "bumps": _coded(design.bumps),
        "hop": design.hop,
        "low_cut": design.low_cut and dict(zip("ab", design.low_cut, strict=True)),
        "hiss": settings.hiss,
        "saturation": settings.saturation,
        "hiss_dbfs": float(amplitude_to_db(settings.hiss)),
        "saturation_dbfs": float(amplitude_to_db(settings.saturation)),
        "response": {
            "hz": [round(f, 2) for f in CURVE.tolist()],
            "db": [round(level, 3) for level in settings.one_pass.level_db(CURVE).tolist()],
        },
        "loudest_db": loudest(settings.one_pass)[1],
        "worst_db": loudest(machine.worst_loop(v).one_pass)[1],
        "wobbles": [{"depth": depth, "rate_hz": rate} for depth, rate in settings.motion.wobbles],
    }


def _coded(taps: Array) -> str:
    """Write numbers as base64 of little-endian 32-bit floats."""
    return base64.b64encode(np.asarray(taps, "<f4").tobytes()).decode()
