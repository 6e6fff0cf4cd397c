"""``recorder record`` in real time on what a program of another make sends, against ``judge`` on the file."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from recorder.cli import main
from recorder.recording import read

ROOT = Path(__file__).parents[2]
FEEDER = ROOT / "tests" / "independent_feeder.py"


def recorded(*args: str) -> dict[str, object]:
    done = subprocess.run([sys.executable, "-m", "recorder", "record", *args], cwd=ROOT, capture_output=True, text=True,
                          timeout=100, check=False)
    assert done.returncode == 0, done.stderr
    judgement: dict[str, object] = json.loads(done.stdout)
    return judgement


def test_the_feeder_is_of_another_make() -> None:
    assert not [line for line in FEEDER.read_text("utf-8").splitlines() if "import" in line and "recorder" in line]


def test_live_in_real_time_and_judged_from_the_file(tmp_path: Path) -> None:
    feeder = subprocess.Popen([sys.executable, str(FEEDER)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert feeder.stdout and feeder.stdin
    url = feeder.stdout.readline().strip()
    try:
        live = recorded("--port", url, "--test", "cap", "--marked", "16 psi", "--full-scale", "207 kPa",
                        "--hold", "10 s", "--folder", str(tmp_path), "--json")
    finally:
        feeder.stdin.close()
        feeder.wait(10)
        feeder.stdout.close()
    judged = CliRunner().invoke(main, ["judge", "--json", str(live["file"])])  # not the process that recorded
    assert judged.exit_code == 0, judged.output
    again = json.loads(judged.stdout)
    assert (again.pop("intact"), again.pop("simulated")) == (True, False)
    assert {k: v for k, v in again.items() if v != live.get(k)} == {} and again == live
    assert live["outcome"] == "pass", live["reasons"]
    assert isinstance(live["peak"], dict) and 108.0 < live["peak"]["value"] < 118.0
    recording = read(str(live["file"]), strict=True)
    assert recording.intact and recording.judgement is not None
    rows = recording.rows
    assert rows.seq is not None and rows.host_s is not None
    # it was real time: the host's clock and the adapter's ran side by side
    assert rows.host_s[-1] - rows.host_s[0] == pytest.approx(rows.time_s[-1], abs=0.5)
    assert list(rows.seq[:2]) == [65000, 65001]
