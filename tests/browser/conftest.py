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
    for part in ("notebooks", "figures"):  # notebooks show figures by their place
        shutil.copytree(lab_browser.ROOT / part, folder / part, ignore=shutil.ignore_patterns("out", ".*"))
    with lab_browser.lab_server(folder) as running:
        yield running


@pytest.fixture
def tab(server):
    with lab_browser.page() as tab:
        yield tab
