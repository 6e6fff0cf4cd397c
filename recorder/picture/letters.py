"""Which letters of a text the fonts of this computer can draw, and what stands for the others.

Qt looks for a letter in every font there is. One that is in none of them would be an empty box, which a reader may
take for part of the name.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from recorder.errors import StorageError, printable
from recorder.picture.paint import application
from recorder.picture.svg import FONTS

__all__ = ["NOTE", "STAND_IN", "drawable", "told", "undrawn"]

STAND_IN = "\ufffd"  # the Unicode Standard, 23.8: what replaces a character that cannot be shown
NOTE = "A {} stands for a letter that no font of the computer has on which this was made."
_MOST = 6  # letters that are named one by one


def undrawn(text: str) -> str:
    """The letters of a text that no font has, each once, in the order of the text. StorageError: no font at all."""
    application()
    from PySide6.QtGui import QFont, QFontMetricsF, QTextLayout

    font = QFont()
    font.setFamilies(FONTS.split(", "))
    if not QFontMetricsF(font).inFontUcs4(ord("a")):
        raise StorageError("there is no font on this computer to write with",
                           do="install one, or make a picture as .svg, a sheet as .html")

    def missing(letter: str) -> bool:
        layout = QTextLayout(letter, font)
        layout.beginLayout()
        layout.createLine()
        layout.endLayout()
        return any(0 in run.glyphIndexes() for run in layout.glyphRuns())

    return "".join(c for c in dict.fromkeys(printable(text)) if not (c.isascii() or c.isspace()) and missing(c))


def drawable(make: Callable[[str], str], tell: Callable[[str], None] | None) -> str:
    """What ``make`` writes, with a stand-in for each letter that cannot be drawn.

    make: gets a note that has to stand in what it writes, or an empty text. tell: is told which letters those are.
    """
    text = make("")
    lost = undrawn(re.sub(r"<[^>]*>", "", text))
    if not lost:
        return text
    sign = "?" if undrawn(STAND_IN) else STAND_IN
    if tell is not None:
        tell(told(lost, sign))
    return make(NOTE.format(sign)).translate(dict.fromkeys(map(ord, lost), sign))


def told(lost: str, sign: str) -> str:
    """One line: which letters were not drawn, and what helps."""
    named = ", ".join(f"{c} (U+{ord(c):04X})" for c in lost[:_MOST])
    more = f" and {len(lost) - _MOST} more" if len(lost) > _MOST else ""
    return (f"no font of this computer has {named}{more}, so {sign} stands there; install a font that has them, or "
            "make a picture as .svg, a sheet as .html")
