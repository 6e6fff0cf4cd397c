"""Another adapter in the middle of a test: its counts are not read by the first one's full scale and calibration."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from recorder.model import Announcement, Calibration
from recorder.port import Back, Lost
from recorder.recording import read
from recorder.session import Session, SessionConfig
from recorder.wire import encode_announcement, encode_sample
from tests.memory_ports import FedPort

HOSE = Announcement(1, "hose-7", "1.0", 1023, 100.0)
CONFIG = SessionConfig("system", full_scale_kpa=200.0)


def samples(counts: int, n: int = 300) -> bytes:
    return b"".join(encode_sample(i, 10_000 * i, counts) for i in range(n))


def later(counts: int, first: int, n: int = 100) -> bytes:
    return b"".join(encode_sample(i, 10_000 * i, counts) for i in range(first, first + n))


def begun(tmp_path: Path, config: SessionConfig = CONFIG, head: bytes = b"") -> tuple[Session, FedPort]:
    port = FedPort()
    session = Session(config, port=port, folder=tmp_path, clock=lambda: port.now)
    port.send(head + samples(103))
    session.step()
    port.now += 3.0
    return session, port


@pytest.mark.parametrize("other", [replace(HOSE, adapter_id="hose-8"), replace(HOSE, full_scale_counts=4095)])
@pytest.mark.parametrize("pulled", [True, False])
def test_the_test_ends_and_nothing_more_is_recorded(tmp_path: Path, other: Announcement, pulled: bool) -> None:
    session, port = begun(tmp_path, head=encode_announcement(HOSE))
    port.items += [Lost(port.now), Back(port.now)] if pulled else []
    # behind a break the first line may be the rest of one, and is left out
    port.send((b"\n" if pulled else b"") + encode_announcement(other) + samples(412))
    session.step()
    port.send(samples(412))
    session.step()
    assert session.broken is not None and f"'{other.adapter_id}' of {other.full_scale_counts}" in str(session.broken)
    done = session.stop("another adapter")
    assert done.path is not None
    found = read(done.path)
    assert found.intact and len(found.rows) == 300
    assert "another adapter announced itself" in done.path.read_text("utf-8")


def test_one_that_says_late_that_its_full_scale_is_another_than_was_given(tmp_path: Path) -> None:
    session, port = begun(tmp_path, replace(CONFIG, full_scale_counts=1023))
    port.now += 10.0
    session.step()  # it is waited for no longer
    port.send(encode_announcement(replace(HOSE, full_scale_counts=4095)) + samples(412))
    session.step()
    assert session.broken is not None and "an adapter without a name of 1023" in str(session.broken)
    assert str(session.broken).endswith("where it is the only one, take away the 1023 that were given")  # it spoke late


@pytest.mark.parametrize("other", [HOSE, replace(HOSE, firmware="1.1"), replace(HOSE, nominal_rate_hz=50.0)])
def test_the_same_adapter_goes_on(tmp_path: Path, other: Announcement) -> None:
    session, port = begun(tmp_path, head=encode_announcement(HOSE))
    port.items += [Lost(port.now), Back(port.now)]
    port.send(b"\n" + encode_announcement(other) + samples(104))
    session.step()
    assert session.error is None
    done = session.stop("enough")
    assert done.path is not None and len(read(done.path).rows) == 600


def back(port: FedPort, data: bytes) -> None:
    """The port went away and is there again; behind a break the first line may be the rest of one."""
    port.items += [Lost(port.now), Back(port.now)]
    port.send(b"\n" + data)


@pytest.mark.parametrize("other", [replace(HOSE, adapter_id="hose-8"), replace(HOSE, full_scale_counts=4095)])
def test_what_came_before_another_one_said_its_name_is_not_read_by_the_first_ones_scale(
    tmp_path: Path, other: Announcement
) -> None:
    session, port = begun(tmp_path, head=encode_announcement(HOSE))
    back(port, later(412, 40_000))  # 412 of 4095 is no pressure; of 1023 it would be 76 kPa
    session.step()
    assert session.away is not None and session.away.why == "back"  # the reading is not yet known
    assert len(session.analyser.readings()[0]) == 300
    port.now += 0.5
    port.send(later(412, 40_100) + encode_announcement(other) + later(412, 40_200))
    session.step()
    assert session.broken is not None and f"'{other.adapter_id}'" in str(session.broken)
    done = session.stop("another adapter")
    assert done.path is not None and len(read(done.path).rows) == 300


def test_the_same_one_loses_no_row_that_came_before_its_name(tmp_path: Path) -> None:
    session, port = begun(tmp_path, head=encode_announcement(HOSE))
    back(port, later(104, 600))
    session.step()
    port.now += 1.0
    port.send(encode_announcement(HOSE) + later(104, 700))
    session.step()
    assert session.error is None and session.away is None
    done = session.stop("enough")
    assert done.path is not None
    rows = read(done.path).rows
    assert len(rows) == 500 and rows.flag is not None and set(rows.flag) == {"", "gap"}
    assert rows.time_s[300] == 6.0


def test_one_that_does_not_say_who_it_is_is_asked_and_then_read_on_and_that_is_told(tmp_path: Path) -> None:
    session, port = begun(tmp_path, head=encode_announcement(HOSE))
    port.written = b""
    back(port, later(104, 600, 10))
    for _ in range(59):
        port.now += 0.1
        port.send(later(104, 610, 1))
        session.step()
    assert port.written == b"?\n" * 4 and session.error is None and len(session.analyser.readings()[0]) == 300
    port.now += 0.2
    port.send(later(104, 611, 10))
    session.step()
    assert "did not say so" in str(session.note) and session.error is None and session.broken is None
    done = session.stop("enough")
    assert done.path is not None
    rows = read(done.path).rows
    assert len(rows) == 321 and rows.flag is not None and rows.flag[300] == "gap+unannounced"
    assert "did not say so" in done.path.read_text("utf-8")


def test_a_test_that_ends_meanwhile_keeps_the_rows_and_says_so(tmp_path: Path) -> None:
    session, port = begun(tmp_path, head=encode_announcement(HOSE))
    back(port, later(104, 600))
    done = session.stop("enough")
    assert done.path is not None
    rows = read(done.path).rows
    assert len(rows) == 400 and rows.flag is not None and rows.flag[300] == "gap+unannounced"


def test_a_loose_plug_leaves_no_rows_of_nobody_knows_whom(tmp_path: Path) -> None:
    session, port = begun(tmp_path, head=encode_announcement(HOSE))
    back(port, later(412, 600))
    session.step()
    port.now += 1.0
    back(port, encode_announcement(HOSE) + later(104, 900))
    session.step()
    done = session.stop("enough")
    assert done.path is not None
    counts = read(done.path).rows.counts
    assert counts is not None and set(counts.tolist()) == {103, 104}


def test_nor_before_the_test_has_begun(tmp_path: Path) -> None:
    port = FedPort()
    session = Session(CONFIG, port=port, folder=tmp_path, clock=lambda: port.now)
    port.send(samples(412))
    session.step()
    back(port, encode_announcement(HOSE) + samples(104))
    session.step()
    done = session.stop("enough")
    assert done.path is not None
    counts = read(done.path).rows.counts
    assert counts is not None and set(counts.tolist()) == {104}


def test_what_came_before_the_name_of_one_that_the_calibration_is_not_of_is_never_read_by_it(tmp_path: Path) -> None:
    """Full-scale counts were given for one that says no name, and this one has said its own."""
    port = FedPort()
    calibration = Calibration((-25.0, 250.0), adapter_id="hose-7")
    config = SessionConfig("system", calibration=calibration, full_scale_counts=1023)
    session = Session(config, port=port, folder=tmp_path, clock=lambda: port.now)
    port.send(samples(412))
    session.step()
    port.send(encode_announcement(replace(HOSE, adapter_id="hose-8")) + samples(412))
    session.step()
    assert session.broken is not None and "hose-8" in str(session.broken)
    assert session.stop("another adapter").path is None and not list(tmp_path.iterdir())


def test_half_a_plain_reading_is_not_joined_to_half_of_another(tmp_path: Path) -> None:
    """9 and 8.0 around a loose plug are no 98 kPa; the rest of a line may be all that is left of its number."""
    port = FedPort()
    session = Session(replace(CONFIG, bare_unit="kPa", full_scale_kpa=None), port=port, folder=tmp_path,
                      clock=lambda: port.now)
    port.send(b"rest\n" + b"1.0\n" * 20 + b"9")
    session.step()
    port.now += 1.0
    port.items += [Lost(port.now), Back(port.now)]
    port.send(b"8.0\n" + b"2.0\n" * 20)
    session.step()
    done = session.stop("enough")
    assert done.path is not None
    assert read(done.path).rows.pressure_kpa.tolist() == [1.0] * 20 + [2.0] * 20


def test_what_was_held_is_carried_on_in_the_order_in_which_it_came(tmp_path: Path) -> None:
    """Back to front its rows would be lines that came late, and left out."""
    session, port = begun(tmp_path, head=encode_announcement(HOSE))
    back(port, later(104, 600))
    for first in (700, 800):
        session.step()
        port.now += 1.0
        port.send(later(104, first))
    session.step()
    port.send(encode_announcement(HOSE) + later(104, 900))
    session.step()
    done = session.stop("enough")
    assert done.path is not None
    seq = read(done.path).rows.seq
    assert seq is not None and seq.tolist() == [*range(300), *range(600, 1000)]
