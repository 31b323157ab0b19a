"""The plan's page in Chromium, for every kind of machine: first screen, phone, dark, paper, keyboard."""

import re

import lab_browser
import pytest
from lab_browser import violations
from machines import MACHINES
from project import keeps

from tapecalc.machine import example_machine, machine_from_text, with_changes
from tapecalc.plan import make_plan
from tapecalc.report.plan_page import write_plan

pytestmark = [pytest.mark.browser, pytest.mark.slow]

DECK = example_machine()
EIGHT = [{"spacing_mm": float(d)} for d in (22, 41, 58, 83, 97, 121, 146, 170)]
SONGS = [{"name": f"Song number {n}", "bpm": 70.0 + n} for n in range(12)]
SPEEDS = {"capstan_diameter_mm": 8.0, "speeds_ips": [30.0, 15.0, 7.5, 3.75, 1.875, 0.9375]}
PAGES = {name: machine_from_text(text) for name, text in MACHINES.items()}
PAGES["eight heads"] = with_changes(DECK, {"playback_heads": EIGHT, "mixer.return_send_db": -24.0})
PAGES["runaway"] = with_changes(DECK, {"mixer.return_send_db": 3.0})
PAGES["all there is"] = with_changes(PAGES["eight heads"], {"transport": SPEEDS, "songs": SONGS})

PHONE, DESK = {"width": 390, "height": 844}, {"width": 1366, "height": 768}
#: What the first screen must hold, and what of it reaches beyond the screen.
BELOW = """() => ['.answer', '.hero img', '.hear audio', 'h1'].filter(place => {
    const box = document.querySelector(place).getBoundingClientRect();
    return box.top < 0 || box.bottom > innerHeight || box.left < 0 || box.right > innerWidth
        || box.height < 20 || box.width < 200;
})"""
OPEN = "() => document.querySelectorAll('details').forEach(one => { one.open = true })"
STICKS_OUT = """() => [...document.querySelectorAll('body *')]
    .filter(one => one.checkVisibility() && !one.closest('[tabindex="0"]'))
    .filter(one => one.getBoundingClientRect().right > innerWidth + 1)
    .map(one => `${one.tagName} ${one.textContent.trim().slice(0, 40)}`)"""
#: Whether a corner of the first picture has the color of the page: both stand on one ground.
ONE_GROUND = """() => {
    const shown = document.querySelector('.hero img'), place = document.createElement('canvas');
    const brush = place.getContext('2d');
    brush.drawImage(shown, 0, 0);
    const [r, g, b] = brush.getImageData(2, 2, 1, 1).data;
    return shown.complete && `rgb(${r}, ${g}, ${b})` === getComputedStyle(document.body).backgroundColor;
}"""
SHOWN_TABLES = """() => [...document.querySelectorAll('.wide')]
    .filter(one => one.checkVisibility()).map(one => one.classList[1])"""
GROUND_OF_PAGE = "() => getComputedStyle(document.body).backgroundColor"


@pytest.fixture(scope="module")
def browser_tab():
    with lab_browser.offline_page() as tab:
        yield tab


@pytest.fixture(scope="module", params=PAGES)
def address(request, tmp_path_factory):
    """Where the page of one machine lies."""
    folder = tmp_path_factory.mktemp("plan")
    write_plan(make_plan(PAGES[request.param]), folder)
    return (folder / "plan.html").as_uri()


@pytest.fixture
def tab(browser_tab, address):
    browser_tab.set_viewport_size(DESK)
    browser_tab.emulate_media(media="null", color_scheme="light")
    browser_tab.goto(address)
    yield browser_tab
    problems = [*browser_tab.problems, *browser_tab.outside]
    browser_tab.problems.clear()
    browser_tab.outside.clear()
    assert problems == []


def sheets(tab, paper):
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", tab.pdf(format=paper)))


@pytest.mark.parametrize("screen", [DESK, PHONE], ids=["desk", "phone"])
def test_the_first_screen_has_the_answer_a_picture_and_a_player(tab, screen):
    tab.set_viewport_size(screen)
    assert tab.evaluate(BELOW) == []


def test_a_phone_takes_at_most_six_screens_and_no_scrolling_sideways(tab):
    tab.set_viewport_size(PHONE)
    assert tab.evaluate("document.documentElement.scrollHeight") <= 6 * PHONE["height"]
    for opened in (False, True):
        if opened:
            tab.evaluate(OPEN)
        for width in (390, 320):
            tab.set_viewport_size({"width": width, "height": 844})
            assert tab.evaluate("document.documentElement.scrollWidth") <= width
            keeps(tab.evaluate(STICKS_OUT))


def test_it_prints_on_three_sheets_with_what_matters_on_them(tab):
    tab.emulate_media(color_scheme="dark")
    for paper in ("A4", "Letter"):
        assert sheets(tab, paper) <= 3, paper
    tab.emulate_media(media="print")
    tab.set_viewport_size({"width": 700, "height": 1000})
    shown = tab.evaluate("""() => [...document.querySelectorAll('body *')].filter(one =>
        one.checkVisibility({contentVisibilityAuto: true})).map(one => one.tagName + '.' + one.className)""")
    assert {"DIV.answer", "FIGURE.hero", "DETAILS.cautions printed"} <= set(shown)
    assert {"AUDIO.", "NAV.ways"} & set(shown) == set()
    tables = tab.evaluate(SHOWN_TABLES)
    assert {"repeats", "levels"} <= set(tables)
    assert "delays" in tables or tab.locator(".delays tbody tr").count() > 20  # those are on the card
    assert {"assumed", "omissions", "exact", "tempos"} & set(tables) == set()
    assert tab.locator(".cautions li:visible").count() == 4
    assert tab.evaluate(GROUND_OF_PAGE) == "rgb(255, 255, 255)"
    tab.wait_for_function(ONE_GROUND)


def test_what_was_opened_is_printed_with_its_pictures(tab):
    folded = sheets(tab, "A4")
    tab.evaluate(OPEN)
    assert sheets(tab, "A4") > folded
    tab.emulate_media(media="print")
    sizes = tab.evaluate("""() => [...document.querySelectorAll('figcaption, .note, td, tbody th')].map(one =>
        parseFloat(getComputedStyle(one).fontSize))""")
    assert min(sizes) > 9 and max(sizes) < 11  # px: on paper no note stands above its table


def test_page_and_pictures_are_light_or_dark_together(tab):
    grounds = []
    for scheme in ("light", "dark"):
        tab.emulate_media(color_scheme=scheme)
        grounds.append(tab.evaluate(GROUND_OF_PAGE))
        tab.wait_for_function(ONE_GROUND)
    assert grounds == ["rgb(255, 255, 255)", "rgb(18, 22, 28)"]


def test_nobody_is_shut_out_folded_or_not(tab):
    for opened in (False, True):
        if opened:
            tab.evaluate(OPEN)
        for scheme in ("light", "dark"):
            tab.emulate_media(color_scheme=scheme)
            keeps(violations(tab))
    tab.set_viewport_size(PHONE)
    keeps(violations(tab))


def test_every_fold_opens_by_keyboard(tab):
    folds = tab.locator("summary")
    assert folds.count() >= 8
    for k in range(folds.count()):
        folds.nth(k).press("Enter")
    assert tab.locator("details:not([open])").count() == 0


def test_the_card_is_one_step_away(tab):
    tab.get_by_role("link", name="Setup card").press("Enter")
    tab.wait_for_url("**/card.html")
    assert tab.locator("h1").inner_text().startswith("Setting up")
    keeps(violations(tab))
    tab.emulate_media(color_scheme="dark")
    keeps(violations(tab))
