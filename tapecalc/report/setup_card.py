"""How to set a tape echo up, step by step with the machine's own numbers, as one printed page."""

import os
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

import jinja2

from tapecalc import __version__, words
from tapecalc.calc.levels import Node, allowed_exposure, level_diagram
from tapecalc.calc.loop import growth_db_per_s, return_gain_for_repeats
from tapecalc.calc.response import bandwidth
from tapecalc.calc.standards import FLUTTER_TONE
from tapecalc.calc.transport import run_time
from tapecalc.calc.units import amplitude_to_db, from_si
from tapecalc.files import write_file
from tapecalc.machine import Machine
from tapecalc.report.plan_text import CAUTIONS

__all__ = ["Finding", "Step", "findings", "setup_card_page", "steps", "write_setup_card"]

EXPOSURE_LEVELS_DBA = (85, 94, 100)
HOUSE_MARGIN_DB = 3.0  # how far below the edge the fader is marked
MOST_NAMED = 4  # delays or parts; a longer list would not fit on the page
HEADROOM_DB = 12.0  # what a voice in rehearsal should leave for the night


@dataclass(frozen=True, kw_only=True)
class Step:
    """One step: what to do, and what must be seen or heard before the next (empty where nothing is)."""

    do: str
    expect: str = ""


@dataclass(frozen=True, kw_only=True)
class Finding:
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
    return *_until_the_first_repeat(machine), *_until_the_house_limit(machine)


def _until_the_first_repeat(machine: Machine) -> tuple[Step, ...]:
    nodes, reference = _nodes(machine), machine.levels.machine_reference_dbu
    spare_db = reference + machine.levels.tape_headroom_db - nodes["tape"].dbu
    return (
        Step(
            do="With everything off, clean heads and tape path. Patch. Plug the speakers in last.",
            expect="The channel of the tape goes to the main output and to the return send, nowhere else.",
        ),
        Step(
            do="Return send and tape channel down, speakers down, headphones off the ears. A limiter stands "
            "before the speakers."
        ),
        Step(
            do="Thread a tape that was erased as a whole. Record on one track only; the others stay safe.",
            expect=f"The reel lasts {_minutes(machine)}; then the echo ends.",
        ),
        Step(
            do=f"Send a steady tone of {reference:+.1f} dBu to the machine, record it, set the record level.",
            expect="The machine's meter reads its reference, 0 dB.",
        ),
        Step(
            do="Monitor switch to SOURCE, then to TAPE. Set the playback level.",
            expect="Both are equally loud; TAPE comes later, with hiss. Leave the switch at TAPE.",
        ),
        Step(
            do="Let the voice be as loud as it will get. Set the gain of channel 1, then the input send.",
            expect=f"Mixer {nodes['mixer input'].dbu:+.0f} dBu, tape {nodes['tape'].dbu:+.0f} dBu: "
            f"{spare_db:.0f} dB below a full tape (aim: {HEADROOM_DB:.0f}).",
        ),
        Step(
            do="Bring the tape channel up until the first repeat suits the voice.",
            expect="One repeat and no second one: the return send is still down.",
        ),
    )


def _until_the_house_limit(machine: Machine) -> tuple[Step, ...]:
    song = machine.song
    edge_db = _send_db(machine, 1, 0.0)  # surely no howl below it, at any speed
    wanted_db = _send_db(machine, song.wanted_repeats, song.faded_db)
    allowed = [f"{level} dB(A) {words.duration(allowed_exposure(level))}" for level in EXPOSURE_LEVELS_DBA]
    return (
        Step(do="Record a click with its repeat, and measure the delay.", expect=_delays(machine)),
        Step(
            do="Return send up slowly, with faint single clicks, until "
            f"{song.wanted_repeats} repeats can be counted.",
            expect=f"The send stands near {wanted_db:+.1f} dB.",
        ),
        Step(
            do="Measure by how many decibels each repeat is lower: the margin, or a little more, since a "
            "click also loses treble. Mark the fader that far up, the edge, and "
            f"{HOUSE_MARGIN_DB:.0f} dB below it, the house limit.",
            expect=f"Edge near {edge_db:+.1f} dB, house limit near {edge_db - HOUSE_MARGIN_DB:+.1f} dB.",
        ),
        Step(
            do="Set the speakers to the room. One hand belongs to the return send.",
            expect=f"Allowed a day: {', '.join(allowed)}.",
        ),
        Step(do="At the end: return send down, speakers down and off, then stop the tape. Mark the reel."),
    )


def findings(machine: Machine) -> tuple[Finding, ...]:
    """List what can be wrong, where to look, and the measurement that proves it with this machine's number.

    Common practice, no source.

    >>> from tapecalc.machine import example_machine
    >>> [finding.sign for finding in findings(example_machine())]
    ['No echo', 'One echo only', 'Howls at once', 'Dull', 'Wobbles', 'Hum']
    """
    nodes, growth_db = _nodes(machine), growth_db_per_s(max(machine.delays(machine.speeds[0])), 1.0)
    mains = machine.transport.mains_hz
    once, twice = (f"{mains:g} Hz", f"{2 * mains:g} Hz") if mains else ("the mains frequency", "twice that")
    return (
        Finding(
            sign="No echo",
            look="Monitor switch at SOURCE; record not armed; wrong track; a send or the tape channel down.",
            proof="Follow a tone with a meter, node by node: "
            + ", ".join(f"{name} {node.dbu:+.0f}" for name, node in nodes.items())
            + " dBu. The first that reads nothing is it.",
        ),
        Finding(
            sign="One echo only",
            look="Return send down, muted, or on the wrong bus; the machine's input takes one source only.",
            proof="Mute the voice right after a word: the line into the machine must read "
            f"{nodes['return send'].dbu:+.0f} dBu when the repeat is due.",
        ),
        Finding(
            sign="Howls at once",
            look="Two ways back; channel 2 on the bus that feeds the machine; switch at SOURCE; a microphone "
            "that hears the speakers.",
            proof="Send down, then up for a moment, recorded: the level must climb in steps one delay apart, "
            f"1 dB past the edge by {growth_db:.1f} dB a second. Quicker: the way back is not the tape. "
            "It stops with the speakers off: it was the room.",
        ),
        Finding(
            sign="Dull",
            look="Dirt on the playback head; a tilted gap; equalizer of the other speed; a pickup loaded too "
            "hard.",
            proof=f"Sweep once through the tape: {_band(machine)}. Clean, sweep again: better means dirt. "
            "Is the dry sound dull as well? Then it is the loading.",
        ),
        Finding(
            sign="Wobbles",
            look="Worn belt, flat pinch roller, dirty capstan, reel that rubs.",
            proof=f"Record {FLUTTER_TONE:g} Hz, measure its flutter, look at the rate: {_parts(machine)}.",
        ),
        Finding(
            sign="Hum",
            look="Grounded twice by two ways; a transformer beside the playback head; an unshielded lead. "
            "Never cut a protective ground: put an audio transformer into the signal lead instead.",
            proof=f"Stop the tape, look at the spectrum: {once} is a field or a ground loop, {twice} a power "
            "supply. Pull the lead from the machine's output: what stays is not the machine's.",
        ),
    )


def setup_card_page(machine: Machine) -> str:
    """Write procedure and checklist as HTML that prints on one sheet of A4 or letter paper.

    Source: WCAG 2.2 for structure and contrast.
    """
    source = resources.files("tapecalc.report").joinpath("setup_card.html.jinja")
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True)
    return environment.from_string(source.read_text(encoding="utf-8")).render(
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
    return min(
        amplitude_to_db(return_gain_for_repeats(machine.echo_loop(speed), repeats, level_db))
        for speed in machine.speeds
    )


def _delays(machine: Machine) -> str:
    """The delay of the last head at each speed."""
    texts = []
    for speed in machine.speeds[:MOST_NAMED]:
        delay, spread = machine.delays(speed)[-1], machine.delay_uncertainties(speed)[-1]
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
    rates = (words.frequency(part.rate_at(machine.speeds[0]), digits=3) for part in parts)
    return ", ".join(f"{part.name} {rate}" for part, rate in zip(parts, rates, strict=True))
