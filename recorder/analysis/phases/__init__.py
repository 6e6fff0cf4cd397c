"""Where the test is: pumping, relief, hold and release."""

from recorder.analysis.phases.stretches import (
    Stretches,
    gone_at_once,
    phases,
    segment,
    take_beat_out,
)

__all__ = ["Stretches", "gone_at_once", "phases", "segment", "take_beat_out"]
