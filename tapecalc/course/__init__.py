"""Panels and exercises of the lessons."""
