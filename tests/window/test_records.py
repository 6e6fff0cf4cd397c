"""The Records place: thousands of rows, opening and judging beside the screen, overlay, picture."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from PySide6.QtCore import QPoint, Qt, QTimer
from PySide6.QtWidgets import QLabel
from pytestqt.qtbot import QtBot

from recorder.errors import FileError
from recorder.recording import read
from recorder.window.places import records as qt_records
from recorder.window.places.main import MainWindow
from recorder.window.places.records import RecordsPlace
from recorder.window.state import opened as opening
from recorder.window.state.opened import load
from recorder.window.state.records import COLUMNS, quick_row
from tests.benchmarks.made import make

MANY = 2000


@pytest.fixture(scope="module")
def few(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("few")
    for seed in range(3):
        make(made, seed, job=f"job {seed}")
    return made


def records(window: MainWindow, qtbot: QtBot) -> RecordsPlace:
    qtbot.keyClick(window, Qt.Key.Key_F2)
    qtbot.waitUntil(lambda: not window.records._filler.isActive(), timeout=60000)
    return window.records


class Heart:
    """Beats while the window's thread is free."""

    def __init__(self) -> None:
        self.beats = 0
        self._timer = QTimer()
        self._timer.timeout.connect(self._beat)
        self._timer.start(2)

    def _beat(self) -> None:
        self.beats += 1


def test_thousands_of_recordings_are_listed_sorted_and_filtered(
    opened: Callable[..., MainWindow], qtbot: QtBot, few: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    text = next(few.glob("*-system-*.csv")).read_text()
    head, _, rest = text.partition("time_s,")
    many = tmp_path / "many"
    many.mkdir()
    for n in range(MANY):
        end = rest[rest.rindex("# judgement"):]
        body = f"time_s,{rest}" if n % 100 == 0 else "time_s,pressure_kPa\n0.0,0.1\n" + end  # most are short
        own = head.replace('"job 0"', f'"job {n}"').replace('"job 1"', f'"job {n}"').replace('"job 2"', f'"job {n}"')
        (many / f"2026030{1 + n % 9}T{n // 60 % 24:02d}{n % 60:02d}00Z-system-{n:04x}.csv").write_text(own + body)
    window = opened(folder=many)
    heart = Heart()
    place = records(window, qtbot)
    assert len(place.model.list.rows) == MANY
    assert heart.beats > 20  # the screen lived while the folder was read
    assert place.count.text() == f"{MANY} recordings"
    qtbot.keyClicks(place.filter_edit, f"job {MANY - 1}")
    assert place.model.rowCount() == 1
    assert place.count.text() == f"1 of {MANY}"
    place.filter_edit.clear()
    header = place.table.horizontalHeader()
    at = header.sectionViewportPosition(1) + 10
    qtbot.mouseClick(header.viewport(), Qt.MouseButton.LeftButton, pos=QPoint(at, 20))
    jobs = [place.model.list.row(i).job for i in range(place.model.rowCount())]
    assert jobs in (sorted(jobs), sorted(jobs, reverse=True)) and len(set(jobs)) == MANY
    # Once more: nothing has changed, so nothing is read again.
    reads: list[Path] = []
    with monkeypatch.context() as patch:
        patch.setattr(qt_records, "quick_row", lambda path: (reads.append(path), quick_row(path))[1])
        records(window, qtbot)
    assert reads == [] and len(place.model.list.rows) == MANY


def test_opening_and_judging_leave_the_screen_alive(
    opened: Callable[..., MainWindow], qtbot: QtBot, few: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    window = opened(folder=few)
    place = records(window, qtbot)
    where: list[str] = []
    monkeypatch.setattr(opening, "load", lambda path: (where.append(threading.current_thread().name), load(path))[1])
    heart = Heart()
    qtbot.keyClick(place.table, Qt.Key.Key_Return)
    assert place.pages.currentIndex() == 0  # not there yet
    qtbot.waitUntil(lambda: place.pages.currentIndex() == 1, timeout=30000)
    assert where and all("opening" in name for name in where)
    assert heart.beats > 3
    page = place.page
    assert page.word.text() in ("PASS", "FAIL", "CANNOT TELL YET")
    assert page.state.text() == "unchanged since it was sealed; judged again: the same"
    assert page.trace.store is place.opened[0].store and page.hold.isVisible()
    row = place.model.list.rows[place.model.list.shown[0]]
    assert (row.intact, row.same) == ("yes", "yes")  # the table knows it now too
    qtbot.keyClick(window, Qt.Key.Key_Escape)
    assert place.pages.currentIndex() == 0


def test_all_are_judged_again_in_another_process(opened: Callable[..., MainWindow], qtbot: QtBot, few: Path,
                                                 tmp_path: Path) -> None:
    folder = tmp_path / "some"
    shutil.copytree(few, folder)
    touched = sorted(folder.glob("*-system-*.csv"))[0]
    touched.write_text(touched.read_text().replace('"hose-7"', '"hose-8"'))
    window = opened(folder=folder)
    place = records(window, qtbot)
    qtbot.keyClick(window, Qt.Key.Key_J)
    qtbot.waitUntil(lambda: place._checked == 3 and not place._checker.isActive(), timeout=90000)
    words = {Path(row.path).name: (row.intact, row.same) for row in place.model.list.rows}
    assert words.pop(touched.name)[0] == "ALTERED"
    column = COLUMNS.index("outcome")
    signs = {place.model.list.row(at).intact: place.model.data(place.model.index(at, column),
                                                               Qt.ItemDataRole.DecorationRole) is not None
             for at in range(place.model.rowCount())}
    assert signs == {"ALTERED": False, "yes": True}
    assert set(words.values()) == {("yes", "yes")}


def test_judging_again_goes_on_when_the_folder_is_read_anew(opened: Callable[..., MainWindow], qtbot: QtBot, few: Path,
                                                            tmp_path: Path) -> None:
    """It stopped without a word when a test ended, or by F1 and F2. A file that changed meanwhile is not said to be
    what it was."""
    folder = tmp_path / "some"
    shutil.copytree(few, folder)
    window = opened(folder=folder)
    place = records(window, qtbot)
    qtbot.keyClick(window, Qt.Key.Key_J)
    changed = sorted(folder.glob("*-system-*.csv"))[0]
    changed.write_text(changed.read_text().replace('"hose-7"', '"hose-9"'))
    place.reload()
    qtbot.waitUntil(lambda: place._checked == 3 and not place._checker.isActive(), timeout=90000)
    qtbot.waitUntil(lambda: len(place.model.list.rows) == 3, timeout=20000)
    words = {Path(row.path).name: (row.intact, row.same) for row in place.model.list.rows}
    assert words.pop(changed.name)[1] != "yes"
    assert list(words.values()) == [("yes", "yes")] * 2


def test_two_are_laid_over_each_other_and_saved_as_a_picture(
    opened: Callable[..., MainWindow], qtbot: QtBot, few: Path, tmp_path: Path,
) -> None:
    folder = tmp_path / "two"
    shutil.copytree(few, folder)
    window = opened(folder=folder)
    place = records(window, qtbot)
    qtbot.keyClick(window, Qt.Key.Key_O)
    assert "choose two" in window.banner.text()
    qtbot.keyClick(place.table, Qt.Key.Key_Home, Qt.KeyboardModifier.ControlModifier)
    qtbot.keyClick(place.table, Qt.Key.Key_Down, Qt.KeyboardModifier.ShiftModifier)
    assert len(place.table.chosen()) == 2
    qtbot.keyClick(window, Qt.Key.Key_O)
    qtbot.waitUntil(lambda: place.pages.currentIndex() == 1, timeout=30000)
    front, behind = place.opened
    assert behind is not None
    assert front.recording.header.started > behind.recording.header.started
    assert place.page.trace.earlier is not None and place.page.trace.earlier.store is behind.store
    assert place.page.hold.earlier.word == "before, " + behind.recording.header.started[:16].replace("T", " ") + " UTC"
    qtbot.keyClick(window, Qt.Key.Key_P)
    qtbot.waitUntil(lambda: "picture saved" in window.banner.text(), timeout=30000)
    (picture,) = folder.glob("*.svg")
    assert "Before" in picture.read_text() and "After" in picture.read_text()
    qtbot.keyClick(window, Qt.Key.Key_P)  # an existing picture is kept
    qtbot.waitUntil(lambda: len(list(folder.glob("*.svg"))) == 2, timeout=30000)


def test_a_file_that_is_no_recording_is_said_in_words(opened: Callable[..., MainWindow], qtbot: QtBot,
                                                      tmp_path: Path) -> None:
    folder = tmp_path / "odd"
    folder.mkdir()
    (folder / "20260301T000000Z-cap-0001.csv").write_bytes(b"\x00\xff\xfe nothing of ours \n" * 50)
    window = opened(folder=folder)
    place = records(window, qtbot)
    assert place.model.rowCount() == 1
    qtbot.keyClick(place.table, Qt.Key.Key_Return)
    qtbot.waitUntil(lambda: window.banner.text().startswith("▲"), timeout=30000)
    assert "20260301T000000Z-cap-0001.csv" in window.banner.text() and "\n" not in window.banner.text()
    assert place.pages.currentIndex() == 0


def test_units_switch_in_the_table_and_in_the_open_recording(opened: Callable[..., MainWindow], qtbot: QtBot,
                                                             few: Path) -> None:
    window = opened(folder=few)
    place = records(window, qtbot)
    assert "kPa" in place.model.headerData(5, Qt.Orientation.Horizontal)
    assert place.model.headerData(0, Qt.Orientation.Horizontal) == "time\nUTC"  # no clock on a wall of the shop
    assert place.model.headerData(4, Qt.Orientation.Horizontal) == "opened\nkPa"
    in_kpa = float(place.model.data(place.model.index(0, 5)))
    qtbot.keyClick(window, Qt.Key.Key_U)
    assert "psi" in place.model.headerData(5, Qt.Orientation.Horizontal)
    assert float(place.model.data(place.model.index(0, 5))) == pytest.approx(in_kpa / 6.894757, abs=1e-3)
    qtbot.keyClick(place.table, Qt.Key.Key_Return)
    qtbot.waitUntil(lambda: place.pages.currentIndex() == 1, timeout=30000)
    assert "psi" in place.page.hold.fall.text()
    qtbot.keyClick(window, Qt.Key.Key_U)
    assert "bar" in place.page.hold.fall.text() and "bar" in place.page.source.text()


def test_a_judging_process_that_ends_is_said_and_begun_anew(
    opened: Callable[..., MainWindow], qtbot: QtBot, few: Path,
) -> None:
    window = opened(folder=few)
    place = records(window, qtbot)
    qtbot.keyClick(window, Qt.Key.Key_J)
    qtbot.waitUntil(lambda: bool(place._pool and place._pool._processes and place._checks), timeout=20000)
    assert place._pool is not None
    for process in place._pool._processes.values():
        process.kill()  # as a system that is out of memory does
    qtbot.waitUntil(lambda: "its process ended" in window.banner.text(), timeout=20000)
    assert not place._checker.isActive()
    qtbot.keyClick(window, Qt.Key.Key_J)
    qtbot.waitUntil(lambda: {row.same for row in place.model.list.rows} == {"yes"}, timeout=60000)


def test_a_filter_that_finds_nothing_says_so_and_escape_clears_it(
    opened: Callable[..., MainWindow], qtbot: QtBot, few: Path
) -> None:
    place = records(window := opened(folder=few), qtbot)
    assert not place.nothing.isVisible()
    qtbot.keyClicks(place.filter_edit, "bleu   van")
    assert place.model.rowCount() == 0 and place.nothing.isVisible() and place.count.text() == "0 of 3"
    assert place.nothing.text() == "Nothing here has “bleu van” in it. Esc clears the filter and shows all 3"
    qtbot.keyClick(window, Qt.Key.Key_Escape)
    assert place.filter_edit.text() == "" and place.model.rowCount() == 3 and not place.nothing.isVisible()
    place.filter_edit.setText("x" * 300)
    assert place.nothing.isVisible() and len(place.nothing.text()) < 120
    place.filter_edit.setText("-0001.csv")
    assert not place.nothing.isVisible() and place.model.rowCount() == 1


def test_every_number_is_reached_by_the_keys_and_the_next_recording_begins_at_its_first(
    opened: Callable[..., MainWindow], qtbot: QtBot, tmp_path: Path
) -> None:
    demo = Path(__file__).parents[2] / "recordings"  # with all that a test can give
    place = records(window := opened(folder=shutil.copytree(demo, tmp_path / "demo")), qtbot)
    qtbot.keyClick(place.table, Qt.Key.Key_Return)
    qtbot.waitUntil(lambda: place.pages.currentIndex() == 1, timeout=30000)
    area, inside = place.page.area, place.page.area.widget()
    bar = area.verticalScrollBar()
    qtbot.waitUntil(lambda: bar.maximum() > 0, timeout=10000)  # at 1024 x 600 they do not all fit
    assert bar.isVisible() and bar.value() == 0 and inside is not None
    for _ in range(9):
        qtbot.keyClick(area, Qt.Key.Key_PageDown)
    last = max(label.geometry().bottom() for label in place.page.numbers.findChildren(QLabel) if label.isVisible())
    at = place.page.numbers.mapTo(area.viewport(), QPoint(0, last)).y()
    assert bar.value() == bar.maximum() and at < area.viewport().height()
    qtbot.keyClick(window, Qt.Key.Key_Escape)
    qtbot.keyClick(place.table, Qt.Key.Key_Down)
    qtbot.keyClick(place.table, Qt.Key.Key_Return)
    qtbot.waitUntil(lambda: place.pages.currentIndex() == 1, timeout=30000)
    assert bar.value() == 0


def test_an_opened_recording_is_left_before_the_filter_is_cleared(
    opened: Callable[..., MainWindow], qtbot: QtBot, few: Path
) -> None:
    place = records(window := opened(folder=few), qtbot)
    place.filter_edit.setText("job 1")
    place.open_selected()
    qtbot.waitUntil(lambda: place.pages.currentIndex() == 1, timeout=60000)
    qtbot.keyClick(window, Qt.Key.Key_Escape)
    assert place.pages.currentIndex() == 0 and place.filter_edit.text() == "job 1"


def held_back(monkeypatch: pytest.MonkeyPatch) -> threading.Event:
    """What is opened comes when this is set: a slow disk."""
    come = threading.Event()

    def slow(path: str) -> object:
        come.wait(20)
        return load(path)

    monkeypatch.setattr(opening, "load", slow)
    return come


def test_what_is_opened_late_takes_nothing_from_another_place(
    opened: Callable[..., MainWindow], qtbot: QtBot, few: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    window, come = opened(folder=few), held_back(monkeypatch)
    place = records(window, qtbot)
    place.open_selected()
    qtbot.keyClick(window, Qt.Key.Key_F1)
    edit = window.testing.setup.job_edit
    edit.setFocus()
    window.testing.problem.emit("adapter unplugged")
    come.set()
    qtbot.waitUntil(lambda: place.pages.currentIndex() == 1, timeout=20000)
    assert window.focusWidget() is edit
    assert window.banner.text() == "▲ adapter unplugged" and window.banner.isVisibleTo(window)
    qtbot.keyClick(window, Qt.Key.Key_F2)
    assert window.focusWidget() is place.page.area  # the arrows move what is seen


def test_esc_withdraws_what_is_being_opened(
    opened: Callable[..., MainWindow], qtbot: QtBot, few: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    window, come = opened(folder=few), held_back(monkeypatch)
    place = records(window, qtbot)
    place.open_selected()
    assert "Esc" in window.banner.text()
    qtbot.keyClick(window, Qt.Key.Key_Escape)
    assert not window.banner.isVisibleTo(window)
    come.set()
    qtbot.waitUntil(lambda: not place._background.busy, timeout=20000)
    assert place.pages.currentIndex() == 0 and place.opened is None
    place.open_selected()
    qtbot.waitUntil(lambda: place.pages.currentIndex() == 1, timeout=20000)  # the next one comes


def test_two_that_are_hardly_before_and_after_are_said_to_be(
    opened: Callable[..., MainWindow], qtbot: QtBot, few: Path, tmp_path: Path,
) -> None:
    folder = tmp_path / "two"
    folder.mkdir()
    system = next(few.glob("*-system-*.csv"))
    other, again, cap = (folder / f"{name}.csv" for name in ("other", "again", "cap"))
    job = read(system).header.job
    shutil.copy(system, folder / "one.csv")
    text = system.read_text("utf-8")
    other.write_text(text.replace(f'# job: "{job}"', '# job: "another  car"'), "utf-8")
    again.write_text(text.replace(f'# job: "{job}"', f'# job: "{job.upper()}"'), "utf-8")
    cap.write_text(text.replace('# test: "system"', '# test: "cap"'), "utf-8")
    window = opened(folder=folder)
    place = records(window, qtbot)
    for behind, said in ((other, f'▲ "{job}", and behind it "another car": is that one vehicle?'), (again, ""),
                         (cap, "▲ a system test, and behind it a cap test: they do not compare"), (None, "")):
        place.opened = None
        place.open(str(folder / "one.csv"), behind=str(behind) if behind else None)
        qtbot.waitUntil(lambda: place.opened is not None, timeout=30000)
        assert window.banner.text() == said and window.banner.isVisibleTo(window) is bool(said)


def test_one_recording_is_counted_as_one(opened: Callable[..., MainWindow], qtbot: QtBot, few: Path, tmp_path: Path,
                                         ) -> None:
    folder = tmp_path / "first"
    folder.mkdir()
    shutil.copy(next(few.glob("*-*.csv")), folder)
    place = records(opened(folder=folder), qtbot)
    assert place.count.text() == "1 recording"


def test_a_folder_that_goes_while_it_is_read_shows_none_of_it(
    opened: Callable[..., MainWindow], qtbot: QtBot, few: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The rest of what was found in it came into the table below the words that it cannot be read."""
    for n in range(200):
        shutil.copy(next(few.glob("*-system-*.csv")), tmp_path / f"{n}.csv")
    window = opened(folder=tmp_path)
    monkeypatch.setattr(qt_records, "_SLICE_S", 0.0)
    qtbot.keyClick(window, Qt.Key.Key_F2)
    place = window.records
    assert place._filler.isActive()

    def gone(folder: Path) -> list[Path]:
        raise FileError("the folder cannot be read (Input/output error)", path=str(folder))

    monkeypatch.setattr(qt_records, "list_folder", gone)
    place.reload()
    qtbot.wait(500)
    assert place.model.list.rows == [] and "cannot be read" in window.banner.text()
    assert not place._filler.isActive()
