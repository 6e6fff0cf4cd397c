"""Drawing list to SVG text. Every text is escaped: job texts and file names are not to be trusted."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

from recorder.errors import printable
from recorder.picture.shapes import Box, Path, Shape, Words

__all__ = ["FONTS", "svg_text"]

FONTS = "DejaVu Sans, Segoe UI, Helvetica, Arial, sans-serif"


def _number(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")


def _paint(colour: str, fill: str, width: float, dash: str) -> str:
    out = f' fill="{fill or "none"}"'
    if colour:
        out += f' stroke="{colour}" stroke-width="{width:g}"'
        if dash:
            out += f' stroke-dasharray="{dash}"'
    return out


def _one(shape: Shape) -> str:
    n = _number
    if isinstance(shape, Box):
        look = _paint(shape.colour, shape.fill, shape.width, shape.dash)
        return f'<rect x="{n(shape.x)}" y="{n(shape.y)}" width="{n(shape.w)}" height="{n(shape.h)}"{look}/>'
    if isinstance(shape, Path):
        if not shape.points:
            return ""
        kind = "polygon" if shape.closed else "polyline"
        points = " ".join(f"{n(x)},{n(y)}" for x, y in shape.points)
        look = _paint(shape.colour, shape.fill, shape.width, shape.dash)
        return f'<{kind} points="{points}"{look} stroke-linejoin="round"/>'
    return _words(shape)


def _words(shape: Words) -> str:
    n = _number
    text = escape(printable(shape.text), quote=True)
    attributes = f' font-size="{n(shape.size)}" text-anchor="{shape.anchor}"'
    if shape.bold:
        attributes += ' font-weight="bold"'
    if shape.turned:
        attributes += f' transform="rotate(-90 {n(shape.x)} {n(shape.y)})"'
    place = f'x="{n(shape.x)}" y="{n(shape.y)}"'
    out = ""
    if shape.halo:
        out = (
            f'<text {place}{attributes} fill="none" stroke="#ffffff" stroke-width="4" '
            f'stroke-linejoin="round">{text}</text>'
        )
    return out + f'<text {place}{attributes} fill="{shape.colour}">{text}</text>'


def svg_text(shapes: Iterable[Shape], width: float, height: float, *, title: str) -> str:
    """A whole SVG document, ``width`` by ``height`` user units, with a title for screen readers."""
    body = "\n".join(filter(None, map(_one, shapes)))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_number(width)} {_number(height)}" '
        f'width="{_number(width)}" height="{_number(height)}" role="img" font-family="{escape(FONTS)}">\n'
        f"<title>{escape(printable(title))}</title>\n"
        f'<rect width="{_number(width)}" height="{_number(height)}" fill="#ffffff"/>\n{body}\n</svg>\n'
    )
