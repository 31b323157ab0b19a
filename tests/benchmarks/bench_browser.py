"""From key press to the new picture, in JupyterLab in headless Chromium.

The panel against `interactive_output` with the same figure drawn inline at each
move, in one run, moves of the two taken in turns.
"""

import statistics
import sys
import tempfile
from pathlib import Path

import nbformat

sys.path.insert(0, str(Path(__file__).parents[1] / "tools"))

import lab_browser  # noqa: E402

BOUND = 0.35
MOVES = 20

PANEL = """
from tapecalc.course.delay import delay_panel
panel = delay_panel()
panel
"""
INLINE = """
import ipywidgets
from IPython.display import display
from matplotlib.figure import Figure
from tapecalc.plot import style

profile = style.as_profile("notebook")

def draw(spacing_mm):
    with style.context(profile):
        figure = style.new_figure(profile)
        artists = panel._build(figure, profile)
        panel._update(artists, **{**panel.values, "spacing_mm": spacing_mm})
        display(figure)

control = panel.controls["spacing_mm"]
slider = ipywidgets.FloatSlider(control.value, min=control.low, max=control.high, step=control.step)
display(slider, ipywidgets.interactive_output(draw, {"spacing_mm": slider}))
"""
#: Time in ms from the key press to the first frame with another picture in the same cell.
WATCH = """
cell => {
    cell.addEventListener('keydown', () => { window.pressed = performance.now(); }, true);
    window.times = window.times || [];
    let last = cell.querySelector('img')?.src;
    new MutationObserver(() => {
        const now = cell.querySelector('img')?.src;
        if (now && now !== last && window.pressed) {
            last = now;
            const since = window.pressed;
            window.pressed = 0;
            requestAnimationFrame(() => window.times.push(performance.now() - since));
        }
    }).observe(cell, {subtree: true, childList: true, attributes: true, attributeFilter: ['src']});
}
"""


def moves(tab, cell):
    """Press the arrow key in one cell and wait for its picture, many times."""
    handle = cell.locator(".noUi-handle").first
    for _ in range(MOVES):
        handle.focus()
        seen = tab.evaluate("window.times.length")
        tab.keyboard.press("ArrowRight")
        tab.wait_for_function("seen => window.times.length > seen", arg=seen)
    return tab.evaluate(f"window.times.splice(0, {MOVES})")


def run():
    """Print both medians and their ratio; return 1 if the bound is broken."""
    if lab_browser.CHROMIUM is None:
        print("no Chromium on this machine: not measured")
        return 0
    notebook = nbformat.v4.new_notebook(
        cells=[nbformat.v4.new_code_cell(source.strip()) for source in (PANEL, INLINE)],
        metadata={"kernelspec": {"name": "python3", "display_name": "Python 3 (ipykernel)"}},
    )
    with tempfile.TemporaryDirectory() as folder:
        nbformat.write(notebook, Path(folder) / "bench.ipynb")
        with lab_browser.lab_server(folder) as server, lab_browser.page() as tab:
            lab_browser.open_and_run(tab, server, "bench.ipynb")
            tab.locator(".jp-CodeCell >> nth=1").locator("img").first.wait_for()
            cells = [tab.locator(".jp-CodeCell").nth(n) for n in range(2)]
            tab.evaluate("window.times = []")
            for cell in cells:
                tab.evaluate(WATCH, cell.element_handle())
            panel, inline = [], []
            for _ in range(2):
                panel += moves(tab, cells[0])
                inline += moves(tab, cells[1])
    kept, drawn = statistics.median(panel), statistics.median(inline)
    print(f"panel {kept:.0f} ms, interactive_output {drawn:.0f} ms, ratio {kept / drawn:.2f} (bound {BOUND})")
    return int(kept / drawn > BOUND)


if __name__ == "__main__":
    sys.exit(run())
