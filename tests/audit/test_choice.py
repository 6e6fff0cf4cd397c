"""Of many files those of one job, one adapter, some days: listed and added up; the ledgers are checked of all."""

from __future__ import annotations

import csv
import io
import json
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result

from recorder.audit import AuditRow, Totals
from recorder.audit.choice import Choice
from recorder.audit.copies import marked_copies
from recorder.cli import _audit_table, main
from recorder.model import Calibration, Header, Rows
from recorder.recording import Writer
from tests.benchmarks.made import make


def run(*args: object) -> Result:
    return CliRunner().invoke(main, [*map(str, args)])


def audit(*args: object) -> Result:
    return run("audit", "--no-cache", *args)


def other(folder: Path, day: int, *, adapter: str = "hose-8", job: str = "red estate") -> Path:
    """A void test of another adapter, on a day of April."""
    header = Header("system", job=job, adapter={"id": adapter, "full_scale_counts": 4095},
                    calibration=Calibration((0.0, 1.0), 0.1, "2026-01-02", "gauge 3"))
    writer = Writer(folder, header, when=datetime(2026, 4, day, 12, tzinfo=UTC), id4=f"{day:04x}")
    writer.add(Rows(np.arange(5.0), np.zeros(5)))
    writer.flush(now=True)
    writer.close()
    return writer.path


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    for seed in range(2):
        make(tmp_path / "shop", seed, seconds=8, job="1042 blue van")
    for day in (1, 2, 3):
        other(tmp_path / "shop", day)
    return tmp_path / "shop"


@pytest.mark.parametrize(("asked", "count"), [
    (["--job", "Blue  VAN"], 2), (["--job", "estate"], 3), (["--adapter", "HOSE-8"], 3), (["--adapter", "hose"], 0),
    (["--since", "2026-04-02"], 2), (["--until", "2026-04-02"], 4),
    (["--since", "2026-04-02", "--until", "2026-04-02", "--adapter", "hose-8"], 1),
])
def test_what_is_chosen_is_listed_and_added_up(shop: Path, asked: list[str], count: int) -> None:
    text = audit(shop, *asked)
    assert text.exit_code == 0
    table = text.stdout.partition(" recording")[0]
    assert table.count(".csv") == count
    assert f"\n{count} recording" in f"\n{text.stdout}"
    assert f"left out: {5 - count} of 5 files (" in text.stdout and "checked of all files all the same" in text.stdout
    end = text.stdout.splitlines()[-1]
    assert end == ("in order, of what was chosen: nothing differs or was altered" if count else
                   "no file was chosen; the ledgers are in order")
    *rows, last = (json.loads(line) for line in audit(shop, "--json", *asked).stdout.splitlines())
    assert len(rows) == last["totals"]["files"] == count and last["chosen"]["left_out"] == 5 - count
    sheet = audit(shop, "--csv", *asked)
    assert len(list(csv.DictReader(io.StringIO(sheet.stdout)))) == count and "left out: " in sheet.stderr


def test_nothing_chosen_is_all_as_ever(shop: Path) -> None:
    assert "left out" not in audit(shop).stdout
    assert set(json.loads(audit(shop, "--json").stdout.splitlines()[-1])) == {
        "totals", "ledgers", "without_ledger", "noted"}


def test_what_is_wrong_among_what_is_left_out_is_named_and_the_ledger_is_of_all(shop: Path) -> None:
    first, second = sorted(shop.glob("202603*.csv"))
    first.write_bytes(first.read_bytes().replace(b"blue van", b"blue can"))
    done = audit(shop, "--adapter", "hose-8")
    assert done.exit_code == 1  # the ledger does not agree with it, whoever is asked for
    assert f"left out, and not in order: {first.name}\n" in done.stdout
    assert done.stdout.splitlines()[-1] == "NOT IN ORDER: a ledger; see above"
    (shop / "ledger.csv").unlink()
    assert audit(shop, "--adapter", "hose-8").exit_code == 0
    assert audit(shop, "--adapter", "hose-7").exit_code == 1
    second.write_bytes(second.read_bytes().replace(b"# recording-format: 1", b"# recording-format: 9"))
    done = audit(shop, "--adapter", "hose-8")  # whose it is cannot be told: it may be one of hose-8
    assert done.exit_code == 1 and f"cannot be used: {second.name}" in done.stdout


def test_a_noted_hash_is_looked_for_in_all_ledgers(shop: Path) -> None:
    noted = json.loads(audit(shop, "--json").stdout.splitlines()[-1])["ledgers"][0]["last_hash"]
    assert audit(shop, "--adapter", "hose-8", "--last-hash", noted).exit_code == 0
    assert audit(shop, "--adapter", "hose-8", "--last-hash", "0" * 64).exit_code == 1


def row(file: str, **given: Any) -> AuditRow:
    return AuditRow(file, **{"id": "x", "file_sha256": file.encode().hex(), "recomputed": "pass", "intact": True,
                             "started": "2026-03-02T09:00:00Z", **given})


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("wanted", ["van", "estate"])
def test_one_id_in_a_chosen_and_in_another_file(wanted: str, turned: bool) -> None:
    """Which of two counts is told among the chosen ones: the chosen one counts, and the other is named."""
    given = [row("a.csv", job="van"), row("b.csv", job="estate", intact=False)]
    choice, totals = Choice(job=wanted), Totals()
    chosen = [c for r in marked_copies(given[::-1] if turned else given) if (c := choice.of(r)) is not None]
    for one in chosen:
        totals.add(one)
    assert [one.job for one in chosen] == [wanted] and chosen[0].same_id is None
    assert (totals.files, totals.same_tests, sum(totals.outcomes.values())) == (1, 0, 1)
    pair = [("a.csv", "b.csv")] if wanted == "van" else [("b.csv", "a.csv")]
    assert choice.across == pair and choice.wrong == (["b.csv"] if wanted == "van" else [])


def test_of_three_with_one_id_the_whole_one_that_is_chosen_counts() -> None:
    given = [row("a.csv", job="estate"), row("b.csv", job="van", intact=False), row("c.csv", job="van"),
             row("d.csv", job="van")]
    choice, totals = Choice(job="van"), Totals()
    chosen = [c for r in marked_copies(given) if (c := choice.of(r)) is not None]
    for one in chosen:
        totals.add(one)
    assert [(one.file, one.same_id, one.counts_as) for one in chosen] == [
        ("b.csv", None, None), ("c.csv", "b.csv", "c.csv"), ("d.csv", "b.csv", "c.csv")]
    assert totals.outcomes == {"pass": 1} and totals.same_tests == 2 and totals.altered == 1


@pytest.mark.parametrize(("given", "choice", "taken"), [
    ({"started": "2026-03-02T20:00:00-05:00"}, Choice(since=date(2026, 3, 3)), True),  # 01:00 of the next day in UTC
    ({"started": "yesterday"}, Choice(since=date(2030, 1, 1)), True),
    ({"started": None}, Choice(until=date(1990, 1, 1)), True),
    ({"error": "no recording"}, Choice(job="van"), True), ({"error": "no", "job": "estate"}, Choice(job="van"), False),
    ({"error": "no recording"}, Choice(adapter="hose-7"), True), ({}, Choice(adapter="hose-7"), False),
    ({}, Choice(job="van"), False), ({"job": "Mu\u0308ller"}, Choice(job="m\u00fcll"), True),
])
def test_what_may_be_one_of_them_is_chosen(given: dict[str, Any], choice: Choice, taken: bool) -> None:
    assert choice.takes(row("a.csv", **given)) is taken


@pytest.mark.parametrize("asked", [["--since", "yesterday"], ["--until", "2026-02-30"],
                                   ["--until", "2026-03-01", "--since", "2026-03-02"]])
def test_a_day_that_is_none_is_wrong_usage(shop: Path, asked: list[str]) -> None:
    for name in ("audit", "jobs"):
        done = run(name, shop, *asked)
        assert done.exit_code == 2 and asked[1] in done.stderr and done.stdout == ""


def test_many_with_one_remark_about_their_gauge_are_one_line(
    shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(_audit_table, "_LIST_ALL", 3)
    monkeypatch.setattr(_audit_table, "_FOLD", 3)

    def listed(*rows: AuditRow, every: bool = False) -> tuple[list[str], list[str]]:
        one = _audit_table.Listed(every=every)
        for r in rows:
            one.add(r)
        return [r.file for r in one.rows()], list(one.said())

    old = [row(f"{i}.csv", calibration="out of date") for i in range(5)]
    # of these there is something else to say: not a word of it is folded away
    more = [row("a.csv", calibration="out of date", holes=2), row("b.csv", calibration="out of date", intact=False),
            row("c.csv", calibration="out of date", same=False),
            row("d.csv", seal_missing=True, calibration="out of date"), row("e.csv", calibration="made later"),
            row("f.csv", calibration="another adapter")]
    files, said = listed(*old, row("z.csv"), *more)
    assert files == [f"{name}.csv" for name in "abcdef"]
    assert said == ["5 files: calibration out of date, and nothing else; listed with --all",
                    "listed are 6 recordings of which there is something else to say; --all, --csv or --json list all"]
    assert listed(*old, *more, every=True) == ([*(r.file for r in old), *(f"{n}.csv" for n in "abcdef")], [])
    assert listed(*old[:3]) == (["0.csv", "1.csv", "2.csv"], [])  # a table of few has all
    assert listed(*old[:3], *(row(f"{n}.csv") for n in "uvw"))[0] == ["0.csv", "1.csv", "2.csv"]  # few with a remark


def test_jobs_that_are_open_or_of_some_days(shop: Path) -> None:
    make(shop, 30, seconds=8, job="1042 blue van")  # on the second of March
    for asked, names in ((["--since", "2026-04-01"], ["red estate"]), (["--until", "2026-03-01"], ["1042 blue van"]),
                         (["--open"], ["red estate", "1042 blue van"]), (["--until", "2026-02-01"], [])):
        done = run("jobs", "--json", shop, *asked)
        *jobs, rest = (json.loads(line) for line in done.stdout.splitlines())
        assert [job["job"] for job in jobs] == names and rest["left_out"] == 2 - len(names)
        assert all(len(job["tests"]) == 3 for job in jobs)  # all of them: a state is of the whole job
        text = run("jobs", shop, *asked).stdout
        assert (f"; {2 - len(names)} left out" in text) is (len(names) < 2)
    assert "left out" not in run("jobs", shop).stdout


def test_the_first_of_one_id_is_named_whichever_counts() -> None:
    choice = Choice(job="van")
    sums = {"a.csv": "a" * 64, "b.csv": "b" * 64, "c.csv": "c" * 64}
    rows = [AuditRow(file, id="1", job=job, intact=whole, file_sha256=sums[file])
            for file, job, whole in (("a.csv", "van", None), ("b.csv", "van", True), ("c.csv", "estate", True))]
    taken = [row for row in map(choice.of, marked_copies(rows)) if row is not None]
    assert [(row.file, row.same_id, row.counts_as) for row in taken] == \
        [("a.csv", None, None), ("b.csv", "a.csv", "b.csv")]
    assert choice.across == [("a.csv", "c.csv")]
