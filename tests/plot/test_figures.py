"""The catalog of figures: data as the library says, words that can be read, files that repeat."""

import dataclasses
import itertools

import numpy as np
import pytest
from matplotlib.text import Text

from tapecalc.calc import flutter, levels, loop, response, standards, tempo, transport
from tapecalc.calc.parts import part_rates, part_repeat_deviations
from tapecalc.machine import example_machine, machine_from_text
from tapecalc.plot import kit as drawing
from tapecalc.plot import style
from tapecalc.plot.catalog import CATALOG, draw
from tapecalc.plot.flutter import flutter_comb, flutter_fingerprint
from tapecalc.plot.heads import head_rhythm
from tapecalc.plot.diagram import loop_diagram
from tapecalc.plot.loop import decay_of_repeats
from tapecalc.plot.tempo import SONG_NOTES
from tapecalc.plot.transport import tape_path

MACHINE = example_machine()
SPEED = MACHINE.speeds[0]
#: Each layout once: grounds do not change it, nor do the pixels of video_2160.
SIZES = sorted(name for name, p in style.PROFILES.items() if p.ground.name == "light" and p.dpi != 240)


def shown_texts(figure):
    """Every text that is drawn, with its box on the canvas."""
    figure.draw_without_rendering()  # notes move to their places when drawn
    renderer = figure.canvas.get_renderer()
    hidden = set()
    for axes in figure.axes:
        for axis, (low, high) in ((axes.xaxis, axes.get_xlim()), (axes.yaxis, axes.get_ylim())):
            low, high = min(low, high), max(low, high)
            slack = 1e-9 * (high - low)
            for tick in axis.get_major_ticks() + axis.get_minor_ticks():
                if not low - slack <= tick.get_loc() <= high + slack or not axes.axison:
                    hidden |= {tick.label1, tick.label2}
                hidden |= {label for label in (tick.label1, tick.label2) if not label.get_visible()}
    found = figure.findobj(lambda artist: isinstance(artist, Text) and artist.get_text().strip() != "")
    return [
        (text.get_text(), Text.get_window_extent(text, renderer))
        for text in found
        if text not in hidden and text.get_visible()
    ]


def problems(drawn, profile):
    """Texts outside the safe area, and pairs that lie over one another."""
    profile = style.as_profile(profile)
    width, height = drawn.figure.bbox.size
    left, right = profile.safe * width, (1 - profile.safe) * width
    bottom, top = profile.floor * height, (1 - profile.safe) * height
    texts = shown_texts(drawn.figure)
    outside = [
        text
        for text, box in texts
        if box.x0 < left - 1 or box.x1 > right + 1 or box.y0 < bottom - 1 or box.y1 > top + 1
    ]
    over = [
        (one, other)
        for (one, first), (other, second) in itertools.combinations(texts, 2)
        if first.x0 < second.x1 and second.x0 < first.x1 and first.y0 < second.y1 and second.y0 < first.y1
    ]
    return outside + over


# ---------------------------------------------------------------- what holds for every figure


@pytest.mark.parametrize("name", CATALOG)
@pytest.mark.parametrize("size", SIZES)
def test_texts_lie_inside_and_apart_in_every_profile(name, size):
    assert problems(draw(name, profile=size), size) == []


@pytest.mark.parametrize("name", CATALOG)
@pytest.mark.parametrize("size", ["article_single", "vertical"])
def test_texts_lie_inside_and_apart_in_inches_and_in_symbols(name, size):
    assert problems(draw(name, profile=size, symbols_only=True), size) == []
    if CATALOG[name].units:
        assert problems(draw(name, profile=size, units="inches"), size) == []


def test_the_larger_video_has_the_layout_of_the_smaller():
    small, large = style.PROFILES["video_1080"], style.PROFILES["video_2160"]
    assert dataclasses.replace(large, name="video_1080", dpi=120) == small
    assert len(SIZES) == 7


@pytest.mark.parametrize("name", CATALOG)
def test_words_for_those_who_cannot_see_it_are_there(name):
    drawn = draw(name)
    assert len(drawn.alt) > 40 and len(drawn.caption) > 40
    assert drawn.alt.endswith(".") and drawn.caption.endswith(".")
    assert drawn.sources and all(drawn.sources)
    assert "nan" not in drawn.caption + drawn.alt
    assert drawn.artists


@pytest.mark.parametrize(("name", "ground"), list(zip(CATALOG, itertools.cycle(style.GROUNDS), strict=False)))
def test_svg_comes_out_byte_for_byte(name, ground):
    profile = style.as_profile("article_double").on(ground)
    first, second = (style.figure_bytes(draw(name, profile=profile).figure, "svg") for _ in range(2))
    assert first == second


@pytest.mark.parametrize("name", CATALOG)
def test_type_is_never_smaller_than_the_profile_says(name):
    for size in ("video_1080", "vertical"):
        drawn, profile = draw(name, profile=size), style.as_profile(size)
        sizes = [t.get_size() for t in drawn.figure.findobj(Text) if t.get_text().strip() and t.get_visible()]
        assert min(sizes) >= profile.text_pt


@pytest.mark.parametrize("name", CATALOG)
def test_a_figure_can_be_drawn_into_the_readers_own_axes(name):
    with style.context("page") as page:
        figure = style.new_figure(page)
        axes = figure.subplots(1, 2)[0]
        arguments = CATALOG[name].arguments(MACHINE)
        drawn = CATALOG[name].function(**arguments, profile=page, axes=axes)
    assert drawn.figure is figure
    assert axes.has_data() or axes.patches


@pytest.mark.parametrize("name", CATALOG)
def test_symbols_only_leaves_no_words_but_units_and_names(name):
    drawn = draw(name, symbols_only=True)
    allowed = {"Hz", "dB", "ms", "mm", "min", "beat", "dBu", "bpm", "kHz", "max", "cm/s", "Re", "Im"}
    words = set()
    for text, _ in shown_texts(drawn.figure):
        plain = "".join(c if c.isalpha() or c in "/ " else " " for c in text.split("$")[-1])
        words |= {word for word in plain.split() if len(word) > 3 and word not in allowed}
    assert words == set()


UNUSUAL = {
    "eight heads, one speed, no song": "[transport]\nspeeds_cm_s = [38.1]\n"
    + "".join(f"[[playback_heads]]\nspacing_mm = {30 + 20 * k}\n" for k in range(8)),
    "four speeds, far past the margin": "[transport]\nspeeds_ips = [15, 7.5, 3.75, 1.875]\n"
    "[[playback_heads]]\nspacing_mm = 32\n[mixer]\nreturn_send_db = 6\n[song]\nbpm = 240\n",
    "very slow and nearly silent": "[transport]\nspeeds_ips = [1.875]\n[[playback_heads]]\n"
    "spacing_mm = 2000\n[mixer]\nreturn_send_db = -90\n[song]\nbpm = 20\n"
    "[[parts]]\nname = 'a roller of a very long name'\ndiameter_mm = 3\nwobble_percent = 2\n",
    "dirty, tilted and too loud": "[transport]\nspeeds_ips = [0.9375]\n[[playback_heads]]\nspacing_mm = 4\n"
    "[heads]\nazimuth_error_arcmin = 60\nspacing_loss_um = 20\ngap_um = 20\n"
    "[levels]\ninstrument_dbu = 20\nmixer_gain_db = 40\n",
}


@pytest.mark.parametrize("kind", UNUSUAL)
@pytest.mark.parametrize("name", CATALOG)
def test_unusual_machines_can_be_read_too(name, kind):
    machine = machine_from_text(f"name = 'test deck'\n{UNUSUAL[kind]}")
    if not CATALOG[name].suits(machine):
        with pytest.raises(ValueError, match="at least one turning part"):
            draw(name, machine=machine)
        return
    for size in ("notebook", "vertical"):
        drawn = draw(name, machine=machine, profile=size)
        assert problems(drawn, size) == []
        assert "nan" not in drawn.caption and "inf" not in drawn.caption


def test_catalog_has_at_least_sixteen_figures_each_named_for_its_files():
    assert len(CATALOG) >= 20
    assert all(name == entry.name and entry.shows for name, entry in CATALOG.items())
    assert all(set(entry.sizes) <= set(style.PROFILES) for entry in CATALOG.values())


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"name": "four_loses"}, "did you mean 'four_losses'"),
        ({"name": "four_losses", "profile": "vido_1080"}, "did you mean 'video_1080'"),
        ({"name": "four_losses", "units": "inch"}, "did you mean 'inches'"),
    ],
)
def test_unknown_names_are_refused_with_the_nearest(arguments, words):
    with pytest.raises(ValueError, match=words):
        draw(**arguments)


def test_inches_and_metric_show_the_same_numbers_in_their_own_units():
    metric, inches = (draw("delay_map", units=u) for u in ("metric", "inches"))
    np.testing.assert_allclose(
        metric.artists["heads"][0].get_xdata() / 25.4, inches.artists["heads"][0].get_xdata(), rtol=1e-12
    )
    assert "7.5 ips" in inches.caption and "19.05 cm/s" in metric.caption


# ---------------------------------------------------------------- data as the library says


def test_delay_map_points_are_the_machines_delays():
    drawn = draw("delay_map")
    for points, speed in zip(drawn.artists["heads"], MACHINE.speeds, strict=True):
        np.testing.assert_allclose(points.get_ydata(), [1000 * t for t in MACHINE.delays(speed)])
    x, y = drawn.artists["lines"][0].get_data()
    np.testing.assert_allclose(y, 1000 * transport.delay_from_spacing(x / 1000, SPEED))


def test_patterns_repeat_every_wavelength():
    drawn = draw("wavelength_at_gap")
    for pattern, speed in zip(drawn.artists["patterns"], MACHINE.speeds, strict=True):
        x, y = pattern.get_data()
        middle = (y.max() + y.min()) / 2
        up = x[1:][(y[:-1] < middle) & (y[1:] >= middle)]
        expected = 1e6 * response.wavelength(10e3, speed)
        np.testing.assert_allclose(np.diff(up), expected, rtol=0.02)


def test_losses_add_up_to_their_sum():
    lines = draw("four_losses").artists
    parts = sum(lines[name].get_ydata() for name in ("thickness", "spacing", "gap", "azimuth"))
    np.testing.assert_allclose(parts, lines["sum"].get_ydata(), atol=1e-9)
    expected = response.contact_loss_db(lines["sum"].get_xdata(), SPEED, MACHINE.one_pass(SPEED).today)
    np.testing.assert_allclose(lines["sum"].get_ydata(), expected)


def test_response_of_repeat_n_is_n_passes():
    lines = draw("repeats_response").artists["repeats"]
    assert len(lines) == 8
    for n in (1, 8):
        f, level = lines[n - 1].get_data()
        np.testing.assert_allclose(level, response.repeat_level_db(MACHINE.one_pass(SPEED), f, n))


def test_equalization_curves_are_those_of_the_standards():
    for name, line in draw("equalization_standards").artists.items():
        entry = standards.equalization(name)
        f, level = line.get_data()
        np.testing.assert_allclose(level, response.equalization_db(f, entry.tau_high, entry.tau_low))


def test_decay_falls_by_the_loop_gain_each_delay():
    drawn = decay_of_repeats(delay=0.25, gains_db=(-6.0, -12.0), repeats=5)
    t, level = drawn.artists["decays"][1].get_data()
    np.testing.assert_allclose(t, 0.25 * np.arange(6))
    np.testing.assert_allclose(level, -12.0 * np.arange(6))


def test_nyquist_curve_is_the_loop_gain_and_keeps_clear_of_the_point_when_stable():
    echo = MACHINE.echo_loop(SPEED)
    curve = draw("nyquist_picture").artists["gain"]
    assert np.abs(curve.get_xdata() + 1j * curve.get_ydata()).max() < 1
    f = np.linspace(0, 14 / max(echo.delays), 1680)
    np.testing.assert_allclose(curve.get_xdata(), loop.loop_gain(echo, f).real)


def test_runaway_start_stands_at_the_margin():
    echo = MACHINE.echo_loop(SPEED)
    found = loop.stability(echo)
    artists = draw("runaway_frequency").artists
    assert artists["start"].get_xydata()[0] == pytest.approx((found.frequency, -found.margin_db))
    f, level = artists["gain"].get_data()
    np.testing.assert_allclose(level, loop.loop_gain_db(echo, f))


def test_a_loop_past_its_margin_says_so():
    hot = MACHINE.model_copy(update={"mixer": MACHINE.mixer.model_copy(update={"return_send_db": 2.0})})
    for name in ("runaway_frequency", "nyquist_picture"):
        assert "running away" in draw(name, machine=hot).caption


def test_tempo_map_dots_are_exact_fits():
    drawn = draw("tempo_map")
    x, y = drawn.artists["fits"].get_data()
    assert len(x) >= 4
    for bpm, delay in zip(x, y, strict=True):
        wanted = [1000 * tempo.delay_from_tempo(bpm, tempo.note_value(n).beats) for n in SONG_NOTES]
        assert min(abs(w - delay) for w in wanted) < 1e-9


def test_flutter_comb_is_what_flutter_says():
    delay = MACHINE.delays(SPEED)[0]
    artists = draw("flutter_comb").artists
    rate, ratio = artists["first"].get_data()
    np.testing.assert_allclose(1e-4 * ratio, flutter.repeat_deviation(1e-4, rate, delay), atol=1e-12)
    rates = part_rates(MACHINE.turning_parts, SPEED)
    np.testing.assert_allclose(artists["parts"].get_xdata(), list(rates.values()))
    with pytest.raises(ValueError, match="speed must be given"):
        flutter_comb(delay=0.2, parts=MACHINE.turning_parts)


def test_fingerprint_is_what_flutter_says():
    artists = draw("flutter_fingerprint").artists
    bends = part_repeat_deviations(MACHINE.turning_parts, SPEED, MACHINE.delays(SPEED)[0])
    np.testing.assert_allclose(artists["repeat"].get_ydata(), [100 * b for b in bends.values()])
    with pytest.raises(ValueError, match="at least one turning part"):
        flutter_fingerprint(parts=(), speed=SPEED, delay=0.2)


def test_rhythm_strikes_where_the_tempo_says():
    drawn = head_rhythm(spacings=(0.0415, 0.083), speed=SPEED, bpm=76)
    expected = [d / SPEED * 76 / 60 for d in (0.0415, 0.083)]
    np.testing.assert_allclose(drawn.artists["hits"].get_xdata(), expected)


def test_level_ladder_is_the_level_diagram():
    artists = draw("level_ladder").artists
    diagram = levels.level_diagram(MACHINE.level_stages, MACHINE.levels.instrument_dbu)
    np.testing.assert_allclose(artists["signal"].get_ydata(), [node.dbu for node in diagram.nodes])
    low, high = artists["headroom"].get_ydata()
    assert high - low == pytest.approx(diagram.headroom_db)


def test_reel_ends_at_the_run_time_and_the_full_pack():
    artists = draw("reel_time").artists
    for line, speed in zip(artists["packs"], MACHINE.speeds, strict=True):
        minutes, radius = line.get_xydata()[-1]
        assert minutes == pytest.approx(transport.run_time(MACHINE.tape.length_m, speed) / 60)
        full = transport.pack_radius(MACHINE.tape.length_m, 0.03, MACHINE.tape_thickness)
        assert radius == pytest.approx(1000 * full)


def test_heads_of_the_tape_path_are_to_scale():
    heads = tape_path(spacings=(0.02, 0.04, 0.08), speed=SPEED).artists["heads"]
    assert np.diff(heads)[1] == pytest.approx(2 * np.diff(heads)[0])


def test_tape_path_of_many_heads_stays_readable():
    many = tuple(np.linspace(0.02, 0.16, 8).tolist())
    for size in ("notebook", "video_1080"):
        assert problems(tape_path(spacings=many, speed=SPEED, profile=size), size) == []


def test_loop_diagram_has_one_way_back():
    arrows = loop_diagram().artists
    dashed = [name for name, arrow in arrows.items() if arrow.get_linestyle() not in ("-", "solid")]
    assert dashed == ["return send"]


# ---------------------------------------------------------------- helpers


def test_labels_are_spread_as_little_as_possible_and_inside():
    np.testing.assert_allclose(drawing.spread([5, 5, 9], 2, 0, 10), [4, 6, 9])
    np.testing.assert_allclose(drawing.spread([0, 0, 0], 2, 0, 10), [0, 2, 4])
    np.testing.assert_allclose(drawing.spread([9, 1], 2, 0, 10), [9, 1])
    np.testing.assert_allclose(drawing.spread([10, 10], 2, 0, 10), [8, 10])


def test_a_drawn_figure_shows_picture_and_sentence(capsys):
    drawn = draw("delay_map", profile="page")
    data, metadata = drawn._repr_mimebundle_()
    assert data["text/plain"] == repr(drawn) == drawn.caption
    assert metadata["image/png"]["alt"] == drawn.alt
    drawn._ipython_display_()
    shown = capsys.readouterr().out
    assert f"{drawn.caption} Line chart of delay in ms" in shown
    said = drawn.caption.rpartition(". ")[2]
    sentence = shown.partition("text/markdown")[2].partition("text/plain")[0]
    assert said in drawn.alt and sentence.count(said) == 1


def test_a_description_that_ends_as_the_caption_does_is_cut_there():
    drawn = draw("runaway_frequency", profile="page")
    end = drawn.alt.rpartition(": ")[2]
    assert end in drawn.caption
    cut = drawing._not_said(drawn.alt, drawn.caption)
    assert cut == drawn.alt.removesuffix(f": {end}") + "."


@pytest.mark.parametrize("name", ["delay_map", "reel_time"])
def test_inches_are_spelled_out_in_a_description(name):
    alt = draw(name, profile="page", units="inches").alt
    assert " in inches" in alt and " in in " not in alt


def test_a_drawn_figure_saves_itself_with_its_alt_text(tmp_path):
    drawn = draw("delay_map", profile="article_single")
    paths = drawn.save(tmp_path / "map")
    assert [path.suffix for path in paths] == [".svg", ".png"]
    assert b"Line chart of delay in ms" in paths[0].read_bytes()
