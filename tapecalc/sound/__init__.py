"""Sounds of our own, sound files, and the echo rendered."""
