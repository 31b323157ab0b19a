"""What-if panels about measuring: what ruler and stopwatch tell, and how long a piece of sound to compare."""

from __future__ import annotations

import math
from functools import cache

import numpy as np

from tapecalc.calc.flutter import depth_from_repeat, fluttered_delay
from tapecalc.calc.standards import FLUTTER_TONE
from tapecalc.calc.transport import delay_from_spacing, spacing_from_delay, speed_from_delay
from tapecalc.calc.units import from_si, to_si
from tapecalc.course.exercise import Exercise
from tapecalc.course.panel import Panel, slider
from tapecalc.machine import example_machine
from tapecalc.measuring import Delay, Estimate, Ruler, Stopwatch, solve_geometry
from tapecalc.plot import style
from tapecalc.words import with_uncertainty

__all__ = [
    "pieces_panel",
    "tools_panel",
]


MARKS = 1e-3  # how exactly a length of tape is marked, a share of it (common practice, no source)
SHOWN_MM, SHOWN_CM_S = 2.5, 1.2  # about the deck's own figures
CIRCLE = np.linspace(0, 2 * math.pi, 121)

RATE = 32_000  # samples a second
SECONDS = 2.5
STARTS = np.arange(0.15, 2.1, 0.1)  # middles of the pieces, s
REACH = to_si(1.6, "ms")  # how far from the usual delay is looked
FAINTEST_US, LARGEST_US = 0.1, 2000.0


# ---------------------------------------------------------------- what each tool tells


def tools_panel():
    """Return the panel of head spacing and tape speed: delay, ruler and stopwatch, and all together.

    Returns
    -------
    Panel
        Speed over spacing. The delay allows a slanted line, the ruler an upright band, the
        stopwatch a level one; the ellipse is what all three leave.

    See Also
    --------
    pieces_panel : how sure the delay itself is

    Notes
    -----
    Source: `solve_geometry`; JCGM 100:2008 (GUM). Notebook: 08_measuring.

    Examples
    --------
    >>> print(tools_panel().readout)  # doctest: +NORMALIZE_WHITESPACE
    Delay, ruler and stopwatch together: heads 41.50 mm +/- 0.27 mm apart, tape at 19.05 cm/s +/- 0.12 cm/s.
    The stopwatch tells more.
    """
    return Panel(
        name="ruler_and_stopwatch",
        build=_build_tools,
        update=_update_tools,
        controls=(
            slider("ruler_mm", "ruler uncertain by", 0.5, low=0.1, high=2.0, step=0.05, unit="mm"),
            slider("length_m", "marked tape", 5.0, low=1.0, high=30.0, step=0.5, unit="m"),
            slider("thumb_s", "stopwatch uncertain by", 0.2, low=0.05, high=0.5, step=0.05, unit="s"),
            slider("delay_us", "delay uncertain by", 50.0, low=1.0, high=4000.0, step=0.1,
                   unit="µs", log=True),
        ),
        question="From which length of tape on does the stopwatch tell more than the ruler?",
        legend="Slanted strip: pairs that give the delay. Upright band: what the ruler allows. Level band: "
        "what the stopwatch allows. Ellipse: what all together leave; dot: the best pair.",
        alt="Chart of tape speed in cm/s over head spacing in mm: a slanted strip for the delay, an upright "
        "band for the ruler, a level band for the stopwatch, and a small ellipse where they cross.",
    )  # fmt: skip


def _build_tools(figure, profile):
    """Draw the axes and the shapes that will move."""
    machine = example_machine()
    spacing_mm, speed_cm_s = from_si(machine.spacings[0], "mm"), from_si(machine.speeds[0], "cm_s")
    axes = figure.subplots()
    style.dress(axes, profile, x="head spacing (mm)", y="tape speed (cm/s)")
    axes.set(
        xlim=(spacing_mm - SHOWN_MM, spacing_mm + SHOWN_MM),
        ylim=(speed_cm_s - SHOWN_CM_S, speed_cm_s + SHOWN_CM_S),
    )

    def line(index, **look):
        return axes.plot([], [], **(style.line_style(profile, index) | look))[0]

    return {
        "ruler": line(1),
        "stopwatch": line(2),
        "delay": line(3),
        "ellipse": line(0, linewidth=1.6 * profile.line_pt),
        "best": line(0, linestyle="none", marker="o"),
    }


def _update_tools(artists, ruler_mm, length_m, thumb_s, delay_us):
    """Solve for spacing and speed with each tool and with both, and draw what they allow."""
    machine = example_machine()
    spacing, speed = machine.spacings[0], machine.speeds[0]
    delay = Delay(Estimate(spacing / speed, to_si(delay_us, "us"), "s"))
    ruler = Ruler(Estimate(spacing, to_si(ruler_mm, "mm"), "m"))
    watch = Stopwatch(Estimate(length_m, MARKS * length_m, "m"), Estimate(length_m / speed, thumb_s, "s"))
    both, ruled, timed = (solve_geometry([delay, *tools]) for tools in ((ruler, watch), (ruler,), (watch,)))
    d, v = both.spacings[0], both.speeds[0]
    center = np.array([from_si(d.value, "mm"), from_si(v.value, "cm_s")])
    of_tape = timed.speeds[0].uncertainty
    artists["ruler"].set_data(*_band(center[0], ruler_mm))
    artists["stopwatch"].set_data(*_band(center[1], from_si(of_tape, "cm_s"))[::-1])
    artists["delay"].set_data(*_strip(center, delay.delay))
    artists["ellipse"].set_data(*_ellipse(both, center))
    artists["best"].set_data([center[0]], [center[1]])
    better = "stopwatch" if timed.speeds[0].uncertainty < ruled.speeds[0].uncertainty else "ruler"
    rows = [
        (f"with the {name} alone", f"{_in_mm(found.spacings[0])}; {_in_cm_s(found.speeds[0])}")
        for name, found in (("ruler", ruled), ("stopwatch", timed))
    ]
    rows.append(("with the delay alone", "only spacing over speed, the slanted strip"))
    said = f"heads {_in_mm(d)} apart, tape at {_in_cm_s(v)}"
    return f"Delay, ruler and stopwatch together: {said}. The {better} tells more.", rows


def _in_mm(estimate):
    return estimate.text(from_si(1.0, "mm"), "mm")


def _in_cm_s(estimate):
    return estimate.text(from_si(1.0, "cm_s"), "cm/s")


def _band(center, half):
    """The two edges of an upright band as one line, joined far outside the picture."""
    edges = center + half * np.array([-1.0, -1.0, 1.0, 1.0])
    return edges, np.array([-1e3, 1e3, 1e3, -1e3])


def _strip(center, delay):
    """The two edges of the strip of pairs that give a delay, joined outside the picture."""
    spacing = center[0] + np.array([-50.0, 50.0, 50.0, -50.0]) * 0.5
    ratio = center[1] / center[0] * delay.value
    edges = delay.value + delay.uncertainty * np.array([-1.0, -1.0, 1.0, 1.0])
    return spacing, ratio * spacing / edges


def _ellipse(geometry, center):
    """Outline whose shadows on both axes are the 95 % intervals."""
    covariance = geometry.covariance[:2, :2]
    values, vectors = np.linalg.eigh(covariance)
    reach = 2.0 * np.sqrt(np.maximum(values, 0))
    offsets = vectors @ (reach[:, None] * np.array([np.cos(CIRCLE), np.sin(CIRCLE)]))
    return center[:, None] * (1 + offsets)


# ---------------------------------------------------------------- how long a piece to compare


def pieces_panel():
    """Return the panel that looks for pieces of a sound in its echo, and compares with the truth.

    Returns
    -------
    Panel
        Above, the true delay against time and what each piece finds; below, the error of each
        piece and their rms.

    See Also
    --------
    tools_panel : what follows from the delay

    Notes
    -----
    Source: correlation of 20 pieces of noise up to 4 kHz, its peak by a parabola.
    Notebook: 08_measuring.

    Examples
    --------
    >>> panel = pieces_panel()
    >>> panel.set(wobble_percent=0.0, snr_db=60)
    >>> panel.readout.partition(":")[0]
    'Pieces of 20 ms find the delay'
    """
    return Panel(
        name="pieces_of_sound",
        build=_build_pieces,
        update=_update_pieces,
        controls=(
            slider("piece_ms", "length of a piece", 20.0, low=5.0, high=200.0, step=0.02,
                   unit="ms", log=True),
            slider("snr_db", "signal over noise", 40.0, low=0.0, high=60.0, step=1.0, unit="dB"),
            slider("wobble_percent", "wobble of the speed", 0.2, low=0.0, high=0.5, step=0.01, unit="%"),
            slider("rate_hz", "rate of the wobble", 2.0, low=0.5, high=10.0, step=0.1, unit="Hz"),
        ),
        question="Do longer pieces find the delay better, with a wobble and without?",
        legend="Above: line, the delay that the tape really makes; dots, what each piece finds. Below: dots, "
        "the error of each piece; level line, their rms.",
        alt="Two charts over time in s. Above: delay in ms, a sine with a dot for each of 20 pieces. Below: "
        "error of each piece in microseconds on a logarithmic scale, and a level line for their rms.",
    )  # fmt: skip


def _build_pieces(figure, profile):
    """Draw the axes; the deck's usual delay is in the middle."""
    delay_ms = from_si(_usual_delay(), "ms")
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
    style.dress(above, profile, y="delay (ms)")
    style.dress(below, profile, x="time (s)", y="error (µs)")
    above.set(xlim=(0.3, SECONDS), ylim=(delay_ms - 1.7, delay_ms + 1.7))
    above.tick_params(labelbottom=False)
    below.set(yscale="log", ylim=(FAINTEST_US, LARGEST_US), yticks=(0.1, 1, 10, 100, 1000))
    below.set_yticklabels(["0.1", "1", "10", "100", "1000"])
    below.minorticks_off()
    dots = {"linestyle": "none", "marker": "o", "markersize": 2 * profile.line_pt + 1, "zorder": 4}

    def line(axes, index, **look):
        return axes.plot([], [], **(style.line_style(profile, index) | look))[0]

    return {
        "true": line(above, 0),
        "found": line(above, 1, **dots),
        "errors": line(below, 1, **dots),
        "rms": line(below, 2),
    }


def _update_pieces(artists, piece_ms, snr_db, wobble_percent, rate_hz):
    """Make the echo, look for each piece in it, and compare with the truth."""
    wobble, nominal = to_si(wobble_percent, "percent"), _usual_delay()
    coarse = np.linspace(0, SECONDS, 1001)
    true = fluttered_delay(coarse, wobble, rate_hz, nominal)
    time = np.arange(int(SECONDS * RATE)) / RATE
    dry, read, hiss = _sounds()
    played = read(time - np.interp(time, coarse, true)) + 10 ** (-snr_db / 20) * hiss
    found = _find(dry, played, round(to_si(piece_ms, "ms") * RATE), nominal)
    heard = STARTS + found
    errors = found - fluttered_delay(heard, wobble, rate_hz, nominal)
    rms = float(np.sqrt(np.mean(errors**2)))
    artists["true"].set_data(coarse, from_si(true, "ms"))
    artists["found"].set_data(heard, from_si(found, "ms"))
    artists["errors"].set_data(heard, np.clip(from_si(np.abs(errors), "us"), FAINTEST_US, LARGEST_US))
    artists["rms"].set_data([0.3, SECONDS], [from_si(rms, "us")] * 2)
    mean = from_si(float(np.mean(found)), "ms")
    spread = from_si(2 * float(np.std(found)) / math.sqrt(len(found)), "ms")
    return (
        f"Pieces of {piece_ms:.3g} ms find the delay: single ones are off by {_in_us(rms)} rms.",
        [
            ("the worst piece is off by", _in_us(np.max(np.abs(errors)))),
            ("the delay swings by", f"{from_si(float(np.ptp(true)), 'us'):.0f} µs"),
            ("mean of all pieces", with_uncertainty(mean, max(spread, 1e-4), "ms")),
        ],
    )


def _in_us(time):
    """A time in microseconds with two digits."""
    rounded = float(f"{from_si(float(time), 'us'):.2g}")
    return f"{rounded:g} \N{MICRO SIGN}s"


def _usual_delay():
    """The bench deck's delay at its fast speed."""
    machine = example_machine()
    return machine.delays(machine.speeds[0])[0]


@cache
def _sounds():
    """Noise from 100 Hz to 4 kHz, a function that reads it anywhere, and hiss, both of rms 1."""
    from scipy.interpolate import CubicSpline

    count = int(SECONDS * RATE)
    rng = np.random.default_rng(8)
    spectrum = np.fft.rfft(rng.standard_normal(count))
    frequency = np.fft.rfftfreq(count, 1 / RATE)
    spectrum[(frequency < 100) | (frequency > 4000)] = 0
    dry = np.fft.irfft(spectrum, count)
    dry /= dry.std()
    return dry, CubicSpline(np.arange(count) / RATE, dry), rng.standard_normal(count)


def _find(dry, played, length, nominal):
    """Delay of each piece: the peak of its correlation with the echo, refined by a parabola."""
    reach, lag = round(REACH * RATE), round(nominal * RATE)
    begins = np.round(STARTS * RATE).astype(int) - length // 2
    pieces = dry[begins[:, None] + np.arange(length)]
    echo = played[begins[:, None] + np.arange(lag - reach, lag + reach + length)]
    size = 2 ** math.ceil(math.log2(length + 2 * reach))
    product = np.conj(np.fft.rfft(pieces, size)) * np.fft.rfft(echo, size)
    match = np.fft.irfft(product, size)[:, : 2 * reach + 1]
    top = np.clip(np.argmax(match, axis=1), 1, 2 * reach - 1)
    left, peak, right = (match[np.arange(len(top)), top + step] for step in (-1, 0, 1))
    return (lag - reach + top + 0.5 * (left - right) / (left - 2 * peak + right)) / RATE


_DECK = example_machine()
_FAST, _SLOW = _DECK.speeds

#: The prediction: how well a ruler and a perfect delay tell the speed.
_of_ruler = 100 * 0.5 / 41.5
first_guess = Exercise(
    _of_ruler,
    "%",
    (0.5, "That is the ruler's error in millimeters. What share of the spacing is it?"),
    (lambda percent: percent < 0.1, "The delay is that exact; but the speed needs the spacing as well."),
    hint="Speed is spacing over delay. One of the two is known far worse than the other.",
    tolerance_percent=15,
)

#: Speed from ruler and delay.
_speed_ips = from_si(speed_from_delay(to_si(204, "ms"), to_si(38.1, "mm")), "ips")
speed = Exercise(
    _speed_ips,
    "ips",
    (7.5, "That is what the switch says, and it is what you are measuring."),
    (38.1 / 204 * 10, "Millimeters over milliseconds are meters a second; an inch is 25.4 millimeters."),
    (
        from_si(speed_from_delay(to_si(38.1, "ms"), to_si(204, "mm")), "ips"),
        "Speed is spacing over delay, not delay over spacing.",
    ),
    hint="Speed is spacing over delay; then from millimeters per second to inches per second.",
    tolerance_percent=0.3,
)

#: How well a stopwatch tells a speed.
_time = 10 / _FAST
_watch_percent = 100 * math.hypot(0.2 / _time, 1e-3)
stopwatch = Exercise(
    _watch_percent,
    "%",
    (
        100 * (0.2 / _time + 1e-3),
        "You added the shares; errors that know nothing of each other add like legs of a right triangle.",
    ),
    (20 / _time, "That is the thumb alone; the marks have a share, too."),
    (2.0, "A fifth of a second is 0.2 seconds of 52.5, not of 10."),
    hint="How long do 10 m take? Then 0.2 seconds as a share of it; the two shares are legs of a triangle.",
    tolerance_percent=2,
)

#: Two tools together.
_together = 1 / math.hypot(1 / 1.2, 1 / 0.4)
together = Exercise(
    _together,
    "%",
    (0.8, "A plain mean lets the bad tool spoil the good one; weights are 1 over the error squared."),
    (math.hypot(1.2, 0.4), "That is how errors of a chain add. Here two tools measure the same thing."),
    (0.4, "Close: but the ruler helps a little."),
    (1 / (1 / 1.44 + 1 / 0.16), "That is the square; take its root."),
    hint="One over the square of the error is a weight, and weights add.",
)

#: What a low pass reads as.
_lag_um = from_si(spacing_from_delay(to_si(32, "us"), _SLOW), "um")
lag = Exercise(
    _lag_um,
    "um",
    (from_si(spacing_from_delay(to_si(32, "us"), _FAST), "um"), "That is at the fast speed."),
    (_lag_um / 1000, "That is in millimeters."),
    (32.0, "Microseconds are not micrometers: how far does the tape run in them?"),
    hint="How far does the tape run in 32 millionths of a second?",
)

#: Delays that a steady tone cannot tell apart.
_period_ms = from_si(1 / FLUTTER_TONE, "ms")
tone = Exercise(
    _period_ms,
    "ms",
    (FLUTTER_TONE / 1000, "That is how many waves there are in a millisecond."),
    (from_si(delay_from_spacing(_DECK.spacings[0], _FAST), "ms"), "That is the deck's delay itself."),
    (_period_ms / 2, "Half a wave later the tone is upside down: a correlation sees the sign."),
    hint="How long is one wave of the tone?",
)

#: The machine's own wobble behind a reading.
_sine = abs(math.sin(math.pi * 1.6 * _DECK.delays(_FAST)[0]))
_own_percent = from_si(depth_from_repeat(0.0016, 1.6, _DECK.delays(_FAST)[0]), "percent")
own = Exercise(
    _own_percent,
    "%",
    (0.16, "That is as read: the recording and the playback both wobbled."),
    (0.08, "Twice is the most; at this rate and delay the factor is a bit less."),
    (0.16 * 2 * _sine, "Divide by the factor, do not multiply."),
    (0.16 / _sine, "The two in front of the sine is missing."),
    hint="As read it is 2 m |sin(pi fm T)|; solve for m.",
)
