"""What the Adapter place says, without Qt: the link, the check, the calibration."""

from __future__ import annotations

import dataclasses
import re
import sys
import threading
import time
from datetime import date
from itertools import count
from pathlib import Path

import numpy as np
import pytest

from recorder import calibration as calibrations
from recorder.cli._pairs import reference_u_kpa
from recorder.errors import SettingError
from recorder.model import Announcement, Calibration
from recorder.port import Back, Chunk, Lost
from recorder.units import pressure_factor_kpa
from recorder.window.link.link import MOST_SAMPLES, Link, report_of
from recorder.window.state.adapter import link_rows, sensor_rows, verdict_of
from recorder.window.state.calibrate import (
    fit_words,
    next_level,
    parse_pair,
    reference_u,
    residual_words,
)
from recorder.window.state.gauge import due_words
from recorder.wire import encode_announcement, encode_line, encode_sample

HOSE = Announcement(1, "hose-7", "1.0", 1023, 100.0)


def heard(samples: int, *, start: int = 0, supply: int | None = None, counts: int = 614) -> bytes:
    out = [encode_announcement(HOSE)]
    out += [encode_sample(i % 65536, i * 10_000, counts + i % 2, supply, None) for i in range(start, start + samples)]
    return b"".join(out)


def listened(data: bytes, at_s: float = 100.0) -> Link:
    link = Link()
    link.take([Chunk(at_s, data)])
    return link


def test_plain_numbers_are_looked_at_while_the_tests_thread_adds_to_them() -> None:
    before = sys.getswitchinterval()
    link = Link("psi")
    link.take([Chunk(0.0, b"\n" + b"1.25\n" * 2000)])
    over = threading.Event()

    def feed() -> None:
        for n in count(1):
            link.take([Chunk(0.01 * n, b"1.25\n")])
            if over.is_set():
                return

    thread = threading.Thread(target=feed)
    sys.setswitchinterval(1e-5)  # the window's is short as well, and a test lasts minutes
    try:
        thread.start()
        end = time.monotonic() + 1.0
        while time.monotonic() < end:
            assert link.facts(0.0).plain is not None and set(link.readings()) == {1.25}
            link.averaged(1.0, 0.0)
    finally:
        over.set()
        thread.join()
        sys.setswitchinterval(before)


@pytest.mark.parametrize("bare", [None, "kPa"])
def test_only_what_is_read_now_and_without_a_break_becomes_a_pair(bare: str | None) -> None:
    """Two seconds are averaged. 10 readings a second: 0.2 of full scale, or 20 kPa, before the plug was out, and 0.4
    or 40 after it."""
    link, n = Link(bare), count()

    def come(from_s: float, to_s: float, reading: int) -> None:
        for k in range(round(from_s * 10), round(to_s * 10)):
            data = b"%d\n" % reading if bare else encode_sample(next(n), k * 100_000, reading * 10, 1000, None)
            link.take([Chunk(k / 10, data)])

    hose = encode_announcement(Announcement(1, "hose-7", "1.0", 1000, 10.0))
    link.take([Chunk(0.0, hose if bare is None else b"\n")])
    came, later = (0.2, 0.4) if bare is None else (20.0, 40.0)
    come(0.0, 1.9, 20)
    assert link.averaged(2.0, 1.9) is None
    come(1.9, 3.1, 20)
    assert link.averaged(2.0, 3.0) == pytest.approx(came)
    link.take([Lost(3.1)])
    assert link.averaged(2.0, 3.2) is None
    link.take([Back(4.0), Chunk(4.0, b"\n")])
    come(4.1, 6.0, 40)
    assert link.averaged(2.0, 5.9) is None
    come(6.0, 6.2, 40)
    if bare is None:
        assert link.averaged(2.0, 6.1) is None  # another adapter may be on the port, of another full scale
        link.take([Chunk(6.1, hose)])
    assert link.averaged(2.0, 6.1) == pytest.approx(later)
    assert link.averaged(2.0, 12.0) is None  # silent since
    if bare is None:
        link.take([Chunk(6.2, encode_line("F,6200000,open"))])
        come(6.2, 6.4, 40)
        assert link.averaged(2.0, 6.3) is None


def test_raw_counts_and_volts_are_those_of_the_wire() -> None:
    link = listened(heard(400))
    said = dict(link_rows(link.facts(100.1), 100.1))
    assert said["alive"] == "yes"
    assert said["adapter"] == "hose-7, firmware 1.0"
    assert said["raw counts"] == "615 of 1023"
    assert said["raw volts"] == "3.006 V of 5 V (60.12%)"  # 5 V x 615 / 1023
    assert said["rate"] == "100.0 a second (announced 100)"
    assert said["lost samples"] == "0" and said["restarts"] == "none"


def test_a_supply_that_is_sent_is_what_the_counts_are_held_against() -> None:
    said = dict(link_rows(listened(heard(50, supply=1000)).facts(100.1), 100.1))
    assert said["raw counts"] == "615 of 1023, supply 1000"
    assert "61.50%" in said["raw volts"]


def test_losses_restarts_bad_lines_and_silence_are_said() -> None:
    link = listened(heard(300))
    link.take([Chunk(101.0, heard(100, start=310) + b"S,1,2,3,,*0000\n")])
    assert dict(link_rows(link.facts(101.1), 101.1))["lost samples"].startswith("10 (")
    link.take([Chunk(110.0, heard(100))])  # clock and sequence begin anew
    said = dict(link_rows(link.facts(122.0), 122.0))
    assert said["restarts"] == "1, the last 12 s ago"
    assert said["lines dropped"] == "1, 1 with a failed check"
    assert said["alive"] == "▲ nothing arrives"
    link.take([Lost(123.0)])
    assert dict(link_rows(link.facts(123.1), 123.1))["alive"] == "▲ unplugged"
    link.take([Back(124.0), Chunk(124.5, heard(20, start=100))])
    assert dict(link_rows(link.facts(124.6), 124.6))["alive"] == "yes"


def test_a_clock_that_stands_still_tells_no_rate() -> None:
    """As of firmware that leaves the time away: a rate without end was shown."""
    link = listened(encode_announcement(HOSE) + b"".join(encode_sample(i, 0, 614) for i in range(100)))
    facts = link.facts(100.5)
    assert facts.rate_hz is None and facts.jitter_s is None and facts.samples == 100
    assert not {"rate", "jitter, its clock"} & dict(link_rows(facts, 100.5)).keys()


def test_the_link_keeps_a_bounded_number_of_samples() -> None:
    link = Link()
    for start in range(0, 40_000, 1000):
        link.take([Chunk(start / 100.0, heard(1000, start=start))])
    kept = link.samples()
    assert MOST_SAMPLES <= len(kept) < MOST_SAMPLES + 1000
    assert int(kept.seq[-1]) == 39_999


def test_the_check_of_the_adapter_is_shown_with_its_sign() -> None:
    rng = np.random.default_rng(2)
    lines = [encode_announcement(HOSE)]
    lines += [encode_sample(i, i * 10_000, 102 + int(n), None, None) for i, n in enumerate(rng.integers(0, 3, 1500))]
    link = Link()
    for k in range(0, len(lines), 10):
        link.take([Chunk(5.0 + k * 0.01, b"".join(lines[k : k + 10]))])
    facts = link.facts(20.0)
    report, why = report_of(link.samples(), facts.wire, HOSE, calibrations.nominal(206.84))
    assert report is not None and not why
    rows = dict(sensor_rows(report, "psi"))
    assert rows["one count"] == f"{206.84 / 0.8 / 1023 / 6.894757:.4f} psi"
    # 207 kPa over 24 bits; "0.000 kPa" stood there
    fine = dataclasses.replace(report, resolution_kpa=206.84 / 0.8 / 16777215)
    assert dict(sensor_rows(fine, "kPa"))["one count"] == "0.00002 kPa"
    assert dict(sensor_rows(fine, "psi"))["one count"] == "0.000002 psi"
    assert "white" in rows["noise"] and " in " in rows["Allan deviation"]
    assert "psi/min" in rows["drift"] and rows["smallest fall"].endswith("psi in 2 min")
    assert "kPa" not in " ".join(rows.values())
    verdict = verdict_of(report, "", listening=True, in_test=False)
    assert verdict.sign in ("tick", "question", "cross")
    assert "So far, after 15 s" in verdict.reasons[0]
    odd = dataclasses.replace(report, seconds=200.0, reasons=(), notes=("its supply?",))
    noted = verdict_of(odd, "", listening=True, in_test=False)
    assert noted.reasons == ("its supply?",)
    # the numbers beside them were in psi, these in kPa
    off = dataclasses.replace(report, seconds=200.0, reasons=(
        "open to air it reads 12.0 kPa: is the hose open?", "open to air it drifts +0.50 kPa/min: let it warm up"))
    told = verdict_of(off, "", listening=True, in_test=False, unit="psi")
    assert told.reasons == ("open to air it reads 1.74 psi: is the hose open?",
                            "open to air it drifts +0.073 psi/min: let it warm up")


def test_an_adapter_is_not_checked_through_the_calibration_of_another() -> None:
    """It was fit to use by a curve that was never its own."""
    link = listened(heard(1500))
    own, other = (dataclasses.replace(calibrations.nominal(206.84), adapter_id=name) for name in ("hose-7", "hose-8"))
    assert HOSE.adapter_id == "hose-7"
    report, why = report_of(link.samples(), link.facts(100.0).wire, HOSE, other)
    assert report is None and "the calibration is of adapter 'hose-8', and this is 'hose-7'" in why
    report, why = report_of(link.samples(), link.facts(100.0).wire, HOSE, own)
    assert report is not None and not why


def test_what_cannot_be_checked_yet_is_said() -> None:
    link = listened(heard(20))
    report, why = report_of(link.samples(), link.facts(100.0).wire, HOSE, calibrations.nominal(206.84))
    assert report is None and "too few" in why
    assert verdict_of(None, why, listening=True, in_test=False).word == "LISTENING"
    assert verdict_of(None, "", listening=False, in_test=False).word == "NOT LISTENING"
    assert "hose open" in verdict_of(None, "", listening=True, in_test=True).reasons[0]


def test_an_adapter_that_is_unplugged_is_not_called_fit() -> None:
    """FIT TO USE with a tick stood there, and to listen for two minutes, after its plug had come out."""
    link = listened(heard(6000))
    report, _ = report_of(link.samples(), link.facts(100.0).wire, HOSE, calibrations.nominal(206.84))
    assert report is not None
    away = verdict_of(report, "", listening=True, in_test=False, away=True)
    there = verdict_of(report, "", listening=True, in_test=False)
    assert (away.word, away.sign) == ("UNPLUGGED", "slash") and there.word != "UNPLUGGED"
    assert away.reasons[0].endswith(f"In the {report.seconds:.0f} s before: {there.word}.")
    assert verdict_of(None, "", listening=True, in_test=False, away=True).reasons == (
        "Plug the adapter in again: check plug and cable.",)


def test_overdue_is_said_with_a_sign() -> None:
    cal = Calibration((-25.0, 250.0), 0.2, "2025-01-01", "weights", "2026-01-01")
    assert due_words(cal, date(2026, 1, 11)).startswith("▲ calibration OVERDUE by 10 days")
    assert "in 31 days" in due_words(cal, date(2025, 12, 1))
    of_itself = dataclasses.replace(cal, due=None)  # twelve months on, as the audit counts
    assert due_words(of_itself, date(2026, 1, 11)).startswith("▲ calibration OVERDUE by 10 days (due 2026-01-01, ")
    assert "no date due" in due_words(dataclasses.replace(of_itself, date=None), date(2025, 12, 1))
    assert "nominal" in due_words(None, date(2025, 12, 1))


def test_pairs_are_read_in_the_units_they_are_given() -> None:
    assert parse_pair("15", "51.2%", "psi").reference_kpa == pytest.approx(103.4214, abs=1e-3)  # NIST SP 811
    assert parse_pair("50 kPa", "0.3", "psi").reference_kpa == pytest.approx(50.0)
    with pytest.raises(SettingError, match="outside 0 to 1"):
        parse_pair("50", "512", "kPa")
    with pytest.raises(SettingError, match="not a reading"):
        parse_pair("50", "half", "kPa")


def nine_pairs() -> list[calibrations.Pair]:
    pairs: list[calibrations.Pair] = []
    for kpa in (0, 40, 80, 120, 160, 120, 80, 40, 0):
        off = 0.1 if pairs and kpa < pairs[-1].reference_kpa else 0.0  # hysteresis
        pairs.append(calibrations.with_direction(calibrations.Pair(kpa, 0.1 + 0.8 * (kpa + off) / 200.0), pairs))
    return pairs


def test_the_steps_lead_up_and_down_again() -> None:
    pairs = nine_pairs()
    assert "open" in next_level([], "kPa").lower()
    assert "Pump up to about 40 kPa" in next_level(pairs[:1], "kPa")
    assert "Pump up to about 24 psi" in next_level(pairs[:4], "psi")
    assert "Let off to about 120 kPa" in next_level(pairs[:5], "kPa")
    assert "save" in next_level(pairs, "kPa")
    assert [p.direction for p in pairs] == ["up"] * 5 + ["down"] * 4


def test_the_fit_says_its_uncertainty_and_hysteresis() -> None:
    found, text = fit_words(nine_pairs(), "kPa", reference_u_kpa=0.25)
    assert found is not None
    assert f"± {2 * found.standard_uncertainty_kpa:.1f} kPa" in text
    assert "up and down differ by 0.10 kPa" in text
    assert found.coefficients_kpa[1] == pytest.approx(250.0, rel=2e-3)  # 200 kPa over 0.8 of the supply
    none, why = fit_words(nine_pairs()[:2], "kPa")
    assert none is None and "3 pairs" in why
    far = calibrations.Pair(68.94757, 0.61)  # 10 psi (NIST SP 811), where 18 psi would be read
    none, why = fit_words([*nine_pairs(), far], "psi")
    assert none is None and "pair 10 (10.000 psi at 0.6100)" in why and "kPa" not in why, why


@pytest.mark.parametrize("unit", ["kPa", "psi", "bar"])
@pytest.mark.parametrize("bare", [False, True])
def test_the_curve_and_the_residuals_have_the_digits_of_the_doubt_in_the_users_unit(unit: str, bare: bool) -> None:
    """Read back as they are shown, they give the same pressure to a tenth of the ±; and no more digits than that."""
    pairs = nine_pairs()
    if bare:
        pairs = [calibrations.Pair(p.reference_kpa, (p.ratio - 0.1) * 251.0 + 0.4, p.direction) for p in pairs]
    found, text = fit_words(pairs, unit, reference_u_kpa=0.25, bare=bare)
    assert found is not None
    factor = pressure_factor_kpa(unit)
    band = 2 * found.standard_uncertainty_kpa / factor
    scatter = 2 * found.curve.residual_sd / factor
    shown = re.search(r"line: (-?[\d.]+) ([+-]) ([\d.]+) · reading, (\S+)$", text, re.M)
    assert shown is not None and shown[4] == unit, text
    for pair in pairs:
        x = pair.ratio / factor if bare else pair.ratio
        full = sum(c * pair.ratio**i for i, c in enumerate(found.coefficients_kpa)) / factor
        assert float(shown[1]) + float(shown[2] + shown[3]) * x == pytest.approx(full, abs=band / 10)
    for words, residual in zip(residual_words(found, unit), found.residuals_kpa, strict=True):
        number, own = words.split(" ")
        assert own == unit and float(number) == pytest.approx(residual / factor, abs=scatter / 4)
        assert len(number.lstrip("-").replace(".", "").lstrip("0")) <= 2, words


def test_a_written_plus_minus_is_two_standard_uncertainties() -> None:
    assert reference_u("0.5 kPa", "kPa") == 0.25
    assert reference_u("", "psi") == 0.0
    assert reference_u("0", "psi", needed=True) == 0.0
    with pytest.raises(SettingError):
        reference_u("much", "kPa")
    with pytest.raises(SettingError, match=r"its ± .* 0 "):
        reference_u(" ", "kPa", needed=True)
    with pytest.raises(SettingError, match="below zero"):
        reference_u("-0.5", "kPa")


def test_the_page_says_that_window_and_command_take_the_references_doubt_otherwise() -> None:
    """What covers 95 in 100 is twice a standard uncertainty (GUM 6.2.1 with k = 2, from memory)."""
    root = Path(__file__).parents[2]
    page = (root / "docs" / "calibration.md").read_text("utf-8").replace("\n", " ")
    found = re.search(r'"(Its ± [^"]*)".* What is ± ([\d.]+ kPa) there is `--reference-u "([\d.]+ kPa)"` here', page)
    assert found is not None
    label, window, command = found.groups()
    assert reference_u(window, "kPa") == pytest.approx(reference_u_kpa(command, None, "kPa"))
    assert f'"{label}"' in (root / "recorder" / "window" / "places" / "calibrate.py").read_text("utf-8")
