"""What every calculator does with values: kinds, shapes, limits, nonsense; and that it is a pure function.

What a parameter accepts is read from its declared quantity, so a new calculator is held to it without
a line here.
"""

import dataclasses
import importlib
import inspect
import pkgutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Annotated, Any

import numpy as np
import pytest
from project import keeps

from tapecalc import calc
from tapecalc.calc.heads import Heads
from tapecalc.calc.parts import TurningPart
from tapecalc.calc.quantity import Is, T, calculator, quantities
from tapecalc.calc.stereo import StereoLoop
from tapecalc.machine import example_machine

_MACHINE = example_machine()
_LOOP = _MACHINE.echo_loop(_MACHINE.speeds[0])
#: What stands for a parameter that is no quantity, by its name.
OTHERS: dict[str, Any] = {
    "contact": _LOOP.one_pass.today,
    "heads": _LOOP.heads,
    "layout": Heads(spacings=(0.04, 0.07)),
    "loop": _LOOP,
    "one_pass": _LOOP.one_pass,
    "part": TurningPart(name="capstan", diameter=0.008, wobble=0.0004),
    "parts": _MACHINE.turning_parts,
    "stereo": StereoLoop(
        heads=(_LOOP.heads, _LOOP.heads), sends=((0.2, 0.5), (0.4, 0.1)), one_pass=_LOOP.one_pass
    ),
    "unit": "mm",
}
OWNERS = {"EchoLoop": _LOOP, "Heads": _LOOP.heads, "OnePass": _LOOP.one_pass, "TurningPart": OTHERS["part"]}
#: Where the neighborhood of 0 is no limit of the formula, and why.
NO_LIMIT = {
    "frequency": "the low cut falls without end towards 0 Hz",
    "tau_low": "0 stands for none, and a short one takes all bass",
}


@dataclass(frozen=True)
class Asked:
    """A calculator, bound if it is a method, with its quantities and a value for each parameter it needs."""

    where: str
    function: Callable[..., Any]
    kinds: dict[str, Is]

    @property
    def elementwise(self) -> list[str]:
        """Parameters that take any shape and are worked on element by element."""
        return [name for name, kind in self.kinds.items() if not kind.one and not kind.series]

    def value(self, name: str, where: float = 0.5) -> Any:
        """A usual value of a quantity, `where` of the way through its range."""
        if name not in self.kinds:
            return OTHERS[name]
        kind = self.kinds[name]
        low, high = kind.usual
        value = low + where * (high - low)
        value = float(round(value)) if kind.whole else value
        if kind.series:
            return [value, value * 1.1, value * 1.2, value * 1.3]
        return int(value) if kind.whole and kind.one else value

    def arguments(self) -> dict[str, Any]:
        """A value for each parameter without a default, each at another place of its range."""
        wanted = [n for n, p in inspect.signature(self.function).parameters.items() if p.default is p.empty]
        return {name: self.value(name, 0.25 + 0.1 * place) for place, name in enumerate(wanted)}

    def __call__(self, **changed: Any) -> list[Any]:
        """Every number or array in what it gives for the usual values with some changed."""
        return numbers(self.function(**{**self.arguments(), **changed}))


def asked() -> Iterator[Asked]:
    """Every public calculator, methods included, that has a quantity worked on element by element."""
    for info in pkgutil.iter_modules(calc.__path__):
        module = importlib.import_module(f"tapecalc.calc.{info.name}")
        for name, thing in vars(module).items():
            if name.startswith("_") or getattr(thing, "__module__", "") != module.__name__:
                continue
            if inspect.isfunction(thing) and hasattr(thing, "__wrapped__"):
                yield Asked(f"{info.name}.{name}", thing, quantities(thing))
            for method, function in vars(thing).items() if name in OWNERS else ():
                if inspect.isfunction(function) and hasattr(function, "__wrapped__"):
                    bound = getattr(OWNERS[name], method)
                    yield Asked(f"{info.name}.{name}.{method}", bound, quantities(function))


def numbers(result: Any) -> list[Any]:
    """Every number or array in a result, whatever it is packed in."""
    if dataclasses.is_dataclass(result):
        result = [getattr(result, field.name) for field in dataclasses.fields(result)]
    if isinstance(result, dict):
        result = list(result.values())
    if isinstance(result, (tuple, list)):
        return [number for part in result for number in numbers(part)]
    return [] if result is None or isinstance(result, str) else [result]


CALCULATORS = [pytest.param(one, id=one.where) for one in asked() if one.elementwise]
assert len(CALCULATORS) > 70


def scalar_violations(one: Asked) -> list[str]:
    """Plain floats in, plain Python numbers out, whole and finite."""
    return [
        f"{one.where}: gave {number!r}, a {type(number).__name__}"
        for number in one()
        if type(number) not in (float, complex, bool, int) or not np.isfinite(number)
    ]


def array_violations(one: Asked) -> Iterator[str]:
    """An array in any parameter gives, element by element, what the scalars give, and stays as it was."""
    for name in one.elementwise:
        given = np.array([one.value(name, where) for where in (0.3, 0.5, 0.7)])
        given.setflags(write=False)
        rows = [one(**{name: value}) for value in given.tolist()]
        for result, *expected in zip(one(**{name: given}), *rows, strict=True):
            if not isinstance(result, np.ndarray) or result.shape != given.shape:
                yield f"{one.where}: an array in {name} gave {result!r}"
            elif result.dtype not in (np.float64, np.complex128, np.bool_):
                yield f"{one.where}: an array in {name} gave {result.dtype}"
            elif not np.allclose(result, expected, rtol=1e-12, atol=0):
                yield f"{one.where}: an array in {name} gave {result}, scalars {expected}"
            elif np.shares_memory(result, given):
                yield f"{one.where}: the result is the array given as {name}"


def broadcast_violations(one: Asked) -> list[str]:
    """Two arrays of different shapes meet as numpy has it."""
    if len(one.elementwise) < 2:
        return []
    first, second = one.elementwise[:2]
    rows = np.array([[one.value(first, where)] for where in (0.3, 0.5, 0.7)])
    columns = np.array([one.value(second, where) for where in (0.4, 0.6)])
    shapes = {np.shape(number) for number in one(**{first: rows, second: columns})}
    return [f"{one.where}: shapes (3, 1) and (2,) gave {shape}" for shape in shapes - {(3, 2)}]


def integer_violations(one: Asked) -> Iterator[str]:
    """Whole numbers in, as int or as an integer array, give the floats that floats give."""
    for name in one.elementwise:
        for whole in (1, 2, -1, 80, 0):
            try:
                expected = one(**{name: float(whole)})
                break
            except ValueError:
                continue
        else:
            continue  # no whole number is allowed
        results = (expected, one(**{name: whole}), one(**{name: np.array([whole, whole])}))
        for value, from_int, from_array in zip(*results, strict=True):
            if type(from_int) is not type(value) or from_int != value:
                yield f"{one.where}: {name}={whole} gave {from_int!r}, {float(whole)} gave {value!r}"
            if from_array.dtype.kind == "i" or not np.allclose(from_array, value, rtol=1e-13, atol=0):
                yield f"{one.where}: integers in {name} gave {from_array!r}, not {value!r}"


def refused(kind: Is) -> list[Any]:
    """Values that a quantity does not allow."""
    beyond = [kind.above, None if kind.least is None else kind.least - 1]
    beyond += [None if kind.most is None else kind.most + 1, 1.5 if kind.whole else None]
    nonsense = [float("nan"), float("inf"), -float("inf"), "three", [], None, 1j]
    return [value for value in beyond if value is not None] + nonsense


def nonsense_violations(one: Asked) -> Iterator[str]:
    """What the quantity does not allow raises ValueError that names the parameter."""
    parameters = inspect.signature(one.function).parameters
    for name, kind in one.kinds.items():
        for value in refused(kind):
            if value is None and parameters[name].default is None:
                continue
            try:
                result = one(**{name: value})
            except ValueError as error:
                if name not in str(error):
                    yield f"{one.where}: {name}={value!r} is refused without its name: {error}"
            except Exception as error:
                yield f"{one.where}: {name}={value!r} raised {error!r}"
            else:
                yield f"{one.where}: {name}={value!r} gave {result!r}"


def limit_violations(one: Asked) -> Iterator[str]:
    """Where 0 is the least allowed it is the limit: a billionth of the usual value gives nearly the same."""
    for name in one.elementwise:
        if one.kinds[name].least == 0 and not one.kinds[name].whole and name not in NO_LIMIT:
            usual = one.value(name)
            results = (one(**{name: value}) for value in (0, 1e-9 * usual, usual))
            for limit, near, size in zip(*results, strict=True):
                if not abs(near - limit) <= 1e-4 * max(1, abs(limit), abs(size)):
                    yield f"{one.where}: {name}=0 gave {limit!r}, a billionth of the usual {near!r}"


def purity_violations(one: Asked) -> Iterator[str]:
    """The same call gives the same again."""
    if (first := one()) != (again := one()):
        yield f"{one.where}: gave {first!r}, then {again!r}"


RULES = (scalar_violations, array_violations, broadcast_violations, integer_violations, nonsense_violations)
RULES = (*RULES, limit_violations, purity_violations)


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("one", CALCULATORS)
def test_every_calculator_keeps(rule, one):
    keeps(rule(one))


Gap = Annotated[T, Is("m", least=0, usual=(2e-6, 6e-6))]
calls: list[Any] = []
BROKEN = [
    (scalar_violations, lambda gap: np.float64(gap)),
    (array_violations, lambda gap: float(np.max(gap))),
    (array_violations, lambda gap: gap),
    (integer_violations, lambda gap: gap),
    (nonsense_violations, lambda gap: np.asarray(gap, dtype=float)),
    (limit_violations, lambda gap: 1 / gap if gap else 0.0),
    (purity_violations, lambda gap: calls.append(gap) or len(calls)),
]


@pytest.mark.parametrize(("rule", "body"), BROKEN)
def test_each_rule_finds_a_function_that_breaks_it(rule, body):
    assert list(rule(Asked("made.up", lambda gap: body(gap), {"gap": Is("m", least=0, usual=(2e-6, 6e-6))})))


def test_a_function_under_the_decorator_keeps_every_rule():
    @calculator
    def loss(gap: Gap, width: Gap) -> Gap:
        return gap * 2 + width

    for rule in RULES:
        keeps(rule(Asked("made.up", loss, quantities(loss))))
