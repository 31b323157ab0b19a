"""The plan and the site's pages in Chromium, from disk and from a server: accessible, whole, silent."""

import functools
import http.server
import threading
from unittest import mock

import lab_browser
import pytest
from lab_browser import violations
from notebook_rules import tracked_notebooks
from project import keeps
from site_pages import panels, tool

pytestmark = [pytest.mark.browser, pytest.mark.slow]

PAGES = [*(tool.page_file(notebook.name) for notebook in tracked_notebooks()), tool.PLAN]
A_LESSON = next(page for page in PAGES if page.startswith("01"))
API = ["api/index.html", "api/tapecalc.calc.transport.html", tool.TRY]
WITH_PANELS = [page for page in PAGES if page[:2].isdigit() or page == "workbench.html"]


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
def site(tmp_path_factory):
    if lab_browser.CHROMIUM is None:
        pytest.skip("no Chromium on this machine: install it to look at the pages")
    with mock.patch.object(panels, "PLACES", 3):  # both ends of a slider and one place between
        return tool.write_site(tool.site_files(moving=True), tmp_path_factory.mktemp("pages") / "site")


@pytest.fixture(scope="module")
def tab(site):
    """A page without a network."""
    with lab_browser.page() as tab:
        tab.context.set_offline(True)
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


@pytest.mark.parametrize("name", [*PAGES, *API])
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


@pytest.mark.parametrize("name", sampled([*PAGES, *API]))
def test_a_page_on_a_static_host_is_whole_and_asks_for_nothing_else(visitor, host, name):
    address, missing = host
    visitor.goto(f"{address}/{name}")
    assert all(seconds > 0.1 for seconds in visitor.evaluate(FETCH))
    assert (visitor.outside, visitor.problems, missing) == ([], [], [])


@pytest.mark.parametrize("name", sampled([*PAGES, *API]))
def test_a_page_prints_without_what_paper_cannot_do(tab, site, name):
    tab.goto((site / name).as_uri())
    tab.evaluate(FETCH)
    tab.emulate_media(media="print", color_scheme="dark")
    tab.set_viewport_size({"width": 680, "height": 1000})  # the width of A4 within its margins
    assert tab.locator("audio:visible, nav:visible, .skip:visible").count() == 0
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
    stops = tab.locator("a[href]:visible, summary, [tabindex='0']:visible, input, select").count()
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
    solution = tab.locator("details").first
    assert not solution.locator("p").first.is_visible()
    solution.locator("summary").press("Enter")
    assert solution.locator("p").first.is_visible()


#: What a panel shows; the picture only once it is there.
SHOWN = """panel => { const picture = panel.querySelector('img');
    return picture.complete && picture.naturalWidth > 0
        && [picture.getAttribute('src'), panel.querySelector('[role=status]').textContent] }"""


@pytest.mark.parametrize("name", sampled(WITH_PANELS))
def test_a_panel_on_a_page_follows_the_keyboard(tab, site, name):
    tab.goto((site / name).as_uri())
    tab.evaluate(FETCH)
    found = tab.locator(".panel").element_handles()
    assert found
    for panel in found:
        controls = panel.query_selector_all("input, select")
        first = [control.input_value() for control in controls]
        assert 2 <= len(controls) <= (8 if name == "workbench.html" else 5)
        seen = {tuple(tab.evaluate(SHOWN, panel))}
        controls[0].focus()
        for control, start in zip(controls, first, strict=True):
            assert tab.evaluate(FOCUSED, control)
            tab.keyboard.press("Home")
            tab.keyboard.press("End" if control.input_value() == start else "Home")
            assert control.input_value() != start
            shown = tab.wait_for_function(SHOWN, arg=panel).json_value()
            assert shown[0].startswith("panels/") and any(digit in shown[1] for digit in "0123456789")
            seen.add(tuple(shown))
            others = [one.input_value() for one in controls if tab.evaluate(FOCUSED, one) is False]
            assert others == [value for one, value in zip(controls, first, strict=True) if one is not control]
            tab.keyboard.press("Tab")
        pictures, words = ({state[k] for state in seen} for k in (0, 1))
        assert len(pictures) >= len(controls) and len(words) > 2


def test_without_a_script_a_page_keeps_the_first_picture_and_shows_no_dead_controls(tab, site):
    still = tab.context.browser.new_page(java_script_enabled=False)
    still.goto((site / A_LESSON).as_uri())
    assert still.locator(".panel img").count() == still.locator(".panel img:visible").count() == 2
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


def test_a_page_that_asks_for_something_else_is_found_out(visitor, host, tmp_path):
    address, _ = host
    visitor.goto(f"{address}/index.html")
    visitor.evaluate("() => { document.body.innerHTML = '<img src=\"http://192.0.2.1/spy.png\">' }")
    visitor.wait_for_function("() => document.images[0].complete")
    assert visitor.outside == ["http://192.0.2.1/spy.png"]
    assert visitor.problems
    visitor.outside.clear()
    visitor.problems.clear()
