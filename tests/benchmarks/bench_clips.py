"""Filming a clip: drawing only what moves, against drawing every frame anew.

All in one run: the CPU time of a frame drawn on the kept background must stay under
`LARGEST_SHARE` of that of a full drawing; beside it stands how many of them one saved PNG costs.
What is held costs nothing and is not counted. Then ten seconds of 1080p30 with sound, by the clock;
under `MOST_SECONDS` on two cores that are not busy with other things.
"""

import io
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from tapecalc.plot import film, style
from tapecalc.plot.clips import CLIPS, make_scene, write_clip

LARGEST_SHARE = 0.25
MOST_SECONDS = 60.0
FRAMES = 40


def kept_ms(scene):
    """CPU milliseconds of one frame on the kept background; the first frame draws it."""
    shown = film.frames(replace(scene, rests=0.0), FRAMES // 2)
    next(shown)
    start = time.process_time()
    count = sum(1 for _ in shown)
    return 1000 * (time.process_time() - start) / count


def anew_ms(scene, count=6):
    """CPU milliseconds of one frame that is drawn in full."""
    for artist in scene.moving:
        artist.set_animated(False)
    start = time.process_time()
    for k in range(count):
        scene.update(0.3 * k)
        with style.context("video_1080"):
            scene.figure.canvas.draw()
    return 1000 * (time.process_time() - start) / count


def saved_ms(scene, count=3):
    """CPU milliseconds of a frame that is saved as PNG."""
    start = time.process_time()
    for _ in range(count):
        with style.context("video_1080"):
            scene.figure.savefig(io.BytesIO(), format="png", dpi="figure")
    return 1000 * (time.process_time() - start) / count


def run():
    """Print the table and return 1 if a bound is broken."""
    failed = False
    print(
        f"{'clip':<18}{'kept ms':>9}{'anew ms':>9}{'share':>8}{'bound':>8}{'saved ms':>10}{'kept in it':>12}"
    )
    for name in CLIPS:
        scene = make_scene(name, seconds=2)
        kept, anew, saved = kept_ms(scene), anew_ms(scene), saved_ms(scene)
        failed |= kept / anew > LARGEST_SHARE
        shares = f"{kept / anew:>8.2f}{LARGEST_SHARE:>8}{saved:>10.1f}{saved / kept:>12.1f}"
        print(f"{name:<18}{kept:>9.1f}{anew:>9.1f}{shares}")
    if film.find_encoder() is None:
        print("no ffmpeg: ten seconds of film are not timed")
        return int(failed)
    with tempfile.TemporaryDirectory() as folder:
        start = time.perf_counter()
        path = write_clip("tape_path", Path(folder) / "clip.mp4", seconds=10, progress=False).path
        seconds = time.perf_counter() - start
        print(f"10 s of 1080p30 with sound: {seconds:.1f} s, {path.stat().st_size / 1e6:.2f} MB")
    return int(failed or not np.isfinite(seconds) or seconds > MOST_SECONDS)


if __name__ == "__main__":
    sys.exit(run())
