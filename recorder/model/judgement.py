"""What a recording says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from recorder.model.values import JsonObject, Marking, Outcome, PhaseName, Quantity, TestKind


@dataclass(frozen=True, slots=True)
class Reason:
    """Why the outcome is what it is: a code of the judgement's list, and a sentence."""

    code: str
    text: str

    def to_json(self) -> JsonObject:
        return {"code": self.code, "text": self.text}


@dataclass(frozen=True, slots=True)
class Phase:
    """A stretch of the trace, in seconds on the trace's own clock."""

    name: PhaseName
    start_s: float
    end_s: float

    def to_json(self) -> JsonObject:
        return {"name": self.name, "start_s": self.start_s, "end_s": self.end_s}


@dataclass(frozen=True, slots=True)
class Settling:
    """The part of the fall that dies away: p(t) = steady part + amplitude * exp(-t / time constant)."""

    amplitude: Quantity
    time_constant_s: Quantity

    def to_json(self) -> JsonObject:
        return {
            "amplitude": self.amplitude.to_json(),
            "time_constant_s": self.time_constant_s.to_json(),
        }


@dataclass(frozen=True, slots=True)
class Hold:
    """The hold. Pressures kPa gauge, zero-corrected; ``rate`` kPa/min, falling is positive,
    beyond what settling alone would have done."""

    start_s: float
    end_s: float
    start: Quantity
    end: Quantity
    drop: Quantity
    rate: Quantity
    settling: Settling | None
    smallest_detectable_rate: Quantity

    def to_json(self) -> JsonObject:
        return {
            "start_s": self.start_s,
            "end_s": self.end_s,
            "start": self.start.to_json(),
            "end": self.end.to_json(),
            "drop": self.drop.to_json(),
            "rate": self.rate.to_json(),
            "settling": self.settling.to_json() if self.settling else None,
            "smallest_detectable_rate": self.smallest_detectable_rate.to_json(),
        }


@dataclass(frozen=True, slots=True)
class Judgement:
    """What a recording says. Pure function of the recording; pressures are zero-corrected gauge.

    ``extra`` holds keys beyond the contract's (names with underscores, JSON values; docs/judgement.md lists them);
    readers that do not know them ignore them.
    """

    test: TestKind
    marked: Marking | None
    outcome: Outcome
    reasons: tuple[Reason, ...]
    zero: Quantity | None
    zero_shift: Quantity | None
    peak: Quantity | None
    strokes: int
    opening: Quantity | None
    reseat: Quantity | None
    hold: Hold | None
    headspace: Quantity | None
    leak_flow: Quantity | None
    phases: tuple[Phase, ...]
    extra: Mapping[str, Any] = field(default_factory=dict)

    def to_json(self) -> JsonObject:
        """The judgement of format 1 as a JSON-ready dict."""

        def maybe(q: Quantity | Hold | Marking | None) -> JsonObject | None:
            return None if q is None else q.to_json()

        return {
            "judgement-format": 1,
            "test": self.test,
            "marked": maybe(self.marked),
            "outcome": self.outcome,
            "reasons": [r.to_json() for r in self.reasons],
            "zero": maybe(self.zero),
            "zero_shift": maybe(self.zero_shift),
            "peak": maybe(self.peak),
            "strokes": self.strokes,
            "opening": maybe(self.opening),
            "reseat": maybe(self.reseat),
            "hold": maybe(self.hold),
            "headspace": maybe(self.headspace),
            "leak_flow": maybe(self.leak_flow),
            "phases": [p.to_json() for p in self.phases],
            **dict(self.extra),
        }
