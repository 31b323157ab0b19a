"""Sensible values for any parameter of the library, found by its name or by its unit.

The unit comes from the symbol table of the parameter's module, so a new function needs an entry
here only where the usual range of its unit would make no sense.
"""

from __future__ import annotations

import re

from project import symbol_table

from tapecalc.calc import tempo
from tapecalc.calc.heads import Heads
from tapecalc.calc.loop import EchoLoop
from tapecalc.calc.parts import TurningPart
from tapecalc.calc.response import HeadContact, OnePass
from tapecalc.machine import example_machine

#: From and to, by SI unit.
BY_UNIT = {
    "m": (0.01, 0.3),
    "m/s": (0.05, 0.8),
    "s": (0.05, 2.0),
    "Hz": (20.0, 15000.0),
    "1": (0.1, 0.9),
    "rad": (0.0005, 0.003),
    "dB": (-30.0, -3.0),
    "dB(A)": (80.0, 110.0),
    "dBu": (-20.0, 20.0),
    "dBV": (-20.0, 20.0),
    "%": (1.0, 5.0),
    "cent": (1.0, 200.0),
    "beat": (0.1, 4.0),
    "beat/min": (60.0, 180.0),
    "V": (0.01, 10.0),
    "ohm": (10.0, 10000.0),
    "Pa": (0.01, 10.0),
    "Wb": (1e-10, 1e-9),
    "Wb/m": (1e-7, 5e-7),
    "kg/m3": (1000.0, 2000.0),
    "any": (0.1, 50.0),
    "as x": (0.2, 2.0),
}

#: From and to, by name, where the range of the unit would not do.
BY_NAME = {
    "aligned": (80.0, 120.0),
    "angle": (0.0005, 0.003),
    "beats": (0.1, 4.0),
    "coating_thickness": (5e-6, 15e-6),
    "delay": (0.05, 1.0),
    "depth": (0.0005, 0.005),
    "design_mains": (50.0, 60.0),
    "deviation": (0.0005, 0.005),
    "error_percent": (1.0, 5.0),
    "exchange_db": (3.0, 5.0),
    "free_length": (0.03, 0.1),
    "gap": (2e-6, 6e-6),
    "headroom_db": (3.0, 12.0),
    "inner_radius": (0.02, 0.05),
    "intervals": (1.5, 6.0),
    "length": (1.0, 500.0),
    "mains": (50.0, 60.0),
    "modulus": (3e9, 6e9),
    "outer_radius": (0.06, 0.1),
    "passes": (1.0, 8.0),
    "ratio": (0.5, 2.0),
    "rate": (0.5, 10.0),
    "repeats": (2.0, 8.0),
    "reference_width": (1e-3, 6e-3),
    "repeat": (1.0, 8.0),
    "separation": (0.1e-6, 1e-6),
    "speed_ratio": (0.8, 1.2),
    "speed_uncertainty": (0.001, 0.005),
    "spacing_uncertainty": (1e-4, 1e-3),
    "tape_thickness": (15e-6, 55e-6),
    "tau": (3e-5, 1e-4),
    "tau_high": (3e-5, 1e-4),
    "tau_low": (1e-3, 5e-3),
    "track_width": (1e-3, 6e-3),
    "wavelength": (1e-5, 1e-3),
    "width": (1e-3, 6e-3),
}

#: How a docstring says that a parameter is a series and not worked on element by element.
SERIES = r"one-dimensional|last axis|at each time|each lasts"
#: How a docstring says that a number is not below 0, or not above it.
MORE = r"greater than 0|0 (\w+ )?or more"
LESS = r"less than 0|0 (\w+ )?or (negative|less)"

_CONTACT = HeadContact(
    gap=4e-6, separation=0.5e-6, coating_thickness=11e-6, track_width=2e-3, azimuth_angle=5e-4
)
_PASS = OnePass(speed=0.1905, today=_CONTACT, aligned=_CONTACT, boost_db=12, low_cut=30)
_PARTS = (
    TurningPart(name="capstan", diameter=0.008, wobble=0.0004),
    TurningPart(name="pinch roller", diameter=0.038, wobble=0.0006),
)
_LOOP = EchoLoop(heads=Heads.from_delays(0.218, 0.1905), return_gain=0.5, one_pass=_PASS)

#: Whole values, by the type that a docstring names, or by (type, name).
OBJECTS = {
    "HeadContact": _CONTACT,
    "OnePass": _PASS,
    "EchoLoop": _LOOP,
    "Machine": example_machine(),
    "NoteValue": tempo.note_value("dotted eighth"),
    "sequence of TurningPart": _PARTS,
    ("str", "unit"): "mm",
}


def bounds(name, subject, text=""):
    """From and to of one numeric parameter of a module, on the side of 0 that its description allows."""
    low, high = _usual(name, subject)
    wrong_side = (high <= 0 and re.search(MORE, text)) or (low >= 0 and re.search(LESS, text))
    return (-high, -low) if wrong_side else (low, high)


def _usual(name, subject):
    if name in BY_NAME:
        return BY_NAME[name]
    unit = symbol_table(subject)[name][1]
    if unit not in BY_UNIT:
        raise KeyError(f"{subject.name}: say in BY_UNIT or BY_NAME what a sensible {name} in {unit!r} is")
    return BY_UNIT[unit]


def is_elementwise(entry):
    """Whether a documented parameter takes any shape and is worked on element by element."""
    kind, text = entry
    return kind.startswith("array_like") and not re.search(SERIES, text)


def sample(one, name, where=None):
    """One value of a parameter of a callable, `where` of the way through its range.

    By default each parameter stands at another place of its range, so that two of one kind differ.
    """
    kind, text = one.doc.entries("Parameters")[name]
    where = 0.25 + 0.1 * list(one.parameters).index(name) if where is None else where
    kind = kind.removesuffix(", optional")
    if (kind, name) in OBJECTS or kind in OBJECTS:
        return OBJECTS.get((kind, name), OBJECTS.get(kind))
    low, high = bounds(name, one.subject, text)
    value = low + where * (high - low)
    if re.search("whole number", text):
        value = float(round(value))
    if re.search(SERIES, text):
        return [value, value * 1.1, value * 1.2, value * 1.3]
    return int(value) if kind == "int" else value


def arguments(one):
    """A sensible value for each parameter without a default."""
    return {name: sample(one, name) for name, p in one.parameters.items() if p.default is p.empty}


def bound(one):
    """The function itself, or a method bound to the sample object of its class; None if there is none."""
    parts = one.where.removeprefix(f"{one.subject.name}.").split(".")
    if len(parts) == 1:
        return one.function
    owner = OBJECTS.get(parts[0])
    return owner and getattr(owner, parts[1])
