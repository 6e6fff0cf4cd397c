"""A file that is there whole or not at all, as far as this program can see to it."""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import stat
from pathlib import Path
from typing import BinaryIO

__all__ = ["sync_folder", "write_whole"]


def write_whole(path: Path, data: bytes, *, force: bool = False) -> None:
    """A new file, on disk when this returns; in the place of one that is there only where ``force``. FileExistsError,
    OSError: then what was written of it, as on a full disk, is taken away again, and what was there before is left as
    it was; so it is after Ctrl-C. A part of a picture is none, and a part of an export would be passed over as done."""
    if force and path.is_file():
        _replace(path.resolve(), data)  # of a link, what it leads to
        return
    begun = False
    try:
        with path.open("wb" if force else "xb") as file:
            begun = True
            _put(file, data)
    except BaseException:  # Ctrl-C, too
        if begun and path.is_file() and not path.is_symlink():  # never a device that was named
            with contextlib.suppress(OSError):
                path.unlink()
        raise


def _put(file: BinaryIO, data: bytes) -> None:
    """The data, down to the disk where it is one: a device or a pipe that was named has nothing to be put down."""
    file.write(data)
    file.flush()
    if stat.S_ISREG(os.fstat(file.fileno()).st_mode):
        os.fsync(file.fileno())


def _replace(path: Path, data: bytes) -> None:
    """Written beside the file, then put in its place."""
    with path.open("r+b"):  # one that may not be written is refused, though its folder would allow it
        pass
    beside = path.with_name(f".{os.urandom(4).hex()}.part")
    try:
        with beside.open("xb") as file:
            _put(file, data)
        shutil.copymode(path, beside)
        beside.replace(path)
    except BaseException:
        with contextlib.suppress(OSError):
            beside.unlink()
        raise


def sync_folder(folder: Path) -> None:
    """The names in it, down to the disk: a new file may else be gone after a power cut, whatever was put into it.
    OSError, but where the folder is gone or its disk knows no such thing."""
    if os.name == "nt":  # folders cannot be synced there
        return
    try:
        fd = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)
    except FileNotFoundError:
        pass  # noticed by what follows
    except OSError as err:
        if err.errno not in (errno.EINVAL, errno.ENOTSUP):  # some network shares
            raise
