"""Where a cap begins to relieve, and where it closes again."""

from recorder.analysis.opening.find import find_opening
from recorder.analysis.opening.onset import Opening
from recorder.analysis.opening.shuts import shut_later

__all__ = ["Opening", "find_opening", "shut_later"]
