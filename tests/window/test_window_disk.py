"""A disk that takes no more, in the window: the test goes on, and nothing of it goes unasked."""

from __future__ import annotations

import errno
import os
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QMessageBox
from pytestqt.qtbot import QtBot

from recorder.analysis import judge
from recorder.recording import read
from recorder.window.places.main import MainWindow
from tests.window.conftest import choose
from tests.window.test_window_faults import GAUGE, nothing_pops_up, recordings, trace_is_past


@pytest.fixture
def small_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A disk of 128 kB of its own; where one may not mount, a write that fails as on a full disk."""
    folder = tmp_path / "small"
    folder.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=128k", "none", str(folder)], check=False,
                             capture_output=True).returncode == 0
    if mounted:
        yield folder
        subprocess.run(["umount", str(folder)], check=True)
        return
    real, written = os.write, dict[int, int]()

    def write(fd: int, data: bytes) -> int:
        here = Path(f"/proc/self/fd/{fd}")
        if not here.exists() or folder not in here.readlink().parents:
            return real(fd, data)
        if written.get(fd, 0) + len(data) > 128 << 10:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        done = real(fd, data)
        written[fd] = written.get(fd, 0) + done
        return done

    monkeypatch.setattr(os, "write", write)
    yield folder


def test_a_full_disk_is_said_and_the_test_is_stored_elsewhere(
    opened: Callable[..., MainWindow], qtbot: QtBot, small_disk: Path, tmp_path: Path,
) -> None:
    elsewhere = tmp_path / "elsewhere"
    asked: list[int] = []
    window = opened(GAUGE, folder=small_disk, ask=lambda: bool(asked.append(1)), ask_folder=lambda: str(elsewhere))
    choose(window, "cap-passes", "a job (invented)")
    window.testing.start_test()
    testing = window.testing
    qtbot.waitUntil(lambda: "full" in window.banner.text(), timeout=60000)
    at = testing.view.time_s
    qtbot.keyClick(window, Qt.Key.Key_2)
    qtbot.waitUntil(lambda: trace_is_past(window, at + 2.0)() or testing.judgement is not None, timeout=30000)
    assert nothing_pops_up()
    qtbot.waitUntil(lambda: testing.judgement is not None, timeout=60000)
    assert testing.live.word.text() == "PASS"  # the whole trace is still here
    assert "full" in window.banner.text() and testing.storing.key.isVisible()
    (cut,) = recordings(small_disk)
    saved = len(read(cut).rows)
    assert not window.close() and asked  # it is not on disk: asked before it goes
    for key in (Qt.Key.Key_N, Qt.Key.Key_B):
        testing._losing._asked_s = float("-inf")  # long ago
        qtbot.keyClick(window, key)
        assert testing.judgement is not None and "is not on disk" in window.banner.text()
    qtbot.keyClick(window, Qt.Key.Key_S)
    (file,) = recordings(elsewhere)
    recording = read(file)
    assert recording.intact is True
    assert len(recording.rows) > saved > 100
    assert judge(recording).outcome == "pass"
    assert not testing.storing.key.isVisible() and not window.banner.isVisible()
    assert window.close()


def test_closing_during_a_test_that_the_disk_refused_asks_again_and_it_can_still_be_stored(
    opened: Callable[..., MainWindow], qtbot: QtBot, small_disk: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It was asked once, with the promise of a complete recording, and then the test was gone."""
    elsewhere = tmp_path / "elsewhere"
    asked: list[bool] = []
    answers = iter([True, False])

    def ask() -> bool:
        asked.append(window.testing.active)
        return next(answers)

    window = opened(GAUGE, folder=small_disk, ask=ask, ask_folder=lambda: str(elsewhere))
    choose(window, "cap-passes", "a job (invented)")
    window.testing.start_test()
    testing = window.testing
    qtbot.waitUntil(lambda: "full" in window.banner.text(), timeout=60000)
    assert window.banner.text().endswith("S stores this test in another folder once it is over")
    said: list[str] = []
    monkeypatch.setattr(QMessageBox, "setText", lambda _box, text: said.append(text))
    monkeypatch.setattr(QMessageBox, "exec", lambda _box: 0)
    window._ask_to_close()
    assert "It is not on disk" in said[0] and "will be complete" not in said[0]
    assert not window.close()  # ended; then, as it is not on disk, no
    assert asked == [True, False]
    assert testing.judgement is not None and testing.storing.key.isVisible()
    qtbot.keyClick(window, Qt.Key.Key_F2)
    qtbot.keyClick(window, Qt.Key.Key_F1)
    assert "the disk is full" in window.banner.text()  # another place took the line
    qtbot.keyClick(window, Qt.Key.Key_S)
    (file,) = recordings(elsewhere)
    assert read(file).intact is True and len(read(file).rows) > 100
    qtbot.keyClick(window, Qt.Key.Key_F2)
    qtbot.keyClick(window, Qt.Key.Key_F1)
    assert not window.banner.isVisible()
    assert window.close() and len(asked) == 2


def test_a_disk_that_does_not_answer_is_said_while_the_test_goes_on(
    opened: Callable[..., MainWindow], qtbot: QtBot, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    real, answers = os.fsync, threading.Event()
    answers.set()
    monkeypatch.setattr(os, "fsync", lambda fd: (answers.wait(60.0), real(fd))[1])
    monkeypatch.setattr("recorder.session.keeper.SLOW_S", 0.3)
    window = opened(GAUGE, speed=8.0)
    choose(window, "cap-passes", "a job (invented)")
    window.testing.start_test()
    testing = window.testing
    qtbot.waitUntil(trace_is_past(window, 4.0), timeout=60000)
    answers.clear()
    try:
        qtbot.waitUntil(lambda: "the disk has not answered for" in window.banner.text(), timeout=30000)
        at = testing.view.time_s
        qtbot.waitUntil(trace_is_past(window, at + 2.0), timeout=30000)
        assert testing.active and nothing_pops_up()
    finally:
        answers.set()
    qtbot.waitUntil(lambda: not window.banner.isVisible(), timeout=30000)
    testing.end("enough", wait=True)
    [file] = recordings(tmp_path / "recordings")
    assert read(file).intact is True and not window.banner.isVisible()
