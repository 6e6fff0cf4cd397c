"""A recording cut at each byte, and each byte of a sealed one changed.

    python -m tests.benchmarks.faults_bytes [--rows 120] [--every 50] [--seed 1] [--all] [--full 3000]

- cut: what is left is read, or refused in one line where it has no header row yet; it holds every whole row, value by
  value, judged the same as those rows alone,
- changed: every single-byte change of a sealed file is detected (each byte by all other 255 values in turn with
  ``--all``, else by one at random, by one that differs in a bit, and by a line end): the file is refused, or said to be
  altered; in the seal's own line, and where that line no longer begins, it is at least not said to be intact,
- removed and doubled: a byte less or one more is detected; where only the line end of the seal is missing, that is said
  and nothing was altered (docs/recording.md),
- changed in a row: the rows are those that stand there, and the judgement is the one of them.

A short file is tried at each byte. Then a whole test (6875 rows, 345 kB): at each byte of its head and of its
judgement and seal, and at ``--full`` bytes of its rows at random (0: none; -1: each, an hour or two).
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from recorder.analysis import Analyser, Setup, judge
from recorder.errors import FileError
from recorder.model import Header, Mark, Recording, Rows
from recorder.recording import Writer, parse
from tests.benchmarks.faults_common import played


def sealed(folder: Path, rows: int, every: int = 1) -> bytes:
    """A recording of the demo's cap test: ``rows`` of its readings, one in ``every``."""
    test, trace, _ = played()
    header = Header(test.test, marked=test.marked, job='van ± 1, "blue"', calibration=trace.calibration)
    writer = Writer(folder, header, when=datetime(2026, 3, 14, 10, 15, tzinfo=UTC), ledger=False)
    for i in range(0, rows, 20):
        pick = slice(i * every, min(i + 20, rows) * every, every)
        back = writer.add(Rows(trace.adapter_time_s[pick], trace.reading_kpa[pick], trace.seq[pick],
                               trace.device_us[pick], np.round(trace.time_s[pick], 6), trace.counts[pick]))
        if i == 20:
            writer.mark(Mark(float(back.time_s[0]), "drip"))
    writer.seal(judge(parse(writer.path.read_bytes())).to_json())
    return writer.path.read_bytes()


def _whole_rows(data: bytes) -> int:
    return sum(line[:1].isdigit() for line in data.split(b"\n")[:-1])


def _by_eye(data: bytes) -> list[tuple[float, float]]:
    """Time and pressure of each whole row, as they stand there."""
    lines = [line for line in data.split(b"\n")[:-1] if line.strip() and not line.startswith(b"#")]
    return [(float(cells[0]), float(cells[1])) for cells in (line.split(b",") for line in lines[1:])]


def _same(recording: Recording, data: bytes) -> bool:
    """Whether its rows are those of ``data``, and it is judged as an analyser that is given its rows some by some
    judges it."""
    other = Analyser(Setup.from_header(recording.header))
    r = recording.rows
    if list(zip(r.time_s.tolist(), r.pressure_kpa.tolist(), strict=True)) != _by_eye(data):
        return False
    for i in range(0, len(r), 7):
        part = slice(i, i + 7)
        other.feed(r.time_s[part], r.pressure_kpa[part], r.flag[part] if r.flag else None,
                   r.counts[part] if r.counts is not None else None)
    return other.judgement().to_json() == judge(recording).to_json()


def cuts(data: bytes, judged_every: int = 50, step: int = 1, at: Sequence[int] | None = None) -> list[str]:
    """What is wrong with the file cut after each of its bytes (or each ``step``-th, or those of ``at``)."""
    wrong = []
    whole = parse(data).rows
    for i, n in enumerate(range(0, len(data), step) if at is None else at):
        try:
            got = parse(data[:n])
        except FileError as err:
            if b'# test: "cap"\n' in data[:n] or len(str(err).splitlines()) != 1:
                wrong.append(f"cut at {n}: {err}")
            continue
        if len(got.rows) != _whole_rows(data[:n]):
            wrong.append(f"cut at {n}: {len(got.rows)} rows of {_whole_rows(data[:n])}")
        elif not _begins(whole, got.rows):
            wrong.append(f"cut at {n}: other rows than it had")
        if got.intact and not _but_the_end(data[:n], data, got):
            wrong.append(f"cut at {n}: called intact")
        if i % judged_every == 0 and not _same(got, data[:n]):
            wrong.append(f"cut at {n}: judged differently from its rows")
    return wrong


def _begins(whole: Rows, rows: Rows) -> bool:
    """Whether ``whole`` begins with ``rows``, in each column."""
    n = len(rows)
    columns = ("time_s", "pressure_kpa", "seq", "device_us", "host_s", "counts", "supply", "temp_c")
    pairs = [(getattr(whole, name), getattr(rows, name)) for name in columns]
    if not n:
        return True
    same = all(np.array_equal(a[:n], b, equal_nan=True) for a, b in pairs if a is not None and b is not None)
    return same and all((a is None) == (b is None) for a, b in pairs) and not any(rows.flag or ())


def _but_the_end(altered: bytes, data: bytes, got: Recording) -> bool:
    """Whether only the last line's end is missing, as some editors take it off, and that is said."""
    return altered == data[:-1] and any("has no line end" in note for note in got.notes)


def _changed(
    data: bytes, rng: random.Random, everything: bool, at: Iterable[int]
) -> Iterator[tuple[int, bytes]]:
    for i in at:
        old = data[i]
        values = set(range(256)) if everything else {rng.randrange(256), old ^ 1 << rng.randrange(8), 10}
        for new in sorted(values - {old}):
            yield i, data[:i] + bytes([new]) + data[i + 1 :]
        yield i, data[:i] + data[i + 1 :]
        yield i, data[:i] + bytes([old]) + data[i:]


def changes(
    data: bytes, rng: random.Random, *, everything: bool = False, judged_every: int = 97, step: int = 1,
    at: Sequence[int] | None = None,
) -> tuple[int, list[str]]:
    """How many changes were made, and which were not detected or broke something."""
    wrong = []
    n = 0
    where = range(0, len(data), step) if at is None else at
    seal = data.rindex(b"\n", 0, len(data) - 1)  # the line end before the seal's line
    for n, (i, altered) in enumerate(_changed(data, rng, everything, where), 1):
        if altered == data:
            continue
        try:
            got = parse(altered)
        except FileError as err:
            if len(str(err).splitlines()) != 1:
                wrong.append(f"byte {i}: {err}")
            continue
        if got.intact and not _but_the_end(altered, data, got):
            wrong.append(f"byte {i} changed, and called intact")
        elif i < seal and got.intact is None:
            wrong.append(f"byte {i} changed, and not said to be altered")
        if n % judged_every == 0 and not _same(got, altered):
            wrong.append(f"byte {i} changed: judged differently from its rows")
    return n, wrong


def whole_test(folder: Path) -> bytes:
    """The whole trace of the demo's cap test, sealed."""
    return sealed(folder, len(played()[1].time_s))


def picked(data: bytes, rng: random.Random, of_rows: int) -> list[int]:
    """Each byte that is in no row, and so many of the rows (-1: all)."""
    first = data.index(b"\n", data.index(b"\ntime_s,") + 1) + 1
    last = data.index(b"\n# judgement") + 1
    rows = range(first, last)
    some = list(rows) if of_rows < 0 else sorted(rng.sample(rows, min(of_rows, len(rows))))
    return [*range(first), *some, *range(last, len(data))]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--rows", type=int, default=120)
    parser.add_argument("--every", type=int, default=50, help="one reading of the trace in so many")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--all", action="store_true", help="all other 255 values of each byte")
    parser.add_argument("--full", type=int, default=3000, help="bytes of the rows of a whole test; -1: each")
    given = parser.parse_args()
    rng = random.Random(given.seed)
    with tempfile.TemporaryDirectory() as name:
        data = sealed(Path(name), given.rows, given.every)
    wrong = cuts(data)
    print(f"{len(data)} cuts of a file of {given.rows} rows, {len(wrong)} wrong", flush=True)
    n, more = changes(data, rng, everything=given.all)
    print(f"{n} changes of one byte, {len(more)} not detected or wrong", flush=True)
    wrong += more
    if given.full:
        with tempfile.TemporaryDirectory() as name:
            data = whole_test(Path(name))
        at = picked(data, rng, given.full)
        more = cuts(data, 500, at=at)
        print(f"{len(at)} cuts of a whole test of {len(data)} bytes, {len(more)} wrong", flush=True)
        wrong += more
        n, more = changes(data, rng, judged_every=997, at=at)
        print(f"{n} changes of one byte of it, {len(more)} not detected or wrong")
        wrong += more
    for said in wrong[:10]:
        print("  ", said)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
