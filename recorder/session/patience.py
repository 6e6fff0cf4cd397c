"""How long a session waits for what should come: decided by the clock alone, and said in words."""

from __future__ import annotations

from dataclasses import fields

from recorder.errors import RecorderError
from recorder.model import WireCounts
from recorder.session import words
from recorder.session.away import Away, away_of

__all__ = ["Patience"]

SILENT_S = 5.0  # no byte for this long is worth saying
NO_ROW_S = 5.0  # the adapter is known, and nothing to record has come for this long
WRONG_SPEED_S = 5.0  # bytes for this long and no line
ANNOUNCEMENT_S = 6.0  # adapters announce themselves every 5 s
_ASK_AFTER_S = (0.3, 1.5, 3.0)
_ASK_AGAIN_S = 1.0


class Patience:
    """When something was last heard, asked and recorded. Times are the session's clock, seconds.

    where: the port's URL. bare: the adapter prints plain numbers. reconnect_s: how long the port takes to come back.
    counts: what the decoder has seen; what it saw before the port was away tells nothing of who is on it since.
    """

    def __init__(self, where: str, now: float, *, bare: bool, reconnect_s: float) -> None:
        self.where, self.bare, self.reconnect_s = where, bare, reconnect_s
        self.row_s: float | None = None  # of the latest row, or since when the port is back
        self._started_s = now
        self._first_byte_s: float | None = None
        self._asked = 0
        self._doubted_s = float("-inf")
        self._without_row_s: float | None = None  # since when a first row is waited for
        self._counts_before = WireCounts()  # when the port came back
        self._before_s: float | None = None  # of the latest row before the port was away, until the next one comes

    def byte(self, now: float) -> None:
        """Something has arrived."""
        if self._first_byte_s is None:
            self._first_byte_s = now

    def row(self, now: float) -> None:
        """A row has come."""
        self.row_s, self._before_s = now, None

    def back(self, now: float, counts: WireCounts) -> None:
        """The port was away, and is there again: what comes next is waited for anew."""
        self._counts_before = counts
        if self._before_s is None:
            self._before_s = self.row_s
        self.row_s = None if self.row_s is None else now
        self._without_row_s = self._first_byte_s = None
        self.anew(now)

    def anew(self, now: float) -> None:
        """The adapter is asked again from the beginning, should someone go on."""
        self._started_s, self._asked = now, 0

    def heard(self, counts: WireCounts) -> WireCounts:
        """What was seen since the port is there."""
        each = (f.name for f in fields(WireCounts))
        return WireCounts(**{name: getattr(counts, name) - getattr(self._counts_before, name) for name in each})

    def asks(self, now: float) -> bool:
        """Whether it is time to ask the adapter once more who it is; asked only once each time."""
        due = self._asked < len(_ASK_AFTER_S) and now - self._started_s > _ASK_AFTER_S[self._asked]
        self._asked += due
        return due and not self.bare

    def doubts(self, now: float) -> bool:
        """Whether an adapter in doubt is to be asked now, which is not done with every block."""
        due = now - self._doubted_s > _ASK_AGAIN_S
        if due:
            self._doubted_s = now
        return due

    def nameless(self, now: float) -> bool:
        """Whether the adapter had the time to announce itself."""
        return now - self._started_s > ANNOUNCEMENT_S

    def at_start(self, now: float, counts: WireCounts, unusable: bytes) -> RecorderError | None:
        """What is wrong before the adapter is known. unusable: a line that was dropped."""
        if self._first_byte_s is None:
            return words.never_spoke(self.where, SILENT_S) if now - self._started_s > SILENT_S else None
        counts = self.heard(counts)
        if counts.samples or counts.announcements or counts.faults or now - self._first_byte_s <= WRONG_SPEED_S:
            return None
        return words.wrong_speed(self.where, counts, unusable)

    def at_first_row(
        self, now: float, counts: WireCounts, unusable: bytes, fault: str | None
    ) -> RecorderError | None:
        """What is wrong with an adapter that is known, and gives nothing that can be recorded."""
        if self._without_row_s is None:
            self._without_row_s = now
        if now - self._without_row_s <= NO_ROW_S:
            return None
        return words.no_row(self.where, NO_ROW_S, self.heard(counts), unusable, bare=self.bare, fault=fault)

    def silent_s(self, now: float) -> float | None:
        """Seconds without a row, where that is too long; fault lines are no readings."""
        since = now - (now if self.row_s is None else self.row_s)
        return since if since > max(SILENT_S, self.reconnect_s) else None

    def over(self, now: float) -> bool:
        """Whether nothing comes any more after the hold: silent, or unplugged."""
        return self.row_s is None or now - self.row_s > SILENT_S

    def away(self, now: float, *, lost: bool, usual_s: float, held: bool = False) -> Away | None:
        """Why the latest reading is not of this moment. usual_s: between two readings. held: something comes, and
        of whom is not known yet."""
        since_s = now - (self._started_s if self.row_s is None else self.row_s)
        gone = away_of(lost=lost, since_s=since_s, begun=self.row_s is not None, usual_s=usual_s, bare=self.bare)
        if not lost and self._before_s is not None and (gone is None or held):  # its reading is an old one
            return Away("back", now - self._before_s)
        return gone
