"""Pump strokes: which rises of the pressure are strokes, and where each begins and ends."""

from recorder.analysis.strokes.again import with_again
from recorder.analysis.strokes.beaten import that_bring
from recorder.analysis.strokes.eased import with_eased
from recorder.analysis.strokes.find import find_strokes
from recorder.analysis.strokes.knocks import without_bumps, without_knocks
from recorder.analysis.strokes.popped import SLOWER, WARMS
from recorder.analysis.strokes.slopes import level_noise
from recorder.analysis.strokes.stroke import PAUSE_S, QUIET_S, Stroke

__all__ = ["PAUSE_S", "QUIET_S", "SLOWER", "WARMS", "Stroke", "find_strokes", "level_noise", "that_bring", "with_again",
           "with_eased", "without_bumps", "without_knocks"]
