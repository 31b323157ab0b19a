"""How to set a tape echo up, step by step with the machine's own numbers, as one printed page.

The words are data (``setup_card.toml.jinja``); here the machine's numbers are put into them.
"""

import os
import tomllib
from collections.abc import Iterator
from importlib import resources
from pathlib import Path
from typing import NamedTuple

import jinja2

from tapecalc import __version__, words
from tapecalc.calc.levels import Node, allowed_exposure, level_diagram
from tapecalc.calc.loop import growth_db_per_s, return_gain_for_repeats
from tapecalc.calc.response import bandwidth
from tapecalc.calc.standards import FLUTTER_TONE
from tapecalc.calc.transport import run_time
from tapecalc.calc.units import COVERAGE_FACTOR, amplitude_to_db, from_si
from tapecalc.files import write_file
from tapecalc.machine import Machine
from tapecalc.report.plan_text import CAUTIONS

EXPOSURE_LEVELS_DBA = (85, 94, 100)
HOUSE_MARGIN_DB = 3.0  # how far below the edge the fader is marked
MOST_NAMED = 4  # delays or parts; a longer list would not fit on the page


class Step(NamedTuple):
    """One step: what to do, and what must be seen or heard before the next (empty where nothing is)."""

    do: str
    expect: str = ""


class Finding(NamedTuple):
    """What one notices, its usual causes (most frequent first), and the measurement that proves them."""

    sign: str
    look: str
    proof: str


def steps(machine: Machine) -> tuple[Step, ...]:
    """List what to do, in order, from cables to the house limit of the return send.

    Refused if no playback head feeds the return send: then there is no loop to set up. The procedure is
    common practice, no source; the numbers are the calculators'.

    >>> from tapecalc.machine import example_machine
    >>> steps(example_machine())[7].expect
    '218 ms ± 3 ms at 7.5 ips; 436 ms ± 7 ms at 3.75 ips'
    """
    song, levels, nodes = machine.song, machine.levels, _nodes(machine)
    tape_dbu, full_dbu = nodes["tape"].dbu, levels.machine_reference_dbu + levels.tape_mol_db
    edge_db = _send_db(machine, 1, 0.0)  # surely no howl below it, at any speed
    allowed = (f"{level} dB(A) {words.duration(allowed_exposure(level))}" for level in EXPOSURE_LEVELS_DBA)
    numbers = {
        "minutes": _minutes(machine),
        "reference": f"{levels.machine_reference_dbu:+.1f} dBu",
        "mixer": f"{nodes['mixer input'].dbu:+.0f} dBu",
        "tape": f"{tape_dbu:+.0f} dBu",
        "spare": f"{full_dbu - tape_dbu:.0f} dB",
        "delays": _delays(machine),
        "wanted": str(song.wanted_repeats),
        "send": f"{_send_db(machine, song.wanted_repeats, song.faded_db):+.1f} dB",
        "margin": f"{HOUSE_MARGIN_DB:.0f} dB",
        "edge": f"{edge_db:+.1f} dB",
        "limit": f"{edge_db - HOUSE_MARGIN_DB:+.1f} dB",
        "allowed": ", ".join(allowed),
    }
    return tuple(Step(**texts) for texts in _filled("steps", numbers))


def findings(machine: Machine) -> tuple[Finding, ...]:
    """List what can be wrong, where to look, and the measurement that proves it with this machine's number.

    >>> from tapecalc.machine import example_machine
    >>> [finding.sign for finding in findings(example_machine())]
    ['No echo', 'One echo only', 'Howls at once', 'Dull', 'Wobbles', 'Hum']
    """
    nodes, mains = _nodes(machine), machine.transport.mains_hz
    numbers = {
        "nodes": ", ".join(f"{name} {node.dbu:+.0f}" for name, node in nodes.items()),
        "back": f"{nodes['return send'].dbu:+.0f} dBu",
        "growth": f"{growth_db_per_s(max(machine.delays(machine.speeds[0])), 1.0):.1f} dB",
        "band": _band(machine),
        "tone": f"{FLUTTER_TONE:g} Hz",
        "parts": _parts(machine),
        "mains": f"{mains:g} Hz" if mains else "the mains frequency",
        "twice": f"{2 * mains:g} Hz" if mains else "twice that",
    }
    return tuple(Finding(**texts) for texts in _filled("findings", numbers))


def _filled(kind: str, numbers: dict[str, str]) -> Iterator[dict[str, str]]:
    """Put numbers into the texts of one kind."""
    environment = jinja2.Environment(undefined=jinja2.StrictUndefined)
    for entry in tomllib.loads(_file("setup_card.toml.jinja"))[kind]:
        yield {key: environment.from_string(text).render(numbers) for key, text in entry.items()}


def _file(name: str) -> str:
    return resources.files("tapecalc.report").joinpath(name).read_text(encoding="utf-8")


def setup_card_page(machine: Machine) -> str:
    """Write procedure and checklist as HTML that prints on one sheet of A4 or letter paper.

    Source: WCAG 2.2 for structure and contrast.
    """
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True)
    return environment.from_string(_file("setup_card.html.jinja")).render(
        name=machine.name,
        version=__version__,
        cautions=CAUTIONS,
        steps=steps(machine),
        findings=findings(machine),
    )


def write_setup_card(machine: Machine, path: str | os.PathLike[str]) -> Path:
    """Write the page to a file, in one step, and give its path back."""
    return write_file(path, setup_card_page(machine))


# ---- the machine's numbers in words ----


def _nodes(machine: Machine) -> dict[str, Node]:
    """The nodes of the machine's level diagram by name."""
    diagram = level_diagram(machine.level_stages, machine.levels.instrument_dbu)
    return {node.name: node for node in diagram.nodes}


def _send_db(machine: Machine, repeats: int, level_db: float) -> float:
    """The return send that gives so many repeats, at the speed where the least is needed."""
    gains = (return_gain_for_repeats(machine.echo_loop(s), repeats, level_db) for s in machine.speeds)
    return min(map(amplitude_to_db, gains))


def _delays(machine: Machine) -> str:
    """The delay of the last head at each speed."""
    texts = []
    for speed in machine.speeds[:MOST_NAMED]:
        delay, spread = machine.delays(speed)[-1], COVERAGE_FACTOR * machine.u_delays(speed)[-1]
        text = words.with_uncertainty(from_si(delay, "ms"), from_si(spread, "ms"), "ms").replace("+/-", "±")
        texts.append(f"{text} at {words.speed(speed)}")
    return ("Last head: " if len(machine.spacings) > 1 else "") + "; ".join(texts)


def _minutes(machine: Machine) -> str:
    """How long the reel lasts at each speed."""
    times = [run_time(machine.tape.length_m, speed) for speed in machine.speeds[:MOST_NAMED]]
    return " or ".join(f"{from_si(time, 'min'):.0f}" for time in times) + " min"


def _band(machine: Machine) -> str:
    """Where one pass has lost 3 dB of treble."""
    high = bandwidth(machine.one_pass(machine.speeds[0]))[1]
    if high is None:
        return "no treble loss is expected"
    return f"3 dB down near {words.frequency(high, digits=3)} is all it may be"


def _parts(machine: Machine) -> str:
    """How often the parts turn."""
    parts = sorted(machine.turning_parts, key=lambda part: -part.wobble)[:MOST_NAMED]
    if not parts:
        return "once a turn of each part (none is described in the machine's file)"
    speed = machine.speeds[0]
    return ", ".join(f"{part.name} {words.frequency(part.rate_at(speed), digits=3)}" for part in parts)
