"""Functions that call each other inverses undo each other, with their defaults, on scalars and arrays.

The pairs come from the See Also sections. Of two functions the one parameter that the other lacks is
what the other returns: ``delay_from_spacing(spacing, speed)`` and ``spacing_from_delay(delay, speed)``
exchange spacing and delay and share the speed.
"""

import inspect

import library_rules as rules
import numpy as np
import pytest
import samples
from hypothesis import given, reject, settings
from hypothesis import strategies as st
from library_rules import made_module

#: Directions in which something is lost on purpose.
ONE_WAY = {("machine.machine_from_text", "machine.machine_to_text"): "comments and spelling are not kept"}
#: How closely a value must come back, where a search or a small difference of large numbers is behind it.
RELATIVE = 1e-9


def pairs():
    """Every (function, inverse) of the rooms that compute, by See Also."""
    for subject in rules.library():
        if subject.name not in (*rules.CALCULATORS, "machine"):
            continue
        for one in rules.functions(subject):
            for name in sorted(one.doc.inverses):
                other = rules.resolve(name, one)
                if other is not None and "path" not in one.parameters:  # files have tests of their own
                    yield one, other


def exchanged(one, other):
    """The parameter that goes in and comes back, and the one of the inverse that carries the result."""
    here, there = (list(_given(which)) for which in (one, other))
    if set(here) == set(there):
        return here[0], there[0]
    goes_in = [name for name in here if name not in there]
    carries = [name for name in there if name not in here]
    if len(goes_in) != 1 or len(carries) != 1:
        raise ValueError(f"{one.where} and {other.where} exchange {goes_in} for {carries}, not one for one")
    return goes_in[0], carries[0]


def _given(one):
    return [name for name, p in one.parameters.items() if p.default is p.empty]


def there_and_back(one, other, values):
    """Send values through a function and its inverse."""
    goes_in, carries = exchanged(one, other)
    try:
        result = one.function(**values)
    except ValueError:
        reject()  # values that do not go together, such as a tape thicker than the wheel
    shared = {name: value for name, value in values.items() if name in other.parameters and name != goes_in}
    try:
        return other.function(**{**shared, carries: result})
    except ValueError as error:
        if "keep away" not in str(error):  # a single point without an inverse, such as a null
            raise
        reject()


def strategy(one, name):
    """Values of one parameter for hypothesis: a number in its usual range, or the sample object."""
    if not samples.is_elementwise(one.doc.entries("Parameters")[name]):
        return st.just(samples.sample(one, name))
    text = one.doc.entries("Parameters")[name][1]
    return st.floats(*samples.bounds(name, one.subject, text))


def default_violations(one, other):
    """Options that both have keep one default."""
    shared = {name: p.default for name, p in one.parameters.items() if name in other.parameters}
    return [
        f"{one.where} and {other.where}: {name} does not have the same default in both"
        for name, default in shared.items()
        if default is not inspect.Parameter.empty and default != other.parameters[name].default
    ]


all_pairs = [pytest.param(*pair, id=f"{pair[0].where}-{pair[1].name}") for pair in pairs()]


@pytest.mark.parametrize(("one", "other"), all_pairs)
def test_the_inverse_gives_the_value_back(one, other):
    if (one.where, other.where) in ONE_WAY:
        return

    @settings(max_examples=25, deadline=None)
    @given(st.fixed_dictionaries({name: strategy(one, name) for name in _given(one)}))
    def check(values):
        goes_in, _ = exchanged(one, other)
        back = there_and_back(one, other, values)
        if not isinstance(values[goes_in], float):
            assert back == values[goes_in]
            return
        assert back == pytest.approx(values[goes_in], rel=RELATIVE)
        row = np.full(3, values[goes_in])
        assert there_and_back(one, other, {**values, goes_in: row}) == pytest.approx(row, rel=RELATIVE)

    check()


@pytest.mark.parametrize(("one", "other"), all_pairs)
def test_inverses_share_their_defaults(one, other):
    rules.keeps(default_violations(one, other))


def test_there_are_inverses_and_the_one_way_ones_still_exist():
    found = {(one.where, other.where) for one, other in pairs()}
    assert len(found) > 30
    assert set(ONE_WAY) <= found


MADE_UP = '''
    """Two functions that should undo each other.

    ======  ============  =======  =============
    symbol  name in code  SI unit  typical value
    ======  ============  =======  =============
    d       ``spacing``   m        41.5 mm
    T       ``delay``     s        218 ms
    v       ``speed``     m/s      7.5 in/s
    ======  ============  =======  =============
    """

    __all__ = ["there", "back"]


    def there(spacing, speed=0.1905):
        """Go.

        Parameters
        ----------
        spacing : array_like
            Distance in m, greater than 0.
        """
        return spacing / speed


    def back(delay, speed=0.1905):
        """Return."""
        return delay * speed
'''


def test_inverses_that_disagree_are_found(tmp_path):
    there, back = rules.callables(made_module(tmp_path, MADE_UP))
    rules.keeps(default_violations(there, back))
    assert there_and_back(there, back, {"spacing": 0.04}) == pytest.approx(0.04)
    disagreeing = MADE_UP.replace("back(delay, speed=0.1905)", "back(delay, speed=0.381)")
    there, back = rules.callables(made_module(tmp_path, disagreeing, "disagreeing"))
    assert default_violations(there, back) != []
    assert there_and_back(there, back, {"spacing": 0.04}) != pytest.approx(0.04)
