"""The live path: samples a processor second through the whole session, against the rate at which they come."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import pytest

from recorder.port import Chunk
from recorder.recording import read
from recorder.session import Session, SessionConfig
from recorder.units import parse_marking
from tests.memory_ports import FedPort
from tests.session_feeder import RATE_HZ, announcement, samples

SYSTEM = SessionConfig("system", parse_marking("16 psi"), full_scale_kpa=207.0)
SECONDS = 100
LINES = [line for line in samples(float(SECONDS)) if line.startswith(b"S")]


def whole_test(folder: Path, a_step: int, chunk: int) -> float:
    """Samples a processor second of a test of 100 s, ``chunk`` lines a chunk and ``a_step`` chunks a step; each step
    is decoded, timed, calibrated, on disk, analysed and looked at. Sealing is not counted."""
    port = FedPort()
    session = Session(SYSTEM, port=port, folder=folder)
    port.items = [Chunk(0.0, announcement())]
    session.step()
    parts = [b"".join(LINES[i : i + chunk]) for i in range(0, len(LINES), chunk)]
    before = time.process_time()
    for i in range(0, len(parts), a_step):
        port.items = [Chunk((i + k) * chunk / RATE_HZ, part) for k, part in enumerate(parts[i : i + a_step])]
        session.step()
        session.view()
    spent = time.process_time() - before
    done = session.stop("end")
    assert done.path is not None
    assert len(read(done.path, strict=True).rows) == len(LINES) == session.counts.samples
    return len(LINES) / spent


@pytest.mark.benchmark
def test_samples_a_second(benchmark: Any, tmp_path: Path) -> None:
    """Nothing is lost at 10 000 samples a second: what 33 looks a second at the port then bring is 300 lines a step."""
    whole_test(tmp_path, 10, 30)
    rates = {
        "300_a_step": max(whole_test(tmp_path, 10, 30) for _ in range(3)),
        "20_a_step": max(whole_test(tmp_path, 20, 1) for _ in range(3)),
        "3_a_step": max(whole_test(tmp_path, 3, 1) for _ in range(3)),
    }
    benchmark.extra_info.update({f"samples_per_processor_s_{k}": round(v) for k, v in rates.items()})
    print(benchmark.extra_info)
    assert benchmark.pedantic(lambda: whole_test(tmp_path, 10, 30), rounds=1) > 0
    assert rates["300_a_step"] > 100 * RATE_HZ  # a hundred times as fast as it comes
    assert rates["3_a_step"] > 20 * RATE_HZ


