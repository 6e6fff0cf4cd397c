"""What there is below a folder: the same for the audit, for the table of jobs and for the window."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from pathlib import Path

from recorder.errors import FileError
from recorder.recording.ledger import LEDGER, is_ledger

__all__ = ["find_ledgers", "find_recordings", "is_companion"]

_APPLE_DOUBLE = b"\x00\x05\x16\x07"  # how an AppleDouble header file begins: RFC 1740, from memory


def is_companion(name: str, head: bytes) -> bool:
    """Whether a file of this name and these first bytes (4 are enough) is what macOS puts beside each file on a disk
    that keeps no more of one than its bytes, as a stick's: nothing of a recording is in it."""
    return name.startswith("._") and head.startswith(_APPLE_DOUBLE)


def _is_companion(path: Path) -> bool:
    if not path.name.startswith("._"):
        return False
    try:
        if not path.is_file():
            return False
        with path.open("rb") as file:
            return is_companion(path.name, file.read(len(_APPLE_DOUBLE)))
    except OSError:
        return False


def _folders(folder: str | os.PathLike[str]) -> Iterator[tuple[Path, list[str], list[str]] | Path]:
    """The folder and those below it, each with the names of its folders and files; one that cannot be opened
    as its path alone. Links are followed; a folder that is reached twice, or through a loop, is entered once.
    FileError where it is no folder, or cannot be opened itself."""
    if not os.fspath(folder):  # of a script whose variable is empty: never the current folder
        raise FileError("the name of the folder is empty", do="give its name; . is the current one")
    top = Path(folder)
    try:
        is_folder = stat.S_ISDIR(top.stat().st_mode)  # ``is_dir`` tells no reason: from Python 3.14 on it raises none
    except (FileNotFoundError, NotADirectoryError, ValueError):
        raise FileError("there is no such folder", path=str(top), do="check the name") from None
    except OSError as err:
        raise FileError(f"it cannot be opened ({err.strerror})", path=str(top), do="check its rights") from None
    if not is_folder:
        raise FileError("this is no folder", path=str(top), do="name the folder that it is in")
    seen: set[tuple[int, int]] = set()

    closed: list[Path] = []

    def refuse(err: OSError) -> None:
        if Path(err.filename) == top:
            raise FileError(f"it cannot be opened ({err.strerror})", path=str(top), do="check its rights")
        closed.append(Path(err.filename))

    for place, folders, files in os.walk(top, followlinks=True, onerror=refuse):
        yield from closed
        closed.clear()
        try:
            info = Path(place).stat()
        except OSError as err:  # taken away, or out of reach, since it was opened
            err.filename = place
            refuse(err)
            folders.clear()
            continue
        if (info.st_dev, info.st_ino) in seen:
            folders.clear()
            continue
        seen.add((info.st_dev, info.st_ino))
        folders.sort()
        yield Path(place), folders, sorted(files)
    yield from closed


def find_recordings(folder: str | os.PathLike[str]) -> Iterator[Path]:
    """Every ``.csv`` below the folder but the ledgers and companions, in order of name; and every folder that cannot be
    opened, so that it is said and not passed over. FileError where there is no such folder."""
    for found in _folders(folder):
        if isinstance(found, Path):
            yield found
            continue
        place, _, files = found
        for name in files:
            path = place / name
            if name.lower().endswith(".csv") and not is_ledger(path) and not _is_companion(path):
                yield path


def find_ledgers(folder: str | os.PathLike[str]) -> Iterator[Path]:
    """The folders in which there is something by the name of a ledger, whatever it is."""
    for found in _folders(folder):
        if not isinstance(found, Path) and (LEDGER in found[2] or LEDGER in found[1]):
            yield found[0]
