"""Real pseudo-terminals and the real pyserial."""

from __future__ import annotations

import errno
import os
import sys
import termios
import threading
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest
import serial

from recorder.errors import OpenError, PortBusy, PortDenied, PortLost, PortMissing, RunError
from recorder.port import Back, Chunk, Lost, Port, list_ports, translate
from tests.session_feeder import Feeder


class Plug(Feeder):
    """A pseudo-terminal under a name that can be pulled and plugged in again."""

    def send(self, data: bytes) -> None:
        os.write(self.master, data)


@pytest.fixture
def plug(tmp_path: Path) -> Iterator[Plug]:
    made = Plug(tmp_path / "gauge")
    yield made
    made.pull()


def until(done: Callable[[], bool], seconds: float = 5.0) -> None:
    end = time.monotonic() + seconds
    while not done():
        if time.monotonic() > end:
            raise AssertionError("it never happened")
        time.sleep(0.005)


class Taken:
    def __init__(self, port: Port) -> None:
        self.port = port
        self.items: list[Chunk | Lost | Back] = []

    @property
    def data(self) -> bytes:
        self.items += self.port.take()
        return b"".join(i.data for i in self.items if isinstance(i, Chunk))

    def has(self, kind: type) -> bool:
        self.items += self.port.take()
        return any(isinstance(i, kind) for i in self.items)


@pytest.mark.parametrize("when_taken", [False, True])
def test_bytes_come_with_their_time_and_go_out(plug: Plug, when_taken: bool) -> None:
    port = Port(str(plug.link), when_taken=when_taken)
    assert port.take() == []
    port.open()
    taken = Taken(port)
    before = time.monotonic()
    plug.send(b"hello\n")
    until(lambda: taken.data == b"hello\n")
    assert isinstance(taken.items[0], Chunk) and before <= taken.items[0].host_s <= time.monotonic()
    port.write(b"?\n")
    assert os.read(plug.master, 10) == b"?\n"
    names = [t.name for t in threading.enumerate() if t.daemon]
    assert f"port {plug.link}" in names
    port.close()
    port.close()
    assert f"port {plug.link}" not in [t.name for t in threading.enumerate()]


@pytest.mark.parametrize("when_taken", [False, True])
def test_unplugged_and_plugged_in_again(plug: Plug, when_taken: bool) -> None:
    port = Port(str(plug.link), reconnect_s=20.0, when_taken=when_taken)
    port.open()
    taken = Taken(port)
    plug.send(b"one\n")
    until(lambda: taken.data == b"one\n")
    plug.pull()
    until(lambda: taken.has(Lost))
    port.write(b"?\n")  # goes nowhere, and says nothing
    time.sleep(0.7)  # it is looked for again and again
    plug.plug()
    until(lambda: taken.has(Back))
    plug.send(b"two\n")
    until(lambda: taken.data == b"one\ntwo\n")
    assert [type(i) for i in taken.items if not isinstance(i, Chunk)] == [Lost, Back]
    assert port.failure is None
    port.close()


def test_bytes_that_nobody_takes_are_kept_all_the_same(plug: Plug) -> None:
    """More than the system's buffer holds, while the taker is held up."""
    port = Port(str(plug.link), when_taken=True)
    port.open()
    sent = bytes(range(256)) * 800
    plug.play(sent).join(10)
    until(lambda: port._backlog >= len(sent) - 4000)
    plug.send(b"end")
    got = Taken(port)
    until(lambda: got.data == sent + b"end")
    assert max(len(c.data) for c in got.items if isinstance(c, Chunk)) < len(sent)
    port.close()


@pytest.mark.parametrize("when_taken", [False, True])
def test_gone_for_good_is_kept(plug: Plug, when_taken: bool) -> None:
    port = Port(str(plug.link), reconnect_s=0.3, when_taken=when_taken)
    port.open()
    plug.pull()
    until(lambda: port.failure is not None)
    assert isinstance(port.failure, PortLost)
    assert "did not come back within 0.3 s" in str(port.failure)
    port.close()
    plug.plug()
    port.open()  # again, and nothing of the time before is left
    assert port.failure is None
    port.take()
    plug.send(b"hello\n")
    taken = Taken(port)
    until(lambda: taken.data == b"hello\n")
    port.close()


def test_closed_while_it_is_opened_again_nothing_stays_open(monkeypatch: pytest.MonkeyPatch) -> None:
    """A network port may take longer to open than ``close`` waits for it."""

    class Gone:
        open = True

        def read(self, _n: int) -> bytes:
            raise OSError(errno.ECONNRESET, "gone")

        def close(self) -> None:
            self.open = False

    links: list[Gone] = []
    opening, may_open = threading.Event(), threading.Event()

    def connect(_port: Port) -> Gone:
        if links:
            opening.set()
            may_open.wait(10.0)
        links.append(Gone())
        return links[-1]

    monkeypatch.setattr(Port, "_connect", connect)
    monkeypatch.setattr("recorder.port.port._JOIN_S", 0.05)
    port = Port("socket://bridge:4000")
    port.open()
    assert opening.wait(10.0)
    port.close()
    may_open.set()
    until(lambda: len(links) == 2 and not links[1].open)
    assert not any(link.open for link in links)


def test_opened_again_the_thread_of_before_stays_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    """It was told to go on, and put its own connection in the place of the new one."""

    class Link:
        open = True

        def __init__(self, lost: bool) -> None:
            self.lost = lost

        def read(self, _n: int) -> bytes:
            if self.lost:
                raise OSError(errno.ECONNRESET, "gone")
            time.sleep(0.01)
            return b""

        def close(self) -> None:
            self.open = False

    links: list[Link] = []
    opening, may_open = threading.Event(), threading.Event()

    def connect(_port: Port) -> Link:
        if len(links) == 1 and not opening.is_set():  # the first thread's second
            opening.set()
            may_open.wait(10.0)
        links.append(Link(lost=not links))
        return links[-1]

    monkeypatch.setattr(Port, "_connect", connect)
    monkeypatch.setattr("recorder.port.port._JOIN_S", 0.05)
    port = Port("socket://bridge:4000")
    port.open()
    assert opening.wait(10.0)
    port.close()
    before = [t for t in threading.enumerate() if t.name == f"port {port.url}"]
    port.open()
    may_open.set()
    until(lambda: len(links) == 3 and not any(t.is_alive() for t in before))
    assert links[1].open and not links[2].open and [type(i) for i in port.take()] == [Lost]
    port.close()
    assert not any(link.open for link in links)


def test_a_second_program_gets_busy(plug: Plug) -> None:
    first, second = Port(str(plug.link)), Port(str(plug.link))
    first.open()
    with pytest.raises(PortBusy, match="another program"):
        second.open()
    first.close()
    second.open()
    second.close()


def test_a_port_that_is_let_go_of_within_a_moment_opens(plug: Plug) -> None:
    first, second = Port(str(plug.link)), Port(str(plug.link))
    first.open()
    closing = threading.Timer(0.15, first.close)
    closing.start()
    second.open()
    closing.join()
    plug.send(b"here")
    got = Taken(second)
    until(lambda: got.data == b"here")
    second.close()


def test_no_such_port_lists_those_there_are(tmp_path: Path) -> None:
    with pytest.raises(PortMissing, match="there is no such port") as caught:
        Port(str(tmp_path / "ttyNone")).open()
    assert caught.value.found == tuple(p.url for p in list_ports())


def test_no_permission_names_the_group(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The system's own refusal; root may open everything, so for root the call is made to refuse."""
    path = tmp_path / "gauge"
    path.touch(mode=0o000)
    if os.geteuid() == 0:
        def refuse(*_: object, **__: object) -> int:
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(path))
        monkeypatch.setattr(os, "open", refuse)
    with pytest.raises(PortDenied) as caught:
        Port(str(path)).open()
    if sys.platform.startswith("linux"):
        assert "dialout" in str(caught.value)


@pytest.mark.parametrize(
    ("err", "kind"),
    [
        (OSError(errno.ENOENT, "x"), PortMissing),
        (OSError(errno.EACCES, "x"), PortDenied),
        (OSError(errno.EBUSY, "x"), PortBusy),
        (OSError(errno.EIO, "x"), OpenError),
        (termios.error(errno.ENOTTY, "x"), OpenError),
        (termios.error(errno.EIO, "x"), OpenError),
        (serial.SerialException("x"), OpenError),
        (serial.SerialException(errno.EBUSY, "x"), PortBusy),
        (serial.SerialTimeoutException("x"), OpenError),
        (ValueError("invalid URL"), OpenError),
        (OverflowError("signed integer is greater than maximum"), OpenError),
        (NotImplementedError("non-standard baudrates are not supported on this platform"), OpenError),
        (serial.SerialException("could not open port 'COM9': PermissionError(13, 'Access is denied.')"),
         PortDenied),
        (serial.SerialException("could not open port 'COM9': PermissionError(13, 'Zugriff verweigert', None, 5)"),
         PortDenied),
        (serial.SerialException("could not open port 'COM9': FileNotFoundError(2, 'x')"), PortMissing),
    ],
)
def test_every_foreign_exception_is_translated(
    err: Exception, kind: type[OpenError], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert type(translate(err, "COM9")) is kind

    def fail(*_: object, **__: object) -> object:
        raise err

    monkeypatch.setattr(serial, "serial_for_url", fail)
    with pytest.raises(OpenError) as caught:
        Port("COM9").open()
    assert type(caught.value) is kind
    assert "COM9" in str(caught.value) and "\n" not in str(caught.value)


def test_a_port_that_is_taken_on_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    """A port is opened for one program there, and the next is refused by ERROR_ACCESS_DENIED, 5 (Microsoft's reference
    of CreateFile, "Communications Resources": the share mode has to be 0), in the language of the system."""
    monkeypatch.setattr(sys, "platform", "win32")
    refused = serial.SerialException("could not open port 'COM9': PermissionError(13, 'Zugriff verweigert', None, 5)")
    told = translate(refused, "COM9")
    assert type(told) is PortBusy and "another program holds the port" in str(told)


def test_a_speed_that_no_port_has(plug: Plug) -> None:
    with pytest.raises(OpenError, match=r"cannot be set to this speed .*--baud 9600"):
        Port(str(plug.link), baud=10**12).open()


def test_a_file_that_is_no_port(tmp_path: Path) -> None:
    path = tmp_path / "plain.txt"
    path.touch()
    for other in (path, tmp_path, Path("/dev/null")):
        with pytest.raises(OpenError, match="this is no serial port") as caught:
            Port(str(other)).open()
        assert "Errno" not in str(caught.value) and "Exception" not in str(caught.value)
    with pytest.raises(OpenError, match="not a port name"):
        Port("nonsense://x").open()


def test_a_thread_that_dies_is_heard_of(plug: Plug, monkeypatch: pytest.MonkeyPatch) -> None:
    port = Port(str(plug.link))
    monkeypatch.setattr(port, "_put", lambda item: 1 // 0 if isinstance(item, Chunk) else None)
    port.open()
    plug.send(b"x")
    until(lambda: port.failure is not None)
    assert isinstance(port.failure, RunError) and "ZeroDivisionError" in str(port.failure)
    port.close()


@pytest.mark.parametrize("when_taken", [False, True])
def test_backlog_is_bounded_and_says_so(plug: Plug, when_taken: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("recorder.port.port.MOST_BACKLOG_BYTES", 100)
    port = Port(str(plug.link), when_taken=when_taken)
    port.open()
    plug.send(b"y" * 200)
    until(lambda: port.failure is not None)
    assert b"".join(c.data for c in port.take() if isinstance(c, Chunk)) == b"y" * 200
    port.close()


def _has(got: Taken, many: int) -> bool:
    return len(got.data) == many


@pytest.mark.parametrize("when_taken", [False, True])
def test_what_was_taken_is_no_backlog(plug: Plug, when_taken: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Else a board that is listened to all day would break off after its first 64 MB."""
    monkeypatch.setattr("recorder.port.port.MOST_BACKLOG_BYTES", 1000)
    port = Port(str(plug.link), when_taken=when_taken)
    port.open()
    got = Taken(port)
    for n in range(1, 6):
        plug.send(b"y" * 400)
        until(partial(_has, got, 400 * n))
    time.sleep(0.3)  # the thread has looked at what there is since
    assert port.failure is None
    port.close()


@pytest.mark.parametrize("when_taken", [False, True])
def test_network_url(when_taken: bool) -> None:
    import socket

    with socket.create_server(("127.0.0.1", 0)) as server:
        port = Port(f"socket://127.0.0.1:{server.getsockname()[1]}", when_taken=when_taken)
        port.open()
        peer, _ = server.accept()
        with peer:
            taken = Taken(port)
            peer.sendall(b"abc\n")
            until(lambda: taken.data == b"abc\n")
            peer.sendall(bytes(10_000))  # two bytes a piece, each with a turn of its own, cost more than all the rest
            until(lambda: len(taken.data) == 10_004)
            assert len(taken.items) < 100
        until(lambda: taken.has(Lost))
        port.close()


@pytest.mark.filterwarnings(r"ignore:set(Daemon|Name)\(\) is deprecated:DeprecationWarning")  # within pyserial
def test_a_port_that_another_computer_shares() -> None:
    """rfc2217://, against pyserial's own server side with a port behind it that gives back what is written to it."""
    import socket

    from serial import rfc2217

    with (socket.create_server(("127.0.0.1", 0)) as server,
          serial.serial_for_url("loop://", timeout=0.02) as shared):

        def serve() -> None:
            peer, _ = server.accept()
            server_side: Any = rfc2217.PortManager  # its stubs take it for a client's
            manager = server_side(shared, type("Out", (), {"write": lambda _, data: peer.sendall(data)})())
            with peer:
                peer.settimeout(0.02)
                while True:
                    try:
                        data = peer.recv(1024)
                        if not data:
                            return
                        shared.write(b"".join(manager.filter(data)))
                    except TimeoutError:
                        pass
                    if came := shared.read(shared.in_waiting):
                        peer.sendall(b"".join(manager.escape(came)))

        server_side = threading.Thread(target=serve, daemon=True)
        server_side.start()
        port = Port(f"rfc2217://127.0.0.1:{server.getsockname()[1]}")
        port.open()
        taken = Taken(port)
        port.write(b"?\n")
        until(lambda: taken.data == b"?\n")
        port.close()
        server_side.join(5.0)
        assert port.failure is None
