"""Each panel's own question is answered on its page from disk, by moving its controls to the answer."""

import math

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
#: What is moved, and what must stand in the sentence or the table then: at first, and at the answer.
ANSWERS = """
delayPanel        | | +/- 5.2 ms
delayPanel        | speed_ips 3.75 | +/- 10.5 ms
speedChangePanel  | | back in tune 436 ms after
speedChangePanel  | last_ips 15, spacing_mm 80 | 210 ms after
tempoPanel        | | a miss, because
tempoPanel        | tempo_bpm 69 | a fit, because
repeatsPanel      | | from repeat 3 on
repeatsPanel      | error_percent 0.6 | from repeat 5 on
typePanel         | text_pt 20 | readable.
typePanel         | text_pt 21 | easy.
stagingPanel      | instrument_dbu -40, mixer_gain_db 36 | 12.0 dB of headroom, 44.2 dB above the noise
patchPanel        | fader_db 0 | 5.9 dB of margin
patchPanel        | patch one bus, fader_db 0 | no margin, it howls
patternPanel      | | 0.8 dB lost
patternPanel      | frequency_khz 20, gap_um 8.6, moved_percent 25 | nothing is left
contactPanel      | | most of it to the thickness
contactPanel      | separation_um 5, coating_um 8 | most of it to the spacing
equalizationPanel | | comes out
equalizationPanel | played NAB 15 ips | as it went in
passesPanel       | | 120 Hz to 3.2 kHz
passesPanel       | boost_db 36 | 3.2 kHz
passesPanel       | separation_um 0.5 | 130 Hz to 11 kHz
toolsPanel        | length_m 3 | The ruler tells more.
toolsPanel        | length_m 3.5 | The stopwatch tells more.
fadingPanel       | loop_gain 0.56 | 11 in
fadingPanel       | loop_gain 0.57 | 12 in
runawayPanel      | | It would start first at 179 Hz.
runawayPanel      | return_send_db 3 | past the edge. It starts first at 179 Hz.
runawayPanel      | bumps none | of
wobblePanel       | delay_ms 200, rate_hz 5, repeat 1 | 0.00 times the wobble
wobblePanel       | delay_ms 200, rate_hz 2.5, repeat 1 | 2.00 times the wobble
partsPanel        | spacing_mm 25.2 | capstan turns 1.00 times
partsPanel        | spacing_mm 50.5 | capstan turns 2.00 times
rhythmPanel       | first_mm 38, second_mm 76, third_mm 114, bpm 100 | the worst is
combPanel         | second_db 0 | silence
combPanel         | second_db -10.7 | -3.0 dB
returnPanel       | feeds the last alone, return_send_db -6 | safe by 10.5 dB, and a click has 8 echoes
crossedPanel      | crossed_percent 50 | the echo becomes mono
piecesPanel       | wobble_percent 0, piece_ms 200 | off by 0.12 \u00b5s rms
piecesPanel       | wobble_percent 0.2, piece_ms 200 | off by
""".strip()
#: Move one control, as a hand does: it hears of it as it would.
MOVE = """([panel, at, value]) => {
  const control = panel.querySelectorAll(".knobs :is(input, select)")[at];
  control.value = value;
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
    if control["options"]:
        return value
    low, step = control["low"], control["step"]
    return str(round((math.log10(float(value) / low) if control["log"] else float(value) - low) / step))


@pytest.mark.parametrize("function", sorted(LESSON_OF))
def test_the_question_of_a_panel_is_answered_by_moving_its_controls(tab, site, function):
    tab.goto((site / LESSON_OF[function]).as_uri())
    panel = tab.wait_for_selector(f'.what-if[data-panel="{function}"] svg.chart').evaluate_handle(
        "one => one.closest('.what-if')"
    )
    controls = told()[function]["controls"]
    heard = {as_seen(tab.evaluate(SAID, panel))}
    rows = [[part.strip() for part in row.split("|")] for row in ANSWERS.splitlines()]
    for moves, words in (row[1:] for row in rows if row[0] == function):
        panel.query_selector("button:has-text('reset')").click()
        for name, _, value in (move.partition(" ") for move in filter(None, moves.split(", "))):
            at = [control["name"] for control in controls].index(name)
            tab.evaluate(MOVE, [panel, at, place_of(controls[at], value)])
        said = as_seen(tab.evaluate(SAID, panel))
        assert words in said, (moves, said)
        heard.add(said)
    assert len(heard) > 1
