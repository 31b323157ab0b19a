"""Every panel of every notebook in a real JupyterLab, moved by keyboard: numbers and picture follow."""

import lab_browser
import nbformat
import pytest

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SHOTS = lab_browser.ROOT / "screenshots"
NOTEBOOKS = sorted(path.name for path in (lab_browser.ROOT / "notebooks").glob("*.ipynb"))
PANEL_SAYS = "Run the notebook to move the controls."  # once for each panel

PANELS = """() => [...document.querySelectorAll('.widget-vbox')]
    .filter(box => box.querySelector(':scope > img'))"""
#: What a panel says, and a fingerprint of its picture; nothing while a picture is being replaced.
STATE = """async box => {
    try {
        const picture = await (await fetch(box.querySelector(':scope > img').src)).arrayBuffer();
        const print = new Uint8Array(await crypto.subtle.digest('SHA-256', picture)).join();
        return [box.querySelector('[role=status]').closest('.widget-html').textContent, print];
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


def stored(name):
    """The notebook as it is committed."""
    return nbformat.read(lab_browser.ROOT / "notebooks" / name, as_version=4)


def panels_stored(notebook):
    """How many panels a notebook shows."""
    outputs = [output for cell in notebook.cells for output in cell.get("outputs", [])]
    return sum(PANEL_SAYS in output.get("data", {}).get("text/markdown", "") for output in outputs)


def meant_to_fail(notebook):
    """How many cells of a notebook raise on purpose."""
    return sum("raises-exception" in cell.metadata.get("tags", []) for cell in notebook.cells)


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
    assert 2 <= len(controls) <= 5
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


@pytest.mark.parametrize("name", NOTEBOOKS)
def test_every_panel_follows_the_keyboard_and_goes_back(server, tab, name):
    notebook = stored(name)
    lab_browser.open_and_run(tab, server, f"notebooks/{name}")
    tab.wait_for_function(f"count => ({PANELS})().length === count", arg=panels_stored(notebook))
    boxes = tab.evaluate_handle(PANELS).get_properties().values()
    SHOTS.mkdir(exist_ok=True)
    for number, box in enumerate((box.as_element() for box in boxes), 1):
        for _ in operate(tab, box):
            box.screenshot(path=SHOTS / f"{name.removesuffix('.ipynb')}_panel_{number}.png")
    assert len(lab_browser.errors_shown(tab)) == meant_to_fail(notebook)
    assert tab.get_by_text("Error displaying widget").count() == 0
    assert tab.locator(".jp-OutputArea [role=alert]").count() == 0
    assert not tab.outside, tab.outside
    assert not tab.problems, "\n".join(tab.problems)
