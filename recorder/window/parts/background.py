"""Work that takes longer than a redraw, done beside the window's own thread."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any, TypeVar

from PySide6.QtCore import QObject, Qt, Signal

from recorder.errors import RecorderError, RunError

__all__ = ["Background"]

_T = TypeVar("_T")


class Background(QObject):
    """One thing after the other in one thread; what is to happen then happens in the window's thread.

    ``failed`` is emitted with one line; an error of the program is said too, and the window lives on.
    """

    failed = Signal(str)
    _back = Signal(object)

    def __init__(self, name: str) -> None:
        super().__init__()
        self._name = name
        self._pool: ThreadPoolExecutor | None = None
        self._open = 0
        self._back.connect(self._arrived, Qt.ConnectionType.QueuedConnection)

    @property
    def busy(self) -> bool:
        """Whether something is under way."""
        return self._open > 0

    def run(self, work: Callable[[], _T], then: Callable[[_T], object],
            otherwise: Callable[[RecorderError], object] | None = None) -> None:
        """``work`` there, ``then`` here; ``otherwise`` here where it raised."""
        if self._pool is None:
            self._pool = ThreadPoolExecutor(1, thread_name_prefix=self._name)
        self._open += 1
        future = self._pool.submit(work)
        future.add_done_callback(lambda f: self._hand_over((f, then, otherwise)))

    def _hand_over(self, done: object) -> None:
        try:
            self._back.emit(done)
        except RuntimeError:  # the window is gone, and nobody waits for the answer
            return

    def _arrived(self, done: tuple[Future[Any], Callable[[Any], object],
                                   Callable[[RecorderError], object] | None]) -> None:
        future, then, otherwise = done
        self._open -= 1
        if future.cancelled():
            return
        broke = future.exception()
        if broke is None:
            then(future.result())
            return
        if not isinstance(broke, RecorderError):
            broke = RunError(f"the program broke ({type(broke).__name__}: {broke})", do="please report it")
        if otherwise is not None:
            otherwise(broke)
        self.failed.emit(str(broke))

    def close(self) -> None:
        """Waits for what is under way; the rest is dropped. May be called twice."""
        pool, self._pool = self._pool, None
        if pool is not None:
            pool.shutdown(wait=True, cancel_futures=True)
