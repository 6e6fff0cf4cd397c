"""The loop of a test in a terminal, with keys and a port of its own."""

from __future__ import annotations

import errno
import json
import os
import re
import select
import signal
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from recorder.analysis import live
from recorder.cli._drive import Keys, StopSignals, drive
from recorder.cli._live import LiveLine
from recorder.recording import read
from recorder.rig import demo, simulate, wire_bytes
from recorder.session import Session, SessionConfig
from recorder.wire import encode_line
from tests.cli.board import board
from tests.memory_ports import FedPort, PlayedPort

ROOT = Path(__file__).parents[2]


class Pressed(Keys):
    """One key, in the first turn."""

    def __init__(self, key: str) -> None:
        super().__init__()
        self._key = key

    def take(self) -> str:
        key, self._key = self._key, ""
        return key


class Said:
    """What stays on the screen."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def say(self, text: str, *, loud: bool = False) -> None:
        self.lines.append(text)

    def show(self, *_: object) -> None:
        """The live line."""

    def clear(self) -> None:
        """The live line goes."""


def test_a_mark_that_was_not_made_is_not_said_to_be(tmp_path: Path) -> None:
    said: Any = Said()
    turns = iter([False, False, True])
    session = Session(SessionConfig("cap", full_scale_kpa=207.0), port=FedPort(), folder=tmp_path)
    done, error = drive(session, said, StopSignals(), keys=Pressed("m"), over=lambda: next(turns), pause_s=0.0)
    assert error is None and done.marks == () and done.path is None
    assert said.lines == ["nothing has been recorded yet to mark"]


@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="signals of POSIX")
def test_what_nohup_ignores_stays_ignored() -> None:
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with StopSignals() as stop:
            os.kill(os.getpid(), signal.SIGHUP)
            os.kill(os.getpid(), signal.SIGTERM)
        assert stop.why == "SIGTERM" and signal.getsignal(signal.SIGHUP) == signal.SIG_IGN
    finally:
        signal.signal(signal.SIGHUP, before)


def speaks(n: int) -> bytes:
    said = encode_line("A,1,hose-7,1.0,1023,100") if n % 100 == 0 else b""
    return said + encode_line(f"S,{n % 65536},{n * 10_000},{105 + n % 2},,")


@pytest.mark.skipif(sys.platform == "win32", reason="terminals of POSIX")
def test_a_terminal_that_is_closed_costs_no_judgement(tmp_path: Path) -> None:
    """Somebody shuts the terminal's window while the result is to go to a file."""
    import pty

    result = tmp_path / "result.json"
    with board(speaks) as url:
        child, terminal = pty.fork()
        if child == 0:
            file = os.open(result, os.O_CREAT | os.O_WRONLY)
            os.dup2(file, 1)
            os.chdir(ROOT)
            os.execv(sys.executable, [sys.executable, "-m", "recorder", "record", "--port", url, "--test", "system",
                                      "--marked", "16 psi", "--full-scale", "207 kPa", "--json",
                                      "--folder", str(tmp_path / "tests")])
        said, end = b"", time.monotonic() + 60.0
        while b"to go" not in said and time.monotonic() < end:  # it runs, and has rows
            if select.select([terminal], [], [], 0.1)[0]:
                said += os.read(terminal, 65536)
        os.close(terminal)
        _, status = os.waitpid(child, 0)
    assert os.waitstatus_to_exitcode(status) == 0, said
    judgement = json.loads(result.read_text("utf-8"))
    assert judgement["outcome"] in ("void", "undecided") and read(judgement["file"], strict=True).intact


@pytest.mark.skipif(sys.platform == "win32", reason="terminals of POSIX")
def test_a_terminal_that_left_the_program_behind_has_no_keys(monkeypatch: pytest.MonkeyPatch) -> None:
    """POSIX, General Terminal Interface, 11.1.4: who reads in the background, and cannot be stopped, is told EIO."""
    master, slave = os.openpty()
    with os.fdopen(slave, closefd=True) as terminal:
        monkeypatch.setattr(sys, "stdin", terminal)
        keys = Keys()
        os.write(master, b"q\n")

        def refused(number: int, size: int) -> bytes:
            raise OSError(errno.EIO, "Input/output error")

        monkeypatch.setattr(os, "read", refused)
        assert keys.take() == "" and keys.take() == ""
    os.close(master)


IN_THE_BACKGROUND = """
import os, subprocess, sys
child = subprocess.Popen([sys.executable, "-m", "recorder", *sys.argv[1:]], process_group=0)
_, status = os.waitpid(child.pid, os.WUNTRACED)
if os.WIFSTOPPED(status):
    print("STOPPED by signal", os.WSTOPSIG(status))
    child.kill()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="terminals of POSIX")
def test_in_the_background_of_a_terminal_it_is_not_stopped(tmp_path: Path) -> None:
    """``recorder record ... &``. POSIX, General Terminal Interface, 11.1.4: who sets the modes of the terminal from
    there is stopped, and said nothing, recorded nothing."""
    import pty

    child, terminal = pty.fork()
    if child == 0:
        os.chdir(ROOT)
        os.execv(sys.executable, [sys.executable, "-c", IN_THE_BACKGROUND, "record", "--port", str(tmp_path / "none"),
                                  "--test", "system", "--marked", "16 psi", "--full-scale", "207 kPa",
                                  "--folder", str(tmp_path / "tests")])
    said, end = b"", time.monotonic() + 60.0
    with suppress(OSError):  # EIO: all that had it open have ended
        while time.monotonic() < end:
            if select.select([terminal], [], [], 0.1)[0]:
                said += os.read(terminal, 65536)
    os.close(terminal)
    os.waitpid(child, 0)
    assert b"STOPPED" not in said and b"there is no such port" in said, said


def test_a_live_view_that_breaks_is_said_and_its_step_stands_no_longer(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """From 12 s on, in the strokes, every look at the phases fails. "Slow strokes until it opens" stood there to the
    end of the test, which never came by itself, beside a pressure that stood as well."""
    looked = live.live_study

    def breaks(setup: Any, t: Any, *more: Any) -> Any:
        if len(t) and t[-1] > 12.0:
            raise TypeError("made up")
        return looked(setup, t, *more)

    monkeypatch.setattr("recorder.analysis.analyser.live_study", breaks)
    monkeypatch.setattr("recorder.cli._live._PLAIN_EVERY_S", 0.0)
    monkeypatch.setattr("recorder.cli._drive._TURN_S", 0.0)  # each step is shown
    test = demo()[0]
    data = wire_bytes(simulate(test.scene))
    port = PlayedPort((data[i : i + 2000] for i in range(0, len(data), 2000)), 0.7)
    session = Session(SessionConfig(test.test, test.marked, full_scale_kpa=test.scene.sensor.full_scale_kpa), port=port,
                      folder=tmp_path, clock=port.clock)
    done, error = drive(session, LiveLine("cap"), StopSignals(), over=lambda: port.over, pause_s=0.0)
    said = capsys.readouterr().err.splitlines()
    at = next(i for i, line in enumerate(said) if "the live view broke (TypeError: made up)" in line)
    assert "end it by hand" in said[at]
    assert any("kPa  pump-up  " in line for line in said[:at])
    after = said[at + 1 :]
    assert len(after) > 3 and all(re.fullmatch(r"-?\d+\.\d kPa", line) for line in after), after
    assert error is None and done.sha256 is not None and done.judgement["outcome"] == "pass"


def test_a_disk_that_does_not_answer_is_said_while_the_test_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on a share whose server is gone for a while: it was told at the end alone."""
    real, answers = os.fsync, threading.Event()
    monkeypatch.setattr(os, "fsync", lambda fd: (answers.wait(60.0), real(fd))[1])
    monkeypatch.setattr("recorder.session.keeper.SLOW_S", 0.3)
    said: Any = Said()
    port = FedPort()
    port.send(b"".join(map(speaks, range(300))))
    session = Session(SessionConfig("cap", full_scale_kpa=207.0), port=port, folder=tmp_path)
    until = time.monotonic() + 30.0

    def over() -> bool:
        if said.lines:  # it answers as soon as that was said
            answers.set()
        return len(said.lines) > 1 or time.monotonic() > until

    try:
        done, error = drive(session, said, StopSignals(), over=over, pause_s=0.01)
    finally:
        answers.set()
    [slow, again] = said.lines
    assert re.fullmatch(r"\S+\.csv: the disk has not answered for \d s; the test goes on, and what has come since is "
                        r"not safe yet; check it, and the network where it is on one", slow)
    assert again == "the disk answers again"
    assert error is None and done.path is not None and read(done.path).intact is True
    assert len(read(done.path).rows) == 300
