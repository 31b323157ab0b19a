"""The plan in words: the few sentences that matter most, tables with keys, and text for a terminal."""

import functools
from collections.abc import Callable, Iterable, Iterator
from typing import Any, NamedTuple

from tabulate import tabulate

from tapecalc import words
from tapecalc.calc import transport
from tapecalc.calc.tempo import ExactChanges, TempoFit
from tapecalc.calc.units import from_si
from tapecalc.plan import TONE_DROP_DB, USUAL_TEMPOS, DelayPlan, EchoPlan, LoopPlan, ToneRow

#: What to mind at the bench and at the mixer.
CAUTIONS = (
    "Mains voltage can kill, and capacitors in a chassis stay charged after the plug is out. Leave the "
    "inside to someone qualified; licensed practice and local codes decide.",
    "Keep fingers, hair, sleeves and cables away from reels, capstan and pinch roller while they turn.",
    "Old belts, pads and mains leads fail without warning: look before the machine runs unattended.",
    "Start with the return send fully down and the monitors low. A loop that runs away gets loud faster than "
    "a hand moves: protect ears and speakers first.",
)


class Column(NamedTuple):
    """One column of a table: its title and what it says of one thing; figures are set to the right."""

    title: str
    cell: Callable[[Any], str]
    numeric: bool = False


_figures = functools.partial(Column, numeric=True)


class Table(NamedTuple):
    """One table of the plan: a key for the code, words and trade units for people."""

    key: str
    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""


def _table(key: str, title: str, things: Iterable[Any], *columns: Column, note: str = "") -> Table:
    """Make a table with a row for each thing."""
    rows = (tuple(column.cell(thing) for column in columns) for thing in things)
    return Table(key, title, columns, tuple(rows), note)


def plan_text(plan: EchoPlan) -> str:
    """Write a plan for a terminal: the sentences, the tables, the cautions."""
    parts = [f"Echo plan for {plan.machine.name}", _bullets(headlines(plan))]
    for table in tables(plan):
        titles = [column.title for column in table.columns]
        sides = ["right" if column.numeric else "left" for column in table.columns]
        body = tabulate(table.rows, titles, tablefmt="simple", disable_numparse=True, colalign=sides)
        parts.append(f"{table.title}\n{body}" + (f"\n{table.note}" if table.note else ""))
    return "\n\n".join([*parts, "Cautions\n" + _bullets(CAUTIONS)])


def _bullets(lines: tuple[str, ...]) -> str:
    return "\n".join(f"* {line}" for line in lines)


# ---- sentences ----


def headlines(plan: EchoPlan) -> tuple[str, ...]:
    """Say the few things that matter most, a sentence or two each."""
    delays = [f"{delay_text(d)} at {_at(plan, d.speed)}" for d in plan.delays[:4]]
    lines = [f"The machine delays by {' and '.join(delays)}."]
    if plan.tempos:
        lines.append(_best_fit(plan))
    if not any(head.feeds_return for head in plan.machine.playback_heads):
        return *lines, "No head feeds the return, so each sound comes back once from each head."
    return *lines, *(_loop_headline(plan, loop) for loop in plan.loops)


def _best_fit(plan: EchoPlan) -> str:
    best = plan.tempos[0]
    fit, changes, at = best.fit, best.changes, _at(plan, best.delay.speed)
    sound = "which is not heard as off"
    if fit.audible:
        side = "farther from" if changes.spacing_change.value > 0 else "nearer to"
        sound = (
            f"which is heard as off. It is exact at {changes.bpm.value:.1f} bpm, or with the head "
            f"{words.amount(abs(changes.spacing_change.value), 'mm', '.1f')} {side} the record head"
        )
    return (
        f"At {fit.bpm:g} bpm the best fit is a {fit.note.name} at {at}: "
        f"{words.amount(fit.error, 'ms', '+.1f')} ({fit.error_percent:+.1f} %), {sound}."
    )


def _loop_headline(plan: EchoPlan, loop: LoopPlan) -> str:
    at, verdict = _at(plan, loop.speed), loop.stability
    if verdict.stable:
        return (
            f"At {at} {loop.repeats} repeats are heard before {plan.machine.song.faded_db:g} dB; the loop is "
            f"{verdict.margin_db:.1f} dB from running away. For {plan.wanted_repeats} repeats set the return "
            f"send to {loop.return_send_db:+.1f} dB."
        )
    return (
        f"At {at} the loop RUNS AWAY, starting at {start_text(loop)} and growing by up to "
        f"{loop.growth_db_per_s:.1f} dB a second: turn the return send down by more than "
        f"{-verdict.margin_db:.1f} dB."
    )


def start_text(loop: LoopPlan) -> str:
    """Say where the loop would start to run away."""
    start = loop.stability.frequency
    return "nowhere" if start is None else words.frequency(start)


def delay_text(planned: DelayPlan) -> str:
    """Write a delay to the digits that its uncertainty leaves."""
    return words.with_uncertainty(from_si(planned.delay, "ms"), from_si(planned.uncertainty, "ms"), "ms")


def band_text(row: ToneRow) -> str:
    """Say from where to where a repeat reaches."""
    low = "0 Hz" if row.low is None else words.frequency(row.low)
    return f"{low} to {'beyond hearing' if row.high is None else words.frequency(row.high)}"


# ---- tables ----


def tables(plan: EchoPlan) -> tuple[Table, ...]:
    """Set all figures in tables, in reading order; empty ones are left out."""
    every = (*_tables_of_delays(plan), *_tables_of_loops(plan), *_tables_of_the_machine(plan))
    return tuple(table for table in every if table.rows)


def _at(plan: EchoPlan, speed: float) -> str:
    """A speed in both units, the owner's first."""
    return words.speed_twice(speed, plan.machine.units)


def _tables_of_delays(plan: EchoPlan) -> Iterator[Table]:
    """How each delay is heard, how it fits the song, and what makes it exact."""

    def where(delay: DelayPlan) -> str:
        speed = _at(plan, delay.speed)
        return speed if len(plan.machine.playback_heads) == 1 else f"{speed}, head {delay.head}"

    measured, count = sum(d.measured for d in plan.delays), len(plan.delays)
    note = f"As measured in {measured} of {count} rows, else spacing over speed." if measured else ""
    yield _table(
        "delays",
        "Delays",
        plan.delays,
        Column("Speed", where),
        _figures("Head spacing", lambda d: words.amount(d.spacing, "mm", ".1f")),
        _figures("Delay", delay_text),
        Column("Heard as", lambda d: d.zone),
        note="As measured, which is surer than spacing over speed." if measured == count else note,
    )
    yield _table(
        "fits",
        f"Fit to the song at {plan.bpm:g} bpm" if plan.bpm else "Fit to the song",
        plan.tempos,
        Column("Speed", lambda p: where(p.delay)),
        Column("Nearest note", lambda p: p.fit.note.name),
        _figures("Wanted", lambda p: words.amount(p.fit.wanted_delay, "ms", ".1f")),
        _figures("Off by", lambda p: words.amount(p.fit.error, "ms", "+.1f")),
        _figures("in %", lambda p: f"{p.fit.error_percent:+.2f}"),
        _figures("in cents", lambda p: f"{p.fit.error_cents:+.0f}"),
        Column("Heard as off?", lambda p: _heard(p.fit)),
        note="Threshold: Friberg and Sundberg 1995, 6 ms below 240 ms and 2.5 % above.",
    )
    known = plan.machine.capstan_diameter is not None

    def sleeve(changes: ExactChanges) -> str:
        if changes.sleeve_diameter is None:
            return "capstan not known" if changes.sleeve_possible else "none, a sleeve only adds"
        return words.amount(changes.sleeve_diameter.value, "mm", ".2f")

    yield _table(
        "exact",
        "To make it exact, do one of these",
        plan.tempos,
        Column("Speed", lambda p: where(p.delay)),
        _figures("Move the head", lambda p: words.amount(p.changes.spacing_change.value, "mm", "+.1f")),
        _figures("or change the speed", lambda p: f"{p.changes.speed_change_percent.value:+.2f} %"),
        Column("or a sleeve of", lambda p: sleeve(p.changes), numeric=known),
        _figures("or play at", lambda p: f"{p.changes.bpm.value:.2f} bpm"),
        note="A plus moves the head away from the record head or runs the tape faster.",
    )
    yield _table(
        "tempos",
        f"Tempos that the delays like, {USUAL_TEMPOS[0]} to {USUAL_TEMPOS[1]} bpm",
        zip(plan.delays, plan.liked_tempos, strict=True),
        Column("Speed", lambda row: where(row[0])),
        Column("Tempos", lambda row: ", ".join(f"{bpm:.1f} ({note.name})" for note, bpm in row[1]) or "none"),
    )


def _heard(fit: TempoFit) -> str:
    """Say how a miss is heard."""
    if not fit.audible:
        return f"no, within {words.amount(fit.threshold, 'ms', '.1f')}"
    return "yes, late" if fit.error > 0 else "yes, early"


def _or(nothing: str, value: float | None, form: str) -> str:
    """A value in a format such as ``"{:.1f} dB"``, or what is said where there is none."""
    return nothing if value is None else form.format(value)


def _tables_of_loops(plan: EchoPlan) -> Iterator[Table]:
    """What the loop does at each speed."""
    speed = Column("Speed", lambda loop: _at(plan, loop.speed))
    faded = f"A repeat counts until it has fallen to {plan.machine.song.faded_db:g} dB."
    yield _table(
        "repeats",
        f"Repeats, return send at {plan.machine.mixer.return_send_db:+.1f} dB",
        plan.loops,
        speed,
        _figures("Loop gain", lambda loop: f"{loop.gain_db:+.1f} dB"),
        _figures("Repeats", lambda loop: _or("no end", loop.repeats, "{}")),
        _figures("Gone in", lambda loop: _or("never", loop.fades_in, "{:.2f} s")),
        _figures("Margin", lambda loop: f"{loop.stability.margin_db:+.1f} dB"),
        _figures("Would start at", start_text),
        _figures("Send for the wish", lambda loop: _or("none", loop.return_send_db, "{:+.1f} dB")),
        note=f"{faded} The wish is {plan.wanted_repeats} repeats.",
    )
    shown = [row.repeat for row in plan.loops[0].tone]

    def band(number: int) -> Column:
        return Column(f"Repeat {shown[number]}", lambda loop: band_text(loop.tone[number]))

    def snr(repeat: int) -> Column:
        return _figures(f"Repeat {repeat}", lambda loop: f"{loop.snr_db[repeat - 1]:.0f} dB")

    title = f"Tone: what each repeat keeps within {TONE_DROP_DB:g} dB"
    yield _table("tone", title, plan.loops, speed, *map(band, range(len(shown))))
    dying = (loop for loop in plan.loops if loop.snr_db is not None)
    yield _table("hiss", "Hiss: each repeat above the noise", dying, speed, *map(snr, shown))


def _tables_of_the_machine(plan: EchoPlan) -> Iterator[Table]:
    """Its turning parts, its levels, its tape, and what is not known of it."""
    speed = Column("Speed", lambda row: _at(plan, row.speed))
    yield _table(
        "wobble",
        "Wobble: what each part does to the pitch of the first repeat",
        plan.wobble,
        speed,
        Column("Part", lambda row: row.part),
        _figures("Turns a second", lambda row: f"{row.rate:.2f} Hz"),
        _figures("Pitch deviation", lambda row: f"+/- {words.amount(row.deviation, 'percent', '.3f')}"),
        note="A part that turns a whole number of times during the delay bends no pitch.",
    )
    first = plan.levels.first_to_clip
    piled_up = [loop.piled_up_db for loop in plan.loops if loop.piled_up_db is not None]
    yield _table(
        "levels",
        "Levels, node by node",
        plan.levels.nodes,
        Column("Node", lambda node: node.name + (" (clips first)" if node is first else "")),
        _figures("Level", lambda node: f"{node.dbu:+.1f} dBu"),
        _figures("Voltage", lambda node: words.amount(node.volts, "v", ".3f")),
        _figures("Headroom", lambda node: f"{node.headroom_db:.1f} dB"),
        _figures("Noise", lambda node: _or("", node.noise_dbu, "{:.0f} dBu")),
        note=f"Held notes pile up with their repeats by up to {max(piled_up):.1f} dB." if piled_up else "",
    )
    length = plan.machine.tape.length_m
    yield _table(
        "tape",
        "Tape",
        plan.loops,
        speed,
        _figures("A reel lasts", lambda loop: words.amount(transport.run_time(length, loop.speed), "min")),
        _figures("A minute uses", lambda loop: words.amount(transport.tape_used(60, loop.speed), "m", ".1f")),
    )
    yield _table(
        "assumed",
        "Assumed, because the machine file does not say",
        plan.machine.assumed,
        Column("Key", lambda row: row[0]),
        Column("Value", lambda row: _assumed_value(row[1])),
        Column("What it is", lambda row: row[2]),
    )


def _assumed_value(value: Any) -> str:
    """Write a default as a person would type it."""
    if value is None:
        return "not known"
    if isinstance(value, bool):
        return str(value).lower()
    return f"{value:g}" if isinstance(value, int | float) else str(value)
