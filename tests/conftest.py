"""Drawn examples: few and always the same in `make test`, new ones each week; and which files take long."""

import os
import sys
from collections.abc import Generator

import pytest
from hypothesis import settings

# BLAS threads that wait for work count as processor time, which some tests measure in what they start.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

settings.register_profile("fixed", max_examples=50, deadline=None, derandomize=True)
settings.register_profile("free", max_examples=200, deadline=None, print_blob=True)
settings.load_profile("fixed")

#: Files of which most tests take long: `make fast` leaves them out, `make test` does not.
LONG = """cli/test_measure_command cli/test_plan_command course/test_panel course/test_panels
measuring/test_delay measuring/test_flutter measuring/test_response measuring/test_session plot/test_catalog
plot/test_clips plot/test_measured plot/test_style report/test_figure_folder report/test_plan_page
robustness/test_faults course/test_workbench sound/test_render notebooks/test_notebook_tool""".split()


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark every test of a long file as slow."""
    for item in items:
        if item.path.with_suffix("").as_posix().endswith(tuple(LONG)):
            item.add_marker(pytest.mark.slow)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call() -> Generator[None]:
    """Fail the test that takes away the trace by which coverage counts all that comes after it."""
    before = sys.gettrace()
    yield
    assert sys.gettrace() is before, "the trace that was there is gone"
