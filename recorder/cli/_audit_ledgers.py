"""The ledgers of an audit, held against its recordings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from recorder.audit import AuditRow
    from recorder.recording import LedgerCheck

__all__ = ["Ledgers", "Seals"]


@dataclass(frozen=True, slots=True)
class Ledgers:
    """What was held against the recordings. without: folders of sealed recordings that have no ledger, and how
    many. noted: each hash that was asked for, with the ledger and line that have it, or None. form: paths of
    recordings of which only line ends and the like were changed. folder: the one that was audited."""

    checks: tuple[LedgerCheck, ...]
    without: tuple[tuple[str, int], ...]
    noted: tuple[tuple[str, str | None, int | None], ...]
    form: frozenset[str] = frozenset()
    folder: str = ""

    @property
    def good(self) -> bool:
        """A folder without a ledger is said and is no difference: recordings may be copied without it."""
        return all(check.good for check in self.checks) and all(path is not None for _, path, _ in self.noted)

    def place_of(self, check: LedgerCheck, name: str) -> str:
        """A recording of the ledger's folder, as seen from the one that was audited."""
        path = Path(check.path).parent / name
        return str(path.relative_to(self.folder) if path.is_relative_to(self.folder) else path)

    def to_json(self) -> dict[str, Any]:
        return {
            "ledgers": [asdict(check) for check in self.checks],
            "without_ledger": [{"folder": place, "sealed": count} for place, count in self.without],
            "noted": [{"hash": digest, "ledger": path, "line": line} for digest, path, line in self.noted],
        }


@dataclass
class Seals:
    """The seals of an audit's recordings by folder and name; fed one row at a time."""

    of: dict[str, dict[str, tuple[str | None, bool | None]]] = field(default_factory=dict)
    form: set[str] = field(default_factory=set)

    def add(self, row: AuditRow) -> None:
        from recorder.recording.altered import ONLY_FORM

        path = Path(row.file)
        intact = False if row.error is not None and row.sha256 is None else row.intact
        self.of.setdefault(str(path.parent), {})[path.name] = (row.sha256, intact)
        if ONLY_FORM in row.where:
            self.form.add(str(path))

    def check_of(self, place: str) -> LedgerCheck | None:
        """What the ledger of a folder says of its recordings, once all of them were fed; None where there is none."""
        from recorder.recording import verify_ledger

        return verify_ledger(place, self.of.get(place, {}))

    def held_against(self, folder: str, noted: tuple[str, ...]) -> Ledgers:
        """The ledgers below the folder. noted: hashes of lines to look for."""
        from recorder.audit import find_ledgers
        from recorder.recording import verify_ledger

        having = {str(p) for p in find_ledgers(folder)}
        whole = {digest: str(Path(place) / name) for place, own in sorted(self.of.items(), reverse=True)
                 for name, (digest, intact) in own.items() if intact is True and digest is not None}
        found = (verify_ledger(place, self.of.get(place, {}), noted, whole) for place in sorted(having))
        checks = tuple(check for check in found if check is not None)
        sealed = ((place, _sealed(own)) for place, own in sorted(self.of.items()))
        lines = {digest: (check.path, line) for check in checks for digest, line in check.noted}
        return Ledgers(
            checks, tuple((place, count) for place, count in sealed if count and place not in having),
            tuple((digest, *lines.get(digest, (None, None))) for digest in noted), frozenset(self.form), folder,
        )


def _sealed(own: Mapping[str, tuple[str | None, bool | None]]) -> int:
    return sum(intact is True for _, intact in own.values())
