"""What ``recorder record`` is told ends up, resolved, in the recording: each limit, by file and option, in any unit."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from click.testing import CliRunner

from recorder.cli import main
from recorder.cli.record import _gauge
from recorder.limits import KEYS, resolve
from recorder.recording import check_folder, read
from recorder.settings import Settings
from tests.cli.board import board
from tests.independent_feeder import line

ROOT = Path(__file__).parents[2]
PSI = 6.894757293168361

# limit: (as given, value in the recording, its unit)
Limits = dict[str, tuple[str, float | str, str]]  # as it is typed; what a recording has: value and unit
CAP: Limits = {
    "judged_pressure": ("peak", "peak", ""),
    "band_below": ("8 percent", 8.0, "percent"),
    "band_above": ("12 %", 12.0, "percent"),
    "band_low": ("0.9 kgf/cm2", 88.25985, "kPa"),
    "band_high": ("1.2 bar", 120.0, "kPa"),
    "hold": ("2 min", 120.0, "s"),
    "shortest_hold": ("0.5 minute", 30.0, "s"),
    "steady_fall_allowed": ("1 psi/minute", PSI, "kPa/minute"),
    "stroke_volume": ("1.5 in**3", 24.580596, "mL"),
    "local_air_pressure": ("29.92 inHg", 101.32073, "kPa"),
    "zero_shift_allowed": ("0.3 psi", 0.3 * PSI, "kPa"),
}
SYSTEM = {
    "target_low": ("1 psi", PSI, "kPa"),
    "target_high": ("0.002 kpsi", 2 * PSI, "kPa"),
    "over_limit": ("150 mbar", 15.0, "kPa"),
    "most_air": ("2 L", 2000.0, "mL"),
}

TESTER: Limits = {"tester_target": ("0.8 bar", 80.0, "kPa")}


@pytest.fixture
def adapter(request: pytest.FixtureRequest) -> Iterator[str]:
    """An adapter open to the air; ``"nameless"``: it never announces that 1023 counts are full scale."""
    first = b"" if getattr(request, "param", "") == "nameless" else line("A,1,hose-1,1.0,1023,100")
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    stop = threading.Event()

    def play() -> None:
        n = 0
        while not stop.wait(0.01):
            with contextlib.suppress(OSError):
                os.write(master, first * (n % 50 == 0) + line(f"S,{n % 65536},{n * 10000},{102 + n % 2},,"))
            n += 1

    thread = threading.Thread(target=play, daemon=True)
    thread.start()
    yield os.ttyname(slave)
    stop.set()
    thread.join()
    os.close(master)
    os.close(slave)


def started(url: str, folder: Path, *more: str, env: dict[str, str] | None = None) -> Path:
    """Records until there is a file, then stops. The file. env: of the environment, what is to be otherwise."""
    child = subprocess.Popen(
        [sys.executable, "-m", "recorder", "record", "--port", url, "--marked", "16 PSI", "--folder", str(folder),
         "--full-scale", "207 kPa", "--full-scale-counts", "1023", *more],
        cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env={**os.environ, **(env or {})},
    )
    deadline = time.monotonic() + 60
    while not list(folder.glob("*-*.csv")) and child.poll() is None and time.monotonic() < deadline:
        time.sleep(0.05)
    child.terminate()
    _, err = child.communicate(timeout=30)
    assert child.returncode == 0, err
    [file] = folder.glob("*-*.csv")
    return file


def holds(file: Path, wanted: Limits) -> None:
    found = read(file, strict=True).header.procedure
    for name, (_, value, unit) in wanted.items():
        if unit:
            assert found[name]["unit"] == unit
            assert found[name]["value"] == pytest.approx(value, rel=1e-5), name
        else:
            assert found[name] == value


def test_a_job_has_its_letters_whatever_the_locale(adapter: str, tmp_path: Path) -> None:
    """Where the locale is C an argument comes as bytes (PEP 383); the recording has the text that was typed."""
    env = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    file = started(adapter, tmp_path, "--test", "cap", "--job", "Müller ±", "--repair", "Kühler neu", env=env)
    header = read(file, strict=True).header
    assert (header.job, header.other["repair"]) == ("Müller ±", "Kühler neu")


def test_every_limit_is_covered_here() -> None:
    assert set(CAP) | set(SYSTEM) | set(TESTER) == {key.name for key in KEYS}


def test_the_target_of_the_tester_itself(adapter: str, tmp_path: Path) -> None:
    given = f"tester_target={TESTER['tester_target'][0]}"
    holds(started(adapter, tmp_path, "--test", "tester", "--limit", given), TESTER)


@pytest.mark.parametrize("adapter", ["nameless"], indirect=True)
def test_options_in_any_unit_for_an_adapter_without_a_name(adapter: str, tmp_path: Path) -> None:
    limits = [part for name, (text, _, _) in CAP.items() for part in ("--limit", f"{name}={text}")]
    file = started(adapter, tmp_path, "--test", "cap", *limits)
    holds(file, CAP)
    header = read(file).header
    assert header.adapter["full_scale_counts"] == 1023 and header.adapter["announced"] is False
    assert header.marked is not None and header.marked.kpa == pytest.approx(16 * PSI)


def test_settings_file_in_any_unit_and_the_named_procedure(adapter: str, tmp_path: Path) -> None:
    toml = tmp_path / "shop.toml"
    rows = "".join(f'{name} = "{text}"\n' for name, (text, _, _) in SYSTEM.items())
    toml.write_text(f'procedure = "two-psi-in-two-minutes"\n[limits]\nhold = "3 min"\n[limits.system]\n{rows}', "utf-8")
    folder = tmp_path / "out"
    file = started(adapter, folder, "--test", "system", "--settings", str(toml), "--stroke-volume", "0.024 L",
                   "--altitude", "1500 m")
    holds(file, {**SYSTEM, "hold": ("", 180.0, "s"), "steady_fall_allowed": ("", PSI, "kPa/minute"),
                 "stroke_volume": ("", 24.0, "mL"), "local_air_pressure": ("", 84.556, "kPa"),
                 "named": ("", "two-psi-in-two-minutes", "")})


@pytest.mark.parametrize(("test", "limits"), [
    ("cap", ["band_low=150 kPa"]), ("cap", ["band_low=80", "band_high=50"]), ("system", ["over_limit=-50"]),
    ("system", ["target_low=20"]), ("system", ["hold=1e300 s"]),
])
def test_limits_against_each_other_are_refused_before_anything_is_recorded(
    test: str, limits: list[str], tmp_path: Path
) -> None:
    more = [part for limit in limits for part in ("--limit", limit)]
    done = CliRunner().invoke(main, ["record", "--port", "loop://", "--full-scale", "207 kPa", "--test", test,
                                     "--marked", "16 psi", "--folder", str(tmp_path / "out"), *more])
    assert done.exit_code == 2 and len(done.stderr.splitlines()) == 1 and "limit '" in done.stderr
    assert not list(tmp_path.rglob("*.csv"))


@pytest.mark.parametrize(("more", "said"), [
    (["--altitude", "500 m", "--air-pressure", "95 kPa"], ("--air-pressure", "--altitude")),
    (["--stroke-volume", "24 mL", "--limit", "stroke_volume=30 mL"], ("--limit stroke_volume", "--stroke-volume")),
    (["--limit", "hold=60 s", "--hold", "60 s"], ("--limit hold", "--hold")),
    (["--altitude", "500 m", "--limit", "local_air_pressure=95 kPa"], ("--limit local_air_pressure", "--altitude")),
])
def test_what_is_given_in_two_ways_is_refused(more: list[str], said: tuple[str, str], tmp_path: Path) -> None:
    done = CliRunner().invoke(main, ["record", "--port", "loop://", "--full-scale", "207 kPa", "--test", "system",
                                     "--marked", "16 psi", "--folder", str(tmp_path / "out"), *more])
    assert done.exit_code == 2
    assert f"{said[0]} and {said[1]} are of the same limit: choose one." in done.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(("test", "limit", "said"), [
    ("system", "band=5%", "'band' is a limit of cap tests, and does nothing in a system test"),
    ("system", "judged_pressure=peak", "'judged_pressure' is a limit of cap tests"),
    ("cap", "Target low=3kPa", "'target_low' is a limit of system and tester tests, and does nothing in a cap test"),
    ("cap", "most_air=2 L", "'most_air' is a limit of system and tester tests"),
    ("system", "tester_target=80 kPa", "'tester_target' is a limit of tester tests"),
])
def test_a_limit_of_another_test_is_refused(test: str, limit: str, said: str, tmp_path: Path) -> None:
    done = CliRunner().invoke(main, ["record", "--port", "loop://", "--full-scale", "207 kPa", "--test", test,
                                     "--marked", "16 psi", "--folder", str(tmp_path / "out"), "--limit", limit])
    assert done.exit_code == 2 and done.stderr.startswith(f"--limit: {said}")
    assert done.stderr.endswith("; leave it away\n")
    assert len(done.stderr.splitlines()) == 1 and not (tmp_path / "out").exists()


def test_what_limits_were_read_as_is_said_and_not_on_standard_output(adapter: str, tmp_path: Path) -> None:
    """6.894 757 kPa are 1 psi (NIST SP 811, appendix B.8); ISO 2533: 95.461 kPa at 500 m, which are 13.845 psi."""
    more = ["--hold", "2", "--altitude", "500", "--stroke-volume", "24", "--unit", "psi", "--limit", "band=5",
            "--limit", "over_limit=40", "--limit", "steady_fall_allowed=6.894757", "--limit",
            "judged_pressure=peak"]
    said = read_as(adapter, tmp_path / "a", *more, "--json")
    assert said == ("limits as they were read: band 5 %, over limit 5.8015 psi, steady fall allowed 1 psi/min, "
                    "judged pressure peak, hold 2 s, stroke volume 24 mL, altitude 500 m (13.845 psi of air)")
    assert read_as(adapter, tmp_path / "b", "--limit", "altitude=0.5 km") == (
        "limits as they were read: altitude 500 m (95.461 kPa of air)")
    assert read_as(adapter, tmp_path / "c") is None
    [file] = (tmp_path / "a").glob("*-*.csv")
    assert read(file).header.procedure["over_limit"] == {"value": 40.0, "unit": "kPa"}


def lines_with(words: str, url: str, folder: Path, marked: str, *more: str) -> list[str]:
    """The lines with these words that a cap test says on standard error before it is ended."""
    child = subprocess.Popen(
        [sys.executable, "-m", "recorder", "record", "--port", url, "--test", "cap", "--marked", marked, "--folder",
         str(folder), "--full-scale", "207 kPa", *more],
        cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )
    deadline = time.monotonic() + 60
    while not list(folder.glob("*-*.csv")) and child.poll() is None and time.monotonic() < deadline:
        time.sleep(0.05)
    child.terminate()
    out, err = child.communicate(timeout=30)
    assert child.returncode == 0 and words not in out, err
    if "--json" in more:
        json.loads(out)
    return [line.strip() for line in err.splitlines() if words in line]


def test_what_a_marking_without_a_unit_was_read_as_is_said(adapter: str, tmp_path: Path) -> None:
    """160 may be a slip for 16, and nothing else would show it before the pump is up."""
    for typed, said in (("160", ["the marking '160' is read as 160 kPa"]),
                        ("16", ["the marking '16' is read as 16 psi"]),
                        ("16 psi", [])):
        assert lines_with("is read as", adapter, tmp_path / typed, typed) == said


def read_as(url: str, folder: Path, *more: str) -> str | None:
    """The line that a cap test says of its limits; None where there is none."""
    lines = lines_with("limits as", url, folder, "16 psi", *more)
    assert len(lines) < 2
    return lines[0] if lines else None


def test_counts_at_full_scale_that_are_not_the_announced_ones_are_said_once(adapter: str, tmp_path: Path) -> None:
    """The contract's pressure is counts / full scale as announced: 102 of 1023 is 0.0 kPa of a 10 to 90 % gauge."""
    said = "the adapter announces 1023 counts at full scale, and 4095 were given: the 1023 that it announces are used"
    [line] = lines_with(said, adapter, tmp_path / "a", "16 psi", "--full-scale-counts", "4095")
    assert line == f"{adapter}: {said}; take the 4095 away, or correct the adapter's firmware"
    [file] = (tmp_path / "a").glob("*-*.csv")
    recording = read(file, strict=True)
    assert recording.header.adapter["note"] == said and recording.header.adapter["full_scale_counts"] == 1023
    assert abs(float(recording.rows.pressure_kpa[0])) < 0.5
    assert lines_with("counts at full scale", adapter, tmp_path / "b", "16 psi", "--full-scale-counts", "1023") == []
    [file] = (tmp_path / "b").glob("*-*.csv")
    assert "note" not in read(file, strict=True).header.adapter


def test_a_hold_shortens_the_shortest_one_and_that_is_said() -> None:
    assert resolve("system", {"hold": "5 s"}).shortest_hold_s == 5.0
    assert resolve("system", {"hold": "90 s"}).shortest_hold_s == 60.0
    [hold] = [key for key in KEYS if key.name == "hold"]
    assert "shortens shortest_hold where it is shorter" in hold.meaning
    shown = " ".join(CliRunner().invoke(main, ["record", "--help"]).stdout.split())
    assert "the shortest hold that says anything is no longer than this" in shown


@pytest.mark.parametrize(
    ("typed", "unit", "kpa"), [("30", "psi", 30 * PSI), ("207 kPa", "psi", 207.0), ("207", None, 207.0)]
)
def test_a_full_scale_without_a_unit_is_in_the_unit_given(typed: str, unit: str | None, kpa: float) -> None:
    given = {"bare": None, "calibration": None, "full_scale": typed, "unit": unit}
    assert _gauge(Settings(), given) == (None, pytest.approx(kpa))


@pytest.mark.parametrize("command", [["record", "--test", "tester", "--folder", "."], ["adapter", "--seconds", "5"]])
@pytest.mark.parametrize(("more", "said"), [
    (["--bare", "psi", "--full-scale", "30 psi"], "--full-scale: plain numbers are pressures, and have no full scale"),
    (["--bare", "psi", "--full-scale-counts", "1023"], "--full-scale-counts: plain numbers are pressures, and have no"),
    (["--calibration", "none.json", "--full-scale", "30 psi"], "--full-scale: a calibration is given as well"),
])
def test_what_is_said_of_the_gauge_twice_is_refused_and_not_passed_over(
    command: list[str], more: list[str], said: str
) -> None:
    """A full scale that nothing goes by would warn of nothing beyond it."""
    got = CliRunner().invoke(main, [*command, "--port", "none:", *more])
    assert got.exit_code == 2 and got.stderr.startswith(said) and got.stderr.count("\n") == 1


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--test", "system"], "--full-scale: this gauge reads to 70.0 kPa; this test needs 124.3 kPa"),
        (["--test", "cap", "--unit", "psi"], "--full-scale: this gauge reads to 10.15 psi; this test needs 17.60 psi"),
    ],
)
def test_a_gauge_that_ends_before_the_test_does_is_refused(adapter: str, tmp_path: Path, more: list[str], said: str
                                                           ) -> None:
    run = subprocess.run(
        [sys.executable, "-m", "recorder", "record", "--port", adapter, "--marked", "16 psi", "--folder", str(tmp_path),
         "--full-scale", "70 kPa", *more], cwd=ROOT, capture_output=True, text=True, timeout=60,
    )
    assert run.returncode == 2
    assert said in run.stderr
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(("speaks", "said"), [
    (lambda n: b"", "no sample had arrived; wait for the first reading before you end the test"),
    (lambda n: line(f"S,{n},{100_000 * n},103,,"), r"\d+ samples? came, and not the announcement of wire version 1 "
     r"that says how many counts are full scale; wait 6 s for it, restart the adapter, or give its full scale .*"),
    (lambda n: b"volts 0.5\n", r"\d+ bytes came and not one valid line: 'volts 0.5'; wait for some seconds: .*"),
    (lambda n: line("A,1,hose-7,1.0,1023,100"), "the adapter announced itself, and no sample had arrived; wait for .*"),
], ids=["nothing", "nameless", "noise", "mute"])
def test_a_test_that_is_ended_before_its_first_sample_has_recorded_nothing_and_that_is_no_success(
    speaks: Callable[[int], bytes], said: str, tmp_path: Path,
) -> None:
    """And it says what came until then, and what was missing."""
    with board(speaks, rate_hz=10.0) as url:
        child = subprocess.Popen(
            [sys.executable, "-m", "recorder", "record", "--port", url, "--test", "tester", "--full-scale", "207 kPa",
             "--folder", str(tmp_path)],
            cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )
        assert child.stderr is not None
        first = child.stderr.readline()  # by the first thing it says, signals are heard
        time.sleep(1.0)  # less than what it waits for an announcement
        child.send_signal(signal.SIGINT)
        out, err = child.communicate(timeout=30)
    assert child.returncode == 2 and out == "", first + err
    assert re.fullmatch(f"{url}: nothing was recorded: {said}", err.splitlines()[-1]), err
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("command", [["record", "--test", "tester"], ["adapter"]])
@pytest.mark.parametrize(("text", "said"), [(None, "cannot be read (No such file"), ("{", "gauge-7.json")])
def test_a_calibration_that_the_settings_name_and_that_cannot_be_used_is_told_with_them(
    command: list[str], text: str | None, said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Whoever gave no --calibration looks in vain for the option that was wrong."""
    monkeypatch.chdir(tmp_path)
    Path("recorder.toml").write_text('calibration = "gauge-7.json"\n', "utf-8")
    if text is not None:
        Path("gauge-7.json").write_text(text, "utf-8")
    done = CliRunner().invoke(main, [*command, "--port", "loop://"])
    [line] = done.stderr.splitlines()
    assert done.exit_code == 2 and line.startswith("gauge-7.json") and said in line
    assert "it is the 'calibration' of the settings file recorder.toml" in line
    given = CliRunner().invoke(main, [*command, "--port", "loop://", "--calibration", "gauge-7.json"])
    assert given.exit_code == 2 and "recorder.toml" not in given.stderr


@pytest.mark.parametrize("command", [
    ["record", "--port", "loop://", "--test", "tester"],
    pytest.param(["try", "--fast"], marks=pytest.mark.skipif(sys.platform == "win32", reason="needs a terminal")),
])
def test_a_folder_that_cannot_be_written_is_said_before_anything_else(command: list[str], tmp_path: Path) -> None:
    """A caution before it would be of a test that there is none of."""
    (tmp_path / "file").write_text("mine", "utf-8")
    for folder in (tmp_path / "file", tmp_path / "file" / "below"):
        done = CliRunner().invoke(main, [*command, "--folder", str(folder)])
        assert done.exit_code == 2 and done.stdout == ""
        [line] = done.stderr.splitlines()
        assert line.startswith(f"{folder}: ") and line.endswith("choose another folder")
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


def test_to_look_whether_a_folder_can_be_written_leaves_nothing_behind(tmp_path: Path) -> None:
    there = tmp_path / "there"
    there.mkdir()
    for folder in (tmp_path / "new" / "below", there):
        check_folder(folder)
    assert [path.name for path in tmp_path.iterdir()] == ["there"] and not list(there.iterdir())


def test_a_limit_that_there_is_not_names_its_option(tmp_path: Path) -> None:
    done = CliRunner().invoke(main, ["record", "--port", "loop://", "--full-scale", "207 kPa", "--test", "cap",
                                     "--marked", "16 psi", "--folder", str(tmp_path / "out"), "--limit", "banana=3"])
    assert done.exit_code == 2
    assert done.stderr.startswith("--limit: there is no limit called 'banana'; use one of: judged_pressure, ")
