"""The rows of the Records place, without Qt."""

from __future__ import annotations

import dataclasses
import json
import os
import random
from pathlib import Path
from tempfile import TemporaryDirectory
from threading import Event

import pytest

from recorder.audit import find_recordings
from recorder.errors import FileError
from recorder.recording import read
from recorder.window.state.jobs import jobs_of
from recorder.window.state.opened import load, opened_screen
from recorder.window.state.records import (
    COLUMNS,
    RecordList,
    RecordRow,
    cell,
    check_again,
    list_folder,
    quick_row,
)
from tests.benchmarks.made import make

# Six samples of a file that was cut off: readable, never sealed, never judged.
CUT_OFF = """# recording-format: 1
# started: "2026-03-14T10:15:00.000Z"
# test: "cap"
# marked: {"value": 16, "unit": "psi"}
# job: "an invented van"
time_s,pressure_kPa
0.0,0.1
0.1,0.1
0.2,0.1
0.3,0.2
"""


def row(n: int, *, fall: float | None = 1.0, job: str = "a job", outcome: str = "PASS") -> RecordRow:
    return RecordRow(f"/r/{n}.csv", f"2026-03-{n % 28 + 1:02d} 10:00", job, "system", "16 psi", None, fall, outcome)


def test_a_cut_off_file_is_a_row_and_no_error(tmp_path: Path) -> None:
    (tmp_path / "20260314T101500Z-cap-aaaa.csv").write_text(CUT_OFF)
    make(tmp_path, 3)  # brings the folder's ledger with it
    assert (tmp_path / "ledger.csv").exists()
    paths = list_folder(tmp_path)
    assert len(paths) == 2
    found = quick_row(paths[0])
    assert (found.time, found.job) == ("2026-03-14 10:15", "an invented van")
    assert (found.marked, found.outcome) == ("16 psi", "unfinished")
    checked = check_again(found)
    assert (checked.intact, checked.same) == ("not sealed", "was not judged")


def test_the_table_has_the_files_that_the_audit_has(tmp_path: Path) -> None:
    """Capitals, links to folders and files, a loop, a ledger and what is only called like one."""
    shop, share = tmp_path / "shop", tmp_path / "share"
    for folder in (shop, share, shop / "old"):
        folder.mkdir()
    for path in (shop / "a.csv", shop / "B.CSV", shop / "c.txt", share / "d.csv", shop / "old" / "ledger.csv"):
        path.write_text(CUT_OFF)
    for name in ("ledger.csv", "LEDGER.CSV"):
        (shop / name).write_text("time,file,sha256,previous\n")
    (shop / "2025").symlink_to(share)
    (shop / "e.csv").symlink_to(share / "d.csv")
    (share / "back").symlink_to(shop)
    found = {str(p.relative_to(shop)) for p in list_folder(shop)}
    assert found == {str(p.relative_to(shop)) for p in find_recordings(shop)}
    assert found == {"a.csv", "B.CSV", "2025/d.csv", "e.csv", "old/ledger.csv", "LEDGER.CSV"}


def test_a_folder_below_that_one_may_not_read_is_a_line_of_the_table() -> None:
    before = os.geteuid()
    with TemporaryDirectory() as made:  # directly below a folder that everybody may read
        folder, inside = Path(made), Path(made) / "shut"
        folder.chmod(0o755)
        (folder / "a.csv").write_text(CUT_OFF)
        inside.mkdir(mode=0o000)
        try:
            if before == 0:
                os.seteuid(65534)  # root may read everything
            rows = [quick_row(path) for path in list_folder(folder)]
        finally:
            os.seteuid(before)
            inside.chmod(0o755)
    assert [(Path(r.path).name, r.outcome) for r in rows] == [("shut", "unreadable"), ("a.csv", "unfinished")]


@pytest.mark.parametrize(("started", "shown"), [
    ("2026-03-14T10:15:00.000Z", "2026-03-14 10:15"),
    ("2026-03-14T20:00:00-05:00", "2026-03-15 01:00"),  # after 2026-03-14T23:30Z, as text before it
    ("2026-03-14T23:30:00Z", "2026-03-14 23:30"),
    ("one fine morning", "one fine morning"),
])
def test_times_of_any_zone_sort(tmp_path: Path, started: str, shown: str) -> None:
    path = tmp_path / "x.csv"
    path.write_text(CUT_OFF.replace("2026-03-14T10:15:00.000Z", started))
    assert quick_row(path).time == shown


def test_what_was_over_the_limit_is_seen_in_the_table(tmp_path: Path) -> None:
    """Somebody has to look the hoses over, whatever the outcome."""
    path = make(tmp_path, 1)
    good = quick_row(path)
    over = path.with_name("20260314T101500Z-cap-over.csv")
    over.write_text(path.read_text().replace('"reasons": [', '"reasons": [{"code": "over-limit", "text": "over"}, ', 1))
    column = COLUMNS.index("outcome")

    def shown() -> str:
        return cell(dataclasses.replace(quick_row(over), intact="yes"), column, "kPa")

    assert shown() == f"{good.outcome}, OVER LIMIT"
    assert cell(good, column, "kPa") == good.outcome
    over.write_text(path.read_text().replace('"notes": [', '"notes": [{"code": "near-the-limit", "text": ""}, ', 1))
    assert shown() == f"{good.outcome}, OVER LIMIT?"


def test_an_altered_file_shows_no_outcome_before_it_was_ever_opened(tmp_path: Path) -> None:
    """It said PASS, with a tick, until somebody opened it or had all judged again."""
    path = make(tmp_path, 1)
    column = COLUMNS.index("outcome")
    assert (quick_row(path).intact, cell(quick_row(path), column, "kPa")) == ("yes", quick_row(path).outcome)
    whole = path.read_bytes()
    path.write_bytes(whole.replace(b'"outcome": "', b'"outcome":  "', 1))
    assert (quick_row(path).intact, cell(quick_row(path), column, "kPa")) == ("ALTERED", "ALTERED")
    path.write_bytes(whole[:-40])  # cut within its seal
    assert quick_row(path).intact == "…"
    long = whole.replace(b"\n# judgement: ", b"\n" + b"# padding: 0\n" * (1 << 19) + b"# judgement: ", 1)
    path.write_bytes(long)
    assert (quick_row(path).intact, quick_row(path).outcome) == ("…", quick_row(path).outcome)


def test_of_a_file_that_was_moved_away_nothing_is_known(tmp_path: Path) -> None:
    """It said "no" twice beside a PASS, as of a file that was changed."""
    path = make(tmp_path, 1)
    found = quick_row(path)
    path.rename(tmp_path / "elsewhere")
    checked = check_again(found)
    assert (checked.intact, checked.same, checked.outcome) == ("gone", "gone", found.outcome)


def test_a_fault_of_the_program_with_one_file_is_no_end_of_judging_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(_: object) -> None:
        raise ZeroDivisionError("float division by zero")

    row = dataclasses.replace(quick_row(make(tmp_path, 1)), job="")
    monkeypatch.setattr("recorder.analysis.judge", broken)
    checked = check_again(row)
    assert (checked.intact, checked.same) == ("yes", "no") and "ZeroDivisionError" in checked.job


def test_a_sealed_file_is_whole_and_the_same_and_an_altered_one_is_said(tmp_path: Path) -> None:
    path = make(tmp_path, 1)
    checked = check_again(quick_row(path))
    assert (checked.intact, checked.same) == ("yes", "yes")
    lines = path.read_text().splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith("30.0"))
    cells = lines[at].split(",")
    lines[at] = ",".join([cells[0], f"{float(cells[1]) - 30:.4f}", *cells[2:]])
    path.write_text("\n".join(lines) + "\n")
    altered = check_again(quick_row(path))
    assert altered.intact == "ALTERED"
    screen = opened_screen(load(str(path)), "kPa")
    assert "ALTERED" in screen.state
    assert (screen.result.word, screen.result.sign) == ("ALTERED", "slash")  # no tick on what was changed
    assert screen.result.reasons[0].startswith("What its rows give: ")
    assert screen.result.fewer(1, "there")[0][0] == screen.result.reasons[0]


ROWS = "time_s,pressure_kPa\n0,0\n1,1\n"


@pytest.mark.parametrize("key", ["reasons", "notes"])
@pytest.mark.parametrize("odd", [5, True, "over-limit", {"code": "over-limit"}, [5], None])
def test_a_stored_judgement_of_any_shape_is_a_row(tmp_path: Path, key: str, odd: object) -> None:
    """Another program may have written it: a number where a list belongs broke the filling of the table."""
    path = tmp_path / "odd.csv"
    stored = json.dumps({"outcome": "pass", key: odd})
    path.write_text(f'# recording-format: 1\n# test: "cap"\n{ROWS}# judgement: {stored}\n', "utf-8")
    row = quick_row(path)
    assert (row.test, row.outcome, row.over) == ("cap", "PASS", "")


@pytest.mark.parametrize(("written", "job"), [
    ('# job: "blue van"', "blue van"), ('## job: "blue van"', "blue van"), ("# job: 1042", "1042"),
    ("# job: 007", "007"), ("# job: 1.0", "1.0"),
])
def test_the_table_and_the_form_read_a_job_as_the_reader_does(tmp_path: Path, written: str, job: str) -> None:
    path = tmp_path / "by-hand.csv"
    path.write_text(f'# recording-format: 1\n## test: "cap"\n{written}\n{ROWS}', "utf-8")
    header = read(path).header
    assert (header.job, header.test) == (job, "cap") == (quick_row(path).job, quick_row(path).test)
    assert jobs_of(tmp_path, Event()) == [job]


def test_a_missing_folder_is_an_empty_one(tmp_path: Path) -> None:
    assert list_folder(tmp_path / "none") == []


def test_a_file_for_a_folder_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(FileError, match="cannot be read"):
        list_folder(tmp_path / "file")


def test_a_folder_one_may_not_read_is_said(tmp_path: Path) -> None:
    inside = tmp_path / "shut"
    inside.mkdir(mode=0o000)
    before = os.geteuid()
    try:
        if before == 0:
            tmp_path.chmod(0o755)
            os.seteuid(65534)  # root may read everything
        with pytest.raises(FileError, match="cannot be read"):
            list_folder(inside)
        with pytest.raises(FileError, match="cannot be read"):
            list_folder(inside / "deeper")
    finally:
        os.seteuid(before)
        inside.chmod(0o755)


def test_numbers_sort_as_numbers_and_absent_ones_come_last_either_way() -> None:
    rows = RecordList()
    rows.add([row(1, fall=10.0), row(2, fall=None), row(3, fall=9.0), row(4, fall=-0.1)])
    rows.sort_by(5, descending=False)
    assert [rows.row(i).fall_kpa for i in range(4)] == [-0.1, 9.0, 10.0, None]
    rows.sort_by(5, descending=True)
    assert [rows.row(i).fall_kpa for i in range(4)] == [10.0, 9.0, -0.1, None]


def test_the_filter_wants_every_word_anywhere() -> None:
    rows = RecordList()
    rows.add([row(1, job="blue van"), row(2, job="red van", outcome="FAIL"), row(3, job="blue car", outcome="FAIL")])
    rows.set_filter("FAIL blue")
    assert [rows.row(i).job for i in range(len(rows.shown))] == ["blue car"]
    rows.set_filter("")
    assert len(rows.shown) == 3
    rows.set_filter("nothing like it")
    assert rows.shown == []


def test_the_tests_of_one_adapter_are_found_and_one_that_is_opened_names_it(tmp_path: Path) -> None:
    """Whoever reads in an audit that an adapter drifted looks for what was tested with it."""
    path = make(tmp_path, 2, seconds=8)
    rows = RecordList()
    rows.add([row(1), quick_row(path)])
    for words in ("hose-7 system", path.name):
        rows.set_filter(words)
        assert [rows.row(i).path for i in range(len(rows.shown))] == [str(path)]
    assert ", adapter hose-7\n" in opened_screen(load(str(path)), "kPa").title


def test_a_better_known_row_keeps_its_place() -> None:
    rows = RecordList()
    rows.add([row(n) for n in range(20)])
    rng = random.Random(4)
    path = f"/r/{rng.randrange(20)}.csv"
    place = rows.place_of(path)
    assert place is not None
    import dataclasses

    assert rows.replace(dataclasses.replace(rows.row(place), intact="yes")) == place
    assert rows.row(place).intact == "yes"
    assert rows.replace(dataclasses.replace(row(5), path="/elsewhere")) is None


def test_an_opened_recording_says_its_numbers_in_the_unit_that_is_shown(tmp_path: Path) -> None:
    o = load(str(make(tmp_path, 2)))
    screen = opened_screen(o, "psi")
    assert "gauge 3" in screen.source and "0.058 psi" in screen.source  # 2 x 0.2 kPa
    assert {n.label for n in screen.result.numbers} >= {"highest", "leak rate", "fall in the hold", "zero"}
    assert all("kPa" not in n.text for n in screen.result.numbers)
    assert screen.strip is not None and "psi" in screen.strip.fall
    assert screen.state == "unchanged since it was sealed; judged again: the same"
