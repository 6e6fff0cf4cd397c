"""The procedure of a recording as somebody writes it by hand, from the contracts alone."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from recorder.analysis import Setup
from recorder.cli import main
from recorder.cli._common import limits_of
from recorder.errors import FileError, SettingError
from recorder.limits import Procedure, resolve
from recorder.recording import parse
from recorder.settings import load_settings


def of_file(procedure: str) -> bytes:
    """A cap that is pumped to its band in strokes, held and let go."""
    time_s = np.arange(0.0, 70.0, 0.1)
    steps = np.clip(np.floor((time_s - 5.0) / 1.0) + 1.0, 0.0, 7.0) * 14.0
    pressure = np.where(time_s < 65.0, steps, 0.0) + np.random.default_rng(1).normal(0.0, 0.05, len(time_s))
    rows = "".join(f"{t:.6f},{p:.4f}\n" for t, p in zip(time_s, pressure, strict=True))
    return (f'# test: "cap"\n# marked: {{"value": 16, "unit": "psi"}}\n# procedure: {procedure}\n'
            f"time_s,pressure_kPa\n{rows}").encode()


def used(procedure: str) -> Procedure:
    return Setup.from_header(parse(of_file(procedure)).header).procedure


@pytest.mark.parametrize("name", [
    "judged pressure", "band", "hold", "steady fall allowed", "stroke volume", "local air pressure",
])
@pytest.mark.parametrize("spelled", [
    str.lower, str.title, lambda name: name.replace(" ", "-"), lambda name: f" {name.replace(' ', '_').upper()} ",
], ids=["blanks", "capitals", "hyphens", "upper"])
def test_each_key_of_the_contract_by_its_own_words(name: str, spelled: object, tmp_path: Path) -> None:
    """Section 5 of the contracts names its keys in words."""
    value = {"judged pressure": "peak", "band": "5 %", "hold": "60 s", "steady fall allowed": "3 kPa/min",
             "stroke volume": "24 mL", "local air pressure": "95 kPa"}[name]
    own = spelled(name)  # type: ignore[operator]
    plain = resolve("cap", {name.replace(" ", "_"): value})
    assert used(json.dumps({own: value})) == plain != resolve("cap")
    (tmp_path / "s.toml").write_text(f'[limits]\n"{own}" = "{value}"\n', "utf-8")
    assert load_settings(tmp_path / "s.toml").procedure("cap") == plain
    assert resolve("cap", limits_of([f"{own}={value}"]), strict=True) == plain


def test_one_limit_in_two_spellings_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SettingError, match=r"^limit 'Hold': it is the same as 'hold', and both are given"):
        used('{"hold": "60 s", "Hold": "50 s"}')
    (tmp_path / "s.toml").write_text('[limits]\nhold = "60 s"\nHold = "50 s"\n', "utf-8")
    with pytest.raises(FileError, match="line 3: limit 'Hold' is given twice"):
        load_settings(tmp_path / "s.toml")


@pytest.mark.parametrize("given", ['"1500 m"', "1500", '{"value": 1.5, "unit": "km"}'])
@pytest.mark.parametrize("name", ["altitude", "Altitude"])
def test_the_air_pressure_is_found_from_the_altitude(name: str, given: str) -> None:
    """ISO 2533:1975, table 1: 84.556 kPa at 1500 m."""
    assert used(f'{{"{name}": {given}}}').local_air_pressure_kpa == pytest.approx(84.556, abs=5e-4)
    assert not parse(of_file(f'{{"{name}": {given}, "local_air_pressure": null}}')).notes[1:]


@pytest.mark.parametrize(("given", "said"), [
    ('{"altitude": "500 m", "Local air pressure": "95 kPa"}', "'altitude' and 'Local air pressure' are of the same"),
    ('{"altitude": "high"}', "limit 'altitude': 'high' does not begin with a number"),
    ('{"altitude": "3 s"}', "limit 'altitude': 's' is not a unit that can be turned into m"),
    ('{"altitude": "20 km"}', "limit 'altitude': "),
])
def test_an_altitude_that_cannot_be_used(given: str, said: str) -> None:
    with pytest.raises(FileError, match=f"^x.csv, line 3: 'procedure': {said}"):
        parse(of_file(given), "x.csv")


def test_what_is_no_limit_is_told_and_changes_nothing(tmp_path: Path) -> None:
    path, plain = tmp_path / "a.csv", tmp_path / "b.csv"
    plain.write_bytes(of_file('{"hold": "60 s"}'))
    path.write_bytes(of_file('{"hold": "60 s", "hodl": "90 s", "named": "used-cap", "_why": "x", "other": null}'))
    done, other = (CliRunner().invoke(main, ["judge", "--json", str(file)]) for file in (path, plain))
    assert done.exit_code == other.exit_code == 0
    [remark] = [line for line in done.stderr.splitlines() if "in the procedure" in line]
    assert remark == f"{path}: line 3: 'hodl' in the procedure is no limit that this program knows, and was not used"
    assert done.stdout.replace(str(path), str(plain)) == other.stdout and "in the procedure" not in other.stderr
    many = parse(of_file('{"a": 1, "b": 2, "c": 3, "d": 4, "band": {"low": 1}}')).notes
    assert [note for note in many if "limits" in note] == [
        "line 3: 'a', 'b', 'c' and 2 more in the procedure are no limits that this program knows, and were not used"]
