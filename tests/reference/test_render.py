"""The renderer against exact answers: filters, closed forms, and the calculators of the other rooms.

Source: the definitions in the docstrings of the calculators named in each test; where a
bound stands for a quality (interpolation error, level lost), it is our own.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import hilbert, lfilter

from tapecalc.calc.flutter import fluttered_delay, repeat_deviation, repeat_pitch_ratio
from tapecalc.calc.heads import Heads
from tapecalc.calc.loop import (
    EchoLoop,
    crowd_settling_level,
    decay_time,
    describing_function,
    loop_gain,
    loop_gain_db,
    noise_build_up_db,
    oscillation_frequencies,
    settling_level,
    stability,
)
from tapecalc.calc.response import repeat_level_db
from tapecalc.machine import example_machine, with_changes
from tapecalc.plan import make_plan
from tapecalc.sound.engine import EchoSettings
from tapecalc.sound.motion import Motion, SpeedChange
from tapecalc.sound.render import echo_settings, render, without_stages
from tapecalc.sound.signals import tone

RATE = 48000
SPEED = 0.1905
FLAT = {
    "heads.gap_um": 0.0,
    "heads.spacing_loss_um": 0.0,
    "heads.aligned_spacing_loss_um": 0.0,
    "heads.azimuth_error_arcmin": 0.0,
    "heads.treble_boost_db": 60.0,
    "heads.low_cut_hz": 0.0,
    "heads.pole_length_mm": 0.0,
}
WOBBLES = ((0.0011, 0.55), (0.0007, 4.3), (0.0004, 9.7), (0.00015, 28.0))


def one_head(delay, *, return_gain=0.0, **more):
    """A flat echo of one head."""
    more.setdefault("motion", Motion(speed=SPEED))
    return EchoSettings(heads=Heads(spacings=(SPEED * delay,)), return_gain=return_gain, **more)


def bursts(count, low, high, seed=0):
    """Noise that lies between two frequencies in full."""
    rng = np.random.default_rng(seed)
    spectrum = np.fft.rfft(rng.standard_normal(count))
    frequency = np.fft.rfftfreq(count, 1 / RATE)
    spectrum[(frequency < low) | (frequency > high)] = 0
    samples = np.fft.irfft(spectrum, count) * np.hanning(count)
    return 0.3 * samples / np.abs(samples).max()


def exact_delay(motion, delay, time):
    """Solve T + u(t) - u(t - T) = D for a sum of wobbles by substitution."""

    def offset(t):
        return -sum(
            depth / (2 * np.pi * rate) * np.cos(2 * np.pi * rate * t + phase)
            for (depth, rate), phase in zip(motion.wobbles, motion.phases, strict=True)
        )

    late = np.full_like(time, delay)
    for _ in range(12):
        late = delay - offset(time) + offset(time - late)
    return late


def test_a_feedback_comb_is_what_a_plain_filter_makes_of_it():
    # Source: scipy.signal.lfilter with y[n] = x[n - D] + g y[n - D].
    delay = 4000
    dry = np.concatenate([bursts(24000, 100, 12000), np.zeros(48000)])
    comb = np.zeros(delay + 1)
    comb[0], comb[-1] = 1, -0.7
    wanted = lfilter(np.eye(1, delay + 1, delay)[0], comb, dry)
    wet = render(dry, RATE, one_head(delay / RATE, return_gain=0.7), seconds=1.5).wet
    assert np.abs(wet - wanted).max() < 1e-5 * np.abs(wanted).max()


@pytest.mark.parametrize("spacings_mm", [(41.5,), (20.75, 33.0, 41.5)])
def test_the_closed_loop_is_the_geometric_series_of_the_loop_gain(spacings_mm):
    # Source: tapecalc.calc.loop: the bus is 1 / (1 - L), so return times playback is L / (1 - L).
    heads = [{"spacing_mm": mm, "level_db": -9.0} for mm in spacings_mm]
    machine = with_changes(example_machine(), {"playback_heads": heads, "mixer.return_send_db": -4.0})
    impulse = np.zeros(RATE * 12)
    impulse[0] = 0.1
    wet = render(impulse, RATE, machine, without=["flutter", "hiss", "saturation"], seconds=12).wet
    frequency = np.fft.rfftfreq(len(wet), 1 / RATE)
    heard = (frequency > 25) & (frequency < 15000)
    loop = machine.echo_loop(SPEED)
    returned = loop.return_gain * np.fft.rfft(wet)[heard] / 0.1
    gain = loop_gain(loop, frequency[heard])
    assert np.abs(returned / (1 + returned) - gain).max() < 2e-3
    assert np.abs(returned - gain / (1 - gain)).max() < 0.02 * np.abs(gain / (1 - gain)).max()


@pytest.mark.parametrize("ips", [7.5, 3.75])
@pytest.mark.parametrize("without", [["saturation"], []], ids=["no limit", "far below it"])
def test_once_round_the_level_is_that_of_the_closed_form(ips, without):
    # The bus is 1 / (1 - L), so return times playback, q, is L / (1 - L), and L = q / (1 + q).
    machine, size = with_changes(example_machine(), {"mixer.return_send_db": -6.0}), 20 * RATE
    speed, impulse = ips * 0.0254, np.zeros(size)
    impulse[0] = 1e-4
    off = ["flutter", "hiss", *without]
    wet = render(impulse, RATE, machine, speed=speed, without=off, seconds=20).wet
    frequency = np.fft.rfftfreq(size, 1 / RATE)
    heard = (frequency > 30) & (frequency < 16000)
    loop = machine.echo_loop(speed)
    returned = loop.return_gain * np.fft.rfft(wet)[heard] / 1e-4
    level_db = 20 * np.log10(np.abs(returned / (1 + returned)))
    assert np.abs(level_db - loop_gain_db(loop, frequency[heard])).max() < 0.05


def test_a_measured_response_is_rendered_as_it_is_but_for_its_corners():
    measured = [
        [30.0, -4.0],
        [60.0, 1.0],
        [105.0, 1.5],
        [160.0, -1.0],
        [400.0, 0.0],
        [1000.0, 0.0],
        [16e3, -3.0],
    ]
    changes = {"mixer.return_send_db": -6.0, "measured_responses": [{"speed": 1, "hz_and_db": measured}]}
    machine, impulse = with_changes(example_machine(), changes), np.zeros(12 * RATE)
    impulse[0] = 1e-4
    off = ["flutter", "hiss", "saturation"]
    wet = render(impulse, RATE, machine, without=off, seconds=12).wet
    frequency = np.fft.rfftfreq(len(wet), 1 / RATE)
    loop = machine.echo_loop(SPEED)
    returned = loop.return_gain * np.fft.rfft(wet) / 1e-4
    off_db = 20 * np.log10(np.abs(returned / (1 + returned))) - loop_gain_db(loop, frequency)
    corners = [30, 60, 105, 160, 400]
    away = np.abs(frequency[:, None] - corners).min(axis=1) > 8
    assert np.abs(off_db[(frequency > 30) & (frequency < 16e3)]).max() < 0.3
    assert np.abs(off_db[(frequency > 38) & (frequency < 15e3) & away]).max() < 0.1


@pytest.mark.parametrize(
    ("frequency", "bound_db"), [(100, -100), (1000, -100), (5000, -100), (10000, -95), (15000, -80)]
)
def test_one_pass_under_flutter_is_the_exact_tone_but_for_this_much(frequency, bound_db):
    motion = Motion(speed=SPEED, wobbles=WOBBLES, phases=(0.1, 0.2, 0.3, 0.4))
    time = np.arange(2 * RATE) / RATE
    late = exact_delay(motion, 4000.3 / RATE, time)
    wet = render(tone(frequency, 2.0), RATE, one_head(4000.3 / RATE, motion=motion), seconds=2).wet
    exact = 10 ** (-18 / 20) * np.sin(2 * np.pi * frequency * (time - late))
    settled = slice(RATE // 2, RATE * 19 // 10)
    error = np.sum((wet - exact)[settled] ** 2) / np.sum(exact[settled] ** 2)
    assert 10 * np.log10(error) <= bound_db


@pytest.mark.parametrize("fraction", [0.0, 0.25, 0.5])
def test_ten_passes_lose_next_to_nothing_to_interpolation(fraction):
    burst = tone(10000, 0.05) * np.hanning(2400)
    take = render(burst, RATE, one_head((4000 + fraction) / RATE, return_gain=1.0), seconds=1.0)
    first, tenth = (np.sqrt(np.sum(take.wet[n * 4000 - 100 : n * 4000 + 2700] ** 2)) for n in (1, 10))
    assert abs(20 * np.log10(tenth / first)) <= 0.02


def pitch_of(wet, frequency, settled):
    """Read the instantaneous frequency by the analytic signal, its phase derived in the spectrum."""
    part = wet[settled]
    spectrum = np.fft.fft(part * np.hanning(len(part)))
    bins = np.fft.fftfreq(len(part), 1 / RATE)
    spectrum[np.abs(bins - frequency) > 400] = 0
    analytic, slope = np.fft.ifft(spectrum), np.fft.ifft(2j * np.pi * bins * spectrum)
    middle = slice(len(part) // 4, -len(part) // 4)
    return (slope / analytic).imag[middle] / (2 * np.pi)


@pytest.mark.parametrize(("depth", "rate"), [(0.001, 0.55), (0.001, 4.0), (0.001, 9.7), (0.0002, 60.0)])
def test_the_pitch_of_the_first_repeat_is_the_ratio_of_speeds(depth, rate):
    # Source: tapecalc.calc.flutter.repeat_pitch_ratio and repeat_deviation.
    delay, frequency = 0.2, 3150.0
    motion = Motion(speed=SPEED, wobbles=((depth, rate),), phases=(0.7,))
    wet = render(tone(frequency, 8.0), RATE, one_head(delay, motion=motion), seconds=8).wet
    settled = slice(RATE // 2, RATE * 15 // 2)
    found = pitch_of(wet, frequency, settled) / frequency
    start = RATE // 2 + (settled.stop - settled.start) // 4
    time = np.arange(start, start + len(found)) / RATE
    assert np.abs(found - repeat_pitch_ratio(time, depth, rate, delay, phase=0.7)).max() < 1e-7
    small = repeat_deviation(depth, rate, delay)
    assert np.abs(found - 1).max() == pytest.approx(small, rel=1e-3 if small > 1e-5 else 0.1)


@pytest.mark.parametrize("periods", [1, 2, 5])
def test_flutter_vanishes_where_the_delay_is_a_whole_number_of_periods(periods):
    motion = Motion(speed=SPEED, wobbles=((0.001, periods / 0.2),))
    wet = render(tone(3150, 4.0), RATE, one_head(0.2, motion=motion), seconds=4).wet
    assert np.abs(pitch_of(wet, 3150, slice(RATE // 2, RATE * 7 // 2)) / 3150 - 1).max() < 1e-7


@pytest.mark.parametrize("ips", [7.5, 3.75])
def test_each_repeat_has_the_response_of_as_many_passes(ips):
    # Source: tapecalc.calc.response.repeat_level_db, down to -30 dB.
    # Without bumps, which are so long that one repeat's reach into the next; the closed loop above has them.
    machine = with_changes(example_machine(), {"mixer.return_send_db": 0.0, "heads.pole_length_mm": 0.0})
    speed = ips * 0.0254
    delay = round(0.0415 / speed * RATE)
    last = 12 if ips == 7.5 else 24  # by then the upper bend has fallen to -30 dB at either speed
    seconds = (last + 2) * delay / RATE
    impulse = np.zeros(RATE)
    impulse[0] = 0.1
    off = ["flutter", "hiss", "saturation"]
    wet = render(impulse, RATE, machine, speed=speed, without=off, seconds=seconds).wet
    size = 1 << 16
    asked = np.concatenate([np.geomspace(30, 15000, 100), np.arange(4000, 9000, 20)])
    bins = np.unique(np.rint(asked * size / RATE).astype(int))
    frequency = bins * RATE / size
    repeats = wet[delay - 600 : (last + 1) * delay - 600].reshape(last, delay)
    levels_db = 20 * np.log10(np.abs(np.fft.rfft(repeats, size)[:, bins]) / 0.1)
    for repeat, level_db in enumerate(levels_db, start=1):
        wanted_db = repeat_level_db(machine.one_pass(speed), frequency, repeat)
        heard = wanted_db > -30
        assert np.abs(level_db - wanted_db)[heard].max() < 0.5
        assert heard.any()


ONE, THREE = (41.5,), (20.75, 33.0, 41.5)


def beyond_its_margin(spacings_mm, ips, over_db):
    """A machine so far beyond the edge, and its speed."""
    heads = [{"spacing_mm": mm} for mm in spacings_mm]
    machine, speed = with_changes(example_machine(), {"playback_heads": heads}), ips * 0.0254
    edge_db = machine.mixer.return_send_db + stability(machine.echo_loop(speed), count_modes=False).margin_db
    return with_changes(machine, {"mixer.return_send_db": edge_db + over_db}), speed


def bus_and_tape(machine, speed, start=(0.0,), **more):
    """The last 10 s of a minute of a runaway, on the bus and on the tape, the latter full at 1.

    What is played goes back alone. The record equalizer lifts it, but for the bass, and the tape limits it.
    """
    settings = echo_settings(machine, speed, **more)
    off = ["flutter", *(["hiss"] if any(start) else [])]
    wet = render(np.array(start), RATE, without_stages(settings, off), seconds=62).wet[-14 * RATE :]
    bus = settings.return_gain * wet
    lift = replace(settings.one_pass, tau_low=0.0).record_gain(np.fft.rfftfreq(len(bus), 1 / RATE))
    lifted = np.fft.irfft(np.fft.rfft(bus) * lift)
    middle = slice(2 * RATE, 12 * RATE)
    return bus[middle], np.tanh(lifted / settings.saturation)[middle], settings.saturation


def rms_db(sound):
    return 10 * np.log10(np.mean(sound**2))


def tone_on_tape_db(level_db):
    """The rms of one tone that the tape holds, in dB below full."""
    return 20 * np.log10(settling_level(level_db, 1.0) / np.sqrt(2)) - level_db


def loudest_mode(loop, low, high):
    modes = np.asarray(oscillation_frequencies(loop, low, high))
    return float(modes[np.argmax(loop_gain_db(loop, modes))])


@pytest.mark.slow
@pytest.mark.parametrize("over_db", [1.0, 3.0, 6.0])
@pytest.mark.parametrize(("spacings_mm", "ips"), [(ONE, 7.5), (ONE, 3.75), (THREE, 7.5)])
def test_a_runaway_of_one_tone_settles_where_predicted(spacings_mm, ips, over_db):
    # Source: tapecalc.calc.loop.settling_level; beyond 3 dB overtones and neighbors help the tone to fill it.
    machine, speed = beyond_its_margin(spacings_mm, ips, over_db)
    start = stability(machine.echo_loop(speed), count_modes=False).frequency
    burst = tone(start, 1.0, level_db=-30) * np.hanning(RATE)
    _, tape, _ = bus_and_tape(machine, speed, burst)
    assert rms_db(tape) == pytest.approx(tone_on_tape_db(over_db), abs=1)


@pytest.mark.slow
@pytest.mark.parametrize(("ips", "lift_db"), [(7.5, 3.1), (3.75, 5.2)])
def test_what_comes_back_of_a_treble_tone_is_less_by_the_record_boost(ips, lift_db):
    # Source: tapecalc.calc.loop.settling_level, on the bus
    machine, speed = beyond_its_margin(ONE, ips, 3.0)
    loop = machine.echo_loop(speed)
    mode = loudest_mode(loop, 3000, 3100)
    record_db = 20 * np.log10(abs(loop.one_pass.record_gain(mode)))
    assert record_db == pytest.approx(lift_db, abs=0.1)
    bus, _, full = bus_and_tape(machine, speed, tone(mode, 1.0, level_db=-30) * np.hanning(RATE))
    turn = np.exp(-2j * np.pi * mode * np.arange(len(bus)) / RATE)
    peak = 4 * abs(turn @ (bus * np.hanning(len(bus)))) / len(bus)
    predicted = settling_level(loop_gain_db(loop, mode), full, record_db)
    assert 20 * np.log10(peak / predicted) == pytest.approx(0, abs=0.3)


def from_noise_db(spacings_mm, ips, over_db, seeds):
    machine, speed = beyond_its_margin(spacings_mm, ips, over_db)
    return np.median([rms_db(bus_and_tape(machine, speed, seed=seed)[1]) for seed in range(seeds)])


@pytest.mark.slow
@pytest.mark.parametrize(("spacings_mm", "ips", "over_db"), [(ONE, 7.5, 2.0), (THREE, 3.75, 4.0)])
def test_a_runaway_from_noise_settles_as_one_tone_does(spacings_mm, ips, over_db):
    # Source: tapecalc.calc.loop.settling_level and, at most, crowd_settling_level; the plan tells both.
    found_db = from_noise_db(spacings_mm, ips, over_db, 2)
    assert found_db == pytest.approx(tone_on_tape_db(over_db), abs=1)
    most_db = 20 * np.log10(crowd_settling_level(over_db, 1.0) / np.sqrt(2)) - over_db
    assert found_db < most_db
    machine, speed = beyond_its_margin(spacings_mm, ips, over_db)
    (loop,) = (loop for loop in make_plan(machine).loops if loop.speed == speed)
    full_dbu = machine.saturation_dbu(speed)
    assert np.subtract(loop.settles_dbu, full_dbu) == pytest.approx(
        [tone_on_tape_db(over_db) + 3.0103, most_db + 3.0103], abs=0.01
    )


@pytest.mark.weekly
@pytest.mark.parametrize("over_db", [1.0, 2.0, 4.0, 6.0])
@pytest.mark.parametrize("ips", [7.5, 3.75])
@pytest.mark.parametrize("spacings_mm", [ONE, (20.0,), THREE])
def test_the_median_of_many_runaways_from_noise(spacings_mm, ips, over_db):
    # Source: as above
    found_db = from_noise_db(spacings_mm, ips, over_db, 20)
    assert found_db == pytest.approx(tone_on_tape_db(over_db), abs=1)
    assert found_db < 20 * np.log10(crowd_settling_level(over_db, 1.0) / np.sqrt(2)) - over_db


@pytest.mark.parametrize("return_send_db", [-1.0, -3.0, -12.0])
def test_a_stable_loop_dies_away_as_predicted(return_send_db):
    # Source: tapecalc.calc.loop.decay_time.
    machine = with_changes(example_machine(), FLAT | {"mixer.return_send_db": return_send_db})
    delay = 0.0415 / SPEED
    predicted = decay_time(delay, return_send_db)
    burst = tone(1000, 0.1, level_db=-20) * np.hanning(4800)
    take = render(burst, RATE, machine, without=["flutter", "hiss"], seconds=predicted + 1)
    peaks = np.array(
        [
            np.abs(take.wet[round(n * delay * RATE) : round(n * delay * RATE) + 4800]).max()
            for n in range(1, int(predicted / delay))
        ]
    )
    slope = np.polyfit(delay * np.arange(len(peaks)), 20 * np.log10(peaks), 1)[0]
    assert -60 / slope == pytest.approx(predicted, rel=0.02)


@pytest.mark.parametrize("return_send_db", [-1.0, -6.0])
def test_hiss_builds_up_as_predicted(return_send_db):
    # Source: tapecalc.calc.loop.noise_build_up_db.
    machine = with_changes(example_machine(), FLAT | {"mixer.return_send_db": return_send_db})
    delay = round(0.0415 / SPEED * RATE)
    settings = without_stages(echo_settings(machine), ["flutter", "saturation"])
    wet = render(np.zeros(RATE * 12), RATE, settings, seconds=12).wet
    assert not wet[: delay - 300].any()
    power = np.abs(np.fft.rfft(wet[delay : 2 * delay])) ** 2
    frequency = np.fft.rfftfreq(delay, 1 / RATE)
    stated = np.sum(power[(frequency > 20) & (frequency < 20000)]) * 2 / delay**2
    assert 10 * np.log10(stated) == pytest.approx(20 * np.log10(settings.hiss), abs=0.5)
    first = np.mean(wet[delay : 2 * delay] ** 2)
    for repeats in (2, 3, 5, 10, 50):
        now = np.mean(wet[repeats * delay : (repeats + 1) * delay] ** 2)
        predicted = noise_build_up_db(return_send_db, repeats)
        assert 10 * np.log10(now / first) == pytest.approx(predicted, abs=0.5)


@pytest.mark.parametrize("ratio", [0.5, 2.0])
def test_a_change_of_speed_bends_what_is_on_the_tape_by_the_ratio(ratio):
    delay, frequency = 0.4, 1000.0
    change = SpeedChange(ratio=ratio, start=1.0, seconds=0.05)
    settings = one_head(delay, motion=Motion(speed=SPEED, change=change))
    wet = render(tone(frequency, 3.0), RATE, settings, seconds=3).wet
    bent = slice(round(1.06 * RATE), round((1.0 + 0.9 * delay / ratio) * RATE))
    assert np.median(pitch_of_slowly(wet[bent])) == pytest.approx(ratio * frequency, rel=1e-3)
    # Later the tape was recorded at the new speed, and all is in tune again.
    assert np.median(pitch_of_slowly(wet[-RATE // 2 :])) == pytest.approx(frequency, rel=1e-3)


def pitch_of_slowly(part):
    """Read the frequency from zero crossings, placed between the samples."""
    at = np.flatnonzero(np.signbit(part[:-1]) != np.signbit(part[1:]))
    crossings = at + part[at] / (part[at] - part[at + 1])
    return RATE / 2 / np.diff(crossings)


@pytest.mark.parametrize(
    ("frequency", "drive", "bound_db"),
    [(5000, 0.5, -100), (5000, 1.0, -100), (7000, 1.0, -90), (10000, 1.0, -70)],
)
def test_the_limiter_folds_next_to_nothing_back(frequency, drive, bound_db):
    settings = one_head(0.1, saturation=10 ** (-18 / 20) / drive)
    wet = render(tone(frequency, 1.2), RATE, settings, seconds=1.2).wet[-RATE:]
    spectrum = np.abs(np.fft.rfft(wet * np.blackman(RATE)))
    harmonics = np.zeros(len(spectrum), bool)
    for n in range(frequency, RATE // 2, frequency):
        harmonics[n - 4 : n + 5] = True
    folded = np.where(harmonics[:20000], 0, spectrum[:20000]).max()
    assert 20 * np.log10(folded / spectrum.max()) < bound_db


@pytest.mark.parametrize("ips", [7.5, 3.75])
@pytest.mark.parametrize("over_full_db", [-20, -6, 0, 6])
def test_treble_is_limited_by_what_the_record_equalizer_makes_of_it(ips, over_full_db):
    # Source: tapecalc.calc.loop.describing_function of the lifted tone; the response does the rest.
    settings = without_stages(echo_settings(example_machine(), ips * 0.0254), ["flutter", "hiss", "feedback"])
    one_pass, full, level = settings.one_pass, settings.saturation, 10 ** (over_full_db / 20)
    for frequency in (1009, 4987, 9011, 13009, 14983):
        dry = full * level * np.sin(2 * np.pi * frequency * np.arange(RATE * 3 // 2) / RATE)
        wet = render(dry, RATE, settings, seconds=1.5).wet[-RATE:]
        turn = np.exp(-2j * np.pi * frequency * np.arange(RATE) / RATE)
        lift = abs(replace(one_pass, tau_low=0.0).record_gain(frequency))
        wanted = full * level * abs(one_pass.gain(frequency)) * describing_function(level * lift, 1.0)
        heard = 2 * abs(turn @ wet) / RATE
        assert 20 * np.log10(heard / (settings.input_gain * wanted)) == pytest.approx(0, abs=0.05)


def folded_db(settings, rate, frequency, amplitude):
    """The loudest of what is no overtone of a tone that is heard, below 20 kHz and against the tone."""
    dry = amplitude * np.sin(2 * np.pi * frequency * np.arange(rate * 9 // 5) / rate)
    spectrum = np.abs(np.fft.rfft(render(dry, rate, settings, seconds=1.8).wet[-rate:] * np.blackman(rate)))
    bins = np.arange(len(spectrum))
    folded = np.abs(bins - frequency * np.rint(bins / frequency)) > 4
    return 20 * np.log10(spectrum[:20000][folded[:20000]].max() / spectrum[frequency])


@pytest.mark.parametrize("rate", [44100, 48000])
@pytest.mark.parametrize("ips", [7.5, 3.75])
@pytest.mark.parametrize(
    ("over_full_db", "bound_db"), [(-20, -80), (-10, -80), (-6, -80), (-3, -80), (0, -60)]
)
def test_treble_that_is_lifted_into_the_limit_folds_little_back(rate, ips, over_full_db, bound_db):
    # At 0 dB the bus is as loud as what the tape can hold, and up to 9 dB louder behind the record equalizer.
    settings = without_stages(echo_settings(example_machine(), ips * 0.0254), ["flutter", "hiss", "feedback"])
    for frequency in (997, 4987, 7019, 9011, 11003, 12007, 13009, 14009, 14503, 14983):
        level = settings.saturation * 10 ** (over_full_db / 20)
        assert folded_db(settings, rate, frequency, level) < bound_db


def test_the_delay_under_flutter_is_that_of_the_calculator():
    # Source: tapecalc.calc.flutter.fluttered_delay.
    motion = Motion(speed=SPEED, wobbles=((0.002, 3.0),), phases=(0.3,))
    dry = np.zeros(RATE)
    dry[20000] = 1.0
    wet = render(dry, RATE, one_head(0.25, motion=motion), seconds=1.0).wet
    peak = np.argmax(wet)
    left, middle, right = wet[peak - 1 : peak + 2]
    heard = (peak + 0.5 * (left - right) / (left - 2 * middle + right)) / RATE
    delay = fluttered_delay(heard, 0.002, 3.0, 0.25, phase=0.3)
    assert heard - 20000 / RATE == pytest.approx(delay, abs=3e-6)


def test_a_loop_of_the_calculators_is_the_loop_that_is_rendered():
    machine = example_machine()
    settings, loop = echo_settings(machine), machine.echo_loop(SPEED)
    assert isinstance(loop, EchoLoop)
    assert (settings.return_gain, settings.input_gain) == (loop.return_gain, loop.input_gain)
    assert settings.heads == loop.heads
    assert settings.one_pass == loop.one_pass


@pytest.mark.parametrize(
    ("spacing_mm", "ips", "return_send_db", "repeats"),
    [(20.0, 7.5, -90.0, 1), (41.5, 3.75, -6.0, 5), (41.5, 7.5, 0.3, 8)],
    ids=["slap", "separate echo", "near runaway"],
)
def test_the_envelope_peaks_at_the_planned_delays(spacing_mm, ips, return_send_db, repeats):
    # All but the wobble, which moves the repeats by design, the hiss, which blurs late ones, and the limit,
    # which turns the phase of what is loud.
    heads = [{"spacing_mm": spacing_mm}]
    changes = {"playback_heads": heads, "mixer.return_send_db": return_send_db}
    machine = with_changes(example_machine(), changes)
    speed = ips * 0.0254
    bell = np.exp(-0.5 * ((np.arange(4800) / RATE - 0.02) / 0.002) ** 2)
    burst = bell * tone(1500, 0.1)
    off = ["flutter", "hiss", "saturation"]
    take = render(burst, RATE, machine, speed=speed, without=off, seconds=0.3 + 6 * 0.44)
    envelope = np.abs(hilbert(take.wet))
    # The equalizers lead, by the slope of their phase at 1.5 kHz, in each pass.
    phases = np.angle(machine.one_pass(speed).gain([1490.0, 1510.0]))
    lead = (phases[1] - phases[0]) / (2 * np.pi * 20)
    for repeat in range(1, repeats + 1):
        planned = 0.02 + repeat * (machine.delays(speed)[0] - lead)
        near = round(planned * RATE) + np.arange(-200, 201)
        peak = near[np.argmax(envelope[near])]
        left, middle, right = envelope[peak - 1 : peak + 2]
        heard = (peak + 0.5 * (left - right) / (left - 2 * middle + right)) / RATE
        assert abs(heard - planned) < 2e-6
