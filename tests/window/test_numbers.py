"""The numbers beside a result."""

from __future__ import annotations

from itertools import pairwise

from PySide6.QtWidgets import QLabel
from pytestqt.qtbot import QtBot

from recorder.window.parts.numbers import NumberGrid
from recorder.window.state.result import Number


def test_they_stand_at_even_distances_however_many_there_were_before(qtbot: QtBot) -> None:
    grid = NumberGrid(sources=False)
    qtbot.addWidget(grid)
    grid.resize(400, 400)
    grid.show()
    for many in (2, 7, 5, 6):
        grid.show_numbers([Number(f"number {i}", f"{i} kPa", "the trace") for i in range(many)])
        qtbot.wait(20)
        seen = [one.geometry() for one in grid.findChildren(QLabel)
                if one.isVisible() and one.text().startswith("number")]
        tops = sorted(one.top() for one in seen)
        assert len(tops) == many
        assert {b - a for a, b in pairwise(tops)} == {seen[0].height()}
