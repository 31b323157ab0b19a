"""Machines, settings and facts for the tests of the playable tape."""

import math

from machines import MACHINES

from tapecalc.calc.tempo import NOTE_VALUES
from tapecalc.calc.units import from_si
from tapecalc.live.setting import file_parts, setting_of_machine, speed_in_ips
from tapecalc.machine import machine_from_text

#: A response and a delay that were measured, three heads near the record head, and poles that follow them.
EVERYTHING = """
file_version = 2
unusual = false
name = "Everything \\"said\\""

[transport]
speeds_ips = [15, 7.5, 3.75]

[[playback_heads]]
spacing_mm = 9.5
level_db = -3

[[playback_heads]]
spacing_mm = 40
spacing_plus_minus_mm = 0.5
feeds_return = true

[[playback_heads]]
spacing_mm = 140.25
inverted = false

[mixer]
input_send_db = 2

[song]
bpm = 120
note = "dotted eighth"
judged_as = "soft line"

[[songs]]
name = "One"
bpm = 99

[[parts]]
name = "capstan"
diameter_mm = 8
wobble_percent = 0.1

[[measured_delays]]
head = 2
speed = 2
delay_ms = 210.5
delay_plus_minus_ms = 0.1

[[measured_delays]]
head = 3
speed = 1
delay_ms = 369
delay_plus_minus_ms = 0.2

[[measured_responses]]
speed = 2
hz_and_db = [[50, -3], [100, 1.5], [1000, 0], [10000, -2]]
"""

#: Nothing but what must be said: no song, no mixer.
BARE = "transport.speeds_cm_s = [19.05]\nplayback_heads = [{spacing_mm = 41.5}]"

TEXTS = {**MACHINES, "everything": EVERYTHING, "bare": BARE}


def machine_named(name):
    """Read one of the machines."""
    return machine_from_text(TEXTS[name])


def facts_for(machine):
    """Give what formulas and setting need of a machine."""
    speed_range = machine.speed_range
    spacings_mm = [head.spacing_mm for head in machine.playback_heads]
    loop_mm = math.inf if machine.loop_length is None else 1000 * machine.loop_length - 1
    return {
        "units": "metric" if machine.units == "metric" else "us",
        "most_heads": 8,
        "speeds": [{"speed_ips": speed_in_ips(speed), "label": ""} for speed in machine.speeds],
        "speed_range_ips": None if speed_range is None else [speed_in_ips(speed) for speed in speed_range],
        "least_mm": min(4.0, *spacings_mm),
        "most_mm": min(loop_mm, max(300.0, *spacings_mm)),
        "notes": [{"name": note.name, "beats": note.beats, "plain": note.plain} for note in NOTE_VALUES],
        "threshold_s": machine.timing_threshold,
        "spacing_plus_minus_mm": [head.spacing_plus_minus_mm for head in machine.playback_heads],
        "speed_plus_minus_percent": machine.transport.speed_plus_minus_percent,
        "measured_plus_minus_ms": [
            [
                float(from_si(2 * u, "ms")) if measured else None
                for u, measured in zip(machine.u_delays(speed), machine.delays_measured(speed), strict=True)
            ]
            for speed in machine.speeds
        ],
        "deviations_mm": [
            [
                float(from_si(seems - stated, "mm"))
                for seems, stated in zip(machine.spacings_at(speed), machine.spacings, strict=True)
            ]
            for speed in machine.speeds
        ],
        "setting": setting_of_machine(machine),
        "file": file_parts(machine),
    }


def random_setting(rng, facts):
    """Draw a setting of a machine: some of it as in the file, some moved."""

    def some(value, other):
        return value if rng.random() < 0.5 else other

    there, speeds = facts["setting"], facts["speeds"]
    ips = speeds[rng.integers(len(speeds))]["speed_ips"]
    if facts["speed_range_ips"] is not None:
        ips = some(ips, float(rng.uniform(*facts["speed_range_ips"])))
    notes = ["any", *(note["name"] for note in facts["notes"])]
    heads = [
        {
            "spacing_mm": some(head["spacing_mm"], _number(rng, facts["least_mm"], facts["most_mm"])),
            "level_db": some(head["level_db"], _number(rng, -90, 20)),
            "inverted": some(head["inverted"], bool(rng.integers(2))),
            "feeds_return": some(head["feeds_return"], bool(rng.integers(2))),
            "on": bool(rng.random() < 0.8),
        }
        for head in there["heads"] + there["heads"][:1] * int(rng.integers(2))
    ]
    return {
        "speed_ips": ips,
        "bpm": some(there["bpm"], _number(rng, 20, 400)),
        "note": some(there["note"], notes[rng.integers(len(notes))]),
        "input_send_db": some(there["input_send_db"], _number(rng, -90, 20)),
        "return_send_db": some(there["return_send_db"], _number(rng, -90, 20)),
        "heads": heads,
        **{key: bool(rng.integers(2)) for key in ("response", "limit", "hiss", "wobble", "dry")},
        "input": ("phrase", "clicks", "file", "line")[rng.integers(4)],
    }


def _number(rng, low, high):
    """Draw a number as a hand sets it, to a tenth, or with all its digits."""
    value = float(rng.uniform(low, high))
    tenth = round(value, 1)
    return tenth if rng.random() < 0.7 and low <= tenth <= high else value
