"""The window in a folder of files that were made to harm: it lists them, opens each, and stays usable.

    python -m tests.benchmarks.faults_window [--long] [--only NAME]

Every file of hostile_files.py lies in the folder. The table has to fill; then each file is opened, as by Enter. A file
that cannot be used is said in one line; nothing may raise in the window's loop, nothing may show control characters.
The longest turn of the loop is printed: for so long the window stands still.
"""

from __future__ import annotations

import argparse
import os
import re
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import TracebackType
from typing import Any

from recorder.settings import Settings
from tests.benchmarks.hostile_files import Case, cases

_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")
_LONGEST_S = 120.0


@dataclass
class Seen:
    """rows: of the table. longest_s: the longest turn of the loop. said: by file, what the window said ("" opened)."""

    rows: int = 0
    longest_s: float = 0.0
    said: dict[str, str] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)


def look(every: Sequence[Case], folder: Path, opened: Sequence[Case] | None = None) -> Seen:
    """The window on a folder with all of ``every``; ``opened`` (all of them, where it is None) are opened in turn."""
    from PySide6.QtWidgets import QApplication

    from recorder.window.places.main import MainWindow

    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    app = QApplication.instance() or QApplication([])
    if os.geteuid() == 0:  # root may read everything
        every = [case for case in every if case.name != "denied"]
    for case in every:
        case.make(folder / f"{case.name}.csv")
    seen = Seen()
    before = sys.excepthook

    def raised(kind: type[BaseException], error: BaseException, where: TracebackType | None) -> None:
        seen.wrong.append(f"raised in the loop: {kind.__name__}: {error}")

    sys.excepthook = raised
    window: Any = MainWindow(Settings(), folder, ask=lambda: True)

    def until(done: Any, seconds: float = _LONGEST_S) -> bool:
        end = time.monotonic() + seconds
        while not done() and time.monotonic() < end:
            began = time.monotonic()
            app.processEvents()
            seen.longest_s = max(seen.longest_s, time.monotonic() - began)
            time.sleep(0.002)
        return bool(done())

    try:
        window.show()
        window.go(1)
        place = window.records
        if not until(lambda: not place._filler.isActive()):
            seen.wrong.append("the table never filled")
        seen.rows = len(place.model.list.rows)
        there = sum(path.suffix == ".csv" and not path.is_dir() for path in folder.iterdir())
        if seen.rows != there:
            seen.wrong.append(f"{seen.rows} rows for {there} files")
        cells = _cells(place.model)
        seen.wrong += [f"control characters in the table: {text!r}" for text in cells if _CONTROL.search(text)]
        for case in every if opened is None else opened:
            window.say("")
            place.back()
            place.open(str(folder / f"{case.name}.csv"))
            if not until(lambda: not place._background.busy):
                seen.wrong.append(f"{case.name!r}: it never opened")
                break
            seen.said[case.name] = said = window.banner.text()
            is_open = place.pages.currentIndex() == 1
            if case.usable is False and not case.only_judged and is_open:
                seen.wrong.append(f"{case.name!r}: it was opened")
            if case.usable is True and not is_open:
                seen.wrong.append(f"{case.name!r}: refused: {said}")
            if not is_open and not said:
                seen.wrong.append(f"{case.name!r}: nothing was said")
            if _CONTROL.search(said) or "the program broke" in said:
                seen.wrong.append(f"{case.name!r}: said {said!r}")
        until(lambda: False, 0.1)
    finally:
        window.close()
        sys.excepthook = before
    return seen


def _cells(model: Any) -> list[str]:
    from PySide6.QtCore import Qt

    return [str(model.data(model.index(row, column), Qt.ItemDataRole.DisplayRole) or "")
            for row in range(model.rowCount()) for column in range(model.columnCount())]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--long", action="store_true", help="a billion digits and ten million rows, too")
    parser.add_argument("--only", help="files whose name contains this")
    given = parser.parse_args()
    every = [case for case in cases(given.long) if not given.only or given.only in case.name]
    with tempfile.TemporaryDirectory() as name:
        seen = look(every, Path(name))
    print(f"{len(every)} files, {seen.rows} in the table: {len(seen.wrong)} wrong; longest turn of the loop "
          f"{seen.longest_s:.2f} s; {sum(bool(said) for said in seen.said.values())} refused in one line")
    for wrong in seen.wrong[:20]:
        print("  ", wrong)
    return 1 if seen.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
