"""Drawn examples: few and always the same in `make test`, more and new ones each week."""

from hypothesis import settings

settings.register_profile("fixed", max_examples=50, deadline=None, derandomize=True)
settings.register_profile("free", max_examples=200, deadline=None, print_blob=True)
settings.load_profile("fixed")
