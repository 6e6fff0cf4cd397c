"""Which program judged a recording: its own version, and those of the libraries whose digits it hands on."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from functools import lru_cache

from recorder import __version__
from recorder.errors import as_text

__all__ = ["PROGRAM", "program_of", "program_versions"]

PROGRAM = "recorder"  # the annotation's name
_LIBRARIES = ("numpy", "scipy")
_LONGEST = 40


@lru_cache(maxsize=1)
def _versions() -> tuple[tuple[str, str], ...]:
    out = [("version", __version__), *((name, _installed(name)) for name in _LIBRARIES)]
    return tuple((name, text) for name, text in out if text)


def _installed(name: str) -> str:
    """A library's version, empty where nothing tells it. One that is not loaded is not loaded for this."""
    if name in sys.modules:
        return str(getattr(sys.modules[name], "__version__", ""))
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version(name)
    except PackageNotFoundError:
        return ""


def program_versions() -> dict[str, str]:
    """Of this program: ``version``, ``numpy``, ``scipy``, as a new recording says it in its head."""
    return dict(_versions())


def program_of(other: Mapping[str, object]) -> tuple[str | None, bool | None]:
    """From a head's further annotations: the program that judged it, in words, and whether that was another version
    than this one, or had another of numpy or scipy. Both None where the recording does not say."""
    said = other.get(PROGRAM)
    if not isinstance(said, Mapping) or "version" not in said:
        return None, None
    own = program_versions()
    told = {name: as_text(said[name])[:_LONGEST] for name in ("version", *_LIBRARIES) if name in said}
    words = ", ".join(text if name == "version" else f"{name} {text}" for name, text in told.items())
    return words, any(told.get(name) != text for name, text in own.items())
