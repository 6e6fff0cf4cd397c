"""While a test runs, and its result: shows what ``state`` decides."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QHBoxLayout, QLabel, QVBoxLayout, QWidget

from recorder.model import Mark
from recorder.report import PLACES, SIMULATED
from recorder.window.parts.findings import Findings
from recorder.window.parts.hold import HoldView
from recorder.window.parts.numbers import NumberGrid
from recorder.window.parts.sign import Sign
from recorder.window.parts.trace import TraceView
from recorder.window.parts.widgets import Ladder, Reading, fits, restyle, words
from recorder.window.state.colours import Palette
from recorder.window.state.hold import HoldStrip
from recorder.window.state.result import LeftOnScreen, ResultScreen
from recorder.window.state.testing import REPAIRS, LiveScreen, Span
from recorder.window.state.trace import Earlier, TraceStore
from recorder.window.state.words import minus

if TYPE_CHECKING:
    from recorder.analysis import HoldCurve

__all__ = ["LivePage", "together"]

_FEW, _FEWER = 7, 5  # numbers beside a result; all of them are in the recording

# Of a result's words, the largest first: the outcome, whether the reasons are tight, numbers, the sentence.
_SCALES = (
    ("large", False, _FEW, "large"), ("", False, _FEW, "large"), ("", False, _FEWER, "large"),
    ("large", False, _FEW, "now"), ("", False, _FEW, "now"), ("", False, _FEWER, "now"),
    ("", True, _FEWER, "now"), ("", True, _FEWER, ""),
    ("", True, 0, ""), ("", True, 0, "small"), ("", True, 0, "long"),
    ("small", True, _FEWER, ""), ("small", False, 0, ""), ("small", True, 0, ""), ("small", True, 0, "long"),
)
_LEGIBLE = 7  # the first ones, of which the sentence is as large as while the test ran
_TRACE_LINES = 8  # of its font: levels, phases and the axis of time

_WORD_SHARE = 0.36  # of the page's width: beside it stand the sign, and numbers or the reading


def together(text: str, unit: str) -> str:
    """No line ends between a number, its doubt and their unit, or within that: a line may end behind its stroke (UAX
    #14, class SY), but not before a word joiner (WJ)."""
    text, whole = text.replace(" ± ", "\u00a0±\u00a0"), unit.replace("/", "/\u2060")
    return text.replace(f" {unit}", f"\u00a0{whole}").replace(f"{whole}/min", f"{whole}/\u2060min")


class LivePage(QWidget):
    """One page with two faces: running, and result."""

    def __init__(self, palette: Palette) -> None:
        super().__init__()
        self._column = column = QVBoxLayout(self)
        column.setContentsMargins(10, 4, 10, 4)
        column.setSpacing(4)
        self._top = top = QHBoxLayout()
        top.setSpacing(14)
        self.reading, self.ladder, self.sign = Reading(palette), Ladder(palette), Sign(palette)
        self.word = words("word", name="outcome")
        self.word.setWordWrap(False)
        self.reasons = words("reasons", name="reasons and what to do next")
        self.facts = words("numbers", name="numbers")
        self.numbers = NumberGrid(sources=False)
        top.addWidget(self.reading, 5)
        top.addWidget(self.sign, 0, Qt.AlignmentFlag.AlignTop)
        self._said = QWidget()
        said = QVBoxLayout(self._said)
        said.setContentsMargins(0, 0, 0, 0)
        said.addWidget(self.word)
        said.addWidget(self.reasons)
        said.addStretch(1)
        top.addWidget(self._said, 6)
        top.addWidget(self.numbers, 4)
        self._steps = QWidget()
        steps = QVBoxLayout(self._steps)
        steps.setContentsMargins(0, 0, 0, 0)
        steps.addWidget(self.ladder, 1)
        steps.addWidget(self.facts)
        top.addWidget(self._steps, 6)
        self.simulated = words("simulated", name="this test is simulated")
        self.simulated.setText(SIMULATED)
        self.simulated.hide()
        self.of = words("muted", name="which test of which job")
        column.addWidget(self.of)
        column.addWidget(self.simulated)
        column.addLayout(top, 4)
        self.sentence, self.caution = words("sentence", name="what to do"), words("caution", name="caution")
        column.addWidget(self.sentence)
        column.addWidget(self.caution)
        lower = QHBoxLayout()
        lower.setSpacing(12)
        self.findings = Findings({place: place for place in PLACES}, what="finding", ask="What was found, and where")
        self.repairs = Findings(REPAIRS, what="repair", ask="What was mended since")
        for keypad in (self.findings, self.repairs):
            keypad.hide()
            lower.addWidget(keypad, 5)
        self._result = ResultScreen("", "slash", "nothing", (), (), "", ())
        self._lead = ""  # of the advice, what stands large below the outcome
        self.trace, self.hold = TraceView(palette), HoldView(palette)
        self.hold.hide()
        lower.addWidget(self.trace, 5)
        lower.addWidget(self.hold, 5)
        column.addLayout(lower, 6)

    def begin(self, store: TraceStore, earlier: Earlier | None, *, of: str = "", simulated: bool = False) -> None:
        """An empty trace, with the earlier one behind it. of: which test this is; that and simulated are said as long
        as the test and its result show."""
        self._set(self.of, of)
        self.simulated.setVisible(simulated)
        self.trace.clear_trace()
        self.trace.store = store
        self.trace.earlier = self.hold.earlier = earlier
        self.hold.show_hold(None, store, None)
        self._show_face(result=False)

    def _show_face(self, *, result: bool, keep: Findings | None = None) -> None:
        self._column.setStretchFactor(self._top, 0 if result else 4)  # a result takes what its words need
        for widget in (self.sign, self._said, self.numbers):
            widget.setVisible(result)
        for widget in (self.reading, self.sentence, self._steps):
            widget.setVisible(not result)
        for label in (self.sentence, self.caution):
            restyle(label, "scale", "" if result else "now")
        for keypad in (self.findings, self.repairs):
            if keypad is not keep:
                self.open_keypad(keypad, False)

    def open_keypad(self, keypad: Findings, is_open: bool) -> None:
        """A keypad takes the place of the whole trace."""
        keypad.show_places()
        keypad.setVisible(is_open)
        self._show_trace()
        self._find_room()

    def _find_room(self) -> None:
        """Words as large as there is room for now."""
        if self.reasons.isVisible():
            self._tighten()
        elif self.sentence.isVisible():
            self._tighten_sentence()

    def _tighten_sentence(self) -> None:
        """What to do now is as large as can be, and smaller rather than cut."""
        for scale, least in (("now", "now"), ("now", ""), ("", ""), ("small", ""), ("long", "")):
            restyle(self.sentence, "scale", scale)
            restyle(self.caution, "scale", least)
            if fits(self):
                return

    def _show_trace(self) -> None:
        answering = self.findings.isVisibleTo(self) or self.repairs.isVisibleTo(self)
        self.trace.setVisible(not (answering and self.hold.isVisibleTo(self)))

    def show_live(self, screen: LiveScreen, spans: tuple[Span, ...], marks: Sequence[Mark],
                  fit: HoldCurve | None) -> None:
        """One moment of a running test."""
        self.reading.show_reading(screen.reading, screen.unit, alarm=screen.alarm)
        self.ladder.show_rungs(screen.rungs)
        sentence = together(screen.sentence, screen.unit)
        text = minus(("▲ " if screen.alarm or screen.fault else "") + sentence)
        changed = text != self.sentence.text() or screen.caution != self.caution.text()
        self._set(self.sentence, text)
        self._set(self.caution, screen.caution)
        # each is short and stays on one line, but for what was marked
        self._set(self.facts, "   ".join(
            f"{label} {text}" if label == "marked" else f"{label} {text}".replace(" ", "\u00a0")
            for label, text in screen.numbers))
        self._alarm(screen.alarm)
        if changed:
            self._tighten_sentence()
        trace = self.trace
        trace.unit = self.hold.unit = screen.unit
        trace.lines, trace.levels, trace.spans, trace.marks, trace.fit = screen.lines, screen.levels, spans, marks, fit
        was = self.hold.isVisibleTo(self)
        self.hold.show_hold(screen.hold, trace.store, fit, marks)
        if was != (screen.hold is not None):
            self._show_trace()
        if trace.isVisibleTo(self):
            trace.redraw()

    def show_result(self, screen: ResultScreen, strip: HoldStrip | None, spans: tuple[Span, ...],
                    marks: Sequence[Mark], fit: HoldCurve | None, unit: str) -> None:
        """The result of a test; the trace keeps its levels. Shown anew (unit, colours), it keeps an open keypad, and
        what is being written there."""
        asking = self.repairs.isVisibleTo(self) and self._said.isVisibleTo(self)
        self._show_face(result=True, keep=self.repairs if asking else None)
        self.sign.show_sign(screen.sign, screen.role, screen.word)
        self.word.setText(screen.word)
        self.word.setAccessibleName(f"outcome: {screen.word}")
        self._result = screen
        self._set(self.caution, screen.caution)
        self._show_head(None)
        trace = self.trace
        trace.spans, trace.fit, trace.marks, trace.unit, self.hold.unit = spans, fit, marks, unit, unit
        self.hold.show_hold(strip, trace.store, fit, marks)
        self.hold.leak.hide()  # the reasons say it
        if asking:
            self._show_trace()
        self._tighten()
        trace.redraw()

    def show_left_on(self, screen: LeftOnScreen | None) -> None:
        """Above a result: the pressure that is still on, large, and what to do; None takes it away."""
        if screen is not None:
            self.reading.show_reading(screen.reading, screen.unit, alarm=screen.alarm)
            self.reading.setAccessibleName(f"pressure {screen.reading} {screen.unit}, still on")
        self._show_head(screen)

    def _show_head(self, left: LeftOnScreen | None) -> None:
        """What is to be read from as far as the outcome: pressure that is still on before a warning, before what to do
        next."""
        reading, warning = left is not None and bool(left.reading), self._result.warning
        lead = "" if reading else self._result.lead
        if left is not None and reading:
            text = ("▲ " if left.alarm else "") + together(left.sentence, left.unit)
        elif warning:
            text = f"▲ {warning[:1].upper()}{warning[1:]}"
        else:
            text = ". ".join(filter(None, (left.sentence if left is not None else "", lead)))
        changed = (self.reading.isHidden() == reading or self.sentence.isHidden() == bool(text) or lead != self._lead
                   or len(text) > len(self.sentence.text()))
        self._lead = lead
        self._set(self.sentence, text)
        self._alarm((left is not None and left.alarm) or (bool(warning) and not reading))
        self.reading.setVisible(reading)
        # where the sentence says the same, larger
        said = (left is not None and left.alarm) or (bool(lead) and lead == self._result.put_away)
        self.caution.setVisible(not said and bool(self.caution.text()))
        if changed:
            self._tighten()

    def _alarm(self, on: bool) -> None:
        restyle(self.sentence, "alarm", on)
        room = 8 if on else 0  # not in the style sheet: taken back, it would leave margins below zero behind
        self.sentence.setContentsMargins(room, room, room, room)

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._find_room()

    def _tighten(self) -> None:
        """What to do next is larger than while the test ran, where there is room: it is read from afar. Where there is
        too little: smaller words and fewer numbers first, then without the numbers, which Records shows too; in the
        end fewer of the reasons and less of the advice, and it says so. The outcome, to be read from as far as
        possible, shrinks last. The trace has room for its own words where those of the result stay legible from
        afar."""
        self._give_reasons(self._result.beside(self._lead))
        restyle(self.caution, "scale", "")
        wanted = _TRACE_LINES * self.trace._font_px if self.trace.isVisible() else 0
        for word, reasons, numbers, sentence, room in (
            *((*scales, wanted) for scales in _SCALES[:_LEGIBLE]), *((*scales, 0) for scales in _SCALES),
        ):
            restyle(self.word, "scale", word)
            restyle(self.sentence, "scale", sentence)
            restyle(self.reasons, "tight", reasons)
            if numbers:
                self.numbers.show_numbers(self._result.numbers[:numbers])
            self.numbers.setVisible(bool(numbers) and self.reading.isHidden())
            if self._fits() and self.trace.height() >= room and (word != "large" or self._word_is_short()):
                break
        else:
            self._leave_out()
        restyle(self.caution, "scale", "now")  # as large as while the test ran, where there is room for that as well
        if not self._fits():
            restyle(self.caution, "scale", "")

    def _leave_out(self) -> None:
        """Fewer lines, until they fit."""
        for most in range(len(self._result.beside(self._lead)) - 1, 0, -1):
            self._give_reasons(self._result.fewer(most, "F2, then Enter", self._lead)[0])
            if self._fits():
                return

    def _give_reasons(self, lines: Sequence[str]) -> None:
        self._set(self.reasons, together("\n".join(lines), self.trace.unit))

    def _fits(self) -> bool:
        said = self._said.layout()
        if said is not None:
            said.activate()  # else the page hears of other words only after this turn
        return fits(self) and self._word_has_room()

    def _word_has_room(self) -> bool:
        """Whether the outcome, which is never wrapped, is whole beside what stands there."""
        beside = [self.sign.width(), self.word.fontMetrics().horizontalAdvance(self.word.text())]
        if not self.numbers.isHidden():
            beside.append(self.numbers.wanted_px())
        if not self.reading.isHidden():
            beside.append(self.reading.minimumWidth())
        margins = self._column.contentsMargins()
        room = self.width() - margins.left() - margins.right()
        return sum(beside) + self._top.spacing() * (len(beside) - 1) <= room

    def _word_is_short(self) -> bool:
        return self.word.fontMetrics().horizontalAdvance(self.word.text()) <= _WORD_SHARE * self.width()

    @staticmethod
    def _set(label: QLabel, text: str) -> None:
        if label.text() != text:
            label.setText(text)
        if label.isHidden() == bool(text):
            label.setVisible(bool(text))

    def set_colours(self, palette: Palette) -> None:
        """Light or dark."""
        for widget in (self.reading, self.ladder, self.sign):
            widget.colours = palette
            widget.update()
        self.trace.set_colours(palette)
        self.hold.set_colours(palette)

    def use_font(self, px: int) -> None:
        """The size of what is drawn rather than styled."""
        self.trace.use_font(px)
        self.hold.use_font(px)
        self.sign.setFixedSize(px * 6, px * 6)
