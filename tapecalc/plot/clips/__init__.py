"""The catalog of clips: short films in which a machine's echo is seen and heard at once.

Each clip is one function of a machine that returns a `film.Scene`. Its sound is what the engine
renders; its picture is computed from the calculators, so that both agreeing is a test of both.
`CLIPS` lists them by name, `make_scene` makes one, and `write_clip` writes it to a file.

A clip is as loud as a program on air. Three of them teach a level, `one_repeat`, `loop_diagram` and
`runaway_frequency`: in all of them one gain serves, that which brings the runaway of the machine to the
loudness of the other clips. So it is no louder than they are, and repeats fade below it.
In `wavelength_at_gap` the tone is as loud as the other clips at its start, and falls from there.

No clip flashes: what lights up is small, and fades.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from tapecalc.calc.quantity import between, known_name, single, whole
from tapecalc.machine import Machine, example_machine
from tapecalc.plot import film, style
from tapecalc.plot.clips.erase import erase_off
from tapecalc.plot.clips.gap import at_the_gap, lifted_tape, wavelength_at_gap
from tapecalc.plot.clips.heads import head_rhythm
from tapecalc.plot.clips.loop import loop_diagram, one_repeat, runaway_frequency
from tapecalc.plot.clips.motion import comb_of_heads, delay_map, flutter_comb, tape_as_ruler
from tapecalc.plot.clips.sounds import LONGEST, SHORTEST
from tapecalc.plot.clips.tape import tape_path
from tapecalc.plot.clips.wiring import patch_sends
from tapecalc.plot.style import Profile
from tapecalc.sound.files import StrPath
from tapecalc.words import UNIT_SYSTEMS


@dataclass(frozen=True)
class ClipEntry:
    """One clip of the catalog."""

    name: str
    function: Callable[..., film.Scene]  # of a machine, and of profile, units and seconds
    shows: str  # what it is for, in a few words


@dataclass(frozen=True)
class WrittenClip:
    """What `write_clip` wrote, and what must be said beside it."""

    path: Path  # the file, or the folder of frames
    beside: tuple[Path, ...]  # captions and poster of an MP4
    seconds: float
    count: int  # of frames
    events: tuple[tuple[float, str], ...]  # time in s and name of what is heard and seen at once
    level: str  # how loud it is, and why if not as loud as the others
    caption: str  # for below the clip, numbers included
    alt: str  # what is seen and heard, for those who cannot see or hear it

    def __str__(self) -> str:
        size = f"{self.seconds:.1f} s, {self.count} frames"
        more = "".join(f", {path.name}" for path in self.beside)
        return f"{self.path} ({size}){more}\n{self.caption}\nDescription: {self.alt}\n{self.level}"


#: Every clip by its name.
CLIPS = {
    entry.name: entry
    for entry in (
        ClipEntry("tape_path", tape_path, "sound on its way from the record head to the playback head"),
        ClipEntry("one_repeat", one_repeat, "repeats that fade and darken: spectrum, wave and sound of each"),
        ClipEntry("loop_diagram", loop_diagram, "a loop that runs away in its own wiring, and is stopped"),
        ClipEntry(
            "runaway_frequency", runaway_frequency, "a loop gain that is lifted past its limit, and back"
        ),
        ClipEntry("patch_sends", patch_sends, "a patch, cable by cable, and what is heard of it"),
        ClipEntry("head_rhythm", head_rhythm, "a head layout playing its rhythm"),
        ClipEntry("flutter_comb", flutter_comb, "a wobble that cancels and doubles while the delay is swept"),
        ClipEntry(
            "comb_of_heads", comb_of_heads, "the teeth of answers that follow closely, as a head slides"
        ),
        ClipEntry("delay_map", delay_map, "the delay and its pitch while the speed is switched"),
        ClipEntry("tape_as_ruler", tape_as_ruler, "a head that slides until its echo falls on the beat"),
        ClipEntry("at_the_gap", at_the_gap, "a wave as it is written at one gap and read at the other"),
        ClipEntry("wavelength_at_gap", wavelength_at_gap, "slower tape until a wave fits the gap, unheard"),
        ClipEntry("lifted_tape", lifted_tape, "a grain of dirt that lifts the tape and takes its treble"),
        ClipEntry("erase_off", erase_off, "tape that is erased, and then is not"),
    )
}


def make_scene(
    name: str,
    *,
    machine: Machine | None = None,
    profile: str | Profile = "video_1080",
    units: str = "metric",
    seconds: float = 10.0,
) -> film.Scene:
    """Make the picture and the sound of a clip, a key of `CLIPS`, without writing anything.

    Of the example machine if none is given. For 1 to 120 s something happens; before and after, a still
    picture is held for `film.HOLD`. `write_clip` writes it to a file.

    >>> make_scene("tape_path", profile="page", seconds=2).caption
    'Sound on its way. At 19.05 cm/s the tape takes 218 ms over 41.5 mm: so much later it is heard again.'
    """
    scene = CLIPS[known_name("clip", name, CLIPS)].function(
        machine or example_machine(),
        seconds=single("seconds", between("seconds", seconds, SHORTEST, LONGEST, "s")),
        units=known_name("units", units, UNIT_SYSTEMS),
        profile=style.as_profile(profile),
    )
    return film.held(scene)


def write_clip(
    name: str,
    path: StrPath,
    *,
    machine: Machine | None = None,
    profile: str | Profile = "video_1080",
    units: str = "metric",
    seconds: float = 10.0,
    fps: int = 30,
    as_frames: bool = False,
    silent: bool = False,
    progress: bool | None = None,
) -> WrittenClip:
    """Write a clip, made as by `make_scene`: MP4 with sound, GIF, or numbered frames.

    `path` ends in ``.mp4`` or ``.gif``; with `as_frames` it is a folder for PNG pictures and ``sound.wav``.
    Beside an MP4 stand its captions as ``.vtt`` and its poster as ``.png``. `silent` leaves the sound out.
    Nothing is left behind if it cannot be written, and an old file stays. `progress` shows a bar; None
    shows it where a terminal can.

    >>> write_clip("tape_path", "clip.avi")
    Traceback (most recent call last):
    ...
    ValueError: clip.avi: must end in .mp4 or .gif, or be a folder of frames, got '.avi'
    """
    path = Path(path)
    writers = {".mp4": film.write_mp4, ".gif": film.write_gif}
    write: Callable[..., Path] | None = film.write_frames if as_frames else writers.get(path.suffix.lower())
    if write is None:
        raise ValueError(
            f"{path.name}: must end in .mp4 or .gif, or be a folder of frames, got {path.suffix!r}"
        )
    whole("fps", fps, 1, film.MOST_FPS)
    if write is film.write_mp4:
        film.encoder_for(path)
    scene = make_scene(name, machine=machine, profile=profile, units=units, seconds=seconds)
    silence = {} if write is film.write_gif else {"silent": silent}
    write(scene, path, fps, progress=progress, **silence)
    count = scene.count(fps)
    return WrittenClip(
        path=path,
        beside=film.beside(path) if write is film.write_mp4 else (),
        seconds=count / fps,
        count=count,
        events=scene.events,
        level="No sound." if silent or write is film.write_gif else scene.level,
        caption=scene.caption,
        alt=scene.alt,
    )
