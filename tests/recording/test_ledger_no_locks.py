"""The ledger of a shared folder whose disk keeps no locks: flock(2) of Linux's manual says ENOLCK, a file system that
has none EOPNOTSUPP or ENOSYS. open(2) there: O_CREAT with O_EXCL is granted to one alone, on NFS from version 3 on."""

from __future__ import annotations

import errno
import subprocess
import sys
import time
from pathlib import Path

import pytest

from recorder.errors import StorageError
from recorder.recording import append_ledger, ledger_append, verify_ledger

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="flock is POSIX's")

MANY = """
import fcntl, sys
from recorder.recording import append_ledger
def none(fd, how):
    raise OSError(int(sys.argv[3]), "no locks here")
fcntl.flock = none
for i in range(20):
    append_ledger(sys.argv[1], f"{sys.argv[2]}-{i}.csv", "0" * 64)
"""


@pytest.mark.parametrize("number", [errno.ENOLCK, errno.EOPNOTSUPP, errno.ENOSYS])
def test_several_recorders_on_a_disk_without_locks(tmp_path: Path, number: int) -> None:
    running = [subprocess.Popen([sys.executable, "-c", MANY, str(tmp_path), str(k), str(number)],
                                cwd=Path(__file__).parents[2]) for k in range(3)]
    assert [p.wait() for p in running] == [0, 0, 0]
    check = verify_ledger(tmp_path, {})
    assert check is not None and check.lines == 60 and check.broken == ()
    assert [p.name for p in tmp_path.iterdir()] == ["ledger.csv"]


def test_a_lock_that_was_left_is_named_and_waited_for_no_longer_than_some_seconds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import fcntl

    def none(fd: int, how: int) -> None:
        raise OSError(errno.ENOLCK, "no locks here")

    monkeypatch.setattr(fcntl, "flock", none)
    monkeypatch.setattr(ledger_append, "_WAIT_S", 0.3)
    left = tmp_path / "ledger.lock"
    left.touch()
    begin = time.monotonic()
    with pytest.raises(StorageError, match=r"ledger\.lock.*remove"):
        append_ledger(tmp_path, "a.csv", "0" * 64)
    assert time.monotonic() - begin < 30 and left.exists()
    left.unlink()
    append_ledger(tmp_path, "b.csv", "1" * 64)
    check = verify_ledger(tmp_path, {})
    assert check is not None and check.lines == 1  # the other recording is not there, so it gets no line


def test_a_lock_that_is_refused_for_another_reason_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import fcntl

    def broken(fd: int, how: int) -> None:
        raise OSError(errno.EIO, "input/output error")

    monkeypatch.setattr(fcntl, "flock", broken)
    with pytest.raises(StorageError, match="input/output error"):
        append_ledger(tmp_path, "a.csv", "0" * 64)
