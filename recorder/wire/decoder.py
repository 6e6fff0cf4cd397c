"""Bytes in, messages out. What comes out does not depend on how the bytes were cut."""

from __future__ import annotations

import numpy as np

from recorder.model import (
    Announcement,
    BareBlock,
    Fault,
    Message,
    OtherVersion,
    SampleBlock,
    WireCounts,
)
from recorder.wire.bulk import SLICE, Bulk, parse_bulk
from recorder.wire.encode import LONGEST_LINE
from recorder.wire.few import parse_few
from recorder.wire.lines import WIRE_VERSION, Sample, parse_line

_BULK_FROM = 2048  # bytes; below this the plain path is as fast
_MOST_NOTICES = 20


class Decoder:
    """Feed bytes, take messages. Never raises on what arrives; unusable lines are counted and dropped.

    bare_unit: the unit of bare readings, None when they are not allowed.
    """

    def __init__(self, bare_unit: str | None = None, *, bulk: bool = True) -> None:
        self.bare_unit = bare_unit
        self.notices: list[str] = []
        self.unusable = b""  # the latest line that was dropped; of one that is too long its beginning
        self._bulk = bulk
        self._rest = b""  # the line that is not whole yet, shorter than the longest line
        self._skipping = False  # inside a line that is too long, or that began before we listened
        self._out: list[Message] = []
        self._samples: list[Sample] = []
        self._bare: list[float] = []
        self._n = dict.fromkeys(WireCounts.__dataclass_fields__, 0)

    @property
    def counts(self) -> WireCounts:
        return WireCounts(**self._n)

    @property
    def samples(self) -> int:
        """Samples decoded so far: ``counts.samples``, for those who ask after every chunk."""
        return self._n["samples"]

    @property
    def faults(self) -> int:
        """Fault lines decoded so far."""
        return self._n["faults"]

    def resync(self) -> None:
        """Forget the begun line and skip to the next LF, as after the port was lost."""
        self._rest = b""
        self._skipping = True

    def feed(self, data: bytes) -> None:
        self._n["bytes"] += len(data)
        if self._skipping:
            at = data.find(b"\n")
            if at < 0:
                return
            data = data[at + 1 :]
            self._skipping = False
        data = self._rest + data
        cut = data.rfind(b"\n") + 1
        self._rest = data[cut:]
        begun = b""
        if len(self._rest) >= LONGEST_LINE:
            begun, self._rest = self._rest, b""
            self._skipping = True
        if self._bulk and cut >= _BULK_FROM:
            self._feed_bulk(data[:cut])
        elif cut:
            self._feed_few(data[:cut])
        if begun:
            self._too_long(begun)

    def take(self) -> list[Message]:
        """What has been decoded since the last call, in order."""
        self._close_runs()
        out, self._out = self._out, []
        return out if len(out) < 2 else _joined(out)

    def _feed_few(self, data: bytes) -> None:
        few = parse_few(data)
        if few is None:
            for line in data[:-1].split(b"\n"):
                self._line(line)
            return
        if self._bare:
            self._close_runs()
        self._samples += few
        self._n["samples"] += len(few)

    def _line(self, line: bytes) -> None:
        if len(line) + 1 > LONGEST_LINE:
            self._too_long(line)
            return
        if line[-1:] == b"\r":
            line = line[:-1]
        got = parse_line(line, self.bare_unit is not None)
        if isinstance(got, tuple):
            if self._bare:
                self._close_runs()
            self._samples.append(got)
            self._n["samples"] += 1
        elif isinstance(got, str):
            self._n[got] += 1
            self.unusable = line
        elif isinstance(got, float):
            if self._samples:
                self._close_runs()
            self._bare.append(got)
            self._n["samples"] += 1
        elif isinstance(got, OtherVersion):
            self._n["bad_fields"] += 1
            self.unusable = line
            self._notice(
                f"the adapter speaks wire version {got.version}; this program knows version {WIRE_VERSION}"
            )
            self._close_runs()
            self._out.append(got)
        else:
            self._message(got)

    def _too_long(self, line: bytes) -> None:
        self._n["too_long"] += 1
        self.unusable = line[:LONGEST_LINE]  # as much of it as is known however the bytes were cut

    def _notice(self, text: str) -> None:
        if text not in self.notices and len(self.notices) < _MOST_NOTICES:
            self.notices.append(text)

    def _message(self, message: Announcement | Fault) -> None:
        self._close_runs()
        self._n["announcements" if isinstance(message, Announcement) else "faults"] += 1
        self._out.append(message)

    def _close_runs(self) -> None:
        if self._samples:
            seq, device_us, counts, supply, temp_c = zip(*self._samples, strict=True)
            self._out.append(
                SampleBlock(
                    np.array(seq, np.int64),
                    np.array(device_us, np.int64),
                    np.array(counts, np.int64),
                    np.array(supply, np.float64),
                    np.array(temp_c, np.float64),
                )
            )
            self._samples = []
        if self._bare:
            self._out.append(BareBlock(np.array(self._bare, np.float64)))
            self._bare = []

    def _feed_bulk(self, data: bytes) -> None:
        at = 0
        while at < len(data):
            cut = data.rfind(b"\n", at, at + SLICE) + 1 or data.find(b"\n", at) + 1
            self._bulk_slice(data[at:cut])
            at = cut

    def _bulk_slice(self, data: bytes) -> None:
        found = parse_bulk(data)
        done = 0  # samples of the slice already handed out
        for nth, line in enumerate(np.flatnonzero(~found.ok).tolist()):
            before = line - nth  # good samples ahead of this line
            self._emit(found, done, before)
            done = before
            at = int(found.start[line])
            self._line(data[at : data.find(b"\n", at)])
        self._emit(found, done, len(found.seq))

    def _emit(self, found: Bulk, first: int, end: int) -> None:
        if first >= end:
            return
        self._close_runs()
        self._n["samples"] += end - first
        part = slice(first, end)
        self._out.append(
            SampleBlock(
                found.seq[part],
                found.device_us[part],
                found.counts[part],
                found.supply[part],
                found.temp_c[part],
            )
        )


def _joined(messages: list[Message]) -> list[Message]:
    """Neighbouring blocks of one kind made one."""
    out: list[Message] = []
    run: list[SampleBlock] = []
    bare: list[BareBlock] = []

    def close() -> None:
        if run:
            out.append(run[0] if len(run) == 1 else _join_samples(run))
            run.clear()
        if bare:
            out.append(BareBlock(np.concatenate([b.value for b in bare])))
            bare.clear()

    for message in messages:
        if isinstance(message, SampleBlock):
            if bare:
                close()
            run.append(message)
        elif isinstance(message, BareBlock):
            if run:
                close()
            bare.append(message)
        else:
            close()
            out.append(message)
    close()
    return out


def _join_samples(run: list[SampleBlock]) -> SampleBlock:
    return SampleBlock(
        np.concatenate([b.seq for b in run]),
        np.concatenate([b.device_us for b in run]),
        np.concatenate([b.counts for b in run]),
        np.concatenate([b.supply for b in run]),
        np.concatenate([b.temp_c for b in run]),
    )
