"""A plain table that fits the terminal: columns are left out rather than broken, remarks stand below their row."""

from __future__ import annotations

import os
import re
import shutil
import sys
import textwrap
from collections.abc import Sequence

from recorder.cli._plain import as_shown

__all__ = ["fitting", "shown_width", "wrapped"]

_LONGEST_NAME, _SHORTEST_TEXT, _LONGEST_TEXT = 40, 16, 60  # columns
_ELSEWHERE = 200  # columns where the output is no terminal


def shown_width() -> int:
    """Columns there are to write in."""
    return shutil.get_terminal_size().columns if sys.stdout is not None and sys.stdout.isatty() else _ELSEWHERE


# a blank within a number with its doubt and its unit
_WITHIN = re.compile(r"(?<=±) |(?<=\d) (?=±)|(?<=\d) (?=(?:kPa|psi|bar|kgf/cm2|mL|min|s|°C)(?![a-z]))")


def wrapped(text: str) -> list[str]:
    """``text`` in lines as they have room at a terminal, no word and no number with its unit broken, and what goes on
    further in; elsewhere as it is, for whoever searches it."""
    if sys.stdout is None or not sys.stdout.isatty():
        return [text]
    try:  # the real width, where the terminal tells it: COLUMNS may be that of another one
        columns = os.get_terminal_size(sys.stdout.fileno()).columns
    except (OSError, ValueError):
        columns = 0
    further = len(text) - len(text.lstrip(" ->")) if text.startswith("  -> ") else len(text) - len(text.lstrip()) + 2
    lines = textwrap.wrap(_WITHIN.sub("\u00a0", text), max((columns or shown_width()) - 1, 20), break_long_words=False,
                          break_on_hyphens=False, subsequent_indent=" " * further)
    return [line.replace("\u00a0", " ") for line in lines] or [text]


def fitting(
    head: Sequence[str],
    rows: Sequence[Sequence[str]],
    remarks: Sequence[str],
    width: int,
    leave_out: Sequence[str],
    right: Sequence[str] = (),
) -> list[list[str]]:
    """Lines of the head, then those of each row, its remark wrapped below it. Of the columns of ``leave_out`` those
    stay for which there is room, last named first; empty ones never. right: names of columns of numbers.

    A name in the first column is never cut, so that it can be copied: one that is much longer than the others' room
    stands on a line of its own. A text of another column is cut where it is long, the more so in a narrow terminal."""
    from rich.cells import cell_len, set_cell_size

    room = max(_LONGEST_NAME, width // 4)
    most = min(max(_SHORTEST_TEXT, width // 4), _LONGEST_TEXT)
    cut = as_shown("…")
    rows = [[as_shown(cell) for cell in row] for row in rows]
    rows = [[row[0], *(set_cell_size(c, most - len(cut)) + cut if cell_len(c) > most else c for c in row[1:])]
            for row in rows]
    wide = [max([cell_len(row[i]) for row in rows if i or cell_len(row[0]) <= room], default=0)
            for i in range(len(head))]
    kept = [i for i, name in enumerate(head) if name not in leave_out]
    wanted = [head.index(name) for name in reversed(leave_out) if name in head]
    full = [i for i in wanted if wide[i]]
    wide = [max(w, len(name)) for w, name in zip(wide, head, strict=True)]
    for one in full:
        if sum(wide[i] + 2 for i in (*kept, one)) - 2 <= width:
            kept = sorted([*kept, one])

    def line(row: Sequence[str]) -> list[str]:
        if cell_len(row[0]) > wide[0]:
            return [row[0], *line(["", *row[1:]])] if any(row[i] for i in kept[1:]) else [row[0]]
        cells = []
        for i in kept:
            blank = " " * (wide[i] - cell_len(row[i]))
            cells.append(blank + row[i] if head[i] in right else row[i] + blank)
        return ["  ".join(cells).rstrip()]

    def below(remark: str) -> list[str]:
        return textwrap.wrap(remark, max(width, 40), initial_indent="    ", subsequent_indent="    ",
                             break_long_words=False, break_on_hyphens=False)  # names of files can be copied

    return [line(head), *([*line(row), *below(text)] for row, text in zip(rows, remarks, strict=True))]
