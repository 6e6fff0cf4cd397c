"""At a terminal: an adapter that was unplugged or fell silent, and a test that ended with the pressure still on."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
from pathlib import Path

from recorder.session.away import away_of
from tests.benchmarks.faults_common import Plug, played
from tests.cli.terminal import ROOT, Screen, at_a_terminal

RELIEVE = "turn the relief and wait for zero before you take anything off"


def record(url: Path, folder: Path, *more: str) -> list[str]:
    return ["record", "--port", str(url), "--test", "system", "--marked", "16 psi", "--full-scale", "206.84 kPa",
            "--folder", str(folder / "out"), *more]


def test_silence_is_told_from_a_slow_adapter() -> None:
    assert away_of(lost=False, since_s=1.0, begun=True, bare=False) is None
    assert away_of(lost=False, since_s=3.0, begun=True, bare=True) is None
    assert away_of(lost=False, since_s=30.0, begun=False, bare=False) is None
    silent = away_of(lost=False, since_s=2.5, begun=True, bare=False)
    assert silent is not None and (silent.why, silent.seconds) == ("silent", 2.5)
    gone = away_of(lost=True, since_s=0.1, begun=False, bare=True)
    assert gone is not None and gone.why == "unplugged"


def test_unplugged_no_pressure_stands_and_it_is_said_and_so_is_its_return(tmp_path: Path) -> None:
    _, _, lines = played("system-seeps")
    with Plug(tmp_path / "adapter", lines, 8.0) as plug:
        state = {"was": "plugged in"}

        def during(screen: Screen) -> None:
            if state["was"] == "plugged in" and re.search(r" 1\d\d\.\d kPa", screen.plain):
                state["was"] = "unplugged"
                plug.unplug()
            elif state["was"] == "unplugged" and "(2 s)" in screen.frames[-1]:
                state["was"] = "back"
                plug.replug()
            elif state["was"] == "back" and "is back" in screen.plain and "kPa" in screen.frames[-1]:
                state["was"] = "over"
                screen.press(b"qq")  # twice: in a hold that is not over the first one only asks

        screen, code = at_a_terminal(record(tmp_path / "adapter", tmp_path), 60, during=during)
    assert code == 0 and state["was"] == "over", screen.text
    assert "adapter unplugged: plug it in again (0 s)" in screen.words
    away = [frame for frame in screen.frames if "unplugged" in frame]
    assert away and not any(re.search(r"\d kPa", frame) for frame in away)
    assert any(frame.endswith("adapter unplugged: plug it in again (1 s)") for frame in away)
    assert re.search(r"the adapter is back after [2-9] s; the test goes on", screen.words)
    told = screen.text.index("adapter unplugged: plug it in again")
    assert "\a" in screen.text[told:told + 60]


def test_a_port_that_falls_silent_leaves_no_pressure_standing(tmp_path: Path) -> None:
    _, _, lines = played("system-seeps")
    until = [(at, data) for at, data in lines if at < 15.0]
    pressed: list[str] = []

    def during(screen: Screen) -> None:
        if not pressed and screen.frames and "no reading" in screen.frames[-1]:
            pressed.append("q")
            screen.press(b"q")

    with Plug(tmp_path / "adapter", until, 8.0):
        screen, code = at_a_terminal(record(tmp_path / "adapter", tmp_path), 60, during=during)
    assert code == 0 and pressed, screen.text
    assert "no reading comes from the adapter (2 s): check its plug and its power" in screen.words
    assert re.search(rf"WAS AT \d+\.\d kPa when it was last read: {RELIEVE}", screen.words)


def test_ended_under_pressure_the_first_line_says_to_relieve(tmp_path: Path) -> None:
    _, _, lines = played("cap-passes")
    with Plug(tmp_path / "adapter", lines, 3.0) as plug:  # the hold lasts 16 s, which a busy computer does not miss
        child = subprocess.Popen(
            [sys.executable, "-m", "recorder", *record(plug.name, tmp_path, "--unit", "psi", "--json")], text=True,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, env={**os.environ, "PYTHONPATH": str(ROOT)})
        assert child.stderr is not None
        heard = ""
        while " hold " not in (line := child.stderr.readline()):
            assert line, heard
            heard += line
        child.send_signal(signal.SIGINT)
        out, err = child.communicate(timeout=60)
    assert json.loads(out)["outcome"]  # nothing else on standard output
    assert re.search(rf"^STILL AT 1\d\.\d\d psi: {RELIEVE}$", err, re.MULTILINE), err


def test_ended_without_pressure_nothing_of_it_is_said(tmp_path: Path) -> None:
    _, _, lines = played("cap-passes")
    with Plug(tmp_path / "adapter", lines, 16.0) as plug:
        done = subprocess.run([sys.executable, "-m", "recorder", *record(plug.name, tmp_path, "--hold", "10 s")],
                              capture_output=True, text=True, timeout=90, check=False,
                              env={**os.environ, "PYTHONPATH": str(ROOT)})
    assert done.returncode == 0 and "STILL AT" not in done.stderr and "WAS AT" not in done.stderr
