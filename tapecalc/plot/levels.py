"""The figure of levels along the chain."""

from collections.abc import Sequence

from tapecalc.calc import levels
from tapecalc.plot.kit import Canvas, Drawn, figure, minus


@figure(
    "levels, headroom and noise",
    lambda machine: {"stages": machine.level_stages, "source_dbu": machine.levels.instrument_dbu},
)
def level_ladder(canvas: Canvas, *, stages: Sequence[levels.Stage], source_dbu: float) -> Drawn:
    """Draw the level diagram: signal, clipping and noise at each stage, dBu.

    Where symbols are wanted, and in narrow pictures, stages are numbers.

    >>> way = (levels.Stage("mixer", 10, 20, -90), levels.Stage("tape", 0, 13, -52))
    >>> level_ladder(stages=way, source_dbu=-10).caption
    'Levels along the way. Least headroom: tape, 13 dB; 52 dB above the noise at the end.'
    """
    axes, diagram = canvas.axes, levels.level_diagram(stages, source_dbu)
    nodes, worst, places = diagram.nodes, diagram.first_to_clip, range(len(diagram.nodes))
    looks = [canvas.line_style(k, marker=True) for k in range(3)]
    (most,) = axes.plot(places, [stage.max_dbu for stage in stages], **looks[1])
    (signal,) = axes.plot(places, [node.dbu for node in nodes], **looks[0])
    heard = {k: node.noise_dbu for k, node in enumerate(nodes) if node.noise_dbu is not None}
    (noise,) = axes.plot(list(heard), list(heard.values()), **looks[2])
    first, thin = nodes.index(worst), canvas.profile.line_pt / 2
    ends = [worst.dbu, worst.dbu + worst.headroom_db]
    (room,) = axes.plot([first, first], ends, color=canvas.profile.ground.text, linewidth=thin)
    canvas.note((first, worst.dbu + worst.headroom_db / 2), minus(f"{worst.headroom_db:.0f} dB"), "right")
    canvas.style_axes("Levels along the way", grid="y", y=("level", "$L$", "dBu"))
    axes.set(xlim=(-0.3, len(nodes) - 0.7))
    short = canvas.symbols_only or canvas.profile.narrow
    axes.set_xticks(places, [str(k + 1) if short else nodes[k].name.replace(" ", "\n") for k in places])
    names = ("max", "$L$", "$N$") if canvas.symbols_only else ("clips", "signal", "noise")
    shown = 3 if heard else 2
    canvas.name_lines((most, signal, noise)[:shown], names[:shown])
    snr = "" if diagram.snr_db is None else f"; {diagram.snr_db:.0f} dB above the noise at the end"
    said = f"Least headroom: {worst.name}, {worst.headroom_db:.0f} dB{snr}"
    order = ", ".join(f"{k} {node.name}" for k, node in enumerate(nodes, 1))
    return Drawn(
        canvas.figure,
        {"signal": signal, "most": most, "noise": noise, "headroom": room},
        f"Levels along the way. {said}.",
        f"Line chart of level in dBu at each stage ({order}): signal, the level at which the stage clips, "
        f"and noise. {said}.",
        ("gains add in dB, powers of uncorrelated noises add",),
    )
