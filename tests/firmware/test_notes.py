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


def test_the_voltages_to_measure_are_those_of_dividers_and_firmware() -> None:
    """The table of wiring.md against Ohm's law and the numbers in both programs."""
    text = (NOTES / "wiring.md").read_text("utf-8")
    table = text.split("## Measure before you plug it in")[1].split("A supply of")[0]
    rows = {cells[1].split(",")[0].strip(): [c.strip() for c in cells[2:4]] for line in table.splitlines()
            if len(cells := line.split("|")) == 5}
    divider = 15 / (10 + 15)
    assert "10 kΩ and 15 kΩ (× 0.6)" in text and divider == pytest.approx(0.6)
    for name, volts in (("supply pin (A1; GP27)", 5.0), ("signal pin (A0; GP26)", 0.5),
                        ("signal pin at full scale", 4.5)):
        assert [float(x.split()[0]) for x in rows[name]] == pytest.approx([volts, volts * divider])
    assert 5.5 * divider <= 3.3 + 1e-9  # the highest USB supply, shorted to the signal
    full_5v, full_33v = 4092, 65535
    assert f"FULL_SCALE = {full_5v};" in (NOTES / "arduino/hose_adapter/hose_adapter.ino").read_text("utf-8")
    program = (NOTES / "micropython/main.py").read_text("utf-8")
    assert f",{full_33v},100" in program
    open_5v, open_33v = (int(x.split()[0]) for x in rows["counts with the hose open"])
    assert abs(open_5v - full_5v * 0.1) < 1 and abs(open_33v - full_33v * 0.5 * divider / 3.3) < 1
    assert int(rows["supply counts"][0]) == full_5v
    assert abs(int(rows["supply counts"][1]) - full_33v * 5.0 * divider / 3.3) < 1
    low = int(program.split("SUPPLY_LOW = ")[1].split()[0].replace("_", ""))
    assert low == pytest.approx(full_33v * 4.5 * divider / 3.3, rel=1e-3)
