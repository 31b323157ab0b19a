"""The setup card: the machine's numbers, nothing from elsewhere, nothing that could run."""

import re
from html.parser import HTMLParser

import pytest

from tapecalc.machine import example_machine, with_changes
from tapecalc.report.plan_text import CAUTIONS
from tapecalc.report.setup_card import findings, setup_card_page, steps, write_setup_card

DECK = example_machine()


class Outline(HTMLParser):
    """Open tags, attributes and text of a page."""

    def __init__(self, page):
        super().__init__()
        self.tags, self.text, self.open = [], "", []
        self.feed(page)

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag, f"{tag} closed out of order"

    def handle_data(self, data):
        self.text += data


@pytest.fixture(scope="module")
def page():
    return setup_card_page(DECK)


def test_the_page_is_whole_and_holds_every_step_caution_and_finding(page):
    outline = Outline(page)
    assert outline.open == []
    assert [tag for tag, _ in outline.tags].count("h1") == 1
    for words in (*CAUTIONS, *(s.do for s in steps(DECK)), *(s.expect for s in steps(DECK))):
        assert words in outline.text
    for finding in findings(DECK):
        assert all(words in outline.text for words in (finding.sign, finding.look, finding.proof))


def test_nothing_is_loaded_from_elsewhere_and_nothing_runs(page):
    tags = Outline(page).tags
    assert {"script", "link", "img", "iframe", "a"} & {tag for tag, _ in tags} == set()
    assert [name for _, attributes in tags for name in attributes if name.startswith("on")] == []
    assert "default-src 'none'" in page


def test_a_name_with_markup_stays_text():
    spoiled = setup_card_page(with_changes(DECK, {"name": "<script>alert(1)</script> & co"}))
    assert "<script>" not in spoiled
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp; co" in spoiled


def test_return_send_is_down_before_anything_is_turned_up():
    doing = [step.do for step in steps(DECK)]
    down = next(k for k, words in enumerate(doing) if words.startswith("Return send and tape channel down"))
    up = next(k for k, words in enumerate(doing) if words.startswith("Return send up"))
    assert down == 1 and up > down
    assert all(" up" not in words for words in doing[:down])
    assert doing[-1].startswith("At the end: return send down")


def test_the_numbers_are_those_of_the_bench_deck():
    said = " ".join(step.expect for step in steps(DECK))
    assert "13 dB below a full tape" in said  # 4 + 9 dBu, and 0 dBu at the tape
    assert "218 ms ± 3 ms at 7.5 ips; 436 ms ± 7 ms at 3.75 ips" in said
    assert "48 or 96 min" in said  # 549 m at 19.05 and 9.525 cm/s
    assert "Edge near +0.1 dB, house limit near -2.9 dB" in said
    assert "85 dB(A) 8 h, 94 dB(A) 1 h, 100 dB(A) 15 min" in said  # Source: NIOSH
    proofs = {finding.sign: finding.proof for finding in findings(DECK)}
    assert "return send -6 dBu" in proofs["No echo"]
    assert "4.6 dB a second" in proofs["Howls at once"]  # 1 dB in 217.8 ms
    assert "capstan 7.55 Hz" in proofs["Wobbles"]
    assert "50 Hz" in proofs["Hum"] and "100 Hz" in proofs["Hum"]


def test_six_signs_each_with_a_measurement():
    assert [finding.sign for finding in findings(DECK)] == [
        "No echo", "One echo only", "Howls at once", "Dull", "Wobbles", "Hum",
    ]  # fmt: skip
    for finding in findings(DECK):
        assert re.search(r"\d", finding.proof), finding.sign


def test_a_machine_of_which_little_is_known_still_gets_a_page():
    bare = with_changes(DECK, {"transport.mains_hz": None, "parts": []})
    proofs = {finding.sign: finding.proof for finding in findings(bare)}
    assert "the mains frequency is a field" in proofs["Hum"]
    assert "none is described" in proofs["Wobbles"]
    perfect = with_changes(
        DECK,
        {
            "heads.gap_um": 0.0,
            "heads.spacing_loss_um": 0.0,
            "heads.aligned_spacing_loss_um": 0.0,
            "heads.azimuth_error_arcmin": 0.0,
            "tape.coating_thickness_um": 0.001,
        },
    )
    assert "no treble loss" in {f.sign: f.proof for f in findings(perfect)}["Dull"]


def test_the_last_head_is_named_where_there_are_more():
    heads = [{"spacing_mm": 41.5}, {"spacing_mm": 83.0}]
    more = with_changes(DECK, {"playback_heads": heads})
    assert any(step.expect.startswith("Last head: 436 ms") for step in steps(more))


def test_without_a_way_back_there_is_nothing_to_set_up():
    silent = with_changes(DECK, {"playback_heads.1.feeds_return": False})
    with pytest.raises(ValueError, match="head_gains must not all be 0"):
        setup_card_page(silent)


def test_the_file_is_written_whole_or_not_at_all(tmp_path):
    path = write_setup_card(DECK, tmp_path / "a" / "page.html")
    assert path.read_text(encoding="utf-8") == setup_card_page(DECK)
    (tmp_path / "taken").write_text("no folder")
    with pytest.raises(OSError, match="cannot write to"):
        write_setup_card(DECK, tmp_path / "taken" / "page.html")


def test_a_measured_delay_stands_on_the_card_with_its_own_uncertainty():
    one = {"head": 1, "speed": 1, "delay_ms": 219.3, "delay_plus_minus_ms": 0.052}
    said = " ".join(step.expect for step in steps(with_changes(DECK, {"measured_delays": [one]})))
    assert "219.30 ms ± 0.03 ms at 7.5 ips; 436 ms ± 7 ms at 3.75 ips" in said
