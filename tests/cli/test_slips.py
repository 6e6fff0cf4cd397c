"""Slips of the hand: names mistyped or too long, folders that may not be entered. One line each: what, where, what to
do; nothing is called a fault of the program."""

from __future__ import annotations

import ctypes
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from recorder.cli import main

ROOT = Path(__file__).parents[2]
RECORDING = min((ROOT / "recordings").glob("*-cap-*.csv"))
LONG = "x" * 300  # longer than any file system takes: NAME_MAX of POSIX systems is 255


def run(*args: object) -> tuple[int, str, str]:
    done = CliRunner().invoke(main, [str(a) for a in args], prog_name="recorder")
    return done.exit_code, done.stdout, done.stderr


@pytest.mark.parametrize(("typed", "said"), [
    (["recrod"], "recorder: No such command 'recrod'. Did you mean 'record'? See 'recorder --help'.\n"),
    (["Audit"], "recorder: No such command 'Audit'. Did you mean 'audit'? See 'recorder --help'.\n"),
    (["xyzzy"], "recorder: No such command 'xyzzy'. See 'recorder --help'.\n"),
    (["record"], "recorder record: Missing option '--test'. Choose from: cap, system, tester. See 'recorder record "
                 "--help'.\n"),
    (["record", "--test", "cap", "--bare"], "recorder record: Option '--bare' requires an argument. See 'recorder "
                                            "record --help'.\n"),
    (["picture", RECORDING, "-o", "."], "'.' does not say what kind of picture is wanted; end the name with .svg, .png "
                                        "or .pdf\n"),
    (["record", "--test", "cap", "--port", "x", "--marked", "1600 psi"],
     "--marked: '1600 psi' is 11030 kPa (1600 psi), and caps are marked 20 to 250 kPa; read the stamp again\n"),
    *(([command, "--port", "x", "--seconds", "nan"],
       f"recorder {command}: Invalid value for '--seconds': 'nan' is no number. See 'recorder {command} --help'.\n")
      for command in ("adapter", "conform", "calibrate")),
])
def test_what_is_mistyped(typed: list[object], said: str) -> None:
    code, out, err = run(*typed)
    assert (code, out, err) == (2, "", said)


def test_a_recording_is_no_list_of_pairs() -> None:
    code, _, err = run("calibrate", RECORDING)
    assert code == 2 and err.startswith(f"{RECORDING}, line ") and "this is a recording, and not a list of pairs" in err


def test_a_unit_of_the_settings_is_any_of_pressure(tmp_path: Path) -> None:
    """It said to give it in kPa, as if no other were taken."""
    (tmp_path / "recorder.toml").write_text('unit = "pis"\n')
    code, _, err = run("sheet", RECORDING, "-o", tmp_path / "x.html", "--settings", tmp_path / "recorder.toml")
    assert code == 2 and err.endswith("; give a unit of pressure: kPa, psi, bar, kgf/cm2\n"), err


def test_settings_with_a_byte_order_mark(tmp_path: Path) -> None:
    """As some editors save UTF-8."""
    (tmp_path / "recorder.toml").write_bytes(b'\xef\xbb\xbf[shop]\nname = "Corner Lane Garage (invented)"\n')
    code, _, err = run("sheet", RECORDING, "-o", tmp_path / "x.html", "--settings", tmp_path / "recorder.toml")
    assert code == 0, err
    assert "Corner Lane Garage" in (tmp_path / "x.html").read_text("utf-8")


@pytest.fixture
def closed(tmp_path: Path) -> Iterator[Path]:
    """A folder that may not be entered, with one in it."""
    folder = tmp_path / "closed"
    (folder / "in").mkdir(parents=True)
    folder.chmod(0)
    yield folder
    folder.chmod(0o700)


def _as_anybody() -> None:
    """Root without what lets it pass over rights (capabilities(7): CAP_DAC_OVERRIDE 1, CAP_DAC_READ_SEARCH 2; prctl
    24 drops one for what is started). Of no effect for everybody else."""
    for capability in (1, 2):
        ctypes.CDLL(None).prctl(24, capability, 0, 0, 0)


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="rights as on Linux")
@pytest.mark.parametrize("command", [
    "try --fast --folder closed/in", "picture REC -o closed/in/x.svg", "sheet REC -o closed/in/x.html",
    "export REC --to sheet --folder closed/in", "calibrate pairs.csv --reference-u 0.3kPa -o closed/in/c.json",
    "audit closed/in", "audit closed", "jobs closed/in", "judge closed/in/a.csv", "judge REC",
])
def test_a_folder_that_may_not_be_entered(tmp_path: Path, closed: Path, command: str) -> None:
    (tmp_path / "pairs.csv").write_text("0,0.1\n40,0.2547\n80,0.4094\n120,0.5641\n", "utf-8")
    config = closed if command == "judge REC" else tmp_path  # the last: the settings lie where nobody may look
    args = [str(RECORDING) if word == "REC" else word for word in command.split()]
    done = subprocess.run([sys.executable, "-m", "recorder", *args], cwd=tmp_path, capture_output=True, text=True,
                          check=False, timeout=60, preexec_fn=_as_anybody, encoding="utf-8",
                          env={**os.environ, "PYTHONPATH": str(ROOT), "XDG_CONFIG_HOME": str(config)})
    assert done.returncode == 2, done.stderr
    last = done.stderr.splitlines()[-1]
    assert "closed" in last and "fault in the program" not in last
    assert "; " in last or "See 'recorder audit --help'." in last  # and what to do
    if not command.startswith("try"):
        assert done.stderr.count("\n") == 1


@pytest.mark.parametrize("command", [
    f"picture REC -o {LONG}.svg", f"sheet REC -o {LONG}.html", f"export REC --to sheet --folder {LONG}",
    f"calibrate pairs.csv --reference-u 0.3kPa -o {LONG}.json", f"audit {LONG}", f"jobs {LONG}", f"judge {LONG}.csv",
    f"try --fast --folder {LONG}", f"conform {LONG}.txt", f"sheet REC -o x.html --settings {LONG}.toml",
])
def test_a_name_that_is_too_long(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "pairs.csv").write_text("0,0.1\n40,0.2547\n80,0.4094\n120,0.5641\n", "utf-8")
    code, _, err = run(*[RECORDING if word == "REC" else word for word in command.split()])
    last = err.splitlines()[-1]
    assert code == 2 and LONG in last and "fault in the program" not in last and "; " in last


def test_a_locale_of_c_is_nothing_to_talk_about(tmp_path: Path) -> None:
    done = subprocess.run([sys.executable, "-m", "recorder", "picture", str(RECORDING), "-o", "x.png"], cwd=tmp_path,
                          capture_output=True, check=False, timeout=60,
                          env={**os.environ, "PYTHONPATH": str(ROOT), "LC_ALL": "C", "QT_QPA_PLATFORM": "offscreen"})
    assert (done.returncode, done.stderr) == (0, b""), done.stderr


def test_a_pair_that_is_off_is_told_in_the_unit_that_was_typed(tmp_path: Path) -> None:
    """A third one of 10 psi, read where 19 psi would be; 1 psi is 6.894757 kPa (NIST SP 811, appendix B.8). What is
    said of a whole span stays in kPa: there the unit itself may be the slip."""
    pairs = tmp_path / "pairs.csv"
    pairs.write_text("0,0.1\n10,0.3666\n10,0.61\n20,0.6333\n30,0.9\n")
    code, _, err = run("calibrate", pairs, "--unit", "psi")
    assert code == 2 and "pair 3 (10.000 psi at 0.6100) is 7.1 psi off" in err and "kPa" not in err, err
    pairs.write_text("0,0.1\n1,0.3666\n2,0.6333\n3,0.9\n")
    code, _, err = run("calibrate", pairs, "--unit", "psi")
    assert code == 2 and "span only 20.7 kPa, at least 50 kPa" in err, err


def test_a_folder_that_is_not_there_is_said_before_the_pairs_are_taken(tmp_path: Path) -> None:
    """Half an hour at the bench was over when it was said."""
    out = tmp_path / "none" / "gauge.json"
    code, said, err = run("calibrate", "--port", tmp_path / "ttyNone", "-o", out, "--reference-u", "0")
    assert (code, said, err) == (2, "", f"{out.parent}: there is no such folder; make it first\n")


def test_readings_in_another_unit_are_named_beside_pressures_in_another(tmp_path: Path) -> None:
    """A board that prints kPa, called one of psi; --unit psi, which was all that was advised, stood there already."""
    pairs = tmp_path / "pairs.csv"
    pairs.write_text("0,0.0\n10,68.1\n20,138.0\n30,207.2\n")  # 1 psi is 6.894757 kPa (NIST SP 811)
    code, _, err = run("calibrate", pairs, "--unit", "psi", "--bare", "psi")
    said = "like psi taken for kPa, or the readings like kPa taken for psi; give --unit psi, or give the readings' own"
    assert code == 2 and said in err, err
    assert run("calibrate", pairs, "--unit", "psi", "--bare", "kPa")[0] == 0


@pytest.mark.parametrize("command", ["audit", "jobs"])
def test_an_empty_name_is_not_the_current_folder(command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As a script gives it whose variable was never set: it would be told that all is in order."""
    monkeypatch.chdir(tmp_path)
    assert run(command, "") == (2, "", "the name of the folder is empty; give its name; . is the current one\n")


def test_a_file_that_begins_like_an_option_is_said_to_be_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    said = "recorder judge: No such option '-d'."
    assert run("judge", "-dash.csv") == (2, "", f"{said} See 'recorder judge --help'.\n")
    shutil.copy(RECORDING, "-dash.csv")
    assert run("judge", "-dash.csv") == (2, "", f"{said} The file of that name is written './-dash.csv'. See "
                                                "'recorder judge --help'.\n")
    assert run("judge", "./-dash.csv")[0] == 0


def test_a_picture_of_an_altered_recording_is_told_beside_it_too(tmp_path: Path) -> None:
    altered = tmp_path / "altered.csv"
    altered.write_text(RECORDING.read_text("utf-8").replace("grey hatchback", "blue hatchback"), "utf-8")
    code, out, err = run("picture", altered, "-o", tmp_path / "x.svg")
    assert (code, out) == (0, f"{tmp_path / 'x.svg'}\n")
    assert err == f"{altered}: ALTERED: it was changed after it was sealed; the picture says so\n"
