"""What lesson 8 says one hears is in its sounds: how many shivers the part to blame makes."""

import numpy as np
import pytest
from lesson_sounds import cents, sounds

HEARD = sounds("08_measuring")


@pytest.mark.parametrize(("title", "shivers"), [("fault A", 4), ("fault B", 9)])
def test_the_shivers_can_be_counted(title, shivers):
    """Each carries the pitch up through the middle once; a good few is that many and not one more."""
    up = np.diff((cents(HEARD[title], 660, 0.25, 2.95) > 0).astype(int)) > 0
    assert shivers <= np.count_nonzero(up) <= shivers + 1
    assert np.abs(cents(HEARD[title], 660, 0.4, 2.9)).max() > 40
