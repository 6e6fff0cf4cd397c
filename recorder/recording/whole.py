"""A file that is there whole or not at all, as far as this program can see to it."""

from __future__ import annotations

import contextlib
from pathlib import Path

__all__ = ["write_whole"]


def write_whole(path: Path, data: bytes, *, force: bool = False) -> None:
    """A new file; in the place of one that is there only where ``force``. FileExistsError, OSError: then what was
    written of it, as on a full disk, is taken away again. A part of a picture is none, and a part of an export would
    be passed over as done."""
    begun = False
    try:
        with path.open("wb" if force else "xb") as file:
            begun = True
            file.write(data)
    except OSError:
        if begun and path.is_file() and not path.is_symlink():  # never a device that was named
            with contextlib.suppress(OSError):
                path.unlink()
        raise
