"""The main job, end to end: a pseudo-terminal, the file on disk, the judgement and its twin years later."""

from __future__ import annotations

import json
import os
import pty
import select
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from recorder.cli import main
from recorder.recording import read
from recorder.rig import SimulatedTester, demo, simulate
from recorder.rig.lines import timed_lines
from recorder.rig.scene import Cap
from tests.cli.terminal import Screen, at_a_terminal

ROOT = Path(__file__).parents[2]
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT), "TERM": "xterm"}


def stored(path: Path) -> dict[str, Any]:
    judgement = read(path, strict=True).judgement
    assert judgement is not None
    return dict(judgement)


def test_try_gives_four_right_judgements_and_names_its_files(tried: tuple[Path, str]) -> None:
    folder, printed = tried
    files = sorted(folder.glob("*-*.csv"), key=lambda f: read(f).header.started or "")
    wanted = [simulate(part.scene).truth.outcome for part in demo()]
    assert [stored(f)["outcome"] for f in files] == wanted
    headers = [read(f).header for f in files]
    assert [(h.job, h.other.get("repair", "")) for h in headers] == [(p.job, p.repair) for p in demo()]
    assert len(files) == len(demo()) == 4
    assert set(wanted) == {"pass", "fail"}
    for file in files:
        assert str(file) in printed
    assert printed.count("PASS: ") == wanted.count("pass")
    assert printed.count("FAIL: ") == wanted.count("fail")
    assert "\x1b" not in printed


def test_after_a_pass_the_last_step_is_said_and_only_while_it_is_to_be_done(tried: tuple[Path, str]) -> None:
    """As the window does; judged again years later, nothing hangs on the vehicle any more."""
    folder, printed = tried
    tests = printed.split("recorded in ")
    last = [[line for line in part.splitlines() if "See that the gauge stands at zero" in line] for part in tests]
    passed = ["\nPASS: " in f"\n{part}" for part in tests]
    assert [len(lines) for lines in last] == [int(one) for one in passed] and sum(passed) == 2
    assert last[0] == ["  -> Nothing to mend. See that the gauge stands at zero, then take the cap off the tester."]
    again = CliRunner().invoke(main, ["judge", *map(str, folder.glob("*-*.csv"))])
    assert again.exit_code == 0 and "PASS: " in again.stdout and "take the" not in again.stdout


def test_the_recordings_that_are_there_are_left_alone(tmp_path: Path) -> None:
    """Those of real tests, and in a checkout the demo's, which are under version control."""
    shutil.copytree(ROOT / "recordings", tmp_path / "recordings")
    done = subprocess.run([sys.executable, "-m", "recorder", "try", "--fast", "--json"], cwd=tmp_path, timeout=110,
                          env=ENVIRONMENT, capture_output=True, text=True, check=True, encoding="utf-8")
    files = [Path(json.loads(line)["file"]) for line in done.stdout.splitlines()]
    assert {file.parent.name for file in files} == {"try-recordings"}
    assert "/try-recordings/" in (ROOT / ".gitignore").read_text("utf-8").splitlines()
    assert len(list((tmp_path / "try-recordings").glob("*-*.csv"))) == len(files) == 4
    untouched(tmp_path / "recordings")


def untouched(folder: Path) -> None:
    for kept in (ROOT / "recordings").iterdir():
        assert (folder / kept.name).read_bytes() == kept.read_bytes(), kept.name
    assert len(list(folder.iterdir())) == len(list((ROOT / "recordings").iterdir()))


def test_what_is_recorded_in_a_checkout_stays_apart_from_the_demo(tmp_path: Path) -> None:
    """Whose recordings and ledger are under version control."""
    shutil.copytree(ROOT / "recordings", tmp_path / "recordings")
    with SimulatedTester(short_cap(), speed=8.0, start_after_s=20.0) as tester:
        command = record(tester.url, tmp_path, "--json")
        at = command.index("--folder")
        del command[at : at + 2]
        done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, encoding="utf-8", timeout=90,
                              check=True, env=ENVIRONMENT)
    own = Path(json.loads(done.stdout)["file"]).parent
    assert own.name == "own-recordings" and len(list((tmp_path / own).iterdir())) == 2  # with a ledger of its own
    assert "the folder 'recordings' here holds the demo's recordings, so what you record goes to 'own-recordings'; " \
           "'folder' in recorder.toml names another, and so does --folder\n" in done.stderr
    assert "/own-recordings/" in (ROOT / ".gitignore").read_text("utf-8").splitlines()
    untouched(tmp_path / "recordings")


def test_judging_again_gives_the_stored_judgement_digit_for_digit(tried: tuple[Path, str]) -> None:
    files = sorted(tried[0].glob("*-*.csv"))
    result = CliRunner().invoke(main, ["judge", "--json", *map(str, files)])
    assert result.exit_code == 0, result.output
    for file, line in zip(files, result.stdout.splitlines(), strict=True):
        again = json.loads(line)
        assert [again.pop(name) for name in ("file", "intact", "simulated")] == [str(file), True, True]
        assert again == stored(file)


def short_cap() -> Any:
    """The demo's first cap with a short hold, so that it plays in half a minute, and opening at its marking: a gauge
    without calibration (2 % of full scale) leaves no doubt of that."""
    scene = demo()[0].scene
    marked = scene.marked_kpa
    return simulate(replace(scene, hold_s=14.0, vented_s=4.0, cap=Cap(marked, 0.965 * marked, 25.0)))


def record(url: str, folder: Path, *more: str) -> list[str]:
    return [sys.executable, "-m", "recorder", "record", "--port", url, "--test", "cap", "--marked", "16 psi",
            "--full-scale", "206.84 kPa", "--hold", "12 s", "--folder", str(folder), *more]


def test_record_ends_by_itself_after_the_release_and_json_is_what_is_stored(tmp_path: Path) -> None:
    with SimulatedTester(short_cap(), speed=8.0, start_after_s=20.0) as tester:
        done = subprocess.run(record(tester.url, tmp_path, "--json", "--job", "van ü", "--repair", " new cap"),
                              capture_output=True, text=True, encoding="utf-8", timeout=90, check=False,
                              env=ENVIRONMENT)
    assert done.returncode == 0, done.stderr
    [line] = done.stdout.splitlines()
    judgement = json.loads(line)
    file = Path(judgement.pop("file"))
    assert file.parent == tmp_path and judgement == stored(file)
    assert judgement["outcome"] == "pass"
    header = read(file).header
    assert header.job == "van ü" and header.other["repair"] == "new cap"
    assert "CAUTION: " in done.stderr and "pump" in done.stderr and "hold" in done.stderr


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_seals_the_file(tmp_path: Path, number: signal.Signals) -> None:
    with SimulatedTester(short_cap(), speed=2.0, start_after_s=20.0) as tester:
        child = subprocess.Popen(record(tester.url, tmp_path), stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                                 text=True, env=ENVIRONMENT)
        deadline = time.monotonic() + 60
        while not list(tmp_path.glob("*-*.csv")) and time.monotonic() < deadline:
            time.sleep(0.05)
        time.sleep(0.5)
        child.send_signal(number)
        out, err = child.communicate(timeout=60)
    assert child.returncode == 0, err
    [file] = tmp_path.glob("*-*.csv")
    assert read(file, strict=True).intact is True
    assert str(file) in out


def test_at_a_terminal_there_is_one_live_line_and_m_marks(tmp_path: Path) -> None:
    with SimulatedTester(short_cap(), speed=8.0, start_after_s=20.0) as tester:
        child, terminal = pty.fork()
        if child == 0:
            os.chdir(ROOT)
            os.environ.update(TERM="xterm", NO_COLOR="1", COLUMNS="100")
            os.execv(sys.executable, record(tester.url, tmp_path))
        seen, pressed = b"", False
        deadline = time.monotonic() + 90
        while time.monotonic() < deadline:
            ready, _, _ = select.select([terminal], [], [], 0.2)
            if ready:
                try:
                    data = os.read(terminal, 4096)
                except OSError:  # the program has ended
                    break
                if not data:
                    break
                seen += data
            if not pressed and b"pump-up" in seen:
                pressed = True
                os.write(terminal, b"m")
        _, status = os.waitpid(child, 0)
        os.close(terminal)
    text = seen.decode()
    assert os.waitstatus_to_exitcode(status) == 0, text
    assert "\x1b[3" not in text  # NO_COLOR
    assert text.count("\r") > 20 and "kPa" in text and "left" in text
    [file] = tmp_path.glob("*-*.csv")
    [mark] = read(file, strict=True).marks
    assert mark.time_s > 4.0
    assert "marked at" in text


def test_what_was_marked_at_a_terminal_is_in_the_advice(tmp_path: Path) -> None:
    """It stood in the file alone, and the advice sent the tech to look again."""
    pressed: list[int] = []

    def during(screen: Screen) -> None:
        if "pump-up" in screen.text and not pressed:
            pressed.append(True)
            screen.press(b"m")

    with SimulatedTester(simulate(demo()[2].scene), speed=16.0, start_after_s=20.0) as tester:
        more = record(tester.url, tmp_path, "--test", "system", "--hold", "90 s")[3:]
        screen, code = at_a_terminal(more, 100, during=during)
    assert code == 0, screen.text
    [file] = tmp_path.glob("*-*.csv")
    [mark] = read(file, strict=True).marks
    assert f"wet was marked at: the place seen at {mark.time_s:.0f} s" in screen.words


def test_try_that_is_stopped_before_its_first_sample_says_so(tmp_path: Path) -> None:
    """It blamed the simulated tester for sending nothing."""
    pressed: list[int] = []

    def during(screen: Screen) -> None:
        if "== cap-passes" in screen.text and not pressed:
            pressed.append(True)
            screen.press(b"\x03")

    screen, code = at_a_terminal(["try", "--folder", str(tmp_path)], 80, during=during)
    assert code == 0 and not list(tmp_path.iterdir())
    assert screen.words.endswith("stopped: nothing of this test was recorded")


def test_a_simulated_tester_that_breaks_is_said_in_one_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def breaks(trace: Any) -> Any:
        yield from list(timed_lines(trace))[:300]
        raise ZeroDivisionError("made by a test")

    monkeypatch.setattr("recorder.rig.tester.timed_lines", breaks)
    began = time.monotonic()
    result = CliRunner().invoke(main, ["try", "--fast", "--folder", str(tmp_path)])
    assert result.exit_code == 2 and time.monotonic() - began < 30
    said = "the simulated tester broke (ZeroDivisionError: made by a test); run it again"
    assert result.stderr.splitlines()[-1] == said
    [file] = tmp_path.glob("*-*.csv")
    assert read(file).intact
