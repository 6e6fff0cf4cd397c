"""Panels of a plot as SVG, drawn with the parts of ``recorder.picture``: black on white, told apart without colour."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from recorder.picture.axes import GRID, Axes, ticks
from recorder.picture.shapes import Box, Path, Shape, Words
from recorder.picture.svg import svg_text

BLUE, GREY, PALE = "#0072B2", "#a8a8a8", "#d9e6ef"
WIDTH, GAP, LEFT, ABOVE, BELOW = 860.0, 26.0, 64.0, 34.0, 42.0
Values = Sequence[float] | np.ndarray


@dataclass
class Panel:
    """One pair of axes. ``x``, ``y``: (lowest, highest); ``log``: the axes (``"x"``, ``"xy"``) that are logarithmic,
    whose limits and values are given as they are. ``names``: ticks of an axis with names in place of numbers.
    ``legend``: where it begins, as shares of width and height from the upper left."""

    title: str
    x: tuple[float, float]
    y: tuple[float, float]
    x_label: str
    y_label: str
    height: float = 250.0
    log: str = ""
    names: dict[str, list[tuple[float, str]]] = field(default_factory=dict)
    legend: tuple[float, float] = (0.03, 0.0)
    parts: list[tuple[str, tuple[object, ...]]] = field(default_factory=list)
    keys: list[tuple[str, str, str]] = field(default_factory=list)

    def _key(self, look: str, text: str, colour: str) -> None:
        if text:
            self.keys.append((look, text, colour))

    def line(self, x: Values, y: Values, text: str = "", *, dash: str = "", colour: str = "#000000",
             width: float = 1.4) -> None:
        self.parts.append(("line", (x, y, dash, colour, width)))
        self._key(dash or "solid", text, colour)

    def band(self, x: Values, low: Values, high: Values, text: str = "") -> None:
        self.parts.insert(0, ("band", (x, low, high)))
        self._key("band", text, PALE)

    def dots(self, x: Values, y: Values, text: str = "", *, colour: str = "#000000", size: float = 4.0,
             u: Values | None = None, hollow: bool = False) -> None:
        """Squares; ``u``: half the length of a bar through each."""
        self.parts.append(("dots", (x, y, colour, size, u, hollow)))
        self._key("hollow" if hollow else "dot", text, colour)

    def note(self, x: float, y: float, text: str, anchor: str = "start") -> None:
        """Words at a point, which is where they begin, or their middle (``middle``) or their ``end``."""
        self.parts.append(("note", (x, y, text, anchor)))

    # ------------------------------------------------------------ drawing

    def _scaled(self, which: str, values: Values) -> np.ndarray:
        array = np.asarray(values, float)
        return np.log10(np.maximum(array, 1e-300)) if which in self.log else array

    def _ticks(self, which: str, low: float, high: float, about: int) -> list[tuple[float, str]]:
        if which in self.names:
            return self.names[which]
        if which in self.log:
            return [(float(k), f"{10.0**k:g}") for k in range(math.ceil(low - 1e-9), math.floor(high + 1e-9) + 1)]
        at = ticks(low, high, about)
        step = at[1] - at[0] if len(at) > 1 else 1.0
        places = max(0, -math.floor(math.log10(abs(step) or 1.0) + 1e-9))
        return [(v, f"{v + 0.0:.{places}f}") for v in at]

    def shapes(self, left: float, top: float, width: float) -> list[Shape]:
        (x0, x1), (y0, y1) = self._scaled("x", self.x).tolist(), self._scaled("y", self.y).tolist()
        a = Axes(left, top, width, self.height, x0, x1, y0, y1)
        out: list[Shape] = [Words(left, top - 9, self.title, 13, bold=True)]
        for v, text in self._ticks("y", y0, y1, max(int(self.height / 45), 2)):
            out.append(Path(((left, a.down(v)), (left + width, a.down(v))), 0.5, colour=GRID))
            out.append(Words(left - 6, a.down(v) + 4, text, 11, "end"))
        for v, text in self._ticks("x", x0, x1, max(int(width / 75), 2)):
            out.append(Path(((a.across(v), top + self.height), (a.across(v), top + self.height + 4)), 0.8))
            out.append(Words(a.across(v), top + self.height + 17, text, 11, "middle"))
        out.append(Words(left + width, top + self.height + 33, self.x_label, 11, "end"))
        out.append(Words(left - 46, top + self.height / 2, self.y_label, 11, "middle", turned=True))
        for kind, given in self.parts:
            out += getattr(self, f"_{kind}")(a, *given)
        out.append(Box(left, top, width, self.height, 0.8))
        return out + self._legend(left + self.legend[0] * width, top + 16 + self.legend[1] * self.height)

    def _line(self, a: Axes, x: Values, y: Values, dash: str, colour: str, width: float) -> list[Shape]:
        return [Path(a.line(self._scaled("x", x), self._scaled("y", y)), width, dash, colour)]

    def _band(self, a: Axes, x: Values, low: Values, high: Values) -> list[Shape]:
        xs = [a.across(float(v)) for v in self._scaled("x", x)]
        up = [a.down(float(v)) for v in self._scaled("y", high)]
        down = [a.down(float(v)) for v in self._scaled("y", low)]
        points = (*zip(xs, up, strict=True), *zip(xs[::-1], down[::-1], strict=True))
        return [Path(points, 0.0, colour="", fill=PALE, closed=True)]

    def _dots(self, a: Axes, x: Values, y: Values, colour: str, size: float, u: Values | None,
              hollow: bool) -> list[Shape]:
        out: list[Shape] = []
        bars: Iterable[float | None] = [None] * len(x) if u is None else [float(v) for v in u]
        for xv, yv, bar in zip(self._scaled("x", x), self._scaled("y", y), bars, strict=True):
            px, py = a.across(float(xv)), a.down(float(yv))
            if bar is not None:
                out.append(Path(((px, a.down(yv - bar)), (px, a.down(yv + bar))), 1.0, colour=colour))
            out.append(Box(px - size / 2, py - size / 2, size, size, 1.0, colour=colour,
                           fill="#ffffff" if hollow else colour))
        return out

    def _note(self, a: Axes, x: float, y: float, text: str, anchor: str) -> list[Shape]:
        place = a.across(float(self._scaled("x", [x])[0])), a.down(float(self._scaled("y", [y])[0]))
        return [Words(*place, text, 11, anchor, halo=True)]

    def _legend(self, left: float, top: float) -> list[Shape]:
        out: list[Shape] = []
        for i, (look, text, colour) in enumerate(self.keys):
            y = top + 16 * i
            if look == "band":
                out.append(Box(left, y - 9, 26, 10, 0.0, colour="", fill=PALE))
            elif look in ("dot", "hollow"):
                fill = "#ffffff" if look == "hollow" else colour
                out.append(Box(left + 11, y - 6, 4, 4, 1.0, colour=colour, fill=fill))
            else:
                out.append(Path(((left, y - 4), (left + 26, y - 4)), 1.6, "" if look == "solid" else look, colour))
            out.append(Words(left + 32, y, text, 11, halo=True))
        return out


def svg(rows: Sequence[Sequence[Panel]], title: str) -> str:
    """The panels, row by row, as one SVG document."""
    shapes: list[Shape] = []
    top = ABOVE
    for row in rows:
        width = (WIDTH - GAP * (len(row) - 1)) / len(row) - LEFT - 10.0
        for i, panel in enumerate(row):
            shapes += panel.shapes(LEFT + i * (width + LEFT + 10.0 + GAP), top, width)
        top += max(panel.height for panel in row) + ABOVE + BELOW
    return svg_text(shapes, WIDTH, top - ABOVE + 4, title=title)
