"""A measurement as text for a terminal: tables, and what the takes cannot tell."""

from __future__ import annotations

import json
import re
import textwrap
from pathlib import Path

from tabulate import tabulate

from tapecalc.calc.units import from_si
from tapecalc.files import write_file
from tapecalc.machine import Machine, machine_to_text
from tapecalc.measuring import CannotTell, measured_machine
from tapecalc.plot import style
from tapecalc.plot.measured import delay_over_time, flutter_spectrum, measured_response

__all__ = [
    "measured_figures",
    "measurement_text",
    "write_measurement",
]


# ---------------------------------------------------------------- all of it


def measured_figures(measurement, *, profile="page"):
    """Draw every figure that a measurement allows.

    Parameters
    ----------
    measurement : Measurement
        From `measure`.
    profile : str or Profile, optional
        Size and ground.

    Returns
    -------
    dict of str to Drawn
        By a name that can be a file name, such as ``"delay_head_1_speed_1"``.

    Notes
    -----
    Source: as `delay_over_time` and its neighbors. Notebook: 08_measuring.

    Examples
    --------
    >>> from tapecalc.measuring import Measurement
    >>> measured_figures(Measurement())
    {}
    """
    drawn = {}
    for (head, at), track in sorted(measurement.delays.items()):
        drawn[f"delay_head_{head + 1}_speed_{at + 1}"] = delay_over_time(track=track, profile=profile)
    for (head, at), response in sorted(measurement.responses.items()):
        what_ifs = measurement.what_ifs.get((head, at), ())
        name = f"response_head_{head + 1}_speed_{at + 1}"
        drawn[name] = measured_response(response=response, what_ifs=what_ifs, profile=profile)
    for at, reading in sorted(measurement.flutter.items()):
        track = measurement.delays.get((measurement.flutter_heads.get(at, 0), at))
        drawn[f"flutter_speed_{at + 1}"] = flutter_spectrum(
            reading=reading,
            verdicts=measurement.suspects.get(at, ()),
            delay=None if track is None else track.delay.value,
            profile=profile,
        )
    return drawn


def write_measurement(measurement, folder, *, machine=None):
    """Write the figures of a measurement, a machine file filled in, and all numbers into a folder.

    Everything is worked out before the first file is written, and ``measured.json`` comes last:
    where it is, the rest is beside it.

    Parameters
    ----------
    measurement : Measurement
        From `measure`.
    folder : str or os.PathLike
        Where to; made if it is not there yet.
    machine : Machine, optional
        What to keep in the machine file where nothing was measured.

    Returns
    -------
    list of pathlib.Path
        The files, ``measured.json`` last. ``machine.toml`` is missing where speed or spacing
        cannot be told; ``measured.json`` then says why.

    Raises
    ------
    OSError
        If something cannot be written; one line that says what.

    Notes
    -----
    Source: house rule, nothing half written. Notebook: 08_measuring.

    Examples
    --------
    >>> import tempfile
    >>> from tapecalc.measuring import Measurement
    >>> from tapecalc.machine import example_machine
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     paths = write_measurement(Measurement(), folder, machine=example_machine())
    ...     [path.name for path in paths]
    ['machine.toml', 'measured.json']
    """
    folder = Path(folder)
    files = {}
    for name, picture in measured_figures(measurement).items():
        for form in ("svg", "png"):
            files[f"{name}.{form}"] = style.figure_bytes(picture.figure, form, alt=picture.alt)
    data = measurement.to_dict()
    try:
        filled = Machine.model_validate(measured_machine(measurement, machine=machine))
    except CannotTell as reason:
        data["machine_file"] = str(reason)
    else:
        files["machine.toml"] = machine_to_text(filled)
        data["machine_file"] = "machine.toml"
    files["measured.json"] = json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    return [write_file(folder / name, content) for name, content in files.items()]


WIDTH = 100  # characters of a line of text


def measurement_text(measurement):
    """Write a measurement as aligned tables and sentences.

    Parameters
    ----------
    measurement : Measurement
        From `measure`.

    Returns
    -------
    str
        Every figure with its 95 % interval, the parts that the flutter accuses, what would
        explain the treble, and what was noticed or cannot be told.

    Notes
    -----
    Source: house rule. Notebook: 08_measuring.

    Examples
    --------
    >>> from tapecalc.measuring import Measurement, Take, measure, open_recording
    >>> empty = Take(recording=open_recording([[0.0, 0.0]] * 48000, sample_rate=48000))
    >>> print(measurement_text(measure([empty])))
    What was noticed, and what cannot be told
    * Head 1, speed 1: cannot tell the delay, because the dry channel is empty.
    """
    parts = []
    rows = [(name, *_split(text)) for name, text in measurement.rows()]
    if rows:
        parts.append(_table("Measured (+/-: 95 % interval)", ("figure", "value", "+/-"), rows, "lrl"))
    accused = [(at, verdict) for at, verdicts in sorted(measurement.suspects.items()) for verdict in verdicts]
    if accused:
        headers = ("speed", "rate", "wobble", "most likely", "sure")
        title = "Which part the flutter accuses (wobble zero to peak)"
        parts.append(_table(title, headers, [_accused(*one) for one in accused], "lrrlr"))
        parts.append(_list("What to look at", _advice(accused)))
    explained = [row for key, fits in sorted(measurement.what_ifs.items()) for row in _explained(key, fits)]
    if explained:
        headers = ("head, speed", "explanation", "would be today", "unexplained")
        parts.append(
            _table("What would explain the response, the likeliest first", headers, explained, "lllr")
        )
    if measurement.sentences:
        parts.append(_list("What was noticed, and what cannot be told", _once(measurement.sentences)))
    return "\n\n".join(parts)


def _once(sentences):
    """Say what holds for several takes once, with all of them named before it."""
    takes = {}
    for sentence in sentences:
        where, said = re.fullmatch(r"(?:(Head \d+, speed \d+): )?(.*)", sentence, re.DOTALL).groups()
        takes.setdefault(said, []).append(where)
    for said, named in takes.items():
        first, *more = [where for where in named if where] or [""]
        where = "; ".join([first, *(one.lower() for one in more)])
        yield f"{where}: {said}" if where else said


def _list(title, sentences):
    """Sentences under a title, wrapped."""
    look = {"width": WIDTH, "initial_indent": "* ", "subsequent_indent": "  "}
    return "\n".join([title, *(textwrap.fill(sentence, **look) for sentence in sentences)])


def _table(title, headers, rows, sides):
    """One table with its title; `sides` has l or r for each column."""
    body = tabulate(
        rows,
        headers,
        tablefmt="simple",
        disable_numparse=True,
        colalign=[{"l": "left", "r": "right"}[side] for side in sides],
    )
    return f"{title}\n{body}"


def _split(text):
    """Value and interval of a figure in words; no interval where there is none."""
    value, _, spread = text.partition(" +/- ")
    return value, spread


def _accused(at, verdict):
    """One line of a flutter spectrum as a row."""
    return (
        f"{at + 1}",
        f"{verdict.frequency:.2f} Hz",
        f"{from_si(verdict.depth, 'percent'):.3f} %",
        _turns(verdict),
        f"{100 * verdict.sure:.0f} %",
    )


def _advice(accused):
    """What to look at, once for each part."""
    return list(dict.fromkeys(f"{_turns(verdict)}: {verdict.advice}" for _, verdict in accused))


def _turns(verdict):
    """A part, and its bumps per turn where there are several."""
    if verdict.part is None:
        return "a part not in the list"
    return verdict.part.name if verdict.harmonic == 1 else f"{verdict.part.name}, {verdict.harmonic} a turn"


def _explained(key, fits):
    """Rows of explanations, the best first."""
    return [
        (
            f"{key[0] + 1}, {key[1] + 1}",
            fit.name,
            fit.value_text(),
            f"{fit.misfit_db:.1f} dB",
        )
        for fit in fits
    ]
