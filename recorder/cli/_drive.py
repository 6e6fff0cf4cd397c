"""A test that runs in a terminal: signals that stop it, keys, and the loop that steps it and shows where it is."""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from types import FrameType, TracebackType
from typing import TYPE_CHECKING, Any

from recorder import report
from recorder.errors import RecorderError
from recorder.session.hangup import by_nohup

if TYPE_CHECKING:
    from recorder.cli._live import LiveLine
    from recorder.session import AskTwice, Finished, Session

__all__ = ["Keys", "StopSignals", "drive"]

# A reading is seen within 50 ms, with a seventh of that to spare for a busy computer; each turn costs.
_TURN_S = 0.043
_STALE_S = 5.0  # a trace played faster than it can be looked at: its phases do not go with its pressure any more


class StopSignals:
    """Ctrl-C, SIGTERM and SIGHUP ask for a stop instead of ending the program, so that the file is sealed."""

    def __init__(self) -> None:
        self.why: str | None = None
        self._ends = False  # nothing is under way that is to be sealed first
        self._before: list[tuple[int, Any]] = []

    def _caught(self, number: int, frame: FrameType | None) -> None:
        self.why = "interrupted" if number == signal.SIGINT else signal.Signals(number).name
        if self._ends:
            raise KeyboardInterrupt

    @contextmanager
    def may_end(self) -> Iterator[None]:
        """Meanwhile a signal ends the program: what waits for the reader of a result is not to wait for ever."""
        self._ends = True
        try:
            yield
        finally:
            self._ends = False

    def asked(self) -> bool:
        """Whether somebody wants it to stop."""
        return self.why is not None

    def __enter__(self) -> StopSignals:
        for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
            number = getattr(signal, name, None)
            if number is not None and not by_nohup(number):
                self._before.append((number, signal.signal(number, self._caught)))
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        for number, before in self._before:
            signal.signal(number, before)


class Keys:
    """Single key presses of a terminal, without blocking; nothing where there is no terminal, and while the program is
    in its background: whoever reads from it there, or sets its modes, is stopped by the system (SIGTTIN, SIGTTOU)."""

    def __init__(self) -> None:
        self._saved: Any = None
        self._on = sys.stdin is not None and sys.stdin.isatty()

    def _in_front(self) -> bool:
        if sys.platform == "win32":
            return True
        try:
            return os.tcgetpgrp(sys.stdin.fileno()) == os.getpgrp()
        except OSError:  # of a terminal that is not this session's nobody is stopped
            return True

    def __enter__(self) -> Keys:
        if self._on and sys.platform != "win32" and self._in_front():
            import termios
            import tty

            self._saved = termios.tcgetattr(sys.stdin.fileno())
            tty.setcbreak(sys.stdin.fileno())
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._saved is not None and sys.platform != "win32" and self._in_front():  # else the shell has set its own
            import termios

            with suppress(termios.error):  # a terminal that went away: the result may go elsewhere, to a file
                # At once: one that is stopped is not waited for until it has shown everything.
                termios.tcsetattr(sys.stdin.fileno(), termios.TCSANOW, self._saved)

    def take(self) -> str:
        """The key that was pressed, or an empty text."""
        if not self._on:
            return ""
        if sys.platform == "win32":
            import msvcrt

            return msvcrt.getwch() if msvcrt.kbhit() else ""
        import select

        ready, _, _ = select.select([sys.stdin], [], [], 0)
        if not ready or not self._in_front():
            return ""
        got = b""
        with suppress(OSError):  # EIO: of a program that its terminal left behind
            got = os.read(sys.stdin.fileno(), 1)
        if not got:  # the terminal went away
            self._on = False
        return got.decode("ascii", "ignore")


def drive(
    session: Session,
    live: LiveLine,
    stop: StopSignals,
    *,
    keys: Keys | None = None,
    over: Callable[[], bool] = lambda: False,
    pause_s: float = _TURN_S,
) -> tuple[Finished, RecorderError | None]:
    """Runs a session to its end and seals the file. Returns what it left, and the error that came up. A disk that
    takes no more ends no test that is under way: whoever stands there gets its judgement.

    A hold that has told nothing yet is ended by the second press of its key only; a signal ends it at once.

    over: says that nothing more will come (the simulated tester has played its whole trace).
    """
    from recorder.session import AskTwice

    twice = AskTwice()
    shown = float("-inf")
    why, told, aside = "finished", False, _Asides()
    while True:
        session.step()
        if session.finished or session.broken is not None:
            break
        if session.storage_error is not None and not told:
            if not session.view().strokes:
                break  # nothing is under pressure yet: it is sooner begun anew than done in vain
            told = True
            live.say("NOTHING MORE IS STORED. The test goes on and is judged, and its file stays incomplete", loud=True)
        aside.say(session, live)
        if stop.why is not None:
            why = stop.why
            break
        if over():
            why = "end of the trace"
            break
        if keys is not None and _ends(keys.take(), session, live, twice):
            why = "stopped by key"
            break
        now = time.monotonic()
        if now - shown >= 0.9 * _TURN_S:
            _show(session, live)
            shown = time.monotonic()
        time.sleep(pause_s)
    error = session.broken
    session.step()
    done = session.stop(why if error is None else str(error))
    live.clear()
    aside.say(session, live)  # what only the end could tell
    return done, error or session.storage_error  # the disk may have refused the seal


class _Asides:
    """What is said beside the test's steps, each once; a disk that does not answer once each time."""

    def __init__(self) -> None:
        self._said: set[str] = set()
        self._slow = False

    def say(self, session: Session, live: LiveLine) -> None:
        for name in ("other_scale", "note", "blind"):
            what = getattr(session, name)
            if what is not None and name not in self._said:
                self._said.add(name)
                live.say(str(what), loud=True)
        slow = session.slow_disk
        if slow is not None and not self._slow:
            live.say(str(slow), loud=True)
        elif slow is None and self._slow and session.storage_error is None:
            live.say("the disk answers again")
        self._slow = slow is not None


def _show(session: Session, live: LiveLine) -> None:
    view = session.view()
    if session.blind is not None:
        live.show_pressure(view, session.away)
    elif session.analyser.behind_s < _STALE_S:
        live.show(view, session.away)


def _ends(key: str, session: Session, live: LiveLine, twice: AskTwice) -> bool:
    """What a key does; whether that is to end the test."""
    if key in ("m", "M"):
        mark = session.mark("seen")
        live.say("nothing has been recorded yet to mark" if mark is None else f"marked at {mark.time_s:.1f} s")
    elif key in ("q", "Q"):
        left_s = twice.press(session.view() if session.away is None and session.blind is None else None)
        if left_s is None:
            return True
        live.say(f"the hold is not over: it needs {report.clock(left_s)} more to tell. Press q again within "
                 f"{twice.within_s:.0f} s to end it here")
    return False
