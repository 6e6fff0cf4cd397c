"""A number as people type it, with what stands behind it: a decimal point or a decimal comma, and nothing guessed."""

from __future__ import annotations

import math
import re

from recorder.errors import SettingError

__all__ = ["has_tolerance", "two_ways", "typed_clock", "typed_number"]

_NUMBER = re.compile(r"\s*([-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?)\s*(.*?)\s*")
# One to three digits, a comma, three digits: thousands to some, a decimal comma to others. Nobody groups behind a 0.
_TWO_WAYS = re.compile(r"[-+]?[1-9]\d{0,2},\d{3}(?!\d)")
_CLOCK = re.compile(r"\s*(\d{1,3}):([0-5]\d)(?:\s*min(?:utes?|s)?\.?)?\s*")
_GOES_ON = re.compile(r"[.,'’_]*\d")  # where a unit should begin
_TOLERANCE = re.compile(r"±|\+\s*/?\s*[-−]")


def two_ways(number: str) -> tuple[str, str] | None:
    """With its comma between thousands and with a decimal one; None where it can be read in one way only."""
    if _TWO_WAYS.match(number) is None:
        return None
    return number.replace(",", ""), f"{float(number.replace(',', '.')):.7g}"


def has_tolerance(text: str) -> bool:
    """Whether something like ``± 1`` is in it."""
    return _TOLERANCE.search(text) is not None


def typed_clock(text: str) -> float | None:
    """Seconds of a time in minutes and seconds, as this program shows a hold (``4:30``); None where it is none."""
    match = _CLOCK.fullmatch(text)
    return None if match is None else 60.0 * int(match[1]) + int(match[2])


def typed_number(text: str, example: str) -> tuple[float, str]:
    """The number that ``text`` begins with, and the rest, which is to be a unit. example: how it is written.

    Raises SettingError where there is no number, where it has no end or a tolerance, and where its comma can be read in
    two ways.
    """
    match = _NUMBER.fullmatch(text.replace("−", "-"))  # also as the window has it
    if match is None:
        raise SettingError(f"'{text}' does not begin with a number", do=f"write it like '{example}'")
    number, rest = match[1], match[2]
    if _GOES_ON.match(rest):
        raise SettingError(f"it cannot be told where the number of '{text.strip()}' ends", do="write one decimal point "
                           f"or comma at most and nothing between thousands, like '{example}'")
    if has_tolerance(rest):  # a unit registry takes "± 1 psi" for a psi
        raise SettingError(f"'{text.strip()}' has a tolerance", do=f"write the number and its unit alone, like "
                           f"'{example}'")
    either = two_ways(number)
    if either is not None:
        unit = f" {rest}" if rest else ""
        first, second = (f"{one}{unit}" for one in either)
        raise SettingError(f"'{text.strip()}' can be read as {first} and as {second}",
                           do=f"write '{first}' or '{second}'")
    value = float(number.replace(",", "."))
    if not math.isfinite(value):
        raise SettingError(f"'{text}' is not a finite number")
    return value, rest
