"""Pages of playable tapes, written once each, and tabs that open them without a network."""

import lab_browser
import pytest
from played_machines import PLAYED

from tapecalc.plan import make_plan
from tapecalc.report.try_page import write_try_page


@pytest.fixture(scope="session")
def played(tmp_path_factory):
    """Give the address of a machine's page, written when it is first asked for."""
    folder, written = tmp_path_factory.mktemp("played"), {}

    def address(name):
        if name not in written:
            path = folder / f"{name.replace(' ', '_')}.html"
            written[name] = write_try_page(make_plan(PLAYED[name]), path).as_uri()
        return written[name]

    return address


@pytest.fixture(scope="module")
def browser_tab():
    with lab_browser.offline_page(1280, 800) as tab:
        yield tab


@pytest.fixture
def scene_tab(browser_tab):
    """A wide, light tab that must end without a complaint and without a question to the world."""
    browser_tab.set_viewport_size({"width": 1280, "height": 800})
    browser_tab.emulate_media(media="screen", color_scheme="light", reduced_motion="no-preference")
    yield browser_tab
    complaints = [*browser_tab.problems, *browser_tab.outside]
    browser_tab.problems.clear()
    browser_tab.outside.clear()
    assert complaints == []
