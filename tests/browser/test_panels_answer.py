"""Each panel's own question is answered on its page from disk, by moving its controls to the answer."""

import lab_browser
import pytest
from site_pages import tool

from tapecalc.course.panels import LESSONS, every_panel
from tapecalc.panels.panel import told

pytestmark = [pytest.mark.browser, pytest.mark.slow]

#: Where each panel stands.
LESSON_OF = {
    panel.function: f"{[one.__name__.rpartition('.')[2] for one in LESSONS].index(panel.module) + 1:02}_"
    f"{panel.module}.html"
    for panel in every_panel()
}
SPLIT = "pan as a send"
#: What is moved, and what must stand in the sentence or the table then: the answer, and what is no answer.
ANSWERS = {
    "delayPanel": [({}, "+/- 5.2 ms"), ({}, "+/- 4.4 ms"), ({"speed_ips": 3.75}, "+/- 10.5 ms")],
    "speedChangePanel": [({}, "back in tune 436 ms after"), ({"last_ips": 15, "spacing_mm": 80}, "210 ms after")],
    "tempoPanel": [({}, "a miss, because"), ({"tempo_bpm": 69}, "a fit, because")],
    "repeatsPanel": [({}, "from repeat 3 on"), ({"error_percent": 0.6}, "from repeat 5 on")],
    "typePanel": [({"text_pt": 21}, "easy."), ({"text_pt": 20}, "readable.")],
    "stagingPanel": [
        ({"instrument_dbu": -40, "mixer_gain_db": 36}, "12.0 dB of headroom, 44.2 dB above the noise on tape"),
    ],
    "patchPanel": [({"fader_db": 0}, "5.9 dB of margin"), ({"patch": "one bus"}, "it howls")],
    "patternPanel": [({}, "0.8 dB lost"), ({"frequency_khz": 20, "gap_um": 8.6, "moved_percent": 25}, "nothing is left")],
    "contactPanel": [({}, "most of it to the thickness"), ({"separation_um": 5, "coating_um": 8}, "most of it to the spacing")],
    "equalizationPanel": [({}, "comes out"), ({"played": "NAB 15 ips"}, "as it went in")],
    "passesPanel": [({}, "120 Hz to 3.2 kHz"), ({"boost_db": 36}, "3.2 kHz"), ({"separation_um": 0.5}, "130 Hz to 11 kHz")],
    "toolsPanel": [({"length_m": 3}, "The ruler tells more."), ({"length_m": 3.5}, "The stopwatch tells more.")],
    "fadingPanel": [({"loop_gain": 0.57}, "12 in"), ({"loop_gain": 0.56}, "11 in")],
    "runawayPanel": [({}, "179 Hz"), ({"return_send_db": -12}, "179 Hz"), ({"return_send_db": 3}, "RUNS AWAY")],
    "wobblePanel": [
        ({"delay_ms": 200, "rate_hz": 5, "repeat": 1}, "0.00 times the wobble"),
        ({"delay_ms": 200, "rate_hz": 2.5, "repeat": 1}, "2.00 times the wobble"),
    ],
    "partsPanel": [({"spacing_mm": 25.2}, "capstan turns 1.00 times"), ({"spacing_mm": 50.5}, "turns 2.00 times")],
    "rhythmPanel": [({"first_mm": 38, "second_mm": 76, "third_mm": 114, "bpm": 100}, "the worst is")],
    "combPanel": [({"second_db": -10.7}, "-3.0 dB"), ({"second_db": 0}, "heads")],
    "returnPanel": [({"feeds": "the last alone", "return_send_db": -6}, "safe by 10.5 dB, and a click has 8 echoes")],
    "crossedPanel": [({"crossed_percent": 50}, "the echo becomes mono"), ({"crossed_percent": 50}, "not at all")],
    "piecesPanel": [({"wobble_percent": 0, "piece_ms": 200}, "piece"), ({"wobble_percent": 0.2, "piece_ms": 200}, "piece")],
}  # fmt: skip
#: Move one control, as a hand does: it hears of it as it would.
MOVE = """([panel, at, value]) => {
  const control = panel.querySelectorAll(".knobs :is(input, select)")[at];
  if (control.type === "checkbox") control.checked = value;
  else control.value = value;
  control.dispatchEvent(new Event("input", { bubbles: true }));
  control.dispatchEvent(new Event("change", { bubbles: true }));
}"""
SAID = "panel => [...panel.querySelectorAll('.said, td')].map(one => one.textContent).join(' | ')"


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    if lab_browser.CHROMIUM is None:
        pytest.skip("no Chromium on this machine: install it to look at the pages")
    return tool.write_site(tool.site_files(plan=False), tmp_path_factory.mktemp("answers") / "site")


@pytest.fixture(scope="module")
def tab(site):
    with lab_browser.page() as tab:
        tab.context.set_offline(True)
        yield tab
        assert (tab.problems, tab.outside) == ([], [])


def as_seen(text):
    """Words as a page sets them, with plain spaces."""
    return (
        text.replace("\N{NO-BREAK SPACE}", " ")
        .replace("\N{PLUS-MINUS SIGN}", "+/-")
        .replace("\N{MINUS SIGN}", "-")
    )


def place_of(control, value):
    """Where a control's hand stands for a value."""
    import math

    if control["options"] or isinstance(value, bool):
        return value
    low, step = control["low"], control["step"]
    return str(round((math.log10(value / low) if control["log"] else value - low) / step))


@pytest.mark.parametrize("function", sorted(LESSON_OF))
def test_the_question_of_a_panel_is_answered_by_moving_its_controls(tab, site, function):
    tab.goto((site / LESSON_OF[function]).as_uri())
    panel = tab.wait_for_selector(f'.what-if[data-panel="{function}"] svg.chart').evaluate_handle(
        "one => one.closest('.what-if')"
    )
    controls = told()[function]["controls"]
    heard = {as_seen(tab.evaluate(SAID, panel))}
    for values, words in ANSWERS[function]:
        panel.query_selector("button:has-text('reset')").click()
        for name, value in values.items():
            at = [control["name"] for control in controls].index(name)
            tab.evaluate(MOVE, [panel, at, place_of(controls[at], value)])
        said = as_seen(tab.evaluate(SAID, panel))
        assert words in said, (values, said)
        heard.add(said)
    assert len(heard) > 1
