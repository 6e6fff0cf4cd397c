"""Foreign exceptions to ours, in one place."""

from __future__ import annotations

import errno
import os
import re
import stat
import sys
from pathlib import Path
from urllib.parse import urlsplit

import serial

from recorder.errors import OpenError, PortBusy, PortDenied, PortMissing, RecorderError
from recorder.port.listing import list_ports, ports_there_are

try:
    import termios

    _TERMIOS: tuple[type[BaseException], ...] = (termios.error,)
except ImportError:  # Windows has none
    _TERMIOS = ()

# All that pyserial lets out of open, read, write and in_waiting. TypeError: its read of a port closed meanwhile.
# OverflowError, NotImplementedError: a speed that no port has, or that the system cannot set.
FOREIGN: tuple[type[BaseException], ...] = (
    serial.SerialException,
    OSError,
    ValueError,
    TypeError,
    OverflowError,
    NotImplementedError,
    *_TERMIOS,
)

_MISSING = {errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.ENOTDIR, errno.ECONNREFUSED}
_BUSY = {errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK}
_DENIED = {errno.EACCES, errno.EPERM}


def _number(err: BaseException) -> int | None:
    number = getattr(err, "errno", None)
    if isinstance(number, int):
        return number
    first = err.args[0] if err.args else None
    return first if isinstance(first, int) else None


def _of_a_bridge(err: BaseException, url: str) -> OpenError | None:
    """The error of a port that is reached over a network; None for any other."""
    if url.partition("://")[0].lower() not in ("socket", "rfc2217"):
        return None
    do = "check address and port of the bridge, written like socket://bridge:4000, and that it has power"
    try:
        parts = urlsplit(url)
        if not parts.hostname or parts.port is None:
            lacks = "port number" if parts.hostname else "address"
            return OpenError(f"the network port has no {lacks}", where=url, do=do)
    except ValueError:
        return OpenError("the network port has no port number from 0 to 65535", where=url, do=do)
    # pyserial puts the name before it, and the system's number
    reason = re.sub(r"^(?:\[Errno -?\d+\] )?", "", str(err).removeprefix(f"Could not open port {url}: "))
    return OpenError(f"the bridge cannot be reached ({reason})", where=url, do=do)


def _is_no_port(url: str) -> bool:
    """Whether there is a file or a folder of that name, or a device that is no terminal."""
    try:
        mode = Path(url).stat().st_mode
    except (OSError, ValueError):
        return False
    return not stat.S_ISCHR(mode) or url == os.devnull


def translate(err: BaseException, url: str) -> RecorderError:
    """The error to show for ``err``, which came up while ``url`` was opened."""
    bridge = _of_a_bridge(err, url)
    if bridge is not None:
        return bridge
    number, text = _number(err), str(err).lower()
    refused = "permissionerror" in text  # on Windows all that tells: its words are in the language of the system
    taken = refused and sys.platform == "win32"  # there a port has no rights, and is opened for one program
    if number in _BUSY or "exclusively lock" in text or taken:
        return PortBusy(
            "another program holds the port", where=url,
            do=f"close that program, then try again; {ports_there_are(url)}",
        )
    if number in _DENIED or "permission denied" in text or refused:
        do = "close other programs that may hold it, or ask for permission to use serial ports"
        if sys.platform.startswith("linux"):
            do = "add yourself to the group 'dialout' (sudo usermod -aG dialout $USER) and log in again"
        return PortDenied(
            "you have no permission to open the port", where=url, do=f"{do}; {ports_there_are(url)}"
        )
    if number in _MISSING or "no such file" in text or "filenotfound" in text:
        return PortMissing(
            "there is no such port", where=url, do=f"plug the adapter in; {ports_there_are()}",
            found=tuple(p.url for p in list_ports()),
        )
    if _is_no_port(url):
        return OpenError("this is no serial port", where=url, do=f"give the adapter's; {ports_there_are(url)}")
    if isinstance(err, OverflowError | NotImplementedError) or "baud" in text:
        return OpenError(f"the port cannot be set to this speed ({err})", where=url,
                         do="give the one that the firmware sets (--baud 9600, 57600, 115200)")
    if isinstance(err, ValueError):
        return OpenError(
            f"this is not a port name ({err})", where=url, do="give it like /dev/ttyUSB0, COM3 or socket://bridge:4000"
        )
    return OpenError(
        f"the port cannot be used ({type(err).__name__}: {err})",
        where=url,
        do="unplug the adapter, plug it in again, then try again",
    )
