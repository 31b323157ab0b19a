"""Players keep the level true, start by nobody's wish but the reader's, and say in words what sounds."""

import base64
import html.parser
import io
import re

import numpy as np
import pytest
import soundfile

from tapecalc.plot import player as listen
from tapecalc.plot.player import compare, player
from tapecalc.sound.loudness import loudness_lufs, true_peak_db
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


def test_what_is_played_is_as_loud_as_the_course(shown):
    # A mono sound stands in both channels, which adds 3.01 dB to what one reads.
    assert loudness_lufs(decoded(shown.clips[0]), RATE) + 3.01 == pytest.approx(-23, abs=0.2)
    assert shown.clips[0].loudness_lufs == pytest.approx(-23, abs=0.05)


def test_a_sound_with_high_peaks_stays_a_decibel_below_full_scale():
    clicks = np.zeros(RATE)
    clicks[:: RATE // 4] = 1.0
    loud = player(clicks, RATE, title="Clicks", listen_for="Four a second.")
    assert true_peak_db(decoded(loud.clips[0])) < -0.5  # less what the encoder adds
    assert loud.clips[0].loudness_lufs < -23


def test_sounds_that_are_alike_are_equally_loud():
    pair = compare({"Loud": TONE, "Quiet": TONE / 10}, RATE, listen_for="Nothing differs.", alike=True)
    assert [clip.loudness_lufs for clip in pair.clips] == pytest.approx([-23, -23], abs=0.05)
    assert "equally loud" in pair.html and "Levels compare" not in pair.html


def test_picture_of_pitch_shows_what_was_given():
    sway = 35 * np.sin(2 * np.pi * 2 * np.linspace(0, 1, 101))
    one = player(TONE, RATE, title="Sways", listen_for="It sways.", pitch_cents=sway)
    (axes,) = one.figure().axes
    np.testing.assert_allclose(axes.lines[0].get_ydata(), sway.round(2))
    assert axes.get_xlim() == (0, 1) and axes.get_ylim()[1] > 35 and "cents" in axes.get_ylabel()
    assert one.alt == "Pitch against time. Sways moves from -35 to +35 cents."


def test_pitches_are_of_the_sounds():
    with pytest.raises(ValueError, match="pitch_cents must be of Sways, got Other"):
        compare({"Sways": TONE}, RATE, listen_for="It sways.", pitch_cents={"Other": [0.0]})


def test_quieter_stays_quieter_by_the_same_decibels(both):
    loud, quiet = both.clips
    assert rms_db(decoded(loud)) - rms_db(decoded(quiet)) == pytest.approx(20, abs=0.2)
    assert loud.peak_db - quiet.peak_db == pytest.approx(20, abs=1e-9)


def test_caption_states_length_and_levels():
    tone = player(TONE, RATE, title="Tone", listen_for="A tone.").clips[0]
    assert tone.caption == "Tone: 1.0 s, -23.0 LUFS."


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
    # A 440 Hz sine in both channels: peaks of as many dBFS as LUFS, less the 0.69 dB of K weighting's offset.
    np.testing.assert_allclose(loud, -22.3, atol=0.1)
    np.testing.assert_allclose(loud - quiet, 20, atol=0.1)
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
    assert "is loudest at 0.0 s" in words and "and stays 20 dB below that after 0.3 s" in words
    assert "40 dB below that after 0.7 s" in words


def test_description_of_a_steady_sound_claims_no_fade(both):
    assert both.alt == (
        "Level against time. Loud is loudest at 0.0 s, -22.3 dBFS. Quiet is loudest at 0.0 s, -42.3 dBFS."
    )


def test_stereo_is_measured_at_its_louder_channel():
    stereo = player(np.column_stack([TONE, TONE / 2]), RATE, title="Two", listen_for="Left is louder.")
    # Half in the other channel: power of 1.25 instead of 2, so that both are 2.04 dB louder than as mono.
    assert stereo.clips[0].peak_db == pytest.approx(-22.3 + 2.04, abs=0.1)
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


@pytest.mark.parametrize("count", [0, 5])
def test_compare_takes_one_to_four_sounds(count):
    with pytest.raises(ValueError, match=f"clips must be one to four sounds, got {count}"):
        compare({str(n): TONE for n in range(count)}, RATE, listen_for="Anything.")


def test_colors_come_from_the_page_so_that_both_themes_are_readable(both):
    assert not re.search(r"color\s*:|background", re.sub(r"base64,[^']*", "", both.html))
