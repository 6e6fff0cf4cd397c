"""The notes agree with what they describe."""

from __future__ import annotations

import importlib.util
from binascii import crc_hqx
from pathlib import Path

import pytest
from firmware_board import NOTES

from recorder.calibration_fit import NARROWEST_KPA


def test_the_drawings_are_what_the_script_draws(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    spec = importlib.util.spec_from_file_location("drawings", NOTES / "drawings.py")
    assert spec and spec.loader
    drawings = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(drawings)
    monkeypatch.setattr(drawings, "HERE", tmp_path)
    drawings.main()
    drawn = {p.name: p.read_text() for p in tmp_path.glob("*.svg")}
    assert drawn == {p.name: p.read_text() for p in NOTES.glob("*.svg")}
    assert len(drawn) == 5


def test_the_worked_check_is_right() -> None:
    """Every row of the table "after each byte" in wire.md."""
    text = (NOTES / "wire.md").read_text()
    body = b"F,500000,open"
    table = text.split("And after each byte of the line:")[1].split("So the line")[0]
    left, right = [], []
    for row in table.strip().splitlines()[2:]:
        cells = [c.strip(" `*") for c in row.strip("|").split("|")]
        left.append(cells[:3])
        right.append(cells[4:7])
    rows = [r for r in left + right if r[0]]
    assert len(rows) == len(body)
    for i, (char, byte, crc) in enumerate(rows):
        assert char == chr(body[i]) and int(byte, 16) == body[i]
        assert int(crc, 16) == crc_hqx(body[: i + 1], 0)


def test_the_calibration_notes_say_what_the_program_does() -> None:
    """The span that is refused, the settling of both pages, and the commands and lines that they name."""
    notes = (NOTES / "calibration.md").read_text("utf-8")
    docs = (NOTES.parent / "docs" / "calibration.md").read_text("utf-8")
    column_kpa = 3 * 998.2 * 9.80665 / 1000
    assert column_kpa < NARROWEST_KPA and "A column of water is a check, not a calibration." in notes
    for text in (notes, docs):
        assert f"{NARROWEST_KPA:g} kPa" in text and "half a minute" in text
    program = (NOTES.parent / "recorder" / "cli" / "adapter.py").read_text("utf-8")
    assert "`reading, hose open`" in notes and "reading, hose open" in program
