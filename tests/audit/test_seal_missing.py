"""A recording that was finished and whose seal is gone: told from one that was cut off, wherever it is shown."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from recorder.audit import audit_bytes
from recorder.cli import main
from recorder.window.state.opened import load, opened_screen
from recorder.window.state.records import check_again, quick_row
from tests.benchmarks.made import make


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return make(tmp_path_factory.mktemp("sealed"), 3, seconds=20).read_bytes()


@pytest.mark.parametrize("left", [0, 1, 9, 30, 75])
def test_a_file_whose_seal_alone_is_gone_is_not_called_cut_off(tmp_path: Path, sealed: bytes, left: int) -> None:
    """Its judgement is whole, so it was finished: the seal was taken off, or the end of its line was lost."""
    start = sealed.rindex(b"# sha256: ")
    assert len(sealed) - start == 77  # the name, 64 digits in quotes, the line's end
    data = sealed[: start + left]
    row = audit_bytes(data, "x.csv")
    assert row.seal_missing and not row.cut and row.intact is None and row.same is True and row.good
    assert row.notes[-1].startswith("the seal is missing: " + ("only the beginning" if left else "it was cut off or "))
    no_judgement = sealed.replace(b"# judgement: ", b"# judged: ")[: start - 3]
    for other in (sealed, sealed[:-1], sealed[: start - 2], no_judgement):
        assert not audit_bytes(other, "x.csv").seal_missing
    assert audit_bytes(sealed[: start - 2], "x.csv").cut  # the judgement's line has no end
    assert audit_bytes(sealed[:-1], "x.csv").intact is True  # all of the seal but its line end
    path = tmp_path / "shop" / "x.csv"
    path.parent.mkdir()
    path.write_bytes(data)
    done = CliRunner().invoke(main, ["audit", "--no-cache", str(path.parent)])
    assert done.exit_code == 0 and "cut off: 0; seal missing: 1; " in done.stdout
    assert "seal missing: nothing shows whether it was changed" in done.stdout
    assert "\nto look after: seal missing: x.csv\n" in done.stdout and "cut off or not finished" not in done.stdout
    assert "the seal is missing: " in CliRunner().invoke(main, ["judge", str(path)]).stdout
    for command, out, said in (("picture", tmp_path / "x.svg", "x.csv, SEAL MISSING; recorder"),
                               ("sheet", tmp_path / "x.html", "its seal is missing")):
        assert CliRunner().invoke(main, [command, str(path), "-o", str(out)]).exit_code == 0
        assert said in out.read_text("utf-8")
    assert check_again(quick_row(path)).intact == "seal missing"
    assert "its seal is missing" in opened_screen(load(str(path)), "kPa").state


PLAIN = '# test: "system"\ntime_s,pressure_kPa\n' + "".join(f"{n / 10:.6f},0.0000\n" for n in range(50))


@pytest.mark.parametrize("behind", ["", '# mark: {"time_s": 1, "text": "wet"}\n', "5.000000,0.0000\n"])
@pytest.mark.parametrize("where", ["above the rows", "below the rows"])
def test_a_file_that_was_never_sealed_is_not_called_altered(where: str, behind: str, tmp_path: Path) -> None:
    """Another program may write a judgement too, and wherever it likes: nothing was sealed, so nothing altered since.
    That the judgement is another one is said as what it is."""
    line = '# judgement: {"outcome": "pass"}\n'
    path = tmp_path / "x.csv"
    path.write_text((line + PLAIN if where.startswith("above") else PLAIN + line) + behind, "utf-8")
    done = CliRunner().invoke(main, ["judge", "--json", str(path)])
    assert done.exit_code == 0 and json.loads(done.stdout)["intact"] is None
    assert done.stderr.splitlines() == [
        f"{path}: it has neither id nor seal, as a file from another program",
        f"{path}: the judgement stored in the file differs (stored: pass)",
    ]
    row = audit_bytes(path.read_bytes(), "x.csv")
    assert row.intact is None and row.same is False and not (row.seal_missing or row.cut)


def test_something_else_in_the_place_of_the_seal_is_no_seal(sealed: bytes) -> None:
    data = sealed[: sealed.rindex(b"# sha256: ")] + b'# mark: {"time_s": 1.0, "text": "wet"}\n'
    row = audit_bytes(data, "x.csv")
    assert row.intact is None and row.seal_missing and "something else stands behind the judgement" in row.notes[-1]
