"""Before a test: which one, the cap's marking, the job, the adapter."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from functools import partial

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QKeyEvent, QResizeEvent, QShowEvent
from PySide6.QtWidgets import QGridLayout, QLabel, QLineEdit, QWidget

from recorder.errors import RecorderError
from recorder.limits import Procedure
from recorder.model import TestKind
from recorder.moments import job_key
from recorder.window.parts.job import JobEdit
from recorder.window.parts.widgets import (
    SMALLEST_TARGET_PX,
    Choice,
    Key,
    Ladder,
    fits,
    restyle,
    words,
)
from recorder.window.state.colours import Palette
from recorder.window.state.gauge import Gauge, gauge_words
from recorder.window.state.jobs import offered
from recorder.window.state.ports import SIMULATED, PortChoice, port_choices
from recorder.window.state.testing import SetupForm, check_setup, start_screen, with_repair

__all__ = ["SetupPage"]

_LONG = 70  # letters; a longer line is written smaller
_TESTS: tuple[tuple[TestKind, str], ...] = (("cap", "Cap"), ("system", "System"), ("tester", "Tester itself"))


class SetupPage(QWidget):
    """The form. ``wanted`` is emitted when Enter is pressed in it, ``changed`` when it may start or no longer may."""

    wanted = Signal()
    changed = Signal()

    def __init__(self, palette: Palette, unit: str, *, gauge: Gauge, remembered: str | None,
                 choices: Callable[[str | None], list[PortChoice]] = port_choices,
                 procedure: Callable[[TestKind], Procedure] | None = None) -> None:
        super().__init__()
        self._procedure = procedure
        self.unit = unit
        self.gauge = gauge
        self.remembered = remembered
        self.test: TestKind = "cap"
        self._read_for: str | None = None  # the job whose cap the marking was read from; None: of the one that is typed
        self._taken_out = ""
        self._mended_for: str | None = None  # the job whose car the field of repairs is of; None: of the one typed
        self._mended: dict[str, str] = {}  # what was mended on cars whose job is not in its field now, by their job
        self._list_choices = choices
        self._choices: list[PortChoice] = []
        grid = QGridLayout(self)
        grid.setContentsMargins(10, 4, 10, 4)
        grid.setVerticalSpacing(4)
        self.heading = words("sentence", name="what to do")
        grid.addWidget(self.heading, 0, 0, 1, 4)
        self.test_keys: dict[TestKind, Key] = {}
        for column, (test, name) in enumerate(_TESTS):
            key = Key(name, partial(self.choose_test, test), says=f"{name} test")
            key.setCheckable(True)
            self.test_keys[test] = key
            grid.addWidget(key, 1, 1 + column)
        grid.addWidget(QLabel("Which test"), 1, 0)
        self._fields(grid)
        self.caution = words("caution", name="caution")
        grid.addWidget(self.caution, 7, 0, 1, 4)
        self.ladder = Ladder(palette)
        grid.addWidget(self.ladder, 8, 0, 1, 4)
        grid.setRowStretch(8, 1)
        for column in (1, 2, 3):
            grid.setColumnStretch(column, 1)
        self._connect()
        self.may_start = False
        self.refresh_ports()
        self.choose_test(self.test)

    def _fields(self, grid: QGridLayout) -> None:
        """What is typed and chosen, in the rows 2 to 6."""
        self.marked_edit, self.job_edit, self.repair_edit = QLineEdit(), JobEdit(offered), QLineEdit()
        self.marked_edit.setPlaceholderText("as stamped, like 16 psi")
        self.job_edit.setPlaceholderText("job number, vehicle, anything (↓ the folder's jobs)")
        self.repair_edit.setPlaceholderText("what was mended since this job's last test; empty: nothing")
        for edit in (self.job_edit, self.repair_edit):
            edit.setMaxLength(200)
        self.port_box = Choice("Adapter")
        self.gauge_line = words("muted", name="what the readings rest on")
        self.hint = words("muted", name="what the marking was read as")
        rows: tuple[tuple[str, QWidget], ...] = (
            ("Cap's marking", self.marked_edit), ("Job", self.job_edit),
            ("Repaired", self.repair_edit), ("Adapter", self.port_box),
        )
        for row, (name, widget) in enumerate(rows, start=2):
            label = QLabel(name)
            label.setBuddy(widget)
            widget.setAccessibleName(name)
            widget.setMinimumHeight(SMALLEST_TARGET_PX)
            grid.addWidget(label, row, 0)
            grid.addWidget(widget, row, 1, 1, 1 if row == 2 else 3)
        grid.addWidget(self.hint, 2, 2, 1, 2)
        grid.addWidget(self.gauge_line, 6, 1, 1, 3)

    def _connect(self) -> None:
        self.marked_edit.textChanged.connect(self.check)
        self.marked_edit.textEdited.connect(self._marking_typed)
        self.job_edit.textChanged.connect(self._job_changed)
        self.repair_edit.textEdited.connect(self._repair_typed)
        for edit in (self.marked_edit, self.repair_edit):
            edit.returnPressed.connect(self.wanted.emit)
        self.job_edit.entered.connect(self.wanted.emit)
        self.port_box.entered.connect(self.wanted.emit)
        self.port_box.currentIndexChanged.connect(self._port_chosen)
        self.port_box.editTextChanged.connect(self.check)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Enter on the key of the test that is chosen starts, as in the fields, which say it by themselves; on another
        one's it chooses that test, for the one that begins is never another than the key says."""
        enter = event.key() in (Qt.Key.Key_Return, Qt.Key.Key_Enter)
        at = [test for test, key in self.test_keys.items() if key is self.focusWidget()]
        if not enter or event.isAutoRepeat() or not at:
            super().keyPressEvent(event)
        elif at[0] == self.test:
            self.wanted.emit()
        else:
            self.choose_test(at[0])

    def refresh_ports(self) -> None:
        """Looks for ports again; the one chosen stays chosen."""
        self._choices = self._list_choices(self.remembered)
        self.port_box.blockSignals(True)
        self.port_box.clear()
        for choice in self._choices:
            self.port_box.addItem(choice.label, choice)
        at = [i for i, c in enumerate(self._choices) if c.url == self.remembered]
        self.port_box.setCurrentIndex(at[0] if at else 0)
        self.port_box.blockSignals(False)
        if not self.job_edit.text():  # what was filled in stays as it is
            self._port_chosen(self.port_box.currentIndex())
        self.check()

    def choice(self) -> PortChoice | None:
        """The adapter that is chosen or typed; None where there is none."""
        index = self.port_box.currentIndex()
        if 0 <= index < len(self._choices) and self._choices[index].label == self.port_box.currentText():
            return self._choices[index]
        text = self.port_box.currentText().strip()
        return PortChoice(text, text) if text else None

    def _port_chosen(self, index: int) -> None:
        choice = self._choices[index] if 0 <= index < len(self._choices) else None
        if choice is not None and choice.test is not None:  # a simulated scene brings its facts
            self._marking_typed()
            self.choose_test(choice.test)
            self.marked_edit.setText(choice.marked)
            self.job_edit.setText(choice.job)
            self.repair_edit.setText(choice.repair)
            self._mended_for = job_key(choice.job)
        self.check()

    def tested(self) -> None:
        """A test of what is filled in has begun: the marking was read for this job, and what was mended was so before
        this test, not before the next one."""
        self._read_for, self._taken_out = job_key(self.job_edit.text()), ""
        self._mended.pop(self._read_for, None)
        self.repair_edit.clear()
        self._mended_for = None

    def mended(self, repair: str) -> str:
        """Says what was mended since the last test of the job in its field; said again, it is taken back. All that is
        said by then."""
        self.repair_edit.setText(with_repair(self.repair_edit.text(), repair))
        self._mended_for = job_key(self.job_edit.text())
        return self.repair_edit.text()

    def _repair_typed(self) -> None:
        """What is mended on a car that was tested before is of its job; a job that is new may still be being typed."""
        key = job_key(self.job_edit.text())
        tested = key == self._read_for or any(job_key(job) == key for job in self.job_edit.jobs)
        self._mended_for = key if tested else None

    def _marking_typed(self) -> None:
        self._read_for, self._taken_out = None, ""

    def _job_changed(self) -> None:
        """The marking of one car's cap is not taken for the next car's, nor is what was mended on it: they go, and come
        back with their job."""
        key = job_key(self.job_edit.text())
        if self._mended_for is not None and key != self._mended_for:
            self._mended[self._mended_for] = self.repair_edit.text()
            self.repair_edit.clear()
            self._mended_for = None
        if not self.repair_edit.text() and self._mended.get(key):
            self.repair_edit.setText(self._mended.pop(key))
            self._mended_for = key
        if self._read_for is None:
            return
        other, marked = key != self._read_for, self.marked_edit.text()
        if other and marked:
            self._taken_out = marked
            self.marked_edit.clear()
        elif not other and self._taken_out:
            self.marked_edit.setText(self._taken_out)
            self._taken_out = ""

    def choose_test(self, test: TestKind) -> None:
        """Cap, system, or the tester itself."""
        self.test = test
        for name, key in self.test_keys.items():
            key.setChecked(name == test)
            word = dict(_TESTS)[name]
            key.setText(f"● {word}" if name == test else f"○ {word}")
        self.marked_edit.setEnabled(test != "tester")
        self.check()

    def form(self) -> SetupForm:
        """What was filled in, checked."""
        choice = self.choice()
        url = choice.url if choice else ""
        # the simulated tester has a gauge of its own
        scale_kpa = None if url.startswith(SIMULATED) else self.gauge.reads_to_kpa()
        return check_setup(self.test, self.marked_edit.text(), url, self.unit, full_scale_kpa=scale_kpa,
                           procedure=self._limits())

    def _limits(self) -> Procedure | None:
        try:
            return self._procedure(self.test) if self._procedure is not None else None
        except RecorderError:
            return None  # it is said when the test is started

    def check(self) -> None:
        """Says whether this test can start, and what is missing."""
        form = self.form()
        screen = start_screen(self.test, self.unit)
        of_another = f"{self._taken_out} was the cap of the job before; read this one's"
        self.hint.setText(of_another if self._taken_out and self.test != "tester" else form.hint)
        choice = self.choice()
        simulated = choice is not None and choice.url.startswith(SIMULATED)
        ready = "Ready, SIMULATED" if simulated else "Ready"
        heading = form.problem or f"{ready}: press Start, then follow the words"
        self.heading.setText(heading)
        restyle(self.heading, "long", len(heading) > _LONG)
        said = gauge_words(self.gauge, self.unit, date.today())
        self.gauge_line.setText("an invented test with a gauge of its own: nothing is measured" if simulated else
                                f"{said}. Say what it is: F3, then G" if said.startswith("▲") else said)
        self.caution.setText(screen.caution)
        self.ladder.show_rungs(screen.rungs)
        self.may_start = not form.problem
        self._make_room()
        self.changed.emit()

    def showEvent(self, event: QShowEvent) -> None:
        super().showEvent(event)
        self._make_room()

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._make_room()

    def _make_room(self) -> None:
        """The profile of the test is shown where the fields leave room for it."""
        if not self.isVisible():
            return
        self.ladder.hide()
        self.ladder.setVisible(fits(self, spare=self.ladder.minimumHeight() + 30))

    def set_colours(self, palette: Palette) -> None:
        """Light or dark."""
        self.ladder.colours = palette
        self.ladder.update()
