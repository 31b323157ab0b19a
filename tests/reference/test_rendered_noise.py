"""One model of noise: what is planned and drawn is what is rendered, on machines that are far from flat.

Read by spectrum, in thirds of an octave and as a whole, weighted and not. 0 dB of the reference is a sine of
-18 dB below full scale.
"""

import numpy as np
import pytest

from tapecalc.calc.loop import hiss_db
from tapecalc.calc.noise import a_weighting_db
from tapecalc.machine import example_machine, with_changes
from tapecalc.plan import make_plan
from tapecalc.plot.levels import level_ladder
from tapecalc.sound.render import echo_settings, render, without_stages

RATE = 48000
REFERENCE_DB = -18 - 10 * np.log10(2)  # rms against full scale
MACHINES = {
    "dirty and worn": {
        "heads.spacing_loss_um": 4.0,
        "heads.gap_um": 8.0,
        "heads.azimuth_error_arcmin": 10.0,
        "heads.treble_boost_db": 12.0,
        "heads.low_cut_hz": 60.0,
    },
    "thin tape, short poles": {"tape.coating_thickness_um": 4.3, "heads.pole_length_mm": 3.0},
    "narrow track": {"heads.track_width_mm": 1.0, "tape.surface_share": 1.0},
}
CASES = [(name, ips) for name in MACHINES for ips in (7.5, 3.75)]


def machine_of(name, **more):
    return with_changes(example_machine(), MACHINES[name] | {"levels.mixer_noise_dbu": -140.0} | more)


def rendered_power(machine, speed, seconds, seed=0):
    """Power of the noise at each frequency, in units of the reference, after a second without return."""
    off = ["flutter", "saturation", "feedback"]
    settings = without_stages(echo_settings(machine, speed, seed=seed), off)
    wet = render(np.zeros(1), RATE, settings, seconds=seconds + 1).wet[RATE:]
    frequency = np.fft.rfftfreq(len(wet), 1 / RATE)
    power = 2 * np.abs(np.fft.rfft(wet)) ** 2 / len(wet) ** 2 / 10 ** (REFERENCE_DB / 10)
    band = (frequency >= 20) & (frequency <= 20e3)
    return frequency[band], power[band]


def total_db(power):
    return 10 * np.log10(np.sum(power))


@pytest.mark.parametrize(("name", "ips"), CASES)
def test_as_a_whole_in_plan_picture_and_sound(name, ips):
    machine, speed = machine_of(name, **{"transport.speeds_ips": [ips]}), ips * 0.0254
    frequency, power = rendered_power(machine, speed, 10)
    stated_db = machine.tape_noise_db(speed)
    assert total_db(power) == pytest.approx(stated_db, abs=0.1)
    weighted_db = total_db(power * 10 ** (a_weighting_db(frequency) / 10))
    assert weighted_db == pytest.approx(machine.tape_noise_db(speed, weighting="A"), abs=0.1)
    plan = make_plan(machine)
    assert plan.loops[0].tone[0].repeat == 1
    signal_dbu = machine.levels.instrument_dbu + machine.levels.mixer_gain_db
    over_noise_db = signal_dbu - machine.levels.machine_reference_dbu - total_db(power)
    assert plan.loops[0].snr_db[0] == pytest.approx(over_noise_db, abs=0.1)
    drawn = level_ladder(stages=machine.level_stages, source_dbu=machine.levels.instrument_dbu)
    names = [node.name for node in plan.levels.nodes]
    noise = dict(zip(*drawn.artists["noise"].get_data(), strict=True))
    assert noise[names.index("tape")] == pytest.approx(
        total_db(power) + machine.levels.machine_reference_dbu, abs=0.1
    )


@pytest.mark.slow
@pytest.mark.parametrize(("name", "ips"), CASES)
def test_by_thirds_of_an_octave(name, ips):
    machine, speed = machine_of(name), ips * 0.0254
    frequency, power = rendered_power(machine, speed, 120)
    one_pass = machine.one_pass(speed)
    planned = 10 ** (one_pass.noise_density_db(frequency) / 10)
    planned *= 10 ** (machine.tape_noise_db(speed) / 10) / np.sum(planned)
    for middle in 1000 * 2.0 ** (np.arange(-15, 13) / 3):
        third = (frequency > middle * 2 ** (-1 / 6)) & (frequency < middle * 2 ** (1 / 6))
        # What is random: 120 s hold 120 B values of a band of B hertz, each of one standard deviation.
        at_random_db = 3 * 10 * np.log10(np.e) / np.sqrt(120 * middle * 0.2316)
        off_db = 10 * np.log10(np.sum(power[third]) / np.sum(planned[third]))
        assert abs(off_db) < 0.1 + at_random_db
    assert np.ptp(10 * np.log10(planned)) > 6  # far from white


@pytest.mark.slow
@pytest.mark.parametrize(("name", "ips"), CASES)
def test_as_it_builds_up(name, ips):
    machine, speed = machine_of(name, **{"mixer.return_send_db": -2.0}), ips * 0.0254
    delay, power = round(machine.delays(speed)[0] * RATE), {1: 0.0, 2: 0.0, 4: 0.0, 8: 0.0}
    for seed in range(6):
        settings = without_stages(echo_settings(machine, speed, seed=seed), ["flutter", "saturation"])
        wet = render(np.zeros(1), RATE, settings, seconds=9.5 * delay / RATE).wet
        frequency = np.fft.rfftfreq(delay, 1 / RATE)
        band = (frequency >= 20) & (frequency <= 20e3)
        for passes in power:
            heard = wet[passes * delay : (passes + 1) * delay]
            power[passes] += np.sum(np.abs(np.fft.rfft(heard)[band]) ** 2)
    loop = machine.echo_loop(speed)
    for passes in (2, 4, 8):
        grown_db = 10 * np.log10(power[passes] / power[1])
        assert grown_db == pytest.approx(hiss_db(loop, passes) - hiss_db(loop, 1), abs=0.3)
