"""The live check in a notebook: the script where there is a kernel, a sentence elsewhere."""

from tapecalc.course.live_check import STILL, LiveCheck


def test_a_notebook_gets_the_check_and_a_page_a_place_for_it():
    check = LiveCheck()
    data, _ = check._repr_mimebundle_()
    assert data["text/html"] == STILL and 'class="live-check"' in STILL
    assert data["text/plain"] == repr(check) and "live check" in repr(check)
    assert "mountCheck(el)" in check._esm and "import {" not in check._esm
