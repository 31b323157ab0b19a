"""What every calculator does with values: kinds, shapes, limits, nonsense; and that it is a pure function.

Which parameters take arrays and what is allowed in them is read from the docstrings, so these tests
hold the docstrings to their word at the same time.
"""

import dataclasses
import random

import library_rules as rules
import numpy as np
import pytest
import samples
from library_rules import made_module

REFUSED = {
    "greater than 0": (0.0, -1.0),
    "less than 0": (0.0, 1.0),
    "0 or more": (-1.0,),
    "0 or negative": (1.0,),
    "whole numbers from 1": (0.0, 1.5),
}
EDGES = {"0 or more": 0.0, "0 or negative": 0.0, "of either sign": 0.0, "from 0 to": 0.0, "any finite": 0.0}
#: Neighbors of a parameter in which no whole number fits between the usual values.
WHOLE = {"transport.tape_length": {"outer_radius": 3.0}}
#: Where the neighborhood of 0 is no limit of the formula, and why.
NO_LIMIT = {
    ("loop.loop_gain_db", "frequency"): "the low cut falls without end towards 0 Hz",
    ("response.OnePass.level_db", "frequency"): "the low cut falls without end towards 0 Hz",
    ("response.repeat_level_db", "frequency"): "the low cut falls without end towards 0 Hz",
}


def calculators():
    for name in rules.CALCULATORS:
        if name in rules.module_names():
            for one in rules.callables(rules.subject(name)):
                if samples.bound(one) and elementwise(one):
                    yield pytest.param(one, id=one.where)


def elementwise(one):
    """Names of the parameters that are worked on element by element."""
    entries = one.doc.entries("Parameters")
    return [name for name, entry in entries.items() if samples.is_elementwise(entry)]


def numbers(result):
    """Every number or array in a result, whatever it is packed in."""
    if dataclasses.is_dataclass(result):
        result = [getattr(result, field.name) for field in dataclasses.fields(result)]
    if isinstance(result, dict):
        result = list(result.values())
    if isinstance(result, (tuple, list)):
        return [number for part in result for number in numbers(part)]
    return [] if result is None or isinstance(result, str) else [result]


def series(one, name):
    """Three different allowed values, an edge among them where there is one."""
    text = one.doc.entries("Parameters")[name][1]
    values = [samples.sample(one, name, where) for where in (0.3, 0.5, 0.7)]
    edge = [value for phrase, value in EDGES.items() if phrase in text]
    return np.array([*values[: 3 - len(edge[:1])], *edge[:1]])


every_calculator = pytest.mark.parametrize("one", list(calculators()))


def scalar_violations(one):
    """Plain floats in, plain Python numbers out, whole and finite."""
    result = samples.bound(one)(**samples.arguments(one))
    return [
        f"{one.where}: gave {number!r}, a {type(number).__name__}"
        for number in numbers(result)
        if type(number) not in (float, complex, bool, int) or not np.isfinite(number)
    ]


def array_violations(one):
    """An array in any parameter gives, element by element, what the scalars give."""
    found = []
    for name in elementwise(one):
        given = series(one, name)
        kept = given.copy()
        given.setflags(write=False)
        function, others = samples.bound(one), samples.arguments(one)
        results = numbers(function(**{**others, name: given}))
        single = [numbers(function(**{**others, name: value})) for value in given.tolist()]
        for position, result in enumerate(results):
            expected = np.array([row[position] for row in single])
            if not isinstance(result, np.ndarray) or result.shape != given.shape:
                found.append(f"{one.where}: an array in {name} gave {result!r}")
            elif result.dtype not in (np.float64, np.complex128, np.bool_):
                found.append(f"{one.where}: an array in {name} gave {result.dtype}")
            elif not np.allclose(result, expected, rtol=1e-12, atol=0):
                found.append(f"{one.where}: an array in {name} gave {result}, scalars {expected}")
            elif np.shares_memory(result, given):
                found.append(f"{one.where}: the result is the array given as {name}")
        if not np.array_equal(given, kept):
            found.append(f"{one.where}: {name} was modified")
    return found


def broadcast_violations(one):
    """Two arrays of different shapes meet as numpy has it."""
    names = elementwise(one)[:2]
    if len(names) < 2:
        return []
    rows, columns = series(one, names[0])[:, np.newaxis], series(one, names[1])[:2]
    result = samples.bound(one)(**{**samples.arguments(one), names[0]: rows, names[1]: columns})
    return [
        f"{one.where}: shapes (3, 1) and (2,) gave {np.shape(number)}"
        for number in numbers(result)
        if np.shape(number) != (3, 2)
    ]


def integer_violations(one):
    """Whole numbers in, as int or as an integer array, give the floats that floats give."""
    found = []
    function, others = samples.bound(one), {**samples.arguments(one), **WHOLE.get(one.where, {})}
    for name in elementwise(one):
        for whole in (1, 2, -1, 80, 0):
            try:
                expected = numbers(function(**{**others, name: float(whole)}))
                break
            except ValueError:
                continue
        else:
            found.append(f"{one.where}: no whole number is allowed in {name}")
            continue
        plain = numbers(function(**{**others, name: whole}))
        array = numbers(function(**{**others, name: np.array([whole, whole])}))
        for value, from_int, from_array in zip(expected, plain, array, strict=True):
            if type(from_int) is not type(value) or from_int != value:
                found.append(f"{one.where}: {name}={whole} gave {from_int!r}, {float(whole)} gave {value!r}")
            if from_array.dtype.kind == "i" or not np.allclose(from_array, value, rtol=1e-13, atol=0):
                found.append(f"{one.where}: integers in {name} gave {from_array!r}, not {value!r}")
    return found


def nonsense_violations(one):
    """What the docstring does not allow raises ValueError that names the parameter."""
    found = []
    function, others = samples.bound(one), samples.arguments(one)
    for name in elementwise(one):
        text = one.doc.entries("Parameters")[name][1]
        refused = [value for phrase, values in REFUSED.items() if phrase in text for value in values]
        refused += [float("nan"), -float("inf"), "three", [], [samples.sample(one, name), float("nan")]]
        refused += [] if "inf" in text.replace("finite", "") else [float("inf")]
        for value in refused:
            try:
                result = function(**{**others, name: value})
            except ValueError as error:
                if name not in str(error):
                    found.append(f"{one.where}: {name}={value!r} is refused without its name: {error}")
            except Exception as error:
                found.append(f"{one.where}: {name}={value!r} raised {error!r}")
            else:
                found.append(f"{one.where}: {name}={value!r} gave {result!r}")
    return found


def limit_violations(one):
    """Where 0 is allowed it is the limit: a billionth of the usual value gives nearly the same."""
    found = []
    function, others = samples.bound(one), samples.arguments(one)
    for name in elementwise(one):
        if series(one, name)[-1] == 0 and (one.where, name) not in NO_LIMIT:
            usual = samples.sample(one, name)
            at_limit, beside, far = (
                numbers(function(**{**others, name: value})) for value in (0, 1e-9 * usual, usual)
            )
            for limit, near, size in zip(at_limit, beside, far, strict=True):
                if not abs(near - limit) <= 1e-4 * max(1, abs(limit), abs(size)):
                    found.append(f"{one.where}: {name}=0 gave {limit!r}, a billionth of the usual {near!r}")
    return found


def purity_violations(one):
    """The same call gives the same again, and takes nothing from the global random numbers."""
    np.random.seed(1)  # noqa: NPY002, the state that must not change
    before = np.random.get_state()[1].copy(), random.getstate()  # noqa: NPY002
    first, again = (samples.bound(one)(**samples.arguments(one)) for _ in range(2))
    after = np.random.get_state()[1], random.getstate()  # noqa: NPY002
    found = [] if numbers(first) == numbers(again) else [f"{one.where}: gave {first!r}, then {again!r}"]
    if not np.array_equal(before[0], after[0]) or before[1] != after[1]:
        found.append(f"{one.where}: uses global random numbers")
    return found


@every_calculator
def test_scalars_in_scalars_out(one):
    rules.keeps(scalar_violations(one))


@every_calculator
def test_arrays_give_element_by_element_what_scalars_give_and_stay_as_they_were(one):
    rules.keeps(array_violations(one))


@every_calculator
def test_shapes_broadcast(one):
    rules.keeps(broadcast_violations(one))


@every_calculator
def test_integers_in_floats_out(one):
    rules.keeps(integer_violations(one))


@every_calculator
def test_what_is_not_allowed_raises_a_sentence_that_names_the_parameter(one):
    rules.keeps(nonsense_violations(one))


@every_calculator
def test_zero_is_the_limit_of_small_values(one):
    rules.keeps(limit_violations(one))


@every_calculator
def test_the_same_call_gives_the_same_result(one):
    rules.keeps(purity_violations(one))


def test_there_are_calculators_to_ask():
    assert len(list(calculators())) > 40


def test_exceptions_from_the_limit_still_exist():
    known = {param.values[0].where for param in calculators()}
    assert {where for where, _ in NO_LIMIT} <= known


BAD_CALCULATOR = '''
    """Bad.

    ======  ==========  =======  =============
    symbol  name        SI unit  typical value
    ======  ==========  =======  =============
    g       ``gap``     m        4 um
    ======  ==========  =======  =============
    """

    import numpy as np
    from tapecalc.calc.quantity import non_negative

    __all__ = ["loss"]
    calls = []


    def loss(gap):
        """Compute a loss.

        Parameters
        ----------
        gap : array_like
            Gap in m, 0 or more.
        """
        {body}
'''


@pytest.mark.parametrize(
    ("rule", "body"),
    [
        (scalar_violations, "return np.float64(gap)"),
        (scalar_violations, "return np.asarray(gap)"),
        (array_violations, "gap = np.asarray(gap); return float(gap.max())"),
        (array_violations, "return np.sort(gap) if np.ndim(gap) else gap"),
        (array_violations, "return gap"),
        (integer_violations, "return gap"),
        (nonsense_violations, "return np.asarray(gap, dtype=float)"),
        (nonsense_violations, "non_negative('it', gap)"),
        (limit_violations, "return 1 / gap if gap else 0.0"),
        (limit_violations, "return 1.0 if gap else float('nan')"),
        (purity_violations, "calls.append(gap); return len(calls)"),
        (purity_violations, "np.random.random(); return 1.0"),
    ],
)
def test_each_rule_finds_a_calculator_that_breaks_it(rule, body, tmp_path):
    subject = made_module(tmp_path, BAD_CALCULATOR.replace("{body}", body))
    (one,) = rules.callables(subject)
    assert rule(one)


def test_a_calculator_that_writes_into_its_input_is_stopped(tmp_path):
    subject = made_module(tmp_path, BAD_CALCULATOR.replace("{body}", "gap *= 2; return gap * 1.0"))
    (one,) = rules.callables(subject)
    with pytest.raises(ValueError, match="read-only"):
        array_violations(one)


def test_two_arrays_that_do_not_broadcast_are_found(tmp_path):
    source = BAD_CALCULATOR.replace("(gap)", "(gap, width)").replace(
        "Gap in m, 0 or more.", "Gap in m.\n        width : array_like\n            Width in m."
    )
    subject = made_module(tmp_path, source.replace("{body}", "return np.ravel(gap)[0] + width"))
    (one,) = rules.callables(subject)
    assert broadcast_violations(one)
