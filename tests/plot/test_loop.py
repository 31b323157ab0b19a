"""Figures of repeats and stability: curves as the library says, and a loop past its margin says so."""

import dataclasses

import numpy as np
import pytest
from figure_texts import shown_texts, text_problems

from tapecalc import words
from tapecalc.calc import loop
from tapecalc.calc.heads import Heads
from tapecalc.machine import example_machine, machine_from_text, with_changes
from tapecalc.plan import echo_pattern, make_plan
from tapecalc.plot.catalog import draw
from tapecalc.plot.kit import AUDIBLE
from tapecalc.plot.loop import decay_of_repeats, nyquist_picture, runaway_frequency
from tapecalc.report.plan_text import excess_text

MACHINE = example_machine()
SPEED = MACHINE.speeds[0]
HOT = with_changes(MACHINE, {"mixer.return_send_db": 2.0})


def with_heads(*heads, send_db=-6.0):
    """The example machine with other heads: spacing in mm, and whether it feeds the return."""
    rows = [{"spacing_mm": mm, "feeds_return": feeds, "level_db": -6.0} for mm, feeds in heads]
    return with_changes(MACHINE, {"playback_heads": rows, "mixer.return_send_db": send_db})


# ---- how repeats fade ----


def test_the_first_answer_is_repeat_one_at_zero_decibels_a_delay_after_the_sound():
    drawn = decay_of_repeats(delay=0.25, gains_db=(-6.0, -12.0))
    t, level = drawn.artists["decays"][1].get_data()
    # 0, -12, -24, -36, -48 and -60 dB: the sixth stands at the level, and counts
    np.testing.assert_allclose(t, 0.25 * np.arange(1, 7))
    np.testing.assert_allclose(level, [0, -12, -24, -36, -48, -60])
    assert "At −6 dB of loop gain 11 repeats down to −60 dB, the last after 2.8 s" in drawn.caption
    assert "−12 dB of loop gain 6 repeats down to −60 dB, the last after 1.5 s" in drawn.caption


def test_what_is_drawn_is_what_is_counted_down_to_any_level():
    for level_db, count in ((-30.0, 5), (-28.0, 5), (-27.9, 4), (-5.0, 1)):
        drawn = decay_of_repeats(delay=0.2, gains_db=(-7.0,), level_db=level_db)
        assert drawn.artists["decays"][0].get_xdata().size == count
        assert f" {count} repeat{'s' if count > 1 else ''} down to" in drawn.caption


def test_a_machine_shows_its_own_repeats_down_to_the_level_of_its_song():
    # -8 dB of send and 0.10 dB of loss at the loudest: 0, -8.1, -16.2 and -24.3 dB are not below -30 dB.
    machine = with_changes(MACHINE, {"mixer.return_send_db": -8.0})
    for speed, delay in zip(machine.speeds, (0.21785, 0.43570), strict=True):
        drawn = decay_of_repeats(machine=machine, speed=speed)
        t, level = drawn.artists["decays"][0].get_data()
        np.testing.assert_allclose(t, delay * np.arange(1, 5), rtol=1e-4)
        np.testing.assert_allclose(level, -8.1 * np.arange(4), atol=0.5)
        assert drawn.artists["level"][0].get_ydata().tolist() == [-30, -30]
        assert "4 repeats down to −30 dB" in drawn.caption
    assert draw("decay_of_repeats", machine).caption == decay_of_repeats(machine=machine).caption


def test_several_heads_show_the_pattern_of_their_answers():
    machine = with_heads((41.5, True), (63.0, True))
    drawn = decay_of_repeats(machine=machine)
    t, level = drawn.artists["decays"][0].get_data()
    times, amplitudes = echo_pattern(machine, SPEED, longest=60.0, faintest_db=20 * np.log10(0.5) - 31)
    in_db = 20 * np.log10(np.abs(amplitudes)) - 20 * np.log10(np.abs(amplitudes[0]))
    np.testing.assert_allclose(t, times[in_db >= -30])
    np.testing.assert_allclose(level, in_db[in_db >= -30], atol=1e-9)
    assert level[0] == pytest.approx(0) and level[1] == pytest.approx(0)  # both heads answer the sound itself
    # The heads lie 41.5 and 63 mm away; sent at -12 dB by each, the first comes again at 83 mm.
    np.testing.assert_allclose(t[:3], np.array([41.5, 63.0, 83.0]) / 190.5, rtol=1e-9)
    assert level[2] == pytest.approx(-12, abs=0.2)
    assert f"{t.size} answers of 2 heads down to −30 dB, the last after {t[-1]:.1f} s" in drawn.caption


@pytest.mark.parametrize("machine", [HOT, with_heads((41.5, True), (63.0, True), send_db=5.0)])
def test_a_runaway_is_drawn_as_one(machine):
    drawn = decay_of_repeats(machine=machine)
    t, level = drawn.artists["decays"][0].get_data()
    assert level.max() > 6 and level[np.argmax(level)] == pytest.approx(level[-5:].max(), abs=6)
    assert "runs away" in drawn.caption and "louder" in drawn.caption and "down to" not in drawn.caption
    axes = drawn.figure.axes[0]
    assert axes.get_ylim()[1] > level.max() and axes.get_xlim()[1] > t[-1]
    assert "louder" in decay_of_repeats(delay=0.2, gains_db=(1.0,)).caption


def test_more_answers_than_can_be_seen_are_thinned_and_still_counted():
    drawn = decay_of_repeats(delay=0.01, gains_db=(-0.001,), level_db=-60.0)
    t, level = drawn.artists["decays"][0].get_data()
    assert "60001 repeats down to" in drawn.caption and t.size == 400  # one more than 60 dB at 0.001 each
    assert (t[0], level[0]) == (0.01, 0)
    assert t[-1] == pytest.approx(600.01) and level[-1] == pytest.approx(-60)
    many = with_heads(*((mm, True) for mm in (2.0, 17.3, 41.5, 61.9, 97.0)), send_db=2.0)
    t, level = decay_of_repeats(machine=many).artists["decays"][0].get_data()
    times, amplitudes = echo_pattern(many, SPEED, longest=4 * 0.097 / SPEED, faintest_db=-36.2)
    in_db = 20 * np.log10(np.abs(amplitudes) / np.abs(amplitudes[0]))
    times, in_db = times[in_db >= -30], in_db[in_db >= -30]
    assert times.size > 1000 and 300 < t.size <= 400
    for column in range(1, 401):
        inside = np.ceil(400 * times / times[-1]) == column
        shown = np.ceil(400 * t / times[-1]) == column
        assert shown.sum() == min(1, inside.sum())
        if shown.any():
            assert level[shown][0] == pytest.approx(in_db[inside].max(), abs=1e-9)


def test_a_head_that_feeds_nothing_back_answers_once():
    drawn = decay_of_repeats(machine=with_heads((41.5, False)))
    assert drawn.artists["decays"][0].get_xdata().size == 1
    assert "1 repeat down to −30 dB" in drawn.caption


def test_without_a_machine_a_delay_is_asked_for():
    with pytest.raises(ValueError, match="delay must be given"):
        decay_of_repeats(gains_db=(-3,))


# ---- when and where it runs away ----


def test_nyquist_curve_is_the_loop_gain_and_keeps_clear_of_the_point_when_stable():
    echo = MACHINE.worst_loop(SPEED)
    found, artists = loop.stability(echo), draw("nyquist_picture").artists
    curve, turn, marks = (artists[name] for name in ("gain", "turn", "marks"))
    assert np.abs(curve.get_xdata() + 1j * curve.get_ydata()).max() < 1
    # A turn is 1 / T = 4.59 Hz: the curve shows three of them around the tone that comes first.
    f = found.frequency + np.linspace(-1.5, 1.5, 1201) / max(echo.delays)
    np.testing.assert_allclose(curve.get_xdata(), loop.loop_gain(echo, f).real)
    np.testing.assert_allclose(turn.get_xdata(), loop.loop_gain(echo, f[400:801]).real)
    quarters = loop.loop_gain(echo, found.frequency + np.arange(4) / 4 / max(echo.delays))
    np.testing.assert_allclose(marks.get_xydata(), np.column_stack([quarters.real, quarters.imag]))
    assert marks.get_xydata()[0] == pytest.approx([10 ** (-found.margin_db / 20), 0], abs=1e-6)


@pytest.mark.parametrize("size", ["notebook", "slide", "article_single", "vertical"])
@pytest.mark.parametrize("machine", [HOT, with_heads((41.5, True), (60.0, True), send_db=3.0)])
def test_no_words_bite_the_turn_that_passes_the_point(machine, size):
    drawn = draw("nyquist_picture", machine, profile=size)
    boxes = dict(shown_texts(drawn.figure))
    turn = drawn.artists["turn"]
    way = turn.get_transform().transform(turn.get_xydata())
    for text, box in boxes.items():
        low, high = box.min + [0, 0.3 * box.height], box.max - [0, 0.3 * box.height]
        assert not np.any(np.all((way > low) & (way < high), axis=1)), text
    assert "the point 1" in boxes and [text for text in boxes if text.endswith(" Hz") and "+" not in text]


def test_turns_are_those_of_the_heads_in_the_loop():
    alone = nyquist_picture(loop=with_heads((41.5, True)).echo_loop(SPEED))
    beside = nyquist_picture(loop=with_heads((41.5, True), (400.0, False)).echo_loop(SPEED))
    assert alone.caption == beside.caption
    np.testing.assert_allclose(*(d.artists["turn"].get_xydata() for d in (alone, beside)))


def test_runaway_start_stands_at_the_margin_and_in_its_band():
    echo = MACHINE.worst_loop(SPEED)
    found = loop.stability(echo)
    artists = draw("runaway_frequency").artists
    assert artists["start"].get_xydata()[0] == pytest.approx((found.frequency, -found.margin_db))
    assert artists["band"].get_x() == pytest.approx(found.band[0])
    assert artists["band"].get_x() + artists["band"].get_width() == pytest.approx(found.band[1])
    f, level = artists["gain"].get_data()
    np.testing.assert_allclose(level, loop.loop_gain_db(echo, f))
    likely, level = artists["likely"].get_data()
    np.testing.assert_allclose(level, loop.loop_gain_db(MACHINE.echo_loop(SPEED), likely))
    # The third maximum of thin plates stands at 2.7546 waves on 5 mm, 104.95 Hz; tones in step lie 4.59 Hz
    # apart, the 23rd at 105.58 Hz and a little higher by the lead of the low cut.
    assert "first at 110 Hz, or anywhere from 97 Hz to 410 Hz" in draw("runaway_frequency").caption


def test_bumps_are_drawn_where_a_head_may_have_them():
    bare = draw("runaway_frequency", with_changes(MACHINE, {"heads.pole_length_mm": 0.0}))
    assert "likely" not in bare.artists and "bumps" not in bare.caption + bare.alt
    assert "bumps" in draw("runaway_frequency").caption


def test_a_single_tone_has_no_band():
    # Tones at n / 0.01 = 0, 100, 200 Hz, and 60 um from the tape cost 1.7 dB for each 100 Hz.
    echo = MACHINE.echo_loop(SPEED)
    worn = dataclasses.replace(echo.one_pass.today, separation=60e-6)
    one_pass = dataclasses.replace(echo.one_pass, today=worn, low_cut=0.0, boost_db=0.0)
    drawn = runaway_frequency(
        loop=dataclasses.replace(echo, heads=Heads(spacings=(0.01 * SPEED,)), one_pass=one_pass)
    )
    assert "band" not in drawn.artists and "anywhere" not in drawn.caption


def test_the_teeth_of_several_heads_are_drawn_from_their_lowest_to_their_highest():
    # Heads 300 ms apart: a tooth every 3.3 Hz, some 6,000 of them.
    machine = with_heads((41.5, True), (41.5 + 0.3 * 190.5, True))
    echo = machine.echo_loop(SPEED)
    f, level = runaway_frequency(loop=echo).artists["gain"].get_data()
    np.testing.assert_allclose(level, loop.loop_gain_db(echo, f))
    assert np.all(np.diff(f) > 0)
    response_db = echo.one_pass.level_db(f) - 6.0  # both heads in phase, at -6 dB each
    for low, high in ((100, 200), (1000, 1050), (5000, 5200), (14_000, 15_000)):
        some = (f > low) & (f < high)
        below_db = (response_db - 6.0 + 6.02 - level)[some]
        assert below_db.min() < 0.1  # the tops of the teeth
        assert below_db.max() > 20  # and the bottoms


@pytest.mark.parametrize("size", ["notebook", "vertical", "article_single"])
@pytest.mark.parametrize(
    "machine", [HOT, with_heads((41.5, True), (63.0, True), send_db=5.0), with_heads((20, True))]
)
def test_words_of_any_loop_lie_inside_and_apart(machine, size):
    for name in ("decay_of_repeats", "runaway_frequency"):
        drawn = draw(name, machine, profile=size)
        assert text_problems(drawn.figure, size) == []


def test_the_note_of_the_start_stands_clear_of_curve_and_limit():
    for machine in (MACHINE, HOT, with_heads((41.5, True), (98.65, True), send_db=3.0)):
        drawn = draw("runaway_frequency", machine)
        axes = drawn.figure.axes[0]
        drawn.figure.canvas.draw()
        (note,) = (t for t in axes.texts if "Hz" in t.get_text())
        box = note.get_window_extent().transformed(axes.transData.inverted())
        f, level = drawn.artists["gain"].get_data()
        beside = level[(f > box.x0) & (f < box.x1)]
        assert box.y0 > max(0, beside.max())
        assert AUDIBLE[0] < box.x0 and box.x1 < AUDIBLE[1] and box.y1 < axes.get_ylim()[1]


def test_titles_and_numbers_are_those_of_the_loop():
    margin = f"{loop.stability(MACHINE.worst_loop(SPEED)).margin_db:.1f} dB"
    for name, stable, running in (
        ("nyquist_picture", "The loop stays short of 1", "The loop passes 1: it runs away"),
        ("runaway_frequency", "Turned up, it would start near 110 Hz", "It runs away, first near 110 Hz"),
        ("decay_of_repeats", "The echo is heard for 1.1 s", "The echo grows: it runs away"),
    ):
        assert draw(name).title == stable
        assert draw(name, HOT).title == running
        if name != "decay_of_repeats":
            assert margin in [text for text, _ in shown_texts(draw(name).figure)]
    # 5 answers 217.85 ms apart: the last after 1.09 s.
    assert "5 repeats" in [text for text, _ in shown_texts(draw("decay_of_repeats").figure)]
    silent = with_heads((41.5, False))
    for name in ("nyquist_picture", "runaway_frequency"):
        assert draw(name, silent).title == "No tone comes back in step"


def test_answers_are_strokes_from_the_level_at_which_they_are_gone():
    drawn = decay_of_repeats(machine=with_changes(MACHINE, {"mixer.return_send_db": -8.0}))
    (strokes,) = drawn.figure.axes[0].collections
    assert [stroke[0][1] for stroke in strokes.get_segments()] == [-30.0] * 4
    widths = strokes.get_linewidths()
    assert np.all(np.diff(widths) < 0) and drawn.artists["decays"][0].get_linestyle() == "None"
    assert drawn.artists["level"][0].get_linestyle() not in ("-", "None")


def test_a_loop_past_its_margin_says_so():
    for name in ("runaway_frequency", "nyquist_picture"):
        assert "running away" in draw(name, machine=HOT).caption


def test_all_pictures_of_a_margin_say_whether_it_is_a_bound():
    # With the largest bumps this machine runs away 1.5 dB sooner than with the likely ones, and its send is
    # 4.5 dB short of that.
    def means(name, send_db):
        drawn = draw(name, with_changes(MACHINE, {"mixer.return_send_db": send_db}))
        return next(text.get_text() for text in drawn.figure.texts if text.get_gid() == "means"), drawn.title

    for name in ("nyquist_picture", "runaway_frequency", "loop_diagram", "loop_arrows"):
        assert means(name, -6.0)[0].startswith("or more until ")
        may, may_title = means(name, -1.0)
        assert may.endswith(", at the most") and ("may" in may_title or name == "loop_arrows")
        surely, title = means(name, 3.0)
        assert "at the most" not in surely and ("run" in title or name == "loop_arrows")
        assert draw(name, with_changes(MACHINE, {"mixer.return_send_db": -6.0})).caption.count(
            "4.5 dB or more"
        )


def test_a_runaway_of_several_heads_has_one_number_in_every_figure():
    head = "[[playback_heads]]\nspacing_mm ="
    hot = machine_from_text(f"[transport]\nspeeds_ips = [30]\n{head} 12\n{head} 14\n")
    past = words.margin(loop.stability(hot.worst_loop(hot.speeds[0])).margin_db)
    for name in ("decay_of_repeats", "nyquist_picture", "runaway_frequency", "loop_diagram"):
        assert past in [text for text, _ in shown_texts(draw(name, hot).figure)], name
    assert draw("decay_of_repeats", hot).title == "Together the answers grow: it runs away"


def four_heads(send_db):
    heads = "".join(f"[[playback_heads]]\nspacing_mm = {mm}\n" for mm in (22, 40, 95, 180))
    return machine_from_text(f"[transport]\nspeeds_ips = [7.5]\n{heads}[mixer]\nreturn_send_db = {send_db}\n")


def test_what_the_plan_calls_a_runaway_dies_away_in_no_figure():
    # The loop is 0.0557 dB past its limit with likely bumps and 0.9134 dB with the largest; without any it
    # would die away.
    hot = four_heads(-12)
    likely, worst = hot.echo_loop(hot.speeds[0]), hot.worst_loop(hot.speeds[0])
    assert loop.stability(likely).margin_db == pytest.approx(-0.0557, abs=1e-4)
    assert loop.stability(worst).margin_db == pytest.approx(-0.9134, abs=1e-4)
    assert loop.stability(hot.echo_loop(hot.speeds[0], pole_shape="flat")).stable
    assert make_plan(hot).loops[0].runs_away
    assert excess_text(make_plan(hot).loops[0]) == "1.0 dB"
    for name in ("decay_of_repeats", "nyquist_picture", "runaway_frequency", "loop_diagram"):
        assert "1.0 dB" in [text for text, _ in shown_texts(draw(name, hot).figure)], name
    assert draw("decay_of_repeats", hot).title == "Together the answers grow: it runs away"
    assert "gone" not in draw("decay_of_repeats", hot).caption


def test_what_may_run_away_is_not_said_to_be_gone():
    # 1 dB less, and only with the largest bumps it runs away.
    edge = four_heads(-12.9)
    (planned,) = make_plan(edge).loops
    assert not planned.runs_away and not planned.stability.stable
    drawn = draw("decay_of_repeats", edge)
    assert drawn.title == "With large bumps it may run away"
    assert "it may run away" in drawn.caption
    alone = with_changes(MACHINE, {"mixer.return_send_db": -1.0})
    assert "it may run away" in draw("decay_of_repeats", alone).caption
    assert "it may run away" not in draw("decay_of_repeats").caption


def test_names_of_bumps_leave_a_narrow_comb_free():
    machine = with_heads((22, True), (26, True))
    texts = [text for text, _ in shown_texts(draw("runaway_frequency", machine, profile="vertical").figure)]
    assert not {"likely bumps", "largest bumps"} & set(texts)
    assert any("gray: likely bumps" in text.replace("\n", " ") for text in texts)


def test_names_of_bumps_hide_no_dip_of_a_narrow_chart():
    # 50 mm at 19.05 cm/s, 10 dB less on the way back: the bumps reach down to where the names stood.
    quiet = with_changes(MACHINE, {"playback_heads.1.spacing_mm": 50.0, "mixer.return_send_db": -10.0})
    for size in ("vertical", "article_single"):
        drawn = draw("runaway_frequency", quiet, profile=size)
        boxes, axes = dict(shown_texts(drawn.figure)), drawn.figure.axes[0]
        for name in ("gain", "likely"):
            way = axes.transData.transform(drawn.artists[name].get_xydata())
            assert not any(
                boxes[text].contains(*at) for text in ("likely bumps", "largest bumps") for at in way
            )


@pytest.mark.parametrize("size", ["slide", "video_1080"])
def test_no_plate_cuts_the_circle_of_size_one_and_its_axis_is_named_beside_the_point(size):
    for machine in (MACHINE, with_changes(MACHINE, {"mixer.return_send_db": -10.0})):
        drawn = draw("nyquist_picture", machine, profile=size)
        boxes, to_sheet = dict(shown_texts(drawn.figure)), drawn.figure.axes[0].transData
        arc = to_sheet.transform(drawn.artists["limit"].get_xydata())
        ahead = boxes.get("a quarter turn ahead")
        assert ahead is None or not any(ahead.contains(*at) for at in arc)
        rim = to_sheet.transform((1 + drawn.artists["danger"].radius, 0))[0]
        assert boxes["in step"].x0 > rim + 0.4 * boxes["in step"].height
