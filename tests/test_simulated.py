"""A simulated test says that it is one wherever its result is shown: file, terminal, picture, sheet, jobs, window."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from recorder.audit import jobs_table
from recorder.cli import main
from recorder.recording import read
from recorder.report import SIMULATED
from recorder.window.state.opened import load, opened_screen
from recorder.window.state.records import cell, quick_row
from tests.benchmarks.made import make


@pytest.fixture(scope="module")
def real(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A recording that nobody says of that it is simulated."""
    return make(tmp_path_factory.mktemp("real"), 1, job="a job (invented)")


def run(*arguments: object) -> str:
    result = CliRunner().invoke(main, [str(a) for a in arguments])
    assert result.exit_code == 0, result.output
    return result.stdout


def test_try_writes_it_into_the_file_and_prints_it(tried: tuple[Path, str]) -> None:
    folder, printed = tried
    for file in folder.glob("*-*.csv"):
        assert b"\n# simulated: true\n" in file.read_bytes()
        assert read(file, strict=True).header.simulated
    assert printed.count(SIMULATED) == 4


def test_judge_says_it_under_the_outcome(tried: tuple[Path, str], real: Path) -> None:
    file = next(tried[0].glob("*-cap-*.csv"))
    lines = run("judge", file).splitlines()
    assert lines[1].startswith(("PASS", "FAIL")) and lines[2].strip() == SIMULATED
    assert "SIMULATED" not in run("judge", real)
    assert json.loads(run("judge", "--json", file))["simulated"] is True
    assert json.loads(run("judge", "--json", real))["simulated"] is False


def test_picture_and_sheet_carry_it(tried: tuple[Path, str], real: Path, tmp_path: Path) -> None:
    file = next(tried[0].glob("*-system-*.csv"))
    for name, source, there in (("a", file, True), ("b", real, False)):
        run("picture", source, "-o", tmp_path / f"{name}.svg")
        assert ("SIMULATED: invented demo data" in (tmp_path / f"{name}.svg").read_text("utf-8")) is there
        run("sheet", source, "-o", tmp_path / f"{name}.html")
        sheet = (tmp_path / f"{name}.html").read_text("utf-8")
        assert ("invented demo data – no real vehicle was tested" in sheet) is there
        assert (re.search(r"<h2>[^<]*SIMULATED", sheet) is not None) is there


def test_the_list_of_jobs_marks_it(tried: tuple[Path, str], real: Path) -> None:
    assert "SIMULATED" in run("jobs", tried[0]) and "SIMULATED" not in run("jobs", real.parent)
    assert all(test.simulated for job in jobs_table(tried[0]).jobs for test in job.tests)


def test_records_and_an_opened_one_mark_it(tried: tuple[Path, str], real: Path) -> None:
    file = next(tried[0].glob("*-cap-*.csv"))
    assert cell(quick_row(file), 2, "kPa") == "cap SIMULATED"
    assert "SIMULATED" not in cell(quick_row(real), 2, "kPa")
    assert SIMULATED in opened_screen(load(str(file)), "kPa").title
    assert "SIMULATED" not in opened_screen(load(str(real)), "kPa").title
