"""``python -m tapecalc``."""

from tapecalc.cli import run

if __name__ == "__main__":
    run()
