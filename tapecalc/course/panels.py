"""Every what-if panel of the lessons."""

import inspect
from collections.abc import Iterator

from tapecalc.course import delay, figures, flutter, heads, measuring, patching, repeats, tempo, wavelength
from tapecalc.panels.panel import Panel

LESSONS = (delay, wavelength, repeats, tempo, flutter, heads, patching, measuring, figures)


def every_panel() -> Iterator[Panel]:
    """Make every panel, in the order of the lessons."""
    for lesson in LESSONS:
        for name, make in inspect.getmembers(lesson, inspect.isfunction):
            if name.endswith("_panel"):
                yield make()
