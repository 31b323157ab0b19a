"""The exercises of the notebooks, one module per notebook, each exercise a name in it.

A notebook says ``from tapecalc.show.questions import delay_from_head_spacing as ask``
and ``ask.slap_spacing.check(my_spacing_mm)``; the question itself is asked in the
notebook's text, the expected number is worked out here by the library.
"""

__all__ = []
