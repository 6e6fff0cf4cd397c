"""The notes agree with what they describe."""

from __future__ import annotations

import importlib.util
import math
from binascii import crc_hqx
from pathlib import Path

import pytest

from recorder.calibration_pairs import NARROWEST_KPA
from tests.firmware.firmware_board import NOTES


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
    assert NARROWEST_KPA > 29.33 and "A column of water is a check, not a calibration." in notes
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


def _row(text: str, name: str) -> list[float]:
    """The numbers of the first line of a table that begins so."""
    line = next(line for line in text.splitlines() if line.startswith(f"| {name}"))
    return [float(cell) for cell in line.strip("| ").split("|")[1:]]


def test_the_column_of_water_is_that_of_the_standards() -> None:
    """Density by IAPWS-IF97 (the library iapws), gravity by Somigliana's formula with the constants of WGS 84 (NIMA
    TR8350.2, from memory), dry air of 1.2 kg/m3 (ISO 2533 at 20 degC)."""
    from iapws import IAPWS97

    text = (NOTES / "calibration.md").read_text("utf-8")

    def density(celsius: float) -> float:
        return float(IAPWS97(T=273.15 + celsius, P=0.101325).rho)

    def gravity(latitude: float) -> float:
        s = math.sin(math.radians(latitude)) ** 2
        return 9.7803253359 * (1 + 0.00193185265241 * s) / math.sqrt(1 - 0.00669437999013 * s)

    temperatures = _row(text, "water, °C")
    assert _row(text, "density") == pytest.approx([density(t) for t in temperatures], abs=0.051)
    assert _row(text, "gravity") == pytest.approx([gravity(x) for x in _row(text, "latitude")], abs=0.00051)
    per_m = (density(20) - 1.2) * gravity(45) / 1000
    assert f"= {per_m:.3f} kPa, so a 3 m hose up a staircase gives {3 * per_m:.2f} kPa" in text
    # the three shares of the uncertainty, by finite differences
    by_height = per_m * 0.005 / math.sqrt(3)
    by_water = 3 * (density(15) - density(25)) / 2 * gravity(45) / 1000 / math.sqrt(3)
    by_gravity = 3 * (density(20) - 1.2) * 0.01 / 1000 / math.sqrt(3)
    assert f"√({by_height:.3f}² + {by_water:.3f}² + {by_gravity:.3f}²)" in text
    assert f"= {math.hypot(by_height, by_water, by_gravity):.2f} kPa: height" in text
    # anywhere from the equator to 60 degrees, 5 to 30 degC
    worst = max(abs(3 * (density(t) - 1.2) * gravity(x) / 1000 - 3 * 9.777) for t in (5, 30) for x in (0, 60))
    assert f"can be {worst:.2f} kPa off" in text
    area_m2 = math.pi * 0.020**2 / 4
    assert f"would be {9.80665 / area_m2 / 1000:.1f} kPa" in text and f"is {1 / area_m2 / 1000:.1f} kPa." in text


@pytest.mark.parametrize("line", ["0.25", "0.6", "1.0", "1.6", "2.5"])
def test_what_a_class_is_worth_is_what_the_command_makes_of_it(line: str) -> None:
    from recorder.cli._pairs import reference_u_kpa

    text = (NOTES / "calibration.md").read_text("utf-8")
    assert _row(text, line) == pytest.approx(
        [reference_u_kpa(f"{line} %FS", full, "kPa") for full in ("250 kPa", "400 kPa", "600 kPa")], abs=0.0051)


def test_what_a_port_carries_is_counted() -> None:
    """8N1: a start and a stop bit beside eight of data."""
    text = (NOTES / "wire.md").read_text("utf-8").split("## How many samples a port carries")[1].split("\n## ")[0]
    rows = [[cell.strip() for cell in line.strip("| ").split(" | ")] for line in text.splitlines() if "| `S," in line]
    assert len(rows) == 3
    for line, size, *rates in rows:
        shown = line.split("`")[1]
        assert int(size) == len(shown) + 1 <= 120  # its LF
        assert [int(rate) for rate in rates] == [baud // 10 // int(size) for baud in (115200, 57600, 9600)]
    readme = (NOTES / "README.md").read_text("utf-8")
    assert f"so 100 a second take {100 * int(rows[0][1])} of the {115200 // 10:,} bytes" in readme


def test_the_first_byte_of_the_worked_check_is_right() -> None:
    """Every step of the table of eight shifts in wire.md, by the rule that stands above it."""
    table = (NOTES / "wire.md").read_text("utf-8").split("so the CRC begins at 4600:")[1].split("And after")[0]
    crc, rows = 0x4600, [line.strip("| ").split(" | ") for line in table.strip().splitlines()[2:]]
    assert len(rows) == 8
    for step, (number, falls, shifted, after) in enumerate(rows, 1):
        out, crc = crc >> 15, (crc << 1) & 0xFFFF
        assert [number, falls, shifted] == [str(step), str(out), f"{crc:04X}"]
        crc ^= 0x1021 * out
        assert after == f"{crc:04X}"
    assert crc == crc_hqx(b"F", 0)
