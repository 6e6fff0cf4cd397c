"""``recorder export`` of many files: what cannot be exported is said, and stops nothing."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from recorder.cli import main
from recorder.model import Recording
from recorder.recording import export
from tests.benchmarks.made import make

ENDS = {"parquet": ".parquet", "sheet": ".sheet.txt", "csvw": ".csv-metadata.json"}


def run(*args: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in args])


@pytest.fixture
def shop(tmp_path: Path) -> list[Path]:
    """Five files; the second is there already, the third empty, the fourth no recording."""
    files = [make(tmp_path, seed, seconds=20, rate_hz=20) for seed in range(2)]
    bad = tmp_path / "20260301T015000Z-bad.csv", tmp_path / "20260301T015500Z-cows.csv"
    bad[0].touch()
    bad[1].write_text(files[0].read_text("utf-8").replace('"unit": "kPa"}', '"unit": "cows"}', 1), "utf-8")
    return [*files, *bad, make(tmp_path, 2, seconds=20, rate_hz=20)]


@pytest.mark.parametrize("form", ENDS)
def test_it_goes_on_after_what_cannot_be_written(shop: list[Path], form: str) -> None:
    there = Path(str(shop[1]).removesuffix(".csv") + ENDS[form])
    there.write_bytes(b"mine")
    done = run("export", "--to", form, *shop)
    assert done.exit_code == 2
    said = done.stderr.splitlines()
    assert len(said) == 3 and all(str(file.with_suffix("")) in line for file, line in zip(shop[1:4], said, strict=True))
    assert done.stdout.splitlines() == [str(file).removesuffix(".csv") + ENDS[form] for file in (shop[0], shop[4])]
    assert all(Path(name).stat().st_size > 100 for name in done.stdout.splitlines())
    assert there.read_bytes() == b"mine"


def test_json_gives_the_error_in_its_place(shop: list[Path]) -> None:
    done = run("export", "--to", "sheet", "--json", *shop)
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    assert [line["file"] for line in lines] == list(map(str, shop))
    assert ["error" in line for line in lines] == [False, False, True, True, False] and done.exit_code == 2


def test_a_fault_of_the_program_at_one_file_stops_no_other(
    shop: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    write = export.write_sheet

    def broken(found: Recording, target: Path) -> Path:
        if found.path == str(shop[0]):
            raise ZeroDivisionError("by nothing")
        return write(found, target)

    monkeypatch.setattr(export, "write_sheet", broken)
    monkeypatch.delenv("RECORDER_DEBUG", raising=False)
    done = run("export", "--to", "sheet", "--json", *shop[:2])
    assert done.exit_code == 2 and ["error" in line for line in done.stdout.splitlines()] == [True, False]
    assert done.stderr.startswith(f"{shop[0]}: it cannot be exported: a fault in the program (ZeroDivisionError")
    monkeypatch.setenv("RECORDER_DEBUG", "1")
    assert isinstance(run("export", "--to", "sheet", shop[0]).exception, ZeroDivisionError)


def test_what_was_exported_before_is_passed_over(shop: list[Path], tmp_path: Path) -> None:
    good = [shop[0], shop[1], shop[4]]
    assert run("export", "--to", "sheet", *good[:2]).exit_code == 0
    before = {path: path.read_bytes() for path in tmp_path.glob("*.sheet.txt")}
    done = run("export", "--to", "sheet", "--skip-existing", *good)
    assert done.exit_code == 0 and len(done.stdout.splitlines()) == 1
    assert done.stderr.count("passed over, it is there already") == 2
    assert {path: path.read_bytes() for path in before} == before
    again = run("export", "--to", "sheet", *good)
    assert again.exit_code == 2 and again.stdout == "" and len(again.stderr.splitlines()) == 3


def test_a_folder_that_is_not_there_is_made_with_the_first_export(shop: list[Path], tmp_path: Path) -> None:
    """As a test makes its own; for nothing none is made."""
    out = tmp_path / "new" / "exports"
    done = run("export", "--to", "sheet", "--folder", out, shop[2])
    assert done.exit_code == 2 and not out.parent.exists()
    done = run("export", "--to", "sheet", "--folder", out, shop[0])
    assert (done.exit_code, done.stdout) == (0, f"{out / shop[0].stem}.sheet.txt\n")
    assert Path(done.stdout.strip()).stat().st_size > 100
    (tmp_path / "file").touch()
    done = run("export", "--to", "sheet", "--folder", tmp_path / "file" / "below", shop[0])
    assert done.exit_code == 2 and len(done.stderr.splitlines()) == 1
    assert done.stderr.endswith("choose another --folder\n")


def test_two_files_of_one_name_are_not_taken_for_one(shop: list[Path], tmp_path: Path) -> None:
    """In one folder their exports would be one file: the second is no earlier export of the same."""
    other, out = tmp_path / "other", tmp_path / "out"
    other.mkdir()
    out.mkdir()
    twin = other / shop[0].name
    twin.write_bytes(shop[4].read_bytes())
    done = run("export", "--to", "sheet", "--folder", out, "--skip-existing", shop[0], twin)
    assert done.exit_code == 2 and "there already" in done.stderr and "passed over" not in done.stderr


@pytest.mark.usefixtures("no_pyarrow")
def test_a_missing_package_is_said_once(shop: list[Path]) -> None:
    done = run("export", "--to", "parquet", *shop)
    assert done.exit_code == 2 and len(done.stderr.splitlines()) == 1 and "pyarrow" in done.stderr


@pytest.mark.parametrize("form", ENDS)
def test_where_it_cannot_be_written_the_advice_is_one_that_can_be_taken(
    shop: list[Path], form: str, monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A csvw description takes no --folder."""
    opens = Path.open

    def read_only(self: Path, mode: str = "r", *more: Any, **how: Any) -> Any:
        if "x" in mode:
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))
        return opens(self, mode, *more, **how)

    monkeypatch.setattr(Path, "open", read_only)
    done = run("export", "--to", form, shop[0])
    [said] = done.stderr.splitlines()
    assert done.exit_code == 2 and os.strerror(errno.EROFS) in said
    assert ("--folder" in said) == (form != "csvw") and ("export the copy" in said) == (form == "csvw")
