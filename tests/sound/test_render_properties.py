"""What must hold of the renderer whatever the machine: bounds, symmetries, and the plain sample loop."""

import dataclasses

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from sample_loop import sample_loop

from tapecalc.calc.flutter import fluttered_delay
from tapecalc.calc.heads import Heads
from tapecalc.machine import example_machine
from tapecalc.sound import engine as passes
from tapecalc.sound.engine import EchoSettings, echo_layout
from tapecalc.sound.motion import Motion
from tapecalc.sound.render import render

RATE = 48000
SPEED = 0.2
ONE_PASS = example_machine().one_pass(SPEED)

delays = st.floats(0.012, 0.06)
gains = st.floats(-1.0, 1.0)
seeds = st.integers(0, 100)


def noise(count, seed):
    return 0.1 * np.random.default_rng(seed).standard_normal(count)


def one_pass_of(head_delays):
    """A pass whose poles, as on any machine, are no longer than half the way to the record head."""
    return dataclasses.replace(ONE_PASS, pole_length=min(5e-3, SPEED * min(head_delays) / 2))


def echo(head_delays, *, return_gain=0.5, **more):
    """An echo whose heads share the return."""
    more = {
        "motion": Motion(speed=SPEED),
        "one_pass": one_pass_of(head_delays),
        "heads": Heads.from_delays(head_delays, SPEED),
    } | more
    return EchoSettings(return_gain=return_gain / len(head_delays), **more)


def fluttered(head_delays, wobble, count):
    """The delay of each head at each sample, as the calculator has it."""
    time = np.arange(count) / RATE
    return [fluttered_delay(time, *wobble, delay, phase=0.4) for delay in head_delays]


@settings(max_examples=10)
@given(
    heads=st.lists(st.tuples(delays, gains, st.booleans()), min_size=1, max_size=2),
    return_gain=gains,
    wobble=st.tuples(st.floats(0, 0.003), st.floats(0.5, 20)),
    saturation=st.one_of(st.none(), st.floats(0.05, 1)),
    flat=st.booleans(),
    seed=seeds,
)
# A whole number of samples, give or take rounding; and an inverted head beside one that does not return.
@example([(1500 / RATE, 1.0, True)], 0.0, (0.0, 1.0), None, False, 0)
@example([(0.013, 0.9, False), (0.02, -0.7, True)], 0.9, (0.002, 7.0), 0.3, False, 1)
def test_blocks_do_what_the_sample_loop_does(heads, return_gain, wobble, saturation, flat, seed):
    dry = noise(4000, seed)
    head_delays, head_gains, feeds_return = zip(*heads, strict=True)
    machine = echo(
        head_delays,
        heads=Heads(
            spacings=[SPEED * delay for delay in head_delays], gains=head_gains, feeds_return=feeds_return
        ),
        return_gain=return_gain,
        motion=Motion(speed=SPEED, wobbles=(wobble,), phases=(0.4,)),
        saturation=saturation,
        one_pass=None if flat else one_pass_of(head_delays),
    )
    plain = sample_loop(dry, RATE, machine, fluttered(head_delays, wobble, len(dry)))
    wet = render(dry, RATE, machine, seconds=len(dry) / RATE).wet
    assert np.abs(wet - plain).max() < 1e-9


def test_the_reader_goes_over_from_point_to_point_without_a_jump():
    before, after = (place ** np.arange(passes.DEGREE + 1) @ passes.reading_kernel() for place in (0.5, -0.5))
    # Over the border the same points count as one further back; the one that comes or goes has no weight.
    assert np.append(before, 0) == pytest.approx(np.insert(after, 0, 0), abs=1e-14)
    assert np.argmax(before) == passes.POINTS // 2 == np.argmax(after) + 1


@settings(max_examples=3)
@given(head_delays=st.lists(delays, min_size=1, max_size=2), return_gain=gains, seed=seeds)
def test_reading_with_a_long_sinc_differs_by_the_interpolation_only(head_delays, return_gain, seed):
    wobble = (0.002, 7.0)
    spectrum = np.fft.rfft(noise(4000, seed))
    spectrum[np.fft.rfftfreq(4000, 1 / RATE) > 10000] = 0
    dry = np.fft.irfft(spectrum) * np.hanning(4000)
    machine = echo(
        head_delays,
        return_gain=return_gain,
        motion=Motion(speed=SPEED, wobbles=(wobble,), phases=(0.4,)),
        one_pass=None,
    )
    plain = sample_loop(dry, RATE, machine, fluttered(head_delays, wobble, len(dry)), reader="sinc")
    wet = render(dry, RATE, machine, seconds=len(dry) / RATE).wet
    assert np.sqrt(np.mean((wet - plain) ** 2)) < 1e-5 * np.sqrt(np.mean(plain**2)) + 1e-12


def test_the_sample_loop_knows_two_readers_only():
    with pytest.raises(ValueError, match="reader must be one of polynomial, sinc"):
        sample_loop([0.1], RATE, echo([0.02]), [[0.02]], reader="linear")


@settings(max_examples=10)
@given(block=st.integers(64, 400), seed=seeds, saturation=st.one_of(st.none(), st.floats(0.05, 1)))
def test_any_block_size_gives_the_same_samples(block, seed, saturation):
    machine = echo([0.02], return_gain=0.9, saturation=saturation, hiss=1e-3)
    dry, takes = noise(5000, seed), []
    usual = echo_layout(machine, RATE)
    for layout in (
        usual,
        dataclasses.replace(usual, block=min(block, usual.block) // usual.cell * usual.cell),
    ):
        padded = np.pad(dry, (0, -len(dry) % layout.block))[None]
        pieces = np.split(padded, padded.shape[1] // layout.block, axis=1)
        takes.append(np.concatenate(list(passes.wet_blocks(pieces, machine, layout)), axis=1)[0, :5000])
    assert np.abs(takes[0] - takes[1]).max() < 1e-12


@settings(max_examples=15)
@given(head_delays=st.lists(delays, min_size=1, max_size=3), seed=seeds)
def test_nothing_is_heard_before_the_shortest_delay(head_delays, seed):
    machine = echo(head_delays)
    wet = render(noise(2000, seed), RATE, machine, seconds=0.2).wet
    layout = echo_layout(machine, RATE)
    early = int(min(head_delays) * RATE) - layout.treble - layout.bumps - layout.hop - 3
    assert not wet[:early].any()
    assert wet.any()


@settings(max_examples=15)
@given(factor=st.floats(-3, 3), head_delays=st.lists(delays, min_size=1, max_size=3), seed=seeds)
def test_without_a_limit_the_echo_follows_the_level(factor, head_delays, seed):
    dry, machine = noise(2000, seed), echo(head_delays)
    one = render(dry, RATE, machine, seconds=0.2).wet
    other = render(factor * dry, RATE, machine, seconds=0.2).wet
    assert other == pytest.approx(factor * one, abs=1e-12)


@settings(max_examples=10)
@given(shift=st.integers(1, 3000), seed=seeds)
def test_on_an_even_run_the_echo_of_a_later_sound_is_later(shift, seed):
    dry = noise(2000, seed)
    machine = echo([0.03], one_pass=dataclasses.replace(ONE_PASS, pole_shape="flat"))
    one = render(dry, RATE, machine, seconds=0.2).wet
    later = render(np.concatenate([np.zeros(shift), dry]), RATE, machine, seconds=0.2).wet
    place, steepest = np.spacing(0.2 * RATE), np.pi * np.abs(one).max()  # samples, as doubles; per sample
    assert later[shift:] == pytest.approx(one[: len(one) - shift], abs=2 * place * steepest)


@settings(max_examples=10)
@given(shift=st.integers(1, 3000), seed=seeds)
def test_bumps_hardly_know_when_the_sound_began(shift, seed):
    # They are computed at a low rate, whose steps the sound may meet anywhere. Of 240 drawn sounds the worst
    # is 82.7 dB below it, the mean 97 dB.
    dry, machine = noise(2000, seed), echo([0.2])
    one = render(dry, RATE, machine, seconds=0.5).wet
    later = render(np.concatenate([np.zeros(shift), dry]), RATE, machine, seconds=0.5).wet
    assert np.sqrt(np.mean((later[shift:] - one[: len(one) - shift]) ** 2)) < 10 ** (-80 / 20) * np.sqrt(
        np.mean(one**2)
    )


@settings(max_examples=15)
@given(return_gain=st.floats(0, 10), saturation=st.floats(0.01, 1), seed=seeds)
def test_a_limited_loop_stays_bounded_at_any_gain(return_gain, saturation, seed):
    machine = echo([0.013], return_gain=return_gain, saturation=saturation, one_pass=None)
    wet = render(noise(2000, seed), RATE, machine, seconds=1.0).wet
    assert np.abs(wet).max() < 2 * saturation
    assert np.mean(wet**2) < saturation**2


@settings(max_examples=10)
@given(return_gain=st.floats(0.1, 0.9), seed=seeds)
def test_a_stable_loop_falls_with_every_repeat(return_gain, seed):
    delay = 0.02
    wet = render(noise(400, seed), RATE, echo([delay], return_gain=return_gain), seconds=0.4).wet
    step = round(delay * RATE)
    levels = [np.sum(wet[n * step - 200 : (n + 1) * step - 200] ** 2) for n in range(1, 19)]
    assert np.all(np.diff(levels) < 0)


@settings(max_examples=10)
@given(seed=seeds, left=gains, right=gains)
def test_channels_are_rendered_each_for_itself(seed, left, right):
    dry, machine = noise(2000, seed), echo([0.02, 0.03], saturation=0.2)
    stereo = render(np.column_stack([left * dry, right * dry]), RATE, machine, seconds=0.2).wet
    for channel, gain in enumerate((left, right)):
        mono = render(gain * dry, RATE, machine, seconds=0.2).wet
        assert np.abs(stereo[:, channel] - mono).max() < 1e-14


@settings(max_examples=10)
@given(seed=seeds, depth=st.floats(0, 0.02))
def test_wobble_changes_the_time_but_hardly_the_level(seed, depth):
    even = echo([0.03], return_gain=0.0)
    wobbling = dataclasses.replace(even, motion=Motion(speed=SPEED, wobbles=((depth, 5.0),), seed=seed))
    takes = [render(noise(9000, seed), RATE, machine, seconds=0.25) for machine in (even, wobbling)]
    levels = [np.sum(take.wet**2) for take in takes]
    assert levels[1] == pytest.approx(levels[0], rel=0.05)
