"""What goes wrong in a shop, in the window: the plug, the disk, the folder, the door. Said in words, nothing lost."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QApplication
from pytestqt.qtbot import QtBot

from recorder.recording import read
from recorder.rig.lines import timed_lines
from recorder.settings import Settings
from recorder.window.places.main import MainWindow
from tests.benchmarks.faults_common import Plug, played
from tests.window.conftest import choose

GAUGE = Settings(full_scale_kpa=206.84)  # that of the simulated scenes


def recordings(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*-*.csv"))


def begin(window: MainWindow, adapter: Path, test: str = "cap") -> None:
    setup = window.testing.setup
    setup.choose_test("cap" if test == "cap" else "system")
    setup.marked_edit.setText("16 psi")
    setup.job_edit.setText("a job (invented)")
    setup.port_box.setEditText(str(adapter))
    window.testing.start_test()
    assert window.testing.active, window.banner.text()


def trace_is_past(window: MainWindow, seconds: float) -> Callable[[], bool]:
    return lambda: window.testing.view is not None and window.testing.view.time_s > seconds


def nothing_pops_up() -> bool:
    """One window, no dialogs."""
    return sum(w.isVisible() for w in QApplication.topLevelWidgets()) == 1


def test_counts_at_full_scale_that_are_not_the_announced_ones_are_said(
    opened: Callable[..., MainWindow], qtbot: QtBot, tmp_path: Path
) -> None:
    window = opened(GAUGE)
    _, _, lines = played("cap-passes")  # the rig announces 4095
    testing = window.testing
    testing.gauge = replace(testing.gauge, full_scale_counts=1023)
    with Plug(tmp_path / "adapter", lines, 8.0):
        begin(window, tmp_path / "adapter")
        qtbot.waitUntil(trace_is_past(window, 2.0), timeout=30000)
        qtbot.waitUntil(window.banner.isVisible, timeout=10000)
        said = ("the adapter announces 4095 counts at full scale, and 1023 were given: the 4095 that it announces are "
                "used")
        assert said in window.banner.text() and testing.active and nothing_pops_up()
        testing.end("enough", wait=True)
        assert said in window.banner.text()
    [file] = recordings(tmp_path / "recordings")
    assert read(file, strict=True).header.adapter["note"] == said


def test_unplugged_and_plugged_in_again(opened: Callable[..., MainWindow], qtbot: QtBot, tmp_path: Path) -> None:
    window = opened(GAUGE)
    _, _, lines = played("cap-passes")
    # not faster: what is played while the adapter is away is lost, and a busy machine may take seconds to notice
    with Plug(tmp_path / "adapter", lines, 8.0) as plug:
        begin(window, tmp_path / "adapter")
        testing = window.testing
        qtbot.waitUntil(trace_is_past(window, 20.0), timeout=30000)
        plug.unplug()
        qtbot.waitUntil(lambda: "unplugged" in testing.live.sentence.text(), timeout=10000)
        assert window.banner.text() == "▲ adapter unplugged; what came before is on disk"
        assert testing.active and nothing_pops_up()
        plug.replug()
        qtbot.waitUntil(lambda: not window.banner.isVisible(), timeout=10000)
        assert "unplugged" not in testing.live.sentence.text()
        plug.finished.wait(30)
        qtbot.waitUntil(lambda: testing.judgement is not None or trace_is_past(window, 60.0)(), timeout=30000)
        testing.end("enough", wait=True)
    (file,) = recordings(tmp_path / "recordings")
    recording = read(file)
    assert recording.intact is True
    assert any("gap" in flag for flag in recording.rows.flag or ())
    assert float(recording.rows.time_s[-1]) > 50.0  # it went on in the same file
    assert recordings(tmp_path / "recordings") == [file]


def test_an_adapter_that_stays_away_leaves_a_sealed_file(opened: Callable[..., MainWindow], qtbot: QtBot,
                                                         tmp_path: Path) -> None:
    window = opened(GAUGE)
    _, _, lines = played("cap-passes")
    with Plug(tmp_path / "adapter", lines, 8.0) as plug:
        begin(window, tmp_path / "adapter")
        qtbot.waitUntil(trace_is_past(window, 10.0), timeout=30000)
        plug.unplug()
        qtbot.waitUntil(lambda: window.banner.isVisible(), timeout=10000)
        qtbot.keyClick(window, Qt.Key.Key_E)
        qtbot.waitUntil(lambda: window.testing.judgement is not None, timeout=20000)
    (file,) = recordings(tmp_path / "recordings")
    assert read(file).intact is True
    assert len(read(file).rows) > 500


def test_an_adapter_that_never_comes_back_ends_the_test(opened: Callable[..., MainWindow], qtbot: QtBot,
                                                        tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """It went on saying to plug it in again, which by then did nothing."""
    monkeypatch.setattr("recorder.window.running.RECONNECT_S", 1.0)
    window = opened(GAUGE)
    _, _, lines = played("cap-passes")
    with Plug(tmp_path / "adapter", lines, 8.0) as plug:
        begin(window, tmp_path / "adapter")
        qtbot.waitUntil(trace_is_past(window, 20.0), timeout=30000)
        plug.unplug()
        qtbot.waitUntil(lambda: window.testing.judgement is not None, timeout=20000)
    assert window.testing.live.sentence.text().startswith("▲ WAS AT 10")
    assert "did not come back within 1 s" in window.banner.text()
    (file,) = recordings(tmp_path / "recordings")
    assert read(file).intact is True


def test_an_adapter_that_is_back_and_still_starting_shows_no_reading_from_before(
    opened: Callable[..., MainWindow], qtbot: QtBot, tmp_path: Path
) -> None:
    """A board takes a second or two to start. Meanwhile the last pressure stood there as if it were read, and what to
    do went by it."""
    window = opened(GAUGE)
    _, _, lines = played("cap-passes")
    with Plug(tmp_path / "adapter", [(at, data) for at, data in lines if at < 9.0], 8.0) as plug:
        begin(window, tmp_path / "adapter")
        testing = window.testing
        qtbot.waitUntil(trace_is_past(window, 8.5), timeout=30000)
        plug.unplug()
        qtbot.waitUntil(lambda: "unplugged" in testing.live.sentence.text(), timeout=10000)
        plug.replug()  # and says nothing
        qtbot.waitUntil(lambda: not testing.running.session.lost, timeout=10000)
        seen = set()
        for _ in range(20):  # a second; it is said to be silent after two
            qtbot.wait(50)
            seen.add((testing.live.reading.accessibleName(), testing.live.sentence.text().split(":")[0]))
        assert seen <= {("pressure – – kPa", "▲ Stop pumping; the adapter is unplugged"),
                        ("pressure – – kPa", "▲ Stop pumping; the adapter is plugged in again"),
                        ("pressure – – kPa", "▲ Stop pumping; no reading comes from the adapter")}
        assert any("is plugged in again" in sentence for _, sentence in seen)
        testing.end("enough", wait=True)


def test_a_silent_adapter_leaves_no_pressure_standing(opened: Callable[..., MainWindow], qtbot: QtBot,
                                                     tmp_path: Path) -> None:
    window = opened(GAUGE)
    _, _, lines = played("cap-passes")
    with Plug(tmp_path / "adapter", [(at, data) for at, data in lines if at < 20.0], 8.0):
        begin(window, tmp_path / "adapter")
        live = window.testing.live
        qtbot.waitUntil(lambda: live.sentence.text().startswith("▲ No reading comes"), timeout=20000)
        assert live.reading.accessibleName() == "pressure – – kPa"
        assert "before it went 10" in live.facts.text().replace("\u00a0", " ") and window.testing.active
        window.testing.end("enough", wait=True)


def test_a_simulated_test_that_there_is_none_of_is_said(opened: Callable[..., MainWindow]) -> None:
    window = opened()
    setup = window.testing.setup
    setup.marked_edit.setText("16 psi")
    setup.port_box.setEditText("simulated:no-such-test")
    window.testing.start_test()
    assert not window.testing.active
    assert "plays no such test" in window.banner.text() and "simulated:cap-passes" in window.banner.text()


def test_without_its_ledger_a_test_is_stored_and_nothing_is_asked(opened: Callable[..., MainWindow], qtbot: QtBot,
                                                                  tmp_path: Path) -> None:
    folder = tmp_path / "recordings"
    (folder / "ledger.csv").mkdir(parents=True)  # no line can be added to it
    asked: list[int] = []
    window = opened(GAUGE, folder=folder, ask=lambda: bool(asked.append(1)))
    choose(window, "cap-passes", "a job (invented)")
    window.testing.start_test()
    qtbot.waitUntil(trace_is_past(window, 5.0), timeout=30000)
    window.testing.end("enough", wait=True)
    (file,) = recordings(folder)
    assert read(file).intact is True
    assert "the ledger cannot be written" in window.banner.text() and not window.testing.storing.key.isVisible()
    assert window.close() and not asked


def test_a_folder_that_cannot_be_written_is_said_once(opened: Callable[..., MainWindow], qtbot: QtBot,
                                                      tmp_path: Path) -> None:
    (tmp_path / "file").write_text("no folder")
    window = opened(GAUGE, folder=tmp_path / "file" / "recordings")
    choose(window, "system-seeps")
    window.testing.start_test()
    qtbot.waitUntil(lambda: window.banner.isVisible(), timeout=30000)
    qtbot.waitUntil(trace_is_past(window, 10.0), timeout=30000)  # it goes on
    assert str(tmp_path / "file") in window.banner.text() and "\n" not in window.banner.text()
    assert nothing_pops_up()


def test_an_unreadable_folder_is_said_in_the_window(opened: Callable[..., MainWindow], qtbot: QtBot,
                                                    tmp_path: Path) -> None:
    shut = tmp_path / "shut"
    shut.mkdir()
    window = opened(folder=shut)
    window.warm_up()
    shut.chmod(0o000)
    before = os.geteuid()
    try:
        if before == 0:
            os.seteuid(65534)  # root may read everything
        qtbot.keyClick(window, Qt.Key.Key_F2)
    finally:
        os.seteuid(before)
        shut.chmod(0o755)
    assert "cannot be read" in window.banner.text() and "\n" not in window.banner.text()
    assert nothing_pops_up()
    qtbot.keyClick(window, Qt.Key.Key_F1)
    assert not window.banner.isVisible()


@pytest.mark.parametrize("seconds", [2.0, 40.0], ids=["while pumping", "in the hold"])
def test_closing_during_a_test_asks_and_leaves_a_sealed_file(
    opened: Callable[..., MainWindow], qtbot: QtBot, tmp_path: Path, seconds: float,
) -> None:
    asked: list[int] = []
    answers = iter([False, True])

    def ask() -> bool:
        asked.append(1)
        return next(answers)

    window = opened(ask=ask)
    choose(window, "system-seeps")
    qtbot.mouseClick(window.testing.start_key, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(trace_is_past(window, seconds), timeout=60000)
    assert not window.close()  # the answer is no
    assert window.testing.active
    at = window.testing.view.time_s
    qtbot.waitUntil(trace_is_past(window, at + 1.0), timeout=30000)  # and the test goes on
    assert window.close()
    assert len(asked) == 2
    (file,) = recordings(tmp_path / "recordings")
    recording = read(file)
    assert recording.intact is True
    assert recording.judgement is not None
    window._ask = lambda: True


def test_closing_without_a_test_does_not_ask(opened: Callable[..., MainWindow]) -> None:
    def never() -> bool:
        raise AssertionError("nothing is lost, so nothing is asked")

    assert opened(ask=never).close()


def test_a_fault_of_the_program_is_said_and_the_file_sealed(
    opened: Callable[..., MainWindow], qtbot: QtBot, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    window = opened()
    choose(window, "system-seeps")
    window.testing.start_test()
    qtbot.waitUntil(trace_is_past(window, 5.0), timeout=30000)

    def broken() -> None:
        raise ZeroDivisionError("made by a test")

    monkeypatch.setattr(window.testing.running.session, "step", broken)
    qtbot.waitUntil(lambda: window.testing.judgement is not None, timeout=20000)
    assert "the program broke" in window.banner.text() and "made by a test" in window.banner.text()
    (file,) = recordings(tmp_path / "recordings")
    assert len(read(file).rows) > 300


def test_a_simulated_tester_that_breaks_is_said_in_one_line(
    opened: Callable[..., MainWindow], qtbot: QtBot, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    def breaks(trace: Any) -> Any:
        yield from list(timed_lines(trace))[:300]
        raise ZeroDivisionError("made by a test")

    monkeypatch.setattr("recorder.rig.tester.timed_lines", breaks)
    said = "the simulated tester broke (ZeroDivisionError: made by a test)"
    window = opened()
    choose(window, "system-seeps")
    window.testing.start_test()
    qtbot.waitUntil(lambda: window.testing.judgement is not None, timeout=20000)
    assert said in window.banner.text()
    (file,) = recordings(tmp_path / "recordings")
    assert read(file).intact
    window.testing.next_test()
    window.go(2)
    window.adapter.listen()
    qtbot.waitUntil(lambda: said in window.banner.text(), timeout=20000)
    assert window.adapter._own is None


def test_an_adapter_that_cannot_be_read_is_said_large(opened: Callable[..., MainWindow], qtbot: QtBot, tmp_path: Path,
                                                      monkeypatch: pytest.MonkeyPatch) -> None:
    """The banner says why, and where it is set; the sentence, which is read from afar, no longer says to wait. The
    result said to check the cable, and the banner was so high that the page of the gauge was cut off."""
    monkeypatch.setattr("recorder.session.patience.WRONG_SPEED_S", 0.5)
    window = opened(GAUGE)
    with Plug(tmp_path / "adapter", [(n * 0.05, b"%.2f\r\n" % n) for n in range(400)]):
        begin(window, tmp_path / "adapter")
        qtbot.waitUntil(lambda: window.testing.live.sentence.text().startswith("▲ Nothing can be read"), timeout=20000)
        assert window.banner.isVisible() and "not one valid line" in window.banner.text()
        assert "set plain numbers: F3, then G" in window.banner.text() and "--" not in window.banner.text()
        window.resize(1024, 600)
        window.go(2)
        window.adapter.show_page(2)
        page = window.adapter.gauge
        qtbot.waitUntil(lambda: page.isVisible() and page.height() >= page.minimumSizeHint().height(), timeout=5000)
        window.go(0)
        window.testing.end("enough", wait=True)
    live = window.testing.live
    assert live.word.text() == "NOT A TEST" and "nothing was recorded" in live.reasons.text()
    assert "the line at the top says what to do" in live.sentence.text() and "cable" not in live.sentence.text()
    window.testing.set_unit("psi")
    assert "the line at the top says what to do" in live.sentence.text()
