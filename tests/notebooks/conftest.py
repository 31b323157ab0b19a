"""The made-up lesson as a file, for tests that spoil one thing in it."""

import nbformat
import notebook_rules as rules
import pytest
from made_up_lesson import lesson


@pytest.fixture
def made_up(tmp_path):
    """A function that writes the lesson after a change, and reads it as the rules see it."""
    (tmp_path / "00_index.ipynb").write_text("{}")
    (tmp_path / "02_second.ipynb").write_text("{}")

    def make(change=None, name="01_late"):
        notebook = lesson()
        if change:
            change(notebook)
        path = tmp_path / f"{name}.ipynb"
        nbformat.write(notebook, path)
        return rules.Notebook(path)

    return make
