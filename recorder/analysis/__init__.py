"""From a trace to a judgement. Pure: no clock, file, thread or window."""

from recorder.analysis.analyser import MOST_SAMPLES, Analyser, HoldCurve, Look, analyse, judge
from recorder.analysis.setup import Setup

__all__ = ["MOST_SAMPLES", "Analyser", "HoldCurve", "Look", "Setup", "analyse", "judge"]
