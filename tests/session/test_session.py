"""One live test end to end: a real pseudo-terminal, the real pyserial, a real file."""

from __future__ import annotations

import errno
import json
import math
import os
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from recorder.analysis import judge
from recorder.errors import (
    PortLost,
    RunError,
    SettingError,
    SilentAdapter,
    StorageError,
    WrongSpeed,
)
from recorder.limits import resolve
from recorder.model import Calibration
from recorder.port import Back, Lost, Port
from recorder.recording import read
from recorder.session import Session, SessionConfig
from recorder.units import parse_marking
from recorder.wire import recompute_time
from tests.memory_ports import FedPort
from tests.session_feeder import Feeder, announcement, line, pressure_kpa, samples

CAP = SessionConfig("cap", parse_marking("16 psi"), job="bench", full_scale_kpa=207.0)


@pytest.fixture
def feeder(tmp_path: Path) -> Iterator[Feeder]:
    made = Feeder(tmp_path / "gauge")
    yield made
    made.pull()


def run(session: Session, done: Callable[[], bool], seconds: float = 20.0) -> None:
    end = time.monotonic() + seconds
    while not done():
        session.step()
        if time.monotonic() > end:
            raise AssertionError(f"it never happened: {session.counts}, {session.error}")
        time.sleep(0.002)


def faked(folder: Path, config: SessionConfig = CAP) -> tuple[Session, FedPort]:
    port = FedPort()
    return Session(config, port=port, folder=folder, clock=lambda: port.now), port


def test_a_whole_test(feeder: Feeder, tmp_path: Path) -> None:
    port = Port(str(feeder.link))
    port.open()
    session = Session(CAP, port=port, folder=tmp_path / "out")
    feeder.play(announcement() + b"".join(samples()))
    run(session, lambda: session.counts.samples == 8000)
    run(session, lambda: session.finished)
    done = session.stop("finished")
    port.close()
    assert session.error is None
    assert session.stop("again") is done
    assert done.path is not None and done.sha256 is not None
    found = read(done.path, strict=True)
    assert found.intact is True and found.sha256 == done.sha256
    rows = found.rows
    assert len(rows) == 8000
    assert rows.time_s.tolist() == [i / 100 for i in range(8000)]
    assert rows.seq is not None and rows.device_us is not None and rows.host_s is not None
    assert np.array_equal(recompute_time(rows.device_us, rows.host_s, rows.flag), rows.time_s)
    # 120 kPa as the feeder pumped it, within the count it was rounded to (207 / 0.8 / 4095 kPa).
    assert abs(float(np.mean(rows.pressure_kpa[3000:6000])) - 120.0) < 0.064
    assert judge(found).to_json() == done.judgement == found.judgement
    assert found.header.adapter["id"] == "feeder-1"
    assert found.header.adapter["full_scale_counts"] == 4095
    assert found.header.other["nominal"] is True
    assert found.header.job == "bench"
    assert found.header.calibration is not None
    assert found.header.calibration.standard_uncertainty_kpa == pytest.approx(0.02 * 207)


def test_unplugged_during_the_test(feeder: Feeder, tmp_path: Path) -> None:
    port = Port(str(feeder.link), reconnect_s=20.0)
    port.open()
    session = Session(CAP, port=port, folder=tmp_path / "out")
    lines = samples(20.0)
    feeder.play(announcement() + b"".join(lines[:1000]))
    run(session, lambda: session.counts.samples >= 998)
    feeder.pull()
    run(session, lambda: session.lost)
    feeder.plug()
    run(session, lambda: not session.lost)
    feeder.play(b"".join(lines[1300:]))
    run(session, lambda: session.counts.samples >= 1600)
    done = session.stop("enough")
    port.close()
    assert done.path is not None
    found = read(done.path, strict=True)
    assert found.rows.flag is not None
    gaps = [i for i, f in enumerate(found.rows.flag) if f == "gap"]
    assert len(gaps) == 1
    assert found.rows.time_s[gaps[0]] - found.rows.time_s[gaps[0] - 1] > 2.9
    assert session.timeline.lost_samples > 290


def test_unplugged_for_good_seals_what_is_there(feeder: Feeder, tmp_path: Path) -> None:
    port = Port(str(feeder.link), reconnect_s=0.3)
    port.open()
    session = Session(CAP, port=port, folder=tmp_path / "out")
    feeder.play(announcement() + b"".join(samples(5.0)))
    run(session, lambda: session.counts.samples == 500)
    feeder.pull()
    run(session, lambda: session.error is not None)
    assert isinstance(session.error, PortLost)
    done = session.stop(str(session.error))
    port.close()
    assert done.path is not None
    found = read(done.path, strict=True)
    assert found.intact is True and len(found.rows) == 500
    assert found.header.other["ended"]["port_lost"] is True


def test_the_adapter_is_asked_who_it_is(feeder: Feeder, tmp_path: Path) -> None:
    port = Port(str(feeder.link))
    port.open()
    session = Session(CAP, port=port, folder=tmp_path / "out")
    feeder.play(b"".join(samples(1.0)))
    heard: list[bytes] = []
    run(session, lambda: bool(heard.append(feeder.asked()) or b"".join(heard)))
    assert b"".join(heard) == b"?\n"
    assert session.path is None
    feeder.play(announcement())
    run(session, lambda: session.path is not None)
    done = session.stop("enough")
    port.close()
    assert done.path is not None and len(read(done.path).rows) == 100  # none of those before is lost


def test_no_announcement(tmp_path: Path) -> None:
    session, port = faked(tmp_path)
    for _ in range(80):
        port.now += 0.1
        port.send(b"".join(samples(0.1)))
        session.step()
    assert isinstance(session.error, RunError) and "how many counts" in str(session.error)
    given = SessionConfig("cap", CAP.marked, full_scale_kpa=207.0, full_scale_counts=4095)
    session, port = faked(tmp_path, given)
    port.send(b"".join(samples(1.0)))
    session.step()
    port.now += 7.0
    session.step()
    done = session.stop("enough")
    assert done.path is not None and len(read(done.path).rows) == 100


def test_silent_adapter(tmp_path: Path) -> None:
    session, port = faked(tmp_path)
    port.now += 4.9
    session.step()
    assert session.error is None and port.written == b"?\n"
    port.now += 0.2
    session.step()
    assert isinstance(session.error, SilentAdapter)
    assert session.stop("silent").path is None


def test_wrong_speed(tmp_path: Path) -> None:
    session, port = faked(tmp_path)
    for _ in range(52):
        port.now += 0.1
        port.send(bytes(range(128, 200)))
        session.step()
    assert isinstance(session.error, WrongSpeed) and "--baud" in str(session.error)


def test_other_wire_version(tmp_path: Path) -> None:
    session, port = faked(tmp_path, replace(CAP, full_scale_counts=4095))
    port.send(line("A,3,feeder-1,0.1,4095,100") + b"".join(samples(1.0)))
    session.step()
    assert "wire version 3" in str(session.error) and "firmware to wire version 1" in str(session.error)
    port.now += 7.0
    assert session.stop("refused").path is None


def waited(session: Session, port: FedPort, data: bytes) -> str:
    """What is said after some seconds in which these bytes came ten times a second."""
    for _ in range(70):
        port.now += 0.1
        port.send(data)
        session.step()
        if session.error is not None:
            assert session.stop("over").path is None
            return str(session.error)
    return ""


def test_an_adapter_of_the_wire_format_read_as_plain_numbers(tmp_path: Path) -> None:
    session, port = faked(tmp_path, replace(CAP, bare_unit="kPa"))
    said = waited(session, port, announcement() + b"".join(samples(0.1)))
    assert "speaks the wire format" in said and "leave out --bare" in said and port.now < 1006.0


def test_text_about_the_number(tmp_path: Path) -> None:
    session, port = faked(tmp_path, replace(CAP, bare_unit="kPa"))
    said = waited(session, port, b"Pressure: 1.30 kPa\r\n")
    assert "'Pressure: 1.30 kPa'" in said and "the number alone" in said


def test_announcements_and_not_one_good_sample(tmp_path: Path) -> None:
    session, port = faked(tmp_path)
    said = waited(session, port, announcement() + line("S,1,2,3,4,21.5C"))
    assert "'S,1,2,3,4,21.5C*" in said and "recorder conform" in said


def test_announcements_and_faults_only(tmp_path: Path) -> None:
    session, port = faked(tmp_path)
    assert "the adapter reports 'adc'" in waited(session, port, announcement() + line("F,5,adc"))
    session, port = faked(tmp_path)
    assert "no sample has arrived" in waited(session, port, announcement())


@pytest.mark.parametrize("before", [0, 50])  # samples that came before the adapter said who it is
def test_calibration_of_another_adapter_is_refused(tmp_path: Path, before: int) -> None:
    cal = Calibration((-25.0, 258.0), adapter_id="hose-9")
    session, port = faked(tmp_path, SessionConfig("cap", CAP.marked, calibration=cal))
    lines = samples(1.0)
    port.send(b"".join(lines[:before]) + announcement() + b"".join(lines[before:]))
    session.step()
    assert isinstance(session.error, SettingError) and "hose-9" in str(session.error)
    port.send(b"".join(lines))
    session.step()
    assert session.stop("refused").path is None


def test_after_one_that_is_refused_the_right_one_is_recorded(tmp_path: Path) -> None:
    cal = Calibration((-25.0, 258.0), adapter_id="hose-9")
    session, port = faked(tmp_path, SessionConfig("cap", CAP.marked, calibration=cal))
    port.send(b"".join(samples(1.0)) + announcement())
    session.step()
    port.items += [Lost(port.now), Back(port.now)]
    port.send(b"\n" + announcement("hose-9") + b"".join(samples(2.0)))
    session.step()
    done = session.stop("enough")
    assert done.path is not None
    found = read(done.path, strict=True)
    assert found.header.adapter["id"] == "hose-9" and len(found.rows) == 200


def test_neither_calibration_nor_full_scale(tmp_path: Path) -> None:
    with pytest.raises(SettingError, match="full scale"):
        faked(tmp_path, SessionConfig("cap", CAP.marked))


def test_bare_readings(tmp_path: Path) -> None:
    session, port = faked(tmp_path, SessionConfig("system", CAP.marked, bare_unit="psi"))
    port.send(b"7\n")  # perhaps the end of 14.7
    for i in range(50):
        port.now += 0.1
        port.send(b"%d.50\r\n" % (i // 10))
        session.step()
    done = session.stop("enough")
    assert done.path is not None
    found = read(done.path, strict=True)
    assert len(found.rows) == 50
    assert found.rows.pressure_kpa[-1] == pytest.approx(4.5 * 6.894757, abs=1e-4)  # NIST SP 811 B.8
    assert found.header.adapter["bare"] == "psi" and "no check" in found.header.adapter["note"]


def test_full_disk_keeps_the_live_view(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    session, port = faked(tmp_path)
    lines = samples(10.0)
    port.send(announcement() + b"".join(lines[:500]))
    session.step()

    def full(*_: object) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "write", full)
    port.now += 1.0
    port.send(b"".join(lines[500:]))
    session.step()
    monkeypatch.undo()
    assert isinstance(session.error, StorageError) and "500 rows were saved" in str(session.error)
    assert session.view().time_s == 9.99
    done = session.stop("disk")
    assert done.sha256 is None and done.path is not None
    assert len(read(done.path).rows) == 500


def test_silence_is_noticed_where_nothing_is_stored_as_well(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder")
    session, port = faked(tmp_path / "file")
    port.send(announcement() + b"".join(samples(60.0)))
    session.step()
    assert isinstance(session.storage_error, StorageError)
    assert session.away is None and session.view().pressure_kpa is not None
    port.now += 3.0
    session.step()
    assert session.away is not None and session.away.why == "silent"
    assert session.view().pressure_kpa is None  # what was read before is not what there is now


def test_nothing_is_marked_before_there_is_a_recording(tmp_path: Path) -> None:
    session, port = faked(tmp_path)
    port.send(announcement())
    session.step()
    assert session.mark("drip") is None  # the adapter is known, and no sample has come
    port.send(b"".join(samples(10.0)))
    session.step()
    assert session.mark("drip at the pump") is not None
    done = session.stop("enough")
    assert done.path is not None
    assert [mark.text for mark in done.marks] == ["drip at the pump"] == [mark.text for mark in read(done.path).marks]


def test_without_its_ledger_a_recording_is_sealed_all_the_same(tmp_path: Path) -> None:
    (tmp_path / "ledger.csv").mkdir()  # no line can be added to it
    session, port = faked(tmp_path)
    port.send(announcement() + b"".join(samples(10.0)))
    session.step()
    done = session.stop("enough")
    assert done.path is not None and read(done.path).intact is True
    assert done.sha256 == read(done.path).sha256
    assert "the ledger cannot be written" in str(session.storage_error)


def test_faults_are_seen_and_recorded(tmp_path: Path) -> None:
    session, port = faked(tmp_path)
    lines = samples(1.0)
    port.send(announcement() + b"".join(lines[:50]) + line("F,500000,open") + b"".join(lines[50:]))
    session.step()
    assert session.view().fault == "open"
    done = session.stop("enough")
    assert done.path is not None
    flags = read(done.path).rows.flag
    assert flags is not None and flags[50] == "fault-open" and flags[51] == ""


def test_marks_and_tester_baseline(tmp_path: Path) -> None:
    tester, port = faked(tmp_path, SessionConfig("tester", full_scale_kpa=207.0))
    port.send(announcement() + b"".join(samples(80.0)))
    tester.step()
    port.now += 1.0
    tester.step()
    base = tester.stop("finished")
    assert base.path is not None and base.judgement["hold"] is not None
    session, port = faked(tmp_path)
    assert session.mark("too early") is None
    port.send(announcement() + b"".join(samples(2.0)))
    session.step()
    mark = session.mark("drip at the lower hose clamp")
    assert mark is not None and mark.time_s == 1.99
    done = session.stop("enough")
    assert done.path is not None
    found = read(done.path, strict=True)
    assert found.marks == done.marks == (mark,)
    assert found.header.other["tester"]["file"] == base.path.name
    assert judge(found).to_json() == done.judgement


def test_decided_and_then_silent_is_finished(tmp_path: Path) -> None:
    session, port = faked(tmp_path)
    port.send(announcement() + b"".join(samples(68.0)))
    session.step()
    port.now += 1.0
    session.step()
    assert not session.finished
    port.now += 5.0
    session.step()
    decided = session.analyser.judgement().outcome in ("pass", "fail")
    assert session.finished is decided
    assert session.stop("finished").sha256 is not None


def test_a_restart_whose_announcement_was_damaged_loses_nothing(tmp_path: Path) -> None:
    session, port = faked(tmp_path)
    port.send(announcement())
    lines = [text for text in samples(20.0) if text.startswith(b"S")]
    for k in range(0, 1000, 10):
        port.now += 0.1
        port.send(b"".join(lines[k : k + 10]))
        session.step()
    port.send(b"\xff\x00" + announcement())
    for k in range(0, 1500, 10):
        port.now += 0.1
        port.send(b"".join(line(f"S,{k + i},{1204 + (k + i) * 10_000},{1700 + i},,") for i in range(10)))
        session.step()
    done = session.stop("enough")
    assert session.error is None and done.path is not None
    rows = read(done.path, strict=True).rows
    assert len(rows) == 2500 and session.timeline.restarts == 1 and session.timeline.replayed == 0
    assert rows.flag is not None and rows.flag[1000] == "restart" and not any(rows.flag[1001:])


def test_an_adapter_that_may_have_started_again_is_asked_at_once(tmp_path: Path) -> None:
    session, port = faked(tmp_path)
    port.send(announcement() + b"".join(samples(2.0)))
    session.step()
    port.send(line("S,0,1204,1700,,") + line("S,1,11204,1700,,"))
    session.step()
    assert port.written == b"?\n"
    port.send(announcement() + line("S,2,21204,1700,,"))
    session.step()
    assert session.timeline.restarts == 1 and session.timeline.replayed == 0
    session.stop("enough")


@pytest.mark.parametrize("leaks", [False, True])
def test_a_pass_does_not_wait_for_its_release_for_ever(tmp_path: Path, leaks: bool) -> None:
    """Ten minutes went by. Where it falls somebody looks for the leak, and marks what is wet."""
    session, port = faked(tmp_path, SessionConfig("tester", full_scale_kpa=207.0))
    port.send(announcement())
    ended_s = None
    for k in range(0, 300, 5):
        port.now += 5.0
        if k < 65:
            port.send(b"".join(samples(k + 5.0, start=100 * k)))
        else:
            kpa = pressure_kpa(64.0) - (0.1 * (k - 65) if leaks else 0.0)
            port.send(b"".join(
                line(f"S,{i},{(4_294_000_000 + i * 10_000) % 2**32},"
                     f"{math.floor((0.1 + 0.8 * kpa / 207.0) * 4095 + (i * 7919 % 13) / 13)},,")
                for i in range(100 * k, 100 * k + 500)))
        session.step()
        if session.finished:
            ended_s = k + 5.0
            break
    done = session.stop("finished")
    hold_s = resolve("tester").hold_s
    assert done.judgement["outcome"] == ("fail" if leaks else "pass")
    if leaks:
        assert ended_s is None
    else:
        assert ended_s is not None and 115.0 < ended_s - done.judgement["hold"]["start_s"] - hold_s < 150.0


def test_the_last_rows_of_an_adapter_that_started_again_are_not_lost_in_silence(tmp_path: Path) -> None:
    """They were counted as lines that came again, though none of them ever had come before."""
    session, port = faked(tmp_path)
    port.send(announcement() + b"".join(samples(2.0)))
    session.step()
    port.now += 1.0
    port.send(b"".join(line(f"S,{n},{1204 + n * 10_000},1700,,") for n in range(4)))
    session.step()
    done = session.stop("enough")
    assert done.path is not None and len(read(done.path, strict=True).rows) == 200
    said = "the last 4 samples went back in sequence and clock, too few to tell"
    assert session.note is not None and said in str(session.note)
    [text] = [one for one in done.path.read_text("utf-8").splitlines() if one.startswith("# ended: ")]
    ended = json.loads(text.partition(": ")[2])
    assert ended["undecided"] == 4 and ended["replayed"] == 0 and said in ended["error"]
