"""How soon the program is there: plain help against an empty Python, judging a file against loading numpy and scipy.

Processor time of child processes, the cheapest of several runs."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import pytest

from tests.benchmarks.children import best_cpu_s
from tests.benchmarks.faults_bytes import whole_test
from tests.benchmarks.made import make

# A system is judged with numpy alone; the strokes of a cap are fitted by scipy.optimize, which ``import scipy`` does
# not load.
BARE = "import numpy, scipy"
NEEDED = {"system": BARE, "cap": "import numpy, scipy.optimize"}


def recording(folder: Path, test: str) -> Path:
    """Two minutes of a system at 50 readings a second, or the demo's cap test: 69 s at 100."""
    if test == "system":
        return make(folder, 1, seconds=120)
    path = folder / "cap.csv"
    path.write_bytes(whole_test(folder / "whole"))
    return path


@pytest.mark.benchmark
def test_help_against_an_empty_start(benchmark: Any) -> None:
    empty = best_cpu_s([sys.executable, "-c", "pass"])
    said = benchmark.pedantic(lambda: best_cpu_s([sys.executable, "-m", "recorder", "--help"]), rounds=1)
    figures = {"empty_ms": round(1e3 * empty, 1), "help_ms": round(1e3 * said, 1), "times": round(said / empty, 2)}
    benchmark.extra_info.update(figures)
    print(benchmark.extra_info)
    assert said / empty <= 3.0


@pytest.mark.benchmark
@pytest.mark.timeout(300)
@pytest.mark.parametrize("test", ["system", "cap"])
def test_judge_against_loading_numpy_and_scipy(benchmark: Any, tmp_path: Path, test: str) -> None:
    path = recording(tmp_path, test)
    needed, bare = (best_cpu_s([sys.executable, "-c", code], 3) for code in (NEEDED[test], BARE))
    command = [sys.executable, "-m", "recorder", "judge", str(path)]
    judged = benchmark.pedantic(lambda: best_cpu_s(command, 3), rounds=1)
    benchmark.extra_info.update(
        needed_ms=round(1e3 * needed), judge_ms=round(1e3 * judged), times=round(judged / needed, 2),
        times_bare_import=round(judged / bare, 2),
    )
    print(benchmark.extra_info)
    assert judged / needed <= 3.0
