"""One JupyterLab for all browser tests; skipped with the reason where there is no Chromium."""

import shutil

import lab_browser
import nbformat
import pytest
from nbformat.v4 import new_code_cell, new_notebook

pytestmark = pytest.mark.browser

METADATA = {"kernelspec": {"name": "python3", "display_name": "Python 3 (ipykernel)", "language": "python"}}
PANELS = {"repeats": "runaway_panel", "patching": "patch_panel"}


@pytest.fixture(scope="session")
def server(tmp_path_factory):
    if lab_browser.CHROMIUM is None:
        pytest.skip("no Chromium on this machine: install it to run the browser tests")
    folder = tmp_path_factory.mktemp("lab")
    for part in ("notebooks", "figures"):  # notebooks show figures by their place
        shutil.copytree(lab_browser.ROOT / part, folder / part, ignore=shutil.ignore_patterns("out", ".*"))
    cells = [f"from tapecalc.course import {topic}\n\n{topic}.{name}()" for topic, name in PANELS.items()]
    bench = "from tapecalc.course.workbench import Workbench\n\nWorkbench()"
    for name, sources in {"two_panels": cells, "bench": [bench]}.items():
        made = new_notebook(cells=[new_code_cell(source) for source in sources], metadata=METADATA)
        nbformat.write(made, folder / f"{name}.ipynb")
    with lab_browser.lab_server(folder) as running:
        yield running


@pytest.fixture
def tab(server):
    with lab_browser.page() as tab:
        yield tab
