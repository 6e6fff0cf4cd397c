"""A recording's procedure as somebody may write it: an altitude for the air pressure there, and what is no limit."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from recorder.air import pressure_at_altitude_kpa
from recorder.errors import SettingError, as_written
from recorder.limits import limit_name, unknown_limits
from recorder.units import parse_quantity

__all__ = ["told", "with_air_pressure"]

_AIR = "local_air_pressure"


def with_air_pressure(procedure: Mapping[str, Any]) -> Mapping[str, Any]:
    """The procedure with the air pressure (kPa) at its ``altitude`` in place of that; a number alone is in m. Raises
    SettingError, also where both are given."""
    names = [name for name, given in procedure.items() if given is not None and limit_name(name) == "altitude"]
    if not names:
        return procedure
    other = next((name for name, given in procedure.items() if given is not None and limit_name(name) == _AIR), None)
    if len(names) > 1 or other is not None:
        raise SettingError(f"'{names[0]}' and '{other or names[1]}' are of the same limit", do="leave one of them away")
    try:
        kpa = pressure_at_altitude_kpa(parse_quantity(procedure[names[0]], "m"))
    except SettingError as err:
        raise SettingError(f"limit '{names[0]}': {err.what}", do=err.do) from None
    kept = {name: given for name, given in procedure.items() if name not in names and limit_name(name) != _AIR}
    return {**kept, _AIR: {"value": kpa, "unit": "kPa"}}


def told(procedure: Mapping[str, Any], line: int) -> list[str]:
    """What to say of names in it that nothing is judged by. line: of the file."""
    unknown = [as_written(name) for name in unknown_limits(procedure)]
    if not unknown:
        return []
    these = " and ".join(unknown[:3]) if len(unknown) < 4 else f"{', '.join(unknown[:3])} and {len(unknown) - 3} more"
    is_none = "is no limit that this program knows, and was" if len(unknown) == 1 else \
        "are no limits that this program knows, and were"
    return [f"line {line}: {these} in the procedure {is_none} not used"]
