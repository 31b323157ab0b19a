"""The panels about wavelength, standards and passes say what the library reckons."""

from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from mirrors import in_page, mirrored, places
from panel_runs import assert_drawn, controls_of, drawn_settings, heard, reckoned, signed, told_at

from tapecalc import words
from tapecalc.calc import levels, response, standards, transport
from tapecalc.calc.units import to_si
from tapecalc.course.wavelength import FACTS
from tapecalc.machine import example_machine
from tapecalc.sound.loudness import loudness_lufs

DECK = example_machine()
CONTACT = DECK.one_pass(DECK.speeds[0]).today
GRID = np.geomspace(20, 20e3, 300)


told = partial(told_at, "wavelength", FACTS)


def decibels(value):
    """A level without a plus, and no minus before a zero."""
    return f"{round(value, 1) + 0.0:.1f} dB"


# ---- what the library says ----


def pattern(frequency_khz, speed_ips, gap_um, moved_percent):
    """The sentence and the rows of the tone on tape."""
    frequency, speed, gap = to_si(frequency_khz, "khz"), to_si(speed_ips, "ips"), to_si(gap_um, "um")
    long = response.wavelength(frequency, speed)
    span = standards.DEFAULT_GAP_FACTOR * gap
    # Source: definition of the mean of a wave over a length.
    average = np.sinc(span / long) * np.cos(2 * np.pi * moved_percent / 100)
    full = f"{10 ** (response.gap_loss_db(frequency, speed, gap) / 20):.2f}"
    lost = f"{-response.gap_loss_db(frequency, speed, gap):.1f} dB lost"
    wave = words.amount(long, "um", ".4g")
    sentence = (
        f"{frequency_khz:.3g} kHz at {words.speed(speed)} is {wave} long, and the gap spans "
        f"{100 * span / long:.0f} % of that. Its average is {signed(average, 2)} now, and never more than "
        f"{full} of full: {'nothing is left' if full == '0.00' else lost}."
    )
    return sentence, {
        "wavelength": wave,
        "effective gap": words.amount(span, "um", ".2f"),
        "average now": signed(average, 2),
        "first tone canceled": words.amount(response.gap_null_frequency(speed, gap), "khz", ".1f"),
    }


def contact(speed_ips, gap_um, separation_um, coating_um, tilt_arcmin):
    """The sentence and the rows of the four losses."""
    speed, tilt = to_si(speed_ips, "ips"), to_si(tilt_arcmin, "arcmin")
    gap, away, depth = (to_si(um, "um") for um in (gap_um, separation_um, coating_um))
    moved = replace(CONTACT, gap=gap, separation=away, coating_thickness=depth, azimuth_angle=tilt)
    at = {
        "thickness": response.thickness_loss_db(1e4, speed, depth, surface_share=CONTACT.surface_share),
        "spacing": response.spacing_loss_db(1e4, speed, away),
        "gap": response.gap_loss_db(1e4, speed, gap),
        "azimuth": response.azimuth_loss_db(1e4, speed, CONTACT.track_width, tilt),
    }
    worst = min(at, key=lambda name: at[name])
    at["sum"] = response.contact_loss_db(1e4, speed, moved)
    bare = response.OnePass(speed=speed, today=moved, aligned=moved, boost_db=0, low_cut=0)
    down = words.frequency(response.bandwidth(bare)[1], 2)
    gives = response.coating_output_db([100.0, 1e4], speed, depth, CONTACT.coating_thickness)
    sentence = (
        f"10 kHz at {words.speed(speed)} loses {-at['sum']:.1f} dB, most of it to the {worst} "
        f"({-at[worst]:.1f} dB). Without an equalizer the sum is down 3 dB at {down}."
    )
    rows = {f"{name} at 10 kHz": decibels(level) for name, level in at.items()}
    rows["this coating gives, at 100 Hz"] = words.level(gives[0])
    rows["this coating gives, at 10 kHz"] = words.level(gives[1])
    return sentence, rows


def equalization(recorded, played):
    """The sentence and the rows of two standards."""
    on_tape, corrected = standards.equalization(recorded), standards.equalization(played)
    (bass, flux), (less, back) = (
        response.equalization_db([50.0, 1e4], one.tau_high, one.tau_low) for one in (on_tape, corrected)
    )
    names = f"to {recorded}, played to {played}" if recorded != played else f"and played to {played}"
    result = f"50 Hz comes out {words.level(bass - less)}, 10 kHz {words.level(flux - back)}"
    if on_tape[2:4] == corrected[2:4]:
        result = "every frequency comes out as it went in"
    return f"Recorded {names}: {result}. The tape itself holds 10 kHz at {decibels(flux)}.", {
        "flux on tape at 10 kHz": words.level(flux),
        "correction at 10 kHz": words.level(-back),
        "result at 10 kHz": words.level(flux - back),
    }


def passes(speed_ips, passes, separation_um, boost_db, bumps):
    """The sentence and the rows of many passes."""
    speed = to_si(speed_ips, "ips")
    even = DECK.one_pass(speed, pole_shape="flat")
    worn = replace(even.today, separation=to_si(separation_um, "um"))
    even = replace(even, today=worn, boost_db=boost_db)
    bumped = replace(even, pole_shape=FACTS["bumps"][bumps])
    of_one, of_last = (
        " to ".join(words.frequency(edge, 2) for edge in response.bandwidth(even, passes=count))
        for count in (1, passes)
    )
    keeps = f"At {words.speed(speed)} one pass keeps {of_one} within 3 dB"
    bump_db = passes * np.max(bumped.level_db(GRID) - even.level_db(GRID))
    return f"{keeps}." if passes == 1 else f"{keeps}, pass {passes} keeps {of_last}.", {
        f"10 kHz after {passes}": decibels(response.repeat_level_db(bumped, 1e4, passes)),
        f"the highest bump after {passes}": words.level(bump_db),
        f"hiss after {passes}, each adding the same": words.level(levels.sum_power_db(np.zeros(passes))),
        "delay of one pass": words.amount(transport.delay_from_spacing(DECK.spacings[0], speed), "ms"),
        "the reel lasts": words.amount(transport.run_time(DECK.tape.length_m, speed), "min"),
    }


#: Each panel, and what the library says for it.
PANELS = {
    "patternPanel": pattern,
    "contactPanel": contact,
    "equalizationPanel": equalization,
    "passesPanel": passes,
}


@pytest.mark.parametrize("panel", PANELS)
def test_sentence_and_rows_are_the_librarys(panel):
    controls = controls_of("wavelength", panel, FACTS)
    settings = drawn_settings(controls, 150, 17)
    for setting in settings:
        if "passes" in setting:
            setting["passes"] = int(setting["passes"])
    found = reckoned("wavelength", panel, FACTS, settings)
    assert len(settings) >= 150
    for setting, one in zip(settings, found, strict=True):
        assert (one["sentence"], dict(one["rows"])) == PANELS[panel](**setting), setting


@pytest.mark.parametrize("panel", PANELS)
def test_pictures_hold_at_every_end(panel):
    assert_drawn("wavelength", panel, FACTS)


def test_a_frequency_is_written_as_the_library_writes_it():
    rows = [(value, 2) for (value,) in places([(0.01, 1e6)], 4)] + [(999.6, 2), (994.9, 2), (1.44e3, 2)]
    found = in_page("wavelength", ["hertzText"], {"hertzText": rows})["hertzText"]
    assert found == [words.frequency(*row) for row in rows]
    assert mirrored("hertzText", "wavelength") is words.frequency


# ---- each panel's question ----


@pytest.mark.parametrize(
    ("panel", "setting", "answer"),
    [
        # By hand: 190.5 mm/s by 20 kHz are 9.525 um, by 1.11 a gap of 8.58 um.
        (
            "patternPanel",
            {"frequency_khz": 20, "gap_um": 8.6},
            "never more than 0.00 of full: nothing is left.",
        ),
        (
            "patternPanel",
            {"frequency_khz": 20, "gap_um": 8.6, "moved_percent": 25},
            "never more than 0.00 of full: nothing is left.",
        ),
        ("contactPanel", {}, "most of it to the thickness (15.0 dB)"),
        ("contactPanel", {"separation_um": 5, "coating_um": 8}, "most of it to the spacing"),
        ("equalizationPanel", {"recorded": "NAB 7.5 ips", "played": "NAB 15 ips"}, "as it went in"),
        (
            "equalizationPanel",
            {"recorded": "DIN 3.75 ips 1962", "played": "Cassette type I"},
            "as it went in",
        ),
        ("passesPanel", {}, "pass 8 keeps 120 Hz to 3.2 kHz."),
        ("passesPanel", {"speed_ips": 15}, "pass 8 keeps 120 Hz to 5.9 kHz."),
        ("passesPanel", {"separation_um": 0.5}, "pass 8 keeps 130 Hz to 11 kHz."),
        ("passesPanel", {"boost_db": 36}, "pass 8 keeps 120 Hz to 3.2 kHz."),
    ],
)
def test_a_setting_answers_the_question(panel, setting, answer):
    assert answer in told(panel, **setting)["sentence"]


# ---- by hand ----


def test_the_pattern_has_the_wavelength_that_the_sentence_says():
    # Source: definition; the textbook example of 15 kHz at 7.5 ips: 12.7 um.
    assert told("patternPanel", frequency_khz=15)["table"]["wavelength"] == "12.7 µm"


def test_the_bar_is_the_mean_of_the_pattern_inside_the_gap():
    found = told("patternPanel", frequency_khz=8, speed_ips=3.75, gap_um=6, moved_percent=15)
    fine = np.linspace(-3.33e-6, 3.33e-6, 2001)
    mean = np.trapezoid(np.cos(2 * np.pi * (fine * 8000 / 0.09525 - 0.15)), fine) / 6.66e-6
    assert found["average"] == pytest.approx(mean, abs=1e-6)


def test_the_rings_stand_at_the_largest_average_and_the_loss_is_its_level():
    found = told("patternPanel", gap_um=6.3)
    # Source: the row of the published loss 6.35 um, 10 kHz, 19.05 cm/s, here for 6.3 um.
    assert 20 * np.log10(found["largest"]) == pytest.approx(-2.019, abs=2e-3)
    assert "2.0 dB lost" in found["sentence"]


def test_a_gap_as_long_as_a_wave_reads_nothing_wherever_the_tape_stands():
    null_khz = 3.75 * 0.0254 / (1.11 * 10e-6) / 1000  # 8.6 kHz, with the longest gap
    for moved in (0, 20, 45):
        found = told("patternPanel", frequency_khz=null_khz, speed_ips=3.75, gap_um=10, moved_percent=moved)
        assert found["average"] == pytest.approx(0, abs=1e-9)
        assert "Its average is +0.00 now" in found["sentence"]
    assert found["table"]["first tone canceled"] == "8.6 kHz"


def test_beyond_the_null_the_average_has_turned_around():
    found = told("patternPanel", frequency_khz=12, speed_ips=3.75, gap_um=10)
    assert found["average"] < 0 and "nothing" not in found["sentence"]


def test_each_curve_is_its_loss_and_the_sum_is_their_sum():
    found = told("contactPanel", speed_ips=3.75, gap_um=3, separation_um=2, coating_um=5, tilt_arcmin=12)
    lines = {line["name"]: np.array(line["levels"]) for line in found["lines"]}
    total = lines.pop("sum")
    assert np.sum(list(lines.values()), axis=0) == pytest.approx(total)
    # Source: 54.575 dB for each wavelength of distance (Wallace 1951).
    assert lines["spacing"] == pytest.approx(-54.5751 * 2e-6 * GRID / 0.09525, abs=1e-3)


def test_nothing_but_the_coating_is_left_when_three_sliders_stand_at_zero():
    found = told("contactPanel", gap_um=0, separation_um=0, coating_um=10, tilt_arcmin=0)
    assert all(not any(line["levels"]) for line in found["lines"] if line["name"] not in ("thickness", "sum"))
    # By hand: x = 2 pi 10 / 19.05 = 3.2983; even (1 - e^-x)/x = 0.29199, rising (1 - (1 + x) e^-x)/x^2 =
    # 0.07732; (0.2 x 0.29199 + 0.8 x 0.07732) / 0.6 = 0.20042, -13.96 dB.
    assert found["table"]["sum at 10 kHz"] == "-14.0 dB"
    assert "most of it to the thickness (14.0 dB)" in found["sentence"]


def test_a_thin_coating_gives_less_bass_and_no_more_treble():
    thin = told("contactPanel", coating_um=4.5)["table"]
    assert thin["this coating gives, at 100 Hz"] == "-7.7 dB"  # 20 log10(4.5/11) = -7.76, and 0.1 less lost
    assert thin["this coating gives, at 10 kHz"] == "-2.0 dB"  # x = 1.4842: 0.77331 / 0.97344, -2.0 dB
    thick = told("contactPanel", coating_um=20)["table"]
    assert thick["this coating gives, at 10 kHz"] == "+0.2 dB"  # nearly nothing more from below


def test_half_the_speed_has_half_the_reach():
    # By hand at 1.4 kHz and 7.5 ips: 0.0808 coatings and 0.00735 distances per wave, 2.63 and 0.40 dB.
    fast, slow = (told("contactPanel", speed_ips=ips)["sentence"] for ips in (15, 7.5))
    assert fast.endswith("down 3 dB at 2.8 kHz.") and slow.endswith("down 3 dB at 1.4 kHz.")


def test_nab_played_as_iec_is_bright_by_the_published_curves():
    found = told("equalizationPanel", recorded="NAB 15 ips", played="IEC1 15 ips")
    # Source: IEC 60094-1 clause 15: at 10 kHz -10.362 dB for 50 us and -7.661 dB for 35 us.
    assert np.interp(10e3, GRID, found["result"]) == pytest.approx(-10.362 + 7.661, abs=2e-3)
    assert "50 Hz comes out +3.0 dB, 10 kHz -2.7 dB" in found["sentence"]


@pytest.mark.parametrize("name", standards.EQUALIZATIONS)
def test_a_standard_undoes_itself(name):
    found = told("equalizationPanel", recorded=name, played=name)
    assert found["result"] == pytest.approx([0] * 300, abs=1e-12)
    assert "as it went in" in found["sentence"] and found["table"]["result at 10 kHz"] == "+0.0 dB"


def test_clean_heads_lose_treble_only_by_their_tilt_and_beyond_the_boost():
    found = told("passesPanel", separation_um=0.5, boost_db=36, passes=12)
    # Source: first-order high pass at 40 Hz; sin(y)/y, y = pi W tan(3 arcmin) f / v, for 2 mm at 19.05 cm/s.
    once = 20 * np.log10(GRID / np.hypot(40, GRID))
    once += 20 * np.log10(np.sinc(2e-3 * np.tan(np.radians(3 / 60)) * GRID / 0.1905))
    middle = GRID < 3000  # where 8 dB are lost: a boost of 36 dB lacks 6 log10(1 + 10^-4.7) dB
    assert np.array(found["one"])[middle] == pytest.approx(once[middle], abs=2e-4)
    found = told("passesPanel", separation_um=0.5, boost_db=6, passes=12)
    assert 12 * found["one"][-1] < 12 * once[-1] - 100


def test_bumps_grow_with_the_passes_and_move_no_band():
    before = told("passesPanel")
    assert before["table"]["the highest bump after 8"] == "+0.0 dB"
    for name, once_db in (("likely", 1.548), ("at most", 3.348)):  # own: the highest bump of either shape
        found = told("passesPanel", bumps=name)
        assert found["table"]["the highest bump after 8"] == f"{8 * once_db:+.1f} dB"
        assert (found["band"], found["sentence"]) == (before["band"], before["sentence"])


def test_speed_is_paid_for_in_delay_and_tape():
    # Source: run time is length over speed: 549 m at 19.05 cm/s are 48.03 min; delay is spacing over speed.
    for ips, lasts, delay in ((7.5, "48 min", "218 ms"), (15, "24 min", "109 ms")):
        table = told("passesPanel", speed_ips=ips)["table"]
        assert (table["the reel lasts"], table["delay of one pass"]) == (lasts, delay)


def test_hiss_grows_by_three_decibels_when_the_passes_double():
    for count, level in ((1, "+0.0 dB"), (2, "+3.0 dB"), (4, "+6.0 dB"), (8, "+9.0 dB")):
        table = told("passesPanel", passes=count)["table"]
        assert table[f"hiss after {count}, each adding the same"] == level


# ---- what is heard ----


@pytest.mark.parametrize("setting", [{"speed_ips": 3.75, "gap_um": 10}, {"speed_ips": 7.5, "gap_um": 4}])
def test_the_hiss_loses_what_the_gap_takes(setting):
    rate, samples = heard("wavelength", "patternPanel", FACTS, setting)
    assert (rate, samples.size) == (24000, 72000)
    assert max(abs(samples[0]), abs(samples[-1])) < 1e-4 and np.max(np.abs(samples)) <= 0.5
    assert loudness_lufs(samples, rate) == pytest.approx(-23, abs=0.7)
    # The same hiss twice, a second and a half apart: what is missing then is the gap's.
    first, later = (np.abs(np.fft.rfft(samples[start : start + 28800])) ** 2 for start in (2400, 38400))
    frequency = np.fft.rfftfreq(28800, 1 / rate)
    for middle in (1000, 2000, 4000, 6000, 8000, 10000):
        band = np.abs(frequency - middle) < 150
        found_db = 10 * np.log10(np.sum(later[band]) / np.sum(first[band]))
        near = np.linspace(middle - 150, middle + 150, 31)
        loss_db = response.gap_loss_db(near, to_si(setting["speed_ips"], "ips"), setting["gap_um"] * 1e-6)
        wanted_db = 10 * np.log10(np.mean(10 ** (loss_db / 10)))
        assert found_db == pytest.approx(wanted_db, abs=0.3 if wanted_db > -15 else 3), middle
