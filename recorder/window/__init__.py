"""The window: view state without Qt decides what is shown (``state_*``, ``colours``), Qt shows it (``qt_*``)."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["run"]


def run(argv: Sequence[str] = ()) -> int:
    """Opens the window and returns the exit code. Qt is imported here and not before."""
    from recorder.window.qt_run import run as run_qt

    return run_qt(list(argv))
