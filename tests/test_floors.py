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
RECORDINGS = PACKAGE.parent / "recordings"
SOURCES = sorted(PACKAGE.rglob("*.py"))
TOOLS = tomllib.loads((PACKAGE.parent / "pyproject.toml").read_text("utf-8"))["tool"]
LAYERS = TOOLS["importlinter"]["contracts"][0]["layers"]  # from the faces down
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


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def rooms_that_import(name: str) -> set[str]:
    return {
        room_of(path)
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
    floor = {name: n for n, layer in enumerate(LAYERS) for name in re.findall(r"\w+", layer)}
    beside: dict[str, set[str]] = {}
    for path in SOURCES:
        room = room_of(path)
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


PURE = {name for layer in LAYERS[LAYERS.index("(port) | (recording) | (settings) | (workers)") + 1 :]
        for name in re.findall(r"\w+", layer)}  # what stands below the edges
EDGES = {"time", "threading", "multiprocessing", "concurrent", "asyncio", "queue", "socket", "select", "signal", "ssl",
         "http", "urllib", "subprocess", "os", "io", "pathlib", "shutil", "tempfile", "glob", "fileinput", "mmap",
         "sqlite3", "importlib", "datetime"}
DATES = {"moments", "calibration"}  # they reckon with days that are written somewhere, and ask no clock
CALLS = {"open", "__import__", "exec", "eval", "input", "print"}
# of whatever object: files through another library, and the day of today
METHODS = {"open", "read_text", "read_bytes", "write_text", "write_bytes", "now", "today", "utcnow", "fromfile",
           "tofile", "loadtxt", "savetxt", "genfromtxt", "memmap"}


def edges_of(text: str, *, dates: bool = False) -> set[str]:
    """What a source text imports and calls that belongs to an edge."""
    out: set[str] = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            out |= {alias.name.split(".")[0] for alias in node.names} & EDGES
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            out |= {node.module.split(".")[0]} & EDGES
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            out |= {node.func.id} & CALLS
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            out |= {node.func.attr} & METHODS
    return out - ({"datetime"} if dates else set())


def test_no_clock_thread_or_file_on_the_pure_floor() -> None:
    tester = PACKAGE / "rig" / "tester.py"  # the simulated adapter plays on a pseudo-terminal
    for room in PURE:
        of_room = [path for path in SOURCES if room_of(path) == room and path != tester]
        assert of_room, room
        for path in of_room:
            assert not edges_of(path.read_text("utf-8"), dates=room in DATES), path


@pytest.mark.parametrize("planted", [
    "import os", "import os.path", "from os import path", "from pathlib import Path", "import io", "import time",
    "import numpy, threading", "from concurrent.futures import Future", "def f():\n    import socket",
    "from datetime import date", "with open('x') as file: pass", "f = lambda p: p.read_text()", "np.loadtxt('x')",
])
def test_what_is_planted_there_is_found(planted: str) -> None:
    source = (PACKAGE / "digits.py").read_text("utf-8")
    assert not edges_of(source) and edges_of(source + "\n" + planted + "\n")


def test_days_may_be_reckoned_with_where_none_is_asked_for() -> None:
    assert not edges_of("from datetime import date\ndate.fromisoformat('2026-03-14')", dates=True)
    assert edges_of("from datetime import date\ndate.today()", dates=True) == {"today"}


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


def test_a_system_is_judged_without_what_only_caps_need() -> None:
    """Nor with numpy's masked arrays, which ``numpy.unique`` loads: both take as long as fitting a hold."""
    system = next(RECORDINGS.glob("*-system-*.csv"))
    code = (
        "import sys; from recorder.cli import main\n"
        f"main(['judge', {str(system)!r}], standalone_mode=False)\n"
        "bad = [m for m in ('numpy.ma', 'scipy.optimize', 'recorder.analysis.opening') if m in sys.modules]\n"
        "sys.exit(f'loaded {bad}' if bad else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
