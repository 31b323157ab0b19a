"""The catalog of figures: words that can be read in every profile, files that repeat, new figures."""

import dataclasses
import itertools

import pytest
from figure_texts import SIZES, every_size, shown_texts, text_problems
from machines import MACHINES
from matplotlib.text import Text

from tapecalc.machine import example_machine, machine_from_text
from tapecalc.plot import style
from tapecalc.plot.catalog import CATALOG, draw
from tapecalc.plot.kit import FIGURES, Canvas, Drawn, figure
from tapecalc.report.figure_folder import write_gallery

MACHINE = example_machine()
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
    "heads crowded together": "[transport]\nspeeds_cm_s = [38.1, 19.05]\n"
    + "".join(f"[[playback_heads]]\nspacing_mm = {d}\n" for d in (22, 24, 26, 28, 30, 32, 60, 131)),
} | MACHINES


# ---- what holds for every figure ----


@pytest.mark.parametrize("name", CATALOG)
@pytest.mark.parametrize("size", every_size("notebook", "vertical"))
def test_texts_lie_inside_and_apart_and_say_what_is_shown(name, size):
    drawn = draw(name, profile=size)
    assert text_problems(drawn.figure, size) == []
    shown = [t for t in drawn.figure.findobj(Text) if t.get_text().strip() and t.get_visible()]
    assert min(t.get_size() for t in shown) >= style.PROFILES[size].note_pt
    assert len(drawn.alt) > 40 and len(drawn.caption) > 40
    assert drawn.alt.endswith(".") and drawn.caption.endswith(".")
    assert drawn.sources and all(drawn.sources)
    assert "nan" not in drawn.caption + drawn.alt
    assert drawn.artists


@pytest.mark.weekly
@pytest.mark.parametrize("name", CATALOG)
@pytest.mark.parametrize("size", ["article_single", "vertical"])
def test_texts_lie_inside_and_apart_in_inches_too(name, size):
    assert text_problems(draw(name, profile=size, units="inches").figure, size) == []


@pytest.mark.parametrize("name", CATALOG)
@pytest.mark.parametrize("size", every_size("vertical"))
def test_symbols_only_leaves_no_words_but_units_and_names(name, size):
    drawn = draw(name, profile=size, symbols_only=True)
    assert text_problems(drawn.figure, size) == []
    allowed = {"Hz", "dB", "ms", "mm", "min", "beat", "dBu", "bpm", "kHz", "max", "cm/s", "Re", "Im"}
    words = set()
    for text, _ in shown_texts(drawn.figure):
        plain = "".join(c if c.isalpha() or c in "/ " else " " for c in text.split("$")[-1])
        words |= {word for word in plain.split() if len(word) > 3 and word not in allowed}
    assert words == set()


def test_the_larger_video_has_the_layout_of_the_smaller():
    small, large = style.PROFILES["video_1080"], style.PROFILES["video_2160"]
    assert dataclasses.replace(large, name="video_1080", dpi=120) == small
    assert len(SIZES) == 7


@pytest.mark.parametrize(("name", "ground"), list(zip(CATALOG, itertools.cycle(style.GROUNDS), strict=False)))
def test_a_figure_in_the_readers_own_axes_comes_out_byte_for_byte(name, ground):
    profile = style.as_profile("article_double").on(ground)
    files = []
    for _ in range(2):
        with style.context(profile):
            page = style.new_figure(profile)
            axes = page.subplots(1, 2)[0]
        entry = CATALOG[name]
        drawn = entry.function(**entry.arguments(MACHINE), profile=profile, axes=axes)
        assert drawn.figure is page
        assert axes.has_data() or axes.patches
        files.append(style.figure_bytes(page, "svg"))
    assert files[0] == files[1]


#: Figures in which every machine looks another way.
OWN = ("tape_path", "tempo_map", "loop_diagram", "head_rhythm", "tape_as_ruler")
#: Each figure with one kind of machine a day, and these with more; with all of them each week.
DAILY = {*zip(CATALOG, itertools.cycle(UNUSUAL), strict=False), ("flutter_fingerprint", next(iter(UNUSUAL)))}
DAILY |= {*itertools.product(OWN, ("three_heads", "closed_loop", "heads crowded together"))}
PAIRS = [
    pair if pair in DAILY else pytest.param(*pair, marks=pytest.mark.weekly)
    for pair in itertools.product(CATALOG, UNUSUAL)
]


@pytest.mark.parametrize(("name", "kind"), PAIRS)
def test_unusual_machines_can_be_read_too(name, kind):
    machine = machine_from_text(UNUSUAL[kind])
    if not CATALOG[name].suits(machine):
        with pytest.raises(ValueError, match=f"{name!r} needs {CATALOG[name].needs}, which .* has not"):
            draw(name, machine)
        assert CATALOG[name].needs
        return
    for size in ("notebook", "vertical"):
        drawn = draw(name, machine, profile=size)
        assert text_problems(drawn.figure, size) == []
        assert "nan" not in drawn.caption and "inf" not in drawn.caption


# ---- the catalog itself ----


def test_figures_stand_in_the_order_of_the_gallery_and_say_what_they_show():
    assert len(CATALOG) >= 20 and all(entry.shows for entry in CATALOG.values())
    assert list(CATALOG)[:2] == ["tape_path", "delay_map"] and list(CATALOG)[-1] == "reel_time"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"name": "four_loses"}, "did you mean 'four_losses'"),
        ({"name": "four_losses", "profile": "vido_1080"}, "did you mean 'video_1080'"),
        ({"name": "four_losses", "units": "inch"}, "did you mean 'inches'"),
        ({"name": "nyquist_picture", "units": "inch"}, "did you mean 'inches'"),
    ],
)
def test_unknown_names_are_refused_with_the_nearest(arguments, words):
    with pytest.raises(ValueError, match=words):
        draw(**arguments)


def test_one_function_is_all_that_a_new_figure_needs(monkeypatch, tmp_path):
    monkeypatch.setitem(FIGURES, "speed_steps", None)  # to be taken out again

    @figure("which speeds there are", lambda machine: {"speeds": machine.speeds}, units=True)
    def speed_steps(canvas: Canvas, *, speeds) -> Drawn:
        (steps,) = canvas.axes.plot(range(len(speeds)), speeds, **canvas.dots())
        canvas.style_axes("Speeds", x=("step", "$k$", ""), y=("tape speed", "$v$", "m/s"))
        said = " and ".join(map(canvas.speed, speeds))
        return Drawn(canvas.figure, {"steps": steps}, f"Speeds: {said}.", f"Dots: {said}.", ("a list",))

    assert CATALOG["speed_steps"].function is speed_steps and list(CATALOG)[-1] == "speed_steps"
    for profile in ("notebook", "vertical_dark", "article_single", "video_1080_transparent"):
        for symbols_only in (False, True):
            drawn = draw("speed_steps", profile=profile, symbols_only=symbols_only)
            assert text_problems(drawn.figure, profile) == []
            assert list(drawn.artists["steps"].get_ydata()) == list(MACHINE.speeds)
            assert drawn.figure.axes[0].get_xlabel() == ("$k$" if symbols_only else "step")
    assert draw("speed_steps", units="inches").caption == "Speeds: 7.5 ips and 3.75 ips."
    written = write_gallery(tmp_path, names=["speed_steps"], formats=["svg"], units="inches")
    assert [path.name for path in written] == ["speed_steps.svg", "captions.md"]
    assert 'draw("speed_steps", units="inches")' in written[1].read_text()
