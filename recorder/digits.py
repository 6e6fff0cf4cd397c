"""How many digits a number with an uncertainty is written with, everywhere alike."""

from __future__ import annotations

import math
from decimal import Decimal

__all__ = ["MOST_DECIMALS", "decimals", "rounded_down", "significant", "with_doubt"]

MOST_DECIMALS = 6
_LEFT_BY_ARITHMETIC = 1e-6  # of a last digit: 16 psi and a tenth are 17.6 psi, by way of kPa 17.599999999999998


def decimals(expanded: float) -> int:
    """Decimals that show an expanded uncertainty with two digits up to 3.54, 35.4, ..., with one above: the rounding
    rule of the Review of Particle Physics, introduction, section 5.3 (from memory)."""
    if not math.isfinite(expanded) or expanded <= 0:
        return 2
    exponent = max(math.floor(math.log10(expanded)), -MOST_DECIMALS - 1)  # of less there are no more decimals
    leading = expanded / 10.0**exponent
    return min(max(-exponent + (1 if leading < 3.55 else 0), 0), MOST_DECIMALS)


def rounded_down(value: float, places: int) -> str:
    """``"98.5"`` of 98.595: a number that is not to be gone beyond, cut and not rounded, so that whoever goes up to
    what is written stays within. What only the arithmetic left below a last digit counts as that digit."""
    return f"{math.floor(value * 10**places + _LEFT_BY_ARITHMETIC) / 10**places:.{places}f}"


def significant(value: float, digits: int, *, sign: bool = False) -> str:
    """``"260"`` of 259.7 and 2 digits: a finite number with so many significant digits, never with an exponent.
    sign: a plus is written, too."""
    return format(Decimal(f"{value:.{digits}g}"), "+f" if sign else "f")


def with_doubt(value: float, expanded: float) -> str:
    """``"103.2 ± 0.8"``: a value and its expanded uncertainty (two standard uncertainties), in one unit."""
    places = decimals(expanded)
    number = f"{value:.{places}f}"
    if float(number) == 0:
        number = number.lstrip("-")
    return f"{number} ± {expanded:.{places}f}"
