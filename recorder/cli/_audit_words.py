"""What the audit says, in lines: of each file, of all of them, of the ledgers, and at the end of what is wrong."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import PurePath
from typing import TYPE_CHECKING

from recorder.moments import moment, utc_text
from recorder.report import in_unit

if TYPE_CHECKING:
    from recorder.audit import AuditRow, Totals
    from recorder.audit.choice import Choice
    from recorder.audit.totals import Used
    from recorder.audit.trend import Drift
    from recorder.cli._audit_ledgers import Ledgers
    from recorder.recording import LedgerCheck

__all__ = ["NOT_IN_ORDER", "Worst", "choice_lines", "found", "some", "standings", "totals_lines"]

NOT_IN_ORDER = "NOT IN ORDER"
_MOST_NAMES = 10
_STAMP = re.compile(r"\d{8}T\d{6}Z-")
_NAME = re.compile(r"(\d{8}T\d{6}Z)-[a-z]+-([0-9a-f]{4,})\.csv")
_BROKEN = "a line was changed, taken out or put in above these, which do not follow from the line before"
_SET_BACK = ("sealed at a time more than a day before that of a line above, so a clock was wrong, or lines were "
             "put in, on")
_MISSING = "in the ledger and not in the folder"
_ADDED = "sealed and not in the ledger"
_NOT_AS_LISTED = "not what the ledger says"
_AGAIN = "listed again with another hash, so altered and sealed again"
_RESEALED = "whole by its own seal, and not what the ledger says, so exchanged or sealed again"
# What is no difference, and still somebody's to see to; then what is one, the worst last, nearest to the end of the
# screen.
_LOOK_AFTER = ("not calibrated", "made after the calibration was due", "begun at a time that is still to come",
               "seal missing",
               "whole by its seal, as another file with its id and other bytes is: one was changed and sealed again")
_DIFFERS = ("other digits than its stored judgement, same outcome", "another outcome than its stored judgement")
_WRONG = ("cannot be used", "not as its raw columns", *_DIFFERS, "altered")


def found(row: AuditRow) -> str:
    """What there is to say about a file, in words; empty when all is well."""
    said = ["SIMULATED"] if row.simulated else []
    if (own := _misnamed(row)) is not None:
        said.append(f"named {PurePath(row.file).name}, and its id is {own}")
    began = moment(row.started)
    if row.intact is not False and began is not None and _STAMP.match(row.id or "") and \
            not (row.id or "").startswith(f"{began:%Y%m%dT%H%M%S}Z-"):  # of an altered one the place says it
        said.append(f"started is {utc_text(row.started)} (UTC), and its id is {row.id}")
    if _to_come(row):
        said.append("begun at a time that is still to come: its clock was wrong, or this computer's is")
    if row.copy_of is not None:
        # which of the two was there first no file tells: only names do
        own = ", and the name that the recorder gives" if _named(row.file) == row.id != _named(row.copy_of) else ""
        said.append(f"has all bytes of {row.copy_of}{own}; counted once")
    if row.same_id is not None:
        said.append(f"has the id of {row.same_id}, and other bytes: the same test, changed or cut in one of them; "
                    f"counted once, as {'this file' if row.counts_as == row.file else row.counts_as}")
    if row.error is not None:
        said.append(row.error.removeprefix(f"{row.file}: ").removeprefix(f"{row.file}, "))
    if row.intact is False:
        said.append("ALTERED since it was sealed: " + "; ".join(row.where[:3]))
    if row.same is False:
        by = f" (judged by another version: {row.program})" if row.other_program else ""
        said.append(f"DIFFERS, {row.difference or 'stored judgement'}{by}: " + ", ".join(row.differing[:4])
                    + (" ..." if len(row.differing) > 4 else ""))
    if row.intact is not False:  # else the places say it
        said += [f"RAW: {text}" for text in row.raw]
    if row.cut and row.intact is not False:
        said.append("cut off or not finished")
    if row.seal_missing:
        said.append("seal missing: nothing shows whether it was changed")
    if row.error is None and row.intact is None and not (row.cut or row.seal_missing):
        said.append("neither id nor seal: from another program")
    if row.over:
        said.append(row.over)
    if row.short:
        said.append(f"cut short: {row.short}")
    if row.clock:
        said.append(row.clock)
    if row.holes:
        said.append(some(row.holes, "hole"))
    if row.restarts:
        said.append(some(row.restarts, "restart"))
    if row.calibration == "not calibrated":
        said.append("not calibrated")
    if row.calibration == "out of date":
        said.append("calibration out of date")
    if row.calibration == "another adapter":
        said.append("its calibration is of another adapter")
    if row.calibration == "made later":
        said.append("its calibration was made after the test: a clock was wrong, or it was put in later")
    return "; ".join(said)


def _to_come(row: AuditRow) -> bool:
    """Whether it was begun more than a day from now, as no right clock says."""
    began = moment(row.started)
    return began is not None and began - datetime.now(UTC) > timedelta(days=1)


def _named(file: str) -> str | None:
    """The id that a file's name tells; None of a name of one's own choice."""
    named = _NAME.fullmatch(PurePath(file).name)
    return None if named is None else f"{named[1]}-{named[2]}"


def _misnamed(row: AuditRow) -> str | None:
    """The id of a file whose name is that of another recording."""
    return None if _named(row.file) in (None, row.id) else row.id


def some(count: int, one: str) -> str:
    """``1 recording``, ``2 recordings``."""
    many = f"{one[:-1]}ies" if one.endswith("y") else f"{one}s"
    return f"{count} {one if count == 1 else many}"


def _counts(counts: dict[str, int]) -> str:
    """Those of ``Totals``, whose ``error`` is said as everywhere below the table."""
    return ", ".join(f"{n} {'cannot be used' if k == 'error' else k}" for k, n in sorted(counts.items()))


def _names(names: list[str], count: int) -> str:
    more = count - len(names[:_MOST_NAMES])
    return ", ".join(names[:_MOST_NAMES]) + (f" and {more} more" if more else "")


@dataclass
class Worst:
    """Files that are not in order, by what is wrong; fed one row at a time, keeps the first names of each. What is
    here stands at the very end, where a long table has scrolled everything else away."""

    names: dict[str, list[str]] = field(default_factory=lambda: {what: [] for what in (*_LOOK_AFTER, *_WRONG)})
    counts: dict[str, int] = field(default_factory=lambda: dict.fromkeys((*_LOOK_AFTER, *_WRONG), 0))

    def add(self, row: AuditRow, name: str) -> None:
        digits = row.digits_only
        is_of = (row.calibration == "not calibrated", row.calibration == "out of date", _to_come(row), row.seal_missing,
                 row.same_id is not None and row.intact is True and row.counts_as != row.file,
                 row.error is not None, bool(row.raw) and row.intact is not False, digits,
                 row.same is False and not digits, row.intact is False)
        for what, is_so in zip(self.names, is_of, strict=True):
            self.counts[what] += is_so
            if is_so and len(self.names[what]) < _MOST_NAMES:
                by = f" (judged by {row.program})" if row.other_program and what in _DIFFERS else ""
                self.names[what].append(name + by)

    def lines(self, *, files: int, good: bool, ledgers: Ledgers, drifts: Sequence[Drift] = (),
              all_files: bool = True) -> Iterator[str]:
        """files: how many were looked at. good: no file is the cause of an exit 1. all_files: none was left out."""
        drifting = [f"{drift.adapter} (its {drift.what})" for drift in drifts if drift.certain]
        if drifting:
            yield f"to look after: adapters that drift: {_names(drifting, len(drifting))}"
        for what, names in self.names.items():
            if names:
                aside = "to look after: " if what in _LOOK_AFTER else ""
                yield f"{aside}{what}: {_names(names, self.counts[what])}"
        resealed = [ledgers.place_of(check, name) for check in ledgers.checks for name in check.resealed]
        if resealed:
            yield f"{_RESEALED}: {_names(resealed, len(resealed))}"
        missing = [ledgers.place_of(check, name) for check in ledgers.checks for name in check.missing]
        if missing:
            yield f"{_MISSING}: {_names(missing, len(missing))}"
        wrong = [] if good else ["recordings"]
        places = [str(PurePath(ledgers.place_of(check, "")).as_posix()) for check in ledgers.checks if not check.good]
        if places == ["."]:  # the audited folder's own
            wrong.append("a ledger")
        elif places:
            wrong.append(f"the ledger{'s' if len(places) > 1 else ''} of {_names(places, len(places))}")
        if any(path is None for _, path, _ in ledgers.noted):
            wrong.append("a noted hash")
        if wrong:
            yield f"{NOT_IN_ORDER}: {', '.join(wrong)}; see above"
        elif files:
            yield f"in order{'' if all_files else ', of what was chosen'}: nothing differs or was altered"
        else:
            yield "there is no recording below this folder" if all_files else \
                "no file was chosen; the ledgers are in order"


def choice_lines(choice: Choice, files: int, folder: str) -> Iterator[str]:
    """What was left out of ``files``, and what of that matters all the same; nothing where all were asked for."""
    if choice.of_all:
        return
    asked = ("--job", choice.job and f'"{choice.job}"'), ("--adapter", choice.adapter), \
        ("--since", choice.since), ("--until", choice.until)
    by = " ".join(f"{name} {value}" for name, value in asked if value is not None)
    yield (f"left out: {choice.left_out} of {some(files, 'file')} ({by}); the ledgers, and that their lines follow "
           "from each other, are checked of all files all the same")

    def short(file: str) -> str:
        return str(PurePath(file).relative_to(folder)) if PurePath(file).is_relative_to(folder) else file

    if choice.wrong:
        yield f"left out, and not in order: {_names([short(name) for name in choice.wrong], len(choice.wrong))}"
    for chosen, other in choice.across[:_MOST_NAMES]:
        yield (f"{short(chosen)} has the id of {short(other)}, which is left out, and other bytes: the same test, "
               "changed or cut in one of them")
    if len(choice.across) > _MOST_NAMES:
        yield f"and {len(choice.across) - _MOST_NAMES} more that have the id of one that is left out"


def totals_lines(totals: Totals, ledgers: Ledgers, unit: str = "kPa") -> Iterator[str]:
    """What stands below the table; of gauges and calibrations in ``unit``."""
    tests = totals.files - totals.copies - totals.same_tests
    yield f"{some(tests, 'recording')}: {_counts(dict(totals.outcomes)) or 'none'}"
    if totals.copies:
        yield f"besides {some(totals.copies, 'file')} with all bytes of another one, not counted again"
    if totals.same_tests:
        yield (f"besides {some(totals.same_tests, 'file')} with the id of another one and other bytes, the same test, "
               "not counted again")
    if totals.simulated:
        yield f"of these, SIMULATED: {totals.simulated} (no real vehicle was tested)"
    yield (f"another outcome than stored: {totals.other_outcome}; same outcome, other digits: "
           f"{totals.other_digits}; altered: {totals.altered}; not as their raw columns: "
           f"{totals.raw}; cannot be used: {totals.errors}; cut off: {totals.cut}; seal missing: "
           f"{totals.seal_missing}; holds cut short: {totals.short}")
    for program, count in sorted(totals.other_program.items()):
        yield f"judged by another version of the program, {program}: {count}; digits may differ for that alone"
    for by_adapter, words in (
        (totals.not_calibrated, "made with a gauge that is not calibrated"),
        (totals.out_of_date, "made after its calibration was due"),
        (totals.of_another, "with the calibration of another adapter"),
        (totals.made_later, "made before its calibration was"),
        (totals.undated, "whose calibration has no date, or whose day is not known"),
    ):
        for adapter, count in sorted(by_adapter.items()):
            yield f"adapter {adapter}: {some(count, 'recording')} {words}"
    for adapter, counts in sorted(totals.adapters.items()):
        yield f"adapter {adapter}: {_counts(dict(counts))}"
    for month, counts in sorted(totals.months.items()):
        yield f"month {month}: {_counts(dict(counts))}"
    yield from (in_unit(line, unit) for line in _gauges(totals))
    for check in ledgers.checks:
        yield from _ledger(check, ledgers)
    for place, count in ledgers.without:
        yield f"{place}: {some(count, 'sealed recording')} and no ledger; where there was one, it was taken away"
    for digest, path, line in ledgers.noted:
        if path is None:
            yield f"the noted hash {digest} is in no ledger below this folder: one was written anew or taken away"
        else:
            yield f"{path}: the noted hash {digest} is that of line {line} of the file"


def _gauges(totals: Totals) -> Iterator[str]:
    """Which gauges drift, and whose calibration changed; in kPa."""
    for drift in totals.drifts():
        if drift.certain:
            of = "days of tests" if drift.what == "zero" else "calibrations"
            yield (f"adapter {drift.adapter}: its {drift.what} DRIFTS by {drift.kpa_per_year:+.2f} ± "
                   f"{drift.factor * drift.standard_uncertainty:.2f} kPa a year "
                   f"(99 %, {drift.points} {of} in {drift.days:.0f} days)")
    for adapter, used in totals.span_changes().items():
        yield f"adapter {adapter}: its calibration changed ({_changed(used)})"


def _changed(used: Sequence[Used]) -> str:
    """Calibrations by their dates, with the span where that differs; what else differs, where neither does."""
    named = [f"that of {one.date}" if one.date else f"one without a date, first used {utc_text(one.started)}"
             for one in used]
    spans = _decimals_that_differ([one.span_kpa for one in used])
    offsets = _decimals_that_differ([one.offset_kpa for one in used])
    if spans is not None:
        return ", ".join(f"{name}: span {span} kPa" for name, span in zip(named, spans, strict=True))
    if len({one.date for one in used}) < len(used) and offsets is not None:
        return ", ".join(f"{name}: {offset} kPa at no counts" for name, offset in zip(named, offsets, strict=True))
    return ", ".join(named)


def _decimals_that_differ(values: Sequence[float | None]) -> list[str] | None:
    """Numbers with two decimals, or as many more as it takes to see that they differ; None where they do not."""
    for decimals in (2, 4, 6):
        shown = ["–" if value is None else f"{value:.{decimals}f}" for value in values]
        if len(set(shown)) > 1:
            return shown
    return None


def _ledger(check: LedgerCheck, ledgers: Ledgers) -> Iterator[str]:
    if check.unreadable is not None:
        yield f"{check.path}: it cannot be used as the ledger of its folder: {check.unreadable}"
        return
    if check.form:
        follow = "" if check.broken else "; its lines follow from each other all the same"
        yield f"{check.path}: {'; '.join(check.form)}{follow}"
    said = {_BROKEN: [str(number) for number in check.broken],
            _SET_BACK: [f"line {number}" for number in check.set_back]}
    for what, name, aside in _of_files(check, ledgers.form):
        said.setdefault(what, []).append(name + aside)
    for what, names in said.items():
        if names:
            yield f"{check.path}: {what}: {_names(names, len(names))}"
    last = f"the last on line {check.last_line} of the file, " if check.lines else ""
    yield f"{check.path}: {some(check.lines, 'entry')}, {last}last hash {check.last_hash or '-'} (note it elsewhere)"


def _of_files(check: LedgerCheck, form: Collection[str]) -> Iterator[tuple[str, str, str]]:
    """Of each file that is not as the ledger has it: what is so, its name, and what belongs behind the name. form:
    paths of recordings of which only line ends and the like were changed."""
    listed, resealed, place = dict(check.alike), set(check.resealed), PurePath(check.path).parent
    moved = dict(check.moved)

    def alike(name: str) -> str:
        return f" (has all bytes of {listed[name]})" if name in listed else ""

    for name in check.missing:
        yield _MISSING, name, f" (all its bytes are in {moved[name]})" if name in moved else ""
    for name in check.added:
        yield _ADDED, name, alike(name)
    for name in check.resealed:
        yield _RESEALED, name, alike(name)
    for name in check.altered:
        if name not in resealed:
            yield _NOT_AS_LISTED, name, " (its line ends or empty lines only)" if str(place / name) in form else ""
    for one in check.again:
        yield _AGAIN, one.file, f" on line {one.line}"


def standings(check: LedgerCheck, form: Collection[str]) -> dict[str, str]:
    """What the ledger has otherwise of the files of its folder, by name; one that is as listed is not among them."""
    said: dict[str, list[str]] = {}
    for what, name, aside in _of_files(check, form):
        said.setdefault(name, []).append(what + aside)
    return {name: "; ".join(words) for name, words in said.items()}
