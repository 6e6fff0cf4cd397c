"""The audit's cache: it touches no file but its own, and what a forged entry can and cannot say."""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from recorder.audit import audit_folder, cache
from recorder.audit.cache import Cache, key_of
from recorder.cli import main
from recorder.errors import SettingError
from tests.benchmarks.made import make


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    folder = tmp_path / "shop"
    make(folder, 1, seconds=8, job="van")
    return folder


def run(*args: object) -> Result:
    return CliRunner().invoke(main, ["audit", *map(str, args)])


def database(path: Path) -> None:
    db = sqlite3.connect(path)
    db.execute("create table audit (key text primary key, row text, sum text)")
    db.commit()
    db.close()


@pytest.mark.parametrize("name", ["notes.sqlite", "notes.txt", "foreign.db", "long.sqlite"])
def test_what_is_not_its_own_is_left_alone(shop: Path, tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    if name == "foreign.db":
        database(path)
    else:
        path.write_bytes(b"SQLite format 3\0" + b"x" * 500 if name == "long.sqlite" else b"notes\n")
    before, beside = path.read_bytes(), sorted(tmp_path.iterdir())
    done = run(shop, "--cache", path)
    assert done.exit_code == 2 and done.stdout == ""
    assert done.stderr == (f"{path}: this is no cache of the audit, and is left as it is; name another file, "
                           "or use --no-cache\n")
    assert path.read_bytes() == before and sorted(tmp_path.iterdir()) == beside
    with pytest.raises(SettingError):
        list(audit_folder(shop, jobs=1, cache=path))


def test_a_folder_is_no_cache(shop: Path) -> None:
    done = run(shop, "--cache", shop)
    assert done.exit_code == 2 and "this is no cache of the audit" in done.stderr


@pytest.mark.skipif(os.name != "posix" or sys.platform == "darwin", reason="the usual place is named by XDG_CACHE_HOME")
def test_in_the_usual_place_it_is_said_and_done_without(
    shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "caches"))
    assert run(shop).exit_code == 0
    [place] = (tmp_path / "caches").rglob("*.sqlite")
    place.write_text("notes\n", "utf-8")
    done = run(shop)
    assert done.exit_code == 0 and "1 recording: " in done.stdout
    assert f"{place}: this is no cache of the audit" in done.stderr
    assert place.read_text("utf-8") == "notes\n"


@pytest.mark.parametrize("there", [False, True])
def test_a_new_file_and_an_empty_one_become_a_cache(shop: Path, tmp_path: Path, there: bool) -> None:
    path = tmp_path / "new" / "any name"
    path.parent.mkdir()
    if there:
        path.touch()
    for _ in range(2):
        assert run(shop, "--cache", path).exit_code == 0
    db = sqlite3.connect(path)
    assert db.execute("select count(*) from audit").fetchone() == (1,)
    db.close()


def test_a_file_that_takes_its_place_meanwhile_is_left_and_said(
    shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing was remembered then, and nobody knew why each audit took as long as the first."""
    place = tmp_path / "cache"

    def look(path: Path) -> bool:
        path.write_text("notes\n" * 200, "utf-8")
        return False

    monkeypatch.setattr(cache, "_is_ours", look)
    done = run(shop, "--cache", place)
    assert done.exit_code == 0 and f"{place}: no cache is kept (file is not a database)" in done.stderr
    assert place.read_text("utf-8") == "notes\n" * 200


@pytest.mark.parametrize("what", [{"intact": True}, {"stored": "pass"}, {"sha256": "0" * 64}])
def test_a_forged_entry_says_nothing_of_the_seal(shop: Path, tmp_path: Path, what: dict[str, object]) -> None:
    """With a sum as the program computes it. What the file's own bytes say wins, and it is judged again."""
    [path] = shop.glob("*-*.csv")
    path.write_bytes(path.read_bytes().replace(b'"van"', b'"bus"'))
    kept = tmp_path / "kept.sqlite"
    [row] = audit_folder(shop, jobs=1, cache=kept)
    assert row.intact is False and row.stored != "pass"
    key = key_of(path.read_bytes())
    text = json.dumps({**row.to_json(), **what})
    db = sqlite3.connect(kept)
    db.execute("update audit set row = ?, sum = ?", (text, hashlib.sha256(f"{key} {text}".encode()).hexdigest()))
    db.commit()
    db.close()
    with Cache(kept) as cache:
        assert cache.get(key, row.file) not in (None, row)
    assert list(audit_folder(shop, jobs=1, cache=kept)) == [row]


@pytest.mark.parametrize("cut", [0, 30, 200])
def test_whole_altered_and_cut_files_come_from_the_cache(
    shop: Path, tmp_path: Path, cut: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    [path] = shop.glob("*-*.csv")
    data = path.read_bytes()
    (shop / "altered.csv").write_bytes(data.replace(b'"van"', b'"bus"'))
    path.write_bytes(data[: len(data) - cut])
    kept = tmp_path / "kept.sqlite"
    rows = list(audit_folder(shop, jobs=1, cache=kept))

    def never(data: bytes, file: str) -> None:
        raise AssertionError("judged again")

    monkeypatch.setattr("recorder.audit.run.audit_bytes", never)
    assert list(audit_folder(shop, jobs=1, cache=kept)) == rows


@pytest.mark.parametrize(("there", "why"), [
    (True, "attempt to write a readonly database"), (False, "unable to open database file"),
])
def test_a_cache_that_cannot_be_written_is_said_and_nothing_else_differs(
    shop: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, there: bool, why: str
) -> None:
    """SQLite's own words for a database that it may only read (mode=ro, sqlite.org/uri.html)."""
    path, connect = tmp_path / "kept.sqlite", sqlite3.connect
    if there:
        list(audit_folder(shop, jobs=1, cache=path))
    before = sorted(tmp_path.iterdir())
    plain = run(shop, "--no-cache")
    monkeypatch.setattr(sqlite3, "connect", lambda place, **how: connect(f"file:{place}?mode=ro", uri=True, **how))
    done = run(shop, "--cache", path, "--jobs", 1)
    assert (done.exit_code, done.stdout) == (plain.exit_code, plain.stdout) == (0, done.stdout)
    assert done.stderr == (f"{path}: no cache is kept ({why}); name another file with --cache, or use --no-cache\n")
    assert sorted(tmp_path.iterdir()) == before


def test_a_cache_and_none_are_not_both(shop: Path, tmp_path: Path) -> None:
    done = run(shop, "--no-cache", "--cache", tmp_path / "kept.sqlite")
    assert done.exit_code == 2 and "--cache or --no-cache" in done.stderr and not (tmp_path / "kept.sqlite").exists()
