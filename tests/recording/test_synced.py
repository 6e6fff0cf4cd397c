"""What is said to be on the disk is: the system is asked for it, after the last byte, before the call returns."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from recorder.errors import StorageError
from recorder.model import FaultRun, Mark
from recorder.recording import Writer, append_ledger
from tests.recording.test_recording_files import HEADER, WHEN, some_rows


@pytest.fixture
def synced(monkeypatch: pytest.MonkeyPatch) -> list[tuple[int, int]]:
    """Inode and size at each call for the disk, which is made."""
    real, calls = os.fsync, []

    def fsync(fd: int) -> None:
        found = os.fstat(fd)
        real(fd)
        calls.append((found.st_ino, found.st_size))

    monkeypatch.setattr(os, "fsync", fsync)
    return calls


def begun(folder: Path, clock: Callable[[], float]) -> Writer:
    writer = Writer(folder, HEADER, when=WHEN, clock=clock)
    writer.flush(now=True)
    return writer


def wait_for(there: Callable[[], bool]) -> None:
    """Until what is done aside is done."""
    end = time.monotonic() + 10.0
    while not there() and time.monotonic() < end:
        time.sleep(0.005)
    assert there()


@pytest.mark.parametrize("call", [
    lambda w: w.annotate("repair", "new hose"), lambda w: w.flush(now=True),
    lambda w: w.seal({"outcome": "pass"}), lambda w: w.close(),
], ids=["annotate", "flush", "seal", "close"])
def test_all_of_it_is_on_the_disk(
    call: Callable[[Writer], object], tmp_path: Path, synced: list[tuple[int, int]]
) -> None:
    writer = begun(tmp_path, lambda: 0.0)
    writer.add(some_rows(5))
    found = writer.path.stat()
    assert (found.st_ino, found.st_size) not in synced
    call(writer)
    found = writer.path.stat()
    assert [size for inode, size in synced if inode == found.st_ino][-1] == found.st_size
    writer.close()


def test_the_folder_too_so_that_the_files_name_is_there(tmp_path: Path, synced: list[tuple[int, int]]) -> None:
    begun(tmp_path, lambda: 0.0).close()
    assert tmp_path.stat().st_ino in [inode for inode, _ in synced]


def test_rows_and_faults_follow_within_a_second(tmp_path: Path, synced: list[tuple[int, int]]) -> None:
    now = [0.0]
    writer = begun(tmp_path, lambda: now[0])
    before = len(synced)
    now[0] = 0.9
    writer.add(some_rows(5))
    writer.fault(FaultRun(0.1, "open"))
    time.sleep(0.05)
    assert len(synced) == before
    now[0] = 1.0
    writer.fault(FaultRun(0.2, "adc"))
    size = writer.path.stat().st_size
    wait_for(lambda: len(synced) > before)
    assert synced[before][1] == size
    writer.close()


def test_a_finding_at_once(tmp_path: Path, synced: list[tuple[int, int]]) -> None:
    writer = begun(tmp_path, lambda: 0.0)
    writer.add(some_rows(5))
    writer.mark(Mark(0.05, "drip"))
    wait_for(lambda: synced[-1][1] == writer.path.stat().st_size)
    writer.close()


def test_a_finding_is_not_waited_for_and_follows_what_is_under_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a disk that hung, the live view stood still from the first finding on."""
    writer = begun(tmp_path, lambda: 0.0)
    real, goes_on, sizes = os.fsync, threading.Event(), []

    def fsync(fd: int) -> None:
        size = os.fstat(fd).st_size
        assert goes_on.wait(60.0)
        real(fd)
        sizes.append(size)

    monkeypatch.setattr(os, "fsync", fsync)
    try:
        for text in ("drip", "hiss"):
            began = threading.Thread(target=writer.mark, args=(Mark(0.05, text),), daemon=True)
            began.start()
            began.join(10.0)
            assert not began.is_alive() and text.encode() in writer.path.read_bytes()
    finally:
        goes_on.set()
    wait_for(lambda: bool(sizes))
    writer.flush()
    wait_for(lambda: len(sizes) > 1)
    assert sizes[-1] == writer.path.stat().st_size
    writer.close()


@pytest.mark.timeout(60)
@pytest.mark.parametrize("call", [lambda w: w.seal({"outcome": "pass"}), lambda w: w.close()], ids=["seal", "close"])
def test_a_disk_that_does_not_answer_is_not_waited_for_for_ever(
    call: Callable[[Writer], object], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on a share whose server is gone: the test was over, and neither its judgement nor Ctrl-C came through."""
    writer = begun(tmp_path, lambda: 0.0)
    goes_on = threading.Event()
    monkeypatch.setattr("recorder.recording.writer._LONGEST_SYNC_S", 0.2)
    monkeypatch.setattr(os, "fsync", lambda fd: goes_on.wait(300.0))
    try:
        writer.add(some_rows(5))
        with pytest.raises(StorageError, match="the disk does not answer; up to 5 rows were saved; check it"):
            call(writer)
        writer.close()
        assert writer.sealed is None
    finally:
        goes_on.set()


def test_how_long_the_disk_has_not_answered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    now, goes_on, real = [0.0], threading.Event(), os.fsync
    writer = begun(tmp_path, lambda: now[0])
    assert writer.waits_s == 0.0
    monkeypatch.setattr(os, "fsync", lambda fd: (goes_on.wait(60.0), real(fd))[1])
    try:
        now[0] = 2.0
        writer.add(some_rows(5))
        now[0] = 9.0
        writer.mark(Mark(0.05, "drip"))  # waits behind it
        now[0] = 14.0
        writer.flush()
        assert writer.waits_s == 12.0
    finally:
        goes_on.set()
    writer.flush(now=True)
    assert writer.waits_s == 0.0
    writer.close()


def test_the_ledgers_line_before_the_call_returns(tmp_path: Path, synced: list[tuple[int, int]]) -> None:
    append_ledger(tmp_path, "1.csv", "1" * 64)
    found = (tmp_path / "ledger.csv").stat()
    assert (found.st_ino, found.st_size) in synced
    assert tmp_path.stat().st_ino in [inode for inode, _ in synced]  # so that its name is there, too
    synced.clear()
    append_ledger(tmp_path, "2.csv", "2" * 64)
    found = (tmp_path / "ledger.csv").stat()
    assert synced == [(found.st_ino, found.st_size)]
