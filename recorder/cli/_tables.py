"""A plain table that fits the terminal: columns are left out rather than broken, remarks stand below their row."""

from __future__ import annotations

import shutil
import sys
import textwrap
from collections.abc import Sequence

__all__ = ["fitting", "shown_width"]

_ELSEWHERE = 200  # columns where the output is no terminal


def shown_width() -> int:
    """Columns there are to write in."""
    return shutil.get_terminal_size().columns if sys.stdout is not None and sys.stdout.isatty() else _ELSEWHERE


def fitting(
    head: Sequence[str],
    rows: Sequence[Sequence[str]],
    remarks: Sequence[str],
    width: int,
    leave_out: Sequence[str],
    right: Sequence[str] = (),
) -> list[list[str]]:
    """Lines of the head, then those of each row, its remark wrapped below it. Where it is too wide, the columns of
    ``leave_out`` go, first named first; empty columns always. right: names of columns of numbers."""
    from rich.cells import cell_len

    wide = [max([cell_len(row[i]) for row in rows], default=0) for i in range(len(head))]
    kept = [i for i, name in enumerate(head) if wide[i] or name not in leave_out]
    wide = [max(w, len(name)) for w, name in zip(wide, head, strict=True)]
    for name in leave_out:
        if sum(wide[i] + 2 for i in kept) - 2 > width:
            kept = [i for i in kept if head[i] != name]

    def line(row: Sequence[str]) -> str:
        cells = []
        for i in kept:
            blank = " " * (wide[i] - cell_len(row[i]))
            cells.append(blank + row[i] if head[i] in right else row[i] + blank)
        return "  ".join(cells).rstrip()

    def below(remark: str) -> list[str]:
        return textwrap.wrap(remark, max(width, 40), initial_indent="    ", subsequent_indent="    ")

    return [[line(head)], *([line(row), *below(text)] for row, text in zip(rows, remarks, strict=True))]
