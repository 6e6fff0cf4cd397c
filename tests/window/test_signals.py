"""Ctrl-C, SIGTERM and SIGHUP at the terminal that the window was opened from: the file is sealed, nothing is thrown."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

import pytest

from recorder.recording import read
from tests.audit.test_workers import gone

ROOT = Path(__file__).parents[2]
# The window as `recorder` opens it; Enter is pressed as soon as it stands.
OPENED = """
import sys
from PySide6.QtCore import QTimer
from recorder.window.places import run as qt_run
shown = qt_run.MainWindow.warm_up_soon
def soon(window):
    shown(window)
    if sys.argv[2] in ("testing", "asked"):
        window.testing.setup.marked_edit.setText("16 psi")
        QTimer.singleShot(200, window.testing.start_test)
    if sys.argv[2] == "asked":
        QTimer.singleShot(1500, window.close)  # which asks, as a test runs
        QTimer.singleShot(2000, lambda: print("open", flush=True))
        return
    if sys.argv[2] == "judging again":
        QTimer.singleShot(200, lambda: (window.go(1), QTimer.singleShot(1000, window.records.check_all)))
        timer = QTimer(window)
        timer.timeout.connect(lambda: window.records._checked and (timer.stop(), print("open", flush=True)))
        timer.start(20)
        return
    QTimer.singleShot(300, lambda: print("open", flush=True))
qt_run.MainWindow.warm_up_soon = soon
folder = ["--folder", sys.argv[1]] if sys.argv[1] else []
sys.exit(qt_run.run(["--port", "simulated:cap-passes", *folder, "--speed", "4"]))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
@pytest.mark.parametrize(("number", "doing"), [
    (signal.SIGINT, "testing"), (signal.SIGTERM, "testing"), (signal.SIGINT, "the form"),
], ids=["Ctrl-C in a test", "SIGTERM in a test", "Ctrl-C before one"])
def test_a_signal_ends_the_window_in_order(tmp_path: Path, number: signal.Signals, doing: str) -> None:
    folder = tmp_path / "recordings"
    child = subprocess.Popen([sys.executable, "-c", OPENED, str(folder), doing], stdout=subprocess.PIPE, text=True,
                             stderr=subprocess.PIPE, env={**os.environ, "PYTHONPATH": str(ROOT), "HOME": str(tmp_path),
                                                          "QT_QPA_PLATFORM": "offscreen"})
    try:
        assert child.stdout is not None and child.stdout.readline() == "open\n"
        deadline = time.monotonic() + 60
        while doing == "testing" and time.monotonic() < deadline:
            files = list(folder.glob("*-*.csv")) if folder.is_dir() else []
            if files and files[0].stat().st_size > 60_000:  # pumped up
                break
            time.sleep(0.05)
        child.send_signal(number)
        out, err = child.communicate(timeout=40)
    finally:
        child.kill()
    assert child.returncode == 0 and "Traceback" not in err, err
    if doing == "testing":
        (file,) = folder.glob("*-*.csv")
        recording = read(file, strict=True)
        assert recording.intact is True and recording.judgement is not None
        assert f"recorded in {file}" in out + err and "turn the relief" in out + err  # it is still on


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
def test_a_signal_while_it_is_asked_whether_to_close_ends_it_too(tmp_path: Path) -> None:
    """Qt does not close what is closing already: the question stood there for ever, and no further signal was heard."""
    folder = tmp_path / "recordings"
    child = subprocess.Popen([sys.executable, "-c", OPENED, str(folder), "asked"], stdout=subprocess.PIPE, text=True,
                             stderr=subprocess.PIPE, env={**os.environ, "PYTHONPATH": str(ROOT), "HOME": str(tmp_path),
                                                          "QT_QPA_PLATFORM": "offscreen"})
    try:
        assert child.stdout is not None and child.stdout.readline() == "open\n"
        child.send_signal(signal.SIGTERM)
        _, err = child.communicate(timeout=40)
    finally:
        child.kill()
    assert child.returncode == 0 and "Traceback" not in err, err
    files = list(folder.glob("*-cap-*.csv"))  # none where the computer was too slow for a first reading
    assert all(read(file, strict=True).intact for file in files)
    assert "recorded in None" not in err and (f"recorded in {files[0]}" if files else "nothing was recorded") in err


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
def test_in_a_checkout_the_simulated_tester_leaves_the_demo_alone(tmp_path: Path) -> None:
    shutil.copytree(ROOT / "recordings", tmp_path / "recordings")
    child = subprocess.Popen([sys.executable, "-c", OPENED, "", "testing"], stdout=subprocess.PIPE, text=True,
                             stderr=subprocess.PIPE, cwd=tmp_path,
                             env={**os.environ, "PYTHONPATH": str(ROOT), "HOME": str(tmp_path),
                                  "QT_QPA_PLATFORM": "offscreen"})
    try:
        deadline = time.monotonic() + 60
        while not list((tmp_path / "own-recordings").glob("*-cap-*.csv")) and time.monotonic() < deadline:
            time.sleep(0.05)
        child.send_signal(signal.SIGINT)
        _, err = child.communicate(timeout=40)
    finally:
        child.kill()
    assert child.returncode == 0 and "what you record goes to 'own-recordings'" in err
    assert len(list((tmp_path / "own-recordings").glob("*-cap-*.csv"))) == 1
    for kept in (ROOT / "recordings").iterdir():
        assert (tmp_path / "recordings" / kept.name).read_bytes() == kept.read_bytes(), kept.name
    assert len(list((tmp_path / "recordings").iterdir())) == len(list((ROOT / "recordings").iterdir()))


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGKILL], ids=["Ctrl-C", "killed"])
def test_the_process_that_judges_again_ends_with_the_window(tmp_path: Path, number: signal.Signals) -> None:
    """It lived on, and waited for work for ever."""
    for n in range(8):
        shutil.copytree(ROOT / "recordings", tmp_path / "recordings" / str(n))
    child = subprocess.Popen([sys.executable, "-c", OPENED, str(tmp_path / "recordings"), "judging again"],
                             stdout=subprocess.PIPE, text=True, stderr=subprocess.PIPE, start_new_session=True,
                             env={**os.environ, "PYTHONPATH": str(ROOT), "HOME": str(tmp_path),
                                  "QT_QPA_PLATFORM": "offscreen"},
                             # tests begun in the background of a shell ignore Ctrl-C, and so would what they start
                             preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL))
    try:
        assert child.stdout is not None and child.stdout.readline() == "open\n"
        os.killpg(child.pid, number) if number == signal.SIGINT else child.kill()  # a terminal sends it to all of them
        _, err = child.communicate(timeout=40)  # the other process has its output, too
        assert "Traceback" not in err, err
        assert gone(child.pid)
    finally:
        with suppress(ProcessLookupError):
            os.killpg(child.pid, signal.SIGKILL)
