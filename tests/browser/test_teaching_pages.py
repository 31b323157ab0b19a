"""Worksheets on paper, slides under the keyboard, in Chromium, from disk."""

import re

import lab_browser
import pytest
from lab_browser import violations
from notebook_rules import tracked_notebooks
from project import keeps

pytestmark = [pytest.mark.browser, pytest.mark.slow]

NUMBERS = [int(one.name[:2]) for one in tracked_notebooks() if one.is_lesson]
NOW = """() => [...document.querySelectorAll('.slide')]
    .filter(one => one.checkVisibility()).map(one => one.innerText)"""


@pytest.fixture
def tab(site):
    with lab_browser.offline_page() as tab:
        yield tab


def sheets_of(tab):
    """How many sheets of paper a page takes, each as its style says."""
    pdf = tab.pdf(prefer_css_page_size=True, format="A4")
    return len(re.findall(rb"/Type /Page\b", pdf))


@pytest.mark.parametrize("number", NUMBERS)
def test_a_worksheet_is_one_or_two_sheets_of_paper(tab, site, number):
    tab.goto((site / f"worksheet_{number}.html").as_uri())
    assert 1 <= sheets_of(tab) <= 2
    tab.emulate_media(media="print")
    fields = tab.locator(".sheet .blank")
    assert fields.count() >= 7 and all(one.is_visible() for one in fields.all())
    assert not tab.locator("footer").is_visible() and not tab.locator(".sheet .live").is_visible()


def test_each_slide_has_a_sheet_of_its_own(tab, site):
    tab.goto((site / "slides.html").as_uri())
    tab.evaluate("document.querySelectorAll('img').forEach(one => { one.loading = 'eager' })")
    tab.evaluate("Promise.all([...document.images].map(one => one.decode()))")
    assert sheets_of(tab) == tab.locator(".slide").count()


def test_slides_turn_by_keyboard_and_by_finger(tab, site):
    tab.goto((site / "slides.html").as_uri() + "#lesson-3")
    slides = tab.locator(".slide").count()
    assert len(tab.evaluate(NOW)) == slides > 40
    tab.get_by_role("button", name="Show as slides").press("Enter")
    (shown,) = tab.evaluate(NOW)
    assert shown.startswith("3 Repeats") and "weaker" in shown  # where the address leads
    for keys, back in (("ArrowRight", "ArrowLeft"), ("PageDown", "PageUp"), ("ArrowDown", "ArrowUp")):
        tab.keyboard.press(keys)
        (other,) = tab.evaluate(NOW)
        assert other != shown
        tab.keyboard.press(back)
        assert tab.evaluate(NOW) == [shown]
    tab.keyboard.press("Home")
    tab.keyboard.press("ArrowLeft")  # nothing before the first
    assert tab.evaluate(NOW)[0].startswith("1 Delay")
    tab.keyboard.press(" ")
    picture = tab.locator(".slide.now img")
    picture.evaluate("one => one.decode()")  # it is loaded when it is first shown
    box, size = picture.bounding_box(), tab.viewport_size
    assert box["width"] > 0.5 * size["width"] and box["y"] + box["height"] < size["height"]
    assert tab.evaluate("document.activeElement.matches('.slide.now')")
    keeps(violations(tab))
    tab.keyboard.press("End")
    tab.set_viewport_size({"width": 390, "height": 844})
    tab.emulate_media(color_scheme="dark")
    keeps(violations(tab))
    back, forth = (tab.get_by_role("button", name=name).bounding_box() for name in ("back", "next"))
    assert min(back["height"], forth["height"]) >= 44
    tab.get_by_role("button", name="back").click()
    assert tab.get_by_text(f"{slides - 1} of {slides}").is_visible()
    tab.keyboard.press("Escape")
    assert len(tab.evaluate(NOW)) == slides


def test_without_a_script_the_slides_are_a_list(tab, site):
    still = tab.context.browser.new_page(java_script_enabled=False)
    still.goto((site / "slides.html").as_uri())
    assert still.locator(".slide:visible").count() == still.locator(".slide").count() > 40
    assert still.locator("button:visible").count() == 0
    still.context.close()
