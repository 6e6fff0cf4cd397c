"""The docs say what the program does: generated parts are in step, links lead somewhere."""

from __future__ import annotations

import importlib.util
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from click.testing import CliRunner

from recorder.cli import COMMANDS, main
from recorder.settings import load_settings

ROOT = Path(__file__).parents[2]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))]


def test_generated_parts_are_in_step() -> None:
    done = subprocess.run([sys.executable, "docs/make.py", "--check"], cwd=ROOT, capture_output=True,
                          text=True, timeout=100, check=False, env={"PYTHONPATH": str(ROOT), "PATH": ""})
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)[^)]*\)", page.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (page.parent / target).exists(), f"{page.name} points to {target}"


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_has_help_and_an_example(name: str) -> None:
    text = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    block = text.partition(f"## recorder {name}\n")[2].partition("\n## ")[0]
    assert re.search(rf"Examples?:\s+recorder {name}\b", block), block or f"docs/commands.md lacks {name}"


@pytest.mark.parametrize("name", ["", *COMMANDS])
def test_the_blocks_are_what_help_prints(name: str) -> None:
    """At the width of the docs, from the command itself and not from what writes the docs."""
    done = CliRunner().invoke(main, [*([name] if name else []), "-h"], terminal_width=90, max_content_width=90)
    printed = "\n".join(line.rstrip() for line in done.stdout.splitlines())
    text = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    assert done.exit_code == 0 and f"```text\n{printed.replace('Usage: main', 'Usage: recorder')}\n```" in text, printed


def test_the_example_settings_file_is_accepted(tmp_path: Path) -> None:
    text = (ROOT / "docs" / "settings.md").read_text(encoding="utf-8")
    path = tmp_path / "recorder.toml"
    path.write_text(re.findall(r"```toml\n(.*?)```", text, re.DOTALL)[0], encoding="utf-8")
    settings = load_settings(path)
    assert settings.procedure("cap").hold_s == 45.0
    assert settings.procedure("system").stroke_volume_ml == 24.0


def test_the_plots_of_the_physics_can_be_drawn_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "path", [str(ROOT / "docs"), *sys.path])
    spec = importlib.util.spec_from_file_location("make_plots", ROOT / "docs" / "make_plots.py")
    assert spec and spec.loader
    plots = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(plots)
    monkeypatch.setattr(plots, "OUT", tmp_path)
    plots.strokes()
    [drawn] = tmp_path.glob("*.svg")
    words = [text.text for text in ET.parse(drawn).iter("{http://www.w3.org/2000/svg}text")]
    assert any(word and "24 strokes counted, 24 made" in word for word in words), words
    stored = sorted((ROOT / "docs" / "pictures").glob("physics-*.svg"))
    page = (ROOT / "docs" / "physics.md").read_text("utf-8")
    assert len(stored) == 6 and all(f"pictures/{file.name}" in page for file in stored)
    assert all(file.stat().st_size < 150_000 for file in stored)
