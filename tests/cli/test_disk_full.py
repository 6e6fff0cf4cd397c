"""A disk that takes no more while somebody stands at the pump: the test goes on, and its answer is said."""

from __future__ import annotations

import json
import os
import re
import resource
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from recorder.recording import read
from recorder.rig import SimulatedTester
from tests.cli.test_try_and_record import ENVIRONMENT, record, short_cap

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="limits of a process are POSIX")


def recorded(folder: Path, most_bytes: int, *more: str) -> tuple[subprocess.CompletedProcess[str], bool]:
    """A cap test whose file may have only so many bytes, and whether all of the test was played."""

    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, most_bytes))

    trace = short_cap()
    with SimulatedTester(trace, speed=8.0, start_after_s=20.0) as tester:
        done = subprocess.run(record(tester.url, folder, *more), capture_output=True, text=True, timeout=90,
                              check=False, env={**ENVIRONMENT, "PYTHONDONTWRITEBYTECODE": "1"}, preexec_fn=limit)
        return done, tester.finished


def test_a_test_under_way_goes_on_to_its_answer_and_says_what_is_not_stored(tmp_path: Path) -> None:
    done, played = recorded(tmp_path, 60_000)
    assert done.returncode == 2 and played, done.stderr
    assert done.stdout.startswith("PASS: ")  # of the whole test; it was judged at the byte where the disk was full
    assert "NOTHING MORE IS STORED" in done.stderr
    [file] = tmp_path.glob("*-*.csv")
    recording = read(file)
    assert recording.judgement is None and recording.intact is not True
    [said] = re.findall(r"NOT COMPLETE: (\S+) has (\d+) readings and no seal", done.stdout)
    assert said == (str(file), str(len(recording.rows)))
    [error] = [line for line in done.stderr.splitlines() if "rows were saved" in line]
    assert f"{len(recording.rows)} rows were saved" in error and file.name in error


def test_json_says_that_the_file_is_not_complete(tmp_path: Path) -> None:
    done, _ = recorded(tmp_path, 60_000, "--json")
    judgement = json.loads(done.stdout)
    assert done.returncode == 2
    assert judgement["outcome"] == "pass" and judgement["file_complete"] is False


def test_before_the_first_stroke_it_ends_at_once(tmp_path: Path) -> None:
    """It is sooner begun anew than done in vain."""
    done, played = recorded(tmp_path, 8_000)
    assert done.returncode == 2 and not played
    assert "NOTHING MORE" not in done.stderr and "rows were saved" in done.stderr


def test_a_recording_without_its_line_in_the_ledger_is_complete(tmp_path: Path) -> None:
    (tmp_path / "ledger.csv").mkdir()
    with SimulatedTester(short_cap(), speed=8.0, start_after_s=20.0) as tester:
        done = subprocess.run(record(tester.url, tmp_path), capture_output=True, text=True, timeout=90, check=False,
                              env=ENVIRONMENT)
    [file] = tmp_path.glob("*-*.csv")
    assert read(file).intact is True
    assert f"recorded in {file}" in done.stdout and "NOT COMPLETE" not in done.stdout
    assert done.returncode == 2 and "the ledger cannot be written" in done.stderr


@pytest.mark.parametrize("heard", ["nobody", "full", "closed"])
def test_what_is_said_while_it_runs_may_be_lost_and_the_recording_is_not(tmp_path: Path, heard: str) -> None:
    """Standard error is a pipe whose reader has gone, a disk that takes nothing, or was closed from the beginning."""
    if heard == "full" and not Path("/dev/full").exists():
        pytest.skip("this system has no device that is always full")
    read_end, said = os.pipe()
    os.close(read_end)
    if heard == "full":  # "writes fail with ENOSPC": full(4) of the Linux manual pages
        os.dup2(os.open("/dev/full", os.O_WRONLY), said)
    shut = (lambda: os.close(2)) if heard == "closed" else None
    with SimulatedTester(short_cap(), speed=8.0, start_after_s=20.0) as tester:
        done = subprocess.run(record(tester.url, tmp_path), stdout=subprocess.PIPE, stderr=said, text=True, timeout=90,
                              check=False, env=ENVIRONMENT, preexec_fn=shut)
    os.close(said)
    [file] = tmp_path.glob("*-*.csv")
    recording = read(file)
    assert recording.intact is True and recording.judgement is not None
    assert done.stdout.startswith("PASS: ") and f"recorded in {file}" in done.stdout
    assert done.returncode == 0
