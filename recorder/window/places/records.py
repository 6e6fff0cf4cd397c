"""The Records place: the folder as a table, one recording opened, two laid over each other."""

from __future__ import annotations

import os
from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from pathlib import Path
from time import perf_counter

from PySide6.QtCore import QTimer, Signal
from PySide6.QtWidgets import QHBoxLayout, QLineEdit, QVBoxLayout, QWidget

from recorder.errors import RecorderError
from recorder.window.parts.background import Background
from recorder.window.parts.table import RecordsModel, RecordsTable
from recorder.window.parts.widgets import SMALLEST_TARGET_PX, Key, Pages, words
from recorder.window.places.opened import OpenedPage
from recorder.window.state.colours import Palette
from recorder.window.state.opened import Opened, load_pair
from recorder.window.state.records import RecordRow, check_again, list_folder, quick_row
from recorder.workers import one_beside

__all__ = ["RecordsPlace"]

_SLICE_S = 0.006  # the screen is never held longer than this by the filling of the table
_SHOW_EVERY_S = 0.15
_ASKED = 40  # letters of a filter that are said again
_AT_ONCE = 4  # recordings given to the judging process ahead of time


class RecordsPlace(QWidget):
    """Table and opened recording. ``problem`` is emitted with one line, ``note`` with one that is none."""

    problem = Signal(str)
    note = Signal(str)
    actions_changed = Signal()

    def __init__(self, folder: Path, palette: Palette, unit: str) -> None:
        super().__init__()
        self.folder, self.unit, self.colours = folder, unit, palette
        self.opened: tuple[Opened, Opened | None] | None = None
        self._known: dict[str, tuple[tuple[int, int], RecordRow]] = {}  # by path: state of the file, and its row
        self._waiting: Iterator[Path] = iter(())
        self._ready: list[RecordRow] = []
        self._shown_s = 0.0
        self._pool: ProcessPoolExecutor | None = None
        self._checks: list[Future[RecordRow]] = []
        self._to_check: list[RecordRow] = []
        self._as_it_was: dict[str, tuple[int, int]] = {}  # by path: state of the file when it was given to be judged
        self._checked = 0
        self._background = Background("opening")
        self._background.failed.connect(self._could_not_open)
        self._asked = 0  # how often something was to be opened
        self._awaited: int | None = None  # which of these times is still waited for
        self.open_key = Key("Enter  Open", self.open_selected, says="open the recording")
        self.overlay_key = Key("O  Lay two over", self.overlay_selected, says="overlay two selected recordings")
        self.check_key = Key("J  Judge again", self.check_all, says="judge every recording again")
        self.back_key = Key("Esc  Table", self.back, says="back to the table")
        self.export_key = Key("P  Save picture", self.export, says="save the picture beside the recording")
        self.pages = Pages()
        column = QVBoxLayout(self)
        column.setContentsMargins(0, 0, 0, 0)
        column.addWidget(self.pages)
        self.pages.addWidget(self._table_page(palette))
        self.page = OpenedPage(palette)
        self.pages.addWidget(self.page)
        self._filler = QTimer(self)
        self._filler.timeout.connect(self._fill)
        self._checker = QTimer(self)
        self._checker.timeout.connect(self._collect)

    def _table_page(self, palette: Palette) -> QWidget:
        page = QWidget()
        column = QVBoxLayout(page)
        column.setContentsMargins(10, 4, 10, 4)
        top = QHBoxLayout()
        self.filter_edit = QLineEdit()
        self.filter_edit.setPlaceholderText("type to filter: job, test, outcome, day, adapter …")
        self.filter_edit.setAccessibleName("filter")
        self.filter_edit.setMinimumHeight(SMALLEST_TARGET_PX)
        self.count = words("muted", name="how many recordings")
        self.count.setWordWrap(False)
        top.addWidget(self.filter_edit, 1)
        top.addWidget(self.count)
        column.addLayout(top)
        self.nothing = words("step", name="nothing matches")
        self.nothing.hide()
        column.addWidget(self.nothing)
        self.model = RecordsModel(palette, self.unit)
        self.table = RecordsTable(self.model)
        self.filter_edit.textChanged.connect(self._filter)
        self.filter_edit.returnPressed.connect(self._to_table)
        self.table.activated.connect(lambda _i: self.open_selected())
        column.addWidget(self.table, 1)
        return page

    def keys_now(self) -> list[Key]:
        """The keys of this moment."""
        if self.pages.currentIndex() == 0:
            return [self.open_key, self.overlay_key, self.check_key]
        return [self.back_key, self.export_key]

    def take_focus(self) -> None:
        """The table, so that arrows and Enter work at once; or what is opened."""
        (self.table if self.pages.currentIndex() == 0 else self.page.area).setFocus()

    # ------------------------------------------------------------ the table

    def reload(self) -> None:
        """Reads the folder again, a little at a time; files that have not changed are not read again. What is judged
        again meanwhile goes on."""
        try:
            found = list_folder(self.folder)
        except RecorderError as err:
            self._filler.stop()
            self._waiting, self._ready = iter(()), []
            self._stop_checks()
            self._show(lambda: self.model.list.clear())
            self._say_count()
            self.problem.emit(str(err))
            return
        self._waiting, self._ready = iter(found), []
        self._show(lambda: self.model.list.clear())
        self._filler.start(0)

    def _fill(self) -> None:
        began = perf_counter()
        for path in self._waiting:
            self._ready.append(self._row(path))
            if perf_counter() - began > _SLICE_S:
                break
        else:
            self._filler.stop()
        if not self._filler.isActive() or began - self._shown_s > _SHOW_EVERY_S:
            # one that was judged again while it waited is known better by now
            rows = [self._known[row.path][1] if row.path in self._known else row for row in self._ready]
            self._ready = []
            self._show(lambda: self.model.list.add(rows))
            self._shown_s = perf_counter()
            self._say_count()

    def _row(self, path: Path) -> RecordRow:
        try:
            info = path.stat()
            state = (info.st_mtime_ns, info.st_size)
        except OSError:
            self._known.pop(str(path), None)
            return quick_row(path)
        known = self._known.get(str(path))
        if known is None or known[0] != state:
            known = (state, quick_row(path))
            self._known[str(path)] = known
        return known[1]

    def _better(self, row: RecordRow) -> None:
        known = self._known.get(row.path)
        if known is not None:
            self._known[row.path] = (known[0], row)
        self.model.know_better(row)

    def _show(self, change: object) -> None:
        chosen = [row.path for row in self.table.chosen()]
        self.model.rearrange(change)
        self.table.choose(chosen[:2])
        if not self.table.chosen() and self.model.list.shown:
            self.table.selectRow(0)

    def _filter(self, text: str) -> None:
        self._show(lambda: self.model.list.set_filter(text))
        self._say_count()

    def _to_table(self) -> None:
        self.table.setFocus()

    def _say_count(self) -> None:
        shown, every = len(self.model.list.shown), len(self.model.list.rows)
        asked = " ".join(self.filter_edit.text().split())
        nothing = not shown and every > 0 and not self._filler.isActive()
        if nothing:  # an empty table looks like an empty folder
            asked = asked if len(asked) <= _ASKED else f"{asked[:_ASKED]} …"
            self.nothing.setText(f"Nothing here has “{asked}” in it. Esc clears the filter and shows all {every}")
        self.nothing.setVisible(nothing)
        if self._checker.isActive():
            text = f"judged again {self._checked} of {len(self._to_check)}"
        elif not every:
            text = f"no recordings in {self.folder} yet" if os.path.lexists(self.folder) else \
                f"no folder {self.folder}: the first recording makes it. Was it moved?"
        else:
            text = f"{shown} of {every}" if shown != every else "1 recording" if every == 1 else f"{every} recordings"
        self.count.setText(text)

    # ------------------------------------------------------------ judging again

    def check_all(self) -> None:
        """Judges what is shown again in another process; answers come in one by one."""
        if self._pool is None:
            self._pool = one_beside()
        self._stop_checks()
        self._to_check = [self.model.list.rows[i] for i in self.model.list.shown]
        self._as_it_was = {row.path: self._known[row.path][0] for row in self._to_check if row.path in self._known}
        self._checked = 0
        self._checker.start(50)

    def _collect(self) -> None:
        if self._pool is None:
            return
        try:
            self._take_and_give(self._pool)
        except BrokenProcessPool:  # the next time another one is begun
            self._stop_checks()
            self._pool = None
            self.problem.emit("judging again stopped, as its process ended: free some memory, then press J again")
        if not self._checks:
            self._checker.stop()
        self._say_count()

    def _take_and_give(self, pool: ProcessPoolExecutor) -> None:
        """The answers that are there, and more to judge. Raises BrokenProcessPool."""
        still = []
        for future in self._checks:
            if not future.done():
                still.append(future)
                continue
            self._checked += 1
            broke = future.exception()
            if isinstance(broke, BrokenProcessPool):
                raise broke
            if broke is None:
                row = future.result()
                known = self._known.get(row.path)
                if known is None or known[0] == self._as_it_was.get(row.path):  # else it was read anew meanwhile
                    self._better(row)
            else:
                self.problem.emit(f"one of them could not be judged again: {broke}")
        self._checks = still
        given = self._checked + len(self._checks)
        while len(self._checks) < _AT_ONCE and given < len(self._to_check):
            self._checks.append(pool.submit(check_again, self._to_check[given]))
            given += 1

    def _stop_checks(self) -> None:
        self._checker.stop()
        for future in self._checks:
            future.cancel()
        self._checks = []

    # ------------------------------------------------------------ opening

    def open_selected(self) -> None:
        """The first of what is chosen."""
        rows = self.table.chosen()
        if not rows:
            self.problem.emit("no recording is chosen: click one, or use the arrow keys")
            return
        self.open(rows[0].path)

    def overlay_selected(self) -> None:
        """The newer one in front, the older one behind."""
        rows = sorted(self.table.chosen(), key=lambda r: (r.time, r.path))
        if len(rows) != 2:
            self.problem.emit("choose two recordings (Ctrl and click, or Shift and arrow), then press O")
            return
        self.open(rows[1].path, behind=rows[0].path)

    def open(self, path: str, behind: str | None = None) -> None:
        """One recording, judged again from its trace; done beside the window. Esc, or another one, withdraws it."""
        self._asked += 1
        self._awaited = asked = self._asked
        self.note.emit(f"opening {Path(path).name}; Esc: leave it")
        self._background.run(lambda: load_pair(path, behind), lambda read: self._opened(read[:2], read[2], asked),
                             lambda _err: self._no_longer(asked))

    def _no_longer(self, asked: int) -> None:
        if asked == self._awaited:
            self._awaited = None

    def _opened(self, opened: tuple[Opened, Opened | None], doubt: str, asked: int) -> None:
        if asked != self._awaited:
            return
        self._awaited = None
        if self.isVisible():  # else the line at the top is another place's
            self.problem.emit(doubt)
        self.opened = opened
        for one in opened:
            known = self._known.get(one.recording.path) if one is not None else None
            if one is not None and known is not None:
                self._better(replace(known[1], intact=one.intact, same=one.same))
        self.pages.setCurrentIndex(1)
        self._show_opened()
        self.page.area.verticalScrollBar().setValue(0)  # not where the one before was left
        if self.isVisible():  # else somebody types in another place
            self.page.area.setFocus()
        self.actions_changed.emit()

    def _could_not_open(self, text: str) -> None:
        self.problem.emit(text)

    def _show_opened(self) -> None:
        if self.opened is not None:
            self.page.show_opened(*self.opened, self.unit)

    def back(self) -> None:
        """What is still being opened is not; to the table; from there to all of it."""
        if self._awaited is not None:
            self._awaited = None
            self.note.emit("")
        elif self.pages.currentIndex() == 1:
            self.pages.setCurrentIndex(0)
            self.table.setFocus()
            self.actions_changed.emit()
        elif self.filter_edit.text():
            self.filter_edit.clear()
            self.table.setFocus()

    def export(self) -> None:
        """The picture beside the recording; an existing one is kept."""
        if self.opened is None or self.pages.currentIndex() != 1:
            return
        opened, behind = self.opened
        unit = self.unit

        def work() -> Path:
            from recorder.picture import draw

            stem = Path(opened.recording.path).with_suffix("")
            name = f"{stem.name}-over-{Path(behind.recording.path).stem}" if behind is not None else stem.name
            out, n = stem.with_name(f"{name}.svg"), 1
            while out.exists():
                n += 1
                out = stem.with_name(f"{name}-{n}.svg")
            before = (behind.recording, behind.analyser) if behind is not None else None
            return draw(opened.recording, opened.analyser, out, before=before, unit=unit)

        self._background.run(work, lambda out: self.note.emit(f"picture saved: {out}"))

    # ------------------------------------------------------------ looks

    def set_unit(self, unit: str) -> None:
        """Another unit, at once."""
        self.unit = unit
        self._show(lambda: self.model.list.set_unit(unit))
        self._show_opened()

    def set_colours(self, palette: Palette) -> None:
        """Light or dark."""
        self.colours = palette
        self.page.set_colours(palette)
        self.table.use_looks(palette)
        self._show_opened()

    def use_font(self, px: int) -> None:
        """The size of what is drawn rather than styled."""
        self.page.use_font(px)
        self.table.use_looks(self.colours)

    def close_down(self) -> None:
        """Ends the other process and the other thread."""
        self._filler.stop()
        self._stop_checks()
        self._background.close()
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)  # Python's end breaks at a pool that is just ending
            self._pool = None
