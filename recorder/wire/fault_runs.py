"""Fault lines put together: an adapter repeats a fault while it lasts, twice a second."""

from __future__ import annotations

from dataclasses import dataclass

from recorder.model import SAME_FAULT_S, FaultRun

__all__ = ["FaultRuns"]


@dataclass(slots=True)
class _Run:
    first_s: float
    last_s: float
    lines: int = 1


class FaultRuns:
    """Fault lines in; what is to be told of them out: the first of a run at once, how many when it is over."""

    def __init__(self) -> None:
        self._runs: dict[str, _Run] = {}

    def add(self, word: str, time_s: float) -> list[FaultRun]:
        """One fault line at a time of the trace (s)."""
        run = self._runs.get(word)
        if run is not None and time_s - run.last_s <= SAME_FAULT_S:
            run.last_s = max(run.last_s, time_s)
            run.lines += 1
            return []
        told = [] if run is None else [self._end(word)]
        self._runs[word] = _Run(time_s, time_s)
        return [*told, FaultRun(time_s, word)]

    def over(self, now_s: float | None = None) -> list[FaultRun]:
        """The runs that are over when the trace has got to ``now_s``; None: all."""
        return [
            self._end(word)
            for word, run in list(self._runs.items())
            if now_s is None or now_s - run.last_s > SAME_FAULT_S
        ]

    def _end(self, word: str) -> FaultRun:
        run = self._runs.pop(word)
        return FaultRun(run.first_s, word, run.last_s, run.lines)
