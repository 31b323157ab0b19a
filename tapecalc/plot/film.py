"""From a moving figure and its sound to a film: MP4, GIF, or numbered pictures.

A `Scene` is a figure of which a few artists move, and a sound of the same length. What stands
still is drawn once and kept; for each frame only the moving artists are drawn on top. Frame
``k`` shows the middle of its time, ``(k + 0.5) / fps``, so that whatever happens is seen at
most half a frame before or after it is heard.
"""

import base64
import contextlib
import importlib
import io
import math
import shutil
import subprocess
import tempfile
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.artist import Artist
from matplotlib.colors import to_rgba
from matplotlib.figure import Figure
from numpy.typing import NDArray
from PIL import Image
from tqdm import tqdm

from tapecalc.calc.quantity import whole
from tapecalc.files import replacing, replacing_folder, write_file
from tapecalc.plot import style
from tapecalc.sound.files import StrPath, write_sound
from tapecalc.words import listed

#: How far sound may be ahead of its picture and behind it before viewers mind, s.
#: Source: EBU R 37 (from memory).
EARLIEST, LATEST = 0.040, 0.060
MOST_FPS, MOST_GIF_FPS = 120, 50
PATIENCE = 60.0  # s without a picture taken, after which an encoder is ended
GAP_PIXELS = 10  # between the frames of a strip

Pixels = NDArray[np.uint8]  # red, green, blue and opacity, of shape (height, width, 4)


@dataclass(frozen=True, kw_only=True)
class Scene:
    """A figure that moves, with the sound that belongs to it and everything that must be said."""

    figure: Figure  # settled
    moving: tuple[Artist, ...]  # what moves, from the back to the front; drawn on top of all the rest
    update: Callable[[float], None]  # moves them to where they are at a time in s
    sound: NDArray[np.float64]  # mono, full scale at 1; its length is that of the film
    sample_rate: int
    events: tuple[tuple[float, str], ...]  # time in s and name of what is heard and seen at once
    caption: str  # for below the film, numbers included
    alt: str  # what is seen and heard, for those who cannot see or hear it
    sources: tuple[str, ...]  # of formulas and published numbers

    @property
    def seconds(self) -> float:
        """Its length in s."""
        return len(self.sound) / self.sample_rate

    @property
    def pixels(self) -> tuple[int, int]:
        """Width and height of a frame."""
        return self.figure.canvas.get_width_height(physical=True)

    def count(self, fps: int) -> int:
        """How many frames it has at `fps` frames a second."""
        return max(1, round(self.seconds * whole("fps", fps, 1, MOST_FPS)))


@dataclass(frozen=True, repr=False)
class Strip:
    """Frames side by side, with the sentence that says what they show."""

    image: Image.Image
    alt: str  # which moments they are, and what is seen

    def __repr__(self) -> str:
        return self.alt

    def _ipython_display_(self) -> None:
        """Show the frames and, below them, their description for those who cannot see them."""
        from IPython.display import display

        buffer = io.BytesIO()
        self.image.save(buffer, "png", optimize=True)
        data = {"image/png": base64.b64encode(buffer.getvalue()).decode("ascii"), "text/plain": self.alt}
        width = min(self.image.width, 800)  # as wide as the panels of a notebook
        display(data, raw=True, metadata={"image/png": {"alt": self.alt, "width": width}})
        display({"text/markdown": f"*{self.alt}*", "text/plain": self.alt}, raw=True)


# ---- pictures ----


def frames(scene: Scene, fps: int, *, progress: bool | None = False) -> Iterator[Pixels]:
    """Draw the frames of a scene, one after the other, counted by a bar if wanted.

    Gives red, green, blue and opacity of each pixel, of shape (height, width, 4). The array is used again
    for the next frame: copy what you want to keep.
    """
    times = [(k + 0.5) / fps for k in range(scene.count(fps))]
    look: Any = {"total": len(times), "unit": "frame", "desc": "clip", "leave": False}
    # None leaves it to the terminal.
    return iter(tqdm(_drawn(scene, times), disable=None if progress is None else not progress, **look))


def still(scene: Scene, time: float) -> Image.Image:
    """Draw a scene as it is at one time in s, with its opacity where the ground is transparent."""
    return Image.fromarray(next(_drawn(scene, [time]))).copy()


def strip(scene: Scene, times: Sequence[float], *, width: int = 640) -> Strip:
    """Put frames of a scene side by side, two in a row, for pages that cannot move.

    `times` in s, from the upper left; each frame is `width` pixels wide. A notebook shows the strip.
    """
    across = whole("width", width, 64, 3840)
    pictures = [Image.fromarray(pixels).copy() for pixels in _drawn(scene, times)]
    high = round(across * pictures[0].height / pictures[0].width)
    columns = min(2, len(pictures))
    rows = math.ceil(len(pictures) / columns)
    size = columns * (across + GAP_PIXELS) - GAP_PIXELS, rows * (high + GAP_PIXELS) - GAP_PIXELS
    sheet = Image.new("RGBA", size, (128, 128, 128, 255))
    for k, picture in enumerate(pictures):
        place = (k % columns * (across + GAP_PIXELS), k // columns * (high + GAP_PIXELS))
        sheet.paste(picture.resize((across, high), Image.Resampling.LANCZOS), place)
    return Strip(sheet, f"The clip at {listed(f'{time:.2f}' for time in times)} s. {scene.alt}")


def _drawn(scene: Scene, times: Iterable[float]) -> Iterator[Pixels]:
    """The scene at some times: everything once, then only what moves."""
    canvas: Any = scene.figure.canvas
    for artist in scene.moving:
        artist.set_animated(True)  # left out of a drawing of the whole
    with style.context("notebook"):
        canvas.draw()
    background = canvas.copy_from_bbox(scene.figure.bbox)
    renderer = canvas.get_renderer()
    for time in times:
        scene.update(time)
        canvas.restore_region(background)
        for artist in scene.moving:
            artist.draw(renderer)
        yield np.asarray(canvas.buffer_rgba())


# ---- films ----


def find_encoder() -> str | None:
    """Find ffmpeg: on the path of the system, else the one that comes with imageio-ffmpeg."""
    with contextlib.suppress(ImportError, RuntimeError):
        return shutil.which("ffmpeg") or importlib.import_module("imageio_ffmpeg").get_ffmpeg_exe()
    return None


def encoder_for(path: StrPath) -> str:
    """Find ffmpeg, or say what can be done without it."""
    encoder = find_encoder()
    if encoder is None:
        raise OSError(
            f"{Path(path).name}: MP4 needs ffmpeg, which is not there: install it, "
            "or 'pip install imageio-ffmpeg', or write a .gif, or numbered frames"
        )
    return encoder


def write_mp4(scene: Scene, path: StrPath, fps: int, *, progress: bool | None = None) -> Path:
    """Write a scene as MP4 with sound: H.264 and AAC, as every player and site takes it.

    The file appears when it is complete. Odd sizes lose their last row or column, and the ground must be
    opaque: H.264 can hold neither. Colors as ITU-R BT.709.
    """
    if to_rgba(scene.figure.get_facecolor())[3] < 1:
        raise ValueError("MP4 cannot be transparent: take a light or dark profile, or numbered frames")
    encoder = encoder_for(path)
    with replacing(path) as temporary, tempfile.TemporaryDirectory() as folder:
        command = _command(encoder, scene, _write_wave(scene, folder, fps), fps, temporary)
        if said := _encode(command, frames(scene, fps, progress=progress), temporary):
            raise OSError(f"cannot write {path}: ffmpeg {said}")
    return Path(path)


def _encode(command: Sequence[str], pictures: Iterable[Pixels], target: Path) -> str:
    """Give pictures to ffmpeg; say what went wrong if it does not start, hangs, fails, or lies."""
    with tempfile.TemporaryFile() as log:
        try:
            process: Any = subprocess.Popen(command, stdin=subprocess.PIPE, stderr=log)
        except OSError as error:
            return f"cannot be started: {error.strerror}"
        taken, over, hung = [0], threading.Event(), threading.Event()

        def end_if_it_hangs() -> None:
            before = -1
            while not over.wait(PATIENCE):
                if taken[0] == before:
                    hung.set()
                    process.kill()
                before = taken[0]

        threading.Thread(target=end_if_it_hangs, daemon=True).start()
        try:
            with contextlib.suppress(BrokenPipeError):  # it gives up; its words say why
                for pixels in pictures:
                    process.stdin.write(pixels.data)
                    taken[0] += 1
            process.communicate()
        finally:
            over.set()
            process.kill()
            process.wait()
        if hung.is_set():
            return f"did nothing for {PATIENCE:.0f} s and was stopped"
        if process.returncode != 0:
            log.seek(0)
            lines = log.read().decode("utf-8", "replace").strip().splitlines()
            return f"says: {lines[-1].strip() if lines else f'status {process.returncode}'}"
    with target.open("rb") as file:
        return "" if file.read(8)[4:] == b"ftyp" else "says that all is well, but wrote no MP4"


def _write_wave(scene: Scene, folder: StrPath, fps: int) -> Path:
    """Write the sound into a folder, cut or filled up to the length of the frames."""
    wanted = round(scene.count(fps) * scene.sample_rate / fps)
    sound = np.pad(scene.sound[:wanted], (0, max(0, wanted - len(scene.sound))))
    return write_sound(Path(folder) / "sound.wav", sound, scene.sample_rate)


def _command(encoder: str, scene: Scene, wave: Path, fps: int, target: Path) -> list[str]:
    """What ffmpeg is told: raw pictures from the pipe, the sound from a file."""
    width, height = scene.pixels
    even = "crop=trunc(iw/2)*2:trunc(ih/2)*2,scale=out_color_matrix=bt709:out_range=tv"
    return [
        encoder,
        *"-hide_banner -nostdin -loglevel error -y".split(),
        *f"-f rawvideo -pix_fmt rgba -s {width}x{height} -r {fps} -i -".split(),
        *("-i", str(wave), *"-map 0:v -map 1:a".split()),
        *f"-c:v libx264 -preset veryfast -crf 18 -pix_fmt yuv420p -vf {even}".split(),
        *"-colorspace bt709 -color_primaries bt709 -color_trc bt709".split(),
        *"-c:a aac -b:a 192k -shortest".split(),
        *("-metadata", f"title={scene.caption}", "-metadata", f"comment={scene.alt}"),
        *("-movflags", "+faststart", "-f", "mp4", str(target)),
    ]


def write_gif(scene: Scene, path: StrPath, fps: int, *, progress: bool | None = None) -> Path:
    """Write a scene as GIF, at most 50 frames a second: no sound, and no encoder needed.

    GIF89a counts time in hundredths of a second; the frames are rounded so that the whole keeps time.
    """
    count = scene.count(whole("fps", fps, 1, MOST_GIF_FPS))
    durations = 10 * np.diff(np.round(100 * np.arange(count + 1) / fps)).astype(int)
    samples = [scene.seconds * (k + 0.5) / 6 for k in range(6)]
    tall = np.concatenate([pixels[::2, ::2, :3].copy() for pixels in _drawn(scene, samples)])
    palette = Image.fromarray(tall).quantize(255, method=Image.Quantize.MEDIANCUT)
    pictures = (
        Image.fromarray(pixels[:, :, :3].copy()).quantize(palette=palette, dither=Image.Dither.NONE)
        for pixels in frames(scene, fps, progress=progress)
    )
    comment = scene.caption.encode("ascii", "replace")[:250]
    options: Any = {"save_all": True, "duration": durations.tolist(), "loop": 0, "comment": comment}
    with replacing(path) as temporary, _disk_errors(path):
        next(pictures).save(temporary, format="GIF", append_images=pictures, **options)
    return Path(path)


def write_frames(scene: Scene, folder: StrPath, fps: int, *, progress: bool | None = None) -> Path:
    """Write a scene as numbered PNG pictures with their sound beside them, for any editor.

    A transparent ground stays transparent. The folder, ``frame_00000.png`` and on, ``sound.wav`` and
    ``about.txt``, appears when it is complete, in place of an older one of the same kind.
    """
    scene.count(fps)  # refuses it before anything is made
    with replacing_folder(folder, "clip") as temporary, _disk_errors(folder):
        _write_wave(scene, temporary, fps)
        write_file(temporary / "about.txt", _about(scene, fps))
        for k, pixels in enumerate(frames(scene, fps, progress=progress)):
            Image.fromarray(pixels).save(temporary / f"frame_{k:05d}.png", compress_level=3)
    return Path(folder)


def _about(scene: Scene, fps: int) -> str:
    """What an editor needs to know about a folder of frames."""
    events = "\n".join(f"{time:8.3f} s  {name}" for time, name in scene.events)
    return (
        f"{scene.caption}\n\n{scene.alt}\n\n{scene.count(fps)} pictures, {fps} a second, with sound.wav.\n\n"
        f"Sources: {'; '.join(scene.sources)}\n\n{events}\n"
    )


@contextlib.contextmanager
def _disk_errors(path: StrPath) -> Iterator[None]:
    """Say which file could not be written when the disk refuses."""
    try:
        yield
    except OSError as error:
        if error.errno is None:
            raise
        raise OSError(f"cannot write {path}: {error.strerror or error}") from None
