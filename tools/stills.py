"""Draw every panel at its first setting, for those who cannot run its script.

    python tools/stills.py            # into tapecalc/panels/stills

The pictures and words are what the scripts draw and say, run by the node that drives the tests' browser.
"""

import json
import subprocess
from pathlib import Path

from playwright._impl._driver import compute_driver_executable

from tapecalc.course.panels import every_panel
from tapecalc.files import write_file
from tapecalc.live.modules import joined
from tapecalc.panels.panel import STILL, picture_style

FOLDER = Path(__file__).resolve().parents[1] / "tapecalc" / "panels" / "stills"
#: What a panel says of itself and at its first setting, and its picture.
SAY = """
const panel = make(given.facts), values = firstValues(panel.controls), found = panel.reckon(values);
const { name, question, legend, alt, controls } = panel, { sentence, rows } = found;
return { told: { name, question, legend, alt, controls, sentence, rows },
  svg: pictureText(panel, values, given.size, given.style) };
"""


def said(module, function, facts):
    """What a panel says at its first setting, and its picture as SVG."""
    given = {"facts": facts, "size": STILL, "style": picture_style("both")}
    script = f"""{joined("panel", module)}
const made = ((make, given) => {{ {SAY} }})({function}, {json.dumps(given, allow_nan=False)});
process.stdout.write(JSON.stringify(made));
"""
    node = str(compute_driver_executable()[0])
    done = subprocess.run([node, "-"], input=script, capture_output=True, text=True, check=True)
    return json.loads(done.stdout)


def stills():
    """Every file of the folder by its name."""
    files, words = {}, {}
    for panel in every_panel():
        made = said(panel.module, panel.function, panel.facts)
        words[panel.function] = {"function": panel.function, **made["told"]}
        files[f"{made['told']['name']}.svg"] = made["svg"]
    return files | {"told.json": json.dumps(words, indent=1, ensure_ascii=False) + "\n"}


if __name__ == "__main__":
    drawn = stills()
    for path in set(FOLDER.iterdir()) - {FOLDER / name for name in drawn}:
        path.unlink()
    for name, text in drawn.items():
        write_file(FOLDER / name, text)
