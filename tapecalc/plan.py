"""Machine and song in, every figure that the person needs out.

`make_plan` asks the calculators once and keeps the answers in an `EchoPlan`.
What is printed, what stands on the page and what is stored as JSON are three
views of the same object.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from tabulate import tabulate

from tapecalc.calc import levels, loop, response, tempo, transport
from tapecalc.calc.parts import part_repeat_deviations
from tapecalc.calc.quantity import finite, non_negative, positive, single, whole
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude, from_si
from tapecalc.machine import Machine, with_changes

__all__ = [
    "CAUTIONS",
    "DelayPlan",
    "EchoPlan",
    "LoopPlan",
    "Table",
    "TempoPlan",
    "ToneRow",
    "echo_pattern",
    "make_plan",
    "with_uncertainty",
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

#: Note values that songs use every day; the plan looks here first.
EVERYDAY_NOTES = tuple(
    note for note in tempo.NOTE_VALUES if "quintuplet" not in note.name and 0.125 <= note.beats <= 4
)

#: Tempos among which the plan looks for songs that a delay likes.
USUAL_TEMPOS = (60, 180)

#: The notes for which it does.
LIKED_NOTES = tuple(
    tempo.note_value(name) for name in ("sixteenth", "eighth triplet", "eighth", "dotted eighth", "quarter")
)

#: A repeat sounds as wide as the band in which it is within this of its loudest, dB.
TONE_DROP_DB = 10.0


@dataclass(frozen=True, kw_only=True)
class Table:
    """One table of the plan, in words and trade units: title, headers, rows of text, note."""

    title: str
    headers: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""

    @property
    def holds_figures(self):
        """For each column whether all its cells are single figures, to be set to the right."""

        def figure(cell):
            return cell[:1] in tuple("+-0123456789") and "(" not in cell and " to " not in cell

        return tuple(
            column > 0 and all(figure(row[column]) for row in self.rows)
            for column in range(len(self.headers))
        )


@dataclass(frozen=True, kw_only=True)
class DelayPlan:
    """The delay of one head at one speed: `speed` m/s, `spacing` m, `delay` and `uncertainty` s.

    `measured` tells that the delay is as measured, and not spacing over speed.
    """

    speed: float
    head: int
    spacing: float
    delay: float
    uncertainty: float
    measured: bool
    zone: str


@dataclass(frozen=True, kw_only=True)
class TempoPlan:
    """How one delay fits the song, and the four ways to make it exact."""

    delay: DelayPlan
    fit: tempo.TempoFit
    changes: tempo.ExactChanges


@dataclass(frozen=True, kw_only=True)
class ToneRow:
    """Band that one repeat keeps, from `low` to `high` in Hz; None for both where nothing is left."""

    repeat: int
    low: float
    high: float


@dataclass(frozen=True, kw_only=True)
class LoopPlan:
    """The loop at one speed.

    `gain_db` is the loop gain at its loudest frequency, `stability` the margin and
    where it would start, `repeats` how many are heard, `fades_in` s until then, or
    None for both if the loop runs away; `return_send_db` gives the wanted repeats, None
    if no head feeds the return;
    `snr_db` holds one figure a repeat; `growth_db_per_s` and `settles_dbu` tell how
    a runaway goes on (None if there is none).
    """

    speed: float
    gain_db: float
    stability: loop.Stability
    repeats: int | None
    fades_in: float | None
    return_send_db: float | None
    tone: tuple[ToneRow, ...]
    snr_db: tuple[float, ...] | None
    growth_db_per_s: float | None
    settles_dbu: float | None
    piled_up_db: float | None


@dataclass(frozen=True, kw_only=True)
class EchoPlan:
    """Every figure of one plan; see the classes of its parts for units.

    Attributes
    ----------
    machine : Machine
        What was planned for.
    bpm : float or None
        The song's tempo, None if there is none.
    wanted_repeats : int
        Repeats that shall be heard.
    delays, tempos, loops : tuple
        One `DelayPlan` for each speed and head, one `TempoPlan` for each (best
        first, empty without a tempo), one `LoopPlan` for each speed.
    liked_tempos : tuple
        For each delay the tempos that it fits: tuples of (note, bpm).
    levels : LevelDiagram
        Levels node by node.
    wobble : tuple
        (speed, part, turns a second, pitch deviation) for each part.
    """

    machine: Machine
    bpm: float | None
    wanted_repeats: int
    delays: tuple[DelayPlan, ...]
    tempos: tuple[TempoPlan, ...]
    liked_tempos: tuple[tuple[tuple[tempo.NoteValue, float], ...], ...]
    loops: tuple[LoopPlan, ...]
    levels: levels.LevelDiagram
    wobble: tuple[tuple[float, str, float, float], ...]

    @property
    def runs_away(self):
        """Whether the loop runs away at one of the speeds."""
        return any(not one.stability.stable for one in self.loops)

    def tables(self):
        """All tables of the plan in reading order (a tuple of `Table`)."""
        return tuple(table for table in _tables(self) if table.rows)

    def headlines(self):
        """The few sentences that matter most (a tuple of str)."""
        return tuple(_headlines(self))

    def text(self):
        """The plan as text for a terminal (a str)."""
        parts = [f"Echo plan for {self.machine.name}", "\n".join(f"* {line}" for line in self.headlines())]
        for table in self.tables():
            sides = ["right" if figures else "left" for figures in table.holds_figures]
            body = tabulate(
                table.rows, table.headers, tablefmt="simple", disable_numparse=True, colalign=sides
            )
            parts.append(f"{table.title}\n{body}" + (f"\n{table.note}" if table.note else ""))
        parts.append("Cautions\n" + "\n".join(f"* {line}" for line in CAUTIONS))
        return "\n\n".join(parts)

    def to_dict(self):
        """The plan as plain data for JSON, trade units in the keys (a dict)."""
        return _plain(self)


def make_plan(machine, *, bpm=None, repeats=None):
    """Work out everything for one machine and one song.

    Parameters
    ----------
    machine : Machine
        The machine with its mixer and song.
    bpm : float, optional
        Tempo in quarter notes a minute, instead of the file's; 20 to 400.
    repeats : int, optional
        Wanted repeats, instead of the file's; 1 to 200.

    Returns
    -------
    EchoPlan
        All figures.

    Raises
    ------
    ValueError
        If tempo or repeats are out of range. A loop that runs away is no error:
        the plan says so.

    Notes
    -----
    Source: the calculators of the lower rooms. Notebook: workbench.

    Examples
    --------
    >>> from tapecalc.machine import example_machine
    >>> plan = make_plan(example_machine(), bpm=76)
    >>> plan.tempos[0].fit.note.name, round(1e3 * plan.delays[0].delay, 1)
    ('sixteenth', 217.8)
    """
    if bpm is not None:
        machine = with_changes(machine, {"song.bpm": float(bpm)})
    if repeats is not None:
        machine = with_changes(machine, {"song.wanted_repeats": whole("repeats", repeats, 1, 200)})
    delays = tuple(
        DelayPlan(
            speed=speed,
            head=head,
            spacing=spacing,
            delay=delay,
            uncertainty=unsure,
            measured=measured,
            zone=tempo.echo_zone(delay).name,
        )
        for speed in machine.speeds
        for head, (spacing, delay, unsure, measured) in enumerate(
            zip(
                machine.spacings,
                machine.delays(speed),
                machine.delay_uncertainties(speed),
                machine.delays_measured(speed),
                strict=True,
            ),
            start=1,
        )
    )
    return EchoPlan(
        machine=machine,
        bpm=machine.song.bpm,
        wanted_repeats=machine.song.wanted_repeats,
        delays=delays,
        tempos=_tempo_plans(machine, delays),
        liked_tempos=tuple(
            tempo.tempos_for_delay(one.delay, low=USUAL_TEMPOS[0], high=USUAL_TEMPOS[1], notes=LIKED_NOTES)
            for one in delays
        ),
        loops=tuple(_loop_plan(machine, speed) for speed in machine.speeds),
        levels=levels.level_diagram(machine.level_stages, machine.levels.instrument_dbu),
        wobble=tuple(
            (speed, part.name, part.rate_at(speed), deviation)
            for speed in machine.speeds
            for part, deviation in zip(
                machine.turning_parts,
                part_repeat_deviations(machine.turning_parts, speed, machine.delays(speed)[0]).values(),
                strict=True,
            )
            if part.wobble > 0
        ),
    )


def echo_pattern(machine, speed, *, longest=3.0, faintest_db=-40.0):
    """List what is heard after one short sound: when each echo comes and how loud.

    The sound goes on tape through the input send; every head that feeds the return
    puts it there again, a delay later and at the loop gain of the loudest frequency;
    every head is heard.

    Parameters
    ----------
    machine : Machine
        The machine with its heads and sends.
    speed : float
        Tape speed in m/s, greater than 0.
    longest : float, optional
        How long to follow the echoes in s, greater than 0.
    faintest_db : float, optional
        Echoes below this level against the dry sound are left out, dB.

    Returns
    -------
    times, levels_db : tuple of numpy.ndarray
        Rising times in s and levels in dB against the dry sound; echoes that fall
        together add as amplitudes.

    Raises
    ------
    ValueError
        If a value is not one finite number in its range.

    Notes
    -----
    Source: superposition. Notebook: workbench.

    Examples
    --------
    >>> from tapecalc.machine import example_machine
    >>> times, levels_db = echo_pattern(example_machine(), 0.1905)
    >>> times[:3].round(3), levels_db[:3].round(1)
    (array([0.218, 0.436, 0.654]), array([ -0.1,  -6.2, -12.3]))
    """
    longest = single("longest", positive("longest", longest, "s"))
    faintest = db_to_amplitude(single("faintest_db", finite("faintest_db", faintest_db)))
    echo = machine.echo_loop(speed)
    passed = db_to_amplitude(response.loudest(echo.one_pass)[1])
    back = [passed * echo.return_gain * gain for gain in echo.head_gains]
    heard = {}
    on_tape = {0.0: echo.input_gain}  # what stands on the tape, by the time it was recorded
    while on_tape:
        again = {}
        for time, amplitude in on_tape.items():
            for delay, gain, to_tape in zip(echo.delays, echo.heads.gains, back, strict=True):
                arrives, level = round(time + delay, 9), amplitude * passed * gain
                if arrives > longest or amplitude < faintest:
                    continue
                heard[arrives] = heard.get(arrives, 0.0) + level
                if to_tape > 0:
                    again[arrives] = again.get(arrives, 0.0) + amplitude * to_tape
        on_tape = again
    times = np.array(sorted(time for time, level in heard.items() if level >= faintest))
    return times, np.array([amplitude_to_db(heard[time]) for time in times])


def with_uncertainty(value, uncertainty, unit=""):
    """Write a value to the digits that its uncertainty supports.

    The uncertainty keeps one digit, or two if the first is a one; the value ends at
    the same place.

    Parameters
    ----------
    value : float
        The value.
    uncertainty : float
        Its standard uncertainty, 0 or more, in the same unit; 0 writes four digits.
    unit : str, optional
        The unit to write behind both.

    Returns
    -------
    str
        For example ``"218 ms +/- 3 ms"``.

    Raises
    ------
    ValueError
        If a value is not a finite number or the uncertainty is negative.

    Notes
    -----
    Source: JCGM 100:2008, 7.2.6. Notebook: 01_delay.

    Examples
    --------
    >>> with_uncertainty(217.85, 3.41, "ms")
    '218 ms +/- 3 ms'
    >>> with_uncertainty(0.19051, 0.00138, "m/s")
    '0.1905 m/s +/- 0.0014 m/s'
    """
    value = float(finite("value", value))
    uncertainty = float(non_negative("uncertainty", uncertainty))
    unit = f" {unit}" if unit else ""
    if uncertainty == 0:
        return f"{value:.4g}{unit}"
    rounded = float(f"{uncertainty:.0e}" if f"{uncertainty:.1e}"[0] != "1" else f"{uncertainty:.1e}")
    first = math.floor(math.log10(rounded))
    places = -first + (1 if f"{rounded:e}"[0] == "1" else 0)
    if places > 0:
        return f"{value:.{places}f}{unit} +/- {rounded:.{places}f}{unit}"
    return f"{round(value, places):.0f}{unit} +/- {rounded:.0f}{unit}"


def _tempo_plans(machine, delays):
    """Fit every delay to the song, best first; nothing if the song has no tempo."""
    if machine.song.bpm is None:
        return ()
    plans = []
    for one in delays:
        fit = tempo.nearest_fits(one.delay, machine.song.bpm, notes=EVERYDAY_NOTES)[0]
        capstan, tape = machine.capstan_diameter, machine.tape_thickness
        # For a far slower speed even a bare shaft of no width would be too thick.
        fits_a_sleeve = capstan is not None and (capstan + tape) * fit.delay / fit.wanted_delay > tape
        changes = tempo.exact_changes(
            fit,
            spacing=one.spacing,
            speed=one.spacing / one.delay,  # at a measured delay, what makes it of this spacing
            capstan_diameter=capstan if fits_a_sleeve else None,
            tape_thickness=tape if fits_a_sleeve else None,
        )
        plans.append(TempoPlan(delay=one, fit=fit, changes=changes))
    return tuple(sorted(plans, key=lambda plan: plan.fit.audibility))


def _loop_plan(machine, speed):
    """Work out the loop at one speed."""
    echo = machine.echo_loop(speed)
    song, one_pass = machine.song, echo.one_pass
    verdict = loop.stability(echo, count_modes=False)
    gain_db = -verdict.bound_db
    longest, shortest = max(echo.delays), min(echo.delays)
    dies = gain_db < 0
    whole_repeats = int(loop.whole_repeats(gain_db, song.faded_db)) if dies else None
    over_db = max(-verdict.margin_db, 0.0)
    return LoopPlan(
        speed=speed,
        gain_db=gain_db,
        stability=verdict,
        repeats=whole_repeats,
        fades_in=loop.decay_time(longest, gain_db, song.faded_db) if dies else None,
        return_send_db=amplitude_to_db(loop.return_gain_for_repeats(echo, song.wanted_repeats, song.faded_db))
        if any(echo.head_gains)
        else None,
        tone=_tone(one_pass, song.wanted_repeats),
        snr_db=tuple(
            float(ratio)
            for ratio in loop.repeat_snr_db(
                gain_db, list(range(1, song.wanted_repeats + 1)), _one_pass_snr_db(machine)
            )
        )
        if dies
        else None,
        growth_db_per_s=None if verdict.stable else loop.growth_db_per_s(shortest, over_db),
        settles_dbu=_settles_dbu(machine, over_db),
        piled_up_db=-amplitude_to_db(1 - db_to_amplitude(gain_db)) if dies else None,
    )


def _settles_dbu(machine, over_db):
    """Level on tape at which the limiter holds a runaway, dBu; None where nothing grows."""
    if over_db == 0:
        return None
    full_dbu = machine.levels.machine_reference_dbu + machine.levels.tape_headroom_db
    return full_dbu + amplitude_to_db(loop.settling_level(over_db, 1.0)) - over_db


def _one_pass_snr_db(machine):
    """Signal over noise of the first repeat, without the noise of the loop, dB."""
    diagram = levels.level_diagram(machine.level_stages, machine.levels.instrument_dbu)
    return next(node.snr_db for node in diagram.nodes if node.name == "tape")


def _tone(one_pass, repeats):
    """The band that the first, the middle and the last repeats keep."""
    shown = sorted({1, 2, 3, repeats} & set(range(1, repeats + 1)))
    rows = []
    for repeat in shown:
        low, high = response.bandwidth(one_pass, drop_db=TONE_DROP_DB, passes=repeat)
        rows.append(ToneRow(repeat=repeat, low=low, high=high))
    return tuple(rows)


# ---- in words ----


def _speed_name(machine, speed):
    """Name a speed as its owner does, with the other unit behind it."""
    ips, cm_s = f"{from_si(speed, 'ips'):.4g} ips", f"{from_si(speed, 'cm_s'):.4g} cm/s"
    return f"{ips} ({cm_s})" if machine.transport.speeds_ips is not None else f"{cm_s} ({ips})"


def _ms(seconds, digits=0):
    return f"{from_si(seconds, 'ms'):.{digits}f} ms"


def _signed_ms(seconds):
    return f"{from_si(seconds, 'ms'):+.1f} ms"


def _hz(frequency):
    return f"{frequency / 1000:.1f} kHz" if frequency >= 1000 else f"{frequency:.0f} Hz"


def _band(row):
    """Say from where to where a repeat reaches."""
    low = "0 Hz" if row.low is None else _hz(row.low)
    return f"{low} to {'beyond hearing' if row.high is None else _hz(row.high)}"


def _delay_text(one):
    return with_uncertainty(from_si(one.delay, "ms"), from_si(one.uncertainty, "ms"), "ms")


def _sleeve_text(machine, changes):
    if changes.sleeve_diameter is not None:
        return f"{from_si(changes.sleeve_diameter, 'mm'):.2f} mm"
    return "capstan not known" if machine.capstan_diameter is None else "none is thin enough"


def _heard(fit):
    """Say how a miss is heard."""
    if not fit.audible:
        return f"no, within {_ms(fit.threshold, 1)}"
    return "yes, late" if fit.error > 0 else "yes, early"


def _headlines(plan):
    """The few sentences that matter most."""
    machine = plan.machine
    said = " and ".join(f"{_delay_text(one)} at {_speed_name(machine, one.speed)}" for one in plan.delays[:4])
    yield f"The machine delays by {said}."
    if plan.tempos:
        best = plan.tempos[0]
        fit = best.fit
        sound = "which is not heard as off"
        if fit.audible:
            way = from_si(abs(best.changes.spacing_change), "mm")
            side = "farther from" if best.changes.spacing_change > 0 else "nearer to"
            sound = (
                f"which is heard as off. It is exact at {best.changes.bpm:.1f} bpm, or with the head "
                f"{way:.1f} mm {side} the record head"
            )
        yield (
            f"At {plan.bpm:g} bpm the best fit is a {fit.note.name} at "
            f"{_speed_name(machine, best.delay.speed)}: {_signed_ms(fit.error)} "
            f"({fit.error_percent:+.1f} %), {sound}."
        )
    if not any(head.feeds_return for head in machine.playback_heads):
        yield "No head feeds the return, so each sound comes back once from each head."
        return
    for one in plan.loops:
        name = _speed_name(machine, one.speed)
        if not one.stability.stable:
            yield (
                f"At {name} the loop RUNS AWAY, starting at {_hz(one.stability.frequency)} and growing by "
                f"up to {one.growth_db_per_s:.1f} dB a second: turn the return send down by more than "
                f"{-one.stability.margin_db:.1f} dB."
            )
        else:
            yield (
                f"At {name} {one.repeats} repeats are heard before {machine.song.faded_db:g} dB; the loop "
                f"is {one.stability.margin_db:.1f} dB from running away. For {plan.wanted_repeats} repeats "
                f"set the return send to {one.return_send_db:+.1f} dB."
            )


def _tables(plan):
    """All tables of the plan, some of which may be empty."""
    machine = plan.machine
    many = len(machine.playback_heads) > 1

    def where(one):
        return _speed_name(machine, one.speed) + (f", head {one.head}" if many else "")

    yield Table(
        title="Delays",
        headers=("Speed", "Head spacing", "Delay", "Heard as"),
        rows=tuple(
            (where(d), f"{from_si(d.spacing, 'mm'):.1f} mm", _delay_text(d), d.zone) for d in plan.delays
        ),
        note=_where_delays_come_from(plan.delays),
    )
    yield Table(
        title=f"Fit to the song at {plan.bpm:g} bpm" if plan.bpm else "Fit to the song",
        headers=("Speed", "Nearest note", "Wanted", "Off by", "in %", "in cents", "Heard as off?"),
        rows=tuple(
            (
                where(one.delay),
                one.fit.note.name,
                _ms(one.fit.wanted_delay, 1),
                _signed_ms(one.fit.error),
                f"{one.fit.error_percent:+.2f}",
                f"{one.fit.error_cents:+.0f}",
                _heard(one.fit),
            )
            for one in plan.tempos
        ),
        note="Threshold: Friberg and Sundberg 1995, 6 ms below 240 ms and 2.5 % above.",
    )
    yield Table(
        title="To make it exact, do one of these",
        headers=("Speed", "Move the head", "or change the speed", "or a sleeve of", "or play at"),
        rows=tuple(
            (
                where(one.delay),
                f"{from_si(one.changes.spacing_change, 'mm'):+.1f} mm",
                f"{one.changes.speed_change_percent:+.2f} %",
                _sleeve_text(machine, one.changes),
                f"{one.changes.bpm:.2f} bpm",
            )
            for one in plan.tempos
        ),
        note="A plus moves the head away from the record head or runs the tape faster.",
    )
    yield Table(
        title=f"Tempos that the delays like, {USUAL_TEMPOS[0]} to {USUAL_TEMPOS[1]} bpm",
        headers=("Speed", "Tempos"),
        rows=tuple(
            (where(one), ", ".join(f"{bpm:.1f} ({note.name})" for note, bpm in liked) or "none")
            for one, liked in zip(plan.delays, plan.liked_tempos, strict=True)
        ),
    )
    yield Table(
        title=f"Repeats, return send at {machine.mixer.return_send_db:+.1f} dB",
        headers=("Speed", "Loop gain", "Repeats", "Gone in", "Margin", "Would start at", "Send for the wish"),
        rows=tuple(
            (
                _speed_name(machine, one.speed),
                f"{one.gain_db:+.1f} dB",
                "no end" if one.repeats is None else f"{one.repeats}",
                "never" if one.fades_in is None else f"{one.fades_in:.2f} s",
                f"{one.stability.margin_db:+.1f} dB",
                "nowhere" if one.stability.frequency is None else _hz(one.stability.frequency),
                "none" if one.return_send_db is None else f"{one.return_send_db:+.1f} dB",
            )
            for one in plan.loops
        ),
        note=(
            f"A repeat counts until it has fallen to {machine.song.faded_db:g} dB. "
            f"The wish is {plan.wanted_repeats} repeats."
        ),
    )
    shown = [row.repeat for row in plan.loops[0].tone]
    yield Table(
        title=f"Tone: what each repeat keeps within {TONE_DROP_DB:g} dB",
        headers=("Speed", *(f"Repeat {n}" for n in shown)),
        rows=tuple(
            (_speed_name(machine, one.speed), *(_band(row) for row in one.tone)) for one in plan.loops
        ),
    )
    yield Table(
        title="Hiss: each repeat above the noise",
        headers=("Speed", *(f"Repeat {n}" for n in shown)),
        rows=tuple(
            (_speed_name(machine, one.speed), *(f"{one.snr_db[n - 1]:.0f} dB" for n in shown))
            for one in plan.loops
            if one.snr_db is not None
        ),
    )
    yield Table(
        title="Wobble: what each part does to the pitch of the first repeat",
        headers=("Speed", "Part", "Turns a second", "Pitch deviation"),
        rows=tuple(
            (_speed_name(machine, speed), name, f"{rate:.2f} Hz", f"+/- {100 * deviation:.3f} %")
            for speed, name, rate, deviation in plan.wobble
        ),
        note="A part that turns a whole number of times during the delay bends no pitch.",
    )
    piled_up = [one.piled_up_db for one in plan.loops if one.piled_up_db is not None]
    yield Table(
        title="Levels, node by node",
        headers=("Node", "Level", "Voltage", "Headroom", "Noise"),
        rows=tuple(
            (
                node.name + (" (clips first)" if node is plan.levels.first_to_clip else ""),
                f"{node.dbu:+.1f} dBu",
                f"{node.volts:.3f} V",
                f"{node.headroom_db:.1f} dB",
                "" if node.noise_dbu is None else f"{node.noise_dbu:.0f} dBu",
            )
            for node in plan.levels.nodes
        ),
        note=f"Held notes pile up with their repeats by up to {max(piled_up):.1f} dB." if piled_up else "",
    )
    yield Table(
        title="Tape",
        headers=("Speed", "A reel lasts", "A minute uses"),
        rows=tuple(
            (
                _speed_name(machine, speed),
                f"{from_si(transport.run_time(machine.tape.length_m, speed), 'min'):.0f} min",
                f"{transport.tape_used(60, speed):.1f} m",
            )
            for speed in machine.speeds
        ),
    )
    yield Table(
        title="Assumed, because the machine file does not say",
        headers=("Key", "Value", "What it is"),
        rows=tuple((key, _assumed_value(value), what) for key, value, what in machine.assumed),
    )


def _where_delays_come_from(delays):
    """Say which delays were measured; nothing where none was."""
    measured = sum(one.measured for one in delays)
    if measured in (0, len(delays)):
        return "As measured, which is surer than spacing over speed." if measured else ""
    return f"As measured in {measured} of {len(delays)} rows, else spacing over speed."


def _assumed_value(value):
    """Write a default as a person would type it."""
    if value is None:
        return "not known"
    if isinstance(value, bool):
        return str(value).lower()
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def _plain(plan):
    """The plan as plain data, trade units in the keys."""
    return {
        "machine": plan.machine.model_dump(exclude_none=True),
        "bpm": plan.bpm,
        "wanted_repeats": plan.wanted_repeats,
        "runs_away": plan.runs_away,
        "delays": [
            {
                "speed_ips": from_si(one.speed, "ips"),
                "head": one.head,
                "spacing_mm": from_si(one.spacing, "mm"),
                "delay_ms": from_si(one.delay, "ms"),
                "uncertainty_ms": from_si(one.uncertainty, "ms"),
                "measured": one.measured,
                "heard_as": one.zone,
                "liked_tempos": [{"note": note.name, "bpm": bpm} for note, bpm in liked],
            }
            for one, liked in zip(plan.delays, plan.liked_tempos, strict=True)
        ],
        "tempo_fits": [
            {
                "speed_ips": from_si(one.delay.speed, "ips"),
                "head": one.delay.head,
                "note": one.fit.note.name,
                "wanted_ms": from_si(one.fit.wanted_delay, "ms"),
                "error_ms": from_si(one.fit.error, "ms"),
                "error_percent": one.fit.error_percent,
                "error_cents": one.fit.error_cents,
                "threshold_ms": from_si(one.fit.threshold, "ms"),
                "audible": one.fit.audible,
                "exact": {
                    "spacing_mm": from_si(one.changes.spacing, "mm"),
                    "speed_change_percent": one.changes.speed_change_percent,
                    "sleeve_mm": None
                    if one.changes.sleeve_diameter is None
                    else from_si(one.changes.sleeve_diameter, "mm"),
                    "bpm": one.changes.bpm,
                },
            }
            for one in plan.tempos
        ],
        "loops": [
            {
                "speed_ips": from_si(one.speed, "ips"),
                "loop_gain_db": one.gain_db,
                "stable": one.stability.stable,
                "margin_db": one.stability.margin_db,
                "starts_at_hz": one.stability.frequency,
                "repeats": one.repeats,
                "fades_in_s": one.fades_in,
                "return_send_db_for_wanted_repeats": one.return_send_db,
                "tone": [{"repeat": row.repeat, "low_hz": row.low, "high_hz": row.high} for row in one.tone],
                "snr_db": one.snr_db,
                "growth_db_per_s": one.growth_db_per_s,
                "settles_dbu": one.settles_dbu,
            }
            for one in plan.loops
        ],
        "levels": [
            {
                "node": node.name,
                "dbu": node.dbu,
                "volts": node.volts,
                "headroom_db": node.headroom_db,
                "noise_dbu": node.noise_dbu,
            }
            for node in plan.levels.nodes
        ],
        "clips_first": plan.levels.first_to_clip.name,
        "wobble": [
            {
                "speed_ips": from_si(speed, "ips"),
                "part": name,
                "turns_hz": rate,
                "pitch_deviation_percent": 100 * deviation,
            }
            for speed, name, rate, deviation in plan.wobble
        ],
        "assumed": [{"key": key, "value": value, "what": what} for key, value, what in plan.machine.assumed],
        "cautions": list(CAUTIONS),
    }
