"""Published note lengths and trade facts, seen from many heads."""

import numpy as np
import pytest

from tapecalc.calc import head_design, heads
from tapecalc.calc.head_design import MechanicalLimits
from tapecalc.calc.heads import Heads
from tapecalc.calc.standards import FUSION_LIMIT
from tapecalc.calc.tempo import NOTE_VALUES
from tapecalc.calc.units import to_si

TEXTBOOK = "textbook figure 9.18 on musical delays, 120 BPM"


@pytest.mark.parametrize(
    ("delay_ms", "note", "source"),
    [
        (2000, "whole", TEXTBOOK),
        (1000, "half", TEXTBOOK),
        (500, "quarter", "a published calculation of delay from tempo, 60000/BPM"),
        (250, "eighth", TEXTBOOK),
        (125, "sixteenth", TEXTBOOK),
        (666.667, "half triplet", TEXTBOOK),
        (333.333, "quarter triplet", TEXTBOOK),
        (166.667, "eighth triplet", TEXTBOOK),
        (375, "dotted eighth", "published multiplier 0.75"),
        (750, "dotted quarter", "published multiplier 1.5"),
    ],
)
def test_a_head_at_the_published_delay_is_that_note(delay_ms, note, source):
    speed = to_si(7.5, "ips")
    layout = Heads(spacings=(to_si(delay_ms, "ms") * speed,))
    (onset,) = heads.rhythm(layout, speed, 120)
    assert onset.fit.note.name == note
    assert abs(onset.fit.error) < 1e-6


def test_a_head_at_a_published_delay_is_designed_there():
    # Source: published calculation, 500 ms as a dotted eighth is 90 BPM; 300 ms an eighth at 100
    limits = MechanicalLimits(first=0.02, pitch=0.02, longest=0.4, ruler_step=None)
    speed = to_si(7.5, "ips")
    for bpm, beats, delay in ((90, 0.75, 0.5), (100, 0.5, 0.3)):
        design = head_design.design_heads([beats], (bpm, bpm), [speed], limits)
        assert design.layout.delays(speed)[0] == pytest.approx(delay, abs=1e-9)


@pytest.mark.parametrize(
    ("spacing", "speed", "delay"),
    [
        (to_si(2, "in"), to_si(7.5, "ips"), 0.266667),
        (0.050, to_si(38.1, "cm_s"), 0.131234),
        (0.100, to_si(19.05, "cm_s"), 0.524934),
    ],
)
def test_delays_of_published_spacings(spacing, speed, delay):
    # Source: definition, delay is spacing over speed
    assert Heads(spacings=(spacing,)).delays(speed)[0] == pytest.approx(delay, abs=1e-6)


def test_half_the_speed_doubles_every_delay():
    # common practice, no source
    layout = Heads(spacings=(0.0415, 0.083, 0.12))
    np.testing.assert_allclose(layout.delays(0.09525), 2 * layout.delays(0.1905), rtol=1e-12)


def test_two_heads_a_few_centimeters_apart_are_two_echoes_and_a_few_millimeters_one():
    # Source: H. Wallach, E. B. Newman, M. R. Rosenzweig, 1949: sounds fuse up to about 40 ms
    assert FUSION_LIMIT == 0.040
    assert heads.close_pairs(Heads(spacings=(0.04, 0.08)), 0.1905) == ()
    assert len(heads.close_pairs(Heads(spacings=(0.04, 0.045)), 0.1905)) == 1


def test_peaks_and_dips_of_a_comb():
    # Source: J. O. Smith, Physical Audio Signal Processing, comb filters: 1 + g and 1 - g
    for level, peak, dip in ((0.1, 1.1, 0.9), (0.5, 1.5, 0.5), (0.9, 1.9, 0.1)):
        peak_db, notch_db = heads.comb_extremes_db(1.0, level)
        assert 10 ** (peak_db / 20) == pytest.approx(peak, rel=1e-12)
        assert 10 ** (notch_db / 20) == pytest.approx(dip, rel=1e-9)


def test_every_note_value_of_the_library_can_be_asked_for():
    # the published multipliers are all among them
    beats = sorted(note.beats for note in NOTE_VALUES)
    for multiplier in (0.375, 1 / 6, 0.75, 1.5):
        assert min(abs(multiplier - b) for b in beats) < 0.0005
