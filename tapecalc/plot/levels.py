"""The figure of levels along the chain."""

from collections.abc import Sequence

from tapecalc.calc import levels
from tapecalc.calc.units import amplitude_to_db
from tapecalc.machine import Machine
from tapecalc.plot.kit import Canvas, Drawn, figure, minus
from tapecalc.words import level

TREBLE = 10e3  # Hz, of what is told about treble on tape


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
    earlier at 10 kHz, by the record equalizer. Where symbols are wanted, and in narrow pictures, stages are
    numbers.

    >>> way = (levels.Stage("mixer", 10, 20, -90), levels.Stage("tape", 0, 13, -52))
    >>> level_ladder(stages=way, source_dbu=-10).caption
    'Levels along the way. Least headroom: tape, 13 dB; 52 dB above the noise at the end.'
    """
    axes, diagram = canvas.axes, levels.level_diagram(stages, source_dbu)
    nodes, worst, places = diagram.nodes, diagram.first_to_clip, range(len(diagram.nodes))
    looks = [canvas.line_style(k, marker=True) for k in range(3)]
    (most,) = axes.plot(places, [stage.max_dbu for stage in stages], **looks[1])
    tape = [k for k, node in enumerate(nodes) if node.name == "tape"]
    treble = axes.plot(tape, [stages[k].max_dbu - lift_db for k in tape], **canvas.dots(4.5, marker="x"))
    (signal,) = axes.plot(places, [node.dbu for node in nodes], **looks[0])
    heard = {k: node.noise_dbu for k, node in enumerate(nodes) if node.noise_dbu is not None}
    (noise,) = axes.plot(list(heard), list(heard.values()), **looks[2])
    first, thin = nodes.index(worst), canvas.profile.line_pt / 2
    ends = [worst.dbu, worst.dbu + worst.headroom_db]
    (room,) = axes.plot([first, first], ends, color=canvas.profile.ground.text, linewidth=thin)
    rises = 0 < first < len(nodes) - 1 and nodes[first + 1].dbu > worst.dbu  # and would run through the words
    side = "left" if rises else "right"
    canvas.note((first, worst.dbu + worst.headroom_db / 2), minus(f"{worst.headroom_db:.0f} dB"), side)
    canvas.style_axes("Levels along the way", grid="y", y=("level", "$L$", "dBu"))
    axes.set(xlim=(-0.3, len(nodes) - 0.7))
    short = canvas.symbols_only or canvas.profile.narrow
    flux = "" if reference_dbu is None else _flux_level(nodes, reference_dbu)
    named = [f"tape\n{flux}" if node.name == "tape" else node.name.replace(" ", "\n") for node in nodes]
    axes.set_xticks(places, [str(k + 1) if short else named[k] for k in places])
    names = ("max", "$L$", "$N$") if canvas.symbols_only else ("limit", "signal", "noise")
    shown = 3 if heard else 2
    canvas.name_lines((most, signal, noise)[:shown], names[:shown])
    snr = "" if diagram.snr_db is None else f"; {diagram.snr_db:.0f} dB above the noise at the end"
    said = f"Least headroom: {worst.name}, {worst.headroom_db:.0f} dB{snr}"
    said += f". On the tape stand {flux} against the reference flux" if flux else ""
    if tape and lift_db:
        canvas.note((tape[0], stages[tape[0]].max_dbu - lift_db), "10 kHz", "below")
        said += f". It distorts by 3 % at its limit, and {lift_db:.1f} dB earlier at 10 kHz"
    order = ", ".join(f"{k} {node.name}" for k, node in enumerate(nodes, 1))
    return Drawn(
        canvas.figure,
        {"signal": signal, "most": most, "noise": noise, "headroom": room, "treble": treble},
        f"Levels along the way. {said}.",
        f"Line chart of level in dBu at each stage ({order}): signal, the limit of the stage, and "
        f"noise; a cross at the tape: its limit at 10 kHz. {said}.",
        ("gains add in dB, powers of uncorrelated noises add",),
    )


def _flux_level(nodes: Sequence[levels.Node], reference_dbu: float) -> str:
    """Write the level on the tape against the reference flux; nothing where there is no tape."""
    on_tape = [node.dbu - reference_dbu for node in nodes if node.name == "tape"]
    return minus(level(on_tape[0])) if on_tape else ""
