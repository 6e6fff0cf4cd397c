"""The customer's sheet: what was tested, what was found, in words for a car owner. HTML text, and PDF from it.

One HTML text serves both: a browser shows it with the pictures as SVG, the PDF is laid out by Qt with the
pictures as pixels. Job texts and findings are not to be trusted and are escaped.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any

from recorder.errors import SettingError, printable
from recorder.moments import day_text, job_key, moment, time_text
from recorder.picture.shapes import together
from recorder.report import SIMULATED, found
from recorder.sheet.words import (
    AGAIN,
    ALTERED,
    CAUTIONS,
    NAMES,
    PHASES,
    SIGNS,
    about,
    say,
    to_do,
    to_do_before,
)

if TYPE_CHECKING:
    from datetime import datetime, tzinfo

    from recorder.analysis import Analyser
    from recorder.model import Recording

__all__ = ["PAPERS", "Entry", "html_text", "pdf_bytes"]

PAPERS = ("A4", "Letter")


@dataclass(frozen=True, slots=True)
class Entry:
    """One recording with its analysis, for the sheet. order_known: its time tells whether it was made before another
    test of its job."""

    recording: Recording
    analyser: Analyser
    judgement: Mapping[str, Any]
    order_known: bool = True

    @property
    def at(self) -> datetime | None:
        """When it was made; None also where that says nothing."""
        return moment(self.recording.header.started) if self.order_known else None


_STYLE = """
body { font-family: "DejaVu Sans", "Segoe UI", Helvetica, Arial, sans-serif; color: #000; font-size: 10pt; }
h1 { font-size: 16pt; } h2 { font-size: 13pt; } p, ul { margin-top: 3px; margin-bottom: 3px; }
.small { font-size: 8pt; }
.whole { white-space: nowrap; }
"""
_NEW_PAGE = ' style="page-break-before: always"'
_PAGE_STYLE = "@page { margin: 14mm; } body { max-width: 44em; margin: 1em auto; padding: 0 1em; } " \
    "section { break-inside: avoid; } .trace { overflow-x: auto; } " \
    "svg { width: 100%; height: auto; } @media screen { svg { min-width: 34em; } }"


def _safe(text: object) -> str:
    return escape(together(printable(str(text))), quote=True)


def _items(texts: Sequence[str]) -> str:
    return "<ul>" + "".join(f"<li>{_safe(text)}</li>" for text in texts) + "</ul>" if texts else ""


def _job(test: Entry) -> str:
    return " ".join(test.recording.header.job.split())


_SIMULATED = ('<table cellpadding="6"><tr><td style="border: 3px double #000">'
              f"<b>{_safe(SIMULATED)}</b></td></tr></table>")


def _titles(tests: Sequence[Entry]) -> list[str]:
    """A heading each; where the same thing of one named job was tested more than once, which time it was, if the order
    of these tests is known."""
    kinds = [(job_key(t.recording.header.job), t.recording.header.test) for t in tests]
    out = []
    for i, test in enumerate(tests):
        kind, marked = kinds[i][1], test.recording.header.marked
        title = NAMES.get(kind, kind)
        if marked is not None:
            stamp = f"{marked.value:g} {marked.unit}"
            title += f", marked {stamp}" if kind == "cap" else f" (cap marked {stamp})"
        same = [t for t, other in zip(tests, kinds, strict=True) if other == kinds[i]]
        if len(same) > 1 and _job(test) and all(t.at is not None for t in same):
            title += " – first test" if kinds.index(kinds[i]) == i else " – tested again"
        if test.recording.header.simulated:
            title += " – SIMULATED"
        out.append(title)
    return out


def _sign(test: Entry, size_pt: int) -> str:
    """The answer in a frame that says it without colour too. A file that was altered has none."""
    outcome = "altered" if _altered(test) else str(test.judgement.get("outcome"))
    border = {"pass": "solid", "fail": "double", "undecided": "dashed"}.get(outcome, "dotted")
    return (f'<td class="whole" style="border: 3px {border} #000"><b style="font-size: {size_pt}pt">'
            f'{SIGNS.get(outcome, SIGNS["void"])}</b></td>')


def _altered(test: Entry) -> bool:
    return test.recording.intact is False


def _section(
    test: Entry, title: str, picture: str, unit: str, zone: tzinfo | None, *, job: bool, new_page: bool,
    later: Entry | None,
) -> str:
    """One test. job: whether its job has to be named here. later: the test that stands in its place by now."""
    j, header = test.judgement, test.recording.header
    words = say(j, unit)
    heading = "What we found"
    if _altered(test):
        words, heading = [ALTERED, *words[1:]], "What the changed file says"
    repair = header.other.get("repair")
    done = f"<p>Done before this test: <b>{_safe(repair)}</b></p>" if isinstance(repair, str) and repair else ""
    when = time_text(header.started, zone)
    marked = [f"Seen at {mark.time_s:.0f} s ({i} in the picture)" + (f": {mark.text}" if mark.text != "seen" else "")
              for i, mark in enumerate(test.recording.marks, 1)]
    return "".join((
        f"<section><h2{_NEW_PAGE if new_page else ''}>{_safe(title)}</h2>",
        _SIMULATED if header.simulated else "",
        f"<p>Vehicle or job: <b>{_safe(_job(test))}</b></p>" if job and _job(test) else "",
        f'<table cellpadding="6"><tr>{_sign(test, 14)}',
        f'<td valign="middle"><b style="font-size: 12pt">{_safe(words[0])}</b></td></tr></table>',
        done,
        f"<p>{_safe(about(header.test, marked=header.marked is not None))}</p>",
        f"<p><b>{heading}</b></p>", _items([*words[1:], *marked]),
        picture,
        _what_to_do(test, later, zone),
        f'<p class="small">Tested {_safe(when or "at an unknown time")}. Recording '
        f"{_safe(test.recording.path.replace(chr(92), '/').rsplit('/', 1)[-1])}{_seal(test.recording)}.</p></section>",
    ))


def _later(test: Entry, tests: Sequence[Entry]) -> Entry | None:
    """The last test of the same job, kind and marking that was made after this one and has an answer."""
    own, out = test.recording.header, None
    at = test.at
    for other in tests:
        header = other.recording.header
        if (header.test, header.marked, job_key(header.job)) != (own.test, own.marked, job_key(own.job)):
            continue
        when = other.at
        answered = other.judgement.get("outcome") in ("pass", "fail") and not _altered(other)
        if _job(test) and at is not None and when is not None and when > at and answered:
            at, out = when, other
    return out


def _what_to_do(test: Entry, later: Entry | None, zone: tzinfo | None) -> str:
    texts = to_do(test.judgement, found(test.recording.marks))
    if _altered(test):
        texts = [AGAIN]
    elif later is not None:
        texts = to_do_before(test.judgement, day_text(later.recording.header.started, zone))
    return "<p><b>What to do</b></p>" + _items(texts) if texts else ""


def _seal(recording: Recording) -> str:
    if recording.intact is False:
        return " – ALTERED after the test"
    if recording.seal_missing:
        return " – its seal is missing"
    return f", whose seal begins {recording.sha256[:16]}" if recording.intact and recording.sha256 else " – not sealed"


def _overview(tests: Sequence[Entry], titles: Sequence[str], zone: tzinfo | None, *, jobs: bool) -> str:
    """All tests at a glance, where there is more than one. jobs: whether each has to name its own."""
    if len(tests) < 2:
        return ""
    rows = (f"<tr valign='middle'>{_sign(t, 10)}<td>{_safe(title)}</td>"
            f"<td class='whole'>{_safe(day_text(t.recording.header.started, zone))}</td>"
            f"{f'<td>{_safe(_job(t))}</td>' if jobs else ''}</tr>"
            for t, title in zip(tests, titles, strict=True))
    # apart, so that frames that stand one below the other are not read as one
    return f'<table cellpadding="3" cellspacing="8">{"".join(rows)}</table>'


def _document(
    tests: Sequence[Entry], pictures: Sequence[str], shop: Sequence[str], unit: str, zone: tzinfo | None, style: str,
    note: str = "",
) -> str:
    if not tests:
        raise SettingError("there is no recording to report", do="name at least one file")
    jobs = list(dict.fromkeys(filter(None, map(_job, tests))))
    titles = _titles(tests)
    parts = enumerate(zip(tests, titles, pictures, strict=True))
    return "".join((
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; style-src \'unsafe-inline\'">'
        "<title>Pressure test of the cooling system</title>",
        f"<style>{style}</style></head><body>",
        f"<p><b>{_safe(shop[0])}</b></p>" if shop[0] else "",
        f"<p>{_safe(shop[1])}</p>" if shop[1] else "",
        "<h1>Pressure test of the cooling system</h1>",
        f"<p>Vehicle or job: <b>{_safe(jobs[0])}</b></p>" if len(jobs) == 1 else "",
        _overview(tests, titles, zone, jobs=len(jobs) > 1),
        *(_section(*part, unit, zone, job=len(jobs) > 1 or i > 0, new_page=i > 0, later=_later(part[0], tests))
          for i, part in parts),
        "<h2>Please note</h2>", _items(CAUTIONS),
        '<p class="small">Numbers after ± say how far off a reading may be (two standard uncertainties). A pressure '
        "test shows what leaked on the day of the test; the vehicle maker's instructions come first.</p>",
        f'<p class="small">{_safe(note)}</p>' if note else "",
        "</body></html>\n",
    ))


def html_text(
    tests: Sequence[Entry], *, shop: str = "", line: str = "", unit: str = "kPa", zone: tzinfo | None = None
) -> str:
    """The sheet as one HTML file that needs no other and runs no script. shop, line: the shop's name, and its
    address or telephone. zone: of the times on it, UTC where none is given. Raises SettingError."""
    from recorder.picture import plain_svg

    pictures = [f'<div class="trace">{plain_svg(t.recording, t.analyser, unit=unit, phase_names=PHASES)}</div>'
                for t in tests]
    return _document(tests, pictures, (shop, line), unit, zone, _STYLE + _PAGE_STYLE)


def pdf_bytes(
    tests: Sequence[Entry], *, shop: str = "", line: str = "", unit: str = "kPa", paper: str = "A4",
    zone: tzinfo | None = None, tell: Callable[[str], None] | None = None,
) -> bytes:
    """The sheet as PDF on ``A4`` or ``Letter``. tell: is told, in words, which letters no font of this computer has.
    Raises SettingError."""
    if paper not in PAPERS:
        raise SettingError(f"there is no paper '{printable(paper)}'", do="choose A4 or Letter")
    from PySide6.QtCore import QBuffer, QByteArray, QIODevice, QMarginsF, QSizeF, QUrl
    from PySide6.QtGui import QPageLayout, QPageSize, QPdfWriter, QTextDocument

    from recorder.picture import letters, plain_svg
    from recorder.picture.paint import application, image

    application()
    letters.undrawn("")  # a computer without fonts is told of before anything is drawn
    data = QByteArray()
    buffer = QBuffer(data)
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    writer = QPdfWriter(buffer)
    writer.setTitle("Pressure test of the cooling system")
    writer.setPageSize(QPageSize(QPageSize.PageSizeId[paper]))
    writer.setPageMargins(QMarginsF(14, 12, 14, 12), QPageLayout.Unit.Millimeter)
    writer.setResolution(96)  # Qt's rich text counts in pixels of 1/96 inch
    room = QSizeF(writer.width(), writer.height())
    document = QTextDocument()
    document.setDocumentMargin(0)
    tags = []
    for i, test in enumerate(tests):
        pixels = image(plain_svg(test.recording, test.analyser, unit=unit, phase_names=PHASES), scale=3.0)
        document.addResource(QTextDocument.ResourceType.ImageResource, QUrl(f"trace:{i}"), pixels)
        tags.append(f'<p><img src="trace:{i}" width="{int(room.width()) - 4}"></p>')
    document.setHtml(letters.drawable(
        lambda note: _document(tests, tags, (shop, line), unit, zone, _STYLE, note), tell))
    document.setPageSize(room)
    document.print_(writer)
    return bytes(data.data())
