"""What is wrong stands at the end, however long the table; and what is simulated is never taken for a car's."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from recorder.audit.trend import Drift
from recorder.cli import _audit_table, main
from recorder.cli._audit_ledgers import Ledgers
from recorder.cli._audit_words import Worst
from recorder.cli._tables import fitting
from recorder.model import Header, Rows
from recorder.recording import Writer
from tests.benchmarks.made import make
from tests.test_picture import hold_alone

SHOP = {"count": 5}
ROOT = Path(__file__).parents[2]
LONG = "a name that somebody made up in a file manager, with the car and the day and all else (final) (2).csv"


def run(*args: object) -> Result:
    return CliRunner().invoke(main, ["audit", "--no-cache", *map(str, args)])


def alter(path: Path) -> None:
    path.write_bytes(path.read_bytes().replace(b'"van"', b'"car"'))


def test_the_last_line_says_whether_all_is_in_order(shop: Path) -> None:
    assert run(shop).stdout.splitlines()[-1] == "in order: nothing differs or was altered"
    *_, fourth, last = sorted(shop.glob("*-system-*.csv"))
    alter(last)
    done = run(shop)
    assert done.exit_code == 1
    assert done.stdout.splitlines()[-2:] == [f"altered: {last.name}", "NOT IN ORDER: recordings, a ledger; see above"]
    assert run(shop, "--csv").stderr.splitlines()[-1].startswith("NOT IN ORDER")
    last.unlink()
    fourth.write_bytes(b"")
    done = run(shop, "--last-hash", "0" * 64)
    assert f"cannot be used: {fourth.name}" in done.stdout
    assert done.stdout.splitlines()[-2:] == [
        f"in the ledger and not in the folder: {last.name}",
        "NOT IN ORDER: recordings, a ledger, a noted hash; see above"]


def test_of_several_ledgers_the_last_line_names_those_that_are_not_in_order(tmp_path: Path) -> None:
    for month in ("2026-03", "2026-04", "2026-05"):
        gone = make(tmp_path / month, 0, seconds=8)
        make(tmp_path / month, 1, seconds=8)
        if month != "2026-04":
            gone.unlink()
    end = [line.replace("\\", "/") for line in run(tmp_path).stdout.splitlines()[-2:]]
    assert end == [f"in the ledger and not in the folder: 2026-03/{gone.name}, 2026-05/{gone.name}",
                   "NOT IN ORDER: the ledgers of 2026-03, 2026-05; see above"]


def test_an_adapter_that_drifts_is_named_at_the_end() -> None:
    """Above it stands a line for each month and each ledger."""
    drifts = [Drift("hose-7", "zero", 40, 300.0, 4.0, 0.1, 2.6), Drift("hose-8", "zero", 40, 300.0, 0.1, 0.1, 2.6)]
    said = list(Worst().lines(files=3, good=True, ledgers=Ledgers((), (), ()), drifts=drifts))
    assert said == ["to look after: adapters that drift: hose-7 (its zero)", "in order: nothing differs or was altered"]


def test_a_folder_without_recordings_is_not_called_in_order(tmp_path: Path) -> None:
    done = run(tmp_path)
    assert done.exit_code == 0 and done.stdout.splitlines()[-1] == "there is no recording below this folder"


def test_a_calibration_that_was_due_is_named_by_its_file(tmp_path: Path) -> None:
    path = make(tmp_path, 0, seconds=8)
    path.write_bytes(path.read_bytes().replace(b'"2026-01-02"', b'"2021-01-02"'))
    (tmp_path / "ledger.csv").unlink()
    path.write_bytes(path.read_bytes().rpartition(b"# judgement: ")[0])  # else it would be altered
    *_, said, last = run(tmp_path).stdout.splitlines()
    assert said == f"to look after: made after the calibration was due: {path.name}"
    assert last == "in order: nothing differs or was altered"


def test_of_more_files_than_a_table_holds_those_that_are_wrong_are_listed(
    shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(_audit_table, "_LIST_ALL", 3)
    monkeypatch.setattr(_audit_table, "_LIST_MOST", 3)
    paths = sorted(shop.glob("*-system-*.csv"))
    alter(paths[-1])  # beside it two whose hold was cut short
    for i in range(4):  # of each there is something to say, and they come first
        (shop / f"0 other {i}.csv").write_text('# test: "cap"\ntime_s,pressure_kPa\n' + f"{i},0\n", "utf-8")
    text = run(shop).stdout
    assert f"{paths[-1].name}  " in text and "0 other 1.csv" in text and "0 other 2.csv" not in text
    assert "listed are 3 recordings of which there is something to say, and 4 more are not; --all, --csv or" in text
    assert "0 other 2.csv" in run(shop, "--all").stdout and "listed are" not in run(shop, "--all").stdout


def test_one_long_name_takes_no_column_from_the_others() -> None:
    head = ("file", "job", "stored", "again")
    rows = [("20260301T000000Z-system-0000.csv", "van", "pass", "pass"), (LONG, "x" * 300, "pass", "fail"),
            ("é" * 90, "", "", "")]
    lines = [line for one in fitting(head, rows, ["", "odd", "gone"], 80, ("job",)) for line in one]
    assert lines[0].split() == ["file", "job", "stored", "again"]
    assert lines[1].split() == ["20260301T000000Z-system-0000.csv", "van", "pass", "pass"]
    assert lines[2] == LONG and lines[3].split() == ["x" * 19 + "…", "pass", "fail"]  # whole, to be copied
    assert lines[3].index("fail") == lines[0].index("again") and lines[4:] == ["    odd", "é" * 90, "    gone"]
    wide = [line for one in fitting(head, rows, ["", "", ""], 200, ("job",)) for line in one]
    assert wide[3].split() == ["x" * 49 + "…", "pass", "fail"]


def test_a_column_without_room_takes_none_from_those_that_have() -> None:
    """A long job at 80 columns is cut; where even that has no room, opening and fall still stand."""
    head = ("file", "started", "job", "opened kPa", "fall kPa/min", "stored", "again")
    rows = [("20260301T000000Z-system-0000.csv", "2026-03-01 00:00", "the blue van of the lane " * 9, "109.01", "0.07",
             "pass", "pass")]
    leave_out = ("started", "fall kPa/min", "opened kPa", "job")

    def shown(width: int) -> str:
        lines = [line for one in fitting(head, rows, [""], width, leave_out) for line in one]
        assert max(map(len, lines)) <= width
        return lines[1]

    assert shown(80).split() == [rows[0][0], "the", "blue", "van", "of", "the…", "pass", "pass"]
    assert shown(60).split() == [rows[0][0], "109.01", "pass", "pass"]
    assert shown(140).split()[:3] == [rows[0][0], "2026-03-01", "00:00"]


def test_a_name_in_a_remark_is_not_torn_apart() -> None:
    name = "20260301T000000Z-system-0000-and-more.csv"
    [_, lines] = fitting(("file",), [("a",)], [f"a copy of the test of the day before {name}"], 50, ())
    assert any(name in line for line in lines)


def test_simulated_tests_are_said_and_counted(tmp_path: Path) -> None:
    writer = Writer(tmp_path, Header("cap", other={"simulated": True}), when=datetime(2026, 3, 1, tzinfo=UTC))
    writer.add(Rows(np.arange(20) / 10, np.zeros(20)))
    writer.close()
    done = run(tmp_path)
    assert "    SIMULATED; " in done.stdout and "of these, SIMULATED: 1 (no real vehicle was tested)" in done.stdout
    assert run(tmp_path, "--csv").stdout.splitlines()[1].endswith(",True,,no ledger in its folder,,,,,,")


def test_a_hold_without_zero_and_peak_goes_through_everything(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A recording begun and ended under pressure: void, and a hold in it."""
    recording, analyser = hold_alone()
    writer = Writer(tmp_path, recording.header, when=datetime(2026, 3, 1, tzinfo=UTC))
    writer.add(recording.rows)
    writer.seal(analyser.judgement().to_json())
    monkeypatch.setattr("recorder.audit.row.judge", lambda recording: analyser.judgement())
    done = run(tmp_path)
    assert done.exit_code == 0 and "3.00  void    void" in done.stdout and "cut short: the" not in done.stdout
    assert ",3.0,void,void,True," in run(tmp_path, "--csv").stdout
    row, last = map(json.loads, run(tmp_path, "--json").stdout.splitlines())
    assert (row["zero_kpa"], row["opening_kpa"], row["rate_kpa_per_min"]) == (None, None, 3.0)
    assert last["totals"]["outcomes"] == {"void": 1} and last["totals"]["drifts"] == []
    jobs = CliRunner().invoke(main, ["jobs", str(tmp_path)])
    assert jobs.exit_code == 0 and "system void" in jobs.stdout and "not decided" in jobs.stdout
    for form in ("sheet", "parquet", "csvw"):
        out = CliRunner().invoke(main, ["export", "--to", form, str(writer.path)])
        assert out.exit_code == 0, out.output


def test_what_is_no_text_is_shown_as_it_is_written(tmp_path: Path) -> None:
    path = tmp_path / "odd.csv"
    path.write_text('# test: "cap"\n# job: "van"\n# adapter: {"id": {"no": true}}\n# repair: [null]\n'
                    'time_s,pressure_kPa\n0,0\n1,1\n# judgement: {"outcome": ["a"]}\n', "utf-8")
    text = run(tmp_path).stdout + CliRunner().invoke(main, ["jobs", str(tmp_path)]).stdout
    assert CliRunner().invoke(main, ["export", "--to", "sheet", str(path)]).exit_code == 0
    text += (tmp_path / "odd.sheet.txt").read_text("utf-8-sig")
    assert '{"no": true}' in text and '["a"]' in text and '{""no"": true}' in text and "[null]" in text
    assert "True" not in text and "None" not in text and "['a']" not in text


@pytest.mark.skipif(sys.platform == "win32", reason="pipes end otherwise there")
@pytest.mark.parametrize("form", [[], ["--json"], ["--csv"]])
def test_a_reader_that_goes_away_is_told_by_the_exit_alone(shop: Path, form: list[str]) -> None:
    (shop / "long.csv").write_text(f'# test: "cap"\n# job: "{"x" * 200_000}"\ntime_s,pressure_kPa\n', "utf-8")
    with subprocess.Popen([sys.executable, "-m", "recorder", "audit", "--no-cache", str(shop), *form], cwd=ROOT,
                          stdout=subprocess.PIPE, stderr=subprocess.PIPE) as running:
        assert running.stdout is not None and running.stderr is not None
        running.stdout.close()
        said = running.stderr.read().decode()
    assert running.returncode == 141 and said == ""
