"""The table of recordings."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import QAbstractTableModel, QModelIndex, QPersistentModelIndex, QSize, Qt
from PySide6.QtGui import QIcon, QKeyEvent, QResizeEvent
from PySide6.QtWidgets import QAbstractItemView, QHeaderView, QTableView

from recorder.window.parts.sign import sign_icon
from recorder.window.state.colours import Palette
from recorder.window.state.records import COLUMNS, RecordList, RecordRow, cell
from recorder.window.state.result import sign_of
from recorder.window.state.words import minus

__all__ = ["RecordsModel", "RecordsTable"]

_OUTCOME = COLUMNS.index("outcome")
_OUTCOMES = {"PASS": "pass", "FAIL": "fail", "CANNOT TELL YET": "undecided", "NOT A TEST": "void"}
_Index = QModelIndex | QPersistentModelIndex


class RecordsModel(QAbstractTableModel):
    """What the list shows, cell by cell."""

    def __init__(self, palette: Palette, unit: str) -> None:
        super().__init__()
        self.list = RecordList(unit)
        self._icons: dict[str, QIcon] = {}
        self._side = 24
        self.use_looks(palette, 24)

    def use_looks(self, palette: Palette, side: int) -> None:
        """The signs of the outcomes, in these colours and of this size in px."""
        self._side = side
        self._icons = {word: sign_icon(*sign_of(code), palette, side) for word, code in _OUTCOMES.items()}

    def rowCount(self, parent: _Index = QModelIndex()) -> int:  # noqa: B008
        return 0 if parent.isValid() else len(self.list.shown)

    def columnCount(self, parent: _Index = QModelIndex()) -> int:  # noqa: B008
        return len(COLUMNS)

    def data(self, index: _Index, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        if role == Qt.ItemDataRole.DisplayRole:
            return minus(cell(self.list.row(index.row()), index.column(), self.list.unit))
        if role == Qt.ItemDataRole.DecorationRole and index.column() == _OUTCOME:
            row = self.list.row(index.row())
            return None if row.intact == "ALTERED" else self._icons.get(row.outcome)  # no tick on what was changed
        if role == Qt.ItemDataRole.ToolTipRole:
            return self.list.row(index.row()).path
        return None

    def headerData(self, section: int, orientation: Qt.Orientation, role: int = Qt.ItemDataRole.DisplayRole) -> Any:
        if role == Qt.ItemDataRole.DisplayRole and orientation == Qt.Orientation.Horizontal:
            name = COLUMNS[section]
            return {"time": "time\nUTC", "opening": f"opened\n{self.list.unit}", "fall": f"fall\n{self.list.unit}",
                    "same again?": "same\nagain?"}.get(name, name)
        return None

    def sort(self, column: int, order: Qt.SortOrder = Qt.SortOrder.AscendingOrder) -> None:
        self.rearrange(lambda: self.list.sort_by(column, descending=order == Qt.SortOrder.DescendingOrder))

    def rearrange(self, change: Any) -> None:
        """Does ``change`` to the list and shows what came of it."""
        self.beginResetModel()
        change()
        self.endResetModel()

    def know_better(self, row: RecordRow) -> None:
        """One row, after it was judged again."""
        place = self.list.replace(row)
        if place is not None:
            self.dataChanged.emit(self.index(place, 0), self.index(place, len(COLUMNS) - 1))


class RecordsTable(QTableView):
    """Rows as tall as a key; the job takes what width the other columns leave, all columns are seen."""

    def __init__(self, model: RecordsModel) -> None:
        super().__init__()
        self._model = model
        self.setAccessibleName("recordings")
        self.setModel(model)
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setAlternatingRowColors(True)
        self.setWordWrap(True)
        self.setTabKeyNavigation(False)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setVerticalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.verticalHeader().setVisible(False)
        self.verticalHeader().setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        self.verticalHeader().setDefaultSectionSize(60)
        header = self.horizontalHeader()
        header.setSectionResizeMode(QHeaderView.ResizeMode.Fixed)
        header.setHighlightSections(False)
        self.setSortingEnabled(True)
        self.sortByColumn(0, Qt.SortOrder.DescendingOrder)

    def chosen(self) -> list[RecordRow]:
        """The selected rows, in the order of the table."""
        places = sorted(index.row() for index in self.selectionModel().selectedRows())
        return [self._model.list.row(place) for place in places]

    def choose(self, paths: list[str]) -> None:
        """Selects these again, where they are still shown."""
        for path in paths:
            place = self._model.list.place_of(path)
            if place is not None:
                self.selectRow(place)

    def fit_columns(self) -> None:
        """Widths from the font: every column whole, the job elided."""
        metrics = self.fontMetrics()
        # Two lines fit into a row: the day above the hour, CANNOT above TELL YET., PASS, above OVER LIMIT.
        samples = ("2026-03-14", "", "SIMULATED", "kgf/cm2", "kgf/cm2", "kgf/cm2", "OVER LIMIT?", "ALTERED", "DIFFERS")
        job = metrics.horizontalAdvance("a blue van …")
        wide = [metrics.horizontalAdvance(sample) + (self._icon_px() + 8 if column == _OUTCOME else 0) if sample else 0
                for column, sample in enumerate(samples)]
        fixed = sum(map(bool, samples))
        # beside each of them as much as there is room for: with large letters the last one lay behind the edge
        edge = max(8, min(20, (self.viewport().width() - job - sum(wide)) // fixed))
        for column, width in enumerate(wide):
            if width:
                self.setColumnWidth(column, width + edge)
        self.setColumnWidth(1, max(self.viewport().width() - sum(wide) - fixed * edge, job))
        self.verticalHeader().setDefaultSectionSize(max(60, round(metrics.height() * 2.6)))
        self.horizontalHeader().setFixedHeight(max(60, round(metrics.height() * 2.6)))

    def _icon_px(self) -> int:
        return round(self.fontMetrics().height() * 1.3)

    def use_looks(self, palette: Palette) -> None:
        """Colours and size of the signs."""
        side = self._icon_px()
        self._model.use_looks(palette, side)
        self.setIconSize(QSize(side, side))
        self.fit_columns()
        self.viewport().update()

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self.fit_columns()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        # Letters are commands of the window and no search in the first column.
        if event.text() and event.key() not in (Qt.Key.Key_Return, Qt.Key.Key_Enter, Qt.Key.Key_Space):
            event.ignore()
            return
        super().keyPressEvent(event)
