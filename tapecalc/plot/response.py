"""Figures of losses and equalization."""

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tapecalc.calc import response, standards
from tapecalc.calc.units import from_si, to_si
from tapecalc.plot import style
from tapecalc.plot.kit import AUDIBLE, FREQUENCIES, Canvas, Drawn, figure, finely, minus
from tapecalc.plot.style import frequency_text
from tapecalc.words import amount, listed


def audible(contact: response.HeadContact, speed: float) -> NDArray[np.float64]:
    """Divide the audible range so finely that no null of gap or azimuth is passed over.

    Where nulls come so closely that no picture can show them the steps stay at 0.5 Hz.
    """
    apart = [speed / length for length in _slits(contact) if length > 0 and speed / length < AUDIBLE[1]]
    if not apart:
        return FREQUENCIES
    step = max(min(apart) / 40, 0.5)
    return np.union1d(FREQUENCIES, step * np.arange(np.ceil(AUDIBLE[0] / step), AUDIBLE[1] / step))


def _slits(contact: response.HeadContact) -> tuple[float, float]:
    """Length of tape that the gap takes in, and that the track does because the gap is tilted."""
    return contact.gap * contact.gap_factor, contact.track_width * abs(math.tan(contact.azimuth_angle))


@figure(
    "why slow tape loses treble",
    lambda m: {
        "frequency": 10e3,
        "speeds": m.speeds,
        "gap": to_si(m.heads.gap_um, "um"),
        "gap_factor": m.heads.gap_factor,
    },
    units=True,
)
def wavelength_at_gap(
    canvas: Canvas, *, frequency: float, speeds: Sequence[float], gap: float, gap_factor: float
) -> Drawn:
    """Draw the pattern that one tone leaves on tape at several speeds, passing the gap.

    >>> wavelength_at_gap(frequency=10000, speeds=(0.1905,), gap=4e-6, gap_factor=1.15).caption
    'A tone of 10 kHz on tape. At 19.05 cm/s: wavelength 19 µm, gap loss 0.8 dB.'
    """
    axes, profile, tone = canvas.axes, canvas.profile, frequency_text(frequency)
    lengths = response.wavelength(frequency, np.array(speeds)).tolist()
    losses = response.gap_loss_db(frequency, np.array(speeds), gap, gap_factor=gap_factor).tolist()
    half, width = from_si(1.1 * max(lengths), "um"), from_si(gap, "um") * gap_factor
    along, places = finely(-half, half, from_si(min(lengths), "um")), -1.5 * np.arange(len(speeds))
    fill, edge, thin = profile.ground.fill, profile.ground.frame, profile.line_pt / 2
    window = axes.axvspan(-width / 2, width / 2, facecolor=fill, linewidth=thin, edgecolor=edge)
    patterns, rows, said = [], [], []
    for k, (speed, length, loss) in enumerate(zip(map(canvas.speed, speeds), lengths, losses, strict=True)):
        wave = places[k] + 0.55 * np.cos(2 * np.pi * along / from_si(length, "um"))
        patterns += axes.plot(along, wave, **canvas.line_style(k))
        long = amount(length, "um", ".2g")
        rows.append(f"{speed}\n{long}\n{minus(f'{loss:z.1f}')} dB")
        said.append(f"At {speed}: wavelength {long}, gap loss {-loss:z.1f} dB")
    canvas.style_axes(f"{tone} on tape, and the gap", grid=None, x=("along the tape", "$x$", "µm"))
    axes.set(xlim=(-half, half), ylim=(places[-1] - 1.0, 1.0))
    axes.set_yticks(places, rows, linespacing=1.25)
    return Drawn(
        canvas.figure,
        {"patterns": patterns, "gap": window},
        f"A tone of {tone} on tape. {'. '.join(said)}.",
        "Waves along the tape in µm, one row per speed, behind one shaded strip, the effective gap of "
        f"{width:.1f} µm: the slower the tape, the more of a wave the gap takes in. {'. '.join(said)}.",
        ("wavelength = v / f", "gap loss: J. Eargle, Electroacoustical Reference Data, 1994"),
    )


@figure(
    "what gap, contact, coating and tilt take away",
    lambda m: {"speed": m.speeds[0], "contact": m.one_pass(m.speeds[0]).today},
    units=True,
)
def four_losses(canvas: Canvas, *, speed: float, contact: response.HeadContact) -> Drawn:
    """Draw spacing, thickness, gap and azimuth loss over frequency, and their sum.

    >>> contact = response.HeadContact(gap=4e-6, separation=1e-6, coating_thickness=11e-6,
    ...                                track_width=2e-3, azimuth_angle=0.001)
    >>> sorted(four_losses(speed=0.1905, contact=contact).artists)
    ['azimuth', 'gap', 'spacing', 'sum', 'thickness']
    """
    f = audible(contact, speed)
    curves = {
        "thickness": response.thickness_loss_db(f, speed, contact.coating_thickness),
        "spacing": response.spacing_loss_db(f, speed, contact.separation),
        "gap": response.gap_loss_db(f, speed, contact.gap, gap_factor=contact.gap_factor),
        "azimuth": response.azimuth_loss_db(f, speed, contact.track_width, contact.azimuth_angle),
        "sum": response.contact_loss_db(f, speed, contact),
    }
    thick = {"color": canvas.profile.ground.text, "linestyle": "-", "linewidth": 1.3 * canvas.profile.line_pt}
    lines = {}
    for k, (name, curve) in enumerate(curves.items()):
        look = canvas.line_style(k) | (thick if name == "sum" else {})
        (lines[name],) = canvas.axes.plot(f, curve, **look)
    canvas.style_response(f"What is lost at {canvas.speed(speed)}", y=("loss", "$A$", "dB"))
    canvas.axes.set_ylim(-30, 1.5)
    symbols = ("$c$", "$s$", "$g$", r"$\alpha$", r"$\Sigma$")
    canvas.name_lines(lines.values(), symbols if canvas.symbols_only else lines)
    at_10k = {name: np.interp(np.log(10e3), np.log(f), curve) for name, curve in curves.items()}
    said = minus(listed(f"{name} {loss:.1f} dB" for name, loss in at_10k.items()))
    return Drawn(
        canvas.figure,
        lines,
        f"Losses of one playback at {canvas.speed(speed)}; at 10 kHz: {said}.",
        "Line chart of loss in dB over frequency from 20 Hz to 20 kHz; five curves that start at 0 dB and "
        f"bend down towards high frequencies. At 10 kHz: {said}.",
        (
            "spacing and thickness: R. L. Wallace, Bell System Technical Journal 30, 1951 (from memory)",
            "gap: J. Eargle, Electroacoustical Reference Data, 1994",
        ),
    )


@figure("why every repeat is darker", lambda m: {"one_pass": m.one_pass(m.speeds[0])}, units=True)
def repeats_response(canvas: Canvas, *, one_pass: response.OnePass, repeats: int = 8) -> Drawn:
    """Draw the response of the first and each later repeat, 1 to 12: every pass is darker.

    >>> from tapecalc.machine import example_machine
    >>> drawn = repeats_response(one_pass=example_machine().one_pass(0.1905), repeats=3)
    >>> len(drawn.artists["repeats"])
    3
    """
    axes, profile, speed = canvas.axes, canvas.profile, canvas.speed(one_pass.speed)
    lines, f = [], audible(one_pass.today, one_pass.speed)
    for n, color in enumerate(style.sequence(profile, repeats), 1):
        level = response.repeat_level_db(one_pass, f, n)
        lines += axes.plot(f, level, color=color, linewidth=profile.line_pt)
    canvas.style_response(f"Every repeat is darker, {speed}", y=("level", "$L$", "dB"))
    axes.set_ylim(-36, 3)
    number = "{}" if profile.portrait else "$n$ = {}" if canvas.symbols_only else "repeat {}"
    for n, floor, side in ((repeats, -26, "left"), (1, -36, "right")):
        points = np.array(lines[n - 1].get_xydata())
        inside = points[points[:, 1] > floor]
        if inside.size:
            canvas.note(inside[-1], number.format(n), side)
    first, last = (_band(*response.bandwidth(one_pass, passes=passes)) for passes in (1, repeats))
    return Drawn(
        canvas.figure,
        {"repeats": lines},
        f"Response of repeats 1 to {repeats} at {speed}, dark to light. Down 3 dB: repeat 1 from {first}, "
        f"repeat {repeats} from {last}.",
        f"Line chart of level in dB over frequency, {repeats} nested curves, each narrower than the one "
        f"before. Repeat 1 keeps {first}, repeat {repeats} {last} within 3 dB.",
        ("n passes are n times one pass in dB",),
    )


def _band(low: float | None, high: float | None) -> str:
    """Say from where to where a band reaches; None where the response has not fallen."""
    start = "0 Hz" if low is None else frequency_text(low)
    return f"{start} to {'beyond hearing' if high is None else frequency_text(high)}"


@figure("what the standards put on tape", lambda _: {})
def equalization_standards(canvas: Canvas) -> Drawn:
    """Draw the flux on tape that recording standards ask for.

    >>> list(equalization_standards().artists)
    ['IEC1 15 ips', 'NAB 7.5 ips', 'IEC1 7.5 ips', 'NAB 3.75 ips']
    """
    names = ("IEC1 15 ips", "NAB 7.5 ips", "IEC1 7.5 ips", "NAB 3.75 ips")
    chosen, lines = [standards.equalization(name) for name in names], {}
    for k, entry in enumerate(chosen):
        level = response.equalization_db(FREQUENCIES, entry.tau_high, entry.tau_low)
        (lines[entry.name],) = canvas.axes.plot(FREQUENCIES, level, **canvas.line_style(k))
    canvas.style_response("What the standards put on tape", y=("flux level", r"$\Phi$", "dB"))
    canvas.name_lines(lines.values(), lines)
    corners = {entry.name: response.transition_frequency(entry.tau_high) for entry in chosen}
    said = listed(f"{name} {frequency_text(corner)}" for name, corner in corners.items())
    return Drawn(
        canvas.figure,
        lines,
        f"Recorded flux by standard. The treble falls by 3 dB at: {said}.",
        "Line chart of flux level on tape in dB over frequency; flat in the middle, falling towards the "
        f"treble, and rising in the bass where the standard says so. Treble corner: {said}.",
        tuple(dict.fromkeys(entry.source for entry in chosen)),
    )
