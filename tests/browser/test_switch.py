"""Sounds that share a play head, where each group has a script of its own, as in a notebook."""

import lab_browser
import pytest

from tapecalc.live.modules import joined

pytestmark = pytest.mark.browser

FIGURES = "".join(f"<figure aria-label='Sound: {name}'><audio></audio></figure>" for name in ("one", "other"))
CHOSEN = "() => [...document.querySelectorAll('input')].map(one => one.checked)"


def test_each_group_keeps_a_choice_of_its_own(tmp_path):
    scripts = "".join(
        f"<script type=module>{joined('switch')}\nmountSwitch(document.getElementById('{name}'))</script>"
        for name in ("a", "b")
    )
    (tmp_path / "page.html").write_text(f"<div id=a>{FIGURES}</div><div id=b>{FIGURES}</div>{scripts}")
    with lab_browser.page() as tab:
        tab.goto((tmp_path / "page.html").as_uri())
        tab.wait_for_function("() => document.querySelectorAll('fieldset').length === 2")
        assert tab.evaluate(CHOSEN) == [True, False, True, False]
        tab.locator("#b input").nth(1).check()
        assert tab.evaluate(CHOSEN) == [True, False, False, True]
        assert tab.locator("figure:not([hidden])").count() == 2
        assert tab.problems == []
