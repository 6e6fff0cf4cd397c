"""``recorder judge`` on files of our own and on what is no recording."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from recorder.cli import main
from tests.benchmarks.made import make
from tests.cli.terminal import at_a_terminal

HEAD = '# recording-format: 1\n# test: "cap"\n# marked: {"value": 16, "unit": "psi"}\n'


def write(path: Path, *, seed: int) -> Path:
    """A two-column recording: vented, seven strokes up, a flat hold, released."""
    noise = np.random.default_rng(seed)
    time_s = np.arange(0, 70, 0.1)
    steps = np.clip(np.floor((time_s - 5) / 1.0) + 1, 0, 7) * 14.0
    pressure = np.where(time_s < 65, steps, 0.0) + noise.normal(0, 0.05, len(time_s))
    rows = "".join(f"{t:.6f},{p:.4f}\n" for t, p in zip(time_s, pressure, strict=True))
    path.write_text(HEAD + "time_s,pressure_kPa\n" + rows, encoding="utf-8")
    return path


def test_json_keeps_the_order_and_reports_the_bad_file_in_its_place(tmp_path: Path) -> None:
    b, a = write(tmp_path / "b.csv", seed=1), write(tmp_path / "a.csv", seed=2)
    bad = tmp_path / "bad.csv"
    bad.write_bytes(b"\x89PNG\r\n\x1a\n\x00")
    result = CliRunner().invoke(main, ["judge", "--json", str(b), str(bad), str(a), str(tmp_path)])
    assert result.exit_code == 2
    lines = [json.loads(line) for line in result.stdout.splitlines()]
    assert [line["file"] for line in lines] == [str(b), str(bad), str(a), str(tmp_path)]
    assert ["error" in line for line in lines] == [False, True, False, True]
    assert lines[0]["judgement-format"] == 1 and lines[0]["test"] == "cap"
    said = result.stderr.splitlines()
    assert len(said) == 4
    assert all(map(str.startswith, said, [str(b), str(bad), str(a), str(tmp_path)]))
    assert "neither id nor seal" in said[0] and "neither id nor seal" in said[2]


@pytest.mark.parametrize("coefficients", ["[258.55]", "[5, 0]", "[100, -200, 200]"])
def test_a_calibration_by_which_no_pressure_rises(tmp_path: Path, coefficients: str) -> None:
    """Of what another program wrote: the pressures stand in the file, and are judged as they are."""
    odd, plain = (write(tmp_path / name, seed=1) for name in ("odd.csv", "plain.csv"))
    text = odd.read_text("utf-8")
    odd.write_text(text.replace("time_s", f'# calibration: {{"coefficients_kPa": {coefficients}}}\ntime_s', 1), "utf-8")
    result = CliRunner().invoke(main, ["judge", "--json", str(odd), str(plain)])
    assert result.exit_code == 0, result.output
    one, other = (json.loads(line) for line in result.stdout.splitlines())
    assert one["outcome"] == other["outcome"] and one["opening"] == other["opening"]


@pytest.mark.parametrize("columns", [60, 80])
def test_at_a_terminal_no_word_and_no_number_is_broken(tmp_path: Path, columns: int) -> None:
    """It is read from two metres; elsewhere a line stays one, for whoever searches it."""
    file = make(tmp_path, 3, seconds=40, rate_hz=20, job="van")
    screen, code = at_a_terminal(["judge", str(file)], columns)
    whole = CliRunner().invoke(main, ["judge", str(file)]).stdout.splitlines()[1:]
    assert code == 0 and max(map(len, whole)) > columns
    lines = [line.rstrip() for line in screen.plain.replace("\r", "").splitlines()]
    lines = lines[next(i for i, line in enumerate(lines) if ": system test" in line) :]
    assert max(map(len, lines)) < columns
    assert " ".join(" ".join(lines).split()) == " ".join(" ".join(whole).split())
    assert not [line for line in lines if line.endswith("±") or line.split()[:1] in (["±"], ["kPa"], ["kPa/min"])]
    assert all(line.startswith("  ") for line in lines[1:] if line)
    assert [line for line in lines if line.startswith("    ")]  # what goes on stands further in


def test_many_files_in_workers_give_what_one_process_gives(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("recorder.workers.WORTH_WORKERS", 4)  # 32 otherwise: not waited for here
    texts = [write(tmp_path / "made.csv", seed=seed).read_bytes() for seed in range(2)]
    files = [str(tmp_path / f"{i:02d}.csv") for i in range(9)]
    for i, file in enumerate(files):
        Path(file).write_bytes(texts[i % 2] if i != 5 else b"no recording\n")
    one, two = (CliRunner().invoke(main, ["judge", "--json", "--jobs", jobs, *files]) for jobs in ("1", "2"))
    assert (two.stdout, two.stderr, two.exit_code) == (one.stdout, one.stderr, 2)
    assert [json.loads(line)["file"] for line in two.stdout.splitlines()] == files
    assert all(map(str.startswith, two.stderr.splitlines(), files)) and two.stderr.count("\n") == len(files)


def test_a_stored_judgement_that_differs_in_digits_alone_is_no_other_outcome(tmp_path: Path) -> None:
    """"differs (stored: pass)" stood below a PASS, and said nothing of what differs."""
    whole = make(tmp_path, 1, seconds=40, rate_hz=20)
    text = whole.read_text("utf-8")
    stored = json.loads(text.rpartition("# judgement: ")[2].partition("\n")[0])
    digits, other = tmp_path / "digits.csv", tmp_path / "other.csv"
    digits.write_text(text.replace('"strokes": ', '"strokes": 7', 1), "utf-8")
    other.write_text(text.replace(f'"outcome": "{stored["outcome"]}"', '"outcome": "void"', 1), "utf-8")
    assert digits.read_text("utf-8") != text != other.read_text("utf-8") and stored["outcome"] != "void"
    said = CliRunner().invoke(main, ["judge", "--json", str(digits), str(other)]).stderr.splitlines()
    differs = "the judgement stored in the file differs"
    assert f"{digits}: {differs} (same outcome, other digits, stored: {stored['outcome']})" in said
    assert f"{other}: {differs} (stored: void)" in said


def test_json_says_beside_what_is_wrong_with_a_file(tmp_path: Path) -> None:
    """A script that reads standard output alone gets the judgement; who looks at the rest learns of the file."""
    whole = make(tmp_path, 1, seconds=40, rate_hz=20)
    text = whole.read_text("utf-8")
    altered, cut = tmp_path / "altered.csv", tmp_path / "cut.csv"
    altered.write_text(text.replace('"test": "system"', '"test": "cap"', 1).replace("# job: ", "# job:  "), "utf-8")
    cut.write_text(text[: len(text) // 2], "utf-8")
    result = CliRunner().invoke(main, ["judge", "--json", str(whole), str(altered), str(cut)])
    assert result.exit_code == 0
    keys = [list(json.loads(line)) for line in result.stdout.splitlines()]
    assert keys[0] == keys[1] and keys[0][:4] == ["file", "intact", "simulated", "judgement-format"]
    lines = [json.loads(line) for line in result.stdout.splitlines()]
    assert [line["intact"] for line in lines] == [True, False, None]
    assert [line["simulated"] for line in lines] == [False] * 3
    said = result.stderr.splitlines()
    assert not [line for line in said if str(whole) in line]
    assert [line for line in said if line.startswith(f"{altered}: ALTERED: ")]
    assert [line for line in said if line.startswith(f"{altered}: the judgement stored in the file differs")]
    assert [line for line in said if line.startswith(f"{cut}: ") and "cut off" in line]
    assert [line for line in said if line.startswith(f"{cut}: it was never sealed")]
    plain = CliRunner().invoke(main, ["judge", str(altered)])
    assert plain.stdout.count("ALTERED") == 1 and plain.stderr == ""
    assert plain.stdout.splitlines()[2].startswith("  ALTERED: ")  # beside the outcome, not below all else


def test_json_says_whether_a_real_vehicle_was_tested(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", seed=3)
    path.write_text("# simulated: true\n" + path.read_text("utf-8"), "utf-8")
    line = json.loads(CliRunner().invoke(main, ["judge", "--json", str(path)]).stdout)
    assert line["simulated"] is True and line["intact"] is None
    assert CliRunner().invoke(main, ["judge", str(path)]).stdout.count("SIMULATED") == 1


@pytest.mark.parametrize("broken", [AttributeError("made by a test"), MemoryError(), AssertionError(), OSError("eh")])
def test_what_nobody_foresaw_is_that_files_line_and_the_others_are_judged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, broken: Exception
) -> None:
    import recorder.recording as recording

    files = [str(write(tmp_path / f"{name}.csv", seed=3)) for name in "abc"]
    read = recording.read

    def breaks(name: str) -> object:
        if name == files[1]:
            raise broken
        return read(name)

    monkeypatch.setattr(recording, "read", breaks)
    result = CliRunner().invoke(main, ["judge", "--json", *files])
    assert result.exit_code == 2 and not isinstance(result.exception, type(broken))
    lines = [json.loads(line) for line in result.stdout.splitlines()]
    assert [line["file"] for line in lines] == files
    assert list(lines[1]) == ["file", "error"] and "outcome" in lines[2]
    said = lines[1]["error"]
    assert said.startswith(f"{files[1]}: it cannot be judged: ") and f" ({type(broken).__name__}" in said
    assert "\n" not in said and result.stderr.splitlines()[1] == said
    monkeypatch.setattr(recording, "read", lambda name: (_ for _ in ()).throw(KeyboardInterrupt))
    assert CliRunner().invoke(main, ["judge", "--json", *files]).stdout == ""


def test_good_files_exit_0_and_say_the_outcome(tmp_path: Path) -> None:
    path = write(tmp_path / "a.csv", seed=3)
    result = CliRunner().invoke(main, ["judge", str(path), "--unit", "psi"])
    assert result.exit_code == 0, result.output
    assert result.stdout.splitlines()[0] == str(path)
    assert "cap test, marked 16 psi" in result.stdout.splitlines()[1]
    assert " psi" in result.stdout and "\x1b" not in result.stdout
    assert result.stderr == ""


@pytest.mark.parametrize("line", [
    '# marked: {"value": 16, "unit": "cows"}\n', '# procedure: {"hold": "3 kPa"}\n',
    '# procedure: {"hold": "1e300 s", "shortest_hold": "1e300 s"}\n',
    '# procedure: {"band_low": "150 kPa", "band_high": "50 kPa"}\n', '# procedure: {"band_low": "190 kPa"}\n',
])
def test_a_header_that_cannot_be_used_names_the_file(tmp_path: Path, line: str) -> None:
    path = write(tmp_path / "a.csv", seed=3)
    path.write_text(line + path.read_text(encoding="utf-8"), encoding="utf-8")
    for command in (["judge"], ["picture", "-o", str(tmp_path / "x.svg")], ["sheet", "-o", str(tmp_path / "x.html")]):
        result = CliRunner().invoke(main, [*command, str(path)])
        assert result.exit_code == 2 and result.stdout == ""
        assert str(path) in result.stderr and len(result.stderr.splitlines()) == 1


@pytest.mark.parametrize(("limits", "said"), [
    ('{"hold": {"value": -5, "unit": "s"}}', "limit 'hold': it is {\"value\": -5, \"unit\": \"s\"}; it has"),
    ('{"hold": {"value": 60, "unit": "psi"}}', "limit 'hold': 'psi' is not a unit that can be turned into s; give it"),
    ('{"band_low": 120, "band_high": 90}', "limit 'band_low': it is 120 kPa, which is above 'band_high', 90"),
    ('{"band_high": 50, "shortest_hold": "5 s"}', "limit 'band_high': "),  # below the marking less a tenth
])
def test_a_limit_that_makes_no_sense_is_named_with_its_line(tmp_path: Path, limits: str, said: str) -> None:
    """Wherever the recording is judged: file, line, limit, what to do."""
    from recorder.errors import RecorderError
    from recorder.window.state.opened import load

    path = write(tmp_path / "a.csv", seed=1)
    text = path.read_text("utf-8").replace("time_s,", f"# procedure: {limits}\ntime_s,")
    path.write_text("\ufeff# a remark\n" + text, "utf-8")
    start = f"{path}, line 5: {said}"
    for args in (["judge", path], ["picture", path, "-o", tmp_path / "x.svg"],
                 ["sheet", path, "-o", tmp_path / "x.html"]):
        done = CliRunner().invoke(main, [str(a) for a in args])
        assert done.exit_code == 2 and done.stderr.startswith(start) and done.stderr.count("\n") == 1, done.stderr
    done = CliRunner().invoke(main, ["audit", "--no-cache", "--json", str(tmp_path)])
    assert start in json.loads(done.stdout.splitlines()[0])["error"]
    with pytest.raises(RecorderError) as caught:
        load(str(path))
    assert str(caught.value).startswith(start)
