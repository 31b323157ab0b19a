"""Figures of repeats and stability."""

from collections.abc import Sequence

import numpy as np
from matplotlib.ticker import MaxNLocator

from tapecalc.calc import loop as loops
from tapecalc.plot.kit import AUDIBLE, FREQUENCIES, Canvas, Drawn, figure, minus
from tapecalc.plot.style import frequency_text
from tapecalc.words import amount

NYQUIST = "H. Nyquist, Regeneration Theory, Bell System Technical Journal 11, 1932 (from memory)"
TURNS = 14  # of the loop gain around zero: the whole band would be a solid disk


@figure("how repeats fade", lambda m: {"delay": m.delays(m.speeds[0])[0]})
def decay_of_repeats(
    canvas: Canvas, *, delay: float, gains_db: Sequence[float] = (-3.0, -6.0, -10.0), repeats: int = 10
) -> Drawn:
    """Draw how repeats fade, in dB over time, for several loop gains below 0 dB.

    >>> decay_of_repeats(delay=0.218, gains_db=(-6,)).caption
    'Repeats every 218 ms. At −6 dB of loop gain 10 repeats to −60 dB, in 2.2 s.'
    """
    axes, narrow, every = canvas.axes, canvas.profile.narrow, f"Repeats every {amount(delay, 'ms')}"
    count, decays = np.arange(repeats + 1), []
    for k, gain in enumerate(gains_db):
        decays += axes.plot(count * delay, count * gain, **canvas.line_style(k, marker=True))
    canvas.style_axes(every, x=("time", "$t$", "s"), y=("level", "$L$", "dB"))
    axes.set(xlim=(0, repeats * delay * (1.04 if narrow else 1.2)), ylim=(-64, 2))
    names = [minus(f"{gain:g} dB") for gain in gains_db]
    if narrow:
        canvas.name_lines(decays, names)
    else:
        for line, name in zip(decays, names, strict=True):
            points = np.array(line.get_xydata())
            canvas.note(points[points[:, 1] >= -60][-1], name, "upper right")
    each = (
        f"at {gain:g} dB of loop gain {loops.repeats_until(gain, -60):.0f} repeats to -60 dB, in "
        f"{loops.decay_time(delay, gain):.1f} s"
        for gain in gains_db
    )
    said = minus("; ".join(each))
    return Drawn(
        canvas.figure,
        {"decays": decays},
        f"{every}. {said[0].upper()}{said[1:]}.",
        "Line chart of level in dB over time in s, a dot for every repeat; straight lines that fall from "
        f"0 dB: {said}.",
        ("repeat n is n times the loop gain in dB",),
    )


@figure("when a loop runs away", lambda m: {"loop": m.echo_loop(m.speeds[0])})
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
    last = TURNS / max(loop.delays)
    first_turns = loops.loop_gain(loop, np.linspace(0, last, 120 * TURNS))
    nearest = (found.frequency or 0.0) + np.linspace(-0.5, 0.5, 121) / max(loop.delays)
    nearest_turn = loops.loop_gain(loop, np.maximum(nearest, 0))
    circle = np.exp(2j * np.pi * np.linspace(0, 1, 200))
    frame, thin = profile.ground.frame, profile.line_pt / 2
    looks = {
        "gain": (first_turns, canvas.line_style(0, linewidth=0.6 * profile.line_pt)),
        "turn": (nearest_turn, canvas.line_style(2)),
        "limit": (circle, {"color": frame, "linestyle": "--", "linewidth": thin}),
        "one": (np.ones(1), canvas.dots(4, marker="X", color=profile.ground.colors[1])),
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


@figure("where it would start", lambda m: {"loop": m.echo_loop(m.speeds[0])})
def runaway_frequency(canvas: Canvas, *, loop: loops.EchoLoop) -> Drawn:
    """Draw loop gain over frequency, the limit 0 dB, and the place where the loop would start.

    >>> from tapecalc.machine import example_machine
    >>> drawn = runaway_frequency(loop=example_machine().echo_loop(0.1905))
    >>> drawn.artists["limit"].get_xydata()
    array([[   20.,     0.],
           [20000.,     0.]])
    """
    axes, found = canvas.axes, loops.stability(loop)
    level, start = loops.loop_gain_db(loop, FREQUENCIES), _start(found)
    artists = {
        "gain": axes.plot(FREQUENCIES, level, **canvas.line_style(0))[0],
        "limit": axes.plot(AUDIBLE, [0, 0], **canvas.line_style(1))[0],
    }
    if found.frequency is not None and found.frequency >= AUDIBLE[0]:
        f, top = found.frequency, -found.margin_db
        (artists["margin"],) = axes.plot([f, f], [top, 0], **canvas.line_style(2))
        canvas.note((f, top), start, "below" if found.stable else "above")
        side = "left" if f > 2e3 else "right"
        canvas.note((f, top / 2), minus(f"{found.margin_db:.1f} dB"), side)
        big = canvas.line_style(2, marker=True, linestyle="none", markersize=4 * canvas.profile.line_pt)
        (artists["start"],) = axes.plot([f], [top], **big, zorder=4)
    canvas.style_response("Where it would run away", y=("loop gain", "$|L|$", "dB"))
    axes.set_ylim(min(-30, level.max() - 24), max(6, level.max() + 8))
    names = ("$|L|$", "1") if canvas.symbols_only else ("loop gain", "limit")
    canvas.name_lines((artists["gain"], artists["limit"]), names)
    start = start or "no frequency"
    said = f"margin {found.margin_db:.1f} dB, starting at {start}"
    if not found.stable:
        said = f"{-found.margin_db:.1f} dB past the limit, running away at {start}"
    return Drawn(
        canvas.figure,
        artists,
        f"Loop gain over frequency; {said}.",
        "Line chart of loop gain in dB over frequency, a line at the limit of 0 dB and a dot where it "
        f"starts: {said}.",
        (NYQUIST,),
    )


def _start(found: loops.Stability) -> str:
    """Say where a loop would start; nothing where it cannot."""
    return "" if found.frequency is None else frequency_text(max(found.frequency, 1e-3))
