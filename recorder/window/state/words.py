"""The window's own terms for advice that is worded for the command line, and its one form of a minus. Pure."""

from __future__ import annotations

import re

__all__ = ["breakable", "in_window", "minus", "whole"]

# A hyphen that is the sign of a number: not one in a word, a day or a file's name, nor an exponent's.
_HYPHEN = re.compile(r"(?<![\w./\\-])-(?=\.?\d)")
_NO_LESS = re.compile(r"−(?=0*\.?0*(?![\d.]))")  # of zero, as rounding left it

_LONG = re.compile(r"\S{41,}")  # no file's name that the recorder gives
_PIECE = re.compile(r"\S{20}(?=\S)")
_MAY_BREAK = "\u200b"  # Unicode's zero width space: takes no room, and a line may end there

# What is an option of a command there is a field or a key here. Most particular first.
_INSTEAD: tuple[tuple[str, str], ...] = (
    (r"an adapter that prints plain numbers needs --bare UNIT", "an adapter that prints plain numbers: F3, then G"),
    (r"'recorder record', 'adapter' and 'calibrate' take them with --bare UNIT", "set plain numbers: F3, then G"),
    (r"; plain numbers have no check, [^:]*: [^;]*, and recordings say so", ""),  # the page of the gauge says it
    (r"where they are counts, --bare does not take them, for it needs a pressure", "where they are counts, they cannot "
     "be taken, for a pressure is needed"),
    (r"on each line and use --bare UNIT", "on each line and say its unit (F3, then G)"),
    (r"on its line and use --bare UNIT \(with --bare psi: 14\.50\)", "on its line and say its unit (F3, then G)"),
    (r"leave out --bare", "say that it sends checked lines: F3, then G"),
    (r"in the unit of --bare", "in the unit that is set (F3, then G)"),
    (r"and no pressure, --bare cannot take them", "and no pressure, they cannot be taken"),
    (r"\(--full-scale-counts\)", "(F3, then G)"),
    (r"\('recorder calibrate', with --bare for plain readings\)", "(F3, then C)"),
    (r"\('recorder calibrate'[^)]*\)", "(F3, then C)"),
    (r"make it again with 'recorder calibrate'", "make it again: F3, then C"),
    (r"look at it with recorder adapter", "have it looked at: F3, then H"),
    (r"('recorder conform --port [^']*') says", r"\1 in a terminal says"),
    (r"give --calibration FILE or --full-scale '[^']*'", "say how it is read: F3, then G"),
    (r"give it with --marked", "type it into the form"),
    (r"give --reference-u", "write its ± beside it"),
    (r"; if these were [^,;]+, give --unit (psi or bar|psi|bar)", ""),
    (r"give --unit (\w+)( or (\w+))? if they are", r"write \1 behind them if they are"),
    (r"give --unit (\w+)", r"write \1 behind them"),
    (r", or give the readings' own unit with --bare", ""),
    (r", or give --full-scale", ""),
    (r"\(--baud\)", "(baud in the settings file)"),
    (r"\(--baud ([\d, ]+)\)", r"(baud in the settings file: \1)"),
    (r"\(--unit\)", "(U)"),
    (r"\(--bare\)", "(F3, then G)"),
    (r" \('recorder conform'\)", ""),
    (r"or name another with --folder", "or name another in the settings file (folder)"),
    (r" with -o, or --force", ""),
    (r"(free some space|use another disk|leave the folder in place) and test again",
     "S stores this test in another folder once it is over"),
)


def in_window(text: str) -> str:
    """The same without options of commands, and with the window's minus."""
    for there, here in _INSTEAD:
        text = re.sub(there, here, text)
    return minus(text)


def minus(text: str) -> str:
    """The same with the minus sign before numbers below zero, as the large reading has it, and none before zero."""
    return _NO_LESS.sub("", _HYPHEN.sub("−", text)) if "-" in text else text


def breakable(text: str) -> str:
    """The same with places where a line may end in words longer than any of ours: a label is never narrower than its
    longest word, and would push what stands beside it out of the window."""
    return _LONG.sub(lambda word: _PIECE.sub(rf"\g<0>{_MAY_BREAK}", word[0]), text) if len(text) > 40 else text


def whole(text: str) -> str:
    """What ``breakable`` was given."""
    return text.replace(_MAY_BREAK, "")
