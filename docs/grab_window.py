"""Grabs the pictures of docs/window.md from the real program: ``python docs/grab_window.py [--all FOLDER]``.

Every test in the pictures is played by the simulated tester; shop and vehicle are invented. With ``--all`` every
screen is grabbed small and large, light and dark, into a folder to look through.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from PySide6.QtGui import QImage
from PySide6.QtWidgets import QApplication

from recorder.rig import SimulatedTester, demo, simulate
from recorder.settings import Settings
from recorder.window.places.main import MainWindow
from recorder.window.places.testing import Testing

OUT = Path(__file__).resolve().parent / "pictures"
SIZES = {"small": (1024, 600), "large": (1920, 1080)}
SPEED = 4.0
SHOP = "Corner Lane Garage (invented)"
JOB = f"{SHOP}: the blue delivery van"
# The pictures of docs/window.md: 1024 x 600 but for one, light but for two.
KEPT = (
    "before-small-light", "pumping-small-light", "over-limit-small-light", "hold-small-light", "finding-small-light",
    "result-system-seeps-small-dark", "result-system-repaired-small-light", "result-cap-passes-large-light",
    "unplugged-small-dark", "records-small-light", "opened-small-light", "overlaid-small-light",
    "repairs-small-light", "adapter-small-light", "gauge-small-light", "calibrate-small-light",
)


def until(app: QApplication, met: Callable[[], bool], seconds: float = 900.0) -> None:
    """Lets the program run until it is so. seconds: far more than a busy computer needs."""
    end = time.monotonic() + seconds
    while not met():
        if time.monotonic() > end:
            raise SystemExit("the program did not come to where a picture was to be taken")
        app.processEvents()
        time.sleep(0.004)


def another_fit(testing: Testing) -> Callable[[], bool]:
    """Whether the hold has been fitted anew since this was called: a picture looks best with a new fit, and how long
    one takes is the computer's affair. A test that is over is fitted no more."""
    before = testing.running.fit if testing.running is not None else None

    def met() -> bool:
        if testing.running is None or testing.judgement is not None:
            raise SystemExit("the test was over before its hold was fitted again: try with less beside it")
        return testing.running.fit is not None and testing.running.fit is not before

    return met


class Camera:
    """Takes pictures of a window, in every size and both looks."""

    def __init__(self, app: QApplication, window: MainWindow, folder: Path | None) -> None:
        self.app, self.window, self.folder = app, window, folder

    def grab(self, name: str) -> None:
        window, testing = self.window, self.window.testing
        running = testing._timer.isActive()
        testing._timer.stop()
        for size, (width, height) in SIZES.items():
            for dark in (False, True):
                full = f"{name}-{size}-{'dark' if dark else 'light'}"
                if self.folder is None and full not in KEPT:
                    continue
                if (window.colours.name == "dark") != dark:
                    window.toggle_dark()
                window.resize(width, height)
                for _ in range(6):
                    QApplication.processEvents()
                    time.sleep(0.02)
                window.refresh()
                QApplication.processEvents()
                image = window.grab().toImage().convertToFormat(QImage.Format.Format_RGB888)
                image.save(str((self.folder or OUT) / f"window-{full}.png"), "PNG", 0)
        if running:
            testing._timer.start(16)


def choose(window: MainWindow, url: str) -> None:
    box = window.testing.setup.port_box
    for i in range(box.count()):
        if box.itemData(i).url == url:
            box.setCurrentIndex(i)
    window.testing.setup.job_edit.setText(JOB)


def choose_own(window: MainWindow) -> None:
    """An adapter of one's own, whose gauge has a full scale of 30 psi; nothing is opened."""
    window.testing.setup.port_box.setEditText("/dev/ttyUSB0")


def over_limit_and_unplugged(app: QApplication, window: MainWindow, take: Camera) -> None:
    """An invented tester whose pump goes on past the limit; then its cable is pulled in the hold."""
    testing = window.testing
    seeps = {one.name: one for one in demo()}["system-seeps"].scene
    for name, target_kpa, car in (("over-limit", 131.0, "the red estate"),
                                  ("unplugged", seeps.target_kpa, "the green pick-up")):
        with SimulatedTester(simulate(replace(seeps, target_kpa=target_kpa, seed=16)), SPEED) as tester:
            testing.setup.choose_test("system")
            testing.setup.port_box.setEditText(tester.url)
            testing.setup.job_edit.setText(f"{SHOP}: {car}")
            testing.setup.marked_edit.setText("16 psi")  # another job's cap has to be read again
            testing.start_test()
            if name == "over-limit":
                until(app, lambda: testing.view is not None and testing.view.next_step == "over-limit")
            else:
                until(app, lambda: testing.view is not None and testing.view.hold_elapsed_s > 30)
                tester.close()
                until(app, lambda: testing.running is not None and testing.running.away)
                until(app, lambda: "unplugged" in testing.live.sentence.text())
            take.grab(name)
        testing.end("seen", wait=True)
        testing.other_test()


def testing_pictures(app: QApplication, window: MainWindow, take: Camera) -> None:
    testing = window.testing

    def step(*names: str) -> Callable[[], bool]:
        return lambda: testing.view is not None and testing.view.next_step in names

    def hold_is_past(seconds: float) -> bool:
        return testing.view is not None and testing.view.hold_elapsed_s > seconds

    choose(window, "simulated:cap-passes")
    take.grab("before")
    for scene in ("cap-passes", "system-seeps", "system-repaired"):
        choose(window, "simulated:" + scene)
        testing.start_test()
        if scene == "cap-passes":
            until(app, lambda: testing.view is not None and testing.view.strokes > 5)
            take.grab("pumping-cap")
            until(app, lambda: hold_is_past(30))
            take.grab("hold-cap")
        if scene == "system-seeps":
            until(app, lambda: step("pump", "pump-gently")() and testing.view is not None and testing.view.strokes > 8)
            take.grab("pumping")
            until(app, lambda: hold_is_past(40))
            testing.noting.toggle()
            until(app, lambda: hold_is_past(41))
            until(app, another_fit(testing))
            take.grab("finding")
            testing.noting.add("hose ends")
            until(app, lambda: hold_is_past(70))
            until(app, another_fit(testing))
            take.grab("hold")
        until(app, lambda: testing.judgement is not None)
        take.grab(f"result-{scene}")
        if scene == "system-seeps":
            testing.repairs.toggle()
            take.grab("repairs")
            testing.repairs.toggle()
        testing.other_test()


def records_pictures(app: QApplication, window: MainWindow, take: Camera) -> None:
    records = window.records
    window.go(1)
    until(app, lambda: not records._filler.isActive())
    records.check_all()
    until(app, lambda: not records._checker.isActive())
    different = [row.path for row in records.model.list.rows if (row.intact, row.same) != ("yes", "yes")]
    if different:
        raise SystemExit(f"judged again, and not the same: {different}")
    take.grab("records")
    van = [row.path for row in records.model.list.rows if row.job == JOB and row.test.startswith("system")]
    after, before = sorted(van, reverse=True)
    records.open(before)
    until(app, lambda: records.pages.currentIndex() == 1)
    take.grab("opened")
    records.back()
    records.open(after, behind=before)
    until(app, lambda: records.pages.currentIndex() == 1)
    take.grab("overlaid")
    records.back()


def adapter_pictures(app: QApplication, window: MainWindow, take: Camera) -> None:
    adapter = window.adapter
    choose(window, "simulated:cap-passes")
    window.testing.speed = 1.0  # the clock that is measured has to be a true one
    window.go(2)
    adapter.listen()
    until(app, lambda: adapter.report is not None and adapter.report.seconds > 125)
    take.grab("adapter")
    adapter.show_page(1)
    page = adapter.calibrate
    page.u_edit.setText("0.5 kPa")
    page.name_edit.setText("bench gauge 3 (invented)")
    off = (0.02, -0.05, 0.04, 0.09, -0.03, 0.16, 0.10, -0.01, 0.07)  # kPa, an invented gauge
    for kpa, error in zip((0, 40, 80, 120, 160, 120, 80, 40, 0), off, strict=True):
        page.reference_edit.setText(f"{kpa}")
        page.ratio_edit.setText(f"{0.1 + 0.8 * (kpa + error) / 206.84:.5f}")
        page.add_pair()
    take.grab("calibrate")
    adapter.back()
    choose_own(window)
    adapter.show_page(2)
    take.grab("gauge")
    adapter.back()


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--all", type=Path, metavar="FOLDER", help="every size and look into this folder, none into docs/")
    folder = ask.parse_args().all
    (folder or OUT).mkdir(parents=True, exist_ok=True)
    app = QApplication.instance() or QApplication(sys.argv[:1])
    with tempfile.TemporaryDirectory() as recordings:
        window = MainWindow(Settings(full_scale_kpa=206.84), Path(recordings), port="simulated:cap-passes", speed=SPEED,
                            beep=lambda: None)
        window.resize(1024, 600)
        window.show()
        take = Camera(app, window, folder)
        testing_pictures(app, window, take)
        over_limit_and_unplugged(app, window, take)
        records_pictures(app, window, take)
        adapter_pictures(app, window, take)
        window.close()


if __name__ == "__main__":
    main()
