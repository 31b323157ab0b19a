"""Panels, driven without a browser: controls in, picture, sentence and files out."""

import base64
import io

import numpy as np
import pytest
from matplotlib.text import Text
from panel_checks import collisions, ends
from PIL import Image

from tapecalc.course import panel as panels
from tapecalc.course.panel import Panel, choice, slider, switch
from tapecalc.plot import style


def build(figure, profile):
    axes = style.style_axes(figure.subplots(), profile, x="time (s)", y="level", title="A wave")
    axes.set(xlim=(0, 1), ylim=(-1.1, 1.1))
    line = axes.plot([], [], **style.line_style(profile, 0))[0]
    dots = axes.plot([], [], "o", color=profile.ground.text)
    return {"wave": line, "dots": dots}


def update(artists, rate_hz, level, cut):
    if rate_hz == 13:
        raise RuntimeError("unlucky")
    time = np.linspace(0, 1, 200)
    wave = level * np.sin(2 * np.pi * rate_hz * time)
    artists["wave"].set_data(time, np.clip(wave, -0.5, 0.5) if cut else wave)
    artists["dots"][0].set_data([0.5], [level])
    return f"{rate_hz:g} waves of level {level:g}.", {"rate": f"{rate_hz:g} Hz", "level": level}


def make(**changes):
    arguments = {
        "name": "wave",
        "build": build,
        "update": update,
        "controls": (
            slider("rate_hz", "rate", 2, low=1, high=20, step=1, unit="Hz"),
            choice("level", "level", {"half": 0.5, "full": 1.0}, 0.5),
            switch("cut", "cut the tops", False),
        ),
        "question": "How many <waves> fit?",
        "legend": "Line: the wave.",
        "alt": "Chart of a sine wave over one second, with the number of waves in the sentence below.",
    }
    arguments |= changes
    shown = [arguments.pop(name) for name in ("name", "build", "update")]
    return Panel(*shown, *arguments.pop("controls"), **arguments)


@pytest.fixture
def panel():
    panel = make()
    panel.strict = True
    return panel


def pixels(png):
    return np.asarray(Image.open(io.BytesIO(png)).convert("RGB"))


def test_first_state_is_drawn_with_numbers_and_table(panel):
    assert panel.values == {"rate_hz": 2, "level": 0.5, "cut": False}
    assert panel.readout == "2 waves of level 0.5."
    assert panel.table == {"rate": "2 Hz", "level": "0.5"}
    assert pixels(panel.png).shape == (690, 1200, 3)
    assert panel.artists["wave"].get_ydata().max() == pytest.approx(0.5, abs=1e-3)


def test_a_moved_widget_moves_the_picture(panel):
    before = panel.png
    panel._widgets["rate_hz"].value = 5
    assert panel.readout.startswith("5 waves")
    assert panel.png != before
    assert panel._image.value == panel.png


def test_blitted_picture_equals_one_drawn_from_scratch(panel):
    panel.set(rate_hz=7)
    moved = pixels(panel.png)
    panel._keep_background()
    np.testing.assert_array_equal(moved, pixels(panel.png))


def test_several_values_are_set_with_one_redraw(panel):
    calls = []

    def counted(artists, **values):
        calls.append(values)
        return update(artists, **values)

    panel._update = counted
    panel.set(rate_hz=3, level="full", cut=True)
    assert calls == [{"rate_hz": 3, "level": 1.0, "cut": True}]


def test_reset_brings_the_first_picture_back(panel):
    first = panel.png
    panel.set(rate_hz=20, cut=True)
    panel._reset_button.click()
    assert panel.png == first


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"rate": 3}, "did you mean 'rate_hz'"),
        ({"rate_hz": 21}, "from 1 to 20"),
        ({"rate_hz": float("nan")}, "from 1 to 20"),
        ({"rate_hz": True}, "from 1 to 20"),
        ({"level": "loud"}, "one of half, full"),
    ],
)
def test_a_wrong_value_is_refused_and_moves_nothing(panel, values, words):
    before = panel.values
    with pytest.raises(ValueError, match=words):
        panel.set(**values)
    assert panel.values == before


def test_an_error_in_a_callback_is_shown_and_the_picture_stays():
    panel = make()
    panel.strict = False
    before = panel._image.value
    panel.set(rate_hz=13)
    assert "unlucky" in panel.readout and "unlucky" in panel._readout.value
    assert isinstance(panel.error, RuntimeError)
    assert panel._image.value == before
    panel.set(rate_hz=4)
    assert panel.error is None and panel.readout.startswith("4 waves")


def test_an_error_in_a_callback_is_raised_when_strict(monkeypatch):
    monkeypatch.setenv(panels.STRICT, "1")
    with pytest.raises(RuntimeError, match="unlucky"):
        make().set(rate_hz=13)


def test_an_error_in_the_first_drawing_is_always_raised():
    controls = (slider("rate_hz", "rate", 13, low=1, high=20, step=1, unit="Hz"),) + tuple(
        make().controls[name] for name in ("level", "cut")
    )
    with pytest.raises(RuntimeError, match="unlucky"):
        make(controls=controls)


def test_bundle_reads_without_a_kernel(panel):
    data, metadata = panel._repr_mimebundle_()
    assert data["application/vnd.jupyter.widget-view+json"]["model_id"] == panel.widget.model_id
    assert np.array_equal(pixels(base64.b64decode(data["image/png"])), pixels(panel.png))
    assert data["text/plain"] == "How many <waves> fit?\n2 waves of level 0.5.\nLine: the wave."
    assert metadata["image/png"]["alt"].endswith("2 waves of level 0.5.")
    assert len(metadata["image/png"]["alt"]) > 40


def test_display_adds_one_visible_sentence(panel, capsys):
    panel._ipython_display_()
    assert "At the first setting: 2 waves of level 0.5." in capsys.readouterr().out


def test_a_live_page_gets_the_description_and_not_the_first_sentence_under_the_panel(panel, monkeypatch):
    shown = []
    monkeypatch.setattr("IPython.display.display", lambda data, **_: shown.append(data))
    panel.display(panel.widget)
    kind = "application/vnd.jupyter.widget-view+json"
    live, caption = shown
    assert live[kind]["model_id"] == panel.widget.model_id
    assert caption[kind]["model_id"] == panel._description.model_id
    assert panel.alt in panel._description.value and panel.readout not in panel._description.value
    assert "At the first setting: 2 waves" in caption["text/markdown"]
    assert "**How many &lt;waves&gt; fit?** Line: the wave." in caption["text/markdown"]


def test_something_of_ones_own_stands_below_a_control(panel):
    own = panel._folder
    before = list(panel.widget.children)
    panel.put_below("level", own)
    place = before.index(panel._widgets["level"]) + 1
    assert list(panel.widget.children) == [*before[:place], own, *before[place:]]


def test_each_move_and_each_reset_is_told_once(panel):
    moves = []
    panel.on_move = lambda: moves.append(panel.values["rate_hz"])
    panel._widgets["rate_hz"].value = 5
    panel.set(rate_hz=7, level="full")
    panel._reset_button.click()
    assert moves == [5, 7, 2]
    panel.strict = False
    panel.set(rate_hz=13)  # which cannot be drawn
    assert moves[-1] == 13


def test_question_and_readout_are_escaped(panel):
    shown = [child.value for child in panel.widget.children if hasattr(child, "value")]
    assert any("How many &lt;waves&gt; fit?" in str(value) for value in shown)


def test_labels_carry_units_and_controls_follow_while_dragged(panel):
    widget = panel._widgets["rate_hz"]
    assert widget.description == "rate (Hz)"
    assert widget.continuous_update


def test_save_writes_every_size_twice_the_same_and_says_so(panel, tmp_path):
    panel._folder.value = str(tmp_path / "mine")
    panel._save_button.click()
    files = sorted(path.name for path in (tmp_path / "mine").iterdir())
    assert files == sorted(f"wave_{p}.{f}" for p in panels.SAVED_AS for f in ("svg", "png"))
    assert "Saved 6 files" in panel._confirmation.value
    first = {name: (tmp_path / "mine" / name).read_bytes() for name in files}
    panel.save(tmp_path / "mine")
    assert first == {name: (tmp_path / "mine" / name).read_bytes() for name in files}
    assert b"<desc>Chart of a sine wave" in first["wave_video_1080.svg"]
    assert Image.open(io.BytesIO(first["wave_video_1080.png"])).size == (1920, 1080)


def test_a_folder_that_cannot_be_is_named_in_the_panel(panel, tmp_path):
    (tmp_path / "file").write_text("in the way")
    panel._folder.value = str(tmp_path / "file")
    with pytest.raises(OSError, match="cannot make the folder"):
        panel.save(tmp_path / "file")
    panel._save_button.click()
    assert "Not saved: cannot make the folder" in panel._confirmation.value


def test_collisions_name_text_and_artist(panel):
    assert collisions(panel) == ()

    def crowded(figure, profile):
        artists = build(figure, profile)
        figure.axes[0].text(0.5, 0.0, "in the way")
        return artists

    assert ("in the way", "wave") in collisions(make(build=crowded))


def test_names_at_line_ends_stand_apart():
    from tapecalc.plot.kit import name_lines

    def named(figure, profile):
        artists = build(figure, profile)
        axes = figure.axes[0]
        ends = [axes.plot([0, 1], [0, height])[0] for height in (0.50, 0.51)]
        artists["names"] = []
        axes.names = name_lines(axes, profile, ends, ["one", "other"])
        return artists

    figure = make(build=named).figure
    figure.draw_without_rendering()
    first, second = (Text.get_window_extent(label) for label in figure.axes[0].names)
    assert first.y1 <= second.y0


def test_logarithmic_slider_reaches_both_ends_exactly():
    def show(artists, rate_hz):
        artists["wave"].set_data([0, 1], [0, 1 / rate_hz])
        return f"{rate_hz!r}"

    control = slider("rate_hz", "rate", 3.0, low=0.3, high=17.0, step=0.02, unit="Hz", log=True)
    panel = make(update=show, controls=(control,))
    panel.strict = True
    for end in ends(control):
        panel.set(rate_hz=end)
        assert panel.values["rate_hz"] == pytest.approx(end, rel=1e-12)
        assert control.low <= panel.values["rate_hz"] <= control.high


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"alt": "a chart"}, "over 40 characters"),
        ({"profile": "notebook_transparent"}, "opaque ground"),
        ({"controls": (switch("cut", "cut", True), switch("cut", "again", True))}, "different names"),
        ({"profile": "notebok"}, "did you mean 'notebook'"),
    ],
)
def test_panel_refuses_what_would_not_read(changes, words):
    with pytest.raises(ValueError, match=words):
        make(**changes)


@pytest.mark.parametrize(
    "bad",
    [
        lambda: slider("x", "x", 5, low=10, high=1, step=1, unit=""),
        lambda: slider("x", "x", 5, low=0, high=10, step=1, unit="", log=True),
        lambda: slider("x", "x", 50, low=0, high=10, step=1, unit=""),
        lambda: choice("x", "x", {"a": 1}, 2),
        lambda: switch("x", "x", 1),
    ],
)
def test_controls_refuse_nonsense(bad):
    with pytest.raises(ValueError, match="x "):
        bad()


def test_readout_shows_as_many_decimals_as_the_step():
    assert slider("x", "x", 1.0, low=0.0, high=2.0, step=0.125, unit="s").widget(800).readout_format == ".3f"
    assert slider("x", "x", 1.0, low=0.0, high=2.0, step=0.5, unit="s").widget(800).readout_format == ".1f"
    assert slider("x", "x", 40.0, low=0.0, high=90.0, step=10.0, unit="s").widget(800).readout_format == ".0f"
