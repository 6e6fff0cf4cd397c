"""Hours of samples through pseudo-terminal, port, wire, session, file and analyser, as fast as they go.

    python -m tests.benchmarks.faults_soak [--hours 24] [--rate 200] [--ppm 35]

The adapter is a process of its own that writes ten seconds of samples whenever the recorder has taken the last
ones; its clock is wrong by ``ppm`` and wraps every 72 minutes. When the session says that the recording is full it
is sealed, and the next one is begun on the same port, as a user would.

Every sample that was sent has to be in a file, with its counts, but one at most at each change of files, which may cut
its line; time stamps may be wrong by the adapter's own error and nothing more, every file has to be intact, and memory
may not grow from the first half of the files to the second.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
import tty
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from recorder.errors import RecorderError
from recorder.model import Announcement
from recorder.port import Port
from recorder.recording import read
from recorder.session import Session, SessionConfig
from recorder.units import parse_marking
from recorder.wire import encode_announcement, encode_sample
from tests.benchmarks.faults_common import ROOT

_PIECE_S = 10
_GRANTED = 3  # pieces under way
_SILENT_S = 60.0
_LAST_S = 3.0


def _counts(rng: np.random.Generator, rate: int) -> list[int]:
    """Of one piece."""
    return rng.integers(408, 413, rate * _PIECE_S).tolist()


def adapter(master: int, grants: int, pieces: int, rate: int, ppm: float, seed: int) -> None:
    """The adapter's process: a piece for every byte that comes in on ``grants``."""
    rng = np.random.default_rng(seed)
    announced = encode_announcement(Announcement(1, "soak", "1.0", 4095, float(rate)))
    count = 0
    print("ready", flush=True)
    for _ in range(pieces):
        if not os.read(grants, 1):
            return
        lines = []
        for i, counts in enumerate(_counts(rng, rate)):
            if i % (5 * rate) == 0:
                lines.append(announced)
            clock = round(count / rate * 1e6 * (1 + ppm * 1e-6))
            lines.append(encode_sample(count % 65536, clock % 2**32, counts, None, None))
            count += 1
        data = memoryview(b"".join(lines))
        while data:
            data = data[os.write(master, data) :]


@dataclass
class Soaked:
    """Memory in MiB: the most while the first half of the files was written, and the second."""

    sent: int = 0
    rows: list[int] = field(default_factory=list)
    first_mib: float = 0.0
    most_mib: float = 0.0
    drift_us: float = 0.0  # largest difference of a time stamp from the adapter's clock
    file_mb: float = 0.0
    live_s: float = 0.0
    judge_s: float = 0.0
    wrong: str = ""


def _memory_mib() -> float:
    with Path("/proc/self/statm").open() as file:
        return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20


def run(hours: float, rate: int, folder: Path, *, ppm: float = 35.0, seed: int = 1) -> Soaked:
    pieces = max(round(hours * 3600 / _PIECE_S), 1)
    out = Soaked(sent=pieces * rate * _PIECE_S)
    master, slave = os.openpty()
    tty.setraw(slave)
    take, grant = os.pipe()
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.benchmarks.faults_soak", "--adapter", str(master), str(take), str(pieces),
         str(rate), str(ppm), str(seed)], pass_fds=(master, take), cwd=ROOT, stdout=subprocess.PIPE)
    os.close(take)
    if process.stdout is not None:
        process.stdout.readline()  # a busy machine may take longer to start it than the session waits
    port = Port(os.ttyname(slave))
    # Counts are given because a last file may begin after the last announcement, and this adapter answers nothing.
    config = SessionConfig("cap", parse_marking("16 psi"), full_scale_kpa=206.84, full_scale_counts=4095)
    began = time.monotonic()
    session = Session(config, port=port, folder=folder)
    paths: list[Path] = []
    memory: list[list[float]] = [[]]
    granted = taken = 0
    moved = time.monotonic()
    try:
        port.open()
        while True:
            before = taken + session.counts.samples
            while granted < pieces and granted - before // (rate * _PIECE_S) < _GRANTED:
                granted += os.write(grant, b".")
            session.step()
            total = taken + session.counts.samples
            if total != before:
                moved = time.monotonic()
                memory[-1].append(_memory_mib())
            else:
                time.sleep(0.002)
            full = session.error is not None and "recording is full" in str(session.error)
            # A line that the change of files cuts in two is lost to both.
            cut_off = total >= out.sent - len(paths) and time.monotonic() - moved > _LAST_S
            if full or total >= out.sent or cut_off:
                done = session.stop("full" if full else "over")
                if done.path is not None:
                    paths.append(done.path)
                taken = total = taken + session.counts.samples  # stopping takes what has come
                if total >= out.sent or cut_off:
                    break
                session = Session(config, port=port, folder=folder)
                memory.append([])
            elif session.error is not None or time.monotonic() - moved > _SILENT_S:
                out.wrong = str(session.error or f"nothing for {_SILENT_S:g} s, {total} of {out.sent} so far")
                break
    except RecorderError as err:
        out.wrong = str(err)
    finally:
        out.live_s = time.monotonic() - began
        port.close()
        os.close(grant)
        process.kill()
        process.communicate()
        os.close(master)
        os.close(slave)
    # when the analysis looks at a file differs, and with it what it takes: halves of the run are compared
    tops = [max(m) for m in memory if m]
    half = (len(tops) + 1) // 2
    out.first_mib, out.most_mib = max(tops[:half], default=0.0), max(tops[half:], default=0.0)
    out.wrong = out.wrong or _files(paths, out, rate, ppm, seed)
    if not out.wrong and out.most_mib > 1.15 * out.first_mib + 20:
        out.wrong = "memory grew from the first half to the second"
    return out


def _files(paths: list[Path], out: Soaked, rate: int, ppm: float, seed: int) -> str:
    """All files together hold every sample, at its time."""
    first = 0
    rng = np.random.default_rng(seed)
    sent = np.concatenate([np.array(_counts(rng, rate), np.int16) for _ in range(out.sent // (rate * _PIECE_S))])
    for path in paths:
        began = time.monotonic()
        recording = read(path)
        out.judge_s = max(out.judge_s, time.monotonic() - began)
        out.file_mb = max(out.file_mb, path.stat().st_size / 1e6)
        rows = recording.rows
        out.rows.append(len(rows))
        if not recording.intact or rows.seq is None or rows.counts is None:
            return f"{path.name} is not intact"
        if rows.flag and any(rows.flag):
            return f"{path.name}: a flag without a hole"
        # A line that was cut by the change of files is lost to both: at most one.
        skipped = (int(rows.seq[0]) - first) % 65536
        if skipped > 1:
            return f"{skipped} samples are missing before {path.name}"
        first += skipped
        clock = np.round((first + np.arange(len(rows))) / rate * 1e6 * (1 + ppm * 1e-6))
        out.drift_us = max(out.drift_us, float(np.abs(rows.time_s * 1e6 - (clock - clock[0])).max()))
        if not np.array_equal(rows.counts, sent[first : first + len(rows)]):
            return f"{path.name}: counts that were not sent"
        first += len(rows)
    if first != out.sent or sum(out.rows) < out.sent - len(paths) + 1:
        return f"{out.sent} samples were sent, {sum(out.rows)} are in the files"
    return f"time stamps are wrong by {out.drift_us:.1f} us" if out.drift_us > 1.5 else ""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--rate", type=int, default=200)
    parser.add_argument("--ppm", type=float, default=35.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--adapter", nargs=6, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.adapter:
        master, grants, pieces, rate = map(int, given.adapter[:4])
        adapter(master, grants, pieces, rate, float(given.adapter[4]), int(given.adapter[5]))
        return 0
    with tempfile.TemporaryDirectory() as name:
        got = run(given.hours, given.rate, Path(name), ppm=given.ppm, seed=given.seed)
    kept = sum(got.rows)
    print(f"{given.hours:g} h at {given.rate} samples/s: {got.wrong or 'right'}; {kept} of {got.sent} samples in "
          f"{len(got.rows)} files of at most {got.file_mb:.0f} MB, {got.live_s:.0f} s live "
          f"({kept / max(got.live_s, 1e-9):.0f} samples/s), memory at most {got.first_mib:.0f} MiB in the "
          f"first half and {got.most_mib:.0f} MiB in the second, time stamps within {got.drift_us:.1f} us of the "
          f"adapter's clock, reading a file {got.judge_s:.1f} s")
    return 1 if got.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
