"""One port, read by one thread that only reads and queues. Lost ports are opened again for a while."""

from __future__ import annotations

import contextlib
import os
import select
import threading
import time
from collections import deque
from dataclasses import dataclass
from typing import Any

import serial

from recorder.errors import PortBusy, PortLost, RecorderError, RunError
from recorder.model import USUAL_BAUD
from recorder.port.errors import FOREIGN, translate

MOST_BACKLOG_BYTES = 64 << 20  # over an hour and a half at 115200 baud
_WAIT_S = 0.05  # a read returns after this, or as soon as there is a byte
_UNTAKEN_S = 0.25  # where the taker reads: after this the thread reads in its place
_PIECE, _MOST_PIECES = 1024, 256  # bytes: after less there is nothing more
_AT_ONCE = 65536  # bytes
_RETRY_S = 0.2
_JOIN_S = 5.0  # a network port may take longer to open, and is closed by the thread then
_LET_GO_S = 0.5  # a program that has just ended may hold the port a moment longer


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bytes as they came. ``host_s``: time.monotonic() at their arrival."""

    host_s: float
    data: bytes


@dataclass(frozen=True, slots=True)
class Lost:
    """The port went away."""

    host_s: float


@dataclass(frozen=True, slots=True)
class Back:
    """The port is open again."""

    host_s: float


def _plain(link: Any) -> bool:
    """A real serial port of a POSIX system: neither a network URL nor Windows."""
    return os.name == "posix" and type(link) is serial.Serial


def _rest(link: Any) -> bytes:
    """What else has come over a plain network connection, which only knows whether there is something, not how much."""
    link.timeout = 0.0
    try:
        data: bytes = link.read(_AT_ONCE)
    except FOREIGN:  # it ends behind what came before, and the next reading says so
        return b""
    finally:
        link.timeout = _WAIT_S
    return data


def _arrived(link: Any, wait_s: float) -> bytes:
    """What has come, waited for up to ``wait_s``; where the port is not a plain one up to _WAIT_S."""
    if not _plain(link):
        first: bytes = link.read(1)
        if not first:
            return first
        return first + (_rest(link) if str(link.port).lower().startswith("socket:") else link.read(link.in_waiting))
    # The same in two calls of the system, not seven: at 100 samples a second that is a fifth of all the work.
    if not select.select([link.fileno()], [], [], wait_s)[0]:
        return b""
    try:
        data = os.read(link.fileno(), _AT_ONCE)
    except BlockingIOError:
        return b""
    if not data:
        raise serial.SerialException("the device is ready and has nothing: it went away")
    return data


class Port:
    """Open, take what came, close. ``failure`` is why nothing more will come, None while all is well.

    url: any pyserial URL. reconnect_s: how long a lost port is waited for. when_taken: ``take`` reads by itself, and
    the thread only where nobody has taken anything for a while. That saves a turn of the thread for every sample; the
    arrival of bytes is then only known as exactly as they are taken often. Only of plain ports.
    """

    def __init__(
        self, url: str, *, baud: int = USUAL_BAUD, reconnect_s: float = 60.0, when_taken: bool = False
    ) -> None:
        self.url = url
        self.baud = baud
        self.reconnect_s = reconnect_s
        self._when_taken = when_taken
        self._taken_s = float("-inf")
        self._gone = False  # the taker found the port lost; the thread deals with it
        self._reading = threading.Lock()  # one reader at a time, and none while the port is closed
        self._queue: deque[Chunk | Lost | Back] = deque()
        self._backlog = 0
        self._lock = threading.Lock()  # guards the queue and its size
        self._serial: serial.Serial | None = None
        self._thread: threading.Thread | None = None
        self._stop = threading.Event()
        self._failure: RecorderError | None = None

    @property
    def failure(self) -> RecorderError | None:
        return self._failure

    def open(self) -> None:
        """Open the port and begin to read. Raises OpenError; that another program holds it, after half a second."""
        if self._thread is not None:
            return
        end = time.monotonic() + _LET_GO_S
        while self._serial is None:
            try:
                self._serial = self._connect()
            except FOREIGN as err:
                told = translate(err, self.url)
                if not isinstance(told, PortBusy) or time.monotonic() >= end:
                    raise told from err
                time.sleep(_LET_GO_S / 5.0)
        self._when_taken = self._when_taken and _plain(self._serial)
        self._gone, self._failure = False, None  # of the time before it was closed
        # A thread that ``close`` no longer waited for keeps its own, and ends by it.
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, args=(self._stop,), name=f"port {self.url}", daemon=True)
        self._thread.start()

    def take(self) -> list[Chunk | Lost | Back]:
        """All that has come since the last call, in order. Never blocks."""
        if self._when_taken:
            self._taken_s = time.monotonic()
            try:
                self._read_all()
            except FOREIGN:
                self._gone = True
        with self._lock:
            out = list(self._queue)
            self._queue.clear()
            self._backlog = 0
        return out

    def write(self, data: bytes) -> None:
        """Send; a port that is away at the moment swallows it, the reader notices the loss."""
        link = self._serial
        if link is not None:
            with contextlib.suppress(*FOREIGN):
                link.write(data)

    def close(self) -> None:
        """Stop the thread, then close the port. Twice is fine."""
        self._stop.set()
        thread, self._thread = self._thread, None
        if thread is not None and thread is not threading.current_thread():
            thread.join(timeout=_JOIN_S)
        self._disconnect()

    def _connect(self) -> serial.Serial:
        link = serial.serial_for_url(self.url, baudrate=self.baud, timeout=_WAIT_S, do_not_open=True)
        if isinstance(link, serial.Serial):  # network URLs do not know these
            link.exclusive = True
            link.write_timeout = 0.5
        link.open()
        return link

    def _disconnect(self) -> None:
        with self._reading:
            link, self._serial = self._serial, None
            if link is not None:
                with contextlib.suppress(*FOREIGN):
                    link.close()

    def _read(self, wait_s: float) -> int:
        """What has come, to the queue; how many bytes. Raises FOREIGN when the port is lost."""
        with self._reading:
            if self._serial is None or self._gone:
                return 0
            data = _arrived(self._serial, wait_s)
            if data:
                self._put(Chunk(time.monotonic(), data))
            return len(data)

    def _read_all(self) -> None:
        """What has come without waiting; the system hands it over in pieces of 4 kB."""
        for _ in range(_MOST_PIECES):
            if self._read(0.0) < _PIECE:
                return

    def _put(self, item: Chunk | Lost | Back) -> None:
        with self._lock:
            self._queue.append(item)
            if isinstance(item, Chunk):
                self._backlog += len(item.data)

    def _run(self, stop: threading.Event) -> None:
        try:
            while not stop.is_set():
                if not self._read_until_lost(stop):
                    return
                if not self._wait_for_return(stop):
                    return
        except Exception as err:  # a thread may die, it may not vanish
            if stop.is_set():  # of a port that was closed, and may be open again
                return
            self._failure = RunError(
                f"reading stopped ({type(err).__name__}: {err})", where=self.url, do="start the test again"
            )
            self._put(Lost(time.monotonic()))

    def _read_until_lost(self, stop: threading.Event) -> bool:
        """True when the port was lost, False when it is time to stop."""
        try:
            while not stop.is_set():
                if self._when_taken:
                    self._read_for_taker(stop)
                else:
                    self._read(_WAIT_S)
                if self._backlog > MOST_BACKLOG_BYTES:
                    self._failure = RunError(
                        "more than 64 MB arrived that nobody took", where=self.url,
                        do="start the test again on a computer that is less busy",
                    )
                    return False
        except FOREIGN:
            if stop.is_set():
                return False
            self._put(Lost(time.monotonic()))
            self._disconnect()
            return True
        return False

    def _read_for_taker(self, stop: threading.Event) -> None:
        """Waits for a while; reads where nothing was taken in it. Raises FOREIGN when the port is lost."""
        if stop.wait(_UNTAKEN_S):
            return
        if self._gone:
            raise serial.SerialException("the taker found it lost")
        if time.monotonic() - self._taken_s > _UNTAKEN_S:
            self._read_all()

    def _wait_for_return(self, stop: threading.Event) -> bool:
        """True when the port is open again, False when it is time to stop (``failure`` may be set)."""
        end = time.monotonic() + self.reconnect_s
        while not stop.wait(_RETRY_S):
            try:
                link = self._connect()
            except FOREIGN:
                if stop.is_set():
                    return False
                if time.monotonic() >= end:
                    self._failure = PortLost(
                        f"the adapter went away and did not come back within {self.reconnect_s:g} s",
                        where=self.url,
                        do="check its plug and cable",
                    )
                    return False
                continue
            with self._reading:  # nothing is read before the queue tells that it is back
                if stop.is_set():  # it took so long that ``close`` no longer waited
                    with contextlib.suppress(*FOREIGN):
                        link.close()
                    return False
                self._gone, self._serial = False, link
                self._put(Back(time.monotonic()))
            return True
        return False
