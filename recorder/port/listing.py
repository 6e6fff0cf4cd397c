"""The serial ports of this computer."""

from __future__ import annotations

import os
from dataclasses import dataclass

from serial.tools import list_ports as serial_ports

from recorder.errors import printable


@dataclass(frozen=True, slots=True)
class PortInfo:
    """``url`` opens it; ``description`` is what the system says of it, empty when it says nothing."""

    url: str
    description: str


def list_ports() -> list[PortInfo]:
    """USB adapters first, then the rest, each in order of name. Never raises; empty when there is none."""
    try:
        found = list(serial_ports.comports())
    except (OSError, ValueError):  # a system without the places that pyserial looks at
        return []
    found.sort(key=lambda p: (p.vid is None, p.device))
    out = []
    for p in found:
        text = p.description or ""
        if text in ("n/a", p.device, p.name):
            text = ""
        out.append(PortInfo(str(p.device), printable(text)[:80]))
    return out


def may_be_there(url: str) -> bool:
    """Whether the port is listed, or is one of which the list says nothing: a link to a port (such as those below
    /dev/serial/by-id), a pseudo-terminal, a network address. Never raises."""
    # os.path, as Path raises for a name that is too long
    return "://" in url or os.path.exists(url) or any(p.url == url for p in list_ports())  # noqa: PTH110


def ports_there_are(but: str = "") -> str:
    """Words for the end of a message: the ports of this computer, without ``but``, the one that it is about."""
    # a name under /dev/serial/by-id is a link to the port that the system lists
    own = {but, os.path.realpath(but)} if but else set()
    found = [p.url for p in list_ports() if p.url not in own]
    other = "other " if but else ""
    return f"{other}ports there are: {', '.join(found)}" if found else f"there is no {other}port"


def check_port(url: str) -> str:
    """What to do where nothing comes from the port that was opened."""
    return f"check that this is the adapter's port and that it has power; {ports_there_are(url)}"
