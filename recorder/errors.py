"""One error tree. Every error is one line: where, what was found, what to do.

::

    RecorderError
    ├── OpenError            a port cannot be opened
    │   ├── PortMissing      no such port (carries the ports that were found)
    │   ├── PortBusy         another program holds it
    │   └── PortDenied       no permission
    ├── RunError             something broke while a test ran
    │   ├── PortLost         the adapter went away and did not come back in time
    │   ├── SilentAdapter    the port is open and nothing arrives
    │   ├── WrongSpeed       bytes arrive and none of them makes a valid line
    │   └── StorageError     the disk refused a write
    ├── LineError            a wire line or a typed reading that cannot be used
    ├── FileError            a recording, calibration or settings file that cannot be used
    └── SettingError         a marking, limit, unit or option that cannot be used
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from contextlib import suppress
from typing import Any

__all__ = [
    "FileError",
    "LineError",
    "OpenError",
    "PortBusy",
    "PortDenied",
    "PortLost",
    "PortMissing",
    "RecorderError",
    "RunError",
    "SettingError",
    "SilentAdapter",
    "StorageError",
    "WrongSpeed",
]

_LONGEST_SHOWN = 60


def as_typed(text: str) -> str:
    """A text in UTF-8 that the system gave as bytes (PEP 383), for its locale knows no such letters, with its letters;
    any other as it is."""
    with suppress(UnicodeError):  # a surrogate that stands for no byte
        return text.encode("utf-8", "surrogateescape").decode("utf-8", "surrogateescape")
    return text


def printable(text: str) -> str:
    """``text`` with every control character made visible, so that no file or adapter can
    drive a terminal."""
    if not text.isprintable():
        text = as_typed(text)
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def as_written(value: object) -> str:
    """A value of a file or setting as somebody wrote it there: text in quotes, all else as JSON; cut where long."""
    if isinstance(value, str):
        shown = f"'{value}'"
    else:
        try:
            plain = dict(value) if isinstance(value, Mapping) else value
            shown = json.dumps(plain, ensure_ascii=False, default=str)
        except (ValueError, TypeError, RecursionError):  # a number of thousands of digits, say
            shown = "something that cannot be shown"
    return shown if len(shown) <= _LONGEST_SHOWN else shown[: _LONGEST_SHOWN - 2] + " …"


def as_text(value: object) -> str:
    """What a file has where a text belongs: the text itself, or whatever else it is as it is written there."""
    return value if isinstance(value, str) else as_written(value)


def fault_of(err: BaseException) -> str:
    """What nobody foresaw, in words that name its kind, on one line."""
    if isinstance(err, MemoryError):
        return "there is not enough memory for it (MemoryError)"
    said = " ".join(str(err).split())
    shown = said if len(said) <= 2 * _LONGEST_SHOWN else said[: 2 * _LONGEST_SHOWN - 2] + " …"
    return (f"a fault in the program ({type(err).__name__}{': ' * bool(shown)}{shown}); "
            "set RECORDER_DEBUG=1 and run it again to see where")


def _handed_over(kind: type[RecorderError], args: tuple[object, ...], carried: Mapping[str, Any]) -> RecorderError:
    """Made without its ``__init__``, whose arguments have names, which pickle does not know."""
    err = kind.__new__(kind, *args)
    err.__dict__.update(carried)
    return err


class RecorderError(Exception):
    """Base of all errors that a user may see.

    where: file (with line), port or setting that it is about; may be empty.
    what:  what was found, and what was expected.
    do:    what the user can do about it; may be empty.
    """

    def __init__(self, what: str, *, where: str = "", do: str = "") -> None:
        super().__init__(what, where, do)
        self.what = what
        self.where = where
        self.do = do

    def __reduce__(self) -> tuple[Any, ...]:
        """As another process hands it over, of the same kind and with all that it carries."""
        return _handed_over, (type(self), self.args, dict(self.__dict__))

    def __str__(self) -> str:
        text = f"{self.where}: {self.what}" if self.where else self.what
        if self.do:
            text = f"{text}; {self.do}"
        return printable(text)


class OpenError(RecorderError):
    """A port cannot be opened."""


class PortMissing(OpenError):
    """There is no such port. ``found`` lists the ports that there are."""

    def __init__(
        self, what: str, *, where: str = "", do: str = "", found: tuple[str, ...] = ()
    ) -> None:
        super().__init__(what, where=where, do=do)
        self.found = found


class PortBusy(OpenError):
    """Another program holds the port."""


class PortDenied(OpenError):
    """The user may not open the port."""


class RunError(RecorderError):
    """Something broke while a test ran."""


class PortLost(RunError):
    """The adapter went away and did not come back within the time allowed."""


class SilentAdapter(RunError):
    """The port is open and nothing arrives."""


class WrongSpeed(RunError):
    """Bytes arrive, and none of them makes a valid line."""


class StorageError(RunError):
    """The disk refused a write."""


class LineError(RecorderError):
    """A wire line, or a typed reading, that cannot be used."""


class FileError(RecorderError):
    """A recording, calibration or settings file that cannot be used.

    ``line`` counts from 1; 0 when the error is about the whole file. ``by_hand``: ``do`` tells how to write it, which
    helps with a file that somebody wrote, and with none that a recorder sealed.
    """

    def __init__(self, what: str, *, path: str = "", line: int = 0, do: str = "", by_hand: bool = False) -> None:
        super().__init__(what, where=f"{path}, line {line}" if line else path, do=do)
        self.path = path
        self.line = line
        self.by_hand = by_hand


class SettingError(RecorderError):
    """A marking, limit, unit or option that cannot be used."""
