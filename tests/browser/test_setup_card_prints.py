"""The setup card in a real browser: one sheet of paper, type that can be read, no scrolling sideways."""

import re

import lab_browser
import pytest
from machines import MACHINES

from tapecalc.machine import example_machine, machine_from_text, with_changes
from tapecalc.plan import make_plan
from tapecalc.report.setup_card import write_setup_card

pytestmark = pytest.mark.browser

DECK = example_machine()
LONG = "The old two-speed machine from the shelf in the workshop, with a second motor"
SONGS = [{"name": f"A song with quite a long name, number {n}", "bpm": 70.0 + n} for n in range(20)]
EIGHT = [
    {"spacing_mm": d, "level_db": -float(n), "inverted": n % 3 == 1, "feeds_return": n % 2 == 0}
    for n, d in enumerate((22.0, 41.0, 58.0, 83.0, 97.0, 121.0, 146.0, 170.0))
]
CARDS = {name: machine_from_text(text) for name, text in MACHINES.items()}
CARDS["no loop"] = with_changes(DECK, {"playback_heads.1.feeds_return": False})
CARDS["eight heads"] = with_changes(DECK, {"playback_heads": EIGHT})
CARDS["a set"] = with_changes(CARDS["eight heads"], {"songs": SONGS, "name": LONG})
SPEEDS = {"capstan_diameter_mm": 8.0, "speeds_ips": [30.0, 15.0, 7.5, 3.75, 1.875, 0.9375]}
CARDS["all there is"] = with_changes(CARDS["a set"], {"transport": SPEEDS, "heads.erases": False})
LOOP = {"songs": SONGS, "name": LONG, "heads.erases": False}
CARDS["loop and set"] = with_changes(CARDS["closed_loop"], LOOP)

#: The smallest type on the page, in points, and how far it reaches beyond the sheet, for which it is shrunk.
PRINTED = """() => {
    const words = [...document.querySelectorAll('body *')].filter(one =>
        [...one.childNodes].some(node => node.nodeType === 3 && node.textContent.trim()));
    const sizes = words.map(one => parseFloat(getComputedStyle(one).fontSize) * 0.75);
    return [Math.min(...sizes), document.documentElement.scrollWidth - innerWidth];
}"""


@pytest.fixture(scope="module")
def browser_tab():
    with lab_browser.page(width=1280, height=900) as tab:
        yield tab


@pytest.fixture(params=CARDS)
def card(request, browser_tab, tmp_path):
    """One card after the other, open in the browser."""
    path = write_setup_card(make_plan(CARDS[request.param]), tmp_path / "card.html")
    browser_tab.set_viewport_size({"width": 1280, "height": 900})
    browser_tab.emulate_media(media="null")  # as the screen or the printer has it
    browser_tab.goto(path.as_uri())
    return browser_tab


def test_the_card_prints_on_one_sheet_in_type_that_can_be_read(card):
    for paper in ("A4", "Letter"):
        sheets = re.findall(rb"/Type\s*/Page\b(?!s)", card.pdf(format=paper))
        assert len(sheets) == 1, paper
    card.emulate_media(media="print")
    card.set_viewport_size({"width": 718, "height": 1062})  # A4 within its margins: 190 mm by 281 mm
    smallest, beyond = card.evaluate(PRINTED)
    assert smallest >= 7.99
    assert beyond <= 0


def test_the_card_fits_a_phone_and_a_wide_screen(card):
    for width in (390, 320, 1280):
        card.set_viewport_size({"width": width, "height": 800})
        assert card.evaluate("document.documentElement.scrollWidth") <= width
