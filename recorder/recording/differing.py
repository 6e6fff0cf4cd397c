"""Where two judgements differ."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

__all__ = ["differing_keys"]


def differing_keys(stored: Any, own: Any, at: str = "") -> Iterator[str]:
    """Paths such as ``hold.rate.value`` at which two JSON values are not the same, digit for digit."""
    if isinstance(stored, dict) and isinstance(own, dict):
        for key in [*stored, *(k for k in own if k not in stored)]:
            where = f"{at}.{key}" if at else str(key)
            if key not in stored or key not in own:
                yield where
            else:
                yield from differing_keys(stored[key], own[key], where)
    elif isinstance(stored, list) and isinstance(own, list):
        if len(stored) != len(own):
            yield at
            return
        for i, (a, b) in enumerate(zip(stored, own, strict=True)):
            yield from differing_keys(a, b, f"{at}[{i}]")
    elif isinstance(stored, bool) != isinstance(own, bool) or stored != own:
        yield at
