"""Published values of recirculating echoes, and the second opinions of other calculators."""

import math

import numpy as np
import pytest

from tapecalc.calc import loop
from tapecalc.calc.heads import Heads
from tapecalc.calc.loop import EchoLoop
from tapecalc.calc.response import HeadContact, OnePass
from tapecalc.calc.units import amplitude_to_db, db_to_amplitude
from tapecalc.sound.engine import EchoSettings
from tapecalc.sound.motion import Motion
from tapecalc.sound.render import render

IDEAL = HeadContact(gap=0, separation=0, coating_thickness=0, track_width=2e-3, azimuth_angle=0)
SMITH = "J. O. Smith, Physical Audio Signal Processing, feedback comb filter, eq. 2.5"


def flat_loop(gain, delay, low_cut=0.0):
    one_pass = OnePass(speed=0.1905, today=IDEAL, aligned=IDEAL, boost_db=0, low_cut=low_cut)
    return EchoLoop(heads=Heads.from_delays(delay, one_pass.speed), return_gain=gain, one_pass=one_pass)


# ---- the comb ----


@pytest.mark.parametrize("gain", [-0.9, -0.3, 0.1, 0.5, 0.9])
def test_comb_amplitude(gain):
    # Source: J. O. Smith, Physical Audio Signal Processing, eq. 2.5
    w = np.linspace(0, np.pi, 101)
    expected = 1 / np.abs(1 - gain * np.exp(-1j * w * 5))
    found = np.abs(loop.closed_loop_gain(flat_loop(gain, 5.0), w / (2 * np.pi)))
    np.testing.assert_allclose(found, expected, rtol=1e-12)


@pytest.mark.parametrize(
    ("gain", "peak", "peak_db", "dip", "dip_db", "source"),
    [
        (0.1, 1.11111, 0.9151, 0.90909, -0.8279, SMITH),
        (0.5, 2, 6.0206, 0.66667, -3.5218, SMITH),
        (0.9, 10, 20, 0.52632, -5.5751, SMITH),
    ],
)
def test_comb_peak_and_dip(gain, peak, peak_db, dip, dip_db, source):
    high, low = np.abs(loop.closed_loop_gain(flat_loop(gain, 0.25), [4, 2]))
    assert (high, low) == (pytest.approx(peak, abs=1e-5), pytest.approx(dip, abs=1e-5))
    assert amplitude_to_db(high) == pytest.approx(peak_db, abs=1e-4)
    assert amplitude_to_db(low) == pytest.approx(dip_db, abs=1e-4)


def test_comb_peaks_lie_at_fifths_of_the_circle_and_midway_for_an_inverted_return():
    # Source: J. O. Smith, Physical Audio Signal Processing, eq. 2.5
    fine = np.linspace(0, 0.5, 100_001)
    for gain, expected in ((0.8, [0, 0.2, 0.4]), (-0.8, [0.1, 0.3, 0.5])):
        size = np.abs(loop.closed_loop_gain(flat_loop(gain, 5.0), fine))
        np.testing.assert_allclose(fine[size > size.max() * (1 - 1e-9)], expected, atol=1e-9)
        found = loop.oscillation_frequencies(flat_loop(gain, 5.0), 0, 0.51)
        np.testing.assert_allclose(found, expected, atol=1e-9)


def test_comb_at_a_gain_of_one_and_of_minus_one():
    # Source: J. O. Smith, Physical Audio Signal Processing, eq. 2.5, limits
    w = np.linspace(0.05, 1.2, 50)
    f = w / (2 * np.pi)
    plus = np.abs(loop.closed_loop_gain(flat_loop(1, 5.0), f))
    minus = np.abs(loop.closed_loop_gain(flat_loop(-1, 5.0), f))
    np.testing.assert_allclose(plus, 1 / (2 * np.abs(np.sin(w * 5 / 2))), rtol=1e-12)
    np.testing.assert_allclose(minus, 1 / (2 * np.abs(np.cos(w * 5 / 2))), rtol=1e-12)


def test_comb_as_a_digital_filter():
    # Source: scipy.signal.freqz
    from scipy.signal import freqz

    delay, gain, rate = 40, 0.7, 1000
    w, h = freqz([1], [1, *[0] * (delay - 1), -gain], worN=257, fs=rate)
    np.testing.assert_allclose(loop.closed_loop_gain(flat_loop(gain, delay / rate), w), h, rtol=1e-9)


def test_repeats_of_an_impulse():
    # Source: scipy.signal.lfilter
    from scipy.signal import lfilter

    delay, gain = 7, 0.6
    impulse = np.zeros(8 * delay)
    impulse[0] = 1
    repeats = lfilter([1], [1, *[0] * (delay - 1), -gain], impulse)[::delay]
    levels = np.arange(8) * loop.loop_gain_db(flat_loop(gain, 0.1), 440)
    np.testing.assert_allclose(10 ** (levels / 20), repeats, rtol=1e-12)


def test_a_constant_input_is_summed():
    # Source: geometric series
    assert loop.closed_loop_gain(flat_loop(0.7, 0.2), 0).real == pytest.approx(1 / 0.3, rel=1e-12)


# ---- decay ----


@pytest.mark.parametrize(
    ("delay", "gain", "seconds", "tolerance", "source"),
    [
        (0.1, 0.708, 2.000, 0.001, "M. R. Schroeder, JAES 10, 1962, p. 221; figures from memory"),
        (0.3, 0.5, 2.98974, 1e-5, "T. Smyth, lecture notes: amplitude 0.001 at T60"),
        (0.375, 0.9, 24.5861, 1e-4, "T. Smyth, lecture notes"),
        (1, 0.1, 3.000, 1e-9, "-20 dB per pass"),
        (2143 / 44100, 0.7, 0.94113, 1e-5, "parameters of an old program's help text, formula corrected"),
    ],
)
def test_decay_times(delay, gain, seconds, tolerance, source):
    assert loop.decay_time(delay, amplitude_to_db(gain)) == pytest.approx(seconds, abs=tolerance)


def test_decay_grows_with_the_delay_unlike_a_formula_in_print():
    # Source: help text of an old signal-processing package, 60 fs / (d 20 log g): inverted and negative
    delay, rate, gain = 2143, 44100, 0.7
    printed = 60 * rate / (delay * 20 * math.log10(gain))
    found = loop.decay_time(delay / rate, amplitude_to_db(gain))
    assert printed < 0 < found
    assert loop.decay_time(2 * delay / rate, amplitude_to_db(gain)) == pytest.approx(2 * found)


def test_gain_for_a_decay_of_two_seconds():
    # Source: T. Smyth, lecture notes: g = 0.001^(T / T60); the first repeat is the one that 60 dB count from
    assert db_to_amplitude(loop.gain_for_repeats_db(1 + 2 / 0.1, -60)) == pytest.approx(0.707946, abs=1e-6)


@pytest.mark.parametrize(
    ("gain", "per_pass", "passes", "heard"),
    [(0.5, -6.0206, 9.9658, 10), (0.7, -3.0980, 19.3671, 20), (0.9, -0.9151, 65.5630, 66)],
)
def test_passes_to_sixty_decibels(gain, per_pass, passes, heard):
    # Source: 60 / (-20 log10 g) passes after the first repeat
    gain_db = loop.loop_gain_db(flat_loop(gain, 0.3), 1000)
    assert gain_db == pytest.approx(per_pass, abs=1e-4)
    assert loop.repeats_until(gain_db, -60) == pytest.approx(1 + passes, abs=1e-4)
    assert loop.repeats_heard(gain_db, -60) == heard


def test_decibels_per_pass_of_the_classic_gain():
    # Source: definition, 0.708
    assert loop.loop_gain_db(flat_loop(0.708, 0.1), 1000) == pytest.approx(-2.9993, abs=1e-4)


def test_decay_and_gain_by_symbols():
    # Source: sympy, g^(t / T) = 1 / 1000 solved for t and for g
    import sympy

    g, delay, time = sympy.symbols("g T t", positive=True)
    seconds = sympy.solve(sympy.Eq(g ** (time / delay), sympy.Rational(1, 1000)), time)[0]
    gain = sympy.solve(sympy.Eq(sympy.log(g) * time / delay, -sympy.log(1000)), g)[0]
    expected = float(seconds.subs({g: sympy.Rational(7, 10), delay: sympy.Rational(3, 10)}))
    assert loop.decay_time(0.3, amplitude_to_db(0.7)) == pytest.approx(expected, rel=1e-12)
    expected = float(gain.subs({time: 2, delay: sympy.Rational(1, 10)}))
    assert db_to_amplitude(loop.gain_for_repeats_db(1 + 2 / 0.1, -60)) == pytest.approx(expected, rel=1e-12)


# ---- stability ----


def test_oscillation_frequencies():
    # Source: H. Barkhausen, Lehrbuch der Elektronen-Roehren, volume 3, 1935: the condition of phase
    upright, inverted = (loop.oscillation_frequencies(flat_loop(g, 0.5), 0, 9) for g in (0.5, -0.5))
    np.testing.assert_allclose(upright, [0, 2, 4, 6, 8], atol=1e-9)
    np.testing.assert_allclose(inverted, [1, 3, 5, 7], atol=1e-9)


def test_gain_above_one_out_of_phase_does_not_oscillate():
    # Source: trade texts name a loop gain of one alone; H. Nyquist 1932 counts the phase (from memory)
    # The heads add up to 1.045 where they are half a turn off, and to 0.5225 where the sum is in phase.
    one_pass = OnePass(speed=0.1905, today=IDEAL, aligned=IDEAL, boost_db=0, low_cut=0)
    made = EchoLoop(
        heads=Heads.from_delays((0.1, 0.2), one_pass.speed, gains=(0.55, -0.55)),
        return_gain=0.95,
        one_pass=one_pass,
    )
    assert abs(loop.loop_gain(made, 5)) == pytest.approx(1.045, rel=1e-9)
    found = loop.stability(made)
    assert found.bound_db < 0
    assert found.stable and found.growing_modes == 0
    assert found.margin_db == pytest.approx(-20 * math.log10(0.5225), abs=1e-6)


@pytest.mark.parametrize("delay", [0.01, 0.1, 0.7])
def test_a_loop_gain_below_one_is_stable_whatever_the_delay(delay):
    # Source: small-gain theorem; H. W. Bode 1945 (from memory)
    assert loop.stability(flat_loop(0.99, delay, low_cut=20)).stable


def test_gain_margin_of_a_flat_loop():
    # Source: python-control, stability_margins, delay by a Pade approximation
    import control

    gain, delay = 0.5, 0.1
    num, den = control.pade(delay, 8)
    open_loop = control.tf([-gain * c for c in num], den)  # positive feedback is minus negative feedback
    margins_at, _, _, frequencies, _, _ = control.stability_margins(open_loop, returnall=True)
    found = loop.stability(flat_loop(gain, delay))
    assert 20 * np.log10(margins_at.min()) == pytest.approx(found.margin_db, abs=0.1)
    assert found.margin_db == pytest.approx(-20 * math.log10(gain), abs=1e-6)
    in_phase = loop.oscillation_frequencies(flat_loop(gain, delay), 0, 19)
    rising = np.sort(frequencies)[:2] / (2 * np.pi)
    np.testing.assert_allclose(in_phase, rising, atol=0.001)


def test_gain_margins_and_frequencies_with_a_low_cut():
    # Source: python-control, stability_margins of a high pass and a Pade delay
    import control

    gain, delay, low_cut = 0.8, 0.02, 30.0
    num, den = control.pade(delay, 10)
    high_pass = control.tf([1, 0], [1, 2 * np.pi * low_cut])
    open_loop = -gain * high_pass * control.tf(num, den)
    margins_at, _, _, frequencies, _, _ = control.stability_margins(open_loop, returnall=True)
    # At 0 Hz, where the high pass has its zero, the library names a margin without end.
    order = [k for k in np.argsort(frequencies) if frequencies[k] > 0][:2]
    expected = frequencies[order] / (2 * np.pi)
    made = flat_loop(gain, delay, low_cut)
    found = loop.oscillation_frequencies(made, 0, expected[-1] + 1)
    np.testing.assert_allclose(found, expected, rtol=1e-4)
    np.testing.assert_allclose(loop.loop_gain_db(made, found), -20 * np.log10(margins_at[order]), atol=0.01)


def test_pade_sample():
    # Source: python-control, pade(1, 3); the delay that the margins above rest on
    import control

    num, den = control.pade(1, 3)
    np.testing.assert_allclose(num, [-1, 12, -60, 120], rtol=1e-9)
    np.testing.assert_allclose(den, [1, 12, 60, 120], rtol=1e-9)
    f = 0.05
    there = np.polyval(num, 2j * np.pi * f) / np.polyval(den, 2j * np.pi * f)
    assert loop.loop_gain(flat_loop(1, 1.0), f) == pytest.approx(there, abs=1e-6)


def level_by_numpy(f, speed, separation, aligned_separation, tilt, gap, coating, track, boost_db, low_cut):
    """Amplitude of one pass: what is lost today, times what undoes the losses when it was aligned."""
    share = 0.2  # of the magnetization in the depth, at the surface
    waves = np.maximum(f, 1e-9) / speed
    x = 2 * np.pi * coating * waves
    even, rising = (1 - np.exp(-x)) / x, (1 - (1 + x) * np.exp(-x)) / x**2
    depth = (share * even + (1 - share) * rising) / (share + (1 - share) / 2)
    common = depth * np.sinc(1.11 * gap * waves)
    today = common * np.exp(-2 * np.pi * separation * waves) * np.sinc(track * math.tan(tilt) * waves)
    left, end = (common * np.exp(-2 * np.pi * aligned_separation * waves)) ** (20 / 6), 10 ** (-boost_db / 6)
    boost = ((1 - end) * left + end) ** (-6 / 20)
    return today * boost * f / np.hypot(f, low_cut)


@pytest.mark.parametrize("within_db", [1.0, 0.1, 0.01])
def test_where_a_deck_may_start(monkeypatch, within_db):
    # Source: every tone in phase by its own number, with numpy. Only the low cut turns the phase beside the
    # delay, by atan(f_c / f), so tone n lies at f = (n + atan(f_c / f) / 2 pi) / T.
    shared = {"gap": 4e-6, "coating_thickness": 11e-6, "track_width": 2e-3}
    today = HeadContact(separation=1e-6, azimuth_angle=math.radians(3 / 60), **shared)
    aligned = HeadContact(separation=0.5e-6, azimuth_angle=0, **shared)
    one_pass = OnePass(speed=0.1905, today=today, aligned=aligned, boost_db=12, low_cut=40, phase=False)
    made = EchoLoop(heads=Heads(spacings=(0.0415,)), return_gain=db_to_amplitude(-6), one_pass=one_pass)
    number, delay = np.arange(5000), 0.0415 / 0.1905
    tones = (number + 0.25) / delay
    for _ in range(200):
        tones = (number + np.arctan(40 / tones) / (2 * np.pi)) / delay
    level = level_by_numpy(tones, 0.1905, 1e-6, 0.5e-6, math.radians(3 / 60), 4e-6, 11e-6, 2e-3, 12, 40)
    levels_db = 20 * np.log10(level) - 6
    loud = tones[levels_db > levels_db.max() - within_db]
    monkeypatch.setattr(loop, "START_DB", within_db)
    found = loop.stability(made)
    assert found.frequency == pytest.approx(tones[levels_db.argmax()], abs=0.01)
    assert found.margin_db == pytest.approx(-levels_db.max(), abs=1e-6)
    assert found.band == pytest.approx((loud.min(), loud.max()), abs=0.01)
    between = loop.oscillation_frequencies(made, found.band[0] - 0.1, found.band[1] + 0.1)
    np.testing.assert_allclose(between, loud, atol=0.01)


def test_runaway_growth():
    # Source: definition, 20 log10(g) / T
    assert loop.growth_db_per_s(0.3, amplitude_to_db(1.1)) == pytest.approx(2.76, abs=0.01)


def test_growth_is_that_of_the_pole_nearest_to_the_right():
    # Source: numpy.roots of z^M = g, sampled at M points per delay
    gain, samples, delay = 1.1, 30, 0.3
    roots = np.roots([1, *[0] * (samples - 1), -gain])
    per_second = 20 * np.log10(np.abs(roots).max()) * samples / delay
    assert loop.growth_db_per_s(delay, amplitude_to_db(gain)) == pytest.approx(per_second, rel=1e-9)


# ---- noise ----


@pytest.mark.parametrize("repeats", [1, 2, 5, 12])
def test_noise_series_by_symbols(repeats):
    # Source: sympy, sum of the powers
    import sympy

    p, k = sympy.symbols("p k")
    total = sympy.summation(p**k, (k, 0, repeats - 1)).subs(p, sympy.Rational(81, 100))
    expected = 10 * math.log10(float(total))
    assert loop.noise_build_up_db(amplitude_to_db(0.9), repeats) == pytest.approx(expected, abs=1e-9)


def test_long_run_noise_is_the_energy_of_a_filter():
    # Source: scipy.signal.lfilter, energy of the impulse response
    from scipy.signal import lfilter

    impulse = np.zeros(4000)
    impulse[0] = 1
    energy = np.sum(lfilter([1], [1, 0, 0, -0.9], impulse) ** 2)
    assert loop.noise_build_up_db(amplitude_to_db(0.9)) == pytest.approx(10 * math.log10(energy), abs=1e-9)


# ---- limiting ----


@pytest.mark.parametrize("drive", [0.01, 0.5, 1, 3, 30, 300])
def test_describing_function_by_quadrature(drive):
    # Source: scipy.integrate.quad of the definition, by the half turn
    from scipy.integrate import quad

    def curve(u):
        return math.tanh(drive * math.sin(u)) * math.sin(u)

    expected = 4 / (math.pi * drive) * quad(curve, 0, math.pi / 2, epsabs=1e-13, limit=200)[0]
    assert loop.describing_function(drive * 2.5, 2.5) == pytest.approx(expected, abs=1e-8)


def test_describing_function_of_a_weak_signal_by_symbols():
    # Source: sympy, tanh x = x - x^3 / 3 + 2 x^5 / 15 - ...
    import sympy

    a, u = sympy.symbols("a u", positive=True)
    curve = sympy.series(sympy.tanh(a * sympy.sin(u)), a, 0, 7).removeO()
    series = sympy.integrate(sympy.expand(curve * sympy.sin(u)), (u, 0, sympy.pi)) * 2 / (sympy.pi * a)
    assert sympy.simplify(series - (1 - a**2 / 4 + a**4 / 12)) == 0
    expected = float(series.subs(a, sympy.Rational(1, 20)))
    assert loop.describing_function(0.05, 1) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("gain_db", [0.1, 1, 6, 20])
def test_settling_level_by_a_root_finder(gain_db):
    # Source: scipy.optimize.brentq on |L| N(A) = 1 with N by scipy.integrate.quad
    from scipy.integrate import quad
    from scipy.optimize import brentq

    gain = 10 ** (gain_db / 20)

    def excess(drive):
        total = quad(lambda u: math.tanh(drive * math.sin(u)) * math.sin(u), 0, math.pi / 2, epsabs=1e-13)[0]
        return gain * 4 / (math.pi * drive) * total - 1

    expected = brentq(excess, 1e-3, 2 * gain, xtol=1e-12)
    assert loop.settling_level(gain_db, 1) == pytest.approx(expected, rel=1e-8)


# The control library sets the shape of an array in place, which numpy 2.5 no longer likes.
@pytest.mark.filterwarnings("ignore:Setting the shape on a NumPy array:DeprecationWarning")
def test_describing_function_against_a_control_library():
    # Source: python-control, describing_function, which integrates the curve over a turn
    import control

    class Tape(control.DescribingFunctionNonlinearity):
        def __call__(self, value):
            return math.tanh(value)

        def _isstatic(self):
            return True

    drives = np.array([0.2, 1.0, 4.0])
    expected = control.describing_function(Tape(), drives, num_points=2000)
    np.testing.assert_allclose(loop.describing_function(drives, 1), np.real(expected), atol=1e-5)


# ---- against rendered sound ----

RATE = 48000


def dull_machine(speed, boost_db=15.0):
    """The pass of a worn machine: 2 um from the tape, aligned at 0.4 um, 4 minutes of arc off."""
    shared = {"gap": 3e-6, "coating_thickness": 9e-6, "track_width": 1.1e-3}
    today = HeadContact(separation=2e-6, azimuth_angle=math.radians(4 / 60), **shared)
    aligned = HeadContact(separation=0.4e-6, azimuth_angle=0, **shared)
    return OnePass(speed=speed, today=today, aligned=aligned, boost_db=boost_db, low_cut=25)


def rendered(one_pass, spacings, return_gain, seconds, **more):
    """What heads play when nothing is sent in: hiss, sent round again."""
    settings = EchoSettings(
        motion=Motion(speed=one_pass.speed),
        heads=Heads(spacings=spacings),
        return_gain=return_gain,
        one_pass=one_pass,
        hiss=1e-3,
        **more,
    )
    return render(np.zeros(1), RATE, settings, seconds=seconds).wet


def band_level_db(sound):
    """Level from 20 Hz to 20 kHz of the last three quarters of a sound."""
    power = np.abs(np.fft.rfft(sound[len(sound) // 4 :])) ** 2
    frequency = np.linspace(0, RATE / 2, power.size)
    return 10 * math.log10(np.mean(power[(frequency > 20) & (frequency < 20e3)]))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("speed", "send_db", "spacings"),
    [
        (0.1905, -5.0, (0.02,)),
        (0.09525, -0.3, (0.02,)),
        (0.1905, -8.0, (0.02, 0.0331)),
        (0.1905, -12.0, (0.02, 0.0331, 0.0447)),
    ],
)
def test_hiss_builds_up_as_in_rendered_sound(speed, send_db, spacings):
    # Source: tapecalc.sound.render, noise of the tape with the return open and closed
    one_pass, send = dull_machine(speed), db_to_amplitude(send_db)
    seconds = 60 if send_db > -1 else 30
    open_db, closed_db = (band_level_db(rendered(one_pass, spacings, g, seconds)) for g in (send, 0.0))
    made = EchoLoop(heads=Heads(spacings=spacings), return_gain=send, one_pass=one_pass)
    assert loop.hiss_db(made) == pytest.approx(open_db - closed_db, abs=0.1)


@pytest.mark.parametrize(("speed", "send_db"), [(0.1905, -5.0), (0.09525, -0.3), (0.09525, -1.0)])
def test_hiss_of_one_head_by_numpy(speed, send_db):
    # Source: J. C. Mallinson 1969 (from memory), (1 - e^-2kd) e^-2ka / k, once round 1 / (1 - |L|^2) of it
    f = np.linspace(20, 20e3, 200_001)
    k = 2 * np.pi * f / speed
    power = (1 - np.exp(-2 * k * 9e-6)) * np.exp(-2 * k * 2e-6) / k
    once = level_by_numpy(f, speed, 2e-6, 0.4e-6, math.radians(4 / 60), 3e-6, 9e-6, 1.1e-3, 15, 25)
    once *= 10 ** (send_db / 20)
    expected_db = 10 * math.log10(np.sum(power / (1 - once**2)) / np.sum(power))
    made = EchoLoop(
        heads=Heads(spacings=(0.02,)), return_gain=db_to_amplitude(send_db), one_pass=dull_machine(speed)
    )
    assert loop.hiss_db(made) == pytest.approx(expected_db, abs=0.01)


@pytest.mark.slow
@pytest.mark.parametrize("beyond_db", [1.0, 3.0, 6.0])
@pytest.mark.parametrize("spacings", [(0.0415,), (0.02, 0.0331), (0.0415, 0.0631, 0.0887)])
def test_a_runaway_from_hiss_settles_between_one_tone_and_flat_tops(spacings, beyond_db):
    # Source: tapecalc.sound.render, a minute of it; the peak of a sine as strong as all tones together.
    # Without a record equalizer the limit is alike for all tones, as both bounds take it.
    one_pass = dull_machine(0.1905, boost_db=0.0)
    made = EchoLoop(heads=Heads(spacings=spacings), return_gain=1.0, one_pass=one_pass)
    send = db_to_amplitude(loop.stability(made, count_modes=False).margin_db + beyond_db)
    bus = send * rendered(one_pass, spacings, send, 70, saturation=1.0)[-10 * RATE :]
    found_db = 20 * math.log10(math.sqrt(2) * np.sqrt(np.mean(bus**2)))
    one_db = 20 * math.log10(loop.settling_level(beyond_db, 1))
    flat_db = 20 * math.log10(loop.crowd_settling_level(beyond_db, 1))
    assert one_db - 0.3 < found_db < flat_db
    strongest = 4 * np.abs(np.fft.rfft(bus * np.hanning(bus.size))).max() / bus.size
    # One head lets them all grow alike; several prefer the few tones that come back in phase from each.
    assert 20 * math.log10(strongest) < one_db + (-3 if len(spacings) == 1 else 0.5)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("delays", "send_db"), [((0.105, 0.21), -4.7), ((0.11, 0.19, 0.23), -7.0), ((0.105,), 1.0)]
)
def test_growth_of_rendered_hiss(delays, send_db):
    # Source: tapecalc.sound.render without a limit, level of the last seconds
    one_pass, send = dull_machine(0.1905), db_to_amplitude(send_db)
    spacings = tuple(0.1905 * delay for delay in delays)
    made = EchoLoop(heads=Heads(spacings=spacings), return_gain=send, one_pass=one_pass)
    growth = loop.fastest_growth_db_per_s(made)
    sound = rendered(one_pass, spacings, send, 12)
    levels_db = 10 * np.log10(np.mean(sound[-6 * RATE :].reshape(6, RATE) ** 2, axis=1))
    assert growth > 0
    assert np.polyfit(np.arange(6), levels_db, 1)[0] == pytest.approx(growth, rel=0.05)
