"""The setup card in a real browser: one sheet of paper, and no scrolling sideways on a phone."""

import re

import lab_browser
import pytest

from tapecalc.machine import example_machine, with_changes
from tapecalc.report.setup_card import write_setup_card

pytestmark = pytest.mark.browser

LONG = {"name": "The old two-speed machine from the shelf in the workshop, with a second motor"}


@pytest.fixture(scope="module")
def browser_tab():
    if lab_browser.CHROMIUM is None:
        pytest.skip("no Chromium on this machine: install it to run the browser tests")
    with lab_browser.page(width=1280, height=900) as tab:
        yield tab


@pytest.mark.parametrize("changes", [{}, LONG], ids=["bench deck", "long name"])
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_the_page_prints_on_one_sheet(browser_tab, tmp_path, paper, changes):
    path = write_setup_card(with_changes(example_machine(), changes), tmp_path / "page.html")
    browser_tab.goto(path.as_uri())
    sheets = re.findall(rb"/Type\s*/Page\b(?!s)", browser_tab.pdf(format=paper))
    assert len(sheets) == 1


def test_the_page_fits_a_phone(browser_tab, tmp_path):
    browser_tab.goto(write_setup_card(example_machine(), tmp_path / "page.html").as_uri())
    browser_tab.set_viewport_size({"width": 390, "height": 800})
    assert browser_tab.evaluate("document.documentElement.scrollWidth") <= 390
    browser_tab.set_viewport_size({"width": 1280, "height": 900})
