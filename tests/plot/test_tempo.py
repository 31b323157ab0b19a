"""The figure of tempo and delay: its dots are tempos that fit."""

import pytest
from figure_texts import shown_texts

from tapecalc.calc import tempo
from tapecalc.plot.catalog import draw
from tapecalc.plot.kit import delay_text
from tapecalc.plot.tempo import SONG_NOTES, tempo_map


def test_tempo_map_dots_are_exact_fits():
    drawn = draw("tempo_map")
    x, y = drawn.artists["fits"].get_data()
    assert len(x) >= 4
    for bpm, delay in zip(x, y, strict=True):
        wanted = [1000 * tempo.delay_from_tempo(bpm, tempo.note_value(n).beats) for n in SONG_NOTES]
        assert min(abs(w - delay) for w in wanted) < 1e-9


@pytest.mark.parametrize(
    ("delay", "bpm", "title", "number"),
    [
        # 250 ms: a sixteenth at 60, an eighth triplet at 80, an eighth at 120, a dotted eighth at 180.
        (0.25, 120, "At 120 bpm the echo plays an eighth", "120.0 bpm"),
        (0.25, 110, "At 110 bpm the echo misses these notes", "120.0 bpm"),
        (0.25, None, "4 tempos fit this machine", "120.0 bpm"),
        (25.0, 60, "No delay fits a note at these tempos", "25.0 s"),
        (0.016, None, "No delay fits a note at these tempos", "16 ms"),
    ],
)
def test_the_nearest_tempo_that_fits_is_the_number(delay, bpm, title, number):
    drawn = tempo_map(delays=[(delay,)], speeds=(0.19,), bpm=bpm)
    shown = [text for text, _ in shown_texts(drawn.figure)]
    assert drawn.title == title and number in shown
    assert (f"song, {bpm} bpm" in shown) == (bpm is not None)


def test_a_free_speed_counts_the_notes_that_it_reaches():
    drawn = tempo_map(delays=[(0.075,), (0.3,)], speeds=(0.4, 0.1), bpm=100, between=True)
    # Beats of 600 ms: 600 and 450 ms are too long; 300, 200 and 150 ms are not.
    assert drawn.title == "A free speed fits 3 of the notes here"
    assert "3 of 5" in [text for text, _ in shown_texts(drawn.figure)]
    reach = tempo_map(delays=[(0.075,), (0.3,)], speeds=(0.4, 0.1), between=True)
    assert "75 to 300 ms" in [text for text, _ in shown_texts(reach.figure)]


def test_every_dot_of_a_plain_machine_carries_its_tempo():
    shown = [text for text, _ in shown_texts(draw("tempo_map").figure)]
    # 217.85 ms: 15 / 0.21785 = 68.9, 20 / 0.21785 = 91.8, 30 / 0.21785 = 137.7; 45 / 0.4357 = 103.3.
    assert {"69", "92", "138", "103"} <= set(shown)


def test_long_delays_are_written_in_seconds():
    assert [delay_text(t) for t in (0.21785, 9.99, 24.987)] == ["218 ms", "9990 ms", "25.0 s"]
