"""``recorder calibrate --port`` from the first prompt to a recording judged with what it made: a real
pseudo-terminal, fed with what the simulated sensor reads at the pressure that is set."""

from __future__ import annotations

import contextlib
import json
import os
import re
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from recorder import rig
from recorder.calibration import from_file_text
from recorder.cli import main
from recorder.cli._pairs import parse_pairs
from recorder.errors import FileError
from recorder.recording import read
from recorder.rig.lines import announcement, line
from recorder.rig.sensor import sample

ROOT = Path(__file__).parents[2]
SPAN, OFFSET_KPA, HYSTERESIS_KPA = 1.02, 1.5, 0.5
UP = (0.0, 80.0, 120.0, 160.0)
SCENE = rig.demo()[0].scene
# A sensor whose scale is 2 % off and whose zero is 1.5 kPa off: what a calibration is for.
SENSOR = replace(SCENE.sensor, span=SPAN, offset_kpa=OFFSET_KPA)


class Bench:
    """An adapter on a pseudo-terminal whose pressure is set by the test; ``bare``: prints psi."""

    def __init__(self, bare: bool) -> None:
        self.kpa = 0.0
        self.bare = bare
        self.fault = ""
        self.stop = threading.Event()
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        os.set_blocking(self.master, False)  # nobody reads: it is lost, as on a real line
        self.url = os.ttyname(self.slave)
        self.thread = threading.Thread(target=self.play, daemon=True)

    def play(self) -> None:
        scene = replace(SCENE, sensor=SENSOR)
        trace = rig.simulate(replace(scene, vented_s=1.0, hold_s=1.0))
        grid = np.array([0.0, 1.0])
        counts: dict[float, list[int]] = {}
        begin, n = time.monotonic(), 0
        while not self.stop.wait(max(0.0, begin + n * 0.01 - time.monotonic())):
            kpa = self.kpa
            if kpa not in counts:
                got = sample(replace(scene, seed=len(counts)), grid, np.full(2, kpa), 0.0, 1.0)
                counts[kpa] = got.counts.tolist()
            c = counts[kpa][n % len(counts[kpa])]
            if self.bare:  # what a board would print that believes its data sheet
                out = b"%.3f\n" % ((c / 4095 - 0.1) / 0.8 * 30.0)
            else:
                out = line(f"S,{n % 65536},{n * 10_000},{c},,")
                if n % 100 == 0:
                    out = announcement(trace) + out
                if self.fault and n % 10 == 0:
                    out += line(f"F,{n * 10_000},{self.fault}")
            with contextlib.suppress(OSError):
                os.write(self.master, out)
            n += 1


@pytest.fixture
def bench(request: pytest.FixtureRequest) -> Iterator[Bench]:
    made = Bench(bare=bool(getattr(request, "param", False)))
    made.thread.start()
    yield made
    made.stop.set()
    made.thread.join()
    os.close(made.master)
    os.close(made.slave)


def until(child: subprocess.Popen[bytes], ending: bytes) -> bytes:
    """What it says on standard error, up to ``ending``."""
    assert child.stderr is not None
    said = b""
    while not said.endswith(ending):
        got = child.stderr.read(1)
        assert got, said.decode()
        said += got
    return said


def calibrated(bench: Bench, out: Path | None, *more: str, up: tuple[float, ...] = UP, slip: bool = False
               ) -> tuple[str, str]:
    """Goes up and down through the pressures, answering the prompts. Standard output and error."""
    child = subprocess.Popen(
        [sys.executable, "-m", "recorder", "calibrate", "--port", bench.url, "--seconds", "0.5",
         "--reference-u", "0.25 %FS", "--reference-full-scale", "400 kPa", "--reference", "bench gauge 4",
         *([] if out is None else ["-o", str(out)]), *more],
        cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )
    assert child.stdin is not None
    said = b""
    steps = [(kpa, "up") for kpa in up] + [(kpa, "down") for kpa in up[-2::-1]]
    number = 1
    for kpa, way in steps:
        said += until(child, b"reference %d: " % number)
        bench.kpa = kpa + (HYSTERESIS_KPA if way == "down" else 0.0)
        time.sleep(0.1)
        if slip and kpa == 80.0 and way == "up":
            bench.fault = "open"
            child.stdin.write(b"80\n")
            child.stdin.flush()
            said += until(child, b"reference %d: " % number)
            bench.fault = ""
        child.stdin.write(b"%g\n" % kpa)
        child.stdin.flush()
        number += 1
    said += until(child, b"reference %d: " % number)
    child.stdin.write(b"\n")
    child.stdin.flush()
    printed, rest = child.communicate(timeout=30)
    assert child.returncode == 0, rest
    return printed.decode(), (said + rest).decode()


def test_live_up_and_down_then_a_recording_carries_it(bench: Bench, tmp_path: Path) -> None:
    file = tmp_path / "gauge.json"
    printed, said = calibrated(bench, file, "--full-scale", "30 psi", slip=True)
    assert said.startswith("CAUTION: pressure is stored in the hose.")
    assert "fault 'open'" in said and said.count("type it again") == 1
    assert said.count(", up\n") == 4 and said.count(", down\n") == 3
    cal = from_file_text(file.read_text("utf-8"), str(file))
    # true = (read - offset) / span, and half of the hysteresis as the middle of up and down
    slope = 206.84 / 0.8 / SPAN
    assert cal.coefficients_kpa[1] == pytest.approx(slope, rel=3e-3)
    zero = cal.coefficients_kpa[0] + cal.coefficients_kpa[1] * (0.1 + 0.8 * OFFSET_KPA / 206.84)
    assert zero == pytest.approx(-HYSTERESIS_KPA / 2, abs=0.2)
    body = json.loads(file.read_text("utf-8"))
    assert body["details"]["hysteresis_kPa"] == pytest.approx(HYSTERESIS_KPA, abs=0.15)
    # the steps are means of 50 samples: what one alone may be off by is more, and is said beside it
    alone = re.search(r"noise +(\S+) kPa in one reading: one alone is right within ± (\S+) kPa", printed)
    assert alone is not None and cal.standard_uncertainty_kpa is not None
    noise, both = float(alone[1]), float(alone[2])
    assert 0.5 * SCENE.sensor.white_kpa < noise < 4 * SCENE.sensor.white_kpa
    assert both == pytest.approx(2 * float(np.hypot(noise, cal.standard_uncertainty_kpa)), rel=0.05)  # two digits
    assert "a reading taken as these were is right within" in printed
    reference = 0.0025 * 400 / 3**0.5
    assert cal.standard_uncertainty_kpa is not None
    assert reference < cal.standard_uncertainty_kpa < reference + 0.5
    assert cal.adapter_id == "rig-1" and cal.reference == "bench gauge 4" and cal.due is not None
    assert "straight line" in printed and "hysteresis" in printed and f"due again {cal.due}" in printed

    # the same sensor, in a cap test: nominal it reads 2 % and 1.5 kPa too much, calibrated it is right
    trace = rig.simulate(replace(SCENE, sensor=SENSOR, hold_s=14.0, vented_s=4.0))
    with rig.SimulatedTester(trace, speed=20.0, start_after_s=20.0) as tester:
        done = subprocess.run(
            [sys.executable, "-m", "recorder", "record", "--port", tester.url, "--test", "cap", "--marked",
             "16 psi", "--calibration", str(file), "--hold", "12 s", "--folder", str(tmp_path / "out"), "--json"],
            cwd=ROOT, capture_output=True, text=True, timeout=90, check=False,
        )
    assert done.returncode == 0, done.stderr
    judgement = json.loads(done.stdout)
    for name in ("opening", "peak"):  # what the calibration may be off by is in what is said
        assert judgement[name]["standard_uncertainty"] > cal.standard_uncertainty_kpa
    assert judgement["peak"]["value"] == pytest.approx(trace.truth.peak_kpa, abs=1.2)
    assert trace.truth.peak_kpa * (SPAN - 1) > 2.0  # what it would be wrong by without
    [recorded] = (tmp_path / "out").glob("*-*.csv")
    assert read(recorded, strict=True).header.calibration == cal


def test_without_a_file_to_write_it_is_said_first_and_nothing_is_lost(bench: Bench, tmp_path: Path) -> None:
    """What was taken makes the same calibration once it is in a file."""
    printed, said = calibrated(bench, None, up=(0.0, 80.0, 160.0))
    assert said.index("No file will be written: -o FILE") < said.index("reference 1: ")
    lines = said.partition("The pairs that were taken")[2].splitlines()[1:]
    assert len(lines) == 5 and "no file was written" in printed
    file, out = tmp_path / "pairs.csv", tmp_path / "gauge.json"
    file.write_text("\n".join(lines), "utf-8")
    again = CliRunner().invoke(main, ["calibrate", str(file), "--reference-u", "0.25 %FS", "--reference-full-scale",
                                      "400 kPa", "-o", str(out)])
    assert again.exit_code == 0, again.output
    [curve] = [line for line in printed.splitlines() if line.startswith("kPa =")]
    offset, slope = (float(x) for x in re.findall(r"-?\d+\.\d+", curve))
    cal = from_file_text(out.read_text("utf-8"), str(out))
    assert cal.coefficients_kpa == pytest.approx((offset, slope), abs=0.02)
    said = calibrated(bench, tmp_path / "other.json", up=(0.0, 80.0, 160.0))[1]
    assert "No file" not in said and "The pairs" not in said


@pytest.mark.parametrize("bench", [True], indirect=True)
def test_plain_readings_are_calibrated_and_used(bench: Bench, tmp_path: Path) -> None:
    """A board that prints psi, wrong by 2 % and 1.5 kPa: calibrated live, then recorded with it."""
    file = tmp_path / "bare.json"
    printed, said = calibrated(bench, file, "--bare", "psi", up=(0.0, 80.0, 160.0))
    assert "psi, scatter" in said and "·reading" in printed
    cal = from_file_text(file.read_text("utf-8"), str(file))
    assert cal.bare and cal.adapter_id is None
    assert cal.coefficients_kpa[1] == pytest.approx(1 / SPAN, rel=3e-3)

    bench.kpa = 100.0
    common = ["--port", bench.url, "--test", "tester", "--folder", str(tmp_path), "--bare", "psi"]
    child = subprocess.Popen(
        [sys.executable, "-m", "recorder", "record", *common, "--calibration", str(file), "--json"],
        cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )
    while not list(tmp_path.glob("*-tester-*.csv")):
        assert child.poll() is None, child.communicate()
        time.sleep(0.05)
    time.sleep(0.5)
    child.terminate()
    out, err = child.communicate(timeout=30)
    assert child.returncode == 0, err
    recording = read(json.loads(out)["file"], strict=True)
    assert recording.header.calibration == cal
    # 100 kPa, and a quarter of a kPa less than the board is off: the middle of up and down was fitted
    assert float(np.mean(recording.rows.pressure_kpa)) == pytest.approx(100.0 - HYSTERESIS_KPA / 2, abs=0.3)

    refused = subprocess.run(
        [sys.executable, "-m", "recorder", "record", "--port", bench.url, "--test", "tester", "--folder",
         str(tmp_path), "--calibration", str(file)],
        cwd=ROOT, capture_output=True, text=True, timeout=30, check=False,
    )
    assert refused.returncode == 2 and "calibration is of plain readings" in refused.stderr
    assert refused.stderr.count("\n") == 1


def test_what_was_measured_outlives_a_slip(bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """psi typed as kPa, or Ctrl-C: the pairs are said as lines that a file of pairs may have."""
    ask = ["calibrate", "--port", bench.url, "--seconds", "0.5"]
    got = CliRunner().invoke(main, ask, input="0\n5\n12.5\n\n")
    said = got.stderr.splitlines()
    assert got.exit_code == 2 and "span only 12.5 kPa" in said[-1]
    at = next(i for i, text in enumerate(said) if text.startswith("The pairs that were taken"))
    lines = said[at + 1 : -1]
    assert [text.split(",")[0] for text in lines] == ["0", "5", "12.5"] and all(t.endswith(",up") for t in lines)
    file = tmp_path / "pairs.csv"
    file.write_text("\n".join(lines))
    again = CliRunner().invoke(main, ["calibrate", str(file)])
    assert "span only 12.5 kPa" in again.stderr  # they are read as they were taken
    monkeypatch.setattr("recorder.cli._pairs._step", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
    none = CliRunner().invoke(main, ask, input="0\n")
    assert none.exit_code == 2 and "The pairs" not in none.stderr and none.stderr.splitlines()[-1] == "stopped"


def test_a_calibration_for_another_adapter_than_the_one_on_the_port_is_refused_before_the_first_pair(
    bench: Bench, tmp_path: Path
) -> None:
    out = tmp_path / "gauge.json"
    done = subprocess.run(
        [sys.executable, "-m", "recorder", "calibrate", "--port", bench.url, "--reference-u", "0.3 kPa", "-o", str(out),
         "--adapter-id", "hose-9"],
        cwd=ROOT, input="0\n", capture_output=True, text=True, timeout=60, check=False,
    )
    assert done.returncode == 2 and not out.exists() and "reference 1" not in done.stderr
    assert "--adapter-id: it is to be of 'hose-9', and this adapter is 'rig-1'" in done.stderr.splitlines()[-1]


def test_ctrl_c_leaves_the_pairs_on_the_screen(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    steps = iter([(0.1, 0.001, "one"), (0.2, 0.001, "two")])

    def step(*_: object) -> tuple[float, float, str]:
        got = next(steps, None)
        if got is None:
            raise KeyboardInterrupt
        return got

    monkeypatch.setattr("recorder.cli._pairs._step", step)
    got = CliRunner().invoke(main, ["calibrate", "--port", bench.url, "--unit", "psi"], input="0\n10\n20\n")
    assert got.exit_code == 2
    assert got.stderr.splitlines()[-4:] == ["0,0.1,up", "10,0.2,up", "", "stopped"]


def test_a_file_that_cannot_be_written_leaves_the_pairs_on_the_screen(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps = iter([(0.1, 0.001, "one"), (0.366, 0.001, "two"), (0.634, 0.001, "three")])
    monkeypatch.setattr("recorder.cli._pairs._step", lambda *_: next(steps))
    out = tmp_path / ("x" * 300)  # longer than any file system takes: NAME_MAX of POSIX systems is 255
    got = CliRunner().invoke(main, ["calibrate", "--port", bench.url, "--unit", "psi", "-o", str(out),
                                    "--reference-u", "0"], input="0\n10\n20\n\n")
    assert got.exit_code == 2 and "cannot be written" in got.stderr.splitlines()[-1]
    assert got.stderr.splitlines()[-4:-1] == ["0,0.1,up", "10,0.366,up", "20,0.634,up"]


def test_a_calibration_that_is_written_nowhere_says_so(tmp_path: Path) -> None:
    file = tmp_path / "pairs.csv"
    file.write_text("0,0.1001,up\n80,0.4099,up\n160,0.7188,up\n80,0.4101,down\n")
    done = CliRunner().invoke(main, ["calibrate", str(file)])
    assert done.exit_code == 0 and done.stdout.splitlines()[-1] == "no file was written: -o FILE writes one"
    written = ["-o", str(tmp_path / "g.json"), "--reference-u", "0.3 kPa"]
    done = CliRunner().invoke(main, ["calibrate", str(file), *written])
    assert done.exit_code == 0 and "no file was written" not in done.stdout


@pytest.mark.parametrize("more", [[], ["--json"], ["--port", "/dev/none"]])
def test_no_file_is_written_of_a_reference_whose_uncertainty_was_not_said(tmp_path: Path, more: list[str]) -> None:
    """It would carry 0.03 kPa where the gauge beside it may be off by ten times that; and it is asked for before the
    pairs are taken, not after."""
    file, out = tmp_path / "pairs.csv", tmp_path / "gauge.json"
    file.write_text("0,0.1001,up\n80,0.4099,up\n160,0.7188,up\n80,0.4101,down\n")
    args = ["calibrate", *([] if "--port" in more else [str(file)]), *more, "-o", str(out)]
    done = CliRunner().invoke(main, args)
    assert done.exit_code == 2 and not out.exists() and done.stdout == ""
    assert done.stderr.startswith("--reference-u: ") and done.stderr.count("\n") == 1
    assert "'0.25 %FS'" in done.stderr and "'0.3 kPa'" in done.stderr and "0" in done.stderr
    if "--port" not in more:
        perfect = CliRunner().invoke(main, [*args, "--reference-u", "0"])  # said, so it stands
        assert perfect.exit_code == 0 and out.exists()


@pytest.mark.parametrize("text", [
    "0.5,0.1021,up\n103.4,0.4996,up\n",
    "kPa;ratio;way\n0,5;0,1021;up\n103,4;0,4996;up\n",
    "0.5;0.1021;up\n103.4;0.4996;up\n",
    "0,5\t0,1021\tup\n103,4\t0,4996\tup\n",
], ids=["commas", "semicolons and decimal commas", "semicolons", "tabs"])
def test_pairs_as_spreadsheets_write_them(text: str) -> None:
    """RFC 4180 knows commas alone; spreadsheets write semicolons where a number has a decimal comma (common practice,
    no source)."""
    pairs = parse_pairs(text, "pairs.csv", "kPa", None)
    assert [(p.reference_kpa, p.ratio, p.direction) for p in pairs] == [(0.5, 0.1021, "up"), (103.4, 0.4996, "up")]


def test_a_number_with_both_marks_is_no_number() -> None:
    with pytest.raises(FileError, match=r"line 2.*is not a pressure and a reading"):
        parse_pairs("1;0,1\n1.034,5;0,5\n", "pairs.csv", "kPa", None)


def test_a_line_that_is_too_long_for_a_cell_is_said() -> None:
    with pytest.raises(FileError, match=r"^pairs.csv, line 2: this is no line of a list of pairs"):
        parse_pairs(f"0,0.1\n{'x' * 200_000}\n", "pairs.csv", "kPa", None)


@pytest.mark.parametrize("text", ["103.42;1,023\n", "103.42\t1,023\n", "1.200;511,5\n", "1,200;511.5\n"])
def test_a_comma_between_thousands_is_not_taken_for_a_decimal_one(text: str) -> None:
    """The other number's mark says that it is none."""
    with pytest.raises(FileError, match=r"^pairs.csv, line 2: '1[.,]\d+' can be read in two ways .*; write one"):
        parse_pairs(f"0;102\n{text}", "pairs.csv", "kPa", 1023.0)
    [pair] = parse_pairs("1,200;0,5\n", "pairs.csv", "kPa", None)  # nothing contradicts
    assert (pair.reference_kpa, pair.ratio) == (1.2, 0.5)


@pytest.mark.parametrize(("heading", "refused"), [
    ("kPa", True), ("Reference [bar]", True), ("reference_kPa", True), ("psi", False), ("ref. PSI", False),
    ("psi (kPa)", False), ("barometer", False), ("reference", False),
])
def test_a_heading_that_names_another_unit_is_not_passed_over(heading: str, refused: bool) -> None:
    """Pairs in kPa under such a heading, read as psi, became a sensor of 1423 kPa, without a word."""
    text = f"{heading},ratio\n0,0.1\n34,0.2335\n69,0.3667\n"
    if not refused:
        assert len(parse_pairs(text, "p.csv", "psi", None)) == 3
        return
    with pytest.raises(FileError, match=r"p\.csv, line 1: the heading .* names another unit than psi"):
        parse_pairs(text, "p.csv", "psi", None)
