"""The plan and the site's pages in Chromium, from disk and without a network: accessible, whole, silent."""

import lab_browser
import pytest
from library_rules import keeps
from notebook_rules import tracked_notebooks
from site_pages import tool

pytestmark = [pytest.mark.browser, pytest.mark.slow]

PAGES = [*(tool.page_file(notebook.name) for notebook in tracked_notebooks()), tool.PLAN]
GRAVE = ("serious", "critical")
WIDE, NARROW = {"width": 1280, "height": 900}, {"width": 390, "height": 844}
#: Pictures and sounds below the fold are fetched too.
FETCH = """async () => {
    document.querySelectorAll('img').forEach(image => { image.loading = 'eager' });
    await Promise.all([...document.images].map(image => image.decode()));
    await Promise.all([...document.querySelectorAll('audio')].map(audio => new Promise((done, fail) => {
        audio.oncanplay = done;
        audio.onerror = () => fail(new Error(`cannot play ${audio.src.slice(0, 80)}`));
        audio.preload = 'auto';
        audio.load();
    })));
}"""
#: What sticks out to the right, but for what can be scrolled by itself.
STICKS_OUT = """() => [...document.querySelectorAll('body *')]
    .filter(one => one.getBoundingClientRect().right > innerWidth + 1)
    .filter(one => !one.closest('[tabindex="0"], .formula, .unseen'))
    .map(one => `${one.tagName} ${one.textContent.trim().slice(0, 40)}`)"""


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    if lab_browser.CHROMIUM is None:
        pytest.skip("no Chromium on this machine: install it to look at the pages")
    return tool.write_site(tool.site_files(), tmp_path_factory.mktemp("pages") / "site")


@pytest.fixture(scope="module")
def tab(site):
    with lab_browser.page() as tab:
        tab.context.set_offline(True)
        tab.requests = []
        tab.on("request", lambda request: tab.requests.append(request.url))
        tab.on("console", lambda said: said.type == "error" and tab.problems.append(said.text))
        yield tab


def violations(tab):
    """What axe finds on the page that shuts somebody out, as sentences."""
    from axe_playwright_python.sync_playwright import Axe

    # Without preload: it would fetch the style sheet a second time, which no page from disk may do.
    found = Axe().run(tab, options={"resultTypes": ["violations"], "preload": False})
    return [
        f"{rule['id']} ({rule['impact']}) at {node['target']}: {node['html'][:100]}"
        for rule in found.response["violations"]
        if rule["impact"] in GRAVE
        for node in rule["nodes"]
    ]


@pytest.mark.parametrize("name", PAGES)
def test_a_page_shuts_nobody_out_and_needs_no_network(tab, site, name):
    tab.requests.clear()
    tab.problems.clear()
    tab.set_viewport_size(WIDE)
    tab.goto((site / name).as_uri())
    tab.evaluate(FETCH)
    keeps([f"{name}: {said}" for said in violations(tab)])
    tab.set_viewport_size(NARROW)
    keeps([f"{name}, narrow: {said}" for said in violations(tab)])
    keeps([f"{name}, narrow: {one}" for one in tab.evaluate(STICKS_OUT)])
    assert tab.evaluate("document.documentElement.scrollWidth") <= NARROW["width"]
    assert [url for url in tab.requests if not url.startswith(("file:", "data:"))] == []
    assert tab.problems == []


def test_the_keyboard_reaches_the_content_and_turns_the_page(tab, site):
    tab.set_viewport_size(WIDE)
    tab.goto((site / "index.html").as_uri())
    tab.keyboard.press("Tab")
    tab.keyboard.press("Enter")
    assert tab.evaluate("document.activeElement.tagName") == "MAIN"
    tab.get_by_role("link", name="Next").press("Enter")
    tab.wait_for_url("**/workbench.html")


def test_a_solution_unfolds_by_keyboard(tab, site):
    folded = next(page for page in PAGES if page.startswith("01"))
    tab.goto((site / folded).as_uri())
    solution = tab.locator("details").first
    assert not solution.locator("p").first.is_visible()
    solution.locator("summary").press("Enter")
    assert solution.locator("p").first.is_visible()


def test_a_page_that_shuts_somebody_out_is_found_out(tab, tmp_path):
    pale = "<p style='color:#bbb'>pale</p>"
    (tmp_path / "bad.html").write_text(f"<html><title>x</title><main><img src='data:,'>{pale}</main></html>")
    tab.goto((tmp_path / "bad.html").as_uri())
    found = " ".join(violations(tab))
    assert all(rule in found for rule in ("image-alt", "color-contrast", "html-has-lang"))
