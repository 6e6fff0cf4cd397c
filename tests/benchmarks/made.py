"""Recordings made for benchmarks and tests: simulated, sealed with their own judgement."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from recorder.analysis import judge
from recorder.model import Calibration, Header, Marking, Rows
from recorder.recording import Writer, read

CALIBRATION = Calibration((-25.855, 258.55), 0.2, "2026-01-02", "gauge 3")


def trace(seed: int, seconds: float = 60.0, rate_hz: float = 50.0) -> Rows:
    """A system that is vented, pumped up in strokes, held with a small fall, released. Raw columns agree
    with the derived ones."""
    rng = np.random.default_rng(seed)
    n = int(seconds * rate_hz)
    time_s = np.arange(n) / rate_hz
    rise = np.clip(np.floor((time_s - 3) * 1.5) / 12, 0, 1)
    true = 110 * rise - rng.uniform(0, 0.05) * np.clip(time_s - 12, 0, None)
    true[time_s > seconds - 4] = 0
    a, b = CALIBRATION.coefficients_kpa
    counts = np.round((true + rng.normal(0, 0.1, n) - a) / b * 4095).astype(np.int64)
    device_us = np.round(time_s * 1e6).astype(np.int64)
    return Rows(device_us / 1e6, a + b * (counts / 4095), np.arange(n) % 65536, device_us,
                time_s + 0.0, counts, np.full(n, np.nan), np.full(n, np.nan))


def make(folder: Path, seed: int, *, seconds: float = 60.0, rate_hz: float = 50.0, job: str = "",
         seal: bool = True) -> Path:
    when = datetime(2026, 3, 1, tzinfo=UTC) + timedelta(hours=seed)
    header = Header("system", marked=Marking(100, "kPa", 100.0), job=job or f"job {seed % 7}",
                    adapter={"id": "hose-7", "full_scale_counts": 4095}, calibration=CALIBRATION)
    writer = Writer(folder, header, when=when, id4=f"{seed:04x}")
    writer.add(trace(seed, seconds, rate_hz))
    writer.flush(now=True)
    if seal:
        writer.seal(judge(read(writer.path)).to_json())
    writer.close()
    return writer.path
