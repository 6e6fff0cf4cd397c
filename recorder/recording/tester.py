"""The tester's own leak: the latest test of the blanked hose among a folder's recordings."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from recorder.errors import FileError
from recorder.recording.reader import read

__all__ = ["latest_tester"]


def latest_tester(folder: str | os.PathLike[str], adapter_id: str) -> Mapping[str, Any] | None:
    """The baseline of an adapter: the newest sealed and unchanged tester recording of it in this folder
    that was not void and whose judgement has the rate of a hold. ``{"rate", "file", "sha256"}``; None where there is
    none."""
    try:
        files = sorted(Path(folder).glob("*-tester-*.csv"), reverse=True)
    except OSError:  # a folder that may not be entered; whoever writes there says so
        return None
    for path in files:
        try:
            found = read(path, rows=False)
        except FileError:
            continue
        if not found.intact or found.header.test != "tester":
            continue
        if found.header.adapter.get("id") != adapter_id or found.judgement is None:
            continue
        if found.judgement.get("outcome") == "void":
            continue  # whatever stands in it, it was no test
        hold = found.judgement.get("hold")
        rate = hold.get("rate") if isinstance(hold, Mapping) else None
        if isinstance(rate, Mapping) and isinstance(rate.get("value"), int | float):
            return {"rate": dict(rate), "file": path.name, "sha256": found.sha256}
    return None
