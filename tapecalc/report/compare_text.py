"""Two plans side by side in words: what differs first, what is the same in one line."""

import itertools
import math
import re
from collections.abc import Iterator, Sequence
from typing import Any

from tabulate import tabulate

from tapecalc import words
from tapecalc.machine import Machine
from tapecalc.plan import EchoPlan
from tapecalc.report.plan_text import Table, tables

#: The tables of a plan that are compared; the others follow from these or from the machine files.
_COMPARED = ("delays", "fits", "songs", "range", "repeats", "tone", "hiss", "wobble", "levels", "tape")
SAME_SPEED = math.sqrt(2)  # speeds are held against each other if one is less than this times the other
_NOTHING = "-"

_Cells = dict[tuple[str, str], str]  # what each cell says, by the name of its row and of its column
_Differing = list[tuple[str, ...]]


def compare_text(first: EchoPlan, second: EchoPlan, *, names: tuple[str, str]) -> str:
    """Write what differs between two plans, called by `names`: keys, speeds and heads, then each table.

    >>> from tapecalc.machine import example_machine
    >>> from tapecalc.plan import make_plan
    >>> plan = make_plan(example_machine())
    >>> compare_text(plan, plan, names=("a.toml", "b.toml")).splitlines()[-1]
    'Both plans are the same.'
    """
    names = (_printable(names[0]), _printable(names[1]))
    keys = [_keys(plan.machine) for plan in (first, second)]
    parts = [_side_by_side("The machine files", ("Key",), names, _differing_keys(*keys))]
    pairs = _speed_pairs(first.machine, second.machine)
    parts.append("\n".join(_only_one_has(first.machine, second.machine, pairs, names)))
    same = []
    ours, theirs = ({table.key: table for table in tables(plan)} for plan in (first, second))
    called = _names_of_ours(first.machine, second.machine, pairs)
    for key in (key for key in _COMPARED if key in ours or key in theirs):
        table = ours.get(key) or theirs[key]
        title = re.split(r",| at |:", table.title)[0]
        if not (key in ours and key in theirs):
            parts.append(f"Only {names[0 if key in ours else 1]} has a table: {title}.")
        elif differing := _differing_cells(table, theirs[key], called):
            parts.append(_side_by_side(title, (table.columns[0].title, "Figure"), names, differing))
        elif differing is not None:
            same.append(title.lower())
    parts = [part for part in parts if part]
    ending = f"The same in both: {words.listed([*same, 'all other keys'])}." if parts else ""
    return "\n\n".join([f"{names[0]} beside {names[1]}", *parts, ending or "Both plans are the same."])


def _printable(name: str) -> str:
    return "".join(letter if letter.isprintable() else "?" for letter in name)


def _side_by_side(title: str, what: Sequence[str], names: Sequence[str], rows: _Differing) -> str:
    body = tabulate(rows, [*what, *names], tablefmt="simple", disable_numparse=True)
    return f"{title}\n{body}" if rows else ""


# ---- the machine files ----


def _keys(machine: Machine) -> dict[str, str]:
    """Every key with its value as it is typed, whether it was said or not."""
    return dict(_leaves(machine.model_dump(exclude={"name", "file_version"}), ""))


def _leaves(value: Any, path: str) -> Iterator[tuple[str, str]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _leaves(inner, f"{path}.{key}".lstrip("."))
    elif isinstance(value, tuple) and (not value or isinstance(value[0], dict)):
        for number, inner in enumerate(value, start=1):
            yield from _leaves(inner, f"{path}[{number}]")
    else:
        yield path, _typed(value)


def _typed(value: Any) -> str:
    """A value as a person types it."""
    if isinstance(value, tuple):
        return ", ".join(map(_typed, value))
    if value is None or isinstance(value, bool):
        return _NOTHING if value is None else str(value).lower()
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def _differing_keys(ours: dict[str, str], theirs: dict[str, str]) -> _Differing:
    """The keys that both have and that differ."""
    return [(key, ours[key], theirs[key]) for key in ours if key in theirs and ours[key] != theirs[key]]


def _only_one_has(
    first: Machine, second: Machine, pairs: Sequence[tuple[float, float]], names: Sequence[str]
) -> Iterator[str]:
    """Name the speeds, and the heads, songs, parts and measured delays, of one machine alone."""
    for which, (machine, other) in enumerate(((first, second), (second, first))):
        paired = {pair[which] for pair in pairs}
        alone = [words.speed_twice(v, machine.units) for v in machine.speeds if v not in paired]
        for section, called in (("playback_heads", "head"), ("songs", "song"), ("parts", "part")):
            numbers = range(len(getattr(other, section)) + 1, len(getattr(machine, section)) + 1)
            alone += [f"{called} {number}" for number in numbers]
        measured, known = ({(m.head, m.speed) for m in one.measured_delays} for one in (machine, other))
        alone += [f"a measured delay of head {h} at speed {s}" for h, s in sorted(measured - known)]
        if alone:
            yield f"Only {names[which]} has {words.listed(alone)}."


def _speed_pairs(first: Machine, second: Machine) -> list[tuple[float, float]]:
    """Speeds of two machines that are to be held against each other, the nearest first."""
    every = itertools.product(first.speeds, second.speeds)
    pairs: list[tuple[float, float]] = []
    for a, b in sorted(every, key=lambda pair: abs(math.log(pair[1] / pair[0]))):
        taken = any(a == ours or b == theirs for ours, theirs in pairs)
        if not taken and 1 / SAME_SPEED < b / a < SAME_SPEED:
            pairs.append((a, b))
    return pairs


# ---- the tables ----


def _names_of_ours(first: Machine, second: Machine, pairs: Sequence[tuple[float, float]]) -> dict[str, str]:
    """What the rows and columns of the second plan are called in the first, by speed."""
    forms = (words.speed_twice, lambda speed, units: f"At {words.speed(speed, units)}")
    return {form(b, second.units): form(a, first.units) for a, b in pairs for form in forms}


def _cells(table: Table, names: dict[str, str], *, of_heads: bool) -> _Cells:
    """The cells of a table by row and column, called by `names` where these have others for them."""
    cells = {}
    for label, *row in table.rows:
        speed, _, head = label.partition(", head ")
        name, clips_first, _ = names.get(speed, speed).partition(" (clips first)")
        if clips_first:
            cells[name, "Clips first"] = "yes"
        if of_heads:
            name += f", head {head or 1}"
        if table.key == "wobble":
            name, row = f"{name}, {row[0]}", row[1:]
        titles = (column.title.replace("Pass", "Repeat") for column in table.columns[-len(row) :])
        cells |= {(name, names.get(title, title)): cell for title, cell in zip(titles, row, strict=True)}
    return cells


def _differing_cells(first: Table, second: Table, names: dict[str, str]) -> _Differing | None:
    """The cells that differ in rows that both tables have; None if there is no such row."""
    of_heads = any(", head " in row[0] for row in (*first.rows, *second.rows))
    ours, theirs = _cells(first, {}, of_heads=of_heads), _cells(second, names, of_heads=of_heads)
    of_theirs = {row for row, _ in theirs}
    rows = [row for row in dict.fromkeys(row for row, _ in ours) if row in of_theirs]
    every = dict.fromkeys([*ours, *theirs])
    sides = [
        (*place, ours.get(place, _NOTHING), theirs.get(place, _NOTHING))
        for row in rows
        for place in every
        # What is counted in repeats is held against the same repeat alone.
        if place[0] == row and (place in ours and place in theirs or not re.search(r"\d", place[1]))
    ]
    return [side for side in sides if side[-2] != side[-1]] if rows else None
