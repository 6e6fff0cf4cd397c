"""Adverse streams through the whole live path: wire, session, file; and a fast one through a pseudo-terminal.

    python -m tests.benchmarks.wire_streams [--seed 1]

For each: no exception, the file is sealed and can be read, its time only rises, no row was not sent, and what
has to be there is there.
"""

from __future__ import annotations

import argparse
import os
import random
import resource
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

from recorder.model import Announcement, Recording
from recorder.port import Chunk, Port
from recorder.recording import read
from recorder.session import Session, SessionConfig
from recorder.units import parse_marking
from recorder.wire import Decoder, encode_announcement, encode_line, encode_sample
from tests.benchmarks.wire_fuzz import HOSE, Row, rows
from tests.memory_ports import PlayedPort

Stream = Iterator[bytes]
Adverse = Callable[[Path, int], str]


def recorded(pieces: Stream, folder: Path) -> tuple[Recording, Session]:
    port = PlayedPort(pieces, 0.1)
    session = Session(SessionConfig("cap", parse_marking("16 psi"), full_scale_kpa=206.84), port=port,
                      folder=folder, clock=port.clock)
    while not port.over:
        session.step()
    done = session.stop("over")
    if done.path is None:
        raise ValueError(f"no file: {session.error}")
    return read(done.path), session


def _sample(i: int, clock: int | None = None, seq: int | None = None) -> bytes:
    return encode_sample((i if seq is None else seq) % 65536, (i * 10_000 if clock is None else clock) % 2**32,
                         409 + i % 3, None, None)


def _good(first: int, n: int) -> bytes:
    return b"".join(_sample(i) for i in range(first, first + n))


def _rows_of(recording: Recording) -> list[Row]:
    r = recording.rows
    if r.seq is None or r.device_us is None or r.counts is None:
        return []
    return list(zip(r.seq.tolist(), r.device_us.tolist(), r.counts.tolist(), strict=True))


def _common(recording: Recording, session: Session, sent: bytes) -> str:
    decoder = Decoder(bulk=False)
    decoder.feed(sent)
    known = set(rows(decoder.take()))
    t = recording.rows.time_s
    if session.error is not None:
        return f"error: {session.error}"
    if not recording.intact:
        return "not sealed"
    if not (t[1:] > t[:-1]).all():
        return "time does not rise"
    return "" if all(row in known for row in _rows_of(recording)) else "a row that was not sent"


def endless_line(folder: Path, seed: int) -> str:
    """64 MB without a line end between good lines."""
    block = b"S,1,2,3,,*" * 12_800
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss

    def pieces() -> Stream:
        yield encode_announcement(HOSE) + _good(0, 100)
        for _ in range(500):  # in less than the minute after which an adapter that sends no sample is given up
            yield block
        yield b"\n" + _good(100, 100)

    got, session = recorded(pieces(), folder)
    more = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    if more > 32:
        return f"{more:.0f} MiB more memory"
    wrong = _common(got, session, _good(0, 200))
    return wrong or ("" if len(got.rows) == 200 else f"{len(got.rows)} rows of 200")


def _among(junk: Callable[[random.Random], bytes], folder: Path, seed: int) -> str:
    """Good lines with whole lines of junk between them: every good line arrives."""
    rng = random.Random(seed)
    sent = [encode_announcement(HOSE)]
    for i in range(5000):
        if rng.random() < 0.3:
            sent.append(junk(rng) + b"\n")
        sent.append(_sample(i))
    data = b"".join(sent)
    got, session = recorded((data[i : i + 777] for i in range(0, len(data), 777)), folder)
    return _common(got, session, data) or ("" if len(got.rows) == 5000 else f"{len(got.rows)} rows of 5000")


def nuls(folder: Path, seed: int) -> str:
    return _among(lambda rng: b"\0" * rng.randrange(1, 5000), folder, seed)


def utf8(folder: Path, seed: int) -> str:
    """Text, byte order marks, and an announcement with a right check whose id is not ASCII."""
    words = ["±21.5 °C", "\ufeffS,1,2,3,,*0000", "S,1,2,3,,*0000", "漏れ", "\U0001f4a7" * 20]
    evil = encode_line("A,1,x,1.0,1023,100").replace(b"x", "é".encode())
    return _among(lambda rng: rng.choice([*[w.encode() for w in words], evil[:-1]]), folder, seed)


def replayed(folder: Path, seed: int) -> str:
    """Every 300 lines, the last 1 to 60 come once more."""
    rng = random.Random(seed)
    sent = [encode_announcement(HOSE)]
    for i in range(0, 6000, 300):
        lines = [_sample(k) for k in range(i, i + 300)]
        sent += lines + lines[-rng.randrange(1, 60) :]
    data = b"".join(sent)
    got, session = recorded((data[i : i + 500] for i in range(0, len(data), 500)), folder)
    t = got.rows.time_s
    wrong = _common(got, session, data)
    return wrong or ("" if len(t) == 6000 and abs(t[-1] - 59.99) < 1e-6 else f"{len(t)} rows of 6000, to {t[-1]} s")


def announcements_disagree(folder: Path, seed: int) -> str:
    """Two adapters on one line, say: full scale and name change to and fro. The test is of the first one alone."""
    other = Announcement(1, "hose-8", "1.1", 4095, 50.0)
    pieces = [encode_announcement(HOSE if k % 2 == 0 else other) + _good(100 * k, 100) for k in range(40)]
    got, session = recorded(iter(pieces), folder)
    ended = got.header.other.get("ended")
    told = isinstance(ended, dict) and len(ended.get("announcements", ())) == 2
    if session.broken is None or len(got.rows) != 100 or not told or got.intact is not True:
        return f"{len(got.rows)} rows of 100, told at the end: {told}, ended: {session.broken}"
    return ""


def clock_backwards(folder: Path, seed: int) -> str:
    """The adapter's clock runs backwards for a second, now and then: those lines are left out and counted."""
    sent = [encode_announcement(HOSE)]
    back = 0
    for i in range(6000):
        runs_back = i % 1000 > 899
        back += runs_back
        clock = (2 * (i // 1000 * 1000 + 899) - i) * 10_000 if runs_back else i * 10_000
        sent.append(_sample(i, clock))
    data = b"".join(sent)
    got, session = recorded((data[i : i + 2500] for i in range(0, len(data), 2500)), folder)
    wrong = _common(got, session, data)
    counted = session.timeline.replayed + session.timeline.undecided  # the last row may be of a restart, too
    if not wrong and (len(got.rows) != 6000 - back or counted != back):
        wrong = f"{len(got.rows)} rows of {6000 - back}, {counted} of {back} counted"
    return wrong


def sequence_jumps(folder: Path, seed: int) -> str:
    """The sequence jumps at random: every row is kept, every jump is flagged."""
    rng = random.Random(seed)
    sent = [encode_announcement(HOSE)]
    seq = jumps = 0
    for i in range(6000):
        step = 1
        if i and rng.random() < 0.02:
            step = rng.choice([2, 3, 100, 30_000, 40_000, 65_535])
            jumps += 1
        seq += step
        sent.append(_sample(i, seq=seq))
    data = b"".join(sent)
    got, session = recorded((data[i : i + 900] for i in range(0, len(data), 900)), folder)
    wrong = _common(got, session, data)
    flags = sum("gap" in word for word in got.rows.flag or ())
    if not wrong and (len(got.rows) != 6000 or flags != jumps):
        wrong = f"{len(got.rows)} rows of 6000, {flags} of {jumps} jumps flagged"
    return wrong


def two_megabaud(folder: Path, seed: int, seconds: float = 10.0) -> str:
    """200,000 bytes a second through a pseudo-terminal, in bursts of 64 KB and pauses: every line arrives."""
    master, slave = os.openpty()
    tty.setraw(slave)
    n = int(seconds * 200_000 / len(_sample(50_000)))
    data = memoryview(encode_announcement(HOSE) + b"".join(_sample(i) for i in range(n)))

    def feed() -> None:
        began = time.monotonic()
        for at in range(0, len(data), 65_536):
            time.sleep(max(began + at / 200_000 - time.monotonic(), 0))
            burst = data[at : at + 65_536]
            while burst:
                burst = burst[os.write(master, burst) :]

    port = Port(os.ttyname(slave), baud=2_000_000)
    decoder = Decoder()
    thread = threading.Thread(target=feed, name="two megabaud")
    got = 0
    try:
        port.open()
        thread.start()
        until = time.monotonic() + 6 * seconds
        while decoder.counts.samples < n and time.monotonic() < until:
            for item in port.take():
                if isinstance(item, Chunk):
                    decoder.feed(item.data)
            got += len(rows(decoder.take()))
            time.sleep(0.01)
    finally:
        thread.join(30)
        port.close()
        os.close(master)
        os.close(slave)
    dropped = decoder.counts.dropped
    return "" if got == n and not dropped else f"{got} of {n} lines, {dropped} dropped"


STREAMS = (endless_line, nuls, utf8, replayed, announcements_disagree, clock_backwards, sequence_jumps, two_megabaud)


def run(seed: int) -> Iterator[tuple[str, str]]:
    for stream in STREAMS:
        with tempfile.TemporaryDirectory() as folder:
            yield stream.__name__.replace("_", " "), stream(Path(folder), seed)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--seed", type=int, default=1)
    bad = False
    for name, wrong in run(parser.parse_args().seed):
        print(f"{name}: {wrong or 'right'}", flush=True)
        bad = bad or bool(wrong)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
