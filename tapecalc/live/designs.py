"""The filters with which a page plays a pass over tape: designed here, so that a page holds no physics.

What a page does with them is `sound.engine` once more, at one sample rate and in short blocks: the record
equalizer, the limit at four places in each sample, one filter for all that follows, the bumps at a low rate.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import fft

from tapecalc.calc.noise import NOISE_BAND
from tapecalc.calc.response import OnePass
from tapecalc.machine import Machine
from tapecalc.sound.engine import (
    EchoSettings,
    Layout,
    bump_weights,
    echo_layout,
    filter_taps,
    kernel_gain,
    low_cut_coefficients,
    pass_taps,
)
from tapecalc.sound.render import echo_settings, without_stages
from tapecalc.sound.samples import Array

RATE = 48000
BLOCK = 128  # samples at a time, as pages get them
POINTS = 32  # that a head reads around a place
PLACES = 4  # of the limit in a sample
LIMIT_TAPS, LIMIT_BETA = 125, 7.3  # of the way up to the places, and down again: flat up to 20 kHz
RECORD_HALF, RECORD_BETA = 72, 8.0  # samples; as in the engine
MORE_HALF = 110  # samples by which a pass is longer than the engine's, for what it takes back
FADE = 64  # samples at its ends
BAND = 20.5e3, 23e3  # Hz, between which it ends
GRID = 1 << 14


@dataclass(frozen=True)
class Design:
    """The filters of one tape speed, all at `RATE`; symmetric ones are half their length late."""

    speed: float
    settings: EchoSettings
    record: Array  # record equalizer
    passed: Array  # what follows the limit, but for low cut and bumps
    noise: Array  # from white noise of rms 1 to the tape's, rms 1 from 20 Hz to 20 kHz
    bumps: Array  # at every `hop` samples, symmetric; empty without
    hop: int
    low_cut: tuple[float, float] | None  # a and b of y = b (x - x[-1]) + a y[-1]

    @property
    def late(self) -> int:
        """How many samples after it was recorded a sound is on the tape, bumps and all."""
        bumps = (len(self.bumps) // 2 + 3) * self.hop if self.bumps.size else 0
        return len(self.record) // 2 + LIMIT_TAPS // PLACES + len(self.passed) // 2 + bumps


def limit_taps() -> Array:
    """Design the filter of the limit, at `PLACES` times the rate: up, with that gain, and down."""
    away = np.arange(LIMIT_TAPS) - LIMIT_TAPS // 2
    taps = np.sinc(away / PLACES) * np.kaiser(LIMIT_TAPS, LIMIT_BETA)
    return taps / taps.sum()


def designs(machine: Machine, speeds: tuple[float, ...]) -> tuple[Design, ...]:
    """Design the filters of some speeds, those of a pass of one length."""
    even = ["flutter", "hiss", "saturation"]
    layouts = [echo_layout(without_stages(echo_settings(machine, v), even), RATE) for v in speeds]
    half = max(layout.treble for layout in layouts) + MORE_HALF
    return tuple(
        _design(echo_settings(machine, v), layout, half) for v, layout in zip(speeds, layouts, strict=True)
    )


def _design(settings: EchoSettings, layout: Layout, half: int) -> Design:
    one_pass = settings.one_pass
    assert one_pass is not None
    record = record_taps(one_pass)
    bumps = bump_weights(one_pass, layout) if layout.reach else np.zeros(0)
    cut = low_cut_coefficients(one_pass.low_cut, RATE // 2) if one_pass.low_cut else None
    return Design(
        speed=settings.motion.speed,
        settings=settings,
        record=record,
        passed=_passed_taps(one_pass, layout, record, half),
        noise=_noise_taps(one_pass, half),
        bumps=bumps,
        hop=layout.hop,
        low_cut=cut,
    )


def record_taps(one_pass: OnePass) -> Array:
    """Design the record equalizer without its bass."""
    treble = replace(one_pass, tau_low=0.0)
    return filter_taps(lambda f: treble.record_gain(f), RATE, RECORD_HALF, RATE / 2, RECORD_BETA)


def _passed_taps(one_pass: OnePass, layout: Layout, record: Array, half: int) -> Array:
    """Design what is left to do behind record equalizer and limit for the pass that the engine makes."""
    frequency = _grid()
    whole = fft.rfft(pass_taps(one_pass, layout), 2 * GRID)[: len(frequency)]
    whole *= np.exp(2j * np.pi * frequency * layout.treble / RATE) * kernel_gain(np.pi * frequency / RATE)
    if one_pass.low_cut:
        # The engine's low cut runs at twice the rate; the quotient is finite at 0 Hz.
        f = np.maximum(frequency, 1e-3)
        whole *= _low_cut(one_pass.low_cut, 2 * RATE, f) / _low_cut(one_pass.low_cut, RATE, f)
    lifted = fft.rfft(record, GRID) * np.exp(2j * np.pi * frequency * RECORD_HALF / RATE)
    limit = np.abs(fft.rfft(limit_taps(), PLACES * GRID)[: len(frequency)])
    return _cut(np.where(frequency < BAND[1], whole / (lifted * limit**2), 0) * _band(frequency), half)


def _noise_taps(one_pass: OnePass, half: int) -> Array:
    """Design the noise's filter; the bumps come to it as to all that is on the tape."""
    frequency = _grid()
    level_db = replace(one_pass, pole_length=0.0).noise_density_db(np.maximum(frequency, 1.0))
    taps = _cut(10 ** ((level_db - level_db.max()) / 20) * _band(frequency), half)
    inside = (frequency >= NOISE_BAND[0]) & (frequency <= NOISE_BAND[1])
    return taps / math.sqrt(2 * np.sum(np.abs(fft.rfft(taps, GRID)[inside]) ** 2) / GRID)


def _grid() -> Array:
    """Return the frequencies of the designs, up to half the rate."""
    return np.linspace(0.0, RATE / 2, GRID // 2 + 1)


def _low_cut(frequency: float, rate: int, at: Array) -> Array:
    a, b = low_cut_coefficients(frequency, rate // 2)
    turn = np.exp(-2j * np.pi * at / rate)
    result: Array = b * (1 - turn) / (1 - a * turn)
    return result


def _band(frequency: Array) -> Array:
    """Return 1 up to where the band ends, and 0 behind."""
    low, high = BAND
    return 0.5 + 0.5 * np.cos(np.pi * np.clip((frequency - low) / (high - low), 0, 1))


def _cut(spectrum: Array, half: int) -> Array:
    """Return the taps of a spectrum that is 0 late, `half` to each side, faded at their ends."""
    taps = np.roll(fft.irfft(spectrum, GRID), half)[: 2 * half + 1]
    ends = np.sin(0.5 * np.pi * np.minimum((np.arange(half + 1) + 1) / (FADE + 1), 1)) ** 2
    return taps * np.concatenate([ends, ends[-2::-1]])
