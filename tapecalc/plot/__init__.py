"""Figures, clips and players."""
