"""Five machines of which every number can be worked out by hand, as machine files: ``MACHINES["one_head"]``.

one_head     200 ms at 19.05 cm/s and 400 ms at 9.525 cm/s
three_heads  100, 200, 400 ms at 40 cm/s, twice that at 20; the second inverted, the third not in the loop
closed_loop  1.2 m of tape, any speed from 10 to 40 cm/s: 300 to 1200 ms and 75 to 300 ms, a lap of 12 to 3 s
cassette     5 mm at 4.76 cm/s, 105.04 ms, and no other speed
measured     the bundled example, whose delay at 7.5 ips was measured: 219.3 ms and not 217.8
"""

from importlib import resources

ONE_HEAD = """
file_version = 2
name = "One head"

[transport]
speeds_cm_s = [19.05, 9.525]

[[playback_heads]]
spacing_mm = 38.1

[mixer]
return_send_db = -8

[song]
bpm = 76
"""

THREE_HEADS = """
file_version = 2
name = "Three heads"

[transport]
speeds_cm_s = [40, 20]

[[playback_heads]]
spacing_mm = 40

[[playback_heads]]
spacing_mm = 80
level_db = -6
inverted = true

[[playback_heads]]
spacing_mm = 160
level_db = -3
feeds_return = false

[mixer]
return_send_db = -10

[song]
bpm = 75
"""

CLOSED_LOOP = """
file_version = 2
name = "Closed loop"

[transport]
speed_range_cm_s = [10, 40]

[tape]
loop_length_m = 1.2

[heads]
erases = true

[[playback_heads]]
spacing_mm = 30

[[playback_heads]]
spacing_mm = 60

[[playback_heads]]
spacing_mm = 90

[[playback_heads]]
spacing_mm = 120

[mixer]
return_send_db = -20

[song]
bpm = 92
"""

CASSETTE = """
file_version = 2
name = "Cassette deck"

[transport]
speeds_cm_s = [4.76]

[tape]
total_thickness_um = 18
coating_thickness_um = 6
length_m = 86

[heads]
track_width_mm = 0.6
gap_um = 1.2

[[playback_heads]]
spacing_mm = 5

[mixer]
return_send_db = -8

[song]
bpm = 100
"""

MEASURED = (
    resources.files("tapecalc.examples").joinpath("bench_deck.toml").read_text(encoding="utf-8")
    + """
[[measured_delays]]
head = 1
speed = 1
delay_ms = 219.3
delay_plus_minus_ms = 0.05
"""
)

#: The machine files by name.
MACHINES = {
    "one_head": ONE_HEAD,
    "three_heads": THREE_HEADS,
    "closed_loop": CLOSED_LOOP,
    "cassette": CASSETTE,
    "measured": MEASURED,
}
