"""Where an altered recording differs: line and byte, as far as the file itself can show."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from recorder.audit import audit_bytes
from recorder.cli import main
from recorder.model import Announcement, Header, Rows, SampleBlock
from recorder.recording import Writer, read, verify_raw
from recorder.wire import Timeline
from tests.benchmarks.made import make


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return make(tmp_path_factory.mktemp("altered"), 3, seconds=20).read_bytes()


def where(data: bytes) -> tuple[str, ...]:
    row = audit_bytes(data, "x.csv")
    assert row.intact is False and not row.good and row.where
    return row.where


def test_an_unaltered_file_has_no_places(sealed: bytes) -> None:
    row = audit_bytes(sealed, "x.csv")
    assert row.intact is True and row.where == () and row.raw == () and row.good


@pytest.mark.parametrize("column", [0, 1, 3, 5])
def test_one_changed_cell_is_found_at_its_line_and_byte(sealed: bytes, column: int) -> None:
    """Time, pressure, adapter clock and counts: each is held by another column."""
    lines = sealed.split(b"\n")
    first = next(i for i, raw in enumerate(lines) if raw[:1].isdigit())
    number = first + 400
    cells = lines[number].split(b",")
    cells[column] = {0: b"%.6f" % (float(cells[0]) + 0.005), 1: b"%.4f" % (float(cells[1]) + 0.5)}.get(
        column, b"%d" % (int(float(cells[column])) + 7))
    lines[number] = b",".join(cells)
    data = b"\n".join(lines)
    at = len(b"\n".join(lines[:number])) + 1
    assert where(data)[0].startswith(f"line {number + 1}, from byte {at}: ")


def test_two_times_that_differ_in_their_last_place_are_told_apart(sealed: bytes) -> None:
    """A microsecond of a long time: six digits would show the same number twice."""
    lines = sealed.split(b"\n")
    number = next(i for i, raw in enumerate(lines) if raw[:1].isdigit()) + 600
    cells = lines[number].split(b",")
    assert float(cells[0]) > 10
    cells[3] = b"%d" % (int(cells[3]) + 7)
    lines[number] = b",".join(cells)
    [said] = [text for text in where(b"\n".join(lines)) if "time_s of row" in text]
    stored, own = said.partition(" is ")[2].split(" (")[0].split(", its raw columns give ")
    assert float(own) - float(stored) == pytest.approx(7e-6, rel=1e-3)


def test_rows_taken_out_or_swapped_are_found(sealed: bytes) -> None:
    lines = sealed.split(b"\n")
    number = next(i for i, raw in enumerate(lines) if raw[:1].isdigit()) + 200
    assert f"line {number + 1}," in where(b"\n".join(lines[:number] + lines[number + 2:]))[0]
    assert "sequence number" in where(b"\n".join(lines[:number] + lines[number + 2:]))[0]


def test_a_row_written_in_another_way_is_found_to_the_byte(sealed: bytes) -> None:
    lines = sealed.split(b"\n")
    number = next(i for i, raw in enumerate(lines) if raw[:1].isdigit()) + 100
    time_s, rest = lines[number].split(b",", 1)
    lines[number] = time_s.rstrip(b"0") + b"," + rest  # as a spreadsheet saves it
    at = len(b"\n".join(lines[:number])) + 1 + len(time_s.rstrip(b"0"))
    assert where(b"\n".join(lines))[0].startswith(f"line {number + 1}, byte {at}: not as the recorder writes")


def test_changed_line_ends_are_named(sealed: bytes) -> None:
    assert where(sealed.replace(b"\n", b"\r\n"))[0].startswith("line 1, byte ")


def test_a_changed_judgement_and_a_changed_text(sealed: bytes) -> None:
    assert "judgement" in where(sealed.replace(b'"strokes": ', b'"strokes": 1', 1))[0]
    (only,) = where(sealed.replace(b'"job 3"', b'"job 8"'))
    assert "only a copy can show where" in only


@pytest.mark.parametrize(("old", "new", "said"), [
    (b'# started: "2026-03-01', b'# started: "2025-03-01', "started is '2025-03-01T03:00:00.000Z', and its id is 2026"),
    (b'# started: "2026-03-01T03:00:00.000Z"', b'# started: "yesterday"', "started is 'yesterday', and its id is 2026"),
    (b'# id: "20260301T03', b'# id: "20260301T04', "started is '2026-03-01T03:00:00.000Z', and its id is 20260301T04"),
    (b'# marked: {"value": 100', b'# marked: {"value": 80', 'marked is {"value": 80.0, "unit": "kPa"}, and the stored '
     'judgement was made with {"value": 100'),
    (b'# test: "system"', b'# test: "cap"', "test is 'cap', and the stored judgement was made with 'system'"),
])
def test_a_line_of_the_header_that_something_contradicts_is_found(
    sealed: bytes, old: bytes, new: bytes, said: str
) -> None:
    """A test moved into the time of its calibration, or judged by another marking."""
    data = sealed.replace(old, new, 1)
    name = b"# started" if b"# id" in old else old[: old.index(b":")]
    line = data.count(b"\n", 0, data.index(name)) + 1
    assert [text for text in where(data) if text.startswith(f"line {line}, from byte {data.index(name)}: {said}")]


@pytest.mark.parametrize(("column", "text"), [(4, b"1.000000"), (7, b"21.50"), (8, b"gap")])
def test_of_a_cell_that_nothing_holds_nothing_untrue_is_said(sealed: bytes, column: int, text: bytes) -> None:
    lines = sealed.split(b"\n")
    number = next(i for i, raw in enumerate(lines) if raw[:1].isdigit()) + 40
    cells = lines[number].split(b",")
    cells[column] = text
    (only,) = where(b"\n".join([*lines[:number], b",".join(cells), *lines[number + 1:]]))
    assert "a host time, supply, temperature or flag; the seal itself" in only


def test_a_changed_seal_is_among_what_may_have_been_changed(sealed: bytes) -> None:
    end = b"1" if sealed[-3:-2] != b"1" else b"2"
    (only,) = where(sealed[:-3] + end + b'"\n')
    assert "the seal itself" in only


@pytest.mark.parametrize("more", [b'# mark: {"time_s": 5.0, "text": "x"}\n', b"99.0,1.0,,,,,,,\n", b"\n", b"x"])
def test_what_was_added_after_the_seal_is_named(sealed: bytes, more: bytes) -> None:
    """The bytes before it still have their seal, so the place is known, and that it is the only one."""
    assert where(sealed + more) == (f"line {sealed.count(bytes([10])) + 1}, byte {len(sealed)}: added after the seal; "
                                    "all before it is what was sealed",)


def test_what_readers_pass_over_is_named(sealed: bytes) -> None:
    lines = sealed.split(b"\n")
    at = len(b"\n".join(lines[:60])) + 1
    empty = b"\n".join([*lines[:60], b"", *lines[60:]])
    rest = "without this it is what was sealed"
    mark = b"\xef\xbb\xbf"
    assert where(empty) == (f"line 61, byte {at}: an empty line was put in (1 in all)", rest)
    assert where(mark + sealed) == ("line 1, byte 0: a byte order mark was put in", rest)
    assert where((mark + empty).replace(b"\n", b"\r\n"))[-1] == rest
    both = where(empty.replace(b'"job 3"', b'"job 8"'))
    assert both == (f"line 61, byte {at}: an empty line was put in (1 in all)",)


def test_a_doubled_row_is_found_by_its_sequence(sealed: bytes) -> None:
    lines = sealed.split(b"\n")
    n = next(i for i, raw in enumerate(lines) if raw[:1].isdigit()) + 30
    data = b"\n".join([*lines[:n], lines[n], *lines[n:]])
    first, at = where(data)[0], len(b"\n".join(lines[: n + 1])) + 1
    assert first.startswith(f"line {n + 2}, from byte {at}: rows are missing or moved")
    assert "its sequence number is 30 where 31 follows" in first
    assert audit_bytes(data, "x.csv").intact is False


def test_rows_that_cannot_be_read_any_more_are_altered_too(sealed: bytes, tmp_path: Path) -> None:
    """Two rows swapped: time goes back, and the seal says that this was not so before."""
    lines = sealed.split(b"\n")
    n = next(i for i, raw in enumerate(lines) if raw[:1].isdigit()) + 30
    data = b"\n".join([*lines[:n], lines[n + 1], lines[n], *lines[n + 2:]])
    assert where(data) == (f"line {n + 2}, from byte {len(chr(10).encode().join([*lines[:n], lines[n + 1]])) + 1}: "
                           "from here it cannot be read",)
    row = audit_bytes(data, "x.csv")
    assert row.error and "swapped?" not in row.error and row.job == "job 3" and row.stored is not None
    (tmp_path / "x.csv").write_bytes(data)
    said = CliRunner().invoke(main, ["audit", "--no-cache", str(tmp_path)]).stdout
    assert "altered: 1; " in said and "cannot be used: 1; " in said
    assert f"\n    line {n + 2}: time_s is" in said


def test_a_sealed_file_that_cannot_be_read_is_not_called_altered() -> None:
    """A foreign file with a true seal, and one that was never sealed."""
    body = b'# test: "cap"\ntime_s,pressure_kPa\n1,0\n0,0\n'
    sha = hashlib.sha256(body).hexdigest()
    row = audit_bytes(body + f'# sha256: "{sha}"\n'.encode(), "x.csv")
    assert row.error and row.intact is True and row.sha256 == sha and row.where == ()
    assert audit_bytes(body, "x.csv").intact is None


def test_a_file_from_another_program_was_not_cut_off(tmp_path: Path) -> None:
    """Two columns and a test line are a recording (contract, section 2): nobody was to seal it."""
    rows = "".join(f"{i / 10:.1f},{min(i, 100)}\n" for i in range(400))
    text = f'# test: "system"\n# job: "7"\ntime_s,pressure_kPa\n{rows}'
    row = audit_bytes(text.encode(), "x.csv")
    assert row.error is None and row.intact is None and not row.cut
    assert audit_bytes(text.encode()[:-2], "x.csv").cut
    own = f'# id: "20260314T101500Z-4c1e"\n{text}'
    assert audit_bytes(own.encode(), "x.csv").cut
    (tmp_path / "x.csv").write_text(text, "utf-8")
    said = CliRunner().invoke(main, ["audit", str(tmp_path), "--no-cache"]).stdout
    assert "neither id nor seal: from another program" in said and "cut off: 0;" in said
    assert "system not judged" in CliRunner().invoke(main, ["jobs", str(tmp_path)]).stdout


def test_honest_losses_are_no_alteration(tmp_path: Path) -> None:
    """Samples that the line lost, a restart and a wrapped sequence: the recorder's own flags explain them."""
    line = Timeline()
    line.announce(Announcement(1, "hose-7", "1.0", 4095, 50))
    seq = np.concatenate([np.arange(65500, 65536), np.arange(0, 60), np.arange(75, 90), np.arange(0, 20)])
    clock = np.concatenate([np.arange(0, 96), np.arange(111, 126), np.arange(0, 20)]) * 20000
    rows: list[tuple[float, ...]] = []
    flags: list[str] = []
    for a, b in ((0, 50), (50, 111), (111, 131)):
        if a == 111:
            line.announce(Announcement(1, "hose-7", "1.0", 4095, 50))
        n = b - a
        nothing = np.full(n, np.nan)
        block = SampleBlock(seq[a:b], clock[a:b], np.full(n, 500), nothing, nothing)
        done = line.add(block, 10.0 + b * 0.02)
        flags += list(done.flags or [""] * len(done))
        rows += zip(done.time_s, done.host_s, done.seq, done.device_us, strict=True)  # type: ignore[arg-type]
    t, host, s, d = np.array(rows).T
    assert {"gap", "restart"} <= {word for flag in flags for word in flag.split("+")}
    writer = Writer(tmp_path, Header("system"))
    writer.add(Rows(t, np.zeros(len(t)), s.astype(int), d.astype(int), host, np.full(len(t), 500), flag=flags))
    writer.close()
    assert verify_raw(read(writer.path)) == []


def _resealed(data: bytes) -> bytes:
    body = data[:data.index(b"# sha256: ")]
    return body + f'# sha256: "{hashlib.sha256(body).hexdigest()}"\n'.encode()


@pytest.mark.parametrize("without", ["nothing", "seq"])
def test_a_time_that_was_changed_is_seen_without_sequence_numbers_too(sealed: bytes, without: str) -> None:
    lines = sealed.split(b"\n")
    rows = [i for i, raw in enumerate(lines) if raw[:1].isdigit()]
    for i in rows:
        cells = lines[i].split(b",")
        if without == "seq":
            cells[2] = b""
        if i == rows[99]:
            cells[0] = b"%.6f" % (float(cells[0]) + 0.004)
        lines[i] = b",".join(cells)
    (said,) = audit_bytes(_resealed(b"\n".join(lines)), "x.csv").raw
    assert said.startswith("time_s of row 100 is 1.984, its raw columns give 1.98 "), said


def _fewer_places(data: bytes, unit: str, per_kpa: float, places: int) -> bytes:
    """The same rows as another program may write them: their pressures in this unit, to so many decimals."""
    lines = data.split(b"\n")
    for i, raw in enumerate(lines):
        if raw[:1].isdigit():
            cells = raw.split(b",")
            cells[1] = b"%.*f" % (places, float(cells[1]) * per_kpa)
            lines[i] = b",".join(cells)
    return _resealed(b"\n".join(lines).replace(b",pressure_kPa,", f",pressure_{unit},".encode(), 1))


@pytest.mark.parametrize(("unit", "per_kpa"), [("kPa", 1.0), ("psi", 1 / 6.894757293168)])  # NIST SP 811, B.8
@pytest.mark.parametrize("places", [2, 3, 4])
def test_pressures_that_another_program_wrote_to_fewer_decimals_are_what_their_counts_say(
    sealed: bytes, unit: str, per_kpa: float, places: int
) -> None:
    data = _fewer_places(sealed, unit, per_kpa, places)
    assert audit_bytes(data, "x.csv").raw == ()
    lines = data.split(b"\n")
    number = next(i for i, raw in enumerate(lines) if raw[:1].isdigit()) + 400
    cells = lines[number].split(b",")
    cells[1] = b"%.*f" % (places, float(cells[1]) + 2.5 * 10.0**-places)
    lines[number] = b",".join(cells)
    assert audit_bytes(_resealed(b"\n".join(lines)), "x.csv").raw[0].startswith("pressure of row 401 ")


def test_pressures_without_their_decimals_differ(sealed: bytes) -> None:
    assert audit_bytes(_fewer_places(sealed, "kPa", 1.0, 0), "x.csv").raw[0].startswith("pressure of row ")


def test_a_seal_without_a_judgement_is_held_against_its_bytes(sealed: bytes) -> None:
    """Section 2 of the recording's format: sha256 is of every byte before it, whatever these are."""
    bare = _resealed(sealed[:sealed.index(b"# judgement: ")] + b"# sha256: ")
    row = audit_bytes(bare, "x.csv")
    assert row.intact is True and row.good and row.cut and "without a judgement" in " ".join(row.notes)
    number = bare.rindex(b"\n", 0, bare.index(b"# sha256: ") - 1) - 3
    assert audit_bytes(bare[:number] + b"9" + bare[number + 1:], "x.csv").intact is False


def test_a_clock_that_is_missing_from_one_row_does_not_hide_a_time_that_was_changed(sealed: bytes) -> None:
    """One empty cell had nothing of the times computed again; the seal made anew, nothing else tells of it."""
    lines = sealed.split(b"\n")
    row = [i for i, raw in enumerate(lines) if raw[:1].isdigit()][99]
    cells = lines[row].split(b",")
    cells[3] = b""
    lines[row] = b",".join(cells)
    found = audit_bytes(_resealed(b"\n".join(lines)), "x.csv")
    assert any("a clock is missing from row 100" in said for said in found.raw)
