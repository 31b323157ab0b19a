"""Draw a panel beforehand, at some settings of each control, for a page that runs no Python.

One control at a time leaves its first setting. The pictures have few colors, which a chart does not miss.
"""

from __future__ import annotations

import ast
import io
import math

import numpy as np
from PIL import Image

from tapecalc.machine import example_machine

PLACES = 9  # of a slider, ends included; where it stands at first may be one more
COLORS = 32


def imports_of(notebook):
    """The import statements of a notebook's code cells, as code of their own."""
    cells = [cell.source for cell in notebook.cells if cell.cell_type == "code"]
    lines = [line for source in cells for line in ast.parse(source).body]
    return ast.unparse(
        ast.Module([line for line in lines if isinstance(line, ast.Import | ast.ImportFrom)], [])
    )


def panel_of(source, imports=""):
    """The panel that a notebook's cell shows in its last line; the workbench gets the bundled machine."""
    lines = ast.parse(source)
    last = ast.Expression(lines.body.pop().value)
    space = {"machine": example_machine()}
    exec(imports, space)
    exec(compile(lines, "cell", "exec"), space)
    shown = eval(compile(last, "cell", "eval"), space)
    return getattr(shown, "panel", shown)


def settings(control):
    """The settings of a control at which it is drawn, as (what people read, value)."""
    if control.options:
        return list(control.options)
    if control.log:
        exponents = np.linspace(math.log10(control.low), math.log10(control.high), PLACES)
        values = {control.low, control.high, *(float(f"{10**exponent:.3g}") for exponent in exponents[1:-1])}
    else:
        steps = np.linspace(0, round((control.high - control.low) / control.step), PLACES)
        values = {
            control.low,
            control.high,
            *(control.low + round(step) * control.step for step in steps[1:-1]),
        }
    values = sorted(value for value in values if not math.isclose(value, control.value, rel_tol=1e-9))
    values = sorted([*values, control.value])
    return [(f"{value:.4g}", value) for value in values]


def small(png):
    """The picture in few colors, if that is smaller; one that lets something through stays as it is."""
    buffer = io.BytesIO()
    picture = Image.open(io.BytesIO(png))
    if picture.convert("RGBA").getextrema()[3][0] < 255:
        return png
    few = picture.convert("RGB").quantize(COLORS, Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
    few.save(buffer, "png", optimize=True)
    return min(buffer.getvalue(), png, key=len)


def knobs_of(panel):
    """Each control with what the panel shows and says wherever it is drawn; all others stand as at first."""
    knobs = []
    for name, control in panel.controls.items():
        panel.reset()
        places = []
        for text, value in settings(control):
            panel.set(**{name: value})
            if panel.error:
                raise panel.error
            said = {"at": text, "said": panel.readout, "rows": list(panel.table.items())}
            places.append(said | {"picture": small(panel.png), "first": value == control.value})
        knobs.append(
            {"label": control.label, "chosen": bool(control.options), "count": len(places), "places": places}
        )
    return knobs
