"""The window: ``state`` decides without Qt what is shown, ``parts`` and ``places`` show it."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["run"]


def run(argv: Sequence[str] = ()) -> int:
    """Opens the window and returns the exit code. Qt is imported here and not before."""
    from recorder.window.places.run import run as run_qt

    return run_qt(list(argv))
