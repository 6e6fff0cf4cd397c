"""What the terminal says can be typed as it stands, and small numbers are none of nothing."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

import recorder.cli.adapter as adapter_command
from recorder.adapter import check_adapter
from recorder.cli import main, try_
from tests.test_adapter import CAL, OK, vented

ROOT = Path(__file__).parents[2]


def program(path: Path) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("#!/bin/sh\n", encoding="utf-8")
    path.chmod(0o755)
    return path


def test_a_program_that_is_not_on_the_path_is_named_as_it_was_called(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """README.md calls ``v/bin/recorder``; the last line of ``try`` said ``recorder``, which no shell found."""
    own = program(tmp_path / "my v" / "bin" / "recorder")
    monkeypatch.setattr(sys, "argv", [str(own), "try"])
    monkeypatch.setenv("PATH", str(tmp_path / "nothing"))
    assert try_._called() == f"'{own}'"
    monkeypatch.setenv("PATH", str(own.parent))
    assert try_._called() == "recorder"
    other = program(tmp_path / "other" / "recorder")
    monkeypatch.setenv("PATH", str(other.parent))
    assert try_._called() == f"'{own}'"
    monkeypatch.setattr(sys, "argv", ["-m", "try"])
    assert try_._called() == "recorder"


def test_the_last_line_of_try_is_a_command(tmp_path: Path) -> None:
    folder = tmp_path / "our tests"
    done = subprocess.run([sys.executable, "-m", "recorder", "try", "--fast", "--folder", str(folder)],
                          capture_output=True, text=True, timeout=300, check=True,
                          env={**os.environ, "PYTHONPATH": str(ROOT)})
    command = done.stdout.splitlines()[-1].partition("again with: ")[2]
    assert command == f"recorder judge '{folder}'/*.csv"


def test_one_count_of_24_bits_is_not_nothing() -> None:
    """``0.000 kPa`` stood there. A 207 kPa sensor over 0.8 of 16777215 counts, and of 1023."""
    samples, announced = vented()
    report = check_adapter(samples, OK, announced, CAL)
    for counts, wanted in ((16777215, "0.000015 kPa"), (1023, "0.25 kPa")):
        seen = adapter_command._Seen(30.0, "", b"", "", "")
        said = adapter_command._lines(replace(report, resolution_kpa=207.0 / 0.8 / counts), seen)
        assert f"  one count           {wanted}" in said


def test_one_degree_of_freedom_is_one() -> None:
    pairs = "0,0.1000\n60,0.3322\n120,0.5641\n"
    said = CliRunner().invoke(main, ["calibrate", "-"], input=pairs).output
    assert ", 1 degree of freedom\n" in said
