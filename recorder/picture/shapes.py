"""The drawing list: plain records, in user units with y downwards. A page is a list of these."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

__all__ = ["Box", "Path", "Shape", "Words", "hatch", "text_width", "together", "wrap"]

INK = "#000000"
# An average letter of a sans-serif face is a little over half its size wide; used for wrapping only.
_LETTER = 0.57
# "104.4 ± 0.4 kPa", "0.35 kPa/min": not torn apart between two lines
_QUANTITY = re.compile(r"(?<=\d) (?=±)|(?<=±) |(?<=\d) (?=(?:kPa|MPa|psi|m?bar|mL|s|°C)\b)")


@dataclass(frozen=True, slots=True)
class Path:
    """A line through points; ``dash`` is an SVG dash list, empty for solid; ``fill`` empty for none."""

    points: tuple[tuple[float, float], ...]
    width: float = 1.0
    dash: str = ""
    colour: str = INK
    fill: str = ""
    closed: bool = False


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle; ``colour`` empty for no outline, ``fill`` empty for none."""

    x: float
    y: float
    w: float
    h: float
    width: float = 1.0
    dash: str = ""
    colour: str = INK
    fill: str = ""


@dataclass(frozen=True, slots=True)
class Words:
    """One line of text; (x, y) is its anchor on the base line. ``halo`` clears what is below it."""

    x: float
    y: float
    text: str
    size: float = 13.0
    anchor: Literal["start", "middle", "end"] = "start"
    bold: bool = False
    colour: str = INK
    turned: bool = False
    halo: bool = False


Shape = Path | Box | Words


def _letters(text: str) -> int:
    """How many letters wide a text is; those of East Asian scripts count double."""
    return sum(2 if ord(c) > 0x2E80 else 1 for c in text)


def text_width(text: str, size: float) -> float:
    """Roughly how wide a text is drawn, in user units."""
    return _letters(text) * size * _LETTER


def together(text: str) -> str:
    """The text with blanks that no line may break at within each number with its unit."""
    return _QUANTITY.sub("\u00a0", text)


def wrap(text: str, width: float, size: float) -> list[str]:
    """``text`` in lines of at most ``width``; a number stays with its unit, a word that is longer is cut."""
    room = max(int(width / (size * _LETTER)), 4)
    lines: list[str] = []
    line = ""
    for word in together(" ".join(text.split())).split(" "):
        word = word.replace("\u00a0", " ")
        while _letters(word) > room:
            if line:
                lines.append(line)
                line = ""
            most = next(n for n in range(len(word), 0, -1) if _letters(word[:n]) <= room)
            lines.append(word[:most])
            word = word[most:]
        if line and _letters(line) + 1 + _letters(word) > room:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}" if line else word
    return [*lines, line] if line else lines


def hatch(x: float, y: float, w: float, h: float, step: float, *, rising: bool = True) -> list[Shape]:
    """Slanted lines that fill a rectangle; drawn one by one, as not every viewer knows patterns."""
    out: list[Shape] = []
    offset = step
    while offset < w + h:
        # The line x + y = offset within the rectangle (mirrored when falling).
        x0, y0 = (offset, 0.0) if offset <= w else (w, offset - w)
        x1, y1 = (0.0, offset) if offset <= h else (offset - h, h)
        if not rising:
            y0, y1 = h - y0, h - y1
        out.append(Path(((x + x0, y + y0), (x + x1, y + y1)), 0.4, colour="#8a8a8a"))
        offset += step
    return out
