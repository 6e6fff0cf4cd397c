"""Work done aside, so that the loop that carries readings to the disk never waits for it."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Generic, TypeVar

_T = TypeVar("_T")


class Aside(Generic[_T]):
    """One piece of work at a time, each in a thread of its own. For one owner. waited_for: the program does not end
    before the work does; what computes in compiled code may not be cut off there (the process aborts), what waits for
    a disk may."""

    def __init__(self, *, waited_for: bool = False) -> None:
        self._daemon = not waited_for
        self._thread: threading.Thread | None = None
        self._done: list[_T] = []
        self._error: BaseException | None = None
        self.cost_s = 0.0  # what the last piece took

    @property
    def busy(self) -> bool:
        return self._thread is not None

    def start(self, work: Callable[[], _T]) -> None:
        """Begin; not while ``busy``. Where the system has no more threads to give, it is done at once."""
        thread = threading.Thread(target=self._run, args=(work,), name="aside", daemon=self._daemon)
        self._thread = thread
        try:
            thread.start()
        except RuntimeError:  # "can't start new thread": too many processes, or too little memory
            self._run(work)

    def take(self, *, wait_s: float = 0.0) -> _T | None:
        """What came of the work, once, when it is over (for which it is waited so long); None before, and where
        there is none. Raises what the work raised."""
        if wait_s and self._thread is not None and self._thread.ident is not None:  # else it was done at once
            self._thread.join(wait_s)
        if self._thread is None or self._thread.is_alive():
            return None
        self._thread = None
        if self._error is not None:
            error, self._error = self._error, None
            raise error
        return self._done.pop()

    def _run(self, work: Callable[[], _T]) -> None:
        began = time.monotonic()
        try:
            self._done.append(work())
        except BaseException as err:  # handed over by take
            self._error = err
        self.cost_s = time.monotonic() - began
