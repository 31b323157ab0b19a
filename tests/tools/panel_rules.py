"""Rules for what-if panels: every control does something, nothing goes wrong at its ends."""

from __future__ import annotations

import ast
import contextlib
import os
import re
from unittest import mock

import matplotlib
import numpy as np
from notebook_rules import MUST_FAIL, tags

UNIT_IN_NAME = r"_(mm|cm|m|um|ms|s|hz|khz|ips|cm_s|db|percent|cents|bpm|arcmin|degrees)$"


def panels_of(notebook):
    """Run a notebook's code cells in this process, and return every panel that they make."""
    from tapecalc.course.panel import Panel

    made = []
    build = Panel.__init__

    def remembered(panel, *arguments, **options):
        build(panel, *arguments, **options)
        made.append(panel)

    space = {"__name__": "__main__", "display": lambda *things, **options: None}
    folder = os.getcwd()
    with mock.patch.object(Panel, "__init__", remembered), mock.patch.dict(os.environ, MPLBACKEND="agg"):
        matplotlib.use("agg")
        try:
            os.chdir(notebook.path.parent)
            for n, cell in notebook.code:
                with open(os.devnull, "w") as nowhere, contextlib.redirect_stdout(nowhere):
                    _run(cell, f"{notebook.name}, cell {n}", space)
        finally:
            os.chdir(folder)
    return made


def _run(cell, where, space):
    """Run one cell; one that must fail may."""
    try:
        exec(compile(ast.parse(cell.source), where, "exec"), space)
    except Exception:
        if MUST_FAIL not in tags(cell):
            raise


def panel_violations(panel):
    """What a panel lacks, controls that move nothing, and what goes wrong at their ends."""
    return [f"panel {panel.name}: {text}" for text in _look(panel) + _moves(panel)]


def _look(panel):
    """A question, a sentence, a legend, two to five controls with units, and a way back."""
    found = []
    if panel.question.count("?") != 1 or not panel.question.rstrip().endswith("?"):
        found.append(f"asks not one question: {panel.question!r}")
    if not re.search(r"\d", panel.readout) or not panel.readout.rstrip().endswith("."):
        found.append(f"its readout is no sentence with a number: {panel.readout!r}")
    if len(panel.legend) < 10:
        found.append("has no legend line")
    if not 2 <= len(panel.controls) <= 5:
        found.append(f"has {len(panel.controls)} controls, not two to five")
    for name, control in panel.controls.items():
        if not control.options and re.search(UNIT_IN_NAME, name) and "(" not in control.label:
            found.append(f"the control {name} shows no unit")
    first = panel.values
    for name, control in panel.controls.items():
        panel.set(**{name: control.ends[0]})
    panel.reset()
    if panel.values != first:
        found.append("reset does not lead back to the first state")
    return found


def _moves(panel):
    """Each control, moved to its ends, changes numbers and artists, and all stays finite."""
    found = []
    panel.strict = True
    starts = [{}] + [{n: end} for n, c in panel.controls.items() for end in c.ends]
    for name, control in panel.controls.items():
        words, artists = set(), set()
        for start in (start for start in starts if name not in start):
            outcomes = []
            for end in control.ends:
                setting = {**start, name: end}
                try:
                    panel.reset()
                    panel.set(**setting)
                except Exception as error:
                    found.append(f"{setting} raises {error!r}")
                    continue
                found += [f"{setting}: {text}" for text in _unsound(panel)]
                outcomes.append((said(panel), drawn(panel)))
            words |= {len({word for word, _ in outcomes}) > 1}
            artists |= {len({art for _, art in outcomes}) > 1}
            if True in words and True in artists:
                break
        if True not in words:
            found.append(f"{name} changes no number")
        if True not in artists:
            found.append(f"{name} changes nothing that is drawn")
    panel.reset()
    return found


def said(panel):
    """The numbers of a panel in words."""
    return panel.readout, tuple(panel.table.items())


def drawn(panel):
    """What the figure shows, as data: the same state gives the same."""
    return tuple(part.tobytes() for part in _data(panel)) + tuple(
        text.get_text() for text in panel.figure.findobj(matplotlib.text.Text) if text.get_visible()
    )


def _data(panel):
    """Coordinates of every visible artist, and the limits of the axes."""
    for artist in panel.moving:
        if not artist.get_visible():
            yield np.array([-1.0])
            continue
        for getter in ("get_xydata", "get_offsets", "get_array", "get_data", "get_position", "get_extent"):
            values = getattr(artist, getter)() if hasattr(artist, getter) else None
            if values is not None:  # a collection without colors by number has no array
                with contextlib.suppress(TypeError, ValueError):
                    yield np.ma.filled(np.ma.asarray(values, dtype=float), 0.0)
        paths = artist.get_paths() if hasattr(artist, "get_paths") else []
        paths = [artist.get_path()] if not paths and hasattr(artist, "get_path") else paths
        for path in paths:
            yield np.asarray(path.vertices, dtype=float)
        if hasattr(artist, "get_patch_transform"):
            yield np.asarray(artist.get_patch_transform().get_matrix())
        for getter in ("get_facecolor", "get_edgecolor", "get_color"):
            if hasattr(artist, getter):
                yield matplotlib.colors.to_rgba_array(getattr(artist, getter)())
    for axes in panel.figure.axes:
        yield np.array([*axes.get_xlim(), *axes.get_ylim()])


def _unsound(panel):
    """Numbers that are none, in words or in what is drawn."""
    found = []
    if panel.error is not None:
        found.append(f"shows the error {panel.error!r}")
    text = " ".join([panel.readout, *panel.table.values()])
    if re.search(r"(?i)(?<![a-z])[-+−]?(nan|inf(inity)?|none)(?![a-z])", text):
        found.append(f"says {text!r}")
    if not all(np.all(np.isfinite(part)) for part in _data(panel)):
        found.append("draws a number that is not finite")
    return found
