"""What the audit says of a folder's ledger: of none at all, of a hash that was noted, and beside a table."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import shutil
from collections.abc import Iterator
from datetime import datetime, timedelta, timezone
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from recorder import audit
from recorder.cli import main
from tests.benchmarks.made import make


def run(*args: object) -> Result:
    return CliRunner().invoke(main, ["audit", "--no-cache", *map(str, args)])


def totals(*args: object) -> dict[str, object]:
    found: dict[str, object] = json.loads(run("--json", *args).stdout.splitlines()[-1])
    return found


def test_a_folder_without_a_ledger_is_said_and_is_no_difference(shop: Path) -> None:
    assert totals(shop)["without_ledger"] == []
    (shop / "ledger.csv").unlink()
    next(shop.glob("*.csv")).unlink()
    done = run(shop)
    assert done.exit_code == 0 and f"{shop}: 2 sealed recordings and no ledger" in done.stdout
    assert totals(shop)["without_ledger"] == [{"folder": str(shop), "sealed": 2}]
    assert f"{shop}: 2 sealed recordings and no ledger" in run("--csv", shop).stderr


def test_a_noted_hash_shows_a_ledger_that_was_taken_away_or_written_anew(shop: Path) -> None:
    noted = str(totals(shop)["ledgers"][0]["last_hash"])  # type: ignore[index]
    other = shop / "other"
    make(other, 5, seconds=8)
    make(shop, 6, seconds=8)  # the ledger has grown since
    second = str(totals(other)["ledgers"][0]["last_hash"])  # type: ignore[index]
    assert totals(shop, "--last-hash", noted.upper())["noted"] == [
        {"hash": noted, "ledger": str(shop / "ledger.csv"), "line": 4}]
    done = run(shop, "--last-hash", noted, "--last-hash", second)
    assert done.exit_code == 0 and f"{other / 'ledger.csv'}: the noted hash {second} is that of line 2" in done.stdout
    # written anew: the chain is whole again, but it is another one
    fresh = shop.parent / "fresh"
    shutil.copytree(shop, fresh)
    from recorder.recording import append_ledger, read

    (fresh / "ledger.csv").unlink()
    for path in sorted(fresh.glob("*-*.csv")):
        append_ledger(fresh, path.name, read(path).sha256 or "")
    assert run(fresh).exit_code == 0
    for taken in (False, True):
        if taken:
            (fresh / "ledger.csv").unlink()
        done = run(fresh, "--last-hash", noted)
        assert done.exit_code == 1 and f"the noted hash {noted} is in no ledger below this folder" in done.stdout
    done = run(fresh, "--last-hash", noted, "--csv")
    assert done.exit_code == 1 and "is in no ledger" in done.stderr and "is in no ledger" not in done.stdout


def test_tests_that_end_while_an_audit_runs_are_neither_missing_nor_altered(
    shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A shop's audit takes minutes. The one test was begun before it, the other after the folder was looked through."""
    first, running, late = sorted(shop.glob("*-*.csv"))
    whole = {path: path.read_bytes() for path in (running, late)}
    ledger = (shop / "ledger.csv").read_bytes()
    late.unlink()
    running.write_bytes(whole[running][: whole[running].index(b"\n# judgement: ") + 1])
    real = audit.audit_files

    def ended_meanwhile(paths: Iterator[Path], **given: Any) -> Iterator[audit.AuditRow]:
        yield from real(paths, **given)
        for path, data in whole.items():
            path.write_bytes(data)
        (shop / "ledger.csv").write_bytes(ledger)

    (shop / "ledger.csv").write_bytes(b"".join(ledger.splitlines(keepends=True)[:2]))
    monkeypatch.setattr(audit, "audit_files", ended_meanwhile)
    done = run(shop)
    assert done.exit_code == 0, done.output
    assert first.name in done.stdout and "not in the folder" not in done.stdout and "ALTERED" not in done.stdout
    for path in (running, late):
        path.unlink()
    running.write_bytes(whole[running][: whole[running].index(b"\n# judgement: ") + 1])
    assert ledger_column(shop) == {
        first.name: "as the ledger says", running.name: "sealed since it was read, as the ledger says"}


def test_what_is_no_hash_is_refused(shop: Path) -> None:
    done = run(shop, "--last-hash", "0" * 63)
    assert done.exit_code == 2 and "64 digits" in done.stderr and done.stdout == ""


def test_beside_a_table_the_totals_and_the_ledger_are_on_standard_error(shop: Path) -> None:
    path = sorted(shop.glob("*-*.csv"))[0]
    path.rename(shop / "renamed.csv")
    done = run(shop, "--csv")
    assert done.exit_code == 1
    assert len(list(csv.DictReader(io.StringIO(done.stdout)))) == 4 and "last hash" not in done.stdout
    assert "3 recordings: " in done.stderr
    assert f"in the ledger and not in the folder: {path.name}" in done.stderr
    assert "sealed and not in the ledger: renamed.csv" in done.stderr


def ledger_column(*args: object) -> dict[str, str]:
    table = csv.DictReader(io.StringIO(run("--csv", *args).stdout))
    return {Path(line["file"]).name: line["ledger"] for line in table}


def test_the_table_for_a_spreadsheet_says_of_each_file_what_its_ledger_does(tmp_path: Path) -> None:
    """The same words as below the table of the terminal, each beside its file; a file that is gone has a line too."""
    shop = tmp_path / "shop"
    for seed in range(7):
        make(shop, seed, seconds=4, job="van")
    gone, renamed, altered, resealed, ends, cut, good = sorted(shop.glob("*-*.csv"))
    gone.unlink()
    renamed.rename(shop / "renamed.csv")
    altered.write_bytes(altered.read_bytes().replace(b'"van"', b'"car"'))
    sealed_anew(resealed, b'"van"', b'"car"')
    ends.write_bytes(ends.read_bytes().replace(b"\n", b"\r\n"))
    cut.write_bytes(cut.read_bytes()[:900])
    (shop / "foreign.csv").write_text('# test: "cap"\ntime_s,pressure_kPa\n0,0\n', "utf-8")
    other = shop / "other"
    make(other, 9, seconds=4)
    (other / "ledger.csv").unlink()
    there = ledger_column(shop)
    assert there == {
        "foreign.csv": "not sealed, and not in the ledger",
        "renamed.csv": f"sealed and not in the ledger (has all bytes of {renamed.name})",
        altered.name: "not what the ledger says",
        resealed.name: "whole by its own seal, and not what the ledger says, so exchanged or sealed again",
        ends.name: "not what the ledger says (its line ends or empty lines only)",
        cut.name: "not what the ledger says",
        good.name: "as the ledger says",
        next(other.glob("*.csv")).name: "no ledger in its folder",
        gone.name: "in the ledger and not in the folder",
        renamed.name: "in the ledger and not in the folder (all its bytes are in renamed.csv)",
    }
    plain = run(shop).stdout
    for words in set(there.values()) - {"as the ledger says", "no ledger in its folder"}:
        assert words.split(" (")[0].removeprefix("not sealed, and ") in plain
    with (shop / "ledger.csv").open("ab") as ledger:
        ledger.write(f"2026-03-01T00:00:00.000Z,{good.name},{'0' * 64},{'0' * 64}\n".encode())
    assert ledger_column(shop)[good.name] == (
        "listed again with another hash, so altered and sealed again on line 9")
    (shop / "ledger.csv").unlink()
    (shop / "ledger.csv").mkdir()
    assert all(words.startswith("its folder's ledger cannot be used: ")
               for name, words in ledger_column(shop).items() if (shop / name).exists())


def test_a_folder_of_which_the_ledger_alone_is_left_has_its_lines_too(shop: Path) -> None:
    names = [path.name for path in shop.glob("*-*.csv")]
    for name in names:
        (shop / name).unlink()
    assert ledger_column(shop) == dict.fromkeys(names, "in the ledger and not in the folder")


def test_two_kinds_of_output_at_once_are_refused(shop: Path) -> None:
    done = run(shop, "--json", "--csv")
    assert done.exit_code == 2 and done.stdout == "" and "--json or --csv, not both" in done.stderr


def test_what_is_of_form_alone_does_not_sound_like_an_altered_line(shop: Path) -> None:
    first, second, _ = sorted(shop.glob("*-*.csv"))
    ledger = shop / "ledger.csv"
    for path in (first, ledger):
        path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))
    done = run(shop)
    assert done.exit_code == 1
    assert f"{ledger}: its line ends were changed (CR LF); its lines follow from each other all the same" in done.stdout
    assert f"not what the ledger says: {first.name} (its line ends or empty lines only)\n" in done.stdout
    assert "do not follow" not in done.stdout
    second.write_bytes(second.read_bytes().replace(b'"van"', b'"car"'))
    ledger.write_bytes(ledger.read_bytes().replace(b"Z,2026", b"Z,2025", 1))
    done = run(shop)
    changed = "a line was changed, taken out or put in above these, which do not follow from the line before: 3\n"
    assert changed in done.stdout
    assert f"not what the ledger says: {second.name}\n" in done.stdout
    assert "only a copy can show where: the rows agree" in " ".join(done.stdout.split())


def test_a_ledger_with_a_byte_order_mark_is_no_recording(shop: Path) -> None:
    ledger = shop / "ledger.csv"
    ledger.write_bytes(b"\xef\xbb\xbf" + ledger.read_bytes())
    assert "3 recordings: 1 undecided, 2 void\n" in run(shop).stdout


def sealed_anew(path: Path, old: bytes, new: bytes) -> None:
    """A change that its own seal no longer shows."""
    body = path.read_bytes().rpartition(b"# sha256: ")[0]
    assert old in body
    body = body.replace(old, new)
    path.write_bytes(body + b'# sha256: "%s"\n' % hashlib.sha256(body).hexdigest().encode())


def test_what_only_the_ledger_shows_is_named_however_much_else_is_altered(tmp_path: Path) -> None:
    """A recording that was altered and sealed again, behind more than the ten names that a line holds."""
    shop = tmp_path / "shop"
    for seed in range(13):
        make(shop, seed, seconds=4, job="van")
    *others, last = sorted(shop.glob("*-*.csv"))
    for path in others:
        path.write_bytes(path.read_bytes().replace(b'"van"', b'"car"'))
    sealed_anew(last, b'"van"', b'"car"')
    done = run(shop)
    whole = f"whole by its own seal, and not what the ledger says, so exchanged or sealed again: {last.name}\n"
    assert f"{shop / 'ledger.csv'}: {whole}" in done.stdout
    assert f"\n{whole}" in done.stdout.split("last hash")[1], "at the very end, too"
    assert f"not what the ledger says: {others[0].name}, " in done.stdout
    check = totals(shop)["ledgers"][0]  # type: ignore[index]
    assert check["resealed"] == [last.name] and len(check["altered"]) == 13


def test_recordings_that_changed_places_are_told_by_name_and_ledger(shop: Path) -> None:
    first, second, _ = sorted(shop.glob("*-*.csv"))
    one, other = first.read_bytes(), second.read_bytes()
    first.write_bytes(other)
    second.write_bytes(one)
    done = run(shop)
    assert done.exit_code == 1
    alike = (f"{a.name} (has all bytes of {b.name})" for a, b in ((first, second), (second, first)))
    assert ", ".join(alike) in done.stdout
    text = " ".join(done.stdout.split())
    for path, own in ((first, second), (second, first)):
        stamp, _, digits = own.stem.split("-")
        assert f"named {path.name}, and its id is {stamp}-{digits}" in text


def test_a_recording_that_was_moved_is_told_by_its_bytes(shop: Path) -> None:
    """It was missing in one folder, and sealed without a ledger in another, and nothing said that it is one file."""
    first, second, _ = sorted(shop.glob("*-*.csv"))
    (shop / "old").mkdir()
    first.rename(shop / "old" / "the van.csv")
    second.rename(shop / second.name.replace("Z-", "Z-x-"))
    done = run(shop)
    assert done.exit_code == 1
    text = " ".join(done.stdout.split())
    there = f"{first.name} (all its bytes are in {shop / 'old' / 'the van.csv'})"
    assert f"in the ledger and not in the folder: {there}" in text
    assert f"{second.name} (all its bytes are in {second.name.replace('Z-', 'Z-x-')})" in text
    check = totals(shop)["ledgers"][0]  # type: ignore[index]
    assert [name for name, _ in check["moved"]] == [first.name, second.name]


def test_a_free_name_says_nothing(shop: Path) -> None:
    path = sorted(shop.glob("*-*.csv"))[0]
    path.rename(shop / "the van.csv")
    assert "its id is" not in run(shop).stdout


def test_a_calibration_that_came_after_the_test_is_said(shop: Path) -> None:
    path = sorted(shop.glob("*-*.csv"))[0]
    path.write_bytes(path.read_bytes().replace(b'"date": "2026-01-02"', b'"date": "2026-04-02"'))
    done = run(shop)
    assert "its calibration was made after the test" in " ".join(done.stdout.split())
    assert "adapter hose-7: 1 recording made before its calibration was\n" in done.stdout


def test_a_beginning_that_is_not_the_ids_is_said_of_a_sealed_file_too(shop: Path) -> None:
    """A test moved to another day and sealed again; the same moment in another zone is the same."""
    path, other, _ = sorted(shop.glob("*-*.csv"))
    began = json.loads(path.read_bytes().split(b"# started: ")[1].split(b"\n")[0])
    sealed_anew(path, began.encode(), b"2026-02-02T09:00:00.000Z")
    began = json.loads(other.read_bytes().split(b"# started: ")[1].split(b"\n")[0])
    there = datetime.fromisoformat(began).astimezone(timezone(timedelta(hours=2))).isoformat()
    sealed_anew(other, began.encode(), there.encode())
    text = " ".join(run(shop).stdout.split())
    assert text.count("and its id is") == 1
    assert f"started is 2026-02-02 09:00 (UTC), and its id is {path.stem.replace('-system-', '-')}" in text


def test_a_calibration_of_another_adapter_is_said(shop: Path) -> None:
    """No recorder makes such a file."""
    path = sorted(shop.glob("*-*.csv"))[0]
    sealed_anew(path, b'"date": "2026-01-02"', b'"adapter": "hose-8", "date": "2026-01-02"')
    done = run(shop)
    assert "its calibration is of another adapter" in " ".join(done.stdout.split())
    assert "adapter hose-7: 1 recording with the calibration of another adapter\n" in done.stdout
    assert totals(shop)["totals"]["calibration_of_another"] == {"hose-7": 1}  # type: ignore[index]
