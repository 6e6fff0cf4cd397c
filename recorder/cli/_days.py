"""Days that are given on a command line."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

import click

__all__ = ["since_until"]


def _day(ctx: click.Context, param: click.Parameter, given: str | None) -> date | None:
    """A click callback: a day as it is written in a recording."""
    if given is None:
        return None
    try:
        day = date.fromisoformat(given.strip())
    except ValueError:
        raise click.BadParameter(f"'{given}' is no day; write it like 2026-03-14.") from None
    first = ctx.params.get("since")
    if param.name == "until" and first is not None and day < first:
        raise click.BadParameter(f"{day} is before {first}, the day of --since.")
    return day


def since_until(what: str) -> Callable[[Any], Any]:
    """The options ``--since`` and ``--until``, given to the command as days. what: is chosen by them, in words."""
    def options(command: Any) -> Any:
        until = click.option("--until", metavar="DAY", callback=_day, help=f"Only {what} on this day or earlier.")
        return click.option("--since", metavar="DAY", callback=_day, is_eager=True,
                            help=f"Only {what} on this day (like 2026-03-14, of UTC) or later.")(until(command))

    return options
