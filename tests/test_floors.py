"""The house keeps its floors: who may import whom, and what must stay light."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "recorder"
SOURCES = sorted(PACKAGE.rglob("*.py"))
HEAVY = ("numpy", "scipy", "pint", "PySide6", "pyqtgraph", "rich", "serial")


@cache
def imported(path: Path, *, top_only: bool = False) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    nodes = tree.body if top_only else list(ast.walk(tree))
    out: set[str] = set()
    for node in nodes:
        if isinstance(node, ast.Import):
            out |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            out.add(node.module)
            if node.module == "recorder":  # rooms themselves
                out |= {f"recorder.{alias.name}" for alias in node.names}
    return out


def rooms_that_import(name: str) -> set[str]:
    return {
        path.relative_to(PACKAGE).parts[0]
        for path in SOURCES
        if any(module.split(".")[0] == name for module in imported(path))
    }


def test_the_layers_contract_holds() -> None:
    done = subprocess.run(
        [sys.executable, "-c", "from importlinter.cli import lint_imports_command as c; c()"],
        cwd=PACKAGE.parent, capture_output=True, text=True, timeout=100, check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_rooms_of_one_floor_import_each_other_as_developers_says_and_in_no_circle() -> None:
    tools = tomllib.loads((PACKAGE.parent / "pyproject.toml").read_text("utf-8"))["tool"]
    layers = tools["importlinter"]["contracts"][0]["layers"]
    floor = {name: n for n, layer in enumerate(layers) for name in re.findall(r"\w+", layer)}
    beside: dict[str, set[str]] = {}
    for path in SOURCES:
        room = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
        others = {module.split(".")[1] for module in imported(path) if module.startswith("recorder.")} - {room}
        beside.setdefault(room, set()).update(o for o in others if o in floor and floor.get(room) == floor[o])
    assert list(TopologicalSorter(beside).static_order())  # raises CycleError
    text = (PACKAGE.parent / "DEVELOPERS.md").read_text("utf-8").partition("## Rooms and floors")[2].partition("|")[0]
    named = set(re.findall(r"`(\w+)`", text))
    said = {name for room, others in beside.items() if others for name in (room, *others)} - {"cli", "sheet", "window"}
    assert said <= named, said - named


def test_only_the_port_knows_serial_and_only_faces_know_qt() -> None:
    assert rooms_that_import("serial") == {"port"}
    for name in ("PySide6", "pyqtgraph"):
        assert rooms_that_import(name) <= {"window", "picture", "sheet"}
    assert rooms_that_import("click") <= {"cli"}


def test_no_clock_thread_or_file_on_the_pure_floor() -> None:
    edges = {"time", "threading", "socket", "subprocess", "asyncio", "datetime"}
    tester = PACKAGE / "rig" / "tester.py"  # the simulated adapter plays on a pseudo-terminal
    for room in ("wire", "analysis", "report", "rig", "adapter.py", "adapter_bare.py", "allan.py", "calibration_fit.py",
                 "errors.py", "model", "units.py", "limits.py"):
        of_room = [path for path in SOURCES if path.relative_to(PACKAGE).parts[0] == room and path != tester]
        assert of_room, room
        for path in of_room:
            assert not imported(path) & edges, path


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], ["nonsense"]])
def test_help_loads_nothing_heavy(arguments: list[str]) -> None:
    code = (
        "import sys; from recorder.cli import main\n"
        f"main({arguments!r}, standalone_mode=False)\n"
        f"bad = [m for m in {HEAVY!r} if m in sys.modules]\n"
        "sys.exit(f'loaded {bad}' if bad else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
