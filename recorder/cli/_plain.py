"""What an output gets that cannot show every letter: signs as plain words, ``+-`` for ``±``. Only what is said to
people goes this way; what is data for a program goes through :func:`put_data` and stays as it is."""

from __future__ import annotations

import codecs
import sys
from contextlib import suppress
from typing import IO

import click

__all__ = ["as_shown", "prepare", "put_data"]

# As they are typed where a keyboard has no more; common practice, no source.
_SIGNS = {
    "±": "+-", "°": "deg", "µ": "u", "μ": "u", "²": "^2", "³": "^3", "·": "*", "×": "x", "÷": "/", "√": "sqrt",
    "≤": "<=", "≥": ">=", "≠": "!=", "≈": "~", "→": "->", "←": "<-", "Ω": "ohm", "…": "...",
    "–": "-", "—": "-", "−": "-", "‐": "-", "\u2011": "-", "‘": "'", "’": "'", "“": '"', "”": '"', "„": '"',
    "\u00a0": " ", "\u2009": " ", "\u202f": " ",
}  # fmt: skip
_ERRORS = "recorder-plain"
# ASCII by another name: where an output calls itself by the usual one, click writes UTF-8 into it all the same.
_ASCII = "recorder-ascii"


def _in_words(err: UnicodeError) -> tuple[str, int]:
    if not isinstance(err, UnicodeEncodeError):
        raise err
    return "".join(_SIGNS.get(sign, "?") for sign in err.object[err.start : err.end]), err.end


def _find(name: str) -> codecs.CodecInfo | None:
    if name.replace("_", "-") != _ASCII:
        return None
    own = codecs.lookup("ascii")
    return codecs.CodecInfo(own.encode, own.decode, own.streamreader, own.streamwriter, own.incrementalencoder,
                            own.incrementaldecoder, _ASCII)


codecs.register_error(_ERRORS, _in_words)
codecs.register(_find)


def _own_name(stream: IO[str] | None) -> str:
    """Of the stream's encoding; UTF-8 where it has none."""
    try:
        return codecs.lookup(getattr(stream, "encoding", None) or "utf-8").name
    except LookupError:
        return "utf-8"


def prepare(stream: IO[str] | None) -> None:
    """From now on a sign that the stream cannot show is written as a plain word, and a letter as ``?``."""
    reconfigure = getattr(stream, "reconfigure", None)
    if reconfigure is not None:
        with suppress(OSError):  # what it has not taken yet it takes as little now: who writes next is told
            reconfigure(encoding=_ASCII if _own_name(stream) == "ascii" else None, errors=_ERRORS)


def as_shown(text: str) -> str:
    """``text`` as standard output will show it, so that it can be laid out."""
    name = _own_name(sys.stdout)
    return text if name == "utf-8" else text.encode(name, _ERRORS).decode(name)


def put_data(text: str, *, nl: bool = True) -> None:
    """JSON or CSV on standard output: in UTF-8 where that is the output's own or ASCII is, and never in plain words."""
    name = _own_name(sys.stdout)
    if name == "utf-8":
        click.echo(text, nl=nl)
    else:
        click.echo(text.encode("utf-8" if name in ("ascii", _ASCII) else name, "replace"), nl=nl)
