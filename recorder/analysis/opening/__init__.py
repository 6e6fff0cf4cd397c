"""Where a cap begins to relieve, and where it closes again."""

from recorder.analysis.opening.find import Opening, find_opening

__all__ = ["Opening", "find_opening"]
