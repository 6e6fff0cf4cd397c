"""``*.csv`` names a folder's ledger too: every command that reads recordings passes it over, and says so."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from recorder.cli import main
from recorder.recording import is_ledger
from tests.benchmarks.made import make


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    make(tmp_path, 1, seconds=20, job="invented van")
    assert (tmp_path / "ledger.csv").read_text("utf-8").startswith("time,file,sha256,previous\n")
    return tmp_path


def run(*args: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in args])


def test_all_csv_files_of_a_folder_are_judged(shop: Path) -> None:
    files = sorted(shop.glob("*.csv"))
    assert len(files) == 2
    done = run("judge", "--json", *files)
    assert done.exit_code == 0
    assert [json.loads(line)["file"] for line in done.stdout.splitlines()] == [str(files[0])]
    assert done.stderr.splitlines() == [f"{shop / 'ledger.csv'}: passed over, it is the ledger of its folder"]


@pytest.mark.parametrize("args", [
    ("judge",), ("export", "--to", "sheet"), ("export", "--to", "csvw"), ("sheet", "-o", "OUT.html"),
])
def test_other_commands_pass_it_over(shop: Path, args: tuple[str, ...]) -> None:
    more = [str(shop / a) if a.startswith("OUT") else a for a in args]
    done = run(*more, *sorted(shop.glob("*.csv")))
    assert done.exit_code == 0, done.output
    assert "passed over" in done.stderr and len(done.stderr.splitlines()) == 1


@pytest.mark.parametrize("args", [
    ("picture",), ("picture", "-o", "OUT.svg"), ("export", "--to", "csvw"), ("export", "--to", "sheet"),
    ("sheet", "-o", "OUT.html"), ("judge",), ("judge", "--json"),
])
def test_the_ledger_alone_is_an_error(shop: Path, args: tuple[str, ...]) -> None:
    before = sorted(shop.iterdir())
    done = run(*(shop / a if a.startswith("OUT") else a for a in args), shop / "ledger.csv")
    assert done.exit_code == 2 and done.stdout == ""
    assert done.stderr.splitlines() == [
        f"{shop / 'ledger.csv'}: this is the ledger of its folder, and no recording; name a recording"]
    assert sorted(shop.iterdir()) == before


def test_a_ledger_is_no_capture(shop: Path) -> None:
    done = run("conform", shop / "ledger.csv")
    assert done.exit_code == 2 and done.stdout == ""
    assert done.stderr.splitlines() == [
        f"{shop / 'ledger.csv'}: this is the ledger of its folder, and nothing that an adapter sent; "
        "name a file of bytes that were captured"]


def test_folders_are_read_without_it(shop: Path) -> None:
    *rows, last = (json.loads(x) for x in run("audit", "--json", "--no-cache", shop).stdout.splitlines())
    assert len(rows) == 1 and last["ledgers"][0]["lines"] == 1
    [job, rest] = (json.loads(x) for x in run("jobs", "--json", shop).stdout.splitlines())
    assert len(job["tests"]) == 1 and rest == {
        "without_job": 0, "unreadable": [], "of_any_job": [], "copies": [], "same_tests": [], "look_alikes": [],
        "other_order": [], "other_marking": []}


def test_a_recording_of_that_name_is_none(shop: Path) -> None:
    """Known by its first line as well: nothing is hidden by being called ledger.csv."""
    (path,) = shop.glob("*-*.csv")
    other = shop / "sub"
    other.mkdir()
    named = other / "ledger.csv"
    named.write_bytes(path.read_bytes())
    assert not is_ledger(named) and not is_ledger(other / "none.csv") and not is_ledger(other)
    assert run("judge", named).exit_code == 0
    assert len(run("audit", "--json", "--no-cache", shop).stdout.splitlines()) == 3
    for cut in (b"", b"time,fi", b"time,file,sha256,previous\r\n"):
        named.write_bytes(cut)
        assert is_ledger(named)
