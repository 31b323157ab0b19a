"""What-if panels of a notebook as a page has them: places with a picture, and the script that fills them.

Where no script runs, question, picture and words at the first setting stand in each place, and sounds stand
side by side.
"""

from __future__ import annotations

import io
import re

from PIL import Image

from tapecalc.course.panels import every_panel
from tapecalc.live.modules import joined
from tapecalc.live.pages import in_script
from tapecalc.panels.panel import kit

#: How what a cell put out says which panel it is.
STILL = re.compile(r'<figure class="panel-still" data-panel="(\w+)"')
COLORS = 32  # which a chart does not miss


def panel_in(text):
    """The panel whose picture stands in what a cell put out, by the function that makes it; or None."""
    found = STILL.search(text)
    return found[1] if found else None


def panels_script(functions):
    """The script of a page with these panels: what they must know, all modules as one, and what begins."""
    known = {panel.function: panel for panel in every_panel() if panel.function in functions}
    if missing := set(functions) - set(known):
        raise ValueError(f"no lesson has the panel {', '.join(sorted(missing))}")
    modules = dict.fromkeys(known[function].module for function in functions)
    starts = [
        f"mountPanel(document.querySelector('.what-if[data-panel=\"{function}\"]'), "
        f"{function}({in_script(known[function].facts)}), KIT, {{ address: true }});"
        for function in functions
    ]
    return "\n".join(["", f"const KIT = {in_script(kit())};", joined("panel", *modules), *starts, ""])


def sounds_script(page):
    """The script of a page whose HTML has sounds side by side, or a place for the live check; or None."""
    places = {
        "switch": ("class='sounds'", "document.querySelectorAll('.sounds').forEach(mountSwitch);"),
        "check": ('class="live-check"', "mountCheck(document.querySelector('.live-check'));"),
    }
    found = [(module, start) for module, (mark, start) in places.items() if mark in page]
    if not found:
        return None
    modules, starts = zip(*found, strict=True)
    return "\n".join(["", joined(*modules), *starts, ""])


def small(png):
    """The picture in few colors, if that is smaller; one that lets something through stays as it is."""
    buffer = io.BytesIO()
    picture = Image.open(io.BytesIO(png), formats=["PNG"])
    if picture.convert("RGBA").getextrema()[3][0] < 255:
        return png
    few = picture.convert("RGB").quantize(COLORS, Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
    few.save(buffer, "png", optimize=True)
    return min(buffer.getvalue(), png, key=len)


def on_light_ground(png):
    """Whether a picture has a light ground, or lets that of its page through."""
    *color, opaque = Image.open(io.BytesIO(png), formats=["PNG"]).convert("RGBA").getpixel((0, 0))
    return opaque == 0 or max(color) > 127
