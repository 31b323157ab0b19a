"""One JupyterLab for all browser tests; skipped with the reason where there is no Chromium."""

import shutil

import lab_browser
import nbformat
import pytest
from nbformat.v4 import new_code_cell, new_notebook, new_output
from programs import program
from site_pages import tool as site_tool

from tapecalc.live.playable import playable
from tapecalc.machine import example_machine

pytestmark = pytest.mark.browser
notebook_tool = program("notebook", "notebook_tool")

METADATA = {"kernelspec": {"name": "python3", "display_name": "Python 3 (ipykernel)", "language": "python"}}
#: A playable tape, what Python reads of it, and a button with which Python moves it.
TAPE = """import ipywidgets
import tapecalc as tc

tape, said = tc.playable(tc.example_machine()), ipywidgets.Label("not moved")
button = ipywidgets.Button(description="move it from Python")
names = ["spacing_mm", "speed_ips", "return_send_db", "bpm"]
tell = lambda _: setattr(said, "value", "Python reads " + ", ".join(f"{getattr(tape, n):g}" for n in names))
tape.observe(tell, "setting")
button.on_click(lambda _: tape.set_trait("spacing_mm", 83.0))
display(said, button)
tape"""
#: The same with a panel.
PANEL = """import ipywidgets
from tapecalc.course import delay

panel, said = delay.delay_panel(), ipywidgets.Label("not moved")
button = ipywidgets.Button(description="move it from Python")
tell = lambda _: setattr(said, "value", f"Python reads {panel.values['spacing_mm']:g}, {panel.readout}")
panel.observe(tell, "readout")
button.on_click(lambda _: panel.set_trait("values", {"spacing_mm": 57}))
display(said, button)
panel"""
PANELS = {"repeats": "runaway_panel", "patching": "patch_panel"}


@pytest.fixture(scope="session")
def server(tmp_path_factory):
    lab_browser.skip_without_chromium()
    folder = tmp_path_factory.mktemp("lab")
    for part in ("notebooks", "figures"):  # notebooks show figures by their place
        shutil.copytree(lab_browser.ROOT / part, folder / part, ignore=shutil.ignore_patterns("out", ".*"))
    cells = [f"from tapecalc.course import {topic}\n\n{topic}.{name}()" for topic, name in PANELS.items()]
    bench = "from tapecalc.course.workbench import Workbench\n\nWorkbench()"
    made_up = {"two_panels": cells, "bench": [bench], "tape": [TAPE], "panel": [PANEL]}
    for name, sources in made_up.items():
        made = new_notebook(cells=[new_code_cell(source) for source in sources], metadata=METADATA)
        nbformat.write(made, folder / f"{name}.ipynb")
    stored = nbformat.read(folder / "tape.ipynb", as_version=4)
    data, _ = playable(example_machine())._repr_mimebundle_()
    stored.cells[0].outputs = [new_output("execute_result", data=data, execution_count=1)]
    nbformat.write(notebook_tool.clean(stored), folder / "stored.ipynb")
    with lab_browser.lab_server(folder) as running:
        yield running


@pytest.fixture(scope="session")
def site(tmp_path_factory):
    """The site's folder, built once for all that look at its pages."""
    lab_browser.skip_without_chromium()
    return site_tool.write_site(site_tool.site_files(), tmp_path_factory.mktemp("pages") / "site")


@pytest.fixture
def tab(server):
    with lab_browser.page() as tab:
        yield tab
