"""Wrapped sequence and clock to one time that only ever grows; loss, restarts and replays made visible.

Time is kept in whole µs, as the adapter sends it. It follows the adapter's clock, except across a restart or
a silence so long that the clock may have wrapped unseen: there it follows the host's arrival times. Both are
in the recording's raw columns, so ``recompute_time`` gives the same times from them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.model import Announcement, BareBlock, Fault, SampleBlock

if TYPE_CHECKING:
    from recorder.model import FloatArray, IntArray

_CLOCK = 1 << 32
_HALF_CLOCK = 1 << 31
_SEQ = 1 << 16
_HALF_SEQ = 1 << 15
_LONG_SILENCE_US = 1_800_000_000  # half an hour: less than half a turn of the clock (35.8 min)
_SAME_SEQ_US = 60_000_000  # the same sequence number within this is the same line again
_AHEAD_US = 600_000_000  # what arrives late, or is played faster than time, is ahead of the host by less
_FEW = 64  # rows; below this a plain loop is faster than arrays
_MISMATCH_US = 1_000_000  # host and adapter disagree on a gap by more: the adapter started again


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
        """counts / supply where supply was sent, else counts / full scale."""
        if self.counts is None or self.supply is None:
            return np.empty(0)
        return self.counts / np.where(np.isnan(self.supply), float(full_scale_counts), self.supply)


def _steps_us(device_us: IntArray, host_us: IntArray, restart: IntArray) -> IntArray:
    """Time steps between neighbouring rows (one fewer than rows); ``restart`` 1 where a row is one."""
    step = np.diff(device_us) % _CLOCK
    host = np.diff(host_us)
    by_host = (restart[1:] != 0) | (host > _LONG_SILENCE_US)
    return np.where(by_host, np.maximum(host, 1), np.maximum(step, 1))


def recompute_time(
    seq: IntArray, device_us: IntArray, host_s: FloatArray, flags: Sequence[str] | None = None
) -> FloatArray:
    """``time_s`` from a recording's raw columns; rows without an adapter clock (-1) take the host's time."""
    if len(device_us) == 0:
        return np.empty(0)
    host_us = np.rint(np.asarray(host_s) * 1e6).astype(np.int64)
    if np.all(device_us < 0):
        return host_us / 1e6
    restart = np.zeros(len(device_us), np.int64)
    if flags is not None:
        restart[[i for i, f in enumerate(flags) if f and "restart" in f.split("+")]] = 1
    steps = _steps_us(np.asarray(device_us, np.int64), host_us, restart)
    return np.concatenate(([0], np.cumsum(steps))) / 1e6


class Timeline:
    """Blocks in, timed blocks out. ``host_s`` is any clock of the host that never goes back."""

    def __init__(self) -> None:
        self.lost_samples = 0
        self.replayed = 0
        self.restarts = 0
        self.gaps = 0
        self.announcements: list[Announcement] = []  # the different ones, in order
        self._origin_s: float | None = None
        self._seq = 0
        self._device_us = 0
        self._host_us = 0
        self._time_us = 0
        self._announced = False  # since the last sample
        self._was_lost = False  # the port, since the last sample
        self._pending: list[str] = []  # flags for the next row
        self._bare = False

    def announce(self, a: Announcement) -> None:
        """An adapter said who it is. One that differs from the first flags the next row."""
        self._announced = True
        if a not in self.announcements:
            if self.announcements:
                self._flag_next("announcement-differs")
            if len(self.announcements) < 20:
                self.announcements.append(a)

    def fault(self, f: Fault, host_s: float) -> float:
        """Flags the next row. When it was on the trace (s): by the adapter's clock, since the latest sample; by the
        host's where that clock says nothing (a restart, plain readings)."""
        self._flag_next(f"fault-{f.word}")
        if self._origin_s is None:
            return 0.0
        waited = max(round((host_s - self._origin_s) * 1e6) - self._host_us, 0)
        step = (f.device_us - self._device_us) % _CLOCK
        by_clock = not self._bare and step < waited + _AHEAD_US
        return (self._time_us + (step if by_clock else waited)) / 1e6

    def lost(self, host_s: float) -> None:
        """The port was lost: samples are missing before the next row."""
        if self._origin_s is not None:
            self._was_lost = True
            self._flag_next("gap")

    def _flag_next(self, word: str) -> None:
        if word not in self._pending:
            self._pending.append(word)

    def _host(self, host_s: float) -> int:
        if self._origin_s is None:
            self._origin_s = host_s
        return max(round((host_s - self._origin_s) * 1e6), self._host_us)

    def add(self, block: SampleBlock, host_s: float | FloatArray) -> TimedBlock:
        """``host_s``: when the block arrived, or when each row did. Replayed lines are left out, and counted."""
        first = self._origin_s is None
        host_us = self._hosts(host_s, len(block))
        if first:
            # The sample before the first is imagined, one sequence and one µs earlier.
            self._seq = int(block.seq[0]) - 1
            self._device_us = int(block.device_us[0]) - 1
            self._time_us = -1
            self._announced = False
        if len(block) <= _FEW and not self._pending:
            few = self._in_order(block.seq.tolist(), block.device_us.tolist(), host_us)
            if few is not None:
                hosts = np.array([us / 1e6 for us in host_us])
                return TimedBlock(
                    np.array([us / 1e6 for us in few]), hosts, block.seq, block.device_us,
                    block.counts, block.supply, block.temp_c, None, None,
                )
        return self._add_many(block, np.array(host_us, np.int64))

    def _hosts(self, host_s: float | FloatArray, n: int) -> list[int]:
        """The rows' arrival in µs since the first row's, never going back."""
        if isinstance(host_s, float | int):
            return [self._host(host_s)] * n
        arrived = host_s.tolist()
        self._host(arrived[0])
        origin = self._origin_s or 0.0
        latest, out = self._host_us, []
        for one in arrived:
            latest = max(round((one - origin) * 1e6), latest)
            out.append(latest)
        return out

    def _in_order(
        self, seq: list[int], device_us: list[int], host_us: list[int]
    ) -> list[int] | None:
        """The times of rows of which each follows the one before it; None where anything is missing or odd."""
        last_seq, last_us, last_host, now = self._seq, self._device_us, self._host_us, self._time_us
        out = []
        for new_seq, new_us, new_host in zip(seq, device_us, host_us, strict=True):
            step = (new_us - last_us) % _CLOCK
            if (
                (new_seq - last_seq) % _SEQ != 1
                or not 0 < step < _HALF_CLOCK
                or new_host - last_host > _LONG_SILENCE_US
            ):
                return None
            now += step
            out.append(now)
            last_seq, last_us, last_host = new_seq, new_us, new_host
        self._seq, self._device_us, self._host_us, self._time_us = last_seq, last_us, last_host, now
        self._announced = self._was_lost = False
        return out

    def _add_many(self, block: SampleBlock, host_us: IntArray) -> TimedBlock:
        d_us = np.diff(block.device_us, prepend=self._device_us) % _CLOCK
        d_seq = np.diff(block.seq, prepend=self._seq) % _SEQ
        silence = np.diff(host_us, prepend=self._host_us)
        flags: dict[int, list[str]] = {}
        if np.all((d_us > 0) & (d_us < _HALF_CLOCK) & (d_seq == 1) & (silence <= _LONG_SILENCE_US)):
            keep = slice(None)
            self._seq = int(block.seq[-1])
        else:
            kept, flags = self._walk(block, host_us.tolist())
            keep = np.array(kept, np.intp)  # type: ignore[assignment]
        seq, device_us, host_us = block.seq[keep], block.device_us[keep], host_us[keep]
        if len(seq):
            if self._pending:
                flags[0] = [*self._pending, *(f for f in flags.get(0, ()) if f not in self._pending)]
                self._pending = []
            self._announced = self._was_lost = False
        time_us = self._times(device_us, host_us, {i for i, f in flags.items() if "restart" in f})
        for words in flags.values():
            self.gaps += "gap" in words
        return TimedBlock(
            time_us / 1e6,
            host_us / 1e6,
            seq,
            device_us,
            block.counts[keep],
            block.supply[keep],
            block.temp_c[keep],
            None,
            tuple("+".join(flags.get(i, ())) for i in range(len(seq))) if flags else None,
        ) if len(seq) else _nothing()

    def _times(self, device_us: IntArray, host_us: IntArray, restarts: set[int]) -> IntArray:
        if len(device_us) == 0:
            return np.empty(0, np.int64)
        restart = np.zeros(len(device_us) + 1, np.int64)
        restart[[i + 1 for i in restarts]] = 1
        hosts = np.concatenate(([self._host_us], host_us))
        devices = np.concatenate(([self._device_us], device_us))
        time_us: IntArray = self._time_us + np.cumsum(_steps_us(devices, hosts, restart))
        self._device_us = int(device_us[-1])
        self._host_us = int(host_us[-1])
        self._time_us = int(time_us[-1])
        return time_us

    def _walk(self, block: SampleBlock, host_us: list[int]) -> tuple[list[int], dict[int, list[str]]]:
        """Row by row, where something is missing or odd: the rows kept, and the flags of kept rows."""
        kept: list[int] = []
        flags: dict[int, list[str]] = {}
        seq, device_us, last_host = self._seq, self._device_us, self._host_us
        rows = zip(block.seq.tolist(), block.device_us.tolist(), host_us, strict=True)
        for i, (new_seq, new_us, new_host) in enumerate(rows):
            d_seq, d_us = (new_seq - seq) % _SEQ, (new_us - device_us) % _CLOCK
            silence = new_host - last_host
            back = d_us == 0 or d_us >= _HALF_CLOCK
            words: list[str] = []
            if silence > _LONG_SILENCE_US:
                words.append("gap")
            elif self._announced and (
                back or d_seq >= _HALF_SEQ or (d_seq != 1 and silence - d_us > _MISMATCH_US)
            ):
                words.append("restart")
                self.restarts += 1
            elif self._was_lost and d_us >= _HALF_CLOCK:
                # No line is replayed across a port that was away: it has started again, and its
                # announcement was sent before anyone listened.
                words.append("restart")
                self.restarts += 1
            elif back or (d_seq == 0 and d_us < _SAME_SEQ_US):
                self.replayed += 1
                continue
            elif d_seq != 1:
                words.append("gap")
                self.lost_samples += d_seq - 1 if 0 < d_seq < _HALF_SEQ else 0
            if words:
                flags[len(kept)] = words
            kept.append(i)
            seq, device_us, last_host = new_seq, new_us, new_host
            self._announced = self._was_lost = False
        self._seq = seq
        return kept, flags

    def add_bare(self, block: BareBlock, host_s: float) -> TimedBlock:
        """Bare readings have no clock: those that arrived together are spread since the last arrival."""
        first = self._origin_s is None
        self._bare = True
        host_us = self._host(host_s)
        n = len(block)
        if first:
            time_us = np.arange(n, dtype=np.int64)
        else:
            span = max(host_us - self._time_us, n)
            time_us = self._time_us + (np.arange(1, n + 1, dtype=np.int64) * span) // n
        self._time_us = int(time_us[-1])
        self._host_us = host_us
        flags = None
        if self._pending:
            self.gaps += "gap" in self._pending
            flags = ("+".join(self._pending), *([""] * (n - 1)))
            self._pending = []
        time_s = time_us / 1e6
        return TimedBlock(time_s, time_s, None, None, None, None, None, block.value, flags)


def _nothing() -> TimedBlock:
    none = np.empty(0)
    whole = np.empty(0, np.int64)
    return TimedBlock(none, none, whole, whole, whole, none, none, None, None)
