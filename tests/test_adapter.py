"""The adapter check on samples whose faults are known."""

import math
import re

import numpy as np
import pytest
from scipy.signal import lfilter

from recorder import calibration
from recorder.adapter import Samples, check_adapter, clock_error, settling_inflation
from recorder.adapter_bare import check_bare
from recorder.cli.adapter import _lines, _Seen
from recorder.digits import significant, with_doubt
from recorder.errors import RunError
from recorder.model import Announcement, Calibration, WireCounts

FULL = 1023


def vented(
    *, seconds: float = 60.0, rate: float = 50.0, noise: float = 0.15, ppm: float = 0.0, drift: float = 0.0,
    hum: float = 0.0, full: int = FULL, seed: int = 5,
) -> tuple[Samples, Announcement]:
    """Samples of an open 207 kPa sensor; noise, drift (a minute) and hum (60 Hz amplitude) in kPa."""
    rng = np.random.default_rng(seed)
    n = int(seconds * rate)
    t = np.arange(n) / rate
    p = rng.normal(0, noise, n) + drift * t / 60 + hum * np.sin(2 * np.pi * 60 * t)
    counts = np.rint(full * (0.1 + 0.8 * p / 207)).astype(np.int64)
    device = np.rint(4294967295 - 1e7 + t / (1 + ppm * 1e-6) * 1e6).astype(np.int64) % 2**32  # wraps at 10 s
    late = rng.exponential(0.003, n)
    late[n // 3 : n // 3 + int(rate * 4)] += 0.3  # a host that was busy for four seconds
    seq = (np.arange(n) + 65000) % 65536
    s = Samples(seq, device, counts, np.full(n, np.nan), t + late)
    return s, Announcement(1, "hose-7", "1.0", full, rate)


CAL = calibration.nominal(207.0)
OK = WireCounts(samples=3000)


def test_good_adapter_is_fit_and_its_noise_is_measured() -> None:
    s, a = vented()
    got = check_adapter(s, OK, a, CAL)
    assert got.verdict == "fit" and got.reasons == ()
    assert got.rate_hz == pytest.approx(50.0, rel=1e-3)
    assert got.lost == got.restarts == got.pinned == 0
    assert got.resolution_kpa == pytest.approx(207 / 0.8 / FULL)
    assert got.white_noise_kpa == pytest.approx(math.hypot(0.15, got.resolution_kpa / 12**0.5), rel=0.05)
    # white noise: the Allan form of the slope's uncertainty is 4 / sqrt(12) of the line's bound
    assert got.rate_u_allan_kpa_per_min >= got.rate_u_line_kpa_per_min
    assert got.smallest_fall_kpa_per_min < 0.35


def test_clock_error_is_robust_to_a_busy_host() -> None:
    for seed in range(8):
        s, a = vented(ppm=80.0, seed=seed)
        got = check_adapter(s, OK, a, CAL)
        assert got.clock_error_ppm is not None and got.clock_error_u_ppm is not None
        assert abs(got.clock_error_ppm - 80.0) < 4 * got.clock_error_u_ppm + 0.5
        assert got.clock_error_u_ppm < 5.0
    assert clock_error(np.arange(20.0), np.arange(20.0)) is None


def test_hum_is_found_where_it_folds_to() -> None:
    s, a = vented(hum=0.6)
    got = check_adapter(s, OK, a, CAL)
    assert got.hum_hz == pytest.approx(10.0, abs=0.1) and got.hum_kpa == pytest.approx(0.6, rel=0.1)
    assert got.hum_text is not None and "60 Hz" in got.hum_text
    assert check_adapter(*_with(vented())).hum_hz is None


def test_slow_noise_is_no_hum() -> None:
    """It has more of low frequencies than of high ones, and no tone. An AR(1) process: standard deviation 0.05 kPa,
    0.5 s; 0.02 kPa of mains beside it are still found."""
    for seed in range(12):
        s, a = vented(seconds=180.0, noise=0.07, full=4095, seed=seed)
        rng, keep = np.random.default_rng(seed), math.exp(-1 / 25)
        slow = lfilter([1.0], [1.0, -keep], rng.normal(0, 0.05 * math.sqrt(1 - keep * keep), len(s)))
        t = np.arange(len(s)) / 50.0
        for hum in (0.0, 0.02):
            extra = np.rint(4095 * 0.8 * (slow + hum * np.sin(2 * np.pi * 60 * t)) / 207).astype(np.int64)
            got = check_adapter(Samples(s.seq, s.device_us, s.counts + extra, s.supply, s.host_s), OK, a, CAL)
            assert (got.hum_hz is not None) == (hum > 0), (seed, got.hum_text)


def _with(made: tuple[Samples, Announcement], counts: WireCounts = OK) -> tuple:  # type: ignore[type-arg]
    return made[0], counts, made[1], CAL


def test_loss_restart_and_failed_checks() -> None:
    s, a = vented()
    keep = np.ones(len(s), bool)
    keep[100:400:4] = False
    part = Samples(*(getattr(s, f)[keep] for f in ("seq", "device_us", "counts", "supply", "host_s")))
    got = check_adapter(part, WireCounts(samples=2925, bad_check=60), a, CAL)
    assert got.lost == 75 and got.lost_fraction == pytest.approx(75 / 3000)
    assert got.verdict == "marginal"
    assert any("lost" in r for r in got.reasons) and any("check" in r for r in got.reasons)
    seq, device = s.seq.copy(), s.device_us.copy()
    seq[2000:] = np.arange(1000)
    device[2000:] = 1000 + np.arange(1000) * 20000
    got = check_adapter(Samples(seq, device, s.counts, s.supply, s.host_s), OK, a, CAL)
    assert got.restarts == 1 and got.lost == 0 and got.seconds == pytest.approx(40.0, abs=0.1)


def test_noisy_slow_drifting_and_broken_ones_say_why() -> None:
    got = check_adapter(*_with(vented(noise=3.0, rate=10)))
    assert got.verdict == "unfit" and "smallest fall" in got.reasons[0]
    got = check_adapter(*_with(vented(drift=1.0)))
    assert got.verdict == "unfit" and any("drifts" in r for r in got.reasons)
    assert got.drift_kpa_per_min == pytest.approx(1.0, abs=3 * got.drift_u_kpa_per_min)
    got = check_adapter(*_with(vented(), WireCounts(samples=3000, faults=3)))
    assert got.verdict == "unfit" and any("wires" in r for r in got.reasons)
    s, a = vented()
    got = check_adapter(Samples(s.seq, s.device_us, np.zeros_like(s.counts), s.supply, s.host_s), OK, a, CAL)
    assert got.verdict == "unfit" and got.pinned == 3000


def test_a_drift_is_no_doubt_about_itself() -> None:
    """0.2 kPa/min: three minutes know it to some thousandths, and say what to do about it."""
    for seconds, within in ((60.0, 0.05), (180.0, 0.01)):
        got = check_adapter(*_with(vented(drift=0.2, seconds=seconds, full=4095)))
        assert got.drift_kpa_per_min == pytest.approx(0.2, abs=3 * got.drift_u_kpa_per_min)
        assert 2 * got.drift_u_kpa_per_min < within
        assert any("drifts +0.2" in r and r.endswith("let it warm up") for r in got.reasons), got.reasons


def test_a_step_that_hides_the_noise_counts() -> None:
    got = check_adapter(*_with(vented(noise=0.0, full=255)))
    assert got.noise_kpa < 1e-12
    assert got.smallest_fall_kpa_per_min > 0.35


def test_stated_slope_uncertainty_covers_random_walk_noise() -> None:
    """Slopes of two-minute records of the same noise scatter no more than the minute's report says."""
    rng = np.random.default_rng(3)
    n, rate = 12000, 50.0
    walk = np.cumsum(rng.normal(0, 0.002, n * 20)).reshape(20, n)[:, :] + rng.normal(0, 0.1, (20, n))
    slopes, stated = [], []
    for p in walk:
        slopes.append(np.polyfit(np.arange(6000) / rate, p[:6000], 1)[0] * 60)
        t = np.arange(n) / rate
        s = Samples(
            np.arange(n) % 65536, np.rint(t * 1e6).astype(np.int64),
            np.rint(65535 * (0.1 + 0.8 * (p - p[0]) / 207)).astype(np.int64), np.full(n, np.nan), t,
        )
        stated.append(check_adapter(s, OK, Announcement(1, "w", "1", 65535, rate), CAL))
    u = float(np.median([max(r.rate_u_allan_kpa_per_min, r.rate_u_line_kpa_per_min) for r in stated]))
    assert 0.6 < u / float(np.std(slopes)) < 1.7
    assert u > 5 * float(np.median([r.rate_u_line_kpa_per_min for r in stated]))  # white noise alone would lie


def test_slow_drift_takes_a_record_of_two_minutes_to_be_seen() -> None:
    """A reading that wanders by 0.3 kPa within four minutes: a minute of it cannot know what it does to a
    two-minute hold, three minutes can."""
    def wandering(seconds: float) -> tuple:  # type: ignore[type-arg]
        s, a = vented(seconds=seconds, full=65535)
        t = np.arange(len(s)) / 50.0
        extra = np.rint(65535 * 0.8 * 0.3 * np.sin(2 * np.pi * t / 240) / 207).astype(np.int64)
        return Samples(s.seq, s.device_us, s.counts + extra, s.supply, s.host_s), OK, a, CAL

    short, long = check_adapter(*wandering(60.0)), check_adapter(*wandering(180.0))
    assert not short.drift_seen and long.drift_seen
    # half of the wander's swing over 60 s is what neighbouring minutes differ by
    assert long.rate_u_allan_kpa_per_min > 20 * long.rate_u_line_kpa_per_min
    assert long.verdict == "unfit" and any("smallest fall" in r for r in long.reasons)
    assert long.smallest_fall_kpa == pytest.approx(2 * long.smallest_fall_kpa_per_min)


def test_whole_numbers_may_be_counts_and_an_absolute_sensor_reads_the_air() -> None:
    """101.325 kPa: standard atmosphere, ISO 2533."""
    rng, t = np.random.default_rng(1), np.arange(600) / 50.0
    counts, air = 103.0 + rng.integers(0, 3, 600).astype(float), rng.normal(101.325, 0.1, 600)
    for values, words in ((counts, "whole ones"), (air, "an absolute")):
        got = check_bare(values, t, WireCounts(samples=600), "kPa", None)
        assert got.verdict != "fit" and any(words in r for r in got.reasons), got.reasons


@pytest.mark.parametrize(("off_kpa", "verdict"), [
    (0.0, "fit"), (8.0, "fit"), (-8.0, "fit"), (12.0, "marginal"), (-12.0, "marginal"), (21.0, "unfit"),
    (-21.0, "unfit"), (101.3, "unfit"), (106.8, "unfit"), (95.5, "unfit"),
])
def test_an_open_hose_that_reads_far_from_zero_is_unfit(off_kpa: float, verdict: str) -> None:
    """docs/adapter.md: 1 and 11 kPa beyond two standard uncertainties, which a maker's word of 2 % of 207 kPa makes
    9.3 and 19.3 kPa. 95.5 kPa: air at 500 m (ISO 2533, table 1); 106.8: a high at sea level, read 1 % too high."""
    s, a = vented(full=4095)
    counts = s.counts + round(4095 * 0.8 * off_kpa / 207)
    got = check_adapter(Samples(s.seq, s.device_us, counts, s.supply, s.host_s), OK, a, CAL)
    assert got.verdict == verdict and bool(got.reasons) == (verdict != "fit"), got.reasons
    if off_kpa > 70:
        assert len(got.reasons) == 1 and "as an absolute sensor reads it" in got.reasons[0]


@pytest.mark.parametrize(("u_kpa", "off_kpa", "verdict"), [
    (0.2, 1.2, "fit"), (0.2, 2.0, "marginal"), (0.2, 11.0, "marginal"), (0.2, 12.0, "unfit"),
    (40.0, 75.0, "fit"), (40.0, 101.3, "unfit"),
])
def test_how_far_it_may_be_off_goes_by_its_uncertainty(u_kpa: float, off_kpa: float, verdict: str) -> None:
    values = np.random.default_rng(2).normal(off_kpa, 0.1, 600)
    cal = Calibration((0.0, 1.0), standard_uncertainty_kpa=u_kpa, bare=True)
    got = check_bare(values, np.arange(600) / 50.0, WireCounts(samples=600), "kPa", cal)
    assert got.verdict == verdict, got.reasons


def test_too_few_samples_say_how_many_seconds_more() -> None:
    """97 samples at 50 a second are 1.92 s; 3 more take 0.06 s: begun seconds are counted whole, with one to spare."""
    s, a = vented(seconds=1.94)
    with pytest.raises(RunError, match=r"97 samples .* 100 are needed; let it run about 2 s more, 4 s in all"):
        check_adapter(Samples(s.seq, s.device_us, s.counts, s.supply, np.arange(97) / 50.0), OK, a, CAL)
    with pytest.raises(RunError, match=r"let it run about 12 s more, 22 s in all"):
        check_bare(np.arange(50.0), np.arange(50) / 4.95, OK, "kPa", None)


def test_too_few_samples() -> None:
    s, a = vented(seconds=1.0)
    with pytest.raises(RunError, match="too few"):
        check_adapter(s, OK, a, CAL)
    e = np.empty(0, np.int64)
    with pytest.raises(RunError, match="too few"):
        check_adapter(Samples(e, e, e, e.astype(float), e.astype(float)), WireCounts(), a, CAL)


def test_settling_beside_the_line_costs_something() -> None:
    assert 1.5 < settling_inflation() < 4.0
    assert settling_inflation(120.0, 1.0) < 1.1


def test_plain_numbers_that_never_change_are_not_called_fit() -> None:
    """A board that stands still sends a number without noise: that is no proof of a quiet sensor."""
    host = np.arange(2000) / 10.0
    got = check_bare(np.full(2000, 0.4), host, WireCounts(), "kPa", None)
    assert got.verdict == "marginal" and "never changed" in got.reasons[-1] and got.hum_hz is None
    said = dict(re.findall(r"^  (\S.{17})  (.*)$", "\n".join(_lines(got, _Seen(200.0, "", b"", "", ""))), re.M))
    for name in ("smallest step", "noise", "wander", "hum", "drift", "smallest fall"):
        assert said[f"{name:<18}"] == "not known", said
    told = got.to_json()
    assert told["smallest-fall-kpa"] is told["noise-kpa"] is told["resolution-kpa"] is None and not told["allan-kpa"]
    moving = np.random.default_rng(3).normal(0.05, 0.02, 2000).round(3)
    fit = check_bare(moving, host, WireCounts(), "psi", None)
    assert fit.verdict == "fit", fit.reasons
    assert fit.noise_kpa == pytest.approx(0.02 * 6.894757, rel=0.1) and fit.rate_hz == pytest.approx(10.0)
    assert fit.drift_seen and fit.resolution_kpa == pytest.approx(0.001 * 6.894757)
    with pytest.raises(RunError, match="too few"):
        check_bare(moving[:50], host[:50], WireCounts(), "psi", None)


def test_a_hose_that_was_pumped_is_no_sensor_that_drifts() -> None:
    """Strokes of 10 kPa, up to 110: what was moved by hand is told as that, and no number has an exponent."""
    s, a = vented(seconds=60.0)
    up = np.minimum(10.0 * np.floor(np.arange(len(s)) / 50.0 / 5.0), 110.0)
    counts = s.counts + np.rint(FULL * 0.8 * up / 207).astype(np.int64)
    got = check_adapter(Samples(s.seq, s.device_us, counts, s.supply, s.host_s), OK, a, CAL)
    assert got.verdict == "unfit"
    assert got.reasons == ("the pressure changed by 110 kPa while it was listened to: leave the hose open and still",)
    bare = check_bare(up + np.random.default_rng(2).normal(0, 0.1, len(up)), np.arange(len(up)) / 50.0, OK, "kPa", None)
    assert bare.verdict == "unfit" and bare.reasons == got.reasons
    for report in (got, bare):
        said = "\n".join(_lines(report, _Seen(60.0, "", b"", "", "")))
        assert not re.search(r"\d[eE][-+]?\d", said), said
    for seed in range(20):  # noise alone moves nothing, however large it is
        noisy = check_adapter(*_with(vented(seconds=10.0, noise=15.0, seed=seed)))
        assert not any("still" in reason for reason in noisy.reasons)


@pytest.mark.parametrize(("value", "digits", "text"), [
    (259.7, 2, "260"), (0.00001234, 2, "0.000012"), (0.2, 3, "0.2"), (99.96, 3, "100"), (0.0, 2, "0"),
])
def test_significant_digits_without_an_exponent(value: float, digits: int, text: str) -> None:
    assert significant(value, digits) == text and significant(value, digits, sign=True) == f"+{text}"


def test_an_uncertainty_of_next_to_nothing_is_written_too() -> None:
    assert with_doubt(0.25, 5e-324) == "0.250000 ± 0.000000"  # the smallest float that there is


@pytest.mark.parametrize(("share", "said"), [
    (3.3 / 5, "6.6% of full scale with the hose open, and a 10 to 90 % sensor gives 10 %"),  # 5 V sensor, 3.3 V supply
    (2 / 3, "every pressure reads 33% too low"),  # a divider before one pin of two
    (1.3, "every pressure reads 30% too high"),
])
def test_a_supply_or_divider_of_one_pin_only_is_thought_of(share: float, said: str) -> None:
    """ratio = share * (0.1 + 0.8 p / full scale), a straight line through a tenth of the share: a zero that the maker's
    word allows for, which is taken out of every test, and a slope that nothing in a test shows."""
    s, a = vented(full=4095)
    off = Samples(s.seq, s.device_us, np.rint(share * s.counts).astype(np.int64), s.supply, s.host_s)
    got = check_adapter(off, OK, a, CAL)
    assert got.verdict == "fit" and len(got.notes) == 1 and said in got.notes[0]
    assert got.to_json()["notes"] == got.notes
    assert check_adapter(s, OK, a, CAL).notes == ()
    own = Calibration(tuple(c / share**i for i, c in enumerate(CAL.coefficients_kpa)), 0.2)
    assert check_adapter(off, OK, a, own).notes == ()  # somebody calibrated it with its divider
    more = Samples(s.seq, s.device_us, np.rint(0.5 * s.counts).astype(np.int64), s.supply, s.host_s)
    far = check_adapter(more, OK, a, CAL)
    assert far.verdict == "marginal" and far.notes == ()  # there it is the reason
    assert "every pressure reads 50% too low" in " ".join(far.reasons)
