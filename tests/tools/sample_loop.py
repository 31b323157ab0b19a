"""The echo once more, sample by sample in plain Python: slow, and easy to check by eye.

This is the reference that the engine is tested against. Nothing is computed in blocks and nothing ahead of
its time: sample n is played, added, recorded, and only then comes sample n + 1. The delay comes from outside,
in a table, so that the engine's own way of finding it is tested too.
"""

import math

import numpy as np
from scipy.special import i0

from tapecalc.sound.engine import (
    DEGREE,
    OVER,
    POINTS,
    bump_weights,
    echo_layout,
    low_cut_coefficients,
    pass_taps,
    reading_kernel,
    record_taps,
    spline,
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
    """A tape at twice the sample rate: lifted, limited, filtered, cut in the bass, bumped.

    Polynomials read it.

    Samples stand on it in the order in which they are written, each `late` behind its place.
    """

    def __init__(self, count, sample_rate, settings):
        self.layout = layout = echo_layout(settings, sample_rate)
        self.taps = pass_taps(settings.one_pass, layout)[::-1]
        self.full = settings.saturation
        if self.full is None:
            self.taps = 2 * self.taps  # zeros between the samples halve their level
        else:
            self.lifting = record_taps(settings.one_pass, sample_rate, layout.lift - POINTS // 2)
        low_cut = 0.0 if settings.one_pass is None else settings.one_pass.low_cut
        self.a, self.b = low_cut_coefficients(low_cut, sample_rate)
        hop, reach = layout.hop, layout.reach
        self.weights = bump_weights(settings.one_pass, layout) if reach else []
        self.lead = 4 * (layout.treble + layout.lift + (2 * reach + 6) * hop)  # silence before the beginning
        self.bus = np.zeros(self.lead + count)
        self.lifted = np.zeros(self.lead + 2 * count)
        self.held = np.zeros(self.lead + 2 * count)  # what the limit leaves, and what is still to come there
        self.doubled = np.zeros(self.lead + 2 * count)
        self.straight = np.zeros(self.lead + 2 * count)  # without bumps
        self.tape = np.zeros(self.lead + 2 * count)
        self.low, self.bumped = {}, {}  # at the rate of the bumps, by step
        self.length = 0  # samples on the bus
        self.filtered = 0.0  # the filter's latest output

    def record(self, value):
        """Take a sample; it completes two half samples on the tape, some time behind it."""
        self.bus[self.lead + self.length] = value
        self.length += 1
        for phase, half_sample in enumerate(self._limited()):
            now = self.lead + 2 * (self.length - 1) + phase
            self.doubled[now] = half_sample
            past = self.doubled[now - len(self.taps) + 1 : now + 1]
            before, self.filtered = self.filtered, past @ self.taps
            change = self.filtered - before
            self.straight[now] = (
                self.a * self.straight[now - 1] + self.b * change if self.a < 1 else self.filtered
            )
            self.tape[now] = self.straight[now]
        if self.layout.reach and self.length % self.layout.hop == 0:
            self._bump()

    def _limited(self):
        """What is behind the limit, three samples late: a sample and the place behind it."""
        newest = self.lead + self.length - 1
        if self.full is None:
            return self.bus[newest], 0.0
        now = self.lead + 2 * (self.length - 1)
        for phase in range(2):
            taps = self.lifting[phase::2]
            self.lifted[now + phase] = self.bus[newest - len(taps) + 1 : newest + 1] @ taps[::-1]
        for step in range(OVER):
            # A place between two half samples that has as many points behind it as in front of it.
            before, between = divmod(now - POINTS + 2 + 2 * (step + 0.5) / OVER, 1)
            around = slice(int(before) - POINTS // 2 + 1, int(before) + POINTS // 2 + 1)
            weights = (between - 0.5) ** np.arange(DEGREE + 1) @ reading_kernel()
            limited = self.full * math.tanh(weights @ self.lifted[around] / self.full)
            self.held[around] += 2 / OVER * limited * weights
        return self.held[now - POINTS : now - POINTS + 2]

    def _bump(self):
        """Add what a step at the low rate makes known."""
        hop, reach, now = self.layout.hop, self.layout.reach, self.length // self.layout.hop
        new = now - 2  # the newest step that all its samples are known of
        places = np.arange((new - 2) * hop, (new + 2) * hop)
        self.low[new] = self.straight[self.lead + 2 * places] @ spline(places / hop - new)
        last = new - reach
        steps = range(last - reach, last + reach + 1)
        self.bumped[last] = sum(
            w * self.low.get(at, 0.0) for w, at in zip(self.weights[::-1], steps, strict=True)
        )
        halves = np.arange(2 * (last - 2) * hop, 2 * (last - 1) * hop)
        for at in range(last - 3, last + 1):
            self.tape[self.lead + halves] += self.bumped.get(at, 0.0) * spline(halves / (2 * hop) - at)

    def read(self, place):
        """Read at a place in samples; before the beginning there is silence."""
        half_samples = 2 * (place + self.layout.late) + self.lead
        before = math.floor(half_samples)
        if before < 2:
            return 0.0
        points = self.tape[before - 2 : before + 4]
        return float(np.polyval((reading_kernel() @ points)[::-1], half_samples - before - 0.5))
