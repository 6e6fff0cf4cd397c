"""The audit's table in the shop's unit; what scripts read stays in kPa."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from recorder.audit import AuditRow, Totals
from recorder.cli import main
from recorder.cli._audit_ledgers import Ledgers
from recorder.cli._audit_table import _number, table
from recorder.cli._audit_words import totals_lines

DEMO = Path(__file__).parents[2] / "recordings"


def run(*args: object) -> Result:
    return CliRunner().invoke(main, [str(a) for a in args])


def row(**given: object) -> AuditRow:
    return AuditRow("x.csv", opening_kpa=110.316, rate_kpa_per_min=0.05, stored="pass", recomputed="pass", same=True,
                    intact=True, over="pumped to 124.3 kPa, over its limit", **given)  # type: ignore[arg-type]


def test_a_pressure_is_as_fine_in_every_unit() -> None:
    """1 psi is 6.894757 kPa, 1 bar 100 kPa (NIST SP 811, appendix B.8), 1 mbar 0.1 kPa."""
    said = [_number(110.316, factor) for factor in (1.0, 6.894757, 100.0, 0.1)]
    assert said == ["110.32", "16.000", "1.1032", "1103.2"]
    assert _number(None, 1.0) == ""


def test_the_table_is_in_the_unit_that_was_asked_for(capsys: pytest.CaptureFixture[str],
                                                     monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "160")
    table([row()], "", "psi")
    head, line, remark = capsys.readouterr().out.splitlines()
    assert "opened psi  fall psi/min" in head and line.split()[1:3] == ["16.000", "0.007"]
    assert "18.03 psi" in remark and "kPa" not in head + line + remark


def test_the_unit_of_the_settings_is_the_tables_and_no_scripts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "160")
    monkeypatch.chdir(tmp_path)
    scripts = ["--json"], ["--csv"]
    before = [run("audit", DEMO, "--no-cache", *words).stdout for words in scripts]
    Path("recorder.toml").write_text('unit = "bar"\n', "utf-8")
    assert "opened bar  fall bar/min" in run("audit", DEMO, "--no-cache").stdout
    assert "opened mbar  fall mbar/min" in run("audit", DEMO, "--no-cache", "--unit", "mbar").stdout
    assert [run("audit", DEMO, "--no-cache", *words).stdout for words in scripts] == before
    assert all("opening_kpa" in text for text in before)


@pytest.mark.parametrize("words", [("--unit", "furlong"), ("--unit", "psi", "--json")])
def test_a_unit_that_cannot_be_used_is_a_usage_error(tmp_path: Path, words: tuple[str, ...]) -> None:
    done = run("audit", tmp_path, *words)
    assert done.exit_code == 2 and len(done.stderr.splitlines()) == 1


def test_a_calibration_that_changed_is_told_in_it() -> None:
    totals = Totals()
    for n, span in enumerate((250.0, 260.0)):
        totals.add(row(id=f"{n}", started=f"2026-03-0{n + 1}T09:00:00Z", adapter="hose-7", calibration="in date",
                       calibration_date=f"2026-02-0{n + 1}", span_kpa=span, offset_kpa=-25.0, calibration_u_kpa=0.2))
    said = "\n".join(totals_lines(totals, Ledgers((), (), ()), "psi"))
    assert "span 36.259 psi" in said and "span 37.710 psi" in said and "kPa" not in said
