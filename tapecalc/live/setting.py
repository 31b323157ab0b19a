"""All that a person moves on the playable tape, as one small dictionary; `setting.mjs` checks the same.

``speed_ips``, ``bpm``, ``note`` (a name, or "any"), ``input_send_db``, ``return_send_db``, ``heads`` (each
``spacing_mm``, ``level_db``, ``inverted``, ``feeds_return``, ``on``; a head keeps its place in the list
wherever it is moved), what is switched on of ``response``, ``limit``, ``hiss``, ``wobble`` and ``dry``, and
``input``.
"""

import math
import sys
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
import tomli_w

from tapecalc.calc.response import loudest
from tapecalc.calc.units import db_to_amplitude, from_si
from tapecalc.machine import (
    FILE_VERSION,
    SENDS_DB,
    USUAL_POLES,
    USUAL_SPACINGS,
    Machine,
    MachineFileError,
    with_changes,
)

BPM_LIMITS = 20.0, 400.0
LEVEL_LIMITS_DB = -90.0, 20.0
#: Tempo at which a machine without a song starts; our own choice.
FIRST_BPM = 90.0
INPUTS = ("phrase", "clicks", "file", "line")
SWITCHES = ("response", "limit", "hiss", "wobble", "dry")
HEAD_KEYS = ("spacing_mm", "level_db", "inverted", "feeds_return", "on")
#: Keys that a page moves, by their section of the machine file.
MOVED = {"song": ("bpm", "note"), "mixer": ("input_send_db", "return_send_db")}
MOVED_OF_HEAD = ("spacing_mm", "level_db", "feeds_return", "inverted")
_KEYS = ("speed_ips", *(key for keys in MOVED.values() for key in keys), "heads", *SWITCHES, "input")

#: From one length of poles to the next for which the worst response is reckoned, and the shortest, m: half of
#: the nearest place of a usual head. A head near the record head has short ones.
POLE_STEP, SHORTEST_POLES = 0.75, USUAL_SPACINGS[0] / 2
#: Speeds of a free range for which something is reckoned.
FREE_SPEEDS = 13


def setting_of_machine(machine: Machine) -> dict[str, Any]:
    """Give the setting that a machine file describes, at its first speed.

    >>> from tapecalc.machine import example_machine
    >>> setting = setting_of_machine(example_machine())
    >>> setting["speed_ips"], setting["bpm"], setting["heads"][0]["spacing_mm"]
    (7.5, 76.0, 41.5)
    """
    song, mixer = machine.song, machine.mixer
    heads = (
        {**{key: getattr(head, key) for key in HEAD_KEYS if key != "on"}, "on": True}
        for head in machine.playback_heads
    )
    return {
        "speed_ips": speed_in_ips(machine.speeds[0]),
        "bpm": song.bpm or next((one.bpm for one in machine.songs), FIRST_BPM),
        "note": song.note or "any",
        "input_send_db": mixer.input_send_db,
        "return_send_db": mixer.return_send_db,
        "heads": list(heads),
        **dict.fromkeys(SWITCHES, True),
        "input": INPUTS[0],
    }


def speed_in_ips(speed: float) -> float:
    """Write a speed, m/s, in ips as facts and setting have it."""
    return float(from_si(speed, "ips"))


def speeds_reckoned(machine: Machine) -> tuple[float, ...]:
    """The speeds for which a page gets filters and levels: all, or some of a free range, its ends exactly."""
    ends = machine.speed_range
    if ends is None:
        return machine.speeds
    return (ends[0], *np.geomspace(*ends, FREE_SPEEDS)[1:-1].tolist(), ends[1])


# ---- what is allowed ----


def checked_setting(facts: Mapping[str, Any], data: Any) -> dict[str, Any]:
    """Give a clean copy of a setting; one that cannot be is refused in one sentence, as in the page."""
    data = _checked_keys("a setting", data, _KEYS)
    notes = ["any", *(note["name"] for note in facts["notes"])]
    named = '"any" or a note value such as "dotted eighth"'
    return {
        "speed_ips": _checked_speed(facts, data["speed_ips"]),
        "bpm": _checked_number("bpm", data["bpm"], *BPM_LIMITS),
        "note": _checked_name("note", data["note"], notes, named),
        **{key: _checked_number(key, data[key], *SENDS_DB) for key in MOVED["mixer"]},
        "heads": _checked_heads(facts, data["heads"]),
        **{key: _checked_switch(key, data[key]) for key in SWITCHES},
        "input": _checked_name("input", data["input"], INPUTS, ", ".join(f'"{name}"' for name in INPUTS)),
    }


def _checked_heads(facts: Mapping[str, Any], data: Any) -> list[dict[str, Any]]:
    there, most = facts["setting"]["heads"], facts["most_heads"]
    if not isinstance(data, list | tuple) or not len(there) <= len(data) <= most:
        got = len(data) if isinstance(data, list | tuple) else _shown(data)
        raise ValueError(f"heads must be a list of {len(there)} to {most}, got {got}")
    heads = []
    for number, one in enumerate(data, start=1):
        name = f"heads[{number}]"
        head = _checked_keys(name, one, HEAD_KEYS)
        spacing_mm, limits = head["spacing_mm"], (facts["least_mm"], facts["most_mm"])
        as_filed = number <= len(there) and _is_number(spacing_mm)
        if as_filed and spacing_mm == there[number - 1]["spacing_mm"]:
            limits = -math.inf, math.inf
        heads.append(
            {
                "spacing_mm": _checked_number(f"{name}.spacing_mm", spacing_mm, *limits),
                "level_db": _checked_number(f"{name}.level_db", head["level_db"], *LEVEL_LIMITS_DB),
                **{key: _checked_switch(f"{name}.{key}", head[key]) for key in HEAD_KEYS[2:]},
            }
        )
    return heads


def _checked_speed(facts: Mapping[str, Any], value: Any) -> float:
    if facts["speed_range_ips"] is not None:
        return _checked_number("speed_ips", value, *facts["speed_range_ips"])
    speeds = [speed["speed_ips"] for speed in facts["speeds"]]
    for ips in speeds:
        if _is_number(value) and (1 - 1e-9) * ips <= value <= (1 + 1e-9) * ips:
            return float(ips)
    allowed = " or ".join(f"{ips:.6g}" for ips in speeds)
    raise ValueError(f"speed_ips must be {allowed}, got {_shown(value)}")


def _checked_keys(name: str, data: Any, keys: Sequence[str]) -> Mapping[str, Any]:
    if not isinstance(data, Mapping):
        raise ValueError(f"{name} must have the keys {', '.join(keys)}, got {_shown(data)}")
    for key in keys:
        if key not in data:
            raise ValueError(f"{name} must have the key {key}")
    for key in data:
        if key not in keys:
            raise ValueError(f"{name} must have no key {_shown(str(key))}")
    return data


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float | np.number) and not isinstance(value, bool)


def _checked_number(name: str, value: Any, least: float, most: float) -> float:
    if _is_number(value) and least <= value <= most:
        return float(value)
    raise ValueError(f"{name} must be a number from {least:.6g} to {most:.6g}, got {_shown(value)}")


def _checked_name(name: str, value: Any, known: Iterable[str], allowed: str) -> str:
    if isinstance(value, str) and value in known:
        return value
    raise ValueError(f"{name} must be {allowed}, got {_shown(value)}")


def _checked_switch(name: str, value: Any) -> bool:
    if isinstance(value, bool):
        return value
    raise ValueError(f"{name} must be true or false, got {_shown(value)}")


def _shown(value: Any) -> str:
    """Show what was given in a few letters."""
    if isinstance(value, bool):
        return str(value).lower()
    if _is_number(value):
        return f"{float(value):.6g}" if abs(value) <= sys.float_info.max else "no finite number"
    if isinstance(value, str):
        letters = "".join(letter if " " <= letter <= "~" else "?" for letter in value)
        return f'"{letters[:37]}..."' if len(letters) > 40 else f'"{letters}"'
    if value is None:
        return "nothing"
    return "a list" if isinstance(value, list | tuple) else "keys"


# ---- a machine of a setting ----


def machine_of_setting(machine: Machine, setting: Mapping[str, Any]) -> Machine:
    """Give the machine that a setting makes of a machine: what differs from its file is changed.

    Heads that are off are left out, those that passed each other stand in tape order, and what was measured
    stays where its head stays. Which speed is on, what is switched, and the input are not of the machine.
    """
    there, heads = setting_of_machine(machine), setting["heads"]
    used = sorted((at for at, head in enumerate(heads) if head["on"]), key=lambda at: heads[at]["spacing_mm"])
    _check_heard([heads[at] for at in used])
    changes: dict[str, Any] = {}
    for section, keys in MOVED.items():
        for key in keys:
            if setting[key] != there[key]:
                changes[f"{section}.{key}"] = None if setting[key] == "any" else setting[key]
    changes["playback_heads"] = [_head_data(machine, there["heads"], heads[at], at) for at in used]
    kept = [
        {**measured.model_dump(), "head": used.index(measured.head - 1) + 1}
        for measured in machine.measured_delays
        if measured.head - 1 in used
        and heads[measured.head - 1]["spacing_mm"] == there["heads"][measured.head - 1]["spacing_mm"]
    ]
    if machine.measured_delays:
        changes["measured_delays"] = kept
    return with_changes(machine, changes)


def _check_heard(used: Sequence[Mapping[str, Any]]) -> None:
    """Refuse heads of which nothing would be heard."""
    if not used:
        raise MachineFileError("heads must have one that is on for a machine file, all are off")
    sums: dict[float, float] = {}
    for head in used:
        gain = db_to_amplitude(head["level_db"]) * (-1 if head["inverted"] else 1)
        sums[head["spacing_mm"]] = sums.get(head["spacing_mm"], 0.0) + gain
    if not any(sums.values()):
        raise MachineFileError("heads must not cancel each other for a machine file, nothing would be heard")


def _head_data(
    machine: Machine, there: Sequence[Mapping[str, Any]], head: Mapping[str, Any], at: int
) -> dict[str, Any]:
    """Give the keys of one head: those that the file has, and those that differ from it."""
    if at >= len(there):
        usual = {"level_db": 0.0, "inverted": False, "feeds_return": True}
        return {key: head[key] for key in MOVED_OF_HEAD if head[key] != usual.get(key)}
    said = machine.playback_heads[at].model_dump(exclude_unset=True)
    return said | {key: head[key] for key in MOVED_OF_HEAD if head[key] != there[at][key]}


# ---- what a page must know of the file ----


def file_parts(machine: Machine) -> dict[str, Any]:
    """Give what a page needs of a machine file: its text but for what is moved there, and its worst response.

    ``before``: TOML of the sections that stay as they are; ``song``, ``heads``: lines of the other keys of
    these sections; ``said``: dotted keys of what is moved that the file has; ``measured``: delays;
    ``responses``: TOML of them; ``pole_length_mm``: null where it follows the first head; ``worst``: how
    loud a pass is at its loudest frequency, at most.
    """
    said = machine.model_dump(exclude_unset=True, exclude_none=True)
    moved = (*MOVED, "playback_heads", "measured_delays", "measured_responses")
    song, heads = said.get("song", {}), said["playback_heads"]
    keys = [f"{section}.{key}" for section in MOVED for key in MOVED[section] if key in said.get(section, {})]
    for number, head in enumerate(heads, start=1):
        keys += [f"playback_heads.{number}.{key}" for key in MOVED_OF_HEAD if key in head]
    return {
        "before": tomli_w.dumps({"file_version": FILE_VERSION, **_without(said, moved)}),
        "song": _lines(_without(song, MOVED["song"])),
        "heads": [_lines(_without(head, MOVED_OF_HEAD)) for head in heads],
        "said": keys,
        "measured": [
            {
                "head": one["head"],
                "speed": one["speed"],
                "text": tomli_w.dumps(_without(one, ("head", "speed"))),
            }
            for one in said.get("measured_delays", ())
        ],
        "responses": "\n".join(
            f"[[measured_responses]]\n{tomli_w.dumps(one)}" for one in said.get("measured_responses", ())
        ),
        "pole_length_mm": machine.heads.pole_length_mm,
        "worst": _worst(machine),
    }


def _without(section: Mapping[str, Any], keys: Iterable[str]) -> dict[str, Any]:
    return {key: value for key, value in section.items() if key not in keys}


def _lines(section: Mapping[str, Any]) -> list[str]:
    return tomli_w.dumps(section).splitlines()


def _worst(machine: Machine) -> list[dict[str, Any]]:
    """How loud a pass is at most, by rising speed: without bumps, as measured, and by the length of poles.

    A page takes the louder of two neighbors, so that a margin is never said to be more than it is.
    """
    reckoned = machine.as_reckoned()
    own = machine.heads.pole_length_mm
    poles_mm = [own] if own is not None else _poles_mm(min(SHORTEST_POLES, machine.spacings[0] / 2))
    at_poles = [with_changes(reckoned, {"heads.pole_length_mm": pole_mm}) for pole_mm in poles_mm]
    rows = []
    for speed in sorted(speeds_reckoned(machine)):
        levels_db = [loudest(at.worst_loop(speed).one_pass)[1] for at in at_poles]
        measured = any(machine.speeds[one.speed - 1] == speed for one in machine.measured_responses)
        rows.append(
            {
                "speed_ips": speed_in_ips(speed),
                "flat_db": loudest(reckoned.one_pass(speed, pole_shape="flat"))[1],
                "measured_db": loudest(machine.worst_loop(speed).one_pass)[1] if measured else None,
                "by_pole": [list(pair) for pair in zip(poles_mm, levels_db, strict=True)],
            }
        )
    return rows


def _poles_mm(shortest: float) -> list[float]:
    """Lengths of poles to the usual one, rising, the first no longer than the shortest there can be."""
    steps = math.ceil(math.log(shortest / USUAL_POLES) / math.log(POLE_STEP))
    return [float(from_si(USUAL_POLES * POLE_STEP**step, "mm")) for step in range(steps, -1, -1)]
