"""``python -m tests.benchmarks.audit_many --files N``: how fast many recordings are audited, and in how much memory.

Makes N sealed recordings in a temporary folder, 1000 in each of its folders with a ledger in each, audits them twice
(the second time from the cache) and removes them. They are copies of simulated tests; every copy has its own id, job,
day, adapter and seal, so that each is a whole recording and none is answered from the cache of another.

``--known`` leaves the first, long run out: the cache is filled while the files are made, with what the audit of the
simulated test says, and the run over all files from the cache is measured.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import resource
import sys
import tempfile
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from recorder.analysis import judge
from recorder.audit import AuditRow, Totals, audit_bytes, audit_folder, find_recordings
from recorder.audit.cache import Cache, key_of
from recorder.model import Recording
from recorder.recording import read, rows_text
from recorder.recording.annotations import annotation_line, header_text
from recorder.recording.rows import columns_line
from tests.benchmarks.children import Workers
from tests.benchmarks.made import make

_BASES = 24
_START = datetime(2023, 1, 2, 8, tzinfo=UTC)


def _bases(folder: Path, seconds: float, rate_hz: float) -> list[tuple[Recording, bytes, bytes]]:
    """Recordings with the texts of their rows and judgement."""
    out = []
    for seed in range(_BASES):
        found = read(make(folder, seed, seconds=seconds, rate_hz=rate_hz, seal=False))
        out.append((found, rows_text(found.rows).encode(), annotation_line("judgement", judge(found).to_json())))
    return out


def fill(folder: Path, files: int, seconds: float, rate_hz: float = 50.0, known: Path | None = None) -> int:
    """Write the files; the bytes written. known: a cache to fill with their rows."""
    with tempfile.TemporaryDirectory() as name:
        bases = _bases(Path(name), seconds, rate_hz)
    audited: dict[int, AuditRow] = {}
    new: list[tuple[str, AuditRow]] = []
    cache = Cache(known) if known is not None else None
    total = 0
    previous, ledger = "", ""
    for i in range(files):
        found, rows, judgement = bases[i % _BASES]
        place = folder / f"{i // 1000:04d}"
        if i % 1000 == 0:
            place.mkdir()
            previous, ledger = "0" * 64, "time,file,sha256,previous\n"
        when = _START + timedelta(minutes=11 * i)
        started = when.isoformat(timespec="milliseconds").replace("+00:00", "Z")
        header = replace(found.header, id=f"copy-{i}", started=started, job=f"{i // 3} invented",
                         adapter={**found.header.adapter, "id": f"hose-{i % 12}"})
        data = header_text(header) + columns_line().encode() + b"\n" + rows + judgement
        seal = hashlib.sha256(data).hexdigest()
        path = place / f"{when:%Y%m%dT%H%M%SZ}-system-{i % 65536:04x}.csv"
        whole = data + f'# sha256: "{seal}"\n'.encode()
        path.write_bytes(whole)
        if cache is not None:
            if i < _BASES:
                audited[i] = audit_bytes(whole, str(path))
            facts = replace(audited[i % _BASES], file=str(path), id=header.id, started=started, job=header.job,
                            adapter=str(header.adapter["id"]), sha256=seal)
            if i < 2 * _BASES and facts != audit_bytes(whole, str(path)):
                raise RuntimeError("a copy is not audited as its original is")
            new.append((key_of(whole), facts))
            if len(new) == 1000 or i == files - 1:
                cache.put(new)
                new = []
        line = f"{started},{path.name},{seal},{previous}"
        previous, ledger = hashlib.sha256(line.encode()).hexdigest(), ledger + line + "\n"
        if i % 1000 == 999 or i == files - 1:
            (place / "ledger.csv").write_text(ledger, "utf-8")
        total += len(data)
    if cache is not None:
        cache.close()
    return total


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=1000)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--rate", type=float, default=10.0, help="samples a second")
    parser.add_argument("--jobs", type=int, default=None)
    parser.add_argument("--known", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "shop"
        folder.mkdir()
        start = time.perf_counter()
        cache = Path(name) / "cache.sqlite"
        size = fill(folder, given.files, given.seconds, given.rate, cache if given.known else None)
        print(f"{given.files} files, {size / 1e6:.0f} MB, made in {time.perf_counter() - start:.1f} s", flush=True)
        for round_name in ("again, from the cache",) if given.known else ("first", "again, from the cache"):
            totals, bad, workers = Totals(), 0, Workers()
            start, own = time.perf_counter(), time.process_time()
            rows = audit_folder(folder, jobs=given.jobs, cache=cache)
            for count, row in enumerate(rows, 1):
                totals.add(row)
                bad += not row.good
                if count % 100 == 0 or count == given.files:
                    workers.look()
                if count % 1000 == 0 and round_name == "first":
                    print(f"  {count} after {time.perf_counter() - start:.0f} s", file=sys.stderr, flush=True)
            took, cpu = time.perf_counter() - start, time.process_time() - own + workers.cpu_s
            print(f"{round_name}: {totals.files} in {took:.1f} s, {totals.files / took:.0f} a second, "
                  f"{1e3 * cpu / totals.files:.1f} ms of processor time each, "
                  f"{dict(totals.outcomes)}, {bad} not good; a worker has {workers.largest_mb:.0f} MB at most",
                  flush=True)
        start = time.perf_counter()
        drifts = totals.drifts()
        print(f"drifts of {len(totals.adapters)} adapters: {time.perf_counter() - start:.2f} s, "
              f"{sum(d.certain for d in drifts)} named; {len(json.dumps(totals.to_json()))} bytes of totals")
        start = time.perf_counter()
        found = sum(1 for _ in find_recordings(folder))
        print(f"found {found} files again in {time.perf_counter() - start:.1f} s")
        print(f"cache of {cache.stat().st_size / 1e6:.0f} MB")
    print(f"this process: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB at most")


if __name__ == "__main__":
    main()
