"""Lines that somebody has written or changed: each is read as it stands, or refused with its line."""

from __future__ import annotations

import pytest

from recorder.errors import FileError
from recorder.model import FaultRun, Mark
from recorder.recording import parse
from recorder.recording.foreign import column_names

HEAD = b'# test: "cap"\ntime_s,pressure_kPa,seq\n'
ROWS = b"0,1,1\n1,2,2\n"


@pytest.mark.parametrize("line", [
    b'# mark: {"time_s": true, "text": "wet"}', b'# mark: {"time_s": "1", "text": "wet"}', b'# mark: {"text": "wet"}',
    b'# mark: {"time_s": 1, "text": 7}', b'# mark: {"time_s": 1e999, "text": "wet"}', b"# mark: 3",
    b'# mark: {"time_s": 1' + b"0" * 400 + b', "text": "wet"}',
    b'# adapter-fault: {"time_s": null, "until_s": 3, "word": "open"}', b'# adapter-fault: {"word": "open"}',
    b'# adapter-fault: {"time_s": 1, "until_s": "2", "word": "open"}', b'# adapter-fault: {"time_s": 1}',
    b'# adapter-fault: {"time_s": true, "word": "open"}', b'# adapter-fault: {"time_s": 1e12, "word": "open"}',
    b'# adapter-fault: {"time_s": NaN, "word": "open"}',
])
def test_a_mark_or_fault_that_says_nothing_is_refused(line: bytes) -> None:
    with pytest.raises(FileError, match=r"^x\.csv, line 5: "):
        parse(HEAD + ROWS + line + b"\n", "x.csv")


def test_marks_and_faults_are_read_as_they_stand() -> None:
    found = parse(HEAD + ROWS + b'# mark: {"time_s": 1}\n'
                  b'# adapter-fault: {"time_s": 0.5, "word": "open"}\n'
                  b'# adapter-fault: {"time_s": 0.5, "until_s": 2, "lines": 4, "word": "open"}\n', "x.csv")
    assert found.marks == (Mark(1.0, ""),)
    assert found.faults == (FaultRun(0.5, "open"), FaultRun(0.5, "open", 2.0, 4))


@pytest.mark.parametrize("cell", ["9223372036854775808", "-9223372036854775808", "-99999999999999999999", "1.0", "1e3"])
def test_whole_numbers_that_are_none_or_too_large(cell: str) -> None:
    """64 bits hold less than 2^63."""
    with pytest.raises(FileError, match=r"line 4: seq is '.*', which is not a whole number"):
        parse(HEAD + f"0,1,1\n1,2,{cell}\n".encode(), "x.csv")


@pytest.mark.parametrize("cell", ["1e19", "-1e19", "nan", "inf", "0x10", "1_0", ""])
def test_pressures_that_are_none(cell: str) -> None:
    with pytest.raises(FileError, match=r"line 4: pressure_kPa is "):
        parse(HEAD + f"0,1,1\n1,{cell},2\n".encode(), "x.csv")


@pytest.mark.parametrize(("row", "said"), [
    ("2,150000,3", "line 5: the pressure is 150000 kPa, which no cooling system has; check the unit"),
    ("2,-150000,3", "line 5: the pressure is -150000 kPa"),
    ("1e10,2,3", r"line 5: time_s is 1e\+10, which no test lasts"),
    ("1,2,3", "line 5: time_s is 1.000000, the same as the row above"), ("0.5,2,3", "line 5: .*before the row above"),
])
def test_rows_that_no_test_has(row: str, said: str) -> None:
    with pytest.raises(FileError, match=said):
        parse(HEAD + ROWS + row.encode() + b"\n", "x.csv")


def test_blank_lines_before_the_header_row() -> None:
    data = b'# test: "cap"\n\n  \ntime_s,pressure_kPa,mine\n' + ROWS
    assert len(parse(data, "x.csv").rows) == 2
    assert column_names(data) == ["time_s", "pressure_kPa", "mine"]
    assert column_names(b'# test: "cap"\n') == []


def test_a_calibration_without_coefficients_names_its_line() -> None:
    with pytest.raises(FileError, match=r"line 1: .*coefficients_kPa is missing"):
        parse(b'# calibration: {"date": "2026-01-01"}\n' + HEAD + ROWS, "x.csv")


@pytest.mark.parametrize(("data", "said"), [
    (b"", "the file is empty"),
    (b'# test: "cap"\ntime_s,pressure\n0,1\n', "the header row begins 'time_s,pressure'"),
    (b'# test: "cap"\nt,pressure_kPa\n0,1\n', "the header row begins 't,pressure_kPa'"),
    (b'# test: "cap"\ntime_s\n0\n', "the header row begins 'time_s'"),
    (b'# test: "cap"\ntime_s;pressure_kPa\n0;1\n', "separated by semicolons"),
    (b'# test: "cap"\ntime_s\tpressure_kPa\n0\t1\n', "separated by tabs"),
    (b'# test: "cap"\n"time_s";"pressure_kPa"\n0;1\n', "separated by semicolons"),
    (b'# test: "cap"\ntime_s,pressure_kPa,seq,seq\n0,1,2,3\n', "two columns have the same name"),
])
def test_what_is_no_table_of_readings(data: bytes, said: str) -> None:
    with pytest.raises(FileError, match=said):
        parse(data, "x.csv")
