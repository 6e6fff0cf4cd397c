"""The cable pulled at random moments, an adapter that restarts, a hub that delays, a port that is held.

    python -m tests.benchmarks.faults_plug [--n 200] [--seed 1] [--jobs 3]

- pulled: the plug is out for 0.2 to 1.5 s, the adapter runs on (it has its own supply); 8 times real time,
- restart: it is out for 0.2 to 1.5 s and the adapter boots again, with a new clock and sequence; real time,
  because such a hole is as long as the host says,
- a hub that hands bytes on every 2 s only; a second recorder, another program that took the port for itself
  (TIOCEXCL), and another program that reads along and takes bytes away.

The recording has to go on in the same file with what is sent after the pull, hold nothing that was not sent, in order,
mark every sample that is missing, be sealed, and never be judged against the truth: "pass" where the truth is "fail",
or the other way round. What a hub delays is all there.
"""

from __future__ import annotations

import argparse
import contextlib
import fcntl
import os
import random
import select
import shutil
import signal
import sys
import tempfile
import termios
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from recorder.analysis import judge
from recorder.recording import read
from recorder.rig import Trace
from recorder.rig.lines import announcement, line
from tests.benchmarks.faults_common import (
    CAP_SYS_ADMIN,
    NAMES,
    OVER,
    Lines,
    Plug,
    Started,
    broke,
    not_as_sent,
    played,
    record_command,
    recordings,
    several,
    start,
    start_warm,
    wait_rows,
    without,
)

_BOOT_S = 0.3  # of the adapter, from power to the first sample
_SOON_S = 3.0  # of the host, by which the recorder has the port again


@dataclass(frozen=True)
class Pulled:
    """One run: rows in the file, longest hole (s of the trace), flags seen, outcome, and what is wrong."""

    name: str
    rows: int
    hole_s: float
    flags: int
    outcome: str
    wrong: str


def restarted(trace: Trace, moment_s: float, away_s: float) -> Lines:
    """The lines of an adapter without a supply of its own: what is due while the plug is out was never
    measured, and after it the sequence and the clock begin anew."""
    back = moment_s + away_s + _BOOT_S
    out: list[tuple[float, bytes]] = []
    seq, announced = 0, -5.0
    for i, at in enumerate(trace.time_s.tolist()):
        if moment_s <= at < back:
            continue
        if at < back:
            body = f"S,{trace.seq[i]},{trace.device_us[i]},{trace.counts[i]},,"
        else:
            body = f"S,{seq},{round((at - back + _BOOT_S) * 1e6)},{trace.counts[i]},,"
            seq += 1
        if at >= announced + 5.0 or (at >= back and seq == 1):
            out.append((at, announcement(trace)))
            announced = at
        out.append((at, line(body)))
    return out


def pull_once(name: str, moment_s: float, away_s: float, folder: Path, speed: float, *, restart: bool = False,
              burst_s: float = 0.0, begin: Callable[[list[str], Path], Started] = start) -> Pulled:
    """Plays quickly up to ``moment_s`` of the test, pulls the plug for ``away_s`` (host), plays on."""
    test, trace, lines = played(name)
    if restart:
        lines = restarted(trace, moment_s, away_s)
    already = sum(at <= moment_s and data[:1] == b"S" for at, data in lines)
    with Plug(folder / "adapter", lines, speed, fast_until_s=moment_s, burst_s=burst_s) as plug:
        process = begin(record_command(folder / "adapter", folder / "out", test=test), folder / "log")
        try:
            wait_rows(folder / "out", already, process)
            before = plug.sent
            if away_s:
                plug.unplug()
                before = plug.sent
                time.sleep(away_s)
                plug.replug()
            plug.finished.wait(240)
            after = plug.sent - before
            until = time.monotonic() + 3
            while process.poll() is None and time.monotonic() < until:
                time.sleep(0.05)
            process.send_signal(signal.SIGTERM)
            code = process.wait(60)
        finally:
            process.kill()
            process.wait()
    got = _looked_at(name, trace, lines, folder, code, late=bool(burst_s))
    enough = away_s > 0.0 and after > _SOON_S * trace.scene.sensor.rate_hz * speed
    if not got.wrong and enough and (got.rows <= before or not got.flags):
        return replace(got, wrong=f"{before} samples were sent before the pull and {after} after it: {got.rows} rows")
    return got


def _looked_at(name: str, trace: Trace, lines: Lines, folder: Path, code: int, *, late: bool = False) -> Pulled:
    said = (folder / "log").read_text(errors="replace")
    files = recordings(folder / "out")
    if len(files) != 1:
        return Pulled(name, 0, 0.0, 0, "", f"{len(files)} files: {said[-200:]}")
    recording = read(files[0])
    t, flags = recording.rows.time_s, recording.rows.flag or ()
    holes = t[1:] - t[:-1]
    seq = recording.rows.seq
    steps = [] if seq is None else ((seq[1:] - seq[:-1]) % 65536).tolist()
    marked = {i for i, word in enumerate(flags) if "gap" in word or "restart" in word}
    outcome, truth = judge(recording).outcome, trace.truth.outcome
    wrong = ""
    if broke(said):
        wrong = f"traceback: {said[-300:]}"
    elif recording.intact is not True or code not in (0, -signal.SIGTERM):
        wrong = f"sealed {recording.intact}, exit {code}: {said[-200:]}"
    elif odd := not_as_sent(recording, lines, holes=not late):
        wrong = odd
    elif any(hole > 0.05 and i + 1 not in marked for i, hole in enumerate(holes.tolist())):
        wrong = "a hole is not flagged"
    elif any(step != 1 and i + 1 not in marked for i, step in enumerate(steps)):
        wrong = "a missing sample is not flagged"
    elif late and (marked or len(t) != len(trace.time_s)):
        wrong = f"delayed, and {len(t)} rows of {len(trace.time_s)}, {len(marked)} holes"
    elif min(holes) <= 0:
        wrong = "time runs backwards"
    elif outcome == OVER.get(truth):
        wrong = f"judged {outcome}, and the truth is {truth}"
    return Pulled(name, len(t), float(max(holes)), len(marked), outcome, wrong)


# ---------------------------------------------------------------- a port that is held


def second_recorder(folder: Path) -> str:
    """A second recorder on the same port: it is told so in one line, and the first one goes on."""
    with Plug(folder / "adapter", played()[2], 2.0):
        first = start(record_command(folder / "adapter", folder / "out"), folder / "log")
        try:
            wait_rows(folder / "out", 50, first)
            second = start(record_command(folder / "adapter", folder / "two"), folder / "log2")
            code = second.wait(60)
            alive = first.poll() is None
        finally:
            first.kill()
            first.wait()
    return _refused(folder / "log2", code) or ("" if alive else "the first recorder stopped")


def _refused(log: Path, code: int) -> str:
    said = log.read_text(errors="replace")
    told = [line for line in said.splitlines() if "another program holds the port" in line]
    return "" if code == 2 and len(told) == 1 and not broke(said) else f"exit {code}: {said[-300:]}"


def held_exclusively(folder: Path) -> str:
    """Another program has the port for itself. The system's lock does not bind root, so the recorder runs
    without that power."""
    with Plug(folder / "adapter", played()[2]) as plug:
        holder = os.open(plug.slave_name, os.O_RDWR | os.O_NOCTTY)
        fcntl.ioctl(holder, termios.TIOCEXCL)
        process = start(record_command(folder / "adapter", folder / "out"), folder / "log",
                        preexec_fn=without(CAP_SYS_ADMIN))
        try:
            code = process.wait(60)
        finally:
            process.kill()
            process.wait()
            os.close(holder)
    return _refused(folder / "log", code)


def bytes_taken_away(folder: Path) -> str:
    """Another program, with no lock, reads from the same port now and then: what it takes is a flagged hole."""
    _, trace, lines = played()
    over = threading.Event()
    taken = 0
    with Plug(folder / "adapter", lines, 8.0) as plug:
        process = start(record_command(folder / "adapter", folder / "out"), folder / "log")

        def thief() -> None:
            nonlocal taken
            port = os.open(plug.slave_name, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
            while not over.wait(0.02):
                with contextlib.suppress(BlockingIOError):  # the recorder was quicker
                    if select.select([port], [], [], 0)[0]:
                        taken += len(os.read(port, 300))
            os.close(port)

        wait_rows(folder / "out", 200, process)
        thread = threading.Thread(target=thief, name="thief")
        thread.start()
        try:
            plug.finished.wait(120)
            time.sleep(1)
            process.send_signal(signal.SIGTERM)
            code = process.wait(60)
        finally:
            over.set()
            thread.join()
            process.kill()
            process.wait()
    got = _looked_at("cap-passes", trace, lines, folder, code)
    if got.wrong:
        return got.wrong
    return "" if taken and got.flags else f"{taken} bytes were taken and {got.flags} holes are flagged"


def _temporary(what: Callable[[Path], str]) -> str:
    folder = Path(tempfile.mkdtemp(prefix="plug-"))
    try:
        return what(folder)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--n", type=int, default=200, help="pulls; a fifth as many restarts")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--speed", type=float, default=8.0)
    parser.add_argument("--jobs", type=int, default=3)
    given = parser.parse_args()
    bad = 0
    for kind, n in (("pulled", given.n), ("restart", max(given.n // 5, 1))):
        rng = random.Random(given.seed)
        restart = kind == "restart"
        names = NAMES[:2] if restart else NAMES  # the system tests take minutes of real time
        made = [(names[i % len(names)], rng.random(), rng.uniform(0.2, 1.5)) for i in range(n)]

        def one(i: int, made: list[tuple[str, float, float]] = made, restart: bool = restart) -> Pulled:
            name, where, away_s = made[i]
            moment_s = 1 + where * (float(played(name)[1].time_s[-1]) - 9)
            with tempfile.TemporaryDirectory() as folder:
                return pull_once(name, moment_s, away_s, Path(folder), 1.0 if restart else given.speed,
                                 restart=restart, begin=start_warm)

        runs = several(n, one, given.jobs * (4 if restart else 1))
        wrong = [run for run in runs if run.wrong]
        bad += len(wrong)
        by = {name: dict(Counter(run.outcome for run in runs if run.name == name)) for name in names}
        print(f"{kind}: {n} times, {len(wrong)} wrong; longest hole {max(run.hole_s for run in runs):.1f} s of the "
              f"trace; judged {by}", flush=True)
        for run in wrong[:5]:
            print("  ", run)
    late = _temporary(lambda f: pull_once("cap-passes", 0.0, 0.0, f, 4.0, burst_s=2.0).wrong)
    others = [("bytes delayed by 2 s in bursts", late)]
    for kind, what in (("port held by a second recorder", second_recorder),
                       ("port held with TIOCEXCL", held_exclusively),
                       ("bytes taken away by another program", bytes_taken_away)):
        others.append((kind, _temporary(what)))
    for kind, said in others:
        bad += bool(said)
        print(f"{kind}: {said or 'right'}")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
