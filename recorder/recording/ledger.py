"""The ledger of a folder, read and checked: one line a sealed recording, each with the hash of the line before it.

It shows that a recording was taken away, added or altered later: the first line of a file counts, and a line
that lists it again with another hash is reported. It cannot show that the whole ledger was written anew: for
that its last hash has to be noted somewhere else.
"""

from __future__ import annotations

import csv
import hashlib
import math
import os
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from recorder.errors import FileError
from recorder.moments import moment
from recorder.recording.reader import read, read_bytes

__all__ = [
    "FIRST",
    "HEAD",
    "HEAD_BYTES",
    "LEDGER",
    "LedgerCheck",
    "Relisted",
    "begins_ledger",
    "is_ledger",
    "ledger_lines",
    "listed_in",
    "other_order",
    "verify_ledger",
]

LEDGER = "ledger.csv"
HEAD = b"time,file,sha256,previous\n"
_BOM = b"\xef\xbb\xbf"
HEAD_BYTES = len(HEAD)
FIRST = "0" * 64
_DAY_S = 86400.0  # clocks of recorders that share a folder, and tests that are stored again, are apart by less


def begins_ledger(data: bytes) -> bool:
    """Whether these first bytes (``HEAD_BYTES`` of them) are a ledger's; one cut short within its first
    line, down to nothing, is still a ledger, and so is one with a byte order mark."""
    return HEAD.startswith(data[:HEAD_BYTES].removeprefix(_BOM).rstrip(b"\r\n"))


def is_ledger(path: str | os.PathLike[str]) -> bool:
    """Whether this is a folder's ledger and no recording: by its name and its first line."""
    place = Path(path)
    if place.name != LEDGER:
        return False
    try:
        if not place.is_file():
            return False
        with place.open("rb") as file:
            return begins_ledger(file.read(HEAD_BYTES))
    except OSError:
        return False


@dataclass(frozen=True, slots=True)
class Relisted:
    """A file that a later line (from 1) lists again with another hash. A recorder seals a file once, so this
    is how a recording looks that was altered and sealed again."""

    file: str
    line: int


@dataclass(frozen=True, slots=True)
class LedgerCheck:
    """What the ledger of a folder says. ``last_hash`` is the one to note elsewhere.

    lines: how many recordings it lists. last_line: the line of the last of them (all lines are counted from 1, and the
    first names the columns); 0 where there is none.
    form: what is not as a recorder writes it and says nothing of any recording, in words: the first line, line ends,
    empty lines. broken: lines that do not follow from the line before, whatever the form. missing, added, altered:
    files, held against the first line that lists them. resealed: of those altered, the ones whose own seal fits their
    bytes (sealed again after a change, or another recording put in their place). alike: of those added and resealed,
    which listed file each has all bytes of (it was renamed, copied or exchanged). moved: of those missing, where else
    a whole recording with all its bytes is, as far as that is known.
    set_back: lines of a time more than a day before that of a line above: a clock was wrong on one of them.
    sealed_since: of those that had no seal when they were looked at, the ones that have the listed one by now.
    again: files that are listed again with another hash. unreadable: why nothing of it
    could be read; else None. noted: which of the hashes that were asked for are in it, and on which line.
    """

    path: str
    lines: int = 0
    last_hash: str | None = None
    form: tuple[str, ...] = ()
    broken: tuple[int, ...] = ()
    missing: tuple[str, ...] = ()
    added: tuple[str, ...] = ()
    altered: tuple[str, ...] = ()
    resealed: tuple[str, ...] = ()
    alike: tuple[tuple[str, str], ...] = ()
    again: tuple[Relisted, ...] = ()
    unreadable: str | None = None
    noted: tuple[tuple[str, int], ...] = ()
    last_line: int = 0
    moved: tuple[tuple[str, str], ...] = ()
    set_back: tuple[int, ...] = ()
    sealed_since: tuple[str, ...] = ()

    @property
    def good(self) -> bool:
        wrong = self.form or self.broken or self.missing or self.added or self.altered or self.again
        return not (wrong or self.unreadable)


def _seal_of_file(path: Path) -> tuple[str | None, bool | None]:
    try:
        found = read(path, rows=False)
    except FileError:
        return None, False
    return found.sha256, found.intact


def _recordings(folder: Path) -> list[Path]:
    """Whatever the capitals of their ``.csv``, as the audit finds them; none where the folder cannot be read."""
    try:
        return sorted(path for path in folder.iterdir() if path.name.lower().endswith(".csv") and not is_ledger(path))
    except OSError:
        return []


def _seals_of(folder: Path) -> dict[str, tuple[str | None, bool | None]]:
    return {path.name: _seal_of_file(path) for path in _recordings(folder)}


def _sealed_since(
    folder: Path, seals: Mapping[str, tuple[str | None, bool | None]], listed: Iterable[str]
) -> Mapping[str, tuple[str | None, bool | None]]:
    """The seals, with those of files that were not there, or had none, when they were looked at, as they are now: an
    audit takes minutes, in which a test may end."""
    late = {name for name in listed if seals.get(name, (None, None)) == (None, None)}
    there = [path for path in _recordings(folder) if path.name in late] if late else []
    return {**seals, **{path.name: _seal_of_file(path) for path in there}}


def _cells(raw: bytes) -> list[str]:
    """The cells of one line; none where it is no CSV (a cell without end, a bare CR)."""
    try:
        return next(csv.reader([raw.decode("utf-8", "replace")]), [])
    except csv.Error:
        return []


def _form(data: bytes) -> tuple[str, ...]:
    """What a recorder would have written otherwise, the lines of recordings left aside."""
    first, _, rest = data.partition(b"\n")
    out = []
    if first.startswith(_BOM):
        out.append("a byte order mark was put in before its first line")
    if first.removeprefix(_BOM).removesuffix(b"\r") + b"\n" != HEAD:
        out.append(f"its first line is not '{HEAD[:-1].decode()}'")
    if b"\r\n" in data:
        out.append("its line ends were changed (CR LF)")
    empty = sum(not line.strip() for line in rest.split(b"\n")[:-1])
    if empty:
        out.append(f"{empty} empty lines were put in" if empty > 1 else "an empty line was put in")
    heads = [str(number) for number, line in enumerate(rest.split(b"\n"), 2) if _is_head(line)]
    if heads:
        out.append(f"the first line of a ledger stands again on line {', '.join(heads[:10])}: another ledger was put "
                   "below it")
    return tuple(out)


def _set_back(lines: list[bytes]) -> tuple[int, ...]:
    """Lines of a time more than a day before that of a line above."""
    out, latest_s = [], -math.inf
    for number, raw in enumerate(lines[1:], 2):
        if _is_head(raw):  # another ledger's
            latest_s = -math.inf
        when = moment(cells[0]) if (cells := _cells(raw)) else None
        if when is not None:
            latest_s = max(latest_s, when.timestamp())
            if latest_s - when.timestamp() > _DAY_S:
                out.append(number)
    return tuple(out)


def _is_head(raw: bytes) -> bool:
    return raw.removeprefix(_BOM).rstrip(b"\r") + b"\n" == HEAD


def ledger_lines(folder: str | os.PathLike[str]) -> dict[str, tuple[int, int]]:
    """Where the folder's ledger first lists each file: (which of the ledgers that were put together there, from 0; line
    from 1). Within one ledger that is the order in which files were sealed, whatever the clock said. Empty where there
    is no ledger that can be read."""
    out: dict[str, tuple[int, int]] = {}
    if is_ledger(path := Path(folder) / LEDGER):
        try:
            lines = read_bytes(path).split(b"\n")
        except FileError:
            return out
        part = 0
        for number, raw in enumerate(lines[1:], 2):
            part += _is_head(raw)
            if len(cells := _cells(raw)) == 4:
                out.setdefault(cells[1], (part, number))
    return out


def other_order(
    tests: Iterable[tuple[str | os.PathLike[str], str | None]],
    ledgers: Callable[[Path], Mapping[str, tuple[int, int]]] | None = None,
) -> bool:
    """Whether some of these tests (file and start as written), by their times, were made more than a day before one
    that their folder's ledger has on an earlier line: a clock was wrong. ledgers: :func:`ledger_lines`, or what keeps
    its answers."""
    known = list(tests)
    look_up = ledgers or cache(ledger_lines)
    by_ledger: dict[tuple[Path, int], list[tuple[int, float]]] = {}
    for file, started in known:
        path, when = Path(file), moment(started)
        at = look_up(path.parent).get(path.name) if len(known) > 1 else None
        if at is not None and when is not None:
            by_ledger.setdefault((path.parent, at[0]), []).append((at[1], when.timestamp()))
    for sealed in by_ledger.values():
        latest_s = -math.inf
        for _, when_s in sorted(sealed):
            latest_s = max(latest_s, when_s)
            if latest_s - when_s > _DAY_S:
                return True
    return False


def listed_in(folder: str | os.PathLike[str]) -> frozenset[str]:
    """The files that the folder's ledger lists, each sealed once; none where there is no ledger that can be read."""
    return frozenset(ledger_lines(folder))


def verify_ledger(
    folder: str | os.PathLike[str],
    seals: Mapping[str, tuple[str | None, bool | None]] | None = None,
    noted: Collection[str] = (),
    elsewhere: Mapping[str, str] | None = None,
) -> LedgerCheck | None:
    """Hold the ledger against the folder; None where there is no ledger. Never raises for a bad one.

    seals: file name -> (hash that its bytes have, intact), where they are known already. noted: hashes of lines
    to look for. elsewhere: hash -> a whole recording that has it, in whatever folder.
    """
    place = Path(folder)
    path = place / LEDGER
    if not os.path.lexists(path):
        return None
    try:
        data = read_bytes(path)
    except FileError as err:
        return LedgerCheck(str(path), unreadable=err.what)
    lines = data.split(b"\n")
    seals = _seals_of(place) if seals is None else seals
    broken: list[int] = []
    again: list[Relisted] = []
    there: list[tuple[str, int]] = []
    listed: dict[str, str] = {}
    previous, last, count, last_line = {FIRST}, None, 0, 0
    if lines[-1] != b"":
        broken.append(len(lines))
    for number, raw in enumerate(lines[1:-1], 2):
        own = {hashlib.sha256(one).hexdigest() for one in (raw, raw.removesuffix(b"\r"))}
        if not raw.strip():
            previous |= own
            continue
        if _is_head(raw):  # it lists nothing, and what comes behind it follows from nothing
            continue
        count, last_line = count + 1, number
        cells = _cells(raw)
        if len(cells) != 4 or cells[3] not in previous:
            broken.append(number)
        if len(cells) == 4 and listed.setdefault(cells[1], cells[2]) != cells[2]:
            again.append(Relisted(cells[1], number))
        previous, last = own, hashlib.sha256(raw.removesuffix(b"\r")).hexdigest()
        there += [(digest, number) for digest in noted if digest in own]
    before, seals = seals, _sealed_since(place, seals, listed)
    since = sorted(name for name in before if seals[name] != before[name] and seals[name] == (listed.get(name), True))
    missing = sorted(set(listed) - set(seals))
    altered = sorted(
        name for name, digest in listed.items()
        if name in seals and seals[name] != (digest, True)
    )
    added = sorted(n for n, (_, intact) in seals.items() if intact is True and n not in listed)
    names = {digest: name for name, digest in reversed(listed.items())}
    resealed = [name for name in altered if seals[name][1] is True]
    there_is = {digest: name for name, (digest, intact) in seals.items() if intact is True and digest is not None}
    there_is = {**(elsewhere or {}), **there_is}  # in its own folder before any other
    moved = tuple((name, there_is[listed[name]]) for name in missing if listed[name] in there_is)
    alike = ((name, names.get(seals[name][0] or "")) for name in (*added, *resealed))
    return LedgerCheck(str(path), count, last, _form(data), tuple(sorted(set(broken))), tuple(missing), tuple(added),
                       tuple(altered), tuple(resealed), tuple((a, b) for a, b in alike if b is not None), tuple(again),
                       noted=tuple(there), last_line=last_line, moved=moved,
                       set_back=_set_back(lines), sealed_since=tuple(since))
