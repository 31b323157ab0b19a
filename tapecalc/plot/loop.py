"""Figures of repeats and stability."""

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from matplotlib.artist import Artist
from matplotlib.lines import Line2D
from matplotlib.patches import Circle
from matplotlib.text import Text
from numpy.typing import NDArray

from tapecalc.calc import loop as loops
from tapecalc.calc.response import loudest
from tapecalc.calc.units import amplitude_to_db
from tapecalc.machine import Machine
from tapecalc.plan import LONGEST_ECHO, echo_pattern
from tapecalc.plot.kit import AUDIBLE, Canvas, Drawn, delay_text, figure, minus
from tapecalc.plot.style import DASH_DOT, STRUCTURE, Profile, frequency_text, sequence
from tapecalc.words import amount, margin, sentence

NYQUIST = "H. Nyquist, Regeneration Theory, Bell System Technical Journal 11, 1932 (from memory)"
TURNS = 3  # of the loop gain around zero that are shown: the whole band would be a solid disk
DISK = 0.14  # radius of the disk around the point 1, over half of the picture's height
MOST_DB = 24.0  # below its loudest that a loop gain is shown
MAY_RUN = "; with large bumps in the bass it may run away"
GROWING = 10  # repeats of a runaway that are drawn
MOST_STROKES = 32  # that grow thin one by one
#: Of a curve with teeth too fine to see one by one: columns, and points in each for its lowest and highest.
OUTLINE = "outline"  # label of a line that runs from the lowest points of a comb to its highest and back
COLUMNS, IN_COLUMN = 400, 256


class _Row(NamedTuple):
    """What one loop gain, or one machine, answers: times in s, levels in dB from the first, and in words."""

    name: str
    times: NDArray[np.floating]
    levels_db: NDArray[np.floating]
    said: str
    fades: bool
    answers: int  # all that are heard, more than those drawn where they are very many
    heads: int = 1
    past_db: float = 0.0  # how far a runaway is past the limit
    may_run: bool = False  # whether larger bumps than are likely let it run away


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
        speed = speed or machine.speeds[0]
        rows, level_db = [_answers(machine, speed)], machine.song.faded_db
        title = "The echo grows: it runs away"
        if rows[0].fades:
            title = "How long the echo is heard" + ", unless it runs away" * rows[0].may_run
        subtitle = f"loudest tone, {canvas.speed(speed)}"
    elif delay is not None:
        rows = [_repeats(delay, gain_db, level_db) for gain_db in gains_db]
        title = f"Repeats every {amount(delay, 'ms')}"
        subtitle = f"a repeat every {amount(delay, 'ms')}"
    else:
        raise ValueError("delay must be given where there is no machine, got None")
    until = f"down to {level_db:g} dB" + ("" if len(rows) == 1 else f" with {rows[0].name}")
    canvas.head(_finding(rows), subtitle, **_number(rows[0], minus(until), words=not canvas.symbols_only))
    axes, profile, thin = canvas.axes, canvas.profile, STRUCTURE * canvas.profile.line_pt
    top_db = max(row.levels_db.max(initial=0) for row in rows)
    room_db = 0.1 * (top_db - level_db)
    dots = []
    for k, row in enumerate(rows):
        size = 3.4 - 1.6 * k / max(1, len(rows) - 1)
        dots += axes.plot(row.times, row.levels_db, **canvas.dots(size, color=canvas.color("echo")))
    if machine is not None:
        _strokes(canvas, rows[0], level_db)
        dots[0].set(markersize=2.4 * profile.line_pt)
    canvas.style_axes(x=("time", "$t$", "s"), y=("level", "$L$", "dB"))
    end = 1.05 * max((row.times[-1] for row in rows if row.times.size), default=1.0)
    wide_by = 1.0 if machine is not None or profile.narrow else 1.12  # for the names beside the last repeats
    axes.set(xlim=(0, wide_by * end), ylim=(level_db - room_db, top_db + room_db))
    axes.axhspan(level_db - 2 * room_db, level_db, **canvas.hatched(zorder=0.1))
    look = canvas.line_look("limit", linewidth=thin, linestyle=DASH_DOT)
    artists = {"decays": dots, "level": axes.plot([0, wide_by * end], [level_db] * 2, **look)}
    names = [minus(row.name) for row in rows]
    if machine is not None or profile.narrow:
        shown = dots if machine is None else []
        limit = f"{level_db:g} dB" if canvas.symbols_only or profile.narrow else f"gone: {level_db:g} dB"
        canvas.name_lines([*shown, *artists["level"]], [*names[: len(shown)], minus(limit)])
    else:
        for row, name in zip(rows, names, strict=True):
            canvas.note((row.times[-1], row.levels_db[-1]), name, "upper right", "echo")
    said = minus("; ".join(r.said for r in rows))
    return Drawn(
        canvas.figure,
        artists,
        f"{title}. {sentence(said)}.",
        "Chart of level in dB over time in s: a dot for each answer of the tape, the first at 0 dB, and a "
        f"dash-dotted line where they are gone; {said}.",
        ("repeat n is n - 1 times the loop gain in dB below the first",),
    )


def _strokes(canvas: Canvas, row: _Row, level_db: float) -> None:
    """Draw each answer as a stroke from the level at which it is gone, the later the thinner and paler."""
    total, width = len(row.times), canvas.profile.line_pt
    if total:
        shades = sequence(canvas.profile, min(total, MOST_STROKES))
        fade = [shades[min(k, MOST_STROKES - 1)] for k in range(total)]
        wide = [max(0.4, 2 - 1.6 * k / MOST_STROKES) * width for k in range(total)]
        wide = wide if total <= MOST_STROKES else [STRUCTURE * width] * total
        canvas.axes.vlines(row.times, level_db, row.levels_db, color=fade, linewidth=wide, zorder=3)


def _finding(rows: Sequence[_Row]) -> str:
    """Say in a title how long the echo is heard, or that it grows."""
    if not all(row.fades for row in rows):
        several = (
            "Together the answers grow: it runs away" if rows[0].heads > 1 else "The echo grows: it runs away"
        )
        return several if len(rows) == 1 else "From 0 dB on the echo grows"
    if len(rows) > 1:
        return "The more comes back, the more repeats"
    if rows[0].may_run:
        return "With large bumps it may run away"
    if not rows[0].times.size:
        return "No answer is loud enough"
    if rows[0].heads > 1:
        return f"{_counted(rows[0].answers, 'answer')}, then the echo is gone"
    return f"The echo is heard for {rows[0].times[-1]:.1f} s"


def _number(row: _Row, until: str, *, words: bool) -> dict[str, str]:
    """Count the repeats; of several heads tell how long they are heard, of a runaway how it grows."""
    if not row.fades and row.heads == 1:
        return {"answer": f"+{row.name}", "means": "louder with each repeat"}
    if not row.fades:
        return {"answer": margin(-row.past_db), "means": "past the edge"}
    if row.heads > 1:
        last = row.times[-1] if row.times.size else 0.0
        return {"answer": f"{last:.1f} s", "means": f"to the last answer, {until}"}
    return {"answer": _counted(row.answers, "repeat") if words else f"{row.answers}", "means": until}


def _repeats(delay: float, gain_db: float, level_db: float) -> _Row:
    """The repeats of one head that are not below a level; of a runaway the first few."""
    count = GROWING if gain_db >= 0 else int(loops.repeats_heard(gain_db, level_db))
    shown = np.arange(count) if count <= COLUMNS else np.linspace(0, count - 1, COLUMNS).round()
    said = f"{_counted(count, 'repeat')} down to {level_db:g} dB, the last after {delay * count:.1f} s"
    name = f"{round(gain_db, 1) + 0.0:g} dB"  # to a tenth; what is counted is not
    if gain_db >= 0:
        name = f"{np.ceil(10 * gain_db - 1e-6) / 10 + 0.0:g} dB"  # no less than it grows
        said = f"each repeat is {name} louder than the last until the tape is full, a runaway"
    return _Row(
        name, delay * (1 + shown), gain_db * shown, f"at {name} of loop gain {said}", gain_db < 0, count
    )


def _answers(machine: Machine, speed: float) -> _Row:
    """What a machine answers to one short sound at its loudest tone, down to the level of its song."""
    echo, level_db = machine.echo_loop(speed, pole_shape="flat"), machine.song.faded_db
    found, likely, worst = (
        loops.stability(loop, count_modes=False)
        for loop in (echo, machine.echo_loop(speed), machine.worst_loop(speed))
    )
    fades = found.stable and (likely.stable or worst.stable)  # as the plan has it
    may_run = fades and not (likely.stable and worst.stable)
    if len(echo.delays) == 1:
        row = _repeats(echo.delays[0], -(found if fades else likely).bound_db, level_db)
        return row._replace(said=row.said + MAY_RUN * may_run, may_run=may_run)
    first_db = amplitude_to_db(abs(echo.input_gain * echo.heads.gains[0])) + loudest(echo.one_pass)[1]
    longest = LONGEST_ECHO if fades else 4 * max(echo.delays)
    times, amplitudes = echo_pattern(machine, speed, longest=longest, faintest_db=first_db + level_db)
    levels_db = amplitude_to_db(np.abs(amplitudes)) - first_db if times.size else times
    said = f"{_counted(times.size, 'answer')} of {len(echo.delays)} heads down to {level_db:g} dB"
    if times.size:
        said += f", the last after {times[-1]:.1f} s"
    said, count = said + MAY_RUN * may_run, times.size
    if not fades:
        said = f"{len(echo.delays)} heads answer ever louder until the tape is full, a runaway"
    if times.size > COLUMNS:  # more than can be seen one by one: the loudest of each column
        order = np.lexsort((levels_db, np.ceil(COLUMNS * times / times[-1])))
        loud = np.sort(order[np.diff(np.ceil(COLUMNS * times[order] / times[-1]), append=np.inf) > 0])
        times, levels_db = times[loud], levels_db[loud]
    return _Row(
        f"{len(echo.delays)} heads",
        times,
        levels_db,
        said,
        fades,
        count,
        len(echo.delays),
        -min(found.margin_db, worst.margin_db),
        may_run,
    )


def _counted(count: int, thing: str) -> str:
    return f"{count} {thing}{'' if count == 1 else 's'}"


def bound_of(machine: Machine) -> dict[str, Any]:
    """Give the loop that a margin is told of, and whether the margin is `at_least` that of this loop.

    It is where bumps of an unknown size are in it, the largest there can be, unless it runs away with
    those that are likely.
    """
    speed = machine.speeds[0]
    worst, likely = machine.worst_loop(speed), machine.echo_loop(speed)
    dies = any(loops.stability(loop, count_modes=False).stable for loop in (worst, likely))
    return {"loop": worst, "at_least": worst != likely and dies}


def margin_means(stable: bool, *, at_least: bool) -> str:  # noqa: FBT001  a verdict
    """Say what the size of a margin is, behind the number."""
    if stable:
        return f"{'or more ' if at_least else ''}until it runs away"
    return f"past the edge{', at the most' if at_least else ''}"


@figure("when a loop runs away", bound_of)
def nyquist_picture(canvas: Canvas, *, loop: loops.EchoLoop, at_least: bool = False) -> Drawn:
    """Draw the loop gain in the complex plane beside the point 1, where a loop holds its tone.

    Shown is the ``"turn"`` that comes nearest to 1, from half a turn before to half a turn after, among the
    turns beside it, ``"gain"``. The dots ``"marks"`` are a quarter turn apart, the first where it comes
    nearest. ``"one"`` is the point, ``"limit"`` the circle of size 1.

    >>> from tapecalc.machine import example_machine
    >>> drawn = nyquist_picture(loop=example_machine().echo_loop(0.1905))
    >>> drawn.artists["one"].get_xydata()
    array([[1., 0.]])
    """
    axes, found, start = canvas.axes, loops.stability(loop), _start(loops.stability(loop))
    longest = max((t for t, gain in zip(loop.delays, loop.head_gains, strict=True) if gain), default=1.0)
    first = found.frequency or 0.0
    beside = np.maximum(first + np.linspace(-TURNS / 2, TURNS / 2, 400 * TURNS + 1) / longest, 0)
    nearest = np.maximum(first + np.linspace(-0.5, 0.5, 401) / longest, 0)
    quarters = np.arange(4) / 4 / longest
    said = _distance(found, at_least=at_least)
    canvas.head(
        _verdict(found, at_least=at_least),
        f"first at {start}" if start else "",
        answer=margin(found.margin_db, at_least=at_least),
        means=margin_means(found.stable, at_least=at_least),
    )
    thin, gains = STRUCTURE * canvas.profile.line_pt, [loops.loop_gain(loop, f) for f in (beside, nearest)]
    size = max(float(np.abs(gain).max()) for gain in gains)
    half, left, right = _frame(canvas.profile, size)
    ends = (-0.25, 0.25) if half < 1 else (0.0, 1.0)  # crumbs of its left side would be seen
    curves = {
        "gain": (gains[0], canvas.line_look("context", linewidth=thin)),
        "turn": (gains[1], canvas.line_look("echo")),
        "limit": (
            np.exp(2j * np.pi * np.linspace(ends[0], ends[1], 400)),
            canvas.line_look("limit", linewidth=thin, linestyle=DASH_DOT),
        ),
        "marks": (loops.loop_gain(loop, first + quarters), canvas.dots(3, color=canvas.color("echo"))),
        "one": (np.ones(1), canvas.dots(2.6, color=canvas.color("limit"), zorder=6)),
    }
    artists: dict[str, Artist] = {
        name: axes.plot(z.real, z.imag, **look)[0] for name, (z, look) in curves.items()
    }
    z = curves["marks"][0][0]
    to_one = canvas.line_look("limit", linewidth=2 * thin)
    artists["distance"] = axes.plot([z.real, 1], [z.imag, 0], **to_one, zorder=3)[0]
    look = canvas.hatched() | {"edgecolor": canvas.color("limit"), "linewidth": thin, "zorder": 2.5}
    artists["danger"] = axes.add_patch(Circle((1, 0), DISK * half, **look))
    canvas.style_axes(grid=None)
    axes.set(xlim=(left, right), ylim=(-half, half), aspect="equal", xticks=[], yticks=[])
    for spine in axes.spines.values():
        spine.set(visible=spine.spine_type in ("left", "bottom"), position="zero", color=canvas.color("grid"))
    names = _names_of_turn(canvas, curves["marks"][0], quarters, start, size / half)
    arc = 0.98 * curves["limit"][0]  # what stands above is not to touch its end
    lines = [*curves["turn"][0][::2], *arc[arc.imag > 0.88 * half]]
    canvas.fewer(names, off=[(1, 0), *((z.real, z.imag) for z in lines)])
    return Drawn(
        canvas.figure,
        artists,
        f"Loop gain in the complex plane around the tone that comes first: the turn that comes nearest to 1 "
        f"and those beside it, dots a quarter turn apart; {said}.",
        "Curve in the complex plane that winds around zero once per turn of phase, strong where it comes "
        f"nearest to the point 1, the circle of size 1 and a hatched disk at the point 1: {said}.",
        (NYQUIST,),
    )


def _frame(profile: Profile, size: float) -> tuple[float, float, float]:
    """Frame a loop gain of some size and the point 1: upper, left and right end, as the sheet is shaped."""
    half, beside = max(1.25 * size, 0.5), 0.65 if profile.portrait else 0.8  # for what is named there
    left, right = -max(1.15 * size, 0.5), max(1 + 0.7 * max(half, 0.65), size + beside * half)
    shape = 1.05 if profile.portrait else 1.5 if profile.layout == "third" else 2.0
    half = max(half, (right - left) / 2 / shape)
    return 1.05 if 0.8 < half < 1.05 else half, left, right  # all of the circle, or clearly not


def _verdict(found: loops.Stability, *, at_least: bool) -> str:
    """Say in a title whether a loop stays clear of the point 1."""
    if found.frequency is None:
        return "No tone comes back in step"
    if found.stable:
        return "The loop stays short of 1"
    return "The loop may pass 1 and run away" if at_least else "The loop passes 1: it runs away"


def _distance(found: loops.Stability, *, at_least: bool) -> str:
    """Say in a sentence what a margin means."""
    start, distance = _start(found), f"{'or more ' if at_least else ''}to go"
    verdict = "stable, with"
    if not found.stable:
        distance = f"past the point{', at the most' if at_least else ''}"
        verdict = "perhaps running away," if at_least else "running away,"
    where = f", first at {start}" if start else ""
    return f"the loop is {verdict} {margin(found.margin_db, at_least=at_least)} {distance}{where}"


def _names_of_turn(
    canvas: Canvas, marks: NDArray[np.complex128], quarters: NDArray[np.float64], start: str, share: float
) -> list[Text | list[Text]]:
    """Name the point 1, and along the turn what brings it a quarter further."""
    right, half = canvas.axes.get_xlim()[1], canvas.axes.get_ylim()[1]
    words, slim = not canvas.symbols_only, {"bbox": canvas.plate()["bbox"] | {"pad": 0.5}}
    one, low = "the point 1" if words else "1", (1, -DISK * half)
    ways = [(one, "below"), (one, "lower left"), (one, "lower right"), ("1", "below")]
    names: list[Text | list[Text]] = [[canvas.note(low, *way, "limit", **slim) for way in ways]]
    step = float(quarters[1])
    places = max(0, 1 - int(np.floor(np.log10(step))))
    for z, more in zip(marks, quarters, strict=True):
        beside = ("left" if z.real > 0 else "right") if abs(z.real) > abs(z.imag) else "above"
        beside = "below" if beside == "above" and z.imag > 0 else "right" if z.real > 1 else beside
        text = f"+{more:.{places}f} Hz" if more else start
        sides = (beside, {"above": "below", "below": "above", "left": "right", "right": "left"}[beside])
        if share > 0.3:
            at = (z.real, z.imag)
            names.append([canvas.note(at, text, side, "echo", **canvas.plate()) for side in sides])
    x = np.sqrt(max(0.0, 1 - (0.8 * half) ** 2)) if half < 1.25 else 0.6
    around = "size 1" if words else "$|L|$ = 1"
    place = (x, 0.8 * min(half, 1))
    names.append([canvas.note(place, around, side, "limit", **canvas.plate()) for side in ("right", "left")])
    if not canvas.profile.portrait:
        names.append(canvas.note((right, 0), "in step" if words else r"Re $L$", "lower left", "frame"))
    ahead = "a quarter turn ahead" if words else r"Im $L$"
    names.append(canvas.note((0, half), ahead, "lower right", "frame", **canvas.plate()))
    return names


@figure(
    "where it would start",
    lambda m: {
        **bound_of(m),
        "likely": m.echo_loop(m.speeds[0]) if m.one_pass(m.speeds[0]).pole_length else None,
    },
)
def runaway_frequency(
    canvas: Canvas, *, loop: loops.EchoLoop, likely: loops.EchoLoop | None = None, at_least: bool = False
) -> Drawn:
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
    axes, profile, found = canvas.axes, canvas.profile, loops.stability(loop, count_modes=False)
    (frequency, level), start, thin = _outline(loop), _start(found), STRUCTURE * canvas.profile.line_pt
    beyond, teeth = (found.frequency or 0) > AUDIBLE[1], sum(map(bool, loop.head_gains)) > 1
    gray, far = teeth and likely is not None and profile.narrow, margin(found.margin_db, at_least=at_least)
    count, more = len(loop.delays), "; gray: likely bumps" * gray + ", beyond what is heard" * beyond
    canvas.head(
        _first_tone(found, at_least=at_least),
        f"{count} head{'s, from' if count > 1 else ','} {delay_text(loop.delays[0])}{more}",
        answer=far,
        means=margin_means(found.stable, at_least=at_least),
    )
    width = profile.line_pt * (0.4 if teeth else 1)
    (gain,) = axes.plot(frequency, level, **canvas.line_look("echo", linewidth=width, label=OUTLINE))
    (limit,) = axes.plot(AUDIBLE, [0, 0], **canvas.line_look("limit", linewidth=thin, linestyle=DASH_DOT))
    artists: dict[str, Artist] = {"gain": gain, "limit": limit}
    lines, of_bumps = {"loop gain": gain, "limit": limit}, ""
    if likely is not None:
        (slim,) = axes.plot(
            *_outline(likely), **canvas.line_look("context", linewidth=thin, zorder=1.9, label=OUTLINE)
        )
        artists["likely"] = slim
        lines = {"largest bumps": gain, "likely bumps": slim, "limit": limit}
        of_bumps = " with the largest bumps that a head can have, and with likely ones"
    canvas.style_response(y=("loop gain", "$|L|$", "dB"))
    plate: dict[str, Any] = {"facecolor": canvas.color("face"), "edgecolor": "none", "pad": 1}
    top, lowest = max(0.0, level.max()), max(float(level.min()), float(level.max()) - MOST_DB)
    room = 0.16 * (top - lowest)  # four times as much below where names stand there
    axes.set_ylim(lowest - (2.0 if profile.narrow and not teeth else 0.5) * room, top + 1.8 * room)
    axes.axhspan(0, top + 1.8 * room, **canvas.hatched(zorder=0.1))
    if found.band is not None and found.frequency is not None and not beyond:
        f = max(found.frequency, AUDIBLE[0])
        low, high = np.clip(found.band, *AUDIBLE)
        if high > low:
            look: dict[str, Any] = {"color": canvas.color("fill"), "linewidth": 0, "zorder": 0.2}
            artists["band"] = axes.axvspan(low, high, **look)
        look = canvas.line_look("limit", linewidth=thin)
        (artists["margin"],) = axes.plot([f, f], [-found.margin_db, 0], **look)
        big = canvas.dots(4, color=canvas.color("echo"))
        (artists["start"],) = axes.plot([f], [-found.margin_db], **big)
        wide = profile.layout != "third" and not profile.narrow and "band" in artists
        words = f"{start}, or in the gray band" if wide and not canvas.symbols_only else start
        note = canvas.note((f, top + 0.1 * room), words, "upper right" if f < 1e3 else "upper left", "echo")
        note.set_bbox(plate)
    if not (teeth and profile.narrow):  # which leave no room for names
        _name_gains(canvas, lines, plate)
    said = f"margin {far}{' or more' if at_least else ''}, {_first(found)}"
    if not found.stable:
        runs = "at the most, perhaps running away" if at_least else "running away"
        said = f"{far} past the limit, {runs} {_first(found)}"
    return Drawn(
        canvas.figure,
        artists,
        f"Loop gain over frequency{of_bumps}; {said}.",
        f"Line chart of loop gain in dB over frequency{of_bumps}, hatched from the limit of 0 dB on, a dot "
        f"at the tone that comes first and a shaded band of those that may start as well: {said}.",
        (NYQUIST,),
    )


def _name_gains(canvas: Canvas, lines: dict[str, Line2D], plate: dict[str, Any]) -> None:
    """Name loop gains and their limit at their ends, or in the lower corner of a narrow chart."""
    if canvas.profile.narrow and not canvas.symbols_only:
        for k, (name, line) in enumerate(list(lines.items())[:-1]):
            note = canvas.note((AUDIBLE[0], canvas.axes.get_ylim()[0]), name, "right")
            note.set(color=line.get_color(), bbox=plate, y=(0.8 + 1.5 * k) * canvas.profile.text_pt)
        return
    first, *_, limit = lines.values()
    names = ("$|L|$", "1") if canvas.symbols_only else tuple(lines)
    canvas.name_lines((first, limit) if canvas.symbols_only else lines.values(), names)


def _first_tone(found: loops.Stability, *, at_least: bool) -> str:
    """Say in a title where a loop starts, or would."""
    if not _start(found):
        return "No tone comes back in step"
    away = f"It {'may run' if at_least else 'runs'} away, first near"
    first = "Turned up, it would start near" if found.stable else away
    return f"{first} {_start(found)}"


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
