"""A file that was copied is one test: in the totals, in a drift, in a job's story."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from recorder.audit import AuditRow, Totals, audit_folder, jobs_table
from recorder.audit.copies import marked_copies
from recorder.cli import main
from tests.benchmarks.made import make


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """Two tests of one job; the first one three times, once of them in a folder of its own."""
    folder = tmp_path / "shop"
    first = make(folder, 0, seconds=8, job="van")
    make(folder, 1, seconds=8, job="van")
    shutil.copy(first, folder / "z copy.csv")
    (folder / "stick").mkdir()
    shutil.copy(first, folder / "stick" / first.name)
    return folder


def run(*args: object) -> Result:
    return CliRunner().invoke(main, [*map(str, args)])


def test_a_copy_is_said_and_counts_once(shop: Path) -> None:
    first = min(p.name for p in shop.glob("*-system-*.csv"))
    done = run("audit", "--no-cache", shop)
    assert "2 recordings: 1 undecided, 1 void\nbesides 2 files with all bytes of another one" in done.stdout
    assert done.stdout.count(f"has all bytes of {first}; counted once") == 2
    assert "month 2026-03: 1 undecided, 1 void" in done.stdout
    *rows, last = (json.loads(line) for line in run("audit", "--no-cache", "--json", shop).stdout.splitlines())
    assert [row["copy_of"] and Path(row["copy_of"]).name for row in rows] == [None, None, first, first]
    assert (last["totals"]["files"], last["totals"]["copies"]) == (4, 2)
    assert last["totals"]["adapters"] == {"hose-7": {"undecided": 1, "void": 1}}
    table = csv.DictReader(io.StringIO(run("audit", "--no-cache", "--csv", shop).stdout))
    assert [bool(row["copy_of"]) for row in table] == [False, False, True, True]


def test_a_file_is_not_called_the_copy_of_its_copy(shop: Path) -> None:
    """Their order is that of names, and "0 copy.csv" comes before all that the recorder names."""
    first = min(shop.glob("*-system-*.csv"))
    shutil.copy(first, shop / "0 copy.csv")
    text = " ".join(run("audit", "--no-cache", shop).stdout.split())
    assert text.count("has all bytes of 0 copy.csv, and the name that the recorder gives; counted once") == 2
    assert text.count("has all bytes of 0 copy.csv; counted once") == 1


def test_the_same_test_with_other_bytes_is_said(shop: Path) -> None:
    """A lead who finds one altered wants to know that the whole one lies beside it."""
    first = min(shop.glob("*-system-*.csv"))
    (shop / "z cut.csv").write_bytes(first.read_bytes()[:-200])
    text = " ".join(run("audit", "--no-cache", shop).stdout.split())
    assert text.count(f"has the id of {first.name}, and other bytes") == 1
    rows = [json.loads(line) for line in run("audit", "--no-cache", "--json", shop).stdout.splitlines()[:-1]]
    assert [Path(row["file"]).name for row in rows if row["same_id"]] == ["z cut.csv"]


@pytest.mark.parametrize("name", ["0 altered.csv", "z altered.csv"], ids=["before it", "behind it"])
def test_an_altered_file_and_its_original_are_one_test_and_the_whole_one_counts(shop: Path, name: str) -> None:
    first = min(shop.glob("*-system-*.csv"))
    before = json.loads(run("audit", "--no-cache", "--json", shop).stdout.splitlines()[-1])["totals"]
    altered = first.read_bytes().replace(b'# job: "van"', b'# job: "bus"')
    assert altered != first.read_bytes()
    (shop / name).write_bytes(altered)
    done = run("audit", "--no-cache", shop)
    assert done.exit_code == 1
    text = " ".join(done.stdout.split())
    counts = "this file" if name < first.name else first.name
    assert text.count(f"changed or cut in one of them; counted once, as {counts}") == 1
    assert "besides 1 file with the id of another one and other bytes, the same test, not counted again" in text
    *rows, last = (json.loads(line) for line in run("audit", "--no-cache", "--json", shop).stdout.splitlines())
    assert [Path(row["counts_as"]).name for row in rows if row["same_id"]] == [first.name]
    after = last["totals"]
    assert after == before | {"files": before["files"] + 1, "same_tests": 1, "altered": 1}
    table = csv.DictReader(io.StringIO(run("audit", "--no-cache", "--csv", shop).stdout))
    assert [Path(row["counts_as"]).name for row in table if row["same_id"]] == [first.name]


def test_two_whole_files_with_one_id_are_named_at_the_end(shop: Path) -> None:
    """Without a ledger nothing else shows that one was changed and sealed again."""
    first = min(shop.glob("*-system-*.csv"))
    body = first.read_bytes().replace(b'# job: "van"', b'# job: "bus"').rpartition(b"# sha256: ")[0]
    (shop / "z again.csv").write_bytes(body + f'# sha256: "{hashlib.sha256(body).hexdigest()}"\n'.encode())
    (shop / "ledger.csv").unlink()
    said = run("audit", "--no-cache", shop)
    assert said.exit_code == 0 and "besides 1 file with the id of another one" in said.stdout
    end = [line for line in said.stdout.splitlines() if line.startswith("to look after: whole by its seal, as another")]
    assert len(end) == 1 and end[0].endswith("sealed again: z again.csv")


@pytest.mark.parametrize("name", ["0 altered.csv", "z altered.csv"], ids=["before it", "behind it"])
def test_a_job_is_told_by_the_whole_one(shop: Path, name: str) -> None:
    first = min(shop.glob("*-system-*.csv"))
    before = jobs_table(shop)
    (shop / name).write_bytes(first.read_bytes().replace(b'# job: "van"', b'# job: "bus"'))
    (shop / "cut.csv").write_bytes(first.read_bytes()[:-200])
    found = jobs_table(shop)
    assert [(job.job, job.state, [t.outcome for t in job.tests]) for job in found.jobs] == [
        (job.job, job.state, [t.outcome for t in job.tests]) for job in before.jobs]
    assert sorted(Path(file).name for file in found.same_tests) == sorted([name, "cut.csv"])
    done = run("jobs", shop)
    assert f"{name}: not listed, another file has its id and other bytes" in done.stderr
    assert json.loads(run("jobs", "--json", shop).stdout.splitlines()[-1])["same_tests"] == list(found.same_tests)


def test_the_cache_knows_no_copies(shop: Path, tmp_path: Path) -> None:
    kept = tmp_path / "kept.sqlite"
    rows = list(audit_folder(shop, jobs=1, cache=kept))
    assert list(audit_folder(shop, jobs=1, cache=kept)) == rows
    for path in shop.glob("*-system-*0000.csv"):
        path.unlink()  # what was the first is gone, and a copy of it is the first now
    assert [row.copy_of and Path(row.copy_of).name for row in audit_folder(shop, jobs=1, cache=kept)] == [
        None, None, "z copy.csv"]


def test_copies_make_no_drift_certain() -> None:
    """Five readings of one scatter, each ten times: no more is known than from five."""
    def totals(times: int) -> Totals:
        out = Totals()
        rows = (AuditRow(f"{i} {k}.csv", started=f"2026-0{i + 1}-01T00:00:00Z", adapter="a", zero_kpa=zero,
                         zero_uncertainty_kpa=0.01, recomputed="pass", file_sha256=f"{i:064x}")
                for k in range(times) for i, zero in enumerate((0.0, 0.3, 0.1, 0.2, 0.4, 0.35)))
        for row in marked_copies(rows):
            out.add(row)
        return out

    assert totals(10).to_json() | {"files": 6, "copies": 0} == totals(1).to_json()
    assert totals(10).copies == 54


def test_an_altered_file_has_no_outcome_and_moves_no_zero() -> None:
    totals = Totals()
    for i in range(6):
        totals.add(AuditRow(f"{i}.csv", started=f"2026-0{i + 1}-01T00:00:00Z", adapter="a", zero_kpa=10.0 * i,
                            zero_uncertainty_kpa=0.01, recomputed="pass", intact=i == 0))
    assert totals.outcomes == {"pass": 1, "altered": 5} and totals.adapters["a"] == {"pass": 1, "altered": 5}
    assert totals.drifts() == []


def test_a_copy_of_a_failed_test_is_no_second_failure(shop: Path) -> None:
    found = jobs_table(shop)
    [job] = found.jobs
    assert len(job.tests) == 2 and len(found.copies) == 2
    done = run("jobs", shop)
    assert "copies of other recordings, not listed: 2" in done.stderr


def test_a_job_names_the_recorders_own_file_and_not_a_copy(shop: Path, tmp_path: Path) -> None:
    """Whatever the order of their names: a lead opens the file that is named, and holds it against the ledger."""
    first, second = sorted(shop.glob("*-system-*.csv"))
    shutil.copy(second, shop / "0 copy.csv")
    [job] = jobs_table(shop).jobs
    assert [test.file for test in job.tests] == [str(first), str(second)]
    # below each other: the copies come first, and only the other folder has a ledger
    both = tmp_path / "both"
    (both / "backup").mkdir(parents=True)
    for file in (first, second):
        shutil.copy(file, both / "backup")
    shop.rename(both / "shop")
    found = jobs_table(both)
    [job] = found.jobs
    assert [test.file for test in job.tests] == [str(both / "shop" / file.name) for file in (first, second)]
    assert list(found.copies) == [str(both / name) for name in (
        f"backup/{first.name}", f"backup/{second.name}", "shop/0 copy.csv", "shop/z copy.csv",
        f"shop/stick/{first.name}")]
    (both / "shop" / "ledger.csv").unlink()  # then one with the recorder's name, the first
    [job] = jobs_table(both).jobs
    assert [test.file for test in job.tests] == [str(both / "backup" / file.name) for file in (first, second)]
