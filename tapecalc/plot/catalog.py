"""The catalog: every figure by its name, and how a machine's numbers become its arguments.

`draw_figure` draws one for a machine in one call; `gallery` writes a folder of them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from tapecalc.calc import head_design, heads, tempo, transport
from tapecalc.calc.quantity import known_name
from tapecalc.calc.units import to_si
from tapecalc.plot import heads as head_figures
from tapecalc.plot import style, wiring
from tapecalc.plot.flutter import flutter_comb, flutter_fingerprint
from tapecalc.plot.heads import head_rhythm
from tapecalc.plot.levels import level_ladder
from tapecalc.plot.loop import decay_of_repeats, loop_diagram, nyquist_picture, runaway_frequency
from tapecalc.plot.response import equalization_standards, four_losses, repeats_response, wavelength_at_gap
from tapecalc.plot.tempo import tempo_map
from tapecalc.plot.transport import delay_map, reel_time, tape_path

__all__ = [
    "CATALOG",
    "Entry",
    "draw_figure",
]


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One figure of the catalog.

    Attributes
    ----------
    name : str
        Its name, also the stem of its files.
    function : callable
        The function that draws it.
    arguments : callable
        From a `Machine` to the function's arguments.
    shows : str
        What it is for, in a few words.
    sizes : tuple of str
        The profiles in which it is made.
    needs : str
        The property of a machine without which there is nothing to draw; empty for none.
    """

    name: str
    function: Callable
    arguments: Callable
    shows: str
    sizes: tuple[str, ...] = tuple(style.PROFILES)
    needs: str = ""

    def suits(self, machine):
        """Whether there is anything to draw for a machine."""
        return not self.needs or bool(getattr(machine, self.needs))

    @property
    def takes_units(self):
        """Whether the figure can be had in metric units or in inches."""
        return "units" in self.function.__kwdefaults__


def _rhythm_spacings(machine):
    """Heads at the example rhythm, in beats of the machine's tempo."""
    speed, bpm = machine.speeds[0], machine.song.bpm or 90
    beats = np.array(heads.EXAMPLE_RHYTHM)
    return tuple(transport.spacing_from_delay(tempo.delay_from_tempo(bpm, beats), speed).tolist())


def _head_limits(machine):
    """Where heads could stand: 30 to 140 mm, or from the nearest to the farthest that the machine has."""
    nearest, farthest = min(machine.spacings), max(machine.spacings)
    first, longest = min(to_si(30, "mm"), nearest), max(to_si(140, "mm"), farthest)
    return head_design.MechanicalLimits(first=first, pitch=to_si(18, "mm"), longest=longest)


_ENTRIES = (
    Entry(
        name="tape_path",
        function=tape_path,
        shows="where the delay comes from",
        arguments=lambda m: {
            "spacings": m.spacings,
            "speed": m.speeds[0],
            "delays": m.delays(m.speeds[0]),
        },
    ),
    Entry(
        name="delay_map",
        function=delay_map,
        shows="delay over spacing and speed",
        arguments=lambda m: {
            "spacings": m.spacings,
            "speeds": m.speeds,
            "delays": tuple(m.delays(v) for v in m.speeds),
        },
    ),
    Entry(
        name="wavelength_at_gap",
        function=wavelength_at_gap,
        shows="why slow tape loses treble",
        arguments=lambda m: {
            "frequency": 10e3,
            "speeds": m.speeds,
            "gap": to_si(m.heads.gap_um, "um"),
            "gap_factor": m.heads.gap_factor,
        },
    ),
    Entry(
        name="four_losses",
        function=four_losses,
        shows="what gap, contact, coating and tilt take away",
        arguments=lambda m: {"speed": m.speeds[0], "contact": m.one_pass(m.speeds[0]).today},
    ),
    Entry(
        name="repeats_response",
        function=repeats_response,
        shows="why every repeat is darker",
        arguments=lambda m: {"one_pass": m.one_pass(m.speeds[0])},
    ),
    Entry(
        name="equalization_standards",
        function=equalization_standards,
        shows="what the standards put on tape",
        arguments=lambda m: {},
    ),
    Entry(
        name="loop_diagram",
        function=loop_diagram,
        shows="how the echo is patched",
        arguments=lambda m: {},
    ),
    *(
        Entry(
            name=f"patch_{name.replace(' ', '_')}",
            function=wiring.patch_diagram,
            shows=f"a patch: {patch.title[0].lower()}{patch.title[1:]}",
            arguments=lambda m, name=name: {"name": name},
        )
        for name, patch in wiring.PATCHES.items()
    ),
    Entry(
        name="tracks_on_tape",
        function=wiring.track_map,
        shows="which tracks the echo may use",
        arguments=lambda m: {},
    ),
    Entry(
        name="decay_of_repeats",
        function=decay_of_repeats,
        shows="how repeats fade",
        arguments=lambda m: {"delay": m.delays(m.speeds[0])[0]},
    ),
    Entry(
        name="nyquist_picture",
        function=nyquist_picture,
        shows="when a loop runs away",
        arguments=lambda m: {"loop": m.echo_loop(m.speeds[0])},
    ),
    Entry(
        name="runaway_frequency",
        function=runaway_frequency,
        shows="where it would start",
        arguments=lambda m: {"loop": m.echo_loop(m.speeds[0])},
    ),
    Entry(
        name="tempo_map",
        function=tempo_map,
        shows="which tempos the machine likes",
        arguments=lambda m: {"delays": tuple(m.delays(v)[0] for v in m.speeds), "bpm": m.song.bpm},
    ),
    Entry(
        name="flutter_comb",
        function=flutter_comb,
        shows="how a repeat hears wobble",
        arguments=lambda m: {
            "delay": m.delays(m.speeds[0])[0],
            "parts": m.turning_parts,
            "speed": m.speeds[0],
        },
    ),
    Entry(
        name="flutter_fingerprint",
        function=flutter_fingerprint,
        needs="turning_parts",
        shows="which part wobbles how fast",
        arguments=lambda m: {
            "parts": m.turning_parts,
            "speed": m.speeds[0],
            "delay": m.delays(m.speeds[0])[0],
        },
    ),
    Entry(
        name="head_rhythm",
        function=head_rhythm,
        shows="head layouts as rhythm",
        arguments=lambda m: {"spacings": _rhythm_spacings(m), "speed": m.speeds[0], "bpm": m.song.bpm or 90},
    ),
    Entry(
        name="tape_as_ruler",
        function=head_figures.tape_as_ruler,
        shows="where a rhythm stands on the tape",
        arguments=lambda m: {
            "layout": heads.Heads(spacings=_rhythm_spacings(m)),
            "speeds": m.speeds,
            "bpm": m.song.bpm or 90,
        },
    ),
    Entry(
        name="reachable_rhythms",
        function=head_figures.reachable_rhythms,
        shows="which rhythms two heads can play",
        arguments=lambda m: {
            "limits": _head_limits(m),
            "speeds": m.speeds[:5],
            "bpm": m.song.bpm or 90,
        },
    ),
    Entry(
        name="comb_of_heads",
        function=head_figures.comb_of_heads,
        shows="what two heads close together do to the tone",
        arguments=lambda m: {
            "delays": tuple(m.delays(m.speeds[0])[0] + wait for wait in (0.0, to_si(5, "ms"))),
            "levels": (1.0, 0.7),
        },
    ),
    Entry(
        name="level_ladder",
        function=level_ladder,
        shows="levels, headroom and noise",
        arguments=lambda m: {"stages": m.level_stages, "source_dbu": m.levels.instrument_dbu},
    ),
    Entry(
        name="reel_time",
        function=reel_time,
        shows="how long a reel runs",
        arguments=lambda m: {
            "length": m.tape.length_m,
            "inner_radius": to_si(30, "mm"),
            "tape_thickness": m.tape_thickness,
            "speeds": m.speeds,
        },
    ),
)

#: Every figure by its name.
CATALOG = {entry.name: entry for entry in _ENTRIES}


def draw_figure(name, *, machine=None, profile="notebook", units="metric", symbols_only=False):
    """Draw one figure of the catalog for a machine.

    Parameters
    ----------
    name : str
        A key of `CATALOG`.
    machine : Machine, optional
        The machine; the example machine if not given.
    profile : str or Profile, optional
        Size and ground.
    units : {"metric", "inches"}, optional
        Which units people are to read, where the figure shows lengths or speeds.
    symbols_only : bool, optional
        Write symbols instead of words.

    Returns
    -------
    Drawn
        Figure, artists, caption, alt text and sources.

    Raises
    ------
    ValueError
        If the figure or the profile is not known; the error names the nearest.

    Notes
    -----
    Source: beside each figure. Notebook: 09_figures.

    Examples
    --------
    >>> draw_figure("delay_map").caption
    'Delay over head spacing. At 19.05 cm/s, 41.5 mm give 218 ms. At 9.525 cm/s, 41.5 mm give 436 ms.'
    """
    from tapecalc.machine import example_machine

    entry = CATALOG[known_name("figure", name, CATALOG)]
    known_name("units", units, ("metric", "inches"))
    machine = machine or example_machine()
    chosen = {"units": units} if entry.takes_units else {}
    return entry.function(**entry.arguments(machine), profile=profile, symbols_only=symbols_only, **chosen)
