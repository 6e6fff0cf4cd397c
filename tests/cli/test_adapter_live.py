"""``recorder adapter`` and ``recorder calibrate --port`` on a real pseudo-terminal."""

import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from recorder.cli import main
from recorder.cli._gather import Gatherer
from recorder.cli._unheld import Unheld
from recorder.cli.adapter import _report
from recorder.errors import SettingError
from recorder.model import Announcement, Fault
from recorder.wire import encode_announcement, encode_fault, encode_line, encode_sample
from tests.cli.board import board

RATE = 100.0
A = Announcement(1, "hose-7", "1.0", 1023, RATE)


def keys_on_page() -> set[str]:
    """The keys that the adapter's page says ``--json`` always has."""
    page = (Path(__file__).parents[2] / "docs" / "adapter.md").read_text(encoding="utf-8")
    rows = page.split("## For scripts", 1)[1].split("\n\n")[2].splitlines()[2:]
    return {key for row in rows for key in re.findall(r"`([\w-]+)`", row.split("|")[1])} - {"bare"}


@contextmanager
def adapter(
    kpa: float = 0.0, *, rubbish: bool = False, silent: bool = False, dead: bool = False, noise_kpa: float = 0.2,
    lossy: bool = False, nameless: bool = False, bare: str = "",
) -> Iterator[str]:
    """An adapter on a pseudo-terminal, 100 samples a second, until the block ends."""
    rng = np.random.default_rng(2)

    def speaks(n: int) -> bytes:
        counts = round(1023 * (0.1 + 0.8 * (kpa + rng.normal(0, noise_kpa)) / 207))
        line = encode_sample(n % 65536, n * 10000, counts, None, None)
        if n % 100 == 0 and not nameless:
            line = encode_announcement(A) + line
        if lossy and n % 40 == 7:  # one line in forty does not arrive, another one damaged
            line = b""
        elif lossy and n % 40 == 17:
            line = line.replace(b"S,", b"S;")
        if bare:  # a number a line, to the hundredth of a kPa; now and then a word of debugging
            line = b"%.2f\r\n" % (kpa + rng.normal(0, noise_kpa))
            line += b"ready\r\n" if bare == "chatty" and n % 20 == 0 else b""
        if dead:  # its converter gives no readings
            line = encode_announcement(A) + encode_fault(Fault(n * 10000, "adc")) if n % 10 == 0 else b""
        return bytes(b ^ 0x20 for b in line) if rubbish else line

    with board(speaks, most=0 if silent else 10**9, rate_hz=RATE) as url:
        yield url


def test_adapter_that_will_not_do_exits_1_and_says_why() -> None:
    with adapter(noise_kpa=15.0) as url:
        args = ["adapter", "--port", url, "--seconds", "5", "--full-scale", "207 kPa"]
        got = CliRunner().invoke(main, args)
    assert got.exit_code == 1, got.output
    first, because = got.stdout.splitlines()[:2]
    assert first == "hose-7: NOT FIT to use" and "the smallest fall it can tell in two minutes is" in because
    assert "slow drift was not measured" in got.stdout


def test_adapter_with_losses_is_marginal_and_reports_them() -> None:
    with adapter(lossy=True) as url:
        args = ["adapter", "--port", url, "--seconds", "5", "--full-scale", "207 kPa", "--json"]
        got = CliRunner().invoke(main, args)
    report = json.loads(got.stdout)
    assert set(report) == keys_on_page()
    assert report["adapter-id"] == "hose-7" and report["samples"] > 300
    assert report["white-noise-kpa"] == pytest.approx(0.2, rel=0.3)
    assert abs(report["clock-error-ppm"]) < 2000 + 4 * report["clock-error-u-ppm"]
    assert got.exit_code == 0 and report["verdict"] == "marginal", report["reasons"]
    assert report["lost-fraction"] == pytest.approx(0.05, abs=0.01)
    assert report["failed-checks"] == pytest.approx(12.5, abs=2)
    assert any("lost on the way" in r for r in report["reasons"])
    assert any("failed their check" in r for r in report["reasons"])


@pytest.mark.parametrize("what", [{"silent": True}, {"bare": "plain"}, {"nameless": True}])
def test_what_cannot_be_looked_at_is_one_line(monkeypatch: pytest.MonkeyPatch, what: dict[str, bool]) -> None:
    """It came with a second one, on what is assumed of a sensor that was never seen."""
    monkeypatch.setattr("recorder.cli._gather.SILENT_S", 0.5)
    with adapter(**what) as url:  # type: ignore[arg-type]
        got = CliRunner().invoke(main, ["adapter", "--port", url, "--seconds", "5"])
    assert got.exit_code == 2 and got.stderr.startswith(f"{url}: ") and got.stderr.count("\n") == 1
    with adapter() as url:
        got = CliRunner().invoke(main, ["adapter", "--port", url, "--seconds", "5"])
    assert got.exit_code in (0, 1) and "no calibration and no --full-scale given" in got.stderr


def test_adapter_without_a_line_to_read_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("recorder.cli._gather.SILENT_S", 0.5)
    with adapter(silent=True) as url:
        got = CliRunner().invoke(main, ["adapter", "--port", url, "--full-scale", "207 kPa"])
    assert got.exit_code == 2 and "no sample arrived" in got.stderr and "port" in got.stderr.split("; ")[-1]
    with adapter(dead=True) as url:
        got = CliRunner().invoke(main, ["adapter", "--port", url, "--full-scale", "207 kPa"])
    assert got.exit_code == 2 and "fault 'adc'" in got.stderr and got.stderr.count("\n") == 1
    with adapter(rubbish=True) as url:
        got = CliRunner().invoke(main, ["adapter", "--port", url, "--full-scale", "207 kPa"])
    assert got.exit_code == 2 and "speed" in got.stderr and "port" in got.stderr.split("; ")[-1]
    assert "Traceback" not in got.stderr


def test_calibrate_live_takes_the_prompted_pressures(tmp_path: Path) -> None:
    with adapter(50.0) as url:
        got = CliRunner().invoke(
            main, ["calibrate", "--port", url, "--seconds", "0.5"], input="0\nabc\n50 kPa\n15 psi\n\n"
        )
    # the simulated pressure never moves, and that is said
    assert got.exit_code == 2 and "type it again" in got.stderr
    assert got.stderr.count("of full scale, scatter") == 3


def test_calibrate_file_writes_once_and_never_over(tmp_path: Path) -> None:
    rows = "\n".join(f"{psi},{round(1023 * (0.1 + 0.8 * psi / 30))},up" for psi in (0, 5, 10, 15, 20))
    pairs, out = tmp_path / "p.csv", tmp_path / "gauge.json"
    pairs.write_text("psi,counts,way\n" + rows, "utf-8")
    args = ["calibrate", str(pairs), "--unit", "psi", "--full-scale-counts", "1023", "--full-scale", "30 psi",
            "--reference-u", "0.25 %FS", "--reference-full-scale", "60 psi", "-o", str(out)]
    got = CliRunner().invoke(main, args)
    assert got.exit_code == 0, got.output
    assert "straight line" in got.stdout and "hysteresis           not known" in got.stdout
    assert "note: readings above 20.00 psi are outside the calibrated range" in got.stdout
    body = json.loads(out.read_text("utf-8"))
    assert body["coefficients_kPa"] == pytest.approx([-25.86, 258.55], rel=3e-3)
    again = CliRunner().invoke(main, args)
    assert again.exit_code == 2 and "never overwritten" in again.stderr
    wrong = CliRunner().invoke(main, [*args[:2], *args[4:8], "--unit", "kPa"])
    assert wrong.exit_code == 2 and "--unit psi" in wrong.stderr


def test_pairs_from_a_pipe_and_of_plain_readings() -> None:
    """``-`` and ``--bare``: a board that prints psi, 1 % too little, against references in kPa."""
    rows = "".join(f"{psi * 6.894757:.4f},{psi * 0.99:.4f},up\n" for psi in (0, 5, 10, 15, 20))
    args = ["calibrate", "-", "--bare", "psi", "--json", "--reference-u", "0.3 kPa"]
    got = CliRunner().invoke(main, args, input=rows)
    assert got.exit_code == 0, got.output
    body = json.loads(got.stdout)
    assert body["bare"] is True and body["coefficients_kPa"] == pytest.approx([0.0, 1 / 0.99], abs=1e-3)
    both = CliRunner().invoke(main, ["calibrate", "-", "--bare", "psi", "--full-scale", "30 psi"], input=rows)
    assert both.exit_code == 2 and "no --full-scale" in both.stderr


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("0,0.1\nx,0.2\n", "line 2"),
        ("O,0.1001\n50,0.3\n100,0.5\n150,0.7\n", "line 1: 'O,0.1001'"),  # the letter: no header, its zero is not lost
        ("reference,ratio\n0 psi,10 %\n", "line 2"),
        ("psi,ratio\n0 psi,10 %\n", "line 1: the heading 'psi' names another unit than kPa"),
        ("pressure,1st\n", "line 1"),
        ("0,0.1\n10,103\n", "--full-scale-counts"),
        ("0,0.1,sideways\n", "no direction"),
        ("", "no pairs"),
        ("0,0.1\nnan,0.2\n", "line 2"),
    ],
)
def test_bad_pairs_name_the_line(tmp_path: Path, text: str, said: str) -> None:
    pairs = tmp_path / "p.csv"
    pairs.write_text(text, "utf-8")
    got = CliRunner().invoke(main, ["calibrate", str(pairs)])
    assert got.exit_code == 2 and said in got.stderr and len(got.stderr.strip().splitlines()) == 1


@pytest.mark.parametrize("command", [["adapter"], ["record", "--test", "cap", "--marked", "16 psi"]])
@pytest.mark.parametrize(
    ("there", "said"), [(["/dev/ttyUSB3", "COM7"], "/dev/ttyUSB3, COM7"), ([], "plug the adapter in")]
)
def test_no_port_given_lists_those_there_are(
    command: list[str], there: list[str], said: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    from recorder.port import PortInfo

    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.setattr("recorder.port.list_ports", lambda: [PortInfo(url, "") for url in there])
    got = CliRunner().invoke(main, command)
    assert got.exit_code == 2 and said in got.stderr and got.stderr.count("\n") == 1


PSI = "".join(f"{psi},{0.1 + 0.8 * psi / 30 + off:.5f},up\n"
              for psi, off in ((0, 1e-4), (6, -1e-4), (12, 1e-4), (18, 0), (24, -1e-4)))


def calibrated(*more: str) -> dict[str, float]:
    got = CliRunner().invoke(main, ["calibrate", "-", "--unit", "psi", "--json", *more], input=PSI)
    assert got.exit_code == 0, got.output
    found: dict[str, float] = json.loads(got.stdout)["details"]
    return found


def test_a_number_alone_is_in_the_unit_given() -> None:
    """All of them: the reference's uncertainty, its full scale, the sensor's; with a unit each is as written."""
    u = "reference_standard_uncertainty_kPa"
    assert calibrated("--reference-u", "0.3")[u] == pytest.approx(0.3 * 6.894757)
    assert calibrated("--reference-u", "0.3 kPa")[u] == pytest.approx(0.3)
    limit = calibrated("--reference-u", ".25 %FS", "--reference-full-scale", "60")[u]
    assert limit == pytest.approx(0.0025 * 60 * 6.894757 / 3**0.5)
    calibrated("--full-scale", "30")
    wrong = CliRunner().invoke(main, ["calibrate", "-", "--unit", "psi", "--full-scale", "30 kPa"], input=PSI)
    assert wrong.exit_code == 2 and "where the sensor has 30 kPa" in wrong.stderr


def test_a_calibration_is_said_to_its_uncertainty_and_kept_whole(tmp_path: Path) -> None:
    """Twice the standard uncertainty with two digits or one (the rounding rule of tests/test_report.py); the file keeps
    every digit; and the span that the pairs make is said in both units that are mistaken for each other."""
    out = tmp_path / "gauge.json"
    got = CliRunner().invoke(main, ["calibrate", "-", "--unit", "psi", "--reference-u", "0.09 psi", "--full-scale",
                                    "30 psi", "-o", str(out)], input=PSI)
    assert got.exit_code == 0, got.output
    body = json.loads(out.read_text("utf-8"))
    zero, slope = body["coefficients_kPa"]
    assert f"kPa =                {zero:.2f} + {slope:.2f}·ratio (the file keeps every digit)" in got.stdout
    assert len(repr(slope)) > 10
    assert "is right within ± 0.18 psi" in got.stdout and "standard uncertainty 0.09 psi" in got.stdout
    assert re.search(r"^ +5 +24\.00 psi +0\.73990 +-?0\.00\d psi  up$", got.stdout, re.MULTILINE), got.stdout
    assert "come out as 206.9 kPa (30 psi) full scale" in got.stdout


def test_counts_of_another_full_scale_and_volts_are_noticed() -> None:
    """10-bit counts said to be of 4095 stand at a fortieth of it at zero; 5 V are no counts."""
    rows = "".join(f"{psi},{1023 * (0.1 + 0.8 * psi / 30):.0f},up\n" for psi in (0, 6, 12, 18, 24))
    args = ["calibrate", "-", "--unit", "psi", "--reference-u", "0.3 kPa", "--full-scale-counts"]
    wrong = CliRunner().invoke(main, [*args, "4095"], input=rows)
    assert wrong.exit_code == 0 and "note: the reading at zero is 2.5% of full scale" in wrong.stdout, wrong.output
    assert "is --full-scale-counts 4095 this converter's?" in wrong.stdout
    assert "the reading at zero" not in CliRunner().invoke(main, [*args, "1023"], input=rows).stdout
    volts = CliRunner().invoke(main, [*args, "5"], input="0,0.5\n15,2.5\n30,4.5\n")
    assert volts.exit_code == 2 and "no converter has a full scale of 5 counts" in volts.stderr
    assert "divided by the supply's volts" in volts.stderr and volts.stderr.count("\n") == 1


@pytest.mark.parametrize(("command", "said"), [
    (["adapter", "--port", "/dev/none"], "'30' without a unit is 30 kPa (4.35 psi)"),
    (["calibrate", "-"], "'30' without a unit is 30 kPa (4.35 psi)"),
    (["record", "--port", "/dev/none", "--test", "tester"], "'30' without a unit is 30 kPa (4.35 psi)"),
])
def test_a_full_scale_without_its_unit_is_never_guessed(command: list[str], said: str) -> None:
    got = CliRunner().invoke(main, [*command, "--full-scale", "30"], input=PSI)
    assert got.exit_code == 2 and got.stderr.startswith("--full-scale: ") and got.stderr.count("\n") == 1
    assert said in got.stderr and "give its unit: '30 psi' or '30 bar'" not in got.stderr and "'30 psi'" in got.stderr
    unit = CliRunner().invoke(main, [*command, "--full-scale", "30 kPa"], input=PSI)
    assert "30 kPa is 30 kPa (4.35 psi); usual sensors have" in unit.stderr


def test_a_full_scale_in_the_wrong_unit_is_not_laid_to_the_pairs() -> None:
    got = CliRunner().invoke(main, ["calibrate", "-", "--unit", "psi", "--full-scale", "30 kPa"], input=PSI)
    assert got.exit_code == 2 and "are 30 psi or 2.07 bar" in got.stderr and "give --unit" not in got.stderr


@pytest.mark.parametrize(("given", "taken"), [("kg", "kgf/cm2 (98.07 kPa)"), ("lb", "psi (6.895 kPa)"), ("psig", "")])
def test_a_mass_as_a_unit_is_said_to_be_taken_for_a_pressure(given: str, taken: str) -> None:
    factor = 14.2233 if given == "kg" else 1.0  # psi in 1 kgf/cm2: 98.0665 / 6.894757
    rows = "".join(f"{float(a) / factor:.5f},{b},up\n" for a, b, _ in (x.split(",") for x in PSI.splitlines()))
    got = CliRunner().invoke(main, ["calibrate", "-", "--unit", given, "--reference-u", "0.3 kPa"], input=rows)
    assert got.exit_code == 0, got.output
    wanted = f"--unit: '{given}' is a mass, and is taken for {taken}\n" if taken else ""
    assert got.stderr == wanted
    assert ("kgf/cm2" if given == "kg" else " psi") in got.stdout and f" {given} " not in got.stdout


@pytest.mark.parametrize("text", [". %FS", "1.2.3 %FS", "%FS", "-1 kPa", "much", "3 %", "0.3 mL"])
def test_a_reference_uncertainty_that_is_none_is_a_usage_error(text: str) -> None:
    args = ["calibrate", "-", "--reference-u", text, "--reference-full-scale", "60 psi"]
    got = CliRunner().invoke(main, args, input=PSI)
    assert got.exit_code == 2 and got.stderr.count("\n") == 1
    assert got.stderr.startswith("--reference-u: ") and "write '0.25 %FS' or '0.3 kPa'" in got.stderr


def test_an_adapter_that_never_announces_is_calibrated_by_its_full_scale_counts() -> None:
    """The option counts live too; without it the way out is named."""
    with adapter(nameless=True) as url:
        args = ["calibrate", "--port", url, "--seconds", "0.5"]
        got = CliRunner().invoke(main, [*args, "--full-scale-counts", "1023"], input="0\n\n")
        without = CliRunner().invoke(main, args, input="0\n\n")
    assert "full scale of 1023 counts is taken" in got.stderr
    assert re.search(r"reading 0\.(10|099)\d+ of full scale", got.stderr)
    assert without.exit_code == 2 and "--full-scale-counts" in without.stderr


@pytest.mark.parametrize("command", [["calibrate", "--seconds", "0.5"], ["conform", "--seconds", "1"]])
def test_the_port_of_the_settings_file_is_used(
    command: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with adapter() as url:
        (tmp_path / "recorder.toml").write_text(f'port = "{url}"\n', "utf-8")
        got = CliRunner().invoke(main, command, input="0\n\n")
    wanted = r"reading 0\.(10|099)" if command[0] == "calibrate" else re.escape(f"{url}: ")
    assert re.search(wanted, got.output)


def test_a_board_that_prints_numbers_is_checked_as_far_as_it_can_be(tmp_path: Path) -> None:
    with adapter(0.6, bare="quiet") as url:
        args = ["adapter", "--port", url, "--seconds", "6", "--bare", "kPa"]
        told = CliRunner().invoke(main, args)
        report = json.loads(CliRunner().invoke(main, [*args, "--json"]).stdout)
        none = CliRunner().invoke(main, [*args, "--full-scale", "207 kPa"])
    assert told.exit_code == 0, told.output
    assert told.stdout.startswith("plain numbers: ") and "assumed" not in told.stderr
    assert "  clock               not known: the time is that of arrival" in told.stdout
    assert "lost and damaged lines, restarts" in told.stdout and "lost samples" not in told.stdout
    assert set(report) == keys_on_page() | {"bare"}
    assert report["bare"] == "kPa" and report["rate-hz"] == pytest.approx(RATE, rel=0.05)
    assert report["noise-kpa"] == pytest.approx(0.2, rel=0.2) and report["zero-kpa"] == pytest.approx(0.6, abs=0.05)
    assert report["resolution-kpa"] == pytest.approx(0.01)
    for name in ("lost", "restarts", "failed-checks", "faults", "device-jitter-s", "clock-error-ppm", "adapter-id"):
        assert report[name] is None
    assert none.exit_code == 2 and none.stderr.startswith("--full-scale: plain numbers are pressures")


def test_bare_or_not_is_told_from_what_comes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("recorder.cli._gather.SILENT_S", 0.7)
    with adapter(bare="quiet") as url:
        got = CliRunner().invoke(main, ["adapter", "--port", url, "--full-scale", "207 kPa"])
    assert got.exit_code == 2 and "this board prints plain numbers" in got.stderr and "--bare UNIT" in got.stderr
    with adapter() as url:
        got = CliRunner().invoke(main, ["adapter", "--port", url, "--bare", "kPa"])
    assert got.exit_code == 2 and "speaks the wire format; leave --bare away" in got.stderr


def test_a_calibration_of_plain_readings_and_one_of_counts_are_not_mixed(tmp_path: Path) -> None:
    plain, counts = tmp_path / "plain.json", tmp_path / "counts.json"
    plain.write_text('{"coefficients_kPa": [-0.6, 1.02], "standard_uncertainty_kPa": 0.2, "bare": true}', "utf-8")
    counts.write_text('{"coefficients_kPa": [-25.9, 258.6]}', "utf-8")
    with adapter(0.6, bare="chatty") as url:
        args = ["adapter", "--port", url, "--seconds", "5", "--bare", "kPa", "--json", "--calibration"]
        good = json.loads(CliRunner().invoke(main, [*args, str(plain)]).stdout)
        wrong = CliRunner().invoke(main, [*args, str(counts)])
    assert good["zero-kpa"] == pytest.approx(1.02 * 0.6 - 0.6, abs=0.05) and good["zero-u-kpa"] == 0.2
    assert any("lines were no number" in reason for reason in good["reasons"])
    assert wrong.exit_code == 2 and wrong.stderr.startswith(f"{counts}: this calibration is of counts")


@pytest.mark.parametrize("seconds", ["5", "3000"])  # longer than a test may last
def test_an_adapter_is_not_checked_through_the_calibration_of_another(tmp_path: Path, seconds: str) -> None:
    """It was fit to use by a curve that was never its own. No test takes such a calibration either; and of a long look
    that is said after the first seconds."""
    others, own = tmp_path / "others.json", tmp_path / "own.json"
    for file, name in ((others, "hose-8"), (own, "hose-7")):
        file.write_text(f'{{"coefficients_kPa": [-25.9, 258.6], "adapter": "{name}"}}', "utf-8")

    def speaks(n: int) -> bytes:
        said = encode_line("A,1,hose-7,1.0,1023,100") if n % 100 == 0 else b""
        return said + encode_line(f"S,{n % 65536},{n * 10_000},{103 + n % 2},,")

    with board(speaks) as url:
        args = ["adapter", "--port", url, "--json", "--calibration"]
        wrong = CliRunner().invoke(main, [*args, str(others), "--seconds", seconds])
        good = CliRunner().invoke(main, [*args, str(own), "--seconds", "5"])
    assert wrong.exit_code == 2 and wrong.stdout == ""
    assert wrong.stderr.splitlines()[-1] == (f"{url}: the calibration is of adapter 'hose-8', and this is 'hose-7'; "
                                             "use the calibration of this adapter")
    assert json.loads(good.stdout)["adapter-id"] == "hose-7"


def test_calibrate_prints_the_keys_that_it_writes(tmp_path: Path) -> None:
    file = tmp_path / "gauge.json"
    got = CliRunner().invoke(main, ["calibrate", "-", "--unit", "psi", "--json", "--reference-u", "0.3 kPa", "-o",
                                    str(file)], input=PSI)
    assert got.exit_code == 0, got.output
    assert json.loads(got.stdout) == json.loads(file.read_text("utf-8"))
    assert next(iter(json.loads(got.stdout).items())) == ("calibration-format", 1)


def test_counts_without_a_calibration_are_an_error_in_words() -> None:
    """It was an assertion, which is no line for a user."""
    with pytest.raises(SettingError, match="--calibration: what turns counts into pressure is not known"):
        _report(Gatherer("none"), None, None, Unheld(None))
