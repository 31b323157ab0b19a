"""Players keep the level true, start by nobody's wish but the reader's, and say in words what sounds."""

import base64
import html.parser
import io
import re

import numpy as np
import pytest
import soundfile

from tapecalc.plot import player as listen
from tapecalc.plot.player import HEADROOM_DB, compare, player
from tapecalc.sound.signals import phrase

RATE = 48_000
PHRASE = phrase(RATE)
TIME = np.arange(RATE) / RATE
TONE = 0.5 * np.sin(2 * np.pi * 440 * TIME)


def rms_db(samples):
    return 10 * np.log10(np.mean(np.square(samples)))


def decoded(clip):
    return soundfile.read(io.BytesIO(clip.mp3))[0]


class Tags(html.parser.HTMLParser):
    """Collect (tag, attributes) of a piece of HTML."""

    def __init__(self, text):
        super().__init__()
        self.found = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))

    def all(self, tag):
        return [attributes for name, attributes in self.found if name == tag]


@pytest.fixture(scope="module")
def shown():
    return player(PHRASE, RATE, title="The phrase", listen_for="Nine plucked notes.")


@pytest.fixture(scope="module")
def both():
    return compare({"Loud": TONE, "Quiet": TONE / 10}, RATE, listen_for="The second is 20 dB down.")


def test_what_is_played_is_the_sound_turned_down_by_the_headroom(shown):
    assert rms_db(decoded(shown.clips[0])) == pytest.approx(rms_db(PHRASE) - HEADROOM_DB, abs=0.1)


def test_a_full_scale_sound_starts_well_below_full_scale_after_decoding():
    square = np.sign(np.sin(2 * np.pi * 200 * TIME))
    loud = player(square, RATE, title="Square", listen_for="The loudest there is.")
    assert np.abs(decoded(loud.clips[0])).max() < 0.75
    assert loud.clips[0].peak_db == pytest.approx(-6.0, abs=0.01)


def test_quieter_stays_quieter_by_the_same_decibels(both):
    loud, quiet = both.clips
    assert rms_db(decoded(loud)) - rms_db(decoded(quiet)) == pytest.approx(20, abs=0.2)
    assert loud.peak_db - quiet.peak_db == pytest.approx(20, abs=1e-9)


def test_caption_states_length_and_levels():
    # A sine of amplitude 0.5: peak -6.02, rms 3.01 below that, then 6 dB of headroom.
    tone = player(TONE, RATE, title="Tone", listen_for="A tone.").clips[0]
    assert tone.caption == "Tone: 1.0 s, peak -12.0 dBFS, rms -15.0 dBFS."


def test_six_seconds_of_mono_fit_into_80_kilobytes(shown):
    assert shown.clips[0].duration == pytest.approx(6)
    assert len(shown.clips[0].mp3) <= 80_000


def test_same_sound_same_bytes(shown):
    again = player(PHRASE, RATE, title="The phrase", listen_for="Nine plucked notes.")
    assert again.html == shown.html
    assert again.png == shown.png


def test_player_never_starts_or_loads_by_itself(both):
    players = Tags(both.html).all("audio")
    assert len(players) == 2
    for attributes in players:
        assert "controls" in attributes and attributes["preload"] == "none"
        assert not {"autoplay", "loop"} & set(attributes)
    assert "<script" not in both.html


def test_player_has_a_name_for_screen_readers(both):
    assert [a["aria-label"] for a in Tags(both.html).all("audio")] == [
        "Play: Loud, 1.0 seconds",
        "Play: Quiet, 1.0 seconds",
    ]
    assert Tags(both.html).all("div")[0]["aria-label"] == "Sounds: Loud, Quiet"


def test_link_holds_the_same_file_as_the_player(shown):
    (audio,), (link,) = Tags(shown.html).all("audio"), Tags(shown.html).all("a")
    assert link["download"] == "the-phrase.mp3"
    assert link["href"] == audio["src"]
    assert base64.b64decode(audio["src"].partition(",")[2]) == shown.clips[0].mp3


def test_words_tell_what_to_listen_for_with_and_without_html(shown):
    assert "Nine plucked notes." in shown.html
    assert repr(shown) == (f"{shown.clips[0].caption}\nListen for: Nine plucked notes.")


def test_title_is_text_and_never_markup():
    page = player(TONE, RATE, title="<b>'x'&\"y\"", listen_for="<i>one</i>").html
    tags = Tags(page)
    assert tags.all("audio")[0]["aria-label"] == "Play: <b>'x'&\"y\", 1.0 seconds"
    assert not tags.all("i")
    assert tags.all("a")[0]["download"] == "b-x-y.mp3"


def test_a_title_without_letters_still_gives_a_file_name():
    assert player(TONE, RATE, title="?", listen_for="A tone.").clips[0].file_name == "sound.mp3"


def test_picture_shows_the_peak_of_each_step(both):
    figure = both.figure()
    loud, quiet = (axes.patches[0].get_data().values for axes in figure.axes)
    assert len(loud) == 100
    np.testing.assert_allclose(loud, -12.02, atol=0.05)
    np.testing.assert_allclose(quiet, -32.02, atol=0.05)
    first, second = figure.axes
    assert first.get_ylim() == second.get_ylim() == (listen.FLOOR_DB, 0)
    assert first.get_xlim() == second.get_xlim() == (0, 1)


def test_sounds_of_different_length_share_one_time_axis():
    pair = compare({"Short": TONE[: RATE // 2], "Long": TONE}, RATE, listen_for="Length.")
    assert [axes.get_xlim() for axes in pair.figure().axes] == [(0, 1), (0, 1)]


def test_description_says_when_it_fades():
    # An exponential that falls 60 dB a second: 20 dB in a third of a second, 40 dB in two.
    fading = 0.5 * 10 ** (-3 * TIME) * np.sign(np.sin(2 * np.pi * 500 * TIME + 0.1))
    words = player(fading, RATE, title="Fade", listen_for="A fade.").alt
    assert "loudest at 0.0 s, -12.0 dBFS and stays 20 dB below that after 0.3 s" in words
    assert "40 dB below that after 0.7 s" in words


def test_description_of_a_steady_sound_claims_no_fade(both):
    assert both.alt == (
        "Level against time. Loud is loudest at 0.0 s, -12.0 dBFS. Quiet is loudest at 0.0 s, -32.0 dBFS."
    )


def test_stereo_is_measured_at_its_louder_channel():
    stereo = player(np.column_stack([TONE, TONE / 2]), RATE, title="Two", listen_for="Left is louder.")
    assert stereo.clips[0].peak_db == pytest.approx(-12.02, abs=0.01)
    assert decoded(stereo.clips[0]).shape[1] == 2


def test_notebook_gets_a_picture_with_alt_text_then_players(shown, monkeypatch):
    import IPython.display

    sent = []
    monkeypatch.setattr(IPython.display, "display", lambda data, **more: sent.append((data, more)))
    shown._ipython_display_()
    (picture, options), (players, _) = sent
    assert base64.b64decode(picture["image/png"]) == shown.png
    assert options["metadata"]["image/png"]["alt"] == shown.alt == picture["text/plain"]
    assert players == {"text/html": shown.html, "text/plain": repr(shown)}


def test_samples_are_left_alone():
    samples = TONE.copy()
    player(samples, RATE, title="Tone", listen_for="A tone.")
    np.testing.assert_array_equal(samples, TONE)


@pytest.mark.parametrize(
    ("samples", "sentence"),
    [
        (1.5 * TONE / 0.5, r"samples must be from -1 to 1"),
        (np.zeros(100), "samples must hold a sound, got silence"),
        (np.zeros((100, 3)), "samples must be of shape"),
        ([], "samples must hold at least one sample"),
        ([0.1, np.nan], "samples must be a finite number"),
    ],
)
def test_bad_sound_is_refused_with_a_sentence(samples, sentence):
    with pytest.raises(ValueError, match=sentence):
        player(samples, RATE, title="Bad", listen_for="Nothing.")


def test_sound_without_words_is_refused():
    with pytest.raises(ValueError, match="listen_for must be a text that says something, got ' '"):
        player(TONE, RATE, title="Tone", listen_for=" ")
    with pytest.raises(ValueError, match="title must be a text that says something, got None"):
        player(TONE, RATE, title=None, listen_for="A tone.")


def test_sound_too_long_for_a_notebook_is_refused():
    noise = np.random.default_rng(1).uniform(-1, 1, 40 * RATE)
    with pytest.raises(ValueError, match=r"samples of 40\.0 s make \d+ kB of MP3, allowed are 200 kB"):
        player(noise, RATE, title="Noise", listen_for="Noise.")


@pytest.mark.parametrize("count", [1, 5])
def test_compare_takes_two_to_four_sounds(count):
    with pytest.raises(ValueError, match=f"clips must be two to four sounds, got {count}"):
        compare({str(n): TONE for n in range(count)}, RATE, listen_for="Anything.")


def test_colors_come_from_the_page_so_that_both_themes_are_readable(both):
    assert not re.search(r"color\s*:|background", re.sub(r"base64,[^']*", "", both.html))
