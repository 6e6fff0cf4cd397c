"""What the list of adapters offers. No Qt."""

from __future__ import annotations

from dataclasses import dataclass

from recorder.model import TestKind

__all__ = ["SIMULATED", "PortChoice", "port_choices"]

SIMULATED = "simulated:"


@dataclass(frozen=True, slots=True)
class PortChoice:
    """A port to offer: ``url`` opens it, ``label`` is shown; a simulated one brings its facts with it."""

    url: str
    label: str
    test: TestKind | None = None
    marked: str = ""
    job: str = ""
    repair: str = ""


def port_choices(remembered: str | None) -> list[PortChoice]:
    """The remembered port first, then those that are there, then the simulated tester's scenes, where it can play."""
    from recorder.port import list_ports, may_be_there
    from recorder.rig import can_play, demo

    found = [PortChoice(p.url, f"{p.url}  {p.description}".strip()) for p in list_ports()]
    if remembered and not remembered.startswith(SIMULATED):
        label = next((c.label for c in found if c.url == remembered), remembered)
        label += "  (used last)" if may_be_there(remembered) else "  (used last, not plugged in now)"
        found = [PortChoice(remembered, label), *(c for c in found if c.url != remembered)]
    simulated = [
        PortChoice(SIMULATED + one.name, f"simulated tester: {one.name.replace('-', ' ')}", one.test,
                   f"{one.marked.value:g} {one.marked.unit}" if one.marked else "", one.job, one.repair)
        for one in (demo() if can_play() else ())
    ]
    return found + simulated
