"""Workers that are stopped or die, a reader that goes away: one line, no traceback, nothing left running."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from recorder.audit import audit_folder
from recorder.errors import RunError
from tests.benchmarks.made import make

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("many")
    data = make(folder, 0, seconds=8, rate_hz=10).read_bytes()
    for i in range(600):
        (folder / f"{i:03d}.csv").write_bytes(data.replace(b"job 0", b"job %d" % i))
    return folder


def audit(folder: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "recorder", "audit", "--json", "--no-cache", "--jobs", "2", str(folder)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        # tests begun in the background of a shell ignore Ctrl-C, and so would what they start
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL))


def gone(group: int) -> bool:
    """Whether no process of the group is left, within ten seconds."""
    until = time.monotonic() + 10
    while time.monotonic() < until:
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return True
        time.sleep(0.05)
    return False


def test_ctrl_c_is_one_line(many: Path) -> None:
    child = audit(many)
    assert child.stdout is not None and child.stdout.readline().startswith("{")
    os.killpg(child.pid, signal.SIGINT)  # as a terminal does: to all of them
    _, err = child.communicate(timeout=60)
    assert (child.returncode, err.strip()) == (2, "stopped")
    assert gone(child.pid)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP])
def test_so_is_any_other_signal_that_asks_it_to_end(many: Path, number: signal.Signals) -> None:
    """A warning of multiprocessing came instead, that semaphores were left."""
    child = audit(many)
    assert child.stdout is not None and child.stdout.readline().startswith("{")
    child.send_signal(number)  # to it alone
    _, err = child.communicate(timeout=60)
    assert (child.returncode, err.strip()) == (2, "stopped")
    assert gone(child.pid)


def test_so_is_one_that_all_of_them_hear(many: Path) -> None:
    """As ``timeout`` and a service manager send it. A traceback came instead: what waited was cancelled by this
    process, and told by the pool's own thread that its worker is dead."""
    for _ in range(2):
        child = audit(many)
        assert child.stdout is not None and child.stdout.readline().startswith("{")
        os.killpg(child.pid, signal.SIGTERM)
        _, err = child.communicate(timeout=60)
        assert (child.returncode, err.strip()) == (2, "stopped")
        assert gone(child.pid)


@pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="what it has started is read from /proc")
def test_so_is_one_while_the_workers_start(many: Path) -> None:
    """The half-started worker printed a traceback, mostly: what it was to share had been given back to the system."""
    child = audit(many)

    def begun(by: str) -> list[str]:
        return Path(f"/proc/{by}/task/{by}/children").read_text().split()

    until = time.monotonic() + 60
    while not any(begun(one) for one in begun(str(child.pid))) and time.monotonic() < until:
        pass  # what starts the workers is its child, and the first of them a child's child
    child.send_signal(signal.SIGTERM)
    _, err = child.communicate(timeout=60)
    assert (child.returncode, err.strip()) == (2, "stopped")
    assert gone(child.pid)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGKILL])
def test_workers_end_with_the_program(many: Path, number: signal.Signals) -> None:
    with audit(many) as child:
        assert child.stdout is not None and child.stdout.readline().startswith("{")
        child.send_signal(number)  # to it alone
        child.stdout.close()
    assert gone(child.pid)


def test_a_reader_that_goes_away(many: Path) -> None:
    with audit(many) as child:
        assert child.stdout is not None and child.stderr is not None
        assert child.stdout.readline().startswith("{")
        child.stdout.close()
        assert child.stderr.read() == ""
    assert gone(child.pid)


def test_a_worker_that_dies_is_said(many: Path) -> None:
    rows = audit_folder(many, jobs=2)
    next(rows)
    for worker in multiprocessing.active_children():
        worker.kill()
    with pytest.raises(RunError, match="ended unexpectedly"):
        list(rows)
