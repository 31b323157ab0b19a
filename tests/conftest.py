"""Drawn examples: few enough to stay quick, and no limit on the time of one of them."""

from hypothesis import settings

settings.register_profile("quick", max_examples=50, deadline=None)
settings.load_profile("quick")
