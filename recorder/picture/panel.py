"""One recording as a plot: trace, phases, limits, opening, findings; and its hold magnified."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from recorder.limits import band_kpa
from recorder.picture.axes import Axes
from recorder.picture.shapes import Box, Path, Shape, Words, hatch, text_width
from recorder.report import quantity
from recorder.units import format_pressure, pressure_factor_kpa

if TYPE_CHECKING:
    from recorder.analysis import Analyser
    from recorder.model import FloatArray, Recording

__all__ = ["READINGS", "Plot", "hold_panel", "limit_lines", "top_kpa", "trace_panel"]

BLUE = "#0072B2"  # of the Okabe-Ito set, the one with enough contrast for text; lines differ by dash as well
READINGS = "#a8a8a8"  # light, so that the black fit stands out of them in black and white
_BAND = "fit ± 2 standard uncertainties"
_THIN = 2.5  # user units: a narrower band cannot be told from the line of the fit
SHADE = {"vented": "", "pump-up": "#f4f4f4", "relief": "", "hold": "#e9e9e9", "release": ""}


@dataclass(frozen=True, slots=True)
class Plot:
    """What a panel draws: the recording, its analysis, the judgement's JSON and the unit to show."""

    recording: Recording
    analyser: Analyser
    judgement: Mapping[str, Any]
    unit: str
    phase_names: Mapping[str, str] = field(default_factory=dict)  # other words for the phases

    @property
    def factor(self) -> float:
        """Shown units in one kPa."""
        return 1.0 / pressure_factor_kpa(self.unit)

    def trace(self) -> tuple[FloatArray, FloatArray]:
        """Times (s) and zero-corrected pressures in the unit to show; rows that are no numbers left out."""
        t, p = self.analyser.trace()
        good = np.isfinite(t) & np.isfinite(p)
        return t[good], p[good] * self.factor

    def gaps(self) -> list[tuple[float, float]]:
        """Stretches without samples, as the recording flags them."""
        flags, t = self.recording.rows.flag, self.recording.rows.time_s
        if flags is None:
            return []
        return [
            (float(t[i - 1]), float(t[i]))
            for i, word in enumerate(flags)
            if i and word and ("gap" in word or "restart" in word)
        ]


def limit_lines(plot: Plot) -> list[tuple[str, float, str, float]]:
    """(label, kPa, dash, width) of every limit that the test has."""
    setup = plot.analyser.setup
    marked, procedure = setup.marked, setup.procedure
    lines = [] if marked is None else [(f"marking {marked.value:g} {marked.unit}", marked.kpa, "10 3 2 3", 1.2)]
    band = band_kpa(procedure, marked) if setup.test == "cap" else None
    if band is not None:
        lines += [("may open from", band[0], "6 4", 1.0), ("may open up to", band[1], "6 4", 1.0)]
    elif setup.test == "system" and marked is not None:
        low, high = marked.kpa + procedure.target_low_kpa, marked.kpa + procedure.target_high_kpa
        over = marked.kpa + procedure.over_limit_kpa
        lines.append(("target from", low, "6 4", 1.0))
        if abs(over - high) > 0.05:
            lines.append(("target up to", high, "6 4", 1.0))
            lines.append(("never above", over, "14 4", 2.0))
        else:
            lines.append(("target, and never above", over, "14 4", 2.0))
    return lines


def top_kpa(plot: Plot) -> float:
    """The highest pressure that the plot has to show, kPa."""
    _, p = plot.analyser.trace()
    p = p[np.isfinite(p)]
    values = [kpa for _, kpa, _, _ in limit_lines(plot)]
    # The 99.9th percentile keeps one spike from squeezing the trace flat; it is drawn clipped.
    values.append(float(np.quantile(p, 0.999)) if len(p) else 10.0)
    return max(max(values) * 1.12, 10.0)


def _phases(plot: Plot, axes: Axes) -> list[Shape]:
    out: list[Shape] = []
    row_ends = [axes.x - 50.0] * 3
    strip = axes.y + axes.h + 34
    for i, phase in enumerate(plot.judgement.get("phases") or ()):
        x0, x1 = axes.across(float(phase["start_s"])), axes.across(float(phase["end_s"]))
        name = str(phase["name"])
        if SHADE.get(name):
            out.append(Box(x0, axes.y, x1 - x0, axes.h, colour="", fill=SHADE[name]))
        out.append(Path(((x0, axes.y), (x0, strip + 6)), 0.6, "2 3", "#606060") if i else Path(()))
        out.append(Box(x0, strip, x1 - x0, 6, 0.6, fill="#000000" if name == "hold" else "#ffffff"))
        if name in ("pump-up", "release"):
            out += hatch(x0, strip, x1 - x0, 6, 4, rising=name == "pump-up")
        name = plot.phase_names.get(name, name)
        width, middle = text_width(name, 11), (x0 + x1) / 2
        middle = min(max(middle, axes.x + width / 2), axes.x + axes.w - width / 2)
        for row in range(3):
            if middle - width / 2 > row_ends[row] + 5:
                row_ends[row] = middle + width / 2
                out.append(Words(middle, strip + 19 + 13 * row, name, 11, "middle"))
                break
    return out


def _limits(plot: Plot, axes: Axes) -> list[Shape]:
    out: list[Shape] = []
    right = axes.x + axes.w
    lines = sorted(limit_lines(plot), key=lambda line: line[1])
    band = [kpa for label, kpa, _, _ in lines if "open" in label or "target" in label]
    if len(band) >= 2:
        y1, y0 = axes.down(max(band) * plot.factor), axes.down(min(band) * plot.factor)
        out += hatch(axes.x, y1, axes.w, y0 - y1, 14)
    places = [axes.down(kpa * plot.factor) for _, kpa, _, _ in lines]
    shown = list(places)
    for i in range(1, len(shown)):  # labels pushed upwards until none covers another
        shown[i] = min(shown[i], shown[i - 1] - 26)
    for (label, kpa, dash, width), y, at in zip(lines, places, shown, strict=True):
        out.append(Path(((axes.x, y), (right, y)), width, dash))
        out.append(Path(((right, y), (right + 8, at)), 0.6))
        out.append(Words(right + 11, at + 1, label, 11))
        value = format_pressure(kpa, plot.unit, down="up to" in label or "never above" in label)
        if not label.endswith(f" {plot.unit}"):  # a marking in the unit shown says it all
            out.append(Words(right + 11, at + 13, value, 11))
    return out


def _points(plot: Plot, axes: Axes) -> list[Shape]:
    out: list[Shape] = []
    named = (("opening", "opens at"), ("peak", "highest"), ("reseat", "closes at"))
    taken: list[float] = []
    for key, words in named:
        q = plot.judgement.get(key)
        if not isinstance(q, Mapping) or q.get("time_s") is None:
            continue
        x = axes.across(float(q["time_s"]))
        y = axes.down(float(q["value"]) * pressure_factor_kpa(str(q["unit"])) * plot.factor)
        text = f"{words} {quantity(q, plot.unit)}"
        if key == "peak":
            out.append(Path(((x - 5, y - 12), (x + 5, y - 12), (x, y - 3)), 1.2, fill="#fff", closed=True))
        elif key == "opening":
            diamond = ((x - 6, y), (x, y - 6), (x + 6, y), (x, y + 6))
            out.append(Path(diamond, 1.6, fill="#ffffff", closed=True))
        else:
            out.append(Box(x - 5, y - 5, 10, 10, 1.4, fill="#ffffff"))
        level = axes.y + axes.h * 0.52
        while any(abs(level - other) < 16 for other in taken):
            level += 18
        taken.append(level)
        left = x + text_width(text, 12) + 12 > axes.x + axes.w
        out.append(Path(((x, y + (6 if key != "peak" else -2)), (x, level)), 0.8))
        out.append(Words(x - 5 if left else x + 5, level + 4, text, 12, "end" if left else "start",
                         bold=key == "opening", halo=True))
    return out


def _findings(plot: Plot, axes: Axes) -> list[Shape]:
    out: list[Shape] = []
    at = [axes.across(mark.time_s) for mark in plot.recording.marks]
    order = sorted(range(len(at)), key=at.__getitem__)
    for i, x in zip(order, _apart([at[i] for i in order], axes.x + axes.w), strict=True):
        out.append(Path(((x, axes.y - 10), (at[i], axes.y), (at[i], axes.y + axes.h)), 0.9, "1 3"))
        out.append(Box(x - 9, axes.y - 27, 18, 17, 1.0, fill="#ffffff"))
        out.append(Words(x, axes.y - 14, str(i + 1), 12, "middle", bold=True))
    return out


def _apart(places: list[float], end: float) -> list[float]:
    """Rising places moved until the numbers there do not cover each other, none beyond ``end``."""
    out: list[float] = []
    for place in places:
        out.append(max(place, out[-1] + 21) if out else place)
    for i in range(len(out) - 1, -1, -1):
        out[i] = min(out[i], end if i == len(out) - 1 else out[i + 1] - 21)
    return out


def trace_panel(plot: Plot, x: float, y: float, w: float, h: float, top: float) -> list[Shape]:
    """The whole trace within (x, y, w, h); ``top`` (kPa) is the upper end of the pressure axis.

    The phase strip takes 75 units below, limit labels 150 to the right, axis numbers 50 to the left.
    """
    t, p = plot.trace()
    low = min(0.0, float(np.quantile(p, 0.001)) if len(p) else 0.0) - 0.03 * top * plot.factor
    t0, t1 = (float(t[0]), float(t[-1])) if len(t) else (0.0, 1.0)
    axes = Axes(x, y, w, h, t0, t1 if t1 > t0 else t0 + 1.0, low, top * plot.factor)
    out = _phases(plot, axes) + axes.frame(plot.unit) + _limits(plot, axes)
    gaps = plot.gaps()
    for a, b in gaps:
        x0, x1 = axes.across(a), max(axes.across(b), axes.across(a) + 3)
        out += [Box(x0, y, x1 - x0, h, 0.5, fill="#ffffff"), *hatch(x0, y, x1 - x0, h, 5, rising=False)]
        if x1 - x0 > 14:
            out.append(Words((x0 + x1) / 2 + 4, y + h / 2, "no samples", 11, "middle", turned=True, halo=True))
    cuts = [t0, *(value for gap in gaps for value in gap), t1]
    for a, b in zip(cuts[::2], cuts[1::2], strict=True):
        inside = (t >= a) & (t <= b)
        out.append(Path(axes.line(t[inside], p[inside]), 1.5, colour=BLUE))
    return out + _findings(plot, axes) + _points(plot, axes)


def hold_panel(plot: Plot, x: float, y: float, w: float, h: float) -> list[Shape]:
    """The hold magnified, with the fitted curve and its band of two standard uncertainties; may be empty."""
    hold = plot.judgement.get("hold")
    if not isinstance(hold, Mapping):
        return []
    t, p = plot.trace()
    t0, t1 = float(hold["start_s"]), float(hold["end_s"])
    inside = (t >= t0) & (t <= t1)
    if not inside.any() or t1 <= t0:
        return []
    seen = p[inside]
    low, high = float(np.quantile(seen, 0.001)), float(np.quantile(seen, 0.999))
    curve = plot.analyser.hold_curve()
    if curve is not None and len(curve.time_s):
        low = min(low, float((curve.pressure_kpa - curve.band_kpa).min()) * plot.factor)
        high = max(high, float((curve.pressure_kpa + curve.band_kpa).max()) * plot.factor)
    margin = max((high - low) * 0.12, 0.05 * plot.factor)
    axes = Axes(x, y, w, h, t0, t1, low - margin, high + margin)
    out = axes.frame(plot.unit, label="hold", every=5)
    out.append(Path(axes.line(t[inside], seen), 0.7, colour=READINGS))
    out.append(Words(x, y - 8, "the hold, magnified", 12, bold=True))
    if curve is None or not len(curve.time_s):
        return out
    middle = curve.pressure_kpa * plot.factor
    band = curve.band_kpa * plot.factor
    wide = float(np.median(band)) / (axes.p1 - axes.p0) * h > _THIN
    if wide:
        out.append(Path(axes.line(curve.time_s, middle - band), 1.0, "2 2"))
        out.append(Path(axes.line(curve.time_s, middle + band), 1.0, "2 2"))
    out.append(Path(axes.line(curve.time_s, middle), 2.2, "9 3"))
    return out + _key(x, y + h + 48, wide)


def _key(x: float, y: float, wide: bool) -> list[Shape]:
    """What the lines of the hold mean. wide: the band can be told from the fit."""
    band = [Path(((x, y + 18), (x + 30, y + 18)), 1.0, "2 2"), Words(x + 36, y + 22, _BAND, 11)]
    return [
        Path(((x, y), (x + 30, y)), 0.7, colour=READINGS),
        Words(x + 36, y + 4, "readings", 11),
        Path(((x + 100, y), (x + 130, y)), 2.2, "9 3"),
        Words(x + 136, y + 4, "fit", 11),
        *(band if wide else [Words(x, y + 22, f"{_BAND}: within the line", 11)]),
    ]
