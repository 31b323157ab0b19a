"""Sounds in a lesson: one play head where the notebook runs, plain players where it does not."""

import numpy as np
import pytest

from tapecalc.course.listening import compare, player

RATE = 16_000
TONE = 0.2 * np.sin(2 * np.pi * 440 * np.arange(RATE) / RATE)


@pytest.fixture
def both():
    return compare({"Loud": TONE, "Quiet": TONE / 2}, RATE, listen_for="The second is half as large.")


def test_a_notebook_gets_the_picture_then_players_under_one_play_head(both, monkeypatch):
    import IPython.display

    sent = []
    monkeypatch.setattr(IPython.display, "display", lambda data, **more: sent.append((data, more)))
    both._ipython_display_()
    (picture, options), (players, _) = sent
    assert picture["image/png"] and options["metadata"]["image/png"]["alt"] == both.listening.alt
    assert players["text/html"] == both.listening.html == both.page
    assert players["text/plain"] == repr(both) == repr(both.listening)
    assert "application/vnd.jupyter.widget-view+json" in players


def test_the_script_joins_what_the_page_brings(both):
    assert "mountSwitch(" in both._esm and "import {" not in both._esm
    assert "class='sounds'" in both.page


def test_one_sound_is_a_player_too():
    one = player(TONE, RATE, title="Tone", listen_for="A tone.")
    assert [clip.title for clip in one.listening.clips] == ["Tone"]
