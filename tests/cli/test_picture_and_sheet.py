"""``recorder picture`` and ``recorder sheet`` on real files, and the audit's bar at a terminal."""

from __future__ import annotations

import json
import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from recorder.cli import main
from recorder.model import Mark
from recorder.recording import read
from tests.benchmarks.made import make

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("pair")
    return (make(folder, 0, seconds=40, rate_hz=20, job="blue <van>"),
            make(folder, 3, seconds=40, rate_hz=20, job="blue <van>"))


def run(*args: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in args])


@pytest.mark.parametrize(("kind", "magic"), [("svg", b"<svg"), ("png", b"\x89PNG"), ("pdf", b"%PDF")])
def test_pictures_before_and_after(pair: tuple[Path, Path], tmp_path: Path, kind: str, magic: bytes) -> None:
    out = tmp_path / f"x.{kind}"
    done = run("picture", pair[1], "--before", pair[0], "-o", out, "--unit", "psi")
    assert done.exit_code == 0 and done.stdout == f"{out}\n"
    assert out.read_bytes().startswith(magic)
    again = run("picture", pair[1], "-o", out)
    assert again.exit_code == 2 and "left as it is" in again.stderr
    if kind == "svg":
        text = out.read_text("utf-8")
        for path in pair:
            assert path.name in text and str(read(path).sha256) in text
        assert text.index("Before: ") < text.index("After: ")
        words = " ".join(re.findall(r">([^<>]+)</text>", text))
        assert "psi" in words and set(re.findall(r"[\d.]+ kPa", words)) <= {"100 kPa"}  # as stamped


def test_before_and_after_of_two_vehicles_are_asked_about(pair: tuple[Path, Path], tmp_path: Path) -> None:
    """Two cars on one picture look like a repair."""
    out = tmp_path / "x.svg"
    assert run("picture", pair[1], "--before", pair[0], "-o", out).stderr == ""
    other = tmp_path / "other.csv"
    text = re.sub(r"# sha256.*\n", "", pair[0].read_text("utf-8")).replace('"blue <van>"', '"1043 white"')
    other.write_text(re.sub(r"# marked: .*", '# marked: {"value": 13, "unit": "psi"}', text), "utf-8")
    done = run("picture", pair[1], "--before", other, "-o", out, "--force")
    assert done.exit_code == 0 and done.stderr.splitlines() == [
        f'{other}: it is of "1043 white", and {pair[1]} of "blue <van>": is that one vehicle?',
        f"{other}: its cap was marked 13 psi, and that of {pair[1]} 100 kPa: is that one vehicle?"]
    other.write_text(pair[0].read_text("utf-8").replace('"blue <van>"', '"Blue  <VAN>"'), "utf-8")  # the same, as typed
    assert "vehicle" not in run("picture", pair[1], "--before", other, "-o", out, "--force").stderr


def test_before_has_to_be_before(pair: tuple[Path, Path], tmp_path: Path) -> None:
    first, second = pair
    cap = tmp_path / "cap.csv"
    cap.write_text(first.read_text("utf-8").replace('# test: "system"', '# test: "cap"'), "utf-8")
    copy = tmp_path / "copy.csv"
    copy.write_bytes(second.read_bytes())
    offset = tmp_path / "offset.csv"  # an hour after the second one, though it sorts before it
    text = second.read_text("utf-8").replace("# id: ", "# was: ")
    offset.write_text(text.replace('"2026-03-01T03:00:00.000Z"', '"2026-03-01T01:00:00-03:00"'), "utf-8")
    assert "-03:00" in offset.read_text("utf-8")
    for before, said in ((second, "the same recording"), (copy, "the same recording"),
                         (cap, "this is a cap test, and"), (offset, "it began later than")):
        done = run("picture", second, "--before", before, "-o", tmp_path / "x.svg")
        assert done.exit_code == 2 and said in done.stderr and len(done.stderr.splitlines()) == 1
    assert run("picture", first, "--before", second, "-o", tmp_path / "x.svg").exit_code == 2
    assert not (tmp_path / "x.svg").exists()
    assert run("picture", second, "--before", first, "-o", tmp_path / "x.svg").exit_code == 0


def test_the_sheet_has_the_shops_name_and_one_unit(pair: tuple[Path, Path], tmp_path: Path) -> None:
    settings = tmp_path / "recorder.toml"
    settings.write_text(
        'unit = "psi"\n[shop]\nname = "Corner Lane <Garage> (invented)"\nline = "1 Nowhere Road"\n', "utf-8")
    out = tmp_path / "sheet.html"
    done = run("sheet", *reversed(pair), "-o", out, "--settings", settings)
    assert done.exit_code == 0, done.output
    text = out.read_text("utf-8")
    assert "Corner Lane &lt;Garage&gt; (invented)" in text and "1 Nowhere Road" in text
    assert "blue &lt;van&gt;" in text
    assert text.index(pair[0].name) < text.index(pair[1].name)  # in the order of the tests
    words = re.sub(r"<[^>]*>", " ", text.partition("</style>")[2]).replace("\u00a0", " ")
    assert "psi" in words and set(re.findall(r"[\d.]+ kPa", words)) <= {"100 kPa"}
    assert not re.search(r"(src|href)=|url\(|@import", text)  # it loads nothing
    paper = tmp_path / "sheet.pdf"
    done = run("sheet", pair[0], "-o", paper, "--settings", settings, "--paper", "letter", "--json")
    assert done.exit_code == 0 and json.loads(done.stdout)["recordings"][0]["file"] == str(pair[0])
    assert paper.read_bytes().startswith(b"%PDF")
    assert run("sheet", pair[0], "-o", tmp_path / "sheet.doc").exit_code == 2


def test_a_script_is_told_what_was_altered(pair: tuple[Path, Path], tmp_path: Path) -> None:
    """The page shows ALTERED in place of an answer; the JSON gives what the rows say, and that it was altered."""
    path = tmp_path / pair[0].name
    path.write_bytes(pair[0].read_bytes().replace(b'# job: "', b'# job: "x', 1))
    for command, name in (("sheet", "x.html"), ("picture", "x.svg")):
        (one,) = json.loads(run(command, path, "-o", tmp_path / name, "--json").stdout)["recordings"]
        assert one["intact"] is False


def test_a_progress_bar_at_a_terminal_and_none_in_the_output(pair: tuple[Path, Path]) -> None:
    there, here = pty.openpty()
    done = subprocess.run(
        [sys.executable, "-m", "recorder", "audit", "--json", "--no-cache", str(pair[0].parent)],
        stdout=subprocess.PIPE, stderr=here, check=False, timeout=60,
        env={**os.environ, "PYTHONPATH": str(ROOT), "TERM": "xterm", "COLUMNS": "80"})
    os.close(here)
    shown = b""
    try:
        while chunk := os.read(there, 65536):
            shown += chunk
    except OSError:  # the other end is closed
        pass
    os.close(there)
    assert done.returncode == 0 and done.stdout.count(b"\n") == 3 and b"\x1b" not in done.stdout
    assert b"recordings" in shown and b"2/2" in shown


def test_findings_are_numbered_on_the_picture(tmp_path: Path) -> None:
    from recorder.analysis import judge
    from recorder.recording import Writer

    first = read(make(tmp_path / "made", 1, seconds=20, rate_hz=20, seal=False))
    writer = Writer(tmp_path, first.header)
    writer.add(first.rows)
    writer.mark(Mark(15.0, "drip & hiss at the radiator"))
    writer.seal(judge(first).to_json())
    done = run("picture", writer.path, "-o", tmp_path / "x.svg", "--json")
    assert done.exit_code == 0
    assert json.loads(done.stdout) == {"picture": str(tmp_path / "x.svg"), "recordings": [
        {"file": str(writer.path), "outcome": "undecided", "intact": True, "sha256": read(writer.path).sha256}]}
    assert "1 at 15.0 s: drip &amp; hiss at the radiator" in (tmp_path / "x.svg").read_text("utf-8")
    # and the advice, wherever it is given, goes by what was seen
    place = "drip & hiss at the radiator"
    assert place in run("judge", writer.path).stdout
    assert "Marked: drip &amp; hiss at the radiator" in (tmp_path / "x.svg").read_text("utf-8")


def test_one_recording_under_two_names_is_no_test_made_again(pair: tuple[Path, Path], tmp_path: Path) -> None:
    """A customer would read of two tests, a script of a repair that changed nothing."""
    copy, out = tmp_path / "copy.csv", tmp_path / "x.html"
    copy.write_bytes(pair[0].read_bytes())
    done = run("sheet", pair[0], pair[0], copy, pair[1], "-o", out)
    assert done.exit_code == 0
    assert done.stderr.splitlines() == [f"{again}: passed over, it is the same recording as {pair[0]}"
                                        for again in (pair[0], copy)]
    assert out.read_text("utf-8").count("<section>") == 2
    for path in (copy, tmp_path / "other.csv"):  # from another program: no id tells it
        path.write_text('# test: "cap"\ntime_s,pressure_kPa\n0,0\n1,1\n', "utf-8")
    done = run("picture", copy, "--before", tmp_path / "other.csv", "-o", tmp_path / "x.svg")
    assert done.exit_code == 2 and "the same recording twice" in done.stderr


def test_a_sheet_of_two_jobs_says_so(pair: tuple[Path, Path], tmp_path: Path) -> None:
    """One customer would read of the other's car."""
    other = make(tmp_path, 5, seconds=40, rate_hz=20, job="red car")
    none = make(tmp_path, 6, seconds=40, rate_hz=20, job=" ")
    done = run("sheet", *pair, none, other, "-o", tmp_path / "x.html")
    assert done.exit_code == 0 and done.stdout.splitlines() == [str(tmp_path / "x.html")]
    [said] = [line for line in done.stderr.splitlines() if "jobs" in line]
    assert "it shows 2 jobs: " in said and '"blue <van>"' in said and '"red car"' in said
    assert "jobs" not in run("sheet", *pair, none, "-o", tmp_path / "y.html").stderr


def test_a_stored_outcome_that_is_another_one_is_said_beside_the_sheet(pair: tuple[Path, Path], tmp_path: Path) -> None:
    stored = read(pair[0]).judgement
    assert stored is not None
    path = tmp_path / "other.csv"
    text = pair[0].read_text("utf-8").replace(f'"outcome": "{stored["outcome"]}"', '"outcome": "pass"')
    path.write_text(text[: text.index("# sha256")], "utf-8")
    done = run("sheet", path, "-o", tmp_path / "x.html")
    assert done.exit_code == 0, done.output
    assert f"stored in the file is 'pass'; the sheet says what its rows give, '{stored['outcome']}'" in done.stderr
