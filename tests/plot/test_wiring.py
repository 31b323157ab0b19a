"""Pictures of patches: the way back is there once, words lie apart, tracks are to scale."""

import numpy as np
import pytest
from figure_texts import every_size, shown_texts, text_problems
from matplotlib.patches import Circle

from tapecalc.calc.standards import TRACK_WIDTHS
from tapecalc.plot import style
from tapecalc.plot.bench import COLUMNS, EDGE, ROWS
from tapecalc.plot.wiring import (
    BACKS,
    PATCHES,
    TAPE_WIDTH,
    machine_back,
    mixer_back,
    patch_diagram,
    tracks_on_tape,
)

LOOPS = ["sends", "one bus", "pan", "stereo", "crossed"]


BACK = [name for name, patch in PATCHES.items() if patch.back]


def onward(patch):
    """Where each part leads to, through the tape too."""
    leads = {part: set() for part in patch.parts}
    for start, end in [*patch.wires, *patch.machine]:
        leads[start].add(end)
    return leads


def reached(leads, start):
    """Every part that a signal from one part gets to, itself only if it comes back."""
    found, waiting = set(), [start]
    while waiting:
        for part in leads[waiting.pop()] - found:
            found.add(part)
            waiting.append(part)
    return found


def dashed(drawn):
    return {ends for ends, wire in wires(drawn) if wire.get_linestyle() not in ("-", "solid")}


def wires(drawn):
    """What is drawn by (from, to)."""
    return [(ends, wire) for ends, wire in drawn.artists.items() if isinstance(ends, tuple)]


@pytest.mark.parametrize("name", PATCHES)
@pytest.mark.parametrize("size", every_size())
def test_numbers_lie_inside_and_apart_in_every_profile(name, size):
    assert text_problems(patch_diagram(name, profile=size, symbols_only=True).figure, size) == []


@pytest.mark.parametrize("name", PATCHES)
def test_wires_join_parts_that_are_there_and_only_what_leads_nowhere_is_dashed(name):
    patch = PATCHES[name]
    assert {part for wire in patch.wires for part in wire} == set(patch.parts)
    assert {cable[:2] for cable in patch.cables} | patch.back | patch.off <= set(patch.wires)
    assert dashed(patch_diagram(name)) == patch.off


@pytest.mark.parametrize("name", PATCHES)
@pytest.mark.parametrize("size", ["notebook", "vertical"])
def test_wires_run_along_or_up_from_the_middle_of_a_socket(name, size):
    drawn, patch = patch_diagram(name, profile=size), PATCHES[name]
    sheet = drawn.figure.axes[0]
    width, height = sheet.get_xlim()[1], sheet.get_ylim()[1]
    for (start, end), wire in wires(drawn):
        path = wire.get_path()
        points = path.vertices[path.codes != path.CURVE3]
        if (start, end) != ("tape", "switch"):  # the lever
            assert np.all(np.min(np.abs(points[1:2] - points[:1]), axis=1) < 1e-6), (start, end)
        for part, point in ((start, points[0]), (end, points[-1])):
            if patch.parts[part].kind == "socket":
                column, row = patch.parts[part].place
                place = EDGE + np.array(
                    [(width - 2 * EDGE) * column / COLUMNS, (height - 2 * EDGE) * row / ROWS]
                )
                assert min(abs(point - place)) < 1e-6, (start, end)


@pytest.mark.parametrize("size", ["notebook", "vertical", "slide"])
def test_the_return_send_is_at_the_same_place_in_all(size):
    # The wire that closes the loop leaves the control of channel 2, which stands at one place of the sheet.
    places = set()
    for name, patch in ((name, PATCHES[name]) for name in BACK):
        wire = next(wire for wire in patch.back if patch.parts[wire[0]].place == (13.4, 6.2))
        drawn = patch_diagram(name, profile=size)
        assert drawn.artists[wire].get_edgecolor() == pytest.approx(
            style.matplotlib.colors.to_rgba(style.as_profile(size).ground.echo)
        )
        start = drawn.artists[wire].get_path().vertices[0]
        places.add(round(start[0] / drawn.figure.axes[0].get_xlim()[1], 2))
    assert len(places) == 1


@pytest.mark.parametrize("name", LOOPS)
def test_the_return_closes_the_loop_and_without_it_there_is_none(name):
    patch = PATCHES[name]
    leads = onward(patch)
    sockets = {part for pair in patch.machine for part in pair}
    assert any(part in reached(leads, part) for part in sockets)
    for start, end in patch.back:
        leads[start].discard(end)
    assert all(part not in reached(leads, part) for part in leads)


@pytest.mark.parametrize("name", LOOPS)
def test_voice_and_echo_are_both_heard(name):
    leads = onward(PATCHES[name])
    for start, end in PATCHES[name].back:
        leads[start].discard(end)
    if name == "one bus":  # where the echo is heard by the way that is also the return
        leads = onward(PATCHES[name])
    assert "limiter,\nspeakers" in reached(leads, "voice")
    assert "limiter,\nspeakers" in reached(leads, "channel 2")


def test_on_one_bus_what_is_heard_is_what_goes_back():
    # Without the one bus nothing is heard; in the other patches the voice still is without the send's bus.
    for name, bus, heard in (
        ("one bus", "main bus", False),
        ("sends", "send bus", True),
        ("pan", "right bus", True),
    ):
        leads = onward(PATCHES[name])
        leads[bus] = set()
        assert ("limiter,\nspeakers" in reached(leads, "voice")) == heard
        assert "line in" not in reached(leads, "voice")


def test_crossed_returns_go_to_the_other_side_and_straight_ones_do_not():
    for name, across in (("stereo", False), ("crossed", True)):
        leads = onward(PATCHES[name])
        for side, other in ("LR", "RL"):
            channel = "channel 2" if side == "L" else "channel 3"
            assert channel in leads[f"line out {side}"]
            back = reached(leads, f"return send {side}")
            goes_to = other if across else side
            assert f"line in {goes_to}" in back
            if not across:
                assert f"line in {other}" not in back


@pytest.mark.parametrize("name", BACK)
def test_cables_are_plugged_one_by_one_the_speakers_last_and_the_return_goes_up_at_the_end(name):
    patch = PATCHES[name]
    cables = [cable[:2] for cable in patch.cables]
    speakers = [cable for cable in cables if cable[1] == "limiter,\nspeakers"]
    assert cables[len(cables) - len(speakers) :] == speakers
    for plugged in range(len(cables) + 1):
        drawn = patch_diagram(name, steps=plugged)
        assert dashed(drawn) & set(cables) == set(cables[plugged:])
        widths = {drawn.artists[wire].get_linewidth() for wire in patch.back}
        assert max(widths) < patch_diagram(name).artists[min(patch.back)].get_linewidth()
    last = patch_diagram(name, steps=len(cables) + 1)
    assert dashed(last) == patch.off and "bring the return send up" in last.caption


def test_to_measure_the_sound_goes_around_the_tape_and_through_it_and_never_back():
    leads = onward(PATCHES["measuring"])
    assert {"left\ntrack", "right\ntrack"} <= reached(leads, "test\nsignal")
    assert not any(part in reached(leads, part) for part in leads)
    leads["record"] = set()  # without the tape
    assert "right\ntrack" not in reached(leads, "test\nsignal")
    last = patch_diagram("measuring", steps=3)
    assert dashed(last) == PATCHES["measuring"].off
    assert last.caption == "Step 3 of 3: a cable from tape machine, line out to interface, input 2."
    with pytest.raises(ValueError, match="steps must be"):
        patch_diagram("measuring", steps=4)


def test_a_step_is_said_and_one_too_many_is_refused():
    assert patch_diagram("sends", steps=2).caption == (
        "Step 2 of 5: a cable from send, output to tape machine, line in. The return send is down."
    )
    assert "Before the first cable" in patch_diagram("sends", steps=0).caption
    with pytest.raises(ValueError, match="steps must be"):
        patch_diagram("sends", steps=6)


def test_an_unknown_patch_is_refused_with_the_nearest_name():
    with pytest.raises(ValueError, match="did you mean 'crossed'"):
        patch_diagram("crosed")


# ---- backs ----


@pytest.mark.parametrize(("draw_back", "name"), [(machine_back, "machine"), (mixer_back, "mixer")])
def test_the_sockets_of_a_back_that_the_echo_uses_have_a_cable(draw_back, name):
    back = BACKS[name]
    groups = {group: len(sockets) for group, *sockets in back.groups}
    assert all(which < groups[group] for group, which, *_ in back.cables)
    assert len(draw_back().artists) == len(back.cables) == int(back.answer[0].split()[0])


# ---- tracks ----


@pytest.mark.parametrize("size", every_size("article_single", "vertical"))
def test_words_on_tracks_lie_inside_and_apart(size):
    half, full = TRACK_WIDTHS["half track, domestic"], TRACK_WIDTHS["full track"]
    for drawn in (
        tracks_on_tape(width=half, tracks=2, turned=(2,), profile=size),
        tracks_on_tape(width=full, tracks=1, turned=(), profile=size, symbols_only=True),
    ):
        assert text_problems(drawn.figure, size) == []


def test_tracks_are_as_wide_as_they_are_on_tape_and_do_not_overlap():
    strips = tracks_on_tape().artists["tracks"]
    heights = [strip.get_height() for strip in strips]
    tape = strips[0].get_y() + heights[0] - strips[-1].get_y()  # from edge to edge
    assert heights[0] / tape == pytest.approx(1.1e-3 / TAPE_WIDTH)
    assert len(set(heights)) == 1
    assert all(a.get_y() >= b.get_y() + b.get_height() for a, b in zip(strips, strips[1:], strict=False))


def test_every_track_is_said_once():
    drawn = tracks_on_tape(recorded=(1, 3), turned=(2, 4))
    assert drawn.caption == (
        "4 tracks of 1.1 mm on a 6.3 mm tape. The echo is on tracks 1 and 3; of the other side: 2, 4."
    )
    assert "1, the echo; 2, other side" in drawn.alt


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ({"width": 2e-3}, "width must let 4 tracks fit"),
        ({"width": 0}, "width must be greater than 0"),
        ({"tracks": 5}, "tracks must be"),
        ({"recorded": (5,)}, "recorded must be"),
        ({"turned": (0,)}, "turned must be"),
    ],
)
def test_tracks_that_cannot_be_are_refused(arguments, said):
    with pytest.raises(ValueError, match=said):
        tracks_on_tape(**arguments)


@pytest.mark.parametrize("name", PATCHES)
@pytest.mark.parametrize("size", every_size("video_1080"))
def test_no_words_lie_on_a_socket_or_a_knob(name, size):
    figure = patch_diagram(name, profile=size).figure
    texts = shown_texts(figure)
    for disk in figure.findobj(Circle):
        box = disk.get_window_extent()
        middle = (box.min + box.max) / 2
        for text, words in texts:
            ink = [words.y0 + 0.2 * words.height, words.y1 - 0.2 * words.height]
            near = np.clip(middle, [words.x0, ink[0]], [words.x1, ink[1]])
            assert np.hypot(*(near - middle)) > box.width / 2, text
