"""Figures of repeats and stability."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from matplotlib.artist import Artist
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from tapecalc.calc import loop as loops
from tapecalc.calc.response import loudest
from tapecalc.calc.units import amplitude_to_db
from tapecalc.machine import Machine
from tapecalc.plan import LONGEST_ECHO, echo_pattern
from tapecalc.plot.kit import AUDIBLE, Canvas, Drawn, figure, minus
from tapecalc.plot.style import frequency_text
from tapecalc.words import amount

NYQUIST = "H. Nyquist, Regeneration Theory, Bell System Technical Journal 11, 1932 (from memory)"
TURNS = 14  # of the loop gain around zero: the whole band would be a solid disk
GROWING = 10  # repeats of a runaway that are drawn
COLUMNS, IN_COLUMN = (
    400,
    256,
)  # of a curve with teeth too fine to see one by one: its lowest and highest point


class _Row(NamedTuple):
    """What one loop gain, or one machine, answers: times in s, levels in dB from the first, and in words."""

    name: str
    times: NDArray[np.floating]
    levels_db: NDArray[np.floating]
    said: str
    fades: bool


@figure("how repeats fade", lambda m: {"machine": m})
def decay_of_repeats(
    canvas: Canvas,
    *,
    machine: Machine | None = None,
    speed: float | None = None,
    delay: float | None = None,
    gains_db: Sequence[float] = (-3.0, -6.0, -10.0),
    level_db: float = -60.0,
) -> Drawn:
    """Draw how repeats fade, in dB from the first over time, for a machine or for several loop gains.

    Of a `machine`, at its first `speed` unless another is given, all that is heard is drawn, at its loudest
    tone without bumps in the bass; otherwise every repeat that is not below `level_db` at a `delay` in s and
    each of the loop gains.

    >>> decay_of_repeats(delay=0.218, gains_db=(-6,)).caption
    'Repeats every 218 ms. At −6 dB of loop gain 11 repeats down to −60 dB, the last after 2.4 s.'
    """
    if machine is not None:
        rows, level_db = [_answers(machine, speed or machine.speeds[0])], machine.song.faded_db
        title = "How long the echo is heard" if rows[0].fades else "The echo grows: it runs away"
    elif delay is not None:
        rows = [_repeats(delay, gain_db, level_db) for gain_db in gains_db]
        title = f"Repeats every {amount(delay, 'ms')}"
    else:
        raise ValueError("delay must be given where there is no machine, got None")
    axes, profile, floor_db = canvas.axes, canvas.profile, level_db - 4
    thin, dots = profile.line_pt / 3, []
    for k, row in enumerate(rows):
        look = canvas.line_style(k, marker=True, linewidth=thin)
        dots += axes.plot(
            row.times, row.levels_db, **(look if machine is None else look | {"linestyle": "none"})
        )
    canvas.style_axes(title, x=("time", "$t$", "s"), y=("level", "$L$", "dB"))
    end = 1.05 * max((row.times[-1] for row in rows if row.times.size), default=1.0)
    top_db = max(row.levels_db.max(initial=0) for row in rows)
    wide = 1.0 if machine is not None or profile.narrow else 1.12  # for the names beside the last repeats
    axes.set(xlim=(0, wide * end), ylim=(floor_db, top_db + 0.06 * (top_db - floor_db)))
    artists, names = {"decays": dots}, [minus(row.name) for row in rows]
    if machine is not None:
        axes.vlines(rows[0].times, floor_db, rows[0].levels_db, color=dots[0].get_color(), linewidth=thin)
        artists["level"] = axes.plot([0, end], [level_db, level_db], **canvas.line_style(1, linewidth=thin))
        canvas.name_lines([*dots, *artists["level"]], [*names, minus(f"{level_db:g} dB")])
    elif profile.narrow:
        canvas.name_lines(dots, names)
    else:
        for row, name in zip(rows, names, strict=True):
            canvas.note((row.times[-1], row.levels_db[-1]), name, "upper right")
    said = minus("; ".join(r.said for r in rows))
    return Drawn(
        canvas.figure,
        artists,
        f"{title}. {said[0].upper()}{said[1:]}.",
        f"Chart of level in dB over time in s: a dot for each answer of the tape, the first at 0 dB; {said}.",
        ("repeat n is n - 1 times the loop gain in dB below the first",),
    )


def _repeats(delay: float, gain_db: float, level_db: float) -> _Row:
    """The repeats of one head that are not below a level; of a runaway the first few."""
    count = GROWING if gain_db >= 0 else int(loops.repeats_heard(gain_db, level_db))
    shown = np.arange(count) if count <= COLUMNS else np.linspace(0, count - 1, COLUMNS).round()
    said = f"{_counted(count, 'repeat')} down to {level_db:g} dB, the last after {delay * count:.1f} s"
    name = f"{round(gain_db, 1) + 0.0:g} dB"  # to a tenth; what is counted is not
    if gain_db >= 0:
        said = f"each repeat is {name} louder than the last until the tape is full, a runaway"
    return _Row(name, delay * (1 + shown), gain_db * shown, f"at {name} of loop gain {said}", gain_db < 0)


def _answers(machine: Machine, speed: float) -> _Row:
    """What a machine answers to one short sound at its loudest tone, down to the level of its song."""
    echo, level_db = machine.echo_loop(speed, pole_shape="flat"), machine.song.faded_db
    found = loops.stability(echo, count_modes=False)
    if len(echo.delays) == 1:
        return _repeats(echo.delays[0], -found.bound_db, level_db)
    first_db = amplitude_to_db(abs(echo.input_gain * echo.heads.gains[0])) + loudest(echo.one_pass)[1]
    longest = LONGEST_ECHO if found.stable else 4 * max(echo.delays)
    times, amplitudes = echo_pattern(machine, speed, longest=longest, faintest_db=first_db + level_db)
    levels_db = amplitude_to_db(np.abs(amplitudes)) - first_db if times.size else times
    said = f"{_counted(times.size, 'answer')} of {len(echo.delays)} heads down to {level_db:g} dB"
    if times.size:
        said += f", the last after {times[-1]:.1f} s"
    if not found.stable:
        said = f"{len(echo.delays)} heads answer ever louder until the tape is full, a runaway"
    if times.size > COLUMNS:  # more than can be seen one by one: the loudest of each column
        order = np.lexsort((levels_db, np.ceil(COLUMNS * times / times[-1])))
        loud = np.sort(order[np.diff(np.ceil(COLUMNS * times[order] / times[-1]), append=np.inf) > 0])
        times, levels_db = times[loud], levels_db[loud]
    return _Row(f"{len(echo.delays)} heads", times, levels_db, said, found.stable)


def _counted(count: int, thing: str) -> str:
    return f"{count} {thing}{'' if count == 1 else 's'}"


@figure("when a loop runs away", lambda m: {"loop": m.worst_loop(m.speeds[0])})
def nyquist_picture(canvas: Canvas, *, loop: loops.EchoLoop) -> Drawn:
    """Draw the loop gain in the complex plane beside the point 1, where a loop holds its tone.

    Shown are the first turns and the ``"turn"`` that comes nearest to 1. Artists are these curves, the point
    ``"one"`` and the unit circle, ``"limit"``.

    >>> from tapecalc.machine import example_machine
    >>> drawn = nyquist_picture(loop=example_machine().echo_loop(0.1905))
    >>> drawn.artists["one"].get_xydata()
    array([[1., 0.]])
    """
    axes, profile, found = canvas.axes, canvas.profile, loops.stability(loop)
    longest = max((t for t, gain in zip(loop.delays, loop.head_gains, strict=True) if gain), default=1.0)
    last = TURNS / longest
    first_turns = loops.loop_gain(loop, np.linspace(0, last, 120 * TURNS))
    nearest = (found.frequency or 0.0) + np.linspace(-0.5, 0.5, 121) / longest
    nearest_turn = loops.loop_gain(loop, np.maximum(nearest, 0))
    circle = np.exp(2j * np.pi * np.linspace(0, 1, 200))
    frame, thin = profile.ground.frame, profile.line_pt / 2
    looks = {
        "gain": (first_turns, canvas.line_style(0, linewidth=0.6 * profile.line_pt)),
        "turn": (nearest_turn, canvas.line_style(2)),
        "limit": (circle, {"color": frame, "linestyle": "--", "linewidth": thin}),
        "one": (np.ones(1), canvas.dots(4, marker="X", color=profile.ground.echo)),
    }
    artists = {name: axes.plot(z.real, z.imag, **look)[0] for name, (z, look) in looks.items()}
    x, y = ("in phase", r"Re $L$", ""), ("a quarter turn off", r"Im $L$", "")
    canvas.style_axes("Does the loop reach the point 1?", x=x, y=y)
    reach = 1.15 * max(1.0, float(np.abs(first_turns).max()), float(np.abs(nearest_turn).max()))
    axes.set(xlim=(-reach, reach), ylim=(-reach, reach), aspect="equal")
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_locator(MaxNLocator(4 if profile.narrow else 6, steps=[1, 2, 5, 10]))
    start = _start(found)
    names = ("loop gain", f"turn at {start or frequency_text(1e-3)}", "the point 1", "size 1")
    names = ("$L$", "$L(f_0)$", "1", r"$|L|$ = 1") if canvas.symbols_only else names
    shown = [artists[name] for name in ("gain", "turn", "one", "limit")]
    canvas.legend(shown, names, loc="center left", bbox_to_anchor=(1.05, 0.5))
    distance = "to go" if found.stable else "past the point"
    said = f"the loop is {'stable, with' if found.stable else 'running away,'} "
    said += f"{abs(found.margin_db):.1f} dB {distance}{f', first at {start}' if start else ''}"
    return Drawn(
        canvas.figure,
        artists,
        f"Loop gain from 0 to {frequency_text(last)} in the complex plane, and the turn that comes nearest "
        f"to 1; {said}.",
        "Curve in the complex plane that winds around zero once per turn of phase, one more turn that comes "
        f"nearest to the point 1, the circle of size 1 and a cross at the point 1: {said}.",
        (NYQUIST,),
    )


@figure(
    "where it would start",
    lambda m: {
        "loop": m.worst_loop(m.speeds[0]),
        "likely": m.echo_loop(m.speeds[0]) if m.one_pass(m.speeds[0]).pole_length else None,
    },
)
def runaway_frequency(canvas: Canvas, *, loop: loops.EchoLoop, likely: loops.EchoLoop | None = None) -> Drawn:
    """Draw loop gain over frequency, the limit 0 dB, and the band in which the loop would start.

    Of a machine whose head has bumps of an unknown size `loop` takes the largest there can be, and so do
    margin and band; beside it stands what is `likely`.

    Where the teeth of several heads are finer than the curve can show, it runs from their lowest points to
    their highest and back.

    >>> from tapecalc.machine import example_machine
    >>> drawn = runaway_frequency(loop=example_machine().echo_loop(0.1905))
    >>> drawn.artists["limit"].get_xydata()
    array([[   20.,     0.],
           [20000.,     0.]])
    """
    axes, profile, found = canvas.axes, canvas.profile, loops.stability(loop)
    (frequency, level), start = _outline(loop), _start(found)
    (gain,) = axes.plot(frequency, level, **canvas.line_style(0))
    (limit,) = axes.plot(AUDIBLE, [0, 0], **canvas.line_style(1))
    artists: dict[str, Artist] = {"gain": gain, "limit": limit}
    lines, of_bumps = {"loop gain": gain, "limit": limit}, ""
    if likely is not None:
        (thin,) = axes.plot(*_outline(likely), **canvas.line_style(3, linewidth=profile.line_pt / 2))
        artists["likely"] = thin
        lines = {"largest bumps": gain, "likely bumps": thin, "limit": limit}
        of_bumps = " with the largest bumps that a head can have, and with likely ones"
    top = max(0.0, level.max())
    if found.band is not None and found.frequency is not None and found.frequency <= AUDIBLE[1]:
        f = max(found.frequency, AUDIBLE[0])
        low, high = np.clip(found.band, *AUDIBLE)
        if high > low:
            artists["band"] = axes.axvspan(low, high, color=profile.ground.fill, linewidth=0, zorder=0)
        (artists["margin"],) = axes.plot([f, f], [-found.margin_db, 0], **canvas.line_style(2))
        big = canvas.line_style(2, marker=True, linestyle="none", markersize=4 * profile.line_pt)
        (artists["start"],) = axes.plot([f], [-found.margin_db], **big, zorder=4)
        words = f"{abs(found.margin_db):.1f} dB {'to go' if found.stable else 'past'}"
        words = start if canvas.symbols_only or profile.narrow else f"{start}, {words}"
        canvas.note((f, top), words, "upper right" if f < 1e3 else "upper left")
    canvas.style_response("Where it would run away", y=("loop gain", "$|L|$", "dB"))
    axes.set_ylim(min(-18, top - 24), top + 6)
    names = ("$|L|$", "1") if canvas.symbols_only else tuple(lines)
    canvas.name_lines((gain, limit) if canvas.symbols_only else lines.values(), names)
    said = f"margin {found.margin_db:.1f} dB, {_first(found)}"
    if not found.stable:
        said = f"{-found.margin_db:.1f} dB past the limit, running away {_first(found)}"
    return Drawn(
        canvas.figure,
        artists,
        f"Loop gain over frequency{of_bumps}; {said}.",
        f"Line chart of loop gain in dB over frequency{of_bumps}, a line at the limit of 0 dB, a dot at the "
        f"tone that comes first and a shaded band of those that may start as well: {said}.",
        (NYQUIST,),
    )


def _outline(loop: loops.EchoLoop) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Follow the loop gain in dB over all that is heard: lowest and highest point of narrow columns."""
    edges = np.geomspace(*AUDIBLE, COLUMNS + 1)
    # Shares of the golden section fall in step with no comb.
    share = np.sort((np.arange(IN_COLUMN) + 0.5) * (np.sqrt(5) - 1) / 2 % 1)
    frequency = edges[:-1, None] + np.diff(edges)[:, None] * share
    level = loops.loop_gain_db(loop, frequency)
    found = np.sort(np.stack([level.argmin(axis=1), level.argmax(axis=1)], axis=1), axis=1)
    shown = (np.take_along_axis(values, found, axis=1).ravel() for values in (frequency, level))
    return next(shown), next(shown)


def _first(found: loops.Stability) -> str:
    """Say where a loop would start: the tone that comes first, or the band in which one is as good."""
    if found.band is None:
        return "with no tone that starts"
    low, high = (frequency_text(max(end, 1e-3)) for end in found.band)
    first = f"first at {_start(found)}"
    return first if low == high else f"{first}, or anywhere from {low} to {high} where tones are within 1 dB"


def _start(found: loops.Stability) -> str:
    """Say where a loop would start; nothing where it cannot."""
    return "" if found.frequency is None else frequency_text(max(found.frequency, 1e-3))
