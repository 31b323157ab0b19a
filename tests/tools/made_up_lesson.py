"""A made-up lesson that keeps every rule; tests spoil one thing in it and see that it is found."""

from __future__ import annotations

import base64
import io

import nbformat
import numpy as np
import soundfile
from matplotlib.figure import Figure

PLOTTED = "Chart of delay in ms over head spacing in mm: a straight line through 218 ms at 41.5 mm."
NAVIGATION = "[Map](00_index.ipynb) · [Next: second](02_second.ipynb)"
PROSE = {
    "title": f"# How late is late\n\n{NAVIGATION}",
    "learn": "## What you will learn\n\nThat 41.5 mm at 7.5 ips give 217.8 ms.\n\n**Given:** 9 mm of leader.",
    "predict": "## Predict\n\nIs it more than 0.2 s?",
    "derive": "## Derive\n\n$$\\begin{aligned} T &= d / v \\end{aligned}$$",
    "compute": "## Compute\n\nThe cell above says 218 ms.",
    "what if": "## What if\n\nMove the control.",
    "break": "## Break it: no speed at all",
    "listen": "## Listen",
    "figure": "## A figure for your video",
    "check": "## Check yourself\n\nSee [the derivation](#Derive) and leave 9 mm.",
    "sources": "## Sources\n\nDefinition of speed, `speed = 9.9 m/s` in code.",
    "next": f"## Next\n\n{NAVIGATION}",
}


def png():
    """A tiny picture."""
    figure = Figure(figsize=(1, 1))
    buffer = io.BytesIO()
    figure.savefig(buffer, format="png")
    return base64.b64encode(buffer.getvalue()).decode()


def sound(level):
    """A tone of 0.1 s as an embedded file."""
    buffer = io.BytesIO()
    tone = level * np.sin(2 * np.pi * 441 * np.arange(4410) / 44_100)
    soundfile.write(buffer, tone, 44_100, format="WAV")
    return "data:audio/wav;base64," + base64.b64encode(buffer.getvalue()).decode()


def player(level=0.25):
    """A player with a link beside it."""
    source = sound(level)
    link = f"<a href='{source}'>Save</a>"
    return f"<figure><audio controls preload='none' src='{source}'></audio>{link}</figure>"


def shown(data, **metadata):
    """An output that a cell displays."""
    return nbformat.v4.new_output("display_data", data=data, metadata=metadata)


def code(source, *outputs, tags=()):
    """A code cell."""
    return nbformat.v4.new_code_cell(
        source, outputs=list(outputs), metadata={"tags": list(tags)} if tags else {}
    )


def prose(name):
    """One of the Markdown cells."""
    return nbformat.v4.new_markdown_cell(PROSE[name])


def lesson():
    """The whole lesson."""
    picture = shown({"image/png": png(), "text/plain": "Figure"}, **{"image/png": {"alt": PLOTTED}})
    panel_words = f"*{PLOTTED} Run the notebook to move the controls.*"
    delay = nbformat.v4.new_output("stream", name="stdout", text="41.5 mm, 7.5 ips: 217.848 ms = 0.2 s")
    error = nbformat.v4.new_output("error", ename="ValueError", evalue="speed", traceback=[])
    cells = [
        prose("title"), prose("learn"), prose("predict"), prose("derive"),
        code("assert sympy.simplify(theory - library) == 0"),
        code("assert math.isclose(by_hand, by_library, rel_tol=1e-12)\nprint(text)", delay),
        prose("compute"), prose("what if"),
        code("delay_panel()", picture, shown({"text/markdown": panel_words})),
        prose("break"),
        code("delay_from_spacing(1, 0)", error, tags=["raises-exception"]),
        prose("listen"),
        code("play()", picture, shown({"text/html": f"{player()}<p>{PLOTTED}</p>"})),
        prose("figure"),
        code('path = save_figure(figure, "out/late.svg")'),
        prose("check"), prose("sources"), prose("next"),
    ]  # fmt: skip
    notebook = nbformat.v4.new_notebook(cells=cells)
    notebook.metadata = {"kernelspec": {"name": "python3", "display_name": "Python 3", "language": "python"}}
    for count, cell in enumerate((c for c in cells if c.cell_type == "code"), start=1):
        cell.execution_count = count
    return notebook
