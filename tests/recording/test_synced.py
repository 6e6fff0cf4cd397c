"""What is said to be on the disk is: the system is asked for it, after the last byte, before the call returns."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from recorder.model import FaultRun, Mark
from recorder.recording import Writer
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


@pytest.mark.parametrize("call", [
    lambda w: w.mark(Mark(0.05, "drip")), lambda w: w.annotate("repair", "new hose"), lambda w: w.flush(now=True),
    lambda w: w.seal({"outcome": "pass"}), lambda w: w.close(),
], ids=["mark", "annotate", "flush", "seal", "close"])
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
    size, end = writer.path.stat().st_size, time.monotonic() + 10.0
    while len(synced) == before and time.monotonic() < end:  # it is done aside
        time.sleep(0.005)
    assert synced[before][1] == size
    writer.close()
