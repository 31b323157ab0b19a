"""One JupyterLab for all browser tests; skipped with the reason where there is no Chromium."""

import shutil

import lab_browser
import pytest

pytestmark = pytest.mark.browser


@pytest.fixture(scope="session")
def server(tmp_path_factory):
    if lab_browser.CHROMIUM is None:
        pytest.skip("no Chromium on this machine: install it to run the browser tests")
    folder = tmp_path_factory.mktemp("lab")
    for notebook in (lab_browser.ROOT / "notebooks").glob("*.ipynb"):
        shutil.copy(notebook, folder / notebook.name)
    with lab_browser.lab_server(folder) as running:
        yield running


@pytest.fixture
def tab(server):
    with lab_browser.page() as tab:
        yield tab
