"""Panels in a real JupyterLab, moved by keyboard: numbers and picture follow, nothing breaks."""

import lab_browser
import nbformat
import pytest

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SHOTS = lab_browser.ROOT / "screenshots"
WITH_PANELS = sorted(
    path.name
    for path in (lab_browser.ROOT / "notebooks").glob("*.ipynb")
    if path.name != "00_index.ipynb"
    and "Run the notebook to move the controls." in path.read_text(encoding="utf-8")
)

#: The panel around a slider: the nearest box that holds a picture as well.
PANEL_OF = """handle => {
    let box = handle;
    while (!box.querySelector('img')) box = box.parentElement;
    return box.closest('.widget-vbox');
}"""
#: The sentence and the picture of a panel; both are new elements or new addresses after a move.
STATE = "box => [box.querySelector('p[role=status]')?.innerText, box.querySelector('img').src]"


def meant_to_fail(name):
    """How many cells of a notebook raise on purpose."""
    notebook = nbformat.read(lab_browser.ROOT / "notebooks" / name, as_version=4)
    return sum("raises-exception" in cell.metadata.get("tags", []) for cell in notebook.cells)


@pytest.mark.parametrize("name", WITH_PANELS)
def test_a_slider_moved_by_keyboard_changes_numbers_and_picture(server, tab, name):
    lab_browser.open_and_run(tab, server, name)
    handle = tab.locator(".noUi-handle").first
    handle.scroll_into_view_if_needed()
    box = tab.evaluate_handle(PANEL_OF, handle.element_handle())
    before = tab.evaluate(STATE, box)
    handle.focus()
    for _ in range(3):
        tab.keyboard.press("ArrowRight")
    tab.wait_for_function(
        f"([box, before]) => ({STATE})(box).every((part, k) => part && part !== before[k])", arg=[box, before]
    )
    SHOTS.mkdir(exist_ok=True)
    tab.screenshot(path=SHOTS / f"{name.removesuffix('.ipynb')}.png")
    assert len(lab_browser.errors_shown(tab)) == meant_to_fail(name)
    assert tab.get_by_text("Error displaying widget").count() == 0
    assert tab.problems == []
