"""The page: outcome, plots, reasons, findings, numbers, and where it all comes from."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path as FilePath

from recorder import __version__
from recorder.moments import utc_text
from recorder.picture.panel import Plot, hold_panel, top_kpa, trace_panel
from recorder.picture.shapes import Box, Path, Shape, Words, text_width, wrap
from recorder.report import SIMULATED, advice, found, outcome_word, reasons, summary, test_name

__all__ = ["PLAIN_WIDTH", "WIDTH", "answer", "page", "plain_page"]

WIDTH = 1120.0
PLAIN_WIDTH = 840.0  # narrower, so that its letters are as large as the text of the sheet
_PLOT_HEIGHT = 300.0
# What people typed must not make an endless page; what the program says itself is shown to its end.
_MOST_LINES = 14  # of all findings
_MOST_OF_ONE = 5  # of one advice: it may name all places that were marked
_MORE = "… more in the file"

# Frame of the outcome word, so that it can be told apart without colour: width, dash, doubled.
_FRAMES = {
    "pass": (2.0, "", False),
    "fail": (4.0, "", True),
    "undecided": (2.0, "8 5", False),
    "void": (2.0, "2 4", False),
}
_ALTERED = "The file was changed after it was sealed: nothing in it can be relied on."
_ALTERED_DO = "Restore the recording from a copy, or test again."


def _altered(plot: Plot) -> bool:
    return plot.recording.intact is False


def answer(plot: Plot) -> str:
    """The outcome's word; a file that was altered has none."""
    return "ALTERED" if _altered(plot) else outcome_word(plot.judgement)


def _outcome(plot: Plot, x: float, y: float) -> tuple[list[Shape], float]:
    word = answer(plot)
    outcome = "void" if _altered(plot) else str(plot.judgement.get("outcome"))
    width, dash, doubled = _FRAMES.get(outcome, _FRAMES["void"])
    w = text_width(word, 28) * 1.2 + 30
    out: list[Shape] = [Box(x, y, w, 46, width, dash, fill="#ffffff")]
    if doubled:
        out.append(Box(x + 6, y + 6, w - 12, 34, 1.0))
    out.append(Words(x + w / 2, y + 33, word, 28, "middle", bold=True))
    return out, w


def _heading(plot: Plot, y: float, when: str) -> list[Shape]:
    out, w = _outcome(plot, 30, y)
    header = plot.recording.header
    name = test_name(header.test)
    if header.marked is not None:
        name += f", marked {header.marked.value:g} {header.marked.unit}"
    title = f"{when}: {name}" if when else name[:1].upper() + name[1:]
    x = 30 + w + 18
    out.append(Words(x, y + 19, title, 17, bold=True))
    repair = header.other.get("repair")
    done = f"done before: {repair}" if isinstance(repair, str) and repair else ""
    at = utc_text(header.started, "seconds")
    started = f"{at} UTC" if at else "at an unknown time" if header.started else ""
    beside = ([SIMULATED] if header.simulated else []) + ([_ALTERED] if _altered(plot) else [])
    for line in beside:
        out.append(Words(x, y + 39, line, 13, bold=True))
        y += 15
    job = _typed([fact for fact in (header.job, done) if fact], started, WIDTH - x - 30, 2 if len(beside) < 2 else 1)
    return out + [Words(x, y + 39 + 15 * i, line, 13) for i, line in enumerate(job)]


def _typed(typed: list[str], started: str, width: float, most: int) -> list[str]:
    """What was typed and the day, in ``most`` lines: where it is longer, the day stays and an ellipsis says so."""
    rows = wrap(" · ".join([*typed, *([started] if started else [])]), width, 13)
    if len(rows) <= most:
        return rows
    rows = wrap(" · ".join(typed), width, 13)[:most]
    end = f" … · {started}" if started else " …"
    last = rows[-1]
    while last and text_width(last + end, 13) > width:
        last = last.rpartition(" ")[0] or last[:-1]
    return [*rows[:-1], last.rstrip(" ·") + end]


def _rows(texts: Sequence[str], width: float) -> list[str]:
    return [row for text in texts for row in wrap(text, width, 12.5)]


def _cut(rows: list[str], most: int) -> list[str]:
    return rows if len(rows) <= most else [*rows[: most - 1], _MORE]


def _lists(plot: Plot, y: float) -> tuple[list[Shape], float]:
    """Reasons, findings and what to do on the left, main numbers on the right; and where they end."""
    lines = summary(plot.judgement, plot.unit)
    why = reasons(plot.judgement, plot.unit)
    heading = f"What its rows give: {outcome_word(plot.judgement)}" if _altered(plot) else "Why"
    numbers = [line.strip() for line in lines[1 + len(why) :]]
    marked = [f"{i}  at {m.time_s:.1f} s: {m.text}" for i, m in enumerate(plot.recording.marks, 1)]
    next_steps = [*([_ALTERED_DO] if _altered(plot) else []), *advice(plot.judgement, found(plot.recording.marks))]
    out: list[Shape] = []
    bottom = y
    wide, narrow = WIDTH - 570.0, 480.0
    left = [(heading, _rows(why, narrow)), ("Found", _cut(_rows(marked, narrow), _MOST_LINES)),
            ("What to do", [row for text in next_steps for row in _cut(_rows([text], narrow), _MOST_OF_ONE)])]
    right = [("Numbers (± 2 standard uncertainties)", _rows(numbers, wide))]
    for x, blocks in ((30.0, left), (540.0, right)):
        at = y
        for heading, rows in blocks:
            if not rows:
                continue
            out.append(Words(x, at, heading, 13, bold=True))
            for row in rows:
                at += 17
                out.append(Words(x, at, row, 12.5))
            at += 26
        bottom = max(bottom, at)
    return out, bottom


def _source(plot: Plot, y: float) -> tuple[list[Shape], float]:
    recording = plot.recording
    seal = {
        True: "sealed and unchanged",
        False: "ALTERED since it was sealed",
        None: "never sealed (cut off)" if recording.header.id else "no seal",
    }[recording.intact] if not recording.seal_missing else "SEAL MISSING"
    name = f"file {FilePath(recording.path).name}, {seal}; recorder {__version__}"
    lines = wrap(name, WIDTH - 60, 11)[:3]
    if recording.sha256:
        now = " of what stands before the seal now" if recording.intact is False else ""
        lines.append(f"SHA-256{now} {recording.sha256}")
    elif (digest := _digest(recording.path)) is not None:
        lines.append(f"SHA-256 of the file as it is {digest}")
    said = [*_stored(plot), *recording.notes[:3]]
    lines += [row for note in said for row in wrap(f"note: {note}", WIDTH - 60, 11)[:2]]
    out: list[Shape] = [Path(((30, y - 14), (WIDTH - 30, y - 14)), 0.6)]
    out += [Words(30, y + 2 + 15 * i, line, 11) for i, line in enumerate(lines)]
    return out, y + 15 * len(lines)


def _stored(plot: Plot) -> list[str]:
    """Where the file holds another outcome than the one that is shown, which."""
    stored = plot.recording.judgement
    if stored is None or stored.get("outcome") == plot.judgement.get("outcome"):
        return []
    return [f"the outcome stored in the file is another: {outcome_word(stored)}; shown is what its rows give"]


def _digest(path: str) -> str | None:
    """The hash of a file that has no seal; None where it is gone."""
    try:
        return hashlib.sha256(FilePath(path).read_bytes()).hexdigest()
    except OSError:
        return None


def _plots(plot: Plot, y: float, top: float) -> list[Shape]:
    if isinstance(plot.judgement.get("hold"), Mapping):
        out = trace_panel(plot, 75, y, 500, _PLOT_HEIGHT, top)
        return out + hold_panel(plot, 800, y, 290, _PLOT_HEIGHT)
    return trace_panel(plot, 75, y, WIDTH - 75 - 160, _PLOT_HEIGHT, top)


def page(plots: Sequence[tuple[str, Plot]], note: str = "") -> tuple[list[Shape], float]:
    """The drawing list of one recording, or of several below each other on one pressure scale; its height.

    plots: (when, plot), ``when`` being ``""``, ``"Before"`` or ``"After"``. note: what else has to be said at the end.
    """
    out: list[Shape] = []
    y = 24.0
    top = max(top_kpa(plot) for _, plot in plots)
    for when, plot in plots:
        out += _heading(plot, y, when)
        y += 96
        out += _plots(plot, y, top)
        y += _PLOT_HEIGHT + 108
        shapes, y = _lists(plot, y)
        out += shapes
        shapes, y = _source(plot, y)
        out += shapes
        y += 34
    if note:
        out.append(Words(30, y - 10, note, 11))
        y += 15
    out.append(
        Words(30, y - 10, "Shows what was recorded; it is no safety device. The vehicle maker's limits "
              "and local rules come first.", 11)
    )
    return out, y + 8


def plain_page(plot: Plot) -> tuple[list[Shape], float]:
    """The trace alone, for the customer sheet; its height."""
    return trace_panel(plot, 75, 30, PLAIN_WIDTH - 75 - 160, 290, top_kpa(plot)), 410.0
