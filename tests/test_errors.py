"""Errors: one line, where and what to do, and nothing that can drive a terminal."""

import copy
import inspect
import pickle
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


def kinds(of: type[RecorderError]) -> list[type[RecorderError]]:
    return [of, *(one for sub in of.__subclasses__() if sub.__module__ == errors.__name__ for one in kinds(sub))]


@pytest.mark.parametrize("kind", kinds(RecorderError))
def test_an_error_comes_whole_from_another_process(kind: type[RecorderError]) -> None:
    """A worker of a cluster that lacked a package ended the audit by a fault of pickle instead of saying which."""
    if kind is FileError:
        err: RecorderError = FileError("no columns", path="a.csv", line=3, do="name them", by_hand=True)
    elif kind is PortMissing:
        err = PortMissing("no such port", where="COM3", do="plug it in", found=("COM4",))
    else:
        err = kind("it broke", where="here", do="mend it")
    for again in (pickle.loads(pickle.dumps(err)), copy.deepcopy(err)):
        assert type(again) is kind and str(again) == str(err) and vars(again) == vars(err) and again.args == err.args
