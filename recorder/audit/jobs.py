"""The recordings of a folder by job: what is still leaking, what was not tested again, what is done."""

from __future__ import annotations

import hashlib
import math
import os
import re
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import cache
from itertools import pairwise
from pathlib import Path

from recorder import report
from recorder.audit.alike import look_alikes
from recorder.audit.run import find_recordings
from recorder.errors import RecorderError, as_text
from recorder.model import TEST_KINDS, Recording
from recorder.moments import job_key, moment
from recorder.recording import Legible, ledger_lines, legible, other_order, parse, read_bytes

__all__ = ["CANNOT_BE_READ", "CANNOT_BE_TOLD", "Job", "JobTest", "Jobs", "job_state", "jobs_table", "within"]

CANNOT_BE_READ = "cannot be read"  # a test's outcome
CANNOT_BE_TOLD = "cannot be told"  # a job's state
_SAME_MARKING = 0.025  # 1.1 bar is 16 psi, 0.9 bar is 13 psi, and 15 psi is neither
_NAME = re.compile(r"(\d{4})(\d\d)(\d\d)T(\d\d)(\d\d)(\d\d)Z-([a-z]+)-[0-9a-f]{4,}\.csv")


@dataclass(frozen=True, slots=True)
class JobTest:
    """One test of a job. outcome: as stored; ``cut off`` where no judgement is stored (``not judged`` in a file
    from another program), ``altered`` where the file was changed after it was sealed, ``cannot be read`` where of a
    file that cannot be used no more than its job is legible. started: as written; it may
    be no time at all. repair: what was done since the job's last test. findings: what was seen during this one.
    simulated: no real vehicle was tested. over: that it was pumped over the limit, or may have been, in words; empty
    where it was not, and of a file that was altered. marked: the cap's marking as it was typed, like ``16 psi``, and in
    kPa; empty and None where there is none."""

    file: str
    started: str
    test: str
    outcome: str
    repair: str = ""
    findings: tuple[str, ...] = ()
    simulated: bool = False
    over: str = ""
    marked: str = ""
    marked_kpa: float | None = None


@dataclass(frozen=True, slots=True)
class Job:
    """A job's tests in order of time, those at an unknown time last, and its state in words."""

    job: str
    tests: tuple[JobTest, ...]
    state: str


@dataclass(frozen=True, slots=True)
class Jobs:
    """The jobs of a folder by the time of their last test, newest first; and what is in none of them:
    recordings that name no job, files that cannot be read, and what is no test of its own: copies, files that have all
    bytes of another one, and same_tests, those that have the id of another one and other bytes (the one that is
    whole by its seal is the test). Of several the one that its folder's ledger lists is the test, else one with the
    name that the recorder gives, else the first. of_any_job: which of those that cannot be read may belong to
    any job; the job of the others is legible, and they are among its tests. look_alikes: pairs of jobs whose texts may
    name one, where not both are done (else that they are two says nothing wrong of either). other_order: jobs of which
    a ledger has tests of one kind in another order than their times, so that a clock was wrong. other_marking: jobs of
    which two tests, one after the other and nothing repaired in between, were made by markings that differ, so that one
    of them was read wrong."""

    jobs: tuple[Job, ...]
    without_job: int
    unreadable: tuple[str, ...]
    copies: tuple[str, ...] = ()
    of_any_job: tuple[str, ...] = ()
    same_tests: tuple[str, ...] = ()
    look_alikes: tuple[tuple[str, str], ...] = ()
    other_order: tuple[str, ...] = ()
    other_marking: tuple[str, ...] = ()


def job_state(tests: Sequence[JobTest], unsure: Collection[str] = ()) -> str:
    """``done``: the last test of each kind passed. ``still leaking`` (system) or ``still failing`` (cap): the
    last of a kind failed, and not for the first time. ``not retested``: failed once, no test since.
    ``not decided``: the last of a kind gave no answer; or which is the last is not known, and it matters (of the kinds
    in ``unsure`` the times do not tell). The
    worst of all kinds is said. ``cannot be told``: one of its tests cannot be read; only where a test after it failed
    that is said, as it is so whatever the other was."""
    lost = [t for t in tests if t.outcome == CANNOT_BE_READ and t.test != "tester"]
    states = [CANNOT_BE_TOLD] if lost else []
    for kind in ("system", "cap"):
        own = [t for t in tests if t.test == kind and t.outcome != CANNOT_BE_READ]
        if not own or any(_order(t) > _order(own[-1]) for t in lost if t.test in (kind, "")):
            continue
        last = own[-1].outcome
        if (kind in unsure or any(moment(t.started) is None for t in own)) and len({t.outcome for t in own}) > 1:
            states.append("not decided")
        elif last == "pass":
            states.append("done")
        elif last == "fail" and sum(t.outcome == "fail" for t in own) > 1:
            states.append("still leaking" if kind == "system" else "still failing")
        elif last == "fail":
            states.append("not retested")
        else:
            states.append("not decided")
    for state in ("still leaking", "still failing", "not retested", CANNOT_BE_TOLD, "not decided"):
        if state in states:
            return state
    return "done" if states else "nothing tested"


def within(job: Job, since: date | None, until: date | None) -> bool:
    """Whether a test of the job was begun on one of these days (of UTC, both included; None: no end), or may have been,
    as its time is not known."""
    whens = [moment(test.started) for test in job.tests]
    days = [None if when is None else when.date() for when in whens]
    return any(day is None or not ((since and day < since) or (until and day > until)) for day in days)


def _test(found: Recording) -> JobTest:
    outcome, over = "cut off" if found.header.id else "not judged", ""
    if found.judgement is not None:
        outcome, over = as_text(found.judgement.get("outcome")), report.over_limit(found.judgement)
    if found.intact is False:
        outcome, over = "altered", ""
    header = found.header
    repair = header.other.get("repair")
    return JobTest(found.path, header.started or "", header.test, outcome,
                   repair.strip() if isinstance(repair, str) else "", tuple(report.found(found.marks)),
                   header.simulated, over, f"{header.marked.value:g} {header.marked.unit}" if header.marked else "",
                   header.marked.kpa if header.marked else None)


def _marking_changed(tests: Sequence[JobTest]) -> bool:
    """Whether the marking is another than at the test before, of the cap and of the system alike, and no repair lies
    between. 1.1 bar and 16 psi are one."""
    marked = [(t.marked_kpa, t.repair) for t in tests if t.marked_kpa is not None and t.outcome != "altered"]
    return any(not repair and abs(kpa - before) > _SAME_MARKING * before
               for (before, _), (kpa, repair) in pairwise(marked))


def _lost(seen: Legible, path: Path) -> tuple[str, JobTest] | None:
    """The job that a file names which cannot be used, and the test that it was, with time and kind by the file's name
    where they are not legible. None where the job is not legible, or in more ways than one."""
    job = " ".join((seen.text("job") or "").split())
    if not job:
        return None
    named = _NAME.fullmatch(path.name)
    started, test, repair = seen.text("started"), seen.text("test"), seen.text("repair")
    if named is not None:
        year, month, day, hour, minute, second, kind = named.groups()
        if moment(started) is None:
            started = f"{year}-{month}-{day}T{hour}:{minute}:{second}Z"
        test = test or (kind if kind in TEST_KINDS else None)
    return job, JobTest(str(path), started or "", test or "", CANNOT_BE_READ, (repair or "").strip(),
                        simulated=seen.values.get("simulated") is True)


def _copied(path: Path, ledgers: Callable[[Path], Mapping[str, object]]) -> int:
    """Of files of one test the lowest is the recorder's own: its folder's ledger lists it, or it has the name that the
    recorder gives."""
    if path.name in ledgers(path.parent):
        return 0
    return 1 if _NAME.fullmatch(path.name) else 2


def _order(test: JobTest) -> tuple[bool, float, str]:
    when = moment(test.started)
    return when is None, 0.0 if when is None else when.timestamp(), test.file


def _latest(job: Job) -> float:
    return max((when.timestamp() for t in job.tests if (when := moment(t.started)) is not None), default=-math.inf)


@dataclass
class _Gathered:
    """The tests of a folder by the key of their job, each with the job as it is written, and what is in none of them,
    as of ``Jobs``. ``add`` each file, then ``settle``."""

    by_job: dict[str, list[tuple[str, JobTest]]] = field(default_factory=dict)
    without: int = 0
    unreadable: list[str] = field(default_factory=list)
    copies: list[str] = field(default_factory=list)
    of_any: list[str] = field(default_factory=list)
    same: list[str] = field(default_factory=list)
    _known: set[bytes] = field(default_factory=set)  # hashes of what was seen
    # by id: file, whether whole, key and test
    _by_id: dict[str, tuple[str, bool, str, tuple[str, JobTest] | None]] = field(default_factory=dict)
    _lost: list[tuple[Path, str, bytes, Legible]] = field(default_factory=list)  # why, hash, what is legible

    def add(self, path: Path) -> None:
        data = b""
        try:
            data = read_bytes(path)
            found = parse(data, str(path), rows=False)
        except RecorderError as err:
            self._lost.append((path, str(err), hashlib.sha256(data).digest(), legible(data)))
            return
        digest = hashlib.sha256(data).digest()
        if digest in self._known:
            self.copies.append(str(path))
            return
        self._known.add(digest)
        words = found.header.job.split()
        key, test = job_key(found.header.job), (" ".join(words), _test(found)) if words else None
        if found.header.id is not None:
            whole = found.intact is True
            other = self._by_id.get(found.header.id)
            if other is not None and (other[1] or not whole):
                self.same.append(str(path))
                return
            self._by_id[found.header.id] = (str(path), whole, key, test)
            if other is not None:  # the one that was taken so far was changed or cut
                self.same.append(other[0])
                if other[3] is None:
                    self.without -= 1
                else:
                    self.by_job[other[2]].remove(other[3])
        if test is None:
            self.without += 1
        else:
            self.by_job.setdefault(key, []).append(test)

    def settle(self, places: Mapping[str, int]) -> None:
        """Files that cannot be read, once all others are known; and each list in the order of ``places``."""
        self._lost.sort(key=lambda lost: places[str(lost[0])])
        for path, said, digest, seen in self._lost:
            own = self._by_id.get(seen.text("id") or "")
            if own is not None and own[1]:  # a spreadsheet saved it beside the one that is whole
                self.same.append(str(path))
                continue
            self.unreadable.append(said)
            named = _lost(seen, path)
            if named is None:
                self.of_any.append(str(path))
            elif digest not in self._known:
                self._known.add(digest)
                self.by_job.setdefault(job_key(named[0]), []).append(named)
        for files in (self.copies, self.of_any, self.same):
            files.sort(key=places.__getitem__)


def jobs_table(folder: str | os.PathLike[str]) -> Jobs:
    """The recordings below the folder by the text of their job, whatever its capitals, spaces and way of typing
    accents. Outcomes are the stored ones. FileError where there is no such folder."""
    ledgers = cache(ledger_lines)
    paths = list(find_recordings(folder))
    gathered = _Gathered()
    for path in sorted(paths, key=lambda one: _copied(one, ledgers)):
        gathered.add(path)
    gathered.settle({str(path): n for n, path in enumerate(paths)})
    out, in_other_order, marked_otherwise = [], [], []
    for named in filter(None, gathered.by_job.values()):
        named.sort(key=lambda one: _order(one[1]))
        tests = tuple(test for _, test in named)
        unsure = [kind for kind in ("system", "cap")
                  if other_order([(t.file, t.started) for t in tests if t.test == kind], ledgers)]
        out.append(Job(named[-1][0], tests, job_state(tests, unsure)))
        in_other_order += [named[-1][0]] if unsure else []
        marked_otherwise += [named[-1][0]] if _marking_changed(tests) else []
    out.sort(key=_latest, reverse=True)
    open_ones = {job.job for job in out if job.state != "done"}
    alike = tuple(pair for pair in look_alikes(job.job for job in out) if open_ones.intersection(pair))
    return Jobs(tuple(out), gathered.without, tuple(gathered.unreadable), tuple(gathered.copies),
                tuple(gathered.of_any), tuple(gathered.same), alike, tuple(in_other_order), tuple(marked_otherwise))
