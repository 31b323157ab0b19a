"""How to set a tape echo up, step by step with the machine's own numbers, as one printed page.

The words are data (``setup_card.toml.jinja``); here the numbers of a plan are put into them.
"""

import functools
import itertools
import os
import tomllib
from collections.abc import Iterator, Sequence
from importlib import resources
from pathlib import Path
from typing import Any, NamedTuple

import jinja2

from tapecalc import __version__, words
from tapecalc.calc.levels import allowed_exposure, dbu_to_volts
from tapecalc.calc.loop import growth_db_per_s, repeats_heard
from tapecalc.calc.response import bandwidth
from tapecalc.calc.standards import FLUTTER_TONE
from tapecalc.calc.transport import run_time
from tapecalc.calc.units import from_si
from tapecalc.files import write_file
from tapecalc.plan import DelayPlan, EchoPlan, SpeedForSong
from tapecalc.plot.templates import filled
from tapecalc.plot.wiring import PATCHES
from tapecalc.report.plan_text import CAUTIONS, heard_text, speed_text, tables

EXPOSURE_LEVELS_DBA = (85, 94, 100)
HOUSE_MARGIN_DB = 3.0  # how far below the edge the fader is marked
MOST_NAMED = 4  # parts; a longer list would not fit on the page
MOST_SONGS = 6
ROOMY, CROWDED = 7, 12  # rows of heads and songs; more are set in smaller type, or take what is on the page
WIDE = 3  # speeds; delays at more take the whole width


class Step(NamedTuple):
    """One step: its part of the work, what to do, and what must be seen or heard before the next, if any."""

    part: str
    do: str
    expect: str = ""


class Finding(NamedTuple):
    """What one notices, its usual causes (most frequent first), and the measurement that proves them."""

    sign: str
    look: str
    proof: str


class Grid(NamedTuple):
    """A small table: its titles, and rows as wide."""

    titles: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


class ReturnSend(NamedTuple):
    """Where the return send stands, dB: for the repeats that are wanted, and where nobody goes."""

    wanted_db: float
    edge_db: float  # surely no howl below it, at any speed, whatever the bumps in the bass
    limit_db: float


def return_send(plan: EchoPlan) -> ReturnSend | None:
    """Say where the return send belongs; None if no playback head feeds it.

    At the speed where the least is needed; where the file's setting gives what is wanted, that stays.
    """
    as_set_db, loops = plan.machine.mixer.return_send_db, plan.loops
    wishes = [loop.return_send_db for loop in loops if loop.return_send_db is not None]
    if not wishes:
        return None
    edge_db = min(as_set_db + loop.stability.bound_db for loop in loops)
    limit_db = edge_db - HOUSE_MARGIN_DB
    if _several(plan):  # no repeats to be counted: as set, as far as it is allowed
        return ReturnSend(min(as_set_db, limit_db), edge_db, limit_db)
    as_wished = all(loop.repeats == plan.wanted_repeats for loop in loops)
    return ReturnSend(as_set_db if as_wished else min(wishes), edge_db, limit_db)


def steps(plan: EchoPlan) -> tuple[Step, ...]:
    """List what to do, in order, from cables to switching off.

    The procedure is common practice, no source; the numbers are the plan's.

    >>> from tapecalc.machine import example_machine
    >>> from tapecalc.plan import make_plan
    >>> steps(make_plan(example_machine()))[9].expect
    'The send stands near -6.0 dB.'
    """
    numbers, levels = _numbers(plan), plan.machine.levels
    allowed = (f"{level} dB(A) {words.duration(allowed_exposure(level))}" for level in EXPOSURE_LEVELS_DBA)
    first = plan.levels.first_to_clip
    numbers |= {
        "reference": words.level(levels.machine_reference_dbu, "dBu"),
        "volts": words.amount(dbu_to_volts(levels.machine_reference_dbu), "v", ".2f"),
        "first": first.name,
        "spare_db": first.headroom_db,
        "spare": f"{first.headroom_db:.1f} dB",
        "over": f"{-first.headroom_db:.1f} dB",
        "allowed": ", ".join(allowed),
    }
    return tuple(Step(**texts) for texts in _filled("steps", numbers) if texts["do"])


def findings(plan: EchoPlan) -> tuple[Finding, ...]:
    """List what can be wrong, where to look, and the measurement that proves it with this machine's number.

    >>> from tapecalc.machine import example_machine
    >>> from tapecalc.plan import make_plan
    >>> [finding.sign for finding in findings(make_plan(example_machine()))]
    ['No echo', 'One echo only', 'Howls at once', 'Dull', 'Wobbles', 'Hum']
    """
    machine, nodes = plan.machine, plan.levels.nodes
    mains = machine.transport.mains_hz
    numbers = _numbers(plan) | {
        "nodes": ", ".join(f"{node.name} {round(node.dbu):+d}" for node in nodes if node.name != "tape"),
        "back": f"{round(nodes[-1].dbu):+d} dBu",
        "growth": f"{growth_db_per_s(max(machine.delays(machine.speeds[0])), 1.0):.1f} dB",
        "band": _band(plan),
        "tone": f"{FLUTTER_TONE:g} Hz",
        "parts": _parts(plan),
        "mains": f"{mains:g} Hz" if mains else "the mains frequency",
        "twice": f"{2 * mains:g} Hz" if mains else "twice that",
    }
    return tuple(Finding(**texts) for texts in _filled("findings", numbers) if texts["sign"])


def cables(plan: EchoPlan) -> tuple[tuple[str, str], ...]:
    """List the cables, from socket to socket; heads outside the loop need a channel of their own."""
    heads = plan.machine.playback_heads
    inside = [n for n, head in enumerate(heads, 1) if head.feeds_return]
    outside = [n for n, head in enumerate(heads, 1) if not head.feeds_return]
    split = bool(inside and outside)
    rows = []
    for _, to, source, target in PATCHES["sends"].cables:
        if to != "channel 2":
            rows.append((source, target))
            continue
        rows.append((f"{source}{f' of {_heads(inside)}' if split else ''}", target))
        if split:
            rows.append(
                (f"{source} of {_heads(outside)}", f"{target.replace('2', '3')}; its send stays down")
            )
    return tuple(rows)


def level_rows(plan: EchoPlan) -> Grid:
    """List the levels, node by node, that something sets."""
    (levels,) = (table for table in tables(plan) if table.key == "levels")
    (controls,) = _filled("controls", _numbers(plan))
    rows = zip(plan.levels.nodes, levels.rows, strict=True)
    return Grid(
        ("At", "Set with", "Level", "Headroom"),
        tuple((node.name, controls[node.name], row[1], row[3]) for node, row in rows if controls[node.name]),
    )


def delay_rows(plan: EchoPlan) -> Grid:
    """List the delays, a row for each head and a column for each speed."""
    heads, units = len(plan.machine.playback_heads), plan.machine.units
    speeds = dict.fromkeys(planned.speed for planned in plan.delays)
    rows = []
    for head in range(1, heads + 1):
        delays = (_short(planned) for planned in plan.delays if planned.head == head)
        rows.append((f"Head {head}" if heads > 1 else "Delay", *delays))
    return Grid(("", *(words.speed(speed, units) for speed in speeds)), tuple(rows))


def song_rows(plan: EchoPlan) -> Grid:
    """List the songs of a set, or the one, with note, head and speed, and whether they are heard as off."""
    machine = plan.machine
    rows: list[tuple[str, ...]]
    if machine.speed_range is not None:
        titles: tuple[str, ...] = ("Song", "bpm", "Note", "Set")
        rows = [
            (row.song, f"{row.bpm:g}", row.note, _set(plan, row.head, _speed(plan, row)))
            for row in plan.range_speeds
        ]
        if machine.songs:  # of each the first way to play it, or that there is none
            first = {row[:2]: row for row in reversed(rows)}
            songs = [(song.name, f"{song.bpm:g}") for song in machine.songs]
            rows = [first.get(song, (*song, "none", "no speed of the range")) for song in songs]
    else:
        titles = ("Song", "bpm", "Note", "Set", "Off?")
        fits = [("", one.fit, one.delay.head, one.delay.speed, one.chance) for one in plan.tempos[:1]]
        if machine.songs:
            best = [
                min(choices, key=lambda choice: (choice.chance_heard, choice.fit.rank))
                for choices in zip(*plan.songs, strict=True)
            ]
            fits = [
                (c.song.name, c.fit, c.delay.head + 1, plan.loops[c.delay.speed].speed, c.chance_heard)
                for c in best
            ]
        rows = [
            (name, f"{fit.bpm:g}", fit.note.name, _set(plan, head, words.speed(speed, machine.units)),
             heard_text(chance, fit.error))
            for name, fit, head, speed, chance in fits
        ]  # fmt: skip
    skipped = 0 if machine.songs else 2  # of one song, name and tempo stand above the table
    return Grid(titles[skipped:], tuple(row[skipped:] for row in rows))


def setup_card_page(plan: EchoPlan) -> str:
    """Write all of it as HTML that prints on one sheet of A4 or letter paper.

    Source: WCAG 2.2 for structure and contrast.
    """
    songs, wide = song_rows(plan), len(plan.loops) > WIDE
    most = 3 if wide else MOST_SONGS
    rows = len(plan.machine.spacings) + min(most, len(songs.rows))
    return filled(
        "report",
        "setup_card.html.jinja",
        name=plan.machine.name,
        speeds=", ".join(words.speed_twice(speed, plan.machine.units) for speed in plan.machine.speeds),
        version=__version__,
        cautions=CAUTIONS,
        cables=cables(plan),
        levels=level_rows(plan),
        delays=delay_rows(plan),
        delays_are="Delays" if plan.machine.speed_range is None else "Delays, and anything between",
        wide=wide,
        dense=wide or rows > ROOMY,
        songs_are="Songs" if plan.machine.songs else f"Song at {plan.bpm or 0:g} bpm",
        songs=Grid(songs.titles, songs.rows[:most]),
        more_songs=max(0, len(songs.rows) - most),
        **_send(plan),
        parts=[(part, list(of)) for part, of in itertools.groupby(steps(plan), lambda step: step.part)],
        findings=() if wide or rows > CROWDED else findings(plan),  # which the plan's page has too
    )


def _send(plan: EchoPlan) -> dict[str, str | bool]:
    """The return send as it stands on the page."""
    send = return_send(plan)
    if send is None:
        return {"send": False}
    aim = "as planned" if _several(plan) else f"for {_wanted(plan)}"
    levels = {"wanted": send.wanted_db, "edge": send.edge_db, "limit": send.limit_db}
    return {"send": True, "aim": aim, **{name: words.level(level_db) for name, level_db in levels.items()}}


def write_setup_card(plan: EchoPlan, path: str | os.PathLike[str]) -> Path:
    """Write the page to a file, in one step, and give its path back."""
    return write_file(path, setup_card_page(plan))


# ---- the machine's numbers in words ----


@functools.cache
def _templates() -> dict[str, list[dict[str, jinja2.Template]]]:
    """The texts of each kind, read once."""
    environment = jinja2.Environment(undefined=jinja2.StrictUndefined)
    text = resources.files("tapecalc.report").joinpath("setup_card.toml.jinja").read_text(encoding="utf-8")
    return {
        kind: [
            {key: environment.from_string(said) for key, said in entry.items()}
            for entry in (found if isinstance(found, list) else [found])
        ]
        for kind, found in tomllib.loads(text).items()
    }


def _filled(kind: str, numbers: dict[str, Any]) -> Iterator[dict[str, str]]:
    """Put numbers into the texts of one kind."""
    for entry in _templates()[kind]:
        yield {key: template.render(numbers) for key, template in entry.items()}


def _numbers(plan: EchoPlan) -> dict[str, Any]:
    """What steps, findings and levels have in common."""
    machine, send = plan.machine, return_send(plan)
    numbers: dict[str, Any] = {
        "loop": send is not None,
        "several": _several(plan),
        "heads": _levels_of_heads(plan),
        "erases": machine.erases,
        "lap": "",
        "minutes": " or ".join(_minutes(plan)) + " min",
        "wanted": _wanted(plan),
        "gain": words.level(machine.levels.mixer_gain_db),
        "input_send": words.level(machine.mixer.input_send_db),
        "set": words.level(machine.mixer.return_send_db),
        "margin": f"{HOUSE_MARGIN_DB:.0f} dB",
    }
    if machine.loop_length is not None:
        laps = sorted(run_time(machine.loop_length, speed) for speed in machine.speeds)
        between = " or " if machine.speed_range is None else " to "
        numbers["lap"] = between.join(f"{lap:.3g}" for lap in laps) + " s"
        numbers["around"] = words.amount(machine.loop_length, "m", ".3g")
    if send is not None:
        limit_db = max(loop.gain_db for loop in plan.loops) + send.limit_db - machine.mixer.return_send_db
        most = repeats_heard(limit_db, machine.song.faded_db)
        numbers |= {
            "send": words.level(send.wanted_db),
            "edge": words.level(send.edge_db),
            "limit": words.level(send.limit_db),
            "beyond": send.wanted_db > send.limit_db,
            "most": f"{most:.0f} repeats",
            "lasts": _lasts(plan) if send.wanted_db == machine.mixer.return_send_db else "",
        }
    return numbers


def _wanted(plan: EchoPlan) -> str:
    return f"{plan.wanted_repeats} repeat{'s' if plan.wanted_repeats > 1 else ''}"


def _several(plan: EchoPlan) -> bool:
    return len(plan.machine.playback_heads) > 1


def _heads(numbers: Sequence[int]) -> str:
    return f"head{'s' if len(numbers) > 1 else ''} {words.listed(map(str, numbers))}"


def _set(plan: EchoPlan, head: int, speed: str) -> str:
    return f"{speed}, head {head}" if _several(plan) else speed


def _speed(plan: EchoPlan, row: SpeedForSong) -> str:
    return speed_text(plan, row.speed, row.plus_minus)


def _short(planned: DelayPlan) -> str:
    """A delay and its plus/minus, the unit said once."""
    return words.with_uncertainty(from_si(planned.delay, "ms"), from_si(planned.plus_minus, "ms")) + " ms"


def _levels_of_heads(plan: EchoPlan) -> str:
    """How loud each head is against the source; nothing for one head that is as loud."""
    groups: dict[str, list[int]] = {}
    for number, head in enumerate(plan.machine.playback_heads, 1):
        how = "as loud"
        if head.level_db:
            how = f"{abs(head.level_db):.3g} dB {'softer' if head.level_db < 0 else 'louder'}"
        groups.setdefault(how + ", inverted" * head.inverted, []).append(number)
    if not _several(plan) and "as loud" in groups:
        return ""
    if len(groups) == 1:
        return f"{'all heads' if _several(plan) else 'the head'} {next(iter(groups))}"
    return "; ".join(f"{_heads(numbers)}: {how}" for how, numbers in groups.items())


def _lasts(plan: EchoPlan) -> str:
    """How long the echo is heard at each speed; nothing where it is not told."""
    times = {words.speed(loop.speed, plan.machine.units): loop.gone_in for loop in plan.loops}
    known = {speed: time for speed, time in times.items() if time is not None}
    if len(known) < len(times):
        return ""
    if len(known) > WIDE:
        return f"{min(known.values()):.1f} to {max(known.values()):.1f} s"
    return words.listed(f"{time:.1f} s at {speed}" for speed, time in known.items())


def _minutes(plan: EchoPlan) -> list[str]:
    """How long the tape lasts at each speed."""
    times = (run_time(plan.machine.tape.length_m, speed) for speed in plan.machine.speeds[:MOST_NAMED])
    return [f"{from_si(time, 'min'):.0f}" for time in times]


def _band(plan: EchoPlan) -> str:
    """Where one pass has lost 3 dB of treble."""
    high = bandwidth(plan.machine.one_pass(plan.machine.speeds[0], pole_shape="flat"))[1]
    if high is None:
        return "no treble loss is expected"
    return f"3 dB down near {words.frequency(high, digits=3)} is all it may be"


def _parts(plan: EchoPlan) -> str:
    """How often the parts turn."""
    parts = sorted(plan.machine.turning_parts, key=lambda part: -part.wobble)[:MOST_NAMED]
    if not parts:
        return "once a turn of each part (none is described in the machine's file)"
    speed = plan.machine.speeds[0]
    return ", ".join(f"{part.name} {words.frequency(part.rate_at(speed), digits=3)}" for part in parts)
