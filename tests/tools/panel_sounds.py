"""What every sound of a panel must be."""

import numpy as np

from tapecalc.sound.loudness import loudness_lufs


def assert_heard(rate, samples):
    """At most three seconds, about as loud as a program, no peak above a half, silent at both ends."""
    assert rate == 24_000 and len(samples) <= 3 * rate
    assert np.max(np.abs(samples)) <= 0.5 + 1e-6
    assert -26 < loudness_lufs(samples, rate) < -20
    ends = np.concatenate([samples[:24], samples[-24:]])  # a millisecond
    assert np.max(np.abs(ends)) < 0.01 * np.max(np.abs(samples))
