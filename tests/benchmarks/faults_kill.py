"""The recorder killed at random moments: every file is readable and judged, at most the last second is missing.

    python -m tests.benchmarks.faults_kill [--n 500] [--seed 1] [--jobs 3]

Each time the trace of a test of the demo (a cap that passes and one that fails, a system that passes and one that
fails, in turn) is played quickly up to a random moment, then on in real time (100 samples a second) for up to
two seconds, and there the recorder is killed. The rows have to be the first of those that were sent, value by value,
and the judgement of them never "pass" where the truth is "fail", or the other way round. SIGTERM, SIGHUP and Ctrl-C,
a tenth as often, have to leave a sealed file with its judgement, and exit 0.
A terminal that was stopped (Ctrl-S) or hangs must not hold the recording up.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import termios
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from recorder.analysis import judge
from recorder.recording import read
from tests.benchmarks.faults_common import (
    NAMES,
    OVER,
    ROOT,
    Plug,
    Started,
    broke,
    doing,
    not_as_sent,
    played,
    record_command,
    recordings,
    rows_in,
    several,
    start,
    start_warm,
    wait_rows,
)

POLITE = (signal.SIGTERM, signal.SIGHUP, signal.SIGINT)


@dataclass(frozen=True)
class Killed:
    """One run. missing_s: seconds of samples that were sent before the signal and are not in the file. unwritten_s: of
    these, what the recorder had taken from the system; the rest still waited in the system's buffer, for a recorder
    that was not given the processor. at: what its threads were at."""

    name: str
    how: str
    rows: int
    missing_s: float
    unwritten_s: float
    outcome: str
    intact: bool | None
    wrong: str
    at: str = ""


def kill_once(how: signal.Signals, moment_s: float, after_s: float, folder: Path,
              begin: Callable[[list[str], Path], Started] = start, name: str = NAMES[0]) -> Killed:
    """Plays up to ``moment_s`` of the test, then in real time, and kills ``after_s`` later."""
    test, trace, lines = played(name)
    already = sum(at <= moment_s and data[:1] == b"S" for at, data in lines)
    with Plug(folder / "adapter", lines, fast_until_s=moment_s) as plug:
        process = begin(record_command(folder / "adapter", folder / "out", test=test), folder / "log")
        try:
            wait_rows(folder / "out", max(already, 1), process)
            time.sleep(after_s)
            at = doing(process.pid)
            sent = plug.sent
            process.send_signal(how)
            code = process.wait(30)
            unread = plug.unread()  # stops it, so that what was sent stands
            taken = plug.sent - unread
        finally:
            process.kill()
            process.wait()
    log = (folder / "log").read_text(errors="replace")
    files = recordings(folder / "out")
    if len(files) != 1:
        return Killed(name, how.name, 0, 0.0, 0.0, "", None, f"{len(files)} files; {log[-200:]}")
    recording = read(files[0])
    rows = len(recording.rows)
    rate_hz = trace.scene.sensor.rate_hz
    missing_s, unwritten_s = max(sent - rows, 0) / rate_hz, max(taken - rows, 0) / rate_hz
    judgement = json.loads(json.dumps(judge(recording).to_json()))
    truth, outcome = trace.truth.outcome, str(judgement["outcome"])
    wrong = not_as_sent(recording, lines)
    if wrong:
        pass
    elif rows != rows_in(folder / "out"):
        wrong = "not every whole row was read"
    elif outcome == OVER.get(truth):
        wrong = f"judged {outcome}, and the truth is {truth}: {judgement['reasons']}"
    elif missing_s > 1.0:
        wrong = f"{missing_s:.2f} s are missing"
    elif how in POLITE and (recording.intact is not True or code != 0 or broke(log)):
        wrong = f"after {how.name}: sealed {recording.intact}, exit {code}: {log[-200:]}"
    elif how in POLITE and recording.judgement != judgement:
        wrong = "the judgement in the file is not the one that its rows give"
    return Killed(name, how.name, rows, missing_s, unwritten_s, outcome, recording.intact, wrong, at)


def stopped_terminal(folder: Path, seconds: float = 3.0) -> str:
    """The terminal takes nothing (Ctrl-S, a connection that hangs): rows reach the file all the same, and a stop
    is heard. "" or what is wrong."""
    _, trace, lines = played()
    said = ""
    outer, terminal = os.openpty()
    with Plug(folder / "adapter", lines, fast_until_s=5.0) as plug, (folder / "log").open("wb") as out:
        process = subprocess.Popen(record_command(folder / "adapter", folder / "out"), stdin=subprocess.DEVNULL,
                                   stdout=out, stderr=terminal, cwd=ROOT,
                                   env={**os.environ, "TERM": "xterm", "PYTHONFAULTHANDLER": "1"})
        try:
            wait_rows(folder / "out", 500, process)
            termios.tcflow(terminal, termios.TCOOFF)
            before = rows_in(folder / "out")
            time.sleep(seconds)
            rows, sent = rows_in(folder / "out"), plug.sent
            process.send_signal(signal.SIGTERM)
            # It is sealed; what it has to say of that may wait for the terminal.
            until = time.monotonic() + 30
            while time.monotonic() < until and not _sealed(folder / "out"):
                time.sleep(0.05)
            termios.tcflow(terminal, termios.TCOON)
            code = process.wait(30)
        finally:
            process.kill()
            process.wait()
            os.set_blocking(outer, False)
            with contextlib.suppress(OSError):
                said = os.read(outer, 1 << 20).decode("utf-8", "replace")
            os.close(outer)
            os.close(terminal)
    rate_hz = trace.scene.sensor.rate_hz
    if rows - before < 0.5 * seconds * rate_hz or sent - rows > rate_hz:
        return f"{rows - before} rows in {seconds:g} s, {sent - rows} behind"
    return "" if code == 0 and _sealed(folder / "out") else f"not sealed, exit {code}: {said[-2000:]}"


def _sealed(folder: Path) -> bool:
    return any(b"# sha256" in path.read_bytes()[-200:] for path in recordings(folder))


def run(n: int, seed: int, signals: tuple[signal.Signals, ...], jobs: int) -> list[Killed]:
    """n kills at random moments, signals in turn; the same seed chooses the same moments."""
    rng = random.Random(seed)
    names = [NAMES[i % len(NAMES)] for i in range(n)]
    moments = [(rng.uniform(0, float(played(name)[1].time_s[-1]) - 4), rng.uniform(0, 2)) for name in names]

    def one(i: int) -> Killed:
        with tempfile.TemporaryDirectory() as folder:
            return kill_once(signals[i % len(signals)], *moments[i], Path(folder), start_warm, names[i])

    return several(n, one, jobs)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--n", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=3, help="recorders at the same time")
    given = parser.parse_args()
    signal.signal(signal.SIGHUP, signal.SIG_DFL)  # under nohup the recorders would ignore it
    killed = run(given.n, given.seed, (signal.SIGKILL,), given.jobs)
    asked = run(max(given.n // 10, 3), given.seed + 1, POLITE, given.jobs)
    for what, runs in (("SIGKILL", killed), ("SIGTERM, SIGHUP, Ctrl-C", asked)):
        if not runs:
            continue
        bad = [run for run in runs if run.wrong]
        missing = sorted(run.missing_s for run in runs)
        print(f"{what}: {len(runs)} times, {len(bad)} wrong; samples missing: {missing[len(missing) // 2]:.3f} s "
              f"in the middle, {missing[-1]:.3f} s at most; sealed {sum(r.intact is True for r in runs)}; "
              f"{sum(r.rows for r in runs)} rows read; judged "
              f"{ {name: dict(Counter(r.outcome for r in runs if r.name == name)) for name in NAMES} }")
        if what == "SIGKILL":  # after the others it goes on taking while it judges and seals
            unwritten = sorted(run.unwritten_s for run in runs)
            print(f"   taken by the recorder and not written: {unwritten[len(unwritten) // 2]:.3f} s in the middle, "
                  f"{unwritten[-1]:.3f} s at most")
        for run_ in bad[:5]:
            print("  ", run_)
    with tempfile.TemporaryDirectory() as name:
        stopped = stopped_terminal(Path(name))
    print(f"terminal stopped: {stopped or 'right'}")
    return 1 if stopped or any(run.wrong for run in killed + asked) else 0


if __name__ == "__main__":
    sys.exit(main())
