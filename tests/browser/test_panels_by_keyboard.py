"""Panels in a real JupyterLab, moved by keyboard: numbers and picture follow. Each week every one of them."""

from pathlib import Path

import lab_browser
import nbformat
import pytest

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SHOTS = lab_browser.ROOT / "screenshots"
NOTEBOOKS = sorted(path.name for path in (lab_browser.ROOT / "notebooks").glob("*.ipynb"))
TWO_PANELS = "two_panels.ipynb"  # with sliders, even and logarithmic, a list and a check box
PANEL_SAYS = "Run the notebook to move the controls."  # once for each panel

PANELS = """() => [...document.querySelectorAll('.widget-vbox')]
    .filter(box => box.querySelector(':scope > img'))"""
#: What a panel says, and a fingerprint of its picture; nothing while a picture is being replaced.
STATE = """async box => {
    try {
        const picture = await (await fetch(box.querySelector(':scope > img').src)).arrayBuffer();
        const print = new Uint8Array(await crypto.subtle.digest('SHA-256', picture)).join();
        const said = box.querySelector(':scope > .widget-html [role=status]').closest('.widget-html');
        return [said.textContent, print];
    } catch { return null; }
}"""
#: What the keyboard can reach of a panel's controls, in order.
CONTROLS = """box => [...box.children]
    .map(one => one.querySelector('.noUi-handle, select, input[type=checkbox]')).filter(one => one)"""
VALUE = "control => control.ariaValueText ?? String(control.checked ?? control.selectedIndex)"
#: The keys that move a control, away from the end at which it may stand.
KEYS = """control => {
    if (control.type === 'checkbox') return ['Space'];
    const below = control.tagName === 'SELECT' && control.selectedIndex + 1 < control.options.length;
    if (control.tagName === 'SELECT') return ['Space', below ? 'ArrowDown' : 'ArrowUp', 'Enter'];
    const last = Number(control.ariaValueNow) >= Number(control.ariaValueMax);
    return Array(3).fill(last ? 'ArrowLeft' : 'ArrowRight');
}"""
FOCUSED = "wanted => document.activeElement === wanted"


def tab_to(tab, wanted):
    """Go on by keyboard until the wanted element has the focus; a control has a field for its number."""
    for _ in range(4):
        if tab.evaluate(FOCUSED, wanted):
            return
        tab.keyboard.press("Tab")
    raise AssertionError(f"the Tab key does not reach {wanted.inner_text() or wanted}")


def wait_for_state(tab, box, condition, state):
    """Wait until what a panel shows, as `now`, fulfills a condition on `then`."""
    tab.wait_for_function(
        f"async ([box, then]) => {{ const now = await ({STATE})(box); return now && {condition}; }}",
        arg=[box, state],
    )


def operate(tab, box):
    """Move every control of a panel by keyboard, look at it, and put all back."""
    first = tab.evaluate(STATE, box)
    controls = tab.evaluate_handle(CONTROLS, box).get_properties().values()
    controls = [control.as_element() for control in controls]
    assert 2 <= len(controls) <= 7
    controls[0].focus()
    for control in controls:
        tab_to(tab, control)
        before, value = tab.evaluate(STATE, box), tab.evaluate(VALUE, control)
        for key in tab.evaluate(KEYS, control):
            tab.keyboard.press(key)
        wait_for_state(tab, box, "now.some((part, k) => part !== then[k])", before)
        assert tab.evaluate(VALUE, control) != value
    wait_for_state(tab, box, "now.every((part, k) => part !== then[k])", first)
    yield
    tab_to(tab, box.query_selector("button:has-text('reset')"))
    tab.keyboard.press("Enter")
    wait_for_state(tab, box, "now.every((part, k) => part === then[k])", first)


def look_at(tab, server, name, count):
    """Run a notebook, operate all the panels that it shows, and see that nothing went wrong."""
    lab_browser.open_and_run(tab, server, name)
    tab.wait_for_function(f"count => ({PANELS})().length === count", arg=count)
    boxes = tab.evaluate_handle(PANELS).get_properties().values()
    SHOTS.mkdir(exist_ok=True)
    for number, box in enumerate((box.as_element() for box in boxes), 1):
        for _ in operate(tab, box):
            box.screenshot(path=SHOTS / f"{Path(name).stem}_panel_{number}.png")
    assert tab.get_by_text("Error displaying widget").count() == 0
    assert tab.locator(".jp-OutputArea [role=alert]:visible").count() == 0
    assert not tab.outside, tab.outside
    assert not tab.problems, "\n".join(tab.problems)


def test_a_panel_of_each_kind_of_control_follows_the_keyboard_and_goes_back(server, tab):
    look_at(tab, server, TWO_PANELS, 2)
    assert lab_browser.errors_shown(tab) == []


def test_the_tempo_is_tapped_by_two_keys_and_by_pointer(server, tab):
    lab_browser.open_and_run(tab, server, "bench.ipynb")
    names = ("tap the tempo", "reset")  # the playable tape above has its own
    button, reset = (tab.locator("button.jupyter-button", has_text=name) for name in names)
    said = button.locator("..").locator("[role=status]")  # beside the button
    for act in (lambda: button.press("Enter"), lambda: button.press("Space"), button.click):
        act()
        said.wait_for()
        assert "tap" in said.inner_text()
        reset.click()
        said.wait_for(state="detached")
    assert not tab.problems, "\n".join(tab.problems)


@pytest.mark.weekly
@pytest.mark.parametrize("name", NOTEBOOKS)
def test_every_panel_follows_the_keyboard_and_goes_back(server, tab, name):
    notebook = nbformat.read(lab_browser.ROOT / "notebooks" / name, as_version=4)
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", [])]
    shown = [output.get("data", {}).get("text/markdown", "") for output in outputs]
    look_at(tab, server, f"notebooks/{name}", sum(PANEL_SAYS in text for text in shown))
    meant = sum("raises-exception" in cell.metadata.get("tags", []) for cell in notebook.cells)
    assert len(lab_browser.errors_shown(tab)) == meant
