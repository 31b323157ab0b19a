"""Cells that a reader runs again say the same again."""

import copy
import re

import notebook_rules as rules
import pytest
from nbclient import NotebookClient
from project import keeps

PASSING = re.compile(rf"{rules.tool.EMBEDDED.pattern}|{rules.tool.ADDRESS.pattern}")


def said(cell):
    """What a person reads below a cell; pieces of a stream belong together as they are."""
    texts = [text for output in cell.outputs for text in rules.texts(output)]
    return PASSING.sub("...", "".join(texts))


@pytest.mark.weekly
@pytest.mark.parametrize("notebook", rules.course(), ids=lambda notebook: notebook.name)
def test_cells_say_the_same_when_they_are_run_again_in_the_same_kernel(notebook):
    doubled = copy.deepcopy(notebook.content)
    cells = [cell for cell in doubled.cells if cell.cell_type == "code"]
    again = copy.deepcopy(cells)
    for cell in again:
        cell.id += "-again"
    doubled.cells = cells + again
    place = {"metadata": {"path": str(notebook.path.parent)}}
    NotebookClient(
        doubled, kernel_name="python3", timeout=240, resources=place, store_widget_state=False
    ).execute()
    keeps(
        f"cell {n} said {said(one)[:200]!r}, and again {said(other)[:200]!r}"
        for (n, _), one, other in zip(notebook.code, cells, again, strict=True)
        if said(one) != said(other) and rules.NOT_COMPARED not in rules.tags(one)
    )
