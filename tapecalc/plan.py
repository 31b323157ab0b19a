"""Machine and song in, every figure that the person needs out, in SI.

`make_plan` asks the calculators once and keeps the answers in an `EchoPlan`. What is printed, what stands
on the page, on the workbench and in the JSON file are views of that one object.
"""

import itertools
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from tapecalc.calc import loop, response, song_set, tempo
from tapecalc.calc.flutter import delay_swing, usual_shimmer_db
from tapecalc.calc.levels import LevelDiagram, Node, level_diagram, sum_power_db
from tapecalc.calc.parts import part_repeat_deviations
from tapecalc.calc.quantity import Duration, Level, Speed, calculator, whole
from tapecalc.calc.standards import usual_equalization
from tapecalc.calc.transport import reel_rate
from tapecalc.calc.units import COVERAGE_FACTOR, amplitude_to_db, db_to_amplitude, to_si
from tapecalc.machine import SENDS_DB, Machine, with_changes

_Array = NDArray[np.float64]

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
#: How far below what is heard a sound is followed, dB: many faint ones may meet, or take from a loud one.
FOLLOWED_DB = 60.0
#: How many sounds on the tape are followed at once, the loudest: those of heads in step are fewer.
MOST_FOLLOWED = 2000
#: Held note of which the swing of its level is told, Hz.
HELD_NOTE = 440.0
#: White noise from 20 Hz to 20 kHz against itself unweighted, dB.
WHITE_DB = {"unweighted": 0.0, "A": -2.05}
#: Radius of a reel's hub, m. Common practice, no source.
USUAL_HUB = 0.03
#: What a cassette has: tracks of 0.6 mm, hubs of 11 mm, and both heads behind one opening of its shell.
#: Source: IEC 60094-7; the bounds are our own.
CASSETTE_TRACK, CASSETTE_HUB, CASSETTE_REACH = 0.9e-3, 11e-3, 20e-3
#: How long the echo of several heads is followed for the last answer that is heard, s.
LONGEST_ECHO = 60.0


class DelayPlan(NamedTuple):
    """The delay of one head, counted from 1, at one speed.

    `measured` tells that the delay is as measured, and not spacing over speed.
    """

    speed: float
    head: int
    spacing: float
    delay: float
    u_delay: float  # standard uncertainty
    measured: bool
    zone: str

    @property
    def plus_minus(self) -> float:
        """How far the delay may be off, in 95 of 100 cases."""
        return COVERAGE_FACTOR * self.u_delay


class TempoPlan(NamedTuple):
    """How one delay fits the song, and the four ways to make it exact.

    The chances are those that the first and the last wished repeat are heard as off: the error adds up.
    """

    delay: DelayPlan
    fit: tempo.TempoFit
    changes: tempo.ExactChanges
    chance: float
    chance_of_last: float


class SpeedForSong(NamedTuple):
    """Where in the range of a free speed one head plays one note of one song."""

    song: str
    bpm: float
    note: str
    head: int
    speed: float
    plus_minus: float  # m/s, how far it may be off, in 95 of 100 cases


class ToneRow(NamedTuple):
    """Band that one repeat keeps in Hz; None for an edge that is not reached."""

    repeat: int
    low: float | None
    high: float | None


class LoopPlan(NamedTuple):
    """The loop at one speed: how loud, how long, how dark, how noisy, how safe.

    Only heads that feed the return are in it. `gain_db` and what follows from it holds for the loudest tone
    of the middle, without bumps in the bass, with all these heads in phase. `stability`, `growth_db_per_s`
    and `piled_up_db` take the largest bumps that there can be: who stays within them is safe. A response
    that was measured is used as it is.
    """

    speed: float
    gain_db: float
    stability: loop.Stability
    bumps: bool  # whether bumps of an unknown size may be in it
    measured: bool  # whether the response is as measured
    runs_away: bool  # with bumps as they are likely; in between it may
    first_repeat_db: float  # of the first head against the dry sound, at the loudest frequency
    repeats: int | None  # that are heard; None with several heads, and where the loop runs away
    gone_in: float | None  # s from the sound to the last answer that is heard; None if that is not told
    return_send_db: float | None  # for the wanted repeats; None if no send that can be set gives them
    tone: Sequence[ToneRow]
    snr_db: tuple[float, ...] | None  # of the repeats of `tone`; None where the loop runs away
    snr_a_db: float  # of the first repeat, A-weighted
    growth_db_per_s: float | None  # of a runaway; None if there is none
    settles_dbu: tuple[float, float] | None  # where the tape holds it: a tone alone, many at most
    piled_up_db: float | None  # by which held notes and their repeats add up at most


class WobbleRow(NamedTuple):
    """What one part does to pitch and level of the first repeat: turns in Hz, deviation as a fraction."""

    speed: float
    part: str
    rate: float
    deviation: float
    over_reel: tuple[float, float] | None  # turns of a reel in Hz, from a full one to the hub
    shimmer_db: float  # swing of a held note's level, dry sound and first repeat together


@dataclass(frozen=True, kw_only=True)
class EchoPlan:
    """Every figure of one plan.

    There is a `DelayPlan` for each speed and head with the tempos it likes as (note, bpm), a `TempoPlan` for
    each of them (best first, none without a tempo), a `LoopPlan` for each speed, and a `WobbleRow` for each
    speed and each part that wobbles. `together` is the one change that serves all heads of the song,
    `songs` what each song of the set gets at each speed, `set_change` the one change that serves the set,
    and `range_speeds` where in a free range of speeds the songs fit.
    """

    machine: Machine
    bpm: float | None
    wanted_repeats: int
    delays: Sequence[DelayPlan]  # all of them tuples; editors complete the entries of a Sequence
    tempos: Sequence[TempoPlan]
    liked_tempos: Sequence[Sequence[tuple[tempo.NoteValue, float]]]
    together: song_set.CommonChange | None
    songs: Sequence[Sequence[song_set.Choice]]
    set_change: song_set.CommonChange | None
    range_speeds: Sequence[SpeedForSong]
    loops: Sequence[LoopPlan]
    levels: LevelDiagram
    wobble: Sequence[WobbleRow]

    @property
    def runs_away(self) -> bool:
        """Whether the loop may run away at one of the speeds, with the largest bumps that there can be."""
        return any(not planned.stability.stable for planned in self.loops)

    def node(self, name: str) -> Node:
        """Find what there is at one stage of the machine, such as ``"tape"``."""
        return next(node for node in self.levels.nodes if node.name == name)


def make_plan(
    machine: Machine,
    *,
    bpm: float | None = None,
    repeats: int | None = None,
    note: str | None = None,
    speeds: Sequence[float] | None = None,
    tone_of: Iterable[int] | None = None,
) -> EchoPlan:
    """Work out everything for one machine and one song; a loop that runs away is no error.

    Parameters
    ----------
    bpm, repeats, note
        Instead of the file's tempo, wanted repeats and wanted note.
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
    changes: dict[str, Any] = {} if bpm is None else {"song.bpm": float(bpm)}
    if repeats is not None:
        changes["song.wanted_repeats"] = whole("repeats", repeats, 1, 200)
    if note is not None:
        changes["song.note"] = note
    machine = with_changes(machine, changes) if changes else machine
    speeds = machine.speeds if speeds is None else speeds
    wanted = machine.song.wanted_repeats
    shown = sorted({n for n in (1, 2, 3, wanted) if n <= wanted}) if tone_of is None else list(tone_of)
    delays = tuple(planned for speed in speeds for planned in _delay_plans(machine, speed))
    low, high = USUAL_TEMPOS
    liked = (tempo.tempos_for_delay(d.delay, low=low, high=high, notes=LIKED_NOTES) for d in delays)
    in_set = tuple(_song(song.name, song.bpm, song.note) for song in machine.songs)
    choices, heard = _choices(delays, len(machine.spacings)), machine.timing_threshold
    loops = tuple(_loop_plan(machine, speed, shown) for speed in speeds)
    return EchoPlan(
        machine=machine,
        bpm=machine.song.bpm,
        wanted_repeats=wanted,
        delays=delays,
        tempos=tuple(sorted(_tempo_plans(machine, delays), key=lambda plan: round(plan.fit.rank, 9))),
        liked_tempos=tuple(liked),
        together=_together(machine, choices),
        songs=tuple(
            song_set.best_choices(in_set, [one for one in choices if one.speed == at], threshold=heard)
            for at in range(len(speeds) if in_set else 0)
        ),
        set_change=song_set.common_change(in_set, choices, threshold=heard) if in_set else None,
        range_speeds=tuple(_range_speeds(machine, in_set)),
        loops=loops,
        levels=level_diagram(machine.level_stages, machine.levels.instrument_dbu),
        wobble=tuple(row for planned in loops for row in _wobble(machine, planned)),
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
    return _echoes(machine.echo_loop(speed, pole_shape="flat"), longest, faintest_db)


def _echoes(echo: loop.EchoLoop, longest: float, faintest_db: float) -> tuple[_Array, _Array]:
    """Follow one short sound through the loop, as `echo_pattern` lists it."""
    faintest = db_to_amplitude(faintest_db) * (1 - 1e-9)  # a tie counts, whatever the last bit says
    passed = db_to_amplitude(response.loudest(echo.one_pass)[1])
    heard, fed = (passed * np.array(gains) for gains in (echo.heads.gains, echo.heads.return_gains))
    delays, back, most_heard = echo.delays, fed * echo.return_gain, np.max(np.abs(heard))
    followed = faintest * db_to_amplitude(-FOLLOWED_DB)
    times, amplitudes = np.zeros(1), np.array([echo.input_gain])  # what is on the tape, pass by pass
    every_time, every_amplitude = [np.zeros(0)], [np.zeros(0)]
    for _ in range(MOST_PASSES):
        loud = np.flatnonzero(np.abs(amplitudes) * most_heard >= followed)
        if loud.size > MOST_FOLLOWED:
            loud = np.sort(loud[np.argpartition(np.abs(amplitudes[loud]), -MOST_FOLLOWED)[-MOST_FOLLOWED:]])
        arrives = np.add.outer(times[loud], delays)
        in_time = arrives <= longest
        every_time.append(arrives[in_time])
        every_amplitude.append(np.multiply.outer(amplitudes[loud], heard)[in_time])
        # Also where nothing else holds a loop, no sound is more than the least level is less.
        most = db_to_amplitude(-response.NULL_DB)
        again = np.clip(np.multiply.outer(amplitudes[loud], back)[in_time], -most, most)
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
    song, capstan, heard = machine.song, machine.capstan_diameter, machine.timing_threshold
    if song.bpm is None:
        return
    sleeve = (
        {} if capstan is None else {"capstan_diameter": capstan, "tape_thickness": machine.tape_thickness}
    )
    for planned in delays:
        if song.note is None:
            fit = tempo.nearest_fits(planned.delay, song.bpm, threshold=heard)[0]
        else:
            fit = tempo.fit(planned.delay, song.bpm, tempo.note_value(song.note), threshold=heard)
        speed = planned.spacing / planned.delay  # at a measured delay, what makes it of this spacing
        unsure = {"u_delay": planned.u_delay, "u_speed": machine.u_speed * planned.speed}
        changes = tempo.exact_changes(fit, spacing=planned.spacing, speed=speed, **unsure, **sleeve)
        first, last = (
            tempo.chance_heard(fit.error, planned.u_delay, fit.threshold, repeat)
            for repeat in (1, song.wanted_repeats)
        )
        yield TempoPlan(planned, fit, changes, first, last)


def _song(name: str, bpm: float, note: str | None) -> song_set.Song:
    notes = None if note is None else (tempo.note_value(note),)
    return song_set.Song(name=name, bpm=bpm, notes=notes)


def _choices(delays: Sequence[DelayPlan], heads: int) -> list[song_set.MachineDelay]:
    """The delays, of one speed after the other, as the search for a common change takes them."""
    return [
        song_set.MachineDelay(
            speed=number // heads, head=planned.head - 1, delay=planned.delay, u_delay=planned.u_delay
        )
        for number, planned in enumerate(delays)
    ]


def _together(machine: Machine, choices: list[song_set.MachineDelay]) -> song_set.CommonChange | None:
    """Find the one change of the first speed that serves all its heads; None for one head or no tempo."""
    of_first = [choice for choice in choices if choice.speed == 0]
    song = machine.song
    if song.bpm is None or len(of_first) < 2:
        return None
    return song_set.common_change(
        [_song("song", song.bpm, song.note)], of_first, every_delay=True, threshold=machine.timing_threshold
    )


def _range_speeds(machine: Machine, in_set: Sequence[song_set.Song]) -> Iterator[SpeedForSong]:
    """Say where a free speed plays the songs: each head and note whose speed lies in the range."""
    if machine.speed_range is None:
        return
    (low, high), spacings = machine.speed_range, machine.spacings
    song, u_spacings = machine.song, machine.u_spacings
    songs = in_set or (() if song.bpm is None else (_song("", song.bpm, song.note),))
    for one, head in itertools.product(songs, range(len(spacings))):
        for note in one.notes or LIKED_NOTES:
            speed = spacings[head] / tempo.delay_from_tempo(one.bpm, note.beats)
            if low * (1 - 1e-9) <= speed <= high * (1 + 1e-9):
                unsure = math.hypot(u_spacings[head] / spacings[head], machine.u_speed)
                yield SpeedForSong(
                    one.name, one.bpm, note.name, head + 1, speed, COVERAGE_FACTOR * unsure * speed
                )


def _loop_plan(machine: Machine, speed: float, tone_of: Sequence[int]) -> LoopPlan:
    """Work out the loop at one speed."""
    song, echo = machine.song, machine.echo_loop(speed, pole_shape="flat")
    worst = machine.worst_loop(speed)
    verdict = loop.stability(worst, count_modes=False)
    likely = verdict if verdict.stable else loop.stability(machine.echo_loop(speed), count_modes=False)
    runs_away = not likely.stable
    loudest_db = response.loudest(echo.one_pass)[1]
    first_db = amplitude_to_db(abs(echo.input_gain * echo.heads.gains[0])) + loudest_db
    fed = float(np.sum(np.abs(echo.heads.return_gains)))
    gain_db = amplitude_to_db(fed * echo.return_gain) + loudest_db if fed else response.NULL_DB
    dies, over_db = gain_db < 0 and not runs_away, -(likely if runs_away else verdict).margin_db
    one_head = len(echo.delays) == 1
    tone = ((n, response.bandwidth(echo.one_pass, drop_db=TONE_DROP_DB, passes=n)) for n in tone_of)
    repeats = int(loop.repeats_heard(gain_db, song.faded_db)) if dies and one_head else None
    gone_in = None if repeats is None else repeats * echo.delays[0]
    if repeats is None and not runs_away:
        gone_in = _last_heard(echo, first_db + song.faded_db)
    return LoopPlan(
        speed=speed,
        gain_db=gain_db,
        stability=verdict,
        bumps=worst.one_pass.pole_length > 0,
        measured=bool(worst.one_pass.trim),
        runs_away=runs_away,
        first_repeat_db=first_db,
        repeats=repeats,
        gone_in=gone_in,
        return_send_db=_wished_send_db(echo, song.wanted_repeats, song.faded_db),
        tone=tuple(ToneRow(repeat, low, high) for repeat, (low, high) in tone),
        snr_db=_snr_db(machine, echo, gain_db, tone_of) if dies else None,
        snr_a_db=_first_snr_db(machine, speed, "A"),
        growth_db_per_s=None if verdict.stable else loop.fastest_growth_db_per_s(worst),
        settles_dbu=_settles_dbu(machine, speed, over_db) if over_db > 0 else None,
        piled_up_db=-amplitude_to_db(1 - db_to_amplitude(-verdict.bound_db))
        if verdict.bound_db > 0
        else None,
    )


def _wished_send_db(echo: loop.EchoLoop, wanted: int, faded_db: float) -> float | None:
    """Find the return send that gives the wanted repeats, if one that can be set does."""
    if not any(echo.heads.return_gains):
        return None
    exact_db = amplitude_to_db(loop.return_gain_for_repeats(echo, wanted, faded_db))
    send_db = float(np.clip(exact_db, *SENDS_DB))
    gain_db = faded_db / (wanted - 0.5) + send_db - exact_db
    return send_db if gain_db < 0 and loop.repeats_heard(gain_db, faded_db) == wanted else None


def _settles_dbu(machine: Machine, speed: float, over_db: float) -> tuple[float, float]:
    """Find the level on the tape of a runaway of one tone, or from noise, and the most that a crowd reaches.

    The record equalizer before the limit moves neither: what it lifts, playback takes back.
    """
    full_dbu = machine.saturation_dbu(speed) - over_db
    one, crowd = (settle(over_db, 1.0) for settle in (loop.settling_level, loop.crowd_settling_level))
    return full_dbu + amplitude_to_db(one), full_dbu + amplitude_to_db(crowd)


def _last_heard(echo: loop.EchoLoop, faintest_db: float) -> float | None:
    """Find when the last answer of several heads is heard; None if not within what is followed."""
    times, _ = _echoes(echo, LONGEST_ECHO, faintest_db)
    rounds = [delay for delay, fed in zip(echo.delays, echo.heads.feeds_return, strict=True) if fed]
    # Later answers are not complete; where those before stay faint for one longest delay, it has ended.
    followed, quiet = min([LONGEST_ECHO, *(MOST_PASSES * delay for delay in rounds)]), max(echo.delays)
    times = times[times <= followed]
    return float(times[-1]) if times.size and times[-1] <= followed - quiet else None


def _snr_db(
    machine: Machine, echo: loop.EchoLoop, gain_db: float, repeats: Sequence[int]
) -> tuple[float, ...]:
    """Compute by how much each repeat stands above the hiss so far, 20 Hz to 20 kHz unweighted."""
    if not repeats:
        return ()
    first_db, up_db = _first_snr_db(machine, echo.one_pass.speed), loop.hiss_db(echo, list(repeats))
    return tuple(first_db + (n - 1) * gain_db - db for n, db in zip(repeats, up_db.tolist(), strict=True))


def _first_snr_db(machine: Machine, speed: float, weighting: str = "unweighted") -> float:
    """Compute by how much the first repeat stands above the noise of tape and mixer."""
    levels, mixer = machine.levels, machine.mixer
    signal_dbu = levels.instrument_dbu + levels.mixer_gain_db + mixer.input_send_db
    mixer_dbu = levels.mixer_noise_dbu + mixer.input_send_db + WHITE_DB[weighting]
    tape_dbu = levels.machine_reference_dbu + machine.tape_noise_db(speed, weighting=weighting)
    return signal_dbu - sum_power_db([mixer_dbu, tape_dbu])


def is_cassette(machine: Machine) -> bool:
    """Tell by tracks, speeds and heads whether the tape runs in a cassette."""
    narrow = to_si(machine.heads.track_width_mm, "mm") < CASSETTE_TRACK
    slow = all(usual_equalization(v).name.startswith("Cassette") for v in machine.speeds)
    return machine.loop_length is None and narrow and slow and machine.spacings[-1] <= CASSETTE_REACH


def hub_radius(machine: Machine) -> float:
    """Give the radius on which the innermost turn of tape lies, m: that of a cassette or of a usual reel."""
    return CASSETTE_HUB if is_cassette(machine) else USUAL_HUB


def _wobble(machine: Machine, planned: LoopPlan) -> Iterator[WobbleRow]:
    """What each part that wobbles does to the first head's first repeat."""
    parts, speed, length = machine.turning_parts, planned.speed, machine.tape.length_m
    delay, gain = machine.delays(speed)[0], db_to_amplitude(planned.first_repeat_db)
    on_reels = machine.loop_length is None
    deviations = part_repeat_deviations(parts, speed, delay)
    hub = hub_radius(machine)
    reel = tuple(reel_rate(speed, wound, hub, machine.tape_thickness) for wound in (length, 0.0))
    for part in parts:
        if part.wobble > 0:
            rate = part.rate_at(speed)
            swing = delay_swing(part.wobble_at(speed), rate, delay)
            over = (min(reel[0], rate), max(reel[1], rate)) if on_reels and part.reel_radius else None
            shimmer = usual_shimmer_db(HELD_NOTE, swing, gain=gain)
            yield WobbleRow(speed, part.name, rate, deviations[part.name], over, shimmer)
