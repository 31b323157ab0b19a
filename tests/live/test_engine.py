"""The page's engine plays what the engine of the sounds plays, and is safe to move while it does."""

import math

import numpy as np
import pytest
import scripts
from machines import MACHINES
from sound_pitch import pitch
from tape_player import BLOCK, RATE, bare, play

from tapecalc.calc.units import amplitude_to_db, db_to_amplitude, from_si, to_si
from tapecalc.live.facts import playable_facts
from tapecalc.live.setting import speed_in_ips
from tapecalc.machine import example_machine, machine_from_data, machine_from_text, with_changes
from tapecalc.sound.motion import SpeedChange
from tapecalc.sound.render import render

DECK = example_machine()
DBS = [[31.5, -6.0], [63.0, 0.4], [125.0, 0.8], [1000.0, 0.0], [8000.0, -0.6], [16000.0, -4.0]]


def made(transport, heads, **more):
    """Make a machine of a few numbers."""
    return machine_from_data({"transport": transport, "playback_heads": heads, **more}, "test")


FOUR = [
    {"spacing_mm": 48.0, "level_db": -3.0},
    {"spacing_mm": 77.5, "level_db": -9.0, "inverted": True},
    {"spacing_mm": 131.0, "feeds_return": False},
    {"spacing_mm": 190.2, "level_db": -4.5},
]
#: Twelve machines: the bundled one, those of the tests, and some of which each has something of its own.
TWELVE = {
    "example": DECK,
    **{name: machine_from_text(text) for name, text in MACHINES.items()},
    "four heads": made({"speeds_ips": [15, 7.5]}, FOUR, mixer={"return_send_db": -9.0}),
    "fast": made({"speeds_ips": [30, 15]}, [{"spacing_mm": 60}]),
    "slow": made({"speeds_ips": [1.875, 3.75, 15]}, [{"spacing_mm": 30}]),
    "measured response": with_changes(DECK, {"measured_responses": [{"speed": 1, "hz_and_db": DBS}]}),
    "free speed": made({"speed_range_ips": [3, 12]}, [{"spacing_mm": 40}, {"spacing_mm": 100}]),
    "plain": with_changes(
        DECK, {"heads.pole_length_mm": 0.0, "heads.low_cut_hz": 0.0, "heads.treble_boost_db": 0.0}
    ),
}
FACTS = {name: playable_facts(machine) for name, machine in TWELVE.items()}
HEAD = FACTS["example"]["setting"]["heads"][0]


def noise(seconds, highest=12e3, level=0.01, seed=1):
    """Noise up to a frequency, of an rms level."""
    count = round(seconds * RATE)
    spectrum = np.fft.rfft(np.random.default_rng(seed).standard_normal(count))
    spectrum[np.fft.rfftfreq(count, 1 / RATE) > highest] = 0
    sound = np.fft.irfft(spectrum, count)
    return level * sound / np.std(sound)


def tone(seconds, frequency, level=0.01, fade=0.02):
    """A sine, faded softly in and out."""
    count = round(seconds * RATE)
    soft = np.sin(np.pi / 2 * np.minimum(np.arange(count) / (fade * RATE), 1)) ** 2
    return level * np.sin(2 * np.pi * frequency * np.arange(count) / RATE) * soft * soft[::-1]


def filled(sound, seconds):
    """Put silence behind a sound, up to whole blocks."""
    result = np.zeros(math.ceil(seconds * RATE / BLOCK) * BLOCK)
    result[: len(sound)] = sound[: len(result)]
    return result


def rms_db(sound):
    """The level of a sound."""
    return 10 * np.log10(np.mean(sound**2))


def differences_db(ours, theirs, highest=15e3):
    """Differences by octave from 20 Hz up, against what is there, and that of all."""
    frequency = np.fft.rfftfreq(len(ours), 1 / RATE)
    apart, there = (np.abs(np.fft.rfft(each)) ** 2 for each in (ours - theirs, theirs))
    bands = [(low, min(2 * low, highest)) for low in 20 * 2.0 ** np.arange(10) if low < highest]
    found = []
    for low, high in [*bands, (20, highest)]:
        inside = (frequency >= low) & (frequency < high)
        found.append(10 * np.log10(apart[inside].sum() / there[inside].sum()))
    return found


CASES = [(name, at, True) for name, machine in TWELVE.items() for at in range(len(machine.speeds))]
CASES += [("example", 0, False), ("three_heads", 1, False), ("closed_loop", 1, False)]


@pytest.mark.parametrize(("name", "at", "response"), CASES)
def test_twelve_machines_sound_as_they_are_rendered(name, at, response):
    machine = TWELVE[name]
    speed = machine.speeds[at]
    longest = max(machine.delays(speed))
    dry = filled(noise(0.4), 0.5 + 1.7 * longest)
    dry[300] += 0.05  # a click
    without = ["flutter", "hiss"] + ([] if response else ["response"])
    theirs = render(dry, RATE, machine, speed=speed, without=without, seconds=len(dry) / RATE).wet
    facts = FACTS[name]
    ours = play(facts, dry, [[0, bare(facts, speed_ips=speed_in_ips(speed), response=response)]]).out
    assert max(differences_db(ours, theirs)) < -60


def test_a_free_speed_between_two_designs_sounds_nearly_as_it_is_rendered():
    machine, facts = TWELVE["free speed"], FACTS["free speed"]
    speed = to_si(5.5, "ips")
    dry = filled(noise(0.4), 1.2)
    theirs = render(dry, RATE, machine, speed=speed, without=["flutter", "hiss"], seconds=1.2).wet
    ours = play(facts, dry, [[0, bare(facts, speed_ips=5.5)]]).out
    assert max(differences_db(ours, theirs)) < -40


def test_without_a_limit_the_pass_is_the_same_and_a_loud_sound_stays_so():
    facts = FACTS["example"]
    dry = filled(noise(0.4, level=0.3), 1.0)
    theirs = render(dry, RATE, DECK, without=["flutter", "hiss", "saturation"], seconds=1.0).wet
    ours = play(facts, dry, [[0, bare(facts, limit=False)]]).out
    assert max(differences_db(ours, theirs[: len(ours)])) < -60


@pytest.mark.parametrize(("speed_cm_s", "delay"), [(19.05, 0.2), (9.525, 0.4)])
def test_the_first_echo_comes_to_a_microsecond(speed_cm_s, delay):
    facts = FACTS["one_head"]
    setting = bare(facts, speed_ips=speed_cm_s / 2.54, response=False, limit=False, return_send_db=-90.0)
    dry = filled(noise(0.3), 1.0)
    echo = play(facts, dry, [[0, setting]]).out
    frequency = np.fft.rfftfreq(len(dry), 1 / RATE)
    inside = (frequency > 500) & (frequency < 10e3)
    both = (np.fft.rfft(echo) * np.fft.rfft(dry).conj() * np.exp(2j * np.pi * frequency * delay))[inside]
    late = -np.sum(both.imag * frequency[inside]) / np.sum(both.real * frequency[inside] ** 2) / (2 * np.pi)
    assert abs(late) < 1e-6


@pytest.mark.parametrize(("first", "later"), [(0, 1), (1, 0)])
def test_while_the_speed_ramps_all_is_bent_as_it_is_rendered(first, later):
    machine, facts = TWELVE["three_heads"], FACTS["three_heads"]
    speeds = machine.speeds[first], machine.speeds[later]
    settings = [bare(facts, speed_ips=speed_in_ips(speed), response=False) for speed in speeds]
    moves = [[0, settings[0]], [0.8, settings[1]]]
    dry = filled(noise(1.8, highest=4e3), 2.0)
    change = SpeedChange(ratio=speeds[1] / speeds[0], start=0.8, seconds=0.6)
    without = ["flutter", "hiss", "response"]
    theirs = render(dry, RATE, machine, speed=speeds[0], change=change, without=without, seconds=2.0).wet
    ours = play(facts, dry, moves).out
    assert max(differences_db(ours, theirs[: len(ours)], 4e3)) < -60


def test_the_pitch_is_the_speed_now_over_the_speed_then_to_half_a_cent():
    facts = FACTS["one_head"]  # 38.1 mm; 19.05 and 9.525 cm/s
    usual = bare(facts, return_send_db=-90.0, response=False)  # equalizers have phases of their own
    moves = [[0, usual], [0.48, {**usual, "speed_ips": 3.75}]]  # from the first sample of a block
    echo = play(facts, filled(tone(1.9, 2000), 1.92), moves).out
    change = SpeedChange(ratio=0.5, start=0.48, seconds=0.6)
    fine = np.arange(0, 1.9, 1e-4)
    position = 0.1905 * (fine - 0.5 * change.gained(fine))
    time = np.arange(len(echo)) / RATE
    then = np.interp(np.interp(time, fine, position) - 0.0381, position, fine)
    apart = np.convolve(echo * np.exp(-2j * np.pi * 2000 * then), np.hanning(481), "same")
    late = np.unwrap(np.angle(apart))[round(0.25 * RATE) : round(1.8 * RATE)]  # of the phase, against `then`
    for start in range(0, len(late) - 960, 960):
        detune = (late[start + 960] - late[start]) * RATE / 960 / (2 * np.pi * 1000)  # the slowest is 1 kHz
        assert abs(1200 * np.log2(1 + detune)) < 0.5


def test_a_ramp_begins_where_the_one_before_has_come_to_and_ends_exactly():
    facts = FACTS["one_head"]
    slow = bare(facts, speed_ips=3.75)
    moves = [[0, bare(facts)], [0.2, slow], [0.5, bare(facts)], [0.7, slow]]
    played = play(facts, np.zeros(2 * RATE), moves, every=1)
    speeds = np.array([report["speed"] for report in played.reports])
    assert speeds[-1] == pytest.approx(0.09525, rel=1e-12)
    assert speeds.min() > 0.09525 - 1e-12
    assert speeds.max() < 0.1905 + 1e-12
    steps = np.abs(np.diff(speeds))
    assert steps.max() < 0.02 * 0.0953  # no jump: half a cosine over 0.6 s is 0.7 % of the change a block
    assert np.abs(np.diff(speeds, 2)).max() < 0.001 * 0.0953 + 4e-4 * 0.0953


def test_a_dragged_head_bends_the_pitch_by_half_at_most_and_ends_exactly():
    facts = FACTS["example"]

    def at(spacing_mm):
        return bare(
            facts, return_send_db=-90.0, heads=[{**facts["setting"]["heads"][0], "spacing_mm": spacing_mm}]
        )

    moves = [[0, at(41.5)], [0.6, at(100.0)], [1.3, at(20.0)], [1.4, at(60.0)], [1.8, at(30.0)]]
    played = play(facts, filled(tone(2.9, 1000), 3.0), moves, every=1)
    behind = np.array([report["heads"][0]["delay_s"] for report in played.reports])
    rates = 1 - np.diff(behind) * RATE / BLOCK
    assert rates.min() >= 0.5 - 1e-9
    assert rates.max() <= 1.5 + 1e-9
    assert rates.min() < 0.55
    assert rates.max() > 1.45
    assert played.reports[-1]["heads"][0] == {
        "spacing_mm": pytest.approx(30.0, abs=1e-12),
        "delay_s": pytest.approx(0.03 / 0.1905, abs=1e-9),
        "early_s": 0,
    }
    heard = played.out[round(0.61 * RATE) : round(0.66 * RATE)]
    assert pitch(heard, RATE, 500) == pytest.approx(500, rel=0.02)


@pytest.mark.parametrize(("name", "send_db"), [("example", 4.0), ("four heads", 6.0), ("cassette", 8.0)])
def test_past_the_margin_it_settles_at_the_level_that_is_rendered(name, send_db):
    machine = with_changes(TWELVE[name], {"mixer.return_send_db": send_db})
    facts = playable_facts(machine)
    dry = filled(noise(0.3, level=0.1), 7.0)
    ours = play(facts, dry, [[0, bare(facts)]]).out
    theirs = render(dry, RATE, machine, without=["flutter", "hiss"], seconds=7.0).wet
    settled = slice(5 * RATE, 7 * RATE)
    assert rms_db(ours[settled]) > -30
    assert rms_db(ours[settled]) == pytest.approx(rms_db(theirs[settled]), abs=0.3)


@pytest.mark.parametrize(("name", "at"), [("one_head", 0), ("one_head", 1), ("slow", 0), ("slow", 2)])
def test_hiss_is_as_loud_at_each_speed_as_it_is_reckoned(name, at):
    machine, facts = TWELVE[name], FACTS[name]
    speed = machine.speeds[at]
    setting = bare(facts, hiss=True, speed_ips=speed_in_ips(speed), return_send_db=-90.0)
    heard = play(facts, np.zeros(3 * RATE), [[0, setting]]).out[RATE:]
    frequency = np.fft.rfftfreq(len(heard), 1 / RATE)
    power = 2 * np.abs(np.fft.rfft(heard)) ** 2 / len(heard) ** 2
    inside = (frequency >= 20) & (frequency <= 20e3)
    expected_db = machine.tape_noise_db(speed) - 18 - 10 * math.log10(2)  # rms; the reference is at -18 dBFS
    assert 10 * np.log10(power[inside].sum()) == pytest.approx(expected_db, abs=0.3)
    middle = (frequency >= 500) & (frequency <= 2000)
    density_db = 10 * np.log10(power[middle].sum() / power[inside].sum())
    curve = 10 ** (machine.one_pass(speed).noise_density_db(np.linspace(20, 20e3, 4000)) / 10)
    share = curve[(np.linspace(20, 20e3, 4000) >= 500) & (np.linspace(20, 20e3, 4000) <= 2000)].sum()
    assert density_db == pytest.approx(10 * np.log10(share / curve.sum()), abs=0.5)


def test_wobble_is_as_deep_and_fast_as_the_part_that_turns():
    wobbling = {
        "parts": [{"name": "capstan", "diameter_mm": 12.0, "wobble_percent": 0.4}],
        "flutter": {"random_percent_rms": 0.0},
    }
    facts = playable_facts(made({"speeds_ips": [7.5]}, [{"spacing_mm": 40.0}], **wobbling))
    setting = bare(facts, wobble=True, return_send_db=-90.0)
    reports = play(facts, np.zeros(4 * RATE), [[0, setting]], every=1).reports
    speeds = np.array([report["speed"] for report in reports]) / 0.1905 - 1
    assert np.abs(speeds).max() == pytest.approx(0.004, rel=0.01)
    spectrum = np.abs(np.fft.rfft(speeds * np.hanning(len(speeds)), 1 << 16))
    rate = np.argmax(spectrum) * RATE / BLOCK / (1 << 16)
    assert rate == pytest.approx(190.5 / (math.pi * 12.0), abs=0.02)
    # what is heard: the speed now over that 210 ms ago, which is 1.06 turns
    behind = np.array([report["heads"][0]["delay_s"] for report in reports])
    turns = 0.04 / 0.1905 * rate
    swing = 0.004 * abs(math.sin(math.pi * turns)) / (math.pi * rate)
    assert np.ptp(behind[RATE // BLOCK :]) / 2 == pytest.approx(swing, rel=0.05)


def test_random_wobble_has_its_rms_and_band():
    script = """
    const random = new RandomWobble(given);
    return Array.from({ length: 1 << 17 }, () => random.next());
    """
    step = 16 / RATE
    wobble = np.array(scripts.run("motion", script, step))
    assert np.std(wobble) == pytest.approx(1, rel=0.05)
    power = np.abs(np.fft.rfft(wobble)) ** 2
    frequency = np.fft.rfftfreq(len(wobble), step)
    octave = [power[(frequency >= low) & (frequency < 2 * low)].mean() for low in (5, 100, 200)]
    assert octave[1] < 0.25 * octave[0]
    assert octave[2] == pytest.approx(octave[1] / 4, rel=0.3)


def test_the_bundled_machine_wobbles_as_it_says():
    facts = FACTS["example"]
    reports = play(facts, np.zeros(8 * RATE), [[0, bare(facts, wobble=True)]], every=1).reports
    speeds = np.array([report["speed"] for report in reports]) / 0.1905 - 1
    depths = [part["depth"] for part in facts["designs"][0]["wobbles"]]
    expected = math.hypot(facts["random_rms"], *(depth / math.sqrt(2) for depth in depths))
    assert np.std(speeds) == pytest.approx(expected, rel=0.2)


SWITCHES = {
    "response": {"response": False},
    "limit": {"limit": False},
    "dry": {"dry": True},
    "head off": {"heads": [{**HEAD, "on": False}]},
    "level": {"heads": [{**HEAD, "level_db": 6.0}]},
    "inverted": {"heads": [{**HEAD, "inverted": True}]},
    "out of the return": {"heads": [{**HEAD, "feeds_return": False}]},
    "input send": {"input_send_db": -20.0},
    "return send": {"return_send_db": -90.0},
    "wobble": {"wobble": True},
    "spacing": {"heads": [{**HEAD, "spacing_mm": 50.0}]},
    "speed": {"speed_ips": 3.75},
    "another head": {"heads": [HEAD, {**HEAD, "spacing_mm": 70.0}]},
}


def clicks_db(sound):
    """The loudest that is heard above 3 kHz for 5 ms, against the sound."""
    spectrum = np.fft.rfft(sound)
    spectrum[np.fft.rfftfreq(len(sound), 1 / RATE) < 3000] = 0
    treble = np.fft.irfft(spectrum, len(sound))[2400:-2400]
    power = np.convolve(treble**2, np.ones(240) / 240, "valid")
    return 10 * np.log10(power.max()) - rms_db(sound)


@pytest.mark.parametrize("name", ["example", "slow", "free speed"])
def test_a_near_head_does_not_click_while_the_tape_speeds_up(name):
    facts = FACTS[name]
    speeds = sorted(design["speed_ips"] for design in facts["designs"])
    heads = [{**HEAD, "spacing_mm": facts["least_mm"]}]
    moves = [[at, bare(facts, heads=heads, speed_ips=speeds[k])] for at, k in ((0, 0), (1.5, -1), (2.5, 0))]
    dry = tone(3.5, 60, fade=0.3)  # its beginning comes back eight times as fast
    assert clicks_db(play(facts, dry, moves).out[RATE:]) < -66


@pytest.mark.parametrize("switch", SWITCHES)
def test_whatever_is_switched_does_not_click(switch):
    facts = FACTS["example"]
    usual, other = bare(facts), bare(facts, **SWITCHES[switch])
    dry = np.sin(2 * np.pi * 150 * np.arange(3 * RATE) / RATE) * 0.01
    out = play(facts, dry, [[0, usual], [1.2, other], [2.1, usual]]).out[RATE:]
    assert clicks_db(out) < -66


def test_a_jump_would_be_found():
    sound = np.sin(2 * np.pi * 150 * np.arange(RATE) / RATE)
    sound[RATE // 2 + 80 :] *= 0.8  # on a crest
    assert clicks_db(sound) > -45


def test_what_is_heard_can_be_read_early_and_what_returns_is_not():
    facts = FACTS["one_head"]
    dry = filled(np.zeros(0), 0.7)
    dry[0] = 0.01
    setting = bare(facts, response=False, return_send_db=0.0)
    out = np.abs(play(facts, dry, [[0, setting]], early=0.03).out)
    assert np.argmax(out[: RATE // 4]) == round(0.17 * RATE)  # and not after 0.2 s
    assert np.argmax(out[RATE // 4 : RATE // 2]) + RATE // 4 == round(0.37 * RATE)


def test_it_says_how_much_earlier_it_can_read():
    facts = FACTS["one_head"]
    dry = filled(np.zeros(0), 1.2)
    dry[RATE // 2] = 0.01  # when it has come to where it stays
    settings = [[0, bare(facts, response=False, return_send_db=-90.0)]]
    for early, most in [(0.03, 0.03), (5.0, 0.2)]:
        played = play(facts, dry, settings, early=early, every=8)
        told = played.reports[-1]["heads"][0]["early_s"]
        assert told == pytest.approx(min(early, told))
        assert told < most + 1e-12
        assert np.argmax(np.abs(played.out)) == pytest.approx((0.7 - told) * RATE, abs=1)


def test_heads_that_are_heard_are_never_read_before_they_are_ready():
    facts = FACTS["example"]
    dry = 0.01 * np.sin(
        2 * np.pi * 150 * np.arange(5 * RATE) / RATE
    )  # more than once round the tape's memory
    usual, near = bare(facts), bare(facts, heads=[{**HEAD, "spacing_mm": 20.0}])
    out = play(facts, dry, [[0, usual], [2.0, usual, 5.0], [4.0, near]]).out[RATE:]
    assert clicks_db(out) < -66
    assert rms_db(out) > -50


@pytest.mark.parametrize(("name", "spacing_mm", "early"), [("example", 41.5, 5.0), ("slow", 30.0, 0.1)])
@pytest.mark.parametrize("switch", ["speed", "response"])
def test_what_is_heard_as_early_as_can_be_does_not_click(name, spacing_mm, early, switch):
    facts = FACTS[name]
    low, *_, high = sorted(design["speed_ips"] for design in facts["designs"])
    usual = bare(facts, heads=[{**HEAD, "spacing_mm": spacing_mm}], speed_ips=high)
    other = {**usual, "speed_ips": low} if switch == "speed" else {**usual, "response": False}
    dry = np.sin(2 * np.pi * 60 * np.arange(7 * RATE) / RATE) * 0.01
    out = play(facts, dry, [[0, other], [2.5, usual], [4.5, other]], early=early).out
    assert clicks_db(out[3 * RATE // 2 :]) < -60


@pytest.mark.parametrize("name", ["example", "free speed", "slow"])
def test_where_a_head_can_stand_nearest_its_sound_is_ready(name):
    facts = FACTS[name]
    head = facts["setting"]["heads"][0]
    dry = filled(noise(0.2), 2.6)
    for design in (facts["designs"][k] for k in (0, len(facts["designs"]) // 2, -1)):
        apart_mm = 1000 * from_si(to_si(design["speed_ips"], "ips"), "mm") / RATE  # in 1,000 samples
        near = facts["least_mm"]
        outs = []
        for spacing_mm in (near, near + apart_mm):
            heads = [{**head, "spacing_mm": spacing_mm}]
            setting = bare(facts, heads=heads, speed_ips=design["speed_ips"], return_send_db=-90.0)
            outs.append(play(facts, dry, [[0, setting]]).out)
        assert rms_db(outs[1]) > -70
        assert np.abs(outs[0][:-1000] - outs[1][1000:]).max() < 1e-4 * np.abs(outs[1]).max()


def test_cells_hold_what_was_recorded_and_where_it_was():
    facts = FACTS["one_head"]
    dry = filled(np.zeros(0), 0.7)
    dry[0], dry[RATE // 10] = 0.02, 0.01
    setting = bare(facts, response=False, limit=False, return_send_db=-6.0)
    reports = play(facts, dry, [[0, setting]], every=30).reports
    cells = [cell for report in reports for cell in report["cells"]]
    places = [cell["at_mm"] for cell in cells]
    assert places == sorted(set(places)) == [k + 0.5 for k in range(len(places))]
    assert reports[-1]["position_m"] == pytest.approx(len(reports) * 30 * BLOCK / RATE * 0.1905, rel=1e-9)
    dry_at = {cell["at_mm"]: cell["dry"] for cell in cells if cell["dry"] > 0}
    assert dry_at == {0.5: pytest.approx(0.02), 19.5: pytest.approx(0.01)}
    back = {cell["at_mm"]: cell["returned"] for cell in cells if cell["returned"] > 2e-3}
    assert back[38.5] == pytest.approx(0.02 * db_to_amplitude(-6.0), rel=0.2)
    assert back[57.5] == pytest.approx(0.01 * db_to_amplitude(-6.0), rel=0.2)


def test_peaks_are_those_since_the_last_report():
    facts = FACTS["one_head"]
    dry = filled(tone(0.3, 1000, level=0.5), 0.6)
    setting = bare(facts, dry=True, input_send_db=-6.0, response=False)
    reports = play(facts, dry, [[0, setting]], every=75).reports
    first, echo, last = reports[0], reports[1], reports[2]
    sent = 0.5 * db_to_amplitude(-6.0)
    assert first["bus_peak"] == pytest.approx(sent, rel=0.01)
    assert first["out_peak"] == pytest.approx(0.5, rel=0.01)
    assert first["full"] == pytest.approx(sent / facts["designs"][0]["saturation"], rel=0.01)
    assert first["wet_peak"] < 0.01
    assert echo["wet_peak"] > 0.2
    assert last["bus_peak"] < 0.5 * sent


def test_after_the_last_echo_there_is_nothing_at_all():
    facts = FACTS["example"]
    dry = filled(noise(0.1), 30.0)
    out = play(facts, dry, [[0, {**bare(facts), "return_send_db": -6.0}]]).out
    assert np.all(out[-5 * RATE :] == 0)
    assert np.abs(out[out != 0]).min() > 1e-37  # smaller 32-bit floats are slow


def test_what_is_no_number_is_silence():
    facts = FACTS["example"]
    dry = filled(noise(0.2), 0.6)
    spoiled = dry.copy()
    for place, value in ((5000, np.nan), (5001, np.inf), (6000, -np.inf), (7000, 1e30)):
        dry[place], spoiled[place] = 0, value
    settings = [[0, bare(facts)]]
    assert np.array_equal(play(facts, dry, settings).out, play(facts, spoiled, settings).out)


def test_a_setting_without_numbers_changes_nothing():
    facts = FACTS["example"]
    dry = filled(noise(0.3), 0.6)
    usual = bare(facts)
    broken = {
        **usual,
        "speed_ips": None,
        "input_send_db": "loud",
        "return_send_db": "nan",
        "heads": [{**HEAD, "spacing_mm": "far", "level_db": "x"}],
    }
    broken["speed_ips"] = "fast"
    first = play(facts, dry, [[0, usual]]).out
    assert np.allclose(play(facts, dry, [[0, usual], [0.1, broken]]).out, first, atol=1e-9)


def random_moves(rng, facts, seconds):
    """Settings at random times, from one end of all that can be moved to the other."""
    moves = []
    for at in np.sort(rng.uniform(0, seconds, 40)):
        heads = [
            {
                "spacing_mm": float(rng.uniform(facts["least_mm"], facts["most_mm"])),
                "level_db": float(rng.uniform(-90, 20)),
                "inverted": bool(rng.integers(2)),
                "feeds_return": bool(rng.integers(2)),
                "on": bool(rng.integers(2)),
            }
            for _ in range(rng.integers(1, 9))
        ]
        low, high = (facts["designs"][k]["speed_ips"] for k in (0, -1))
        setting = {
            "speed_ips": float(rng.uniform(min(low, high), max(low, high))),
            "input_send_db": float(rng.uniform(-90, 20)),
            "return_send_db": float(rng.uniform(-20, 20)),
            "heads": heads,
            **{key: bool(rng.integers(2)) for key in ("response", "limit", "hiss", "wobble", "dry")},
        }
        moves.append([float(at), setting])
    return [[0.0, facts["setting"]], *moves]


@pytest.mark.parametrize(
    ("name", "seed"), [("example", 1), ("four heads", 2), ("free speed", 3), ("slow", 4)]
)
def test_nothing_that_can_be_set_makes_it_go_beyond_its_bound(seed, name):
    rng = np.random.default_rng(seed)
    facts = FACTS[name]
    dry = rng.standard_normal(4 * RATE)
    played = play(facts, dry, random_moves(rng, facts, 4.0), every=100)
    assert np.isfinite(played.out).all()
    # a bus of 100 at most, four times that on the tape, eight heads of 20 dB
    assert np.abs(played.out).max() < 100 * 4 * 8 * db_to_amplitude(20)
    for report in played.reports:
        assert all(math.isfinite(head["delay_s"]) and head["delay_s"] > 0 for head in report["heads"])


def test_a_runaway_that_no_tape_stops_ends_at_the_bound():
    facts = FACTS["one_head"]
    setting = bare(facts, limit=False, return_send_db=20.0)
    out = play(facts, filled(noise(0.1), 6.0), [[0, setting], [4.0, bare(facts)]]).out
    assert 10 < np.abs(out).max() < 400
    assert np.abs(out[-RATE // 10 :]).max() < 10  # and it comes back


def test_the_limit_is_the_hyperbolic_tangent():
    values = np.concatenate([np.linspace(-3, 3, 1001), np.geomspace(1e-9, 0.1, 500)])
    script = "return given.map((value) => [limited(value, 0.4, 1), limited(value, 0.4, 0.25)]);"
    full, quarter = np.transpose(scripts.run("recording", script, values.tolist()))
    expected = 0.4 * np.tanh(values / 0.4)
    assert np.abs(full - expected).max() < 1e-9
    assert np.abs(quarter - (0.75 * values + 0.25 * expected)).max() < 1e-9


def test_blocks_come_out_alike_from_run_to_run():
    facts = FACTS["example"]
    dry = filled(noise(0.2), 0.5)
    settings = [[0, facts["setting"]]]
    assert np.array_equal(play(facts, dry, settings).out, play(facts, dry, settings).out)


def test_a_measured_delay_holds_where_the_head_stands_as_the_file_says():
    facts = FACTS["measured"]  # 219.3 ms at 7.5 ips instead of 217.85
    head = facts["setting"]["heads"][0]
    moves = [[0, bare(facts)], [0.5, bare(facts, heads=[{**head, "spacing_mm": 50.0}])], [1.2, bare(facts)]]
    reports = play(facts, np.zeros(2 * RATE), moves, every=125).reports
    delays = [report["heads"][0]["delay_s"] for report in reports]
    assert delays[0] == pytest.approx(0.2193, abs=1e-9)
    assert delays[2] == pytest.approx(0.05 / 0.1905, abs=1e-9)
    assert delays[-1] == pytest.approx(0.2193, abs=1e-9)


def test_the_level_of_the_dry_sound_is_its_own():
    facts = FACTS["example"]
    dry = filled(noise(0.15), 0.16)
    out = play(facts, dry, [[0, {**bare(facts), "dry": True}]]).out
    assert np.allclose(out, dry, atol=1e-8)
    assert amplitude_to_db(np.std(out)) == pytest.approx(amplitude_to_db(np.std(dry)), abs=1e-3)


SAID = "return given.map((facts) => facts.setting.return_send_db + marginDb(facts, facts.setting));"


@pytest.mark.parametrize("name", ["example", "four heads", "cassette", "closed_loop"])
def test_below_the_limit_that_the_page_says_nothing_grows(name):
    facts = FACTS[name]
    (limit_db,) = scripts.run("page", SAID, [facts])
    dry = filled(noise(0.3), 10.0)
    out = play(facts, dry, [[0, bare(facts, limit=False, return_send_db=limit_db - 0.2)]]).out
    assert rms_db(out[9 * RATE :]) < rms_db(out[4 * RATE : 5 * RATE])


def test_a_head_that_is_said_to_run_away_does():
    facts = FACTS["example"]
    script = "return loopSaid(given, { ...given.setting, return_send_db: 1 }).state;"
    assert scripts.run("page", script, facts) == "runs"
    out = play(facts, filled(noise(0.3), 10.0), [[0, bare(facts, limit=False, return_send_db=1.0)]]).out
    assert rms_db(out[9 * RATE :]) > rms_db(out[4 * RATE : 5 * RATE]) + 10
