"""A panel's way from moved control to picture, against other ways to the same picture.

All in one run, medians of CPU time over moves of one slider, for a figure with two
charts, a logarithmic axis, a filled area and a legend. Drawn on the kept background
it must stay under `LARGEST_SHARE` of a figure that is built anew for every move and
saved with a tight box, which is what ipywidgets' own `interact` does inline.
"""

import io
import statistics
import sys
import time

import numpy as np

from tapecalc.calc.response import repeat_level_db
from tapecalc.course.panel import Panel, slider
from tapecalc.machine import example_machine
from tapecalc.plot import style

MOVES = 40
LARGEST_SHARE = 0.2
FREQUENCY = np.geomspace(20, 20e3, 400)
ONE_PASS = example_machine().one_pass(0.1905)


def build(figure, profile):
    """Two charts, one of them logarithmic, with a fill, a legend and three moving artists."""
    left, right = figure.subplots(1, 2)
    style.frequency_axis(left, profile, low=20, high=20e3)
    style.style_axes(left, profile, x="frequency (Hz)", y="level (dB)", title="Response")
    left.set_ylim(-60, 3)
    first = left.plot(FREQUENCY, repeat_level_db(ONE_PASS, FREQUENCY, 1), **style.line_style(profile, 1))[0]
    left.fill_between(FREQUENCY, first.get_ydata(), -60, color=profile.ground.fill)
    repeat = left.plot(FREQUENCY, first.get_ydata(), **style.line_style(profile, 0))[0]
    left.legend([first, repeat], ["first", "this repeat"], loc="lower left")
    style.style_axes(right, profile, x="repeat", y="level (dB)", title="At 10 kHz")
    right.set(xlim=(0, 9), ylim=(-60, 3))
    path = right.plot([], [], **style.line_style(profile, 2))[0]
    dot = right.plot([], [], "o", color=profile.ground.text)[0]
    return {"repeat": repeat, "path": path, "dot": dot}


def update(artists, passes):
    """Move the three artists."""
    steps = np.linspace(0, passes, 50)
    at_ten = repeat_level_db(ONE_PASS, 10e3, passes)
    artists["repeat"].set_ydata(repeat_level_db(ONE_PASS, FREQUENCY, passes))
    artists["path"].set_data(steps, steps / passes * at_ten)
    artists["dot"].set_data([passes], [at_ten])
    return f"Repeat {passes} has {at_ten:.0f} dB at 10 kHz."


def panel():
    """The same panel, which draws on a kept background."""
    return Panel(
        "bench",
        build,
        update,
        slider("passes", "repeat", 1, low=1, high=9, step=1, unit=""),
        question="How dark is it?",
        legend="Solid: this repeat.",
        alt="Two line charts of level in dB, over frequency and over the number of the repeat.",
    )


def built_anew(passes):
    """A new figure for every move, laid out again and saved with a tight box."""
    with style.context("notebook") as profile:
        figure = style.new_figure(profile)
        update(build(figure, profile), passes)
        figure.savefig(io.BytesIO(), format="png", bbox_inches="tight")


def median_ms(move):
    """Median CPU time of one move in ms."""
    times = []
    for n in range(MOVES):
        start = time.process_time()
        move(1 + n % 9)
        times.append(1000 * (time.process_time() - start))
    return statistics.median(times)


def main():
    kept = panel()
    rows = {"kept background": median_ms(lambda n: kept.set(passes=n)), "built anew": median_ms(built_anew)}
    for name, ms in rows.items():
        print(f"{name:16s} {ms:7.1f} ms   {ms / rows['built anew']:.2f} of built anew")
    share = rows["kept background"] / rows["built anew"]
    if share > LARGEST_SHARE:
        sys.exit(f"a panel takes {share:.2f} of a figure built anew, more than {LARGEST_SHARE}")


if __name__ == "__main__":
    main()
