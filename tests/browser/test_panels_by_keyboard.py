"""Panels in a real JupyterLab, moved by keyboard: words and picture follow, and Python reads it all."""

from pathlib import Path

import lab_browser
import nbformat
import pytest

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SHOTS = lab_browser.ROOT / "screenshots"
NOTEBOOKS = sorted(path.name for path in (lab_browser.ROOT / "notebooks").glob("*.ipynb"))
PANEL_SAYS = 'class="panel-still"'  # once for each panel
#: What a panel says and shows.
STATE = (
    """box => [box.querySelector('[role=status]').textContent, box.querySelector('svg.chart').innerHTML]"""
)
VALUE = "one => one.value + one.checked"
FOCUSED = "wanted => document.activeElement === wanted"


def operate(tab, box):
    """Move every control of a panel by keyboard, look at it, and put all back."""
    first = tab.evaluate(STATE, box)
    controls = box.query_selector_all(".knobs :is(input, select)")
    assert 2 <= len(controls) <= 5
    controls[0].focus()
    for control in controls:
        assert tab.evaluate(FOCUSED, control)
        before = control.evaluate(VALUE)
        if control.get_attribute("type") == "checkbox":
            tab.keyboard.press("Space")
        elif control.evaluate("one => one.tagName") == "SELECT":
            control.select_option(index=0 if control.evaluate("one => one.selectedIndex") else 1)
        else:
            last = control.evaluate("one => one.value === one.max")
            for _ in range(3):
                tab.keyboard.press("ArrowLeft" if last else "ArrowRight")
        assert control.evaluate(VALUE) != before
        tab.keyboard.press("Tab")
    assert all(now != then for now, then in zip(tab.evaluate(STATE, box), first, strict=True))
    yield
    box.query_selector("button:has-text('reset')").press("Enter")
    assert tab.evaluate(STATE, box) == first


def look_at(tab, server, name, count):
    """Run a notebook, operate all the panels that it shows, and see that nothing went wrong."""
    lab_browser.open_and_run(tab, server, name)
    tab.wait_for_function("count => document.querySelectorAll('.what-if svg').length === count", arg=count)
    SHOTS.mkdir(exist_ok=True)
    for number, box in enumerate(tab.query_selector_all(".what-if"), 1):
        for _ in operate(tab, box):
            box.screenshot(path=SHOTS / f"{Path(name).stem}_panel_{number}.png")
    assert tab.get_by_text("Error displaying widget").count() == 0
    assert tab.locator(".jp-OutputArea [role=alert]:visible").count() == 0
    assert not tab.outside, tab.outside
    assert not tab.problems, "\n".join(tab.problems)


def test_a_panel_of_each_kind_of_control_follows_the_keyboard_and_goes_back(server, tab):
    look_at(tab, server, "two_panels.ipynb", 2)
    assert lab_browser.errors_shown(tab) == []


def test_python_reads_a_panel_and_moves_it(server, tab):
    lab_browser.open_and_run(tab, server, "panel.ipynb")
    said = tab.locator(".widget-label", has_text="Python reads")
    slider = tab.locator(".what-if input[type=range]").first
    slider.focus()
    for _ in range(3):
        tab.keyboard.press("ArrowRight")  # half a millimeter each
    said.get_by_text("Python reads 43, 43 mm at 7.5 ips (19.05 cm/s)").wait_for()
    tab.get_by_role("button", name="move it from Python").click()
    tab.locator(".what-if [role=status]", has_text="57 mm at 7.5 ips").first.wait_for()
    said.get_by_text("Python reads 57, 57 mm at 7.5 ips (19.05 cm/s)").wait_for()
    assert tab.locator(".what-if output").first.inner_text() == "57.0\N{NO-BREAK SPACE}mm"
    assert tab.locator('[class="panel-still"]').count() == 0
    assert not tab.problems, "\n".join(tab.problems)


def test_the_tempo_is_tapped_by_two_keys_and_by_pointer(server, tab):
    lab_browser.open_and_run(tab, server, "bench.ipynb")
    # The playable tape above has a button of that kind of its own.
    button = tab.locator("button.jupyter-button", has_text="tap the tempo")
    said = button.locator("..").locator("[role=status]")  # beside the button
    tempo = tab.locator(".tape-page .tempo input")
    for bpm, act in (
        (81, lambda: button.press("Enter")),
        (82, lambda: button.press("Space")),
        (83, button.click),
    ):
        act()
        said.filter(has_text="tap").wait_for()
        tempo.fill(str(bpm))
        tempo.press("Enter")
        said.wait_for(state="detached")
    assert not tab.problems, "\n".join(tab.problems)


@pytest.mark.weekly
@pytest.mark.parametrize("name", NOTEBOOKS)
def test_every_panel_follows_the_keyboard_and_goes_back(server, tab, name):
    notebook = nbformat.read(lab_browser.ROOT / "notebooks" / name, as_version=4)
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", [])]
    shown = [output.get("data", {}).get("text/html", "") for output in outputs]
    look_at(tab, server, f"notebooks/{name}", sum(PANEL_SAYS in text for text in shown))
    meant = sum("raises-exception" in cell.metadata.get("tags", []) for cell in notebook.cells)
    assert len(lab_browser.errors_shown(tab)) == meant
