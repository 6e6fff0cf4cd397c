"""The group: one line for every error, exit codes, lazy loading."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from recorder.cli import COMMANDS, main
from recorder.cli import _group as group

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["jugde"], ["No such command 'jugde'", "--help"]),
        (["judge"], ["Missing argument", "judge --help"]),
        (["judge", "--unit", "furlong", "x.csv"], ["--unit: 'furlong'", "kPa"]),
        (["judge", "no-such-file.csv"], ["no-such-file.csv"]),
        (["record", "--port", "x"], ["--test"]),
        (["record", "--port", "x", "--test", "cap"], ["--marked", "read the stamp"]),
        (["record", "--port", "x", "--test", "cap", "--marked", "1.1"], ["1.1 bar", "1.1 kgf/cm2"]),
        (["record", "--port", "x", "--test", "cap", "--marked", "8.9 kPa"], ["8.9 psi"]),
        (["record", "--port", "x", "--test", "cap", "--marked", "16 psi", "--limit", "hodl=3"], ["hodl", "hold"]),
        (["record", "--port", "x", "--test", "cap", "--marked", "16 psi", "--limit", "hold"], ["hold=60s"]),
        (["record", "--port", "x", "--test", "cap", "--marked", "16 psi", "--hold", "3 psi"], ["hold", "s"]),
        (["record", "--port", "x", "--test", "cap", "--marked", "16 psi", "--full-scale", "0"], ["--full-scale"]),
        (["record", "--port", "x", "--test", "tester", "--reconnect", "soon"], ["--reconnect: 'soon'", "60 s"]),
        (["record", "--port", "x", "--test", "tester", "--altitude", "high"], ["--altitude: 'high'"]),
        (["record", "--port", "x", "--test", "tester", "--air-pressure", "1013"], ["1013 kPa", "1013 hPa"]),
        (["calibrate", "-", "--full-scale", "3 s"], ["--full-scale: 's'", "207 kPa"]),
        (["record", "--port", "x", "--test", "cap", "--marked", "16 psi", "--bare", "cows"], ["--bare: 'cows'"]),
        (["record", "--port", "x", "--test", "cap", "--marked", "16 psi", "--calibration", "no.json"], ["no.json"]),
        (["record", "--port", "/dev/no-such-port", "--test", "cap", "--marked", "16 psi",
          "--full-scale", "30 psi"], ["/dev/no-such-port"]),
        (["record", "--port", "x", "--test", "cap", "--settings", "none.toml"], ["none.toml"]),
        (["record", "--baud", "fast"], ["--baud", "'fast' is no whole number"]),
        (["conform", "--seconds", "long"], ["--seconds", "'long' is no number"]),
        ([], ["display", "recorder record"]),
    ],
)
def test_wrong_use_is_one_line_and_exit_2(
    arguments: list[str], words: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("DISPLAY", "WAYLAND_DISPLAY", "QT_QPA_PLATFORM"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.chdir(tmp_path)
    done = CliRunner().invoke(main, arguments)
    assert done.exit_code == 2
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1, done.stderr
    for word in words:
        assert word in done.stderr


def test_the_program_as_started_by_a_user(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "recorder", "judge", "no-such-file.csv"], cwd=tmp_path, capture_output=True,
        text=True, timeout=60, check=False, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert len(done.stderr.splitlines()) == 1 and "no-such-file.csv" in done.stderr


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="DISPLAY is X's")
def test_a_display_that_does_not_answer_is_one_line_and_exit_2(tmp_path: Path) -> None:
    """Qt says it in several lines, and aborts."""
    env = {k: v for k, v in os.environ.items() if k not in ("WAYLAND_DISPLAY", "QT_QPA_PLATFORM")}
    done = subprocess.run(
        [sys.executable, "-m", "recorder"], cwd=tmp_path, capture_output=True, text=True, timeout=60, check=False,
        env={**env, "DISPLAY": ":7777", "PYTHONPATH": str(ROOT)},
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert len(done.stderr.splitlines()) == 1 and "window cannot be opened" in done.stderr


def test_help_lists_every_command_without_loading_it() -> None:
    result = CliRunner().invoke(main, ["--help"])
    assert result.exit_code == 0
    for name, (_, text) in COMMANDS.items():
        assert name in result.output and text in result.output


def test_a_command_whose_module_is_broken_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(group.COMMANDS, "audit", ("recorder.cli.is_not_there", "x"))
    result = CliRunner().invoke(main, ["audit", "."])
    assert result.exit_code == 2
    assert result.stderr.startswith("recorder audit: this command cannot be loaded")
    assert len(result.stderr.splitlines()) == 1


def test_a_fault_of_the_program_is_one_line_too(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def broken(name: str) -> None:
        raise ZeroDivisionError("never\nseen")

    monkeypatch.setattr("recorder.recording.read", broken)
    result = CliRunner().invoke(main, ["judge", str(tmp_path)])
    assert result.exit_code == 2
    assert "ZeroDivisionError: never seen" in result.stderr and "RECORDER_DEBUG" in result.stderr
    assert len(result.stderr.splitlines()) == 1


@pytest.mark.skipif(os.name == "nt", reason="pipes and /dev/full of POSIX")
@pytest.mark.parametrize("words", [["audit", str(ROOT / "recordings"), "--json", "--no-cache"], ["--help"],
                                   ["--version"]], ids=lambda words: words[0])
def test_an_output_that_goes_away_is_no_answer(words: list[str]) -> None:
    """Neither 0 (nothing differs) nor 1 (something differs): the shell's code of a program that SIGPIPE ended."""
    reading, writing = os.pipe()
    os.close(reading)
    command = [sys.executable, "-m", "recorder", *words]
    try:
        done = subprocess.run(command, cwd=ROOT, stdout=writing, stderr=subprocess.PIPE, timeout=120)
    finally:
        os.close(writing)
    assert (done.returncode, done.stderr) == (128 + signal.SIGPIPE, b"")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="/dev/full of Linux")
@pytest.mark.parametrize("words", [f"audit {ROOT / 'recordings'} --no-cache", "--help"], ids=["audit", "--help"])
def test_an_output_that_is_full_or_closed_gives_one_line(words: str) -> None:
    command = f"{sys.executable} -m recorder {words}"
    full = subprocess.run(f"{command} > /dev/full", shell=True, cwd=ROOT, capture_output=True, text=True, timeout=120)
    assert full.returncode == 2 and full.stderr.count("\n") == 1
    assert "the output cannot be written (No space left on device)" in full.stderr
    closed = subprocess.run(f"{command} >&-", shell=True, cwd=ROOT, capture_output=True, text=True, timeout=120)
    assert (closed.returncode, closed.stderr) == (0, "")
