"""Figures show the machine that they are drawn for: five machines, worked out by hand."""

import numpy as np
import pytest
from figure_texts import shown_texts
from machines import MACHINES
from matplotlib.colors import to_hex
from matplotlib.patches import Circle

from tapecalc.machine import example_machine, machine_from_text, with_changes
from tapecalc.plot.catalog import CATALOG, draw

FIVE = {name: machine_from_text(text) for name, text in MACHINES.items()}


def texts(drawn):
    return [text for text, _ in shown_texts(drawn.figure)]


# ---- the heads as a rhythm ----


@pytest.mark.parametrize(
    ("name", "beats", "later"),
    [
        # 0.2 s x 76 / 60; at -8 dB a repeat, four are not 30 dB down: three more follow.
        ("one_head", [0.253333], [0.506667, 0.76, 1.013333]),
        # 100, 200, 400 ms x 75 / 60. g = 0.3162, a = 1, -0.5012, 0.7079 (out): on the bus 1, 0.316, -0.058,
        # -0.069, -0.012, 0.007 every 100 ms, heard 1, -0.19, -0.22, 0.67, 0.25, -0.028, -0.048, -0.011:
        # beside the heads' own only those at 300, 500 and 700 ms are above 0.0316.
        ("three_heads", [0.125, 0.25, 0.5], [0.375, 0.625, 0.875]),
        # 300 ms at 10 cm/s, x 92 / 60. g = 0.1: on the bus 1, 0.1, 0.11, 0.121, 0.133, 0.046, 0.041, 0.034,
        # heard, four at a time: 5th 0.46, 6th 0.41, 7th 0.34, 8th 0.25; the 9th is beyond the bar, 4 beats.
        ("closed_loop", [0.46, 0.92, 1.38, 1.84], [2.3, 2.76, 3.22, 3.68]),
        # 5 mm / 47.6 mm/s = 105.04 ms, x 100 / 60
        ("cassette", [0.175070], [0.350140, 0.525210, 0.700280]),
        # 219.3 ms as measured, x 76 / 60
        ("measured", [0.27778], [0.55556, 0.83334, 1.11112, 1.3889]),
    ],
)
def test_the_rhythm_is_that_of_the_heads_and_what_comes_back(name, beats, later):
    artists = draw("head_rhythm", FIVE[name]).artists
    assert [hit.get_xdata()[0] for hit in artists["hits"]] == pytest.approx(beats, abs=1e-5)
    assert artists["later"].get_xdata() == pytest.approx(later, abs=1e-5)


def test_the_rhythm_shows_level_polarity_and_what_is_outside_of_the_loop():
    drawn = draw("head_rhythm", FIVE["three_heads"])
    plain, turned, outside = drawn.artists["hits"]
    assert [hit.get_marker() for hit in (plain, turned, outside)] == ["o", "v", "o"]
    face = to_hex(outside.get_markerfacecolor())
    assert face == "#ffffff" and to_hex(plain.get_markerfacecolor()) != face
    assert "head 2, 80 mm\n\N{MINUS SIGN}6.0 dB, inverted" in texts(drawn)
    assert "head 3, 160 mm\n\N{MINUS SIGN}3.0 dB, not in the loop" in texts(drawn)
    said = "Head 2: \N{MINUS SIGN}6.0 dB, inverted. Head 3: \N{MINUS SIGN}3.0 dB, not in the loop."
    assert all(said in draw(figure, FIVE["three_heads"]).caption for figure in ("tape_path", "loop_diagram"))


def test_a_measured_delay_moves_the_answer_and_not_the_head():
    drawn = draw("head_rhythm", FIVE["measured"])
    assert "head 1, 41.5 mm" in texts(drawn)


# ---- the tape as a ruler ----


def test_the_ruler_holds_the_heads_against_the_beats_of_each_speed():
    artists = draw("tape_as_ruler", FIVE["closed_loop"]).artists
    assert [head.get_xdata()[0] for head in artists["heads"]] == pytest.approx([30, 60, 90, 120])
    for hits in artists["hits"]:
        assert hits.get_xdata() == pytest.approx([30, 60, 90, 120])
    # A sixteenth at 92 bpm lasts 163.04 ms, 16.304 mm at 10 cm/s and 65.217 mm at 40 cm/s.
    slow, fast = ([stroke[0, 0] for stroke in marks.get_segments()] for marks in artists["marks"])
    assert slow[:3] == pytest.approx([0, 16.3043, 32.6087], abs=1e-3) and len(slow) == 8
    assert fast == pytest.approx([0, 65.2174], abs=1e-3)
    # 219.3 ms at 190.5 mm/s are 41.777 mm of tape; at the other speed nothing was measured.
    hits = [hit.get_xdata()[0] for hit in draw("tape_as_ruler", FIVE["measured"]).artists["hits"]]
    assert hits == pytest.approx([41.77665, 41.5])


def test_the_ruler_writes_beats_and_names_a_note_only_where_ears_take_it_for_one():
    drawn = draw("tape_as_ruler", FIVE["three_heads"])
    written = texts(drawn)
    assert {"0.25, sixteenth", "0.50, eighth", "1.00, quarter"} <= set(written)
    assert "At 20 cm/s: 0.25 beats (sixteenth), 0.50 beats (eighth), 1.00 beats (quarter)." in drawn.caption
    # At 92 bpm and 10 cm/s 1.84 beats are 104 ms from a half note: ears take it for none.
    assert "1.38 beats, 1.84 beats." in draw("tape_as_ruler", FIVE["closed_loop"]).caption


@pytest.mark.parametrize("size", ["slide", "vertical"])
def test_the_ruler_writes_the_beats_of_every_head_left_of_it(size):
    drawn = draw("tape_as_ruler", FIVE["closed_loop"], profile=size)
    boxes, to_sheet = shown_texts(drawn.figure), drawn.figure.axes[0].transData
    places = to_sheet.transform([(mm, 0) for mm in (0, 30, 60, 90, 120)])[:, 0]
    # As above at 10 cm/s, a quarter of it at 40 cm/s.
    for beats in (["0.46", "0.92", "1.38", "1.84"], ["0.11", "0.23", "0.34", "0.46"]):
        for low, high, said in zip(places[:-1], places[1:], beats, strict=True):
            assert any(
                text[:4] == said and low < (box.x0 + box.x1) / 2 and box.x1 < high for text, box in boxes
            )
    measured = draw("tape_as_ruler", FIVE["measured"], profile=size)
    beats = [box for text, box in shown_texts(measured.figure) if text.startswith("0.28") and box.y0 > 0]
    head = measured.figure.axes[0].transData.transform((41.5, 0))[0]
    assert any(box.x1 < head < box.x1 + 1.2 * box.height for box in beats)


# ---- the comb ----


def level_at(comb, frequency):
    x, y = comb.get_data()
    k = int(np.argmin(np.abs(x - frequency)))
    assert x[k] == pytest.approx(frequency, abs=1e-9)
    return y[k]


@pytest.mark.parametrize(
    ("name", "frequency", "level_db"),
    [
        # One head: its answers 1, 0.3981, 0.1585, 0.0631, 200 ms apart, in step at 0, alternating at 2.5 Hz.
        ("one_head", 0.0, 4.188),
        ("one_head", 2.5, -3.132),
        # 100, 200, 400 ms: 1 - 0.5012 + 0.7079 at 0; at 5 Hz the first has turned by half, the others not.
        ("three_heads", 0.0, 1.632),
        ("three_heads", 5.0, -2.011),
        # 75, 150, 225, 300 ms at 40 cm/s: four in step at 0; a quarter turn apart, 1 / 0.3 s, they cancel.
        ("closed_loop", 0.0, 12.041),
        ("closed_loop", 10 / 3, -40.0),  # the floor of the picture
    ],
)
def test_the_comb_is_that_of_the_machines_answers(name, frequency, level_db):
    assert level_at(draw("comb_of_heads", FIVE[name]).artists["comb"], frequency) == pytest.approx(
        level_db, abs=0.01
    )


def test_a_head_that_does_not_come_back_makes_no_comb():
    machine = with_changes(FIVE["cassette"], {"playback_heads.1.feeds_return": False})
    drawn = draw("comb_of_heads", machine)
    assert np.abs(drawn.artists["comb"].get_ydata()).max() < 1e-12
    assert drawn.caption == "One head that does not come back: no comb."


# ---- tempos ----


def test_the_tempo_map_has_every_delay_the_slower_the_heavier():
    lines = draw("tempo_map", FIVE["three_heads"]).artists["delays"]
    assert [line.get_ydata()[0] for line in lines] == pytest.approx([100, 200, 400, 200, 400, 800])
    assert {line.get_color() for line in lines} == {"#DA3B07"} and {
        line.get_linestyle() for line in lines
    } == {"-"}
    fast, slow = ({line.get_linewidth() for line in some} for some in (lines[:3], lines[3:]))
    assert len(fast) == len(slow) == 1 and max(fast) < min(slow)
    fits = draw("tempo_map", FIVE["one_head"]).artists["fits"].get_xydata()
    # 200 ms: a sixteenth at 75, an eighth triplet at 100, an eighth at 150; 400 ms: eighth, dotted, quarter.
    expected = [(75, 200), (100, 200), (150, 200), (75, 400), (112.5, 400), (150, 400)]
    assert fits.ravel() == pytest.approx(np.ravel(expected))


def test_a_free_speed_is_a_band_and_the_dots_are_what_it_plays_at_the_songs_tempo():
    artists = draw("tempo_map", FIVE["closed_loop"]).artists
    reach = [line.get_ydata().tolist() for line in artists["delays"]]
    assert np.ravel(reach) == pytest.approx([75, 300, 150, 600, 225, 900, 300, 1200])
    assert artists["band"].get_y() == pytest.approx(75) and artists["band"].get_height() == pytest.approx(
        1125
    )
    tempos, delays = artists["fits"].get_data()
    assert set(tempos) == {92.0}
    # 60 / 92 s = 652.17 ms: a quarter; 489.13, 326.09, 217.39, 163.04 ms.
    first, second = [217.39, 163.04], [489.13, 326.09, 217.39, 163.04]
    others = [652.17, 489.13, 326.09]
    assert delays == pytest.approx([*first, *second, *others, *others], abs=0.01)


def test_a_tempo_beyond_the_usual_ones_is_still_shown():
    machine = with_changes(FIVE["one_head"], {"song.bpm": 240.0})
    drawn = draw("tempo_map", machine)
    assert drawn.figure.axes[0].get_xlim()[1] > 240 and "song, 240 bpm" in texts(drawn)


# ---- the tape's way ----


@pytest.mark.parametrize("name", FIVE)
@pytest.mark.parametrize("size", ["notebook", "vertical"])
def test_heads_stand_at_true_proportions_with_their_delays(name, size):
    machine = FIVE[name]
    drawn = draw("tape_path", machine, profile=size)
    record = drawn.artists["record"].get_center()
    away = [np.hypot(*(box.get_center() - record)) for box in drawn.artists["playback"]]
    assert np.array(away) / away[-1] == pytest.approx(np.array(machine.spacings) / machine.spacings[-1])
    assert any("pinch" in text for text in texts(drawn)) and "capstan" in texts(drawn)


def test_delays_of_the_way_are_those_of_the_machine():
    said = {
        "one_head": "200 ms over 38.1 mm",
        "three_heads": "100 ms over 40 mm, 200 ms over 80 mm and 400 ms over 160 mm",
        "closed_loop": "75 to 300 ms over 30 mm",
        "cassette": "105 ms over 5 mm",
        "measured": "219 ms over 41.5 mm",
    }
    for name, words in said.items():
        assert words in draw("tape_path", FIVE[name]).caption


@pytest.mark.parametrize("size", ["notebook", "vertical"])
def test_the_thin_one_is_called_capstan_and_the_thick_one_pinch_roller(size):
    drawn = draw("tape_path", profile=size)
    figure = drawn.figure
    figure.draw_without_rendering()
    scale = drawn.artists["heads"][0] / 41.5
    disks = [patch for patch in figure.axes[0].patches if isinstance(patch, Circle)]
    capstan, roller = (min(disks, key=lambda d: abs(d.radius / scale - size)) for size in (4, 19))
    places = {t.get_text().replace("\n", " "): np.array(t.get_position()) for t in figure.axes[0].texts}

    def away(word, disk):
        return np.hypot(*(places[word] - disk.center)) - disk.radius

    assert away("capstan", capstan) < 1.5 < away("capstan", roller) + 1.5
    assert away("capstan", capstan) < away("capstan", roller)
    assert away("pinch roller", roller) < away("pinch roller", capstan)


def test_a_closed_loop_has_a_splice_and_a_lap_and_no_reels():
    drawn = draw("tape_path", FIVE["closed_loop"])
    assert "splice" in texts(drawn) and "closed loop, 1.2 m, lap 3 to 12 s" in texts(drawn)
    assert not {"supply", "take-up"} & set(texts(drawn)) and "reel" not in drawn.caption + drawn.alt
    way = drawn.artists["way"]
    assert way[0, 0] == 0 and way[-1, 0] == pytest.approx(1.2)  # m, once round
    assert way[-1, 1:] == pytest.approx(way[0, 1:])
    last = [np.interp(0.12, way[:, 0], way[:, k]) for k in (1, 2)]
    assert np.hypot(*(last - np.array(_foot(drawn, -1)))) < 1.0  # the last head
    assert 1.0 < drawn.artists["ridden"] < 1.2  # what is recorded rides to the erase head
    radii = [p.radius for p in drawn.figure.axes[0].patches if isinstance(p, Circle)]
    assert len(radii) == 7  # four guides, capstan, pinch roller and its axle


def _foot(drawn, k):
    """Where a playback head touches the tape, on a wide sheet."""
    box = drawn.artists["playback"][k]
    return box.get_center()[0], box.get_y()


@pytest.mark.parametrize("name", ["one_head", "closed_loop"])
def test_an_erase_head_only_where_there_is_one(name):
    bare = with_changes(FIVE[name], {"heads.erases": False})
    assert "erase" in texts(draw("tape_path", FIVE[name]))
    drawn = draw("tape_path", bare)
    assert "erase" not in texts(drawn) and "erase" not in drawn.alt
    if bare.loop_length:
        assert drawn.artists["ridden"] == pytest.approx(1.2)


@pytest.mark.slow
@pytest.mark.parametrize("figure", CATALOG)
def test_no_figure_of_a_closed_loop_shows_or_names_a_reel(figure):
    machine = FIVE["closed_loop"]
    if not CATALOG[figure].suits(machine):
        assert figure in ("reel_turns", "reel_time", "flutter_fingerprint")
        return
    drawn = draw(figure, machine)
    said = " ".join([*texts(drawn), drawn.caption, drawn.alt])
    assert "reel" not in said and "supply" not in said and "0 min" not in said


def test_reels_of_a_closed_loop_are_refused_in_a_sentence():
    with pytest.raises(ValueError, match="'reel_time' needs a tape on reels, which 'Closed loop' has not"):
        draw("reel_time", FIVE["closed_loop"])


def test_the_delay_map_of_a_free_speed_is_a_band():
    artists = draw("delay_map", FIVE["closed_loop"]).artists
    slow, fast = (line.get_ydata() for line in artists["lines"])
    millimeters = artists["lines"][0].get_xdata()
    assert slow == pytest.approx(10 * millimeters) and fast == pytest.approx(2.5 * millimeters)
    assert "band" in artists
    reach = [stroke[:, 1].tolist() for stroke in artists["reach"].get_segments()]
    assert np.ravel(reach) == pytest.approx([300, 75, 600, 150, 900, 225, 1200, 300])
    assert "band" not in draw("delay_map", FIVE["one_head"]).artists
    measured = draw("delay_map", FIVE["measured"]).artists["heads"]
    assert [dots.get_ydata()[0] for dots in measured] == pytest.approx([219.3, 435.6955], abs=1e-3)


# ---- loop and levels ----


@pytest.mark.parametrize(
    ("name", "written", "arrows"),
    [
        ("one_head", ["playback\nhead", "input send\n0 dB", "return send\n-8 dB"], 15),
        (
            "three_heads",
            [
                "playback\nheads 1, 2\n-6 to 0 dB\n2 inverted",
                "playback\nhead 3\n-3 dB",
                "return send\n-10 dB",
            ],
            19,
        ),
        ("closed_loop", ["playback\nheads 1 to 4", "return send\n-20 dB"], 15),
        ("cassette", ["playback\nhead", "return send\n-8 dB"], 15),
        ("measured", ["playback\nhead", "return send\n-6 dB"], 15),
    ],
)
@pytest.mark.parametrize("size", ["notebook", "article_single"])
def test_the_loop_diagram_has_the_machines_heads_and_sends(name, written, arrows, size):
    drawn = draw("loop_diagram", FIVE[name], profile=size)
    assert {text.replace("-", "\N{MINUS SIGN}") for text in written} <= set(texts(drawn))
    assert sum(isinstance(name, tuple) for name in drawn.artists) == arrows
    assert (("outside", "channel 3") in drawn.artists) == (name == "three_heads")


def test_on_a_small_sheet_the_loop_diagram_keeps_which_heads_and_the_levels_of_the_sends():
    written = texts(draw("loop_diagram", FIVE["three_heads"], profile="vertical"))
    assert {"playback\n1, 2", "playback\nhead 3", "input\n0 dB", "return\n\N{MINUS SIGN}10 dB"} <= set(
        written
    )


def test_where_nothing_feeds_the_return_there_is_no_arrow_back():
    machine = with_changes(FIVE["cassette"], {"playback_heads.1.feeds_return": False})
    drawn = draw("loop_diagram", machine)
    assert (
        not any("return send" in wire for wire in drawn.artists)
        and "one answer and no repeat" in drawn.caption
    )


def test_the_ladder_has_the_heads_in_it_and_the_tape_against_its_reference():
    drawn = draw("level_ladder", FIVE["three_heads"])
    # -10 dBu + 10 dB; all heads in phase 1 + 0.5012 + 0.7079 = +6.885 dB; of those 1.5012 go back, at -10 dB.
    expected = [0, 0, 0, 0, 6.885, -6.471]
    assert drawn.artists["signal"].get_ydata() == pytest.approx(expected, abs=0.005)
    assert "tape\n\N{MINUS SIGN}4.0 dB" in texts(drawn)  # 0 dBu, and +4 dBu is the reference
    assert draw("level_ladder", FIVE["closed_loop"]).artists["signal"].get_ydata()[4] == pytest.approx(
        12.041, abs=0.005
    )


def test_tracks_are_those_of_the_machine():
    drawn = draw("tracks_on_tape", FIVE["one_head"])  # 2 mm by default, a half track
    assert drawn.caption.startswith("2 tracks of 2 mm on a 6.3 mm tape.")
    loop = draw("tracks_on_tape", FIVE["closed_loop"]).caption
    assert "free: 2" in loop and "other side" not in loop  # nobody turns a loop over
    with pytest.raises(ValueError, match="needs a quarter-inch tape"):
        draw("tracks_on_tape", FIVE["cassette"])


def test_what_is_no_fact_of_the_machine_is_called_a_suggestion():
    drawn = draw("reachable_rhythms", FIVE["one_head"])
    assert drawn.caption.startswith("A suggestion: two heads from 30 mm to 140 mm, 76 beats a minute.")
    assert any(text.startswith("a suggestion") for text in texts(drawn))
    for name in ("head_rhythm", "tape_as_ruler", "comb_of_heads", "tape_path"):
        assert "suggest" not in draw(name, FIVE["one_head"]).caption


# ---- fine enough for what is shown ----


def widest_step(line):
    return np.max(np.diff(line.get_xdata()))


WORN = with_changes(
    example_machine(),
    {
        **{"heads.gap_um": 20.0, "heads.azimuth_error_arcmin": 60.0},
        **{"transport.speeds_ips": (0.9375,), "transport.speeds_cm_s": None},
    },
)


@pytest.mark.slow
@pytest.mark.parametrize("machine", [*FIVE.values(), WORN], ids=[*FIVE, "slow and worn"])
def test_curves_have_twenty_points_on_the_narrowest_thing_that_they_show(machine):
    speed, fastest = machine.speeds[0], max(machine.speeds)
    delays = np.array(machine.delays(fastest))
    comb = draw("comb_of_heads", machine).artists["comb"]
    if len(delays) > 1:
        assert widest_step(comb) <= 1 / np.ptp(delays) / 20
    else:
        assert widest_step(comb) <= 1 / delays[0] / 20
    arches = draw("flutter_comb", machine).artists
    assert widest_step(arches["second"]) <= 1 / (2 * machine.delays(speed)[0]) / 20
    shortest = min(machine.speeds) / 10e3  # m, of 10 kHz
    assert all(
        widest_step(wave) <= shortest / 20 for wave in draw("wavelength_at_gap", machine).artists["patterns"]
    )
    contact = machine.one_pass(speed).today
    slits = contact.gap * contact.gap_factor, contact.track_width * np.tan(contact.azimuth_angle)
    null = speed / max(slits)  # Hz, where the wider of them meets its first null, and from one to the next
    lines = [
        *draw("four_losses", machine).artists.values(),
        draw("repeats_response", machine).artists["repeats"][0],
    ]
    for line in lines:
        f = line.get_xdata()
        assert null > 20e3 or np.max(np.diff(f)[f[1:] > null / 2]) <= null / 20
        assert f[0] == 20 and f[-1] == pytest.approx(20e3, rel=1e-3)


def test_deep_nulls_are_met():
    # Two equal heads 100 ms apart cancel at 5 Hz and every 10 Hz more; each is on the grid of the curve.
    machine = with_changes(
        FIVE["closed_loop"], {"playback_heads": [{"spacing_mm": 40.0}, {"spacing_mm": 80.0}]}
    )
    comb = draw("comb_of_heads", machine).artists["comb"]
    assert [level_at(comb, f) for f in (5, 15, 55, 75)] == [-40.0] * 4


# ---- what is crowded ----

SIX = machine_from_text(
    "[transport]\nspeeds_ips = [7.5, 3.75]\n"
    + "".join(f"[[playback_heads]]\nspacing_mm = {place}\n" for place in range(22, 46, 4))
)


@pytest.mark.parametrize("size", ["notebook", "slide", "vertical", "article_double"])
@pytest.mark.parametrize("machine", [SIX, FIVE["closed_loop"]], ids=["six", "loop"])
def test_no_beats_lie_over_the_line_of_a_head(machine, size):
    drawn = draw("tape_as_ruler", machine, profile=size)
    axes = drawn.figure.axes[0]
    ways = axes.transData.transform([(stroke[0][0], 1) for stroke in drawn.artists["ways"].get_segments()])
    drawn.figure.draw_without_rendering()
    beats = [text.get_window_extent() for text in axes.texts if "." in text.get_text()[:3]]
    assert beats and not any(box.x0 < x < box.x1 for box in beats for x in ways[:, 0])


@pytest.mark.parametrize("name", ["one_head", "three_heads", "closed_loop"])
def test_tape_that_is_not_erased_passes_as_many_heads_as_there_are(name):
    count = len(FIVE[name].spacings)
    written = texts(draw("erase_off", FIVE[name]))
    assert [text for text in written if text.isdigit()] == [str(k + 1) for k in range(count)][
        : count * (count > 1)
    ]
    assert ("playback" in written) == (count == 1)


def test_the_works_of_a_narrow_key_are_the_fastest_and_the_slowest_speed():
    narrow, wide = (
        texts(draw("reachable_rhythms", FIVE["closed_loop"], profile=p)) for p in ("vertical", "notebook")
    )
    assert {"40 cm/s", "10 cm/s"} <= set(narrow) and "20 cm/s" not in narrow and "20 cm/s" in wide


def test_speeds_stand_from_the_fastest_down_at_the_gap():
    lengths = draw("wavelength_at_gap", FIVE["closed_loop"]).artists["lengths"]
    # 40 cm/s and 10 cm/s over 10 kHz
    assert [text.get_text() for text in lengths] == ["40 cm/s, 40 µm", "10 cm/s, 10 µm"]


@pytest.mark.parametrize("name", ["machine_chain", "one_repeat", "head_bumps"])
@pytest.mark.parametrize(
    "lines",
    [
        # twice one speed, and hardly a pole; then one that is mute
        "transport.speeds_ips = [7.5, 7.5]\nheads.pole_length_mm = 0.01",
        "transport.speeds_cm_s = [7.5]\nheads.gap_um = 50.0\nheads.spacing_loss_um = 50.0\n"
        "heads.low_cut_hz = 1000.0\nheads.azimuth_error_arcmin = 300.0\nheads.track_width_mm = 60.0",
    ],
)
def test_what_hardly_plays_is_drawn_or_refused_in_words(name, lines):
    machine = machine_from_text(f"unusual = true\n{lines}\nplayback_heads = [{{spacing_mm = 41.5}}]")
    if name == "head_bumps" and "0.01" in lines:
        with pytest.raises(ValueError, match="needs poles that make waves in the bass, which 'my machine'"):
            draw(name, machine)
        return
    drawn = draw(name, machine)
    drawn.figure.draw_without_rendering()
    assert "nan" not in drawn.caption
