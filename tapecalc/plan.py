"""Machine and song in, every figure that the person needs out, in SI.

`make_plan` asks the calculators once and keeps the answers in an `EchoPlan`. What is printed, what stands
on the page, on the workbench and in the JSON file are views of that one object.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tapecalc.calc import loop, response, tempo
from tapecalc.calc.levels import LevelDiagram, Node, level_diagram
from tapecalc.calc.parts import part_repeat_deviations
from tapecalc.calc.quantity import Duration, Level, Speed, calculator, whole
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude
from tapecalc.machine import Machine, with_changes

_Array = NDArray[np.float64]

#: Note values that songs use every day; the plan looks here first.
EVERYDAY_NOTES = tuple(
    note for note in tempo.NOTE_VALUES if "quintuplet" not in note.name and 0.125 <= note.beats <= 4
)
#: Tempos among which the plan looks for songs that a delay likes.
USUAL_TEMPOS = (60, 180)
#: The notes for which it does.
LIKED_NOTES = tuple(
    map(tempo.note_value, ("sixteenth", "eighth triplet", "eighth", "dotted eighth", "quarter"))
)
#: A repeat sounds as wide as the band in which it is within this of its loudest, dB.
TONE_DROP_DB = 10.0
#: Echoes that come nearer to each other than this add as one, s; far below what a sample lasts.
TOGETHER = 1e-8
#: Times round the loop that `echo_pattern` follows: 3 s of a delay of 30 ms, which ears fuse.
MOST_PASSES = 100


class DelayPlan(NamedTuple):
    """The delay of one head, counted from 1, at one speed.

    `measured` tells that the delay is as measured, and not spacing over speed.
    """

    speed: float
    head: int
    spacing: float
    delay: float
    uncertainty: float
    measured: bool
    zone: str


class TempoPlan(NamedTuple):
    """How one delay fits the song, and the four ways to make it exact."""

    delay: DelayPlan
    fit: tempo.TempoFit
    changes: tempo.ExactChanges


class ToneRow(NamedTuple):
    """Band that one repeat keeps in Hz; None for an edge that is not reached."""

    repeat: int
    low: float | None
    high: float | None


class LoopPlan(NamedTuple):
    """The loop at one speed: how loud, how long, how dark, how noisy, how safe."""

    speed: float
    gain_db: float  # at the loudest frequency, all heads in phase
    stability: loop.Stability
    first_repeat_db: float  # of the first head against the dry sound, at the loudest frequency
    repeats: int | None  # that are heard; None where the loop runs away
    fades_in: float | None  # s until they are gone; None likewise
    return_send_db: float | None  # for the wanted repeats; None if no head feeds the return
    tone: Sequence[ToneRow]
    snr_db: tuple[float, ...] | None  # of each repeat; None where the loop runs away
    growth_db_per_s: float | None  # of a runaway; None if there is none
    settles_dbu: float | None  # where the tape holds a runaway; None likewise
    piled_up_db: float | None  # by which held notes and their repeats add up at most


class WobbleRow(NamedTuple):
    """What one part does to the pitch of the first repeat: turns in Hz, deviation as a fraction."""

    speed: float
    part: str
    rate: float
    deviation: float


@dataclass(frozen=True, kw_only=True)
class EchoPlan:
    """Every figure of one plan.

    There is a `DelayPlan` for each speed and head with the tempos it likes as (note, bpm), a `TempoPlan` for
    each of them (best first, none without a tempo), a `LoopPlan` for each speed, and a `WobbleRow` for each
    speed and each part that wobbles.
    """

    machine: Machine
    bpm: float | None
    wanted_repeats: int
    delays: Sequence[DelayPlan]  # all of them tuples; editors complete the entries of a Sequence
    tempos: Sequence[TempoPlan]
    liked_tempos: Sequence[Sequence[tuple[tempo.NoteValue, float]]]
    loops: Sequence[LoopPlan]
    levels: LevelDiagram
    wobble: Sequence[WobbleRow]

    @property
    def runs_away(self) -> bool:
        """Whether the loop runs away at one of the speeds."""
        return any(not planned.stability.stable for planned in self.loops)

    def node(self, name: str) -> Node:
        """Find what there is at one stage of the machine, such as ``"tape"``."""
        return next(node for node in self.levels.nodes if node.name == name)


def make_plan(
    machine: Machine,
    *,
    bpm: float | None = None,
    repeats: int | None = None,
    speeds: Sequence[float] | None = None,
    tone_of: Iterable[int] | None = None,
) -> EchoPlan:
    """Work out everything for one machine and one song; a loop that runs away is no error.

    Parameters
    ----------
    bpm, repeats
        Instead of the file's tempo and wanted repeats.
    speeds
        Those of the machine's speeds that are planned; all of them by default.
    tone_of
        The repeats whose band is worked out; by default the first three and the last that is wanted.

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
    speeds = machine.speeds if speeds is None else speeds
    wanted = machine.song.wanted_repeats
    shown = sorted({n for n in (1, 2, 3, wanted) if n <= wanted}) if tone_of is None else list(tone_of)
    diagram = level_diagram(machine.level_stages, machine.levels.instrument_dbu)
    snr_db = next(node.snr_db for node in diagram.nodes if node.name == "tape")
    delays = tuple(planned for speed in speeds for planned in _delay_plans(machine, speed))
    low, high = USUAL_TEMPOS
    liked = (tempo.tempos_for_delay(d.delay, low=low, high=high, notes=LIKED_NOTES) for d in delays)
    return EchoPlan(
        machine=machine,
        bpm=machine.song.bpm,
        wanted_repeats=wanted,
        delays=delays,
        tempos=tuple(sorted(_tempo_plans(machine, delays), key=lambda plan: plan.fit.audibility)),
        liked_tempos=tuple(liked),
        loops=tuple(_loop_plan(machine, speed, snr_db, shown) for speed in speeds),
        levels=diagram,
        wobble=tuple(row for speed in speeds for row in _wobble(machine, speed)),
    )


@calculator
def echo_pattern(
    machine: Machine,
    speed: Speed[float],
    *,
    longest: Duration[float] = 3.0,
    faintest_db: Level[float] = -40.0,
) -> tuple[_Array, _Array]:
    """List what is heard after one short sound: rising times in s, and amplitudes against the dry sound.

    The sound goes on tape through the input send; every head that feeds the return puts it there again,
    a delay later and at the loop gain of the loudest frequency; every head is heard. What falls together
    adds up, what is fainter than `faintest_db` is left out, and an inverted echo is below 0.

    >>> from tapecalc.machine import example_machine
    >>> times, amplitudes = echo_pattern(example_machine(), 0.1905)
    >>> times[:3].round(3), amplitudes[:3].round(2)
    (array([0.218, 0.436, 0.654]), array([0.99, 0.49, 0.24]))
    """
    echo = machine.echo_loop(speed)
    faintest = db_to_amplitude(faintest_db)
    passed = db_to_amplitude(response.loudest(echo.one_pass)[1])
    heard, back = (passed * np.array(gains) for gains in (echo.heads.gains, echo.heads.return_gains))
    times, amplitudes = np.zeros(1), np.array([echo.input_gain])  # what is on the tape, pass by pass
    every_time, every_amplitude = [np.zeros(0)], [np.zeros(0)]
    for _ in range(MOST_PASSES):
        loud = np.abs(amplitudes) >= faintest
        arrives = np.add.outer(times[loud], echo.delays)
        in_time = arrives <= longest
        every_time.append(arrives[in_time])
        every_amplitude.append(np.multiply.outer(amplitudes[loud], heard)[in_time])
        again = np.multiply.outer(amplitudes[loud], back * echo.return_gain)[in_time]
        times, amplitudes = _added_up(arrives[in_time], again)
    times, amplitudes = _added_up(np.concatenate(every_time), np.concatenate(every_amplitude))
    loud = np.abs(amplitudes) >= faintest
    return times[loud], amplitudes[loud]


def _added_up(times: _Array, amplitudes: _Array) -> tuple[_Array, _Array]:
    """Sort echoes by time and add up those that fall together."""
    order = np.argsort(times, kind="stable")
    times, amplitudes = times[order], amplitudes[order]
    first = np.flatnonzero(np.diff(times, prepend=-np.inf) > TOGETHER)
    return times[first], np.add.reduceat(amplitudes, first)


def _delay_plans(machine: Machine, speed: float) -> Iterator[DelayPlan]:
    delays, spreads = machine.delays(speed), machine.u_delays(speed)
    rows = zip(machine.spacings, delays, spreads, machine.delays_measured(speed), strict=True)
    for head, (spacing, delay, spread, measured) in enumerate(rows, start=1):
        yield DelayPlan(speed, head, spacing, delay, spread, measured, tempo.echo_zone(delay).name)


def _tempo_plans(machine: Machine, delays: Sequence[DelayPlan]) -> Iterator[TempoPlan]:
    """Fit every delay to the song; nothing if the song has no tempo."""
    bpm, capstan, tape = machine.song.bpm, machine.capstan_diameter, machine.tape_thickness
    if bpm is None:
        return
    for planned in delays:
        fit = tempo.nearest_fits(planned.delay, bpm, notes=EVERYDAY_NOTES)[0]
        speed = planned.spacing / planned.delay  # at a measured delay, what makes it of this spacing
        # For a far slower speed even a bare shaft of no width would be too thick.
        fits_a_sleeve = capstan is not None and (capstan + tape) * fit.delay / fit.wanted_delay > tape
        sleeve = {"capstan_diameter": capstan, "tape_thickness": tape} if fits_a_sleeve else {}
        changes = tempo.exact_changes(fit, spacing=planned.spacing, speed=speed, **sleeve)
        yield TempoPlan(planned, fit, changes)


def _loop_plan(machine: Machine, speed: float, snr_db: float | None, tone_of: Sequence[int]) -> LoopPlan:
    """Work out the loop at one speed."""
    song, echo = machine.song, machine.echo_loop(speed)
    verdict = loop.stability(echo, count_modes=False)
    gain_db, over_db = -verdict.bound_db, max(-verdict.margin_db, 0.0)
    dies = gain_db < 0
    first_gain_db = amplitude_to_db(abs(echo.input_gain * echo.heads.gains[0]))
    full_dbu = machine.saturation_dbu
    every = list(range(1, song.wanted_repeats + 1))
    tone = ((n, response.bandwidth(echo.one_pass, drop_db=TONE_DROP_DB, passes=n)) for n in tone_of)
    return LoopPlan(
        speed=speed,
        gain_db=gain_db,
        stability=verdict,
        first_repeat_db=first_gain_db + response.loudest(echo.one_pass)[1],
        repeats=int(loop.whole_repeats(gain_db, song.faded_db)) if dies else None,
        fades_in=loop.decay_time(max(echo.delays), gain_db, song.faded_db) if dies else None,
        return_send_db=amplitude_to_db(loop.return_gain_for_repeats(echo, song.wanted_repeats, song.faded_db))
        if any(echo.heads.return_gains)
        else None,
        tone=tuple(ToneRow(repeat, low, high) for repeat, (low, high) in tone),
        snr_db=tuple(loop.repeat_snr_db(gain_db, every, snr_db).tolist()) if dies else None,
        growth_db_per_s=None if verdict.stable else loop.growth_db_per_s(min(echo.delays), over_db),
        settles_dbu=full_dbu + amplitude_to_db(loop.settling_level(over_db, 1.0)) - over_db
        if over_db
        else None,
        piled_up_db=-amplitude_to_db(1 - db_to_amplitude(gain_db)) if dies else None,
    )


def _wobble(machine: Machine, speed: float) -> Iterator[WobbleRow]:
    """What each part that wobbles does to the first head's first repeat."""
    parts = machine.turning_parts
    deviations = part_repeat_deviations(parts, speed, machine.delays(speed)[0])
    for part in parts:
        if part.wobble > 0:
            yield WobbleRow(speed, part.name, part.rate_at(speed), deviations[part.name])
