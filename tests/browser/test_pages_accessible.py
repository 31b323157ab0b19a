"""The plan and the site's pages in Chromium, from disk and from a server: accessible, whole, silent."""

import colorsys
import functools
import http.server
import io
import json
import shutil
import threading

import lab_browser
import pytest
from lab_browser import violations
from notebook_rules import tracked_notebooks
from PIL import Image, ImageColor
from project import keeps
from site_pages import tool

from tapecalc.plot import style

pytestmark = [pytest.mark.browser, pytest.mark.slow]

PAGES = [*(tool.page_file(notebook.name) for notebook in tracked_notebooks()), tool.PLAN]
A_LESSON = next(page for page in PAGES if page.startswith("01"))
API = ["api/index.html", "api/tapecalc.calc.transport.html", tool.TRY]
OTHERS = [tool.GALLERY, tool.CONTENTS, tool.MISSING, tool.PROMISES]
OTHERS += ["teaching.html", "worksheet_2.html", "solutions.html", "slides.html"]
WITH_PANELS = [page for page in PAGES if page[:2].isdigit()]


def sampled(pages):
    """All of some pages, of which `make test` looks at one of each kind where one tells as much as all."""
    daily = ("index.html", A_LESSON, tool.PLAN)
    return [page if page in daily else pytest.param(page, marks=pytest.mark.weekly) for page in pages]


WIDE, NARROW = {"width": 1280, "height": 900}, {"width": 390, "height": 844}
#: A window of 1280 pixels, magnified 200 % and 400 %.
MAGNIFIED = ({"width": 640, "height": 450}, {"width": 320, "height": 256})
#: Pictures and sounds below the fold are fetched too; the answer is how long the sounds last.
FETCH = """async () => {
    document.querySelectorAll('img').forEach(image => { image.loading = 'eager' });
    await Promise.all([...document.images].map(image => image.decode()));
    const sounds = [...document.querySelectorAll('audio')];
    return await Promise.all(sounds.map(audio => new Promise((done, fail) => {
        audio.oncanplay = () => done(audio.duration);
        audio.onerror = () => fail(new Error(`cannot play ${audio.src.slice(0, 80)}`));
        audio.preload = 'auto';
        audio.load();
    })));
}"""
#: What sticks out to the right, but for what can be scrolled by itself or is cut off at a picture's edge.
STICKS_OUT = """() => [...document.querySelectorAll('body *')]
    .filter(one => one.getBoundingClientRect().right > innerWidth + 1 && !one.ownerSVGElement)
    .filter(one => !one.closest('[tabindex="0"], .formula, .unseen'))
    .map(one => `${one.tagName} ${one.textContent.trim().slice(0, 40)}`)"""
#: What one would have to scroll sideways.
CUT_OFF = """() => [...document.querySelectorAll('pre, .wide, .formula, p, li')]
    .filter(one => one.scrollWidth > one.clientWidth + 1 && getComputedStyle(one).display !== 'inline')
    .map(one => `${one.tagName} ${one.textContent.trim().slice(0, 60)}`)"""
FOCUSED = "wanted => document.activeElement === wanted"
#: What has the focus, whether one can see that it has, and whether it is in the window.
FOCUS = """() => {
    const one = document.activeElement;
    one.dataset.reached = 'yes';
    const box = one.getBoundingClientRect(), ring = getComputedStyle(one);
    const seen = ring.outlineStyle !== 'none' && parseFloat(ring.outlineWidth) >= 2;
    const here = box.bottom > 0 && box.top < innerHeight && box.right > 0 && box.left < innerWidth;
    return [one.tagName + ' ' + (one.textContent.trim() || one.ariaLabel || '').slice(0, 40), seen, here];
}"""


@pytest.fixture(scope="module")
def tab(site):
    """A page without a network."""
    with lab_browser.offline_page() as tab:
        yield tab


@pytest.fixture(autouse=True)
def as_before(tab):
    """Each test looks at a wide, light screen, and leaves no complaint behind."""
    tab.set_viewport_size(WIDE)
    tab.emulate_media(media="screen", color_scheme="light")
    yield
    problems, outside = tab.problems[:], tab.outside[:]
    tab.problems.clear()
    tab.outside.clear()
    assert (problems, outside) == ([], [])


@pytest.fixture(scope="module")
def host(site):
    """The site on a static host of this machine: its address, and a list of what it did not have."""
    missing = []

    class Quiet(http.server.SimpleHTTPRequestHandler):
        def log_message(self, *arguments):
            pass

        def send_error(self, code, *arguments, **options):
            missing.append(f"{code} {self.path}")
            super().send_error(code, *arguments, **options)

    handler = functools.partial(Quiet, directory=site)
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{server.server_port}", missing
        server.shutdown()


@pytest.fixture(scope="module")
def visitor(tab, host):
    """A page that reaches the host and nothing else."""
    address, _ = host
    visitor = lab_browser.watched(tab.context.browser.new_page(viewport=NARROW))
    visitor.route(lambda url: not url.startswith((f"{address}/", "data:")), lambda route: route.abort())
    yield visitor
    visitor.context.close()


@pytest.mark.parametrize("name", [*PAGES, *API, *OTHERS])
def test_a_page_shuts_nobody_out_and_needs_no_network(tab, site, name):
    tab.goto((site / name).as_uri())
    assert all(seconds > 0.1 for seconds in tab.evaluate(FETCH))
    keeps([f"{name}: {said}" for said in violations(tab)])
    tab.emulate_media(color_scheme="dark")
    keeps([f"{name}, dark: {said}" for said in violations(tab)])
    tab.set_viewport_size(NARROW)
    keeps([f"{name}, narrow: {said}" for said in violations(tab)])
    keeps([f"{name}, narrow: {one}" for one in tab.evaluate(STICKS_OUT)])
    for size in (NARROW, *MAGNIFIED):
        tab.set_viewport_size(size)
        assert tab.evaluate("document.documentElement.scrollWidth") <= size["width"], (name, size)


@pytest.mark.parametrize("name", sampled([*PAGES, *API, *OTHERS]))
def test_a_page_on_a_static_host_is_whole_and_asks_for_nothing_else(visitor, host, name):
    address, missing = host
    visitor.goto(f"{address}/{name}")
    assert all(seconds > 0.1 for seconds in visitor.evaluate(FETCH))
    assert (visitor.outside, visitor.problems, missing) == ([], [], [])


def kept(one):
    """Whether paper has a use for it: the playable tape has a printed form, an answer a line to write on."""
    return one.evaluate("one => Boolean(one.closest('.tape-page, .answer'))")


@pytest.mark.parametrize("name", sampled([*PAGES, *API, *OTHERS]))
def test_a_page_prints_without_what_paper_cannot_do(tab, site, name):
    tab.goto((site / name).as_uri())
    tab.evaluate(FETCH)
    tab.emulate_media(media="print", color_scheme="dark")
    tab.set_viewport_size({"width": 680, "height": 1000})  # the width of A4 within its margins
    dead = "audio, video, nav, input, select, button, .skip, .search, .live, .how:not([open]), a[download]"
    assert [one for one in tab.locator(dead).all() if one.is_visible() and not kept(one)] == []
    solutions = tab.locator("main details:not(.how, .uses, .tape-page *) > :not(summary)")
    if name[:2].isdigit() and name != "404.html":
        assert solutions.count() > 5 and all(one.is_visible() for one in solutions.all())
    assert tab.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    keeps([f"{name}, on paper: {one}" for one in tab.evaluate(CUT_OFF)])


def test_the_keyboard_reaches_the_content_and_turns_the_page(tab, site):
    tab.goto((site / "index.html").as_uri())
    tab.keyboard.press("Tab")
    tab.keyboard.press("Enter")
    assert tab.evaluate("document.activeElement.tagName") == "MAIN"
    tab.get_by_role("link", name="Next").press("Enter")
    tab.wait_for_url("**/workbench.html")


def test_the_next_page_leads_through_the_whole_course(tab, site):
    tab.goto((site / "index.html").as_uri())
    seen = ["index.html"]
    while tab.locator("a[rel=next]").count():
        tab.locator("a[rel=next]").press("Enter")
        tab.wait_for_url(lambda url: not url.endswith(seen[-1]))
        seen.append(tab.url.rpartition("/")[2])
    order = tool.reading_order([notebook.name for notebook in tracked_notebooks()])
    assert seen == [tool.page_file(name) for name in order]


@pytest.mark.parametrize("name", ["index.html", A_LESSON, tool.PLAN])
def test_one_sees_where_the_keyboard_is(tab, site, name):
    tab.goto((site / name).as_uri())
    # A player has many stops; those of the playable tape are looked at in test_playable_tape.py.
    tab.evaluate("document.querySelectorAll('audio, .tape-page').forEach(one => one.remove())")
    stops = tab.locator("a[href]:visible, summary:visible, [tabindex='0']:visible, input, select").count()
    assert stops > 10
    found = []
    for _ in range(stops):
        tab.keyboard.press("Tab")
        place, seen, here = tab.evaluate(FOCUS)
        found += [] if seen else [f"{name}: {place} has no ring"]
        found += [] if here else [f"{name}: {place} is out of sight"]
    keeps(found)
    assert tab.locator("[data-reached]").count() == stops


def test_a_solution_unfolds_by_keyboard(tab, site):
    tab.goto((site / A_LESSON).as_uri())
    solution = tab.locator("main details:not(.how, .tape-page *)").first
    assert not solution.locator("p").first.is_visible()
    solution.locator("summary").press("Enter")
    assert solution.locator("p").first.is_visible()


#: What a panel shows.
SHOWN = """panel => ['svg.chart', '[role=status]'].map(part => panel.querySelector(part).innerHTML)"""


@pytest.mark.parametrize("name", sampled(WITH_PANELS))
def test_a_panel_on_a_page_follows_the_keyboard_and_goes_back(tab, site, name):
    tab.goto((site / name).as_uri())
    found = tab.locator(".what-if").element_handles()
    assert found
    for panel in found:
        controls = panel.query_selector_all(".knobs :is(input, select)")
        assert 2 <= len(controls) <= 5
        first = tab.evaluate(SHOWN, panel)
        controls[0].focus()
        for control in controls:
            assert tab.evaluate(FOCUSED, control)
            tab.evaluate("one => { one.was = one.value + one.checked }", control)
            for key in ("Home", "End", "Home") if control.get_attribute("type") != "checkbox" else ("Space",):
                if tab.evaluate("one => one.was === one.value + one.checked", control):
                    tab.keyboard.press(key)
            assert tab.evaluate("one => one.was !== one.value + one.checked", control)
            tab.keyboard.press("Tab")
        moved = tab.evaluate(SHOWN, panel)
        assert all(now != then for now, then in zip(moved, first, strict=True))
        panel.query_selector("button:has-text('reset')").press("Enter")
        assert tab.evaluate(SHOWN, panel) == first


PLACES = """panel => [...document.querySelectorAll('h2, h3, figure, .what-if, .turn')]
    .filter(one => one.checkVisibility())
    .filter(one => one.compareDocumentPosition(panel) & Node.DOCUMENT_POSITION_PRECEDING)
    .map(one => one.getBoundingClientRect().top + scrollY)"""


@pytest.mark.parametrize("size", [WIDE, NARROW], ids=["wide", "narrow"])
@pytest.mark.parametrize("name", sampled(WITH_PANELS))
def test_nothing_below_a_panel_moves_when_it_is_first_moved(tab, site, name, size):
    tab.set_viewport_size(size)
    tab.goto((site / name).as_uri())
    tab.evaluate(FETCH)
    tab.evaluate("document.fonts.ready")
    for panel in tab.locator(".what-if").element_handles():
        for control in panel.query_selector_all(".knobs :is(input[type=range], select)"):
            before = tab.evaluate(PLACES, panel)
            control.focus()
            tab.keyboard.press("Home")
            tab.keyboard.press("End")
            assert tab.evaluate(PLACES, panel) == before
            panel.query_selector("button:has-text('reset')").click()


@pytest.mark.parametrize("name", ["index.html", *(page for page in PAGES if page[:2].isdigit())])
def test_a_phone_shows_the_title_and_a_picture_at_once(tab, site, name):
    tab.set_viewport_size(NARROW)
    tab.goto((site / name).as_uri())
    title = tab.locator("h1").bounding_box()
    picture = tab.locator(".lead img, .tape-page .picture").first.bounding_box()
    assert title["y"] < 100 and picture["y"] + picture["height"] < NARROW["height"]
    assert picture["width"] > 300


#: What one can press that is smaller than a finger; a link within a sentence may be as high as its line.
SMALL = """() => [...document.querySelectorAll('a[href], summary, input, select, button')]
    .filter(one => one.checkVisibility({ contentVisibilityAuto: true }) && !one.closest('.tape-page, .skip'))
    .filter(one => getComputedStyle(one).display !== 'inline' && one.getBoundingClientRect().height < 43.9)
    .map(one => `${one.tagName} ${one.textContent.trim().slice(0, 40)}`)"""


@pytest.mark.parametrize("name", [A_LESSON, "index.html", tool.GALLERY, tool.CONTENTS])
def test_on_a_phone_everything_to_press_is_as_large_as_a_finger(tab, site, name):
    tab.set_viewport_size(NARROW)
    tab.goto((site / name).as_uri())
    tab.locator(".menu summary").click()
    keeps(tab.evaluate(SMALL))


def test_the_contents_fold_on_a_phone_and_stand_beside_a_wide_page(tab, site):
    tab.goto((site / A_LESSON).as_uri())
    links = tab.locator(".menu nav a")
    assert links.first.is_visible() and not tab.locator(".menu summary").is_visible()
    tab.set_viewport_size(NARROW)
    assert not links.first.is_visible()
    tab.locator(".menu summary").press("Enter")
    assert links.first.is_visible()
    keeps(violations(tab))
    heading = "Hear it answer"
    tab.get_by_role("link", name=heading, exact=True).click()
    assert not links.first.is_visible() and tab.url.endswith("#Hear-it-answer")


MARKED = "() => document.querySelector('.menu [aria-current=location]')?.textContent"


def test_the_contents_say_where_one_is(tab, site):
    tab.goto((site / A_LESSON).as_uri())
    tab.evaluate(FETCH)
    assert tab.evaluate(MARKED) is None
    for heading in ("One number cannot tell two", "Hear it answer", "Next"):
        tab.evaluate("id => document.getElementById(id).scrollIntoView()", heading.replace(" ", "-"))
        tab.wait_for_function(f"() => ({MARKED})() === '{heading}'")
        marked, nav = (
            tab.locator(one).bounding_box() for one in (".menu [aria-current=location]", ".menu nav")
        )
        assert nav["y"] <= marked["y"] and marked["y"] + marked["height"] <= nav["y"] + nav["height"]


def shown_colors(tab, place):
    """Of a picture as it is shown: the color of a corner, and the strongest."""
    picture = Image.open(io.BytesIO(place.screenshot())).convert("RGB")
    colors = [color for _, color in picture.getcolors(1 << 24)]
    return picture.getpixel((3, 3)), max(colors, key=lambda color: max(color) - min(color))


@pytest.mark.parametrize("address", ["gallery/at_the_gap.svg", "pictures/"])
def test_pictures_are_dark_in_the_dark_and_their_colors_stay(tab, site, address):
    tab.goto((site / A_LESSON).as_uri())
    place = tab.locator(f"img.drawn[src^='{address}']").first
    place.scroll_into_view_if_needed()
    ground, color = shown_colors(tab, place)
    assert ground == (255, 255, 255)
    tab.emulate_media(color_scheme="dark")
    dark_ground, dark_color = shown_colors(tab, place)
    assert dark_ground == ImageColor.getrgb(style.GROUNDS["dark"].face)
    hues = [colorsys.rgb_to_hsv(*(part / 255 for part in one))[0] for one in (color, dark_color)]
    assert abs(hues[0] - hues[1]) < 0.04
    tab.emulate_media(color_scheme="dark", media="print")
    assert shown_colors(tab, place) == (ground, color)


def sought(tab, words):
    """What the search says and finds."""
    if not tab.locator("dialog").is_visible():
        tab.get_by_role("link", name="Search").press("Enter")
    tab.get_by_role("searchbox").fill(words)
    return tab.locator("dialog [role=status]").inner_text(), tab.locator("dialog li b").all_inner_texts()


@pytest.mark.parametrize("name", [A_LESSON, "api/tapecalc.calc.transport.html"])
def test_the_search_finds_lessons_pictures_and_library_from_any_page(tab, site, name):
    tab.goto((site / name).as_uri())
    assert "A sleeve" in " ".join(sought(tab, "sleeve")[1])
    assert sought(tab, "delay_from_spacing")[1][0] == "delay_from_spacing"
    assert "Half the speed, twice the beats" in sought(tab, "twice the beats")[1]
    said, found = sought(tab, "wavelengh")
    assert "read as wavelength" in said and found[0] == "Wavelength and tape speed"
    assert sought(tab, "xqzzv") == ("no places", []) and sought(tab, "") == ("", [])
    sought(tab, "sleeve")
    keeps(violations(tab))
    tab.emulate_media(color_scheme="dark")
    tab.set_viewport_size(NARROW)
    keeps(violations(tab))
    assert tab.evaluate("document.documentElement.scrollWidth") <= NARROW["width"]
    tab.keyboard.press("Escape")
    assert not tab.locator("dialog").is_visible()
    assert tab.evaluate("document.activeElement.className") == "find"
    sought(tab, "delay_from_spacing")
    tab.keyboard.press("Enter")
    tab.wait_for_url("**/api/tapecalc.calc.transport.html#delay_from_spacing")


#: What is asked for, and which of the texts below are found, the best first.
FOUND = {
    "runaway": "run runaway fled",
    "run away": "run runaway fled",
    "runaways": "run runaway fled",
    "head bump": "bump bumps",
    "head bumps": "bump bumps",
    "headbumps": "bump bumps",
    "wavelengths": "length lengths wave",
    "wavelength": "length lengths wave",
    "wave length": "length lengths wave",
    "cut off": "cut cutoff off",
    "cutoff": "cut cutoff",
    "frequency": "frequency many",
    "frequencies": "frequency many",
    "loss": "loss losses",
    "losses": "loss losses",
}
TEXTS = {
    "run": "then it may run away for good",
    "runaway": "a runaway is loud",
    "fled": "it has run-away sound",
    "bump": "one head bump",
    "bumps": "two head bumps in the bass",
    "length": "the wavelength on the tape",
    "lengths": "all wavelengths",
    "wave": "the wave length",
    "cut": "the treble is cut off",
    "cutoff": "above the cutoff",
    "off": "switched off, then we cut",
    "frequency": "its frequency",
    "many": "more frequencies",
    "loss": "the loss",
    "losses": "all losses",
}


def test_the_search_knows_two_words_as_one_and_one_as_many(tab, site, tmp_path):
    there = shutil.copytree(site, tmp_path / "site")
    places = json.dumps([["a title", "here", f"index.html#{name}", text] for name, text in TEXTS.items()])
    (there / "search_index.css").write_text(f":root{{--search-index:'{places}'}}")
    tab.goto((there / A_LESSON).as_uri())
    for words, found in FOUND.items():
        assert "read as" not in sought(tab, words)[0]
        shown = [one.get_attribute("href") for one in tab.locator("dialog li a").all()]
        assert [address.partition("#")[2] for address in shown] == found.split(), words


def test_the_search_shows_text_as_text(tab, site, tmp_path):
    there = shutil.copytree(site, tmp_path / "site")
    place = '["<b>one</b>","<i>x</i>","index.html","an <img src=x onerror=alert(1)> word"]'
    (there / "search_index.css").write_text(f":root{{--search-index:'[{place}]'}}")
    tab.goto((there / A_LESSON).as_uri())
    assert sought(tab, "word")[1] == ["<b>one</b>"] and tab.locator("dialog img, dialog i").count() == 0


def test_where_the_index_is_missing_the_search_leads_to_the_contents(tab, site, tmp_path):
    there = shutil.copytree(site, tmp_path / "site")
    (there / "search_index.css").unlink()
    tab.goto((there / A_LESSON).as_uri())
    tab.get_by_role("link", name="Search").press("Enter")
    tab.wait_for_url("**/contents.html")
    tab.problems.clear()


def test_without_scripts_contents_and_search_are_plain_links(tab, site):
    still = tab.context.browser.new_page(java_script_enabled=False, viewport=NARROW)
    still.goto((site / A_LESSON).as_uri())
    still.locator(".menu summary").click()
    assert still.locator(".menu nav a").first.is_visible()
    still.get_by_role("link", name="Search").click()
    assert still.url.endswith("contents.html") and still.locator("main a").count() > 300
    still.context.close()


def test_without_a_script_a_page_keeps_the_first_picture_and_shows_no_dead_controls(tab, site):
    still = tab.context.browser.new_page(java_script_enabled=False)
    still.goto((site / A_LESSON).as_uri())
    panels = still.locator(".what-if img")
    assert panels.count() == still.locator(".what-if img:visible").count() == 2
    assert still.locator("input:visible, select:visible").count() == 0
    still.context.close()


def test_a_page_that_shuts_somebody_out_is_found_out(tab, tmp_path):
    pale = "<p style='color:#bbb'>pale</p>"
    (tmp_path / "bad.html").write_text(f"<html><title>x</title><main><img src='data:,'>{pale}</main></html>")
    tab.goto((tmp_path / "bad.html").as_uri())
    found = " ".join(violations(tab))
    assert all(rule in found for rule in ("image-alt", "color-contrast", "html-has-lang"))


def test_the_pages_own_policy_stops_what_would_run_or_ask_for_something_else(visitor, host):
    address, _ = host
    visitor.goto(f"{address}/index.html")
    stopped = {}
    visitor.on("requestfailed", lambda asked: stopped.update({asked.url: asked.failure}))
    spy = "<img src='http://192.0.2.1/spy.png' onerror='window.ran = 1'>"
    spy += "<style>@import 'http://192.0.2.1/spy.css'</style>"
    visitor.evaluate("spy => document.body.insertAdjacentHTML('beforeend', spy)", spy)
    make = "const s = document.createElement('script'); s.text = 'window.ran = 2'; document.body.append(s)"
    visitor.evaluate(f"() => {{ {make} }}")
    visitor.wait_for_function("() => [...document.images].at(-1).complete")
    assert visitor.evaluate("window.ran") is None
    assert stopped == {f"http://192.0.2.1/spy.{kind}": "csp" for kind in ("png", "css")}
    assert all("Content Security Policy" in problem for problem in visitor.problems)
    visitor.outside.clear()
    visitor.problems.clear()


@pytest.mark.parametrize("name", [A_LESSON, "api/index.html"])
def test_a_script_that_a_page_does_not_name_does_not_run_wherever_it_lies(tab, site, tmp_path, name):
    there = shutil.copytree(site, tmp_path / "site")
    (there / "notebooks" / "evil.js").write_text("window.ran = 1")
    up = "../" * name.count("/")
    evil = f"<script src='{up}notebooks/evil.js'></script><script>window.ran = 2</script>"
    evil += (
        "<script type=module>window.ran = 3</script><script src='data:text/javascript,window.ran=4'></script>"
    )
    page = (there / name).read_text()
    (there / name).write_text(page.replace("</main>", f"{evil}</main>"))
    tab.goto((there / name).as_uri())
    assert tab.evaluate("window.ran") is None
    assert sum("Content Security Policy" in problem for problem in tab.problems) == 4
    tab.problems.clear()


def test_a_page_that_asks_for_something_else_is_found_out(visitor, host, tmp_path):
    address, _ = host
    visitor.goto(f"{address}/index.html")
    visitor.evaluate("() => { document.body.innerHTML = '<img src=\"http://192.0.2.1/spy.png\">' }")
    visitor.wait_for_function("() => document.images[0].complete")
    assert visitor.outside == ["http://192.0.2.1/spy.png"]
    assert visitor.problems
    visitor.outside.clear()
    visitor.problems.clear()
