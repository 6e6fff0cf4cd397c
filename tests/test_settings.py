"""The settings file: what it says is used, what it cannot say is refused with its line."""

from __future__ import annotations

from pathlib import Path

import pytest

from recorder.audit.cache import default_cache
from recorder.errors import FileError, SettingError
from recorder.limits import NAMED, resolve
from recorder.settings import Settings, load_settings, recordings_folder

GOOD = """\
unit = "psi"
port = "/dev/ttyUSB7"
baud = 9600
folder = "tests done"
full_scale = "30 psi"
procedure_cap = "ten-second-hold"

[shop]
name = "A Shop"
line = "1 Road"

[limits]
stroke_volume = "2.4 cl"
hold = 50

[limits.cap]
hold = "1 min"

[limits.system]
hold = "3 min"
"""


def write(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "recorder.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_every_key_is_used_and_units_are_converted(tmp_path: Path) -> None:
    s = load_settings(write(tmp_path, GOOD))
    assert (s.unit, s.port, s.baud) == ("psi", "/dev/ttyUSB7", 9600)
    assert s.folder == str(tmp_path / "tests done")
    assert s.full_scale_kpa == pytest.approx(206.84271, abs=1e-4)  # 30 psi, NIST SP 811 factor
    assert (s.shop_name, s.shop_line) == ("A Shop", "1 Road")
    cap, system = s.procedure("cap"), s.procedure("system")
    assert cap.stroke_volume_ml == pytest.approx(24.0)
    assert (cap.hold_s, system.hold_s, s.procedure("tester").hold_s) == (60.0, 180.0, 50.0)
    assert cap.judged_pressure == "peak" and cap.band_low_kpa == 94.0  # the named procedure
    assert cap.to_json()["named"] == "ten-second-hold" and "named" not in system.to_json()
    assert s.procedure("cap", {"hold": "20 s"}).hold_s == 20.0  # the command line wins


@pytest.mark.parametrize("name", NAMED)
def test_no_named_procedure_lets_a_leaky_tester_pass(tmp_path: Path, name: str) -> None:
    """Two psi in two minutes is what a vehicle may lose by one manual: 20 times what is to be seen of the tester."""
    s = load_settings(write(tmp_path, f'procedure = "{name}"\n'))
    assert s.procedure("system").to_json()["named"] == name
    assert s.procedure("tester").to_json() == resolve("tester").to_json()
    with pytest.raises(SettingError, match=f"--procedure: '{name}' .* cap or a system.* --limit"):
        s.procedure("tester", named=name)
    s = load_settings(write(tmp_path, f'procedure = "{name}"\n[limits]\nsteady_fall_allowed = 0.5\n'))
    assert s.procedure("tester").steady_fall_allowed_kpa_per_min == 0.5


@pytest.mark.parametrize("table", ["tester", "car"])
def test_only_cap_and_system_have_tables_of_limits(tmp_path: Path, table: str) -> None:
    path = write(tmp_path, f'[limits]\nhold = "2 min"\n\n[limits.{table}]\nhold = "3 min"\n')
    with pytest.raises(FileError, match=r"line 4: .*only cap and system have tables of limits") as caught:
        load_settings(path)
    assert ("tester takes its limits from [limits]" in str(caught.value)) == (table == "tester")


def test_both_ends_of_a_target_may_be_raised_and_have_to_agree(tmp_path: Path) -> None:
    s = load_settings(write(tmp_path, "[limits.system]\ntarget_low = 20\ntarget_high = 30\nover_limit = 30\n"))
    assert s.procedure("system").target_low_kpa == 20.0
    s = load_settings(write(tmp_path, "[limits.system]\ntarget_low = 20\n"))
    with pytest.raises(SettingError, match="above 'target_high', 14 kPa"):
        s.procedure("system")
    s.procedure("cap")


@pytest.mark.parametrize(
    ("text", "line", "word"),
    [
        ('unit = "kPa"\ncolour = 3\n', 2, "colour"),
        ("[limits]\nhold = 3\nhodl = 4\n", 3, "hodl"),
        ('[limits]\nhold = "3 kPa"\n', 2, "hold"),
        ('[limits]\n\nhold = "1,200 s"\n', 3, "write '1200 s' or '1.2 s'"),
        ('[limits]\nlocal_air_pressure = 95\nAltitude = "500 m"\n', 3,
         "'local_air_pressure' and 'Altitude' are of the same"),
        ('[limits.cap]\naltitude = "20 km"\n', 2, "limit 'altitude': an altitude of 20000 m"),
        ('full_scale = "1,200 kPa"\n', 1, "can be read as 1200 kPa and as 1.2 kPa"),
        ("[limits.cap]\n\nband = 200\n", 3, "band"),
        ('unit = "furlong"\n', 1, "furlong"),
        ('\nfull_scale = "wide"\n', 2, "wide"),
        ("baud = -1\n", 1, "baud"),
        ("port = 3\n", 1, "port"),
        ('unit = "kPa"\nport = \n', 2, "TOML"),
        ('procedure = "mine"\n', 1, "mine"),
        ("[shop]\nowner = 'x'\n", 2, "owner"),
        ("[shop]\nname = 'x'\ntime_zone = 'Nowhere/Town'\n", 3, "Nowhere/Town"),
        ("[shop]\ntime_zone = '../../etc/passwd'\n", 2, "time zone"),
        ("[shop]\ntime_zone = ''\n", 2, "time zone"),
        ('\nbaud = ' + "9" * 5000, 2, "too many digits"),
        ('unit = "kPa"\nfolder = "a\\u0000b"\n', 2, "no name of a file"),
        ('calibration = "a\\u0000b"\n', 1, "no name of a file"),
    ],
)
def test_refusals_name_file_and_line(tmp_path: Path, text: str, line: int, word: str) -> None:
    path = write(tmp_path, text)
    with pytest.raises(FileError) as caught:
        load_settings(path)
    said = str(caught.value)
    assert said.startswith(f"{path}, line {line}: ") and word in said and "\n" not in said


def test_nested_without_end_it_is_one_line(tmp_path: Path) -> None:
    path = write(tmp_path, f"limits = {'[' * 5000}{']' * 5000}\n")
    with pytest.raises(FileError, match=r"recorder\.toml: .*nested too deep; write one 'key"):
        load_settings(path)


def test_the_file_is_found_in_the_current_folder_then_in_the_users(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    here, config = tmp_path / "here", tmp_path / "config"
    here.mkdir()
    (config / "recorder").mkdir(parents=True)
    monkeypatch.chdir(here)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(config))
    monkeypatch.setattr("sys.platform", "linux")
    assert load_settings().path is None
    write(config / "recorder", 'unit = "bar"\n')
    assert load_settings().unit == "bar"
    write(here, 'unit = "psi"\n')
    assert load_settings().unit == "psi"


@pytest.mark.parametrize("raw", [None, b"\xff\xfe"])
def test_a_file_that_cannot_be_read_is_one_line(tmp_path: Path, raw: bytes | None) -> None:
    path = tmp_path / "x.toml"
    if raw is not None:
        path.write_bytes(raw)
    with pytest.raises(FileError, match=r"x\.toml"):
        load_settings(path)


def test_a_full_scale_without_its_unit_is_not_guessed(tmp_path: Path) -> None:
    file = tmp_path / "recorder.toml"
    file.write_text('unit = "kg"\nfull_scale = "30"\n', "utf-8")
    with pytest.raises(FileError, match=r"line 2: '30' without a unit is 30 kPa .*'30 psi'"):
        load_settings(file)
    file.write_text('unit = "kg"\nfull_scale = "30 psi"\n', "utf-8")
    got = load_settings(file)
    assert got.unit == "kgf/cm2" and got.full_scale_kpa == pytest.approx(206.843, rel=1e-5)


def test_where_a_recording_goes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is named is taken; else recordings, but never those of the demo, which a checkout has there."""
    monkeypatch.chdir(tmp_path)
    assert recordings_folder(None, Settings()) == (Path("recordings"), "")
    (tmp_path / "recordings").mkdir()
    (tmp_path / "recordings" / "README.md").write_text("# Of our shop\n", "utf-8")
    assert recordings_folder(None, Settings()) == (Path("recordings"), "")
    (tmp_path / "recordings" / "README.md").write_bytes(b"\xff")
    assert recordings_folder(None, Settings()) == (Path("recordings"), "")
    monkeypatch.chdir(Path(__file__).parents[1])  # a checkout
    folder, said = recordings_folder(None, Settings())
    assert folder == Path("own-recordings") and "'recordings' here holds the demo's" in said
    assert recordings_folder("recordings", Settings()) == (Path("recordings"), "")
    assert recordings_folder(None, Settings(folder="/shop/tests")) == (Path("/shop/tests"), "")
    assert recordings_folder("here", Settings(folder="/shop/tests")) == (Path("here"), "")


def test_the_air_pressure_is_found_from_the_altitude(tmp_path: Path) -> None:
    """ISO 2533:1975, table 1: 84.556 kPa at 1500 m, 95.461 kPa at 500 m."""
    got = load_settings(write(tmp_path, '[limits]\naltitude = "1500 m"\n[limits.cap]\nAltitude = 500\n'))
    assert got.procedure("system").local_air_pressure_kpa == pytest.approx(84.556, abs=5e-4)
    assert got.procedure("cap").local_air_pressure_kpa == pytest.approx(95.461, abs=5e-4)
    assert got.procedure("cap", {"local_air_pressure": "90 kPa"}).local_air_pressure_kpa == 90
    assert got.procedure("cap").to_json()["local_air_pressure"]["unit"] == "kPa"


def test_limits_of_another_test_stay_unused_in_the_file(tmp_path: Path) -> None:
    """They are of both tests, and so are named procedures."""
    rows = 'procedure = "new-1.1-kgf"\n[limits]\nband = "5 %"\ntarget_low = "3 kPa"\nmost_air = "2 L"\n'
    got = load_settings(write(tmp_path, rows))
    cap, system = got.procedure("cap").to_json(), got.procedure("system").to_json()
    assert "target_low" not in cap and cap["band_below"]["value"] == 5
    assert "band_below" not in system and system["target_low"]["value"] == 3


def test_the_home_of_nobody_is_said_with_its_line(tmp_path: Path) -> None:
    with pytest.raises(FileError, match=r"recorder.toml, line 1: 'folder' is '~no-such-user/tests'"):
        load_settings(write(tmp_path, 'folder = "~no-such-user/tests"\n'))


def test_a_user_without_a_home_has_no_settings_of_his_own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As in a container, whose user the system may not know: Path.home() raises RuntimeError then (Python's docs)."""

    def nobody() -> Path:
        raise RuntimeError("Could not determine home directory.")

    monkeypatch.chdir(tmp_path)
    for name in ("XDG_CONFIG_HOME", "XDG_CACHE_HOME", "APPDATA", "LOCALAPPDATA"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(Path, "home", nobody)
    assert load_settings() == Settings()
    assert default_cache() is None


@pytest.mark.parametrize("written", ['altitude = "2500 m"', 'stroke_volume = "24 mL"', "Band = '5 %'", "hold = 60"])
def test_a_limit_among_the_settings_is_told_where_it_belongs(written: str, tmp_path: Path) -> None:
    file = tmp_path / "recorder.toml"
    file.write_text(f'unit = "psi"\n{written}\n')
    with pytest.raises(FileError, match=r"line 2: there is no setting '\w+'; it is a limit: write it below") as info:
        load_settings(file)
    assert str(info.value).endswith(" a line [limits]")
    file.write_text(f'unit = "psi"\n[limits]\n{written}\n')
    load_settings(file)
