"""Every limit that can be set: its name, unit and default, and where the default comes from; and the named procedures.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from recorder.air import STANDARD_ATMOSPHERE_KPA

__all__ = ["KEYS", "MATTERS_KPA_PER_MIN", "NAMED", "Key"]

PRACTICE = "common practice, no source"
MATTERS_KPA_PER_MIN = 0.35  # the smallest steady fall of a system that matters


@dataclass(frozen=True, slots=True)
class Key:
    """One limit: its name in settings and recordings, unit, default by test (None: not known), and why."""

    name: str
    unit: str
    cap: float | str | None
    system: float | str | None
    meaning: str
    source: str


KEYS: tuple[Key, ...] = (
    Key("judged_pressure", "", "opening", None,
        "which pressure is held against the band: 'opening' (onset) or 'peak'",
        "published vehicle service manuals read the highest value; the onset does not depend on pumping speed"),
    Key("band_below", "percent", 10.0, None, "how far below its marking a cap may open",
        "a published heavy-truck maintenance manual: within 10 % of the rating marked on the cap"),
    Key("band_above", "percent", 10.0, None, "how far above its marking a cap may open",
        "a published heavy-truck maintenance manual: within 10 % of the rating marked on the cap"),
    Key("band_low", "kPa", None, None, "lowest opening allowed; replaces band_below where given",
        "published vehicle service manuals, see the named procedures"),
    Key("band_high", "kPa", None, None, "highest opening allowed; replaces band_above where given",
        "published vehicle service manuals, see the named procedures"),
    Key("hold", "s", 45.0, 120.0, "how long to hold; shortens shortest_hold where it is shorter", PRACTICE),
    Key("shortest_hold", "s", 10.0, 60.0, "shortest hold that says anything",
        "10 s for a cap: published vehicle service manuals; 60 s for a system: an equipment manual asks 1 min"),
    Key("steady_fall_allowed", "kPa/minute", 7.0, MATTERS_KPA_PER_MIN,
        "the steady fall (settling taken out) that is allowed (cap), or the smallest that matters (system)",
        PRACTICE),
    Key("target_low", "kPa", None, 7.0, "lower end of the target, above the marking", PRACTICE),
    Key("target_high", "kPa", None, 14.0, "upper end of the target, above the marking", PRACTICE),
    Key("over_limit", "kPa", 14.0, 14.0,
        "above the marking plus this the pressure is over the limit; of a cap it is only said while it is pumped, and "
        "never below the upper end of its band", PRACTICE),
    Key("tester_target", "kPa", None, None,
        "how far the tester itself, its hose blanked, is pumped up where no marking is given: 100 kPa unless set; "
        "below three quarters of it a check says nothing", PRACTICE),
    Key("zero_shift_allowed", "kPa", 1.5, 1.5,
        "how far the vented reading may move during the test, clear of its uncertainty", PRACTICE),
    Key("most_air", "mL", None, 1500.0, "gas space above which a system has too much air in it to show a leak",
        PRACTICE),
    Key("stroke_volume", "mL", None, None, "air that one stroke of the pump moves, at outside pressure",
        "as measured or given for the pump at hand"),
    Key("local_air_pressure", "kPa", STANDARD_ATMOSPHERE_KPA, STANDARD_ATMOSPHERE_KPA,
        "air pressure where the test is made", "ISO 2533 standard atmosphere"),
)

# Published bands, under names of our own. Sources are vehicle service manuals that print the same figures.
_MANUALS = "published vehicle service manuals"
NAMED: dict[str, dict[str, Any]] = {
    "used-cap": {"_why": "default: within 10 % of the marking (published heavy-truck maintenance manual)"},
    "new-1.1-kgf": {"_why": f"new cap marked 1.1 kgf/cm2, 93 to 123 kPa ({_MANUALS})",
                    "band_low": "93 kPa", "band_high": "123 kPa"},
    "in-service-1.1-kgf": {"_why": f"used cap marked 1.1 kgf/cm2, at least 78 kPa ({_MANUALS})",
                           "band_low": "78 kPa", "band_high": "123 kPa"},
    "new-0.9-kgf": {"_why": f"new cap marked 0.9 kgf/cm2, 74 to 103 kPa ({_MANUALS})",
                    "band_low": "74 kPa", "band_high": "103 kPa"},
    "in-service-0.9-kgf": {"_why": f"used cap marked 0.9 kgf/cm2, at least 59 kPa ({_MANUALS})",
                           "band_low": "59 kPa", "band_high": "103 kPa"},
    "ten-second-hold": {"_why": f"highest reading within 94 to 122 kPa, then held for 10 s ({_MANUALS})",
                        "band_low": "94 kPa", "band_high": "122 kPa", "judged_pressure": "peak", "hold": "10 s"},
    "one-minute-hold": {"_why": "hold at least one minute after release (a navy course text)", "hold": "60 s"},
    "two-psi-in-two-minutes": {"_why": "a fall of more than 2 psi in 2 min calls for a search (a service manual)",
                               "steady_fall_allowed": "1 psi/minute"},
}
