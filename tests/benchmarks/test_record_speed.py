"""What ``recorder record`` costs while it records 100 samples a second: a real child process on a real pseudo-terminal,
fed in real time, its live line on a terminal of its own. For scale, the shortest logger that one would write with
pyserial (readline, split, a line to a file and to the terminal; no check, no analysis) on the same bytes."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from threading import Thread
from typing import Any

import pytest

from tests.benchmarks.children import ROOT, so_far_cpu_s
from tests.benchmarks.player import Player, seconds
from tests.session_feeder import Feeder

SECONDS = seconds(10.0, 32.0)
PLAIN_SECONDS = seconds(6.0, 12.0)
BEGIN_S = 2.0  # imports and the first sample are over

LOGGER = """
import sys, serial
port = serial.Serial(sys.argv[1], 115200, timeout=1, write_timeout=1)
port.write(b"?\\n")
with open(sys.argv[2], "w") as file:
    while True:
        parts = port.readline().decode("ascii").strip().rsplit("*")[0].split(",")
        if parts[0] == "S":
            kpa = 258.75 * (int(parts[3]) / 4095) - 25.875
            file.write(f"{int(parts[2]) / 1e6:.6f},{kpa:.4f},{int(parts[1])},{parts[3]}\\n")
            file.flush()
            sys.stderr.write(f"\\r{kpa:8.1f} kPa")
            sys.stderr.flush()
"""


def share(command: Sequence[str], feeder: Feeder, length_s: float) -> float:
    """Share of a core from ``BEGIN_S`` after the first sample on."""
    terminal, inner = pty.openpty()
    child = subprocess.Popen(command, cwd=ROOT, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=inner,
                             env={**os.environ, "TERM": "xterm"})
    os.close(inner)
    seen: list[bytes] = []

    def watch() -> None:
        try:
            while data := os.read(terminal, 65536):
                seen.append(data)
        except OSError:  # the child has ended
            pass

    Thread(target=watch, daemon=True).start()
    try:
        deadline = time.monotonic() + 60
        while b"?" not in feeder.asked():
            assert time.monotonic() < deadline and child.poll() is None
            time.sleep(0.05)
        player = Player(feeder, length_s)
        player.start()
        time.sleep(BEGIN_S)
        begun_s, before = time.monotonic(), so_far_cpu_s(child.pid)
        player.wait()
        spent = so_far_cpu_s(child.pid) - before
        took_s = time.monotonic() - begun_s
    finally:
        child.terminate()
        child.wait(60)
        os.close(terminal)
    assert b"".join(seen).count(b"\r") > 5 * length_s
    return spent / took_s


@pytest.mark.benchmark
@pytest.mark.timeout(200)
def test_share_of_a_core_at_100_hz(benchmark: Any, tmp_path: Path) -> None:
    def run(command: list[str], length_s: float, name: str) -> float:
        feeder = Feeder(tmp_path / name)
        try:
            return share([sys.executable, *command], feeder, length_s)
        finally:
            feeder.pull()

    plain = run(["-c", LOGGER, str(tmp_path / "plain"), str(tmp_path / "plain.csv")], PLAIN_SECONDS, "plain")
    record = ["-m", "recorder", "record", "--port", str(tmp_path / "ours"), "--test", "system", "--marked", "16 psi",
              "--full-scale", "207 kPa", "--folder", str(tmp_path / "out")]
    ours = benchmark.pedantic(lambda: run(record, SECONDS, "ours"), rounds=1)
    figures = {"percent_of_a_core": round(100 * ours, 2), "plain_logger_percent": round(100 * plain, 2),
               "times_a_plain_logger": round(ours / plain, 2)}
    benchmark.extra_info.update(figures)
    print(figures)
    [file] = (tmp_path / "out").glob("*-system-*.csv")
    assert file.read_text().count("\n") > 100 * SECONDS
    assert ours / plain < 1.5
