"""Looks made aside: the loop does not wait for them, and what they find is what is shown."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from recorder.analysis import Analyser
from recorder.recording.aside import Aside
from recorder.rig import demo, simulate, wire_bytes
from recorder.session import Session, SessionConfig
from tests.memory_ports import PlayedPort


def _session(port: PlayedPort, folder: Path) -> Session:
    test = demo()[0]
    config = SessionConfig(test.test, test.marked, full_scale_kpa=test.scene.sensor.full_scale_kpa)
    return Session(config, port=port, folder=folder, clock=port.clock, aside=True)


def test_rows_are_written_while_a_look_is_being_made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    let_go = threading.Event()
    real = Analyser.look

    def slow(analyser: Analyser):  # type: ignore[no-untyped-def]
        work = real(analyser)

        def waits():  # type: ignore[no-untyped-def]
            if threading.current_thread().name == "aside":
                let_go.wait(30)
            return work()

        return waits

    monkeypatch.setattr(Analyser, "look", slow)
    trace = simulate(demo()[0].scene)
    data = wire_bytes(trace)
    port = PlayedPort((data[i : i + 600] for i in range(0, len(data), 600)), 0.2)
    session = _session(port, tmp_path)
    while not port.over:
        session.step()
        session.view()
    assert session.writer is not None and session.writer.rows_written == len(trace.time_s)
    assert session.view().pressure_kpa is not None
    assert not session.view().finished  # no look was over yet
    let_go.set()
    until = time.monotonic() + 30
    while not session.view().finished and time.monotonic() < until:
        session.step()
        time.sleep(0.01)
    assert session.view().finished
    done = session.stop("over")
    assert done.judgement["outcome"] == trace.truth.outcome


def test_what_breaks_aside_is_told() -> None:
    aside: Aside[int] = Aside()

    def breaks() -> int:
        raise ZeroDivisionError

    aside.start(breaks)
    assert aside.busy
    until = time.monotonic() + 10
    with pytest.raises(ZeroDivisionError):
        while time.monotonic() < until:
            aside.take()
            time.sleep(0.01)
    assert not aside.busy
    aside.start(lambda: 5)
    while (got := aside.take()) is None and time.monotonic() < until:
        time.sleep(0.01)
    assert got == 5


NO_THREADS = """
import resource, sys
from tests.session import test_session_aside as own
from recorder.rig import demo, simulate, wire_bytes
from tests.memory_ports import PlayedPort
from pathlib import Path
data = wire_bytes(simulate(demo()[0].scene))
port = PlayedPort((data[i : i + 6000] for i in range(0, len(data), 6000)), 2.0)
session = own._session(port, Path(sys.argv[1]))
used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
own.threading.stack_size(1 << 30)  # what each thread asks for, and more than there is
resource.setrlimit(resource.RLIMIT_AS, (used + (600 << 20), resource.RLIM_INFINITY))
try:
    own.threading.Thread(target=print, daemon=True).start()
    sys.exit("there is room for a thread")
except RuntimeError:
    pass
while not port.over:
    session.step()
    session.view()
done = session.stop("over")
print(done.judgement["outcome"], done.sha256 is not None, session.error)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="how much address space a thread takes is Linux's")
def test_a_system_without_a_thread_to_spare_costs_no_test(tmp_path: Path) -> None:
    """Syncs and looks are made in threads: the recording broke off unsealed, its program with it."""
    done = subprocess.run([sys.executable, "-c", NO_THREADS, str(tmp_path)], capture_output=True, text=True,
                          timeout=100, check=False, cwd=Path(__file__).parents[2])
    assert (done.returncode, done.stdout) == (0, "pass True None\n"), done.stderr


def test_the_program_does_not_end_in_the_middle_of_a_look() -> None:
    """A thread that the interpreter's end cuts off within compiled code aborts the process ("terminate called without
    an active exception", exit -6), after the file was sealed and the answer said."""
    code = ("import time; from recorder.session.views import Views; "
            "views = Views(time.monotonic, aside=True); "
            "views._aside.start(lambda: (time.sleep(0.3), print('over', flush=True)))")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)
    assert (done.returncode, done.stdout) == (0, "over\n"), done.stderr
