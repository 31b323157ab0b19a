"""A measurement in words: what stands in which table."""

import numpy as np

from tapecalc.calc.parts import TurningPart, fingerprint
from tapecalc.measuring import Estimate, Measurement, WhatIf
from tapecalc.measuring.session import Note, Place
from tapecalc.report.measurement import measurement_text

LOW_CUT = Estimate(30.0, 2.0, "Hz")
CAPSTAN = TurningPart(name="capstan", diameter=0.008)


def test_nothing_measured_and_nothing_said_is_no_text():
    assert measurement_text(Measurement()) == ""


def test_accused_parts_stand_in_a_table_and_the_advice_comes_once():
    rate = CAPSTAN.rate_at(0.1905)
    verdicts = fingerprint([(rate, 1e-3), (2 * rate, 5e-4), (1.0, 2e-4)], [CAPSTAN], 0.1905)
    text = measurement_text(Measurement(suspects={0: verdicts, 1: verdicts}))
    rows = [line.split() for line in text.split("\n\n")[0].splitlines()[3:]]
    assert len(rows) == 6
    assert rows[0][:6] == ["1", f"{rate:.2f}", "Hz", "0.100", "%", "capstan"]
    assert "capstan, 2 a turn" in text and "a part not in the list" in text
    assert text.count("* capstan: ") == 1 and text.count("* a part not in the list: ") == 1


def test_explanations_come_in_trade_units():
    level_db = np.zeros(3)
    fits = (
        WhatIf({"separation": Estimate(1.07e-6, 2e-8, "m")}, LOW_CUT, 0.4, 9.0, level_db),
        WhatIf({"azimuth": Estimate(0.0025, 7e-5, "rad")}, LOW_CUT, 0.5, 90.0, level_db),
        WhatIf({"gap": Estimate(5.8e-6, 9e-8, "m")}, LOW_CUT, 0.6, 190.0, level_db),
        WhatIf({}, LOW_CUT, 0.8, 900.0, level_db),
    )
    lines = measurement_text(Measurement(what_ifs={Place(0, 1): fits})).splitlines()
    assert lines[3].split() == "1, 2 separation 1.070 um +/- 0.020 um 0.4 dB".split()
    # Source: 0.0025 rad are 8.594 minutes of arc; 7e-5 rad are 0.2406, and a plus/minus is rounded up.
    assert lines[4].split() == "1, 2 azimuth 8.59 arcmin +/- 0.25 arcmin 0.5 dB".split()
    assert lines[6].split() == "1, 2 as aligned 0.8 dB".split()


def test_long_sentences_are_wrapped():
    text = measurement_text(Measurement(notes=[Note("word " * 60)]))
    assert max(map(len, text.splitlines())) <= 100
    assert text.count("* ") == 1


def test_what_holds_for_several_takes_is_said_once():
    first, second = Place(0, 0), Place(1, 0)
    notes = [
        Note("It lags.", first),
        Note("All is known."),
        Note("It lags.", second),
        Note("It hums.", second),
    ]
    lines = measurement_text(Measurement(notes=notes)).splitlines()[1:]
    assert lines == [
        "* Head 1, speed 1; head 2, speed 1: It lags.",
        "* All is known.",
        "* Head 2, speed 1: It hums.",
    ]
