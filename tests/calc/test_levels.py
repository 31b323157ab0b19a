"""Levels: conversions, sums, the level diagram; good values, edges and refusals."""

import dataclasses
import math

import pytest

from tapecalc.calc import levels
from tapecalc.calc.levels import Stage, level_diagram

# The way through the bench deck and back, with a noise at two stages.
WAY = (
    Stage("instrument", 0, 6, noise_dbu=-90),
    Stage("mixer input", 20, 22, noise_dbu=-85),
    Stage("echo send", -6, 22),
    Stage("tape", 4, 10, noise_dbu=-50),
    Stage("return", -3, 22, noise_dbu=-95),
)


def test_equal_powers_add_to_three_decibels_each_time_they_double():
    assert levels.sum_power_db([-60, -60]) == pytest.approx(-60 + 10 * math.log10(2))
    assert levels.sum_power_db([0] * 10) == pytest.approx(10)


def test_one_level_is_its_own_sum_and_tables_are_summed_along_their_rows():
    assert levels.sum_power_db(-60) == pytest.approx(-60)
    assert levels.sum_power_db([[0, 0], [-20, -20]]) == pytest.approx([3.0103, -16.9897], abs=1e-4)


def test_levels_far_below_the_range_of_powers_still_add():
    assert levels.sum_power_db([-5000, -5000]) == pytest.approx(-4996.99, abs=0.01)
    assert levels.sum_power_db([0, -5000]) == 0


def test_a_leak_ten_decibels_down_adds_four_tenths():
    assert levels.sum_power_db([0, -10]) == pytest.approx(10 * math.log10(1.1))
    assert levels.sum_power_db([-300, -50]) == pytest.approx(-50)


def test_a_leak_of_half_the_amplitude_dips_six_decibels_and_peaks_at_three_halves():
    dip, peak = levels.leak_ripple_db([20 * math.log10(0.5), 20 * math.log10(0.1)])
    assert dip == pytest.approx([20 * math.log10(0.5), 20 * math.log10(0.9)])
    assert peak == pytest.approx([20 * math.log10(1.5), 20 * math.log10(1.1)])
    assert [type(one) for one in levels.leak_ripple_db(-20)] == [float, float]


@pytest.mark.parametrize(
    ("call", "least", "refused", "words"),
    [
        (levels.volts_to_dbu, 1e-9, 0, "greater than 0 V"),
        (levels.volts_to_dbv, 1e-9, 0, "greater than 0 V"),
        (lambda ohm: levels.loading_loss_db(ohm, 600), 0, -1e-9, "0 ohm or more"),
        (lambda ohm: levels.loading_loss_db(600, ohm), 1e-9, 0, "greater than 0 ohm"),
        (lambda loss: levels.loading_source_impedance(loss, 600), 0, 1e-9, "0 dB or less"),
        (levels.leak_ripple_db, -1e-9, 0, "less than 0 dB"),
        (lambda step: levels.allowed_exposure(85, exchange_db=step), 1e-9, 0, "greater than 0 dB"),
        (levels.allowed_level_dba, 1e-9, 0, "greater than 0 s"),
        (lambda time: levels.daily_exposure_dba([85], [time]), 1e-9, 0, "greater than 0 s"),
        (lambda room: levels.pad_db(0, 0, wanted_headroom_db=room), 0, -1e-9, "0 dB or more"),
    ],
)
def test_limits_are_where_they_are_said_to_be(call, least, refused, words):
    call(least)
    with pytest.raises(ValueError, match=f"must be {words}, got"):
        call(refused)


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (levels.dbu_to_volts, "dbu"),
        (levels.dbu_to_dbv, "dbu"),
        (levels.dbv_to_volts, "dbv"),
        (levels.dbv_to_dbu, "dbv"),
        (levels.sum_power_db, "levels_db"),
        (levels.allowed_exposure, "level_dba"),
        (lambda level: levels.allowed_exposure(85, criterion_dba=level), "criterion_dba"),
        (lambda level: levels.daily_exposure_dba([level], [1]), "levels_dba"),
    ],
)
def test_a_level_that_is_no_number_is_refused_by_name(call, name):
    with pytest.raises(ValueError, match=f"{name} must be a finite number, got nan"):
        call(math.nan)


def test_a_complete_leak_is_refused():
    with pytest.raises(ValueError, match="leak_db must be less than 0 dB, got 0"):
        levels.leak_ripple_db([-3, 0])


def test_headroom_may_be_negative_and_a_pad_makes_up_for_it():
    assert levels.headroom_db(-2, 4) == -6
    assert levels.pad_db(4, -2) == 6
    assert levels.pad_db([4, -20], -2, wanted_headroom_db=10).tolist() == [16, 0]
    with pytest.raises(ValueError, match="wanted_headroom_db must be 0 dB or more"):
        levels.pad_db(4, -2, wanted_headroom_db=-1)


def test_a_source_without_impedance_loses_nothing_beside_one_that_does():
    lone = levels.loading_loss_db(0, 600)
    mixed = levels.loading_loss_db([0, 1e-9, 600], 600)
    assert lone == mixed[0] == 0 and math.copysign(1, lone) == 1
    assert mixed[1] == pytest.approx(-20 / math.log(10) * 1e-9 / 600, rel=1e-9)
    assert mixed[2] == pytest.approx(20 * math.log10(0.5))


def test_loading_refuses_negative_impedance_and_gain():
    with pytest.raises(ValueError, match="source_impedance must be 0 ohm or more"):
        levels.loading_loss_db(-1, 600)
    with pytest.raises(ValueError, match="loss_db must be 0 dB or less, got 3"):
        levels.loading_source_impedance([-6, 3], 600)


def test_a_tenth_of_the_voltage_needs_nine_times_the_load_in_series():
    assert levels.loading_source_impedance(-20, 10e3) == pytest.approx(90e3)
    assert levels.loading_source_impedance(0, 10e3) == 0


def test_eight_hours_at_one_level_are_that_level():
    assert levels.daily_exposure_dba([85], [8 * 3600]) == pytest.approx(85)
    assert levels.daily_exposure_dba([90, 90], [2 * 3600, 2 * 3600]) == pytest.approx(90 - 10 * math.log10(2))
    assert levels.daily_exposure_dba([[80], [90]], [8 * 3600]) == pytest.approx([80, 90])


def test_the_diagram_adds_gains_node_by_node():
    diagram = level_diagram(WAY, -20)
    assert [node.name for node in diagram.nodes] == [stage.name for stage in WAY]
    assert [node.dbu for node in diagram.nodes] == [-20, 0, -6, -2, -5]
    assert [node.headroom_db for node in diagram.nodes] == [26, 22, 28, 12, 27]
    assert diagram.nodes[1].volts == pytest.approx(0.7746, abs=1e-4)
    assert diagram.nodes[3].volts == pytest.approx(0.7746 * 10 ** (-2 / 20), abs=1e-4)


def test_the_tape_is_the_first_to_clip_and_nothing_clips_yet():
    diagram = level_diagram(WAY, -20)
    assert diagram.first_to_clip.name == "tape"
    assert diagram.headroom_db == 12


def test_a_louder_source_clips_the_tape_first_and_then_the_mixer():
    for source_dbu, clipping in ((-20, []), (-7, ["tape"]), (3, ["mixer input", "tape"])):
        nodes = level_diagram(WAY, source_dbu).nodes
        assert [node.name for node in nodes if node.headroom_db < 0] == clipping


def test_among_equals_the_earliest_node_clips_first():
    assert level_diagram([Stage("a", 0, 10), Stage("b", 0, 10)], 0).first_to_clip.name == "a"


def test_the_pad_makes_room_at_every_node():
    assert level_diagram(WAY, -20).pad_needed_db(wanted_headroom_db=12) == 0
    diagram = level_diagram(WAY, 3)
    pad = diagram.pad_needed_db(wanted_headroom_db=6)
    assert pad == 17
    assert level_diagram(WAY, 3 - pad).headroom_db == 6


def test_a_pad_leaves_no_more_headroom_than_is_wanted():
    diagram = level_diagram(WAY, 3)  # the tape stands at 21, and takes 10
    assert diagram.pad_needed_db() == 11
    assert level_diagram(WAY, 3 - 11).headroom_db == 0


def test_noise_adds_in_power_along_the_way():
    nodes = level_diagram(WAY, -20, source_noise_dbu=-100).nodes
    instrument = 10 ** (-100 / 10) + 10 ** (-90 / 10)
    mixer = 100 * instrument + 10 ** (-85 / 10)
    send = mixer * 10 ** (-6 / 10)
    tape = send * 10 ** (4 / 10) + 10 ** (-50 / 10)
    back = tape * 10 ** (-3 / 10) + 10 ** (-95 / 10)
    for node, power in zip(nodes, (instrument, mixer, send, tape, back), strict=True):
        assert node.noise_dbu == pytest.approx(10 * math.log10(power))
        assert node.snr_db == pytest.approx(node.dbu - node.noise_dbu)


def test_the_tape_decides_the_noise_of_the_whole_way():
    diagram = level_diagram(WAY, -20)
    assert diagram.snr_db == diagram.nodes[-1].snr_db == pytest.approx(48, abs=0.1)


def test_without_noise_there_is_no_ratio():
    diagram = level_diagram([Stage("mixer", 0, 22), Stage("tape", 0, 10, noise_dbu=-52)], 0)
    assert diagram.nodes[0].noise_dbu is None and diagram.nodes[0].snr_db is None
    assert diagram.nodes[1].noise_dbu == pytest.approx(-52)
    assert level_diagram([Stage("mixer", 0, 22)], 0).snr_db is None


def test_whole_numbers_become_floats_and_a_stage_is_frozen():
    stage = Stage("mixer", 20, 22, noise_dbu=-80)
    assert [type(value) for value in (stage.gain_db, stage.max_dbu, stage.noise_dbu)] == [float] * 3
    with pytest.raises(dataclasses.FrozenInstanceError):
        stage.gain_db = 0.0
    node = level_diagram([stage], 0).nodes[0]
    assert type(node.dbu) is type(node.noise_dbu) is float


@pytest.mark.parametrize("bad", [math.nan, math.inf, "loud", [1, 2]])
def test_a_stage_says_which_of_its_numbers_makes_no_sense(bad):
    with pytest.raises(ValueError, match="gain_db of 'mixer' must be"):
        Stage("mixer", bad, 22)
    with pytest.raises(ValueError, match="max_dbu of 'mixer' must be"):
        Stage("mixer", 0, bad)
    with pytest.raises(ValueError, match="noise_dbu of 'mixer' must be"):
        Stage("mixer", 0, 22, noise_dbu=bad)
    with pytest.raises(ValueError, match="source_dbu must be"):
        level_diagram(WAY, bad)
    with pytest.raises(ValueError, match="source_noise_dbu must be"):
        level_diagram(WAY, 0, source_noise_dbu=bad)


def test_a_stage_needs_a_gain_a_limit_and_a_name():
    with pytest.raises(ValueError, match="gain_db of 'mixer' must be a number"):
        Stage("mixer", None, 22)
    with pytest.raises(ValueError, match="name must be a word or more, got ''"):
        Stage("", 0, 22)


def test_a_diagram_needs_stages():
    with pytest.raises(ValueError, match="stages must hold at least one stage"):
        level_diagram([], 0)
    with pytest.raises(ValueError, match="stages must hold Stage objects, got 'mixer'"):
        level_diagram(["mixer"], 0)
