"""The test signal, found again in a recording."""

import deck_generator as generator
import numpy as np
import pytest

from tapecalc import measuring as measure
from tapecalc.measuring import CannotTell


@pytest.mark.parametrize("rate", [44100, 48000])
def test_the_test_signal_is_found_again_wherever_it_starts(rate):
    signal = measure.make_test_signal(rate)
    assert np.max(np.abs(signal)) <= 0.2501
    late = np.concatenate([1e-4 * np.random.default_rng(1).standard_normal(int(7.3 * rate)), signal])
    parts = measure.find_parts(measure.open_recording(np.stack([late, late], 1), sample_rate=rate))
    assert set(parts) == {part.name for part in measure.PARTS}
    begin = parts["noise"].first / rate - 7.3
    assert begin == pytest.approx(13.0, abs=2 / rate)


def test_a_recording_without_the_test_signal_is_refused():
    with pytest.raises(CannotTell, match="announcing pattern"):
        measure.find_parts(measure.open_recording(generator.noise(10, 48000), sample_rate=48000))
    with pytest.raises(ValueError, match="sample_rate"):
        measure.make_test_signal(8000)
