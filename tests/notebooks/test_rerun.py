"""Run the code cells of each notebook twice in one kernel: the text is the same the second time."""

import copy
import re

import notebook_rules as rules
import pytest
from project import keeps
from made_up_lesson import code
from nbclient import NotebookClient

SECONDS = 120
PASSING = r"data:[a-z]+/[a-z0-9+.-]+;base64,[A-Za-z0-9+/=]+|\b0x[0-9a-f]{6,}"


def run_twice(notebook):
    """Every code cell's text at the first and at the second run, in one fresh kernel."""
    doubled = copy.deepcopy(notebook.content)
    cells = [cell for cell in doubled.cells if cell.cell_type == "code"]
    again = copy.deepcopy(cells)
    for cell in again:
        cell.id += "-again"
    doubled.cells = cells + again
    client = NotebookClient(
        doubled,
        kernel_name="python3",
        timeout=SECONDS,
        startup_timeout=SECONDS,
        resources={"metadata": {"path": str(notebook.path.parent)}},
        store_widget_state=False,
    )
    client.execute()
    return [(_text(one), _text(other)) for one, other in zip(cells, again, strict=True)]


def _text(cell):
    # a kernel may send one print in two pieces: pieces of a stream belong together as they are
    whole = "".join(
        text if output.output_type == "stream" else f"{text}\n"
        for output in cell.outputs
        for text in rules.texts(output)
    )
    return re.sub(PASSING, "...", whole)


def rerun_violations(notebook):
    """Cells that say something else when they are run again."""
    return [
        f"cell {n} said {first[:200]!r}, and again {second[:200]!r}"
        for (n, cell), (first, second) in zip(notebook.code, run_twice(notebook), strict=True)
        if first != second and rules.NOT_COMPARED not in rules.tags(cell)
    ]


@pytest.mark.slow
@pytest.mark.parametrize("notebook", rules.tracked_notebooks(), ids=lambda notebook: notebook.name)
def test_cells_say_the_same_when_they_are_run_again(notebook):
    keeps(rerun_violations(notebook))


@pytest.mark.slow
def test_a_cell_that_counts_its_runs_is_found(made_up):
    def replaced(notebook):
        sources = ["import math", "count = globals().get('count', 0) + 1", "print(math.pi)", "print(count)"]
        notebook.cells = [code(source) for source in sources]
        notebook.cells.append(code("1 / 0", tags=["raises-exception"]))
        notebook.cells.append(code("print(count)", tags=["nbval-ignore-output"]))

    (said,) = rerun_violations(made_up(replaced))
    assert said.startswith("cell 4 said '1")
