"""What is said of a trace that a test made."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from recorder.analysis import Analyser, Setup
from recorder.limits import resolve
from recorder.model import Judgement, Marking, TestKind


def judged(test: str, t: np.ndarray, p: np.ndarray) -> Judgement:
    """Of a cap or a system marked 98 kPa: times (s) and pressures (kPa) as a file would have them."""
    return _judged("cap" if test == "cap" else "system", np.asarray(t, float).round(6).tobytes(),
                   np.asarray(p, float).round(4).tobytes())


@lru_cache(maxsize=32)  # many tests compare with the same plain trace
def _judged(kind: TestKind, t: bytes, p: bytes) -> Judgement:
    analyser = Analyser(Setup(kind, Marking(98.0, "kPa", 98.0), resolve(kind, {})))
    analyser.feed(np.frombuffer(t), np.frombuffer(p))
    return analyser.judgement()


def held_beside_a_beat(told: Judgement, strokes: int) -> None:
    """The beat is named, lets nothing be sure, and is neither a stroke nor the end of the hold."""
    assert told.outcome == "undecided"
    assert "rhythmic" in [n["code"] for n in told.extra["notes"]]
    assert told.strokes == strokes
    assert told.hold is not None
    assert told.hold.end_s - told.hold.start_s > 100.0
