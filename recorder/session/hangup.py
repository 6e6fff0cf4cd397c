"""A terminal that goes away while a test runs."""

from __future__ import annotations

import signal

__all__ = ["by_nohup"]


def by_nohup(number: int) -> bool:
    """Whether whoever started the program wants it to go on when the terminal goes away: then this signal stays
    ignored."""
    return signal.Signals(number).name == "SIGHUP" and signal.getsignal(number) == signal.SIG_IGN
