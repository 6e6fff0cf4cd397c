"""The ledger: chain, concurrent recorders."""

from __future__ import annotations

import csv
import hashlib
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from recorder.errors import StorageError
from recorder.recording import append_ledger, ledger_append, read, verify_ledger
from recorder.recording.ledger import LEDGER, Relisted
from tests.recording.test_recording_files import sealed

MANY = """
import sys
from recorder.recording import append_ledger
for i in range(25):
    append_ledger(sys.argv[1], f"{sys.argv[2]}-{i}.csv", "0" * 64)
"""


def test_several_recorders_on_one_folder(tmp_path: Path) -> None:
    running = [
        subprocess.Popen([sys.executable, "-c", MANY, str(tmp_path), str(k)],
                         cwd=Path(__file__).parents[2])
        for k in range(3)
    ]
    assert [p.wait() for p in running] == [0, 0, 0]
    check = verify_ledger(tmp_path, {})
    assert check is not None and check.lines == 75 and check.broken == ()
    assert len(check.missing) == 75


RECORDERS = """
import sys
from datetime import UTC, datetime
import numpy as np
from recorder.model import Header, Rows
from recorder.recording import Writer
for i in range(12):
    writer = Writer(sys.argv[1], Header("cap", job=sys.argv[2]), when=datetime(2026, 3, 14, tzinfo=UTC))
    writer.add(Rows(np.arange(5.0), np.full(5, float(i))))
    writer.seal({"judgement-format": 1, "outcome": "pass"})
"""


def test_several_recorders_seal_at_once(tmp_path: Path) -> None:
    """Three programs, one folder, one second of the clock: every file whole, every line in the chain."""
    running = [subprocess.Popen([sys.executable, "-c", RECORDERS, str(tmp_path), f"lift {k}"],
                                cwd=Path(__file__).parents[2]) for k in range(3)]
    assert [p.wait() for p in running] == [0, 0, 0]
    files = list(tmp_path.glob("*-cap-*.csv"))
    assert len(files) == 36 and all(read(f, strict=True).intact for f in files)
    check = verify_ledger(tmp_path)
    assert check is not None and check.good and check.lines == 36


def test_the_ledger_only_grows(tmp_path: Path) -> None:
    before = b""
    for k in range(5):
        last = append_ledger(tmp_path, f'{k} "a, b".csv', "0" * 64)
        now = (tmp_path / LEDGER).read_bytes()
        assert now.startswith(before) and now.count(b"\n") == k + 2
        assert hashlib.sha256(now.splitlines()[-1]).hexdigest() == last
        before = now
    with (tmp_path / LEDGER).open(newline="", encoding="utf-8") as file:
        head, *lines = csv.reader(file)
    assert head == ["time", "file", "sha256", "previous"]
    assert [line[1] for line in lines] == [f'{k} "a, b".csv' for k in range(5)]


def test_missing_added_altered(tmp_path: Path) -> None:
    path = sealed(tmp_path)
    check = verify_ledger(tmp_path)
    assert check is not None and check.good and check.lines == 1
    line = (tmp_path / LEDGER).read_bytes().splitlines()[-1]
    assert check.last_hash == hashlib.sha256(line).hexdigest()
    data = path.read_bytes()
    path.write_bytes(data.replace(b"drip", b"drop"))
    assert (verify_ledger(tmp_path) or check).altered == (path.name,)
    path.write_bytes(data)
    path.rename(tmp_path / "other.csv")
    moved = verify_ledger(tmp_path)
    assert moved is not None and moved.missing == (path.name,) and moved.added == ("other.csv",)
    assert moved.alike == (("other.csv", path.name),) and moved.moved == ((path.name, "other.csv"),)
    (tmp_path / "other.csv").write_bytes(data.replace(b"drip", b"drop"))
    gone = verify_ledger(tmp_path)
    assert gone is not None and gone.missing == (path.name,) and gone.moved == ()


def test_one_trouble_alone_is_enough(tmp_path: Path) -> None:
    """Only missing, only added."""
    path, aside = sealed(tmp_path), tmp_path / "aside"
    path.rename(aside)
    check = verify_ledger(tmp_path)
    assert check is not None and check.missing == (path.name,) and check.added == () and not check.good
    aside.rename(path)
    (tmp_path / "more.csv").write_bytes(path.read_bytes())
    check = verify_ledger(tmp_path)
    assert check is not None and check.added == ("more.csv",) and check.missing == () and not check.good


def test_a_file_that_was_altered_and_sealed_again_is_told(tmp_path: Path) -> None:
    """Its new hash in a line of its own, as the recorder writes lines: the chain is whole, and yet it is seen."""
    path = sealed(tmp_path)
    body = path.read_bytes().replace(b"drip", b"drop")
    body = body[: body.index(b"# sha256: ")]
    digest = hashlib.sha256(body).hexdigest()
    path.write_bytes(body + f'# sha256: "{digest}"\n'.encode())
    assert read(path).intact is True
    append_ledger(tmp_path, path.name, digest)
    check = verify_ledger(tmp_path)
    assert check is not None and not check.good and check.broken == ()
    assert check.altered == (path.name,) and check.again == (Relisted(path.name, 3),)
    path.unlink()
    assert (verify_ledger(tmp_path) or check).again == (Relisted(path.name, 3),)


def test_the_same_line_twice_is_no_alteration(tmp_path: Path) -> None:
    path = sealed(tmp_path)
    append_ledger(tmp_path, path.name, read(path).sha256 or "")
    check = verify_ledger(tmp_path)
    assert check is not None and check.good and check.lines == 2


def test_capitals_in_the_ending_of_a_name_hide_no_recording(tmp_path: Path) -> None:
    """Systems that know no small letters, and sticks of theirs, give names back in capitals. The audit finds them."""
    path = sealed(tmp_path)
    path.rename(path.with_suffix(".CSV"))
    check = verify_ledger(tmp_path)
    assert check is not None and check.added == (path.with_suffix(".CSV").name,) and check.missing == (path.name,)


def test_a_changed_line_breaks_the_chain(tmp_path: Path) -> None:
    for k in range(4):
        append_ledger(tmp_path, f"{k}.csv", "0" * 64)
    ledger = tmp_path / LEDGER
    lines = ledger.read_bytes().splitlines(keepends=True)
    ledger.write_bytes(b"".join(lines[:2] + lines[3:]))
    check = verify_ledger(tmp_path, {})
    assert check is not None and check.broken == (3,)
    ledger.write_bytes(b"".join(lines)[:-5])
    append_ledger(tmp_path, "4.csv", "0" * 64)
    check = verify_ledger(tmp_path, {})
    assert check is not None and check.broken == (5,) and check.lines == 5


DISK_FULL = """
import resource, signal, sys
from pathlib import Path
from recorder.errors import StorageError
from recorder.recording import append_ledger
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
append_ledger(sys.argv[1], "a.csv", "0" * 64)
size = (Path(sys.argv[1]) / "ledger.csv").stat().st_size
for room in (0, 1, 20, 100):  # bytes
    resource.setrlimit(resource.RLIMIT_FSIZE, (size + room, resource.RLIM_INFINITY))
    try:
        append_ledger(sys.argv[1], "b.csv", "1" * 64)
    except StorageError:
        continue
    sys.exit("it was written")
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
append_ledger(sys.argv[1], "c.csv", "2" * 64)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="limits of POSIX")
def test_a_disk_that_is_full_leaves_no_part_of_a_line(tmp_path: Path) -> None:
    """It stood there as a broken one for ever, as if somebody had changed the ledger."""
    subprocess.run([sys.executable, "-c", DISK_FULL, str(tmp_path)], check=True, cwd=Path(__file__).parents[2])
    check = verify_ledger(tmp_path, {})
    assert check is not None and (check.broken, check.form, check.missing) == ((), (), ("a.csv", "c.csv"))


UNLISTED = """
import resource, signal, sys
from pathlib import Path
from recorder.errors import StorageError
from recorder.recording import append_ledger, read
from tests.recording.test_recording_files import sealed
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
folder = Path(sys.argv[1])
paths = [sealed(folder, id4=f"{k:04x}") for k in range(4)]
(folder / "ledger.csv").unlink()
append_ledger(folder, paths[0].name, read(paths[0]).sha256)
resource.setrlimit(resource.RLIMIT_FSIZE, ((folder / "ledger.csv").stat().st_size + 30, resource.RLIM_INFINITY))
for path in paths[1:3]:
    try:
        append_ledger(folder, path.name, read(path).sha256)
    except StorageError:
        continue
    sys.exit("it was written")
paths[1].unlink()
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
append_ledger(folder, paths[3].name, read(paths[3]).sha256)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="limits of POSIX")
def test_what_a_full_disk_refused_is_listed_before_the_next_one(tmp_path: Path) -> None:
    """The audit said of it for ever that somebody had added it. What was taken away meanwhile is not listed: it would
    be missing for ever."""
    subprocess.run([sys.executable, "-c", UNLISTED, str(tmp_path)], check=True, cwd=Path(__file__).parents[2])
    check = verify_ledger(tmp_path)
    assert check is not None and check.good and check.lines == 3
    with (tmp_path / LEDGER).open(newline="", encoding="utf-8") as file:
        _, *lines = csv.reader(file)
    assert [line[1][-8:] for line in lines] == ["0000.csv", "0002.csv", "0003.csv"]
    assert [line[0] for line in lines] == sorted(line[0] for line in lines)  # when each was sealed


@pytest.mark.timeout(30)
def test_a_ledger_that_another_program_holds_keeps_nobody_waiting(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A recorder that was stopped (Ctrl-Z) in its line, or on a share an editor: the test is over, and its answer is
    waited for. The line comes with the next one."""
    fcntl = pytest.importorskip("fcntl")
    monkeypatch.setattr(ledger_append, "_WAIT_S", 0.2)
    for n in (1, 2):
        (tmp_path / f"{n}.csv").write_bytes(b"")
    with (tmp_path / LEDGER).open("ab") as other:
        fcntl.flock(other, fcntl.LOCK_EX)
        with pytest.raises(StorageError, match=r"another program holds it.*saved and sealed"):
            append_ledger(tmp_path, "1.csv", "1" * 64)
    append_ledger(tmp_path, "2.csv", "2" * 64)
    check = verify_ledger(tmp_path, {})
    assert check is not None and check.lines == 2 and check.broken == ()


@pytest.mark.skipif(sys.platform == "win32", reason="there a file that is open stays where it is")
def test_an_editor_that_saves_while_the_line_waits_its_turn(tmp_path: Path) -> None:
    """It puts a new file in the ledger's place: the line went into the old one, which nobody sees any more."""
    import fcntl

    append_ledger(tmp_path, "0.csv", "0" * 64)
    ledger = tmp_path / LEDGER
    with ledger.open("rb") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        waiting = threading.Thread(target=append_ledger, args=(tmp_path, "1.csv", "1" * 64))
        waiting.start()
        time.sleep(0.3)  # long enough that it waits for the lock
        (tmp_path / "beside").write_bytes(ledger.read_bytes())
        (tmp_path / "beside").replace(ledger)
    waiting.join()
    check = verify_ledger(tmp_path, {})
    assert check is not None and (check.missing, check.broken, check.lines) == (("0.csv", "1.csv"), (), 2)


@pytest.mark.skipif(sys.platform == "win32", reason="there a file that is open stays where it is")
@pytest.mark.parametrize("seen", [True, False])
def test_an_editor_that_saves_right_behind_the_line(
    seen: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whether what it saves has the line or not, it is there once."""
    append_ledger(tmp_path, "0.csv", "0" * 64)
    ledger = tmp_path / LEDGER
    real = ledger_append._put
    saved: list[bytes] = []

    def put(fd: int, data: bytes) -> None:
        before = ledger.read_bytes()
        real(fd, data)
        if not saved:
            saved.append(before)
            (tmp_path / "beside").write_bytes(ledger.read_bytes() if seen else before)
            (tmp_path / "beside").replace(ledger)

    monkeypatch.setattr(ledger_append, "_put", put)
    last = append_ledger(tmp_path, "1.csv", "1" * 64)
    check = verify_ledger(tmp_path, {}, (last,))
    assert check is not None and (check.missing, check.broken, check.lines) == (("0.csv", "1.csv"), (), 2)
    assert check.noted == ((last, 3),)


def test_an_emptied_ledger_has_no_lines(tmp_path: Path) -> None:
    (tmp_path / "ledger.csv").write_bytes(b"")
    check = verify_ledger(tmp_path)
    assert check is not None and check.lines == 0 and not check.good


def test_a_ledger_in_another_form_still_says_what_it_says(tmp_path: Path) -> None:
    """Line ends, a byte order mark, an empty line, another first line: no line of a recording was changed."""
    path = sealed(tmp_path)
    for k in range(3):
        append_ledger(tmp_path, f"{k}.csv", "0" * 64)
    ledger = tmp_path / LEDGER
    data = ledger.read_bytes()
    good = verify_ledger(tmp_path)
    assert good is not None and good.last_hash is not None and good.form == () and good.broken == ()
    for changed, said in (
        (data.replace(b"\n", b"\r\n"), "its line ends were changed (CR LF)"),
        (b"\xef\xbb\xbf" + data, "a byte order mark was put in before its first line"),
        (data.replace(b"\n", b"\n\n", 2), "2 empty lines were put in"),
        (data.replace(b"time,file", b"Time,File"), "its first line is not 'time,file,sha256,previous'"),
    ):
        ledger.write_bytes(changed)
        check = verify_ledger(tmp_path, noted=(good.last_hash,))
        assert check is not None and not check.good and check.form == (said,)
        assert (check.broken, check.lines, check.last_hash) == ((), 4, good.last_hash)
        assert check.noted and check.missing == good.missing and path.name not in check.missing
        append_ledger(tmp_path, "next.csv", "0" * 64)  # a recorder goes on from there
        again = verify_ledger(tmp_path)
        assert again is not None and again.broken == () and again.lines == 5
    ledger.write_bytes(data.replace(b"\n", b"\r\n").replace(b"1.csv", b"7.csv"))
    check = verify_ledger(tmp_path)
    assert check is not None and check.broken == (5,)  # and a changed line is still seen
