"""Reading and judging a 4-minute recording at 50 samples a second against pandas only reading it, by processor time.

The aim is 3 times; reading alone takes once, judging some nineteen times as much: two thirds of that is the fit of the
hold and its early looks, which weigh some hundred models of leak, settling and noise against each other.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from recorder.analysis import judge
from recorder.recording import read
from tests.benchmarks.made import make


def spent_s(works: list[Callable[[], Any]], rounds: int = 15) -> np.ndarray:
    """The processor time (s) of each (columns), taken in turns (rows): a processor's clock changes meanwhile, so ratios
    are those of one turn."""
    times = []
    for _ in range(rounds):
        for work in works:
            start = time.process_time()
            work()
            times.append(time.process_time() - start)
    return np.reshape(times, (rounds, len(works)))


@pytest.mark.benchmark
def test_file_to_judgement(tmp_path: Path, benchmark: Any) -> None:
    path = make(tmp_path, 1, seconds=240)
    judge(read(path))
    works = [lambda: pd.read_csv(path, comment="#"), lambda: read(path), lambda: judge(read(path))]
    spent = spent_s(works)
    pandas_s = float(spent[:, 0].min())
    once, judged = np.median(spent[:, 1:] / spent[:, :1], axis=0).tolist()
    benchmark.pedantic(works[2], rounds=3)
    benchmark.extra_info.update(read_ratio=once, judged_ratio=judged)
    print(f"pandas {pandas_s * 1e3:.1f} ms, read {once:.2f} x, read and judge {judged:.2f} x")
    assert once < 2
    assert judged < 25  # a guard against worse
