"""The docs say what the program does: generated parts are in step, links lead somewhere."""

from __future__ import annotations

import ast
import doctest
import importlib.util
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from itertools import pairwise
from pathlib import Path

import pytest
from click.testing import CliRunner

from recorder.audit.jobs import JobTest, job_state
from recorder.cli import COMMANDS, main
from recorder.model import Hold, Judgement, Marking, Phase, Quantity, Reason, Settling
from recorder.recording import read
from recorder.settings import load_settings

ROOT = Path(__file__).parents[2]
PAGES = [page for folder in (".", "docs", "firmware_notes", "recordings")
         for page in sorted((ROOT / folder).glob("*.md"))]


def test_generated_parts_are_in_step() -> None:
    done = subprocess.run([sys.executable, "docs/make.py", "--check"], cwd=ROOT, capture_output=True,
                          text=True, timeout=100, check=False, env={"PYTHONPATH": str(ROOT), "PATH": ""})
    assert done.returncode == 0, done.stdout + done.stderr


def test_every_page_is_in_the_list_of_pages() -> None:
    listed = set(re.findall(r"\]\(([^)#]+)", (ROOT / "docs" / "README.md").read_text("utf-8")))
    pages = {page.name for page in (ROOT / "docs").glob("*.md")} - {"README.md"}
    assert not pages - listed, pages - listed


def test_the_readme_has_one_command_for_the_job_and_one_for_the_tests() -> None:
    """Each from nothing but Python and a package index; the job needs none of what only the tests need."""
    lines = (ROOT / "README.md").read_text("utf-8").splitlines()
    job, tests = (line.split(" && ") for line in lines if line.startswith("python3 -m venv"))
    assert job == ["python3 -m venv v", "v/bin/pip install -e .", "v/bin/recorder try --fast"]
    assert tests[:2] == ["python3 -m venv v", "v/bin/pip install -e '.[test]'"] and "pytest" in tests[2]


def test_every_state_of_a_job_is_explained() -> None:
    section = (ROOT / "docs" / "audit.md").read_text("utf-8").partition("\n## Jobs\n")[2].partition("\n## ")[0]
    seen = {job_state([JobTest(f"{n}.csv", f"2026-03-02T09:0{n}:00Z", kind, outcome)
                       for n, (kind, outcome) in enumerate(tests)])
            for tests in ([], [("tester", "pass")], [("cap", "pass")], [("cap", "fail")], [("cap", "fail")] * 2,
                          [("system", "fail")] * 2, [("cap", "void")],
                          [("cap", "cannot be read")])}
    assert len(seen) == 7 and not [state for state in seen if f"**{state}**" not in section]


def test_the_help_of_an_option_says_which_form_refuses_it(tmp_path: Path) -> None:
    refused = CliRunner().invoke(main, ["export", "x.csv", "--to", "csvw", "--folder", str(tmp_path)])
    said = CliRunner().invoke(main, ["export", "--help"]).output.partition("--folder")[2].partition("--skip")[0]
    assert refused.exit_code == 2 and "csvw" in said


def anchors(page: Path) -> set[str]:
    """What a link can name in a page: its headings, as forges of Markdown spell them."""
    headings = re.findall(r"^#+ +(.*)$", page.read_text(encoding="utf-8"), re.MULTILINE)
    return {re.sub(r"[^\w -]", "", heading.lower()).strip().replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_a_table_has_a_line_for_each_row(page: Path) -> None:
    """Rows that a reflow has run together are shown as they stand, bars and all (GitHub Flavored Markdown, tables)."""
    lines = page.read_text("utf-8").splitlines()
    below = [line for line in lines if "|---" in line]
    assert [line for line in below if not re.fullmatch(r" *\|(-+\|)+", line)] == []
    for heads, line in pairwise(lines):
        assert line not in below or len(re.findall(r"(?<!\\)\|", heads)) == line.count("|"), heads


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)]+)\)", page.read_text(encoding="utf-8")):
        if "://" in target:
            continue
        name, _, anchor = target.partition("#")
        to = page.parent / name if name else page
        assert to.exists(), f"{page.name} points to {name}"
        assert not anchor or anchor in anchors(to), f"{page.name} points to {target}"


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_has_help_and_an_example(name: str) -> None:
    text = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    block = text.partition(f"## recorder {name}\n")[2].partition("\n## ")[0]
    assert re.search(rf"Examples?:\s+recorder {name}\b", block), block or f"docs/commands.md lacks {name}"


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_what_can_be_left_out_stands_in_brackets(name: str) -> None:
    """As in the synopsis of a POSIX utility (IEEE Std 1003.1, chapter 12, from memory)."""
    command = main.get_command(main.context_class(main), name)
    assert command is not None
    usage = CliRunner().invoke(main, [name, "--help"]).output.splitlines()[0].split()[3:]
    words = [param for param in command.params if param.param_type_name == "argument"]
    assert usage[0] == "[OPTIONS]" and len(usage) == 1 + len(words)
    assert [shown.startswith("[") for shown in usage[1:]] == [not word.required for word in words], usage


@pytest.mark.parametrize("name", ["", *COMMANDS])
def test_the_blocks_are_what_help_prints(name: str) -> None:
    """At the width of the docs, from the command itself and not from what writes the docs."""
    done = CliRunner().invoke(main, [*([name] if name else []), "-h"], terminal_width=90, max_content_width=90)
    assert done.exit_code == 0, done.output
    printed = "\n".join(line.rstrip() for line in done.stdout.splitlines())
    text = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    assert f"```text\n{printed.replace('Usage: main', 'Usage: recorder')}\n```" in text, printed


def names_of(value: object) -> set[str]:
    """Every key of a JSON value, however deep."""
    if isinstance(value, dict):
        return set(value).union(*map(names_of, value.values()))
    return set().union(*map(names_of, value)) if isinstance(value, list) else set()


def made_in_analysis() -> tuple[set[str], set[str]]:
    """Keys that the analysis adds to a judgement, and codes that it gives to reasons and notes, from its source."""
    keys, codes = set(), set()
    for path in (ROOT / "recorder" / "analysis").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            match node:
                case ast.Assign(
                    targets=[ast.Subscript(value=ast.Name(id="extra"), slice=ast.Constant(value=str(key)))]
                ):
                    keys.add(key)
                case ast.Call(func=ast.Name(id="Reason"), args=[ast.Constant(value=str(code)), *_]):
                    codes.add(code)
                case ast.Dict(keys=[ast.Constant(value="code"), *_], values=[ast.Constant(value=str(code)), *_]):
                    codes.add(code)
    return keys, codes


def test_every_key_and_code_of_a_judgement_is_described() -> None:
    page = (ROOT / "docs" / "judgement.md").read_text("utf-8").partition("## An example")[0]
    described = set(re.findall(r"`([^`]+)`", page))
    q = Quantity(1.0, 0.1, "kPa", 2.0)
    hold = Hold(1.0, 2.0, q, q, q, q, Settling(q, q), q)
    whole = Judgement("cap", Marking(16.0, "psi", 110.3), "pass", (Reason("opens-in-band", "."),), q, q, q, 1, q, q,
                      hold, q, q, (Phase("hold", 0.0, 1.0),)).to_json()
    stored = [dict(read(path).judgement or {}) for path in (ROOT / "recordings").glob("*-*.csv")]
    assert len(stored) >= 4  # those of the demo, and whatever was recorded since
    keys, codes = made_in_analysis()
    assert {"early", "protects", "notes", "tester_rate", "hold_more_s", "judged_pressure"} <= keys
    assert {"opens-in-band", "too-much-air", "tester-leaks", "no-marking"} <= codes
    wanted = names_of(whole) | names_of(stored) | keys | codes | {"opens-high", "opens-low"}
    assert not wanted - described, wanted - described


def test_every_annotation_and_column_of_a_recording_is_described() -> None:
    page = (ROOT / "docs" / "recording.md").read_text("utf-8")
    notes = page.partition("## Annotations")[2].partition("## Columns")[0]
    columns = page.partition("## Columns")[2].partition("\n## ")[0]
    seen, titles = set(), set()
    for path in (ROOT / "recordings").glob("*-*.csv"):
        lines = path.read_text("utf-8").splitlines()
        seen |= {line[2:].partition(":")[0] for line in lines if line.startswith("# ")}
        titles |= set(next(line for line in lines if not line.startswith("#")).split(","))
    live = (ROOT / "recorder" / "session" / "header.py").read_text("utf-8")
    seen |= set(re.findall(r'other\["(\w+)"\]', live)) | {"mark", "adapter-fault"}
    assert {"id", "repair", "tester", "nominal", "ended", "sha256"} <= seen and len(titles) == 9
    first = "\n".join(line.split("|")[1] for line in notes.splitlines() if "|" in line)
    described = set(re.findall(r"`([^`]+)`", first))
    assert not seen - described, seen - described
    for title in titles:
        assert f"`{title.replace('kPa', '<unit>')}`" in columns, title


def test_the_examples_of_the_recordings_page_give_what_they_show(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is typed at Python gives what is printed, and the pressure of the example's first row is from its counts."""
    page = (ROOT / "docs" / "recording.md").read_text("utf-8")
    monkeypatch.chdir(ROOT)
    shown = "\n".join(line for line in page.splitlines() if "table.plot(" not in line)
    examples = doctest.DocTestParser().get_doctest(shown, {}, "recording.md", None, 0)
    assert len(examples.examples) > 20
    assert doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE).run(examples).failed == 0
    [(pressure, counts)] = re.findall(r"^    0\.000000,([\d.]+),0,1204,0\.000000,(\d+),,,$", page, re.MULTILINE)
    assert round(-25.855 + 258.55 * int(counts) / 1023, 4) == float(pressure)
    assert f"= {pressure} kPa" in page and f"| 0.0 | {pressure} | 0 | 1204 |" in page


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
    texts = list(ET.parse(drawn).iter("{http://www.w3.org/2000/svg}text"))
    notes = [text for text in texts if (text.text or "").startswith("in truth")]  # it reached over the axis' edge
    assert notes and all(one.get("text-anchor") == "end" for one in notes)
    assert all(float(one.get("x", "inf")) < 860.0 - 10.0 - 6.0 for one in notes)
    words = [text.text for text in texts]
    assert any(word and "24 strokes counted, 24 made" in word for word in words), words
    stored = sorted((ROOT / "docs" / "pictures").glob("physics-*.svg"))
    page = "".join((ROOT / "docs" / f"{name}.md").read_text("utf-8") for name in ("physics", "opening", "hold"))
    assert len(stored) == 6 and all(f"pictures/{file.name}" in page for file in stored)
    assert all(file.stat().st_size < 150_000 for file in stored)
