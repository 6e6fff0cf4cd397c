"""A simulated test, measured by real firmware on a simulated board, recorded and judged.

True pressure (the rig's physics) -> volts of a ratiometric transducer -> converter and firmware ->
pseudo-terminal -> pyserial -> the command ``recorder record`` -> judgement.
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from recorder import rig
from recorder.recording import read
from tests.firmware.firmware_board import HERE, Build, Start

FULL_SCALE_KPA = 206.84  # 30 psi


def volts(scene: rig.Scene) -> list[tuple[float, float, float]]:
    """The waveform: 10 to 90 % of 5 V over the full scale, supply 5 V."""
    trace = rig.simulate(scene)
    return [
        (float(t), 5.0 * (0.1 + 0.8 * float(p) / FULL_SCALE_KPA), 5.0)
        for t, p in zip(trace.time_s, trace.pressure_kpa, strict=True)
    ]


def wait_until_open(process: subprocess.Popen[str], url: str) -> None:
    """Until ``process`` holds the port, so that it sees the board from its boot on."""
    fds = Path(f"/proc/{process.pid}/fd")

    def holds(fd: Path) -> bool:
        try:
            return str(fd.readlink()) == url
        except OSError:
            return False  # closed since it was listed

    for _ in range(400):
        if process.poll() is not None or any(holds(fd) for fd in fds.iterdir()):
            break
        time.sleep(0.05)
    time.sleep(0.5)  # opening a port ends with throwing away what was in it


def record(
    demo: rig.DemoTest, url: str, hold_s: int, folder: Path, *more: str
) -> subprocess.Popen[str]:
    """``recorder record`` on the board's port."""
    assert demo.marked
    return subprocess.Popen(
        [
            *(sys.executable, "-m", "recorder", "record", "--port", url, "--json", "--mute"),
            *("--test", demo.test, "--marked", f"{demo.marked.value:g} {demo.marked.unit}"),
            *("--hold", f"{hold_s} s", "--full-scale", f"{FULL_SCALE_KPA} kPa"),
            *("--folder", str(folder), *more),
        ],
        cwd=HERE.parent.parent,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


@pytest.mark.timeout(240)
@pytest.mark.parametrize(
    ("name", "which", "hold_s", "outcome", "code"),
    [
        ("cap-passes", "c", 12, "pass", "opens-in-band"),
        ("cap-opens-low", "sketch", 12, "fail", "opens-low"),
        ("system-seeps", "c", 60, "fail", "fall-too-fast"),
    ],
)
def test_firmware_to_judgement(
    name: str,
    which: str,
    hold_s: int,
    outcome: str,
    code: str,
    build: Build,
    start: Start,
    tmp_path: Path,
) -> None:
    demo = next(d for d in rig.demo() if d.name == name)
    points = volts(replace(demo.scene, hold_s=hold_s + 3.0))  # shorter than the demo's: time
    board = start(build(which), points, points[-1][0] + 0.5, noise_mv=2.4, seed=3)
    recorder = record(demo, board.url, hold_s, tmp_path / "out")
    wait_until_open(recorder, board.url)
    board.go()
    out, err = recorder.communicate(timeout=200)
    assert recorder.returncode == 0, err
    judgement = json.loads(out.strip().splitlines()[-1])
    assert judgement["outcome"] == outcome, judgement["reasons"]
    assert code in {r["code"] for r in judgement["reasons"]}
    if demo.test == "cap":
        truth = rig.simulate(demo.scene).truth
        opening = judgement["opening"]
        # two standard uncertainties, and the nominal calibration's 12-bit step with its rounding down
        margin_kpa = 2 * opening["standard_uncertainty"] + 0.3
        assert abs(opening["value"] - truth.opening_kpa) < margin_kpa


@pytest.mark.timeout(240)
def test_a_recorder_that_stood_still_during_the_hold(
    build: Build, start: Start, tmp_path: Path
) -> None:
    """The process is stopped for 20 s of the board's time: what the port's buffer cannot keep is
    lost for good. The hole is flagged and counted, the rest is judged, and the leak is still found."""
    demo = next(d for d in rig.demo() if d.name == "system-seeps")
    # little air and a large leak: few strokes and a short hold are enough
    scene = replace(demo.scene, hold_s=50.0, volume_ml=150.0, leaks=(rig.Leak(15.0, 120.0),))
    points = volts(scene)
    more = {"noise_mv": 2.4, "pace": 12, "drop": 1, "lines": tmp_path / "lines.txt"}
    board = start(build("c"), points, points[-1][0] + 0.5, **more)
    recorder = record(demo, board.url, 46, tmp_path, "--limit", "shortest_hold=20 s")
    wait_until_open(recorder, board.url)
    board.go()
    stop_s = rig.simulate(scene).truth.hold_start_s + 15.0
    board.wait_until(stop_s)
    recorder.send_signal(signal.SIGSTOP)
    board.wait_until(stop_s + 20.0)
    recorder.send_signal(signal.SIGCONT)
    out, err = recorder.communicate(timeout=100)
    assert recorder.returncode == 0, err
    board.wait()
    assert board.dropped_bytes > 3000
    judgement = json.loads(out)
    assert judgement["outcome"] == "fail", judgement["reasons"]
    assert "fall-too-fast" in {r["code"] for r in judgement["reasons"]}
    assert "gaps" in {n["code"] for n in judgement["notes"]}
    [file] = tmp_path.glob("*-*.csv")
    recording = read(file, strict=True)
    rows = recording.rows
    assert rows.seq is not None and rows.flag is not None
    steps = np.diff(rows.seq) % 65536
    assert [i + 1 for i in np.flatnonzero(steps != 1)] == [
        i for i, flag in enumerate(rows.flag) if flag == "gap"
    ]
    ended = recording.header.other["ended"]
    assert ended["lost_samples"] == int(np.sum(steps - 1)) > 100
    # the file's clock goes on over the hole, as the board's own clock did
    assert rows.time_s[-1] == pytest.approx(0.01 * float(np.sum(steps)), abs=0.001)
