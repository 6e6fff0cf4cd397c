"""One odd file, folder or ledger is said in its place and does not end the audit of the others."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from recorder.audit import audit_folder
from recorder.cli import main
from recorder.errors import StorageError
from recorder.recording import append_ledger, verify_ledger
from tests.benchmarks.made import make

posix = pytest.mark.skipif(os.name != "posix", reason="such places are made on POSIX only")


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    folder = tmp_path / "shop"
    folder.mkdir()
    make(folder, 1, seconds=8, job="van")
    return folder


def run(*args: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in args])


def audited(shop: Path) -> tuple[list[dict[str, object]], dict[str, object]]:
    done = run("audit", "--json", "--no-cache", shop)
    assert done.exit_code == 1 and "fault in the program" not in done.output
    *rows, last = map(json.loads, done.stdout.splitlines())
    return rows, last


def too_deep(folder: Path) -> None:
    """Folders below each other until the innermost can no longer be opened by its name, not even by root."""
    at = os.open(folder, os.O_RDONLY)
    for _ in range(25):
        os.mkdir("d" * 200, dir_fd=at)
        inner = os.open("d" * 200, os.O_RDONLY, dir_fd=at)
        os.close(at)
        at = inner
    os.close(at)


@posix
def test_a_folder_that_cannot_be_opened_is_a_row(shop: Path) -> None:
    (shop / "a").mkdir()
    too_deep(shop / "a")
    make(shop / "z", 2, seconds=8, job="estate")
    rows, last = audited(shop)
    assert [row["error"] is None for row in rows] == [True, False, True]
    assert "it cannot be opened (File name too long)" in str(rows[1]["error"])
    assert last["totals"]["errors"] == 1 and len(last["ledgers"]) == 2  # type: ignore[index, arg-type]
    done = run("jobs", "--json", shop)
    assert done.exit_code == 2 and len(done.stdout.splitlines()) == 3 and "it cannot be opened" in done.stderr


@posix
@pytest.mark.parametrize(("kind", "what"), [
    ("folder", "this is a folder"), ("pipe", "this is a device or pipe, not a file"),
    ("loop", "it cannot be opened (Too many levels of symbolic links)"), ("nothing", "there is no such file"),
])
def test_a_ledger_that_cannot_be_read_is_said(shop: Path, kind: str, what: str) -> None:
    ledger = shop / "ledger.csv"
    ledger.unlink()
    if kind == "folder":
        ledger.mkdir()
    elif kind == "pipe":
        os.mkfifo(ledger)
    else:
        ledger.symlink_to("ledger.csv" if kind == "loop" else "gone.csv")
    rows, last = audited(shop)
    assert rows[0]["same"] is True
    ledgers: Any = last["ledgers"]
    assert len(ledgers) == 1 and ledgers[0]["unreadable"] == what
    done = run("audit", "--no-cache", shop)
    assert done.exit_code == 1 and f"{ledger}: it cannot be used as the ledger of its folder: {what}" in done.stdout
    if kind == "pipe":
        with pytest.raises(StorageError, match="it is a device or pipe"):
            append_ledger(shop, "x.csv", "0" * 64)


@pytest.mark.parametrize("line", [b"x" * 200_000, b"a,b\rc,d", b'"a,b', b"\0,,,", b"\xff"])
def test_a_line_that_is_no_ledger_line_is_a_broken_one(shop: Path, line: bytes) -> None:
    ledger = shop / "ledger.csv"
    ledger.write_bytes(ledger.read_bytes() + line + b"\n")
    _, last = audited(shop)
    assert last["ledgers"][0]["broken"] == [3]  # type: ignore[index]
    append_ledger(shop, "new.csv", "0" * 64)
    assert (check := verify_ledger(shop, {})) is not None and check.broken == (3,) and check.lines == 3


def test_too_little_memory_for_one_file_leaves_the_others_their_rows(
    shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (shop / "huge.csv").write_text("a,b\n", "utf-8")

    def breaks(path: str) -> bytes:
        if path.endswith("huge.csv"):
            raise MemoryError
        return Path(path).read_bytes()

    monkeypatch.setattr("recorder.audit.run.read_bytes", breaks)
    rows = list(audit_folder(shop, jobs=1))
    assert [row.good for row in rows] == [True, False]
    assert rows[1].error == "it cannot be audited: there is not enough memory for it (MemoryError)"
    monkeypatch.setenv("RECORDER_DEBUG", "1")
    with pytest.raises(MemoryError):
        list(audit_folder(shop, jobs=1))


def test_a_folder_that_vanishes_while_it_is_looked_through_is_a_row(
    shop: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    gone = shop / "a gone one"
    gone.mkdir()
    stat = Path.stat

    def breaks(self: Path, **more: bool) -> object:
        if self == gone and more == {}:
            raise FileNotFoundError(errno.ENOENT, "No such file or directory", str(self))
        return stat(self, **more)

    monkeypatch.setattr(Path, "stat", breaks)
    rows = list(audit_folder(shop, jobs=1))
    assert [Path(row.file).name for row in rows if row.good] == [path.name for path in shop.glob("2*.csv")]
    [bad] = [row for row in rows if not row.good]
    assert bad.file == str(gone) and bad.error is not None


def test_what_macos_puts_beside_each_file_on_a_stick_is_no_recording(shop: Path) -> None:
    """A folder that was carried on a stick came out as not in order. A text of such a name is a file as any other."""
    (name,) = (path.name for path in shop.glob("*-*.csv"))
    for beside in (name, "ledger.csv"):
        (shop / f"._{beside}").write_bytes(b"\x00\x05\x16\x07\x00\x02\x00\x00" + bytes(4088))
    done = run("audit", "--no-cache", shop)
    assert done.exit_code == 0 and "1 recording" in done.stdout and "._" not in done.output
    assert "cannot be read" not in run("jobs", shop).output
    (shop / "._own.csv").write_text("a,b\n", "utf-8")
    (row, other), _ = audited(shop)
    assert (row["error"] is None) + (other["error"] is None) == 1
