"""Contrast by the W3C formula, written here anew, and the colours against their published values."""

from __future__ import annotations

import pytest

from recorder.window.state import colours

# Okabe and Ito, Color Universal Design (2002/2008).
PUBLISHED = {
    "black": (0, 0, 0), "orange": (230, 159, 0), "sky blue": (86, 180, 233), "bluish green": (0, 158, 115),
    "yellow": (240, 228, 66), "blue": (0, 114, 178), "vermillion": (213, 94, 0), "reddish purple": (204, 121, 167),
}


def ratio(one: str, other: str) -> float:
    """WCAG 2.2, definitions of "contrast ratio" and "relative luminance" (www.w3.org/TR/WCAG22)."""

    def luminance(colour: str) -> float:
        r, g, b = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
        r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in (r, g, b))
        return 0.2126 * r + 0.7152 * g + 0.0722 * b

    high, low = max(luminance(one), luminance(other)), min(luminance(one), luminance(other))
    return (high + 0.05) / (low + 0.05)


def test_the_colours_are_those_published() -> None:
    given = {name: tuple(int(c[i : i + 2], 16) for i in (1, 3, 5)) for name, c in colours.OKABE_ITO.items()}
    assert given == PUBLISHED


@pytest.mark.parametrize(("one", "other", "expected"), [
    ("#FFFFFF", "#000000", 21.0),  # W3C's own example, as the two below
    ("#767676", "#FFFFFF", 4.54222),
    ("#777777", "#FFFFFF", 4.47809),
    ("#0072B2", "#FFFFFF", 5.185),
    ("#E69F00", "#000000", 9.324),
])
def test_contrast_by_the_formula(one: str, other: str, expected: float) -> None:
    assert ratio(one, other) == pytest.approx(expected, abs=5e-4)
    assert colours.contrast(one, other) == pytest.approx(ratio(one, other), abs=1e-9)


@pytest.mark.parametrize("palette", [colours.LIGHT, colours.DARK], ids=lambda p: p.name)
def test_palettes_reach_wcag(palette: colours.Palette) -> None:
    for text, ground in palette.texts():
        assert ratio(text, ground) >= 4.5, (text, ground)  # SC 1.4.3
    for line, ground in palette.graphics():
        assert ratio(line, ground) >= 3.0, (line, ground)  # SC 1.4.11


@pytest.mark.parametrize("palette", [colours.LIGHT, colours.DARK], ids=lambda p: p.name)
def test_the_signs_stand_out_by_their_outline_too(palette: colours.Palette) -> None:
    """A filled sign may be pale on the ground, its outline and its mark are not."""
    for role in ("good", "bad", "open_question", "nothing"):
        assert ratio(palette.ink, getattr(palette, role)) >= 4.5
    assert ratio(palette.text, palette.ground) >= 3.0


def test_light_and_dark_are_what_they_say() -> None:
    assert ratio(colours.LIGHT.ground, "#000000") > 15
    assert ratio(colours.DARK.ground, "#000000") < 1.6
