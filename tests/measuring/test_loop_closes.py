"""The loop closes: what was planned is rendered, and measuring the recording returns the planned figures."""

import numpy as np
import pytest

from tapecalc import measuring as measure
from tapecalc.calc.parts import part_rates
from tapecalc.calc.response import loudest
from tapecalc.calc.standards import ALIGNMENT_LEVEL_DBFS
from tapecalc.machine import example_machine, read_machine, with_changes
from tapecalc.measuring import Estimate, Ruler, Take
from tapecalc.plan import make_plan
from tapecalc.report.measurement import write_measurement
from tapecalc.sound.render import render

pytestmark = pytest.mark.slow

RATE = 48_000
#: The club's machine, clean but for a little dirt: one thing at a time can be found in a response.
MACHINE = with_changes(example_machine(), {"heads.azimuth_error_arcmin": 0.0})
OPEN = with_changes(MACHINE, {"mixer.return_send_db": -90.0})
PLAN = make_plan(MACHINE)
RULER = Ruler(Estimate(MACHINE.spacings[0] + 0.3e-3, 0.5e-3, "m"))  # as people measure


@pytest.fixture(scope="module")
def found():
    """The test signal through the machine at both speeds, loop open, and a burst with its repeats."""
    signal = measure.make_test_signal(RATE)
    burst = np.zeros(8 * RATE)
    burst[RATE : RATE + RATE // 8] = 0.05 * np.random.default_rng(3).standard_normal(RATE // 8)
    takes = []
    for at, speed in enumerate(MACHINE.speeds):
        wet = render(signal, RATE, OPEN, speed=speed, seconds=len(signal) / RATE, seed=at).wet
        takes.append(take(signal, wet, "test signal", at))
        wet = render(burst, RATE, MACHINE, speed=speed, seconds=8.0, seed=at).wet
        takes.append(take(burst, wet, "repeats", at))
    return measure.measure(takes, machine=MACHINE, rulers=[RULER])


def take(dry, wet, kind, at):
    both = np.stack([dry, wet], axis=1)
    return Take(recording=measure.open_recording(both, sample_rate=RATE), kind=kind, at=at)


def test_the_planned_delays_come_back(found):
    for at, planned in enumerate(PLAN.delays):
        total = found.delays[0, at].total
        assert total.covers(planned.delay)
        assert total.plus_minus < planned.plus_minus / 10  # measuring tells more than a ruler


def test_the_planned_spacing_and_speeds_come_back_as_well_as_the_ruler_can_tell(found):
    assert found.geometry.spacings[0].covers(MACHINE.spacings[0])
    assert found.geometry.spacings[0].plus_minus == pytest.approx(0.5e-3, rel=0.02)
    for speed, planned in zip(found.geometry.speeds, MACHINE.speeds, strict=True):
        assert speed.covers(planned)
    ratio = found.geometry.speed_ratios[1]
    assert ratio.covers(MACHINE.speeds[1] / MACHINE.speeds[0]) and ratio.plus_minus < 1e-3


@pytest.mark.parametrize("at", [0, 1])
def test_the_planned_response_comes_back(at, found):
    response, one_pass = found.responses[0, at], MACHINE.one_pass(MACHINE.speeds[at])
    planned_db = one_pass.level_db(response.frequency) - one_pass.level_db(1000.0)
    told = (response.frequency > 60) & (response.frequency < 15_000)
    # A tenth of a decibel for what render and window leave beside the stated uncertainty.
    assert np.all(np.abs(response.level_db - planned_db)[told] < response.plus_minus_db[told] + 0.1)
    assert found.what_ifs[0, at][0].low_cut.value == pytest.approx(MACHINE.heads.low_cut_hz, abs=3)


@pytest.mark.parametrize("at", [0, 1])
def test_the_dirt_on_the_head_is_found_and_named(at, found):
    best = found.what_ifs[0, at][0]
    parts = dict(best.parts)
    assert set(parts) <= {"separation", "azimuth"}  # the deck has both
    assert parts["separation"].value == pytest.approx(1e-6, abs=parts["separation"].plus_minus + 0.1e-6)


@pytest.mark.parametrize("at", [0, 1])
def test_every_turning_part_is_found_with_its_wobble(at, found):
    reading, speed = found.flutter[at], MACHINE.speeds[at]
    for part in MACHINE.turning_parts:
        rate = part_rates([part], speed)[part.name]
        (line,) = [line for line in reading.lines if abs(line.rate.value / rate - 1) < 0.02]
        # Eight intervals at once are all to hold in 95 of 100 cases: 2.73 standard uncertainties each.
        own = line.element_depth
        assert abs(own.value - part.wobble) < 2.73 / 2 * own.plus_minus
        (verdict,) = [v for v in found.suspects[at] if v.frequency == line.rate.value]
        assert verdict.part.name == part.name


def summed_noise_db(speed, tau_high):
    """Particles 1 um away from the head, 11 um deep, behind the equalizer; 20 Hz to 20 kHz, up to a constant.

    Source: J. C. Mallinson, IEEE Trans. Magn. 5, 1969 (from memory).
    """
    f = np.linspace(20, 20_000, 200_001)
    k, w = 2 * np.pi * f / speed, 2 * np.pi * f
    flux = (1 - np.exp(-2 * k * 11e-6)) * np.exp(-2 * k * 1e-6) / (k * speed)
    return 10 * np.log10(np.mean(flux * (1 + (w * tau_high) ** 2) / (1 + 1 / (w * 3180e-6) ** 2)))


@pytest.mark.parametrize("at", [0, 1])
def test_the_planned_noise_comes_back(at, found):
    level_db = found.noise[at].level_db
    assert MACHINE.levels.tape_noise_db == -56
    # At half the speed more noise, and against a reference of 250 instead of 320 nWb/m.
    slower_db = summed_noise_db(0.09525, 90e-6) - summed_noise_db(0.1905, 50e-6) + 20 * np.log10(320 / 250)
    # What is recorded at the operating level comes back a little softer: the tape's limit is near.
    tone = 10 ** (ALIGNMENT_LEVEL_DBFS / 20) * np.sin(2 * np.pi * 315 * np.arange(3 * RATE) / RATE)
    heard = render(tone, RATE, OPEN, speed=MACHINE.speeds[at], seconds=3.0, seed=at).wet[RATE : 2 * RATE]
    planned_db = -56.0 + at * slower_db - 20 * np.log10(np.std(heard) / np.std(tone))
    assert level_db.value == pytest.approx(planned_db, abs=level_db.plus_minus + 0.1)


@pytest.mark.parametrize("at", [0, 1])
def test_the_planned_loop_gain_comes_back(at, found):
    reading = found.repeats[at].loop_gain_db
    assert reading.value == pytest.approx(PLAN.loops[at].gain_db, abs=reading.plus_minus + 0.3)


def test_the_machine_file_filled_in_plans_what_was_planned(found, tmp_path):
    write_measurement(found, tmp_path, machine=MACHINE)
    machine = read_machine(tmp_path / "machine.toml")
    assert machine.mixer.return_send_db == pytest.approx(MACHINE.mixer.return_send_db, abs=0.1)
    again = make_plan(machine)
    for at, (planned, measured) in enumerate(zip(PLAN.delays, again.delays, strict=True)):
        assert measured.delay == pytest.approx(planned.delay, abs=found.delays[0, at].total.plus_minus)
        assert measured.zone == planned.zone
        # Spacing and speeds are as unsure as the ruler; the delay is not, and the file keeps that.
        total = found.delays[0, at].total.plus_minus
        assert total <= measured.plus_minus * (1 + 1e-9) and measured.plus_minus < 1.01 * total
        # A tenth of what a ruler leaves: the wander of a slow tape is in it.
        assert measured.plus_minus < 0.1 * measured.delay * 0.5 / 41.5
    for planned, measured in zip(PLAN.tempos, again.tempos, strict=True):
        assert measured.fit.note == planned.fit.note
    for at, measured in enumerate(again.loops):
        # The file has the response as it was rendered, with the head's bumps, which a plan leaves out.
        bumped_db = MACHINE.mixer.return_send_db + loudest(MACHINE.one_pass(MACHINE.speeds[at]))[1]
        assert measured.gain_db == pytest.approx(bumped_db, abs=0.15)
        assert bumped_db - PLAN.loops[at].gain_db > 0.2
        assert measured.stability.stable and PLAN.loops[at].stability.stable
        # What was measured is no bound: the worst that poles could be lies above.
        assert measured.stability.margin_db > PLAN.loops[at].stability.margin_db
