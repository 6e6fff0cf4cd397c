"""Child processes for the benchmarks: what they cost the processor and in memory, at the end and while they run."""

from __future__ import annotations

import multiprocessing
import os
import resource
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

ROOT = Path(__file__).parents[2]


def best_cpu_s(command: Sequence[str], times: int = 7) -> float:
    """Processor seconds of the cheapest of several runs of a program that is expected to succeed. The first compiles
    what it imports, as an installation does once, even where the environment says that no byte code is to be kept."""
    best = float("inf")
    with TemporaryDirectory() as compiled:
        env = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
        env["PYTHONPYCACHEPREFIX"] = compiled
        for _ in range(times + 1):
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            subprocess.run(command, cwd=ROOT, env=env, stdout=subprocess.DEVNULL, check=True, timeout=120)
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            best = min(best, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return best


class Workers:
    """Processor time and largest memory of the worker processes of this one, which are no children that it waits
    for; as they were when it last looked."""

    def __init__(self) -> None:
        self._cpu_s: dict[int, float] = {}
        self._kb: dict[int, int] = {}

    def look(self) -> None:
        for worker in multiprocessing.active_children():
            if worker.pid is not None and worker.is_alive():
                self._cpu_s[worker.pid] = so_far_cpu_s(worker.pid)
                status = Path(f"/proc/{worker.pid}/status").read_text()
                self._kb[worker.pid] = int(status.partition("VmHWM:")[2].split()[0])

    @property
    def cpu_s(self) -> float:
        return sum(self._cpu_s.values())

    @property
    def largest_mb(self) -> float:
        return max(self._kb.values(), default=0) / 1024


_LOOP = "import time; s = time.perf_counter(); sum(i * i % 7 for i in range(8_000_000)); print(time.perf_counter() - s)"


def two_at_once() -> float:
    """How much two plain loops side by side get done against one alone: what this machine can give at most."""
    def run(count: int) -> float:
        loops = [subprocess.Popen([sys.executable, "-c", _LOOP], stdout=subprocess.PIPE, text=True)
                 for _ in range(count)]
        return sum(float(loop.communicate(timeout=120)[0]) for loop in loops) / count

    return 2.0 * min(run(1) for _ in range(3)) / min(run(2) for _ in range(3))


def so_far_cpu_s(pid: int) -> float:
    """Processor seconds of a process that runs, to a hundredth: of all its threads, those that are over too."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
