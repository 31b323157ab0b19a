"""The plan in words: the few sentences that matter most, tables with keys, and text for a terminal."""

from dataclasses import dataclass
from typing import Any

from tabulate import tabulate

from tapecalc import words
from tapecalc.calc import transport
from tapecalc.calc.tempo import TempoFit
from tapecalc.calc.units import from_si
from tapecalc.machine import Machine
from tapecalc.plan import TONE_DROP_DB, USUAL_TEMPOS, DelayPlan, EchoPlan, LoopPlan, ToneRow

__all__ = [
    "CAUTIONS",
    "Column",
    "Table",
    "band_text",
    "delay_text",
    "headlines",
    "plan_text",
    "start_text",
    "tables",
]

#: What to mind at the bench and at the mixer.
CAUTIONS = (
    "Mains voltage can kill, and capacitors in a chassis stay charged after the plug is out. Leave the "
    "inside to someone qualified; licensed practice and local codes decide.",
    "Keep fingers, hair, sleeves and cables away from reels, capstan and pinch roller while they turn.",
    "Old belts, pads and mains leads fail without warning: look before the machine runs unattended.",
    "Start with the return send fully down and the monitors low. A loop that runs away gets loud faster than "
    "a hand moves: protect ears and speakers first.",
)


@dataclass(frozen=True)
class Column:
    """One column of a table; figures are set to the right."""

    title: str
    numeric: bool = False


def _figures(*titles: str) -> tuple[Column, ...]:
    return tuple(Column(title, numeric=True) for title in titles)


@dataclass(frozen=True, kw_only=True)
class Table:
    """One table of the plan: a key for the code, words and trade units for people."""

    key: str
    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""


def plan_text(plan: EchoPlan) -> str:
    """Write a plan for a terminal: the sentences, the tables, the cautions."""
    parts = [f"Echo plan for {plan.machine.name}", _bullets(headlines(plan))]
    for table in tables(plan):
        body = tabulate(
            table.rows,
            [column.title for column in table.columns],
            tablefmt="simple",
            disable_numparse=True,
            colalign=["right" if column.numeric else "left" for column in table.columns],
        )
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
        side = "farther from" if changes.spacing_change > 0 else "nearer to"
        sound = (
            f"which is heard as off. It is exact at {changes.bpm:.1f} bpm, or with the head "
            f"{words.amount(abs(changes.spacing_change), 'mm', '.1f')} {side} the record head"
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
    return "nowhere" if loop.stability.frequency is None else words.frequency(loop.stability.frequency)


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
    every = (
        _delays(plan),
        _fits(plan),
        _exact(plan),
        _tempos(plan),
        _repeats(plan),
        _tone(plan),
        _hiss(plan),
        _wobble(plan),
        _levels(plan),
        _tape(plan),
        _assumed(plan.machine),
    )
    return tuple(table for table in every if table.rows)


def _at(plan: EchoPlan, speed: float) -> str:
    """A speed in both units, the owner's first."""
    return words.speed_twice(speed, plan.machine.units)


def _where(plan: EchoPlan, planned: DelayPlan) -> str:
    """The speed, and the head where there are more."""
    speed = _at(plan, planned.speed)
    return speed if len(plan.machine.playback_heads) == 1 else f"{speed}, head {planned.head}"


def _delays(plan: EchoPlan) -> Table:
    measured, count = sum(d.measured for d in plan.delays), len(plan.delays)
    note = f"As measured in {measured} of {count} rows, else spacing over speed." if measured else ""
    return Table(
        key="delays",
        title="Delays",
        columns=(Column("Speed"), *_figures("Head spacing", "Delay"), Column("Heard as")),
        rows=tuple(
            (_where(plan, d), words.amount(d.spacing, "mm", ".1f"), delay_text(d), d.zone)
            for d in plan.delays
        ),
        note="As measured, which is surer than spacing over speed." if measured == count else note,
    )


def _fits(plan: EchoPlan) -> Table:
    return Table(
        key="fits",
        title=f"Fit to the song at {plan.bpm:g} bpm" if plan.bpm else "Fit to the song",
        columns=(
            Column("Speed"),
            Column("Nearest note"),
            *_figures("Wanted", "Off by", "in %", "in cents"),
            Column("Heard as off?"),
        ),
        rows=tuple(
            (
                _where(plan, planned.delay),
                planned.fit.note.name,
                words.amount(planned.fit.wanted_delay, "ms", ".1f"),
                words.amount(planned.fit.error, "ms", "+.1f"),
                f"{planned.fit.error_percent:+.2f}",
                f"{planned.fit.error_cents:+.0f}",
                _heard(planned.fit),
            )
            for planned in plan.tempos
        ),
        note="Threshold: Friberg and Sundberg 1995, 6 ms below 240 ms and 2.5 % above.",
    )


def _heard(fit: TempoFit) -> str:
    """Say how a miss is heard."""
    if not fit.audible:
        return f"no, within {words.amount(fit.threshold, 'ms', '.1f')}"
    return "yes, late" if fit.error > 0 else "yes, early"


def _exact(plan: EchoPlan) -> Table:
    capstan_known = plan.machine.capstan_diameter is not None
    no_sleeve = "none is thin enough" if capstan_known else "capstan not known"
    return Table(
        key="exact",
        title="To make it exact, do one of these",
        columns=(
            Column("Speed"),
            *_figures("Move the head", "or change the speed"),
            Column("or a sleeve of", numeric=capstan_known),
            *_figures("or play at"),
        ),
        rows=tuple(
            (
                _where(plan, planned.delay),
                words.amount(planned.changes.spacing_change, "mm", "+.1f"),
                f"{planned.changes.speed_change_percent:+.2f} %",
                no_sleeve
                if planned.changes.sleeve_diameter is None
                else words.amount(planned.changes.sleeve_diameter, "mm", ".2f"),
                f"{planned.changes.bpm:.2f} bpm",
            )
            for planned in plan.tempos
        ),
        note="A plus moves the head away from the record head or runs the tape faster.",
    )


def _tempos(plan: EchoPlan) -> Table:
    return Table(
        key="tempos",
        title=f"Tempos that the delays like, {USUAL_TEMPOS[0]} to {USUAL_TEMPOS[1]} bpm",
        columns=(Column("Speed"), Column("Tempos")),
        rows=tuple(
            (_where(plan, d), ", ".join(f"{bpm:.1f} ({note.name})" for note, bpm in liked) or "none")
            for d, liked in zip(plan.delays, plan.liked_tempos, strict=True)
        ),
    )


def _repeats(plan: EchoPlan) -> Table:
    def row(loop: LoopPlan) -> tuple[str, ...]:
        send_db = loop.return_send_db
        return (
            _at(plan, loop.speed),
            f"{loop.gain_db:+.1f} dB",
            "no end" if loop.repeats is None else f"{loop.repeats}",
            "never" if loop.fades_in is None else f"{loop.fades_in:.2f} s",
            f"{loop.stability.margin_db:+.1f} dB",
            start_text(loop),
            "none" if send_db is None else f"{send_db:+.1f} dB",
        )

    return Table(
        key="repeats",
        title=f"Repeats, return send at {plan.machine.mixer.return_send_db:+.1f} dB",
        columns=(
            Column("Speed"),
            *_figures("Loop gain", "Repeats", "Gone in", "Margin", "Would start at", "Send for the wish"),
        ),
        rows=tuple(row(loop) for loop in plan.loops),
        note=(
            f"A repeat counts until it has fallen to {plan.machine.song.faded_db:g} dB. "
            f"The wish is {plan.wanted_repeats} repeats."
        ),
    )


def _tone(plan: EchoPlan) -> Table:
    return Table(
        key="tone",
        title=f"Tone: what each repeat keeps within {TONE_DROP_DB:g} dB",
        columns=(Column("Speed"), *(Column(f"Repeat {row.repeat}") for row in plan.loops[0].tone)),
        rows=tuple((_at(plan, loop.speed), *(band_text(row) for row in loop.tone)) for loop in plan.loops),
    )


def _hiss(plan: EchoPlan) -> Table:
    shown = [row.repeat for row in plan.loops[0].tone]
    return Table(
        key="hiss",
        title="Hiss: each repeat above the noise",
        columns=(Column("Speed"), *_figures(*(f"Repeat {repeat}" for repeat in shown))),
        rows=tuple(
            (_at(plan, loop.speed), *(f"{loop.snr_db[repeat - 1]:.0f} dB" for repeat in shown))
            for loop in plan.loops
            if loop.snr_db is not None
        ),
    )


def _wobble(plan: EchoPlan) -> Table:
    return Table(
        key="wobble",
        title="Wobble: what each part does to the pitch of the first repeat",
        columns=(Column("Speed"), Column("Part"), *_figures("Turns a second", "Pitch deviation")),
        rows=tuple(
            (
                _at(plan, row.speed),
                row.part,
                f"{row.rate:.2f} Hz",
                f"+/- {words.amount(row.deviation, 'percent', '.3f')}",
            )
            for row in plan.wobble
        ),
        note="A part that turns a whole number of times during the delay bends no pitch.",
    )


def _levels(plan: EchoPlan) -> Table:
    piled_up = [loop.piled_up_db for loop in plan.loops if loop.piled_up_db is not None]
    return Table(
        key="levels",
        title="Levels, node by node",
        columns=(Column("Node"), *_figures("Level", "Voltage", "Headroom", "Noise")),
        rows=tuple(
            (
                node.name + (" (clips first)" if node is plan.levels.first_to_clip else ""),
                f"{node.dbu:+.1f} dBu",
                words.amount(node.volts, "v", ".3f"),
                f"{node.headroom_db:.1f} dB",
                "" if node.noise_dbu is None else f"{node.noise_dbu:.0f} dBu",
            )
            for node in plan.levels.nodes
        ),
        note=f"Held notes pile up with their repeats by up to {max(piled_up):.1f} dB." if piled_up else "",
    )


def _tape(plan: EchoPlan) -> Table:
    machine = plan.machine
    return Table(
        key="tape",
        title="Tape",
        columns=(
            Column("Speed"),
            Column("A reel lasts", numeric=True),
            Column("A minute uses", numeric=True),
        ),
        rows=tuple(
            (
                _at(plan, loop.speed),
                words.amount(transport.run_time(machine.tape.length_m, loop.speed), "min"),
                words.amount(transport.tape_used(60, loop.speed), "m", ".1f"),
            )
            for loop in plan.loops
        ),
    )


def _assumed(machine: Machine) -> Table:
    return Table(
        key="assumed",
        title="Assumed, because the machine file does not say",
        columns=(Column("Key"), Column("Value"), Column("What it is")),
        rows=tuple((key, _assumed_value(value), what) for key, value, what in machine.assumed),
    )


def _assumed_value(value: Any) -> str:
    """Write a default as a person would type it."""
    if value is None:
        return "not known"
    if isinstance(value, bool):
        return str(value).lower()
    return f"{value:g}" if isinstance(value, int | float) else str(value)
