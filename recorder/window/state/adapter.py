"""What the Adapter place says of the link and of the sensor. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from recorder import report as words
from recorder.digits import significant
from recorder.units import format_pressure, pressure_factor_kpa
from recorder.window.state.words import in_window

if TYPE_CHECKING:
    from recorder.adapter import AdapterReport
    from recorder.window.link.link import LinkFacts

__all__ = ["AdapterVerdict", "link_rows", "sensor_rows", "verdict_of"]

SUPPLY_V = 5.0  # what hobby sensors are supplied with; common practice, no source
WANTED_S = 120.0  # a hold; slow drift shows over no less


@dataclass(frozen=True, slots=True)
class AdapterVerdict:
    """The largest words of the place, with the sign that goes with them."""

    word: str
    sign: str
    role: str
    reasons: tuple[str, ...]


def _ago(seconds: float) -> str:
    return f"{seconds:.0f} s ago" if seconds < 120 else f"{seconds / 60:.0f} min ago"


def link_rows(f: LinkFacts, now_s: float) -> tuple[tuple[str, str], ...]:
    """Label and text of everything known about the link. Volts are for a sensor supplied with ``SUPPLY_V``."""
    alive = "yes" if f.alive else "▲ unplugged" if f.away else "▲ nothing arrives"
    rows: list[tuple[str, str]] = [("alive", alive)]
    nominal = ""
    if f.announced is not None:
        rows.append(("adapter", f"{f.announced.adapter_id}, firmware {f.announced.firmware}"))
        nominal = f" (announced {f.announced.nominal_rate_hz:g})"
    if f.rate_hz is not None:
        rows.append(("rate", f"{f.rate_hz:.1f} a second{nominal}"))
    if f.plain is not None:
        return (*rows, *_plain_rows(f, f.plain))
    if f.jitter_s is not None:
        rows.append(("jitter, its clock", f"{f.jitter_s * 1e3:.2f} ms"))
    share = f" ({f.lost / (f.lost + f.samples):.2%})" if f.lost else ""
    rows.append(("lost samples", f"{f.lost}{share}"))
    last = f", the last {_ago(now_s - f.restarted_s)}" if f.restarted_s is not None else ""
    rows.append(("restarts", f"{f.restarts}{last}" if f.restarts else "none"))
    rows.append(("lines dropped", f"{f.wire.dropped}, {f.wire.bad_check} with a failed check"))
    rows.append(("faults reported", f"{f.wire.faults}" + (f", now: {f.fault}" if f.fault else "")))
    if f.counts is not None and f.announced is not None:
        full = f.announced.full_scale_counts
        sent = f", supply {f.supply:.0f}" if f.supply is not None else ""
        rows.append(("raw counts", f"{f.counts} of {full}{sent}"))
        ratio = f.counts / (f.supply if f.supply else full)
        rows.append(("raw volts", f"{ratio * SUPPLY_V:.3f} V of {SUPPLY_V:g} V ({ratio:.2%})"))
    return tuple(rows)


def _plain_rows(f: LinkFacts, plain: tuple[float, str, float]) -> tuple[tuple[str, str], ...]:
    """What can be said of an adapter that prints plain numbers."""
    value, unit, noise = plain
    return (
        ("jitter, arriving", f"{f.jitter_s * 1e3:.1f} ms" if f.jitter_s is not None else "not measured yet"),
        ("lost samples", "cannot be told: plain numbers are not counted"),
        ("restarts", "cannot be told"),
        ("lines dropped", f"{f.wire.dropped}"),
        ("raw reading", f"{value:g} {unit}"),
        ("noise", f"{noise:.3g} {unit}, from one to the next"),
    )


def sensor_rows(r: AdapterReport, unit: str) -> tuple[tuple[str, str], ...]:
    """Label and text of what the check measured with the hose open."""

    def p(kpa: float, u: float | None = None, per: str = "") -> str:
        return words.quantity({"value": kpa, "standard_uncertainty": u, "unit": f"kPa{per}"}, unit)

    def fine(kpa: float) -> str:
        text = format_pressure(kpa, unit, extra=2)
        if kpa and not text.split(" ")[0].strip("-0."):  # of a converter of 24 bits one count is not nothing
            return f"{significant(kpa / pressure_factor_kpa(unit), 1)} {unit}"
        return text

    clock = "not measured yet"
    if r.clock_error_ppm is not None and r.clock_error_u_ppm is not None:
        clock = f"{r.clock_error_ppm:+.0f} ± {2 * r.clock_error_u_ppm:.0f} ppm"
    hum = "none stands out"
    if r.hum_hz is not None and r.hum_kpa is not None:
        hum = f"{fine(r.hum_kpa)} at {r.hum_hz:.2f} Hz"
    picks = sorted({0, len(r.allan_s) - 1}) if r.allan_s else []
    allan = ", ".join(f"{fine(r.allan_kpa[i]).split(' ')[0]} in {r.allan_s[i]:.2g} s" for i in picks)
    return (
        ("measured over", f"{r.seconds:.0f} s, {r.samples} samples"),
        ("jitter, arriving", f"{r.host_jitter_s * 1e3:.1f} ms"),
        ("reads, hose open", p(r.zero_kpa, r.zero_u_kpa)),
        ("one count", fine(r.resolution_kpa)),
        ("noise", f"{fine(r.noise_kpa)} (white {fine(r.white_noise_kpa).split(' ')[0]})"),
        ("Allan deviation", allan or "not measured yet"),
        ("drift", p(r.drift_kpa_per_min, r.drift_u_kpa_per_min, "/min")),
        ("hum", hum),
        ("clock off by", clock),
        ("smallest fall", f"{fine(r.smallest_fall_kpa_per_min * 2.0)} in 2 min"),
    )


_VERDICTS = {"fit": ("FIT TO USE", "tick", "good"), "marginal": ("MARGINAL", "question", "open_question"),
             "unfit": ("NOT FIT", "cross", "bad")}


def verdict_of(report: AdapterReport | None, why_not: str, *, listening: bool, in_test: bool,
               plain: bool = False, away: bool = False, unit: str = "kPa") -> AdapterVerdict:
    """Is it fit to use, as far as is known. plain: plain numbers come in. away: it is unplugged. unit: of pressure."""
    if in_test:
        return AdapterVerdict("IN A TEST", "slash", "nothing", (
            "Noise and drift can only be told with the hose open: listen between two tests.",))
    if not listening:
        return AdapterVerdict("NOT LISTENING", "slash", "nothing", (
            "Leave the hose open to the air, then press H to listen; two minutes show slow drift too.",))
    if away:
        so_far = "" if report is None else f" In the {report.seconds:.0f} s before: {_VERDICTS[report.verdict][0]}."
        return AdapterVerdict("UNPLUGGED", "slash", "nothing", (
            f"Plug the adapter in again: check plug and cable.{so_far}",))
    if plain:
        return AdapterVerdict("PLAIN NUMBERS", "question", "open_question", (
            "They have no check and no count: a wrong or a lost one is not noticed.",))
    if report is None:
        return AdapterVerdict("LISTENING", "question", "nothing", (in_window(why_not) or "waiting for samples",))
    word, sign, role = _VERDICTS[report.verdict]
    reasons = list(report.reasons[:3]) or list(report.notes) or ["Nothing speaks against it."]
    if report.seconds < WANTED_S:
        reasons.insert(0, f"So far, after {report.seconds:.0f} s; listen for {WANTED_S:.0f} s to be sure of the drift.")
    return AdapterVerdict(word, sign, role, tuple(in_window(words.in_unit(text, unit)) for text in reasons))
