"""The simulated tester on a real pseudo-terminal: an adapter that any serial program can open."""

from __future__ import annotations

import contextlib
import os
import select
import threading
import time
from types import TracebackType

from recorder.errors import RunError
from recorder.rig.lines import announcement, timed_lines
from recorder.rig.trace import Trace

__all__ = ["SimulatedTester", "can_play"]


def can_play() -> bool:
    """Whether this system has pseudo-terminals. Windows has none."""
    return hasattr(os, "openpty")


class SimulatedTester:
    """Plays a trace as an adapter does. Use as a context manager; open ``url`` with pyserial.

    speed: 1.0 in real time, 10.0 ten times as fast, None as fast as it is read. It begins to play when the
    host first writes anything (``?`` is answered with an announcement) or after ``start_after_s``.
    ``error`` keeps whatever went wrong in its thread, ``broken`` says it; ``finished`` tells that all has been written.
    Raises RunError where there are no pseudo-terminals.
    """

    def __init__(self, trace: Trace, speed: float | None = 1.0, *, start_after_s: float = 1.0) -> None:
        self._trace = trace
        self._speed = speed
        self._start_after_s = start_after_s
        self._stop = threading.Event()
        self._done = threading.Event()
        self.error: Exception | None = None
        if not can_play():
            raise RunError("the simulated tester needs a pseudo-terminal, which this system does not have",
                           do="play it on Linux or macOS, or in WSL")
        import tty  # which Windows has no part of

        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.url = os.ttyname(self._slave)
        self._thread = threading.Thread(target=self._run, name="simulated-tester", daemon=True)

    @property
    def finished(self) -> bool:
        return self._done.is_set()

    @property
    def broken(self) -> RunError | None:
        """That its thread has broken, and nothing more will come."""
        if self.error is None:
            return None
        return RunError(f"the simulated tester broke ({type(self.error).__name__}: {self.error})", do="run it again")

    def __enter__(self) -> SimulatedTester:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 where: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Stop playing and take the terminal away, as a pulled plug does. May be called twice."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(5.0)
        for end in (self._master, self._slave):
            if end >= 0:
                with contextlib.suppress(OSError):
                    os.close(end)
        self._master = self._slave = -1

    def _run(self) -> None:
        try:
            self._listen(self._start_after_s)
            began = time.monotonic()
            batch = bytearray()
            for at, data in timed_lines(self._trace):
                if self._stop.is_set():
                    return
                if self._speed is not None:
                    due = began + at / self._speed
                    if batch and due - time.monotonic() > 0.001:
                        self._write(batch)
                        batch = bytearray()
                    while (left := due - time.monotonic()) > 0.001 and not self._stop.is_set():
                        self._listen(min(left, 0.1))
                batch += data
                if len(batch) > 2048:
                    self._write(batch)
                    batch = bytearray()
            self._write(batch)
            self._done.set()
            while not self._stop.is_set():  # the adapter stays plugged in
                self._listen(0.1)
        except Exception as err:  # a thread may die, it may not vanish
            if not self._stop.is_set():
                self.error = err

    def _listen(self, seconds: float) -> None:
        """Wait for so long, or until the host asked something; answer it."""
        ready, _, _ = select.select([self._master], [], [], seconds)
        if ready:
            asked = os.read(self._master, 4096)
            if b"?" in asked:
                self._write(announcement(self._trace))
            elif not asked:
                time.sleep(0.01)

    def _write(self, data: bytes | bytearray) -> None:
        view = memoryview(bytes(data))
        while view and not self._stop.is_set():
            _, free, _ = select.select([], [self._master], [], 0.1)
            if free:
                try:
                    view = view[os.write(self._master, view):]
                except BlockingIOError:
                    continue
