"""Whether a reading is of this moment: an adapter that was unplugged, or says nothing, leaves its last one standing."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

__all__ = ["Away", "away_of"]

# Adapters send ten readings a second and more; those that print plain numbers may send one in a few seconds.
# Common practice, no source.
_QUIET_S = 2.0
_QUIET_BARE_S = 5.0


@dataclass(frozen=True, slots=True)
class Away:
    """No reading comes. why: the port is gone; it is there again, and what comes is not known yet to be the test's; or
    it is there and silent. seconds: since the latest reading."""

    why: Literal["unplugged", "back", "silent"]
    seconds: float


def away_of(*, lost: bool, since_s: float, begun: bool, bare: bool, usual_s: float = 0.0) -> Away | None:
    """None while readings come. begun: one has come; before that silence is said in another way. usual_s: from one
    reading to the next."""
    if lost:
        return Away("unplugged", since_s)
    if begun and since_s > max(_QUIET_BARE_S if bare else _QUIET_S, 4.0 * usual_s):
        return Away("silent", since_s)
    return None
