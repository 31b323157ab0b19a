"""Five machines without losses, every number of whose plans can be worked out by hand.

A pass changes nothing: no gap, no distance, no low cut, no poles, and a coating that is all surface, so that
no equalizer has anything to undo. The noise of such a coating is white before the playback equalizer.
What a richer model of one pass adds later leaves them as they are.

ONE_HEAD     200 and 400 ms, 5 % unsure (2.0 % and 1.5 % at right angles), two songs, three parts that wobble
THREE_HEADS  220, 440, 880 ms and half of it; the second inverted at -6 dB, the third at -3 dB not in the loop
CLOSED_LOOP  600 to 150 ms, 5 % unsure, at any speed of a range; 1.2 m of tape that nothing erases
CASSETTE     105 ms, 20 % unsure, and running away
MEASURED     219.3 ms as measured, 435.7 ms as stated
"""

from tapecalc.machine import Machine, machine_from_text

_FLAT = """
[heads]
gap_um = 0
spacing_loss_um = 0
aligned_spacing_loss_um = 0
low_cut_hz = 0
treble_boost_db = 0
pole_length_mm = 0
"""

#: So thin that it loses nothing, um.
_THIN = "coating_thickness_um = 1e-6"

ONE_HEAD = f"""
file_version = 2
name = "One head"
{_FLAT}
track_width_mm = 2
gap_factor = 1
azimuth_error_arcmin = 0
aligned_azimuth_error_arcmin = 0
erases = true

[transport]
speeds_cm_s = [19.05, 9.525]
speed_plus_minus_percent = 1.5
capstan_diameter_mm = 8
mains_hz = 50

[tape]
total_thickness_um = 35
{_THIN}
length_m = 549

[[playback_heads]]
spacing_mm = 38.1
spacing_plus_minus_mm = 0.762

[mixer]
input_send_db = -2
return_send_db = -8

[song]
bpm = 78
wanted_repeats = 3
faded_db = -30

[[songs]]
name = "Tide"
bpm = 75

[[songs]]
name = "Lamp"
bpm = 78.2

[levels]
instrument_dbu = -12
mixer_gain_db = 15
mixer_max_dbu = 20
mixer_noise_dbu = -85
machine_reference_dbu = 4
machine_max_dbu = 18
reference_flux_nwb_m = 320
tape_mol_db = 4
tape_noise_db = -56

[[parts]]
name = "capstan"
diameter_mm = 8

[[parts]]
name = "reel"
radius_mm = 36.3828
wobble_percent = 0.05

[[parts]]
name = "roller"
diameter_mm = 24.2202
wobble_percent = 0.03

[[parts]]
name = "belt"
thickness_mm = 0
length_mm = 284.505
pulley_mm = 60
wobble_percent = 0.04
"""

THREE_HEADS = f"""
file_version = 2
name = "Three heads"
{_FLAT}
[tape]
{_THIN}

[transport]
speeds_cm_s = [20, 40]
speed_plus_minus_percent = 3

[[playback_heads]]
spacing_mm = 44
spacing_plus_minus_mm = 1.76

[[playback_heads]]
spacing_mm = 88
spacing_plus_minus_mm = 3.52
level_db = -6
inverted = true

[[playback_heads]]
spacing_mm = 176
spacing_plus_minus_mm = 7.04
level_db = -3
feeds_return = false

[mixer]
return_send_db = -10

[song]
bpm = 66

[[songs]]
name = "Gate"
bpm = 66
note = "quarter"

[[parts]]
name = "reel"
radius_mm = 42.0169
wobble_percent = 0.05
"""

CLOSED_LOOP = f"""
file_version = 2
name = "Closed loop"
{_FLAT}
erases = false

[transport]
speed_range_cm_s = [10, 40]
speed_plus_minus_percent = 3

[tape]
{_THIN}
loop_length_m = 1.2

[[playback_heads]]
spacing_mm = 60
spacing_plus_minus_mm = 2.4

[mixer]
return_send_db = -12

[[songs]]
name = "Tide"
bpm = 92
note = "dotted eighth"

[[songs]]
name = "Lamp"
bpm = 120
"""

CASSETTE = f"""
file_version = 2
name = "Cassette deck"
{_FLAT}

[transport]
speeds_cm_s = [4.76]

[tape]
total_thickness_um = 18
{_THIN}
length_m = 86

[[playback_heads]]
spacing_mm = 5

[mixer]
return_send_db = 2

[song]
bpm = 140
note = "sixteenth"
wanted_repeats = 1
"""

MEASURED = f"""
file_version = 2
name = "Measured deck"
{_FLAT}
[tape]
{_THIN}

[transport]
speeds_ips = [7.5, 3.75]
speed_plus_minus_percent = 2
capstan_diameter_mm = 8

[[playback_heads]]
spacing_mm = 41.5

[song]
bpm = 68
wanted_repeats = 5
faded_db = -36

[[measured_delays]]
head = 1
speed = 1
delay_ms = 219.3
delay_plus_minus_ms = 0.05
"""


def flat_machine(text: str) -> Machine:
    """Read one of them."""
    return machine_from_text(text)
