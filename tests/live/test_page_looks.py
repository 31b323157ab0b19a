"""How the playable tape looks: nothing over anything, on three screens, light and dark."""

import pytest
from lab_browser import violations
from played_machines import PLAYED
from project import keeps

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SCREENS = {1280: 800, 768: 1024, 360: 740}
SCHEMES = ("light", "dark")
OPEN = "() => document.querySelectorAll('details').forEach(one => { one.open = true })"
#: Two texts of the picture that overlap, a text over a grip that is not its own, and text out of the picture.
OVERLAPS = """() => {
    const found = [], box = one => one.getBoundingClientRect();
    const scene = box(document.querySelector('.scene'));
    const texts = [...document.querySelectorAll('.scene text')].filter(one => one.textContent.trim());
    const ink = texts.map(one => {
        const { left, right, top, bottom } = box(one), size = parseFloat(getComputedStyle(one).fontSize);
        const middle = (top + bottom) / 2;
        return { one, left, right, top: middle - 0.42 * size, bottom: middle + 0.42 * size };
    });
    const over = (a, b) => a.left < b.right - 1 && b.left < a.right - 1
        && a.top < b.bottom - 1 && b.top < a.bottom - 1;
    ink.forEach((a, n) => {
        if (a.left < scene.left - 1 || a.right > scene.right + 1 || a.bottom > scene.bottom + 1) {
            found.push(`"${a.one.textContent}" sticks out`);
        }
        ink.slice(n + 1).forEach(b => {
            if (over(a, b)) found.push(`"${a.one.textContent}" over "${b.one.textContent}"`);
        });
        document.querySelectorAll('.head .grip, .send .thumb').forEach(grip => {
            if (grip.parentNode !== a.one.parentNode && over(a, box(grip))) {
                found.push(`"${a.one.textContent}" over a grip`);
            }
        });
    });
    const grips = [...document.querySelectorAll('.head .grip')].map(box);
    grips.forEach((a, n) => grips.slice(n + 1).forEach(b => over(a, b) && found.push('grip over grip')));
    return found;
}"""
#: Digits of the ruler that a note's mark runs through, or that have their unit in them.
CROSSED = """() => {
    const box = one => one.getBoundingClientRect();
    const digits = [...document.querySelectorAll('.scene .digits')];
    const marks = [...document.querySelectorAll('.scene :is(.mark, .foot, .lit-tip)')];
    return digits.flatMap(one => {
        const { left, right, top, bottom } = box(one), middle = (top + bottom) / 2;
        const through = marks.filter(mark => {
            const at = box(mark);
            return at.left < right && at.right > left && at.top < middle + 4 && at.bottom > middle - 4;
        });
        return [...through.map(() => `a mark runs through "${one.textContent}"`),
            ...(/^[0-9.]+$/.test(one.textContent) ? [] : [`"${one.textContent}" is no number`])];
    });
}"""
#: What can be pressed or dragged, and is too small for a finger.
SMALL = """() => [...document.querySelectorAll(
    '.tape-page :is(button, select, summary, label.check, .radio-row label, .grip, .target, .range input, '
    + 'input[type=number])'
)].filter(one => one.checkVisibility()).filter(one => {
    const { width, height } = one.getBoundingClientRect();
    return width < 43.9 || height < 43.9;
}).map(one => `${one.tagName} ${one.getAttribute('class')} ${one.textContent.slice(0, 30)}`)"""
#: What sticks out of the window to the right, but for what scrolls by itself.
STICKS_OUT = """() => [...document.querySelectorAll('body *')]
    .filter(one => one.checkVisibility() && !one.closest('.wide, svg'))
    .filter(one => one.getBoundingClientRect().right > innerWidth + 1)
    .map(one => `${one.tagName} ${one.textContent.trim().slice(0, 40)}`)"""
#: What the first screen must hold, and what of it reaches beyond the screen.
BELOW = """() => ['.title', '.number', '.scene', '.play', '.todo'].filter(place => {
    const box = document.querySelector(place).getBoundingClientRect();
    return box.top < 0 || box.bottom > innerHeight || box.left < 0 || box.right > innerWidth
        || box.height < 15;
})"""
#: Sizes of all texts of the page that are as large as its title or larger.
LARGE = """() => {
    const size = one => parseFloat(getComputedStyle(one).fontSize);
    const title = size(document.querySelector(".title"));
    return [...document.querySelectorAll('.tape-page *')].filter(one => one.childElementCount === 0
        && one.textContent.trim() && one.checkVisibility() && size(one) >= title)
        .map(one => one.className.baseVal
        ?? one.className);
}"""


@pytest.fixture(params=PLAYED)
def page(request, scene_tab, played):
    """The page of each machine, as it is opened."""
    scene_tab.goto("about:blank")
    scene_tab.goto(played(request.param))
    return scene_tab


def show(tab, width, scheme="light"):
    tab.set_viewport_size({"width": width, "height": SCREENS[width]})
    tab.emulate_media(media="screen", color_scheme=scheme)
    tab.evaluate("() => document.fonts.ready")
    tab.wait_for_timeout(80)  # two frames, and what they put in order


@pytest.mark.parametrize("width", SCREENS)
def test_text_overlaps_nothing(page, width):
    show(page, width)
    keeps(page.evaluate(OVERLAPS))
    keeps(page.evaluate(STICKS_OUT))
    keeps(page.evaluate(CROSSED))


@pytest.mark.parametrize("width", [1280, 360])
def test_text_overlaps_nothing_wherever_a_head_stands(page, width):
    show(page, width)
    head = page.get_by_role("slider", name="Head 1", exact=True)
    head.focus()
    for keys in (["Home"], ["PageUp"] * 9, ["PageUp"] * 25, ["End"]):
        for key in keys:
            page.keyboard.press(key)
        page.wait_for_timeout(400)  # until the picture has fitted itself
        found = [f"{head.get_attribute('aria-valuenow')} mm: {one}" for one in page.evaluate(OVERLAPS)]
        keeps(found)
        keeps(page.evaluate(CROSSED))


def test_the_picture_stays_in_its_place_while_a_head_moves(page):
    """It would slip away under the hand."""
    head = page.get_by_role("slider", name="Head 1", exact=True)
    for width in (1280, 1060, 960, 768, 360):
        page.set_viewport_size({"width": width, "height": 800})
        tops = set()
        head.focus()
        for keys in (["Home"], ["PageUp"] * 6, ["PageUp"] * 17, ["PageUp"] * 31, ["End"]):
            for key in keys:
                page.keyboard.press(key)
            page.wait_for_timeout(80)
            tops.add(page.locator(".picture").evaluate("one => one.offsetTop"))
        assert len(tops) == 1, width


def test_a_runaway_has_room_for_its_words(page):
    page.get_by_role("slider", name="Return send").press("End")
    for width in SCREENS:
        show(page, width)
        keeps(page.evaluate(OVERLAPS))
        assert page.get_by_role("alert").is_visible()


@pytest.mark.parametrize("width", SCREENS)
def test_nobody_is_shut_out_folded_or_not(page, width):
    for scheme in SCHEMES:
        show(page, width, scheme)
        keeps(violations(page))
    page.evaluate(OPEN)
    keeps(violations(page))
    keeps(page.evaluate(STICKS_OUT))
    keeps(page.evaluate(SMALL))


@pytest.mark.parametrize("width", [1280, 360])
def test_the_first_screen_holds_title_scene_play_and_what_to_do(page, width):
    show(page, width)
    assert page.evaluate(BELOW) == []


def test_one_number_is_as_large_as_the_title(page):
    assert page.evaluate(LARGE) == ["title", "number"]


def test_paper_gets_the_picture_with_its_values(page):
    page.emulate_media(media="print", color_scheme="dark")
    shown = page.evaluate("""() => ['.title', '.number', '.scene', '.play', '.nudges', '.desk', '.hint']
        .filter(place =>
        document.querySelector(place)?.checkVisibility())""")
    assert shown == [".title", ".number", ".scene"]
    ground = page.evaluate("getComputedStyle(document.querySelector('.tape-page')).backgroundColor")
    assert ground == "rgb(255, 255, 255)"


def test_everything_is_reached_by_the_tab_key_and_seen(page):
    page.evaluate("() => document.body.focus()")
    reached = []
    for _ in range(60):
        page.keyboard.press("Tab")
        place = page.evaluate("""() => {
            const one = document.activeElement;
            if (one === document.body) return null;
            const ring = one.querySelector?.('.ring');
            const around = one.type === 'radio' ? one.nextElementSibling : one;
            const seen = ring ? getComputedStyle(ring).stroke !== 'none'
                : parseFloat(getComputedStyle(around).outlineWidth) >= 2;
            return [one.getAttribute('aria-label') ?? one.textContent.slice(0, 20), seen];
        }""")
        if place is None:
            break
        reached.append(place)
    assert {"Head 1", "Return send", "Play"} <= {name for name, _ in reached}
    assert [name for name, seen in reached if not seen] == []
