"""Sounds, the motion of the tape, and the machine that plays them."""
