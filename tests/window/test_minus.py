"""Numbers below zero have one sign everywhere in the window: the minus of the large reading."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QLabel
from pytestqt.qtbot import QtBot

from recorder.model import Mark
from recorder.numerals import typed_number
from recorder.window.parts.plot import PlainAxis
from recorder.window.parts.table import RecordsModel
from recorder.window.parts.widgets import words
from recorder.window.places.live import LivePage
from recorder.window.state.colours import LIGHT
from recorder.window.state.records import RecordRow
from recorder.window.state.testing import live_screen
from recorder.window.state.words import breakable, minus
from tests.window.test_state_testing import BASE

_HYPHEN = re.compile(r"(?<![\w.])-\d")


@pytest.mark.parametrize(("text", "said"), [
    ("-26.3 kPa", "−26.3 kPa"), ("gauge reads -26.3 kPa, -0.4 then", "gauge reads −26.3 kPa, −0.4 then"),
    ("-0.0 kPa", "0.0 kPa"), ("-0 and -0.00", "0 and 0.00"), ("-0.3 ± 0.2", "−0.3 ± 0.2"), ("-.5", "−.5"),
    ("(-3)", "(−3)"), ("-0.05", "−0.05"), ("-00.10", "−00.10"),
    ("2026-03-14", "2026-03-14"), ("hose-7", "hose-7"), ("20260301T010000Z-system-0001.csv",) * 2,
    ("1e-05", "1e-05"), ("10-12 psi", "10-12 psi"),
    ("/x/-5.csv", "/x/-5.csv"), ("C:\\-5", "C:\\-5"), ("a - b", "a - b"),
])
def test_only_the_sign_of_a_number_is_one(text: str, said: str) -> None:
    assert minus(text) == said


def test_the_facts_below_the_steps_have_the_sign_of_the_large_reading(qtbot: QtBot) -> None:
    page = LivePage(LIGHT)
    qtbot.addWidget(page)
    seen = replace(BASE, pressure_kpa=-26.3, peak_kpa=-1.5)
    page.show_live(live_screen(seen, test="cap", unit="kPa", marks=[Mark(1.0, "seen")]), (), (), None)
    said = [label.text() for label in page.findChildren(QLabel)]
    assert page.reading.accessibleName() == "pressure −26.3 kPa"
    assert any("−1.5\u00a0kPa" in text for text in said) and not any(map(_HYPHEN.search, said))


def test_tables_axes_and_words_have_it(qtbot: QtBot) -> None:
    label = words("muted")
    qtbot.addWidget(label)
    label.setText("rose -0.3 kPa")
    assert label.text() == "rose −0.3 kPa"
    model = RecordsModel(LIGHT, "kPa")
    model.list.add([RecordRow("a-1.csv", "2026-03-01", "van", "cap", "", None, -0.3, "PASS")])
    assert model.data(model.index(0, 5), Qt.ItemDataRole.DisplayRole) == "−0.30"
    for typed in ("-0.3", "−0.3"):  # either finds it
        model.list.set_filter(typed)
        assert model.rowCount() == 1
    assert PlainAxis("left").tickStrings([-1.0, 0.0, 1.0], 1.0, 1.0) == ["−1", "0", "1"]


def test_what_the_window_shows_can_be_typed_again() -> None:
    assert typed_number("−26.3 kPa", "1 kPa") == (-26.3, "kPa")


@pytest.mark.parametrize("text", ["20260301T010000Z-system-0001.csv", "a van " * 30, "", "x" * 40])
def test_what_fits_a_line_is_left_as_it_is(text: str) -> None:
    assert breakable(text) == text


def test_no_word_makes_a_label_wider_than_the_window(qtbot: QtBot) -> None:
    """A job of one word of 200 letters pushed the answer out of the window."""
    label, short = words("reason"), words("reason")
    qtbot.addWidget(label)
    qtbot.addWidget(short)
    text = "job " + "W" * 200 + ", done"
    label.setText(text)
    short.setText("W" * 24)
    assert label.minimumSizeHint().width() <= short.minimumSizeHint().width()
    assert label.text() == text and QLabel.text(label) != text
