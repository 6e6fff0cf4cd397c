"""What the rest of the program words for the command line has the window's own terms in the window."""

from __future__ import annotations

import ast
import re
from datetime import date
from pathlib import Path

import pytest

import recorder
from recorder.calibration import from_file_text
from recorder.errors import RecorderError
from recorder.window.state.gauge import Gauge, gauge_words
from recorder.window.state.words import in_window
from recorder.wire.likeness import looks_like

ROOT = Path(recorder.__file__).parent
# The modules whose texts the window shows.
SHOWN = ("session/*.py", "wire/likeness.py", "wire/bulk.py", "port/*.py", "calibration*.py", "adapter*.py",
         "report/*.py", "recording/writer.py", "analysis/*.py", "window/state/records.py", "picture/draw.py")
# An option, or a command that is not said to be one of the terminal.
OF_THE_COMMAND_LINE = re.compile(r"(?<!\w)--[a-z]|recorder (adapter|calibrate|record|judge|audit)\b")


def texts(path: Path) -> list[str]:
    """The texts in a module but its docstrings, an X for what is filled in."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    no_text = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    out = []
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            no_text |= {id(part) for part in node.values}
            out.append("".join(str(part.value) if isinstance(part, ast.Constant) else "X" for part in node.values))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in no_text:
            out.append(node.value)
    return out


@pytest.mark.parametrize("pattern", SHOWN)
def test_no_option_of_a_command_is_named_in_the_window(pattern: str) -> None:
    paths = list(ROOT.glob(pattern))
    assert paths
    left = [(path.name, said) for path in paths for text in texts(path)
            if OF_THE_COMMAND_LINE.search(said := in_window(text)) and "in a terminal" not in said]
    assert left == []


def test_a_board_of_plain_numbers_is_told_by_the_windows_keys() -> None:
    """Whoever plugged one in read of ``recorder record``, ``adapter`` and ``calibrate`` with --bare UNIT."""
    alike = looks_like(b"14.52\n" * 20)
    assert alike is not None
    said = in_window(alike.do)
    assert said == "set plain numbers: F3, then G"  # with what they lack behind it, the banner covered the page named
    whole = looks_like(b"512\n" * 20)
    assert whole is not None and "--" not in in_window(whole.do)


def test_two_units_that_it_may_have_been_are_left_out_as_one_is() -> None:
    assert in_window("go further; if these were psi or bar, give --unit psi or bar") == "go further"
    assert in_window("go further; if these were psi, give --unit psi") == "go further"


def test_a_broken_calibration_is_told_by_the_windows_keys(tmp_path: Path) -> None:
    file = tmp_path / "gauge.json"
    file.write_text("{}", encoding="utf-8")
    with pytest.raises(RecorderError, match="'recorder calibrate'"):
        from_file_text("{}", str(file))
    said = gauge_words(Gauge(calibration=str(file)), "kPa", date(2026, 3, 14))
    assert said.startswith("▲") and "F3, then C" in said and "recorder calibrate" not in said
