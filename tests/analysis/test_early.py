"""When the early answer is asked for, and of what (docs/physics.md): after 1/6, 1/3, 1/2 and 3/4 of the hold, never
before 10 s; what a quick look says has to stand in a full one. Wald's bounds themselves are in tests/outside."""

from __future__ import annotations

from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.stats import norm

from recorder.analysis import early
from recorder.analysis.hold import Before
from recorder.analysis.setup import Setup
from recorder.analysis.trace.signal import prepare
from recorder.limits import resolve
from recorder.model import TestKind

TIGHT, LEAKS, CANNOT_TELL = (0.0, 0.01), (2.0, 0.01), (0.35, 1.0)  # kPa/min and its u, where 0.35 matters
START_S = 30.0


def fitted(per_min: tuple[float, float]) -> Any:
    """A fit that says so much, and u of it, in kPa/min."""
    return SimpleNamespace(rate_kpa_per_s=per_min[0] / 60.0, rate_u=per_min[1] / 60.0)


@dataclass
class Looks:
    """In place of the fit: what a look at the hold's first so many seconds says, and which looks were made."""

    full: dict[float, tuple[float, float]]
    quick: dict[float, tuple[float, float]] = field(default_factory=dict)
    made: list[tuple[float, bool]] = field(default_factory=list)

    def last(self, held_s: float) -> tuple[float, float]:
        """What the whole hold says, where a test does not name it: what its last look does."""
        seen = [s for s in self.full if s <= held_s]
        return self.full[max(seen)] if seen else CANNOT_TELL

    def again(self, held_s: float) -> Any:
        self.made.append((held_s, False))
        return fitted(self.full[held_s])

    def beginning(self, t: np.ndarray, p: np.ndarray, **_: Any) -> Looks:
        assert t[0] == START_S and len(t) == len(p)
        self.after_s = round(float(t[-1]) - START_S, 3)
        return self

    def rate(self, *, quick: bool) -> tuple[float, float]:
        self.made.append((self.after_s, quick))
        rate, u = self.quick.get(self.after_s, self.full[self.after_s]) if quick else self.full[self.after_s]
        return rate / 60.0, u / 60.0  # a second


def answered(monkeypatch: pytest.MonkeyPatch, test: TestKind, looks: Looks, held_s: float, *,
             tester: dict[str, Any] | None = None, now: tuple[float, float] | None = None, dt_s: float = 0.25,
             whole: tuple[float, float] | None = None) -> Any:
    monkeypatch.setattr(early, "Beginning", looks.beginning)
    t = np.arange(0.0, 240.0, dt_s)
    x = prepare(t, np.full(len(t), 100.0), 0.0)
    fit = fitted(now or whole or looks.last(held_s))
    setup = Setup(test, None, resolve(test), tester=tester)
    span = (START_S, START_S + held_s)
    if now is not None:
        return early.answer_now(setup, span, fit, lambda: looks.again(held_s))
    return early.first_answer(setup, x, span, fit, Before(np.empty(0), np.empty(0), 0.0))


def test_looks_at_the_hold_of_a_system(monkeypatch: pytest.MonkeyPatch) -> None:
    looks = Looks({20.0: CANNOT_TELL, 40.0: CANNOT_TELL, 60.0: LEAKS, 90.0: TIGHT})
    assert answered(monkeypatch, "system", looks, 120.0, whole=LEAKS) == ("leak", START_S + 60.0)
    assert looks.made == [(20.0, True), (40.0, True), (60.0, True), (60.0, False)]
    looks = Looks({20.0: CANNOT_TELL, 40.0: CANNOT_TELL, 60.0: CANNOT_TELL, 90.0: TIGHT})
    assert answered(monkeypatch, "system", looks, 120.0) == ("tight", START_S + 90.0)


def test_no_look_before_ten_seconds(monkeypatch: pytest.MonkeyPatch) -> None:
    """A sixth of a cap's 45 s is 7.5 s."""
    looks = Looks({15.0: (0.0, 0.1)})
    assert answered(monkeypatch, "cap", looks, 45.0) == ("tight", START_S + 15.0)
    assert answered(monkeypatch, "cap", Looks({}), 9.75, now=TIGHT) is None
    assert answered(monkeypatch, "cap", Looks({10.0: TIGHT}), 10.0, now=TIGHT) == ("tight", START_S + 10.0)


def test_no_look_at_what_was_not_held(monkeypatch: pytest.MonkeyPatch) -> None:
    looks = Looks({20.0: CANNOT_TELL, 40.0: CANNOT_TELL})
    assert answered(monkeypatch, "system", looks, 59.0, whole=TIGHT) is None
    assert [s for s, _ in looks.made] == [20.0, 40.0]


def test_no_look_at_less_than_eight_readings(monkeypatch: pytest.MonkeyPatch) -> None:
    looks = Looks({20.0: TIGHT, 40.0: TIGHT})
    assert answered(monkeypatch, "system", looks, 120.0, dt_s=5.0) == ("tight", START_S + 40.0)
    assert looks.made[0] == (40.0, True)


def test_rates_are_compared_by_the_minute(monkeypatch: pytest.MonkeyPatch) -> None:
    """A rate of nothing is certain once twice its u is below what matters, 0.35; so is one of 0.7 above it."""
    for u, found in ((0.1749, ("tight", START_S + 20.0)), (0.1751, None)):
        assert answered(monkeypatch, "system", Looks({20.0: (0.0, u)}), 39.0) == found
    for rate, found in ((0.701, ("leak", START_S + 20.0)), (0.699, None)):
        assert answered(monkeypatch, "system", Looks({20.0: (rate, 0.175)}), 39.0) == found


@pytest.mark.parametrize("rate", [0.2, 0.3, 0.4, 0.5])
def test_nothing_is_certain_that_the_verdict_leaves_open(monkeypatch: pytest.MonkeyPatch, rate: float) -> None:
    """Between its two rates Wald's test says either; the verdict asks for two u of distance to the limit."""
    u = abs(rate - 0.35) / 1.99
    assert early.answer(rate, u, 0.35) is not None
    looks = Looks({20.0: (rate, u)})
    assert answered(monkeypatch, "system", looks, 39.0) is None
    assert answered(monkeypatch, "system", looks, 20.0, now=(rate, u)) is None
    assert answered(monkeypatch, "system", Looks({20.0: TIGHT}), 39.0, whole=(rate, u)) is None


@pytest.mark.parametrize("u", [0.01, 0.1, 0.17])
def test_what_is_certain_is_what_wald_says(monkeypatch: pytest.MonkeyPatch, u: float) -> None:
    said = set()
    for rate in np.linspace(-1.0, 3.0, 81):
        got = answered(monkeypatch, "system", Looks({20.0: (float(rate), u)}), 39.0)
        assert got is None or got[0] == early.answer(float(rate), u, 0.35)
        said.add(None if got is None else got[0])
    assert said == {None, "leak", "tight"}


def test_a_quick_look_has_to_stand_in_a_full_one(monkeypatch: pytest.MonkeyPatch) -> None:
    looks = Looks({20.0: CANNOT_TELL, 40.0: TIGHT}, quick={20.0: LEAKS})
    assert answered(monkeypatch, "system", looks, 50.0) == ("tight", START_S + 40.0)
    assert looks.made == [(20.0, True), (20.0, False), (40.0, True), (40.0, False)]


def test_while_it_is_held_only_now_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    looks = Looks({70.0: LEAKS})
    assert answered(monkeypatch, "system", looks, 70.0, now=CANNOT_TELL) is None and not looks.made
    assert answered(monkeypatch, "system", looks, 70.0, now=LEAKS) == ("leak", START_S + 70.0)
    assert looks.made == [(70.0, False)]
    assert answered(monkeypatch, "system", Looks({70.0: CANNOT_TELL}), 70.0, now=LEAKS) is None
    assert answered(monkeypatch, "system", Looks({70.0: TIGHT}), 70.0, now=LEAKS) is None
    setup = Setup("system", None, resolve("system"))
    assert early.answer_now(setup, (30.0, 50.0), fitted(LEAKS), None) == ("leak", 50.0)  # which is of all models


def test_a_cap_alone_is_spared_what_the_tester_loses(monkeypatch: pytest.MonkeyPatch) -> None:
    """7 kPa/min matter. 15 - 14 +- 1 is tight, 15 - 1 is a leak, 15 - 14 +- 10 could be either."""
    def of(test: TestKind, rate: float, u: float | None) -> Any:
        tester = {"rate": {"value": rate, "standard_uncertainty": u, "unit": "kPa/min"}}
        looks = Looks(dict.fromkeys((15.0, 20.0, 22.5, 33.75), (15.0, 0.1)))
        found = answered(monkeypatch, test, looks, 45.0, tester=tester)
        return found and found[0]

    assert [of("cap", 14.0, 1.0), of("cap", 1.0, 1.0), of("cap", 14.0, 10.0)] == ["tight", "leak", None]
    assert of("system", 14.0, 1.0) == "leak"
    assert of("cap", 14.0, None) == "tight"  # of a tester whose doubt is not known


def test_the_testers_fall_in_any_unit() -> None:
    """1 psi is 6.894757 kPa (NIST SP 811), and so is its uncertainty."""
    def of(u: Any) -> Any:
        return Setup("cap", None, resolve("cap"), tester={"rate": {"value": 0.5, "standard_uncertainty": u,
                                                                   "unit": "psi/minute"}})

    rate = of(0.1).tester_rate
    assert (rate.value, rate.standard_uncertainty) == pytest.approx((3.4474, 0.68948), rel=1e-4)
    assert of(None).tester_rate.standard_uncertainty == 0.0 and not of(None).tester_unused
    assert of(-0.1).tester_rate is None and of(-0.1).tester_unused


def test_a_plain_large_leak_does_not_wait_for_a_narrow_doubt() -> None:
    """Four looks in which a tight one may be called leaking once in a hundred: each by a normal quantile of 1 - 0.01/4,
    2.807 (scipy.stats), beyond twice what matters."""
    beyond = float(norm.isf(0.01 / 4))
    assert early.answer(0.7 + 1.001 * beyond * 1.3, 1.3, 0.35) == "leak"
    assert early.answer(0.7 + 0.999 * beyond * 1.3, 1.3, 0.35) is None


def test_what_the_whole_hold_contradicts_is_not_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """A leak that begins late: what was said of its first part is not what the judgement keeps."""
    looks = Looks({20.0: TIGHT, 40.0: TIGHT, 60.0: CANNOT_TELL, 90.0: LEAKS})
    assert answered(monkeypatch, "system", looks, 120.0, whole=TIGHT) == ("tight", START_S + 20.0)
    assert answered(monkeypatch, "system", looks, 120.0, whole=LEAKS) == ("leak", START_S + 90.0)


@pytest.mark.parametrize(("rate", "says"), [(0.0, "tight"), (0.7, "leak")])
def test_one_wrong_in_a_hundred(rate: float, says: str) -> None:
    """Wald: the log likelihood ratio 2 m (r - m) / u^2 against ln(0.99 / 0.01) = 4.595; with m = 0.35 and r at 0 or 2 m
    that is u = 0.35 sqrt(2 / 4.595) = 0.2309."""
    assert early.answer(rate, 0.2308, 0.35) == says
    assert early.answer(rate, 0.2310, 0.35) is None


def test_no_answer_without_uncertainty_or_what_matters() -> None:
    assert early.answer(0.0, 0.0, 0.35) is None
    assert early.answer(0.0, 0.1, 0.0) is None
