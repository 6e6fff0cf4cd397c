"""The faults that the adapter reports in one test: shown at once, and kept until there is a file to write them to."""

from __future__ import annotations

from recorder.model import FaultRun
from recorder.wire import FaultRuns

__all__ = ["AdapterFaults"]

_SHOWN_S = 2.0


class AdapterFaults:
    """Fault lines in; what is to be written into the recording out. ``open``: there is a file."""

    def __init__(self) -> None:
        self.open = False
        self._runs = FaultRuns()
        self._untold: list[FaultRun] = []
        self._latest: tuple[float, str] | None = None  # when, on the host's clock, and its word

    def add(self, word: str, time_s: float, now_s: float) -> None:
        """A fault line at a time of the trace, which came at a time of the host's clock (s)."""
        self._latest = now_s, word
        self._untold += self._runs.add(word, time_s)

    def seen(self, word: str, now_s: float) -> None:
        """A fault that the rows show by themselves."""
        self._latest = now_s, word

    def word(self, now_s: float, within_s: float = _SHOWN_S) -> str | None:
        """The fault of now."""
        return self._latest[1] if self._latest is not None and now_s - self._latest[0] < within_s else None

    def take(self, until_s: float | None = None) -> list[FaultRun]:
        """What is to be told, the trace being at ``until_s`` (None: over); nothing before there is a file."""
        if not self.open:
            return []
        out, self._untold = [*self._untold, *self._runs.over(until_s)], []
        return out
