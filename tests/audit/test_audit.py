"""The audit on real files, through the command and its functions."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from recorder.audit import Totals, audit_bytes, audit_folder, find_recordings
from recorder.audit.cache import Cache, key_of
from recorder.cli import main
from recorder.errors import FileError
from recorder.recording import differing_keys
from tests.benchmarks.made import make

SHOP = {"seconds": 30, "job": ""}


def run(*args: str) -> tuple[int, str]:
    # by way of the group: a command that was called by itself has options for help of its own from then on
    result = CliRunner().invoke(main, ["audit", *args, "--no-cache"])
    assert isinstance(result.exception, SystemExit | None), result.output
    return result.exit_code, result.output


def test_a_clean_folder(shop: Path) -> None:
    (shop / "loop").symlink_to(shop)
    code, text = run(str(shop), "--json")
    *rows, last = (json.loads(line) for line in text.splitlines())
    assert code == 0
    assert [r["same"] for r in rows] == [True] * 3
    assert [r["intact"] for r in rows] == [True] * 3
    assert [r["raw"] for r in rows] == [[]] * 3
    assert [r["calibration"] for r in rows] == ["in date"] * 3
    assert last["totals"]["files"] == 3 and last["totals"]["months"]["2026-03"]
    assert last["ledgers"][0]["lines"] == 3 and last["ledgers"][0]["last_hash"]


def test_what_was_changed_is_found(shop: Path) -> None:
    paths = sorted(p for p in shop.glob("*system*.csv"))
    data = paths[0].read_bytes()
    lines = data.split(b"\n")
    cells = lines[300].split(b",")
    cells[1] = b"55.5000"
    paths[0].write_bytes(b"\n".join([*lines[:300], b",".join(cells), *lines[301:]]))
    paths[1].unlink()
    paths[2].rename(shop / "renamed.csv")
    code, text = run(str(shop), "--json")
    rows = [json.loads(line) for line in text.splitlines()]
    assert code == 1
    assert rows[0]["intact"] is False and "pressure of row" in rows[0]["raw"][0]
    ledger = rows[-1]["ledgers"][0]
    assert ledger["missing"] == [paths[1].name, paths[2].name]
    assert ledger["added"] == ["renamed.csv"] and ledger["altered"] == [paths[0].name]
    assert "ALTERED" in run(str(shop))[1]
    at = data.index(lines[300])
    assert rows[0]["where"][0].startswith(f"line 301, from byte {at}: pressure of row ")


def test_a_stored_judgement_that_is_not_the_traces_is_found(shop: Path) -> None:
    path = next(find_recordings(shop))
    data = path.read_bytes()
    start = data.index(b"# judgement: ") + 13
    stored = json.loads(data[start : data.index(b"\n", start)])
    stored["strokes"] += 1
    stored["phases"][0]["end_s"] += 1e-9
    changed = data[:start] + json.dumps(stored).encode() + data[data.index(b"\n", start) :]
    row = audit_bytes(changed, "x.csv")
    assert row.same is False and row.intact is False
    assert set(row.differing) == {"strokes", "phases[0].end_s"}


def test_how_a_judgement_differs_is_said_in_every_form(shop: Path) -> None:
    for path, change in zip(sorted(shop.glob("2*.csv")), ((b'"strokes": ', b'"strokes": 1'), (b"", b""),
                                                          (b'"outcome": "', b'"outcome": "un')), strict=True):
        body = path.read_bytes().rpartition(b"# sha256: ")[0]
        head = b'# recorder: {"version": "0.0.9", "numpy": "1.26.0", "scipy": "1.11.0"}\n'
        body = (head if change[0] == b'"strokes": ' else b"") + body.replace(*change)
        path.write_bytes(body + b'# sha256: "%s"\n' % hashlib.sha256(body).hexdigest().encode())
    (shop / "ledger.csv").unlink()
    digits, _, outcome = (path.name for path in sorted(shop.glob("2*.csv")))
    words = ["same outcome, other digits", None, "another outcome"]
    code, text = run(str(shop))
    by = "0.0.9, numpy 1.26.0, scipy 1.11.0"
    said = " ".join(text.split())
    assert code == 1 and "another outcome than stored: 1; same outcome, other digits: 1; " in text
    assert f"DIFFERS, same outcome, other digits (judged by another version: {by}): strokes" in said
    assert "DIFFERS, another outcome: outcome" in said
    assert f"judged by another version of the program, {by}: 1; digits may differ for that alone" in text
    assert text.splitlines()[-3:-1] == [
        f"other digits than its stored judgement, same outcome: {digits} (judged by {by})",
        f"another outcome than its stored judgement: {outcome}"]
    *rows, last = (json.loads(line) for line in run(str(shop), "--json")[1].splitlines())
    assert [row["difference"] for row in rows] == words and [row["same"] for row in rows] == [False, True, False]
    assert [row["other_program"] for row in rows] == [True, None, None] and rows[0]["program"] == by
    assert (last["totals"]["other_outcome"], last["totals"]["other_digits"]) == (1, 1)
    assert last["totals"]["other_program"] == {by: 1}
    done = CliRunner().invoke(main, ["audit", str(shop), "--csv", "--no-cache"])
    table = list(csv.DictReader(io.StringIO(done.stdout)))
    assert [row["difference"] for row in table] == [word or "" for word in words]
    assert [row["program"] for row in table] == [by, "", ""]


def test_a_time_that_is_not_the_clocks_is_found(shop: Path) -> None:
    path = next(find_recordings(shop))
    lines = path.read_bytes().split(b"\n")
    cells = lines[200].split(b",")
    cells[0] = b"%.6f" % (float(cells[0]) + 0.001)
    row = audit_bytes(b"\n".join([*lines[:200], b",".join(cells), *lines[201:]]), "x.csv")
    assert any(text.startswith("time_s") for text in row.raw)


def test_cut_and_strange_files_are_rows_not_crashes(shop: Path) -> None:
    data = next(find_recordings(shop)).read_bytes()
    cut = audit_bytes(data[: len(data) // 2], "x.csv")
    assert cut.cut and cut.intact is None and cut.error is None and cut.recomputed
    for junk in (b"", b"a,b\n1,2\n", b"\xff\xfe",
                 b'# test: "cap"\n# procedure: {"hold": "x"}\ntime_s,pressure_kPa\n0,1\n'):
        row = audit_bytes(junk, "x.csv")
        assert row.error and "\n" not in row.error and not row.good


def test_workers_and_cache_give_the_same_rows(shop: Path, tmp_path: Path) -> None:
    for seed in range(3, 36):
        make(shop, seed, seconds=4)
    alone = list(audit_folder(shop, jobs=1))
    kept = tmp_path / "cache.sqlite"
    assert list(audit_folder(shop, jobs=2, cache=kept)) == alone
    assert list(audit_folder(shop, jobs=1, cache=kept)) == alone
    kept.write_bytes(kept.read_bytes()[:100] + b"x" * 5000)  # damaged, and still to be known as the audit's own
    assert list(audit_folder(shop, jobs=1, cache=kept)) == alone
    with Cache(kept) as cache:
        assert cache.get(key_of(Path(alone[0].file).read_bytes()), alone[0].file) == alone[0]


def test_the_cache_is_used_and_not_trusted_when_changed(shop: Path, tmp_path: Path) -> None:
    import sqlite3

    kept = tmp_path / "cache.sqlite"
    rows = list(audit_folder(shop, jobs=1, cache=kept))
    key = key_of(Path(rows[0].file).read_bytes())
    with Cache(kept) as cache:
        assert cache.get(key, rows[0].file) == rows[0]
    db = sqlite3.connect(kept)
    db.execute("update audit set row = replace(row, '\"same\": true', '\"same\": false')")
    db.commit()
    db.close()
    with Cache(kept) as cache:
        assert cache.get(key, rows[0].file) is None
    assert list(audit_folder(shop, jobs=1, cache=kept)) == rows


def test_no_such_folder() -> None:
    with pytest.raises(FileError):
        list(audit_folder("/nowhere/at/all"))


def test_nothing_drives_a_terminal_or_a_spreadsheet(tmp_path: Path) -> None:
    make(tmp_path, 1, seconds=4, job="=cmd|'\x1b[31mred\u202e")
    make(tmp_path, 2, seconds=4, job=" @sum(A1)")
    for args in ((), ("--json",), ("--csv",)):
        assert "\x1b" not in run(str(tmp_path), *args)[1]
        assert "\u202e" not in run(str(tmp_path), *args)[1]
    done = CliRunner().invoke(main, ["audit", str(tmp_path), "--csv", "--no-cache"])
    table = list(csv.DictReader(io.StringIO(done.stdout)))
    assert [row["job"][0] for row in table] == ["'", "'"]


def test_differing_keys_are_exact() -> None:
    assert list(differing_keys({"a": 1.0, "b": [1, {"c": None}]}, {"a": 1.0, "b": [1, {"c": None}]})) == []
    assert list(differing_keys({"a": 1}, {"a": True})) == ["a"]
    assert list(differing_keys({"a": [1, 2]}, {"a": [1]})) == ["a"]
    assert list(differing_keys({"x": 0.1 + 0.2}, {"x": 0.3, "y": 1})) == ["x", "y"]


def test_totals_add_up(shop: Path) -> None:
    totals = Totals()
    for row in audit_folder(shop, jobs=1):
        totals.add(row)
    assert totals.files == 3 == sum(totals.outcomes.values())
    assert sum(totals.adapters["hose-7"].values()) == 3


def test_of_many_files_the_table_lists_those_with_something_to_say(
    shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (shop / "scribble.csv").write_text("a,b\n", "utf-8")
    make(shop, 9, seconds=140, rate_hz=20)  # held for the whole time; the others were cut short
    assert "listed are" not in run(str(shop))[1]
    monkeypatch.setattr("recorder.cli._audit_table._LIST_ALL", 4)
    said = run(str(shop))[1]
    assert "listed are 4 recordings of which there is something to say" in said
    assert "scribble.csv" in said and "-system-0001.csv" in said and "-system-0009.csv" not in said
    totals = said.partition("\n5 recordings: ")[2].splitlines()
    assert "1 cannot be used" in totals[0].split(", ") and "; cannot be used: 1; " in totals[1]
    assert "error" not in said.partition("\n5 recordings: ")[2]  # it was "1 error" beside "cannot be used: 1"


def test_holds_cut_short_and_calibrations_out_of_date(tmp_path: Path) -> None:
    path = make(tmp_path, 3, seconds=30)
    data = path.read_bytes().replace(b'"date": "2026-01-02"', b'"date": "2024-01-02"')
    row = audit_bytes(data, "x.csv")
    assert row.calibration == "out of date" and row.calibration_date == "2024-01-02"
    assert row.recomputed == "undecided" and row.short is not None
    assert row.short.startswith("the hold lasted ") and row.short.endswith(" s of 120 s")
    path.write_bytes(data)
    said = run(str(tmp_path))[1]
    assert "adapter hose-7: 1 recording made after its calibration was due" in said
    assert "holds cut short: 1" in said and "cut short: the hold lasted" in said


def test_the_table_fits_a_narrow_terminal(shop: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    broken = make(shop, 8, seconds=8)
    broken.write_bytes(broken.read_bytes().replace(b"# job: ", b"# job:  ", 1))
    for width in (70, 80, 100, 200):
        monkeypatch.setattr("recorder.cli._audit_table.shown_width", lambda width=width: width)
        table = run(str(shop))[1].partition(" recordings: ")[0].splitlines()[:-1]
        assert max(map(len, table)) <= width
        head, rows = table[0], [line for line in table[1:] if not line.startswith("    ")]
        assert len(rows) == 4 and all(row[head.index("stored"):].split() for row in rows)
        assert "job" in head and ("started UTC" in head) == (width == 200)
        after = table[table.index(next(row for row in rows if broken.name in row)) + 1]
        assert after.startswith("    ALTERED since it was sealed")


def test_a_calibration_without_a_date_is_counted(shop: Path) -> None:
    one = next(shop.glob("2*.csv"))
    one.write_text(one.read_text("utf-8").replace('"date": "2026-01-02", ', ""), "utf-8")
    said = run(str(shop))[1]
    assert "adapter hose-7: 1 recording whose calibration has no date" in said
    totals = Totals()
    for row in audit_folder(shop):
        totals.add(row)
    assert totals.to_json()["calibration_without_date"] == {"hose-7": 1}


def test_a_recording_that_was_renamed_is_told(shop: Path) -> None:
    one = next(shop.glob("2*.csv"))
    one.rename(shop / "kept.csv")
    code, said = run(str(shop))
    assert code == 1 and f"sealed and not in the ledger: kept.csv (has all bytes of {one.name})" in said


def test_a_file_is_no_folder(shop: Path) -> None:
    one = next(shop.glob("2*.csv"))
    with pytest.raises(FileError, match="this is no folder; name the folder that it is in"):
        list(find_recordings(one))
