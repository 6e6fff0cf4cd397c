"""How the gauge is read: plain numbers, full scale, calibration; and what was repaired. On a real pseudo-terminal."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from PySide6.QtCore import QSettings, Qt
from pytestqt.qtbot import QtBot

from recorder.audit import jobs_table
from recorder.calibration import Pair, fit, to_file_text
from recorder.cli._common import load_calibration
from recorder.errors import FileError, SettingError
from recorder.model import Calibration
from recorder.recording import read
from recorder.settings import Settings
from recorder.window.parts.gauge import GaugePage
from recorder.window.places.main import MainWindow
from recorder.window.places.run import open_window
from recorder.window.state.gauge import Gauge, gauge_of, gauge_words, parse_gauge, remembered
from recorder.window.state.testing import REPAIRS, with_repair
from tests.benchmarks.faults_common import Plug
from tests.session_feeder import pressure_kpa
from tests.window.conftest import choose

TODAY = date(2026, 3, 14)
FORM: dict[str, Any] = {
    "plain": False, "unit": "", "full_scale": "", "counts": "", "calibration": "", "shown_unit": "kPa",
}
# A plain number twenty times a second, in psi (6.894757 kPa, NIST SP 811), that stands 0.5 psi too high.
PLAIN = [(i / 20, b"%.3f\n" % (pressure_kpa(i / 20) / 6.894757 + 0.5 + (i * 7919 % 13) / 6500)) for i in range(20 * 80)]


class Printer(Plug):
    """Prints whether it is asked or not."""

    def _asked(self) -> bool:
        return True


def test_a_calibration_with_a_byte_order_mark_is_read_everywhere(tmp_path: Path) -> None:
    """As some editors put one before the first character (UTF-8 signature)."""
    path = tmp_path / "gauge.json"
    path.write_text('{"coefficients_kPa": [-25.0, 250.0]}', encoding="utf-8-sig")
    wanted = Calibration((-25.0, 250.0))
    assert load_calibration(str(path)) == wanted
    assert Gauge(calibration=str(path)).resolved() == (wanted, None)


def test_what_is_written_on_the_form() -> None:
    assert parse_gauge(**FORM) == Gauge()
    assert parse_gauge(**{**FORM, "plain": True, "unit": " psi "}).bare_unit == "psi"
    assert parse_gauge(**{**FORM, "full_scale": "30 psi"}).full_scale_kpa == pytest.approx(206.842719)  # NIST SP 811
    assert parse_gauge(**{**FORM, "full_scale": "2", "shown_unit": "bar"}).full_scale_kpa == pytest.approx(200.0)
    assert parse_gauge(**{**FORM, "counts": "1023", "calibration": " a.json "}) == Gauge(None, None, 1023, "a.json")


@pytest.mark.parametrize("wrong", [
    {"plain": True}, {"plain": True, "unit": "furlong"}, {"full_scale": "nonsense"}, {"full_scale": "0 kPa"},
    {"counts": "many"}, {"counts": "1"}, {"counts": "9" * 400},
])
def test_what_cannot_be_is_said(wrong: dict[str, object]) -> None:
    with pytest.raises(SettingError):
        parse_gauge(**{**FORM, **wrong})


def test_a_full_scale_without_its_unit_that_no_usual_sensor_has_is_asked_for() -> None:
    """30 is printed on many a gauge, and in kPa it is none's: psi was meant, most likely."""
    with pytest.raises(SettingError, match="give its unit: '30 psi'"):
        parse_gauge(**{**FORM, "full_scale": "30"})
    assert parse_gauge(**{**FORM, "full_scale": "30 kPa"}).full_scale_kpa == 30.0


def test_the_settings_go_before_the_memory_and_rubbish_is_left() -> None:
    gauge = Gauge("mbar", 200.0, 1023, "/somewhere/a.json")
    assert gauge_of(Settings(), remembered(gauge)) == gauge
    assert gauge_of(Settings(full_scale_kpa=100.0, calibration="b.json"), remembered(gauge)) == dataclasses.replace(
        gauge, full_scale_kpa=100.0, calibration="b.json")
    for rubbish in ({"full_scale_kpa": "x"}, {"bare_unit": "furlong"}, {"full_scale_counts": "1.5"},
                    {"full_scale_kpa": "nan"}, {"full_scale_kpa": "0"}, {"full_scale_counts": "-1"}):
        assert gauge_of(Settings(), rubbish) == Gauge()


def test_a_guess_is_never_silent(tmp_path: Path) -> None:
    assert gauge_words(Gauge(), "kPa", TODAY) == ("▲ not calibrated, nor is its full scale known: taken for a 30 psi "
                                                  "gauge")
    assert "200.0 kPa" in gauge_words(Gauge(full_scale_kpa=200.0), "kPa", TODAY)
    assert "no check" in gauge_words(Gauge("psi"), "kPa", TODAY)
    assert gauge_words(Gauge(calibration=str(tmp_path / "no")), "kPa", TODAY).startswith("▲")
    with pytest.raises(FileError):
        Gauge(calibration=str(tmp_path / "no")).resolved()
    file = tmp_path / "gauge.json"
    file.write_text(to_file_text(Calibration((0.0, 1.0), 0.2, "2025-01-01", "r", "2026-01-01", bare=True)))
    assert "OVERDUE" in gauge_words(Gauge("psi", calibration=str(file)), "kPa", TODAY)
    with pytest.raises(SettingError, match="plain numbers"):
        Gauge(calibration=str(file)).resolved()  # it is of the other kind


def choose_plain(window: MainWindow, qtbot: QtBot, unit: str) -> None:
    qtbot.keyClick(window, Qt.Key.Key_F3)
    qtbot.keyClick(window, Qt.Key.Key_G)
    page = window.adapter.gauge
    qtbot.mouseClick(page.sends_keys[1], Qt.MouseButton.LeftButton)
    assert page.sends_keys[1].text().startswith("●") and page.unit_edit.isEnabled() and not page.full_edit.isEnabled()
    page.unit_edit.clear()
    assert page.said.text().startswith("▲") and window.testing.gauge.bare_unit is not None  # not yet what is written
    qtbot.keyClicks(page.unit_edit, unit)
    qtbot.keyClick(window, Qt.Key.Key_Escape)


def test_an_adapter_of_plain_numbers_from_the_choice_to_the_result(opened: Callable[..., MainWindow], qtbot: QtBot,
                                                                   tmp_path: Path) -> None:
    window = opened()
    adapter = tmp_path / "adapter"
    window.testing.setup.port_box.setEditText(str(adapter))
    choose_plain(window, qtbot, "psi")
    with Printer(adapter, PLAIN, 30.0):
        qtbot.keyClick(window, Qt.Key.Key_H)
        place = window.adapter
        qtbot.waitUntil(lambda: place.page.word.text() == "PLAIN NUMBERS", timeout=20000)
        link = place.page.link
        said = {label.text(): text.text() for label, text in link._labels if label.isVisibleTo(link)}
        assert said["alive"] == "yes" and said["raw reading"].endswith("psi")
        assert "cannot be told" in said["lost samples"]
        qtbot.keyClick(window, Qt.Key.Key_F1)
    setup = window.testing.setup
    setup.choose_test("system")
    setup.marked_edit.setText("16 psi")
    assert "plain numbers in psi" in setup.gauge_line.text()
    with Printer(adapter, PLAIN, 30.0):
        window.testing.start_test()
        assert window.testing.active, window.banner.text()
        qtbot.waitUntil(lambda: window.testing.view is not None and (window.testing.view.pressure_kpa or 0) > 115,
                        timeout=30000)  # its times are the host's, so played fast its strokes are no strokes
        window.testing.end("enough", wait=True)
    (file,) = (tmp_path / "recordings").glob("*-system-*.csv")
    recording = read(file)
    assert recording.intact is True and recording.header.adapter["bare"] == "psi"
    # 120 kPa and 0.5 psi; plain numbers are written as they came
    assert float(recording.rows.pressure_kpa.max()) == pytest.approx(120.0 + 0.5 * 6.894757, abs=0.1)


def test_plain_numbers_are_calibrated_too(opened: Callable[..., MainWindow], qtbot: QtBot, tmp_path: Path) -> None:
    window = opened(gauge=Gauge("psi"))
    adapter = tmp_path / "adapter"
    window.testing.setup.port_box.setEditText(str(adapter))
    qtbot.keyClick(window, Qt.Key.Key_F3)
    with Printer(adapter, [(i / 20, b"0.500\n") for i in range(2000)], 20.0):
        qtbot.keyClick(window, Qt.Key.Key_C)
        page = window.adapter.calibrate
        assert page.reading_label.text() == "Reading, psi"
        qtbot.waitUntil(lambda: page.ratio_edit.placeholderText() == "now 0.5", timeout=20000)
        qtbot.keyClick(page.reference_edit, Qt.Key.Key_Return)
    for kpa in (40, 80, 120, 160, 120, 80, 40, 0):
        page.reference_edit.setText(str(kpa))
        page.ratio_edit.setText(f"{kpa / 6.894757 + 0.5:.2f}")
        page.add_pair()
    for said in ("", "much"):  # nothing is taken for perfect because nothing was said
        page.u_edit.setText(said)
        page.save()
        assert window.testing.gauge.calibration is None and "±" in window.banner.text(), window.banner.text()
        assert not list((tmp_path / "out").glob("gauge*.json"))
    page.u_edit.setText("0.5 kPa")
    page.save()
    kept = window.testing.gauge.calibration
    assert kept is not None, window.banner.text()
    stored = json.loads(Path(kept).read_text())
    assert stored["bare"] is True and stored["details"]["reference_standard_uncertainty_kPa"] == 0.25
    assert stored["details"]["pairs"]["columns"][1] == "reading_kPa" and stored["details"]["degrees_of_freedom"] == 7
    cal, _ = window.testing.gauge.resolved()
    assert cal is not None  # kPa = reading - 0.5 psi
    # read to a hundredth of a psi, which is 0.07 kPa
    assert cal.coefficients_kpa == pytest.approx((-0.5 * 6.894757, 1.0), abs=0.04)
    # the same without a window
    again = fit([Pair(k, k + 0.5 * 6.894757) for k in (0.0, 80.0, 160.0)], bare=True, reference_u_kpa=0.1)
    assert again.coefficients_kpa == pytest.approx(cal.coefficients_kpa, abs=0.04)


def test_the_gauge_is_remembered(qtbot: QtBot, tmp_path: Path) -> None:
    memory = QSettings(str(tmp_path / "memory.ini"), QSettings.Format.IniFormat)
    first = open_window(Settings(), tmp_path / "out", memory)
    qtbot.addWidget(first)
    first.testing.set_gauge(Gauge("mbar", 250.0, 1023, None))
    again = open_window(Settings(), tmp_path / "out", memory)
    qtbot.addWidget(again)
    assert again.testing.gauge == Gauge("mbar", 250.0, 1023, None)
    assert again.adapter.gauge.unit_edit.text() == "mbar" and again.adapter.gauge.plain


def test_repairs_are_added_and_taken_back() -> None:
    assert with_repair("", "cap renewed") == "cap renewed"
    assert with_repair("cap renewed, washer", "radiator renewed") == "cap renewed, washer, radiator renewed"
    assert with_repair("cap renewed, washer", "cap renewed") == "washer"
    assert len(REPAIRS) == 8


def test_a_repair_is_said_and_stands_in_the_jobs(window: MainWindow, qtbot: QtBot, tmp_path: Path) -> None:
    choose(window, "system-seeps", "1042 blue van")
    testing = window.testing
    testing.start_test()
    qtbot.waitUntil(lambda: testing.view is not None and testing.view.strokes > 3, timeout=30000)
    qtbot.keyClick(window, Qt.Key.Key_R)
    assert not testing.repairs.asking  # nothing is mended while a test runs
    testing.end("enough", wait=True)
    qtbot.keyClick(window, Qt.Key.Key_1)
    assert testing.setup.repair_edit.text() == ""  # only where it was asked
    qtbot.keyClick(window, Qt.Key.Key_R)
    assert testing.repairs.asking and "repaired" in window.banner.text()
    for key in (Qt.Key.Key_U, Qt.Key.Key_L):  # another unit or look keeps the question open
        qtbot.keyClick(window, key)
        assert testing.repairs.asking and testing.live.repairs.isVisible()
    qtbot.keyClick(window, Qt.Key.Key_R)  # back without an answer: the question goes with its keypad
    assert not testing.repairs.asking and "repaired" not in window.banner.text()
    qtbot.keyClick(window, Qt.Key.Key_R)
    qtbot.keyClick(window, Qt.Key.Key_1)
    qtbot.keyClick(window, Qt.Key.Key_R)
    qtbot.keyClick(window, Qt.Key.Key_9)
    words = testing.live.repairs.own_words
    qtbot.keyClicks(words, "new bolt")
    qtbot.keyClick(words, Qt.Key.Key_Return)
    assert not testing.repairs.asking
    assert window.banner.text() == "before the next test: hose or clamp renewed, new bolt"
    qtbot.keyClick(window, Qt.Key.Key_N)
    assert testing.active and testing.setup.repair_edit.text() == ""
    qtbot.waitUntil(lambda: testing.running.begun, timeout=30000)
    testing.end("enough", wait=True)
    qtbot.keyClick(window, Qt.Key.Key_B)
    assert testing.setup.repair_edit.text() == ""
    (job,) = jobs_table(tmp_path / "recordings").jobs
    assert [test.repair for test in job.tests] == ["", "hose or clamp renewed, new bolt"]


def test_a_full_scale_that_is_shown_rounded_is_not_changed_by_another_field(qtbot: QtBot) -> None:
    page = GaugePage(Gauge(full_scale_kpa=206.842719), "kPa")  # 30 psi, NIST SP 811
    qtbot.addWidget(page)
    seen: list[Gauge] = []
    page.changed.connect(seen.append)
    page.counts_edit.setText("1023")
    assert seen[-1] == Gauge(full_scale_kpa=206.842719, full_scale_counts=1023)
    page.full_edit.setText("207 kPa")
    assert seen[-1].full_scale_kpa == 207.0
    page.full_edit.setText("")
    assert seen[-1].full_scale_kpa is None
