"""The figure of tempo and delay: its dots are tempos that fit."""

import numpy as np
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
    # The one that comes nearest to the middle of the tempos, 104: 45 / 0.441 = 102 for a dotted eighth.
    assert len(named) == 1 and "441 ms" in named[0]
    lines = drawn.artists["delays"]
    widest = max(lines, key=lambda line: line.get_linewidth())
    assert sum(line.get_color() == widest.get_color() for line in lines) == 1
    assert widest.get_ydata()[0] == pytest.approx(1000 * 0.042 / 0.09525)
    assert np.ptp(dots[:, 1]) == 0
    assert "102" in boxes and "the other delays of 115 to 441 ms" in drawn.caption


@pytest.mark.parametrize("size", ["notebook", "slide"])
def test_eight_heads_show_the_one_that_fits_nearest_to_the_song(size):
    # 125 mm at 381 mm/s: 328.1 ms; an eighth at 30 / 0.3281 = 91.4. Of 16 delays no other comes nearer to 96.
    heads = "".join(f"[[playback_heads]]\nspacing_mm = {place}\n" for place in range(25, 166, 20))
    machine = machine_from_text(f"[transport]\nspeeds_ips = [15, 7.5]\n{heads}[song]\nbpm = 96\n")
    drawn = draw("tempo_map", machine, profile=size)
    shown = [text for text, _ in shown_texts(drawn.figure)]
    assert "91.4 bpm" in shown and {"61", "91", "137"} <= set(shown)
    assert [text for text in shown if "328 ms" in text] and len(drawn.artists["delays"]) == 16
    assert "head 6 at 38.1 cm/s, 328 ms fits eighth triplet at 61.0, eighth at 91.4" in drawn.caption


def test_each_tempo_stands_above_the_line_and_the_delay_below():
    machine = machine_from_text("[transport]\nspeeds_ips = [7.5]\n[[playback_heads]]\nspacing_mm = 50\n")
    # 262.5 ms: 15, 20, 30 and 45 / 0.2625.
    shown = [text for text, _ in shown_texts(draw("tempo_map", machine).figure)]
    assert {"76", "114", "171", "262 ms, 19.05 cm/s"} <= set(shown)


def test_what_is_seen_is_named_before_what_lies_beyond():
    # 12 and 14 mm: 15.7 to 18.4 ms and 31.5 ms lie below the chart, 36.7 ms in it.
    text = "[transport]\nspeeds_ips = [30, 15]\n[[playback_heads]]\nspacing_mm = 12\n"
    machine = machine_from_text(text + "[[playback_heads]]\nspacing_mm = 14\n")
    written = [text for text, _ in shown_texts(draw("tempo_map", machine).figure)]
    assert "head 2, 37 ms, 38.1 cm/s" in written and not [text for text in written if "beyond" in text]
