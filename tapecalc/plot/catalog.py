"""The catalog: every figure by its name, in the order of the gallery."""

from typing import Any

import numpy as np

from tapecalc.calc import head_design, tempo, transport
from tapecalc.calc import heads as head_sums
from tapecalc.calc.quantity import known_name
from tapecalc.calc.units import to_si
from tapecalc.machine import Machine, example_machine
from tapecalc.plot import diagram, flutter, levels, loop, reels, response, wiring
from tapecalc.plot import heads as head_figures
from tapecalc.plot import tempo as tempo_
from tapecalc.plot import transport as transport_
from tapecalc.plot.kit import FIGURES, Drawn, Entry
from tapecalc.plot.style import Profile

#: The modules of figures, in the order of the gallery.
TOPICS = (transport_, response, diagram, wiring, loop, tempo_, flutter, head_figures, levels, reels)


# ---- until every module registers its figures ----


def _entry(name: str, **entry: Any) -> None:
    units = "units" in (entry["function"].__kwdefaults__ or {})
    FIGURES.setdefault(name, Entry(**entry, units=units))


def _rhythm_spacings(machine: Any) -> Any:
    """Heads at the example rhythm, in beats of the machine's tempo."""
    speed, bpm = machine.speeds[0], machine.song.bpm or 90
    beats = np.array(head_sums.EXAMPLE_RHYTHM)
    return tuple(transport.spacing_from_delay(tempo.delay_from_tempo(bpm, beats), speed).tolist())


def _head_limits(machine: Any) -> Any:
    """Where heads could stand: 30 to 140 mm, or from the nearest to the farthest that the machine has."""
    nearest, farthest = min(machine.spacings), max(machine.spacings)
    first, longest = min(to_si(30, "mm"), nearest), max(to_si(140, "mm"), farthest)
    return head_design.MechanicalLimits(first=first, pitch=to_si(18, "mm"), longest=longest)


_ENTRIES = (
    _entry(
        name="tape_path",
        function=transport_.tape_path,
        shows="where the delay comes from",
        arguments=lambda m: {"spacings": m.spacings, "speed": m.speeds[0], "delays": m.delays(m.speeds[0])},
    ),
    _entry(
        name="delay_map",
        function=transport_.delay_map,
        shows="delay over spacing and speed",
        arguments=lambda m: {
            "spacings": m.spacings,
            "speeds": m.speeds,
            "delays": tuple(m.delays(v) for v in m.speeds),
        },
    ),
    _entry(
        name="wavelength_at_gap",
        function=response.wavelength_at_gap,
        shows="why slow tape loses treble",
        arguments=lambda m: {
            "frequency": 10e3,
            "speeds": m.speeds,
            "gap": to_si(m.heads.gap_um, "um"),
            "gap_factor": m.heads.gap_factor,
        },
    ),
    _entry(
        name="four_losses",
        function=response.four_losses,
        shows="what gap, contact, coating and tilt take away",
        arguments=lambda m: {"speed": m.speeds[0], "contact": m.one_pass(m.speeds[0]).today},
    ),
    _entry(
        name="repeats_response",
        function=response.repeats_response,
        shows="why every repeat is darker",
        arguments=lambda m: {"one_pass": m.one_pass(m.speeds[0])},
    ),
    _entry(
        name="equalization_standards",
        function=response.equalization_standards,
        shows="what the standards put on tape",
        arguments=lambda m: {},
    ),
    _entry(
        name="loop_diagram",
        function=diagram.loop_diagram,
        shows="how the echo is patched",
        arguments=lambda m: {},
    ),
    *(
        _entry(
            name=f"patch_{name.replace(' ', '_')}",
            function=wiring.patch_diagram,
            shows=f"a patch: {patch.title[0].lower()}{patch.title[1:]}",
            arguments=lambda m, name=name: {"name": name},
        )
        for name, patch in wiring.PATCHES.items()
    ),
    _entry(
        name="tracks_on_tape",
        function=wiring.track_map,
        shows="which tracks the echo may use",
        arguments=lambda m: {},
    ),
    _entry(
        name="decay_of_repeats",
        function=loop.decay_of_repeats,
        shows="how repeats fade",
        arguments=lambda m: {"delay": m.delays(m.speeds[0])[0]},
    ),
    _entry(
        name="nyquist_picture",
        function=loop.nyquist_picture,
        shows="when a loop runs away",
        arguments=lambda m: {"loop": m.echo_loop(m.speeds[0])},
    ),
    _entry(
        name="runaway_frequency",
        function=loop.runaway_frequency,
        shows="where it would start",
        arguments=lambda m: {"loop": m.echo_loop(m.speeds[0])},
    ),
    _entry(
        name="tempo_map",
        function=tempo_.tempo_map,
        shows="which tempos the machine likes",
        arguments=lambda m: {"delays": tuple(m.delays(v)[0] for v in m.speeds), "bpm": m.song.bpm},
    ),
    _entry(
        name="flutter_comb",
        function=flutter.flutter_comb,
        shows="how a repeat hears wobble",
        arguments=lambda m: {
            "delay": m.delays(m.speeds[0])[0],
            "parts": m.turning_parts,
            "speed": m.speeds[0],
        },
    ),
    _entry(
        name="flutter_fingerprint",
        function=flutter.flutter_fingerprint,
        suits=lambda m: m.turning_parts,
        shows="which part wobbles how fast",
        arguments=lambda m: {
            "parts": m.turning_parts,
            "speed": m.speeds[0],
            "delay": m.delays(m.speeds[0])[0],
        },
    ),
    _entry(
        name="head_rhythm",
        function=head_figures.head_rhythm,
        shows="head layouts as rhythm",
        arguments=lambda m: {"spacings": _rhythm_spacings(m), "speed": m.speeds[0], "bpm": m.song.bpm or 90},
    ),
    _entry(
        name="tape_as_ruler",
        function=head_figures.tape_as_ruler,
        shows="where a rhythm stands on the tape",
        arguments=lambda m: {
            "layout": head_sums.Heads(spacings=_rhythm_spacings(m)),
            "speeds": m.speeds,
            "bpm": m.song.bpm or 90,
        },
    ),
    _entry(
        name="reachable_rhythms",
        function=head_figures.reachable_rhythms,
        shows="which rhythms two heads can play",
        arguments=lambda m: {"limits": _head_limits(m), "speeds": m.speeds[:5], "bpm": m.song.bpm or 90},
    ),
    _entry(
        name="comb_of_heads",
        function=head_figures.comb_of_heads,
        shows="what two heads close together do to the tone",
        arguments=lambda m: {
            "delays": tuple(m.delays(m.speeds[0])[0] + wait for wait in (0.0, to_si(5, "ms"))),
            "levels": (1.0, 0.7),
        },
    ),
    _entry(
        name="reel_time",
        function=reels.reel_time,
        shows="how long a reel runs",
        arguments=lambda m: {
            "length": m.tape.length_m,
            "inner_radius": to_si(30, "mm"),
            "tape_thickness": m.tape_thickness,
            "speeds": m.speeds,
        },
    ),
)


#: Every figure by its name. A figure that is defined later joins it.
CATALOG = FIGURES
for _topic in TOPICS:
    for _name in [name for name, entry in FIGURES.items() if entry.function.__module__ == _topic.__name__]:
        FIGURES[_name] = FIGURES.pop(_name)


def draw(
    name: str,
    machine: Machine | None = None,
    *,
    profile: str | Profile = "notebook",
    units: str = "metric",
    symbols_only: bool = False,
) -> Drawn:
    """Draw one figure of the `CATALOG` for a machine, or for the example machine.

    `units` are those of lengths and speeds that people read, metric or inches.

    >>> draw("delay_map").caption
    'Delay over head spacing. At 19.05 cm/s, 41.5 mm give 218 ms. At 9.525 cm/s, 41.5 mm give 436 ms.'
    """
    entry = CATALOG[known_name("figure", name, CATALOG)]
    known_name("units", units, ("metric", "inches"))
    options: dict[str, Any] = {"units": units} if entry.units else {}
    arguments = entry.arguments(machine or example_machine())
    return entry.function(**arguments, profile=profile, symbols_only=symbols_only, **options)
