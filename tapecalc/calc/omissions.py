"""What the plan's model leaves out, and how much of it there may be at a machine's speeds.

One list, what matters most first. An effect that the model takes in one day leaves it.
"""

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

from tapecalc import words
from tapecalc.calc.quantity import positive
from tapecalc.calc.response import azimuth_loss_db, equalization_db, spacing_loss_db, thickness_loss_db
from tapecalc.calc.standards import EQUALIZATIONS
from tapecalc.calc.units import to_si

TREBLE = 10_000.0  # Hz, where effects on the treble are told
#: Where a head's response is up, down and up again: length of its poles over the wavelength.
#: Worked out for thin plates; deep blocks have it 2 to 6 % lower.
HEAD_BUMPS = (0.7655, 1.7571, 2.7546)
#: Length of a playback head's poles along the tape, m. Common practice, no source.
POLE_LENGTH = 5e-3
#: Magnetization at the surface of the coating against its deepest layer; taken to rise evenly between them.
#: Source: J. McKnight, Calculating the wavelength response, 2012, after Tjaden 1959.
SURFACE_SHARE = 0.2
#: Height of a grain of dirt, m. Common practice, no source.
GRAIN = 2e-6
#: Swing of the tape's angle to either side, rad, half of that from end to end.
#: Source: AES preprint on the displacement in time between channels, 600 urad.
AZIMUTH_SWING = 300e-6
#: By how much bass and treble come apart at 7.5 ips, s; the slower, the more.
#: Worked out for an aligned machine and 11 um of coating.
APART, APART_AT = 0.1e-3, to_si(7.5, "ips")


class Omission(NamedTuple):
    """One effect that the plan leaves out."""

    what: str
    size: str  # in one pass over the tape
    moves: str  # which figure of the plan, and to which side
    source: str


def omissions(
    speeds: Sequence[float],
    *,
    coating_thickness: float,
    separation: float,
    track_width: float,
    azimuth_angle: float,
    tape_thickness: float,
    units: str = "inches",
    wound: bool = True,
) -> tuple[Omission, ...]:
    """List what the plan leaves out, with its size at each of the speeds in m/s; lengths in m.

    `separation` is that of the aligned heads, `azimuth_angle` in rad today's; `wound` tells that the tape
    lies on reels, layer on layer.

    >>> rows = omissions([0.1905, 0.09525], coating_thickness=11e-6, separation=0.5e-6, track_width=2e-3,
    ...                  azimuth_angle=0, tape_thickness=35e-6)
    >>> print(rows[2].size)
    down by 3.6 dB (7.5 ips), 5.7 dB (3.75 ips) at 10 kHz
    """
    speeds = positive("speeds", speeds, "m/s").ravel().tolist()
    tilt = abs(azimuth_angle)

    def each(text: Callable[[float], str]) -> str:
        """Say it once if it is the same at all speeds, else for each."""
        said = {speed: text(speed) for speed in speeds}
        if len(set(said.values())) == 1:
            return said[speeds[0]]
        return ", ".join(f"{size} ({words.speed(speed, units)})" for speed, size in said.items())

    def near(*waves: float) -> str:
        """Say which frequencies have so many waves in a meter."""
        return each(lambda speed: words.listed(words.frequency(one * speed, 2) for one in waves))

    def steeper(speed: float) -> str:
        even_db = thickness_loss_db(TREBLE, speed, coating_thickness)
        return _decibels(even_db - _rising_db(coating_thickness * TREBLE / speed))

    def driven(speed: float) -> str:
        lost_db = _rising_db(coating_thickness * TREBLE / speed) + spacing_loss_db(TREBLE, speed, separation)
        return _decibels(_standard_flux_db(speed) - lost_db)

    def wandering(speed: float) -> str:
        now_db, then_db = azimuth_loss_db(TREBLE, speed, track_width, [tilt, tilt + AZIMUTH_SWING])
        return _decibels(now_db - then_db)

    sizes = {
        "bumps": near(*(waves / POLE_LENGTH for waves in HEAD_BUMPS)),
        "steeper": each(steeper),
        "driven": each(driven),
        "dirt": each(lambda speed: _decibels(-spacing_loss_db(TREBLE, speed, GRAIN))),
        "apart": each(lambda speed: f"{1e3 * APART * APART_AT / speed:.1g} ms"),
        "wandering": each(wandering),
        "print": near(1 / (2 * math.pi * tape_thickness)),
    }
    rows = _ROWS if wound else _ROWS[:-1]
    return tuple(row._replace(size=row.size.format_map(sizes)) for row in rows)


def _decibels(level_db: float) -> str:
    """Write a size to two digits, and as less or more where more is not known."""
    if level_db < 0.1:
        return "less than 0.1 dB"
    return "more than 40 dB" if level_db > 40 else f"{level_db:.2g} dB"


def _rising_db(depth: float) -> float:
    """Level of a coating, so many waves deep, whose magnetization rises evenly from its surface."""
    x = 2 * math.pi * depth
    if x < 1e-3:  # where less than 0.01 dB is lost, and rounding would be more
        return 0.0
    fades = math.exp(-x)
    even, rising = (1 - fades) / x, (1 - (1 + x) * fades) / x**2
    mean = SURFACE_SHARE * even + (1 - SURFACE_SHARE) * rising
    return 20 * math.log10(mean / ((1 + SURFACE_SHARE) / 2))


def _standard_flux_db(speed: float) -> float:
    """Treble on tape by the usual standard of the nearest speed."""
    usual = [EQUALIZATIONS[name] for name in ("AES 30 ips", "NAB 15 ips", "NAB 7.5 ips", "NAB 3.75 ips")]
    usual.append(EQUALIZATIONS["Cassette type I"])
    nearest = min(usual, key=lambda entry: abs(math.log(entry.speed / speed)))
    return equalization_db(TREBLE, nearest.tau_high, nearest.tau_low)


_ROWS = (
    Omission(
        "Uneven equalizers",
        "up or down by 2.5 dB from 250 Hz to 6.3 kHz, by 3.5 dB outside",
        "Margin: smaller by as much; the loop starts at the peak",
        "DIN 45 500-4: windows of 5 and 7 dB for a machine",
    ),
    Omission(
        "Head bumps: bass waves as long as the head",
        "up by 0.8 to 3.3 dB or down by 1.2 to 3.5 dB; up, down and up again near {bumps}",
        "Margin: smaller by as much; the loop likes to start there",
        "worked out for poles of 5 mm in two shapes; seen in J. Audio Eng. Soc. 26, 1978, p. 202",
    ),
    Omission(
        "Coating that is magnetized less at its surface than below",
        "down by {steeper} at 10 kHz",
        "Tone: repeats darker by so much at most",
        "J. McKnight, Calculating the wavelength response, 2012, after Tjaden 1959",
    ),
    Omission(
        "Treble lifted before it goes on tape",
        "{driven} at 10 kHz",
        "Levels: bright sounds have so much less headroom on tape",
        "worked out from IEC 60094-1 and the line above",
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
        "up to 15 dB more than the hiss",
        "Hiss: loud sounds stand less far above it",
        "from memory: tape that is fully magnetized against erased tape",
    ),
    Omission(
        "Color of the hiss",
        "2 to 6 dB more at 16 kHz and 4 to 5 dB less at 31 Hz than at 1 kHz",
        "Hiss: sharper than told",
        "worked out after J. C. Mallinson 1969, from memory",
    ),
    Omission(
        "What the erase head leaves, and the other track",
        "60 dB below full level at 1 kHz",
        "Hiss: old sounds in pauses",
        "DIN 45 500-4, least of a machine",
    ),
    Omission(
        "Leak from the record head into the playback head",
        "less than 0.1 dB where it is 40 dB below the sound; how large it is must be measured",
        "Margin: smaller; it may whistle at a high send",
        "worked out; for how large it is no source was found",
    ),
    Omission(
        "Delay of the equalizers",
        "{apart} between bass and treble",
        "Start: off by a tenth of the step from one possible note to the next",
        "worked out for equalizers that undo the losses",
    ),
    Omission(
        "Tape that wanders at an angle",
        "down by {wandering} at 10 kHz, for a moment",
        "Tone: darker",
        "AES preprint on the displacement in time between channels: 600 \N{MICRO SIGN}rad from end to end",
    ),
    Omission(
        "Slip and stretch at the capstan",
        "0.1 % of the delay",
        "Delays: longer or shorter; measured ones contain it",
        "worked out for a pull of 1 N, from memory, and the film of bulletin H-37232",
    ),
    Omission(
        "Print-through from one layer on the reel to the next",
        "none: no printed layer is played; from old recordings 50 dB down, most near {print}",
        "Hiss: old sounds in pauses, on reused tape only",
        "Bertram, Stafford, Mills, The Print-Through Phenomenon, J. Audio Eng. Soc. 1980; 50 dB from memory",
    ),
)
