"""Which jobs the form offers while one is typed: those of the folder, the ones that are not done first. No Qt."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from threading import Event
from typing import Any

from recorder.errors import RecorderError, as_text, printable
from recorder.moments import job_key, moment
from recorder.recording.folders import find_recordings
from recorder.window.state.records import annotations_of

__all__ = ["jobs_of", "offered"]

_MOST = 12


def jobs_of(folder: Path, stop: Event) -> list[str]:
    """The jobs of a folder: those that are not done first, of either kind the latest first. By what stands at both ends
    of each file, whether or not it was altered: to be offered is to be asked. stop: no more are wanted, and what was
    found so far is given. Empty where the folder cannot be read: that is said elsewhere."""
    from recorder.audit.jobs import JobTest, job_state

    by_job: dict[str, list[tuple[float, str, JobTest]]] = {}
    try:
        paths = list(find_recordings(folder)) if folder.exists() else []
    except (RecorderError, OSError):
        return []
    for path in paths:
        if stop.is_set():
            break
        facts = annotations_of(path)
        job = facts.get("job")
        text = " ".join(printable(job).split()) if isinstance(job, str) else ""
        if text:
            when = moment(started) if isinstance(started := facts.get("started"), str) else None
            test = JobTest(str(path), as_text(facts.get("started", "")), as_text(facts.get("test", "")),
                           _outcome(facts))
            at = -math.inf if when is None else when.timestamp()
            by_job.setdefault(job_key(text), []).append((at, text, test))
    found = []
    for tests in by_job.values():
        tests.sort(key=lambda one: one[0])
        found.append((job_state([test for _, _, test in tests]) == "done", -tests[-1][0], tests[-1][1]))
    return [text for _, _, text in sorted(found)]


def _outcome(facts: Mapping[str, Any]) -> str:
    judgement = facts.get("judgement")
    return as_text(judgement.get("outcome")) if isinstance(judgement, Mapping) else "cut off"


def offered(text: str, jobs: Sequence[str]) -> list[str]:
    """Of ``jobs`` those in which every typed word is, in their order; where there are none, those that the text looks
    like. Nothing where the text is the only one already."""
    from recorder.audit.alike import looks_like

    words = job_key(text).split()
    found = [job for job in jobs if all(word in job_key(job) for word in words)]
    found = found or [job for job in jobs if looks_like(text, job)]
    return [] if found == [text] else found[:_MOST]
