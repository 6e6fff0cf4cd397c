"""What the steps of sequence and clock say: loss, restarts, and firmware that counts wrongly. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from recorder.wire.clock_speed import said

if TYPE_CHECKING:
    from recorder.model import BoolArray, FloatArray, IntArray

__all__ = ["Steps", "steps_of"]

_FORWARD = 1 << 15
_FORWARD_US = 1 << 31
_SAMPLE_US = 2_000_000  # neighbouring samples are less apart; common practice, no source
_NEAR = 100  # samples; an adapter that restarts does not come back so near to where it was
_SEEN_S = 2.0  # of samples, before the computer's clock says anything
_FEWEST = 20


@dataclass(frozen=True, slots=True, eq=False)
class Steps:
    """Of neighbouring samples, in order of arrival.

    broken: whether a step leads to something that no running adapter sends next. restarts: how many of those are
    restarts, sequence and clock both begun anew. seq_back, clock_back: how many are of one alone, the other running on.
    wrong: what the firmware does wrongly that leaves no stretch to be measured, and what to do; None where nothing is.
    """

    seq: IntArray
    us: IntArray
    broken: BoolArray
    restarts: int
    seq_back: int
    clock_back: int
    seq_top: int
    us_top: int
    wrong: tuple[str, str] | None

    @property
    def told(self) -> tuple[str, str] | None:
        """What is wrong with sequence or clock: ``wrong``, or that one of them goes back."""
        if self.wrong is not None:
            return self.wrong
        if self.seq_back:
            return (
                f"its sequence goes back {_times(self.seq_back)} while its clock goes on (after {self.seq_top}): "
                "it turns over too early", "count to 65535 before 0 comes again: a uint16_t",
            )
        if self.clock_back:
            return (
                f"its clock goes back {_times(self.clock_back)} while its sequence goes on (after {self.us_top} us): "
                "it turns over too early", "use an unsigned clock of 32 bits: uint32_t",
            )
        return None


def _times(n: int) -> str:
    return "once" if n == 1 else f"{n} times"


def steps_of(seq: IntArray, device_us: IntArray, host_s: FloatArray) -> Steps:
    """seq 0..65535, device_us 0..4294967295, host_s the computer's clock at arrival; all of one length."""
    dseq, dus = np.diff(seq) % 65536, np.diff(device_us) % 2**32
    seq_bad, us_bad = (dseq == 0) | (dseq > _FORWARD), (dus == 0) | (dus > _FORWARD_US)
    seq_back = seq_bad & ~us_bad & (dus < _SAMPLE_US)
    clock_back = us_bad & ~seq_bad & (dseq <= _NEAR)
    broken = seq_bad | us_bad
    restarts = broken & ~seq_back & ~clock_back
    wrong = None
    if len(dseq) >= _FEWEST:
        on = dus <= _FORWARD_US  # a clock that stands still is told from one that went back
        waited_s = float(np.sum(np.diff(host_s)[on]))
        if waited_s >= _SEEN_S:
            wrong = said(float(np.sum(dus[on])) / 1e6, waited_s)
        if wrong is None and np.mean(dseq == 0) > 0.5:
            wrong = ("its sequence stands still", "add one to the sequence for every sample taken")
    return Steps(
        dseq, dus, broken, int(restarts.sum()), int(seq_back.sum()), int(clock_back.sum()),
        int(np.max(seq[:-1][seq_back], initial=0)), int(np.max(device_us[:-1][clock_back], initial=0)), wrong,
    )
