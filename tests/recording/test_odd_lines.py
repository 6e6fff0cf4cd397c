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
    b'# mark: "drip"', b"# mark: drip", b"# mark: null", b"# mark: []",
    b'# mark: {"time_s": true, "text": "wet"}', b'# mark: {"time_s": "1", "text": "wet"}', b'# mark: {"text": "wet"}',
    b'# mark: {"time_s": 1, "text": 7}', b'# mark: {"time_s": 1e999, "text": "wet"}', b"# mark: 3",
    b'# mark: {"time_s": 1' + b"0" * 400 + b', "text": "wet"}',
])
def test_a_mark_that_says_nothing_is_left_out_and_that_is_said(line: bytes) -> None:
    """No judgement hangs on it."""
    good = b'# mark: {"time_s": 1, "text": "seen"}\n'
    found = parse(HEAD + ROWS + line + b"\n" + good, "x.csv")
    assert found.marks == (Mark(1.0, "seen"),) and len(found.rows) == 2
    [said] = [note for note in found.notes if note.startswith("line 5: ")]
    assert said.startswith("line 5: a mark has a number 'time_s' and a text 'text': ")
    assert said.endswith(" was left out")
    with pytest.raises(FileError, match=r"^x\.csv: line 5: a mark has"):
        parse(HEAD + ROWS + line + b"\n", "x.csv", strict=True)


@pytest.mark.parametrize(("line", "job", "number"), [
    (b"# job: 1042", "1042", None), (b"# job: 0042", "0042", None), (b"# id: 5", "", "5"), (b'# job: "7"', "7", None),
])
def test_a_job_or_an_id_that_is_a_number_is_its_text(line: bytes, job: str, number: str | None) -> None:
    found = parse(line + b"\n" + HEAD + ROWS, "x.csv")
    assert (found.header.job, found.header.id) == (job, number)
    assert not [note for note in found.notes if "left out" in note]


@pytest.mark.parametrize("line", [
    b"# started: 5", b"# started: today", b"# job: true", b"# job: the blue van", b"# id: [5]", b'# job: {"number": 7}',
])
def test_what_nothing_hangs_on_is_left_out_and_that_is_said(line: bytes) -> None:
    found = parse(line + b"\n" + HEAD + ROWS, "x.csv")
    assert (found.header.job, found.header.id, found.header.started) == ("", None, None) and len(found.rows) == 2
    name = line[2:].partition(b":")[0].decode()
    [said] = [note for note in found.notes if note.startswith("line 1: ")]
    assert said.startswith(f"line 1: '{name}' is ") and f"it was left out; write it like '# {name}: \"" in said
    with pytest.raises(FileError, match=r"^x\.csv: line 1: "):
        parse(line + b"\n" + HEAD + ROWS, "x.csv", strict=True)


@pytest.mark.parametrize("line", [
    b'# adapter-fault: {"time_s": null, "until_s": 3, "word": "open"}', b'# adapter-fault: {"word": "open"}',
    b'# adapter-fault: {"time_s": 1, "until_s": "2", "word": "open"}', b'# adapter-fault: {"time_s": 1}',
    b'# adapter-fault: {"time_s": true, "word": "open"}', b'# adapter-fault: {"time_s": 1e12, "word": "open"}',
    b'# adapter-fault: {"time_s": NaN, "word": "open"}',
])
def test_a_fault_that_says_nothing_is_refused(line: bytes) -> None:
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


MAILED = b'# recording-format: 1\n# adapter: {"id":\n"hose-7", "firmware": "1.0"}\n' + HEAD + ROWS + \
    b'# judgement: {"outcome": "pass"}\n# sha256: "' + b"0" * 64 + b'"\n'


@pytest.mark.parametrize(("data", "what", "do"), [
    (MAILED, "line 2: 'adapter' is", "the recording was changed; restore it from a copy"),
    (MAILED.replace(b"hose-7", b"hose\xff7"), "this is not UTF-8 text", "restore it from a copy"),
    (bytes(4096), "the file holds nothing but zero bytes", "restore it from a copy"),
    (b"> " + MAILED.replace(b"\n", b"\n> "), "this is not a recording: it has neither a line '# test: ...' nor",
     "one that was sent by mail or packed has to be as it was written"),
    (b"H4sIAAAAAAAA\nA1vYqbBc\n", "this is not a recording", "has to be as it was written"),
], ids=["its lines were wrapped", "another encoding", "zero bytes", "quoted", "packed"])
def test_nobody_is_told_to_mend_by_hand_what_a_recorder_wrote(data: bytes, what: str, do: str) -> None:
    """An editor makes it ALTERED; "add a line like '# test: ...'" was said of a file of zero bytes."""
    with pytest.raises(FileError) as refused:
        parse(data, "x.csv")
    assert what in str(refused.value).replace("x.csv, ", "") and str(refused.value).endswith(do)


def test_what_one_has_made_by_hand_is_told_how_to_write_it() -> None:
    with pytest.raises(FileError, match="add a line like '# test: "):
        parse(b"time_s,pressure_kPa\n" + ROWS, "x.csv")
    with pytest.raises(FileError, match="write it like '# adapter: "):
        parse(b"# adapter: hose-7\n" + HEAD + ROWS, "x.csv")
