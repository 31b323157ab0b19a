"""Why a loop starts where it does: sound as an arrow, and what comes back added to it."""

import cmath
import math

import numpy as np
from matplotlib.patches import PathPatch

from tapecalc.calc import loop as loops
from tapecalc.calc.units import amplitude_to_db
from tapecalc.plot.kit import Canvas, Drawn, figure, minus
from tapecalc.plot.loop import NYQUIST, bound_of
from tapecalc.plot.sketch import LINE, NARROW, Array, Sketch
from tapecalc.plot.style import DASH_DOT, STRUCTURE, frequency_text
from tapecalc.words import frequency as frequency_words
from tapecalc.words import listed, margin

#: How late a tone comes back, in degrees of its period, and within so many of them.
TURNS = {0: "in step", 90: "a quarter turn late", 180: "half a turn late", 270: "three quarters late"}
NEAR = 10.0


@figure(
    "why it starts where it does",
    bound_of,
    suits=lambda m: any(m.heads_at(m.speeds[0]).return_gains),
    needs="a head that feeds the return",
)
def loop_arrows(canvas: Canvas, *, loop: loops.EchoLoop, at_least: bool = False) -> Drawn:
    """Draw the first turn of three tones: the input, an arrow of length 1, and what comes back.

    The first tone is the one that would start; the others are a quarter of ``1 / T`` apart. What comes back
    is as long as the loop gain and turned by its phase; it adds where it points forward. Artists are what
    comes back and, as ``"limit"``, the circles of length 1 around the tips of the input.

    >>> from tapecalc.machine import example_machine
    >>> len(loop_arrows(loop=example_machine().echo_loop(0.1905)).artists["returns"])
    3
    """
    found = loops.stability(loop, count_modes=False)
    if found.frequency is None:
        raise ValueError("loop must have a tone that comes back in phase, got one without")
    longest = max(t for t, gain in zip(loop.delays, loop.head_gains, strict=True) if gain)
    tones = found.frequency + np.arange(3) / 4 / longest
    gains = np.asarray(loops.loop_gain(loop, tones))
    changes_db = amplitude_to_db(np.maximum(np.abs(1 + gains), 1e-3)).tolist()
    far = margin(found.margin_db, at_least=at_least)
    canvas.head(
        "Only what returns in step can run away",
        f"three tones from {frequency_text(max(found.frequency, 1e-3))} on, once round",
        answer=far,
        means=_means(found.stable, at_least=at_least),
    )
    sheet = canvas.sketch()
    later = (f"+{frequency_words(tone, digits=2)}" for tone in (tones[1:] - tones[0]).tolist())
    names = [frequency_text(max(found.frequency, 1e-3)), *later]
    says = [f"{'adds' if db >= 0 else 'takes'} {abs(db):.1f} dB" for db in changes_db]
    turns = [_turned(gain) for gain in gains.tolist()]
    beside = sheet.width < NARROW  # circles below one another, their words beside them
    cell = np.array([sheet.width, sheet.height / 3]) if beside else np.array([sheet.width / 3, sheet.height])
    reach = max(1.0, float(np.abs(gains).max()))
    room = (cell[1] - 0.4) if beside else min(0.94 * cell[0], cell[1] - 5.5)
    top = cell[1] - (0.2 if beside else max(0.2, (cell[1] - room - 5.5) / 2))
    size, returns, limits = room / 2 / reach, [], []
    for k, gain in enumerate(gains.tolist()):
        corner = np.array([0.0, (2 - k) * cell[1]]) if beside else np.array([k * cell[0], 0.0])
        tip = corner + (0.5 * room + 0.2 if beside else 0.5 * cell[0], top - 0.5 * room)
        end = tip + size * np.array([gain.real, gain.imag])
        limits.append(sheet.disk(tip, size, role="limit", fill="face", width=STRUCTURE, zorder=1))
        limits[-1].set(linestyle=DASH_DOT, facecolor="none")  # what is as long as the input
        sheet.line([tip - (size, 0), tip], role="dry", width=1.0, arrows=1, zorder=3)
        aside = (0, -0.35 if gain.real < 0 and abs(gain.imag) < 0.2 else 0.0)  # not over the input
        returns.append(_arrow(sheet, tip + aside, end + aside))
        words = [(names[k], "text")]
        if not canvas.symbols_only:
            words += [(turns[k], "text"), (says[k], "echo" if changes_db[k] >= 0 else "dry")]
        for line, (text, role) in enumerate(words):
            if beside:
                sheet.words((room + 1.2, tip[1] + 1.5 * (1 - line)), text, ha="left", role=role)
            else:
                sheet.words((tip[0], tip[1] - 0.5 * room - 1.1 - 1.55 * line), text, role=role)
        if k == 0 and not (canvas.symbols_only or beside):
            sheet.words(tip - (0.55 * size, 1.05), "input", role="dry", **canvas.plate())
            middle = min(0.5 * size * abs(gain), max(size - 1.9, 0.4 * size))  # within the circle
            sheet.words(tip + (middle, 0.8), "return", role="echo")
    said = minus(listed(f"{name} {what}" for name, what in zip(names, says, strict=True)))
    bound = ("" if not at_least else " or more" if found.stable else " at the most") + " are"
    edge = f"{far}{bound} {'left until' if found.stable else 'past where'} the first fills it"
    return Drawn(
        canvas.figure,
        {"returns": returns, "limit": limits},
        "Each tone is an arrow of length 1; what the tape gives back is added at its tip, as long as the "
        "gain round the loop and turned by the part of a period by which it comes late. Forward it adds, "
        f"backward it takes away: {said}. In the circle it fades; {edge}.",
        f"Three pairs of arrows: an input that points to the right, at its tip a circle and what comes back, "
        f"{', '.join(turns)}: {said}.",
        ("one turn adds 1 + L(f)", NYQUIST),
    )


def _arrow(sheet: Sketch, tip: Array, end: Array) -> PathPatch:
    """Draw what comes back; the head of a short arrow is smaller."""
    length = float(np.hypot(*(end - tip)))
    size = min(1.0, 0.6 * length / LINE["arrow"][0])
    back = sheet.arrowhead(end, end - tip, size=size, color=sheet.color("echo"), zorder=4) if length else end
    return sheet.line([tip, back], role="echo", width=1.0, corner=0, zorder=4)


def _turned(gain: complex) -> str:
    """Say by how much of a period a tone comes back late."""
    late = -math.degrees(cmath.phase(gain)) % 360
    near = min(TURNS, key=lambda turn: abs((late - turn + 180) % 360 - 180))
    return TURNS[near] if abs((late - near + 180) % 360 - 180) < NEAR else f"{late:.0f}\N{DEGREE SIGN} late"


def _means(stable: bool, *, at_least: bool) -> str:  # noqa: FBT001  a verdict
    """Say what the size of the margin is in this picture."""
    if stable:
        return f"{'or more ' if at_least else ''}until the arrow fills its circle"
    return f"beyond its circle{', at the most' if at_least else ': it runs away'}"
