"""Words to a stream that whoever reads it may let stand: they never hold up who says them."""

from __future__ import annotations

import os
import select
import stat
import sys
from types import TracebackType
from typing import TextIO

__all__ = ["Unheld", "say_unheld"]

_PIECE = 512  # bytes; POSIX: what is ready to be written to takes so many at once (PIPE_BUF is 512 at least)


def _opened_again(number: int) -> int:
    """The terminal or pipe behind a file number, opened so that a write never waits; -1 where that is not possible.
    Through the number itself it cannot be asked for: it would hold for every program that shares the stream."""
    try:
        if os.isatty(number):
            name = os.ttyname(number)
        elif stat.S_ISFIFO(os.fstat(number).st_mode):
            name = f"/proc/self/fd/{number}"  # of Linux; elsewhere it is not there
        else:
            return -1
        return os.open(name, os.O_WRONLY | os.O_NOCTTY | os.O_NONBLOCK)
    except OSError:
        return -1


class Unheld:
    """Takes texts for a stream, and never waits for its reader. None: a stream that is closed.

    A terminal that is stopped (Ctrl-S) or hangs, a pipe that nobody reads any more and a full disk take nothing. On
    Windows it waits all the same: there is no way to ask.
    """

    def __init__(self, stream: TextIO | None) -> None:
        self._stream = stream
        self._number = -1
        if stream is not None and os.name == "posix":
            try:
                self._number = stream.fileno()
            except (OSError, ValueError):  # no file of the system, as in a test
                self._number = -1
        self._own = _opened_again(self._number) if self._number >= 0 else -1

    def put(self, text: str) -> bool:
        """Whether all of it was taken; a pipe takes all of a line or nothing."""
        if self._stream is None:
            return False
        try:
            if self._number < 0:
                self._stream.write(text)
                self._stream.flush()
                return True
            data = text.encode(self._stream.encoding or "utf-8", self._stream.errors or "replace")
            if self._own >= 0:
                return os.write(self._own, data) == len(data)
            return all(self._piece(data[at : at + _PIECE]) for at in range(0, len(data), _PIECE))
        except (OSError, ValueError):  # it takes nothing at the moment, or went away
            return False

    def _piece(self, data: bytes) -> bool:
        if not select.select([], [self._number], [], 0)[1]:
            return False
        return os.write(self._number, data) == len(data)

    def close(self) -> None:
        """What was opened for it; the stream stays open, and takes texts all the same. Twice is fine."""
        own, self._own = self._own, -1
        if own >= 0:
            os.close(own)

    def __enter__(self) -> Unheld:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def say_unheld(text: str) -> bool:
    """A line on standard error, where it has room for it; whether it had."""
    with Unheld(sys.stderr) as unheld:
        return unheld.put(f"{text}\n")
