"""Recordings that a spreadsheet or an editor saved again: named as such, counted as altered, judged by nobody.

The saving is done by Python's csv module and by pandas, which know nothing of this program.
"""

from __future__ import annotations

import codecs
import csv
import io
import json
import shutil
import tracemalloc
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from recorder.audit import audit_bytes, jobs_table
from recorder.audit.jobs import JobTest, job_state
from recorder.cli import main
from recorder.errors import FileError
from recorder.recording import legible, parse
from recorder.window.state.records import check_again, quick_row
from tests.benchmarks.made import make

SAID = "saved again by a spreadsheet or editor"
DO = "restore the original from a copy"
JOB = "1042 blue van"
QUOTING = {"what needs it": csv.QUOTE_MINIMAL, "all": csv.QUOTE_ALL, "text": csv.QUOTE_NONNUMERIC}


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make(tmp_path_factory.mktemp("resaved"), 3, seconds=20, job=JOB)


def resaved(
    data: bytes, *, opened: str = ",", mark: str = ",", quoting: int = csv.QUOTE_MINIMAL, end: str = "\r\n",
    encoding: str = "utf-8", fill: bool = True, comma: bool = False,
) -> bytes:
    """As a spreadsheet that splits at ``opened`` has the cells, and saves them. comma: decimal commas in the rows."""
    rows = [line.split(opened) for line in data.decode().splitlines()]
    wide = max(map(len, (row for row in rows if not row[0].startswith("#"))))
    out = io.StringIO()
    writer = csv.writer(out, delimiter=mark, quoting=quoting, lineterminator=end)  # type: ignore[arg-type]
    for cells in rows:
        if comma and not cells[0].startswith("#"):
            cells = [cell.replace(".", ",") for cell in cells]
        writer.writerow([*cells, *[""] * (wide - len(cells))] if fill else cells)
    return out.getvalue().encode(encoding)


def is_named(data: bytes) -> None:
    """The one line says it; the audit counts it as altered, and judges nothing."""
    with pytest.raises(FileError) as caught:
        parse(data, "x.csv")
    said = str(caught.value)
    assert SAID in said and DO in said and "seal no longer fits" in said and "\n" not in said
    assert caught.value.line >= 1 and "add a line" not in said and "newer version" not in said
    row = audit_bytes(data, "x.csv")
    assert row.error == said and row.intact is False and row.recomputed is None and not row.good
    assert row.where and all(" from byte " in place for place in row.where)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(opened=st.sampled_from(",;"), mark=st.sampled_from(",;\t|"), quoting=st.sampled_from(sorted(QUOTING)),
       end=st.sampled_from(["\n", "\r\n"]), fill=st.booleans(), comma=st.booleans(),
       encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32"]))
def test_in_whatever_way_it_is_saved(
    sealed: Path, opened: str, mark: str, quoting: str, end: str, fill: bool, comma: bool, encoding: str
) -> None:
    data = resaved(sealed.read_bytes(), opened=opened, mark=mark, quoting=QUOTING[quoting], end=end, fill=fill,
                   comma=comma, encoding=encoding)
    is_named(data)
    seen = legible(data)
    assert seen.text("test") == "system" and seen.text("job") == JOB
    assert seen.text("started") == parse(sealed.read_bytes()).header.started


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be"])
def test_a_text_of_another_encoding_alone(sealed: Path, encoding: str) -> None:
    data = sealed.read_text("utf-8").encode(encoding)
    is_named(data)
    assert audit_bytes(data, "x.csv").where == (f"line 1, from byte 0: its text was saved as {encoding[:6].upper()}",)


def test_line_ends_of_cr_alone(sealed: Path) -> None:
    is_named(sealed.read_bytes().replace(b"\n", b"\r"))


@pytest.mark.parametrize(("reading", "writing"), [
    ({"sep": ","}, {}), ({"sep": ","}, {"header": False}), ({"sep": ";"}, {"sep": ";"}), ({"sep": ","}, {"sep": "\t"}),
    ({"sep": ","}, {"index": True}), ({"sep": ","}, {"quoting": csv.QUOTE_ALL}), ({"sep": ","}, {"encoding": "utf-16"}),
    ({"sep": ","}, {"encoding": "utf-8-sig"}), ({"sep": ","}, {"sep": ";", "decimal": ","}),
])
def test_saved_again_by_pandas(
    sealed: Path, tmp_path: Path, reading: dict[str, str], writing: dict[str, object]
) -> None:
    table = pd.read_csv(sealed, header=None, names=range(99), dtype=object, **reading)  # type: ignore[call-overload]
    out = tmp_path / "x.csv"
    table.to_csv(out, **{"index": False, **writing})
    is_named(out.read_bytes())


@pytest.mark.parametrize("index", [False, True])
def test_the_table_alone_is_altered_where_the_ledger_lists_it(sealed: Path, tmp_path: Path, index: bool) -> None:
    """pandas leaves the lines with '#' out; nothing of a seal is left in the file then."""
    shop = tmp_path / "shop"
    shutil.copytree(sealed.parent, shop)
    pd.read_csv(sealed, comment="#").to_csv(shop / sealed.name, index=index)
    data = (shop / sealed.name).read_bytes()
    with pytest.raises(FileError, match=r"the table of a recording alone.*annotations were left out.*" + DO):
        parse(data)
    assert audit_bytes(data, "x.csv").intact is None
    done = CliRunner().invoke(main, ["audit", "--no-cache", str(shop)])
    assert done.exit_code == 1 and "altered: 1; " in done.stdout and "cannot be used: 1; " in done.stdout
    assert "its folder's ledger lists it" in " ".join(done.stdout.split())
    (shop / "ledger.csv").unlink()
    assert "altered: 0; " in CliRunner().invoke(main, ["audit", "--no-cache", str(shop)]).stdout


@pytest.mark.parametrize("content", [b"", b"a,b\n1,2\n"])
def test_whatever_stands_in_the_place_of_a_listed_file_is_altered(sealed: Path, tmp_path: Path, content: bytes) -> None:
    shutil.copytree(sealed.parent, tmp_path / "shop")
    (tmp_path / "shop" / sealed.name).write_bytes(content)
    (tmp_path / "shop" / "other.csv").write_bytes(content + b"\n")
    done = CliRunner().invoke(main, ["audit", "--no-cache", "--json", str(tmp_path / "shop")])
    first, second, rest = map(json.loads, done.stdout.splitlines())
    assert first["intact"] is False and second["intact"] is None
    assert rest["totals"]["altered"] == 1 and rest["totals"]["errors"] == 2


BANK = "\n".join(["Booked;Text;Amount", *(f'0{n}.03.2026;"# invoice {n}: ""paid""";{n},50' for n in range(1, 9))])


@pytest.mark.parametrize("data", [
    b"a,b\n1,2\n", BANK.encode(), BANK.encode("utf-8-sig"), BANK.encode("utf-16"), BANK.replace(";", ",").encode(),
    b'"# exported","2026"\r\n"time","value"\r\n"1","2"\r\n', b"# id: 12,,,\nname,age,,\nx,3,,\n",
    b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 40, b"# test: \"engine\",,,\ntime;value\n", b"\n" * 2000, b"\0" * 999,
    b'"' * 5000, b"#" * 5000, codecs.BOM_UTF16_LE, b"milk\n", b"time_s,value\n1,2\n", b"time_s,pressure_kPa\n0,0\n",
    b"file,x.csv\r\nseal,sealed and unchanged\r\ntest,cap\r\n\r\ntime_s,pressure_kPa,seq,device_us,host_s,counts\r\n",
])
def test_what_is_no_recording_is_called_none(data: bytes) -> None:
    with pytest.raises(FileError) as caught:
        parse(data, "x.csv")
    said = str(caught.value)
    assert "spreadsheet" not in said and "seal" not in said
    row = audit_bytes(data, "x.csv")
    assert row.error == said and row.intact is None and row.where == () and row.job == ""


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=600) | st.text(alphabet='#"\',;\t: \r\n\ufeffab01{}[]\\', max_size=300).map(str.encode))
def test_no_bytes_break_it_or_are_called_a_recording(data: bytes) -> None:
    assert not legible(data).resaved and not legible(data, data).resaved
    audit_bytes(data, "x.csv")


def test_what_another_program_wrote_keeps_the_advice_of_the_reader() -> None:
    with pytest.raises(FileError, match="separated by semicolons; separate them by commas"):
        parse(b'# test: "cap"\ntime_s;pressure_kPa\n0,0;1,5\n')
    with pytest.raises(FileError, match=r"in a way that no recording has.*take away with a text editor") as caught:
        parse(b'"# test: ""cap"""\r\ntime_s,pressure_kPa\r\n0,0\r\n')
    assert "seal" not in str(caught.value)
    assert audit_bytes(b'"# test: ""cap"""\r\ntime_s,pressure_kPa\r\n0,0\r\n', "x.csv").intact is None


def test_time_and_memory_do_not_grow_with_the_file(sealed: Path) -> None:
    """Looked at are both ends. A file of 48 MB: no more is taken for it than for one of half a megabyte, twice."""
    data = resaved(sealed.read_bytes())
    cut = data.rindex(b'"# judgement')
    rows = data[data.index(b"time_s"):cut]
    long = data[:cut] + rows * (48_000_000 // len(rows)) + data[cut:]
    peaks = []
    for one in (data[:cut] + rows * (500_000 // len(rows)) + data[cut:], long, b"\n" * 48_000_000, b'"' * 48_000_000):
        tracemalloc.start()
        seen = legible(one)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert seen.resaved == (one[:1] == b"#")
    assert peaks[1] < 2 * peaks[0] and max(peaks) < 10_000_000


def test_a_text_that_can_be_read_in_two_ways_is_not_guessed_at(tmp_path: Path) -> None:
    """A job with a comma, split at it and saved with semicolons: whether a semicolon stood there nobody can tell."""
    data = make(tmp_path, 1, seconds=8, job="van, blue").read_bytes()
    assert legible(resaved(data)).text("job") == "van, blue"
    assert legible(resaved(data, mark=";")).text("job") is None
    other = make(tmp_path, 2, seconds=8, job="M\u00fcller").read_bytes()
    assert legible(resaved(other)).text("job") == "M\u00fcller"
    assert legible(other.decode("cp1252").encode()).text("job") is None  # taken for letters of one byte each
    assert legible(other.decode().encode("cp1252")).text("job") is None


@pytest.mark.parametrize("command", ["judge", "picture", "sheet", "export"])
def test_every_command_says_it_in_one_line(sealed: Path, tmp_path: Path, command: str) -> None:
    file = tmp_path / "x.csv"
    file.write_bytes(resaved(sealed.read_bytes(), mark=";", comma=True))
    more = {"sheet": ["-o", str(tmp_path / "x.html")], "export": ["--to", "sheet"]}.get(command, [])
    done = CliRunner().invoke(main, [command, str(file), *more])
    assert done.exit_code == 2 and done.stdout == ""
    [line] = done.stderr.splitlines()
    assert line.startswith(f"{file}, line 1: ") and SAID in line and line.endswith(DO)


def test_the_window_says_it(sealed: Path, tmp_path: Path) -> None:
    file = tmp_path / "x.csv"
    for data in (resaved(sealed.read_bytes()), sealed.read_text("utf-8").encode("utf-16")):
        file.write_bytes(data)
        row = check_again(quick_row(file))
        assert (row.outcome, row.intact, row.same, row.test) == ("unreadable", "ALTERED", "no", "system")
        assert row.job == f"{JOB}: {SAID}" and row.time == "2026-03-01 03:00"


# ---------------------------------------------------------------- jobs


def jobs(folder: Path) -> tuple[str, str]:
    done = CliRunner().invoke(main, ["jobs", str(folder)])
    assert done.exit_code == 2
    return done.stdout, done.stderr


def test_a_job_whose_test_cannot_be_read_is_not_done(tmp_path: Path) -> None:
    files = [make(tmp_path, seed, seconds=8, job=job) for seed, job in enumerate((JOB, JOB, "1043 red estate"))]
    files[1].write_bytes(resaved(files[1].read_bytes()))
    found = {job.job: job for job in jobs_table(tmp_path).jobs}
    assert found[JOB].state == "cannot be told" and found["1043 red estate"].state != "cannot be told"
    assert [test.outcome for test in found[JOB].tests][1] == "cannot be read"
    said, error = jobs(tmp_path)
    assert "1 cannot be told" in said and "1 recording among the tests above cannot be read" in said
    assert "may belong to any job" not in said and files[1].name in error and SAID in error
    done = CliRunner().invoke(main, ["jobs", "--json", str(tmp_path)])
    assert json.loads(done.stdout.splitlines()[-1])["of_any_job"] == []


def test_a_file_that_may_belong_to_any_job_is_said_on_standard_output(tmp_path: Path) -> None:
    make(tmp_path, 0, seconds=8, job=JOB)
    lost = make(tmp_path, 1, seconds=8, job=JOB)
    pd.read_csv(lost, comment="#").to_csv(lost, index=False)
    (tmp_path / "scribble.csv").write_text("a,b\n1,2\n", "utf-8")
    said, _ = jobs(tmp_path)
    assert "2 files cannot be read and may belong to any job" in said and "among the tests above" not in said
    done = CliRunner().invoke(main, ["jobs", "--json", str(tmp_path)])
    rest = json.loads(done.stdout.splitlines()[-1])
    assert rest["of_any_job"] == [str(lost), str(tmp_path / "scribble.csv")] and len(rest["unreadable"]) == 2


def test_a_job_is_told_by_the_whole_one_where_a_spreadsheet_saved_it_again_beside_it(tmp_path: Path) -> None:
    """Nothing is lost then, whatever that file has become; without the whole one nobody can tell."""
    path = make(tmp_path, 0, seconds=8, job=JOB)
    before = jobs_table(tmp_path)
    for name, mark in (("0 copy.csv", ","), ("z copy.csv", ";")):
        (tmp_path / name).write_bytes(resaved(path.read_bytes(), mark=mark))
    found = jobs_table(tmp_path)
    assert found.jobs == before.jobs and found.unreadable == found.of_any_job == ()
    assert [Path(file).name for file in found.same_tests] == ["0 copy.csv", "z copy.csv"]
    done = CliRunner().invoke(main, ["jobs", str(tmp_path)])
    assert done.exit_code == 0 and "0 copy.csv: not listed, another file has its id and other bytes" in done.stderr
    path.unlink()
    [job] = jobs_table(tmp_path).jobs
    assert job.state == "cannot be told" and len(jobs_table(tmp_path).unreadable) == 2


def test_the_name_tells_time_and_kind_where_the_lines_do_not(tmp_path: Path) -> None:
    path = make(tmp_path, 5, seconds=8, job=JOB)
    lines = resaved(path.read_bytes()).splitlines(keepends=True)
    path.write_bytes(b"".join(line for line in lines if b"# started" not in line and b"# test" not in line))
    [job] = jobs_table(tmp_path).jobs
    assert (job.tests[0].test, job.tests[0].started, job.state) == ("system", "2026-03-01T05:00:00Z", "cannot be told")


@pytest.mark.parametrize(("tests", "state"), [
    ("cap lost,system fail,system pass", "cannot be told"), ("system pass,cap lost", "cannot be told"),
    ("system lost,system pass", "cannot be told"), ("system fail,system lost", "cannot be told"),
    ("system lost,system fail", "not retested"), ("system fail,system lost,system fail", "still leaking"),
    ("system fail,? lost", "cannot be told"), ("cap fail,system lost", "not retested"),
    ("tester lost,system pass", "done"), ("cap undecided,system lost", "cannot be told"),
])
def test_states_of_jobs_with_a_test_that_cannot_be_read(tests: str, state: str) -> None:
    made = []
    for i, (kind, outcome) in enumerate(one.split() for one in tests.split(",")):
        made.append(JobTest(f"{i}.csv", f"2026-01-0{i + 1}T09:00:00Z", "" if kind == "?" else kind,
                            "cannot be read" if outcome == "lost" else outcome))
    assert job_state(made) == state


def test_a_test_at_an_unknown_time_that_cannot_be_read_may_be_the_last() -> None:
    tests = [JobTest("0.csv", "2026-01-01T09:00:00Z", "system", "fail"),
             JobTest("1.csv", "", "system", "cannot be read")]
    assert job_state(tests) == "cannot be told"


# ---------------------------------------------------------------- the ledger's lines


def test_entries_and_lines_of_a_ledger_are_told_apart(tmp_path: Path) -> None:
    for seed in range(3):
        make(tmp_path, seed, seconds=8)
    first = CliRunner().invoke(main, ["audit", "--no-cache", str(tmp_path)]).stdout
    assert "ledger.csv: 3 entries, the last on line 4 of the file, last hash " in first
    noted = first.split("last hash ")[1].split()[0]
    again = CliRunner().invoke(main, ["audit", "--no-cache", "--last-hash", noted, str(tmp_path)])
    assert f"the noted hash {noted} is that of line 4 of the file" in again.stdout and again.exit_code == 0
    given = CliRunner().invoke(main, ["audit", "--no-cache", "--json", "--last-hash", noted, str(tmp_path)]).stdout
    rest = json.loads(given.splitlines()[-1])
    assert (rest["ledgers"][0]["lines"], rest["ledgers"][0]["last_line"], rest["noted"][0]["line"]) == (3, 4, 4)
