"""Samples row by row, where something is missing or odd: which are kept, which came again, where an adapter started
anew."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from recorder.wire.timed import CLOCK, LONG_SILENCE_US

if TYPE_CHECKING:
    from recorder.model import IntArray, SampleBlock

__all__ = ["FEW", "At", "Walk"]

_HALF_CLOCK = 1 << 31
_SEQ = 1 << 16
_HALF_SEQ = 1 << 15
_SAME_SEQ_US = 60_000_000  # the same sequence number within this is the same line again
FEW = 64  # rows; below this a plain loop is faster than arrays
_RUN_ON = 5  # rows back in time, one behind the other, at least one of which never came before: it has started again
_BURST_US = 2_000_000  # or that come for so long, as samples do: lines that are sent again come all at once
_NEXT_US = 10_000_000  # rows that run on are nearer
_MOST_HELD = 4096
_MISMATCH_US = 1_000_000  # host and adapter disagree on a gap by more: the adapter started again


class At(NamedTuple):
    """Where the latest row that was kept is: its sequence, its clock (µs) and its arrival (µs)."""

    seq: int
    device_us: int
    host_us: int


class Walk:
    """Give it every row of the block in order; what it found is in its attributes then.

    held: so many rows at the beginning were held back before. seen: clock and counts of the latest row of each sequence
    number, kept up. at: before the block. announced, was_lost: since the row before.
    kept, flags: rows, and the words of kept rows by their place in ``kept``. back_rows, new_rows: rows back in time
    that run on at the end, and how many of them never came before.
    """

    def __init__(
        self, block: SampleBlock, host_us: list[int], held: int, seen: IntArray, at: At, *, announced: bool,
        was_lost: bool,
    ) -> None:
        self._seqs, self._clocks, self._counts = block.seq.tolist(), block.device_us.tolist(), block.counts.tolist()
        self._host_us, self._held, self._seen = host_us, held, seen
        self.at, self.announced, self.was_lost = at, announced, was_lost
        self.kept: list[int] = []
        self.flags: dict[int, list[str]] = {}
        self.back_rows: list[int] = []
        self.new_rows = 0
        self.restarts = self.lost_samples = self.replayed = 0

    def row(self, i: int) -> None:
        """The next row."""
        seq, device_us, host_us = self._seqs[i], self._clocks[i], self._host_us[i]
        d_seq, d_us = (seq - self.at.seq) % _SEQ, (device_us - self.at.device_us) % CLOCK
        silence = host_us - self.at.host_us
        back = d_us == 0 or d_us >= _HALF_CLOCK
        again = self.announced and i >= self._held and (
            back or d_seq >= _HALF_SEQ or (d_seq != 1 and silence - d_us > _MISMATCH_US)
        )
        # No line is replayed across a port that was away: it has started again, and its announcement was
        # sent before anyone listened.
        again = again or (self.was_lost and i >= self._held and d_us >= _HALF_CLOCK)
        runs_on = bool(back and self.back_rows) and self._follows(self.back_rows[-1], i)
        if silence > LONG_SILENCE_US:
            again = back = False
        if back and not (again and not runs_on):
            self._back(i, again=again, runs_on=runs_on)
            return
        if not again and silence <= LONG_SILENCE_US and d_seq == 0 and d_us < _SAME_SEQ_US:
            self.replayed += 1
            return
        self._came_again()
        if again:
            self._started_again([i])
        elif silence > LONG_SILENCE_US:
            self._keep(i, ["gap"])
        else:
            self.lost_samples += d_seq - 1 if 0 < d_seq < _HALF_SEQ else 0
            self._keep(i, ["gap"] if d_seq != 1 else [])

    def _back(self, i: int, *, again: bool, runs_on: bool) -> None:
        """A row back in time: one that came again, or of an adapter that started anew, once that is sure."""
        if not runs_on or len(self.back_rows) >= _MOST_HELD:
            self._came_again()
        self.back_rows.append(i)
        seq = self._seqs[i]
        self.new_rows += int(self._seen[0, seq] != self._clocks[i] or self._seen[1, seq] != self._counts[i])
        waited = self._host_us[i] - self._host_us[self.back_rows[0]]
        if again or (len(self.back_rows) >= _RUN_ON and (self.new_rows or waited >= _BURST_US)):
            self._started_again(self.back_rows)
            self.back_rows, self.new_rows = [], 0

    def _follows(self, before: int, i: int) -> bool:
        d_seq: int = self._seqs[i] - self._seqs[before]
        d_us: int = self._clocks[i] - self._clocks[before]
        return 0 < d_seq % _SEQ < FEW and 0 < d_us % CLOCK < _NEXT_US

    def _came_again(self) -> None:
        """The rows back in time, if there are any."""
        self.replayed += len(self.back_rows)
        self.back_rows, self.new_rows = [], 0

    def _keep(self, i: int, words: list[str]) -> None:
        if words:
            self.flags[len(self.kept)] = words
        self.kept.append(i)
        self.at = At(self._seqs[i], self._clocks[i], self._host_us[i])
        self._seen[:, self._seqs[i]] = self._clocks[i], self._counts[i]
        self.announced = self.was_lost = False

    def _started_again(self, rows: list[int]) -> None:
        self.restarts += 1
        self._keep(rows[0], ["restart"])
        for i in rows[1:]:
            missing = (self._seqs[i] - self.at.seq) % _SEQ - 1
            self.lost_samples += missing
            self._keep(i, ["gap"] if missing else [])
