"""Where a cap begins to relieve, and where it closes again."""

from recorder.analysis.opening.find import find_opening
from recorder.analysis.opening.onset import Opening

__all__ = ["Opening", "find_opening"]
