"""The course's pages in headless Chromium, from disk: first paint, and each panel from a move to its picture.

Bounds: a panel follows a control within half a frame, so that the next one shows it, and nothing on the page
is shifted by it.
"""

import statistics
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tools"))

import lab_browser
from site_pages import tool

REDRAWN, PAINTED = 8.0, 1000.0  # ms
#: Move every list and slider of every panel over its range, and count what was shifted.
MOVE = """() => {
  let shifted = 0;
  new PerformanceObserver(list => { for (const one of list.getEntries()) shifted += one.value; })
    .observe({ type: "layout-shift" });
  const times = [...document.querySelectorAll(".what-if")].map(panel => {
    const took = [];
    for (const list of panel.querySelectorAll(".knobs select")) {
      for (const { value } of list.options) {
        list.value = value;
        const start = performance.now();
        list.dispatchEvent(new Event("change"));
        panel.querySelector("svg.chart").getBoundingClientRect();
        took.push(performance.now() - start);
      }
    }
    for (const slider of panel.querySelectorAll("input[type=range]")) {
      for (let k = 0; k <= 20; k += 1) {
        slider.value = Math.round(Number(slider.max) * k / 20);
        const start = performance.now();
        slider.dispatchEvent(new Event("input"));
        panel.querySelector("svg.chart").getBoundingClientRect();
        took.push(performance.now() - start);
      }
    }
    return [panel.dataset.panel, took];
  });
  const twice = done => requestAnimationFrame(() => requestAnimationFrame(() => done([times, shifted])));
  return new Promise(twice);
}"""
PAINT = "performance.getEntriesByName('first-contentful-paint')[0]?.startTime ?? 0"


def first_paint(tab, address):
    """Milliseconds from the way there to the first words."""
    tab.goto(address)
    tab.wait_for_timeout(300)
    return tab.evaluate(PAINT)


def main():
    """Measure, print, and end with an error if a bound does not hold."""
    late = []
    with tempfile.TemporaryDirectory() as folder, lab_browser.page() as tab:
        place = tool.write_site(tool.site_files(plan=False), Path(folder) / "site")
        for page in sorted(place.glob("0*.html")):
            with_scripts = first_paint(tab, page.as_uri())
            times, shifted = tab.evaluate(MOVE)
            print(f"{page.name}: first paint {with_scripts:.0f} ms, shifted by the moves {shifted:.3f}")
            late += [f"{page.name} paints after {with_scripts:.0f} ms"] if with_scripts > PAINTED else []
            late += [f"{page.name} shifts by {shifted:.3f}"] if shifted else []
            for name, took in times:
                middle = statistics.median(took)
                print(f"    {name}: {middle:.1f} ms, at most {max(took):.1f} ms")
                late += [f"{name} takes {middle:.1f} ms"] if middle > REDRAWN else []
    if late:
        sys.exit("; ".join(late))


if __name__ == "__main__":
    main()
