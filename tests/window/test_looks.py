"""Every screen: nothing cut off or covered, targets large, names set, all by keyboard; small, 4K, with a large font."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path

import pytest
from PySide6.QtCore import Qt, QTextBoundaryFinder
from PySide6.QtGui import QFont, QFontMetrics
from PySide6.QtWidgets import QApplication, QLabel, QWidget
from pytestqt.qtbot import QtBot

from recorder.adapter_verdict import graded
from recorder.model import Mark
from recorder.settings import Settings
from recorder.window.link.left_on import LeftOn
from recorder.window.places.live import together
from recorder.window.places.main import MainWindow
from recorder.window.state.opened import load
from recorder.window.state.result import result_screen
from recorder.window.state.testing import live_screen
from tests.benchmarks.made import make
from tests.window.conftest import choose
from tests.window.measure import clipped, overlapping, targets
from tests.window.test_state_testing import BASE, CAP, HOLD, MUCH_WRONG
from tests.window.test_state_testing import OVER as OVER_LINES

DEMO = min((Path(__file__).parents[2] / "recordings").glob("*-system-*.csv"))  # one that was held in full
LONG_JOB = "Corner Lane Garage (invented): the blue delivery van that lost its coolant on the way to the coast"
OVER = dataclasses.replace(BASE, next_step="over-limit", pressure_kpa=131.4)


def lines_of(label: QLabel) -> list[str]:
    """What it says, a number's unit apart from it."""
    return label.text().replace("\u00a0", " ").replace("\u2060", "").split("\n")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("recordings")
    for seed in range(3):
        make(made, seed, job=LONG_JOB)
    return made


def screens(window: MainWindow, qtbot: QtBot) -> Iterator[str]:
    """Brings up one screen after the other."""
    testing = window.testing
    testing.setup.job_edit.setText(LONG_JOB)
    yield "setup"
    testing.setup.marked_edit.setText("17 bar")  # no cap is marked so: a long line says what may be meant
    yield "setup, marking refused"
    choose(window, "cap-passes", LONG_JOB)
    testing.start_test()
    running = testing.running
    qtbot.waitUntil(lambda: running.begun, timeout=30000)
    testing._timer.stop()
    running.marks = [Mark(12.0, "hose ends"), Mark(31.0, "lower radiator hose, five drops")]
    for name, view in (("pumping", BASE), ("over limit", OVER), ("hold", HOLD), ("cap", CAP)):
        testing.show_view(view)
        yield name
    testing.show_view(HOLD)
    testing.noting.toggle()
    testing.show_view(HOLD)
    yield "findings"
    testing.place_key(9)
    yield "own words"
    testing.end("seen", wait=True)
    yield "result"
    plain = testing.judgement
    assert plain is not None
    testing.judgement = {**plain, "reasons": [
        *plain["reasons"], {"code": "over-limit", "text": "It was pumped to 145 kPa; never above 124 kPa."}]}
    testing.show_result()
    assert testing.live.sentence.isVisible() and "OVER THE LIMIT" in testing.live.sentence.text()
    yield "result that was over the limit"
    testing.judgement = plain
    testing.show_result()
    assert "OVER THE LIMIT" not in testing.live.sentence.text()
    testing.repairs.toggle()
    yield "repairs"
    testing.place_key(9)
    yield "repair in own words"
    testing.repairs.add("lower radiator hose and both of its clamps")
    yield "result after a repair was said"
    running.stored = False
    testing.problem.emit("/a/folder/with/a/long/name/recordings: the disk is full; free some space and test again")
    testing.actions_changed.emit()
    yield "result that is not stored"
    running.stored = True
    window.go(1)
    qtbot.waitUntil(lambda: not window.records._filler.isActive(), timeout=20000)
    yield "records"
    window.records.open_selected()
    qtbot.waitUntil(lambda: window.records.pages.currentIndex() == 1, timeout=20000)
    yield "opened"
    window.go(2)
    yield "adapter, not listening"
    window.adapter.listen()
    qtbot.waitUntil(lambda: window.adapter.report is not None, timeout=30000)
    yield "adapter"
    # One that drifts is told to warm up first, and an unpaced adapter on a stalled machine may seem to.
    report = dataclasses.replace(window.adapter.report, drift_kpa_per_min=0.0,
                                 wander_fall_kpa=0.55, wander_kpa=0.123, wander_s=23.5, wander_white_kpa=0.0041)
    verdict, reasons = graded(dataclasses.asdict(report), report.nominal_rate_hz)
    window.adapter._checked(window.adapter.link, (dataclasses.replace(report, verdict=verdict, reasons=reasons), ""))
    assert any("wanders by 0.12 kPa" in reason for reason in reasons)
    yield "adapter that wanders"
    many = ("it came at 61.2 readings a second in place of the 100 that it announces: check the loop of the firmware",
            "3 of 500 lines failed their check: shorten the cable, and keep it away from ignition leads",
            "open to air it reads 104.2 kPa: so much is the air's own pressure, as an absolute sensor reads it")
    much = dataclasses.replace(report, verdict="unfit", reasons=many, seconds=20.0)
    window.adapter._checked(window.adapter.link, (much, ""))
    assert "listen for" in window.adapter.page.reasons.text()
    yield "adapter of which there is much to say"
    window.adapter.show_page(1)
    for kpa in (0, 40, 80, 120, 160):
        window.adapter.calibrate.reference_edit.setText(str(kpa))
        window.adapter.calibrate.ratio_edit.setText(str(0.1 + kpa / 250))
        window.adapter.calibrate.add_pair()
    yield "calibration"
    window.adapter.show_page(2)
    yield "gauge"
    window.adapter.gauge._choose(True)
    yield "gauge of plain numbers"


def wrong_with(window: MainWindow) -> list[str]:
    wrong = clipped(window) + overlapping(window)
    for target in targets(window):
        if target.height() < 60 or target.width() < 60:
            wrong.append(f"{target.accessibleName()} is {target.width()} x {target.height()}")
        if not target.accessibleName():
            wrong.append(f"a {type(target).__name__} without a name")
    return wrong


def stays_wrong(window: MainWindow) -> list[str]:
    """What is wrong in several turns one after the other: new numbers are laid out a turn after they have come."""
    found: list[str] = []
    for _ in range(8):
        for _ in range(3):
            QApplication.processEvents()
        found = wrong_with(window)
        if not found:
            break
    return found


# The user's own font is 13 px high as a rule. The longest unit with the largest font is the hardest.
@pytest.mark.parametrize(("width", "height", "own_px", "unit"), [
    (960, 540, 13, "kPa"), (1024, 600, 26, "kgf/cm2"), (3840, 2160, 26, "psi"),
], ids=["half of full HD", "small, font twice as large", "4K"])
def test_no_screen_cuts_or_covers_anything(opened: Callable[..., MainWindow], qtbot: QtBot, folder: Path, width: int,
                                           height: int, own_px: int, unit: str) -> None:
    before = QApplication.font()
    own = QFont(before)
    own.setPixelSize(own_px)
    QApplication.setFont(own)
    try:
        window = opened(dataclasses.replace(Settings(), unit=unit), folder=folder, speed=None)
        window.resize(width, height)
        wrong: list[str] = []
        for name in screens(window, qtbot):
            assert (window.width(), window.height()) == (width, height), name
            wrong += [f"{name}: {what}" for what in stays_wrong(window)]
        assert not wrong, "\n".join(wrong)
    finally:
        QApplication.setFont(before)


@pytest.mark.parametrize("size", [(1024, 600), (1280, 800), (1920, 1080)])
def test_what_to_do_now_has_a_twentieth_of_the_height(opened: Callable[..., MainWindow], qtbot: QtBot,
                                                      size: tuple[int, int]) -> None:
    """Read with wet gloves from two metres; common practice, no source."""
    window = opened(speed=None)
    window.resize(*size)
    choose(window, "system-seeps", LONG_JOB)
    window.testing.start_test()
    qtbot.waitUntil(lambda: window.testing.running.begun, timeout=30000)
    window.testing._timer.stop()
    label = window.testing.live.sentence
    for view in (BASE, OVER, HOLD):
        window.testing.show_view(view)
        QApplication.processEvents()
        assert label.font().pixelSize() >= 0.05 * size[1], label.text()
        assert not stays_wrong(window)


@pytest.mark.parametrize("unit", ["kPa", "kgf/cm2"])
def test_every_column_of_the_records_is_whole_with_large_letters(opened: Callable[..., MainWindow], qtbot: QtBot,
                                                                 folder: Path, unit: str) -> None:
    """"same again?" lay behind the right edge."""
    before = QApplication.font()
    own = QFont(before)
    own.setPixelSize(26)
    QApplication.setFont(own)
    try:
        window = opened(dataclasses.replace(Settings(), unit=unit), folder=folder)
        window.go(1)
        qtbot.waitUntil(lambda: not window.records._filler.isActive(), timeout=20000)
        table, header = window.records.table, window.records.table.horizontalHeader()
        qtbot.waitUntil(lambda: header.length() <= table.viewport().width(), timeout=5000)
        bold = QFont(header.font())
        bold.setBold(True)
        for column in range(header.count()):
            name = window.records.model.headerData(column, Qt.Orientation.Horizontal)
            widest = max(QFontMetrics(bold).horizontalAdvance(line) for line in name.split("\n"))
            assert widest <= header.sectionSize(column), name
    finally:
        QApplication.setFont(before)


@pytest.mark.parametrize("still_on", [False, True], ids=["vented", "still under pressure"])
@pytest.mark.parametrize("size", [(800, 480), (960, 540), (1024, 600), (1920, 1080)])
def test_many_reasons_are_shown_or_counted(opened: Callable[..., MainWindow], qtbot: QtBot, folder: Path,
                                           size: tuple[int, int], still_on: bool) -> None:
    window = opened(folder=folder, speed=None)
    window.resize(*size)
    choose(window, "system-seeps", LONG_JOB)
    window.testing.start_test()
    qtbot.waitUntil(lambda: window.testing.running.begun, timeout=30000)
    window.testing.end("seen", wait=True)
    window.testing.running.let_go()
    window.testing.running.left_on = LeftOn(131.4) if still_on else None
    window.testing.judgement = {**window.testing.judgement, **MUCH_WRONG}
    window.testing.show_result()
    for _ in range(3):
        QApplication.processEvents()
    live = window.testing.live
    everything = result_screen(window.testing.judgement, "kPa").lines

    def left() -> int:
        return len(everything) - len(set(everything) & set(lines_of(live.reasons)))

    if not still_on and size[1] >= 600:  # an ordinary screen has room for all, once its last turn is over
        qtbot.waitUntil(lambda: not left(), timeout=5000)
    shown = lines_of(live.reasons)
    assert set(OVER_LINES) <= set(shown)
    assert shown[-1] == f"+{left()} more: F2, then Enter" if left() else tuple(shown) == everything
    assert not clipped(window)


@pytest.mark.parametrize("unit", ["kPa", "kgf/cm2"])
def test_no_line_of_a_result_ends_within_a_number_with_its_unit(unit: str) -> None:
    """Where Qt lets a line end, by UAX #14: plain, it would end one behind each stroke."""
    def pieces(text: str) -> list[str]:
        finder = QTextBoundaryFinder(QTextBoundaryFinder.BoundaryType.Line, text)
        ends = [0]
        while (end := finder.toNextBoundary()) != -1:
            ends.append(end)
        return [text[a:b].replace("\u2060", "").replace("\u00a0", " ") for a, b in pairwise(ends)]

    plain = f"2.15 ± 0.20 {unit}/min beyond settling, 0.35 {unit}/min allowed, from 99.3 {unit} on."
    assert f"2.15 ± 0.20 {unit}/min " not in pieces(plain)
    assert {f"2.15 ± 0.20 {unit}/min ", f"0.35 {unit}/min ", f"99.3 {unit} "} <= set(pieces(together(plain, unit)))


def test_an_opened_recording_has_every_reason_and_advice(window: MainWindow, qtbot: QtBot, folder: Path) -> None:
    place = window.records
    opened = load(str(next(folder.glob("*-system-*.csv"))))
    much = {**opened.judgement, **MUCH_WRONG}
    place.page.show_opened(dataclasses.replace(opened, judgement=much), None, "kPa")
    said = [*place.page.reasons.text().split("\n"), *place.page.more.text().split("\n")]
    assert set(result_screen(much, "kPa").lines) <= set(said)
    assert set(OVER_LINES) <= set(place.page.reasons.text().split("\n"))


def test_what_is_drawn_has_a_name_for_screen_readers(window: MainWindow, qtbot: QtBot) -> None:
    window.warm_up()
    live = window.testing.live
    live.show_live(live_screen(HOLD, test="system", unit="kPa"), (), (), None)
    assert live.reading.accessibleName() == "pressure 97.3 kPa"
    assert "hold now" in live.ladder.accessibleName() and "pump done" in live.ladder.accessibleName()
    drawn: list[QWidget] = [live.trace, live.hold.drawing, window.records.table, window.records.page.area,
                            window.adapter.page.raw, window.adapter.page.allan, window.adapter.calibrate.plot]
    assert all(widget.accessibleName() for widget in drawn)
    assert window.mute_key.accessibleName() == "sound, now on"
    assert window.unit_key.accessibleName() == "pressure unit, now kPa"


FALLS = {"outcome": "fail", "reasons": [{"code": "fall-too-fast", "text": "It falls too fast."}]}


@pytest.mark.parametrize("size", [(1024, 600), (1920, 1080)])
def test_what_to_do_next_is_larger_in_a_result_than_while_it_runs(opened: Callable[..., MainWindow], qtbot: QtBot,
                                                                  folder: Path, size: tuple[int, int]) -> None:
    """It was as small as the reasons, 17 px of 600, beside a FAIL that was read from across the shop."""
    window = opened(folder=folder, speed=None)
    window.resize(*size)
    choose(window, "system-seeps", LONG_JOB)
    testing, live = window.testing, window.testing.live
    testing.start_test()
    qtbot.waitUntil(lambda: testing.running.begun, timeout=30000)
    testing.end("seen", wait=True)
    testing.running.let_go()
    testing.running.left_on = None
    plain = {**testing.judgement, "peak": None}  # how far it was pumped by then is the computer's affair
    running_px = round(2.1 * window._px)
    short = {"outcome": "undecided", "hold_more_s": 81.0, "reasons": MUCH_WRONG["reasons"][:1]}
    for outcome, first in ((FALLS, "It leaks. Look for wet places"), (short, "Test again and hold")):
        testing.judgement = {**plain, **outcome}
        testing.show_result()
        QApplication.processEvents()
        assert live.sentence.text().startswith(first) and first not in live.reasons.text()
        assert live.sentence.fontInfo().pixelSize() > 1.1 * running_px > 1.8 * live.reasons.fontInfo().pixelSize()
        # capitals a 25th of the screen's height: 5 mm on one of 130 mm
        assert live.sentence.fontMetrics().capHeight() >= window.height() / 25
        assert not clipped(window) and not overlapping(window)
        assert live.caution.isVisible() and live.caution.fontInfo().pixelSize() > 1.1 * window._px
    testing.judgement = {**plain, "outcome": "pass", "reasons": []}
    testing.show_result()
    QApplication.processEvents()
    assert live.sentence.text().startswith("Nothing to mend. See that the gauge stands at zero, then take the tester")
    assert live.sentence.fontMetrics().capHeight() >= window.height() / 25 and not live.caution.isVisible()
    assert not clipped(window) and not overlapping(window)


def test_the_outcome_is_whole_beside_the_numbers(opened: Callable[..., MainWindow], qtbot: QtBot, folder: Path) -> None:
    """With large letters its end lay below them: CANNOT TELL Y."""
    before = QApplication.font()
    own = QFont(before)
    own.setPixelSize(26)
    QApplication.setFont(own)
    try:
        window = opened(folder=folder, speed=None)
        window.resize(1280, 800)
        testing = window.testing
        choose(window, "system-seeps")
        testing.start_test()
        qtbot.waitUntil(lambda: testing.running.begun, timeout=30000)
        testing.end("seen", wait=True)
        testing.running.let_go()
        testing.running.left_on = None
        numbers = json.loads(DEMO.read_text("utf-8").split("\n# judgement: ")[1].split("\n")[0])
        short = "The hold lasted 25.0 s; it takes at least 60 s to say anything."
        reasons = [{"code": "hold-too-short", "text": short}]
        testing.judgement = {**numbers, "outcome": "undecided", "hold_more_s": 81.0, "reasons": reasons}
        testing.show_result()
        assert testing.live.word.text() == "CANNOT TELL YET" and not stays_wrong(window)
    finally:
        QApplication.setFont(before)


def test_a_warning_leaves_the_words_after_it_where_they_belong(opened: Callable[..., MainWindow], qtbot: QtBot,
                                                               folder: Path) -> None:
    """The style sheet made anew beside a warning (another size) left margins below zero behind: whatever was said from
    then on was cut off at the left and at the top."""
    window = opened(folder=folder, speed=None)
    choose(window, "system-seeps", LONG_JOB)
    testing = window.testing
    testing.start_test()
    qtbot.waitUntil(lambda: testing.running.begun, timeout=30000)
    testing.end("seen", wait=True)
    testing.running.let_go()
    testing.running.left_on = None
    plain = testing.judgement
    for outcome in (MUCH_WRONG, FALLS):
        testing.judgement = {**plain, **outcome}
        testing.show_result()
        for size in ((800, 480), (1024, 600), (1920, 1080)):
            window.resize(*size)
            for _ in range(3):
                QApplication.processEvents()
            assert not clipped(window)


def test_meaning_is_in_text_and_shape_too(window: MainWindow) -> None:
    """What the colours say is said without them: the marks in the texts that a screen without colour shows."""
    live = window.testing.live
    live.show_live(live_screen(OVER, test="system", unit="kPa"), (), (), None)
    assert live.sentence.text().startswith("▲ STOP")
    window.say("something")
    assert window.banner.text() == "▲ something"
    window.tell("something was done")
    assert window.banner.text() == "something was done"
    assert window.testing.setup.test_keys["cap"].text().startswith("●")
    assert window.testing.setup.test_keys["system"].text().startswith("○")


def test_every_place_by_keyboard_alone(window: MainWindow, qtbot: QtBot) -> None:
    """Tab reaches every key and field that is seen, in each place, and Enter or Space works on it."""
    for place, key in enumerate((Qt.Key.Key_F1, Qt.Key.Key_F2, Qt.Key.Key_F3)):
        qtbot.keyClick(window, key)
        assert window._at == place
        wanted = {w for w in targets(window) if w.isEnabled()}
        start = QApplication.focusWidget() or window
        seen, at = set(), start
        for _ in range(500):
            seen.add(at)
            at = at.nextInFocusChain()
        reached = {w for w in seen if w.focusPolicy() & Qt.FocusPolicy.TabFocus and w.isVisible()}
        missing = [w.accessibleName() for w in wanted - reached]
        assert not missing, missing
    qtbot.keyClick(window, Qt.Key.Key_F1)
    of_system = window.testing.setup.test_keys["system"]
    of_system.setFocus()
    qtbot.keyClick(of_system, Qt.Key.Key_Space)
    assert window.testing.setup.test == "system"


def test_font_grows_with_the_window(window: MainWindow) -> None:
    small = window._px
    window.resize(3840, 2160)
    QApplication.processEvents()
    assert window._px > 3 * small
    label = next(w for w in window.findChildren(QLabel) if w.isVisible() and w.text())
    assert label.fontInfo().pixelSize() >= 3 * small
