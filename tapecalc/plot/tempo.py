"""The figure of tempo and delay."""

from collections.abc import Sequence

import numpy as np
from matplotlib.ticker import FuncFormatter, MaxNLocator

from tapecalc.calc import tempo
from tapecalc.calc.units import from_si
from tapecalc.plot.kit import Canvas, Drawn, figure, note_fraction
from tapecalc.words import listed

#: The note values that a song is most likely to want, the longest first.
SONG_NOTES = ("quarter", "dotted eighth", "eighth", "eighth triplet", "sixteenth")
TEMPOS = (60.0, 180.0)


@figure(
    "which tempos the machine likes",
    lambda m: {"delays": [m.delays(v)[0] for v in m.speeds], "bpm": m.song.bpm},
)
def tempo_map(canvas: Canvas, *, delays: Sequence[float], bpm: float | None = None) -> Drawn:
    """Draw delay over tempo, a curve per note value, with the machine's delays across.

    Tempos in quarter notes per minute; `bpm` marks that of a song. The dots ``"fits"`` are tempos that fit.

    >>> tempo_map(delays=(0.25,)).artists["fits"].get_xydata()[0]
    array([ 60., 250.])
    """
    axes, profile = canvas.axes, canvas.profile
    values, tempos = [tempo.note_value(name) for name in SONG_NOTES], np.linspace(*TEMPOS, 200)
    own, thin = [from_si(delay, "ms") for delay in delays], profile.line_pt / 2
    curves = []
    for k, note in enumerate(values):
        delay = tempo.delay_from_tempo(tempos, note.beats)
        curves += axes.plot(tempos, from_si(delay, "ms"), **canvas.line_style(k))
    across = [axes.axhline(t, color=profile.ground.text, linestyle="-", linewidth=thin) for t in own]
    x, y, said = [], [], []
    for delay, height in zip(delays, own, strict=True):
        fits = tempo.tempos_for_delay(delay, low=TEMPOS[0], high=TEMPOS[1], notes=tuple(values))
        x += [beat for _, beat in fits]
        y += [height] * len(fits)
        at = listed(f"{note.name} at {beat:.1f}" for note, beat in fits) if fits else "none"
        said.append(f"{height:.0f} ms fits {at}")
    (dots,) = axes.plot(x, y, **canvas.dots())
    if bpm is not None:
        axes.axvline(bpm, color=profile.ground.frame, linestyle="--", linewidth=thin)
    x_label, y_label = ("tempo (beats per minute)", "bpm", ""), ("delay", "$T$", "ms")
    canvas.style_axes("Which tempos this machine likes", x=x_label, y=y_label)
    top = 1.1 * from_si(max(*delays, tempo.delay_from_tempo(90.0, 1.0)), "ms")
    axes.set(xlim=TEMPOS, ylim=(0, top))
    room = top / (10 if profile.portrait else 14)
    rounded = [tick for tick in MaxNLocator(8).tick_values(0, top) if tick < top]
    axes.set_yticks([*(tick for tick in rounded if min(abs(tick - t) for t in own) > room), *own])
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:.0f}"))
    names = [note_fraction(note) if canvas.symbols_only else note.name for note in values]
    canvas.name_lines(curves, names)
    return Drawn(
        canvas.figure,
        {"notes": curves, "delays": across, "fits": dots},
        f"Delay and tempo, in beats per minute: {'; '.join(said)}.",
        "Line chart of delay in ms over tempo, a falling curve per note value, level lines for the machine's "
        f"delays, dots where they meet: {'; '.join(said)}.",
        ("T = beats 60 / bpm, from the definition of the tempo",),
    )
