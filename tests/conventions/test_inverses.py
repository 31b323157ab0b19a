"""Functions that undo each other do, on scalars and arrays, and share their defaults."""

import importlib
import inspect

import numpy as np
import pytest
from hypothesis import given, reject, settings
from hypothesis import strategies as st

from tapecalc.calc.quantity import quantities
from tapecalc.machine import example_machine, machine_from_text, machine_to_text

#: Function, the parameter that goes in; inverse, the parameter that takes the result. Both in one module.
PAIRS = """
transport.delay_from_spacing spacing         spacing_from_delay   delay
transport.delay_from_spacing speed           speed_from_delay     delay
transport.run_time           length          tape_used            duration
transport.speed_from_length  duration        run_time             speed
transport.capstan_speed      rate            capstan_rate         speed
transport.capstan_speed      diameter        capstan_diameter     speed
transport.sleeve_diameter    speed_ratio     sleeve_speed_ratio   sleeve
transport.tape_length        outer_radius    pack_radius          length
tempo.delay_from_tempo       bpm             tempo_from_delay     delay
tempo.delay_from_tempo       beats           beats_from_delay     delay
tempo.take_drift             duration        duration_from_drift  drift
levels.volts_to_dbu          volts           dbu_to_volts         dbu
levels.volts_to_dbv          volts           dbv_to_volts         dbv
levels.dbu_to_dbv            dbu             dbv_to_dbu           dbv
levels.allowed_exposure      level_dba       allowed_level_dba    duration
levels.loading_loss_db       source_impedance loading_source_impedance loss_db
flutter.repeat_deviation     depth           depth_from_repeat    deviation
loop.repeats_until           loop_gain_db    gain_for_repeats_db  repeats
units.amplitude_to_db        amplitude       db_to_amplitude      db
units.ratio_to_cents         ratio           cents_to_ratio       cents
"""
#: How closely a value must come back, where a search or a small difference of large numbers is behind it.
RELATIVE = 1e-9


def pairs():
    """Each pair both ways: function, its parameter, inverse, its parameter."""
    for line in PAIRS.split("\n")[1:-1]:
        name, goes_in, other, carries = line.split()
        module = importlib.import_module(f"tapecalc.calc.{name.partition('.')[0]}")
        function, inverse = getattr(module, name.partition(".")[2]), getattr(module, other)
        yield pytest.param(function, goes_in, inverse, carries, id=f"{name}-{other}")
        yield pytest.param(inverse, carries, function, goes_in, id=f"{other}-{name}")


def strategy(function):
    """Values of the parameters without a default, in their usual ranges."""
    parameters = inspect.signature(function).parameters
    kinds = {
        n: k for n, k in quantities(function).items() if parameters[n].default is inspect.Parameter.empty
    }
    return st.fixed_dictionaries({name: st.floats(*kind.usual) for name, kind in kinds.items()})


@pytest.mark.parametrize(("function", "goes_in", "inverse", "carries"), list(pairs()))
def test_the_inverse_gives_the_value_back(function, goes_in, inverse, carries):
    wanted = inspect.signature(inverse).parameters

    @settings(max_examples=25)
    @given(strategy(function))
    def check(values):
        shared = {name: value for name, value in values.items() if name in wanted and name != goes_in}
        try:
            result = function(**values)
            back = inverse(**shared, **{carries: result})
        except ValueError:
            reject()  # values that do not go together, such as a tape thicker than the wheel
        assert back == pytest.approx(values[goes_in], rel=RELATIVE)
        row = np.full(3, values[goes_in])
        assert inverse(**shared, **{carries: function(**{**values, goes_in: row})}) == pytest.approx(
            row, RELATIVE
        )

    check()


def test_the_text_of_a_machine_gives_the_machine_back():
    assert machine_from_text(machine_to_text(example_machine())) == example_machine()
