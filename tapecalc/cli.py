"""The command line: ``python -m tapecalc plan|try|compare|render|measure|figures|clip``.

Each command loads only the rooms it needs. A mistake in what the user typed or in a file ends with one
line on standard error and exit status 2.
"""

import argparse
import functools
import io
import os
import re
import signal
import sys
import tempfile
import warnings
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NoReturn

import tapecalc as tc
from tapecalc.files import lies_in, refuse_foreign

#: Options that name takes: the kind of take, and what it is.
_TAKES = {
    "--signal": ("test signal", "the test signal, dry and played back: tells the most"),
    "--program": ("program", "any sound, dry and played back: tells delay and response"),
    "--tone": ("tone", "5 s or more of a steady tone near 3150 Hz: tells wow and flutter"),
    "--silence": ("silence", "3 s or more of nothing, recorded and played back: tells noise and hum"),
    "--repeats": ("repeats", "a short sound and its repeats until they are gone: tells the loop gain"),
    "--tracks": ("tracks", "one sound on both tracks, played back: tells the tilt between them"),
}
#: How a tone came to be played, as it is typed or not, and as it is called by what measures it.
_MODES = {None: "simultaneous", "through": "simultaneous", "later": "later", "test-tape": "test tape"}
#: How far off a tool may be, in 95 of 100 cases: what is usual (common practice, no source), unit, the
#: option it belongs to, what it is.
_TOOLS = {
    "--ruler-plus-minus-mm": (0.5, "mm", "--ruler-mm", "how far the ruler may be off"),
    "--thumb-plus-minus-s": (
        0.2,
        "s",
        "--stopwatch",
        "how far a timed run may be off, start and stop together",
    ),
    "--marks-plus-minus-percent": (0.1, "%", "--stopwatch", "how far the marked length may be off"),
}

#: What asks a run to end: Ctrl-C, the system, a terminal that is closed.
_ENDS = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]

LONGEST_LINE = 300  # characters of a refusal: its middle is left out beyond that

#: How the lines begin that libmpg123 writes about a damaged file.
_DECODER_NOTES = (b"Note: ", b"Warning: Xing", b"[src/libmpg123/", b"\n")

_MEASURE_EPILOG = """\
FILE is a stereo file, dry sound left and playback right, or two files DRY,PLAYBACK;
tone, silence and repeats may be playback alone. Record one head at a time, the others
turned down.

What a take is of:
  One head: the first take of a kind is at the machine's first speed, the second at its
  second, and so on. Several heads: say --head 2 before the takes of the second head.
  Several takes of one speed: say --speed 1 before them; what they differ by is told.

  measure --signal fast.wav --signal slow.wav --ruler-mm 41.5

  measure --head 1 --signal fast1.wav --signal slow1.wav
          --head 2 --signal fast2.wav --signal slow2.wav
          --head 3 --signal fast3.wav --signal slow3.wav --ruler-mm 118.5
          --stopwatch 10 52.5

One ruler or one stopwatch is enough: the delays tell all ratios. How far a tool may be
off, its plus/minus, holds in 95 of 100 cases, as every +/- that is printed.
"""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command, by default what was typed, and give its exit status back.

    0 if all went well, 2 if the user has to change something, which one line then says.

    >>> main(["plan", "--spacing-mm", "-3", "--speed-ips", "7.5"])
    2
    """
    try:
        options = vars(_parser().parse_args(arguments))
        options.pop("command")(**options)
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
    except ImportError as error:
        print(f"tapecalc: {_one_line(error)}: a part is missing, install tapecalc again", file=sys.stderr)
        return 2


def run() -> None:
    """Run what was typed and leave with its exit status."""
    _open_what_is_closed()
    for number in _ENDS:
        if signal.getsignal(number) in (signal.SIG_DFL, signal.default_int_handler):  # else nobody asks us
            signal.signal(number, _end)
    os.environ.pop("MPLBACKEND", None)  # we show no windows, and a wrong one would stop us
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="replace")  # a terminal that lacks a letter shows a question mark
    with _without_decoder_notes(), _missing_letters_told():
        status = main()
    try:
        sys.stdout.flush()
    except BrokenPipeError:  # as in main, for what had not been handed over yet
        _drop_output()
    except OSError as error:
        _drop_output()
        if status == 0:
            print(f"tapecalc: cannot write what is to be printed: {error.strerror}", file=sys.stderr)
        status = status or 2
    sys.exit(status)


def _open_what_is_closed() -> None:
    """Give a process without standard input, output or error one that leads nowhere.

    Otherwise the next file that is opened gets its number, and what a library prints goes into that file.
    """
    for number in range(3):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # gets the lowest number that is free
    sys.stdout = sys.stdout or open(os.devnull, "w")  # noqa: SIM115  open to the end
    sys.stderr = sys.stderr or open(os.devnull, "w")  # noqa: SIM115


def _end(number: int, _frame: object) -> NoReturn:
    """Leave so that what is half done is taken away, which being asked again does not interrupt."""
    for one in _ENDS:
        signal.signal(one, lambda *_: None)
    if number == signal.SIGINT:
        raise KeyboardInterrupt
    raise SystemExit(128 + number)


@contextmanager
def _missing_letters_told() -> Iterator[None]:
    """Say once, in words, which letters the type of pictures lacks, and not with a warning at each place."""
    missing: dict[str, None] = {}
    with warnings.catch_warnings():
        show = warnings.showwarning

        def told(message: Warning | str, *rest: Any, **more: Any) -> None:
            if found := re.match(r"Glyph (\d+) .*missing from", str(message)):
                missing[chr(int(found[1]))] = None
            else:
                show(message, *rest, **more)

        warnings.showwarning = told
        yield
    if missing:
        said = f"in pictures a box stands for letters that their type does not have: {' '.join(missing)}"
        print(f"tapecalc: {_one_line(ValueError(said))}", file=sys.stderr)


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
    if isinstance(error, OSError) and error.strerror:
        text = f"{error.filename}: {error.strerror}" if error.filename else error.strerror
    else:
        text = str(error)
    line = _printable(" ".join(text.split()))
    return line if len(line) <= LONGEST_LINE else f"{line[: LONGEST_LINE - 105]} ... {line[-100:]}"


def _printable(text: str) -> str:
    """Put question marks in the place of what could command a terminal; lines stay."""
    return "".join(c if c.isprintable() or c == "\n" else "?" for c in text)


def _say(text: str) -> None:
    """Print a result."""
    print(_printable(text))


# ---- what can be typed ----


class _Parser(argparse.ArgumentParser):
    """A parser whose refusals are one line, like all others."""

    def error(self, message: str) -> NoReturn:
        """Refuse what was typed."""
        raise ValueError(f"{message}; see '{self.prog} --help'")


def _parser() -> argparse.ArgumentParser:
    """Describe all commands and their options."""
    parser = _Parser(
        prog="tapecalc", description="Plan, hear, measure and draw tape echo.", allow_abbrev=False
    )
    commands = parser.add_subparsers(required=True, metavar="COMMAND")
    raw = argparse.RawDescriptionHelpFormatter
    add = functools.partial(commands.add_parser, formatter_class=raw, allow_abbrev=False)
    for name, describe, function, text in (
        ("plan", _describe_plan, _plan, "make a complete plan for one machine and one song"),
        ("try", _describe_try, _try, "write a page on which the machine's heads can be dragged, and heard"),
        ("compare", _describe_compare, _compare, "set two plans side by side, what differs first"),
        ("render", _describe_render, _render, "play a sound file through the planned machine"),
        ("measure", _describe_measure, _measure, "measure a machine from recordings of it"),
        ("figures", _describe_figures, _figures, "draw figures of the catalog for a machine"),
        ("clip", _describe_clip, _clip, "film a clip of the catalog, with sound, for a machine"),
    ):
        epilog = _MEASURE_EPILOG if name == "measure" else None
        command = add(name, help=text, description=f"{text.capitalize()}.", epilog=epilog)
        command.set_defaults(command=function)
        describe(command.add_argument)
    return parser


def _describe_plan(add: Callable[..., Any]) -> None:
    several = functools.partial(add, type=float, action="append")
    add("file", nargs="?", metavar="MACHINE.toml", help="a machine file, or 'example' (default)")
    several("--spacing-mm", dest="spacings_mm", metavar="MM", help="instead of a file: spacing")
    several("--speed-ips", dest="speeds_ips", metavar="IPS", help="instead of a file: speed")
    several("--speed-cm-s", dest="speeds_cm_s", metavar="CM_S", help="the same in cm/s")
    _describe_song(add)
    add("--out", metavar="DIR", help="also write plan.html, try.html, plan.json, figures and a preview here")


def _describe_try(add: Callable[..., Any]) -> None:
    add(
        "machine",
        nargs="?",
        default="example",
        metavar="MACHINE.toml",
        help="a machine file, or 'example' (default)",
    )
    add(
        "--out",
        required=True,
        metavar="FILE",
        help="an .html to write; it opens in a browser and needs nothing else",
    )


def _describe_song(add: Callable[..., Any]) -> None:
    add("--bpm", type=float, help="tempo of the song, quarter notes a minute")
    add("--note", help="the note that the echo shall be, for example 'dotted eighth'")
    add("--repeats", type=int, metavar="N", help="repeats that shall be heard")


def _describe_compare(add: Callable[..., Any]) -> None:
    for number in ("first", "second"):
        add(number, metavar=f"{number.upper()}.toml", help="a machine file, or 'example'")
    _describe_song(add)


def _describe_render(add: Callable[..., Any]) -> None:
    add("machine", metavar="MACHINE.toml", help="a machine file, or 'example'")
    add("source", metavar="IN", help="the sound to send in: WAV, FLAC, OGG or MP3")
    add("target", metavar="OUT", help="the file to write, of the kind its ending names")
    text = "one of the machine's speeds, or within its range (default: its first, or the slow end)"
    add("--speed-ips", type=float, metavar="IPS", help=text)
    add("--speed-cm-s", type=float, metavar="CM_S", help="the same in cm/s")
    add("--wet-only", action="store_true", help="the echo without the dry sound")
    add("--seconds", type=float, metavar="N", help="stop after N seconds of sound")
    add("--seed", type=int, default=0, metavar="N", help="for hiss and random wobble")


def _describe_measure(add: Callable[..., Any]) -> None:
    in_order = functools.partial(add, action=_InOrder, dest="typed", default=())
    add("--make-test-signal", metavar="OUT.wav", help="write the signal to record, and stop")
    add("--sample-rate", type=int, metavar="HZ", help="of the test signal (default: 48000)")
    for option, (_, text) in _TAKES.items():
        in_order(option, metavar="FILE", help=text)
    text = "the takes and rulers behind this are of playback head N, the nearest to the record head being 1"
    in_order("--head", type=int, metavar="N", help=f"{text} (default: 1)")
    text = "what stands behind this was made at the machine's N-th speed (default: the first take of a kind"
    in_order("--speed", type=int, metavar="N", help=f"{text} at speed 1, the second at speed 2)")
    text = "how the tone came to be played: recorded and played at once (default), played later, or from a"
    add("--tone-taken", choices=tuple(_MODES)[1:], help=f"{text} test tape")
    add("--machine", metavar="MACHINE.toml", help="what is known of it; or the word example")
    text = "between the middles of two tracks, for their tilt as an angle"
    add("--track-distance-mm", type=float, metavar="MM", help=text)
    in_order("--ruler-mm", type=float, metavar="MM", help="head spacing by a ruler, gap to gap")
    text = "a marked length of tape and the time it took, once for each speed"
    in_order("--stopwatch", type=float, nargs=2, metavar=("METERS", "SECONDS"), help=text)
    for option, (usual, _, _, text) in _TOOLS.items():
        unit = option.rpartition("-")[2].upper()
        add(option, type=float, metavar=unit, help=f"{text} (default: {usual:g})")
    text = "two files DRY,PLAYBACK were started by one clock; otherwise they tell no delay"
    add("--common-start", action="store_true", help=text)
    text = "an older measured.json, to say what has changed since"
    add("--before", metavar="measured.json", help=text)
    add("--out", metavar="DIR", help="also write report.html, figures, measured.json and machine.toml here")


def _describe_figures(add: Callable[..., Any]) -> None:
    add("names", nargs="*", metavar="FIGURE", help="which ones (default: all)")
    add("--machine", default="example", metavar="MACHINE.toml", help="a machine file (default: the example)")
    add("--out", required=True, metavar="DIR", help="where to")
    add("--profile", default="notebook", help="size and ground, for example video_1080_dark")
    add("--units", default="metric", help="metric or inches")
    add("--symbols-only", action="store_true", help="symbols instead of words")
    add("--credit", action="store_true", help="print into each whose picture it is")
    add("--sheet", action="store_true", help="add one picture of all of them, sheet.png")
    text = "svg, png or pdf (default: svg and png)"
    add("--format", dest="formats", action="append", metavar="FORM", help=text)


def _describe_clip(add: Callable[..., Any]) -> None:
    add("name", metavar="CLIP", help="which one, for example tape_path")
    add("--machine", default="example", metavar="MACHINE.toml", help="a machine file (default: the example)")
    add("--out", required=True, metavar="FILE", help="an .mp4 or .gif to write")
    text = "numbered PNG pictures into the folder --out"
    add("--frames", dest="as_frames", action="store_true", help=text)
    add("--profile", default="video_1080", help="size and ground, for example vertical_dark")
    add("--units", default="metric", help="metric or inches")
    add("--silent", action="store_true", help="leave the sound out")
    text = "its length without a second of hold before and after (default: 10)"
    add("--seconds", type=float, default=10.0, metavar="N", help=text)
    add("--fps", type=int, default=30, metavar="N", help="frames a second (default: 30)")


class _InOrder(argparse.Action):
    """Keep what was typed together with its option, in the order of typing."""

    def __call__(self, _parser: Any, options: Any, values: Any, option: str | None = None) -> None:
        options.typed = (*options.typed, (option, values))


def _machine_file(name: str) -> "tc.Machine":
    """The machine of a file, or the bundled one for the word example."""
    return tc.example_machine() if name == "example" else tc.read_machine(name)


#: How refusals begin that are of what was typed, and the option that takes the place of it.
_TYPED = (
    (r"^changes: song\.(bpm|note)", r"--\1"),
    (r"^repeats (?=must)", "--repeats "),
    (r"^options: transport\.speeds_(ips|cm_s)(\[\d+\])?", lambda found: _option(f"speed_{found[1]}")),
    (r"^options: playback_heads(\[\d+\]\.spacing_mm)?", "--spacing-mm"),
    (r"^options: transport gives", "the options give"),
    (r"^options: transport has the speeds", "the options have the speeds"),
    (r"write unusual = true$", "write a machine file with unusual = true"),
)


@contextmanager
def _in_words_of_options() -> Iterator[None]:
    """Refuse what was typed by the option and not by the key that it stands for."""
    try:
        yield
    except ValueError as error:
        text = str(error)
        for key, option in _TYPED:
            text = re.sub(key, option, text)
        raise ValueError(text) from None


def _option(name: str) -> str:
    """An option as it is typed: ``"--speed-cm-s"`` for ``"speed_cm_s"``."""
    return "--" + name.replace("_", "-")


def _folder(out: str, kind: str, *inputs: str | None) -> str:
    """Refuse a folder that cannot be, or be written, before anything is worked out."""
    path = Path(out)
    there = next((place for place in (path, *path.parents) if place.exists()), path)
    if there.exists() and not there.is_dir():
        raise ValueError(f"--out must be a folder, {there} is a file")
    _spare(out, *inputs)
    refuse_foreign(out, kind)
    return out


def _spare(out: str, *inputs: str | None) -> None:
    """Refuse to write over what is read, by whatever path or link it is named."""
    for name in filter(None, inputs):
        if os.path.exists(name) and lies_in(name, out):
            raise ValueError(f"{out} would be written over {name}, which is read: name another")


# ---- plan, try, compare, render, figures, clip ----


def _plan(
    file: str | None,
    out: str | None,
    bpm: float | None,
    note: str | None,
    repeats: int | None,
    **numbers: Any,
) -> None:
    """Print the plan; write the page, the figures and the sound if a folder is named."""
    from tapecalc.report.plan_text import plan_text

    if out is not None:
        _folder(out, "plan", file)
    machine = (
        _machine_of_numbers(file, **numbers) if any(numbers.values()) else _machine_file(file or "example")
    )
    with _in_words_of_options():
        plan = tc.make_plan(machine, bpm=bpm, note=note, repeats=repeats)
    text = plan_text(plan)
    if out is not None:
        from tapecalc.report.plan_page import write_plan

        text += f"\n\nWritten: {', '.join(map(str, write_plan(plan, out)))}"
    _say(text)


def _try(machine: str, out: str) -> None:
    """Write the playable tape as one page."""
    from tapecalc.report.try_page import write_try_page

    _spare(out, machine)
    if not out.lower().endswith((".html", ".htm")):
        raise ValueError(f"--out must end in .html, or no browser opens it; got {out}")
    _say(f"Written: {write_try_page(tc.make_plan(_machine_file(machine)), out)}")


def _machine_of_numbers(file: str | None, **numbers: Sequence[float] | None) -> "tc.Machine":
    """The machine of a few spacings and speeds, both of which must be there."""
    from tapecalc.machine import machine_from_options

    *speeds, spacings = numbers["speeds_ips"], numbers["speeds_cm_s"], numbers["spacings_mm"]
    if file:
        raise ValueError("name a machine file, or give --spacing-mm and --speed-ips, not both")
    if not spacings or not any(speeds):
        missing, there = (
            ("--speed-ips or --speed-cm-s", "--spacing-mm") if spacings else ("--spacing-mm", "a speed")
        )
        raise ValueError(f"{there} alone is no machine; give {missing} as well")
    if all(speeds):
        raise ValueError("give --speed-ips or --speed-cm-s, not both")
    with _in_words_of_options():
        return machine_from_options(**numbers)


def _compare(first: str, second: str, **song: Any) -> None:
    """Print two plans side by side."""
    from tapecalc.report.compare_text import compare_text

    machines = [_machine_file(name) for name in (first, second)]
    with _in_words_of_options():
        plans = [tc.make_plan(machine, **song) for machine in machines]
    _say(compare_text(*plans, names=(first, second)))


def _render(
    machine: str, source: str, target: str, speed_ips: float | None, speed_cm_s: float | None, **options: Any
) -> None:
    """Send a sound file through the machine."""
    from tapecalc.sound.render import render_file

    deck = _machine_file(machine)
    _spare(target, machine)
    typed = {unit: value for unit, value in (("ips", speed_ips), ("cm_s", speed_cm_s)) if value is not None}
    if len(typed) > 1:
        raise ValueError("give --speed-ips or --speed-cm-s, not both")
    speed = next((_speed(deck, value, unit) for unit, value in typed.items()), deck.speeds[0])
    written = render_file(deck, source, target, speed=speed, **options)
    _say(f"Written: {written}, at {tc.words.speed_twice(speed, deck.units)}")


def _speed(machine: "tc.Machine", value: float, unit: str) -> float:
    """The machine's speed that was typed, m/s: any within its range, else the one that is meant."""
    known = {tc.units.from_si(speed, unit): speed for speed in machine.speeds}
    if machine.speed_range is not None:
        low, high = known
        if low * (1 - 1e-6) <= value <= high * (1 + 1e-6):
            return tc.units.to_si(value, unit)
        what = f"within the machine's range, {low:.4g} to {high:.4g}"
    else:
        nearest = min(known, key=lambda speed: abs(speed - value))
        if abs(nearest - value) <= 0.02 * nearest:
            return known[nearest]
        what = f"one of the machine's speeds, {tc.words.listed(f'{speed:.4g}' for speed in known)}"
    raise ValueError(f"{_option(f'speed_{unit}')} must be {what}; got {value:g}")


def _figures(machine: str, out: str, formats: list[str] | None, **options: Any) -> None:
    """Draw figures into a folder."""
    from tapecalc.report.figure_folder import write_gallery

    _folder(out, "figures", machine)
    paths = write_gallery(out, machine=_machine_file(machine), formats=formats or ("svg", "png"), **options)
    _say(f"Written: {len(paths)} files in {out}")


def _clip(name: str, out: str, machine: str, **options: Any) -> None:
    """Film one clip."""
    from tapecalc.plot.clips import write_clip

    _spare(out, machine)
    _say(f"Written: {write_clip(name, out, machine=_machine_file(machine), **options)}")


# ---- measure ----

_Typed = Sequence[tuple[str, Any]]  # options and what was given, in the order of typing


def _measure(
    make_test_signal: str | None,
    sample_rate: int | None,
    typed: _Typed,
    machine: str | None,
    out: str | None,
    before: str | None,
    **how: Any,
) -> None:
    """Measure a machine, or write the signal to measure it with."""
    if make_test_signal is not None:
        _make_test_signal(make_test_signal, 48000 if sample_rate is None else sample_rate, typed)
        return
    if sample_rate is not None:
        raise ValueError("--sample-rate belongs to --make-test-signal; recordings carry their own")
    from tapecalc.report.measurement import measurement_text, read_figures, write_measurement

    older = None if before is None else read_figures(before)
    if out is not None:
        files = [name for option, value in typed if option in _TAKES for name in _named(value)]
        _folder(out, "measure", machine, before, *files)
    deck = None if machine is None else _machine_file(machine)
    found = tc.measure(**_observed(typed, deck, **how), machine=deck)
    if found.empty:
        raise ValueError(" ".join(found.sentences))
    text = measurement_text(found, units="inches" if deck is None else deck.units, before=older)
    if out is not None:
        written = write_measurement(found, out, machine=deck, before=older)
        text += "\n".join(["\n", f"Written: {', '.join(map(str, written.paths))}", *written.notes])
    _say(text)


def _make_test_signal(path: str, rate: int, typed: _Typed) -> None:
    """Write the test signal, and say how to record it."""
    from tapecalc.measuring import make_test_signal
    from tapecalc.sound.files import write_sound

    if typed:
        raise ValueError("make the test signal first, without takes; then record it, and measure the takes")
    signal = make_test_signal(rate)
    _say(
        f"Written: {write_sound(path, signal, rate)} ({len(signal) / rate:.0f} s)\n"
        "It begins with a tone to set the machine's meter by: 0, or 6 below it for slow tape. Monitor switch "
        "to tape, return send down, direct monitoring and automatic level off, speakers low. Wait until the "
        "tape runs evenly, then record once for each speed, with one interface: what goes in on the left "
        "channel, what the playback head gives on the right."
    )


def _named(value: str) -> Sequence[str]:
    """One stereo file, or two; a comma in the name of a file that is there stays."""
    return (value,) if os.path.exists(value) else value.split(",", 1)


def _observed(
    typed: _Typed,
    machine: "tc.Machine | None",
    *,
    tone_taken: str | None,
    common_start: bool,
    track_distance_mm: float | None,
    **plus_minus: Any,
) -> dict[str, Any]:
    """Takes, rulers and stopwatches, each with its head and speed, from what was typed in order."""
    from tapecalc.calc.quantity import positive
    from tapecalc.measuring import Estimate, Ruler, Stopwatch, Take, open_recording

    def reading(name: str, value: float, unit: str, plus_minus: float) -> Estimate:
        si = tc.units.to_si(float(positive(name, value, unit)), unit)
        return Estimate(si, tc.units.to_si(plus_minus, unit), "s" if unit == "s" else "m")

    options = {option for option, _ in typed}
    if tone_taken is not None and "--tone" not in options:
        raise ValueError("--tone-taken belongs to --tone, which is not there")
    of_ruler, of_thumb, of_marks = _plus_minus(options, plus_minus)
    takes: list[Take] = []
    rulers, stopwatches = [], []
    for option, value, head, at in _placed(typed, machine):
        if option == "--ruler-mm":
            rulers.append(Ruler(reading(option, value, "mm", of_ruler), head=head))
        elif option == "--stopwatch":
            meters, seconds = value
            length = reading("--stopwatch METERS", meters, "m", abs(meters) * of_marks / 100)
            time = reading("--stopwatch SECONDS", seconds, "s", of_thumb)
            stopwatches.append(Stopwatch(length, time, at=at))
        else:
            kind, mode = _TAKES[option][0], _MODES[tone_taken if option == "--tone" else None]
            recording = open_recording(*_named(value), common_start=common_start)
            takes.append(Take(recording=recording, kind=kind, head=head, at=at, record_mode=mode))
    if not takes:
        raise ValueError(f"name a take: {', '.join(_TAKES)}, or --make-test-signal")
    if common_start and all(take.recording.one_clock for take in takes):
        raise ValueError("--common-start is of two files DRY,PLAYBACK, and there are none")
    apart = track_distance_mm and reading("--track-distance-mm", track_distance_mm, "mm", 0.0).value
    return {"takes": takes, "rulers": rulers, "stopwatches": stopwatches, "track_distance": apart}


def _plus_minus(options: set[str], given: Mapping[str, float | None]) -> Iterator[float]:
    """How far off each tool may be, as typed or as usual; refused where its tool was not used."""
    from tapecalc.calc.quantity import positive

    for option, (usual, unit, tool, _) in _TOOLS.items():
        typed = given[option[2:].replace("-", "_")]
        if typed is not None and tool not in options:
            raise ValueError(f"{option} belongs to {tool}, which is not there")
        yield usual if typed is None else float(positive(option, typed, unit))


def _placed(typed: _Typed, machine: "tc.Machine | None") -> Iterator[tuple[str, Any, int, int]]:
    """What was typed, each with its head and its speed, both counted from 0."""
    from tapecalc.calc.quantity import whole
    from tapecalc.machine import MOST_HEADS, MOST_SPEEDS

    most, whose = {"--head": MOST_HEADS, "--speed": MOST_SPEEDS}, "a machine"
    if machine is not None:
        most, whose = {"--head": len(machine.playback_heads), "--speed": len(machine.speeds)}, machine.name
    has = {what: f"{whose} has {n} {what[2:]}{'' if n == 1 else 's'}" for what, n in most.items()}
    head, speed = 0, None
    counts: Counter[tuple[str, int | None]] = Counter()
    for option, value in typed:
        if option in most:
            if machine is not None and value > most[option]:
                raise ValueError(f"{option} {value}: {has[option]}")
            number = whole(option, value, 1, most[option]) - 1
            head, speed = (number, speed) if option == "--head" else (head, number)
            continue
        key = (option, head if option in _TAKES else None)
        at = counts[key] if speed is None else speed
        counts[key] += 1
        if option != "--ruler-mm" and at >= most["--speed"]:
            raise ValueError(f"{option} was named {at + 1} times, and {has['--speed']}")
        yield option, value, head, at
    if typed and option in most:
        raise ValueError(f"{option} {value} belongs before what it is of, and nothing follows")
