"""``recorder jobs`` on an invented workshop's month: simulated tests, really judged, in real files."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from recorder.analysis import judge
from recorder.audit import jobs_table
from recorder.audit.jobs import JobTest, job_state
from recorder.cli import main
from recorder.limits import resolve
from recorder.model import Header, Mark, Rows
from recorder.recording import Writer, read
from recorder.rig import demo, simulate

Add = Callable[..., Path]


@pytest.fixture(scope="module")
def traces() -> dict[str, tuple[Header, Rows]]:
    out = {}
    for part in demo():
        trace = simulate(part.scene)
        kept = ~trace.lost
        rows = Rows(trace.adapter_time_s[kept], trace.reading_kpa[kept])
        procedure = resolve(part.test, {}).to_json()
        out[part.name] = (Header(part.test, marked=part.marked, calibration=trace.calibration,
                                 procedure=procedure), rows)
    header, rows = out["system-repaired"]
    early = int(np.searchsorted(rows.time_s, 60.0))  # half a minute into a hold of two
    out["stopped-early"] = header, Rows(rows.time_s[:early], rows.pressure_kpa[:early])
    return out


@pytest.fixture
def add(tmp_path: Path, traces: dict[str, tuple[Header, Rows]]) -> Add:
    """Adds one test to the workshop's folder."""
    count = 0
    judged: dict[str, object] = {}

    def one(name: str, job: str, *, repair: str = "", seen: str = "") -> Path:
        nonlocal count
        header, rows = traces[name]
        other = {"repair": repair} if repair else {}
        own = Header(header.test, marked=header.marked, job=job, calibration=header.calibration,
                     procedure=header.procedure, other=other)
        when = datetime(2026, 3, 2, 8, tzinfo=UTC) + timedelta(hours=count)
        count += 1
        writer = Writer(tmp_path, own, when=when, id4=f"{count:04x}")
        writer.add(rows)
        if seen:
            writer.mark(Mark(50.0, seen))
        if name not in judged:
            writer.flush(now=True)
            judged[name] = judge(read(writer.path)).to_json()
        writer.seal(judged[name])  # type: ignore[arg-type]
        return writer.path

    return one


def test_a_month_in_the_workshop(tmp_path: Path, add: Add) -> None:
    add("system-seeps", "1041 grey hatchback", seen="drip at the coolant pump")
    add("system-seeps", "1042 blue van", seen="wet at the lower hose")
    add("cap-opens-low", "1043 red estate")
    add("system-seeps", "1044 white pickup")
    add("stopped-early", "1045 old tractor")
    add("system-repaired", "1041 Grey  Hatchback ", repair="coolant pump renewed")
    add("system-seeps", "1042 blue van", repair="lower hose clamp renewed", seen="heater hose wet")
    add("cap-passes", "1043 red estate", repair="new cap")
    add("system-repaired", "")
    (tmp_path / "scribble.csv").write_text("a,b\n1,2\n", "utf-8")
    done = CliRunner().invoke(main, ["jobs", str(tmp_path), "--json"])
    assert done.exit_code == 0
    *lines, rest = map(json.loads, done.stdout.splitlines())
    jobs = {job["job"]: job for job in lines}
    assert rest["without_job"] == 1 and len(rest["unreadable"]) == 1 and "scribble.csv" in rest["unreadable"][0]
    assert {name: job["state"] for name, job in jobs.items()} == {
        "1043 red estate": "done", "1042 blue van": "still leaking", "1041 Grey Hatchback": "done",
        "1044 white pickup": "not retested", "1045 old tractor": "not decided",
    }
    first, again = jobs["1042 blue van"]["tests"]
    assert (first["outcome"], first["findings"], first["repair"]) == ("fail", ["wet at the lower hose"], "")
    assert (again["outcome"], again["findings"], again["repair"]) == (
        "fail", ["heater hose wet"], "lower hose clamp renewed")
    assert "scribble.csv" in done.stderr and "without a job, not listed: 1" in done.stderr


def test_the_table_tells_the_story(tmp_path: Path, add: Add) -> None:
    add("system-seeps", "1042 blue van\x1b[31m", seen="wet at the lower hose")
    add("system-repaired", "1042 blue van\x1b[31m", repair="hose renewed")
    said = CliRunner().invoke(main, ["jobs", str(tmp_path)]).stdout
    told = [said.index(w) for w in ("system fail (wet at the lower hose)", "repair: hose renewed", "system pass")]
    assert told == sorted(told)
    assert "jobs: 1 done" in said and "\x1b" not in said


def test_an_altered_file_decides_nothing(tmp_path: Path, add: Add) -> None:
    add("system-seeps", "van")
    path = add("system-repaired", "van")
    path.write_bytes(path.read_bytes().replace(b"0.0", b"0.1", 1))
    assert [t.outcome for t in jobs_table(tmp_path).jobs[0].tests] == ["fail", "altered"]
    assert jobs_table(tmp_path).jobs[0].state == "not decided"


@pytest.mark.parametrize(("outcomes", "state"), [
    ("system pass", "done"), ("system fail", "not retested"), ("system fail,system fail", "still leaking"),
    ("system fail,system pass", "done"), ("cap pass,system fail", "not retested"),
    ("cap fail,cap fail,system pass", "still failing"), ("system undecided", "not decided"),
    ("system fail,system void", "not decided"), ("tester pass", "nothing tested"),
])
def test_job_states(outcomes: str, state: str) -> None:
    tests = [JobTest(f"{i}.csv", f"2026-01-0{i + 1}", *words.split())
             for i, words in enumerate(outcomes.split(","))]
    assert job_state(tests) == state
