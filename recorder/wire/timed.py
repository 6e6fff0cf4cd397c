"""Samples with their time, and the time of a recording's raw columns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from recorder.model import SampleBlock
from recorder.wire.ratio import ratio_of

if TYPE_CHECKING:
    from recorder.model import BoolArray, FloatArray, IntArray

__all__ = ["CLOCK", "LONG_SILENCE_US", "TimedBlock", "joined", "nothing", "recompute_time", "rows_of", "steps_us"]

CLOCK = 1 << 32
LONG_SILENCE_US = 1_800_000_000  # half an hour: less than half a turn of the clock (35.8 min)


@dataclass(frozen=True, slots=True, eq=False)
class TimedBlock:
    """Samples with their time. ``time_s`` seconds since the first sample, strictly growing; ``host_s`` the
    host's, of the same origin. ``flags`` one string a row, or None when no row has one. Raw columns as in
    SampleBlock; ``counts`` is None for bare readings, ``value`` None for all others. May be empty."""

    time_s: FloatArray
    host_s: FloatArray
    seq: IntArray | None
    device_us: IntArray | None
    counts: IntArray | None
    supply: FloatArray | None
    temp_c: FloatArray | None
    value: FloatArray | None
    flags: tuple[str, ...] | None

    def __len__(self) -> int:
        return len(self.time_s)

    def ratio(self, full_scale_counts: float) -> FloatArray:
        """As of ``ratio_of``; empty for plain readings."""
        if self.counts is None or self.supply is None:
            return np.empty(0)
        return ratio_of(self.counts, self.supply, full_scale_counts)

    def flagged(self, rows: BoolArray, word: str) -> TimedBlock:
        """With one more word in the flags of these rows."""
        before = self.flags or ("",) * len(self)
        words = zip(before, rows.tolist(), strict=True)
        return replace(self, flags=tuple("+".join(filter(None, (old, word if new else ""))) for old, new in words))


def steps_us(device_us: IntArray, host_us: IntArray, restart: IntArray) -> IntArray:
    """Time steps between neighbouring rows (one fewer than rows); ``restart`` 1 where a row is one."""
    step = np.diff(device_us) % CLOCK
    host = np.diff(host_us)
    by_host = (restart[1:] != 0) | (host > LONG_SILENCE_US)
    return np.where(by_host, np.maximum(host, 1), np.maximum(step, 1))


def recompute_time(device_us: IntArray, host_s: FloatArray, flags: Sequence[str] | None = None) -> FloatArray:
    """``time_s`` from a recording's raw columns. Every row has an adapter clock, or none has (-1): plain readings,
    whose time is the host's."""
    if len(device_us) == 0:
        return np.empty(0)
    host_us = np.rint(np.asarray(host_s) * 1e6).astype(np.int64)
    if np.all(device_us < 0):
        return host_us / 1e6
    restart = np.zeros(len(device_us), np.int64)
    if flags is not None:
        restart[[i for i, f in enumerate(flags) if f and "restart" in f.split("+")]] = 1
    steps = steps_us(np.asarray(device_us, np.int64), host_us, restart)
    return np.concatenate(([0], np.cumsum(steps))) / 1e6


def rows_of(block: SampleBlock, rows: IntArray) -> SampleBlock:
    return SampleBlock(
        block.seq[rows], block.device_us[rows], block.counts[rows], block.supply[rows], block.temp_c[rows]
    )


def joined(one: SampleBlock, two: SampleBlock) -> SampleBlock:
    return SampleBlock(
        np.concatenate([one.seq, two.seq]),
        np.concatenate([one.device_us, two.device_us]),
        np.concatenate([one.counts, two.counts]),
        np.concatenate([one.supply, two.supply]),
        np.concatenate([one.temp_c, two.temp_c]),
    )


def nothing() -> TimedBlock:
    none = np.empty(0)
    whole = np.empty(0, np.int64)
    return TimedBlock(none, none, whole, whole, whole, none, none, None, None)
