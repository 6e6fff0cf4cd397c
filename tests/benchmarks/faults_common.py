"""What the fault scripts share: an adapter on a pseudo-terminal that can be unplugged, and the recorder as
a process of its own."""

from __future__ import annotations

import contextlib
import ctypes
import os
import select
import shutil
import subprocess
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from multiprocessing import forkserver, get_context
from multiprocessing import process as processes
from pathlib import Path
from types import TracebackType
from typing import Protocol, TypeVar

from recorder.model import Recording
from recorder.rig import DemoTest, Trace, demo, simulate
from recorder.rig.lines import timed_lines

ROOT = Path(__file__).resolve().parents[2]
FULL_SCALE = "206.84 kPa"  # of the demo's gauge
NAMES = ("cap-passes", "cap-opens-low", "system-seeps", "system-repaired")  # tests of the demo
OVER = {"pass": "fail", "fail": "pass"}  # by the truth, what may not be said
Lines = Sequence[tuple[float, bytes]]
_T = TypeVar("_T")


@lru_cache(maxsize=8)
def played(name: str = "cap-passes") -> tuple[DemoTest, Trace, Lines]:
    """A test of the demo, its trace, and its lines with their times in s."""
    test = next(test for test in demo() if test.name == name)
    trace = simulate(test.scene)
    return test, trace, tuple(timed_lines(trace))


class Plug:
    """Plays timed lines into a pseudo-terminal that is found under a fixed name, as a cable on a port.

    lines: (seconds, bytes). speed: how much faster than real time; what comes before ``fast_until_s`` is sent
    as fast as it is taken. ``unplug`` takes the terminal away, ``replug`` brings a new one under the same
    name; what is due in between is lost. burst_s: what is due is handed on only that often. It announces itself
    when it is asked to.
    ``sent`` counts lines of samples written, ``lost`` those that were due while nothing was plugged in.
    """

    def __init__(self, name: Path, lines: Iterable[tuple[float, bytes]], speed: float = 1.0, *,
                 fast_until_s: float = 0.0, burst_s: float = 0.0) -> None:
        self.name, self.speed, self.burst_s = name, speed, burst_s
        self._lines = list(lines)
        self._announcement = next((data for _, data in self._lines if data[:2] == b"A,"), b"")
        self._fast_until_s = fast_until_s
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._master = self._slave = -1
        self.sent = self.lost = 0
        self.finished = threading.Event()
        self._thread = threading.Thread(target=self._run, name="plug", daemon=True)
        self.replug()

    def __enter__(self) -> Plug:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 where: TracebackType | None) -> None:
        self._stop.set()
        self._thread.join(10)
        self.unplug()

    @property
    def slave_name(self) -> str:
        return os.ttyname(self._slave)

    def unplug(self) -> None:
        with self._lock:
            self.name.unlink(missing_ok=True)  # first: the system gives the number of a terminal to the next who asks
            for end in (self._master, self._slave):
                if end >= 0:
                    os.close(end)
            self._master = self._slave = -1

    def unread(self) -> int:
        """Stops playing. Sample lines that were sent and that nobody has taken out of the terminal: once the recorder
        is dead, what the system never gave it."""
        self._stop.set()
        self._thread.join(10)
        got = b""
        if self._slave >= 0:
            os.set_blocking(self._slave, False)
            with contextlib.suppress(BlockingIOError):
                while select.select([self._slave], [], [], 0.3)[0]:
                    got += os.read(self._slave, 65536)
        return _samples_whole(got)

    def replug(self) -> None:
        with self._lock:
            self._master, self._slave = os.openpty()
            tty.setraw(self._slave)
            os.set_blocking(self._master, False)
            self.name.unlink(missing_ok=True)
            self.name.symlink_to(os.ttyname(self._slave))

    def _run(self) -> None:
        # Nothing is sent before the host asks who is there, so that nothing is lost at the start.
        while not self._stop.is_set() and not self._asked():
            time.sleep(0.005)
        began: float | None = None
        for due, data in self._due():
            if began is None and due > 0:
                began = time.monotonic()
            while began is not None and (left := began + due - time.monotonic()) > 0:
                if self._stop.wait(min(left, 0.02)):
                    return
            if self._stop.is_set():
                return
            if self._asked():
                self._write(self._announcement)
            self._write(data)
        self.finished.set()

    def _due(self) -> Iterable[tuple[float, bytes]]:
        """Lines that are due at the same time, joined: (seconds of the host's clock, bytes)."""
        batch: list[bytes] = []
        last = 0.0
        for at, data in self._lines:
            due = max(at - self._fast_until_s, 0.0) / self.speed
            if self.burst_s:
                due = (due // self.burst_s + 1) * self.burst_s
            if batch and (due > last or len(batch) >= 40):
                yield last, b"".join(batch)
                batch = []
            last = due
            batch.append(data)
        yield last, b"".join(batch)

    def _asked(self) -> bool:
        with self._lock, contextlib.suppress(OSError):
            return self._master >= 0 and b"?" in os.read(self._master, 64)
        return False

    def _write(self, data: bytes) -> None:
        until = time.monotonic() + 5
        while data and time.monotonic() < until and not self._stop.is_set():
            with self._lock:
                if self._master < 0:
                    break
                with contextlib.suppress(BlockingIOError):
                    done = os.write(self._master, data)
                    self.sent += _samples_whole(data[:done])
                    data = data[done:]
            if data:
                time.sleep(0.001)
        self.lost += _samples_whole(data)


def _samples_whole(data: bytes) -> int:
    """Sample lines that end in ``data`` (an announcement ends there too: counted, and taken off)."""
    return data.count(b"\n") - data.count(b"A,1,")


# ---------------------------------------------------------------- the recorder


class Started(Protocol):
    """What is used of a process: as in subprocess.Popen."""

    @property
    def pid(self) -> int: ...
    def poll(self) -> int | None: ...
    def wait(self, timeout: float | None = None) -> int: ...
    def send_signal(self, number: int) -> None: ...
    def kill(self) -> None: ...


def recorder(*args: str | Path) -> list[str]:
    """The command line of the recorder under test."""
    return [sys.executable, "-m", "recorder", *map(str, args)]


def record_command(port: Path, folder: Path, *more: str, test: DemoTest | None = None) -> list[str]:
    what = test or played()[0]
    return recorder("record", "--port", port, "--test", what.test, "--marked", "16 psi", "--full-scale",
                    FULL_SCALE, "--folder", folder, "--mute", *more)


def start(command: Sequence[str], log: Path, **more: object) -> subprocess.Popen[bytes]:
    with log.open("wb") as out:
        return subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT,  # type: ignore[call-overload, no-any-return]
                                stdin=subprocess.DEVNULL, cwd=ROOT, **more)


CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH, CAP_SYS_ADMIN = 1, 2, 21  # of linux/capability.h
_PR_CAPBSET_DROP = 24


def without(*capabilities: int) -> Callable[[], None]:
    """For ``preexec_fn``: root gives these powers up, so that locks and permissions bind it too."""
    library = ctypes.CDLL(None, use_errno=True)

    def drop() -> None:
        for capability in capabilities:
            library.prctl(_PR_CAPBSET_DROP, capability, 0, 0, 0)

    return drop


_PRELOAD = ["recorder.cli.record", "recorder.session", "recorder.port", "recorder.report", "scipy.optimize",
            "scipy.signal", "scipy.ndimage", "scipy.linalg", "scipy.stats", __name__]


def _child(args: Sequence[str], log: str, environment: dict[str, str]) -> None:
    from recorder.cli import main

    out = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    null = os.open(os.devnull, os.O_RDONLY)
    os.dup2(null, 0)
    os.dup2(out, 1)
    os.dup2(out, 2)
    os.environ.update(environment)
    main(list(args), prog_name="recorder")


_STARTING = threading.Lock()


class _Forked:
    """A process of the fork server, to be used as a Popen."""

    def __init__(self, args: Sequence[str], log: Path, environment: dict[str, str]) -> None:
        self._process = get_context("forkserver").Process(target=_child, args=(args, str(log), environment))
        with _STARTING:  # start() asks every child how it ended, and of two threads that ask one is told 255
            self._process.start()
            processes._children.discard(self._process)  # type: ignore[attr-defined]

    @property
    def pid(self) -> int:
        return self._process.pid or 0

    def poll(self) -> int | None:
        return self._process.exitcode

    def wait(self, timeout: float | None = None) -> int:
        self._process.join(timeout)
        if self._process.exitcode is None:
            raise subprocess.TimeoutExpired("recorder", timeout or 0)
        return self._process.exitcode

    def send_signal(self, number: int) -> None:
        if self.pid and self._process.exitcode is None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self.pid, number)

    def kill(self) -> None:
        self._process.kill()


_SHIM = Path(__file__).with_name("faults_shim.c")


@lru_cache(maxsize=1)
def shim() -> Path | None:
    """The library of faults_shim.c, built; None where there is no compiler."""
    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler is None:
        return None
    out = Path(tempfile.mkdtemp(prefix="faults-")) / "shim.so"
    subprocess.run([compiler, "-shared", "-fPIC", "-O1", "-o", str(out), str(_SHIM), "-ldl"], check=True)
    return out


@lru_cache(maxsize=1)
def _server() -> int:
    """Starts the process that the recorders are forked from, with the library of faults before the C library; what it
    does is said by each recorder's own environment."""
    library = shim()
    get_context("forkserver").set_forkserver_preload(_PRELOAD)
    before = os.environ.get("LD_PRELOAD")
    if library is not None:
        os.environ["LD_PRELOAD"] = str(library)
    forkserver._forkserver._stop()  # type: ignore[attr-defined]  # one that something else began does not have the library
    try:
        forkserver.ensure_running()
    finally:
        os.environ.pop("LD_PRELOAD", None)
        if before is not None:
            os.environ["LD_PRELOAD"] = before
    return _server_pid()


def _server_pid() -> int:
    return forkserver._forkserver._forkserver_pid or 0  # type: ignore[attr-defined]


def start_warm(command: Sequence[str], log: Path, environment: dict[str, str] | None = None) -> Started:
    """The recorder as a process of its own, forked from one that has loaded the program: for many runs."""
    with _STARTING:  # the first of several threads makes it, and none makes it twice
        server = _server()
    started = _Forked(command[3:], log, environment or {})
    if _server_pid() != server:
        raise RuntimeError("the fork server ended and began anew, without the library of faults")
    return started


def doing(pid: int) -> str:
    """What each thread of a process is at, the first one first: R it runs or waits for a processor, D it waits for the
    disk, S for something else (in brackets: what)."""
    out = []
    with contextlib.suppress(OSError):
        for thread in sorted(Path(f"/proc/{pid}/task").iterdir(), key=lambda path: int(path.name)):
            state = (thread / "stat").read_text().rpartition(")")[2].split()[0]
            out.append(f"{state} ({(thread / 'wchan').read_text()})")
    return ", ".join(out)


def several(n: int, what: Callable[[int], _T], jobs: int) -> list[_T]:
    """``what`` for 0 to n - 1, ``jobs`` at a time, in order."""
    with ThreadPoolExecutor(jobs) as pool:
        return list(pool.map(what, range(n)))


# ---------------------------------------------------------------- what it left


def recordings(folder: Path) -> list[Path]:
    """Recordings of a folder; its ledger is none."""
    return sorted(folder.glob("*Z-*.csv"))


def rows_in(folder: Path) -> int:
    """Whole rows in the one recording of a folder, counted by eye: lines that begin with a digit."""
    files = recordings(folder)
    if not files:
        return 0
    lines = files[0].read_bytes().split(b"\n")[:-1]
    return sum(line[:1].isdigit() for line in lines)


def not_as_sent(recording: Recording, lines: Lines, *, holes: bool = False) -> str:
    """"" where the rows are the first of the sample lines, each with its sequence, clock and counts; or what is wrong.
    holes: some may be missing; those that are there are in order, each once."""
    r = recording.rows
    if r.seq is None or r.device_us is None or r.counts is None:
        return "" if not len(r) else "the rows have no raw columns"
    got = list(zip(r.seq.tolist(), r.device_us.tolist(), r.counts.tolist(), strict=True))
    sent = [tuple(map(int, data.split(b",")[1:4])) for _, data in lines if data[:2] == b"S,"]
    if holes:
        rest = iter(sent)  # each search goes on behind what was found
        odd = next((i for i, row in enumerate(got) if row not in rest), None)
    else:
        odd = next((i for i, row in enumerate(got) if i >= len(sent) or row != sent[i]), None)
    return "" if odd is None else f"row {odd} is {got[odd]}, which is not what was sent there"


def wait_rows(folder: Path, at_least: int, process: Started, seconds: float = 60) -> int:
    """Waits until the recording has so many rows, or the process is over, or ``seconds`` have passed."""
    until = time.monotonic() + seconds
    while time.monotonic() < until and process.poll() is None:
        if (n := rows_in(folder)) >= at_least:
            return n
        time.sleep(0.03)
    return rows_in(folder)


def broke(said: str) -> bool:
    """Whether what the recorder said shows that the program itself broke."""
    return "Traceback" in said or "fault in the program" in said or "analysis broke" in said
