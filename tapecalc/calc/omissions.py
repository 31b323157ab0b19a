"""What the plan's model leaves out, and how much of it there may be at a machine's speeds.

One list, what matters most first. An effect that the model takes in one day leaves it.
"""

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

from tapecalc import words
from tapecalc.calc.levels import leak_ripple_db
from tapecalc.calc.quantity import positive
from tapecalc.calc.response import azimuth_loss_db, spacing_loss_db

TREBLE = 10_000.0  # Hz, where effects on the treble are told
HIGHEST = 20_000.0  # Hz, the shortest waves that are heard
#: Height of a grain of dirt, m. Common practice, no source.
GRAIN = 2e-6
#: Swing of the tape's angle to either side, rad, half of that from end to end.
#: Source: AES preprint on the displacement in time between channels, 600 urad.
AZIMUTH_SWING = 300e-6
#: Leak past the tape against the sound, dB: of good heads and of poor ones. Judgement, no source was found.
LEAKS_DB = (-40.0, -20.0)


class Omission(NamedTuple):
    """One effect that the plan leaves out."""

    what: str
    size: str  # in one pass over the tape
    moves: str  # which figure of the plan, and to which side
    source: str


def omissions(
    speeds: Sequence[float],
    *,
    track_width: float,
    azimuth_angle: float,
    tape_thickness: float,
    boost_db: float,
    units: str = "inches",
    wound: bool = True,
    measured: bool = False,
) -> tuple[Omission, ...]:
    """List what the plan leaves out, with its size at each of the speeds in m/s; lengths in m.

    `azimuth_angle` in rad is today's; `boost_db` is the most that both equalizers lift; `wound` tells that
    the tape lies on reels, layer on layer, `measured` that the response is as measured.

    >>> tape = {"track_width": 2e-3, "azimuth_angle": 0, "tape_thickness": 35e-6, "boost_db": 24}
    >>> rows = omissions([0.1905, 0.09525], **tape)
    >>> print(rows[2].size)
    down by 5.7 dB (7.5 ips), 11 dB (3.75 ips) at 10 kHz, for a moment
    """
    speeds = positive("speeds", speeds, "m/s").ravel().tolist()
    tilt = abs(azimuth_angle)

    def each(text: Callable[[float], str]) -> str:
        """Say it once if it is the same at all speeds, else for each."""
        said = {speed: text(speed) for speed in speeds}
        if len(set(said.values())) == 1:
            return said[speeds[0]]
        return ", ".join(f"{size} ({words.speed(speed, units)})" for speed, size in said.items())

    def wandering(speed: float) -> str:
        now_db, then_db = azimuth_loss_db(TREBLE, speed, track_width, [tilt, tilt + AZIMUTH_SWING])
        return _decibels(now_db - then_db)

    sizes = {
        "dirt": each(lambda speed: _decibels(-spacing_loss_db(TREBLE, speed, GRAIN))),
        "leak": " or ".join(
            f"{_decibels(leak_ripple_db(leak_db)[1])} where it is {-leak_db:g} dB below the sound"
            for leak_db in LEAKS_DB
        ),
        "boost": f"{boost_db:.3g} dB",
        "wandering": each(wandering),
        "shortest": each(lambda speed: words.amount(speed / HIGHEST, "um", ".2g")),
        "print": each(lambda speed: words.frequency(speed / (2 * math.pi * tape_thickness), 2)),
    }
    out = _MEASURED * measured + _WOUND * (not wound)
    left = (row for row in _ROWS if row.what not in out)
    return tuple(row._replace(size=row.size.format_map(sizes)) for row in left)


def _decibels(level_db: float) -> str:
    """Write a size to two digits, and as less or more where more is not known."""
    if level_db < 0.1:
        return "less than 0.1 dB"
    return "more than 40 dB" if level_db > 40 else f"{level_db:.2g} dB"


#: What a response as measured has in it, and what only tape on reels has.
_MEASURED, _WOUND = ("Uneven equalizers",), ("Print-through from one layer on the reel to the next",)

_ROWS = (
    Omission(
        "Uneven equalizers",
        "up or down by 2.5 dB from 250 Hz to 6.3 kHz, by 3.5 dB outside",
        "Margin: smaller by as much; the loop starts at the peak",
        "DIN 45 500-4: windows of 5 and 7 dB for a machine",
    ),
    Omission(
        "Bias other than when the machine was aligned",
        "3 to 4.5 dB at 10 kHz from the brightest setting to the cleanest",
        "Tone: brighter or darker; levels: less headroom or more",
        "G. Ballou (ed.), Handbook for Sound Engineers, p. 1069, for 15 ips; slower ones from memory",
    ),
    Omission(
        "Dirt and drop-outs: a grain of 2 \N{MICRO SIGN}m under the tape",
        "down by {dirt} at 10 kHz, for a moment",
        "Tone: this repeat and all after it darker",
        "R. L. Wallace 1951; the grain: common practice, no source",
    ),
    Omission(
        "Noise that comes and goes with the sound",
        "up to 15 dB more than the hiss, at the loudest",
        "Hiss: loud sounds stand less far above it",
        "from memory: tape that is fully magnetized against erased tape",
    ),
    Omission(
        "What the erase head leaves, and the other track",
        "60 dB below full level at 1 kHz",
        "Hiss: old sounds in pauses",
        "DIN 45 500-4, least of a machine",
    ),
    Omission(
        "Leak from the record head into the playback head",
        "{leak}; stronger in the treble by up to {boost}",
        "Margin: smaller; it may whistle at a high send. Measure it",
        "worked out; for how large it is no source was found",
    ),
    Omission(
        "Tape that wanders at an angle",
        "down by {wandering} at 10 kHz, for a moment",
        "Tone: darker",
        "AES preprint on the displacement in time between channels, aes.org/e-lib 3710: 600 \N{MICRO SIGN}rad"
        " from end to end",
    ),
    Omission(
        "Slip and stretch at the capstan",
        "0.1 % of the delay",
        "Delays: longer or shorter; measured ones contain it",
        "worked out for a pull of 1 N, from memory, and the film of bulletin H-37232",
    ),
    Omission(
        "Short waves that weaken themselves",
        "none found down to waves of 0.8 \N{MICRO SIGN}m; the shortest that are heard have {shortest}",
        "Tone: darker",
        "abstract on contact recording: nearly free of demagnetization down to 0.8 \N{MICRO SIGN}m",
    ),
    Omission(
        "Print-through from one layer on the reel to the next",
        "none: no printed layer is played; from old recordings 50 dB down, most near {print}",
        "Hiss: old sounds in pauses, on reused tape only",
        "Bertram, Stafford, Mills, The Print-Through Phenomenon, J. Audio Eng. Soc. 1980; 50 dB from memory",
    ),
)
