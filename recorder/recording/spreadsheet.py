"""CSV that a person opens in a spreadsheet: no cell of it can be run as a formula."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import Any

__all__ = ["safe_cell", "sheet_line"]

_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")


def safe_cell(value: Any) -> Any:
    """Numbers as they are; a text that a spreadsheet would run gets an apostrophe before it."""
    if isinstance(value, str) and value.lstrip(" \u00a0").startswith(_STARTS):
        return "'" + value
    return value


def sheet_line(cells: Sequence[Any]) -> str:
    """One line of RFC 4180, with its line end (CR LF)."""
    out = io.StringIO()
    csv.writer(out).writerow([safe_cell("" if c is None else c) for c in cells])
    return out.getvalue()
