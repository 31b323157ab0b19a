"""The catalog: every figure by its name, in the order of the gallery."""

from typing import Any

from tapecalc.calc.quantity import known_name
from tapecalc.machine import Machine, example_machine
from tapecalc.plot import (
    arrows,
    deck,
    diagram,
    erase,
    flutter,
    gap,
    heads,
    levels,
    loop,
    reels,
    response,
    tempo,
    transport,
    wiring,
)
from tapecalc.plot.kit import FIGURES, Drawn
from tapecalc.plot.style import Profile

#: The modules of figures, in the order of the gallery.
TOPICS = (
    transport,
    deck,
    response,
    gap,
    erase,
    diagram,
    wiring,
    loop,
    arrows,
    tempo,
    flutter,
    heads,
    levels,
    reels,
)
#: Every figure by its name. One that is defined later joins it.
CATALOG = FIGURES
CATALOG.update(
    {n: CATALOG.pop(n) for t in TOPICS for n in [*CATALOG] if CATALOG[n].function.__module__ == t.__name__}
)


def draw(
    name: str,
    machine: Machine | None = None,
    *,
    profile: str | Profile = "notebook",
    units: str = "metric",
    symbols_only: bool = False,
    credit: bool = False,
) -> Drawn:
    """Draw one figure of the `CATALOG` for a machine, or for the example machine.

    `units` are those of lengths and speeds that people read, metric or inches; `credit` adds whose it is.

    >>> draw("delay_map").caption
    'Delay over head spacing. At 19.05 cm/s, 41.5 mm give 218 ms. At 9.525 cm/s, 41.5 mm give 436 ms.'
    """
    entry, machine = CATALOG[known_name("figure", name, CATALOG)], machine or example_machine()
    if not entry.suits(machine):
        raise ValueError(f"figure {name!r} needs {entry.needs}, which {machine.name!r} has not")
    arguments = entry.arguments(machine)
    options: dict[str, Any] = {"units": units, "symbols_only": symbols_only, "credit": credit}
    return entry.function(**arguments, profile=profile, **options)
