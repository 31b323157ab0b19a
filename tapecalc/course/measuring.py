"""What ruler and stopwatch tell, and how long a piece of sound to compare."""

import math
from collections.abc import Callable
from functools import cache
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from tapecalc import words
from tapecalc.calc import flutter, standards, transport
from tapecalc.calc.units import from_si, to_si
from tapecalc.course.deck import DECK, FAST, SLOW
from tapecalc.course.exercise import Exercise, Guess
from tapecalc.course.panel import Answer, Artists, Floats, Panel, chart, empty_line, slider
from tapecalc.measuring import Delay, Estimate, Geometry, Ruler, Stopwatch, solve_geometry
from tapecalc.plot import style

MARKS = 1e-3  # how exactly a length of tape is marked, a share of it (common practice, no source)
SHOWN_MM, SHOWN_CM_S = 2.5, 1.2  # about the deck's own figures
RATE = 32_000  # samples a second
SECONDS = 2.5
STARTS = np.arange(0.15, 2.1, 0.1)  # middles of the pieces, s
REACH = to_si(1.6, "ms")  # how far from the usual delay is looked
FAINTEST_US, LARGEST_US = 0.1, 2000.0
USUAL = DECK.delays(FAST)[0]


# ---- what each tool tells ----


def tools_panel() -> Panel:
    """Return the panel of head spacing and tape speed: delay, ruler and stopwatch, and all together.

    The delay allows a slanted line, the ruler an upright band, the stopwatch a level one; the ellipse
    is what all three leave. Source: JCGM 100:2008 (GUM).

    >>> print(tools_panel().readout)
    Delay, ruler and stopwatch together: heads 41.50 mm +/- 0.27 mm apart, tape at 19.05 cm/s +/- 0.13 cm/s.
    The stopwatch tells more.
    """
    return Panel(
        "ruler_and_stopwatch",
        _build_tools,
        _update_tools,
        slider("ruler_mm", "ruler +/-", 0.5, low=0.1, high=2.0, step=0.05, unit="mm"),
        slider("length_m", "marked tape", 5.0, low=1.0, high=30.0, step=0.5, unit="m"),
        slider("thumb_s", "stopwatch +/-", 0.2, low=0.05, high=0.5, step=0.05, unit="s"),
        slider("delay_us", "delay +/-", 50.0, low=1.0, high=4000.0, step=0.1, unit="µs", log=True),
        question="From which length of tape on does the stopwatch tell more than the ruler?",
        legend="Slanted strip: pairs that give the delay. Upright band: what the ruler allows. Level band: "
        "what the stopwatch allows. Ellipse: what all together leave; dot: the best pair.",
        alt="Chart of tape speed in cm/s over head spacing in mm: a slanted strip for the delay, an upright "
        "band for the ruler, a level band for the stopwatch, and a small ellipse where they cross.",
    )


def _build_tools(figure: Figure, profile: style.Profile) -> Artists:
    """Draw the axes and the shapes that will move."""
    mm, cm_s = from_si(DECK.spacings[0], "mm"), from_si(FAST, "cm_s")
    axes = style.style_axes(figure.subplots(), profile, x="head spacing (mm)", y="tape speed (cm/s)")
    axes.set(xlim=(mm - SHOWN_MM, mm + SHOWN_MM), ylim=(cm_s - SHOWN_CM_S, cm_s + SHOWN_CM_S))
    return {
        "ruler": empty_line(axes, profile, 1),
        "stopwatch": empty_line(axes, profile, 2),
        "delay": empty_line(axes, profile, 3),
        "ellipse": empty_line(axes, profile, 0, linewidth=1.6 * profile.line_pt),
        "best": empty_line(axes, profile, 0, linestyle="none", marker="o"),
    }


def _update_tools(
    artists: Artists, ruler_mm: float, length_m: float, thumb_s: float, delay_us: float
) -> Answer:
    """Solve for spacing and speed with each tool and with both, and draw what they allow."""
    spacing = DECK.spacings[0]
    delay = Delay(Estimate(spacing / FAST, to_si(delay_us, "us"), "s"))
    ruler = Ruler(Estimate(spacing, to_si(ruler_mm, "mm"), "m"))
    watch = Stopwatch(Estimate(length_m, MARKS * length_m, "m"), Estimate(length_m / FAST, thumb_s, "s"))
    both = solve_geometry([delay, ruler, watch])
    found = (both, solve_geometry([delay, ruler]), solve_geometry([delay, watch]))
    (d, v), (ruled_d, ruled_v), (timed_d, timed_v) = map(_found, found)
    center = np.array([from_si(d.value, "mm"), from_si(v.value, "cm_s")])
    artists["ruler"].set_data(*_band(center[0], ruler_mm))
    artists["stopwatch"].set_data(*_band(center[1], from_si(timed_v.plus_minus, "cm_s"))[::-1])
    artists["delay"].set_data(*_strip(center, delay.delay))
    artists["ellipse"].set_data(*_ellipse(both, center))
    artists["best"].set_data([center[0]], [center[1]])
    better = "stopwatch" if timed_v.plus_minus < ruled_v.plus_minus else "ruler"
    told = f"heads {d.text('mm')} apart, tape at {v.text('cm_s')}. The {better} tells more."
    return f"Delay, ruler and stopwatch together: {told}", {
        "with the ruler alone": f"{ruled_d.text('mm')}; {ruled_v.text('cm_s')}",
        "with the stopwatch alone": f"{timed_d.text('mm')}; {timed_v.text('cm_s')}",
        "with the delay alone": "only spacing over speed, the slanted strip",
    }


def _found(geometry: Geometry) -> tuple[Estimate, Estimate]:
    """Spacing and speed, which two observations always tell."""
    spacing, speed = geometry.spacings[0], geometry.speeds[0]
    assert spacing is not None and speed is not None
    return spacing, speed


def _band(center: float, half: float) -> tuple[Floats, Floats]:
    """The two edges of an upright band as one line, joined far outside the picture."""
    edges = center + half * np.array([-1.0, -1.0, 1.0, 1.0])
    return edges, np.array([-1e3, 1e3, 1e3, -1e3])


def _strip(center: Floats, delay: Estimate) -> tuple[Floats, Floats]:
    """The two edges of the strip of pairs that give a delay, joined outside the picture."""
    spacing = center[0] + np.array([-50.0, 50.0, 50.0, -50.0]) * 0.5
    ratio = center[1] / center[0] * delay.value
    edges = delay.value + delay.plus_minus * np.array([-1.0, -1.0, 1.0, 1.0])
    return spacing, ratio * spacing / edges


def _ellipse(geometry: Geometry, center: Floats) -> Floats:
    """Outline whose shadows on both axes are the 95 % intervals."""
    values, vectors = np.linalg.eigh(geometry.covariance[:2, :2])
    reach = 2.0 * np.sqrt(np.maximum(values, 0))
    around = np.linspace(0, 2 * math.pi, 121)
    offsets = vectors @ (reach[:, None] * np.array([np.cos(around), np.sin(around)]))
    return center[:, None] * (1 + offsets)


# ---- how long a piece to compare ----


def pieces_panel() -> Panel:
    """Return the panel that looks for 20 pieces of noise in their echo, and compares with the truth.

    >>> panel = pieces_panel()
    >>> panel.set(wobble_percent=0.0, snr_db=60)
    >>> panel.readout.partition(":")[0]
    'Pieces of 20 ms find the delay'
    """
    return Panel(
        "pieces_of_sound",
        _build_pieces,
        _update_pieces,
        slider("piece_ms", "length of a piece", 20.0, low=5.0, high=200.0, step=0.02, unit="ms", log=True),
        slider("snr_db", "signal over noise", 40.0, low=0.0, high=60.0, step=1.0, unit="dB"),
        slider("wobble_percent", "wobble of the speed", 0.2, low=0.0, high=0.5, step=0.01, unit="%"),
        slider("rate_hz", "rate of the wobble", 2.0, low=0.5, high=10.0, step=0.1, unit="Hz"),
        question="Do longer pieces find the delay better, with a wobble and without?",
        legend="Above: line, the delay that the tape really makes; dots, what each piece finds. Below: dots, "
        "the error of each piece; level line, their rms.",
        alt="Two charts over time in s. Above: delay in ms, a sine with a dot for each of 20 pieces. Below: "
        "error of each piece in microseconds on a logarithmic scale, and a level line for their rms.",
    )


def _build_pieces(figure: Figure, profile: style.Profile) -> Artists:
    """Draw the axes; the deck's usual delay is in the middle."""
    delay_ms = from_si(USUAL, "ms")
    above, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
    ends = (delay_ms - 1.7, delay_ms + 1.7)
    chart(above, profile, y="delay (ms)", xlim=(0.3, SECONDS), ylim=ends).tick_params(labelbottom=False)
    chart(below, profile, x="time (s)", y="error (µs)", yscale="log", ylim=(FAINTEST_US, LARGEST_US))
    below.set_yticks((0.1, 1, 10, 100, 1000), ["0.1", "1", "10", "100", "1000"])
    below.minorticks_off()
    size = 2 * profile.line_pt + 1
    dots: dict[str, Any] = {"linestyle": "none", "marker": "o", "markersize": size, "zorder": 4}
    return {
        "true": empty_line(above, profile, 0),
        "found": empty_line(above, profile, 1, **dots),
        "errors": empty_line(below, profile, 1, **dots),
        "rms": empty_line(below, profile, 2),
    }


def _update_pieces(
    artists: Artists, piece_ms: float, snr_db: float, wobble_percent: float, rate_hz: float
) -> Answer:
    """Make the echo, look for each piece in it, and compare with the truth."""
    wobble = to_si(wobble_percent, "percent")
    coarse = np.linspace(0, SECONDS, 1001)
    true = flutter.fluttered_delay(coarse, wobble, rate_hz, USUAL)
    time = np.arange(int(SECONDS * RATE)) / RATE
    dry, read, hiss = _sounds()
    played = read(time - np.interp(time, coarse, true)) + 10 ** (-snr_db / 20) * hiss
    found = _find(dry, played, round(to_si(piece_ms, "ms") * RATE))
    heard = STARTS + found
    errors = found - flutter.fluttered_delay(heard, wobble, rate_hz, USUAL)
    rms = float(np.sqrt(np.mean(errors**2)))
    artists["true"].set_data(coarse, from_si(true, "ms"))
    artists["found"].set_data(heard, from_si(found, "ms"))
    artists["errors"].set_data(heard, np.clip(from_si(np.abs(errors), "us"), FAINTEST_US, LARGEST_US))
    artists["rms"].set_data([0.3, SECONDS], [from_si(rms, "us")] * 2)
    mean_ms = from_si(float(np.mean(found)), "ms")
    spread_ms = from_si(2 * float(np.std(found)) / math.sqrt(len(found)), "ms")
    told = f"Pieces of {piece_ms:.3g} ms find the delay: single ones are off by {_two_digits(rms)} rms."
    return told, {
        "the worst piece is off by": _two_digits(np.max(np.abs(errors))),
        "the delay swings by": f"{from_si(float(np.ptp(true)), 'us'):.0f} µs",
        "mean of all pieces": words.with_uncertainty(mean_ms, max(spread_ms, 1e-4), "ms"),
    }


def _two_digits(time: float) -> str:
    """A time in microseconds with two digits."""
    return f"{float(format(from_si(float(time), 'us'), '.2g')):g} µs"


@cache
def _sounds() -> tuple[Floats, Callable[[Floats], Floats], Floats]:
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


def _find(dry: Floats, played: Floats, length: int) -> Floats:
    """Delay of each piece: the peak of its correlation with the echo, refined by a parabola."""
    reach, lag = round(REACH * RATE), round(USUAL * RATE)
    begins = np.round(STARTS * RATE).astype(int) - length // 2
    pieces = dry[begins[:, None] + np.arange(length)]
    echo = played[begins[:, None] + np.arange(lag - reach, lag + reach + length)]
    size = 2 ** math.ceil(math.log2(length + 2 * reach))
    product = np.conj(np.fft.rfft(pieces, size)) * np.fft.rfft(echo, size)
    match = np.fft.irfft(product, size)[:, : 2 * reach + 1]
    top = np.clip(np.argmax(match, axis=1), 1, 2 * reach - 1)
    left, peak, right = (match[np.arange(len(top)), top + step] for step in (-1, 0, 1))
    return (lag - reach + top + 0.5 * (left - right) / (left - 2 * peak + right)) / RATE


# ---- exercises ----

#: The prediction: how well a ruler and a perfect delay tell the speed.
first_guess = Guess(100 * 0.5 / 41.5, "%", tolerance_percent=15).hints(
    "Speed is spacing over delay. One of the two is known far worse than the other.",
    (0.5, "That is the ruler's error in millimeters. What share of the spacing is it?"),
    ((None, 0.1), "The delay is that exact; but the speed needs the spacing as well."),
)

#: Speed from ruler and delay.
_speed_ips = from_si(transport.speed_from_delay(to_si(204, "ms"), to_si(38.1, "mm")), "ips")
speed = Exercise(_speed_ips, "ips", tolerance_percent=0.3).hints(
    "Speed is spacing over delay; then from millimeters per second to inches per second.",
    (7.5, "That is what the switch says, and it is what you are measuring."),
    (38.1 / 204 * 10, "Millimeters over milliseconds are meters a second; an inch is 25.4 millimeters."),
    (from_si(204 / 38.1, "ips"), "Speed is spacing over delay, not delay over spacing."),
)

#: How well a stopwatch tells a speed.
_time = 10 / FAST
_sum = 100 * (0.2 / _time + 1e-3)
stopwatch = Exercise(100 * math.hypot(0.2 / _time, 1e-3), "%", tolerance_percent=2).hints(
    "How long do 10 m take? Then 0.2 seconds as a share of it; the two shares are legs of a triangle.",
    (_sum, "You added the shares; errors that know nothing of each other add like legs of a right triangle."),
    (20 / _time, "That is the thumb alone; the marks have a share, too."),
    (2.0, "A fifth of a second is 0.2 seconds of 52.5, not of 10."),
)

#: Two tools together.
together = Exercise(1 / math.hypot(1 / 1.2, 1 / 0.4), "%").hints(
    "One over the square of the error is a weight, and weights add.",
    (0.8, "A plain mean lets the bad tool spoil the good one; weights are 1 over the error squared."),
    (math.hypot(1.2, 0.4), "That is how errors of a chain add. Here two tools measure the same thing."),
    (0.4, "Close: but the ruler helps a little."),
    (1 / (1 / 1.44 + 1 / 0.16), "That is the square; take its root."),
)

#: What a low pass reads as.
_lag_um = from_si(transport.spacing_from_delay(to_si(32, "us"), SLOW), "um")
lag = Exercise(_lag_um, "um").hints(
    "How far does the tape run in 32 millionths of a second?",
    (from_si(transport.spacing_from_delay(to_si(32, "us"), FAST), "um"), "That is at the fast speed."),
    (_lag_um / 1000, "That is in millimeters."),
    (32.0, "Microseconds are not micrometers: how far does the tape run in them?"),
)

#: Delays that a steady tone cannot tell apart.
_period_ms = from_si(1 / standards.FLUTTER_TONE, "ms")
tone = Exercise(_period_ms, "ms").hints(
    "How long is one wave of the tone?",
    (standards.FLUTTER_TONE / 1000, "That is how many waves there are in a millisecond."),
    (from_si(transport.delay_from_spacing(DECK.spacings[0], FAST), "ms"), "That is the deck's delay itself."),
    (_period_ms / 2, "Half a wave later the tone is upside down: a correlation sees the sign."),
)

#: The machine's own wobble behind a reading.
_sine = abs(math.sin(math.pi * 1.6 * DECK.delays(FAST)[0]))
own = Exercise(from_si(flutter.depth_from_repeat(0.0016, 1.6, DECK.delays(FAST)[0]), "percent"), "%").hints(
    "As read it is 2 m |sin(pi fm T)|; solve for m.",
    (0.16, "That is as read: the recording and the playback both wobbled."),
    (0.08, "Twice is the most; at this rate and delay the factor is a bit less."),
    (0.16 * 2 * _sine, "Divide by the factor, do not multiply."),
    (0.16 / _sine, "The two in front of the sine is missing."),
)
