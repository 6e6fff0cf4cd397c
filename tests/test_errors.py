"""Errors: one line, where and what to do, and nothing that can drive a terminal."""

import inspect
import re

import pytest

from recorder import errors
from recorder.errors import FileError, PortMissing, RecorderError, SettingError


def test_one_line_with_where_what_and_do() -> None:
    err = SettingError("'x' is no unit", where="--unit", do="write kPa")
    assert str(err) == "--unit: 'x' is no unit; write kPa"
    assert str(FileError("odd row", path="a.csv", line=7, do="look")) == "a.csv, line 7: odd row; look"
    assert str(FileError("gone", path="a.csv")) == "a.csv: gone"
    assert PortMissing("none", found=("COM3",)).found == ("COM3",)


@pytest.mark.parametrize("text", ["a\nb", "\x1b[2J", "\x07", "\u202e"])
def test_control_characters_are_made_visible(text: str) -> None:
    shown = str(RecorderError(text, where=text, do=text))
    assert shown.isprintable() and "\n" not in shown


def test_the_drawn_tree_is_the_tree() -> None:
    drawn = set(re.findall(r"[─ ](\w*(?:Error|Missing|Busy|Denied|Lost|Adapter|Speed))\b", errors.__doc__ or ""))
    real = {n for n, c in inspect.getmembers(errors, inspect.isclass) if issubclass(c, RecorderError)}
    assert drawn | {"RecorderError"} == real == set(errors.__all__)


def test_a_value_is_shown_as_it_stands_in_a_file() -> None:
    assert [errors.as_written(v) for v in (True, None, "a", {"é": [1.5]})] == ["true", "null", "'a'", '{"é": [1.5]}']
    assert errors.as_written(10**5000) == "something that cannot be shown"  # more digits than are turned into text
    assert len(errors.as_written("x" * 1000)) == 60
