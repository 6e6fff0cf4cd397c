"""Colours by role, light and dark, and the WCAG 2.2 contrast that they are tested against.

The coloured ones are those of Okabe and Ito (Color Universal Design, 2002/2008). No meaning hangs on a colour
alone: every role has a shape, a dash or a word beside it.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

__all__ = ["DARK", "LIGHT", "OKABE_ITO", "Palette", "contrast"]

OKABE_ITO: dict[str, str] = {
    "black": "#000000",
    "orange": "#E69F00",
    "sky blue": "#56B4E9",
    "bluish green": "#009E73",
    "yellow": "#F0E442",
    "blue": "#0072B2",
    "vermillion": "#D55E00",
    "reddish purple": "#CC79A7",
}


def _luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """WCAG 2.2 contrast ratio of two ``#RRGGBB`` colours, 1 to 21."""
    low, high = sorted((_luminance(one), _luminance(other)))
    return (high + 0.05) / (low + 0.05)


@dataclass(frozen=True, slots=True)
class Palette:
    """``ground`` and ``panel`` lie behind; ``text`` and ``muted`` are text on both; ``ink`` is text on the
    filled signs (``good``, ``bad``, ``open_question``, ``nothing``); the rest are lines on both."""

    name: str
    ground: str
    panel: str
    text: str
    muted: str
    edge: str
    focus: str
    ink: str
    good: str
    bad: str
    open_question: str
    nothing: str
    trace: str
    earlier: str
    target: str
    limit: str
    opening: str
    fit: str

    def texts(self) -> list[tuple[str, str]]:
        """Every pair of text and what lies behind it."""
        behind = [self.good, self.bad, self.open_question, self.nothing]
        return [(t, g) for t in (self.text, self.muted) for g in (self.ground, self.panel)] + [
            (self.ink, b) for b in behind
        ]

    def graphics(self) -> list[tuple[str, str]]:
        """Every line or shape and what lies behind it: the ground, or the shading of a phase."""
        lines = ("edge", "focus", "trace", "earlier", "target", "limit", "opening", "fit")
        return [(getattr(self, f.name), behind) for f in fields(self) if f.name in lines
                for behind in (self.ground, self.panel)]


LIGHT = Palette(
    "light", ground="#FFFFFF", panel="#F4F2EC", text="#111111", muted="#474747", edge="#6B6B6B",
    focus=OKABE_ITO["blue"], ink="#000000", good="#2FBF94", bad=OKABE_ITO["vermillion"],
    open_question=OKABE_ITO["yellow"], nothing="#BDBDBD", trace=OKABE_ITO["blue"], earlier="#7C7C7C",
    target=OKABE_ITO["bluish green"], limit=OKABE_ITO["vermillion"], opening=OKABE_ITO["black"],
    fit="#111111",
)
DARK = Palette(
    "dark", ground="#101418", panel="#1E252B", text="#F4F4EE", muted="#C4C8CB", edge="#8D979F",
    focus=OKABE_ITO["yellow"], ink="#000000", good="#2FBF94", bad=OKABE_ITO["vermillion"],
    open_question=OKABE_ITO["yellow"], nothing="#BDBDBD", trace=OKABE_ITO["sky blue"], earlier="#7F8890",
    target=OKABE_ITO["bluish green"], limit=OKABE_ITO["orange"], opening=OKABE_ITO["reddish purple"],
    fit="#F4F4EE",
)
