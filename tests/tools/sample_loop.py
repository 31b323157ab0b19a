"""The echo once more, sample by sample in plain Python: slow, and easy to check by eye.

This is the reference that the engine is tested against. Nothing is computed in blocks and nothing ahead of
its time: sample n is played, added, recorded, and only then comes sample n + 1. The delay comes from outside,
in a table, so that the engine's own way of finding it is tested too.
"""

import math

import numpy as np
from scipy.special import i0

from tapecalc.sound.engine import (
    LIMITER_RISE,
    echo_layout,
    limiter_taps,
    low_cut_coefficients,
    pass_taps,
    reading_kernel,
    record_taps,
)

__all__ = ["sample_loop"]

SINC_HALF = 60  # samples on either side of the place that the long interpolator takes part of
SINC_BETA = 16.0  # Kaiser's window: better than 150 dB up to 0.45 of the sample rate


def sample_loop(dry, sample_rate, settings, delays, *, reader="polynomial"):
    """Run a mono sound through the echo one sample at a time.

    ``bus[n] = input x[n] + return sum(b_k h_k[n])``, ``wet[n] = sum(a_k h_k[n])``, where
    ``h_k[n]`` is the filtered tape at the time ``n/fs - T_k(n/fs)``.

    `delays` holds the delay in s of each head (row) at each sample (column). The reader ``"polynomial"``
    reads the tape as the engine does; ``"sinc"`` reads the bus itself with a long windowed sinc, where a pass
    has no response and the tape no limit. Hiss and a change of response are left out.
    """
    readers = {"polynomial": _PolynomialTape, "sinc": _SincTape}
    if reader not in readers:
        raise ValueError(f"reader must be one of {', '.join(readers)}, got {reader!r}")
    tape = readers[reader](len(dry), sample_rate, settings)
    heads = list(enumerate(zip(settings.heads.gains, settings.heads.return_gains, strict=True)))
    wet = np.zeros(len(dry))
    for n, sample in enumerate(dry):
        returned = 0.0
        for head, (head_gain, return_gain) in heads:
            played = tape.read(n - delays[head][n] * sample_rate)
            wet[n] += head_gain * played
            returned += return_gain * played
        tape.record(settings.input_gain * sample + settings.return_gain * returned)
    return wet


class _SincTape:
    """A tape that keeps the bus and is read with a long windowed sinc."""

    def __init__(self, count, sample_rate, settings):
        self.bus = np.zeros(count + 2 * SINC_HALF)  # sample n stands at n + SINC_HALF
        self.length = 0

    def record(self, value):
        self.bus[self.length + SINC_HALF] = value
        self.length += 1

    def read(self, place):
        """Read at a place in samples; before the beginning there is silence."""
        if place < -SINC_HALF:
            return 0.0
        first = math.floor(place) - SINC_HALF + 1
        away = place - np.arange(first, first + 2 * SINC_HALF)
        window = i0(SINC_BETA * np.sqrt(np.maximum(0, 1 - (away / SINC_HALF) ** 2))) / i0(SINC_BETA)
        start = max(0, first + SINC_HALF)
        part = self.bus[start : first + 3 * SINC_HALF]
        return float(part @ (np.sinc(away) * window)[start - first - SINC_HALF :])


class _PolynomialTape:
    """A tape at twice the sample rate: lifted, limited, filtered, cut in the bass, read by polynomials."""

    def __init__(self, count, sample_rate, settings):
        layout = echo_layout(settings, sample_rate)
        self.half, self.lift = layout.half, layout.lift
        self.taps = pass_taps(settings.one_pass, sample_rate, self.half, self.lift)[::-1]
        self.lifting = record_taps(settings.one_pass, sample_rate, self.lift)[::-1] if self.lift else None
        self.full = settings.saturation
        self.between = limiter_taps()
        if self.full is None:
            self.taps = 2 * self.taps  # zeros between the samples halve their level
        low_cut = 0.0 if settings.one_pass is None else settings.one_pass.low_cut
        self.a, self.b = low_cut_coefficients(low_cut, sample_rate)
        self.lead = max(2 * LIMITER_RISE, 4 * self.half) + 2 * self.lift  # silence before the beginning
        self.bus = np.zeros(self.lead + count)
        self.lifted = np.zeros(self.lead + count)
        self.doubled = np.zeros(self.lead + 2 * count)
        self.tape = np.zeros(self.lead + 2 * count)
        self.length = 0  # samples on the bus
        self.filtered = 0.0  # the filter's latest output

    def record(self, value):
        """Take a sample; it completes two half samples on the tape, some time behind it."""
        newest = self.lead + self.length
        self.bus[newest] = value
        self.length += 1
        if self.full is None:
            pair = (value, 0.0)
            behind = 0
        else:
            if self.lift:
                value = self.bus[newest - 2 * self.lift : newest + 1] @ self.lifting
            self.lifted[newest] = value
            behind = LIMITER_RISE + self.lift
            around = self.lifted[newest - 2 * LIMITER_RISE + 1 : newest + 1]
            pair = [self.lifted[newest - LIMITER_RISE], around @ self.between]
            pair = [self.full * math.tanh(value / self.full) for value in pair]
        for phase, half_sample in enumerate(pair):
            now = self.lead + 2 * (self.length - 1) + phase
            self.doubled[now] = half_sample
            before, self.filtered = self.filtered, self.doubled[now - 4 * self.half : now + 1] @ self.taps
            # The filter and the limiter are late; what comes out belongs to an earlier place.
            at = now - 2 * self.half - 2 * behind
            if self.a < 1:
                self.tape[at] = self.a * self.tape[at - 1] + self.b * (self.filtered - before)
            else:
                self.tape[at] = self.filtered

    def read(self, place):
        """Read at a place in samples; before the beginning there is silence."""
        half_samples = 2 * place + self.lead
        before = math.floor(half_samples)
        if before < 2:
            return 0.0
        points = self.tape[before - 2 : before + 4]
        return float(np.polyval((reading_kernel() @ points)[::-1], half_samples - before - 0.5))
