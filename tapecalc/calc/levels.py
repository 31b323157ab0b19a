"""Levels from the instrument through mixer and machine and back, noise, and safe loudness.

A level with `dbu` in its name is a voltage against 0.7746 V, with `dbv` against 1 V, with `dba` a sound
pressure level weighted as ears do. A gain is positive, a loss negative.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Annotated, Any

import numpy as np

from tapecalc.calc import standards
from tapecalc.calc.quantity import Decibels, Duration, Is, Level, T, TrackWidth, calculator, finite, single

DBV_OF_0_DBU = 20 * math.log10(standards.DBU_VOLTS)
#: By how much the level that fills ``S tanh(x / S)`` is above what it gives at 3 % third harmonic (the MOL
#: of the trade): the sine of 0.62879 S that distorts so far comes out as 0.57383 S. Worked out, no source.
FULL_ABOVE_MOL_DB = 4.824
NATURAL_PER_DB = math.log(10) / 10  # natural logarithm of power in one decibel

Dbu = Annotated[T, Is("dBu", words="voltage level against 0.7746 V", usual=(-20.0, 20.0))]
Dbv = Annotated[T, Is("dBV", words="voltage level against 1 V", usual=(-20.0, 20.0))]
Volts = Annotated[T, Is("V", above=0, words="rms voltage", usual=(0.01, 10.0))]
Source = Annotated[T, Is("ohm", least=0, words="resistive impedance in series", usual=(10.0, 10000.0))]
Load = Annotated[T, Is("ohm", above=0, words="resistive load impedance", usual=(10.0, 10000.0))]
Loss = Annotated[T, Is("dB", most=0, words="change of level by a resistor", usual=(-30.0, -3.0))]
Leak = Annotated[T, Is("dB", below=0, words="level of a leak against the sound", usual=(-30.0, -3.0))]
Dba = Annotated[T, Is("dB(A)", words="A-weighted sound pressure level", usual=(80.0, 110.0))]
Exchange = Annotated[T, Is("dB", above=0, words="difference that halves the time", usual=(3.0, 5.0))]
Levels = Annotated[T, Is("dB", series=True, words="levels against one reference", usual=(-30.0, -3.0))]
LevelsDba = Annotated[T, Is("dB(A)", series=True, words="A-weighted levels of a day", usual=(80.0, 110.0))]
Durations = Annotated[T, Is("s", above=0, series=True, words="how long each lasts", usual=(0.05, 2.0))]


@calculator
def dbu_to_volts(dbu: Dbu) -> Volts:
    """Convert dBu to volts, ``sqrt(0.6) 10^(u/20)``, 0 dBu being 1 mW in 600 ohm; inverse: `volts_to_dbu`."""
    return standards.DBU_VOLTS * 10 ** (dbu / 20)


@calculator
def volts_to_dbu(volts: Volts) -> Dbu:
    """Convert volts to dBu, ``20 log10(U / sqrt(0.6))``; the inverse of `dbu_to_volts`."""
    return 20 * np.log10(volts / standards.DBU_VOLTS)


@calculator
def dbv_to_volts(dbv: Dbv) -> Volts:
    """Convert dBV to volts, ``10^(u/20)``; the inverse of `volts_to_dbv`."""
    return 10 ** (dbv / 20)


@calculator
def volts_to_dbv(volts: Volts) -> Dbv:
    """Convert volts to dBV, ``20 log10(U)``; the inverse of `dbv_to_volts`."""
    return 20 * np.log10(volts)


@calculator
def dbu_to_dbv(dbu: Dbu) -> Dbv:
    """Convert dBu to dBV, 2.218 less for the same voltage; the inverse of `dbv_to_dbu`."""
    return dbu + DBV_OF_0_DBU


@calculator
def dbv_to_dbu(dbv: Dbv) -> Dbu:
    """Convert dBV to dBu, 2.218 more for the same voltage; the inverse of `dbu_to_dbv`."""
    return dbv - DBV_OF_0_DBU


@calculator
def sum_power_db(levels_db: Levels) -> Level:
    """Add the powers of unlike sounds along the last axis, ``10 log10 sum 10^(L/10)``.

    >>> round(sum_power_db([-60, -60]), 3)
    -56.99
    """
    return np.logaddexp.reduce(NATURAL_PER_DB * np.atleast_1d(levels_db), axis=-1) / NATURAL_PER_DB


@calculator
def leak_ripple_db(leak_db: Leak) -> tuple[Level, Level]:
    """Compute how far a sound that leaks into itself can lower and raise its level, in dB.

    A leak of amplitude ``a`` makes a comb, from ``1 - a`` out of step to ``1 + a`` in step.
    """
    amplitude = 10 ** (leak_db / 20)
    to_db = 20 / math.log(10)
    return to_db * np.log1p(-amplitude), to_db * np.log1p(amplitude)


@calculator
def headroom_db(max_db: Level, level_db: Level) -> Level:
    """Compute how much louder it may get, ``max - level``; negative if it is too loud already."""
    return max_db - level_db


@calculator
def pad_db(level_db: Level, max_db: Level, *, wanted_headroom_db: Decibels = 0.0) -> Decibels:
    """Compute the pad that leaves the wanted headroom, ``max(0, L + H - max)``."""
    return np.maximum(0.0, level_db - max_db + wanted_headroom_db)


@calculator
def loading_loss_db(source_impedance: Source, load_impedance: Load) -> Loss:
    """Compute what a load takes off a source, ``20 log10(Zl / (Zs + Zl))``.

    The inverse is `loading_source_impedance`.

    >>> round(loading_loss_db(600, 600), 4), round(loading_loss_db(600, 10e3), 4)
    (-6.0206, -0.5061)
    """
    # log1p keeps the small losses of an easy load exact; + 0.0 turns -0.0 into 0.0.
    return -20 / math.log(10) * np.log1p(source_impedance / load_impedance) + 0.0


@calculator
def loading_source_impedance(loss_db: Loss, load_impedance: Load) -> Source:
    """Compute the series impedance that loses so much into a load, ``Zs = Zl (10^(-loss/20) - 1)``.

    This is the source impedance behind a measured loss, or the series resistor of a simple pad. The inverse
    of `loading_loss_db`.
    """
    return load_impedance * np.expm1(-math.log(10) / 20 * loss_db)


@calculator
def track_signal_db(width: TrackWidth, reference_width: TrackWidth) -> Level:
    """Compare the playback voltage of two track widths, ``20 log10(W / W0)``: flux adds in step."""
    return 20 * np.log10(width / reference_width)


@calculator
def track_noise_db(width: TrackWidth, reference_width: TrackWidth) -> Level:
    """Compare the tape noise of two track widths, ``10 log10(W / W0)``: noise adds in power."""
    return 10 * np.log10(width / reference_width)


@calculator
def track_snr_db(width: TrackWidth, reference_width: TrackWidth) -> Level:
    """Compare the signal-to-noise ratio of two track widths: `track_signal_db` less `track_noise_db`.

    Two equal tracks played together count as one of twice the width.
    """
    return track_signal_db(width, reference_width) - track_noise_db(width, reference_width)


@calculator
def allowed_exposure(
    level_dba: Dba,
    *,
    criterion_dba: Dba = standards.EXPOSURE_LIMIT_DBA,
    exchange_db: Exchange = standards.EXPOSURE_EXCHANGE_DB,
) -> Duration:
    """Compute how long a loudness may be borne in one day, ``t = 8 h / 2^((L - Lc)/q)``.

    `criterion_dba` is allowed for 8 h, `exchange_db` more halve the time. More than a day means without
    limit. The inverse is `allowed_level_dba`.

    Source: NIOSH recommended exposure limit, 85 dB(A) for 8 h with 3 dB exchange.

    >>> allowed_exposure(100) / 60  # minutes
    15.0
    """
    return standards.EXPOSURE_LIMIT_TIME * 2.0 ** -((level_dba - criterion_dba) / exchange_db)


@calculator
def allowed_level_dba(
    duration: Duration,
    *,
    criterion_dba: Dba = standards.EXPOSURE_LIMIT_DBA,
    exchange_db: Exchange = standards.EXPOSURE_EXCHANGE_DB,
) -> Dba:
    """Compute how loud it may be for so long a day, ``Lc + q log2(8 h / t)``; inverse: `allowed_exposure`."""
    return criterion_dba + exchange_db * np.log2(standards.EXPOSURE_LIMIT_TIME / duration)


@calculator
def daily_exposure_dba(levels_dba: LevelsDba, durations: Durations) -> Dba:
    """Spread a day's loud times over 8 h, ``10 log10(sum t 10^(L/10) / 8 h)``, along the last axis.

    Source: LEX,8h of Directive 2003/10/EC: action from 80 dB(A), no more than 87.
    """
    return sum_power_db(levels_dba + 10 * np.log10(durations / standards.EXPOSURE_LIMIT_TIME))


@dataclass(frozen=True)
class Stage:
    """One piece of the signal's way: a gain, the level it takes, and its own noise."""

    name: str
    gain_db: float  # from the stage before
    max_dbu: float  # largest undistorted level at the output
    noise_dbu: float | None = None  # added at the output; None if there is none to speak of

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name.strip():
            raise ValueError(f"name must be a word or more, got {self.name!r}")
        for field in ("gain_db", "max_dbu", "noise_dbu"):
            value = getattr(self, field)
            if value is not None or field != "noise_dbu":
                object.__setattr__(self, field, _level(f"{field} of {self.name!r}", value))


@dataclass(frozen=True)
class Node:
    """What there is at the output of one stage."""

    name: str  # of the stage
    dbu: float  # signal
    volts: float  # the same, rms
    headroom_db: float  # negative if it distorts already
    noise_dbu: float | None  # of this and all earlier stages; None if there is none to speak of
    snr_db: float | None


@dataclass(frozen=True)
class LevelDiagram:
    """The levels along the signal's way, node by node in the order of the signal."""

    nodes: tuple[Node, ...]

    @property
    def first_to_clip(self) -> Node:
        """The node with the least headroom, the first to distort when the source gets louder."""
        return min(self.nodes, key=lambda node: node.headroom_db)

    @property
    def headroom_db(self) -> float:
        """Headroom of the whole way, dB: the least of all nodes."""
        return self.first_to_clip.headroom_db

    @property
    def snr_db(self) -> float | None:
        """Signal-to-noise ratio at the end of the way, dB; None without noise."""
        return self.nodes[-1].snr_db

    def pad_needed_db(self, *, wanted_headroom_db: float = 0.0) -> float:
        """Compute how much must come off the source to leave the wanted headroom everywhere."""
        return pad_db(0, self.headroom_db, wanted_headroom_db=wanted_headroom_db)


def level_diagram(
    stages: Iterable[Stage], source_dbu: float, *, source_noise_dbu: float | None = None
) -> LevelDiagram:
    """Follow a level and its noise through a chain of stages.

    Each stage adds its gain to signal and noise, then the power of its own noise; a stage that can distort
    before its own gain is described as two. The sums are linear: past a node without headroom they say how
    loud it would be, not how it sounds.

    >>> way = [Stage("mixer", 20, 22, noise_dbu=-80), Stage("tape", 0, 10, noise_dbu=-52)]
    >>> level_diagram(way, -20).first_to_clip.name
    'tape'
    """
    stages = tuple(stages)
    if not stages:
        raise ValueError("stages must hold at least one stage, got none")
    level_dbu = _level("source_dbu", source_dbu)
    noise_dbu = None if source_noise_dbu is None else _level("source_noise_dbu", source_noise_dbu)
    nodes = []
    for stage in stages:
        if not isinstance(stage, Stage):
            raise ValueError(f"stages must hold Stage objects, got {stage!r}")
        level_dbu += stage.gain_db
        noises = [] if noise_dbu is None else [noise_dbu + stage.gain_db]
        noises += [] if stage.noise_dbu is None else [stage.noise_dbu]
        noise_dbu = sum_power_db(noises) if noises else None
        nodes.append(
            Node(
                name=stage.name,
                dbu=level_dbu,
                volts=dbu_to_volts(level_dbu),
                headroom_db=headroom_db(stage.max_dbu, level_dbu),
                noise_dbu=noise_dbu,
                snr_db=None if noise_dbu is None else level_dbu - noise_dbu,
            )
        )
    return LevelDiagram(tuple(nodes))


def _level(name: str, value: Any) -> float:
    return single(name, finite(name, value))
