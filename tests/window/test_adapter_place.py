"""The Adapter place, on a real pseudo-terminal: listening, a restart, the calibration from start to use."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from datetime import date
from functools import partial
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from pytestqt.qtbot import QtBot

from recorder.calibration import Pair, due_after, from_file_text
from recorder.model import Announcement
from recorder.port import Back, Chunk, Lost
from recorder.rig import demo, simulate
from recorder.rig.lines import timed_lines
from recorder.settings import Settings
from recorder.window.link.link import Link
from recorder.window.places.main import MainWindow
from recorder.wire import encode_announcement, encode_sample
from tests.benchmarks.faults_common import Plug
from tests.window.conftest import choose

GAUGE = Settings(full_scale_kpa=206.84)


def rows(grid: object) -> dict[str, str]:
    return {label.text(): text.text() for label, text in grid._labels if label.isVisibleTo(grid)}  # type: ignore[attr-defined]


def test_an_adapter_is_listened_to_and_judged(window: MainWindow, qtbot: QtBot) -> None:
    choose(window, "cap-passes")
    qtbot.keyClick(window, Qt.Key.Key_F3)
    place = window.adapter
    assert place.page.word.text() == "NOT LISTENING" and "hose open" in place.page.reasons.text()
    qtbot.keyClick(window, Qt.Key.Key_H)
    qtbot.waitUntil(lambda: place.report is not None and place.report.seconds > 20, timeout=30000)
    qtbot.waitUntil(lambda: "noise" in rows(place.page.sensor), timeout=5000)
    link, sensor = rows(place.page.link), rows(place.page.sensor)
    assert link["alive"] == "yes" and link["adapter"].startswith("rig-1")
    assert "of 4095" in link["raw counts"] and "V of 5 V" in link["raw volts"]
    assert link["rate"].startswith("100.0 a second")
    # What the simulated sensor is made of: 206.84 kPa over 0.8 of 4095 counts, 0.07 kPa of white noise.
    assert sensor["one count"] == "0.063 kPa"
    white = float(sensor["noise"].split("white ")[1].rstrip(")"))
    assert white == pytest.approx(0.072, abs=0.012)
    assert place.page.sign.sign in ("tick", "question", "cross")
    assert place.page.raw.isVisible() and place.page.allan.isVisible()
    qtbot.keyClick(window, Qt.Key.Key_U)
    assert "psi" in rows(place.page.sensor)["one count"]
    qtbot.keyClick(window, Qt.Key.Key_F1)
    assert place.link is None  # the port is not held behind one's back
    window.testing.start_test()
    assert window.testing.active, window.banner.text()


def test_a_report_that_comes_late_is_not_of_the_adapter_after_it(
    window: MainWindow, qtbot: QtBot, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is made beside the window; by the time it is there another adapter may be listened to."""
    choose(window, "cap-passes")
    qtbot.keyClick(window, Qt.Key.Key_F3)
    place = window.adapter
    late: list[Callable[[], object]] = []

    def aside(work: Callable[[], tuple[object, str]], then: Callable[[object], object]) -> None:
        answer = work()
        if answer[0] is not None:
            late.append(partial(then, answer))

    monkeypatch.setattr(place._background, "run", aside)
    qtbot.keyClick(window, Qt.Key.Key_H)
    qtbot.waitUntil(lambda: bool(late), timeout=30000)
    late[0]()
    assert place.report is not None
    for _ in range(2):  # ends, and begins anew
        qtbot.keyClick(window, Qt.Key.Key_H)
    assert place.link is not None and place.report is None
    late[0]()
    assert place.report is None


def test_a_pull_and_a_restart_are_seen(opened: Callable[..., MainWindow], qtbot: QtBot, tmp_path: Path) -> None:
    scene = dataclasses.replace(demo()[0].scene, vented_s=60.0)
    lines = list(timed_lines(simulate(scene)))[:5000]
    window = opened(GAUGE)
    # It begins anew half way, a restart: not faster, for a busy machine may take seconds over the pull before it.
    with Plug(tmp_path / "adapter", lines + lines, 8.0) as plug:
        window.testing.setup.port_box.setEditText(str(tmp_path / "adapter"))
        qtbot.keyClick(window, Qt.Key.Key_F3)
        place = window.adapter
        qtbot.keyClick(window, Qt.Key.Key_H)
        qtbot.waitUntil(lambda: rows(place.page.link).get("alive") == "yes", timeout=20000)
        plug.unplug()
        qtbot.waitUntil(lambda: rows(place.page.link).get("alive") == "▲ unplugged", timeout=10000)
        plug.replug()
        qtbot.waitUntil(lambda: rows(place.page.link).get("alive") == "yes", timeout=10000)
        qtbot.waitUntil(lambda: int(rows(place.page.link)["lost samples"].split(" ")[0]) > 0, timeout=10000)
        qtbot.waitUntil(lambda: rows(place.page.link)["restarts"].startswith("1, the last"), timeout=30000)


def test_one_that_is_plugged_in_again_is_asked_who_it_is(
    opened: Callable[..., MainWindow], qtbot: QtBot, tmp_path: Path
) -> None:
    """A calibration takes no pair before it has said so, which it does by itself every five seconds only."""
    scene = dataclasses.replace(demo()[0].scene, vented_s=60.0)
    lines = list(timed_lines(simulate(scene)))[:6000]
    first = next(i for i, (_, data) in enumerate(lines) if data[:2] == b"A,")
    lines = [one for i, one in enumerate(lines) if i <= first or one[1][:2] != b"A,"]  # when it is asked only
    window = opened(GAUGE)
    with Plug(tmp_path / "adapter", lines) as plug:
        window.testing.setup.port_box.setEditText(str(tmp_path / "adapter"))
        qtbot.keyClick(window, Qt.Key.Key_F3)
        place = window.adapter
        qtbot.keyClick(window, Qt.Key.Key_H)
        qtbot.waitUntil(lambda: place.link is not None and place.link.announced is not None, timeout=20000)
        assert place.link is not None and place.link.announced is not None
        assert place.link.is_still(place.link.announced)
        plug.unplug()
        qtbot.waitUntil(lambda: place.link.away, timeout=10000)
        assert not place.link.is_still(place.link.announced)
        plug.replug()
        qtbot.waitUntil(lambda: place.link.is_still(place.link.announced), timeout=10000)


def test_during_a_test_the_link_is_that_of_the_test(window: MainWindow, qtbot: QtBot) -> None:
    choose(window, "system-seeps")
    window.testing.start_test()
    qtbot.waitUntil(lambda: window.testing.running.begun, timeout=20000)
    qtbot.keyClick(window, Qt.Key.Key_F3)
    place = window.adapter
    qtbot.waitUntil(lambda: rows(place.page.link).get("alive") == "yes", timeout=20000)
    assert place.page.word.text() == "IN A TEST"
    qtbot.keyClick(window, Qt.Key.Key_H)  # does not take the port away from the test
    assert window.testing.active and place._own is None
    qtbot.keyClick(window, Qt.Key.Key_F1)
    assert window.testing.active


def test_a_calibration_from_the_first_pair_to_its_use(window: MainWindow, qtbot: QtBot, tmp_path: Path) -> None:
    choose(window, "cap-passes")
    qtbot.keyClick(window, Qt.Key.Key_F3)
    place, page = window.adapter, window.adapter.calibrate
    qtbot.keyClick(window, Qt.Key.Key_C)
    qtbot.waitUntil(lambda: page.ratio_edit.placeholderText().startswith("now"), timeout=20000)
    qtbot.keyClick(page.reference_edit, Qt.Key.Key_Return)  # open to the air: the reading is taken by itself
    assert len(page.pairs) == 1
    # The simulated sensor stands 0.6 kPa off at zero; nominal 0.1 of the supply plus that.
    assert page.pairs[0].ratio == pytest.approx(0.1 + 0.8 * 0.6 / 206.84, abs=2e-4)
    assert "40 kPa" in page.step.text()
    assert not page.save_key.isEnabled()
    for kpa in (40, 80, 120, 160, 120, 80, 40, 0):
        qtbot.keyClicks(page.reference_edit, str(kpa))
        page.ratio_edit.setText(f"{0.1 + 0.8 * (kpa + 0.6) / 206.84:.5f}")
        qtbot.keyClick(page.reference_edit, Qt.Key.Key_Return)
    assert len(page.pairs) == 9 and page.save_key.isEnabled()
    qtbot.keyClicks(page.reference_edit, "nonsense")
    qtbot.keyClick(page.reference_edit, Qt.Key.Key_Return)
    assert "nonsense" in window.banner.text() and len(page.pairs) == 9
    qtbot.mouseClick(page.undo_key, Qt.MouseButton.LeftButton)
    assert len(page.pairs) == 8
    page.u_edit.setText("0.4 kPa")
    page.name_edit.setText("bench gauge (invented)")
    qtbot.keyClick(page.u_edit, Qt.Key.Key_Return)
    assert "two standard uncertainties" in page.verdict.text()
    assert page.plot._decor  # residuals are drawn
    qtbot.keyClick(window, Qt.Key.Key_U)
    assert "psi" in page.verdict.text() and "psi" in page.list.toPlainText()
    qtbot.mouseClick(page.save_key, Qt.MouseButton.LeftButton)
    (file,) = (tmp_path / "recordings").glob("gauge-rig-1-*.json")
    cal = from_file_text(file.read_text(), str(file))
    assert cal.adapter_id == "rig-1" and cal.reference == "bench gauge (invented)"
    assert cal.due == due_after(date.today()).isoformat()
    assert cal.standard_uncertainty_kpa is not None and cal.standard_uncertainty_kpa >= 0.2  # half of ± 0.4 kPa
    assert window.testing.gauge.calibration is None  # an invented gauge's is not for one's own
    assert "simulated" in window.banner.text()
    page.simulated = False
    page.save()
    kept = window.testing.gauge.calibration
    assert kept is not None and kept != str(file)  # tests use it from now on
    qtbot.keyClick(window, Qt.Key.Key_Escape)
    window.testing.setup.port_box.setEditText("/dev/ttyUSB0")
    place.tick()
    assert "in 365 days" in place.page.due.text() or "in 366 days" in place.page.due.text()
    assert len(list((tmp_path / "recordings").glob("gauge-rig-1-*.json"))) == 2  # never overwritten


def test_no_adapter_is_said(opened: Callable[..., MainWindow], qtbot: QtBot) -> None:
    window = opened(GAUGE)
    window.testing.setup.port_box.setEditText("/dev/no-such-port")
    qtbot.keyClick(window, Qt.Key.Key_F3)
    qtbot.keyClick(window, Qt.Key.Key_H)
    assert "/dev/no-such-port" in window.banner.text()
    assert window.adapter.link is None


def test_axes_show_numbers_and_no_thousandths(window: MainWindow) -> None:
    """A residual of a tenth of a kPa stands at 0.1, whatever the library would like to make of it."""
    page = window.adapter.calibrate
    page.pairs = [Pair(kpa, 0.1 + 0.004 * kpa + (0.0004 if kpa == 80 else 0.0)) for kpa in (0.0, 40.0, 80.0, 120.0)]
    page.show_fit()
    for side in ("left", "bottom"):
        axis = page.plot.getAxis(side)
        axis.setRange(-0.1, 0.1)
        assert axis.autoSIPrefixScale == 1.0
    trace = window.testing.live.trace
    trace.show_range((0.0, 10.0), (0.0, 100.0))
    trace.grab()
    assert trace.getAxis("left").picture is not None
    trace.show_range((0.0, 10.0), (0.0, 150.0))
    assert trace.getAxis("left").picture is None  # the numbers are drawn anew with the range
    allan = window.adapter.page.allan.getAxis("bottom")
    assert allan.tickStrings([-2.0, 0.47712, 1.0], 1.0, 1.0) == ["0.01", "3", "10"]
    assert window.testing.live.trace.getAxis("bottom").tickStrings([0.0, 75.0], 1.0, 15.0) == ["0:00", "1:15"]


def test_no_pair_of_the_simulated_tester_becomes_one_of_the_own_gauge(window: MainWindow, qtbot: QtBot) -> None:
    choose(window, "cap-passes")
    qtbot.keyClick(window, Qt.Key.Key_F3)
    page = window.adapter.calibrate
    qtbot.keyClick(window, Qt.Key.Key_C)
    page.u_edit.setText("0.4 kPa")
    for kpa in (0, 50, 100, 150):
        page.reference_edit.setText(str(kpa))
        page.ratio_edit.setText(f"{0.1 + kpa / 250:.5f}")
        page.add_pair()
    assert len(page.pairs) == 4 and page.simulated and page.save_key.isEnabled()
    window.go(0)  # straight to Testing, and back to the page that was open
    window.testing.setup.port_box.setEditText("/dev/ttyUSB0")
    window.go(2)
    assert window.adapter.pages.currentIndex() == 1
    assert page.pairs == [] and not page.simulated and not page.save_key.isEnabled()


def test_no_report_is_of_the_readings_of_two_adapters() -> None:
    """The longest run was the first one's, and was read by the second one's full scale."""
    def sent(begin_s: float, n: int, counts: int) -> list[Chunk]:
        return [Chunk(begin_s + i / 100, b"\n" + encode_sample(i, i * 10_000, counts + i * 7919 % 3)) for i in range(n)]

    def said(at_s: float, name: str, scale: int) -> Chunk:
        return Chunk(at_s, b"\n" + encode_announcement(Announcement(1, name, "1.0", scale, 100.0)))

    link = Link()
    link.take([said(0.0, "hose-7", 1023), *sent(0.0, 900, 102)])
    link.take([Lost(9.5), Back(10.0), *sent(10.0, 300, 409)])
    assert not link.named and len(link.samples()) == 1200  # it may be the same one
    link.take([said(13.0, "hose-8", 4095), *sent(13.0, 300, 409)])
    assert link.named and set(link.samples().counts) == {409, 410, 411}
    assert link.facts(16.0).samples == len(link.samples()) == 600
    link.take([Lost(16.0), Back(17.0), *sent(17.0, 50, 102), Lost(18.0), Back(19.0), said(19.0, "hose-8", 4095)])
    assert set(link.samples().counts) == {409, 410, 411}  # whose those between were nobody said
    link.take([said(20.0, "hose-7", 1023), *sent(20.0, 20, 102)])  # a bridge tells of no plug
    assert set(link.samples().counts) == {102, 103, 104} and link.facts(20.5).samples == 20


def test_pairs_of_two_adapters_are_no_calibration(window: MainWindow) -> None:
    page = window.adapter.calibrate
    said: list[str] = []
    page.problem.connect(said.append)
    link = Link()
    for name in ("hose-7", "hose-8"):
        link.take([Chunk(0.0, encode_announcement(Announcement(1, name, "1.0", 1023, 100.0)))])
        page.link = link
        page.reference_edit.setText("0")
        page.ratio_edit.setText("0.1")
        page.add_pair()
    assert len(page.pairs) == 1 and "'hose-7'" in said[-1] and "'hose-8'" in said[-1]
    page.take_back()
    page.reference_edit.setText("0")
    page.ratio_edit.setText("0.1")
    page.add_pair()
    assert len(page.pairs) == 1 and said[-1] == ""
