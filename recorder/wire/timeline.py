"""Wrapped sequence and clock to one time that only ever grows; loss, restarts and replays made visible.

Time is kept in whole µs, as the adapter sends it. It follows the adapter's clock, except across a restart or
a silence so long that the clock may have wrapped unseen: there it follows the host's arrival times. Both are
in the recording's raw columns, so ``recompute_time`` gives the same times from them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from recorder.model import Announcement, BareBlock, Fault, SampleBlock
from recorder.wire.timed import (
    CLOCK,
    LONG_SILENCE_US,
    TimedBlock,
    joined,
    nothing,
    rows_of,
    steps_us,
)
from recorder.wire.walk import FEW, At, Walk

if TYPE_CHECKING:
    from recorder.model import FloatArray, IntArray

_HALF_CLOCK = 1 << 31
_SEQ = 1 << 16
_AHEAD_US = 600_000_000  # what arrives late, or is played faster than time, is ahead of the host by less
_MOST_ANNOUNCEMENTS = 20  # different ones that are kept


class Timeline:
    """Blocks in, timed blocks out. ``host_s`` is any clock of the host that never goes back."""

    def __init__(self) -> None:
        self.lost_samples = 0
        self.restarts = 0
        self.gaps = 0
        self.announcements: list[Announcement] = []  # the different ones, in order
        self._said: Announcement | None = None  # the latest
        self._origin_s: float | None = None
        self._seq = 0
        self._device_us = 0
        self._host_us = 0
        self._time_us = 0
        self._announced = False  # since the last sample
        self._was_lost = False  # the port, since the last sample
        self._pending: list[str] = []  # flags for the next row
        self._bare = False
        self._each_us = 1  # between bare readings, as they last came
        self._replayed = 0
        self._held: tuple[SampleBlock, IntArray] | None = None  # rows back in time, and when they arrived
        self._held_new = 0  # of those, such as never came before
        self._seen = np.full((2, _SEQ), -1, np.int64)  # clock and counts of the latest row of each sequence number

    @property
    def replayed(self) -> int:
        """Lines that came again, and were left out."""
        return self._replayed + (len(self._held[0]) if self._held is not None and not self._held_new else 0)

    @property
    def undecided(self) -> int:
        """The latest rows, where they are back in time, one at least never came before, and they are too few to tell an
        adapter that has started again from lines that came late. Where nothing more comes they are left out."""
        return len(self._held[0]) if self._held is not None and self._held_new else 0

    @property
    def doubtful(self) -> bool:
        """Whether the latest rows are back in time: replayed, or of an adapter that has started again. They are held
        back until that is known; an announcement tells."""
        return self._held is not None

    def announce(self, a: Announcement) -> None:
        """An adapter said who it is. One that differs from the one before it flags the next row."""
        self._announced = True
        if self._said is not None and a != self._said:
            self._flag_next("announcement-differs")
        self._said = a
        if a not in self.announcements and len(self.announcements) < _MOST_ANNOUNCEMENTS:
            self.announcements.append(a)

    def unannounced(self) -> None:
        """The port was away, and who is on it since did not say so: flags the next row."""
        self._flag_next("unannounced")

    def fault(self, f: Fault, host_s: float) -> float:
        """Flags the next row. When it was on the trace (s): by the adapter's clock, since the latest sample; by the
        host's where that clock says nothing (a restart, plain readings)."""
        self._flag_next(f"fault-{f.word}")
        if self._origin_s is None:
            return 0.0
        waited = max(round((host_s - self._origin_s) * 1e6) - self._host_us, 0)
        step = (f.device_us - self._device_us) % CLOCK
        by_clock = not self._bare and step < waited + _AHEAD_US
        return (self._time_us + (step if by_clock else waited)) / 1e6

    def lost(self) -> None:
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
        if len(block) <= FEW and not self._pending and self._held is None:
            few = self._in_order(block.seq.tolist(), block.device_us.tolist(), host_us)
            if few is not None:
                self._seen[:, block.seq] = block.device_us, block.counts
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
            step = (new_us - last_us) % CLOCK
            if (
                (new_seq - last_seq) % _SEQ != 1
                or not 0 < step < _HALF_CLOCK
                or new_host - last_host > LONG_SILENCE_US
            ):
                return None
            now += step
            out.append(now)
            last_seq, last_us, last_host = new_seq, new_us, new_host
        self._seq, self._device_us, self._host_us, self._time_us = last_seq, last_us, last_host, now
        self._announced = self._was_lost = False
        return out

    def _add_many(self, block: SampleBlock, host_us: IntArray) -> TimedBlock:
        held = 0
        if self._held is not None:
            before, arrived = self._held
            held = len(before)
            block, host_us = joined(before, block), np.concatenate([arrived, host_us])
        d_us = np.diff(block.device_us, prepend=self._device_us) % CLOCK
        d_seq = np.diff(block.seq, prepend=self._seq) % _SEQ
        silence = np.diff(host_us, prepend=self._host_us)
        flags: dict[int, list[str]] = {}
        if not held and np.all((d_us > 0) & (d_us < _HALF_CLOCK) & (d_seq == 1) & (silence <= LONG_SILENCE_US)):
            keep = slice(None)
            self._seq = int(block.seq[-1])
            self._seen[:, block.seq] = block.device_us, block.counts
        else:
            kept, flags = self._walk(block, host_us.tolist(), held)
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
        ) if len(seq) else nothing()

    def _times(self, device_us: IntArray, host_us: IntArray, restarts: set[int]) -> IntArray:
        if len(device_us) == 0:
            return np.empty(0, np.int64)
        restart = np.zeros(len(device_us) + 1, np.int64)
        restart[[i + 1 for i in restarts]] = 1
        hosts = np.concatenate(([self._host_us], host_us))
        devices = np.concatenate(([self._device_us], device_us))
        time_us: IntArray = self._time_us + np.cumsum(steps_us(devices, hosts, restart))
        self._device_us = int(device_us[-1])
        self._host_us = int(host_us[-1])
        self._time_us = int(time_us[-1])
        return time_us

    def _walk(self, block: SampleBlock, host_us: list[int], held: int) -> tuple[list[int], dict[int, list[str]]]:
        """Row by row, where something is missing or odd: the rows kept, and the flags of kept rows. The first ``held``
        rows were held back before. What is back in time and runs on is held back at the end."""
        walk = Walk(block, host_us, held, self._seen, At(self._seq, self._device_us, self._host_us),
                    announced=self._announced, was_lost=self._was_lost)
        for i in range(len(block)):
            walk.row(i)
        self._seq = walk.at.seq
        self._announced, self._was_lost = walk.announced, walk.was_lost
        self.restarts += walk.restarts
        self.lost_samples += walk.lost_samples
        self._replayed += walk.replayed
        self._held, self._held_new = None, walk.new_rows
        if walk.back_rows:
            rows = walk.back_rows
            self._held = rows_of(block, np.array(rows, np.intp)), np.array(host_us, np.int64)[rows]
        return walk.kept, walk.flags

    def add_bare(self, block: BareBlock, host_s: float) -> TimedBlock:
        """Bare readings have no clock: those that arrived together are spread since the last arrival, but not over the
        time for which the port was away."""
        first = self._origin_s is None
        self._bare = True
        host_us = self._host(host_s)
        n = len(block)
        if first:
            time_us = np.arange(n, dtype=np.int64)
        else:
            span = max(host_us - self._time_us, n)
            if self._was_lost:
                span = min(span, n * self._each_us)
            time_us = max(host_us, self._time_us + span) - (np.arange(n - 1, -1, -1, dtype=np.int64) * span) // n
            self._was_lost, self._each_us = False, max(span // n, 1)
        self._time_us = int(time_us[-1])
        self._host_us = host_us
        flags = None
        if self._pending:
            self.gaps += "gap" in self._pending
            flags = ("+".join(self._pending), *([""] * (n - 1)))
            self._pending = []
        time_s = time_us / 1e6
        return TimedBlock(time_s, time_s, None, None, None, None, None, block.value, flags)

