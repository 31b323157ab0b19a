"""The figure of tempo and delay: its dots are tempos that fit."""

import pytest
from figure_texts import shown_texts
from matplotlib.transforms import Bbox

from tapecalc.calc import tempo
from tapecalc.machine import machine_from_text
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


@pytest.mark.parametrize("size", ["notebook", "slide", "vertical", "article_single"])
def test_no_name_and_no_tempo_lies_on_a_dot_of_many_heads(size):
    heads = "".join(f"[[playback_heads]]\nspacing_mm = {place}\n" for place in range(22, 46, 4))
    machine = machine_from_text(f"[transport]\nspeeds_ips = [7.5, 3.75]\n{heads}")
    drawn = draw("tempo_map", machine, profile=size)
    axes = drawn.figure.axes[0]
    dots = axes.transData.transform(drawn.artists["fits"].get_xydata())
    boxes = dict(shown_texts(drawn.figure))
    for text, box in boxes.items():
        ink = Bbox(
            [box.min + [0, 0.2 * box.height], box.max - [0, 0.25 * box.height]]
        )  # of the line, letters
        assert not any(ink.contains(*dot) for dot in dots), text
    named = [text for text in boxes if "ms" in text and "delay" not in text]
    assert 1 <= len(named) <= 2  # the shortest and the longest: others would be covered


def test_what_is_seen_is_named_before_what_lies_beyond():
    # 12 and 14 mm: 15.7 to 18.4 ms and 31.5 ms lie below the chart, 36.7 ms in it.
    text = "[transport]\nspeeds_ips = [30, 15]\n[[playback_heads]]\nspacing_mm = 12\n"
    machine = machine_from_text(text + "[[playback_heads]]\nspacing_mm = 14\n")
    written = [text for text, _ in shown_texts(draw("tempo_map", machine).figure)]
    assert "head 2, 37 ms, 38.1 cm/s" in written and not [text for text in written if "beyond" in text]
