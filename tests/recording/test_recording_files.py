"""Writer and reader against real files."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from recorder.errors import FileError, RunError, StorageError
from recorder.model import Calibration, Header, Mark, Marking, Rows
from recorder.recording import Writer, parse, read, rows_text, seal_of
from recorder.recording.rows import columns_line, parse_rows

WHEN = datetime(2026, 3, 14, 10, 15, tzinfo=UTC)
HEADER = Header(
    "cap", marked=Marking(16, "psi", 110.3161), job="grüne Limousine, \x1b[31m =1+1",
    adapter={"id": "hose-7", "full_scale_counts": 1023},
    calibration=Calibration((-25.855, 258.55), 0.2, "2026-01-02", "gauge 3"),
    procedure={"hold": {"value": 30, "unit": "s"}}, other={"tester": {"rate": {"value": 0.1}}},
)


def some_rows(n: int, start: int = 0) -> Rows:
    i = np.arange(start, start + n)
    flag = ["gap" if k % 7 == 3 else "" for k in i]
    temp = np.where(i % 2 == 0, np.nan, 21.5)
    t = i.astype(float) * 0.02
    return Rows(t, 50 + 10 * np.sin(i), i % 65536, i * 20000, t + 0.001, i % 1023,
                np.full(n, np.nan), temp, flag)


def sealed(folder: Path, n: int = 6, id4: str = "4c1e") -> Path:
    writer = Writer(folder, HEADER, when=WHEN, id4=id4)
    writer.add(some_rows(n))
    writer.mark(Mark(0.05, "drip at the lower hose clamp"))
    writer.add(some_rows(2, n))
    writer.seal({"judgement-format": 1, "outcome": "pass"})
    return writer.path


def test_what_is_written_is_read(tmp_path: Path) -> None:
    path = sealed(tmp_path)
    assert path.name == "20260314T101500Z-cap-4c1e.csv"
    found = read(path, strict=True)
    assert found.intact is True and found.notes == ()
    assert found.header.id == "20260314T101500Z-4c1e"
    assert found.header.started == "2026-03-14T10:15:00.000Z"
    assert found.header.job == HEADER.job and found.header.calibration == HEADER.calibration
    assert found.header.other["tester"] == {"rate": {"value": 0.1}}
    assert found.marks == (Mark(0.05, "drip at the lower hose clamp"),)
    assert found.judgement == {"judgement-format": 1, "outcome": "pass"}
    assert found.rows.flag is not None and list(found.rows.flag) == ["", "", "", "gap", "", "", "", ""]
    assert found.rows.temp_c is not None and np.isnan(found.rows.temp_c[0])
    assert found.rows.supply is not None and np.isnan(found.rows.supply).all()


def test_rows_come_back_from_the_writer_as_the_reader_gives_them(tmp_path: Path) -> None:
    writer = Writer(tmp_path, HEADER, when=WHEN, unit="psi")
    back = writer.add(some_rows(50))
    writer.close()
    found = read(writer.path)
    assert np.array_equal(found.rows.pressure_kpa, back.pressure_kpa)
    assert np.array_equal(found.rows.time_s, back.time_s)


def test_every_cut_is_readable_or_says_why(tmp_path: Path) -> None:
    data = sealed(tmp_path).read_bytes()
    rows_at = data.index(b"time_s,")
    test_end = data.index(b'# test: "cap"\n') + len(b'# test: "cap"')  # whole but for its line end
    before = 0
    for cut in range(len(data)):
        part = data[:cut]
        if cut < test_end:
            with pytest.raises(FileError):
                parse(part, "x.csv")
            continue
        found = parse(part, "x.csv")
        assert found.intact is (None if cut < len(data) - 1 else True), cut
        assert found.notes, cut
        assert len(found.rows) >= before
        before = len(found.rows)
        if cut > rows_at:
            whole = [r for r in part[rows_at:].split(b"\n")[1:-1] if not r.startswith(b"#")]
            assert len(found.rows) == len(whole)
        with pytest.raises(FileError) as caught:
            parse(part, "x.csv", strict=True)
        assert "x.csv" in str(caught.value) and "\n" not in str(caught.value)
    assert before == 8


@pytest.mark.parametrize("change", [
    lambda data: data[:-1], lambda data: data[:-66] + data[-66:].upper(),
    lambda data: data[:-66] + data[-66:-1].upper(),
], ids=["no last line end", "capitals", "both"])
def test_an_editor_that_takes_the_last_line_end_or_writes_hex_in_capitals_alters_nothing(
    change: Callable[[bytes], bytes], tmp_path: Path,
) -> None:
    """The content is what was sealed: hex digits are the same in either case (RFC 4648, section 8)."""
    whole = sealed(tmp_path).read_bytes()
    data = change(whole)
    assert data != whole and len(re.findall(rb'"[0-9a-fA-F]{64}"', data)) == 1
    found, own = parse(data, "x.csv"), parse(whole, "x.csv")
    assert found.intact is True and found.sha256 == own.sha256 and found.judgement == own.judgement is not None
    assert seal_of(data) == seal_of(whole) == (True, own.sha256)
    lines = whole.count(b"\n")
    assert found.notes == (() if data.endswith(b"\n") else (
        f"line {lines} has no line end; nothing else of it is missing, and it was taken",))
    for other in (data.replace(b"0.020000,", b"0.020001,", 1), data[:-10] + b"0" * 5 + data[-5:]):
        assert parse(other, "x.csv").intact is False and seal_of(other)[0] is False


@pytest.mark.parametrize(("last", "taken"), [
    (b'# judgement: {"outcome": "pass"}', True), (b'# judgement: {"outcome": "pass"', False), (b"0.9,1", False),
    (b'# mark: {"time_s": 0.1, "text": "wet"}', True), (b'# mark: {"time_s": 0.1, "text": "wet"', False),
    (b"# other: 104", False), (b"# other: tru", False), (b'# other: [1, "a"]', True), (b'# "remark"', False),
])
def test_a_last_line_without_its_end_is_taken_where_nothing_can_have_been_cut_from_it(last: bytes, taken: bool) -> None:
    found = parse(TWO + b"0,1\n0.1,2\n" + last, "x.csv")
    assert (found.judgement is not None) == (taken and b"judgement" in last) and len(found.rows) == 2
    assert len(found.marks) == (taken and b"mark" in last) and ("other" in found.header.other) == (
        taken and b"other" in last)
    assert found.notes[0] == ("line 5 has no line end; nothing else of it is missing, and it was taken" if taken
                              else "line 5 was cut off and left out")


def test_every_change_of_one_byte_is_seen(tmp_path: Path) -> None:
    data = sealed(tmp_path, 3).read_bytes()
    rng = np.random.default_rng(5)
    for at in range(len(data)):
        for new in {int(rng.integers(0, 256)), data[at] ^ 1, data[at] ^ 32, 10, 35} - {data[at]}:
            changed = data[:at] + bytes([new]) + data[at + 1:]
            try:
                found = parse(changed, "x.csv")
            except FileError:
                continue
            assert found.intact is False or (found.intact is None and at >= len(data) - 77), (at, new)


@pytest.mark.parametrize("tail", [b"\n", b"0.9,1\n", b"# note: 1\n", b"x"])
def test_anything_after_the_seal_is_seen(tmp_path: Path, tail: bytes) -> None:
    data = sealed(tmp_path).read_bytes()
    with contextlib.suppress(FileError):
        assert parse(data + tail).intact is False


TWO = b'# test: "cap"\ntime_s,pressure_kPa\n'
BAD = {
    "empty": b"",
    "no test": b"time_s,pressure_kPa\n0,1\n",
    "unknown test": b'# test: "hose"\ntime_s,pressure_kPa\n0,1\n',
    "swapped": b'# test: "cap"\npressure_kPa,time_s\n0,1\n',
    "no unit": b'# test: "cap"\ntime_s,pressure_\n0,1\n',
    "not pressure": b'# test: "cap"\ntime_s,pressure_degC\n0,1\n',
    "nan": TWO + b"0,nan\n",
    "inf": TWO + b"0,inf\n",
    "big": TWO + b"0,1e300\n",
    "bigger": TWO + b"0,1e999\n",
    "underscore": TWO + b"0,1_0\n",
    "same time": TWO + b"0.1,1\n0.1,1\n",
    "time back": TWO + b"0.2,1\n0.1,1\n",
    "few cells": TWO + b"0.1,1\n0.2\n0.3,1,2\n",
    "empty cell": TWO + b"0.1,\n",
    "utf-16": ('# test: "cap"\n').encode("utf-16"),
    "latin-1": b'# job: "gr\xfcn"\n' + TWO,
    "deep": b"# procedure: " + b"[" * 200_000 + b"\n" + TWO,
    "digits": b'# marked: {"value": ' + b"9" * 5000 + b', "unit": "psi"}\n' + TWO,
    "digits in range": b'# marked: {"value": ' + b"9" * 4000 + b', "unit": "psi"}\n' + TWO,
    "long number": TWO + b"0," + b"9" * 1_000_000 + b"\n",
    "long line": b"#" + b" " * 2_000_000 + b"\n" + TWO,
    "twice": b'# test: "cap"\n' + TWO,
    "newer": b"# recording-format: 2\n" + TWO,
    "same names": b'# test: "cap"\ntime_s,pressure_kPa,seq,seq\n0,1,2,3\n',
    "seq": b'# test: "cap"\ntime_s,pressure_kPa,seq\n0,1,1.5\n',
    "huge seq": b'# test: "cap"\ntime_s,pressure_kPa,seq\n0,1,99999999999999999999\n',
    "bad fault": TWO + b"# adapter-fault: 3\n",
    "bad judgement": TWO + b"# judgement: {\n",
    "nuls": TWO + b"0,1\n" + b"\0" * 50 + b"\n",
}


@pytest.mark.parametrize("name", BAD)
def test_bad_files_give_one_line(name: str) -> None:
    with pytest.raises(FileError) as caught:
        parse(BAD[name], "bad.csv")
    text = str(caught.value)
    assert text.startswith("bad.csv") and "\n" not in text and len(text) < 400, text


@pytest.mark.parametrize(("data", "said"), [
    (TWO + b'"0,000","1,5"\n', "line 3: the number '0,000' has a comma in it; write decimal points"),
    (TWO + b'0.1,"1,5"\n', "line 3: the number '1,5' has a comma in it; write decimal points"),
    (TWO.replace(b",", b";") + b"0,1;1,5\n", "line 2: the columns are separated by semicolons; separate them by"),
    (TWO.replace(b",", b"\t") + b"0.1\t1.5\n", "line 2: the columns are separated by tabs; separate them by"),
    (TWO + b"0.1,1 .5\n", "line 3: pressure_kPa is '1 .5', which is not a number that can be used; write one"),
    (TWO + b"0.1,  \n", "line 3: pressure_kPa is empty, and every row needs one; write one plain number in a cell"),
    (TWO + b"0.1,\n", "line 3: pressure_kPa is empty, and every row needs one; write one plain number in a cell"),
])
def test_what_people_write_by_hand_is_told_how_to_write_it(data: bytes, said: str) -> None:
    with pytest.raises(FileError) as caught:
        parse(data, "f.csv")
    assert f"f.csv, {said}" in str(caught.value) and "restore" not in str(caught.value)


@pytest.mark.parametrize(("line", "advice"), [
    ("test: cap", "write it like '# test: \"cap\"'"),
    ("marked: \"16 psi\"", "write it like '# marked: {\"value\": 16, \"unit\": \"psi\"}'"),
    ("marked: {\"value\": 16}", "write it like '# marked: {\"value\": 16, \"unit\": \"psi\"}'"),
    ("marked: {16 psi}", "write it like '# marked: {\"value\": 16, \"unit\": \"psi\"}'"),
    ("procedure: 60", "write it like '# procedure: {\"hold\": {\"value\": 60, \"unit\": \"s\"}}'"),
    ("recording-format: 2", "a newer version of the program may read it"),
])
def test_a_fact_written_in_another_way_is_answered_by_an_example_that_works(line: str, advice: str) -> None:
    rest = b"" if line.startswith("test") else b'# test: "cap"\n'
    with pytest.raises(FileError) as caught:
        parse(f"# {line}\n".encode() + rest, "x.csv")
    assert str(caught.value).endswith(advice) and "x.csv, line 1: " in str(caught.value)
    assert "column" not in str(caught.value) and "char " not in str(caught.value)  # those are of no line of the file
    if "'#" in advice:
        example = advice.partition("'")[2].rstrip("'")
        parse(f"{example}\n".encode() + rest + b"time_s,pressure_kPa\n", "x.csv")


def test_lines_that_end_with_cr_alone_are_named() -> None:
    with pytest.raises(FileError) as caught:
        parse((TWO + b"0.1,1\n").replace(b"\n", b"\r"), "f.csv")
    assert str(caught.value) == "f.csv: its lines end with CR alone; save it with line ends of LF"


def test_a_recording_of_ours_is_to_be_restored(tmp_path: Path) -> None:
    text = sealed(tmp_path).read_text("utf-8")
    for changed in (text.replace(",0.", ",0 .", 1), text.replace("\n0.", "\n,0.", 1)):
        with pytest.raises(FileError, match="restore it from a copy"):
            parse(changed.encode(), "f.csv")


def test_bad_rows_name_their_line(tmp_path: Path) -> None:
    data = TWO + b'0.1,1\n# mark: {"time_s": 0, "text": ""}\n0.2,x\n'
    with pytest.raises(FileError, match="line 5"):
        parse(data, "f.csv")


@pytest.mark.parametrize("data", [
    TWO + b"0.1,1\n0.2,2\n",
    TWO.replace(b"\n", b"\r\n") + b"0.1,1\r\n0.2,2\r\n",
    b"\xef\xbb\xbf" + TWO + b"0.1,1\n\n0.2,2\n",
    TWO.replace(b"_kPa", b"_kPa,note") + b'0.1,1,"a, ""b"""\n0.2,2,x\n',
    TWO + b"1e-1,1.0\n0.2,+2\n",
])
def test_plain_files_of_others_are_read(data: bytes) -> None:
    found = parse(data, strict=True)
    assert found.rows.time_s.tolist() == [0.1, 0.2]
    assert found.rows.pressure_kpa.tolist() == [1.0, 2.0]
    assert found.intact is None


@pytest.mark.parametrize("blanks", [", ", " ,", "  ,  "])
def test_blanks_around_a_number_are_no_part_of_it(blanks: str) -> None:
    head, rows = "time_s,pressure_kPa,seq,supply,flag", "0.0,0.5,1,,\n0.1,-1.25,,5.0,gap\n0.2,1e1,3,,\n"
    plain, spaced = (parse(f'# test: "cap"\n{head}\n{text}'.encode()).rows for text in (
        rows, "".join(f" {row.replace(',', blanks)} \n" for row in rows.splitlines())))
    assert plain.seq is not None and plain.supply is not None and plain.flag == spaced.flag == ["", "gap", ""]
    for name, values in (("time_s", [0.0, 0.1, 0.2]), ("pressure_kpa", [0.5, -1.25, 10.0]), ("seq", [1, -1, 3]),
                         ("supply", [np.nan, 5.0, np.nan])):
        for one in (plain, spaced):
            np.testing.assert_array_equal(getattr(one, name), values)


def test_unit_of_the_pressure_column() -> None:
    # 1 psi = 6.894757 kPa, NIST SP 811 (2008), appendix B.9
    found = parse(b'# test: "cap"\ntime_s,pressure_psi\n0,1\n')
    assert found.rows.pressure_kpa[0] == pytest.approx(6.894757, abs=1e-6)


def test_pipes_devices_folders(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "huge.csv").touch()
    os.truncate(tmp_path / "huge.csv", 5 << 30)
    for path in (tmp_path / "pipe.csv", tmp_path, Path("/dev/zero"), tmp_path / "none",
                 tmp_path / "huge.csv"):
        with pytest.raises(FileError):
            read(path)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 10**9), st.floats(-500, 500), st.integers(-1, 10**7)),
             min_size=1, max_size=40),
)
def test_text_and_back(cells: list[tuple[int, float, int]]) -> None:
    time_s = np.cumsum([c[0] for c in cells]) / 1e6
    time_s = time_s[time_s < 9e8]
    n = len(time_s)
    counts = np.array([c[2] for c in cells[:n]], np.int64)
    rows = Rows(time_s, np.array([c[1] for c in cells[:n]]), counts=counts)
    text = rows_text(rows)
    back = parse_rows(text.encode(), columns_line().split(","), "kPa")
    # Python's own float() is the outside truth: nearest float to the decimal text.
    lines = [line.split(",") for line in text.splitlines()]
    assert back.time_s.tolist() == [float(c[0]) for c in lines]
    assert [str(v) for v in back.pressure_kpa.tolist()] == [str(float(c[1])) for c in lines]
    assert back.counts is not None and back.counts.tolist() == counts.tolist()
    assert rows_text(back) == text


@settings(max_examples=80, deadline=None)
@given(
    st.integers(0, 10),
    st.lists(st.tuples(st.decimals(-90_000, 90_000, allow_nan=False, places=10), st.integers(0, 10**17)),
             min_size=1, max_size=30),
)
def test_any_number_of_digits(places: int, cells: list[tuple[Decimal, int]]) -> None:
    lines = [f"{i},{value:.{places}f},{whole}" for i, (value, whole) in enumerate(cells)]
    back = parse_rows("".join(f"{line}\n" for line in lines).encode(), ["time_s", "pressure_psi", "device_us"], "kPa")
    # Python's own float() and int() are the outside truth.
    assert list(map(str, back.pressure_kpa.tolist())) == [str(float(line.split(",")[1])) for line in lines]
    assert back.device_us is not None and back.device_us.tolist() == [whole for _, whole in cells]


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    path = sealed(tmp_path)
    before = path.read_bytes()
    with pytest.raises(StorageError):
        Writer(tmp_path, HEADER, when=WHEN, id4="4c1e")
    assert path.read_bytes() == before


def test_full_disk_leaves_whole_rows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    writer = Writer(tmp_path, HEADER, when=WHEN)
    writer.add(some_rows(10))
    real = os.write
    calls: list[int] = []

    def half(fd: int, data: memoryview) -> int:
        if calls:
            raise OSError(errno.ENOSPC, "No space left on device")
        calls.append(1)
        return real(fd, bytes(data)[: len(data) // 2])

    monkeypatch.setattr(os, "write", half)
    with pytest.raises(StorageError, match=r"disk is full; 1[1-9] rows were saved"):
        writer.add(some_rows(10, 10))
    monkeypatch.undo()
    with pytest.raises(StorageError):
        writer.add(some_rows(10, 20))
    with pytest.raises(StorageError):
        writer.seal({})
    writer.close()
    writer.close()
    found = read(writer.path)
    assert 10 < len(found.rows) == writer.rows_written < 20  # those of the last block that fitted in, too
    assert writer.size == writer.path.stat().st_size and not any("left out" in note for note in found.notes)
    assert (found.rows.time_s == some_rows(20).time_s[: len(found.rows)]).all()


def test_a_file_that_cannot_be_begun_is_let_go_of_and_taken_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    closed: list[int] = []
    real = os.close
    made: list[int] = []

    def full(fd: int, _data: memoryview) -> int:
        made.append(fd)
        raise OSError(errno.ENOSPC, "No space left on device")

    def close(fd: int) -> None:
        closed.append(fd)
        real(fd)

    monkeypatch.setattr(os, "write", full)
    monkeypatch.setattr(os, "close", close)
    with pytest.raises(StorageError, match="disk is full"):
        Writer(tmp_path, HEADER, when=WHEN)
    monkeypatch.undo()
    assert made == closed and list(tmp_path.iterdir()) == []


def test_a_real_full_device() -> None:
    from recorder.recording.writer import _storage_error

    try:
        fd = os.open("/dev/full", os.O_WRONLY)
    except OSError:
        pytest.fail("this system has no /dev/full")
    with pytest.raises(OSError) as caught:
        os.write(fd, b"x")
    os.close(fd)
    assert "disk is full" in str(_storage_error(caught.value, Path("x.csv")))


def test_a_removed_folder_is_noticed(tmp_path: Path) -> None:
    folder = tmp_path / "shop"
    now = [0.0]
    writer = Writer(folder, HEADER, when=WHEN, clock=lambda: now[0])
    writer.add(some_rows(5))
    writer.path.unlink()
    folder.rmdir()
    now[0] = 1.1
    until = time.monotonic() + 20
    with pytest.raises(StorageError, match="removed"):
        while time.monotonic() < until:  # the disk is looked at aside
            writer.flush()
            now[0] += 1.1
            time.sleep(0.01)
    writer.close()


def test_a_slow_disk_holds_nothing_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows are the system's, and outlive this program, while an fsync takes its time; its failure is told later."""
    let_go = threading.Event()
    real = os.fsync

    def slow(fd: int) -> None:
        let_go.wait(30)
        real(fd)
        raise OSError(errno.EIO, "input/output error")

    monkeypatch.setattr(os, "fsync", slow)
    now = [0.0]
    writer = Writer(tmp_path, HEADER, when=WHEN, clock=lambda: now[0])
    rows = some_rows(5)
    for i in range(20):
        now[0] += 0.5
        writer.add(Rows(rows.time_s + i, rows.pressure_kpa))
    assert len(read(writer.path).rows) == 100
    let_go.set()
    with pytest.raises(StorageError, match=r"disk failed; up to 100 rows"):
        while True:
            writer.flush()
            time.sleep(0.01)
    with pytest.raises(StorageError, match="disk failed"):
        writer.add(Rows(rows.time_s + 30, rows.pressure_kpa))
    writer.close()


def test_rows_that_could_not_be_read_back_are_refused(tmp_path: Path) -> None:
    writer = Writer(tmp_path, HEADER, when=WHEN)
    writer.add(some_rows(5))
    for bad in (some_rows(1), some_rows(1, 4), Rows(np.array([9.0]), np.array([np.nan])),
                Rows(np.array([9.0, 9.0]), np.array([1.0, 1.0]))):
        with pytest.raises(RunError):
            writer.add(bad)
    writer.add(some_rows(5, 5))
    writer.close()
    assert len(read(writer.path).rows) == 10


KILLED = """
import time
from tests.recording.test_recording_files import HEADER, some_rows
from recorder.recording import Writer
w = Writer({folder!r}, HEADER)
for i in range(100000):
    w.add(some_rows(10, 10 * i))
    print(10 * i + 10, flush=True)
    time.sleep(0.001)
"""


def test_a_killed_recorder_loses_no_row(tmp_path: Path) -> None:
    code = KILLED.format(folder=str(tmp_path))
    process = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE,
                               cwd=Path(__file__).parents[2])
    assert process.stdout is not None
    for _ in range(30):
        process.stdout.readline()
    time.sleep(0.05)
    process.send_signal(signal.SIGKILL)
    said = process.stdout.read().split()
    process.stdout.close()
    process.wait()
    (path,) = tmp_path.glob("*.csv")
    found = read(path)
    assert len(found.rows) >= (int(said[-1]) if said else 300)
    assert found.intact is None


def test_strange_text_in_annotations(tmp_path: Path) -> None:
    job = "a\nb\u2028c\x00d\udcff# judgement: {}"
    writer = Writer(tmp_path, Header("system", job=job), when=WHEN)
    writer.seal(json.loads('{"x": 1.1}'))
    found = read(writer.path, strict=True)
    assert found.header.job == job and found.intact is True


@pytest.mark.parametrize("job", ["a,=1+1,b", "a;@SUM(A1);-2", 'x",+1', "=1+1", "a, =1", "\t=1", "a,,-1"])
def test_no_cell_of_a_recording_is_a_formula(job: str, tmp_path: Path) -> None:
    """Where a spreadsheet opens the recording itself and cuts its lines at commas (or semicolons)."""
    writer = Writer(tmp_path, Header("system", job=job, calibration=Calibration((-3.0, 250.5), 0.2)), when=WHEN)
    writer.mark(Mark(0.0, job))
    writer.seal({"reasons": [job], "number": -2})
    for line in writer.path.read_text(encoding="utf-8").split("\n"):
        for cell in (cell for part in line.split(",") for cell in part.split(";")):
            assert not cell.startswith(("=", "+", "-", "@", "\t")), line
    found = read(writer.path, strict=True)
    assert found.header.job == job and found.marks[0].text == job
    assert found.header.calibration == Calibration((-3.0, 250.5), 0.2)
    assert found.judgement == {"reasons": [job], "number": -2}


@pytest.mark.parametrize("facts", [
    '# marked: {"value": -1, "unit": "psi"}', '# marked: {"value": 1e300, "unit": "kPa"}',
    '# marked: {"value": 1e6, "unit": "psi"}',
    '# calibration: {"coefficients_kPa": [1e308, 1]}',
    '# calibration: {"coefficients_kPa": [0, 1], "standard_uncertainty_kPa": -1}',
])
def test_facts_that_cannot_be_computed_with_are_refused(facts: str) -> None:
    with pytest.raises(FileError, match="line 2"):
        parse(f'# test: "cap"\n{facts}\ntime_s,pressure_kPa\n0,0\n1,0\n'.encode())


def test_facts_without_rows(tmp_path: Path) -> None:
    path = sealed(tmp_path)
    whole, facts = read(path), read(path, rows=False)
    assert len(facts.rows) == 0 and len(whole.rows) == 8
    assert (facts.header, facts.marks, facts.judgement, facts.intact, facts.sha256) == (
        whole.header, whole.marks, whole.judgement, whole.intact, whole.sha256)
    path.write_bytes(path.read_bytes().replace(b"0.020000,", b"0.02000x,", 1))
    assert read(path, rows=False).intact is False


def test_a_folder_that_is_a_file_is_said_to_be_one(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.touch()
    for folder, word in ((file, "this is a file, and no folder"), (file / "below", "is a file, and no folder")):
        with pytest.raises(StorageError, match=word) as caught:
            Writer(folder, Header("cap"))
        assert "choose another folder" in str(caught.value)
