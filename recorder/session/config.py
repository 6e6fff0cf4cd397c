"""What a session is given and what it leaves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from recorder.errors import RecorderError
from recorder.limits import Procedure
from recorder.model import Calibration, Mark, Marking, TestKind
from recorder.port import Back, Chunk, Lost


class PortLike(Protocol):
    """What a session needs of a port."""

    url: str

    @property
    def failure(self) -> RecorderError | None: ...
    def take(self) -> list[Chunk | Lost | Back]: ...
    def write(self, data: bytes) -> None: ...


@dataclass(frozen=True, slots=True)
class SessionConfig:
    """What is known before the first sample.

    repair: what was done since the job's last test, in words. procedure: None takes the defaults.
    calibration: None takes the nominal one of ``full_scale_kpa``. full_scale_counts: used only when the
    adapter never announces itself; where it announces others, that is said. tester_baseline: whether the
    leak of the blanked hose is looked up among the recordings of the folder. simulated: the adapter is the
    simulated tester, and the recording says so.
    """

    test: TestKind
    marked: Marking | None = None
    job: str = ""
    repair: str = ""
    procedure: Procedure | None = None
    calibration: Calibration | None = None
    full_scale_kpa: float | None = None
    bare_unit: str | None = None
    reconnect_s: float = 60.0
    tester_baseline: bool = True
    full_scale_counts: int | None = None
    simulated: bool = False


@dataclass(frozen=True, slots=True)
class Finished:
    """What a session left. ``path`` is None when no sample arrived; ``sha256`` None when the file could
    not be sealed. ``judgement`` in JSON form. ``marks``: the findings that were marked, in order."""

    path: Path | None
    judgement: Mapping[str, Any]
    sha256: str | None
    why: str
    marks: tuple[Mark, ...] = ()
