"""Pictures of patches: the way back is there once, words lie apart, tracks are to scale."""

import pytest
from figure_texts import every_size, text_problems
from matplotlib.patches import Rectangle

from tapecalc.calc.standards import TRACK_WIDTHS
from tapecalc.plot.wiring import PATCHES, TAPE_WIDTH, patch_diagram, tracks_on_tape


def onward(patch):
    """Where each box leads to."""
    leads = {box: set() for box in patch.boxes}
    for start, end, _ in patch.arrows:
        leads[start].add(end)
    return leads


def reached(leads, start):
    """Every box that a signal from one box gets to, itself only if it comes back."""
    found, waiting = set(), [start]
    while waiting:
        for box in leads[waiting.pop()] - found:
            found.add(box)
            waiting.append(box)
    return found


@pytest.mark.parametrize("name", PATCHES)
@pytest.mark.parametrize("size", every_size())
def test_numbers_lie_inside_and_apart_in_every_profile(name, size):
    assert text_problems(patch_diagram(name, profile=size, symbols_only=True).figure, size) == []


@pytest.mark.parametrize("name", PATCHES)
def test_arrows_join_boxes_that_are_there_and_dashed_ones_are_those_named(name):
    patch, drawn = PATCHES[name], patch_diagram(name)
    assert all(start in patch.boxes and end in patch.boxes for start, end, _ in patch.arrows)
    assert patch.machine <= set(patch.boxes)
    dashed = {ends for ends, arrow in drawn.artists.items() if arrow.get_linestyle() not in ("-", "solid")}
    assert dashed == patch.back


@pytest.mark.parametrize("name", ["sends", "one bus", "pan", "stereo", "crossed"])
def test_the_dashed_arrows_close_the_loop_and_without_them_there_is_none(name):
    patch = PATCHES[name]
    leads = onward(patch)
    machine = next(iter(sorted(patch.machine)))
    assert machine in reached(leads, machine)
    for start, end in patch.back:
        leads[start].discard(end)
    assert all(box not in reached(leads, box) for box in leads)


def test_on_one_bus_what_is_heard_is_what_goes_back():
    # The speakers and the machine hang on the same adder; in the other patches on two.
    def fed_by(patch, box):
        return {start for start, end, _ in patch.arrows if end == box}

    ends = ("limiter,\nspeakers", "tape\nmachine")
    assert len({frozenset(fed_by(PATCHES["one bus"], box)) for box in ends}) == 1
    assert len({frozenset(fed_by(PATCHES["sends"], box)) for box in ends}) == 2
    assert len({frozenset(fed_by(PATCHES["pan"], box)) for box in ends}) == 2


def test_crossed_returns_go_to_the_other_side_and_straight_ones_do_not():
    assert ("channel 2", "+ send R") in PATCHES["crossed"].back
    assert ("channel 2", "+ send L") in PATCHES["stereo"].back


def test_an_arrow_fills_the_gap_between_its_boxes():
    drawn = patch_diagram("sends")
    boxes = {box.get_x(): box for box in drawn.figure.axes[0].patches if isinstance(box, Rectangle)}
    left, right = (boxes[x] for x in sorted(boxes)[:2])  # voice, and channel 1 above the machine
    path = drawn.artists["voice", "channel 1"].get_path()
    along = path.vertices[path.codes != path.CLOSEPOLY, 0]
    assert along.min() == pytest.approx(left.get_x() + left.get_width(), abs=0.01)
    assert along.max() == pytest.approx(right.get_x(), abs=0.2)  # the tip of the arrow is not sharp


def test_an_unknown_patch_is_refused_with_the_nearest_name():
    with pytest.raises(ValueError, match="did you mean 'crossed'"):
        patch_diagram("crosed")


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
