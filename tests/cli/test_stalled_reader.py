"""A reader of standard error or output that stalls, at a real pipe that is full: nothing live waits for it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from recorder.cli import main
from recorder.cli._unheld import Unheld
from recorder.recording import read
from recorder.rig import SimulatedTester, demo, simulate
from tests.cli.board import board
from tests.cli.terminal import ROOT
from tests.session_feeder import announcement, line

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pipes and signals of POSIX")

ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT)}


class Stalled:
    """A pipe, full from the beginning, that nobody reads until ``drained``."""

    def __init__(self) -> None:
        self.reader, self.writer = os.pipe()
        self.fill()

    def fill(self) -> None:
        os.set_blocking(self.writer, False)
        for piece in (b"x" * 4096, b"x"):
            try:
                while True:
                    os.write(self.writer, piece)
            except BlockingIOError:
                pass
        os.set_blocking(self.writer, True)

    def drained(self) -> str:
        os.set_blocking(self.reader, False)
        out = b""
        try:
            while data := os.read(self.reader, 65536):
                out += data
        except BlockingIOError:
            pass
        return out.decode().replace("x" * 512, "")

    def close(self) -> None:
        os.close(self.reader)
        os.close(self.writer)


@pytest.fixture
def stalled() -> Iterator[Stalled]:
    made = Stalled()
    yield made
    made.close()


@contextmanager
def program(*arguments: str, out: int, err: int) -> Iterator[subprocess.Popen[bytes]]:
    child = subprocess.Popen([sys.executable, "-m", "recorder", *arguments], stdout=out, stderr=err, env=ENVIRONMENT,
                             stdin=subprocess.DEVNULL)
    try:
        yield child
    finally:
        child.kill()
        child.wait()


def until(done: Callable[[], object], seconds: float = 60.0) -> None:
    end = time.monotonic() + seconds
    while not done():
        assert time.monotonic() < end, "it never happened"
        time.sleep(0.02)


def interrupted(child: subprocess.Popen[bytes]) -> int:
    """Ctrl-C until it ended; its exit status. On a busy computer the first ones come before it waits for a reader."""
    for _ in range(15):
        child.send_signal(signal.SIGINT)
        with suppress(subprocess.TimeoutExpired):
            return child.wait(timeout=2.0)
    raise AssertionError("it does not end by Ctrl-C")


def record(url: str, folder: Path) -> list[str]:
    return ["record", "--port", url, "--test", "cap", "--marked", "16 psi", "--full-scale", "206.84 kPa", "--json",
            "--folder", str(folder), "--mute"]


def sealed(folder: Path) -> bool:
    files = list(folder.glob("*-*.csv"))
    return len(files) == 1 and b"\n# sha256: " in files[0].read_bytes()


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_rows_go_on_to_the_disk_and_a_stop_is_heard(tmp_path: Path, stalled: Stalled, number: signal.Signals) -> None:
    """Not one row came any more, Ctrl-C and SIGTERM were ignored, and the file was never sealed."""
    out = tmp_path / "out"
    with SimulatedTester(simulate(demo()[0].scene), speed=8.0, start_after_s=20.0) as tester, out.open("wb") as file, \
            program(*record(tester.url, tmp_path), out=file.fileno(), err=stalled.writer) as child:
        until(lambda: any(f.stat().st_size > 20_000 for f in tmp_path.glob("*-*.csv")))
        child.send_signal(number)
        assert child.wait(timeout=30) == 0
    [path] = tmp_path.glob("*-*.csv")
    assert read(path, strict=True).intact is True
    assert json.loads(out.read_text("utf-8"))["file"] == str(path)


def test_with_room_again_it_is_said_that_something_was_left_out(tmp_path: Path, stalled: Stalled) -> None:
    with SimulatedTester(simulate(demo()[0].scene), speed=4.0, start_after_s=20.0) as tester, \
            program(*record(tester.url, tmp_path), out=subprocess.DEVNULL, err=stalled.writer) as child:
        until(lambda: any(f.stat().st_size > 20_000 for f in tmp_path.glob("*-*.csv")))
        assert stalled.drained().strip("x") == ""
        time.sleep(6.0)  # a line is due every 5 s
        lines = stalled.drained().splitlines()
        child.send_signal(signal.SIGINT)
        assert child.wait(timeout=30) == 0
    assert lines[0].endswith("left out, for nobody read them)") and len(lines) > 1 and "kPa" in lines[1]
    assert not any("left out" in one for one in lines[1:])


def ended_midway(child: subprocess.Popen[bytes], folder: Path) -> None:
    """Ctrl-C once there is something to judge; the file is sealed then."""
    until(lambda: any(f.stat().st_size > 20_000 for f in folder.glob("*-*.csv")))
    child.send_signal(signal.SIGINT)
    until(lambda: sealed(folder))


def test_at_the_end_the_result_waits_for_its_reader_until_another_ctrl_c(tmp_path: Path, stalled: Stalled) -> None:
    err = Stalled()
    try:
        with SimulatedTester(simulate(demo()[0].scene), speed=8.0, start_after_s=20.0) as tester, \
                program(*record(tester.url, tmp_path), out=stalled.writer, err=err.writer) as child:
            ended_midway(child, tmp_path)
            time.sleep(0.7)
            assert child.poll() is None
            assert interrupted(child) == 2
        assert stalled.drained().strip("x") == "" and err.drained().strip("x") == ""
    finally:
        err.close()


def test_a_result_that_waited_comes_whole(tmp_path: Path, stalled: Stalled) -> None:
    with SimulatedTester(simulate(demo()[0].scene), speed=8.0, start_after_s=20.0) as tester, \
            program(*record(tester.url, tmp_path), out=stalled.writer, err=subprocess.DEVNULL) as child:
        ended_midway(child, tmp_path)
        time.sleep(0.5)
        got = ""
        while child.poll() is None:
            got += stalled.drained()
            time.sleep(0.02)
        got += stalled.drained()
        assert child.returncode == 0 and json.loads(got.lstrip("x"))["judgement-format"] == 1


def test_try_goes_on_and_ends_by_ctrl_c(tmp_path: Path, stalled: Stalled) -> None:
    """Of its output, too: it took the signal for one that stops a test, and went on to wait."""
    with program("try", "--fast", "--json", "--folder", str(tmp_path), out=stalled.writer, err=stalled.writer) as child:
        until(lambda: sealed(tmp_path))
        time.sleep(0.7)
        assert child.poll() is None
        assert interrupted(child) == 2


def sample(n: int) -> bytes:
    return announcement() if n % 500 == 0 else line(f"S,{n % 65536},{n * 10_000 % 2**32},{409 + n % 2},,")


def test_a_check_of_an_adapter_ends_though_nobody_reads_its_words(tmp_path: Path, stalled: Stalled) -> None:
    with board(sample) as url, (tmp_path / "out").open("wb") as file, \
            program("adapter", "--port", url, "--seconds", "11", out=file.fileno(), err=stalled.writer) as child:
        assert child.wait(timeout=40) in (0, 1)
    assert "samples a second" in (tmp_path / "out").read_text("utf-8")


@pytest.mark.parametrize("command", ["adapter", "conform", "calibrate"])
def test_what_looks_at_an_adapter_ends_by_ctrl_c_however_full_the_pipes_are(stalled: Stalled, command: str) -> None:
    more = [] if command == "calibrate" else ["--seconds", "60"]
    with board(sample) as url, program(command, "--port", url, *more, out=stalled.writer, err=stalled.writer) as child:
        time.sleep(8.0)
        assert interrupted(child) == 2  # once to end it, and once more to wait for no reader


def test_an_error_that_nobody_reads_ends_by_ctrl_c(tmp_path: Path, stalled: Stalled) -> None:
    with program("judge", str(tmp_path / "none.csv"), out=subprocess.DEVNULL, err=stalled.writer) as child:
        time.sleep(2.0)
        assert child.poll() is None
        assert interrupted(child) == 2
    assert stalled.drained().strip("x") == ""


@pytest.mark.parametrize("again", [True, False])
def test_what_a_pipe_takes_it_takes_whole(again: bool, monkeypatch: pytest.MonkeyPatch, stalled: Stalled) -> None:
    """Also where the pipe cannot be opened a second time, as outside Linux."""
    if not again:
        monkeypatch.setattr("recorder.cli._unheld._opened_again", lambda number: -1)
    with os.fdopen(os.dup(stalled.writer), "w", encoding="utf-8") as stream:
        unheld = Unheld(stream)
        assert not unheld.put("a line\n")
        stalled.drained()
        assert unheld.put("±" * 1000 + "\n") and stalled.drained() == "±" * 1000 + "\n"
        taken = 0
        while unheld.put(f"{taken:099}\n"):
            taken += 1
        assert 300 < taken < 2000
        assert stalled.drained() == "".join(f"{i:099}\n" for i in range(taken))
        unheld.close()
    assert not unheld.put("to a closed stream\n") and not Unheld(None).put("to none\n")


@pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="of Linux: the files that a program has open")
def test_a_command_leaves_no_terminal_open(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each of the four tests of the demo opens it once more, for its live line."""
    master, slave = os.openpty()

    def drain() -> None:
        with suppress(OSError):  # it is closed in the end
            while os.read(master, 65536):
                pass

    threading.Thread(target=drain, daemon=True).start()
    with os.fdopen(slave, "w") as terminal:
        name = os.ttyname(slave)
        monkeypatch.setattr(sys, "stderr", terminal)
        main(["try", "--fast", "--json", "--folder", str(tmp_path)], standalone_mode=False)
        monkeypatch.undo()
        numbers = [link for link in Path("/proc/self/fd").iterdir() if os.path.realpath(link) == name]
        assert numbers == [Path(f"/proc/self/fd/{slave}")]
    os.close(master)
