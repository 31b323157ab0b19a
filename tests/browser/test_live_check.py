"""The live check in a browser: it hears what goes out, and says what a wrong input is."""

import lab_browser
import numpy as np
import pytest
import soundfile
from playwright.sync_api import expect, sync_playwright

from tapecalc.live.modules import joined

pytestmark = pytest.mark.browser

POLICY = "default-src 'none'; script-src 'unsafe-inline' data:; style-src 'unsafe-inline'"
PAGE = """<!doctype html><html lang="en"><head><meta charset="utf-8"><title>Check</title>
<meta http-equiv="Content-Security-Policy" content="%s"></head><body><div class="live-check"></div>
<script type="module">%s
mountCheck(document.querySelector(".live-check"));
globalThis.offline = async (late_s) => {
  const context = new OfflineAudioContext(2, 9 * 48000, 48000);
  const probe = probeSamples(48000);
  const buffer = context.createBuffer(2, 9 * 48000, 48000);
  buffer.getChannelData(1).set(probe.map((value) => 0.5 * value), Math.round(late_s * 48000));
  const source = new AudioBufferSourceNode(context, { buffer });
  source.start();
  const connect = AudioWorkletNode.prototype.connect;
  AudioWorkletNode.prototype.connect = function (to) {  // the last thing before sound is due
    connect.call(this, to);
    context.startRendering();
  };
  const heard = heardMeanwhile(context, source);
  return bestWay(await heard, 48000);
};
</script></body></html>"""


@pytest.fixture
def opened(tmp_path):
    """A function that opens the page with some flags of the browser."""
    lab_browser.skip_without_chromium()
    page = tmp_path / "check.html"
    page.write_text(PAGE % (POLICY, joined("check")), encoding="utf-8")
    with sync_playwright() as driver:
        browsers = []

        def go(*flags):
            flags = (*lab_browser.QUIET, "--use-fake-ui-for-media-stream", *flags)
            browser = driver.chromium.launch(executable_path=lab_browser.CHROMIUM, args=flags)
            browsers.append(browser)
            tab = browser.new_page()
            tab.problems = []
            tab.on("pageerror", lambda error: tab.problems.append(str(error)))
            tab.goto(page.as_uri())
            return tab

        yield go
        for browser in browsers:
            browser.close()


def test_what_goes_out_and_comes_back_by_a_known_way_is_timed_to_the_sample(opened):
    tab = opened()
    best = tab.evaluate("offline(0.2)")
    assert best["channel"] == 1
    assert best["way"]["seconds"] == pytest.approx(0.2, abs=1e-4)
    assert tab.problems == []


def test_another_sound_at_the_input_is_told_apart_from_the_noise(opened, tmp_path):
    hum = 0.1 * np.sin(2 * np.pi * 100 * np.arange(48_000) / 48_000)
    soundfile.write(tmp_path / "hum.wav", hum, 48_000)
    tab = opened(
        "--use-fake-device-for-media-stream",
        f"--use-file-for-fake-audio-capture={tmp_path / 'hum.wav'}",
        "--autoplay-policy=no-user-gesture-required",
    )
    first, second = tab.get_by_role("button").all()
    assert second.is_disabled()
    first.click()
    expect(tab.get_by_role("status")).to_contain_text("not in it", timeout=60_000)
    assert second.is_disabled() and tab.problems == []
