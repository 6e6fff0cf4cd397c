"""What is typed at ``recorder calibrate --port``, or is not: no slip at the keyboard costs the pairs before it."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from recorder.cli import _pairs
from recorder.wire import encode_line
from tests.cli.board import board

ROOT = Path(__file__).parents[2]


def speaks(n: int) -> bytes:
    """100 samples a second, and who it is each second."""
    said = encode_line("A,1,hose-7,1.0,1023,100") if n % 100 == 0 else b""
    return said + encode_line(f"S,{n % 65536},{n * 10_000},{300 + n % 2},,")


def calibrate(typed: bytes) -> subprocess.CompletedProcess[bytes]:
    """In a terminal of UTF-8, which takes no other letters."""
    with board(speaks) as url:
        return subprocess.run(
            [sys.executable, "-m", "recorder", "calibrate", "--port", url, "--seconds", "0.5"], input=typed, cwd=ROOT,
            env={**os.environ, "PYTHONIOENCODING": "utf-8:strict"}, capture_output=True, timeout=60, check=False,
        )


def test_a_letter_of_another_encoding_is_typed_again() -> None:
    done = calibrate(b"0\n40\xe9\n40\n\n")
    said = done.stderr.decode()
    assert r"'\xe9' is not a unit" in said and said.count("type it again") == 1
    assert [line.partition(",")[0] for line in said.partition("The pairs that were taken")[2].splitlines()[1:3]] == \
        ["0", "40"]
    assert done.returncode == 2 and "2 different pressures are too few" in said


def test_a_fault_of_the_program_leaves_what_was_taken(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from recorder.calibration import Pair

    def broken(out: _pairs.Taken, *_: object) -> None:
        out.pairs.append(Pair(103.4, 0.5, "up"))
        raise ZeroDivisionError

    monkeypatch.setattr(_pairs, "_take", broken)
    with pytest.raises(ZeroDivisionError):
        _pairs.live_pairs("given:", 115200, 0.5, "kPa", None, None)
    assert "103.4,0.5,up" in capsys.readouterr().err


@pytest.mark.skipif(sys.platform == "win32", reason="a shell of POSIX closes it")
@pytest.mark.parametrize("given", ["-", "--port /dev/nowhere"])
def test_without_a_keyboard_that_is_said(given: str) -> None:
    done = subprocess.run(["sh", "-c", f"exec {sys.executable} -m recorder calibrate {given} <&-"], cwd=ROOT,
                          capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 2
    assert "standard input is closed" in done.stderr and done.stderr.count("\n") == 1, done.stderr
