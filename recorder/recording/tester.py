"""The tester's own leak: the latest test of the blanked hose among a folder's recordings."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from recorder.errors import FileError
from recorder.recording.annotations import load_value, split_line
from recorder.recording.reader import read

__all__ = ["latest_tester"]

_HEAD_BYTES = 1 << 14  # of a recorder's header some hundred are used


def _of_another(path: Path, adapter_id: str) -> bool:
    """Whether its first lines name another adapter. Of years of recordings all would be read to the end otherwise,
    while somebody waits for the first reading."""
    try:
        if not path.is_file():  # a pipe may never end
            return False
        with path.open("rb") as file:
            lines = file.read(_HEAD_BYTES).split(b"\n")[:-1]
    except OSError:
        return False
    for line in lines:
        found = split_line(line.decode("utf-8", "replace")) if line.startswith(b"#") else None
        if found is not None and found[0] == "adapter":
            try:
                said = load_value(*found)
            except ValueError:
                return False
            return isinstance(said, Mapping) and said.get("id") != adapter_id
    return False


def latest_tester(folder: str | os.PathLike[str], adapter_id: str) -> Mapping[str, Any] | None:
    """The baseline of an adapter: the newest sealed and unchanged tester recording of it in this folder
    that was not void and whose judgement has the rate of a hold. ``{"rate", "file", "sha256"}``; None where there is
    none."""
    try:
        files = sorted(Path(folder).glob("*-tester-*.csv"), reverse=True)
    except OSError:  # a folder that may not be entered; whoever writes there says so
        return None
    for path in files:
        if _of_another(path, adapter_id):
            continue
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
