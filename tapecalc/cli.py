"""The command line: ``python -m tapecalc plan|render|measure|figures|clip``.

Each command loads only the rooms it needs. A mistake in what the user typed or in a file ends with one
line on standard error and exit status 2.
"""

import argparse
import io
import os
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tapecalc.machine import Machine
    from tapecalc.measuring import Estimate

__all__ = ["main", "run"]

#: Options that name takes: the kind of take, and what it is.
_TAKES = {
    "signal": ("test signal", "the test signal, dry and played back: tells the most"),
    "program": ("program", "any sound, dry and played back: tells delay and response"),
    "tone": ("tone", "5 s or more of a steady tone near 3150 Hz: tells wow and flutter"),
    "silence": ("silence", "3 s or more of nothing, recorded and played back: tells noise and hum"),
    "repeats": ("repeats", "a short sound and its repeats until they are gone: tells the loop gain"),
}
#: How far off a tool may be, in 95 of 100 cases: option, unit, what is usual (common practice, no
#: source), the option it belongs to, what it is.
_ERRORS = (
    ("ruler-error-mm", "mm", 0.5, "ruler-mm", "how far the ruler may be off"),
    ("thumb-error-s", "s", 0.2, "stopwatch", "how far a timed run may be off, start and stop together"),
    ("marks-error-percent", "%", 0.1, "stopwatch", "how far the marked length may be off"),
)

#: How the lines begin that libmpg123 writes about a damaged file.
_DECODER_NOTES = (b"Note: ", b"Warning: Xing", b"[src/libmpg123/", b"\n")

_MEASURE_EPILOG = """\
FILE is a stereo file, dry sound left and playback right, or two files DRY,PLAYBACK;
tone, silence and repeats may be playback alone. Record one head at a time, the others
turned down.

What a take is of:
  One head: the first take of a kind is at the machine's first speed, the second at its
  second, and so on. Several heads: say --head 2 before the takes of the second head.

  measure --signal fast.wav --signal slow.wav --ruler-mm 41.5

  measure --head 1 --signal fast1.wav --signal slow1.wav
          --head 2 --signal fast2.wav --signal slow2.wav
          --head 3 --signal fast3.wav --signal slow3.wav --ruler-mm 118.5
          --stopwatch 10 52.5

One ruler or one stopwatch is enough: the delays tell all ratios. How far a tool may be
off is meant as a 95 % interval: the truth is inside in 95 of 100 cases.
"""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command, by default what was typed, and give its exit status back.

    0 if all went well, 2 if the user has to change something, which one line then says.

    >>> main(["plan", "--spacing-mm", "-3", "--speed-ips", "7.5"])
    2
    """
    try:
        options = _parser().parse_args(arguments)
        options.command(options)
        return 0
    except SystemExit as stop:  # argparse has said what is wrong, or shown its help
        return int(stop.code or 0)
    except BrokenPipeError:  # whoever read our output has seen enough
        _drop_output()
        return 0
    except KeyboardInterrupt:
        print("tapecalc: stopped", file=sys.stderr)
        return 130
    except (ValueError, OSError) as error:
        print(f"tapecalc: {_one_line(error)}", file=sys.stderr)
        return 2


def run() -> None:
    """Run what was typed and leave with its exit status."""
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # a terminal that lacks a letter shows a question mark
    with _without_decoder_notes():
        status = main()
    try:
        sys.stdout.flush()
    except BrokenPipeError:  # as in main, for what had not been handed over yet
        _drop_output()
    sys.exit(status)


@contextmanager
def _without_decoder_notes() -> Iterator[None]:
    """Keep what the MP3 decoder notes about a damaged file off the terminal: our one sentence tells it.

    The decoder writes straight to the process's standard error, which there is no asking it not to.
    So that goes to a file meanwhile, and at the end all but the decoder's lines is handed on; what
    Python prints takes its usual way at once. This holds for the whole process, so it is for the
    command line alone, where the process is ours.
    """
    usual = sys.stderr
    try:
        usual.flush()
        aside = tempfile.TemporaryFile()  # noqa: SIM115  it is closed below
        terminal = os.dup(2)
    except (AttributeError, OSError):  # no standard error, or no room for a file: then with its notes
        yield
        return
    os.dup2(aside.fileno(), 2)
    sys.stderr = os.fdopen(os.dup(terminal), "w", buffering=1, errors="backslashreplace")
    try:
        yield
    finally:
        sys.stderr.close()
        sys.stderr = usual
        os.dup2(terminal, 2)
        os.close(terminal)
        with aside:
            aside.seek(0)
            for line in aside:
                if not line.startswith(_DECODER_NOTES):
                    os.write(2, line)


def _drop_output() -> None:
    """Send what is still to be printed nowhere."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _one_line(error: Exception) -> str:
    """Say an error in one printable line, whatever a file name or a value held."""
    if isinstance(error, OSError) and error.strerror and error.filename:
        text = f"{error.filename}: {error.strerror}"
    else:
        text = str(error)
    return "".join(c if c.isprintable() else "?" for c in " ".join(text.split()))


# ---- what can be typed ----


def _parser() -> argparse.ArgumentParser:
    """Describe all commands and their options."""
    parser = argparse.ArgumentParser(
        prog="tapecalc", description="Plan, hear, measure and draw tape echo.", allow_abbrev=False
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    for name, describe, function, text in (
        ("plan", _describe_plan, _plan, "make a complete plan for one machine and one song"),
        ("render", _describe_render, _render, "play a sound file through the planned machine"),
        ("measure", _describe_measure, _measure, "measure a machine from recordings of it"),
        ("figures", _describe_figures, _figures, "draw figures of the catalog for a machine"),
        ("clip", _describe_clip, _clip, "film a clip of the catalog, with sound, for a machine"),
    ):
        said = text.capitalize() + "."
        command = commands.add_parser(name, help=text, description=said, allow_abbrev=False)
        command.set_defaults(command=function)
        describe(command)
    return parser


def _describe_plan(plan: argparse.ArgumentParser) -> None:
    add, spacing, speed = plan.add_argument, "instead of a file: spacing", "instead of a file: speed"
    add("file", nargs="?", metavar="MACHINE.toml", help="a machine file (default: the example)")
    add("--spacing-mm", type=float, action="append", metavar="MM", help=spacing)
    add("--speed-ips", type=float, action="append", metavar="IPS", help=speed)
    add("--speed-cm-s", type=float, action="append", metavar="CM_S", help="the same in cm/s")
    add("--bpm", type=float, help="tempo of the song, quarter notes a minute")
    add("--repeats", type=int, metavar="N", help="repeats that shall be heard")
    add("--out", metavar="DIR", help="also write plan.html, plan.json, figures and a preview here")


def _describe_render(render: argparse.ArgumentParser) -> None:
    add = render.add_argument
    add("machine", metavar="MACHINE.toml", help="a machine file, or 'example'")
    add("source", metavar="IN", help="the sound to send in: WAV, FLAC, OGG or MP3")
    add("target", metavar="OUT", help="the file to write, of the kind its ending names")
    add("--speed-ips", type=float, metavar="IPS", help="one of the machine's speeds")
    add("--wet-only", action="store_true", help="the echo without the dry sound")
    add("--seconds", type=float, metavar="N", help="stop after N seconds of sound")
    add("--seed", type=int, default=0, metavar="N", help="for hiss and random wobble")


def _describe_measure(measure: argparse.ArgumentParser) -> None:
    add = measure.add_argument
    measure.formatter_class = argparse.RawDescriptionHelpFormatter
    measure.epilog = _MEASURE_EPILOG
    add("--make-test-signal", metavar="OUT.wav", help="write the signal to record, and stop")
    add("--sample-rate", type=int, metavar="HZ", help="of the test signal (default: 48000)")
    for option, (_, text) in _TAKES.items():
        add(f"--{option}", action=_InOrder, metavar="FILE", help=text)
    add(
        "--head",
        action=_InOrder,
        type=int,
        metavar="N",
        help="the takes and rulers behind this are of playback head N, the nearest to the record head "
        "being 1 (default: 1)",
    )
    add(
        "--speed",
        action=_InOrder,
        type=int,
        metavar="N",
        help="what stands behind this was made at the machine's N-th speed (default: the first take of "
        "a kind at speed 1, the second at speed 2)",
    )
    add(
        "--tone-taken",
        choices=("through", "later", "test-tape"),
        help="how the tone came to be played: recorded and played at once (default), played later, or "
        "from a test tape",
    )
    add("--machine", metavar="MACHINE.toml", help="what is known of it; or the word example")
    ruler = "head spacing by a ruler, gap to gap"
    add("--ruler-mm", action=_InOrder, type=float, metavar="MM", help=ruler)
    add(
        "--stopwatch",
        action=_InOrder,
        type=float,
        nargs=2,
        metavar=("METERS", "SECONDS"),
        help="a marked length of tape and the time it took, once for each speed",
    )
    for option, _, usual, _, text in _ERRORS:
        unit = option.rpartition("-")[2].upper()
        add(f"--{option}", type=float, metavar=unit, help=f"{text} (default: {usual:g})")
    add("--out", metavar="DIR", help="also write figures, measured.json and machine.toml here")


def _describe_figures(figures: argparse.ArgumentParser) -> None:
    add = figures.add_argument
    add("names", nargs="*", metavar="FIGURE", help="which ones (default: all)")
    add("--machine", metavar="MACHINE.toml", help="a machine file (default: the example)")
    add("--out", required=True, metavar="DIR", help="where to")
    add("--profile", default="notebook", help="size and ground, for example video_1080_dark")
    add("--units", default="metric", help="metric or inches")
    add("--symbols-only", action="store_true", help="symbols instead of words")
    add("--format", action="append", metavar="FORM", help="svg, png or pdf (default: svg and png)")


def _describe_clip(clip: argparse.ArgumentParser) -> None:
    add = clip.add_argument
    add("name", metavar="CLIP", help="which one, for example tape_travel")
    add("--machine", metavar="MACHINE.toml", help="a machine file (default: the example)")
    add("--out", required=True, metavar="FILE", help="an .mp4 or .gif to write")
    add("--frames", action="store_true", help="numbered PNG pictures into the folder --out")
    add("--profile", default="video_1080", help="size and ground, for example vertical_dark")
    add("--units", default="metric", help="metric or inches")
    add("--seconds", type=float, default=10.0, metavar="N", help="its length (default: 10)")
    add("--fps", type=int, default=30, metavar="N", help="frames a second (default: 30)")


class _InOrder(argparse.Action):
    """Keep what was typed together with what it is, in the order of typing."""

    def __call__(self, _parser: Any, options: Any, values: Any, _option: str | None = None) -> None:
        options.typed = [*getattr(options, "typed", ()), (self.dest, values)]


def _machine_file(name: str) -> "Machine":
    """The machine of a file, or the bundled one for the word example."""
    from tapecalc.machine import example_machine, read_machine

    return example_machine() if name == "example" else read_machine(name)


# ---- plan, render, figures, clip ----


def _plan(options: argparse.Namespace) -> None:
    """Print the plan; write the page, the figures and the sound if a folder is named."""
    from tapecalc.plan import make_plan
    from tapecalc.report.plan_text import plan_text

    plan = make_plan(_machine_of(options), bpm=options.bpm, repeats=options.repeats)
    text = plan_text(plan)
    if options.out is not None:
        from tapecalc.report.plan_page import write_plan

        text += f"\n\nWritten: {', '.join(map(str, write_plan(plan, options.out)))}"
    print(text)


def _machine_of(options: argparse.Namespace) -> "Machine":
    """The machine that the options describe: a file, a few numbers, or the example."""
    from tapecalc.machine import example_machine, machine_from_options, read_machine

    numbers = options.spacing_mm or options.speed_ips or options.speed_cm_s
    if options.file and numbers:
        raise ValueError("name a machine file, or give --spacing-mm and --speed-ips, not both")
    if options.file:
        return read_machine(options.file)
    if numbers:
        return machine_from_options(
            spacings_mm=options.spacing_mm, speeds_ips=options.speed_ips, speeds_cm_s=options.speed_cm_s
        )
    return example_machine()


def _render(options: argparse.Namespace) -> None:
    """Send a sound file through the machine."""
    from tapecalc.calc.units import from_si
    from tapecalc.sound.render import render_file

    machine, wanted = _machine_file(options.machine), options.speed_ips
    speed = machine.speeds[0]
    if wanted is not None:
        speed = min(machine.speeds, key=lambda known: abs(from_si(known, "ips") - wanted))
        if not abs(from_si(speed, "ips") - wanted) <= 0.02 * from_si(speed, "ips"):
            known = ", ".join(f"{from_si(known, 'ips'):.4g}" for known in machine.speeds)
            raise ValueError(f"--speed-ips must be one of the machine's speeds ({known}), got {wanted:g}")
    path = render_file(
        machine,
        options.source,
        options.target,
        speed=speed,
        wet_only=options.wet_only,
        seconds=options.seconds,
        seed=options.seed,
    )
    print(f"Written: {path}")


def _figures(options: argparse.Namespace) -> None:
    """Draw figures into a folder."""
    from tapecalc.report.figure_folder import write_gallery

    paths = write_gallery(
        options.out,
        machine=_machine_file(options.machine or "example"),
        names=options.names,
        profile=options.profile,
        units=options.units,
        symbols_only=options.symbols_only,
        formats=options.format or ("svg", "png"),
    )
    print(f"Written: {len(paths)} files in {options.out}")


def _clip(options: argparse.Namespace) -> None:
    """Film one clip."""
    from tapecalc.plot.clips import write_clip

    written = write_clip(
        options.name,
        options.out,
        machine=_machine_file(options.machine or "example"),
        profile=options.profile,
        units=options.units,
        seconds=options.seconds,
        fps=options.fps,
        as_frames=options.frames,
    )
    print(f"Written: {written}")


# ---- measure ----


def _measure(options: argparse.Namespace) -> None:
    """Measure a machine, or write the signal to measure it with."""
    if options.make_test_signal is not None:
        _make_test_signal(options)
        return
    if options.sample_rate is not None:
        raise ValueError("--sample-rate belongs to --make-test-signal; recordings carry their own")
    from tapecalc.measuring import measure
    from tapecalc.report.measurement import measurement_text, write_measurement

    machine = None if options.machine is None else _machine_file(options.machine)
    found = measure(**_observed(options, machine), machine=machine)
    if found.empty:
        raise ValueError(" ".join(found.sentences))
    text = measurement_text(found)
    if options.out is not None:
        written = write_measurement(found, options.out, machine=machine)
        text += "\n".join(["\n", f"Written: {', '.join(map(str, written.paths))}", *written.notes])
    print(text)


def _make_test_signal(options: argparse.Namespace) -> None:
    """Write the test signal, and say how to record it."""
    from tapecalc.measuring import make_test_signal
    from tapecalc.sound.files import write_sound

    if hasattr(options, "typed"):
        raise ValueError("make the test signal first, without takes; then record it, and measure the takes")
    rate = 48000 if options.sample_rate is None else options.sample_rate
    signal = make_test_signal(rate)
    print(f"Written: {write_sound(options.make_test_signal, signal, rate)} ({len(signal) / rate:.0f} s)")
    print(
        "Send it into the machine at line level, return send down, speakers low, and record once for each "
        "speed: what goes in on the left channel, what the playback head gives on the right."
    )


def _observed(options: argparse.Namespace, machine: "Machine | None") -> dict[str, Any]:
    """Takes, rulers and stopwatches, each with its head and speed, from what was typed in order."""
    from tapecalc.measuring import Ruler, Stopwatch, Take, open_recording

    errors, takes, rulers, stopwatches = _errors(options), {}, [], []
    for what, value, head, at in _placed(options, machine):
        if what == "ruler_mm":
            rulers.append(Ruler(_estimate("--ruler-mm", value, "mm", errors["ruler_error_mm"]), head=head))
        elif what == "stopwatch":
            off = abs(value[0]) * errors["marks_error_percent"] / 100
            length = _estimate("--stopwatch METERS", value[0], "m", off)
            time = _estimate("--stopwatch SECONDS", value[1], "s", errors["thumb_error_s"])
            stopwatches.append(Stopwatch(length, time, at=at))
        elif (what, head, at) in takes:
            raise ValueError(f"--{what} was named twice for head {head + 1} at speed {at + 1}")
        else:
            later = what == "tone" and options.tone_taken not in (None, "through")
            takes[what, head, at] = Take(
                recording=open_recording(*_files(value)),
                kind=_TAKES[what][0],
                head=head,
                at=at,
                record_mode=options.tone_taken.replace("-", " ") if later else "simultaneous",
            )
    if not takes:
        named = ", ".join(f"--{option}" for option in _TAKES)
        raise ValueError(f"name a take: {named}, or --make-test-signal")
    return {"takes": list(takes.values()), "rulers": rulers, "stopwatches": stopwatches}


def _errors(options: argparse.Namespace) -> dict[str, float]:
    """How far off each tool may be, as typed or as usual; refused where its tool was not used."""
    from tapecalc.calc.quantity import positive

    typed = {what for what, _ in getattr(options, "typed", ())}
    if options.tone_taken is not None and "tone" not in typed:
        raise ValueError("--tone-taken belongs to --tone, which is not there")
    errors = {}
    for option, unit, usual, tool, _ in _ERRORS:
        name = option.replace("-", "_")
        value = getattr(options, name)
        if value is not None and tool.replace("-", "_") not in typed:
            raise ValueError(f"--{option} belongs to --{tool}, which is not there")
        errors[name] = usual if value is None else float(positive(f"--{option}", value, unit))
    return errors


def _placed(options: argparse.Namespace, machine: "Machine | None") -> Iterator[tuple[str, Any, int, int]]:
    """What was typed, each with its head and its speed, both counted from 0."""
    from tapecalc.calc.quantity import whole
    from tapecalc.machine import MOST_HEADS, MOST_SPEEDS

    typed = getattr(options, "typed", ())
    there = {"head": MOST_HEADS, "speed": MOST_SPEEDS}
    if machine is not None:
        there = {"head": len(machine.playback_heads), "speed": len(machine.speeds)}
    head, speed = 0, None
    counts: Counter[tuple[str, int | None]] = Counter()
    for what, value in typed:
        if what in there:
            if machine is not None and value > there[what]:
                raise ValueError(f"--{what} {value}: {machine.name} has {_counted(there[what], what)}")
            number = whole(f"--{what}", value, 1, there[what]) - 1
            head, speed = (number, speed) if what == "head" else (head, number)
            continue
        key = (what, head if what in _TAKES else None)
        at = counts[key] if speed is None else speed
        counts[key] += 1
        if what != "ruler_mm" and at >= there["speed"]:
            whose = "a machine" if machine is None else machine.name
            raise ValueError(
                f"--{what} was named {at + 1} times, and {whose} has {_counted(there['speed'], 'speed')}"
            )
        yield what, value, head, at
    if typed and typed[-1][0] in there:
        raise ValueError(f"--{typed[-1][0]} {typed[-1][1]} belongs before what it is of, and nothing follows")


def _counted(count: int, what: str) -> str:
    """A number of things in words."""
    return f"{count} {what}{'' if count == 1 else 's'}"


def _estimate(name: str, value: float, unit: str, error: float) -> "Estimate":
    """The reading of a tool in SI, and how far it may be off, both in `unit`."""
    from tapecalc.calc.quantity import positive
    from tapecalc.calc.units import to_si
    from tapecalc.measuring import Estimate

    value = float(positive(name, value, unit))
    return Estimate(to_si(value, unit), to_si(error, unit), "s" if unit == "s" else "m")


def _files(name: str) -> tuple[str, ...]:
    """One stereo file, or the two of DRY,PLAYBACK; a comma in the name of a file that is there stays."""
    return (name,) if os.path.exists(name) else tuple(name.split(",", 1))
