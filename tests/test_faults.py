"""Short forms of the fault scripts in tests/benchmarks; docs/promises.md has the long ones."""

from __future__ import annotations

import random
import signal
from pathlib import Path

import pytest

from recorder.session import keeper
from tests.benchmarks import (
    faults_bytes,
    faults_disk,
    faults_holds,
    faults_hostile,
    faults_kill,
    faults_plug,
    faults_soak,
    faults_traces,
)
from tests.benchmarks.faults_common import shim, start_warm
from tests.benchmarks.hostile_files import cases

NEEDS_COMPILER = pytest.mark.skipif(shim() is None, reason="there is no C compiler")


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_killed(how: signal.Signals, tmp_path: Path) -> None:
    got = faults_kill.kill_once(how, 11.0 + how / 10, 0.3, tmp_path, start_warm)
    # How much is missing depends on how busy this machine is: the script measures it.
    assert not got.wrong or "are missing" in got.wrong, got
    assert got.rows > 1000 and got.outcome


def test_stopped_terminal(tmp_path: Path) -> None:
    assert faults_kill.stopped_terminal(tmp_path, 1.5) == ""


@NEEDS_COMPILER
def test_disk_full_at_a_byte(tmp_path: Path) -> None:
    assert faults_disk.full_at(40_003, tmp_path) == ""


@NEEDS_COMPILER
def test_failing_write(tmp_path: Path) -> None:
    assert faults_disk.failing_write(60_011, tmp_path) == ""


@NEEDS_COMPILER
def test_failing_sync_of_the_seal(tmp_path: Path) -> None:
    assert faults_disk.failing_sync(2, tmp_path) == ""


def test_file_system_full(tmp_path: Path) -> None:
    if faults_disk.can_mount():
        assert faults_disk.mounted(9, tmp_path) == ""
    else:  # this user may not mount: the limit on the size of files does nearly the same
        assert faults_disk.limited(36_864, tmp_path) == ""


@NEEDS_COMPILER
def test_clock_stepped(tmp_path: Path) -> None:
    assert faults_disk.clock_stepped(tmp_path, speed=50.0) == ""


def test_plug_pulled(tmp_path: Path) -> None:
    got = faults_plug.pull_once("cap-passes", 40.0, 0.4, tmp_path, 20.0, begin=start_warm)
    assert not got.wrong, got
    assert got.flags >= 1 and got.outcome == "pass"


def test_port_held(tmp_path: Path) -> None:
    assert faults_plug.held_exclusively(tmp_path) == ""


def test_hostile_files(tmp_path: Path) -> None:
    (tmp_path / "files").mkdir()
    refused = [case for case in cases() if case.usable is False]
    _, wrong, answer = faults_hostile.all_at_once(refused, tmp_path, as_json=True)
    assert wrong == "", answer.said


def test_traces_that_no_test_gives_are_judged(tmp_path: Path) -> None:
    (tmp_path / "files").mkdir()
    names = ("far-apart", "pairs-far-apart", "dense-then-far", "far-then-dense", "stairs", "all-the-same", "empty")
    some = [case for case in cases() if case.name in names]
    assert len(some) == len(names)
    _, wrong, answer = faults_hostile.all_at_once(some, tmp_path)
    assert wrong == "", answer.said


def test_any_trace_is_answered() -> None:
    """In the 87th strokes bring nothing; those from 50197 on have a reading every few seconds; all that the
    60527th holds, and the 90330th reaches, is below zero; the 1656th rises by 10^8 of its standard deviations; in the
    150th no rise raises the pressure, and the 1146th would push a valve by 10^-308."""
    for first, many in ((80, 60), (1_656, 1), (50_197, 5), (60_527, 1), (90_330, 1), (150, 1), (1_146, 1)):
        seen = faults_traces.run(many, first)
        assert seen.traces == many and seen.wrong == {}


def test_holds_that_no_test_gives() -> None:
    """Of the few readings of the 34th and the 126th most stand in the first tenth of a second."""
    assert [faults_holds.run(many, first) for first, many in ((20, 20), (126, 1))] == [{}, {}]


@pytest.mark.parametrize(("name", "command"), [("formula-5", "export sheet"), ("html-job", "sheet")])
def test_hostile_file(name: str, command: str, tmp_path: Path) -> None:
    case = next(case for case in cases() if case.name == name)
    wrong, answer = faults_hostile.one_file(case, command, tmp_path)
    assert wrong == "", answer


def test_cut_and_changed(tmp_path: Path) -> None:
    """tests/recording has every byte; here every 43rd of a longer file, judged too."""
    data = faults_bytes.sealed(tmp_path, 60, 100)
    assert faults_bytes.cuts(data, step=43) == []
    n, wrong = faults_bytes.changes(data, random.Random(1), step=43)
    assert n > 300 and wrong == []


def test_minutes_of_samples_in_more_than_one_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(keeper, "MOST_ROWS", 6_000)
    got = faults_soak.run(0.02, 200, tmp_path)
    assert got.wrong == "", got
    assert len(got.rows) >= 2
