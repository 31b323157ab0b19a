"""What the sounds of panels share: one loudness, silence at both ends, a hiss that is the same each time."""

import numpy as np
import pytest
import scripts
from panel_runs import heard

from tapecalc.course import flutter, heads, repeats
from tapecalc.sound.loudness import PROGRAM_LUFS, loudness_lufs

SOUNDS = [
    ("repeats", "fadingPanel", repeats.FACTS, {}),
    ("repeats", "fadingPanel", repeats.FACTS, {"loop_gain": 0.3, "hiss_db": -75, "delay_ms": 250}),
    ("repeats", "fadingPanel", repeats.FACTS, {"loop_gain": 1.3, "delay_ms": 60}),
    ("repeats", "fadingPanel", repeats.FACTS, {"loop_gain": 1.0, "start_db": -30, "hiss_db": -40}),
    ("flutter", "wobblePanel", flutter.FACTS, {}),
    ("flutter", "wobblePanel", flutter.FACTS, {"rate_hz": 0.2, "wobble_percent": 0.5}),
    ("heads", "combPanel", heads.FACTS, {}),
    ("heads", "combPanel", heads.FACTS, {"apart_mm": 12, "second_db": -20}),
]


@pytest.mark.parametrize(("module", "panel", "facts", "setting"), SOUNDS)
def test_every_sound_is_as_loud_as_a_program(module, panel, facts, setting):
    rate, samples = heard(module, panel, facts, setting)
    assert loudness_lufs(samples, rate) == pytest.approx(PROGRAM_LUFS, abs=1)
    assert np.max(np.abs(samples)) <= 0.5 and max(abs(samples[0]), abs(samples[-1])) < 1e-4
    assert samples.size / rate <= 3


def test_the_hiss_is_even_and_always_the_same():
    hiss = np.array(
        scripts.run("hearing", "return Array.from({ length: 48000 }, (_, at) => steadyHiss(at));")
    )
    assert np.std(hiss) == pytest.approx(1, abs=0.01) and np.mean(hiss) == pytest.approx(0, abs=0.02)
    # As much in each eighth of the band, and nothing of it comes again.
    power = np.abs(np.fft.rfft(hiss)) ** 2
    assert np.mean(power[1:].reshape(8, -1), axis=1) == pytest.approx(np.mean(power), rel=0.1)
    again = np.fft.irfft(power) / np.sum(hiss**2)
    assert np.max(np.abs(again[1:24000])) < 0.03


def test_a_note_begins_and_ends_in_silence():
    note = scripts.run("hearing", "return [-0.01, 0, 0.4, 0.41, 1].map(pluckedNote);")
    assert note == pytest.approx([0] * 5, abs=1e-4)
