"""Machine files of our own."""
