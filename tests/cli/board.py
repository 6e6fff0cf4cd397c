"""A board on a real pseudo-terminal that says what a test wants, a line at a time."""

from __future__ import annotations

import contextlib
import os
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager

__all__ = ["board"]


@contextmanager
def board(speaks: Callable[[int], bytes], most: int = 10**9, rate_hz: float = 100.0) -> Iterator[str]:
    """Writes ``speaks(n)`` for n = 0, 1, ... at an even rate and goes silent after ``most``; gives the port's name.

    What the port has no room for is lost, as a board's own bytes are."""
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    stop = threading.Event()

    def play() -> None:
        begin, n = time.monotonic(), 0
        while n < most and not stop.wait(max(0.0, begin + n / rate_hz - time.monotonic())):
            with contextlib.suppress(BlockingIOError):
                os.write(master, speaks(n))
            n += 1

    thread = threading.Thread(target=play, daemon=True)
    thread.start()
    try:
        yield os.ttyname(slave)
    finally:
        stop.set()
        thread.join()
        os.close(master)
        os.close(slave)
