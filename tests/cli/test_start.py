"""The start: help is said without the library that lays it out, in the very words of the command group."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from recorder.cli._help import HELP

ROOT = Path(__file__).parents[2]
START = "from recorder.cli import run; run()"
GROUP = "from recorder.cli import main; main(['--help'], prog_name='recorder')"


def said(code: str, *arguments: str, columns: int = 80) -> tuple[str, bool]:
    """What a program prints, and whether it loaded the library."""
    whole = f"import sys\ntry: {code}\nfinally: print('click' in sys.modules, file=sys.stderr)"
    done = subprocess.run(
        [sys.executable, "-c", whole, *arguments], capture_output=True, text=True, timeout=60, check=True,
        env={**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": str(columns)},
    )
    return done.stdout, done.stderr.strip() == "True"


@pytest.mark.parametrize("columns", [80, 200])
def test_the_kept_help_is_what_the_group_says(columns: int) -> None:
    assert said(GROUP, columns=columns) == (HELP, True)


@pytest.mark.parametrize("option", ["--help", "-h"])
def test_help_is_said_without_it(option: str) -> None:
    assert said(START, option) == (HELP, False)


def test_a_narrow_terminal_gets_its_own_lines() -> None:
    assert said(START, "--help", columns=50) == said(GROUP, columns=50) != (HELP, True)


def test_all_else_goes_to_the_group() -> None:
    text, loaded = said(START, "--version")
    assert loaded and text.startswith("recorder, version ")


def test_ctrl_c_while_it_is_still_loading_prints_no_traceback() -> None:
    code = ("import sys\n"
            "class Pressed:\n"
            "    def find_spec(self, name, path=None, target=None):\n"
            "        if name == 'click': raise KeyboardInterrupt\n"
            f"sys.meta_path.insert(0, Pressed())\n{START}")
    done = subprocess.run([sys.executable, "-c", code, "--version"], capture_output=True, text=True, timeout=60,
                          check=False, env={**os.environ, "PYTHONPATH": str(ROOT)})
    assert (done.returncode, done.stdout, done.stderr) == (2, "", "")
