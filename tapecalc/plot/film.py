"""From a moving figure and its sound to a film: MP4, GIF, or numbered pictures.

A `Scene` is a figure of which a few artists move, and a sound of the same length. What stands
still is drawn once and kept; for each frame only the moving artists are drawn on top. Frame
``k`` shows the middle of its time, ``(k + 0.5) / fps``, so that whatever happens is seen at
most half a frame before or after it is heard.

Every film opens on its last picture, holds it, and dissolves to its beginning: the first picture says what
is to come, and the last one flows into it where a film is looped.
"""

import base64
import contextlib
import html
import importlib
import io
import itertools
import math
import os
import queue
import shutil
import signal
import subprocess
import tempfile
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, cast

import numpy as np
from matplotlib.artist import Artist
from matplotlib.backends.backend_agg import RendererAgg
from matplotlib.colors import to_rgba
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch
from matplotlib.text import Annotation, Text
from matplotlib.transforms import Bbox
from numpy.typing import NDArray
from PIL import Image, PngImagePlugin
from tqdm import tqdm

from tapecalc.calc.quantity import whole
from tapecalc.files import replacing, replacing_folder, write_file
from tapecalc.plot import style
from tapecalc.sound.files import StrPath, write_sound
from tapecalc.words import listed

MOST_FPS, MOST_GIF_FPS = 120, 50
PATIENCE = 60.0  # s without a picture taken, after which an encoder is ended
GROUPS = hasattr(os, "killpg")  # whether processes come in groups that end as one
GAP_PIXELS = 10  # between the frames of a strip
MOST_KEPT = 0.04  # of the width of a picture squared: what is larger is drawn as fast as compared
MOST_LOOKS = 12  # of words that are kept
FEW_POINTS = 10  # of a line: to reckon where it is takes less than to wipe out its whole chart
SAME_PIXEL = 1e-6  # of a pixel, within which words are printed as they were
NEAR_GROUND = 12  # of 255: as near to the ground of a GIF a color becomes it; Pillow looks in steps of 4
RATE = 48_000  # samples a second
HOLD = 1.0  # s for which nothing moves, before and after
EASE = 0.3  # s from the held picture to the beginning, and in which sound and light die away at the end
FADE = 0.02  # s in which a sound sets in
MARKS_APART = 0.4  # s from one marker to the next; half of that where a round begins
CUES_APART, LONGEST_CUE = 1.0, 3.0  # s, of captions: for as long as it takes to read one


Pixels = NDArray[np.uint8]  # red, green, blue and opacity, of shape (height, width, 4)
Samples = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Scene:
    """A figure that moves, with the sound that belongs to it and everything that must be said."""

    figure: Figure  # settled
    moving: tuple[Artist, ...]  # what moves, from the back to the front; drawn on top of all the rest
    update: Callable[[float], None]  # moves them to where they are at a time in s
    sound: Samples  # full scale at 1, mono or two columns; its length is that of the film
    sample_rate: int = RATE
    level: str  # how loud it is, and why if not as loud as the others
    events: tuple[tuple[float, str], ...]  # time in s and name of what is heard and seen at once
    poster: float  # time in s of the picture that stands for all
    title: str  # what it shows, in a few words
    caption: str  # for below the film, numbers included
    alt: str  # what is seen and heard, for those who cannot see or hear it
    sources: tuple[str, ...]  # of formulas and published numbers
    rests: float = 0.0  # s before and after, in which nothing moves and the picture is that of the beginning

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


# ---- time ----


def held(scene: Scene) -> Scene:
    """Put a second of hold before and after a scene that has none: times become `HOLD` later.

    Until then the picture is that of the end, which should be one in which nothing is on its way.
    """
    end = scene.seconds

    def update(time: float) -> None:
        scene.update(end if time < HOLD else min(time - HOLD, end))

    return replace(
        scene,
        update=update,
        sound=held_sound(scene.sound, scene.sample_rate),
        events=tuple((time + HOLD, name) for time, name in scene.events),
        poster=scene.poster + HOLD,
        rests=HOLD,
    )


def held_sound(sound: Samples, sample_rate: int) -> Samples:
    """Let a sound set in and die away, and put the silence of the holds around it."""
    time = np.arange(len(sound)) / sample_rate
    shaped = (eased(time / FADE) * remaining(time, len(sound) / sample_rate) * sound.T).T
    silence = np.zeros((round(HOLD * sample_rate), *sound.shape[1:]))
    return np.concatenate([silence, shaped, silence])


def eased(share: Any) -> Any:
    """Go from 0 to 1 without a jolt, ``sin^2(pi x / 2)``."""
    inside = min(max(share, 0.0), 1.0) if isinstance(share, float) else np.clip(share, 0, 1)
    return np.sin(np.pi / 2 * inside) ** 2


def remaining(time: Any, end: float) -> Any:
    """How much is left of sound and light that die away by the `end`, from 1 to 0; times in s."""
    return eased((end - time) / EASE)


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
    """The scene at some times: everything once, then only what moves, and where it was."""
    canvas: Any = scene.figure.canvas
    for artist in scene.moving:
        artist.set_animated(True)  # left out of a drawing of the whole
    with style.context("notebook"):
        canvas.draw()
    desk = _Desk(canvas.get_renderer())
    background, base = desk.sheet.copy(), desk.sheet.copy()
    wiped = {artist.axes for artist in scene.moving if _is_long(artist)}
    moving = [_Printed(artist, desk, tight=artist.axes not in wiped) for artist in scene.moving]
    lying = before = 0  # how many that move are in the base, and how many stood still in the last frame
    touched: set[Place] = set()

    def drawn(time: float) -> Pixels:
        nonlocal lying, before
        scene.update(time)
        changed = [artist.changed() for artist in moving]
        if not any(changed):
            return desk.pixels
        still = changed.index(True)
        lying = lying if lying <= still else 0
        ground = base if lying else background
        for place in _largest({artist.place for artist in moving[lying:]}):
            desk.sheet[_part(place)] = ground[_part(place)]
        for k, artist in enumerate(moving[lying:], lying):
            if k == min(still, before) and k > lying:
                base[:], lying = desk.sheet, k
            artist.draw()
        before = still
        return desk.pixels

    opening = resting = None
    mixed = desk.pixels.copy()
    # Colors weighed by their opacity, where that is not the same all over.
    kind = "RGBA" if to_rgba(scene.figure.get_facecolor())[3] == 1 else "RGBa"
    for time in times:
        if min(time, scene.seconds - time) < scene.rests:
            resting = drawn(0.0).copy() if resting is None else resting
            yield resting
        elif HOLD <= time < HOLD + EASE:
            opening = drawn(0.0).copy() if opening is None else opening
            touched.update(artist.place for artist in moving)
            drawn(time)
            touched.update(artist.place for artist in moving)
            for place in _largest(touched):
                both = (pixels[_part(place)].copy() for pixels in (opening, desk.pixels))
                one, other = (Image.fromarray(pixels).convert(kind) for pixels in both)
                shown = Image.blend(one, other, float(eased((time - HOLD) / EASE)))
                mixed[_part(place)] = shown.convert("RGBA")
            yield mixed
        else:
            yield drawn(time)


#: A part of a picture: its first row and column, and those behind its last.
Place = tuple[int, int, int, int]
NOWHERE: Place = (0, 0, 0, 0)


def _part(place: Place) -> tuple[slice, slice]:
    """The part of an array at a place."""
    return slice(place[0], place[2]), slice(place[1], place[3])


def _largest(places: Iterable[Place]) -> list[Place]:
    """Leave out the places that lie within others, and the empty ones."""
    kept: list[Place] = []
    seen = (at for at in places if at[0] < at[2] and at[1] < at[3])
    for top, left, bottom, right in sorted(seen, key=lambda at: (at[0] - at[2]) * (at[3] - at[1])):
        if not any(t <= top and x <= left and b >= bottom and r >= right for t, x, b, r in kept):
            kept.append((top, left, bottom, right))
    return kept


class _Desk:
    """Where artists are drawn, and a clear film on which one of them is drawn alone."""

    def __init__(self, renderer: Any) -> None:
        self.renderer = renderer
        self.clear: Any = RendererAgg(renderer.width, renderer.height, renderer.dpi)
        self.pixels, self.film = (np.asarray(one.buffer_rgba()) for one in (renderer, self.clear))
        self.sheet = self.pixels.view(np.uint32)[..., 0]  # each pixel as one number
        self.film[:] = 0

    def place(self, box: Bbox, by: Sequence[float] = (0, 0)) -> Place:
        """The pixels that a box touches, moved by some."""
        rows, columns = self.sheet.shape
        left, right = (min(max(0, int(x + by[0])), columns) for x in (box.x0, box.x1 + 1))
        top, bottom = (min(max(0, rows - int(y + by[1])), rows) for y in (box.y1 + 1, box.y0))
        return top, left, bottom, right

    def stamp(self, artist: Any, place: Place) -> Pixels:
        """The pixels of an artist alone, from below."""
        artist.draw(self.clear)
        part = self.film[_part(place)]
        stamp = part[::-1].copy()
        part[:] = 0
        return stamp

    def put(self, stamp: Pixels, left: int, bottom: int) -> None:
        """Print pixels, as drawing them there would."""
        self.renderer.draw_image(self.renderer.new_gc(), left, self.sheet.shape[0] - bottom, stamp)


class _Kept:
    """What is kept of an artist that looks as it did: where it is, and the pixels of what is small."""

    def __init__(self, artist: Any, desk: _Desk) -> None:
        self.box = _box(artist, desk.clear)
        self.anchor = _anchor(artist) if isinstance(artist, Text) else None
        self.place = desk.place(self.box)
        top, left, bottom, right = self.place
        self.small = (bottom - top) * (right - left) <= MOST_KEPT * desk.sheet.shape[1] ** 2
        self.ground: Any = None
        self.pixels: Any = None
        self.stamp: Pixels | None = None  # of words, to be put onto any ground
        self.exact = isinstance(artist, Text)  # unless the stamp once differed from what was drawn

    def put(self, artist: Any, desk: _Desk, by: tuple[int, int]) -> Place:
        """Put it where it belongs, moved by whole pixels; give the place."""
        place = self.place if by == (0, 0) else desk.place(self.box, by)
        here, corner = desk.sheet[_part(place)], (self.place[1] + by[0], self.place[2] - by[1])
        if by == (0, 0) and self.ground is not None and np.array_equal(here, self.ground):
            here[:] = self.pixels
        elif self.stamp is not None and self.exact:
            desk.put(self.stamp, *corner)
        else:
            ground, drawn_before = here.copy(), self.pixels is not None
            artist.draw(desk.renderer)
            pixels = here.copy()
            if by == (0, 0):
                self.ground, self.pixels = ground, pixels
            if self.exact and drawn_before:
                self.stamp, here[:] = desk.stamp(artist, place), ground
                desk.put(self.stamp, *corner)
                self.exact = np.array_equal(here, pixels)
                here[:] = pixels
        return place

    def off(self, anchor: Any) -> tuple[int, int] | None:
        """By how many whole pixels it is moved, to the right and up; None if by parts of some."""
        by = anchor - self.anchor
        whole = np.rint(by)
        return (int(whole[0]), int(whole[1])) if np.abs(by - whole).max() < SAME_PIXEL else None


class _Printed:
    """An artist whose pixels are put back where it looks as before: drawing takes long."""

    def __init__(self, artist: Artist, desk: _Desk, *, tight: bool = False) -> None:
        self.artist: Any = artist
        self.desk, self.words = desk, isinstance(artist, Text)
        self.look: Any = None
        self.place = NOWHERE  # where it is drawn
        self.kept: dict[Any, _Kept] = {}  # by its looks, of words; they come again
        self.stays = False  # whether it is kept as it looks
        self.tight = tight and isinstance(artist, Patch)  # whether less than its chart is wiped out for it
        self.bounds: Any = (None, None)  # the path of a patch and the width of its line, and where that is

    def changed(self) -> bool:
        """Look at it once a frame."""
        look, before = _look(self.artist), self.look
        self.look = look
        # Words are kept as soon as they are seen, for they take longest; not those with a line that moves.
        stood = bool(look and before) and look[1] == before[1]
        self.stays = look == before or (self.words and bool(look) and (stood or not look[1][-1]))
        if not self.words and look != before or len(self.kept) > MOST_LOOKS:
            self.kept.clear()
        return bool(look != before)

    def draw(self) -> None:
        """Draw it anew, or put back what was drawn last; what is small and stays is kept."""
        artist, desk = self.artist, self.desk
        self.place = NOWHERE
        if self.look is None:
            return
        if not self.stays:
            artist.draw(desk.renderer)
            box = self._bounds() if isinstance(artist, Patch) or _is_long(artist) else None
            self.place = desk.place(box or _box(artist, desk.renderer))
            return
        hangs = self.words and not _led(artist)
        offset = isinstance(getattr(artist, "anncoords", None), str) and artist.get_position()
        key = (self.look[0], offset) if hangs else self.look
        kept = self.kept.get(key)
        by = None if kept is None else kept.off(_anchor(artist)) if hangs else (0, 0)
        if kept is None or by is None:
            kept, by = _Kept(artist, desk), (0, 0)
            self.kept[key] = kept
        self.place = kept.place
        if kept.small:
            self.place = kept.put(artist, desk, by)
        else:
            artist.draw(desk.renderer)

    def _bounds(self) -> Bbox | None:
        """Where at most it is drawn, if that is bounded: a patch within its corners and the ends of bends."""
        artist, clip = self.artist, _clip(self.artist)
        if not self.tight or clip is None:
            return clip
        path, width = artist.get_path(), artist.get_linewidth()
        known = (path, width) if isinstance(artist, PathPatch) else None
        if known is None or known != self.bounds[0]:
            points = path.vertices if path.codes is None else path.vertices[path.codes != path.CLOSEPOLY]
            places, wide = artist.get_transform().transform(points), 3 + width * artist.figure.dpi / 72
            box = Bbox([places.min(axis=0) - wide, places.max(axis=0) + wide]) if len(points) else clip
            self.bounds = known, Bbox.intersection(box, clip) or Bbox.null()
        return cast(Bbox, self.bounds[1])


def _is_long(artist: Any) -> bool:
    """Whether to reckon where it is takes longer than to wipe out its whole chart."""
    few = isinstance(artist, Line2D) and np.size(artist.get_xdata()) <= FEW_POINTS
    return not (few or isinstance(artist, Patch | Text))


def _anchor(words: Any) -> Any:
    """Where words hang, in pixels: their picture moves with it."""
    note = getattr(words, "anncoords", None)
    if isinstance(note, str):
        return words.axes.transData.transform(words.xy)  # so many points off what they are about
    return (note or words.get_transform()).transform(words.get_position())


_CHANGES = itertools.count()


def _look(artist: Any) -> Any:
    """What is another as soon as an artist looks otherwise; None if it is not seen."""
    if not artist.get_visible():
        return None
    if not isinstance(artist, Text):
        path = artist.get_path() if isinstance(artist, PathPatch) else None  # which tells of no change
        return next(_CHANGES) if artist.stale else 0, path
    if not artist.get_text():
        return None
    place = artist.get_position(), getattr(artist, "xy", None), _led(artist)
    return (artist.get_text(), artist.get_color(), artist.get_alpha()), place


def _led(text: Any) -> Any:
    """The line that leads from a text to its thing, if one is seen."""
    arrow = getattr(text, "arrow_patch", None)
    return arrow if arrow and arrow.get_visible() else None


def _clip(artist: Any) -> Bbox | None:
    """Where at most an artist is drawn, if it is bounded."""
    box = artist.get_clip_box() if artist.get_clip_on() else None
    return box.padded(1) if box else None


def _box(artist: Any, renderer: Any) -> Bbox:
    """Where the pixels of an artist are; everywhere if that is not known."""
    everywhere: Bbox = artist.figure.bbox
    if isinstance(artist, Text):
        if isinstance(artist, Annotation):
            artist.update_positions(renderer)
        boxes, plate = [Text.get_window_extent(artist, renderer).padded(3)], artist.get_bbox_patch()
        if plate:
            artist.update_bbox_position_size(renderer)
            boxes.append(plate.get_window_extent(renderer).padded(3))
        if arrow := _led(artist):
            boxes.append(_box(arrow, renderer))
        box = Bbox.union(boxes)
    elif isinstance(artist, Line2D | Patch):
        wide = artist.get_linewidth() * artist.figure.dpi / 72
        box = artist.get_window_extent(renderer).padded(3 + wide)
    else:
        return _clip(artist) or everywhere
    return Bbox.intersection(box, everywhere) or Bbox([[0, 0], [0, 0]])


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


def write_mp4(
    scene: Scene, path: StrPath, fps: int, *, silent: bool = False, progress: bool | None = None
) -> Path:
    """Write a scene as MP4 with sound: H.264 and AAC in stereo, as every player and site takes it.

    Beside it appear, all three when they are complete, its captions (``.vtt``) and its poster (``.png``);
    markers are in the file. Odd sizes lose their last row or column, and the ground must be opaque: H.264
    can hold neither. Colors as ITU-R BT.709. A `silent` one has no sound, but the captions that tell of it.
    """
    if to_rgba(scene.figure.get_facecolor())[3] < 1:
        raise ValueError("MP4 cannot be transparent: take a light or dark profile, or numbered frames")
    encoder = encoder_for(path)
    with contextlib.ExitStack() as stack:
        temporary = stack.enter_context(replacing(path))  # the last to be put in its place
        words, poster = (stack.enter_context(replacing(place)) for place in beside(path))
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        stack.enter_context(_disk_errors(path))
        marks = folder / "marks.txt"
        marks.write_text(_marks(scene), "utf-8")
        wave = None if silent else _write_wave(scene, folder, fps)
        command = _command(encoder, scene, wave, marks, fps, temporary)
        if wrong := _encode(command, frames(scene, fps, progress=progress), temporary):
            raise OSError(f"cannot write {path}: ffmpeg {wrong}")
        words.write_text(captions(scene), "utf-8")
        still(scene, scene.poster).convert("RGB").save(poster, pnginfo=_said_in_png(scene))
    return Path(path)


def _encode(command: Sequence[str], pictures: Iterable[Pixels], target: Path) -> str:
    """Give pictures to ffmpeg; say what went wrong if it does not start, hangs, fails, or lies.

    It is started, watched and ended by a thread of its own, which no signal interrupts: Python answers
    signals in the main one. So there is no moment at which it runs and nobody would end it.
    """
    with tempfile.TemporaryFile() as log:
        taken, over, hung = [0], threading.Event(), threading.Event()
        begun: queue.SimpleQueue[Any] = queue.SimpleQueue()

        def keep() -> None:
            try:
                # A group of its own: what goes by the name of ffmpeg may be a script that starts it.
                process: Any = subprocess.Popen(
                    command, stdin=subprocess.PIPE, stderr=log, process_group=0 if GROUPS else None
                )
            except Exception as error:
                return begun.put(error)
            begun.put(process)
            before = -1
            while not over.wait(PATIENCE) and taken[0] != before:
                before = taken[0]
            if not over.is_set():
                hung.set()
            if GROUPS and process.returncode is None:
                with contextlib.suppress(OSError):  # it has just ended
                    os.killpg(process.pid, signal.SIGKILL)
            process.kill()
            process.wait()
            over.wait(PATIENCE)
            with contextlib.suppress(BrokenPipeError):
                process.stdin.close()

        keeper = threading.Thread(target=keep)
        try:
            keeper.start()
            process = begun.get()
            if isinstance(process, OSError):
                return f"cannot be started: {process.strerror}"
            if isinstance(process, Exception):
                raise process
            with contextlib.suppress(BrokenPipeError):  # it gives up; its words say why
                for pixels in pictures:
                    process.stdin.write(pixels.data)
                    taken[0] += 1
            process.communicate()
        finally:
            over.set()
            with contextlib.suppress(RuntimeError):  # it was not yet started, and ends as soon as it is
                keeper.join()
        if hung.is_set():
            return f"did nothing for {PATIENCE:.0f} s and was stopped"
        if process.returncode != 0:
            log.seek(0)
            lines = log.read().decode("utf-8", "replace").strip().splitlines()
            return f"says: {lines[-1].strip() if lines else f'status {process.returncode}'}"
    with target.open("rb") as file:
        return "" if file.read(8)[4:] == b"ftyp" else "says that all is well, but wrote no MP4"


def beside(path: StrPath) -> tuple[Path, Path]:
    """Where captions and poster of an MP4 stand: under its name, as ``.vtt`` and ``.png``."""
    return Path(path).with_suffix(".vtt"), Path(path).with_suffix(".png")


def _write_wave(scene: Scene, folder: StrPath, fps: int) -> Path:
    """Write the sound into a folder, in two channels, cut or filled up to the length of the frames."""
    wanted = round(scene.count(fps) * scene.sample_rate / fps)
    sound = two_channels(scene.sound)[:wanted]
    sound = np.pad(sound, ((0, wanted - len(sound)), (0, 0)))
    return write_sound(Path(folder) / "sound.wav", sound, scene.sample_rate)


def two_channels(sound: Samples) -> Samples:
    """Give mono to both sides; leave stereo as it is."""
    return np.column_stack([sound, sound]) if sound.ndim == 1 else sound


def _command(encoder: str, scene: Scene, wave: Path | None, marks: Path, fps: int, target: Path) -> list[str]:
    """What ffmpeg is told: raw pictures from the pipe, sound and markers from files."""
    width, height = scene.pixels
    # Without these only the matrix is kept; older encoders heed the options and the flag for the box instead.
    tags = "range=tv:color_primaries=bt709:color_trc=bt709:colorspace=bt709"
    picture = "crop=trunc(iw/2)*2:trunc(ih/2)*2,scale=out_color_matrix=bt709:out_range=tv,format=yuv420p"
    heard = [] if wave is None else ["-i", str(wave)]
    # What is alike left and right stays so.
    aac = "-map 1:a -c:a aac -b:a 320k -aac_pns 0 -aac_ms 1 -shortest"
    coded = [] if wave is None else aac.split()
    credit = [word for key, text in _credits(scene).items() for word in ("-metadata", f"{key}={text}")]
    return [
        encoder,
        *"-hide_banner -nostdin -loglevel error -y".split(),
        *f"-f rawvideo -pix_fmt rgba -s {width}x{height} -r {fps} -i -".split(),
        *heard,
        *("-f", "ffmetadata", "-i", str(marks), "-map", "0:v", *coded),
        *("-map_chapters", "1" if wave is None else "2"),
        *f"-c:v libx264 -preset veryfast -crf 18 -vf {picture},setparams={tags}".split(),
        *"-color_range tv -colorspace bt709 -color_primaries bt709 -color_trc bt709".split(),
        *credit,
        *("-movflags", "+faststart+write_colr", "-f", "mp4", str(target)),
    ]


def _credits(scene: Scene) -> dict[str, str]:
    """What the files say about themselves."""
    said = {"title": scene.title, "description": scene.caption, "comment": scene.alt}
    return said | {"artist": style.CREATOR, "copyright": style.CREDIT}


def _said_in_png(scene: Scene) -> PngImagePlugin.PngInfo:
    said = PngImagePlugin.PngInfo()
    for key, text in _credits(scene).items():
        said.add_itxt({"artist": "Author"}.get(key, key.title()), text)
    return said


def _grouped(scene: Scene, apart: float) -> list[tuple[float, float, str]]:
    """Events in groups that begin so many s apart: begin, begin of the next, and their names.

    What the first event was called begins a new round, and so a group of its own, half as far from the last.
    """
    rounds = [*(time for time, name in scene.events if name == scene.events[0][1]), scene.seconds]
    groups: list[tuple[float, list[str]]] = []
    for time, name in scene.events:
        since = time - groups[-1][0] if groups else apart
        left = min(later for later in rounds if later > time) - time
        if since >= apart / 2 if time in rounds else min(since, left) >= apart:
            groups.append((time, []))
        groups[-1][1].append(name)
    ends = [*(time for time, _ in groups[1:]), scene.seconds]
    return [
        (time, end, "; ".join(dict.fromkeys(names))) for (time, names), end in zip(groups, ends, strict=False)
    ]


_ESCAPED = str.maketrans({mark: f"\\{mark}" for mark in "=;#\\"})  # in ffmpeg's files of metadata


def _marks(scene: Scene) -> str:
    """Markers for editors and players, as ffmpeg reads them; the first stands at the beginning."""
    marks = [(0.0, "start"), *((time, names) for time, _, names in _grouped(scene, MARKS_APART))]
    ends = [*(time for time, _ in marks[1:]), scene.seconds]
    chapters = (
        f"[CHAPTER]\nTIMEBASE=1/1000\nSTART={1000 * time:.0f}\nEND={1000 * end:.0f}\n"
        f"title={names.translate(_ESCAPED)}\n"
        for (time, names), end in zip(marks, ends, strict=True)
    )
    return "".join([";FFMETADATA1\n", *chapters])


def captions(scene: Scene) -> str:
    """Say what is heard, for those who do not hear it: a text track in the form of WebVTT."""
    cues = (
        f"{_clock(time)} --> {_clock(min(end, time + LONGEST_CUE))}\n[{html.escape(names, quote=False)}]\n"
        for time, end, names in _grouped(scene, CUES_APART)
    )
    return "\n".join([f"WEBVTT\n\nNOTE {scene.title}. {style.CREATOR}, {style.CREDIT}\n", *cues])


def _clock(time: float) -> str:
    """A time as WebVTT writes it, hours to milliseconds."""
    minutes, thousandths = divmod(round(1000 * time), 60_000)
    return f"{minutes // 60:02d}:{minutes % 60:02d}:{thousandths / 1000:06.3f}"


def write_gif(scene: Scene, path: StrPath, fps: int, *, progress: bool | None = None) -> Path:
    """Write a scene as GIF, at most 50 frames a second: no sound, and no encoder needed.

    GIF89a counts time in hundredths of a second; the frames are rounded so that the whole keeps time. The
    ground keeps its color, and the last frame is the first: a loop closes.
    """
    count = scene.count(whole("fps", fps, 1, MOST_GIF_FPS))
    durations = 10 * np.diff(np.round(100 * np.arange(count + 1) / fps)).astype(int)
    samples = [scene.seconds * (k + 0.5) / 6 for k in range(6)]
    tall = np.concatenate([pixels[::2, ::2, :3].copy() for pixels in _drawn(scene, samples)])
    palette = _palette(Image.fromarray(tall))
    pictures = (
        Image.fromarray(pixels[:, :, :3].copy()).quantize(palette=palette, dither=Image.Dither.NONE)
        for pixels in frames(scene, fps, progress=progress)
    )
    comment = f"{style.CREDIT}, {style.CREATOR}. {scene.caption}".encode("ascii", "replace")[:250]
    options: Any = {"save_all": True, "duration": durations.tolist(), "loop": 0, "comment": comment}
    with replacing(path) as temporary, _disk_errors(path):
        next(pictures).save(temporary, format="GIF", append_images=pictures, **options)
    return Path(path)


def _palette(sample: Image.Image) -> Image.Image:
    """At most 256 colors of a picture, among them exactly that of its ground, and none that is all but it."""
    reduced = sample.quantize(255, method=Image.Quantize.MEDIANCUT)
    colors = np.array(reduced.getpalette()).reshape(-1, 3)
    ground = np.array(sample.getpixel((0, 0)))
    colors[np.abs(colors - ground).max(axis=1) < NEAR_GROUND] = ground
    colors = np.unique(np.vstack([ground, colors]), axis=0)
    reduced.putpalette(colors.astype(np.uint8).tobytes())
    return reduced


def write_frames(
    scene: Scene, folder: StrPath, fps: int, *, silent: bool = False, progress: bool | None = None
) -> Path:
    """Write a scene as numbered PNG pictures with their sound beside them, for any editor.

    A transparent ground stays transparent. The folder, ``frame_00000.png`` and on, ``sound.wav`` and
    ``about.txt``, appears when it is complete, in place of an older one of the same kind.
    """
    scene.count(fps)  # refuses it before anything is made
    with replacing_folder(folder, "clip") as temporary, _disk_errors(folder):
        if not silent:
            _write_wave(scene, temporary, fps)
        write_file(temporary / "about.txt", _about(scene, fps, silent=silent))
        look: Any = {"compress_level": 3, "pnginfo": _said_in_png(scene)}
        for k, pixels in enumerate(frames(scene, fps, progress=progress)):
            Image.fromarray(pixels).save(temporary / f"frame_{k:05d}.png", **look)
    return Path(folder)


def _about(scene: Scene, fps: int, *, silent: bool) -> str:
    """What an editor needs to know about a folder of frames."""
    events = "\n".join(f"{time:8.3f} s  {name}" for time, name in scene.events)
    sound = "without sound." if silent else f"with sound.wav. {scene.level}"
    return (
        f"{scene.caption}\n\n{scene.alt}\n\n{scene.count(fps)} pictures, {fps} a second, {sound}\n\n"
        f"Sources: {'; '.join(scene.sources)}\n\n{events}\n\n{style.CREATOR}, {style.CREDIT}\n"
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
