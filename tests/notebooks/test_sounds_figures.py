"""What lesson 9 says one hears is in its sound and in its clips."""

import base64
import re
import subprocess

import notebook_rules as rules
import numpy as np
import soundfile
from lesson_sounds import levels_db, sounds

from tapecalc.machine import example_machine
from tapecalc.plot.film import find_encoder

DELAY = example_machine().delays(example_machine().speeds[0])[0]


def test_each_note_is_heard_twice_the_second_time_softer():
    samples, rate = sounds("09_figures")["the tape's way"]
    levels = levels_db((samples, rate))
    note, echo = (levels[round(at / 0.02) - 1 :][:5].max() for at in (1.3, 1.3 + DELAY))
    assert 1 < note - echo < 10


def test_the_second_clip_sounds_one_delay_later_than_the_first(tmp_path):
    (notebook,) = (each for each in rules.course() if each.name == "09_figures")
    films = re.findall(r"data:video/mp4;base64,([A-Za-z0-9+/=]+)", str(notebook.content))
    assert len(films) == 2
    starts = []
    for k, film in enumerate(films):
        film_path, wave = tmp_path / f"{k}.mp4", tmp_path / f"{k}.wav"
        film_path.write_bytes(base64.b64decode(film))
        command = [find_encoder(), "-nostdin", "-loglevel", "error", "-i", str(film_path), str(wave)]
        subprocess.run(command, check=True)
        samples, rate = soundfile.read(wave)
        starts.append(np.flatnonzero(np.abs(samples[:, 0]) > 0.02)[0] / rate)
    assert abs(starts[0] - 1.3) < 0.02
    assert abs(starts[1] - starts[0] - DELAY) < 0.01
