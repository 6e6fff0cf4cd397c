"""Disk faults: full at a random byte, a write or sync that fails, the folder removed, the host's clock stepped.

    python -m tests.benchmarks.faults_disk [--n 60] [--seed 1] [--jobs 3]

- a small file system of its own, full at a random page (needs the right to mount),
- ENOSPC and EIO at a random byte, EIO at a random fsync: a library put before the C library (needs a compiler),
- a limit on the size of files (the write fails with EFBIG), which works everywhere,
- the folder removed at a random moment,
- the wall clock an hour ahead in every second half second.

The recorder has to say so in one line and exit 2; what it acknowledged has to be in the file, which is read and
judged: as many as it said, and they are the first of those that were sent. Where there was room for rows there has to
be such a file, and it fills the room but for what one write may take.
"""

from __future__ import annotations

import argparse
import errno
import random
import re
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from recorder.analysis import judge
from recorder.recording import read
from tests.benchmarks.faults_common import (
    Plug,
    Started,
    broke,
    not_as_sent,
    played,
    record_command,
    recordings,
    several,
    shim,
    start,
    start_warm,
    wait_rows,
)

_HOUR_S = 3600
_ONE_WRITE = 98_304  # bytes: one write of rows took 22 kB here, and takes more where the recorder had to wait


def can_mount() -> bool:
    with tempfile.TemporaryDirectory() as name:
        made = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "none", name], check=False,
                              capture_output=True).returncode == 0
        if made:
            subprocess.run(["umount", name], check=True)
    return made


def _said(process_code: int, folder: Path, word: str, out: Path, room: int = 0) -> str:
    """The promise after a write that failed: "" or what was wrong. room: bytes that the disk took of the file."""
    said = (folder / "log").read_text(errors="replace")
    lines = [line for line in said.splitlines() if word in line]
    if broke(said):
        return f"traceback: {said[-300:]}"
    if process_code != 2 or len(lines) != 1:
        return f"exit {process_code}, not told in one line with '{word}': {said[-300:]}"
    files = recordings(out)
    if room - (files[0].stat().st_size if files else 0) > _ONE_WRITE:
        return f"there was room for {room} bytes, and the file has {files[0].stat().st_size if files else 0}"
    saved = re.search(r"(\d+) rows were saved", lines[0])
    if not files:
        # full before the header was down: what is empty is no recording, and no row was acknowledged
        return "" if saved is None or saved[1] == "0" else f"rows were acknowledged and there is no file: {lines[0]}"
    size = files[0].stat().st_size
    if saved is None or not size:
        return "" if size < 4096 else f"not told how many rows were saved: {lines[0]}"
    try:
        recording = read(files[0])
    except Exception as err:  # of any kind: the file has to be readable
        return f"not readable: {err}" if int(saved[1]) else ""
    if len(recording.rows) != int(saved[1]):
        return f"'{saved[0]}' and {len(recording.rows)} are in the file"
    judge(recording)
    return not_as_sent(recording, played()[2])


def _record(folder: Path, out: Path, faults: dict[str, str] | None = None,
            begin: Callable[[list[str], Path], Started] | None = None) -> int:
    """The demo's cap test as fast as it is taken, recorded into ``out``; the exit code."""
    with Plug(folder / "adapter", played()[2], fast_until_s=1e9):
        command, log = record_command(folder / "adapter", out), folder / "log"
        process = begin(command, log) if begin is not None else start_warm(command, log, faults)
        try:
            return process.wait(200)
        finally:
            process.kill()
            process.wait()


def mounted(pages: int, folder: Path) -> str:
    """A file system of that many pages of 4096 bytes, full before the test is over."""
    place = folder / "disk"
    place.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={pages * 4096}", "none", str(place)], check=True)
    try:
        return _said(_record(folder, place / "out"), folder, "disk is full", place / "out", pages * 4096)
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


def _faults(**more: int) -> dict[str, str]:
    return {f"FAULT_{name.upper()}": str(value) for name, value in more.items()}


def full_at(size: int, folder: Path) -> str:
    """ENOSPC after ``size`` bytes."""
    code = _record(folder, folder / "out", _faults(bytes=size, errno=errno.ENOSPC))
    return _said(code, folder, "disk is full", folder / "out", size)


def failing_write(size: int, folder: Path) -> str:
    """EIO after ``size`` bytes."""
    code = _record(folder, folder / "out", _faults(bytes=size, errno=errno.EIO))
    return _said(code, folder, "disk failed", folder / "out", size)


def failing_sync(after: int, folder: Path) -> str:
    """EIO at an fsync. How many rows the disk then has is not known, only what the system was given."""
    code = _record(folder, folder / "out", _faults(syncs=after, errno=errno.EIO))
    return _said(code, folder, "disk failed", folder / "out")


def limited(size: int, folder: Path) -> str:
    """EFBIG after ``size`` bytes."""

    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))

    code = _record(folder, folder / "out",
                   begin=lambda command, log: start(command, log, preexec_fn=limit))
    return _said(code, folder, "File too large", folder / "out", size)


def folder_removed(moment_s: float, folder: Path) -> str:
    """The folder vanishes during the test."""
    _, _, lines = played()
    with Plug(folder / "adapter", lines, 4.0, fast_until_s=moment_s):
        process = start_warm(record_command(folder / "adapter", folder / "out"), folder / "log")
        try:
            wait_rows(folder / "out", max(int(moment_s * 90), 1), process)
            shutil.rmtree(folder / "out", ignore_errors=True)
            code = process.wait(120)
        finally:
            process.kill()
            process.wait()
    return _said(code, folder, "was removed", folder / "out")


def clock_stepped(folder: Path, speed: float = 8.0) -> str:
    """The wall clock jumps by an hour, forth and back, every second: the trace does not notice."""
    _, trace, lines = played()
    with Plug(folder / "adapter", lines, speed):
        process = start_warm(record_command(folder / "adapter", folder / "out"), folder / "log",
                             _faults(clock=_HOUR_S))
        try:
            code = process.wait(120)
        finally:
            process.kill()
            process.wait()
    said = (folder / "log").read_text(errors="replace")
    files = recordings(folder / "out")
    if code or len(files) != 1:
        return f"exit {code}, {len(files)} files: {said[-300:]}"
    recording = read(files[0])
    t, host_s = recording.rows.time_s, recording.rows.host_s
    if wrong := not_as_sent(recording, played()[2]):
        return wrong
    if max(abs(t - trace.adapter_time_s[: len(t)])) > 1e-6:
        return "the time stamps moved"
    if host_s is None or min(host_s[1:] - host_s[:-1]) < 0 or host_s[-1] > 200:
        return "the host's times moved"
    outcome = judge(recording).outcome
    return "" if recording.intact and outcome == trace.truth.outcome else f"judged {outcome}"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--n", type=int, default=60, help="of each kind (a twelfth for folder and clock)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=3)
    given = parser.parse_args()
    rng = random.Random(given.seed)
    few = max(given.n // 12, 1)
    kinds: list[tuple[str, int, Callable[[], Callable[[Path], str]]]] = []
    if can_mount():
        kinds.append(("file system full", given.n, lambda: _bound(mounted, rng.randrange(1, 73))))
    else:
        print("file system full: not tried, this user may not mount")
    if shim() is not None:
        kinds += [
            ("ENOSPC at a byte", given.n, lambda: _bound(full_at, rng.randrange(0, 300_000))),
            ("EIO at a byte", given.n, lambda: _bound(failing_write, rng.randrange(0, 300_000))),
            ("EIO at an fsync", few, lambda: _bound(failing_sync, rng.randrange(0, 3))),
            ("clock stepped", few, lambda: clock_stepped),
        ]
    else:
        print("ENOSPC, EIO, clock stepped: not tried, there is no C compiler")
    kinds += [("size limit", few, lambda: _bound(limited, rng.randrange(0, 300_000))),
              ("folder removed", few, lambda: _bound(folder_removed, rng.uniform(1, 55)))]
    bad = 0
    for name, n, make in kinds:
        tasks = [make() for _ in range(n)]

        def one(i: int, tasks: list[Callable[[Path], str]] = tasks) -> str:
            with tempfile.TemporaryDirectory() as folder:
                return tasks[i](Path(folder))

        wrong = [said for said in several(n, one, given.jobs) if said]
        bad += len(wrong)
        print(f"{name}: {n} times, {len(wrong)} wrong", flush=True)
        for said in wrong[:5]:
            print("  ", said)
    return 1 if bad else 0


_Number = TypeVar("_Number", int, float)


def _bound(what: Callable[[_Number, Path], str], value: _Number) -> Callable[[Path], str]:
    return lambda folder: what(value, folder)


if __name__ == "__main__":
    sys.exit(main())
