"""``python -m recorder`` is the same as the ``recorder`` command."""

from recorder.cli import run

if __name__ == "__main__":
    run()
