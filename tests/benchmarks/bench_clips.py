"""Filming a clip: drawing only what moves, against saving every frame.

All in one run: the CPU time of a frame that moves, over a clip of usual length and its dissolve, must stay
under `LARGEST_SHARE` of that of one saved PNG: on a machine that is not busy, or caches are shared and the
share grows by half. What is held costs nothing and is not counted. Then ten seconds of 1080p30 with sound,
by the clock, under `MOST_SECONDS` on two cores.
"""

import io
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from tapecalc.plot import film, style
from tapecalc.plot.clips import CLIPS, make_scene, write_clip

LARGEST_SHARE = 1 / 30
MOST_SECONDS = 60.0
FPS = 30


def kept_ms(scene):
    """CPU milliseconds of one frame on the kept background; the first frame draws it."""
    shown = film.frames(scene, FPS)
    next(shown)
    start = time.process_time()
    for _ in shown:
        pass
    return 1000 * (time.process_time() - start) / (FPS * (scene.seconds - 2 * scene.rests))


def saved_ms(scene, count=3):
    """CPU milliseconds of a frame that is saved as PNG."""
    for artist in scene.moving:
        artist.set_animated(False)
    start = time.process_time()
    for _ in range(count):
        with style.context("video_1080"):
            scene.figure.savefig(io.BytesIO(), format="png", dpi="figure")
    return 1000 * (time.process_time() - start) / count


def run():
    """Print the table and return 1 if a bound is broken."""
    failed = False
    print(f"{'clip':<18}{'kept ms':>9}{'saved ms':>10}{'kept in it':>12}{'at least':>10}")
    for name in CLIPS:
        scene = make_scene(name)
        kept, saved = kept_ms(scene), saved_ms(scene)
        failed |= kept / saved > LARGEST_SHARE
        print(
            f"{name:<18}{kept:>9.2f}{saved:>10.1f}{saved / kept:>12.1f}{1 / LARGEST_SHARE:>10.0f}", flush=True
        )
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
