"""Calibration: apply, file, fit, and what is refused."""

import json
import math
import time
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result
from scipy import stats

from recorder import calibration
from recorder.calibration import Pair
from recorder.cli import main
from recorder.cli.record import check_range
from recorder.errors import FileError, SettingError
from recorder.model import Calibration, Header, Marking
from recorder.recording import Writer, read
from recorder.session import SessionConfig
from recorder.window.state.gauge import Gauge


def pairs(scale: float = 1.0, bend: float = 0.0, noise: float = 1e-4) -> list[Pair]:
    rng = np.random.default_rng(11)
    out = []
    for way in ("up", "down"):
        for kpa in (0.0, 30.0, 60.0, 90.0, 120.0, 150.0, 180.0):
            ratio = 0.1 + 0.8 * kpa / 207.0 + bend * kpa * (180 - kpa) / 8100
            ratio += rng.normal(0, noise) + (0.0004 if way == "down" else 0.0)
            out.append(Pair(kpa * scale, ratio, way))  # type: ignore[arg-type]
    return out


def test_nominal_sensor_and_the_wire_contracts_example() -> None:
    cal = calibration.nominal(206.84)
    assert calibration.apply(cal, np.array([0.1, 0.9, np.nan]))[:2] == pytest.approx([0.0, 206.84])
    assert cal.coefficients_kpa == pytest.approx((-25.855, 258.55))
    assert cal.standard_uncertainty_kpa == pytest.approx(0.02 * 206.84)
    with pytest.raises(SettingError, match="full scale"):
        calibration.nominal(0.0)


def test_file_round_trip_keeps_every_field() -> None:
    cal = Calibration((-25.0, 258.0, 0.3), 0.21, "2026-03-14", "gauge 7", "2027-03-14", "hose-7")
    bare = Calibration((-1.0, 1.02), 0.21, "2026-03-14", None, "2027-03-14", None, True)
    for one in (cal, bare):
        text = calibration.to_file_text(one, {"pairs": [[0, 0.1]]})
        assert json.loads(text)["details"] == {"pairs": [[0, 0.1]]}
        assert calibration.from_file_text(text, "c.json") == one


def test_what_a_calibration_was_made_from_is_kept_with_its_units() -> None:
    """Of plain readings the command wrote kPa under the name of a ratio."""
    for bare, name, factor in ((False, "ratio", 1.0), (True, "reading_kPa", 200.0)):
        pairs = [Pair(200.0 * x - 20.0, factor * x, "up") for x in (0.1, 0.3, 0.5002)]
        pairs.append(Pair(200.0 * 0.3001 - 20.0, factor * 0.3001, "down"))
        found = calibration.fit(pairs, reference_u_kpa=0.25, bare=bare)
        cal = Calibration(found.coefficients_kpa, found.standard_uncertainty_kpa, "2026-03-14", bare=bare)
        text = calibration.to_file_text(cal, calibration.details(found, bare=bare, noise_kpa=0.07))
        assert calibration.from_file_text(text, "c.json") == cal
        kept = json.loads(text)["details"]
        assert kept["pairs"]["columns"] == ["reference_kPa", name, "direction", "residual_kPa"]
        assert [row[:3] for row in kept["pairs"]["rows"]] == [[p.reference_kpa, p.ratio, p.direction] for p in pairs]
        assert [row[3] for row in kept["pairs"]["rows"]] == list(found.residuals_kpa)
        assert kept["degrees_of_freedom"] == 2 and kept["reading_noise_kPa"] == 0.07


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("{", "c.json, line 1: this is no calibration file"),
        ("[1]", "not a JSON object"),
        ("[" * 100_000, "nested too deep"),
        ('{"calibration-format": 9}', "format 9"),
        ('{"coefficients_kPa": [1]}', "2 to 6 numbers"),
        ('{"coefficients_kPa": [1, NaN]}', "finite"),
        ('{"coefficients_kPa": [5, 0]}', "[5, 0] the pressure does not rise with the reading"),
        ('{"coefficients_kPa": [0, -258.55]}', "does not rise with the reading"),
        ('{"coefficients_kPa": [100, -200, 200]}', "does not rise with the reading"),
        ('{"coefficients_kPa": [3, -1], "bare": true}', "does not rise with the reading"),
        ('{"coefficients_kPa": [1, true]}', "finite"),
        (f'{{"coefficients_kPa": [1, 1{"0" * 400}]}}', "finite"),
        (f'{{"coefficients_kPa": [1, 1{"0" * 5000}]}}', "number without end"),
        (f'{{"coefficients_kPa": [1, 2], "standard_uncertainty_kPa": 1{"0" * 400}}}', "from 0 up"),
        ('{"coefficients_kPa": [1, 1.1e9]}', "at most 1e+09"),
        ('{"coefficients_kPa": [1, 2], "standard_uncertainty_kPa": 1.1e9}', "up to 1e+09"),
        ('{"coefficients_kPa": [1, 2], "due": "soon"}', "not a day"),
        ('{"coefficients_kPa": [1, 2], "reference": 3}', "reference is 3, and text was expected"),
        ('{"coefficients_kPa": [1, 2], "bare": "psi"}', "true or false"),
        ('{"coefficients_kPa": [1, 2], "standard_uncertainty_kPa": -1}', "from 0 up"),
        ('{"coefficients_kPa": [1, 2], "standard_uncertainty_kPa": NaN}', "from 0 up"),
    ],
)
def test_bad_file_is_one_clear_line(text: str, said: str) -> None:
    with pytest.raises(FileError) as info:
        calibration.from_file_text(text, "c.json")
    assert said in str(info.value) and str(info.value).startswith("c.json")
    assert "recorder calibrate" in str(info.value) or "newer" in str(info.value)


def test_what_a_calibration_file_may_hold_a_recording_may_hold(tmp_path: Path) -> None:
    """Else a test would be recorded that can never be read again."""
    text = '{"coefficients_kPa": [-1e9, 1000000000], "standard_uncertainty_kPa": 1e9}'
    cal = calibration.from_file_text(text, "c.json")
    with closing(Writer(tmp_path, Header("cap", calibration=cal))) as writer:
        pass
    assert read(writer.path).header.calibration == cal


def made(tmp_path: Path, *args: str) -> tuple[Result, Path]:
    pairs, out = tmp_path / "pairs.csv", tmp_path / "gauge.json"
    pairs.write_text("0,0.1\n50,0.3\n100,0.5\n150,0.7\n", "utf-8")
    return CliRunner().invoke(main, ["calibrate", str(pairs), "--reference-u", "0.3 kPa", "-o", str(out), *args]), out


@pytest.mark.parametrize(("typed", "kept"), [
    ("gauge \udcff", "gauge \udcff"),  # a byte that is no letter of UTF-8, as the system hands it over (PEP 383)
    ("Pr\udcc3\udcbcfer", "Pr\u00fcfer"),  # the bytes of a letter, of a system whose locale knows none
])
def test_a_reference_in_whatever_bytes_it_was_typed(tmp_path: Path, typed: str, kept: str) -> None:
    done, out = made(tmp_path, "--reference", typed)
    assert done.exit_code == 0, done.output
    assert calibration.from_file_text(out.read_text("utf-8"), str(out)).reference == kept


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="the zone of a running program is set on POSIX only")
def test_the_day_it_was_made_is_that_of_the_wall(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In the evening of America, or the morning of Asia, UTC has another one. The window writes the same."""
    now = datetime.now(UTC)
    behind = now.hour < 12  # at any hour one of the two zones has another day than UTC
    monkeypatch.setenv("TZ", "XXX12" if behind else "XXX-12")
    time.tzset()
    try:
        done, out = made(tmp_path)
    finally:
        monkeypatch.undo()
        time.tzset()
    assert done.exit_code == 0, done.output
    wall = (now + timedelta(hours=-12 if behind else 12)).date()
    assert wall != now.date()
    assert calibration.from_file_text(out.read_text("utf-8"), str(out)).date == wall.isoformat()


@pytest.mark.parametrize("line", ["0e400,0.1", "1e-99999999999999999999,0.1", "0,0.1e-500"])
def test_a_power_of_ten_that_is_no_place_of_a_reading(tmp_path: Path, line: str) -> None:
    (tmp_path / "odd.csv").write_text(f"{line}\n50,0.3\n100,0.5\n150,0.7\n", "utf-8")
    done = CliRunner().invoke(main, ["calibrate", str(tmp_path / "odd.csv"), "--reference-u", "0.3 kPa"])
    assert "fault in the program" not in done.output
    assert done.exit_code == (2 if "500" in line else 0)  # a reading of nothing is off the line of the others


def test_pairs_from_a_pipe_that_begins_with_a_byte_order_mark() -> None:
    """As some shells send one, and as a file may begin with one."""
    lines = "\ufeff0,0.1\n50,0.3\n100,0.5\n150,0.7\n"
    done = CliRunner().invoke(main, ["calibrate", "-", "--reference-u", "0.3 kPa", "--json"], input=lines.encode())
    assert done.exit_code == 0, done.output
    assert [row[0] for row in json.loads(done.stdout)["details"]["pairs"]["rows"]] == [0.0, 50.0, 100.0, 150.0]


@pytest.mark.parametrize("name", ["", "  ", "a\nb", "a,b", "a*b", "hose\u00fc"])
def test_a_calibration_of_an_adapter_that_there_cannot_be_is_refused(tmp_path: Path, name: str) -> None:
    done, out = made(tmp_path, "--adapter-id", name)
    assert done.exit_code == 2 and not out.exists()
    assert len(done.stderr.splitlines()) == 1 and "--adapter-id" in done.stderr


def test_due_date_a_year_on() -> None:
    assert calibration.due_after(date(2026, 3, 14)) == date(2027, 3, 14)
    assert calibration.due_after(date(2024, 2, 29)) == date(2025, 2, 28)
    assert calibration.due_after(date(2026, 8, 31), 1) == date(2026, 9, 30)
    assert calibration.due_after(date(2026, 1, 31)) == date(2027, 1, 31)
    assert calibration.due_after(date(2026, 12, 31), 2) == date(2027, 2, 28)
    with pytest.raises(ValueError, match="year"):  # a recording may have any day in it
        calibration.due_after(date(9999, 6, 1))


def test_the_due_date_is_a_year_on_or_as_written() -> None:
    today = date(2026, 3, 14)
    assert calibration.due_day("", today) == date(2027, 3, 14)
    assert calibration.due_day(" 2026-09-01", today) == date(2026, 9, 1)
    for bad in ("soon", "2026-03-14", "2025-01-01"):
        with pytest.raises(SettingError):
            calibration.due_day(bad, today)


def test_line_with_hysteresis() -> None:
    got = calibration.fit(pairs(), full_scale_kpa=207.0, reference_u_kpa=0.3)
    assert not got.quadratic
    assert got.coefficients_kpa[1] == pytest.approx(207 / 0.8, rel=2e-3)
    # 0.0004 of full scale between up and down
    assert got.hysteresis_kpa == pytest.approx(0.0004 * 207 / 0.8, abs=0.08)
    assert 0.3 < got.standard_uncertainty_kpa < 0.36


def test_quadratic_only_where_it_earns_it() -> None:
    got = calibration.fit(pairs(bend=0.004))
    assert got.quadratic and got.f_p is not None and got.f_p < 0.01
    assert max(map(abs, got.residuals_kpa)) < 0.3
    four = [p for p in pairs(bend=0.004) if p.reference_kpa in (0, 60, 120, 180)]
    assert not calibration.fit(four).quadratic


@pytest.mark.parametrize(
    ("scale", "said"),
    [
        (1 / 6.894757, "psi taken for kPa|psi, give --unit psi"),
        (6.894757, "kPa taken for psi"),
        (10.0, "ten times too large"),
        (14.5038, "psi taken for bar"),
        (100.0, "kPa taken for bar"),
        (1.6, "span comes out"),
        (-1.0, "falls as the pressure rises"),
    ],
)
def test_unit_slips_are_named(scale: float, said: str) -> None:
    with pytest.raises(SettingError, match=said):
        calibration.fit(pairs(scale), full_scale_kpa=207.0)


@pytest.mark.parametrize(("levels", "full_scale", "bare", "said", "not_said"), [
    ((0.0, 0.5, 1.0), 206.84, False, "look like bar taken for kPa: give --unit bar", "psi"),
    ((0.0, 5.0, 10.0), 206.84, False, "look like psi taken for kPa: give --unit psi", "bar"),
    ((0.0, 0.5, 1.0), None, False, "if these were bar, give --unit bar", "psi"),
    ((0.0, 5.0, 10.0), None, False, "if these were psi, give --unit psi", ""),
    ((0.0, 0.5, 1.0), None, True, "look like bar taken for kPa: give --unit bar", "psi"),
    ((0.0, 10.0, 20.0), 206.84, False, "go up to the highest pressure", "unit"),
])
def test_pressures_that_span_too_little_are_told_the_unit_that_the_readings_tell(
    levels: tuple[float, ...], full_scale: float | None, bare: bool, said: str, not_said: str,
) -> None:
    """A sensor of 30 psi, 206.84 kPa; 1 psi is 6.894757 kPa, 1 bar 100 kPa (NIST SP 811)."""
    kpa = {1.0: 100.0, 10.0: 6.894757, 20.0: 1.0}[levels[-1]]
    made = [Pair(level, level * kpa if bare else 0.1 + 0.8 * level * kpa / 206.84) for level in levels]
    with pytest.raises(SettingError, match="span only") as info:
        calibration.fit(made, full_scale_kpa=full_scale, bare=bare)
    assert said in str(info.value) and (not not_said or not_said not in str(info.value))


@pytest.mark.parametrize("full_scale", [None, 206.84])
@pytest.mark.parametrize("readings", [(0.1000, 0.1004, 0.1009), (0.1009, 0.1000, 0.1004), (0.1, 0.11, 0.118)])
def test_a_reading_that_hardly_changed_is_no_other_unit(readings: tuple[float, ...], full_scale: float | None) -> None:
    for bare, scale in ((False, 1.0), (True, 50.0)):
        made = [Pair(kpa, x * scale) for kpa, x in zip((0.0, 60.0, 120.0), readings, strict=True)]
        with pytest.raises(SettingError, match=r"the reading hardly changed, by .* over pressures that span 120 kPa; "
                                               r"check the sensor's wires") as info:
            calibration.fit(made, full_scale_kpa=None if bare else full_scale, bare=bare)
        assert "unit" not in str(info.value)


def test_wide_psi_slip_is_named_by_factor() -> None:
    wide = [Pair(psi, 0.1 + 0.8 * psi / 100.0) for psi in (0.0, 30.0, 60.0, 90.0)]  # psi typed as kPa
    with pytest.raises(SettingError, match="psi taken for kPa"):
        calibration.fit(wide, full_scale_kpa=689.5)


def test_too_few_too_narrow_swapped_and_stray() -> None:
    some = pairs()
    with pytest.raises(SettingError, match="2 different pressures are too few"):
        calibration.fit([p for p in some if p.reference_kpa in (0, 180)])
    with pytest.raises(SettingError, match="too few"):
        calibration.fit([])
    with pytest.raises(SettingError, match="span only"):
        calibration.fit([Pair(k, 0.1 + k / 250) for k in (0.0, 10.0, 20.0)])
    with pytest.raises(SettingError, match="columns swapped"):
        calibration.fit([Pair(p.ratio, p.reference_kpa) for p in some])
    with pytest.raises(SettingError, match="pair 3"):
        calibration.fit([*some[:2], Pair(60.0, 0.55), *some[3:]])
    with pytest.raises(SettingError, match="finite"):
        calibration.fit([*some, Pair(float("nan"), 0.4)])


@pytest.mark.parametrize(
    ("scale", "said"),
    [
        (1 / 6.894757, "psi taken for kPa.*--unit psi.*--bare"),
        (6.894757, "kPa taken for psi"),
        (100.0, "kPa taken for bar"),
        (1.6, "1.63 times as much as the readings"),
        (-1.0, "falls as the pressure rises"),
    ],
)
def test_plain_readings_and_their_slips(scale: float, said: str) -> None:
    """A board that prints kPa, 2 % too little and 1 kPa too much."""
    levels = (0.0, 400.0, 800.0, 1200.0) if scale < 1 else (0.0, 50.0, 100.0, 150.0)
    read = [0.98 * k + 1.0 for k in levels]
    got = calibration.fit([Pair(k, r) for k, r in zip(levels, read, strict=True)], bare=True, reference_u_kpa=0.3)
    assert got.coefficients_kpa == pytest.approx([-1 / 0.98, 1 / 0.98])
    with pytest.raises(SettingError, match=said):
        calibration.fit([Pair(k * scale, r) for k, r in zip(levels, read, strict=True)], bare=True)


def test_whole_counts_set_a_least_uncertainty() -> None:
    exact = [Pair(k, 0.1 + 0.8 * k / 207.0) for k in (0.0, 50.0, 100.0, 150.0)]
    got = calibration.fit(exact, resolution=1 / 1023)
    assert got.standard_uncertainty_kpa == pytest.approx(207 / 0.8 / 1023 / 12**0.5, rel=1e-3)


def random_pairs(rng: np.random.Generator, levels: list[float], noise: float, reference: float) -> list[Pair]:
    """A 250 kPa sensor, what its reference is off by as a whole, and noise in every reading."""
    off, out, before = rng.normal(0, reference), [], -1.0
    for kpa in levels:
        ratio = 0.1 + (kpa + rng.normal(0, noise)) / 250
        out.append(Pair(kpa + off, ratio, "up" if kpa > before else "down"))
        before = kpa
    return out


@pytest.mark.parametrize("reference", [0.0, 0.3])
@pytest.mark.parametrize(
    "levels",
    [
        [0.0, 100.0, 200.0], [0.0, 70.0, 140.0, 200.0], [0.0, 50.0, 100.0, 150.0, 200.0],
        [0.0, 40.0, 80.0, 120.0, 160.0, 200.0, 160.0, 120.0, 80.0, 40.0, 0.0],
    ],
    ids=["3 up", "4 up", "5 up", "6 up and down"],
)
def test_95_in_100_are_within_two_standard_uncertainties(levels: list[float], reference: float) -> None:
    """Through fit() itself, however few pairs there were; and not by stating something that covers everything."""
    rng = np.random.default_rng(len(levels))
    tries, made, inside = 1500, 0, 0
    for _ in range(tries):
        try:
            got = calibration.fit(random_pairs(rng, levels, 0.5, reference), reference_u_kpa=reference)
        except SettingError:  # three pairs on a line by chance: refused, and nothing stated that could cover
            assert len(levels) == 3 and reference == 0.0
            continue
        made += 1
        true = rng.uniform(0.0, 200.0)
        read = 0.1 + (true + rng.normal(0, 0.5)) / 250
        found = sum(c * read**i for i, c in enumerate(got.coefficients_kpa))
        inside += abs(found - true) <= 2 * got.standard_uncertainty_kpa
    assert made >= 0.99 * tries  # refusals cover nothing, and are to be few
    assert 0.94 < inside / made < 0.995  # 0.94: three standard deviations of 1500 tries below 0.957


def test_the_coverage_factors_are_those_of_the_gum() -> None:
    """JCGM 100:2008 table G.2, 95 %: 1, 2, 3 and 10 degrees of freedom."""
    rng = np.random.default_rng(4)
    for dof, t95 in ((1, 12.71), (2, 4.30), (3, 3.18), (10, 2.23)):
        levels = [float(kpa) for kpa in np.linspace(0.0, 200.0, dof + 2)]
        got = calibration.fit(random_pairs(rng, levels, 0.2, 0.0))
        assert not got.quadratic and got.coverage_factor == pytest.approx(t95, abs=0.005)
        fitted = float(got.curve.at(np.array([0.1, 0.9]))[1].max())
        both = np.hypot(fitted, got.curve.residual_sd)
        assert got.standard_uncertainty_kpa == pytest.approx(t95 / 2 * both, rel=0.02)


def test_no_uncertainty_at_all_is_refused() -> None:
    """Three pairs on a line, made up or lucky, say nothing of a reading; a reference's uncertainty does."""
    exact = [Pair(k, 0.1 + 0.8 * k / 207.0) for k in (0.0, 100.0, 200.0)]
    with pytest.raises(SettingError, match=r"nothing tells how far off .* give --reference-u"):
        calibration.fit(exact)
    got = calibration.fit(exact, reference_u_kpa=0.3)
    assert got.standard_uncertainty_kpa == pytest.approx(0.3)
    assert any("the reference's alone" in note for note in got.notes)


def test_what_a_calibration_does_not_cover_is_noted() -> None:
    """The usual caps are marked up to 110 kPa (16 psi, NIST SP 811), and pumped a quarter beyond, to 140 kPa: common
    practice, no source. Few are marked higher; ``units`` takes markings up to 250 kPa."""
    good = calibration.fit(pairs(), reference_u_kpa=0.1)
    assert good.notes == ()
    up = calibration.fit([p for p in pairs() if p.direction == "up"], reference_u_kpa=0.1)
    assert len(up.notes) == 1 and "hysteresis is not known" in up.notes[0] and up.hysteresis_kpa is None
    perfect = calibration.fit(pairs())
    assert len(perfect.notes) == 1 and "--reference-u" in perfect.notes[0]
    low = calibration.fit([p for p in pairs() if p.reference_kpa <= 120.0], reference_u_kpa=0.1)
    assert low.notes == ("readings above 120.0 kPa are outside the calibrated range",)
    odd = [Pair(p.reference_kpa / 120.0 * 124.98, p.ratio, p.direction) for p in pairs() if p.reference_kpa <= 120.0]
    assert calibration.fit(odd, reference_u_kpa=0.1).notes == (
        "readings above 124.9 kPa are outside the calibrated range",)  # not above 125


@pytest.mark.parametrize("u", [-0.1, float("nan"), float("inf")])
def test_an_impossible_uncertainty_of_the_reference(u: float) -> None:
    with pytest.raises(SettingError, match="reference uncertainty"):
        calibration.fit(pairs(), reference_u_kpa=u)


def test_a_reading_that_never_changes() -> None:
    with pytest.raises(SettingError, match="never changes; check the sensor's wires"):
        calibration.fit([Pair(kpa, 0.5, "up") for kpa in (0.0, 50.0, 100.0, 150.0)])


@pytest.mark.parametrize(("scale", "said"), [(0.28, "give --unit psi or bar"), (30.0, "give --unit kPa")])
def test_pairs_of_no_usual_sensor(scale: float, said: str) -> None:
    """58 or 6210 kPa: no hobby sensor for this job has that as its full scale."""
    with pytest.raises(SettingError, match="usual ones have 60 to 2100 kPa") as info:
        calibration.fit(pairs(scale))
    assert said in str(info.value)
    calibration.fit(pairs(scale), full_scale_kpa=207.0 * scale)  # told that it is so


def test_hysteresis_and_repeatability_by_hand() -> None:
    """At each pressure two readings up and two down. Up 1 kPa apart, down 1 kPa apart: the variance of each two is
    0.5 kPa^2, so the repeatability is 0.707 kPa; the means of up and down are 2 kPa apart."""
    span = 200.0
    found = calibration.fit([
        Pair(kpa, 0.1 + 0.8 * (kpa + off) / span, way)  # type: ignore[arg-type]
        for kpa in (0.0, 50.0, 100.0, 150.0)
        for way, off in (("up", -1.5), ("up", -0.5), ("down", 0.5), ("down", 1.5))
    ])
    assert found.hysteresis_kpa == pytest.approx(2.0, rel=1e-3)
    assert found.repeatability_kpa == pytest.approx(0.5**0.5, rel=1e-3)


@pytest.mark.parametrize(("bend", "quadratic"), [(0.0002, False), (0.0008, False), (0.001, True)])
def test_both_figures_that_a_quadratic_has_to_show(bend: float, quadratic: bool) -> None:
    """Outside: F is the square of t of the last coefficient (numpy's fit and its covariance); AICc = -2 ln L + 2 K +
    2 K (K + 1) / (n - K - 1) by scipy's normal density, K with the variance (Burnham & Anderson 2002, eq. 2.4). At
    0.0008 AICc is lower, and p is 2.6 %: one figure alone is not enough."""
    given = pairs(bend=bend, noise=4e-4)
    found = calibration.fit(given, reference_u_kpa=0.1)
    x, y = np.array([p.ratio for p in given]), np.array([p.reference_kpa for p in given])
    (c2, *_), cov = np.polyfit(x, y, 2, cov=True)
    t = c2 / np.sqrt(cov[0, 0])
    assert found.f_statistic == pytest.approx(t * t, rel=1e-6)
    assert found.f_p == pytest.approx(2.0 * stats.t.sf(abs(t), len(x) - 3), rel=1e-6)

    def aicc(degree: int) -> float:
        rest = y - np.polyval(np.polyfit(x, y, degree), x)
        k, n = degree + 2, len(x)
        likelihood = stats.norm.logpdf(rest, scale=np.sqrt(np.mean(rest**2))).sum()
        return float(-2.0 * likelihood + 2 * k + 2 * k * (k + 1) / (n - k - 1))

    assert found.aicc_line is not None and found.aicc_quadratic is not None
    assert found.aicc_line - found.aicc_quadratic == pytest.approx(aicc(1) - aicc(2), rel=1e-6)
    assert (found.aicc_quadratic < found.aicc_line) == (bend >= 0.0008)
    assert found.quadratic == quadratic


def test_a_bend_is_not_looked_for_in_fewer_than_five_levels() -> None:
    four = [p for p in pairs(bend=0.004) if p.reference_kpa in (0.0, 60.0, 120.0, 180.0)]
    found = calibration.fit(four, reference_u_kpa=0.1)
    assert found.f_statistic is found.aicc_line is None and not found.quadratic
    five = [p for p in pairs(bend=0.004) if p.reference_kpa in (0.0, 30.0, 60.0, 120.0, 180.0)]
    assert calibration.fit(five, reference_u_kpa=0.1).quadratic


def test_a_full_scale_that_no_sensor_has_is_told_in_other_units() -> None:
    """30 psi are 207 kPa (NIST SP 811); given as 30 kPa it is the full scale that is wrong, not the pairs."""
    with pytest.raises(SettingError, match="where the sensor has 30 kPa, and no usual one has that") as info:
        calibration.fit(pairs(), full_scale_kpa=30.0)
    assert "207 kPa are 30 psi" in str(info.value)


def test_a_pair_that_is_none_is_told_by_its_place() -> None:
    good = pairs()
    with pytest.raises(SettingError, match="pair 3 is not two finite numbers"):
        calibration.fit([*good[:2], Pair(float("nan"), 0.5), *good[3:]])
    with pytest.raises(SettingError, match=r"pair 1: a reading of 1.2 of full scale is not possible"):
        calibration.fit([Pair(0.0, 1.2), *good[1:]])


def exact(path: Path, text: str, *more: str) -> dict[str, Any]:
    """What the command makes of pairs that were typed in."""
    path.write_text(text, "utf-8")
    done = CliRunner().invoke(main, ["calibrate", str(path), "--json", *more])
    assert done.exit_code == 0, done.output
    return dict(json.loads(done.stdout))


def test_exact_pairs_are_as_uncertain_as_they_were_written(tmp_path: Path) -> None:
    """A ratiometric sensor, 10 to 90 % for 0 to 206.84 kPa, has the line -25.855 + 258.55 x. Written to 0.01
    kPa and to 0.1: half of the last place by the square root of 3 is the standard uncertainty of each (JCGM 100:2008
    4.3.7, F.2.2.1); a reading of 0.1 is 25.855 kPa."""
    typed = "0,0.1\n103.42,0.5\n206.84,0.9\n"
    rough = exact(tmp_path / "rough.csv", typed, "--reference-u", "0")
    assert rough["coefficients_kPa"] == pytest.approx([-25.855, 258.55])
    u = math.hypot(0.005 / 3**0.5, 0.05 * 258.55 / 3**0.5)
    assert rough["standard_uncertainty_kPa"] == pytest.approx(u)
    said = [note for note in rough["details"]["notes"] if "rounded away" in note]
    assert len(said) == 1 and "the readings" in said[0] and "reference's" not in said[0]
    fine = exact(tmp_path / "fine.csv", typed.replace("0.1", "0.10000"), "--reference-u", "0")
    u = math.hypot(0.005 / 3**0.5, 0.000005 * 258.55 / 3**0.5)
    assert fine["standard_uncertainty_kPa"] == pytest.approx(u)
    whole = exact(tmp_path / "whole.csv", "0,0.10000\n15,0.5\n30,0.9\n", "--unit", "psi", "--reference-u", "0.3 kPa")
    assert whole["standard_uncertainty_kPa"] == pytest.approx(math.hypot(0.3, 0.5 * 6.894757 / 3**0.5), rel=1e-5)
    said = [note for note in whole["details"]["notes"] if "rounded away" in note]
    assert len(said) == 1 and "the references;" in said[0] and "the reference's and" in said[0]


def test_what_was_typed_is_no_scatter_where_the_pairs_show_one(tmp_path: Path) -> None:
    """References are set to whole numbers, and mean them: the pairs say themselves how far they are off."""
    text = "".join(f"{kpa:g},{0.1 + kpa / 250 + off:.4f}\n"
                   for kpa, off in ((0, 0.0), (50, 0.002), (100, -0.002), (150, 0.001), (200, 0.0)))
    got = exact(tmp_path / "p.csv", text, "--reference-u", "0.3 kPa")
    given = [Pair(p[0], p[1]) for p in got["details"]["pairs"]["rows"]]
    assert got["standard_uncertainty_kPa"] == calibration.fit(given, reference_u_kpa=0.3).standard_uncertainty_kpa
    assert not [note for note in got["details"]["notes"] if "rounded" in note]


def test_one_pressure_is_one() -> None:
    with pytest.raises(SettingError, match=r"^1 different pressure is too few"):
        calibration.fit([Pair(100.0, ratio) for ratio in (0.4, 0.5, 0.6)])


@pytest.mark.parametrize(("zero", "end", "said", "reads_to"), [
    (0.1, 0.9, "10 to 90 % of its supply come out as 207 kPa (30 psi) full scale", 207.0),
    (0.0, 1.0, "no 10 to 90 % one by its reading at zero; its counts end at 207 kPa (30 psi)", 207.0),
    (0.2, 1.0, "no 10 to 90 % one by its reading at zero; its counts end at 207 kPa (30 psi)", 207.0),  # 1 to 5 V of 5
    (0.06, 0.94, "10 to 90 % of its supply come out as 188.2 kPa (27.3 psi) full scale", 188.18),  # 0.8 of 207 / 0.88
])
def test_a_gauge_of_another_range_of_counts_is_not_called_smaller_than_it_is(
    tmp_path: Path, zero: float, end: float, said: str, reads_to: float
) -> None:
    """One of 207 kPa that uses all of its counts was called one of 165.5 kPa, and a test to 180 kPa refused."""
    rows = "".join(f"{p},{zero + (end - zero) * p / 207.0:.7f},up\n" for p in (0, 40, 80, 120, 160, 200))
    given, out = tmp_path / "pairs.csv", tmp_path / "gauge.json"
    given.write_text("reference,reading,direction\n" + rows, "utf-8")
    done = CliRunner().invoke(main, ["calibrate", str(given), "--reference-u", "0.1 kPa", "-o", str(out)])
    assert done.exit_code == 0, done.output
    assert f"sensor               {said}" in done.stdout
    assert ("one that uses 0 to 100 % has none" in done.stdout) == (zero == 0.0)
    cal = calibration.from_file_text(out.read_text("utf-8"), str(out))
    assert cal.reads_to_kpa == pytest.approx(reads_to, rel=1e-3)
    assert Gauge(calibration=str(out)).reads_to_kpa() == cal.reads_to_kpa
    config = SessionConfig("system", Marking(reads_to - 20, "kPa", reads_to - 20), calibration=cal)
    check_range(config, "kPa", "--calibration")  # up to 6 kPa below its end
    with pytest.raises(SettingError, match="this gauge reads to"):
        check_range(replace(config, marked=Marking(reads_to, "kPa", reads_to)), "kPa", "--calibration")


def test_plain_readings_have_no_end_that_is_known() -> None:
    bare = Calibration((0.0, 1.0), bare=True)
    assert bare.reads_to_kpa is None and not bare.ends_with_counts
