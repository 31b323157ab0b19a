"""How to set a tape echo up, step by step with the machine's own numbers, as one printed page."""

from __future__ import annotations

import math
from dataclasses import dataclass
from importlib import resources

import jinja2

from tapecalc import __version__
from tapecalc.calc.levels import allowed_exposure, level_diagram
from tapecalc.calc.loop import growth_db_per_s, return_gain_for_repeats
from tapecalc.calc.response import bandwidth
from tapecalc.calc.standards import FLUTTER_TONE
from tapecalc.calc.transport import run_time
from tapecalc.calc.units import amplitude_to_db, from_si
from tapecalc.files import write_file
from tapecalc.plan import CAUTIONS, with_uncertainty

__all__ = [
    "Finding",
    "Step",
    "findings",
    "setup_card_page",
    "steps",
    "write_setup_card",
]


EXPOSURE_LEVELS_DBA = (85, 94, 100)
HOUSE_MARGIN_DB = 3.0  # how far below the edge the fader is marked
MOST_NAMED = 4  # delays or parts; a longer list would not fit on the page
HEADROOM_DB = 12.0  # what a voice in rehearsal should leave for the night


@dataclass(frozen=True, kw_only=True)
class Step:
    """One step of the procedure.

    Attributes
    ----------
    do : str
        What to do.
    expect : str
        What must be seen or heard before the next step; empty where there is nothing to read.
    """

    do: str
    expect: str = ""


@dataclass(frozen=True, kw_only=True)
class Finding:
    """Something that is wrong, where to look, and the measurement that proves it.

    Attributes
    ----------
    sign : str
        What one notices.
    look : str
        The usual causes, most frequent first.
    proof : str
        The measurement, with this machine's number.
    """

    sign: str
    look: str
    proof: str


def steps(machine):
    """List what to do, in order, from cables to the house limit of the return send.

    Parameters
    ----------
    machine : Machine
        The machine with its mixer and song.

    Returns
    -------
    tuple of Step
        The procedure.

    Raises
    ------
    ValueError
        If no playback head feeds the return send, so that there is no loop to set up.

    See Also
    --------
    findings : what to do if a step does not give what it should

    Notes
    -----
    Source: common practice, no source; the numbers from `level_diagram` and `loop`.
    Notebook: 07_patching.

    Examples
    --------
    >>> from tapecalc.machine import example_machine
    >>> steps(example_machine())[7].expect
    '218 ms ± 3 ms at 7.5 ips; 436 ms ± 7 ms at 3.75 ips'
    """
    nodes = _nodes(machine)
    edge_db, wanted_db = _edge_db(machine), _wanted_db(machine)
    reference = machine.levels.machine_reference_dbu
    full = reference + machine.levels.tape_headroom_db
    return (
        Step(
            do="With everything off, clean heads and tape path. Patch. Plug the speakers in last.",
            expect="The channel of the tape goes to the main output and to the return send, nowhere else.",
        ),
        Step(
            do="Return send and tape channel down, speakers down, headphones off the ears. A limiter stands "
            "before the speakers.",
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
            f"{full - nodes['tape'].dbu:.0f} dB below a full tape (aim: {HEADROOM_DB:.0f}).",
        ),
        Step(
            do="Bring the tape channel up until the first repeat suits the voice.",
            expect="One repeat and no second one: the return send is still down.",
        ),
        Step(do="Record a click with its repeat, and measure the delay.", expect=_delays(machine)),
        Step(
            do="Return send up slowly, with faint single clicks, until "
            f"{machine.song.wanted_repeats} repeats can be counted.",
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
            expect="Allowed a day: "
            + ", ".join(f"{level} dB(A) {_time(allowed_exposure(level))}" for level in EXPOSURE_LEVELS_DBA)
            + ".",
        ),
        Step(do="At the end: return send down, speakers down and off, then stop the tape. Mark the reel."),
    )  # fmt: skip


def findings(machine):
    """List what can be wrong, where to look, and the measurement that proves it.

    Parameters
    ----------
    machine : Machine
        The machine with its mixer and song.

    Returns
    -------
    tuple of Finding
        Six signs: no echo, one echo only, howls at once, dull, wobbles, hum.

    See Also
    --------
    steps : the procedure that should leave none of them

    Notes
    -----
    Source: common practice, no source; the numbers from the calculators of this machine.
    Notebook: 07_patching.

    Examples
    --------
    >>> from tapecalc.machine import example_machine
    >>> [finding.sign for finding in findings(example_machine())]
    ['No echo', 'One echo only', 'Howls at once', 'Dull', 'Wobbles', 'Hum']
    """
    nodes, speed = _nodes(machine), machine.speeds[0]
    delay = max(machine.delays(speed))
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
            proof=f"Mute the voice right after a word: the line into the machine must read "
            f"{nodes['return send'].dbu:+.0f} dBu when the repeat is due.",
        ),
        Finding(
            sign="Howls at once",
            look="Two ways back; channel 2 on the bus that feeds the machine; switch at SOURCE; a microphone "
            "that hears the speakers.",
            proof="Send down, then up for a moment, recorded: the level must climb in steps one delay apart, "
            f"1 dB past the edge by {growth_db_per_s(delay, 1.0):.1f} dB a second. Quicker: the way back is "
            "not the tape. It stops with the speakers off: it was the room.",
        ),
        Finding(
            sign="Dull",
            look="Dirt on the playback head; a tilted gap; equalizer of the other speed; a pickup loaded too "
            "hard.",
            proof=f"Sweep once through the tape: {_band(machine, speed)}. Clean, sweep again: better means "
            "dirt. Is the dry sound dull as well? Then it is the loading.",
        ),
        Finding(
            sign="Wobbles",
            look="Worn belt, flat pinch roller, dirty capstan, reel that rubs.",
            proof=f"Record {FLUTTER_TONE:g} Hz, measure its flutter, look at the rate: "
            f"{_parts(machine, speed)}.",
        ),
        Finding(
            sign="Hum",
            look="Grounded twice by two ways; a transformer beside the playback head; an unshielded lead. "
            "Never cut a protective ground: put an audio transformer into the signal lead instead.",
            proof=f"Stop the tape, look at the spectrum: {once} is a field or a ground loop, {twice} a power "
            "supply. Pull the lead from the machine's output: what stays is not the machine's.",
        ),
    )


def setup_card_page(machine):
    """Write the procedure and the checklist as a page that prints on one sheet.

    Parameters
    ----------
    machine : Machine
        The machine with its mixer and song.

    Returns
    -------
    str
        One HTML file that needs nothing else; one sheet of A4 or letter paper.

    Raises
    ------
    ValueError
        If no playback head feeds the return send, so that there is no loop to set up.

    See Also
    --------
    write_setup_card : writes it to a file

    Notes
    -----
    Source: WCAG 2.2 for structure and contrast. Notebook: 07_patching.

    Examples
    --------
    >>> from tapecalc.machine import example_machine
    >>> page = setup_card_page(example_machine())
    >>> page.count("<h1>"), "<script" in page
    (1, False)
    """
    source = resources.files("tapecalc.report").joinpath("setup_card.html.jinja")
    template = source.read_text(encoding="utf-8")
    environment = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True)
    return environment.from_string(template).render(
        name=machine.name,
        version=__version__,
        cautions=CAUTIONS,
        steps=steps(machine),
        findings=findings(machine),
    )


def write_setup_card(machine, path):
    """Write the page to a file, in one step.

    Parameters
    ----------
    machine : Machine
        The machine with its mixer and song.
    path : str or os.PathLike
        Where the file shall stand; its folder is made if need be.

    Returns
    -------
    pathlib.Path
        The path that was written.

    Raises
    ------
    ValueError
        If no playback head feeds the return send, so that there is no loop to set up.
    OSError
        If it cannot be written; an old file stays.

    See Also
    --------
    setup_card_page : the page as text

    Notes
    -----
    Source: house rule, nothing half written. Notebook: 07_patching.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from tapecalc.machine import example_machine
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_setup_card(example_machine(), Path(folder) / "setup_card.html").name
    'setup_card.html'
    """
    return write_file(path, setup_card_page(machine))


# ---------------------------------------------------------------- the machine's numbers in words


def _nodes(machine):
    """The nodes of the machine's level diagram by name."""
    diagram = level_diagram(machine.level_stages, machine.levels.instrument_dbu)
    return {node.name: node for node in diagram.nodes}


def _edge_db(machine):
    """The return send in dB at which the loop surely starts no howl at any speed, and above which it may."""
    return min(_send_db(machine, speed, 1, 0.0) for speed in machine.speeds)


def _wanted_db(machine):
    """The return send in dB that gives the wanted repeats, at the speed where the least is needed."""
    song = machine.song
    return min(_send_db(machine, speed, song.wanted_repeats, song.faded_db) for speed in machine.speeds)


def _send_db(machine, speed, repeats, level_db):
    return amplitude_to_db(return_gain_for_repeats(machine.echo_loop(speed), repeats, level_db))


def _delays(machine):
    """The delay of the last head at each speed."""
    said = []
    for speed in machine.speeds[:MOST_NAMED]:
        delay, spread = machine.delays(speed)[-1], machine.delay_uncertainties(speed)[-1]
        text = with_uncertainty(from_si(delay, "ms"), from_si(spread, "ms"), "ms").replace("+/-", "±")
        said.append(f"{text} at {from_si(speed, 'ips'):.4g} ips")
    return ("Last head: " if len(machine.spacings) > 1 else "") + "; ".join(said)


def _minutes(machine):
    """How long the reel lasts at each speed."""
    times = [run_time(machine.tape.length_m, speed) / 60 for speed in machine.speeds[:MOST_NAMED]]
    return " or ".join(f"{minutes:.0f}" for minutes in times) + " min"


def _band(machine, speed):
    """Where one pass has lost 3 dB of treble."""
    high = bandwidth(machine.one_pass(speed))[1]
    return "no treble loss is expected" if high is None else f"3 dB down near {_hertz(high)} is all it may be"


def _parts(machine, speed):
    """How often the parts turn."""
    parts = sorted(machine.turning_parts, key=lambda part: -part.wobble)[:MOST_NAMED]
    if not parts:
        return "once a turn of each part (none is described in the machine's file)"
    return ", ".join(f"{part.name} {_hertz(part.rate_at(speed))}" for part in parts)


def _hertz(frequency):
    """A frequency with three digits."""
    return f"{float(f'{frequency / 1000:.3g}'):g} kHz" if frequency >= 1000 else f"{frequency:.3g} Hz"


def _time(seconds):
    """A time of a day in words."""
    return f"{seconds / 3600:.0f} h" if seconds >= 3600 else f"{math.floor(seconds / 60):.0f} min"
