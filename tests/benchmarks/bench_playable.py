"""The playable page in headless Chromium, from disk: until it stands, until it sounds, and each frame.

Bounds are those of the hand: a page stands within 1 s, sounds within 0.5 s of the press, and leaves most of a
frame to the browser. Beside the first stands what the page takes without scripts, in the same run.
"""

import re
import statistics
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tools"))

import lab_browser

from tapecalc.machine import example_machine, with_changes
from tapecalc.plan import make_plan
from tapecalc.report.try_page import write_try_page

TURNS = 5
READY, SOUNDS, FRAME = 1.0, 0.5, 4e-3  # s
HEADS = [{"spacing_mm": mm} for mm in (41.5, 62.0, 83.0, 124.5)]
#: Hear the press, and the first report of a block that was not silent.
WATCH = """
addEventListener("pointerdown", () => { globalThis.pressed ??= performance.now(); }, true);
const Real = AudioWorkletNode;
globalThis.AudioWorkletNode = class extends Real {
  constructor(...all) {
    super(...all);
    this.port.addEventListener("message", ({ data }) => {
      if (data.out_peak > 0) globalThis.sounded ??= performance.now() - globalThis.pressed;
    });
  }
};
"""


def ready(tab, address):
    """Seconds from the way there until all has loaded and run."""
    tab.goto(address)
    return tab.evaluate("performance.getEntriesByType('navigation')[0].loadEventEnd") / 1e3


def played(tab, address):
    """Seconds from the press to the sound, and of each frame while a head is dragged."""
    tab.goto(address)
    tab.get_by_role("button", name="Play", exact=True).click()
    while tab.evaluate("globalThis.sounded ?? null") is None:
        tab.wait_for_timeout(10)
    head = tab.get_by_role("slider", name="Head 1", exact=True)
    head.focus()
    for _ in range(40):
        tab.keyboard.press("ArrowRight")
        tab.wait_for_timeout(40)
    frames = tab.evaluate("document.querySelector('.tape-page').tape.frameTimes()")
    return tab.evaluate("sounded") / 1e3, statistics.median(frames) / 1e3


def main():
    if lab_browser.CHROMIUM is None:
        print("no Chromium on this machine: left out")
        return False
    plan = make_plan(with_changes(example_machine(), {"playback_heads": HEADS}))
    failed = False
    with tempfile.TemporaryDirectory() as folder, lab_browser.page(1280, 800) as tab:
        tab.context.set_offline(True)
        tab.add_init_script(WATCH)
        page = write_try_page(plan, Path(folder) / "try.html")
        still = Path(folder) / "still.html"
        still.write_text(
            re.sub(r"<script\b.*?</script>", "", page.read_text("utf-8"), flags=re.DOTALL), "utf-8"
        )
        both = [(ready(tab, page.as_uri()), ready(tab, still.as_uri())) for _ in range(TURNS)]
        stands, without = (statistics.median(times) for times in zip(*both, strict=True))
        sounds, frame = (
            statistics.median(t) for t in zip(*(played(tab, page.as_uri()) for _ in range(3)), strict=True)
        )
        for name, seconds, bound, note in (
            (
                "the page stands, four heads",
                stands,
                READY,
                f"{stands / without:.1f} times that without scripts",
            ),
            ("from the press to the sound", sounds, SOUNDS, ""),
            ("script of a frame while a head is moved", frame, FRAME, ""),
        ):
            failed |= seconds > bound
            print(f"{name:<46}{1e3 * seconds:>8.1f} ms{1e3 * bound:>8.0f} {note}", flush=True)
    return failed


if __name__ == "__main__":
    sys.exit(main())
