"""From a moving figure and its sound to a film: MP4, GIF, or numbered pictures.

A `Scene` is a figure of which a few artists move, and a sound of the same length. What stands
still is drawn once and kept; for each frame only the moving artists are drawn on top. Frame
``k`` shows the middle of its time, ``(k + 0.5) / fps``, so that whatever happens is seen at
most half a frame before or after it is heard.
"""

from __future__ import annotations

import base64
import contextlib
import io
import itertools
import math
import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure
from PIL import Image
from tqdm import tqdm

from tapecalc.calc.quantity import whole
from tapecalc.files import replacing, write_file
from tapecalc.plot import style
from tapecalc.sound.files import write_sound

__all__ = [
    "EARLIEST",
    "LATEST",
    "Scene",
    "Strip",
    "find_encoder",
    "frames",
    "still",
    "strip",
    "write_frames",
    "write_gif",
    "write_mp4",
]


#: How far sound may be ahead of its picture and behind it before viewers mind, s.
#: Source: EBU R 37 (from memory).
EARLIEST, LATEST = 0.040, 0.060
MOST_FPS = 120
SCREEN_PIXELS = 800  # as wide as the panels of a notebook
GIF_COLORS = 255
NO_ENCODER = (
    "needs ffmpeg, which is not there: install it, or 'pip install imageio-ffmpeg', "
    "or write a .gif, or numbered frames"
)


@dataclass(frozen=True, kw_only=True)
class Scene:
    """A figure that moves, with the sound that belongs to it and everything that must be said.

    Attributes
    ----------
    figure : matplotlib.figure.Figure
        A settled figure.
    moving : tuple of matplotlib.artist.Artist
        What moves, from the back to the front; drawn on top of all the rest.
    update : callable
        ``update(time)`` moves them to where they are at a time in s.
    sound : numpy.ndarray
        Mono, full scale at 1; its length is that of the film.
    sample_rate : int
        Samples a second.
    events : tuple of (float, str)
        Time in s and name of what is heard and seen at once, for editors who cut to it.
    caption : str
        One or two sentences for below the film, numbers included.
    alt : str
        What is seen and heard, for those who cannot see or hear it.
    sources : tuple of str
        Where formulas and published numbers come from.
    """

    figure: Figure
    moving: tuple
    update: Callable[[float], None]
    sound: np.ndarray
    sample_rate: int
    events: tuple[tuple[float, str], ...]
    caption: str
    alt: str
    sources: tuple[str, ...]

    @property
    def seconds(self):
        """Its length in s."""
        return len(self.sound) / self.sample_rate

    @property
    def pixels(self):
        """Width and height of a frame."""
        return self.figure.canvas.get_width_height(physical=True)

    def count(self, fps):
        """How many frames it has at `fps` frames a second."""
        return max(1, round(self.seconds * whole("fps", fps, 1, MOST_FPS)))


@dataclass(frozen=True, repr=False)
class Strip:
    """Frames side by side, with the sentence that says what they show.

    Attributes
    ----------
    image : PIL.Image.Image
        The frames.
    alt : str
        Which moments they are, and what is seen.
    """

    image: Image.Image
    alt: str

    def __repr__(self):
        return self.alt

    def _ipython_display_(self):
        """Show the frames and, below them, their description for those who cannot see them."""
        from IPython.display import display

        buffer = io.BytesIO()
        self.image.save(buffer, "png", optimize=True)
        data = {"image/png": base64.b64encode(buffer.getvalue()).decode("ascii"), "text/plain": self.alt}
        width = min(self.image.width, SCREEN_PIXELS)
        display(data, raw=True, metadata={"image/png": {"alt": self.alt, "width": width}})
        display({"text/markdown": f"*{self.alt}*", "text/plain": self.alt}, raw=True)


# ---------------------------------------------------------------- pictures


def frames(scene, fps):
    """Draw the frames of a scene, one after the other.

    Parameters
    ----------
    scene : Scene
        What is filmed.
    fps : int
        Frames a second, 1 to 120.

    Returns
    -------
    iterator of numpy.ndarray
        Red, green, blue and opacity of each pixel, of shape (height, width, 4). The array is
        used again for the next frame: copy what you want to keep.

    Raises
    ------
    ValueError
        If `fps` is not a whole number in its range.

    See Also
    --------
    still : one frame at any time

    Notes
    -----
    Source: measured: drawing only what moves is two to four times as fast as drawing all.
    Notebook: 09_figures.

    Examples
    --------
    >>> from tapecalc.plot.clips import make_scene
    >>> scene = make_scene("head_rhythm", profile="page", seconds=1)
    >>> next(frames(scene, 30)).shape
    (661, 1338, 4)
    """
    count = scene.count(fps)
    return _drawn(scene, [(k + 0.5) / fps for k in range(count)])


def still(scene, time):
    """Draw a scene as it is at one time.

    Parameters
    ----------
    scene : Scene
        What is filmed.
    time : float
        Time in s.

    Returns
    -------
    PIL.Image.Image
        The picture, with its opacity where the ground is transparent.

    See Also
    --------
    frames : all of them in their order

    Notes
    -----
    Source: as `frames`. Notebook: 09_figures.

    Examples
    --------
    >>> from tapecalc.plot.clips import make_scene
    >>> still(make_scene("head_rhythm", profile="page", seconds=1), 0.5).size
    (1338, 661)
    """
    return Image.fromarray(next(_drawn(scene, [time]))).copy()


def strip(scene, times, *, width=640):
    """Put frames of a scene side by side, two in a row, for pages that cannot move.

    Parameters
    ----------
    scene : Scene
        What is filmed.
    times : sequence of float
        Times in s.
    width : int, optional
        Width of each frame in pixels, 64 to 3840.

    Returns
    -------
    Strip
        The frames, in the order of the times, from the upper left; a notebook shows them.

    Raises
    ------
    ValueError
        If the width is not a whole number in its range.

    See Also
    --------
    still : one frame in full size

    Notes
    -----
    Source: common practice, no source. Notebook: 09_figures.

    Examples
    --------
    >>> from tapecalc.plot.clips import make_scene
    >>> strip(make_scene("head_rhythm", profile="page", seconds=1), [0.3, 0.5, 0.7], width=300).image.size
    (610, 306)
    """
    across = whole("width", width, 64, 3840)
    pictures = [Image.fromarray(pixels).copy() for pixels in _drawn(scene, times)]
    high = round(across * pictures[0].height / pictures[0].width)
    gap, columns = 10, min(2, len(pictures))
    rows = math.ceil(len(pictures) / columns)
    size = columns * (across + gap) - gap, rows * (high + gap) - gap
    sheet = Image.new("RGBA", size, (128, 128, 128, 255))
    for k, picture in enumerate(pictures):
        place = (k % columns * (across + gap), k // columns * (high + gap))
        sheet.paste(picture.resize((across, high), Image.Resampling.LANCZOS), place)
    *most, last = [f"{time:.2f}" for time in times]
    moments = f"{', '.join(most)} and {last} s" if most else f"{last} s"
    return Strip(sheet, f"The clip at {moments}. {scene.alt}")


def _drawn(scene, times):
    """The scene at some times: everything once, then only what moves."""
    canvas = scene.figure.canvas
    for artist in scene.moving:
        artist.set_animated(True)
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


def _with_bar(scene, fps, progress):
    """The frames, counted by a progress bar; None leaves it to the terminal."""
    hidden = None if progress is None else not progress
    count = scene.count(fps)
    return tqdm(frames(scene, fps), total=count, unit="frame", desc="clip", leave=False, disable=hidden)


# ---------------------------------------------------------------- films


def find_encoder():
    """Find ffmpeg: on the path of the system, else the one that comes with imageio-ffmpeg.

    Returns
    -------
    str or None
        The program, or None if there is none.

    See Also
    --------
    write_mp4 : uses it

    Notes
    -----
    Source: common practice, no source. Notebook: 09_figures.

    Examples
    --------
    >>> find_encoder() is None or "ffmpeg" in find_encoder()
    True
    """
    found = shutil.which("ffmpeg")
    if found is None:
        with contextlib.suppress(ImportError, RuntimeError):
            from imageio_ffmpeg import get_ffmpeg_exe

            found = get_ffmpeg_exe()
    return found


def write_mp4(scene, path, fps, *, progress=None):
    """Write a scene as MP4 with sound: H.264 and AAC, as every player and site takes it.

    Parameters
    ----------
    scene : Scene
        What is filmed, on an opaque ground.
    path : str or os.PathLike
        The file. It appears when it is complete.
    fps : int
        Frames a second, 1 to 120.
    progress : bool or None, optional
        Whether to show a progress bar; None shows it where a terminal can.

    Returns
    -------
    pathlib.Path
        The file.

    Raises
    ------
    ValueError
        If the ground is transparent, or `fps` is not a whole number in its range.
    OSError
        If there is no ffmpeg, it fails, or the folder cannot be written.

    See Also
    --------
    write_frames : needs no encoder, and keeps transparency

    Notes
    -----
    Odd sizes lose their last row or column, which H.264 cannot hold.

    Source: ITU-R BT.709 for the colors; H.264 has no transparency. Notebook: 09_figures.

    Examples
    --------
    >>> from tapecalc.plot.clips import make_scene
    >>> write_mp4(make_scene("head_rhythm", profile="page_transparent", seconds=1), "a.mp4", 30)
    Traceback (most recent call last):
    ...
    ValueError: MP4 cannot be transparent: take a light or dark profile, or numbered frames
    """
    _refuse_transparent(scene)
    encoder = find_encoder()
    if encoder is None:
        raise OSError(f"{Path(path).name}: MP4 {NO_ENCODER}")
    count = scene.count(fps)
    with replacing(path) as temporary, tempfile.TemporaryDirectory() as folder:
        sound = _whole_frames(scene, count, fps)
        wave = write_sound(Path(folder) / "sound.wav", sound, scene.sample_rate)
        with open(Path(folder) / "said.txt", "w+", encoding="utf-8", errors="replace") as said:
            process = subprocess.Popen(
                _command(encoder, scene, wave, fps, temporary), stdin=subprocess.PIPE, stderr=said
            )
            try:
                status = _feed(process, _with_bar(scene, fps, progress))
            finally:
                process.kill()
                process.wait()
            if status != 0:
                said.seek(0)
                lines = said.read().split("\n")
                why = next((line for line in reversed(lines) if line.strip()), f"status {status}")
                raise OSError(f"cannot write {path}: ffmpeg says: {why.strip()}")
    return Path(path)


def _feed(process, pictures):
    """Give ffmpeg all pictures, and return its exit status; if it gives up, its words say why."""
    with contextlib.suppress(BrokenPipeError):
        for pixels in pictures:
            process.stdin.write(pixels.data)
    with contextlib.suppress(BrokenPipeError):
        process.stdin.close()
    return process.wait()


def _refuse_transparent(scene):
    """H.264 has no opacity."""
    if scene.figure.get_facecolor()[3] < 1:
        raise ValueError("MP4 cannot be transparent: take a light or dark profile, or numbered frames")


def _whole_frames(scene, count, fps):
    """The sound, cut or filled up to the length of the frames."""
    wanted = round(count * scene.sample_rate / fps)
    return np.pad(scene.sound[:wanted], (0, max(0, wanted - len(scene.sound))))


def _command(encoder, scene, wave, fps, target):
    """What ffmpeg is told: raw pictures from the pipe, the sound from a file."""
    width, height = scene.pixels
    pictures = ["-f", "rawvideo", "-pix_fmt", "rgba", "-s", f"{width}x{height}", "-r", str(fps), "-i", "-"]
    even = "crop=trunc(iw/2)*2:trunc(ih/2)*2,scale=out_color_matrix=bt709:out_range=tv"
    colors = ["-colorspace", "bt709", "-color_primaries", "bt709", "-color_trc", "bt709"]
    video = ["-c:v", "libx264", "-preset", "veryfast", "-crf", "18", "-pix_fmt", "yuv420p", "-vf", even]
    words = ["-metadata", f"title={scene.caption}", "-metadata", f"comment={scene.alt}"]
    return [
        encoder, "-hide_banner", "-nostdin", "-loglevel", "error", "-y", *pictures, "-i", str(wave),
        "-map", "0:v", "-map", "1:a", *video, *colors, "-c:a", "aac", "-b:a", "192k", "-shortest",
        *words, "-movflags", "+faststart", "-f", "mp4", str(target),
    ]  # fmt: skip


def write_gif(scene, path, fps, *, progress=None):
    """Write a scene as GIF: no sound, and no encoder needed.

    Parameters
    ----------
    scene : Scene
        What is filmed.
    path : str or os.PathLike
        The file. It appears when it is complete.
    fps : int
        Frames a second, 1 to 50.
    progress : bool or None, optional
        Whether to show a progress bar; None shows it where a terminal can.

    Returns
    -------
    pathlib.Path
        The file.

    Raises
    ------
    ValueError
        If `fps` is not a whole number in its range.
    OSError
        If the folder cannot be written.

    See Also
    --------
    write_mp4 : smaller, and with sound

    Notes
    -----
    GIF counts time in hundredths of a second; the frames are rounded so that the whole keeps time.

    Source: GIF89a, delay time. Notebook: 09_figures.

    Examples
    --------
    >>> from tapecalc.plot.clips import make_scene
    >>> write_gif(make_scene("head_rhythm", profile="page", seconds=1), "a.gif", 60)
    Traceback (most recent call last):
    ...
    ValueError: fps must be a whole number from 1 to 50, got 60
    """
    count = scene.count(whole("fps", fps, 1, 50))
    ends = np.round(100 * np.arange(count + 1) / fps)
    durations = (10 * np.diff(ends)).astype(int).tolist()
    samples = [scene.seconds * (k + 0.5) / 6 for k in range(6)]
    tall = np.concatenate([pixels[::2, ::2, :3].copy() for pixels in _drawn(scene, samples)])
    palette = Image.fromarray(tall).quantize(GIF_COLORS, method=Image.Quantize.MEDIANCUT)
    pictures = (
        Image.fromarray(pixels[:, :, :3].copy()).quantize(palette=palette, dither=Image.Dither.NONE)
        for pixels in _with_bar(scene, fps, progress)
    )
    with replacing(path) as temporary, _disk_errors(path):
        first = next(pictures)
        first.save(
            temporary,
            format="GIF",
            save_all=True,
            append_images=pictures,
            duration=durations,
            loop=0,
            comment=scene.caption.encode("ascii", "replace")[:250],
        )
    return Path(path)


def write_frames(scene, folder, fps, *, progress=None):
    """Write a scene as numbered PNG pictures with their sound beside them, for any editor.

    Parameters
    ----------
    scene : Scene
        What is filmed; a transparent ground stays transparent.
    folder : str or os.PathLike
        Where to. It appears when it is complete, in place of an older one of the same kind.
    fps : int
        Frames a second, 1 to 120.
    progress : bool or None, optional
        Whether to show a progress bar; None shows it where a terminal can.

    Returns
    -------
    pathlib.Path
        The folder: ``frame_00000.png`` and on, ``sound.wav``, ``about.txt``.

    Raises
    ------
    ValueError
        If the folder holds other things, or `fps` is not a whole number in its range.
    OSError
        If it cannot be written.

    See Also
    --------
    write_mp4 : one file instead

    Notes
    -----
    Source: common practice, no source. Notebook: 09_figures.

    Examples
    --------
    >>> from tapecalc.plot.clips import make_scene
    >>> write_frames(make_scene("head_rhythm", profile="page", seconds=1), "/dev/null/a", 30)
    Traceback (most recent call last):
    ...
    OSError: cannot write to /dev/null: File exists
    """
    count = scene.count(fps)
    with _replacing_folder(folder) as temporary, _disk_errors(folder):
        write_sound(temporary / "sound.wav", _whole_frames(scene, count, fps), scene.sample_rate)
        write_file(temporary / "about.txt", _about(scene, count, fps))
        for k, pixels in enumerate(_with_bar(scene, fps, progress)):
            Image.fromarray(pixels).save(temporary / f"frame_{k:05d}.png", compress_level=3)
    return Path(folder)


def _about(scene, count, fps):
    """What an editor needs to know about a folder of frames."""
    events = "\n".join(f"{time:8.3f} s  {name}" for time, name in scene.events)
    return (
        f"{scene.caption}\n\n{scene.alt}\n\n{count} pictures, {fps} a second, with sound.wav.\n\n"
        f"Sources: {'; '.join(scene.sources)}\n\n{events}\n"
    )


@contextlib.contextmanager
def _disk_errors(path):
    """Say which file could not be written when the disk refuses."""
    try:
        yield
    except OSError as error:
        if error.errno is None:
            raise
        raise OSError(f"cannot write {path}: {error.strerror or error}") from None


@contextlib.contextmanager
def _replacing_folder(folder):
    """Give a temporary folder beside `folder`, put in its place when the block ends well."""
    folder = Path(folder)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        if folder.exists():
            foreign = sorted(set(os.listdir(folder)) - _frame_names(folder))
            if foreign:
                raise ValueError(f"{folder} holds other things, such as {foreign[0]}: name a new folder")
        temporary = Path(tempfile.mkdtemp(dir=folder.parent, prefix=f".{folder.name[:40]}-"))
    except OSError as error:
        raise OSError(f"cannot write to {folder.parent}: {error.strerror or error}") from None
    try:
        temporary.chmod(0o755)
        yield temporary
        if folder.exists():
            shutil.rmtree(folder)
        os.replace(temporary, folder)
    except BaseException:
        shutil.rmtree(temporary, ignore_errors=True)
        raise


def _frame_names(folder):
    """The names in a folder that `write_frames` gives."""
    numbered = (path.name for path in folder.glob("frame_*.png"))
    return set(itertools.chain(numbered, ("sound.wav", "about.txt")))
