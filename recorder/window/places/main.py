"""The window itself: three places, one banner line, the keys that work everywhere, the question on closing."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtGui import (
    QCloseEvent,
    QFontInfo,
    QKeyEvent,
    QKeySequence,
    QResizeEvent,
    QShortcut,
    QShowEvent,
)
from PySide6.QtWidgets import QApplication, QLayout, QMessageBox, QVBoxLayout, QWidget

from recorder.settings import Settings
from recorder.window.parts.bar import Bar
from recorder.window.parts.style import font_px, style_sheet
from recorder.window.parts.widgets import Key, Pages, restyle, words
from recorder.window.places.testing import Testing
from recorder.window.state.colours import DARK, LIGHT
from recorder.window.state.gauge import Gauge
from recorder.window.state.testing import UNITS
from recorder.window.state.words import in_window

if TYPE_CHECKING:
    from recorder.window.places.adapter import AdapterPlace
    from recorder.window.places.records import RecordsPlace

__all__ = ["MainWindow"]

_PLACES = ("Testing", "Records", "Adapter")


class MainWindow(QWidget):
    """Testing, Records and Adapter. The last two are made when they are wanted, or when there is time."""

    looks_changed = Signal()

    def __init__(self, settings: Settings, folder: Path, *, port: str | None = None, speed: float | None = 1.0,
                 dark: bool = False, mute: bool = False, beep: Callable[[], None] | None = None,
                 ask: Callable[[], bool] | None = None, ask_folder: Callable[[], str] | None = None,
                 gauge: Gauge | None = None) -> None:
        super().__init__()
        self.setWindowTitle("hose gauge recorder")
        self.colours = DARK if dark else LIGHT
        self.unit = settings.unit
        self.settings, self.folder = settings, folder
        self._ask = ask or self._ask_to_close
        self._asking: QMessageBox | None = None  # the question, while it is open
        self._unasked = False
        self._own_px = QFontInfo(QApplication.font()).pixelSize()
        self._px = 0
        self._records: RecordsPlace | None = None
        self._adapter: AdapterPlace | None = None
        self._at = 0
        self.banner = words("banner", name="message")
        self.banner.hide()
        self.testing = Testing(settings, folder, self.colours, port=port, speed=speed, beep=beep, ask_folder=ask_folder,
                               gauge=gauge)
        self.testing.sounding.mute = mute
        self.places = Pages()
        self.places.addWidget(self.testing)
        self.testing.problem.connect(self.say)
        self.testing.note.connect(self.tell)
        self.testing.alarmed.connect(self._alarmed)
        self.testing.actions_changed.connect(self._show_actions)
        self.testing.recorded.connect(self._recorded)
        self.place_keys = [
            Key(f"F{n + 1}  {name}", partial(self.go, n), says=f"go to {name}") for n, name in enumerate(_PLACES)
        ]
        for key in self.place_keys:
            key.setCheckable(True)
        self.unit_key = Key("", self.next_unit, says="pressure unit")
        self.light_key = Key("", self.toggle_dark, says="light or dark")
        self.mute_key = Key("", self.toggle_mute, says="sound on or off")
        for key in (self.unit_key, self.light_key, self.mute_key):
            key.setFocusPolicy(Qt.FocusPolicy.TabFocus)  # touched while one writes, they leave one where one was
        self.bar = Bar(self.place_keys, (self.unit_key, self.light_key, self.mute_key))
        column = QVBoxLayout(self)
        column.setContentsMargins(8, 6, 8, 6)
        # The font follows the size, so the size must not be bound by the font.
        column.setSizeConstraint(QLayout.SizeConstraint.SetNoConstraint)
        self.setMinimumSize(800, 480)
        column.addWidget(self.banner)
        column.addWidget(self.places, 1)
        column.addWidget(self.bar)
        self._acts: dict[str, Callable[[], object]] = {}
        self._shortcuts()
        self._show_keys()
        self._restyle()
        self.go(0)

    # ------------------------------------------------------------ places

    @property
    def records(self) -> RecordsPlace:
        """The Records place."""
        if self._records is None:
            from recorder.window.places.records import RecordsPlace

            self._records = place = RecordsPlace(self.folder, self.colours, self.unit)
            place.problem.connect(self.say)
            place.note.connect(self.tell)
            self._take_in(place)
        return self._records

    @property
    def adapter(self) -> AdapterPlace:
        """The Adapter place."""
        if self._adapter is None:
            from recorder.window.places.adapter import AdapterPlace

            self._adapter = place = AdapterPlace(self.settings, self.folder, self.colours, self.unit, self.testing)
            place.problem.connect(self.say)
            place.note.connect(self.tell)
            self._take_in(place)
        return self._adapter

    def _take_in(self, place: RecordsPlace | AdapterPlace) -> None:
        place.actions_changed.connect(self._show_actions)
        place.use_font(self._px)
        self.places.addWidget(place)

    def warm_up(self) -> None:
        """Makes what has not been wanted yet; called when the window stands and nothing else is to do."""
        if not self.testing.active:
            _ = self.testing.live, self.records, self.adapter

    def go(self, n: int) -> None:
        """To one of the three places."""
        self._at = n
        place: QWidget = (self.testing, None, None)[n] or (self.records if n == 1 else self.adapter)
        self.places.setCurrentWidget(place)
        for i, key in enumerate(self.place_keys):
            key.setChecked(i == n)
        self.say("")
        if self._adapter is not None:
            self._adapter.shown(n == 2)
        if n == 1:
            self.records.reload()
            self.records.take_focus()
        if n == 0:
            self.testing.say_again()
            self.testing.take_focus()
        self._show_actions()

    def _show_actions(self) -> None:
        at = self._at
        keys = self.testing.keys_now() if at == 0 else self.records.keys_now() if at == 1 else self.adapter.keys_now()
        self.bar.show_actions(keys)

    def _alarmed(self) -> None:
        if self._at != 0:
            self.go(0)  # wherever one was looking: this comes first

    def _recorded(self, _path: str) -> None:
        if self._records is not None:
            self._records.reload()

    # ------------------------------------------------------------ words

    def say(self, text: str) -> None:
        """One line at the top about what is wrong, until the next; an empty one takes it away."""
        self._banner(f"▲ {in_window(text)}" if text else "", calm=False)

    def tell(self, text: str) -> None:
        """One line at the top about what was done."""
        self._banner(text, calm=True)

    def _banner(self, text: str, *, calm: bool) -> None:
        if text == self.banner.text() and bool(text) == self.banner.isVisibleTo(self):
            return
        restyle(self.banner, "calm", calm)
        self.banner.setText(text)
        self.banner.setAccessibleDescription(text)
        self.banner.setVisible(bool(text))

    # ------------------------------------------------------------ keys

    def keyPressEvent(self, event: QKeyEvent) -> None:
        # Shortcuts work only in the active window, which a screen without a window manager never has.
        act = self._acts.get(QKeySequence(event.key()).toString())
        if act is None or event.modifiers() & ~Qt.KeyboardModifier.KeypadModifier:
            super().keyPressEvent(event)
        else:
            act()

    def _shortcuts(self) -> None:
        def on(keys: str, act: Callable[[], object]) -> None:
            self._acts[keys] = act
            QShortcut(QKeySequence(keys), self).activated.connect(act)

        for n in range(3):
            on(f"F{n + 1}", partial(self.go, n))
        on("U", self.next_unit)
        on("L", self.toggle_dark)
        on("M", self.toggle_mute)
        on("Esc", self._escape)
        testing = {
            "F": lambda: self.testing.noting.toggle(), "E": lambda: self.testing.ending.press(),
            "N": lambda: self.testing.next_test(), "B": lambda: self.testing.other_test(),
            "S": lambda: self.testing.storing.store_again(), "R": lambda: self.testing.repairs.toggle(),
        }
        for n in range(1, 10):
            testing[str(n)] = partial(self.testing.place_key, n)
        records = {
            "O": lambda: self.records.overlay_selected(), "J": lambda: self.records.check_all(),
            "P": lambda: self.records.export(),
        }
        adapter = {"H": lambda: self.adapter.toggle_listening(), "C": lambda: self.adapter.show_page(1),
                   "G": lambda: self.adapter.show_page(2)}
        for n, acts in enumerate((testing, records, adapter)):
            for key, act in acts.items():
                on(key, partial(self._if_at, n, act))

    def _if_at(self, n: int, act: Callable[[], object]) -> None:
        if self._at == n:
            act()

    def _escape(self) -> None:
        if self._at == 0 and self.testing.noting.choosing:
            self.testing.noting.toggle()
        elif self._at == 0 and self.testing.repairs.asking:
            self.testing.repairs.toggle()
        elif self._at == 1:
            self.records.back()
        elif self._at == 2:
            self.adapter.back()

    # ------------------------------------------------------------ looks

    def next_unit(self) -> None:
        """kPa, psi, bar, kgf/cm2, round and round."""
        at = UNITS.index(self.unit) if self.unit in UNITS else -1
        self.unit = UNITS[(at + 1) % len(UNITS)]
        self.refresh()
        self._show_keys()

    def refresh(self) -> None:
        """Draws every place anew, in the unit of this moment."""
        for place in (self.testing, self._records, self._adapter):
            if place is not None:
                place.set_unit(self.unit)

    def toggle_dark(self) -> None:
        """Light for the sun, dark for the pit."""
        self.colours = LIGHT if self.colours is DARK else DARK
        self._px = 0
        self._restyle()
        for place in (self.testing, self._records, self._adapter):
            if place is not None:
                place.set_colours(self.colours)
        self._show_keys()

    def toggle_mute(self) -> None:
        """Sound on or off; turned on it is heard once, so that one knows whether it works."""
        self.testing.sounding.set_mute(not self.testing.sounding.mute)
        self._show_keys()

    def _show_keys(self) -> None:
        self.unit_key.setText(f"U  {self.unit}")
        self.light_key.setText("L  light" if self.colours is DARK else "L  dark")
        self.mute_key.setText("M  sound off" if self.testing.sounding.mute else "M  sound on")
        self.unit_key.setAccessibleName(f"pressure unit, now {self.unit}")
        self.mute_key.setAccessibleName("sound, now off" if self.testing.sounding.mute else "sound, now on")
        self.bar.arrange()
        self.looks_changed.emit()

    def _restyle(self) -> None:
        px = font_px(min(self.height(), round(self.width() * 0.6)), self._own_px)
        if px != self._px:
            self._px = px
            self.setStyleSheet(style_sheet(self.colours, px))
            for place in (self.testing, self._records, self._adapter):
                if place is not None:
                    place.use_font(px)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._restyle()

    def showEvent(self, event: QShowEvent) -> None:
        super().showEvent(event)
        if self._at == 0:
            self.testing.take_focus()

    # ------------------------------------------------------------ the end

    def _ask_to_close(self) -> bool:
        box = QMessageBox(self)
        running = self.testing.running
        if self.testing.active:
            stored = running is None or running.stored
            box.setWindowTitle("A test is running")
            box.setText("End the test and close? " + (
                "The recording will be complete, and judged as far as it goes." if stored else
                "It is not on disk: you are asked again before it is lost.")
                + "\nThe hose may still be under pressure: relieve it first.")
        else:
            box.setWindowTitle("A test is not stored")
            box.setText("This test is not on disk yet: S stores it in another folder. Close all the same?")
        close = box.addButton("Close", QMessageBox.ButtonRole.AcceptRole)
        stay = box.addButton("Go on", QMessageBox.ButtonRole.RejectRole)
        box.setDefaultButton(stay)
        box.setEscapeButton(stay)
        self._asking = box
        box.exec()
        self._asking = None
        return self._unasked or box.clickedButton() is close

    def closeEvent(self, event: QCloseEvent) -> None:
        running = self.testing.running
        if self.testing.active or (running is not None and not running.stored):
            if not self._ask():
                event.ignore()
                return
            was_active = self.testing.active
            self.testing.end("window closed", wait=True)
            if was_active and running is not None and not running.stored and not self._ask():
                event.ignore()  # its result stands there now, and S stores it elsewhere
                return
        self.hide()  # what is being judged again is waited for
        for place in (self.testing, self._records, self._adapter):
            if place is not None:
                place.close_down()
        event.accept()

    def close_unasked(self) -> None:
        """At once, as whoever is asked by nobody wants it."""
        self._ask, self._unasked = lambda: True, True
        if self._asking is None:
            self.close()
        else:  # it is closing already, and only waits for the answer
            self._asking.reject()

    def warm_up_soon(self) -> None:
        """After the first redraw."""
        QTimer.singleShot(50, self.warm_up)
