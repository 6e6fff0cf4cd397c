"""Some seconds of samples from a port, for the commands that look at the adapter itself."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from types import TracebackType
from typing import TYPE_CHECKING

from recorder.errors import PortLost, SilentAdapter, WrongSpeed
from recorder.model import USUAL_BAUD, Announcement, BareBlock, Fault, SampleBlock
from recorder.wire.conformance_rules import escaped
from recorder.wire.encode import LONGEST_LINE

if TYPE_CHECKING:
    from recorder.adapter import Samples
    from recorder.model import FloatArray, WireCounts
    from recorder.port import Back, Lost

__all__ = ["Gatherer"]

SILENT_S = 8.0  # an adapter announces itself every 5 s
HEAD_BYTES = 8192  # of what came first are kept: they show what it was


@dataclass
class Gatherer:
    """A port that is listened to. Use as a context manager; ``listen`` for a while, then ask.

    bare_unit: the adapter prints plain numbers in this unit. ``fault``: the last word the adapter sent. ``losses``: how
    often the port went away; ``lost``: it did not come back in time; ``unsure``: it is back, and who is on it has not
    said so yet, as another adapter may be. ``announcement``: the latest; ``swapped``: the one before it, where they are
    of two adapters.
    """

    url: str
    baud: int = USUAL_BAUD
    bare_unit: str | None = None
    fault: str = ""
    blocks: list[SampleBlock | BareBlock] = field(default_factory=list)
    arrived_s: list[float] = field(default_factory=list)
    announcement: Announcement | None = None
    head: bytearray = field(default_factory=bytearray)
    losses: int = 0
    lost: bool = False
    unsure: bool = False
    swapped: Announcement | None = None
    _since_back: int = 0  # the first of ``blocks`` since the port was last away

    def __enter__(self) -> Gatherer:
        from recorder.port import Port
        from recorder.wire import Decoder

        self._port = Port(self.url, baud=self.baud, reconnect_s=5.0)
        self._decoder = Decoder(self.bare_unit)
        if self.bare_unit is not None:
            self._decoder.resync()  # half a number is a number too
        self._port.open()
        if self.bare_unit is None:
            self._port.write(b"?\n")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._port.close()

    @property
    def counts(self) -> WireCounts:
        return self._decoder.counts

    @property
    def unusable(self) -> bytes:
        """The latest line that was dropped."""
        return self._decoder.unusable

    def forget(self) -> None:
        """Drops what was gathered (not what is known of the adapter)."""
        self._drain()
        self._drop(0, None)
        self._since_back = 0

    def leave_out_unsure(self) -> int:
        """Drops what came since the port was away, where who sent it has not said who it is; how many samples."""
        return self._drop(self._since_back, None) if self.unsure else 0

    def _drop(self, first: int, end: int | None) -> int:
        dropped = sum(map(len, self.blocks[first:end]))
        del self.blocks[first:end], self.arrived_s[first:end]
        return dropped

    def _away(self, item: Lost | Back) -> None:
        """What comes from now on may be another adapter's."""
        from recorder.port import Back, Lost

        if isinstance(item, Lost):
            self.losses += 1
            self.leave_out_unsure()  # whose it was nobody will say any more
            self._since_back = len(self.blocks)
        self.unsure = self.announcement is not None
        self._decoder.resync()
        if isinstance(item, Back) and self.bare_unit is None:
            self._port.write(b"?\n")

    def _said(self, now: Announcement) -> None:
        before = self.announcement
        if before is None:  # what was unplugged before this one may have been another
            self._drop(0, self._since_back)
            self._since_back = 0
        elif (before.adapter_id, before.full_scale_counts) != (now.adapter_id, now.full_scale_counts):
            self.swapped = before
        self.announcement, self.unsure = now, False

    def _drain(self) -> None:
        from recorder.port import Chunk

        for item in self._port.take():
            if not isinstance(item, Chunk):
                self._away(item)
                continue
            self.head += item.data[: HEAD_BYTES - len(self.head)]
            self._decoder.feed(item.data)
            if self._decoder.notices:
                from recorder.session.words import other_version

                raise other_version(self.url, self._decoder.notices[0])
            for message in self._decoder.take():
                if isinstance(message, BareBlock if self.bare_unit is not None else SampleBlock):
                    self.blocks.append(message)
                    self.arrived_s.append(item.host_s)
                elif isinstance(message, Announcement):
                    self._said(message)
                elif isinstance(message, Fault):
                    self.fault = message.word

    def listen(
        self, seconds: float, *, tick: Callable[[float], None] | None = None, enough: Callable[[], bool] | None = None
    ) -> None:
        """Gathers for ``seconds`` from the first sample on, or until ``enough`` says so. SilentAdapter, WrongSpeed,
        PortLost."""
        begin = time.monotonic()
        first: float | None = None
        while True:
            self._drain()
            now = time.monotonic()
            if first is None and self.blocks:
                first = now
            if (first is not None and now - first >= seconds) or (enough is not None and enough()):
                return
            if self._port.failure is not None:
                if self.blocks and isinstance(self._port.failure, PortLost):
                    self.lost = True
                    return  # judged on what came
                raise self._port.failure
            if first is None and now - begin > SILENT_S:
                self._nothing_came()
            if tick is not None and first is not None:
                tick(seconds - (now - first))
            time.sleep(0.02)

    def _nothing_came(self) -> None:
        from recorder.port import check_port

        if self.fault:
            raise SilentAdapter(
                f"no sample arrived in {SILENT_S:g} s, and the adapter reports the fault '{self.fault}'",
                where=self.url, do="check the sensor's wires and the adapter's converter",
            )
        if self.bare_unit is not None and (self.counts.samples or self.counts.announcements):
            raise SilentAdapter(
                "no plain number arrived: this adapter speaks the wire format", where=self.url, do="leave --bare away",
            )
        if self.bare_unit is not None and self.counts.dropped:
            from recorder.session.words import not_plain

            raise not_plain(self.url, self._decoder.unusable)
        if self.counts.dropped or len(self.head) >= LONGEST_LINE:
            raise self._unlike(f"{self.counts.bytes} bytes arrived in {SILENT_S:g} s and not one sample")
        raise SilentAdapter(f"no sample arrived in {SILENT_S:g} s", where=self.url, do=check_port(self.url))

    def _unlike(self, what: str) -> WrongSpeed:
        """What came instead of the wire format, with one of its lines."""
        from recorder.port import ports_there_are
        from recorder.wire.likeness import looks_like

        alike = looks_like(bytes(self.head), self.baud)
        if alike is None:
            shown = f": '{escaped(self.unusable)}'" if self.unusable else ""
            return WrongSpeed(f"{what}{shown}", where=self.url, do=f"'recorder conform --port {self.url}' says why")
        return WrongSpeed(f"{what}: {alike.what}, for instance '{alike.shown}'", where=self.url,
                          do=f"{alike.do}; {ports_there_are(self.url)}" if alike.other_port else alike.do)

    def samples(self) -> Samples:
        """All that was gathered, joined. SilentAdapter when there is nothing."""
        import numpy as np

        from recorder.adapter import Samples

        if not self.blocks:
            raise SilentAdapter("no sample arrived", where=self.url, do="check the adapter's supply")
        blocks = [b for b in self.blocks if isinstance(b, SampleBlock)]
        return Samples(
            np.concatenate([b.seq for b in blocks]),
            np.concatenate([b.device_us for b in blocks]),
            np.concatenate([b.counts for b in blocks]),
            np.concatenate([b.supply for b in blocks]),
            np.concatenate([np.full(len(b), s) for b, s in zip(blocks, self.arrived_s, strict=True)]),
        )

    def readings(self) -> FloatArray:
        """All plain readings that were gathered, in their unit."""
        import numpy as np

        return np.concatenate([b.value for b in self.blocks if isinstance(b, BareBlock)])

    def arrivals(self) -> FloatArray:
        """The computer's clock as each of ``readings`` arrived, s."""
        import numpy as np

        both = zip(self.blocks, self.arrived_s, strict=True)
        return np.concatenate([np.full(len(b), s) for b, s in both if isinstance(b, BareBlock)])

    def known(self) -> Announcement:
        """The adapter's announcement. SilentAdapter where none came (5 s are enough for one)."""
        if self.announcement is None:
            if self.counts.dropped > self.counts.samples:
                raise self._unlike(f"{self.counts.dropped} of {self.counts.dropped + self.counts.samples} lines could "
                                   "not be used, the announcements among them")
            bad = next((x for x in bytes(self.head).split(b"\n") if x[:2] == b"A,"), None)
            sent = f"; what comes as one cannot be used: '{escaped(bad)}'" if bad is not None else ""
            raise SilentAdapter(
                f"the adapter sent samples and never announced itself{sent}", where=self.url,
                do=f"it has to send its 'A' line every 5 s, see 'recorder conform --port {self.url}'; with "
                "--full-scale-counts it can be used without",
            )
        return self.announcement

    def known_or_given(
        self, full_scale_counts: float | None, say: Callable[[str], object]
    ) -> tuple[Announcement, bool]:
        """Its announcement, or what stands in for it where none came and its full scale was given; whether it is the
        latter. say: is told where another full scale was given than it announces. SilentAdapter as of ``known``."""
        if full_scale_counts is not None and self.announcement is None:
            return Announcement(1, "without a name", "", int(full_scale_counts), 0.0), True
        known = self.known()
        if full_scale_counts not in (None, known.full_scale_counts):
            say(f"the adapter announces a full scale of {known.full_scale_counts} counts: that is taken")
        return known, False
