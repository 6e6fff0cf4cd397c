"""An adapter is asked who it is ("?" LF, section 1 of the contracts): a few times, and never one of plain readings."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from pathlib import Path

from recorder.errors import RunError, SilentAdapter, WrongSpeed
from recorder.port import Back, Lost
from recorder.recording import read
from recorder.session import Session
from recorder.wire import encode_sample
from tests.memory_ports import FedPort
from tests.session.test_session import CAP, faked
from tests.session_feeder import announcement, line


def stepped(session: Session, port: FedPort, seconds: float) -> None:
    for _ in range(round(seconds * 10)):
        port.now += 0.1
        session.step()


def test_three_times_before_it_is_known(tmp_path: Path) -> None:
    session, port = faked(tmp_path)
    stepped(session, port, 4.5)
    assert port.written == b"?\n" * 3 and session.error is None
    stepped(session, port, 1.0)
    assert isinstance(session.error, SilentAdapter) and port.written == b"?\n" * 3


def test_no_more_once_it_is_known(tmp_path: Path) -> None:
    session, port = faked(tmp_path)
    stepped(session, port, 1.0)
    port.send(announcement())
    stepped(session, port, 4.0)
    assert port.written == b"?\n" and session.error is None


def test_one_that_prints_plain_numbers_is_not_asked(tmp_path: Path) -> None:
    session, port = faked(tmp_path, replace(CAP, bare_unit="kPa", full_scale_kpa=None))
    stepped(session, port, 4.5)
    assert port.written == b"" and session.error is None
    port.items += [Lost(port.now), Back(port.now)]  # nor where it was plugged in again
    stepped(session, port, 1.0)
    assert port.written == b""


def test_one_that_is_unplugged_is_not_called_silent(tmp_path: Path) -> None:
    """Whoever waits for the port tells how long."""
    session, port = faked(tmp_path)
    port.items.append(Lost(port.now))
    stepped(session, port, 10.0)
    assert session.lost and session.error is None


def test_what_came_before_it_was_unplugged_says_nothing_of_what_comes_after(tmp_path: Path) -> None:
    """The samples of a board that was pulled early made noise at a wrong speed samples without a name."""
    session, port = faked(tmp_path)
    port.send(b"".join(encode_sample(n, n * 10_000, 103) for n in range(100)))
    stepped(session, port, 1.0)
    port.items += [Lost(port.now), Back(port.now + 0.5)]
    for _ in range(14):
        port.send(b"\xf8\x80\x1c" * 30)
        stepped(session, port, 0.5)
    assert isinstance(session.error, WrongSpeed) and "990 bytes arrived and not one valid line" in str(session.error)


def test_another_wire_version_ends_it_once(tmp_path: Path) -> None:
    session, port = faked(tmp_path)
    port.send(line("A,2,hose-7,1.0,1023,100,new"))
    stepped(session, port, 0.2)
    first = session.error
    assert isinstance(first, RunError) and "wire version 2" in str(first)
    port.send(announcement())
    stepped(session, port, 0.2)
    assert session.error is first is session.broken


def test_what_came_with_a_line_that_ends_the_test_is_taken_all_the_same(tmp_path: Path) -> None:
    """The rest of what the port gave at once was dropped: that it was unplugged, too."""
    session, port = faked(tmp_path)
    port.send(line("A,2,hose-7,1.0,1023,100,new"))
    port.items.append(Lost(port.now))
    session.settle()
    assert session.broken is not None and session.lost


def test_what_came_before_a_line_that_ends_the_test_is_recorded_and_nothing_behind_it(tmp_path: Path) -> None:
    """Of what one look at the port gave all was lost, or what followed the message that was an error."""
    first, then = (b"".join(encode_sample(n, n * 10_000, 103) for n in range(a, a + 50)) for a in (0, 50))
    last = b"".join(encode_sample(n, n * 10_000, 103) for n in range(100, 150))
    for i, (known_before, bulky) in enumerate(product((True, False), repeat=2)):
        session, port = faked(tmp_path / str(i))
        port.send(announcement())
        if known_before:
            session.step()
        pieces = [first, line("F,500000,open") + then, line("A,2,hose-7,1.0,1023,100,new") + last, last]
        for piece in [b"".join(pieces)] if bulky else pieces:
            port.send(piece)
        session.step()
        done = session.stop("another version")
        assert done.path is not None and "wire version 2" in str(session.broken)
        found = read(done.path, strict=True)
        assert found.rows.seq is not None and found.rows.seq.tolist() == list(range(100)), (known_before, bulky)
        assert {fault.word for fault in found.faults} == {"open"}


def test_of_one_look_at_the_port_no_message_behind_an_error_is_lost(tmp_path: Path) -> None:
    """Another adapter's announcement is one; that the right one is back behind it was not heard."""
    session, port = faked(tmp_path)
    port.send(announcement())
    session.step()
    port.send(line("S,0,0,500,,") + announcement("another") + line("S,1,10000,500,,"))
    port.send(announcement("third"))
    session.step()
    assert session.broken is not None and "'another'" in str(session.broken)
    session.settle()
    assert [a.adapter_id for a in session.timeline.announcements] == ["feeder-1", "another", "third"]
