"""A computer whose clock was wrong, and ledgers of two bays put together: what the order of lines still says."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from recorder.audit import audit_files, jobs_table
from recorder.cli import main
from recorder.cli._audit_words import found
from recorder.model import Header, Rows
from recorder.recording import Writer, verify_ledger
from recorder.recording.ledger import LEDGER
from recorder.window.state.opened import load_pair

MARCH = datetime(2026, 3, 2, 9, tzinfo=UTC)
NO_BATTERY = datetime(2020, 1, 1, 0, 3, tzinfo=UTC)  # where a clock begins that has lost its time


def sealed(folder: Path, outcome: str, when: datetime, job: str = "1050 blue van") -> Path:
    """A system test as the recorder seals it; the ledger's line is of that moment too."""
    writer = Writer(folder, Header("system", job=job), when=when)
    writer.add(Rows(np.arange(5.0), np.zeros(5)))
    writer.seal({"judgement-format": 1, "outcome": outcome})
    ledger = folder / LEDGER
    lines = ledger.read_bytes().split(b"\n")
    lines[-2] = when.strftime("%Y-%m-%dT%H:%M:%S.000Z,").encode() + lines[-2].partition(b",")[2]
    ledger.write_bytes(b"\n".join(lines))  # nothing follows yet from that line
    return writer.path


@pytest.mark.parametrize("first, then, state", [
    ("pass", "fail", "not decided"), ("fail", "pass", "not decided"), ("pass", "pass", "done"),
])
def test_a_test_that_only_its_clock_puts_first_decides_nothing(tmp_path: Path, first: str, then: str,
                                                               state: str) -> None:
    """A car that passed, and failed later under a clock that was wrong, was "done"."""
    sealed(tmp_path, first, MARCH)
    sealed(tmp_path, then, NO_BATTERY)
    sealed(tmp_path, "pass", MARCH, "1051 red van")
    table = jobs_table(tmp_path)
    assert {job.job: job.state for job in table.jobs} == {"1050 blue van": state, "1051 red van": "done"}
    assert table.other_order == ("1050 blue van",)
    said = CliRunner().invoke(main, ["jobs", str(tmp_path)])
    assert '"1050 blue van": the ledger has its tests in another order than their times' in said.stdout
    last = CliRunner().invoke(main, ["jobs", str(tmp_path), "--json"]).stdout.splitlines()[-1]
    assert json.loads(last)["other_order"] == ["1050 blue van"]


@pytest.mark.parametrize("back_s, told", [(0.0, False), (80000.0, False), (90000.0, True)])
def test_clocks_of_two_recorders_may_be_a_little_apart(tmp_path: Path, back_s: float, told: bool) -> None:
    """Common practice, no source: an hour of summer time, a test stored again at the end of the day."""
    sealed(tmp_path, "fail", MARCH)
    sealed(tmp_path, "pass", MARCH - timedelta(seconds=back_s))
    assert bool(jobs_table(tmp_path).other_order) is told
    check = verify_ledger(tmp_path)
    assert check is not None and check.good and check.set_back == ((3,) if told else ())
    audited = CliRunner().invoke(main, ["audit", str(tmp_path), "--no-cache"])
    assert ("so a clock was wrong, or lines were put in, on: line 3" in audited.stdout) is told


def test_two_ledgers_put_together_by_hand_are_named_as_that(tmp_path: Path) -> None:
    """"A line was changed" was all that was said, and the second one's first line counted as a recording."""
    bays = [tmp_path / "bay 1", tmp_path / "bay 2"]
    sealed(bays[0], "fail", MARCH + timedelta(days=3), "one car")
    sealed(bays[1], "pass", MARCH, "one car")
    together = tmp_path / "together"
    together.mkdir()
    for bay in bays:
        for path in bay.glob("2*.csv"):
            path.rename(together / path.name)
        with (together / LEDGER).open("ab") as out:
            out.write((bay / LEDGER).read_bytes())
    check = verify_ledger(together)
    assert check is not None and not check.good
    assert check.form == ("the first line of a ledger stands again on line 3: another ledger was put below it",)
    assert (check.lines, check.broken, check.missing, check.added) == (2, (4,), (), ())
    assert check.set_back == () and jobs_table(together).other_order == ()


def made(folder: Path, *whens: datetime, job: str = "1050 blue van") -> list[str]:
    """Failed, mended, and passed, under these clocks."""
    return [str(sealed(folder, outcome, when, job)) for outcome, when in zip(("fail", "pass"), whens, strict=True)]


def run(*args: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in args])


def test_a_sheet_does_not_say_which_came_first_where_only_a_wrong_clock_does(tmp_path: Path) -> None:
    """What was mended stood as "tested again", the retest as "first test"."""
    out = tmp_path / "x.html"
    right, wrong = made(tmp_path / "a", MARCH, MARCH + timedelta(days=2)), made(tmp_path / "b", MARCH, NO_BATTERY)
    done = run("sheet", *right, "-o", out)
    assert done.exit_code == 0 and "order" not in done.stderr and "tested again" in out.read_text("utf-8")
    done = run("sheet", *wrong, "-o", out, "--force")
    assert done.exit_code == 0 and "tested again" not in out.read_text("utf-8")
    assert 'the ledger has the tests of "1050 blue van" in another order than their times' in done.stderr


def test_tests_without_a_job_are_of_one_car_for_all_that_is_known_but_not_tested_again(tmp_path: Path) -> None:
    out = tmp_path / "x.html"
    assert run("sheet", *made(tmp_path, MARCH, MARCH + timedelta(days=2), job=""), "-o", out).exit_code == 0
    assert "tested again" not in out.read_text("utf-8") and "first test" not in out.read_text("utf-8")


def test_before_and_after_by_the_ledger_are_drawn_and_doubted(tmp_path: Path) -> None:
    """By its time alone the first one was refused as the later one."""
    out = tmp_path / "x.svg"
    first, again = made(tmp_path, MARCH, NO_BATTERY)
    for before, after in ((first, again), (again, first)):
        done = run("picture", after, "--before", before, "-o", out, "--force")
        assert done.exit_code == 0 and len(done.stderr.splitlines()) == 1
        assert "in another order than their times: a clock was wrong" in done.stderr
        assert load_pair(after, before)[2].endswith("in another order than their times: a clock was wrong")
    assert load_pair(*made(tmp_path / "right", MARCH, MARCH + timedelta(days=2)))[2] == ""


def test_a_recording_of_a_day_to_come_is_named(tmp_path: Path) -> None:
    now = datetime.now(UTC)
    soon, ahead = (sealed(tmp_path, "pass", now + timedelta(days=days)).name for days in (0.9, 1.1))
    said = run("audit", tmp_path, "--no-cache").stdout
    assert f"to look after: begun at a time that is still to come: {ahead}" in said and f"come: {soon}" not in said
    begun = {Path(row.file).name: found(row) for row in audit_files(tmp_path.glob("2*.csv"))}
    assert "its clock was wrong, or this computer's is" in begun[ahead] and "clock" not in begun[soon]
