"""Levels from the instrument through mixer and machine and back, noise, and safe loudness.

A level with `dbu` in its name is a voltage against 0.7746 V, with `dbv` against
1 V, with `dba` a sound pressure level weighted as ears do. A gain is positive, a
loss negative.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from tapecalc.calc import standards
from tapecalc.calc.quantity import finite, non_negative, positive, scalar_or_array, single

__all__ = [
    "LevelDiagram",
    "Node",
    "Stage",
    "allowed_exposure",
    "allowed_level_dba",
    "crosstalk_sum_db",
    "daily_exposure_dba",
    "db_to_pressure",
    "dbu_to_dbv",
    "dbu_to_volts",
    "dbv_to_dbu",
    "dbv_to_volts",
    "flux_from_fluxivity",
    "fluxivity_db",
    "fluxivity_from_db",
    "fluxivity_from_flux",
    "headroom_db",
    "leak_ripple_db",
    "level_diagram",
    "loading_loss_db",
    "loading_source_impedance",
    "pad_db",
    "pressure_to_db",
    "sum_power_db",
    "track_noise_db",
    "track_signal_db",
    "track_snr_db",
    "volts_to_dbu",
    "volts_to_dbv",
]


DBV_OF_0_DBU = 20 * math.log10(standards.DBU_VOLTS)
NATURAL_PER_DB = math.log(10) / 10  # natural logarithm of power in one decibel


def dbu_to_volts(dbu):
    """Convert dBu to volts, ``U = sqrt(0.6) 10^(u/20)``.

    Parameters
    ----------
    dbu : array_like
        Level in dBu, any finite value.

    Returns
    -------
    float or numpy.ndarray
        Voltage in V rms, of the shape of the input.

    Raises
    ------
    ValueError
        If a value is not a finite number.

    See Also
    --------
    volts_to_dbu : the inverse

    Notes
    -----
    Source: definition, 1 mW in 600 ohm. Notebook: 07_patching.

    Examples
    --------
    >>> round(dbu_to_volts(4), 4)
    1.2277
    """
    return scalar_or_array(standards.DBU_VOLTS * 10 ** (finite("dbu", dbu) / 20))


def volts_to_dbu(volts):
    """Convert volts to dBu, ``u = 20 log10(U / sqrt(0.6))``.

    Parameters
    ----------
    volts : array_like
        Voltage in V rms, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Level in dBu, of the shape of the input.

    Raises
    ------
    ValueError
        If a value is not a finite number greater than 0 (silence has no level).

    See Also
    --------
    dbu_to_volts : the inverse

    Notes
    -----
    Source: definition, 1 mW in 600 ohm. Notebook: 07_patching.

    Examples
    --------
    >>> round(volts_to_dbu(1.0), 3)
    2.218
    """
    return scalar_or_array(20 * np.log10(positive("volts", volts, "V") / standards.DBU_VOLTS))


def dbv_to_volts(dbv):
    """Convert dBV to volts, ``U = 10^(u/20)``.

    Parameters
    ----------
    dbv : array_like
        Level in dBV, any finite value.

    Returns
    -------
    float or numpy.ndarray
        Voltage in V rms, of the shape of the input.

    Raises
    ------
    ValueError
        If a value is not a finite number.

    See Also
    --------
    volts_to_dbv : the inverse

    Notes
    -----
    Source: definition, 1 V. Notebook: 07_patching.

    Examples
    --------
    >>> round(dbv_to_volts(-10), 4)
    0.3162
    """
    return scalar_or_array(10 ** (finite("dbv", dbv) / 20))


def volts_to_dbv(volts):
    """Convert volts to dBV, ``u = 20 log10(U)``.

    Parameters
    ----------
    volts : array_like
        Voltage in V rms, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Level in dBV, of the shape of the input.

    Raises
    ------
    ValueError
        If a value is not a finite number greater than 0 (silence has no level).

    See Also
    --------
    dbv_to_volts : the inverse

    Notes
    -----
    Source: definition, 1 V. Notebook: 07_patching.

    Examples
    --------
    >>> volts_to_dbv(0.1)
    -20.0
    """
    return scalar_or_array(20 * np.log10(positive("volts", volts, "V")))


def dbu_to_dbv(dbu):
    """Convert dBu to dBV, 2.218 less for the same voltage.

    Parameters
    ----------
    dbu : array_like
        Level in dBu, any finite value.

    Returns
    -------
    float or numpy.ndarray
        Level in dBV, of the shape of the input.

    Raises
    ------
    ValueError
        If a value is not a finite number.

    See Also
    --------
    dbv_to_dbu : the inverse

    Notes
    -----
    Source: the two definitions. Notebook: 07_patching.

    Examples
    --------
    >>> round(dbu_to_dbv(4), 4)
    1.7815
    """
    return scalar_or_array(finite("dbu", dbu) + DBV_OF_0_DBU)


def dbv_to_dbu(dbv):
    """Convert dBV to dBu, 2.218 more for the same voltage.

    Parameters
    ----------
    dbv : array_like
        Level in dBV, any finite value.

    Returns
    -------
    float or numpy.ndarray
        Level in dBu, of the shape of the input.

    Raises
    ------
    ValueError
        If a value is not a finite number.

    See Also
    --------
    dbu_to_dbv : the inverse

    Notes
    -----
    Source: the two definitions. Notebook: 07_patching.

    Examples
    --------
    >>> round(dbv_to_dbu(-10), 4)
    -7.7815
    """
    return scalar_or_array(finite("dbv", dbv) - DBV_OF_0_DBU)


def sum_power_db(levels_db):
    """Add the powers of sounds that have nothing to do with each other, ``10 log10 sum 10^(L/10)``.

    Parameters
    ----------
    levels_db : array_like
        Levels in dB, all against one reference; the last axis is added up.

    Returns
    -------
    float or numpy.ndarray
        Level of the sum in dB, of the shape of the input without its last axis; one
        single level is its own sum.

    Raises
    ------
    ValueError
        If a value is not a finite number.

    Notes
    -----
    Source: powers of uncorrelated sounds add. Notebook: 07_patching.

    Examples
    --------
    >>> round(sum_power_db([-60, -60]), 3)
    -56.99
    """
    levels_db = np.atleast_1d(finite("levels_db", levels_db))
    return scalar_or_array(np.logaddexp.reduce(NATURAL_PER_DB * levels_db, axis=-1) / NATURAL_PER_DB)


def crosstalk_sum_db(level_db, neighbor_db, crosstalk_db):
    """Compute the level of a track together with what leaks into it from its neighbor.

    The powers add, ``10 log10(10^(L/10) + 10^((Ln + C)/10))``, as for two different
    sounds.

    Parameters
    ----------
    level_db : array_like
        Level of the track itself, dB.
    neighbor_db : array_like
        Level on the neighboring track, dB against the same reference.
    crosstalk_db : array_like
        What is left of the neighbor, dB; negative for a loss.

    Returns
    -------
    float or numpy.ndarray
        Level of both together in dB, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not a finite number.

    See Also
    --------
    leak_ripple_db : the same sound leaking into itself

    Notes
    -----
    Source: powers of uncorrelated sounds add. Notebook: 07_patching.

    Examples
    --------
    >>> round(crosstalk_sum_db(-60, 0, -50), 2)  # a silent track beside a full one
    -49.59
    """
    leak_db = finite("neighbor_db", neighbor_db) + finite("crosstalk_db", crosstalk_db)
    summed = np.logaddexp(NATURAL_PER_DB * finite("level_db", level_db), NATURAL_PER_DB * leak_db)
    return scalar_or_array(summed / NATURAL_PER_DB)


def leak_ripple_db(leak_db):
    """Compute how far a sound that leaks into itself can lower and raise its level.

    A leak of amplitude ``a`` arrives out of step at some frequencies, which leaves
    ``1 - a``, and in step at others, which makes ``1 + a``: a comb.

    Parameters
    ----------
    leak_db : array_like
        Level of the leak against the sound, dB, less than 0.

    Returns
    -------
    tuple of (float or numpy.ndarray)
        Deepest dip and highest peak in dB, each of the shape of the input.

    Raises
    ------
    ValueError
        If a value is not finite, or is 0 or more (the dip would be complete).

    See Also
    --------
    crosstalk_sum_db : a different sound leaking in

    Notes
    -----
    Source: sum of two phasors. Notebook: 07_patching.

    Examples
    --------
    >>> dip, peak = leak_ripple_db(-20)
    >>> round(dip, 3), round(peak, 3)
    (-0.915, 0.828)
    """
    leak_db = finite("leak_db", leak_db)
    if np.any(leak_db >= 0):
        raise ValueError(f"leak_db must be less than 0 dB, got {leak_db.max():g}")
    amplitude = 10 ** (leak_db / 20)
    to_db = 20 / math.log(10)
    return scalar_or_array(to_db * np.log1p(-amplitude)), scalar_or_array(to_db * np.log1p(amplitude))


def headroom_db(max_db, level_db):
    """Compute how much louder it may get, ``max - level``.

    Parameters
    ----------
    max_db : array_like
        Largest level that passes undistorted, dB.
    level_db : array_like
        The level that there is, dB against the same reference.

    Returns
    -------
    float or numpy.ndarray
        Headroom in dB, negative if it is already too loud, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not a finite number.

    See Also
    --------
    pad_db : what to do about too little of it

    Notes
    -----
    Source: definition. Notebook: 07_patching.

    Examples
    --------
    >>> headroom_db(22, 4)
    18.0
    """
    return scalar_or_array(finite("max_db", max_db) - finite("level_db", level_db))


def pad_db(level_db, max_db, *, wanted_headroom_db=0.0):
    """Compute the pad that leaves the wanted headroom, ``max(0, L + H - max)``.

    Parameters
    ----------
    level_db : array_like
        The level that arrives, dB.
    max_db : array_like
        Largest level that the input takes, dB against the same reference.
    wanted_headroom_db : array_like, optional
        Headroom to be left, dB, 0 or more.

    Returns
    -------
    float or numpy.ndarray
        How many dB the pad must take off, 0 if none is needed, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite, or the headroom is negative.

    See Also
    --------
    headroom_db : what there is without a pad
    loading_source_impedance : the resistor of a simple pad

    Notes
    -----
    Source: definition. Notebook: 07_patching.

    Examples
    --------
    >>> pad_db(4, -2, wanted_headroom_db=10)
    16.0
    """
    too_much = finite("level_db", level_db) - finite("max_db", max_db)
    wanted_headroom_db = non_negative("wanted_headroom_db", wanted_headroom_db, "dB")
    return scalar_or_array(np.maximum(0.0, too_much + wanted_headroom_db))


def loading_loss_db(source_impedance, load_impedance):
    """Compute what a load takes off a source, ``20 log10(Zl / (Zs + Zl))``.

    Parameters
    ----------
    source_impedance : array_like
        Resistive source impedance in ohm, 0 or more.
    load_impedance : array_like
        Resistive load impedance in ohm, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Change of level in dB, 0 or negative, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    loading_source_impedance : the inverse

    Notes
    -----
    Source: voltage divider. Notebook: 07_patching.

    Examples
    --------
    >>> round(loading_loss_db(600, 600), 4), round(loading_loss_db(600, 10e3), 4)
    (-6.0206, -0.5061)
    """
    source_impedance = non_negative("source_impedance", source_impedance, "ohm")
    load_impedance = positive("load_impedance", load_impedance, "ohm")
    # log1p keeps the small losses of an easy load exact; + 0.0 turns -0.0 into 0.0.
    return scalar_or_array(-20 / math.log(10) * np.log1p(source_impedance / load_impedance) + 0.0)


def loading_source_impedance(loss_db, load_impedance):
    """Compute the series impedance that loses so much into a load, ``Zs = Zl (10^(-loss/20) - 1)``.

    This is the source impedance behind a measured loss, or the series resistor of a
    simple pad.

    Parameters
    ----------
    loss_db : array_like
        Change of level in dB, 0 or negative.
    load_impedance : array_like
        Resistive load impedance in ohm, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Series impedance in ohm, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    loading_loss_db : the inverse

    Notes
    -----
    Source: voltage divider. Notebook: 07_patching.

    Examples
    --------
    >>> round(loading_source_impedance(-20, 10e3))
    90000
    """
    loss_db = finite("loss_db", loss_db)
    if np.any(loss_db > 0):
        raise ValueError(f"loss_db must be 0 dB or less, got {loss_db.max():g}: a resistor cannot amplify")
    load_impedance = positive("load_impedance", load_impedance, "ohm")
    return scalar_or_array(load_impedance * np.expm1(-math.log(10) / 20 * loss_db))


def fluxivity_db(fluxivity, reference):
    """Compute the level of one fluxivity against another, ``20 log10(F / F0)``.

    Parameters
    ----------
    fluxivity : array_like
        Flux per track width in Wb/m, greater than 0.
    reference : array_like
        Reference fluxivity in Wb/m, greater than 0; those in use stand in
        `standards.FLUXIVITIES`.

    Returns
    -------
    float or numpy.ndarray
        Level in dB, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite, zero or negative.

    See Also
    --------
    fluxivity_from_db : the inverse

    Notes
    -----
    Source: definition. Notebook: 07_patching.

    Examples
    --------
    >>> round(fluxivity_db(250e-9, 185e-9), 3)
    2.615
    """
    ratio = positive("fluxivity", fluxivity, "Wb/m") / positive("reference", reference, "Wb/m")
    return scalar_or_array(20 * np.log10(ratio))


def fluxivity_from_db(level_db, reference):
    """Compute the fluxivity of a level, ``F = F0 10^(L/20)``.

    Parameters
    ----------
    level_db : array_like
        Level in dB against the reference.
    reference : array_like
        Reference fluxivity in Wb/m, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Fluxivity in Wb/m, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite, or the reference is not above 0.

    See Also
    --------
    fluxivity_db : the inverse

    Notes
    -----
    Source: definition. Notebook: 07_patching.

    Examples
    --------
    >>> round(1e9 * fluxivity_from_db(3, 250e-9), 1)  # nWb/m
    353.1
    """
    reference = positive("reference", reference, "Wb/m")
    return scalar_or_array(reference * 10 ** (finite("level_db", level_db) / 20))


def fluxivity_from_flux(flux, width):
    """Compute flux per track width, ``F = flux / W``.

    Parameters
    ----------
    flux : array_like
        Flux of the whole track in Wb, greater than 0.
    width : array_like
        Track width in m, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Fluxivity in Wb/m, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite, zero or negative.

    See Also
    --------
    flux_from_fluxivity : the inverse

    Notes
    -----
    Source: definition; the older unit is the millimaxwell, 1e-11 Wb.
    Notebook: 07_patching.

    Examples
    --------
    >>> round(1e9 * fluxivity_from_flux(2e-9, 0.00625))  # nWb/m
    320
    """
    return scalar_or_array(positive("flux", flux, "Wb") / positive("width", width, "m"))


def flux_from_fluxivity(fluxivity, width):
    """Compute the flux of a whole track, ``flux = F W``.

    Parameters
    ----------
    fluxivity : array_like
        Flux per track width in Wb/m, greater than 0.
    width : array_like
        Track width in m, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Flux in Wb, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite, zero or negative.

    See Also
    --------
    fluxivity_from_flux : the inverse

    Notes
    -----
    Source: definition. Notebook: 07_patching.

    Examples
    --------
    >>> round(1e9 * flux_from_fluxivity(320e-9, 0.00625), 6)  # nWb
    2.0
    """
    return scalar_or_array(positive("fluxivity", fluxivity, "Wb/m") * positive("width", width, "m"))


def track_signal_db(width, reference_width):
    """Compare the playback voltage of two track widths, ``20 log10(W / W0)``.

    Parameters
    ----------
    width : array_like
        Track width in m, greater than 0.
    reference_width : array_like
        Width to compare with in m, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Change of the signal in dB at one fluxivity, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite, zero or negative.

    See Also
    --------
    track_noise_db : the same for the noise
    track_snr_db : the difference

    Notes
    -----
    Source: the flux of a signal adds in step across the track.
    Notebook: 07_patching.

    Examples
    --------
    >>> round(track_signal_db(1.1e-3, 2.2e-3), 2)
    -6.02
    """
    return scalar_or_array(20 * np.log10(_width_ratio(width, reference_width)))


def track_noise_db(width, reference_width):
    """Compare the tape noise of two track widths, ``10 log10(W / W0)``.

    Parameters
    ----------
    width : array_like
        Track width in m, greater than 0.
    reference_width : array_like
        Width to compare with in m, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Change of the noise voltage in dB, broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite, zero or negative.

    See Also
    --------
    track_signal_db : the same for the signal
    track_snr_db : the difference

    Notes
    -----
    Source: the noise of neighboring strips of tape adds in power.
    Notebook: 07_patching.

    Examples
    --------
    >>> round(track_noise_db(1.1e-3, 2.2e-3), 2)
    -3.01
    """
    return scalar_or_array(10 * np.log10(_width_ratio(width, reference_width)))


def track_snr_db(width, reference_width):
    """Compare the signal-to-noise ratio of two track widths, ``10 log10(W / W0)``.

    Parameters
    ----------
    width : array_like
        Track width in m, greater than 0.
    reference_width : array_like
        Width to compare with in m, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Change of the signal-to-noise ratio in dB, broadcast over the inputs; a wider
        track is quieter.

    Raises
    ------
    ValueError
        If a value is not finite, zero or negative.

    See Also
    --------
    track_signal_db : the signal alone
    track_noise_db : the noise alone

    Notes
    -----
    Two equal tracks played together count as one of twice the width.

    Source: `track_signal_db` less `track_noise_db`. Notebook: 07_patching.

    Examples
    --------
    >>> round(track_snr_db(2.1e-3, 6.25e-3), 3)
    -4.737
    """
    return track_signal_db(width, reference_width) - track_noise_db(width, reference_width)


def pressure_to_db(pressure):
    """Convert sound pressure to its level, ``20 log10(p / 20 uPa)``.

    Parameters
    ----------
    pressure : array_like
        Sound pressure in Pa, greater than 0; rms, or peak for a peak level.

    Returns
    -------
    float or numpy.ndarray
        Sound pressure level in dB, of the shape of the input.

    Raises
    ------
    ValueError
        If a value is not finite, zero or negative.

    See Also
    --------
    db_to_pressure : the inverse

    Notes
    -----
    Source: definition, ISO 80000-8. Notebook: 07_patching.

    Examples
    --------
    >>> round(pressure_to_db(1.0), 2)
    93.98
    """
    return scalar_or_array(20 * np.log10(positive("pressure", pressure, "Pa") / standards.REFERENCE_PRESSURE))


def db_to_pressure(level_db):
    """Convert a sound pressure level to pressure, ``p = 20 uPa 10^(L/20)``.

    Parameters
    ----------
    level_db : array_like
        Sound pressure level in dB.

    Returns
    -------
    float or numpy.ndarray
        Sound pressure in Pa, of the shape of the input.

    Raises
    ------
    ValueError
        If a value is not a finite number.

    See Also
    --------
    pressure_to_db : the inverse

    Notes
    -----
    Source: definition, ISO 80000-8. Notebook: 07_patching.

    Examples
    --------
    >>> round(db_to_pressure(94), 3)
    1.002
    """
    return scalar_or_array(standards.REFERENCE_PRESSURE * 10 ** (finite("level_db", level_db) / 20))


def allowed_exposure(
    level_dba,
    *,
    criterion_dba=standards.EXPOSURE_LIMIT_DBA,
    exchange_db=standards.EXPOSURE_EXCHANGE_DB,
):
    """Compute how long a loudness may be borne in one day, ``t = 8 h / 2^((L - Lc)/q)``.

    Parameters
    ----------
    level_dba : array_like
        A-weighted sound pressure level in dB(A).
    criterion_dba : array_like, optional
        The level that is allowed for 8 h, dB(A).
    exchange_db : array_like, optional
        How many dB more halve the time, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Time in s, broadcast over the inputs; more than a day means without limit.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    allowed_level_dba : the inverse

    Notes
    -----
    Source: NIOSH recommended exposure limit, 85 dB(A) for 8 h with 3 dB exchange; other
    rules by their own numbers, from `standards`. Notebook: 07_patching.

    Examples
    --------
    >>> allowed_exposure(100) / 60  # minutes
    15.0
    """
    above_db = finite("level_dba", level_dba) - finite("criterion_dba", criterion_dba)
    halvings = above_db / positive("exchange_db", exchange_db, "dB")
    return scalar_or_array(standards.EXPOSURE_LIMIT_TIME * 2.0**-halvings)


def allowed_level_dba(
    duration,
    *,
    criterion_dba=standards.EXPOSURE_LIMIT_DBA,
    exchange_db=standards.EXPOSURE_EXCHANGE_DB,
):
    """Compute how loud it may be for so long in one day, ``L = Lc + q log2(8 h / t)``.

    Parameters
    ----------
    duration : array_like
        Time in s, greater than 0.
    criterion_dba : array_like, optional
        The level that is allowed for 8 h, dB(A).
    exchange_db : array_like, optional
        How many dB more halve the time, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        A-weighted sound pressure level in dB(A), broadcast over the inputs.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    allowed_exposure : the inverse

    Notes
    -----
    Source: as `allowed_exposure`. Notebook: 07_patching.

    Examples
    --------
    >>> allowed_level_dba(2 * 3600)
    91.0
    """
    halvings = np.log2(standards.EXPOSURE_LIMIT_TIME / positive("duration", duration, "s"))
    return scalar_or_array(
        finite("criterion_dba", criterion_dba) + positive("exchange_db", exchange_db, "dB") * halvings
    )


def daily_exposure_dba(levels_dba, durations):
    """Spread a day's loud times over 8 h, ``10 log10(sum t 10^(L/10) / 8 h)``.

    Parameters
    ----------
    levels_dba : array_like
        A-weighted sound pressure levels in dB(A); the last axis is added up.
    durations : array_like
        How long each lasts, s, greater than 0.

    Returns
    -------
    float or numpy.ndarray
        Daily exposure level in dB(A), of the broadcast shape without its last axis.

    Raises
    ------
    ValueError
        If a value is not finite or out of its range.

    See Also
    --------
    allowed_level_dba : for a single loud time

    Notes
    -----
    Compare with `standards.EU_EXPOSURE_LIMITS_DBA`: action from 80, no more than 87.

    Source: LEX,8h of Directive 2003/10/EC. Notebook: 07_patching.

    Examples
    --------
    >>> round(daily_exposure_dba([85, 95], [4 * 3600, 1800]), 2)
    85.51
    """
    share = positive("durations", durations, "s") / standards.EXPOSURE_LIMIT_TIME
    return sum_power_db(finite("levels_dba", levels_dba) + 10 * np.log10(share))


@dataclass(frozen=True)
class Stage:
    """One piece of the signal's way: a gain, the level it takes, and its own noise.

    Parameters
    ----------
    name : str
        What stands there, for example ``"mixer input"``.
    gain_db : float
        Gain from the stage before, dB; negative for a loss.
    max_dbu : float
        Largest undistorted level at the output of this stage, dBu.
    noise_dbu : float, optional
        Noise that this stage adds at its output, dBu; None if it adds none to speak of.

    Raises
    ------
    ValueError
        If the name is empty or a level is not one finite number.

    Notes
    -----
    Source: the maker's data or your own measurement. Notebook: 07_patching.

    Examples
    --------
    >>> Stage("mixer input", 20, 22, noise_dbu=-80).gain_db
    20.0
    """

    name: str
    gain_db: float
    max_dbu: float
    noise_dbu: float | None = None

    def __post_init__(self):
        if not isinstance(self.name, str) or not self.name.strip():
            raise ValueError(f"name must be a word or more, got {self.name!r}")
        for field in ("gain_db", "max_dbu", "noise_dbu"):
            value = getattr(self, field)
            if value is not None or field != "noise_dbu":
                label = f"{field} of {self.name!r}"
                object.__setattr__(self, field, single(label, finite(label, value)))


@dataclass(frozen=True)
class Node:
    """What there is at the output of one stage.

    Parameters
    ----------
    name : str
        The name of the stage.
    dbu : float
        Signal level, dBu.
    volts : float
        The same in V rms.
    headroom_db : float
        How much louder it may get here, dB; negative if it distorts already.
    noise_dbu : float or None
        Noise of this and all earlier stages, dBu; None if there is none to speak of.
    snr_db : float or None
        Signal less noise, dB; None without noise.

    Notes
    -----
    Source: `level_diagram`. Notebook: 07_patching.

    Examples
    --------
    >>> level_diagram([Stage("mixer input", 20, 22)], -16).nodes[0].headroom_db
    18.0
    """

    name: str
    dbu: float
    volts: float
    headroom_db: float
    noise_dbu: float | None
    snr_db: float | None


@dataclass(frozen=True)
class LevelDiagram:
    """The levels along the signal's way, node by node.

    Parameters
    ----------
    nodes : tuple of Node
        The outputs of the stages in the order of the signal.

    Notes
    -----
    Source: `level_diagram`. Notebook: 07_patching.

    Examples
    --------
    >>> way = [Stage("mixer", 20, 22), Stage("record amplifier", 0, 10)]
    >>> level_diagram(way, -16).first_to_clip.name
    'record amplifier'
    """

    nodes: tuple[Node, ...]

    @property
    def first_to_clip(self):
        """The node with the least headroom, the earliest if several share it.

        It is the first to distort when the source gets louder.
        """
        return min(self.nodes, key=lambda node: node.headroom_db)

    @property
    def clipping(self):
        """The nodes that distort already, in the order of the signal."""
        return tuple(node for node in self.nodes if node.headroom_db < 0)

    @property
    def headroom_db(self):
        """Headroom of the whole way, dB: the least of all nodes."""
        return self.first_to_clip.headroom_db

    @property
    def snr_db(self):
        """Signal-to-noise ratio at the end of the way, dB; None without noise."""
        return self.nodes[-1].snr_db

    def pad_needed_db(self, *, wanted_headroom_db=0.0):
        """Compute how much must come off the source to leave the wanted headroom everywhere.

        Parameters
        ----------
        wanted_headroom_db : float, optional
            Headroom to be left at every node, dB, 0 or more.

        Returns
        -------
        float
            Pad in dB, 0 if none is needed.

        Raises
        ------
        ValueError
            If the headroom is not finite, or negative.

        Examples
        --------
        >>> level_diagram([Stage("mixer", 20, 22)], 4).pad_needed_db(wanted_headroom_db=6)
        8.0
        """
        return pad_db(0, self.headroom_db, wanted_headroom_db=wanted_headroom_db)


def level_diagram(stages, source_dbu, *, source_noise_dbu=None):
    """Follow a level and its noise through a chain of stages.

    Each stage adds its gain to signal and noise, then adds the power of its own noise;
    headroom is ``max - level`` at its output. The sums are linear: past a node without
    headroom they say how loud it would be, not how it sounds.

    Parameters
    ----------
    stages : sequence of Stage
        The way of the signal from the first to the last; a stage that can distort
        before its own gain is described as two.
    source_dbu : float
        Level that enters the first stage, dBu.
    source_noise_dbu : float, optional
        Noise that enters with it, dBu; None if there is none to speak of.

    Returns
    -------
    LevelDiagram
        One node per stage.

    Raises
    ------
    ValueError
        If there is no stage, something is no Stage, or a level is not one finite number.

    Notes
    -----
    Source: gains add in dB, powers of uncorrelated noises add.
    Notebook: 07_patching.

    Examples
    --------
    >>> way = [
    ...     Stage("mixer input", 20, 22, noise_dbu=-80),
    ...     Stage("send", -6, 22),
    ...     Stage("tape", 6, 10, noise_dbu=-52),
    ... ]
    >>> for node in level_diagram(way, -20).nodes:
    ...     print(f"{node.name}: {node.dbu:+.0f} dBu, {node.headroom_db:.0f} dB, {node.snr_db:.0f} dB")
    mixer input: +0 dBu, 22 dB, 80 dB
    send: -6 dBu, 28 dB, 80 dB
    tape: +0 dBu, 10 dB, 52 dB
    """
    stages = tuple(stages)
    if not stages:
        raise ValueError("stages must hold at least one stage, got none")
    level_dbu = single("source_dbu", finite("source_dbu", source_dbu))
    noise_dbu = source_noise_dbu
    if noise_dbu is not None:
        noise_dbu = single("source_noise_dbu", finite("source_noise_dbu", noise_dbu))
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


def _width_ratio(width, reference_width):
    """Return track width over reference width, both checked."""
    return positive("width", width, "m") / positive("reference_width", reference_width, "m")
