"""The figure of tempo and delay: its dots are tempos that fit."""

from tapecalc.calc import tempo
from tapecalc.plot.catalog import draw
from tapecalc.plot.tempo import SONG_NOTES


def test_tempo_map_dots_are_exact_fits():
    drawn = draw("tempo_map")
    x, y = drawn.artists["fits"].get_data()
    assert len(x) >= 4
    for bpm, delay in zip(x, y, strict=True):
        wanted = [1000 * tempo.delay_from_tempo(bpm, tempo.note_value(n).beats) for n in SONG_NOTES]
        assert min(abs(w - delay) for w in wanted) < 1e-9
