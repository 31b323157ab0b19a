"""The figure of levels along the chain."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.markers import TICKLEFT
from matplotlib.text import Text

from tapecalc.calc import levels
from tapecalc.calc.units import amplitude_to_db
from tapecalc.machine import Machine
from tapecalc.plot.kit import Canvas, Drawn, figure, minus
from tapecalc.plot.style import DASH_DOT, STRUCTURE
from tapecalc.words import level

TREBLE = 10e3  # Hz, of what is told about treble on tape
STROKE = "; a stroke at the tape: its limit at 10 kHz"


def treble_lift_db(machine: Machine) -> float:
    """Compute how much earlier treble meets the tape's limit: by the record boost, at the worst speed."""
    limits = {speed: machine.tape_mol_db(speed) for speed in machine.speeds}
    boosts = {speed: abs(machine.one_pass(speed).record_gain(TREBLE)) for speed in machine.speeds}
    return min(limits.values()) - min(limits[speed] - amplitude_to_db(boosts[speed]) for speed in limits)


@figure(
    "levels, headroom and noise",
    lambda machine: {
        "stages": machine.level_stages,
        "source_dbu": machine.levels.instrument_dbu,
        "reference_dbu": machine.levels.machine_reference_dbu,
        "lift_db": treble_lift_db(machine),
    },
)
def level_ladder(
    canvas: Canvas,
    *,
    stages: Sequence[levels.Stage],
    source_dbu: float,
    reference_dbu: float | None = None,
    lift_db: float = 0.0,
) -> Drawn:
    """Draw the level diagram: signal, clipping and noise at each stage, dBu.

    On the tape there is a flux and no voltage: its level is told against the reference, which is what
    `reference_dbu` at the input writes. It does not clip: its limit is 3 % distortion, which comes `lift_db`
    earlier at 10 kHz, by the record equalizer. In narrow pictures the signal goes down, from stage to stage;
    where symbols are wanted stages are numbers.

    >>> way = (levels.Stage("mixer", 10, 20, -90), levels.Stage("tape", 0, 13, -52))
    >>> level_ladder(stages=way, source_dbu=-10).caption
    'Levels along the way. Least headroom: tape, 13 dB; 52 dB above the noise at the end.'
    """
    diagram = levels.level_diagram(stages, source_dbu)
    nodes, worst, chart = diagram.nodes, diagram.first_to_clip, _Chart(canvas, down=canvas.profile.slim)
    signals = [node.dbu for node in nodes]
    heard = {k: node.noise_dbu for k, node in enumerate(nodes) if node.noise_dbu is not None}
    past = worst.headroom_db < 0
    _head(canvas, worst, source_dbu)
    low = min(min(signals), heard[max(heard)] if heard else np.inf) - (20 if chart.down else 9)
    high = max(*signals, *(stage.max_dbu for stage in stages))
    high += 0.14 * (high - low)
    edge = canvas.hatched(linewidth=STRUCTURE * canvas.profile.line_pt, linestyle=DASH_DOT)
    most = chart.stairs([stage.max_dbu for stage in stages], high + 100, **edge)
    chart.stairs(
        [max(low, heard.get(k, low)) for k in range(len(nodes))], low, facecolor=canvas.color("grid")
    )
    noise = chart.line(heard, heard.values(), **canvas.line_look("context", linestyle="none"))
    tape = [k for k, node in enumerate(nodes) if node.name == "tape"]
    lifted = tape if lift_db > 0 else []
    treble = chart.line(
        lifted,
        [stages[k].max_dbu - lift_db for k in lifted],
        # To the left of the headroom, whose number stands right.
        **canvas.dots(9, marker="|" if chart.down else TICKLEFT, markeredgewidth=canvas.profile.line_pt),
    )
    signal = _draw_signal(chart, signals, tape)
    first = nodes.index(worst)
    ends = [worst.dbu, worst.dbu + worst.headroom_db]
    thick = canvas.line_look("limit", linewidth=1.5 * canvas.profile.line_pt)
    room = chart.line([first, first], ends, **thick)
    flux = "" if reference_dbu is None else _flux_level(nodes, reference_dbu)
    named = [f"tape\n{flux}" if node.name == "tape" else node.name.replace(" ", "\n") for node in nodes]
    numbers = [str(k + 1) for k in range(len(nodes))]
    chart.frame(numbers if canvas.symbols_only else named, signals, low, high, past=past)
    names = ("$L$", "max", "$N$") if canvas.symbols_only else ("signal", "limit", "noise")
    full = stages[0].max_dbu
    close = 0 <= full - signals[0] < 0.2 * (high - low)  # to what is named above, or on the right
    side, ha = "below" if close and not chart.down else "above", "right" if chart.down else "center"
    canvas.note(chart.at(0, signals[0]), names[0], side, "dry", ha=ha, **canvas.plate())
    inside = (full + (high if signals[0] <= full else signals[0])) / 2
    chart.words(0, inside, names[1], "limit", **canvas.plate())
    if heard:
        _tell_noise(chart, diagram, heard[max(heard)], "" if chart.down and past else names[2], low)
    told = _tell_limits(chart, diagram, stages, treble, lift_db)
    said = _said(diagram, flux, lift_db if lifted else 0.0)
    order = ", ".join(f"{k} {node.name}" for k, node in enumerate(nodes, 1))
    return Drawn(
        canvas.figure,
        {"signal": signal, "most": most, "noise": noise, "headroom": room, "treble": [treble]},
        f"Levels along the way. {said}.",
        f"Chart of level in dBu at each stage ({order}): a line, the signal, between a hatched area, "
        f"beyond the limit of each stage, and a gray one, the noise{STROKE if told else ''}. {said}.",
        ("gains add in dB, powers of uncorrelated noises add",),
    )


def _said(diagram: levels.LevelDiagram, flux: str, lift_db: float) -> str:
    """Say headroom, noise, the level on tape, and how much earlier treble meets its limit."""
    worst = diagram.first_to_clip
    snr = "" if diagram.snr_db is None else f"; {diagram.snr_db:.0f} dB above the noise at the end"
    said = f"Least headroom: {worst.name}, {worst.headroom_db:.0f} dB{snr}"
    said += f". On the tape stand {flux} against the reference flux" if flux else ""
    if lift_db:
        said += f". It distorts by 3 % at its limit, and {lift_db:.1f} dB earlier at 10 kHz"
    return said


def _head(canvas: Canvas, worst: levels.Node, source_dbu: float) -> None:
    """Say what has the least headroom, and how much."""
    past = worst.headroom_db < 0
    canvas.head(
        f"The {worst.name} {'is past its limit' if past else 'has the least headroom'}",
        minus(f"levels along the way, source {level(source_dbu, 'dBu')}"),
        answer=minus(f"{abs(worst.headroom_db):.0f} dB"),
        means=f"{'above' if past else 'below'} the limit of the {worst.name}",
        role="limit",
    )


def _draw_signal(chart: "_Chart", signals: Sequence[float], tape: Sequence[int]) -> Any:
    """Draw the signal: dry as far as the tape, and as echo behind it."""
    canvas, count = chart.canvas, len(signals)
    dots: dict[str, Any] = {"marker": "o", "markersize": 2.4 * canvas.profile.line_pt}
    signal = chart.line(range(count), signals, **canvas.line_look("dry", **dots))
    back = range(tape[0], count) if tape else range(0)
    chart.line(back, [signals[k] for k in back], **canvas.line_look("echo", **dots))
    return signal


def _tell_limits(
    chart: "_Chart", diagram: levels.LevelDiagram, stages: Sequence[levels.Stage], treble: Any, lift_db: float
) -> bool:
    """Tell headroom and the limit of treble where there is room; a stroke without its name is not drawn."""
    nodes, worst = diagram.nodes, diagram.first_to_clip
    notes, lifted = _tell_headroom(chart, nodes, nodes.index(worst)), treble.get_xydata().size > 0
    if lifted:
        near: dict[str, Any] = {"va": "bottom" if lift_db > worst.headroom_db / 2 else "top"}
        side, look = ("lower right", {}) if chart.down else ("left", near)
        notes.append(chart.canvas.note(treble.get_xydata()[0], "10 kHz", side, "limit", **look))
    along = np.linspace(0, len(nodes) - 1, 200)
    signal = np.interp(along, range(len(nodes)), [node.dbu for node in nodes])
    most = [stages[round(place)].max_dbu for place in along.tolist()]
    chart.canvas.fewer(
        notes, off=[chart.at(*p) for dbu in (signal, most) for p in zip(along, dbu, strict=True)]
    )
    told = lifted and notes[-1].axes is not None
    treble.set_visible(told)
    return told


def _tell_headroom(chart: "_Chart", nodes: Sequence[levels.Node], first: int) -> list[Text]:
    """Write the headroom beside its stroke at the stage that clips first, where there is room."""
    canvas, worst = chart.canvas, nodes[first]
    rises = 0 < first < len(nodes) - 1 and nodes[first + 1].dbu > worst.dbu  # and would run through the words
    said, on_tape = minus(f"{abs(worst.headroom_db):.0f} dB"), worst.name == "tape"
    if chart.down and on_tape:
        return [canvas.note((worst.dbu, first), said, "upper right", "limit")]
    if not chart.down and not (rises and on_tape):
        middle = worst.dbu + worst.headroom_db / 2
        return [canvas.note((first, middle), said, "left" if rises else "right", "limit")]
    return []


def _tell_noise(chart: "_Chart", diagram: levels.LevelDiagram, noise: float, name: str, low: float) -> None:
    """Name the noise, and write how far below the signal it is at the end."""
    canvas, last = chart.canvas, len(diagram.nodes) - 1
    if diagram.snr_db and not chart.down:
        thin = canvas.line_look("frame", linewidth=STRUCTURE * canvas.profile.line_pt)
        chart.line([last] * 2, [noise, diagram.nodes[-1].dbu], **thin)
        middle = (noise + diagram.nodes[-1].dbu) / 2
        canvas.note((last, middle), minus(f"{diagram.snr_db:.0f} dB"), "left", "frame")
    if name:
        chart.words(last, (low + noise) / 2, name, "frame")


@dataclass(frozen=True)
class _Chart:
    """Levels over stages, which go to the right, or down a narrow sheet."""

    canvas: Canvas
    down: bool

    def at(self, place: Any, dbu: Any) -> Any:
        """Turn a stage and a level into x and y."""
        return (dbu, place) if self.down else (place, dbu)

    def line(self, places: Iterable[float], dbu: Iterable[float], **look: Any) -> Any:
        """Draw a line through levels."""
        return self.canvas.axes.plot(*self.at(list(places), list(dbu)), **look)[0]

    def stairs(self, dbu: Sequence[float], base: float, **look: Any) -> Any:
        """Fill from the level of each stage to a base."""
        look = {"linewidth": 0, "fill": True, "zorder": 0.5} | look
        look |= {"baseline": base, "orientation": "horizontal" if self.down else "vertical"}
        return self.canvas.axes.stairs(dbu, np.arange(len(dbu) + 1) - 0.5, **look)

    def words(self, place: float, dbu: float, text: str, role: str, **look: Any) -> None:
        """Write a word into an area."""
        self.canvas.note(self.at(place, dbu), text, "above", role, va="center", xytext=(0, 0), **look)

    def frame(
        self, names: Sequence[str], signals: Sequence[float], low: float, high: float, *, past: bool
    ) -> None:
        """Give the chart its axes, and the stages their names: down a narrow sheet beside the signal.

        Where it is `past` a limit they stand at the other end.
        """
        axes, label = self.canvas.axes, ("level", "$L$", "dBu")
        if self.down:
            self.canvas.style_axes(x=label, grid=None)  # which would run through the names
            axes.set(xlim=(low, high), ylim=(len(names) - 0.5, -1))
            axes.set_yticks([])
            middle = low + 0.45 * (high - low)
            beside = min([dbu for dbu in signals if dbu > middle], default=middle)
            for k, (name, dbu) in enumerate(zip(names, signals, strict=True)):
                at, side = ((beside, k), "left") if dbu > middle else ((dbu, k), "right")
                at, side = ((low, k), "right") if past else (at, side)
                self.canvas.note(at, name.replace("\n", " "), side)
        else:
            self.canvas.style_axes(y=label)
            axes.set(xlim=(-0.5, len(names) - 0.5), ylim=(low, high))
            axes.set_xticks(range(len(names)), names)


def _flux_level(nodes: Sequence[levels.Node], reference_dbu: float) -> str:
    """Write the level on the tape against the reference flux; nothing where there is no tape."""
    on_tape = [node.dbu - reference_dbu for node in nodes if node.name == "tape"]
    return minus(level(on_tape[0])) if on_tape else ""
