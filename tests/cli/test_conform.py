"""``recorder conform``: exit codes, the offending line, JSON, a live adapter on a pseudo-terminal."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import threading
import time
import tty
from binascii import crc_hqx
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from recorder import rig
from recorder.cli import main
from recorder.cli._question import Question


def conform(*args: str) -> Result:
    return CliRunner().invoke(main, ["conform", *args])


def line(body: str) -> bytes:
    return body.encode() + b"*%04X\n" % crc_hqx(body.encode(), 0)


GOOD = line("A,1,hose-7,1.0,1023,100") + b"".join(
    line(f"S,{n},{n * 10_000},103,,") for n in range(300)
)


def test_a_good_capture_exits_0(tmp_path: Path) -> None:
    (tmp_path / "good.bin").write_bytes(GOOD)
    result = conform(str(tmp_path / "good.bin"))
    assert result.exit_code == 0, result.output
    assert "failed  " not in result.output and "0 failed" in result.output


def test_a_bad_capture_exits_1_and_names_the_line(tmp_path: Path) -> None:
    (tmp_path / "bad.bin").write_bytes(GOOD.replace(b"S,7,", b"S,8,"))
    result = conform(str(tmp_path / "bad.bin"))
    assert result.exit_code == 1
    assert "line 9: check" in result.output and "S,8,70000" in result.output
    result = conform(str(tmp_path / "bad.bin"), "--json")
    found = {r["rule"]: r for r in json.loads(result.output)}
    assert result.exit_code == 1 and found["check"]["line"] == 9


def test_unusable_input_exits_2_with_one_line(tmp_path: Path) -> None:
    (tmp_path / "empty.bin").write_bytes(b"")
    for args in ([], ["nowhere.bin"], [str(tmp_path / "empty.bin")], ["--port", "/dev/nowhere"]):
        result = conform(*args)
        assert result.exit_code == 2, args
        assert result.output.count("\n") == 1, result.output


def test_a_silent_port_is_told_apart_from_a_bad_one() -> None:
    master, slave = os.openpty()
    try:
        url = os.ttyname(slave)
        result = conform("--port", url, "--seconds", "1")
    finally:
        os.close(master)
        os.close(slave)
    assert result.exit_code == 2 and result.stderr.count("\n") == 1
    assert result.stderr.startswith(f"{url}: nothing arrived in 1 s; ") and "power" in result.stderr


def test_a_live_adapter_is_listened_to() -> None:
    """The simulated tester speaks the format; and answers the question."""
    trace = rig.simulate(rig.demo()[0].scene)
    with rig.SimulatedTester(trace, speed=1.0) as tester:
        args = ["--port", tester.url, "--seconds", "4", "--json"]
        result = conform(*args)
    found = {r["rule"]: r["state"] for r in json.loads(result.output)}
    assert found["check"] == found["sequence"] == found["clock"] == "passed"
    assert found["answers"] == "passed"
    assert result.exit_code == 0, found


def test_a_restart_breaks_no_rule_and_is_said(tmp_path: Path) -> None:
    (tmp_path / "twice.bin").write_bytes(GOOD * 3)
    again = conform(str(tmp_path / "twice.bin"))
    assert again.exit_code == 0 and "it started again 2 times: its supply, or its watchdog?" in again.output
    (tmp_path / "once.bin").write_bytes(GOOD)
    assert "started again" not in conform(str(tmp_path / "once.bin")).output


def test_a_board_that_prints_numbers_is_told_what_that_means(tmp_path: Path) -> None:
    (tmp_path / "bare.bin").write_bytes(b"42\r\n" + b"".join(b"%.2f\r\n" % (100 + 0.01 * n) for n in range(200)))
    result = conform(str(tmp_path / "bare.bin"))
    assert result.exit_code == 1
    last = " ".join(result.output.splitlines()[-2:])
    assert "prints plain numbers" in last and "--bare UNIT" in last and "loss and a broken wire cannot be seen" in last
    (tmp_path / "bad.bin").write_bytes(GOOD.replace(b"*", b"+"))
    assert "plain numbers" not in conform(str(tmp_path / "bad.bin")).output


def asked(heard_s: list[float], answered_s: list[float], seconds: float = 12.0) -> tuple[list[float], list[bool]]:
    """When it asks, and the answers, where bytes and announcements come at these times."""
    question, times = Question(seconds), []
    for k in range(int(seconds * 100)):
        now = k / 100
        if any(abs(t - now) < 0.005 for t in heard_s):
            question.heard(now)
        if not question.done and question.due(now, sum(t <= now for t in answered_s)):
            times.append(now)
    return times, question.answers


def test_when_it_asks() -> None:
    even = [k / 20 for k in range(240)]
    assert asked(even, [0.6, 2.3]) == ([0.5, 2.2], [True, True])
    assert asked(even, []) == ([0.5, 2.2], [False, False])
    # silent from 0.6 to 3 s: what was asked at 0.5 s was lost
    assert asked([t for t in even if not 0.6 < t < 3], [3.6, 5.3]) == ([0.5, 3.5, 5.2], [True, True])
    # in bursts every two seconds, as a hub may hand them on; and a line a second
    for pause in (2.0, 1.0):
        assert asked([k * pause for k in range(7)], [])[1] == [False, False]
    assert asked([], [], 4.0) == ([2.0, 3.7], [False])


def test_a_port_that_is_named_as_a_file_is_not_read_for_ever() -> None:
    master, slave = os.openpty()
    try:
        done = subprocess.run([sys.executable, "-m", "recorder", "conform", os.ttyname(slave)], capture_output=True,
                              text=True, timeout=60, check=False)
    finally:
        os.close(master)
        os.close(slave)
    assert done.returncode == 2 and done.stdout == ""
    [said] = done.stderr.splitlines()
    assert "this is a device or pipe" in said and "listen to an adapter with --port /dev/" in said


@pytest.mark.parametrize(("boots_s", "answers", "state"), [(2.2, True, "passed"), (2.2, False, "failed")])
def test_a_board_that_restarts_when_its_port_is_opened_is_asked_when_it_listens(
    boots_s: float, answers: bool, state: str
) -> None:
    """The reset of many boards is wired to DTR, and their bootloader swallows what is sent meanwhile. A few samples
    from before it are still in the port."""
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    announcement, stop = line("A,1,hose-7,1.0,4092,100"), threading.Event()

    def play() -> None:
        for n in range(3):
            os.write(master, line(f"S,{n},{n * 10_000},409,4092,"))
        stop.wait(boots_s)
        with contextlib.suppress(BlockingIOError):
            os.read(master, 1000)  # the bootloader's
        os.write(master, announcement)
        begin, n = time.monotonic(), 0
        while not stop.wait(max(0.0, begin + n / 100 - time.monotonic())):
            with contextlib.suppress(BlockingIOError):
                os.write(master, line(f"S,{n},{n * 10_000},409,4092,"))
                if b"?\n" in os.read(master, 1000) and answers:
                    os.write(master, announcement)
            n += 1

    thread = threading.Thread(target=play, daemon=True)
    thread.start()
    try:
        done = conform("--port", os.ttyname(slave), "--seconds", "7", "--json")
    finally:
        stop.set()
        thread.join()
        os.close(master)
        os.close(slave)
    found = {r["rule"]: r["state"] for r in json.loads(done.stdout)}
    assert found["answers"] == state, done.stdout
