"""The picture: complete, escaped, small, never over another file."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from recorder.analysis import Analyser, Setup
from recorder.analysis.analyser import HoldCurve
from recorder.errors import FileError, RecorderError
from recorder.limits import resolve
from recorder.model import Header, Hold, Judgement, Mark, Phase, Quantity, Reason, Recording, Rows
from recorder.picture import draw, picture_svg
from recorder.picture.axes import thin, ticks
from recorder.picture.panel import BLUE, READINGS, SHADE
from recorder.picture.shapes import hatch, text_width, wrap
from recorder.units import parse_marking

if TYPE_CHECKING:
    from recorder.model import FloatArray

HOSTILE = 'Invented & Sons <script>alert("x")</script> \x1b[31m\u202e \ud800 ]]>'


class Made(Analyser):
    """An analyser with a judgement given by hand, so that the picture is tested by itself."""

    made: Judgement
    fed: tuple[FloatArray, FloatArray]

    def trace(self) -> tuple[FloatArray, FloatArray]:
        return self.fed

    def judgement(self) -> Judgement:
        return self.made

    def hold_curve(self) -> HoldCurve | None:
        hold = self.made.hold
        if hold is None:
            return None
        t = np.linspace(hold.start_s, hold.end_s, 200)
        p = hold.start.value - hold.rate.value * (t - hold.start_s) / 60
        return HoldCurve(t, p, np.full(len(t), 0.2))


def q(value: float, u: float = 0.3, time_s: float | None = None) -> Quantity:
    return Quantity(value, u, "kPa", time_s)


def invented(path: str = "invented.csv", *, rate_hz: int = 100, job: str = "invented van",
             outcome: str = "pass") -> tuple[Recording, Made]:
    """A made-up cap test: vented, pumped in strokes, opens at 108 kPa, held, released."""
    rng = np.random.default_rng(7)
    t = np.arange(0, 80, 1 / rate_hz)
    p = np.interp(t, [0, 3, 15, 16, 20, 65, 67, 80], [0, 0, 112, 112, 104, 101, 0, 0])
    p = np.round(p + 3 * np.maximum(0, np.sin(t * 6)) * ((t > 3) & (t < 15)) + rng.normal(0, 0.1, len(t)), 4)
    flag = [""] * len(t)
    flag[30 * rate_hz] = "gap"
    marked = parse_marking("16 psi")
    header = Header("cap", id="invented", started="2026-03-14T10:15:00.000Z", marked=marked, job=job)
    recording = Recording(path, header, Rows(t, p, flag=flag), (Mark(40.0, job),), None, None, "ab" * 32)
    analyser = Made(Setup("cap", marked, resolve("cap")))
    analyser.fed = t, p
    hold = Hold(20, 65, q(104), q(101), q(3), Quantity(4.0, 0.2, "kPa/min"), None,
                Quantity(0.4, None, "kPa/min"))
    phases = (Phase("vented", 0, 3), Phase("pump-up", 3, 15), Phase("relief", 15, 20), Phase("hold", 20, 65),
              Phase("release", 65, 67), Phase("vented", 67, 80))
    analyser.made = Judgement(
        "cap", marked, outcome,  # type: ignore[arg-type]
        (Reason("opens-in-band", "It begins to open within the band."),), q(0, 0.05), q(0.1, 0.05),
        q(113.2, 0.4, 14.6), 12, q(108.1, 0.4, 13.9), q(104.2, 0.6, 19.0), hold, None, None, phases,
    )
    return recording, analyser


def texts(svg: str) -> str:
    return " ".join(ET.fromstring(svg).itertext())


def test_everything_is_on_the_page() -> None:
    svg = picture_svg(*invented())
    said = texts(svg)
    for needed in ("PASS", "opens at 108.1 ± 0.8 kPa", "highest 113.2", "closes at", "marking 16 psi",
                   "may open from", "may open up to", "pump-up", "relief", "hold", "release", "vented",
                   "invented van", "invented.csv", "abababab", "It begins to open within the band.",
                   "recorder 0", "± 2 standard uncertainties", "never sealed", "2026-03-14 10:15:00 UTC"):
        assert needed in said, needed
    assert len(svg) < 200_000


def test_no_number_of_its_own_is_cut(tmp_path: Path) -> None:
    """What people typed is cut; what the program says stands to its end, and nothing lies on anything else."""
    recording, analyser = invented()
    protects = {name: {"value": 117.23, "standard_uncertainty": 0.13, "unit": "degC"}
                for name in ("boiling_point", "at_marking", "glycol_50_estimate")}
    notes = [{"code": "gaps", "text": f"hole {i} in the trace was left out"} for i in range(12)]
    made = replace(analyser.made, leak_flow=Quantity(0.1, 0.1, "mL/min"), headspace=Quantity(190.0, 6.0, "mL"),
                   extra={"protects": protects, "early": {"answer": "tight", "time_s": 31.0}, "notes": notes})
    analyser.made = replace(made, test="system")
    marks = tuple(Mark(30.0 + i, f"place {i} " * 60) for i in range(12))
    recording = replace(recording, marks=marks, header=replace(recording.header, test="system"))
    root = ET.fromstring(picture_svg(recording, analyser, unit="psi"))
    said = texts(ET.tostring(root, encoding="unicode"))
    for needed in ("12 pump strokes", "half glycol, estimated, at 117.23", "certain 31 s into the trace",
                   "note: hole 11 in", "Samples are missing: check the cable and the port."):
        assert needed in said, needed
    assert said.count("… more in the file") == 2  # of the findings, and of the advice that names them
    words = [e for e in root.iter("{http://www.w3.org/2000/svg}text") if float(e.get("y", "0")) > 520]
    places = [(e.get("x"), float(e.get("y", "nan"))) for e in words]
    for x in {x for x, _ in places}:
        column = sorted(y for at, y in places if at == x)
        assert min(np.diff(column), default=99.0) >= 12.0


@pytest.mark.parametrize("altered", [False, True])
def test_a_long_job_leaves_the_day_on_the_page(altered: bool) -> None:
    """What was typed took the two lines, and the picture did not say when the test was made."""
    recording, analyser = invented(job="the long wheelbase van with the second radiator " * 9)
    header = replace(recording.header, other={"simulated": altered})
    recording = replace(recording, header=header, intact=False if altered else recording.intact)
    lines = [one.text or "" for one in ET.fromstring(picture_svg(recording, analyser)).iter() if one.text]
    day = [line for line in lines if line.endswith(" UTC")]
    assert len(day) == 1 and " … · 2026-" in day[0] and len(day[0]) < 160
    short, _ = invented()
    assert "…" not in texts(picture_svg(short, analyser))


def test_other_unit() -> None:
    said = texts(picture_svg(*invented(), unit="psi"))
    assert "opens at 15.68 ± 0.12 psi" in said
    assert "pressure, psi" in said


def test_outcomes_differ_without_colour() -> None:
    pages = {}
    for outcome in ("pass", "fail", "undecided", "void"):
        svg = picture_svg(*invented(outcome=outcome))
        pages[outcome] = re.findall(r"<rect[^>]*>", svg)[1]
    assert len(set(pages.values())) == 4


def test_every_text_has_enough_contrast() -> None:
    """WCAG 2.2 SC 1.4.3: 4.5:1 on white; here every text is black."""
    root = ET.fromstring(picture_svg(*invented()))
    fills = {e.get("fill") for e in root.iter() if e.tag.endswith("text")}
    assert fills <= {"#000000", "none"}


def luminance(colour: str) -> float:
    """Relative luminance of WCAG 2.2."""
    parts = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_lines_stand_apart_without_colour() -> None:
    """WCAG 2.2 SC 1.4.11, 3:1: the trace and the shading behind it, the fit and the readings behind it."""
    for front, behind in ((BLUE, "#ffffff"), (BLUE, max(SHADE.values())), (BLUE, "#e9e9e9"), ("#000000", READINGS)):
        assert (luminance(behind) + 0.05) / (luminance(front) + 0.05) >= 3
    assert set(SHADE.values()) <= {"", "#f4f4f4", "#e9e9e9"}


def test_hostile_text_is_only_text() -> None:
    recording, analyser = invented(f"a{HOSTILE}\n.csv", job=HOSTILE)
    svg = picture_svg(recording, analyser)
    root = ET.fromstring(svg.encode())
    assert not [e for e in root.iter() if e.tag.rsplit("}")[-1] in ("script", "image", "a", "foreignObject")]
    assert '<script>alert("x")</script>' in " ".join(root.itertext())
    assert "\x1b" not in svg and "\u202e" not in svg


def test_many_samples_stay_small() -> None:
    svg = picture_svg(*invented(rate_hz=4000))
    assert len(svg) < 200_000


def test_thin_keeps_the_extremes() -> None:
    rng = np.random.default_rng(1)
    x = np.sort(rng.uniform(0, 50, 5000))
    y = rng.normal(size=5000)
    tx, ty = thin(x, y)
    assert len(tx) <= 2 * 51 + 2
    for column in range(50):
        a, b = (np.floor(x) == column), (np.floor(tx) == column)
        assert y[a].min() == ty[b].min() and y[a].max() == ty[b].max()
    assert (np.diff(tx) >= 0).all()


def test_ticks_are_round() -> None:
    assert ticks(-3.2, 121, 6) == [0, 50, 100]
    assert ticks(100.9, 104.2, 5) == [101, 102, 103, 104]
    assert ticks(5, 5, 5) == [5]


def test_hatch_stays_inside() -> None:
    shapes = hatch(10, 20, 33, 7, 4) + hatch(10, 20, 3, 70, 4, rising=False)
    assert len(shapes) > 10
    for shape in shapes:
        for x, y in shape.points:  # type: ignore[union-attr]
            assert 10 <= x <= 43 and 20 <= y <= 90


def test_numbers_of_findings_stand_apart() -> None:
    recording, analyser = invented()
    marks = tuple(Mark(time_s, "place") for time_s in (30.0, 30.1, 30.2, 30.3, 30.4, 79.9, 79.95))
    root = ET.fromstring(picture_svg(replace(recording, marks=marks), analyser))
    at = {int(e.text or ""): float(e.get("x", "nan")) for e in root.iter("{http://www.w3.org/2000/svg}text")
          if re.fullmatch(r"[1-7]", e.text or "") and e.get("font-weight") == "bold"}
    places = [at[i] for i in range(1, 8)]
    assert np.diff(places).min() > 18.0, places


def test_a_number_stays_with_its_unit() -> None:
    text = "held from 17.46 ± 0.07 psi to 16.55 ± 0.06 psi, 0.35 kPa/min allowed"
    for width in range(150, 500, 7):
        lines = wrap(text, width, 12.5)
        assert " ".join(lines) == text
        assert not [line for line in lines if re.match(r"±|psi|kPa", line) or line.endswith("±")]


def test_wrap_cuts_what_is_too_long() -> None:
    lines = wrap("one " + "x" * 300 + " two", 200, 12)
    assert all(text_width(line, 12) <= 200 for line in lines)
    assert "".join(lines).replace(" ", "") == "one" + "x" * 300 + "two"


@pytest.mark.parametrize(("name", "magic"), [("a.svg", b"<svg"), ("a.png", b"\x89PNG"), ("a.pdf", b"%PDF")])
def test_files_and_never_over_another(tmp_path: Path, name: str, magic: bytes) -> None:
    pair = invented()
    out = draw(*pair, tmp_path / name, before=invented(outcome="fail"))
    assert out.read_bytes().startswith(magic)
    before = out.read_bytes()
    with pytest.raises(FileError, match="left as it is"):
        draw(*pair, out)
    assert out.read_bytes() == before
    draw(*pair, out, force=True)
    assert out.read_bytes() != before


@pytest.mark.parametrize("name", ["a.txt", "a", "missing/a.svg"])
def test_places_that_cannot_be(tmp_path: Path, name: str) -> None:
    with pytest.raises(RecorderError):
        draw(*invented(), tmp_path / name)


def test_two_points_and_none() -> None:
    for n in (0, 1, 2):
        recording, analyser = invented()
        rows = Rows(np.arange(n, dtype=float), np.zeros(n))
        short = Recording("x.csv", recording.header, rows)
        bare = Analyser(analyser.setup)
        bare.feed(rows.time_s, rows.pressure_kpa)
        assert "</svg>" in picture_svg(short, bare)


def test_a_changed_file_has_no_answer() -> None:
    """Whoever is shown the picture reads the word in the frame, not the small print."""
    recording, analyser = invented()
    header = replace(recording.header, other={"simulated": True})
    altered = replace(recording, intact=False, header=header)
    svg = picture_svg(altered, analyser)
    said = texts(svg)
    assert ">ALTERED<" in svg and ">PASS<" not in svg and "<title>cap test: ALTERED, " in svg
    assert "nothing in it can be relied on" in said and "What its rows give: PASS" in said
    assert "Restore the recording from a copy, or test again." in said and "SIMULATED" in said
    assert "SHA-256 of what stands before the seal now abab" in said
    both = picture_svg(recording, analyser, before=(altered, analyser))
    assert both.count(">ALTERED<") == 1 and both.count(">PASS<") == 1


def test_a_stored_outcome_that_is_another_one_is_said() -> None:
    recording, analyser = invented()
    stored = analyser.judgement().to_json()
    assert "stored in the file" not in picture_svg(replace(recording, judgement=stored), analyser)
    other = replace(recording, judgement={**stored, "outcome": "fail"})
    assert "the outcome stored in the file is another: FAIL; shown is what its rows give" in texts(
        picture_svg(other, analyser))


def hold_alone(unit_u: float = 0.2) -> tuple[Recording, Made]:
    """A recording that was begun under pressure and ended so: a hold, and neither zero, peak nor strokes."""
    recording, analyser = invented()
    t = np.arange(0, 120, 0.1)
    p = 118 - 0.05 * t
    analyser.fed = t, p
    hold = Hold(0.0, 119.9, q(118.0, unit_u), q(112.0, unit_u), q(6.0, 0.1), Quantity(3.0, 0.1, "kPa/min"), None,
                Quantity(0.3, None, "kPa/min"))
    why = Reason("trace-broken", "The trace is broken: it begins at 118 kPa, under pressure, so zero is not known; "
                 "begin with the tester open to the air.")
    analyser.made = replace(analyser.made, test="system", outcome="void", reasons=(why,), zero=None, zero_shift=None,
                            peak=None, strokes=0, opening=None, reseat=None, hold=hold,
                            phases=(Phase("hold", 0.0, 119.9),))
    return replace(recording, header=replace(recording.header, test="system"), rows=Rows(t, p), marks=()), analyser


def test_a_hold_alone_is_drawn_without_a_peak_and_without_a_zero(tmp_path: Path) -> None:
    said = texts(picture_svg(*hold_alone()))
    assert "NOT A TEST" in said and "the hold, magnified" in said and "highest" not in said
    assert "held 2:00 from 118.0 ± 0.4 kPa to 112.0 ± 0.4 kPa as read (where zero is, is not known)" in " ".join(
        said.split())
    both = picture_svg(*invented(), before=hold_alone(), unit="psi")
    assert "NOT A TEST" in both
    assert draw(*hold_alone(), tmp_path / "x.png").stat().st_size > 10_000
