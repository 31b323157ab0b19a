"""The plan in words: the few sentences that matter most, tables with keys, and text for a terminal."""

import functools
import math
from collections.abc import Callable, Iterable, Iterator
from typing import Any, NamedTuple

from tabulate import tabulate

from tapecalc import words
from tapecalc.calc import transport
from tapecalc.calc.levels import Node, leak_ripple_db
from tapecalc.calc.omissions import LEAKS_DB, Omission, omissions
from tapecalc.calc.song_set import Choice, CommonChange, Setting
from tapecalc.calc.standards import ENSEMBLE_THRESHOLDS
from tapecalc.calc.tempo import Change, chance_heard
from tapecalc.calc.units import COVERAGE_FACTOR, db_to_amplitude, from_si
from tapecalc.plan import (
    HELD_NOTE,
    TONE_DROP_DB,
    USUAL_TEMPOS,
    DelayPlan,
    EchoPlan,
    LoopPlan,
    TempoPlan,
    ToneRow,
    WobbleRow,
)

#: The widest a column of words gets in a terminal, in letters; longer cells are broken into lines.
WIDEST_TEXT = 50

#: What to mind at the bench and at the mixer.
CAUTIONS = (
    "Mains voltage can kill, and capacitors in a chassis stay charged after the plug is out. Leave the "
    "inside to someone qualified; licensed practice and local codes decide.",
    "Keep fingers, hair, sleeves and cables away from capstan, pinch roller and all else that turns.",
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
        widths = [None if column.numeric else WIDEST_TEXT for column in table.columns]
        body = tabulate(
            table.rows, titles, tablefmt="simple", disable_numparse=True, colalign=sides, maxcolwidths=widths
        )
        parts.append(f"{table.title}\n{body}" + (f"\n{table.note}" if table.note else ""))
    return "\n\n".join([*parts, "Cautions\n" + _bullets(CAUTIONS)])


def _bullets(lines: tuple[str, ...]) -> str:
    return "\n".join(f"* {line}" for line in lines)


# ---- sentences ----

#: A margin so small that a leak past the tape matters, dB.
LITTLE_MARGIN_DB = 1.0
#: Chances below and above which a miss counts as surely not heard, and surely heard.
SURE = 0.05, 0.95


def headlines(plan: EchoPlan) -> tuple[str, ...]:
    """Say the few things that matter most, a sentence or two each."""
    return tuple(_headlines(plan))


def _headlines(plan: EchoPlan) -> Iterator[str]:
    machine = plan.machine
    yield _delays_headline(plan)
    if machine.mains_ratio != 1:
        driven = machine.transport
        yield (
            f"The motor was made for {driven.design_mains_hz:g} Hz and gets {driven.mains_hz:g} Hz: all "
            f"speeds here are {machine.mains_ratio:.4g} times those of the plate. Where its pulley was "
            "changed for that, leave design_mains_hz out."
        )
    if machine.speed_range is not None:
        yield from _range_headline(plan)
    elif plan.tempos:
        yield from _mend_headline(plan)
        yield _best_fit(plan)
    if plan.set_change is not None and machine.speed_range is None:
        yield _set_headline(plan, plan.set_change)
    if not any(head.feeds_return for head in machine.playback_heads):
        yield "No head feeds the return, so each sound comes back once from each head."
    else:
        yield from _loop_headlines(plan)
    if machine.loop_length is not None:
        yield _lap_headline(plan, machine.loop_length)


def _delays_headline(plan: EchoPlan) -> str:
    heads = len(plan.machine.playback_heads)
    if heads == 1:
        delays = words.listed(f"{delay_text(d)} at {_at(plan, d.speed)}" for d in plan.delays)
        between = "" if plan.machine.speed_range is None else ", and by anything between"
        return f"The machine delays by {delays}{between}."
    lines = []
    for speed in dict.fromkeys(d.speed for d in plan.delays):
        of_speed = [d for d in plan.delays if d.speed == speed]
        times = words.listed(f"{from_si(d.delay, 'ms'):.0f}" for d in of_speed)
        percent = math.ceil(max(1000 * d.plus_minus / d.delay for d in of_speed) - 1e-6) / 10
        lines.append(f"after {times} ms (+/- {percent:.1f} % or less) at {_at(plan, speed)}")
    return f"The {heads} heads answer {words.listed(lines)}."


def _range_headline(plan: EchoPlan) -> Iterator[str]:
    """Where in the range the first song fits."""
    if plan.range_speeds:
        one = plan.range_speeds[0]
        speed = speed_text(plan, one.speed, one.plus_minus)
        of_song = f" of {one.song}" if one.song else ""
        note = words.with_article(one.note).capitalize()
        yield f"{note}{of_song} at {one.bpm:g} bpm needs {speed} (head {one.head})."
    elif plan.bpm is not None:
        yield f"No speed of the range makes a plain note at {plan.bpm:g} bpm."


def _mend_headline(plan: EchoPlan) -> Iterator[str]:
    """Say first what mends all heads of the first speed at once, if one change does."""
    together = plan.together
    if together is None or together.before.in_time > len(together.before.choices) - 2:
        return
    if together.best.in_time == len(together.best.choices):
        heads, at = len(plan.machine.playback_heads), _at(plan, plan.delays[0].speed)
        faster = _faster(together.best.speed_change_percent)
        yield f"One change mends all {heads} heads at {at}: run the tape {faster}."


def _faster(percent: float) -> str:
    return f"{abs(percent):.1f} % {'faster' if percent > 0 else 'slower'}"


def _best_fit(plan: EchoPlan) -> str:
    best = plan.tempos[0]
    fit, changes = best.fit, best.changes
    which = _where(plan, best.delay)
    wished = plan.machine.song.note is not None
    note = (
        f"the wished {fit.note.name} fits best"
        if wished
        else f"the best fit is {words.with_article(fit.note.name)}"
    )
    low, high = SURE
    sound = "is not heard as off" if best.chance <= low else "is heard as off"
    if low < best.chance < high:
        sound = f"is perhaps heard as off ({100 * best.chance:.0f} %)"
    sound += f" {judged_text(plan)}{_though_not(plan, best)}"
    if best.chance <= low < best.chance_of_last and plan.wanted_repeats > 1:
        sure = "is" if best.chance_of_last >= high else f"is perhaps ({100 * best.chance_of_last:.0f} %)"
        sound += f", but the error adds up: repeat {plan.wanted_repeats} {sure}"
    off = f"{off_text(best)} ({off_percent_text(best)} %)"
    line = f"At {fit.bpm:g} bpm {note} at {which}: {off}, which {sound}."
    if best.chance_of_last <= low:
        return line
    if abs(fit.error) <= best.delay.plus_minus:
        return f"{line} The delay is not known well enough to say more: measure it."
    side = "farther from" if changes.spacing_change.value > 0 else "nearer to"
    moved = Change(abs(changes.spacing_change.value), changes.spacing_change.plus_minus)
    head = f"with the head {_text(moved, 'mm')} {side} the record head"
    return f"{line} It is exact at {_bpm(changes.bpm)}, or {head}."


def judged_text(plan: EchoPlan) -> str:
    """Say as what an echo is heard as off, or by whose ear."""
    song = plan.machine.song
    if song.heard_from_ms is not None:
        return f"by an ear that hears {song.heard_from_ms:g} ms"
    if song.judged_as == "pulse":
        return "in an even pulse"
    return f"as a {song.judged_as} beside other players"


def _though_not(plan: EchoPlan, best: TempoPlan) -> str:
    """Say whether what is off in an even pulse would do as a line beside other players."""
    if plan.machine.timing_threshold is None and best.chance > SURE[0]:
        for what, judged_as in (("", "sharp line"), ("soft ", "soft line")):
            threshold = ENSEMBLE_THRESHOLDS[judged_as]
            if chance_heard(best.fit.error, best.delay.u_delay, threshold) <= SURE[0]:
                return f", but not as a {what}line beside other players"
    return ""


def judged_note(plan: EchoPlan) -> str:
    """Say from which miss on, and what else could be asked."""
    heard = plan.machine.timing_threshold
    sharp, soft = (words.amount(limit, "ms") for limit in ENSEMBLE_THRESHOLDS.values())
    if heard is not None:
        return f"Heard as off {judged_text(plan)}: more than {words.amount(heard, 'ms', '.3g')}."
    return (
        "Heard as off in an even pulse: more than 6 ms below 240 ms, 2.5 % above (Friberg and Sundberg "
        f"1995). As a line beside other players (song.judged_as): {sharp} with sharp attacks, {soft} with "
        "soft ones."
    )


def _set_headline(plan: EchoPlan, change: CommonChange) -> str:
    count, now = len(plan.machine.songs), change.before.in_time
    of_set = "The song" if count == 1 else f"Of the {count} songs {now or 'none'}"
    verb = "are" if now > 1 else "is not" if count == 1 and not now else "is"
    as_it_is = f"{of_set} {verb} in time as the machine is"
    most = change.most_in_time
    if most.in_time <= change.before.in_time:
        return f"{as_it_is}, and no one change of speed makes it more."
    more = "it would be" if count == 1 else f"it would be {most.in_time}"
    return f"{as_it_is}; with {_change_text(plan, most)} {more}."


def _loop_headlines(plan: EchoPlan) -> Iterator[str]:
    """One sentence for each speed, or for all where they say the same."""
    by_text: dict[str, list[str]] = {}
    for loop in plan.loops:
        by_text.setdefault(_loop_sentence(plan, loop), []).append(words.speed(loop.speed, plan.machine.units))
    for text, speeds in by_text.items():
        yield f"At {words.listed(speeds)} {text}"


def _loop_sentence(plan: EchoPlan, loop: LoopPlan) -> str:
    verdict, wanted, faded = loop.stability, plan.wanted_repeats, f"{plan.machine.song.faded_db:g} dB"
    if not verdict.stable:
        runs = f"{runs_text(loop)}{'' if loop.runs_away else ' if bumps in the bass are large'}"
        up_to = "up to " if loop.bumps else ""
        return (
            f"the loop {runs}, starting at {start_text(loop)} and growing by {up_to}"
            f"{loop.growth_db_per_s:.1f} dB a second{_held_text(plan, loop)}: "
            f"turn the return send down by {excess_text(loop)} or more."
        )
    margin = f"the loop is {margin_text(loop)} from running away"
    if loop.repeats is None:
        return f"a sound is heard {heard_for_text(loop)}, down to {faded}; {margin}."
    heard = f"{loop.repeats} repeat{'s are' if loop.repeats != 1 else ' is'} heard down to {faded}"
    if loop.repeats == wanted:
        return f"{heard}, as wished; {margin}."
    if loop.return_send_db is None:
        return f"{heard}; {margin}."
    send, edge_db = words.level(loop.return_send_db), plan.machine.mixer.return_send_db + verdict.margin_db
    if loop.return_send_db >= edge_db:
        return f"{heard}; {margin}. {wanted} take a return send of {send}, where the loop may run away."
    return f"{heard}; {margin}. For {wanted} set the return send to {send}."


def _held_text(plan: EchoPlan, loop: LoopPlan) -> str:
    """Say at which level the tape holds a runaway."""
    if loop.settles_dbu is None:
        return ""
    reference = plan.machine.levels.machine_reference_dbu
    one, most = (words.level(level_dbu - reference) for level_dbu in loop.settles_dbu)
    return f" until the tape holds it at {one} to {most} against its reference"


def _lap_headline(plan: EchoPlan, length: float) -> str:
    laps = [transport.run_time(length, speed) for speed in plan.machine.speeds]
    times = words.listed(f"{lap:.2f} s" for lap in laps)
    between = "" if plan.machine.speed_range is None else " or anything between"
    back = (
        ""
        if plan.machine.erases
        else "; nothing erases the tape, so all that was recorded comes back as often"
    )
    return f"The loop of tape comes round in {times}{between}, its splice with it{back}."


def margin_text(loop: LoopPlan) -> str:
    """Write a margin above 0 so that it never reads as none, and as the least where bumps are not known."""
    return words.margin(loop.stability.margin_db, at_least=loop.bumps) + " or more" * loop.bumps


def runs_text(loop: LoopPlan) -> str:
    """Say that a loop runs away, or that it may, with larger bumps than are likely."""
    return f"{'RUNS' if loop.runs_away else 'may RUN'} AWAY"


def bounds_note(plan: EchoPlan) -> str:
    """Say which bumps in the bass are meant, and which responses are as measured."""
    parts, measured = [], [loop.speed for loop in plan.loops if loop.measured]
    if any(loop.bumps for loop in plan.loops):
        parts.append(
            " Gain and repeats are without bumps in the bass. Margin and start are those of the largest that "
            "a head can have; with smaller ones there is more margin, and any loud tone may start."
        )
    if measured:
        speeds = words.listed(words.speed(speed, plan.machine.units) for speed in measured)
        parts.append(f" At {speeds} all is of the response as measured.")
    return "".join(parts)


def _leak_note(plan: EchoPlan) -> str:
    """Say what a leak past the tape takes, where there is little margin."""
    if all(loop.stability.margin_db >= LITTLE_MARGIN_DB or not loop.stability.stable for loop in plan.loops):
        return ""
    takes_db = leak_ripple_db(LEAKS_DB[1])[1]
    return (
        f" A leak from the record head past the tape, {-LEAKS_DB[1]:g} dB below the sound, would take "
        f"{takes_db:.1f} dB of the margin."
    )


def excess_text(loop: LoopPlan) -> str:
    """Write by how much a loop that runs away must be turned down, to the tenth above."""
    return words.margin(min(loop.stability.margin_db, 0.0))


def heard_for_text(loop: LoopPlan) -> str:
    """Say how long a sound is heard."""
    return "longer than is told here" if loop.gone_in is None else f"for {loop.gone_in:.2f} s"


def wished_send_text(plan: EchoPlan, loop: LoopPlan) -> str:
    """Write the return send that gives the wanted repeats, or that the present one does."""
    as_set = words.level(plan.machine.mixer.return_send_db)
    send = "none" if loop.return_send_db is None else words.level(loop.return_send_db)
    return "as set" if loop.repeats == plan.wanted_repeats or send == as_set else send


def start_text(loop: LoopPlan) -> str:
    """Say where the loop would start to run away: a band, or a tone where one stands out."""
    if loop.stability.band is None:
        return "nowhere"
    low, high = loop.stability.band
    ends = ("0 Hz" if end < 0.5 else words.frequency(end, 2) for end in dict.fromkeys((low, high)))
    return " to ".join(ends)


def delay_text(planned: DelayPlan) -> str:
    """Write a delay to the digits that its uncertainty leaves."""
    return _text(Change(planned.delay, planned.plus_minus), "ms")


def off_text(planned: TempoPlan) -> str:
    """Write by how much a delay misses its note, with its sign and how far that may be off."""
    return _signed(Change(planned.fit.error, planned.delay.plus_minus), "ms")


def off_percent_text(planned: TempoPlan) -> str:
    """Write the same as a number of percent of the note."""
    return f"{round(planned.fit.error_percent, 1) + 0.0:+.1f}"


def speed_text(plan: EchoPlan, speed: float, plus_minus: float) -> str:
    """Write a speed to be set and how far it may be off, in the owner's unit."""
    return _text(Change(speed, plus_minus), "cm_s" if plan.machine.units == "metric" else "ips")


def _text(change: Change, unit: str) -> str:
    """Write an SI value and its plus/minus in a trade unit."""
    name = words.SIGNS.get(unit, unit)
    return words.with_uncertainty(from_si(change.value, unit), from_si(change.plus_minus, unit), name)


def _bpm(change: Change) -> str:
    return words.with_uncertainty(change.value, change.plus_minus, "bpm")


def _signed(change: Change, unit: str) -> str:
    text = _text(change, unit)
    return f"+{text}" if float(text.split()[0]) > 0 else text


def band_text(row: ToneRow) -> str:
    """Say from where to where a repeat reaches."""
    low = "0 Hz" if row.low is None else words.frequency(row.low)
    return f"{low} to {'beyond hearing' if row.high is None else words.frequency(row.high)}"


def heard_text(chance: float, error: float) -> str:
    """Say in words how likely a miss is heard."""
    low, high = SURE
    if chance <= low:
        return "no"
    if chance >= high:
        return "yes, late" if error > 0 else "yes, early"
    return f"perhaps, {100 * chance:.0f} %"


# ---- tables ----


def tables(plan: EchoPlan) -> tuple[Table, ...]:
    """Set all figures in tables, in reading order; empty ones are left out."""
    every = (
        *_tables_of_delays(plan),
        *_tables_of_songs(plan),
        *_tables_of_loops(plan),
        *_tables_of_the_machine(plan),
    )
    return tuple(table for table in every if table.rows)


def _at(plan: EchoPlan, speed: float) -> str:
    """A speed in both units, the owner's first."""
    return words.speed_twice(speed, plan.machine.units)


def _where(plan: EchoPlan, delay: DelayPlan) -> str:
    """The speed, and the head where there are several."""
    speed = _at(plan, delay.speed)
    return speed if len(plan.machine.playback_heads) == 1 else f"{speed}, head {delay.head}"


def _tables_of_delays(plan: EchoPlan) -> Iterator[Table]:
    """How each delay is heard, how it fits the song, and what makes it exact."""
    measured, count = sum(d.measured for d in plan.delays), len(plan.delays)
    note = f"As measured in {measured} of {count} rows, else spacing over speed." if measured else ""
    if not measured and len(plan.machine.playback_heads) > 1:
        note = "A speed that is off shifts all heads by the same share, so their ratios are surer than each."
    yield _table(
        "delays",
        "Delays",
        plan.delays,
        Column("Speed", lambda d: _where(plan, d)),
        _figures("Head spacing", lambda d: words.amount(d.spacing, "mm", ".1f")),
        _figures("Delay", delay_text),
        Column("Heard as", lambda d: d.zone),
        note="As measured, which is surer than spacing over speed." if measured == count else note,
    )
    if plan.machine.speed_range is not None:
        return
    last = plan.wanted_repeats

    def of_last(planned: TempoPlan) -> str:
        return heard_text(planned.chance_of_last, planned.fit.error)

    yield _table(
        "fits",
        f"Fit to the song at {plan.bpm:g} bpm" if plan.bpm else "Fit to the song",
        plan.tempos,
        Column("Speed", lambda p: _where(plan, p.delay)),
        Column("Wished note" if plan.machine.song.note else "Nearest note", lambda p: p.fit.note.name),
        _figures("Wanted", lambda p: words.amount(p.fit.wanted_delay, "ms", ".1f")),
        _figures("Off by", off_text),
        _figures("in %", off_percent_text),
        Column("Heard as off?", lambda p: heard_text(p.chance, p.fit.error)),
        *([Column(f"Repeat {last}?", of_last)] if last > 1 else []),
        note=f"{judged_note(plan)} Repeat n is n errors off.",
    )
    yield _table(
        "exact",
        "To make it exact, do one of these",
        plan.tempos,
        Column("Speed", lambda p: _where(plan, p.delay)),
        _figures("Move the head", lambda p: _signed(p.changes.spacing_change, "mm")),
        _figures("or change the speed", lambda p: _percent(p.changes.speed_change_percent)),
        _figures("or a sleeve of", _sleeve),
        _figures("or play at", lambda p: _bpm(p.changes.bpm)),
        note="A plus moves the head away from the record head or runs the tape faster; a sleeve only adds.",
    )
    low, high = USUAL_TEMPOS
    yield _table(
        "tempos",
        f"Tempos that the delays like, {low} to {high} bpm",
        zip(plan.delays, plan.liked_tempos, strict=True),
        Column("Speed", lambda row: _where(plan, row[0])),
        Column("Tempos", lambda row: ", ".join(f"{bpm:.0f} ({note.name})" for note, bpm in row[1]) or "none"),
        note="Each as unsure, in percent, as its delay.",
    )


def _percent(change: Change) -> str:
    return _signed(Change(change.value / 100, change.plus_minus / 100), "percent")


def _sleeve(planned: TempoPlan) -> str:
    changes = planned.changes
    if changes.sleeve_diameter is not None:
        return _text(changes.sleeve_diameter, "mm")
    return "capstan not known" if changes.sleeve_possible else "impossible"


def _tables_of_songs(plan: EchoPlan) -> Iterator[Table]:
    """What each song of the set gets, what would serve the set better, and where a free speed fits."""
    several = len(plan.machine.playback_heads) > 1

    def choice(at: int) -> Column:
        def text(choices: tuple[Choice, ...]) -> str:
            best = choices[at]
            off = _signed(Change(best.fit.error, COVERAGE_FACTOR * best.delay.u_delay), "ms")
            head = f"head {best.delay.head + 1}, " if several else ""
            heard = heard_text(best.chance_heard, best.fit.error)
            return f"{head}{best.fit.note.name}, {off} (off: {heard})"

        return Column(f"At {words.speed(plan.loops[at].speed, plan.machine.units)}", text)

    song = (
        Column("Song", lambda row: row[0].song.name),
        _figures("Tempo", lambda row: f"{row[0].song.bpm:g} bpm"),
    )
    if plan.machine.speed_range is None and plan.set_change is not None:
        rows = zip(*plan.songs, strict=True)
        of_speeds = map(choice, range(len(plan.songs)))
        yield _table("songs", "The set, song by song", rows, *song, *of_speeds, note=judged_note(plan))
        change = plan.set_change
        settings = [("as it is", change.before), ("best for the worst song", change.best)]
        settings += [] if change.runner_up is None else [("next best", change.runner_up)]
        settings += [("most songs in time", change.most_in_time)]
        yield _table(
            "set",
            "One change for the whole set",
            settings,
            Column("Setting", lambda row: row[0]),
            Column("Change", lambda row: _change_text(plan, row[1])),
            _figures("Songs in time", lambda row: f"{row[1].in_time} of {len(row[1].choices)}"),
            Column("Worst song", lambda row: row[1].worst.song.name),
            _figures("Off by", lambda row: f"{round(from_si(row[1].worst.fit.error, 'ms')):+d} ms"),
            note="From 20 % slower to 25 % faster were tried.",
        )
    yield _table(
        "range",
        "Where in the range of speeds the songs fit",
        plan.range_speeds,
        *([Column("Song", lambda row: row.song)] if plan.machine.songs else []),
        _figures("Tempo", lambda row: f"{row.bpm:g} bpm"),
        Column("Note", lambda row: row.note),
        *([Column("Head", lambda row: str(row.head))] if several else []),
        _figures("Set the speed to", lambda row: speed_text(plan, row.speed, row.plus_minus)),
    )


def _change_text(plan: EchoPlan, setting: Setting) -> str:
    """The ways to multiply all delays by one factor."""
    machine, factor = plan.machine, setting.factor
    if abs(factor - 1) < 5e-4:
        return "nothing changed"
    ways = [f"the tape {_faster(setting.speed_change_percent)}"]
    if len(machine.spacings) == 1:
        ways.append(f"the head at {words.amount(machine.spacings[0] * factor, 'mm', '.1f')}")
    if factor < 1 and machine.capstan_diameter is not None:
        sleeve = transport.sleeve_diameter(machine.capstan_diameter, machine.tape_thickness, 1 / factor)
        ways.append(f"a sleeve of {words.amount(sleeve, 'mm', '.2f')}")
    return " or ".join(ways)


def _or(nothing: str, value: float | None, form: str) -> str:
    """A value in a format such as ``"{:.1f} dB"``, or what is said where there is none."""
    return nothing if value is None else form.format(value)


def _tables_of_loops(plan: EchoPlan) -> Iterator[Table]:
    """What the loop does at each speed."""
    one_head, wanted = len(plan.machine.playback_heads) == 1, plan.wanted_repeats
    faded, in_phase = plan.machine.song.faded_db, "" if one_head else ", all heads of the loop in phase"
    speed = Column("Speed", lambda loop: _at(plan, loop.speed))
    fed = any(head.feeds_return for head in plan.machine.playback_heads)
    wish = functools.partial(wished_send_text, plan)

    def gain(loop: LoopPlan) -> str:
        return words.level(loop.gain_db) if fed else "no loop"

    def margin(loop: LoopPlan) -> str:
        if not fed:
            return "no loop"
        return margin_text(loop) if loop.stability.stable else "none"

    def gone(loop: LoopPlan) -> str:
        return _or("never" if loop.runs_away else "longer", loop.gone_in, "{:.2f} s")

    yield _table(
        "repeats",
        f"Repeats, return send at {words.level(plan.machine.mixer.return_send_db)}",
        plan.loops,
        speed,
        _figures("Loop gain at most", gain),
        *([_figures("Repeats", lambda loop: _or("no end", loop.repeats, "{}"))] if one_head else []),
        _figures("Last heard after", gone),
        _figures("Margin", margin),
        _figures("Would start at", start_text),
        _figures(f"Send for {wanted} {'repeat' if one_head else 'round'}{'s' if wanted > 1 else ''}", wish),
        note=f"The first answer of the tape is repeat 1; those not below {faded:g} dB of it are heard. The "
        f"loop gain is that of the loudest tone{in_phase}. Any tone of the band may be the one that starts."
        f"{bounds_note(plan) + _leak_note(plan) if fed else ''}",
    )
    shown = [row.repeat for row in plan.loops[0].tone]
    what = "Repeat" if one_head else "Pass"

    def band(number: int) -> Column:
        return Column(f"{what} {shown[number]}", lambda loop: band_text(loop.tone[number]))

    def snr(number: int) -> Column:
        return _figures(f"{what} {shown[number]}", lambda loop: f"{loop.snr_db[number]:.0f} dB")

    every = range(len(shown))
    yield _table(
        "tone",
        f"Tone: what each keeps within {TONE_DROP_DB:g} dB",
        plan.loops,
        speed,
        *map(band, every),
        note="Without bumps in the bass." if any(loop.bumps for loop in plan.loops) else "",
    )
    dying = (loop for loop in plan.loops if loop.snr_db is not None)
    yield _table(
        "hiss",
        "Hiss: how far each stands above the noise",
        dying,
        speed,
        *map(snr, every),
        _figures(f"{what} 1, A-weighted", lambda loop: f"{loop.snr_a_db:.0f} dB"),
        note="From 20 Hz to 20 kHz, unweighted but for the last column, the instrument at its peak. A slower "
        "tape has more noise, of tape and equalizer." + ("" if one_head else " At most: all heads in phase."),
    )


def _tables_of_the_machine(plan: EchoPlan) -> Iterator[Table]:
    """Its turning parts, its levels, its tape, what is left out, and what is not known of it."""
    machine = plan.machine
    speed = Column("Speed", lambda row: _at(plan, row.speed))

    def turns(row: WobbleRow) -> str:
        over = "" if row.over_reel is None else " ({:.2f} to {:.2f})".format(*row.over_reel)
        return f"{row.rate:.2f} Hz{over}"

    yield _table(
        "wobble",
        "Wobble: what each part does to the first repeat",
        plan.wobble,
        speed,
        Column("Part", lambda row: row.part),
        _figures("Turns a second", turns),
        _figures("Pitch swings by", lambda row: words.amount(row.deviation, "percent", ".3f")),
        _figures("Held note swings by", lambda row: f"{row.shimmer_db:.1f} dB"),
        note="Pitch to either side: a part that turns a whole number of times during the delay bends none. "
        f"Level of {HELD_NOTE:g} Hz, lowest to highest, dry and echo together: half of all notes swing by "
        "more. A reel turns faster the emptier it is."
        + (" Of the first head." if len(machine.playback_heads) > 1 else ""),
    )
    yield _levels_table(plan)
    if machine.loop_length is None:
        length = machine.tape.length_m
        last = _figures(
            "The tape lasts", lambda loop: words.amount(transport.run_time(length, loop.speed), "min")
        )
    else:
        around = machine.loop_length
        last = _figures("A lap lasts", lambda loop: f"{transport.run_time(around, loop.speed):.2f} s")
    used = _figures(
        "A minute uses", lambda loop: words.amount(transport.tape_used(60, loop.speed), "m", ".1f")
    )
    lasts = (last, used) if machine.loop_length is None else (last,)
    yield _table("tape", "Tape", plan.loops, speed, *lasts)
    yield _table(
        "omissions",
        "Left out of this plan",
        left_out(plan),
        Column("What", lambda row: row.what),
        Column("How much in one pass", lambda row: row.size),
        Column("What it moves", lambda row: row.moves),
    )
    yield _table(
        "assumed",
        "Assumed, because the machine file does not say",
        _of_all_heads(machine.assumed),
        Column("Key", lambda row: row[0]),
        Column("Value", lambda row: _assumed_value(row[1])),
        Column("What it is", lambda row: row[2]),
    )


def left_out(plan: EchoPlan) -> tuple[Omission, ...]:
    """What the model leaves out, with its size on this machine."""
    machine = plan.machine
    one_pass = machine.one_pass(machine.speeds[0])
    return omissions(
        [loop.speed for loop in plan.loops],
        track_width=one_pass.today.track_width,
        azimuth_angle=one_pass.today.azimuth_angle,
        tape_thickness=machine.tape_thickness,
        boost_db=one_pass.boost_db,
        units=machine.units,
        wound=machine.loop_length is None,
        measured=all(loop.measured for loop in plan.loops),
    )


def _levels_table(plan: EchoPlan) -> Table:
    """The levels; on the tape there is a flux and no voltage."""
    levels, first = plan.machine.levels, plan.levels.first_to_clip

    def above_reference_db(node: Node) -> float:
        return node.dbu - levels.machine_reference_dbu

    def level(node: Node) -> str:
        return words.level(above_reference_db(node)) if node.name == "tape" else words.level(node.dbu, "dBu")

    def size(node: Node) -> str:
        if node.name != "tape":
            return words.amount(node.volts, "v", ".3f")
        flux = plan.machine.reference_flux(plan.machine.speeds[0]) * db_to_amplitude(above_reference_db(node))
        return words.amount(flux, "nwb_m")

    def noise(node: Node) -> str:
        if node.name != "tape" or node.noise_dbu is None:
            return _or("", node.noise_dbu, "{:.0f} dBu")
        return f"{node.noise_dbu - levels.machine_reference_dbu:.0f} dB"

    piled_up = [loop.piled_up_db for loop in plan.loops if loop.piled_up_db is not None]
    piles = f" Held notes pile up with their repeats by {max(piled_up):.1f} dB at most." if piled_up else ""
    worst = " Headroom and noise are those of the worst speed." if len(plan.machine.speeds) > 1 else ""
    heads = "" if len(plan.machine.playback_heads) == 1 else " Behind the heads: at most, all heads in phase."
    return _table(
        "levels",
        "Levels, node by node",
        plan.levels.nodes,
        Column("Node", lambda node: node.name + (" (clips first)" if node is first else "")),
        _figures("Level", level),
        _figures("Voltage or flux", size),
        _figures("Headroom", lambda node: f"{node.headroom_db:.1f} dB"),
        _figures("Noise", noise),
        note="The tape's level counts from its reference, its headroom ends at 3 % distortion."
        f"{worst}{heads}{piles}",
    )


def _of_all_heads(rows: Iterable[tuple[str, Any, str]]) -> Iterator[tuple[str, Any, str]]:
    """Say once what several heads or parts have in common, of the first to the last that did not say it."""
    by_key: dict[tuple[str, Any, str], list[str]] = {}
    for key, value, what in rows:
        section, dot, rest = key.partition("].")
        name, _, head = section.partition("[")
        by_key.setdefault((f"{name}[#].{rest}" if dot else key, value, what), []).append(head)
    for (key, value, what), heads in by_key.items():
        yield key.replace("#", ", ".join(heads)), value, what


def _assumed_value(value: Any) -> str:
    """Write a default as a person would type it."""
    if value is None:
        return "not known"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, tuple):
        return ", ".join(map(_assumed_value, value))
    return f"{value:g}" if isinstance(value, int | float) else str(value)
