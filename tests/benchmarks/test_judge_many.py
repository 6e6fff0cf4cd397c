"""``recorder judge`` on 200 files against a bare numpy and scipy script on the same files; whole processes.

The aim is no slower; judge has every core for it, the script one. Both start once and read 200 files. Time on the
clock, so that the ratio is a fair one only where the machine does nothing else.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from tests.benchmarks.made import make

ROOT = Path(__file__).parents[2]
FILES = 200


def took_s(*command: str, cwd: Path) -> float:
    start = time.perf_counter()
    done = subprocess.run([sys.executable, *command], cwd=cwd, capture_output=True, text=True, check=False,
                          env={"PYTHONPATH": str(ROOT), "PATH": "", "HOME": str(cwd)})
    took = time.perf_counter() - start
    assert done.returncode == 0, done.stderr
    assert len(done.stdout.splitlines()) == FILES
    return took


@pytest.mark.benchmark
@pytest.mark.timeout(300)
def test_200_files(tmp_path: Path, benchmark: Any) -> None:
    texts = [make(tmp_path / "made", seed, seconds=90, seal=False).read_bytes() for seed in range(20)]
    files = [f"{i:03d}.csv" for i in range(FILES)]
    for i, name in enumerate(files):
        (tmp_path / name).write_bytes(texts[i % len(texts)])
    bare = str(ROOT / "tests" / "benchmarks" / "bare_script.py")
    bare_s = took_s(bare, *files, cwd=tmp_path)
    judged_s = benchmark.pedantic(
        lambda: took_s("-m", "recorder", "judge", "--json", *files, cwd=tmp_path), rounds=1)
    benchmark.extra_info.update(bare_s=bare_s, judge_s=judged_s, ratio=judged_s / bare_s)
    print(f"\n{FILES} files of 90 s at 50 Hz: bare script {bare_s:.2f} s, recorder judge {judged_s:.2f} s, "
          f"ratio {judged_s / bare_s:.2f}")
    assert judged_s / bare_s < 4  # a guard against worse
