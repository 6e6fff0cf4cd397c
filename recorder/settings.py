"""The settings file: one TOML file with what a shop sets once. Unknown keys are refused.

::

    unit = "psi"
    port = "/dev/ttyUSB0"
    folder = "tests of our shop"
    full_scale = "207 kPa"

    [shop]
    name = "..."

    [limits]          # both tests
    stroke_volume = "24 mL"

    [limits.cap]      # cap tests only
    band = "10 %"
"""

from __future__ import annotations

import os
import re
import stat
import sys
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import tzinfo
from pathlib import Path
from typing import Any

from recorder.errors import FileError, RecorderError, SettingError, as_written
from recorder.limits import KEYS, NAMED, Procedure, check, limit_name, resolve
from recorder.model import USUAL_BAUD, TestKind
from recorder.units import sensor_scale, typed_unit

__all__ = [
    "ASSUMED_FULL_SCALE", "FILE_NAME", "SETTINGS", "Settings", "find_settings", "load_settings", "recordings_folder",
]

FILE_NAME = "recorder.toml"

# key -> what it means; docs/settings.md is tested against this table.
SETTINGS: dict[str, str] = {
    "unit": "pressure unit that people see: kPa, psi, bar, kgf/cm2 (kPa)",
    "port": "where the adapter is: /dev/ttyUSB0, COM3, socket://host:port",
    "baud": f"speed of the port ({USUAL_BAUD})",
    "folder": "where recordings go (recordings, in the current folder; own-recordings where that one holds the demo's)",
    "calibration": "calibration file of the gauge",
    "full_scale": "full scale of a gauge that is not calibrated, like '207 kPa'",
    "procedure": "a named procedure for both tests",
    "procedure_cap": "a named procedure for cap tests",
    "procedure_system": "a named procedure for system tests",
    "shop.name": "shop's name, for the customer sheet",
    "shop.line": "a second line: address, telephone",
    "shop.time_zone": "zone of the times on the sheet, by its name in the IANA database, like 'Etc/GMT-1' (UTC)",
    "limits": "limits for both tests, and tables limits.cap and limits.system",
}
_TOP = {name for name in SETTINGS if "." not in name} | {"shop"}
_LIMITS = {key.name for key in KEYS} | {"band", "altitude"}
_TEXT = ("unit", "port", "folder", "calibration", "full_scale", "procedure", "procedure_cap",
         "procedure_system")
_USUAL, _BESIDE_DEMO = Path("recordings"), Path("own-recordings")
# A gauge of which nothing is known is taken for the commonest hobby one, and that is said loudly. Common practice, no
# source.
ASSUMED_FULL_SCALE = "30 psi"

_DEMO = "# Recordings of the demo"  # the first line of the README that stands beside them


@dataclass(frozen=True, slots=True)
class Settings:
    """What the settings file says; a field is None (or empty) where it says nothing.

    ``full_scale_kpa`` kPa; ``folder`` and ``calibration`` are resolved against the file's own folder.
    """

    path: str | None = None
    unit: str = "kPa"
    port: str | None = None
    baud: int = USUAL_BAUD
    folder: str | None = None
    calibration: str | None = None
    full_scale_kpa: float | None = None
    shop_name: str = ""
    shop_line: str = ""
    shop_time_zone: tzinfo | None = None
    procedures: Mapping[str, str] = field(default_factory=dict)
    limits: Mapping[str, Any] = field(default_factory=dict)
    limits_by_test: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    def procedure(
        self, test: TestKind, *more: Mapping[str, Any], named: str | None = None
    ) -> Procedure:
        """Defaults, then the named procedure, then the file's limits, then ``more``. SettingError.

        Named procedures are of caps and systems: by what those may lose a tester that leaks would pass.
        ``other["named"]`` keeps the name, so that the recording says which procedure it was."""
        if test == "tester" and named:
            raise SettingError(f"'{named}' is of a cap or a system, and not of the tester itself", where="--procedure",
                               do="leave it away, or give limits with --limit")
        name = None if test == "tester" else named or self.procedures.get(test) or self.procedures.get("")
        layers: list[Mapping[str, Any]] = [NAMED[name]] if name else []
        layers += [self.limits, self.limits_by_test.get(test, {}), *more]
        out = resolve(test, *layers, strict=True)
        return replace(out, other={"named": name}) if name else out


def recordings_folder(given: str | None, settings: Settings) -> tuple[Path, str]:
    """Where a new recording goes, and what to say of it, empty where nothing is: the folder that was given, the one of
    the settings, or ``recordings`` in the current folder. In a checkout of the project the demo's recordings and their
    ledger stand there; what a user records stays apart from them unless that folder is named."""
    named = given or settings.folder
    if named is not None:
        return Path(named), ""
    try:
        with (_USUAL / "README.md").open(encoding="utf-8") as file:
            of_demo = file.readline().strip() == _DEMO
    except (OSError, UnicodeDecodeError):
        of_demo = False
    if not of_demo:
        return _USUAL, ""
    return _BESIDE_DEMO, (f"the folder '{_USUAL}' here holds the demo's recordings, so what you record goes to "
                          f"'{_BESIDE_DEMO}'; 'folder' in {FILE_NAME} names another")


def _config_folder() -> Path | None:
    """The user's own configuration folder, by the habits of the platform; None for a user who has no home."""
    with suppress(RuntimeError):  # Path.home, where neither HOME nor the system names one, as in some containers
        return _own_folder()
    return None


def _own_folder() -> Path:
    if sys.platform == "win32":
        return Path(os.environ.get("APPDATA") or Path.home() / "AppData" / "Roaming") / "recorder"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Application Support" / "recorder"
    return Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config") / "recorder"


def find_settings() -> Path | None:
    """``recorder.toml`` in the current folder, else in the user's configuration folder, else None. FileError where a
    folder may not be looked into."""
    own = _config_folder()
    for folder in (Path(), own) if own is not None else (Path(),):
        path = folder / FILE_NAME
        try:  # ``is_file`` tells no reason: from Python 3.14 on it raises nothing
            if stat.S_ISREG(path.stat().st_mode):
                return path
        except (FileNotFoundError, NotADirectoryError):
            continue
        except OSError as err:  # a folder that may not be entered, say the home of somebody else
            raise FileError(f"settings cannot be looked for here ({err.strerror})", path=str(path),
                            do="check the rights of its folder, or whose home HOME names") from None
    return None


def load_settings(path: str | os.PathLike[str] | None = None) -> Settings:
    """The settings of ``path``, or of the file that is found; the defaults where there is none.

    Raises FileError with file and line.
    """
    file = Path(path) if path is not None else find_settings()
    if file is None:
        return Settings()
    import tomllib  # a shop without settings has no need of it

    try:
        text = file.read_text(encoding="utf-8-sig")  # some editors put a byte order mark in
    except FileNotFoundError:
        raise FileError(
            "there is no such settings file", path=str(file), do="check --settings"
        ) from None
    except UnicodeDecodeError:
        raise FileError("is not UTF-8 text", path=str(file), do="save it as UTF-8") from None
    except OSError as err:
        raise FileError(
            f"cannot be read ({err.strerror or err})", path=str(file), do="check the file"
        ) from None
    do = "write one 'key = \"value\"' a line"
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as err:
        found = re.search(r"at line (\d+)", str(err))
        what = re.sub(r"\s*\(at .*\)$", "", str(err))
        raise FileError(
            f"is not valid TOML: {what}", path=str(file), line=int(found[1]) if found else 0, do=do,
        ) from None
    except ValueError:  # of a whole number that Python does not read
        longest = max(enumerate(text.splitlines(), 1), key=lambda line: sum(c.isdigit() for c in line[1]))
        raise FileError("has a number of too many digits", path=str(file), line=longest[0], do=do) from None
    except RecursionError:
        raise FileError("is nested too deep", path=str(file), do=do) from None
    return _checked(data, text, file)


def _line_of(text: str, key: str, table: str = "") -> int:
    """The line a key stands on; 0 where it cannot be told (dotted or quoted keys)."""
    here = ""
    for number, line in enumerate(text.splitlines(), start=1):
        heading = re.match(r"\s*\[([^\[\]]+)\]", line)
        if heading:
            here = heading[1].strip()
            if f"{table}.{key}".lstrip(".") == here:
                return number
        elif here == table and re.match(rf"\s*[\"']?{re.escape(key)}[\"']?\s*[=.]", line):
            return number
    return 0


def _checked(data: Mapping[str, Any], text: str, file: Path) -> Settings:
    def refuse(what: str, key: str, do: str, table: str = "") -> FileError:
        return FileError(what, path=str(file), line=_line_of(text, key, table), do=do)

    for key in data:
        if key not in _TOP:
            raise refuse(f"there is no setting '{key}'", key, "it is a limit: write it below a line [limits]"
                         if limit_name(key) in _LIMITS else "use one of: " + ", ".join(SETTINGS))
    for key in _TEXT:
        if key in data and not isinstance(data[key], str):
            raise refuse(f"'{key}' has to be text", key, f'write {key} = "..."')
    baud = data.get("baud", USUAL_BAUD)
    if isinstance(baud, bool) or not isinstance(baud, int) or baud <= 0:
        raise refuse(f"baud is {as_written(baud)}", "baud", f"write baud = {USUAL_BAUD}")
    shop = data.get("shop", {})
    if isinstance(shop, str):
        shop = {"name": shop}
    if not isinstance(shop, Mapping):
        raise refuse("'shop' has to be a table", "shop", "write [shop] and name = \"...\" below it")
    for key, given in shop.items():
        if key not in ("name", "line", "time_zone") or not isinstance(given, str):
            raise refuse(f"'shop.{key}' cannot be used", key, "shop has name, line and time_zone, all text", "shop")
    try:
        zone = _zone(shop["time_zone"]) if "time_zone" in shop else None
    except (LookupError, ValueError, OSError):
        raise refuse(
            f"there is no time zone '{shop['time_zone']}' on this machine", "time_zone",
            "write its name in the IANA database, region/town, or leave it out: times are in UTC then", "shop",
        ) from None
    procedures = _procedures(data, refuse)
    full_scale = None
    key = "unit"
    try:
        unit = typed_unit(data.get(key, "kPa"))
        key = "full_scale"
        if key in data:
            full_scale = sensor_scale(data[key], "kPa")
    except RecorderError as err:
        do = "give a unit of pressure: kPa, psi, bar, kgf/cm2" if key == "unit" else err.do
        raise refuse(err.what, key, do) from None
    common, by_test = _limits(data.get("limits", {}), refuse)

    def beside(key: str) -> str | None:
        if "\0" in data.get(key, ""):
            raise refuse(f"'{key}' is {as_written(data[key])}, which is no name of a file", key, "write its name")
        try:
            return str(file.parent / Path(data[key]).expanduser()) if key in data else None
        except RuntimeError:
            raise refuse(f"'{key}' is '{data[key]}', and whose home that is is not known", key,
                         "write the whole path") from None

    return Settings(
        path=str(file), unit=unit, port=data.get("port"), baud=baud, folder=beside("folder"),
        calibration=beside("calibration"), full_scale_kpa=full_scale,
        shop_name=shop.get("name", ""), shop_line=shop.get("line", ""), shop_time_zone=zone,
        procedures=procedures, limits=common, limits_by_test=by_test,
    )


def _procedures(data: Mapping[str, Any], refuse: Any) -> dict[str, str]:
    """The named procedure of each test; that for both under no name."""
    procedures = {}
    for key, test in (("procedure", ""), ("procedure_cap", "cap"), ("procedure_system", "system")):
        if key in data:
            if data[key] not in NAMED:
                raise refuse(
                    f"there is no procedure '{data[key]}'", key, "use one of: " + ", ".join(NAMED)
                )
            procedures[test] = str(data[key])
    return procedures


def _zone(name: str) -> tzinfo:
    """LookupError, ValueError or OSError where there is none of that name."""
    from zoneinfo import ZoneInfo  # few settings name one

    return ZoneInfo(name)


def _limits(given: Any, refuse: Any) -> tuple[dict[str, Any], dict[str, dict[str, Any]]]:
    """The limits for both tests and those for one; every value is tried out here."""
    if not isinstance(given, Mapping):
        raise refuse("'limits' has to be a table", "limits", "write [limits]")
    common: dict[str, Any] = {}
    by_test: dict[str, dict[str, Any]] = {}
    def take(written: str, value: Any, table: str, into: dict[str, Any], test: TestKind) -> None:
        key = limit_name(written)
        if key not in _LIMITS and table == "limits" and isinstance(value, Mapping):
            do = "a test of the tester takes its limits from [limits]" if key == "tester" else \
                "write [limits.cap] or [limits.system]"
            raise refuse(f"only cap and system have tables of limits, and '{key}' has none", written, do, table)
        if key in into:
            raise refuse(f"limit '{written}' is given twice, in two spellings", written, "leave one away", table)
        other = {"altitude": "local_air_pressure", "local_air_pressure": "altitude"}.get(key)
        if other in into:
            raise refuse(f"'{other}' and '{written}' are of the same limit", written, "leave one away", table)
        if key not in _LIMITS:
            raise refuse(f"there is no limit called '{written}'", written, "use one of: " + ", ".join(sorted(_LIMITS)),
                         table)
        try:
            check(test, key, value)  # against each other they are held where all of them are known
        except RecorderError as err:
            raise refuse(f"limit '{written}': {err.what}", written, err.do, table) from None
        into[key] = value

    for key, value in given.items():
        if key in ("cap", "system") and isinstance(value, Mapping):
            test: TestKind = "cap" if key == "cap" else "system"
            by_test[test] = {}
            for inner, one in value.items():
                take(inner, one, f"limits.{key}", by_test[test], test)
        else:
            take(key, value, "limits", common, "cap")
    return common, by_test
