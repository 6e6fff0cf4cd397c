"""A test that is ended while the pressure is on: the window goes on showing it, large, until it stands at zero."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from pytestqt.qtbot import QtBot

from recorder.model import Announcement, Fault
from recorder.port import Back, Chunk, Lost
from recorder.recording import read
from recorder.session import SessionConfig
from recorder.settings import Settings
from recorder.window.link import left_on
from recorder.window.link.left_on import LeftOn, ReadOn, read_on, reader_of
from recorder.window.link.link import Link
from recorder.window.places.main import MainWindow
from recorder.window.state.result import left_on_screen
from recorder.wire import encode_announcement, encode_fault, encode_sample
from tests.benchmarks.faults_common import Plug, played
from tests.memory_ports import FedPort
from tests.window.conftest import choose
from tests.window.test_window import hold_has_run
from tests.window.test_window_faults import GAUGE, begin, recordings

RELIEVE = "turn the relief and wait for zero before you take anything off"


def ended_in_the_hold(window: MainWindow, qtbot: QtBot) -> None:
    qtbot.waitUntil(hold_has_run(window, 15), timeout=60000)
    qtbot.keyClick(window, Qt.Key.Key_E)
    qtbot.keyClick(window, Qt.Key.Key_E)  # the hold is not over: once more
    qtbot.waitUntil(lambda: window.testing.judgement is not None, timeout=20000)


def test_the_pressure_stays_in_sight_until_it_is_off(opened: Callable[..., MainWindow], qtbot: QtBot,
                                                     tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(left_on, "_STANDS_S", 0.1)  # 2 s, and time goes twenty times as fast
    window = opened(speed=20.0)
    choose(window, "system-repaired")
    window.testing.start_test()
    testing = window.testing
    ended_in_the_hold(window, qtbot)
    live, running = testing.live, testing.running
    assert running is not None
    assert live.reading.isVisible() and live.reading.alarm
    assert live.sentence.text().startswith("▲ STILL AT 11") and live.sentence.text().endswith(RELIEVE)
    assert live.sentence.property("alarm") is True
    assert not testing.next_key.hasFocus()
    qtbot.keyClick(window, Qt.Key.Key_U)
    assert "psi" in live.sentence.text() and live.reading.accessibleName().endswith("psi, still on")
    qtbot.keyClick(window, Qt.Key.Key_F3)
    assert window.adapter.link is running.link  # it is held already, and no second time opened
    qtbot.keyClick(window, Qt.Key.Key_F1)
    qtbot.waitUntil(lambda: live.sentence.text().startswith("The pressure is off. Test again and"), timeout=30000)
    assert not live.reading.isVisible() and live.sentence.property("alarm") is False
    assert live.word.isVisible()
    qtbot.waitUntil(lambda: not running.reading_on, timeout=5000)
    (file,) = recordings(tmp_path / "recordings")
    assert read(file).intact is True
    assert float(read(file).rows.time_s[-1]) < 100.0  # nothing of it goes into the recording


def test_the_next_test_and_the_door_let_go_of_the_port(opened: Callable[..., MainWindow], qtbot: QtBot,
                                                       tmp_path: Path) -> None:
    window = opened(GAUGE)
    _, _, lines = played("system-repaired")
    with Plug(tmp_path / "adapter", lines, 10.0):
        begin(window, tmp_path / "adapter", "system")
        ended_in_the_hold(window, qtbot)
        assert window.testing.holds_port
        qtbot.keyClick(window, Qt.Key.Key_N)
        assert window.testing.active, window.banner.text()
        qtbot.waitUntil(lambda: window.testing.view is not None and window.testing.view.time_s > 3.0, timeout=20000)
        window.testing.end("seen", wait=True)
        running = window.testing.running
        assert running is not None and running.left_on is not None
        window.close()
        assert not running.reading_on


def test_unplugged_the_last_reading_stands_in_the_alarm(opened: Callable[..., MainWindow], qtbot: QtBot,
                                                        tmp_path: Path) -> None:
    window = opened(GAUGE)
    _, _, lines = played("system-repaired")
    with Plug(tmp_path / "adapter", lines, 10.0) as plug:
        begin(window, tmp_path / "adapter", "system")
        ended_in_the_hold(window, qtbot)
        plug.unplug()
        live = window.testing.live
        qtbot.waitUntil(lambda: live.sentence.text().startswith("▲ WAS AT 11"), timeout=10000)
        assert live.sentence.text().endswith(RELIEVE) and live.reading.accessibleName().startswith("pressure – –")
        plug.replug()
        qtbot.waitUntil(lambda: live.sentence.text().startswith("▲ STILL AT 11"), timeout=10000)


@pytest.mark.parametrize("size", [(800, 480), (1024, 600), (1920, 1080)])
def test_it_has_room(opened: Callable[..., MainWindow], qtbot: QtBot, size: tuple[int, int]) -> None:
    window = opened(Settings(unit="kgf/cm2"), speed=20.0)
    window.resize(*size)
    choose(window, "system-seeps")
    window.testing.start_test()
    ended_in_the_hold(window, qtbot)
    live = window.testing.live
    layout = live.layout()
    assert layout is not None and layout.totalHeightForWidth(live.width()) <= live.height()
    assert live.reading.height() >= 90 and live.sentence.isVisible()


def test_what_a_broken_wire_reads_is_never_called_off() -> None:
    """It said that the pressure was off, with 110 kPa on. A 10 to 90 % sensor of 207 kPa reads -26 there."""
    now = [106.0]
    watch = ReadOn(LeftOn(106.0), lambda: now[0], 0.0)
    now[0] = -25.9
    left = [watch.turn(heard=True, away=False, now_s=float(at)) for at in range(1, 9)][-1]
    assert left == LeftOn(-25.9) and left.alarm
    screen = left_on_screen(left, "kPa")
    assert screen.sentence.startswith("THE GAUGE READS -25.9 kPa, which is no zero: turn the relief")
    assert screen.sentence.endswith("the pump's own gauge") and screen.reading == "−25.9"


def test_a_reading_that_a_fault_holds_up_is_not_waited_for() -> None:
    """A short reads 232 kPa on a sensor of 207 kPa for ever: STILL AT 232.7 kPa, wait for zero, it said."""
    now = [232.7]
    watch = ReadOn(LeftOn(232.7, fault=True), lambda: now[0], 0.0)
    left = watch.turn(heard=True, away=False, now_s=3.0)  # its word may be missing for a moment
    assert left == LeftOn(232.7, fault=True) and left.alarm
    screen = left_on_screen(left, "kPa")
    assert screen.sentence.startswith("THE GAUGE REPORTS A FAULT: turn the relief") and screen.reading == "– –"
    assert screen.sentence.endswith("the pump's own gauge")
    fell = ReadOn(LeftOn(106.0), lambda: now[0], 0.0)
    assert not fell.turn(heard=True, away=False, now_s=1.0).fault
    assert fell.turn(heard=True, away=False, now_s=1.1, fault=True).fault  # it came off after the end


def test_a_gauge_whose_readings_are_back_after_a_fault_is_waited_for_elsewhere_until_it_stands_at_zero() -> None:
    """It said to wait for zero, beside a reading of "– –", for two seconds, with the wire on again."""
    now = [0.3]
    watch = ReadOn(LeftOn(232.7, fault=True), lambda: now[0], 0.0)
    screens = []
    for tenth in range(1, 30):
        now[0] = 0.3 if tenth % 2 else -0.3  # noise, to both sides of zero
        screens.append(left_on_screen(watch.turn(heard=True, away=False, now_s=tenth / 10), "kPa"))
    before = [screen for screen in screens if screen.sentence != "The pressure is off"]
    assert len(before) == 20 and len(screens) == 29
    assert {(screen.reading, screen.sentence) for screen in before} == {
        ("– –", "The gauge reported a fault: see zero on the pump's own gauge before you take anything off")}
    for kpa in (0.3, 6.0):  # gone again
        assert "pump's own gauge" in left_on_screen(LeftOn(kpa, was=True, fault=True), "kPa").sentence


def test_zero_has_to_stand_before_it_is_off() -> None:
    now = [106.0]
    watch = ReadOn(LeftOn(106.0), lambda: now[0], 0.0)
    assert watch.turn(heard=True, away=False, now_s=0.1) == LeftOn(106.0)
    now[0] = 0.4
    assert not watch.turn(heard=True, away=False, now_s=1.0).off
    now[0] = 5.0  # it was the hose that was kinked
    assert watch.turn(heard=True, away=False, now_s=2.0).alarm
    now[0] = 0.4
    assert not watch.turn(heard=True, away=False, now_s=3.5).off
    assert watch.turn(heard=False, away=False, now_s=4.5) == LeftOn(0.4)
    assert watch.turn(heard=False, away=False, now_s=9.0) == LeftOn(0.4, was=True)  # silent
    assert not watch.turn(heard=True, away=False, now_s=10.0).off  # it has to stand anew
    assert watch.turn(heard=True, away=False, now_s=12.0).off


def test_an_adapter_that_only_reports_a_fault_gives_no_reading(monkeypatch: pytest.MonkeyPatch) -> None:
    """The sense wire came off after the end: the latest reading is none of this moment."""
    monkeypatch.setattr(left_on, "_TURN_S", 0.001)
    monkeypatch.setattr(left_on, "_QUIET_S", 0.02)
    port, link, let_go = FedPort(), Link(), threading.Event()
    hello = encode_announcement(Announcement(1, "hose-7", "1.0", 1000, 100.0))
    link.take([Chunk(time.monotonic(), hello + b"".join(encode_sample(i, 10_000 * i, 500) for i in range(10)))])
    watch = ReadOn(LeftOn(100.0), reader_of(SessionConfig("cap", full_scale_kpa=200.0), link, 0.0, link.announced),
                   time.monotonic())
    seen: list[LeftOn] = []

    def tell(left: LeftOn) -> None:
        seen.append(left)
        port.send(encode_fault(Fault(200_000, "open")) + hello)
        if left.was or len(seen) > 500:
            let_go.set()

    read_on(port, link, watch, tell, let_go)
    assert seen[-1] == LeftOn(100.0, was=True)


@pytest.mark.parametrize(("name", "counts"), [("hose-8", 1023), ("hose-7", 4095)])
def test_what_another_adapter_reads_is_not_the_pressure_that_was_left_on(name: str, counts: int) -> None:
    """Its hose is open to the air, and the one of the test is not."""
    link = Link()
    hose = Announcement(1, "hose-7", "1.0", 1023, 100.0)
    link.take([Chunk(0.0, encode_announcement(hose))])
    watch = ReadOn(LeftOn(100.0), reader_of(SessionConfig("cap", full_scale_kpa=200.0), link, 0.0, hose), 0.0)

    def reads(at_s: float, first: int, said: bytes = b"") -> LeftOn:
        sent = b"".join(encode_sample(i, i * 10_000, 103) for i in range(first, first + 10))
        link.take([Chunk(at_s, b"\n" + said + sent)])
        return watch.turn(heard=True, away=False, now_s=at_s)

    link.take([Lost(1.0), Back(2.0)])
    for k in range(40):  # before it has said who it is
        assert reads(2.0 + 0.1 * k, 10 * k) == LeftOn(100.0, was=True)
    other = encode_announcement(Announcement(1, name, "1.0", counts, 100.0))
    for k in range(40, 80):
        assert reads(2.0 + 0.1 * k, 10 * k, other) == LeftOn(100.0, was=True)
    own = encode_announcement(hose)
    left = [reads(2.0 + 0.1 * k, 10 * k, own) for k in range(80, 110)]
    assert left[-1].off and left[-1].pressure_kpa == pytest.approx(0.17, abs=0.01)  # (103 / 1023 - 0.1) * 200 / 0.8


def test_the_words_between() -> None:
    assert left_on_screen(LeftOn(2.0), "kPa").sentence == "Wait for zero; do not take anything off yet"
    assert not left_on_screen(LeftOn(2.0), "kPa").alarm
    assert left_on_screen(LeftOn(106.0, was=True), "kPa").sentence.startswith("WAS AT 106.0 kPa when it was last read")
    assert "was at 2.0 kPa" in left_on_screen(LeftOn(2.0, was=True), "kPa").sentence
