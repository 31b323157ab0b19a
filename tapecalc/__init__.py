"""Plan, understand and teach tape echo.

>>> import tapecalc as tc
>>> plan = tc.make_plan(tc.example_machine())
>>> round(plan.loops[0].stability.margin_db, 1)
4.5

Calculators (``tc.transport``, ``tc.loop``, ...), machine files, plans, figures, sound and measuring are
loaded when they are first named.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tapecalc import words
    from tapecalc.calc import (
        flutter,
        head_design,
        heads,
        levels,
        loop,
        omissions,
        parts,
        response,
        song_set,
        standards,
        stereo,
        tempo,
        transport,
        units,
    )
    from tapecalc.live.playable import playable
    from tapecalc.machine import Machine, example_machine, read_machine, write_machine
    from tapecalc.measuring.session import measure
    from tapecalc.plan import make_plan
    from tapecalc.plot.catalog import draw
    from tapecalc.sound.render import render

__all__ = [
    "Machine",
    "draw",
    "example_machine",
    "flutter",
    "head_design",
    "heads",
    "levels",
    "loop",
    "make_plan",
    "measure",
    "omissions",
    "parts",
    "playable",
    "read_machine",
    "render",
    "response",
    "song_set",
    "standards",
    "stereo",
    "tempo",
    "transport",
    "units",
    "words",
    "write_machine",
]

__version__ = "0.1.0"

#: Where functions and classes come from; every other name is a calculator.
_FROM = {
    "Machine": "machine",
    "draw": "plot.catalog",
    "example_machine": "machine",
    "make_plan": "plan",
    "measure": "measuring.session",
    "playable": "live.playable",
    "read_machine": "machine",
    "render": "sound.render",
    "write_machine": "machine",
}


def __getattr__(name: str) -> Any:
    """Load what is named for the first time."""
    if name not in __all__:
        raise AttributeError(f"module 'tapecalc' has no attribute {name!r}")
    if name in _FROM:
        found = getattr(import_module(f"tapecalc.{_FROM[name]}"), name)
    else:
        found = import_module("tapecalc.words" if name == "words" else f"tapecalc.calc.{name}")
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    """Name what there is, loaded or not."""
    return sorted({*globals(), *__all__})
