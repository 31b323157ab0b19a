"""Panels on their pages from disk: each question is answered by hand; links, files and sounds."""

import io
import math
import xml.etree.ElementTree as ET

import lab_browser
import pytest
from PIL import Image

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
runawayPanel      | bumps none | It would start first at 459 Hz.
wobblePanel       | delay_ms 200, rate_hz 5, repeat 1 | 0.00 times the wobble
wobblePanel       | delay_ms 200, rate_hz 2.5, repeat 1 | 2.00 times the wobble
partsPanel        | spacing_mm 25.2 | capstan turns 1.00 times
partsPanel        | spacing_mm 50.5 | capstan turns 2.00 times
rhythmPanel       | first_mm 38, second_mm 76, third_mm 114, bpm 100 | the worst is
combPanel         | second_db 0 | silence
combPanel         | second_db -10.7 | -3.0 dB
returnPanel       | feeds the last alone, return_send_db -6 | safe by 10.5 dB, and a click has 8 echoes
crossedPanel      | crossed_percent 50 | the echo becomes mono
piecesPanel       | wobble_percent 0, piece_ms 100 | off by 0.12 \u00b5s rms
piecesPanel       | wobble_percent 0.2, piece_ms 100 | off by
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
def tab(site):
    with lab_browser.offline_page() as tab:
        yield tab


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


# ---- what can be taken along ----


@pytest.fixture
def delay(tab, site):
    """The first panel of the first lesson, as at first."""
    tab.goto("about:blank")
    tab.goto((site / "01_delay.html").as_uri())
    tab.wait_for_selector('.what-if[data-panel="delayPanel"] svg.chart')
    return tab.locator('.what-if[data-panel="delayPanel"]')


def test_a_setting_is_linked_and_found_again(tab, delay):
    slider = delay.locator("input[type=range]").first
    slider.focus()
    tab.keyboard.press("ArrowRight")
    tab.keyboard.press("ArrowRight")
    said = delay.locator(".said").inner_text()
    delay.get_by_role("button", name="link to this setting").click()
    address = tab.url
    assert "#delay_and_uncertainty:spacing_mm=42.5,speed_ips=7.5" in address
    tab.wait_for_function("() => document.querySelector('.what-if .told').textContent.includes('address')")
    tab.goto("about:blank")
    tab.goto(address)
    tab.wait_for_selector(".what-if svg.chart")
    assert delay.locator(".said").inner_text() == said and "42.5" in said
    assert delay.evaluate("one => Math.abs(one.getBoundingClientRect().top) < 2000")


def test_a_link_to_no_setting_is_refused_in_a_sentence(tab, site):
    tab.goto("about:blank")
    tab.goto(f"{(site / '01_delay.html').as_uri()}#delay_and_uncertainty:spacing_mm=4000")
    told = tab.locator('.what-if[data-panel="delayPanel"] .told')
    told.filter(
        has_text="The address cannot be followed: spacing_mm must be from 10 to 100, got 4000."
    ).wait_for()
    assert "41.5" in tab.locator('.what-if[data-panel="delayPanel"] .said').inner_text()


@pytest.mark.parametrize(
    ("size", "wide", "high"), [("video_1080", 1920, 1080), ("article_single", 1051, 780)]
)
def test_a_picture_is_saved_with_its_text_and_in_its_size(tab, delay, size, wide, high):
    delay.locator(".doings select").select_option(size)
    with tab.expect_download() as svg:
        delay.get_by_role("button", name="SVG").click()
    assert svg.value.suggested_filename == f"delay_and_uncertainty_{size}.svg"
    text = svg.value.path().read_text(encoding="utf-8")
    picture = ET.fromstring(text)
    words = " ".join(picture.itertext())
    assert "head spacing (mm)" in words and "218 ms" in words.replace("\N{NO-BREAK SPACE}", " ")
    assert "prefers-color-scheme" not in text
    with tab.expect_download() as png:
        delay.get_by_role("button", name="PNG").click()
    assert png.value.suggested_filename == f"delay_and_uncertainty_{size}.png"
    drawn = Image.open(io.BytesIO(png.value.path().read_bytes())).convert("RGB")
    assert drawn.size == pytest.approx((wide, high), abs=1)
    assert drawn.getpixel((2, 2)) == (255, 255, 255) and len(drawn.getcolors(1 << 24)) > 50


#: Count what would sound, and what does.
LISTEN = """
window.made = 0;
const Real = AudioContext;
window.AudioContext = class extends Real { constructor(...all) { super(...all); window.made += 1; } };
"""


def test_a_panel_sounds_when_asked_and_one_key_stops_it(tab, site):
    page = tab.context.browser.new_page()
    page.add_init_script(LISTEN)
    page.goto((site / "01_delay.html").as_uri())
    panel = page.locator('.what-if[data-panel="delayPanel"]')
    panel.locator("input[type=range]").first.press("ArrowRight")
    assert page.evaluate("made") == 0
    panel.get_by_role("button", name="hear it").click()
    panel.get_by_role("button", name="stop (Esc)").wait_for()
    assert page.evaluate("made") == 1 and panel.locator(".told").inner_text().endswith(".")
    page.keyboard.press("Escape")
    panel.get_by_role("button", name="hear it").wait_for()
    page.close()
