"""An error that came up while a recording was judged, with its file and, where one is to blame, the line in it."""

from __future__ import annotations

from recorder.errors import FileError, RecorderError
from recorder.model import Recording

__all__ = ["of_file"]


def of_file(err: RecorderError, recording: Recording) -> RecorderError:
    """The error, with the file that it is about; one of a limit with the line of the file that gives the limits."""
    if err.where.startswith(recording.path):
        return err
    line = recording.procedure_line if err.where.startswith("limit ") else 0
    return FileError(f"{err.where}: {err.what}" if err.where else err.what, path=recording.path, line=line, do=err.do)
