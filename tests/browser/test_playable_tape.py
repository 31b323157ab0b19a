"""The playable tape in JupyterLab and from disk: what is moved is read, and what is set moves."""

import lab_browser
import pytest

from tapecalc.machine import example_machine
from tapecalc.plan import make_plan
from tapecalc.report.try_page import write_try_page

pytestmark = [pytest.mark.browser, pytest.mark.slow]

#: Whether an element's value begins so, in words with spaces of any kind.
SAYS = """([place, begins]) =>
    document.querySelector(place).getAttribute('aria-valuetext').replace(/\\s/g, ' ').startsWith(begins)"""
#: What has the focus, whether it had it before, whether it shows that, and whether it is in the window.
FOCUS = """() => {
    const one = document.activeElement, box = one.getBoundingClientRect();
    const before = one === document.body || one.dataset.reached;
    one.dataset.reached = 'yes';
    const outlined = [one, ...one.querySelectorAll('*')].map(part => getComputedStyle(part))
        .some(style => style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2);
    const ring = one.querySelector('.ring'), style = ring && getComputedStyle(ring);
    const circled = style && style.visibility === 'visible' && parseFloat(style.strokeWidth) >= 2;
    const here = box.bottom > 0 && box.top < innerHeight && box.right > 0 && box.left < innerWidth;
    const name = one.ariaLabel || one.innerText || '';
    return [`${one.tagName.toUpperCase()} ${name}`.slice(0, 30).trim(), before, outlined || circled, here];
}"""
#: Whether the first is above the second, both shown; asked at once, as the plan is written anew meanwhile.
ABOVE = """places => {
    const [upper, lower] = places.map(place => document.querySelector(place)?.getBoundingClientRect());
    return upper?.height > 0 && lower?.height > 0 && upper.top < lower.top;
}"""
HEAD, STILL = ".tape-page [role=slider]", "figure.tape-still"


def head(tab):
    """The first playback head, as a slider of the scene."""
    return tab.locator(HEAD).first


def value(tab):
    """What the head says, as a screen reader says it."""
    return " ".join(head(tab).get_attribute("aria-valuetext").split())


def wait_for_value(tab, begins):
    """Wait until the head stands somewhere."""
    tab.wait_for_function(SAYS, arg=[HEAD, begins])


def silent(tab):
    """Nothing went wrong, and nothing was asked for elsewhere."""
    assert (tab.problems, tab.outside) == ([], [])


# ---- in a notebook ----


def test_a_key_moves_the_head_and_python_reads_it_and_python_moves_the_head(server, tab):
    lab_browser.open_and_run(tab, server, "tape.ipynb")
    head(tab).wait_for()
    assert value(tab).startswith("41.5 mm, 218 ms")
    assert tab.locator(STILL).count() == 0  # the live one is there, once
    said = tab.locator(".widget-label", has_text="Python reads")
    head(tab).focus()
    for key, reads in (("ArrowRight", "41.6"), ("Shift+ArrowRight", "42.6"), ("ArrowLeft", "42.5")):
        tab.keyboard.press(key)
        said.get_by_text(f"Python reads {reads}, 7.5, -6, 76").wait_for()
    tab.get_by_role("button", name="move it from Python").click()
    wait_for_value(tab, "83.0 mm, 436 ms")
    head(tab).focus()
    tab.keyboard.press("ArrowLeft")
    said.get_by_text("Python reads 82.9, 7.5, -6, 76").wait_for()
    assert lab_browser.errors_shown(tab) == []
    silent(tab)


def test_the_pointer_drags_the_head_and_python_reads_where_it_is_let_go(server, tab):
    lab_browser.open_and_run(tab, server, "tape.ipynb")
    head(tab).wait_for()
    box = tab.locator(f"{HEAD} .grip").first.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    tab.mouse.move(x, y)
    tab.mouse.down()
    tab.mouse.move(x + 60, y, steps=12)
    tab.mouse.up()
    said = tab.locator(".widget-label", has_text="Python reads")
    said.wait_for()
    spacing_mm = float(value(tab).partition(" mm")[0])
    assert spacing_mm > 45
    said.get_by_text(f"Python reads {spacing_mm:g}").wait_for()
    silent(tab)


def test_a_stored_notebook_shows_picture_and_sentence_once_without_running(server, tab):
    address, token = server
    tab.goto(f"{address}/lab/tree/stored.ipynb?token={token}&reset")
    picture = tab.locator(f"{STILL} img")
    picture.wait_for()
    assert picture.count() == 1 and picture.evaluate("image => image.naturalWidth") > 300
    assert tab.get_by_text("answers after 218").count() == 1
    assert tab.get_by_text("Error displaying widget").count() == 0
    assert tab.locator(HEAD).count() == 0
    silent(tab)


def test_the_workbench_opens_with_the_tape_and_its_plan_follows(server, tab):
    lab_browser.open_and_run(tab, server, "bench.ipynb")
    head(tab).wait_for()
    told = tab.locator(".widget-html [role=status]", has_text="ms +/-").first
    assert told.inner_text().startswith("218 ms +/- 7 ms")
    head(tab).focus()
    for _ in range(5):
        tab.keyboard.press("Shift+ArrowRight")
    tab.locator(".widget-html [role=status]", has_text="244 ms +/-").wait_for()  # 46.5 mm at 190.5 mm/s
    repeats = tab.get_by_label("wanted repeats")
    repeats.fill("3")
    repeats.press("Enter")
    tab.locator(".widget-html td", has_text="as set").or_(tab.get_by_text("repeat 3 keeps")).first.wait_for()
    tab.wait_for_function(ABOVE, arg=[".tape-page", ".widget-html table"])
    assert tab.locator(STILL).count() == 0
    assert lab_browser.errors_shown(tab) == []
    silent(tab)


# ---- one file ----


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    """Where the page of the bundled machine lies on disk."""
    return write_try_page(make_plan(example_machine()), tmp_path_factory.mktemp("try") / "try.html").as_uri()


@pytest.fixture
def disk(page):
    """A page from disk without a network."""
    with lab_browser.offline_page(1280, 900) as tab:
        tab.goto(page)
        yield tab


def test_the_file_plays_from_disk_and_stops_at_a_key(disk):
    play = disk.get_by_role("button", name="Play", exact=True)
    play.click()
    disk.get_by_role("button", name="Stop", exact=True).wait_for()
    disk.wait_for_function("() => document.querySelector('.tape-page .scene')")
    head(disk).focus()
    disk.keyboard.press("Shift+ArrowRight")
    wait_for_value(disk, "42.5 mm, 223 ms")
    disk.keyboard.press("Escape")
    play.wait_for()


def test_nothing_stands_there_twice_and_nobody_is_shut_out(disk):
    head(disk).wait_for()
    assert disk.locator("h1").count() == 1 and disk.locator(STILL).count() == 0
    assert disk.get_by_text("The plan", exact=True).count() == 1
    for scheme in ("light", "dark"):
        disk.emulate_media(color_scheme=scheme)
        assert lab_browser.violations(disk) == []


def test_one_sees_where_the_keyboard_is_from_the_first_stop_to_the_last(disk):
    head(disk).wait_for()
    seen = []
    for _ in range(60):
        disk.keyboard.press("Tab")
        place, before, ring, here = disk.evaluate(FOCUS)
        if before:
            break
        assert ring and here, place
        seen.append(place)
    assert before and len(seen) > 12 and "BUTTON Play" in seen
    assert sum(place.startswith("G Head 1") for place in seen) == 1


def test_a_link_holds_the_setting(disk, page):
    disk.goto(f"{page}#head1=83&speed=3.75")
    wait_for_value(disk, "83.0 mm, 871 ms")  # 83 mm at 95.25 mm/s


def test_without_scripts_there_is_a_picture_a_sentence_and_the_plan(page):
    with lab_browser.page(1280, 900) as tab:
        bare = lab_browser.watched(tab.context.browser.new_page(java_script_enabled=False))
        bare.goto(page)
        assert bare.locator(f"{STILL} img").is_visible()
        assert bare.get_by_text("answers after 218").is_visible()
        bare.get_by_text("The plan", exact=True).click()
        assert bare.get_by_text("repeats are heard down to").first.is_visible()
        bare.close()
