"""A disk that fills up while a picture, an export or a calibration is written: nothing that is half of one is left."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner

from recorder.cli import main
from recorder.recording.whole import write_whole

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="limits of a process are POSIX")

SHOWN = next((Path(__file__).parents[2] / "recordings").glob("*-cap-*.csv"))


@contextmanager
def small_disk(most_bytes: int) -> Iterator[None]:
    """No file of this process grows beyond so many bytes (EFBIG; Python ignores the signal)."""
    import resource

    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most_bytes, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_whole_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "a.bin"
    with small_disk(1000), pytest.raises(OSError, match="large"):
        write_whole(path, bytes(1001))
    assert not path.exists()
    with small_disk(1000):
        write_whole(path, bytes(1000))
    with pytest.raises(FileExistsError):
        write_whole(path, b"x")
    assert path.read_bytes() == bytes(1000)
    write_whole(path, b"y", force=True)
    assert path.read_bytes() == b"y"
    with pytest.raises(OSError, match="space"):
        write_whole(Path("/dev/full"), b"z", force=True)
    assert Path("/dev/full").exists()


def test_what_is_written_over_is_kept_where_the_disk_is_full(tmp_path: Path) -> None:
    path, link = tmp_path / "a.bin", tmp_path / "link.bin"
    path.write_bytes(b"before")
    path.chmod(0o600)
    link.symlink_to(path)
    for named in (path, link):
        with small_disk(1000), pytest.raises(OSError, match="large"):
            write_whole(named, bytes(1001), force=True)
        assert path.read_bytes() == b"before"
    write_whole(link, b"after", force=True)
    assert link.is_symlink() and path.read_bytes() == b"after" and path.stat().st_mode & 0o777 == 0o600
    assert {p.name for p in tmp_path.iterdir()} == {"a.bin", "link.bin"}


@pytest.mark.parametrize("replaces", [False, True])
def test_ctrl_c_leaves_no_half_of_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, replaces: bool) -> None:
    """A calibration was left empty, and could not be made again under its name."""
    path = tmp_path / "a.json"
    if replaces:
        path.write_bytes(b"before")

    def stopped(number: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", stopped)
    with pytest.raises(KeyboardInterrupt):
        write_whole(path, bytes(1000), force=replaces)
    assert [p.name for p in tmp_path.iterdir()] == ["a.json"] * replaces
    assert not replaces or path.read_bytes() == b"before"


@pytest.mark.parametrize("replaces", [False, True])
def test_it_is_on_the_disk_before_it_is_said_to_be_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, replaces: bool,
) -> None:
    path, synced, fsync = tmp_path / "a.json", [], os.fsync
    if replaces:
        path.write_bytes(b"before")

    def noted(number: int) -> None:
        fsync(number)
        synced.append((os.fstat(number).st_ino, os.fstat(number).st_size))

    monkeypatch.setattr(os, "fsync", noted)
    write_whole(path, bytes(1000), force=replaces)
    assert synced == [(path.stat().st_ino, 1000)]


@pytest.mark.parametrize("args", [
    ("picture", SHOWN, "-o", "OUT/a.svg"), ("export", "--to", "sheet", "--folder", "OUT", SHOWN),
    ("calibrate", "OUT/../pairs.csv", "--reference-u", "0.3 kPa", "-o", "OUT/gauge.json"),
])
def test_after_a_full_disk_the_command_can_be_given_again(tmp_path: Path, args: tuple[object, ...]) -> None:
    (tmp_path / "pairs.csv").write_text("0,0.1\n50,0.3\n100,0.5\n150,0.7\n", "utf-8")
    out = tmp_path / "out"
    out.mkdir()
    given = [str(a).replace("OUT", str(out)) for a in args]
    with small_disk(100):
        done = CliRunner().invoke(main, given)
    assert done.exit_code == 2 and len(done.stderr.splitlines()) == 1 and "File too large" in done.stderr
    assert list(out.iterdir()) == []
    assert CliRunner().invoke(main, given).exit_code == 0
    assert len(list(out.iterdir())) == 1
