"""The link to an adapter, listened to beside the test: samples, announcements, losses, restarts. No Qt."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.errors import RecorderError
from recorder.model import Announcement, BareBlock, Calibration, Fault, SampleBlock, WireCounts
from recorder.port import Back, Chunk, Lost
from recorder.units import pressure_factor_kpa
from recorder.wire import Decoder, Timeline, ratio_of

if TYPE_CHECKING:
    from recorder.adapter import AdapterReport, Samples
    from recorder.model import FloatArray
    from recorder.session import PortLike

__all__ = ["Link", "LinkFacts", "Replayed", "Tapped", "report_of"]

# Two and a half minutes at 200 samples a second: somewhat more than a system is held.
MOST_SAMPLES = 30_000
_MOST_PLAIN = 2000
_NOISE_OF = 500  # plain numbers, whose steps from one to the next give the noise
_ALIVE_S = 1.5


@dataclass(frozen=True, slots=True)
class LinkFacts:
    """What is known at one moment. Times s of the host's clock; None where nothing has been heard.

    counts, supply: of the latest sample, as sent (supply None where the adapter does not send it). plain: the latest
    plain number with its unit, and the scatter of the latest ones; then ``jitter_s`` is that of the arrivals.
    """

    alive: bool
    away: bool
    announced: Announcement | None
    wire: WireCounts
    samples: int
    rate_hz: float | None
    jitter_s: float | None
    lost: int
    restarts: int
    restarted_s: float | None
    counts: int | None
    supply: float | None
    fault: str | None
    plain: tuple[float, str, float] | None = None


class Link:
    """Takes what a port gives. ``samples`` keeps the latest MOST_SAMPLES, of one adapter once it has said who it is.
    bare_unit: plain numbers are sent."""

    def __init__(self, bare_unit: str | None = None) -> None:
        self.bare_unit = bare_unit
        self._decoder = Decoder(bare_unit)
        if bare_unit is not None:
            self._decoder.resync()  # half a number is a number too
        self._plain: deque[tuple[float, float]] = deque(maxlen=_MOST_PLAIN)  # arrival s, reading in the unit
        self._timeline = Timeline()
        self._blocks: deque[tuple[float, SampleBlock]] = deque()
        self._kept = 0
        self.announced: Announcement | None = None
        self._named = False  # since the port was away: another adapter may be on it
        self.away = False
        self._back_s = float("-inf")  # when the port came back, or went away
        self._heard_s: float | None = None
        self._restarted_s: float | None = None
        self._fault: tuple[float, str] | None = None

    def take(self, items: list[Chunk | Lost | Back]) -> None:
        """Everything that came since the last call."""
        for item in items:
            if isinstance(item, Chunk):
                self._decoder.feed(item.data)
                self._messages(item.host_s)
            else:
                self.away = isinstance(item, Lost)
                if self.away and self.announced is not None and not self._named:
                    self._drop(self._back_s, item.host_s)  # whose that was nobody will say any more
                self._back_s = item.host_s
                self._decoder.resync()
                self._named = False
                if self.away:
                    self._timeline.lost()

    def _messages(self, host_s: float) -> None:
        for message in self._decoder.take():
            if isinstance(message, Announcement):
                if self.announced is None or not _same(message, self.announced):
                    self._drop(-math.inf, math.inf if self._named else self._back_s)  # no readings of this one
                self.announced, self._named = message, True
                self._timeline.announce(message)
            elif isinstance(message, Fault):
                self._fault = (host_s, message.word)
            elif isinstance(message, SampleBlock):
                before = self._timeline.restarts
                self._timeline.add(message, host_s)
                if self._timeline.restarts > before:
                    self._restarted_s = host_s
                self._heard_s = host_s
                self._blocks.append((host_s, message))
                self._kept += len(message)
                while self._kept - len(self._blocks[0][1]) >= MOST_SAMPLES:
                    self._kept -= len(self._blocks.popleft()[1])
            elif isinstance(message, BareBlock):
                self._heard_s = host_s
                self._kept += len(message)
                self._plain.extend((host_s, float(v)) for v in message.value)

    def _drop(self, since_s: float, until_s: float) -> None:
        """The samples that arrived then, but at ``until_s`` itself."""
        self._blocks = deque(one for one in self._blocks if not since_s <= one[0] < until_s)
        self._kept = sum(len(block) for _, block in self._blocks)

    @property
    def named(self) -> bool:
        """Whether the adapter has said who it is, since the port was away too."""
        return self._named

    def is_still(self, adapter: Announcement) -> bool:
        """Whether it is known that this adapter is on the port: after that was away, not before it says so."""
        return self._named and self.announced is not None and _same(self.announced, adapter)

    @property
    def heard_s(self) -> float | None:
        """When the latest reading came, on the clock of the port; None before the first. Faults and announcements are
        none."""
        return self._heard_s

    def samples(self, latest: int = MOST_SAMPLES) -> Samples:
        """The latest samples, joined; empty before the first."""
        from recorder.adapter import Samples

        chosen: list[tuple[float, SampleBlock]] = []
        have = 0
        for host_s, block in reversed(tuple(self._blocks)):  # a copy: the session's thread may add to it meanwhile
            if have >= latest:
                break
            chosen.append((host_s, block))
            have += len(block)
        chosen.reverse()
        if not chosen:
            none = np.empty(0, np.int64)
            return Samples(none, none, none, np.empty(0), np.empty(0))
        blocks = [b for _, b in chosen]
        return Samples(
            np.concatenate([b.seq for b in blocks]), np.concatenate([b.device_us for b in blocks]),
            np.concatenate([b.counts for b in blocks]), np.concatenate([b.supply for b in blocks]),
            np.concatenate([np.full(len(b), s) for s, b in chosen]),
        )

    def readings(self) -> FloatArray:
        """The latest plain numbers, at most _MOST_PLAIN, in their unit."""
        return np.array([v for _, v in self._copied()])

    def _copied(self) -> tuple[tuple[float, float], ...]:
        """The plain numbers at this moment, for the session's thread may add to them meanwhile."""
        return tuple(self._plain)

    def averaged(self, seconds: float, now_s: float) -> float | None:
        """The mean reading of the latest seconds, as part of full scale (plain numbers: kPa); None before so much
        has come, after the port was away too, and where nothing comes, or with a fault; of samples also before the
        adapter has said who it is. now_s: as of ``facts``."""
        from recorder.session import away_of

        if self._heard_s is None or self._heard_s - self._back_s < seconds or (
            self._fault is not None and now_s - self._fault[0] < seconds
        ):
            return None
        bare = self.bare_unit is not None
        if away_of(lost=self.away, since_s=now_s - self._heard_s, begun=True, bare=bare) is not None:
            return None
        if self.bare_unit is not None:
            plain = self._copied()
            if not plain or plain[-1][0] - plain[0][0] < seconds:
                return None
            last_s = plain[-1][0]
            return float(np.mean([v for s, v in plain if s > last_s - seconds])) * pressure_factor_kpa(self.bare_unit)
        if self.announced is None or not self._named:
            return None
        wanted = max(int(self.announced.nominal_rate_hz * seconds), 10)
        s = self.samples(wanted)
        r = ratio_of(s.counts, s.supply, self.announced.full_scale_counts)[-wanted:]
        return float(np.mean(r)) if len(r) >= wanted else None

    def fault(self, now_s: float) -> str | None:
        """The word that the adapter reports now. now_s: as of ``facts``."""
        return self._fault[1] if self._fault is not None and now_s - self._fault[0] < 2.0 else None

    def facts(self, now_s: float) -> LinkFacts:
        """What is known now; ``now_s`` on the clock of the port (time.monotonic)."""
        recent = self.samples(500)
        rate = jitter = None
        step_us = np.diff(recent.device_us) % 2**32
        steps = step_us[(np.diff(recent.seq) % 65536) == 1] / 1e6
        if len(steps) >= 10 and steps.any():  # a clock may stand still
            rate, jitter = float(1.0 / np.mean(steps)), float(np.std(steps))
        supply = float(recent.supply[-1]) if len(recent) and not np.isnan(recent.supply[-1]) else None
        plain = None
        if self.bare_unit is not None and len(self._plain) > 1:
            numbers = np.array(self._copied())
            arrived = numbers[:, 0]
            rate = (len(arrived) - 1) / float(arrived[-1] - arrived[0]) if arrived[-1] > arrived[0] else None
            came = np.unique(arrived)  # several may come at once
            jitter = float(np.std(np.diff(came))) if len(came) > 10 else None
            last = numbers[-_NOISE_OF:, 1]
            plain = (float(last[-1]), self.bare_unit, float(np.std(np.diff(last))) / 2**0.5 if len(last) > 9 else 0.0)
        fault = self.fault(now_s)
        return LinkFacts(
            self._heard_s is not None and now_s - self._heard_s < _ALIVE_S, self.away, self.announced,
            self._decoder.counts, self._kept, rate, jitter, self._timeline.lost_samples, self._timeline.restarts,
            self._restarted_s, int(recent.counts[-1]) if len(recent) else None, supply, fault, plain,
        )


def _same(one: Announcement, other: Announcement) -> bool:
    """Whether both are of one adapter, as far as its readings go."""
    return (one.adapter_id, one.full_scale_counts) == (other.adapter_id, other.full_scale_counts)


def report_of(samples: Samples, wire: WireCounts, announced: Announcement,
              calibration: Calibration) -> tuple[AdapterReport | None, str]:
    """The report on samples taken with the hose open, or None and why there is none."""
    from recorder.adapter import check_adapter
    from recorder.session import words

    try:
        words.check_adapter(calibration, announced, "")
        return check_adapter(samples, wire, announced, calibration), ""
    except RecorderError as err:
        return None, str(err)


class Tapped:
    """A port whose bytes a link hears too. ``chunks`` keeps them, so that a test that could not be stored
    can be written again; of very much only what came first, and then ``cut`` is true."""

    MOST_BYTES = 64 << 20

    def __init__(self, port: PortLike, link: Link) -> None:
        self._port, self._link, self.url = port, link, port.url
        self.chunks: list[Chunk | Lost | Back] = []
        self._bytes = 0

    @property
    def failure(self) -> RecorderError | None:
        return self._port.failure

    def take(self) -> list[Chunk | Lost | Back]:
        items = self._port.take()
        self._link.take(items)
        self._bytes += sum(len(item.data) for item in items if isinstance(item, Chunk))
        if not self.cut:
            self.chunks += items
        return items

    @property
    def cut(self) -> bool:
        return self._bytes > self.MOST_BYTES

    def write(self, data: bytes) -> None:
        self._port.write(data)


class Replayed:
    """A port that gives what another one gave."""

    failure: RecorderError | None = None

    def __init__(self, url: str, chunks: list[Chunk | Lost | Back]) -> None:
        self.url = url
        self._chunks = list(chunks)

    def take(self) -> list[Chunk | Lost | Back]:
        out, self._chunks = self._chunks, []
        return out

    def write(self, data: bytes) -> None:
        """Nobody listens."""
