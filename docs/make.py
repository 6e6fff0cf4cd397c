"""Writes the generated parts of the docs: help blocks, keys, limits, procedures, a judgement. Run from anywhere:
``python docs/make.py``; with ``--check`` it only says whether they are in step."""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path
from typing import Any

DOCS = Path(__file__).resolve().parent
sys.path.insert(0, str(DOCS.parent))

from recorder.cli import COMMANDS, main  # noqa: E402
from recorder.errors import RecorderError  # noqa: E402
from recorder.limits import KEYS, NAMED  # noqa: E402
from recorder.recording import read  # noqa: E402
from recorder.settings import SETTINGS  # noqa: E402

WIDTH = 120


def help_blocks() -> str:
    """The help of the group and of every command that is there, at 90 columns."""
    names = main.context_settings["help_option_names"]  # -h as well, and a command has them of its group
    top = main.context_class(main, info_name="recorder", terminal_width=90, max_content_width=90,
                             help_option_names=names)
    parts = ["## recorder", "", "```text", main.get_help(top), "```", ""]
    for name in COMMANDS:
        try:
            command = main.get_command(top, name)
        except RecorderError:
            continue
        if command is None:
            continue
        ctx = main.context_class(command, info_name=name, parent=top, terminal_width=90, max_content_width=90)
        parts += [f"## recorder {name}", "", "```text", command.get_help(ctx), "```", ""]
    return "\n".join(line.rstrip() for line in "\n".join(parts).splitlines())


def _table(head: tuple[str, ...], rows: list[tuple[str, ...]]) -> str:
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    return "\n".join(lines + ["| " + " | ".join(row) + " |" for row in rows])


def _default(value: float | str | None, unit: str) -> str:
    if value is None:
        return "–"
    return value if isinstance(value, str) else f"{value:g} {unit}".strip()


def laid_out(value: Any, indent: int = 0) -> str:
    """JSON over as few lines as the width allows."""
    line = json.dumps(value, ensure_ascii=False)
    if len(line) + indent + 20 <= WIDTH or not isinstance(value, dict | list):
        return line
    pad, items = " " * (indent + 2), value.items() if isinstance(value, dict) else enumerate(value)
    inner = (f"{json.dumps(key)}: " * isinstance(value, dict) + laid_out(one, indent + 2) for key, one in items)
    opens, shuts = "{}" if isinstance(value, dict) else "[]"
    return f"{opens}\n{pad}" + f",\n{pad}".join(inner) + f"\n{' ' * indent}{shuts}"


def a_judgement() -> str:
    """The one stored in the first of the demo's recordings."""
    first = min((DOCS.parent / "recordings").glob("*-cap-*.csv"))
    return f"```json\n{laid_out(dict(read(first).judgement or {}))}\n```"


def parts() -> dict[tuple[str, str], str]:
    """(file, marker) -> generated text."""
    return {
        ("commands.md", "help"): help_blocks(),
        ("judgement.md", "judgement"): a_judgement(),
        ("settings.md", "keys"): _table(
            ("key", "meaning (default)"), [(f"`{key}`", text) for key, text in SETTINGS.items()]
        ),
        ("settings.md", "limits"): _table(
            ("limit", "cap", "system", "meaning", "where the default comes from"),
            [(f"`{k.name}`", _default(k.cap, k.unit), _default(k.system, k.unit), k.meaning, k.source)
             for k in KEYS],
        ),
        ("settings.md", "procedures"): _table(
            ("name", "what it is"), [(f"`{name}`", given["_why"]) for name, given in NAMED.items()]
        ),
    }


def filled(file: str) -> str:
    """The text that ``docs/<file>`` has to have."""
    text = (DOCS / file).read_text(encoding="utf-8")
    for (name, marker), made in parts().items():
        if name == file:
            text = re.sub(
                rf"(<!-- {marker} -->\n).*?(<!-- /{marker} -->)",
                lambda m, made=made: f"{m[1]}\n{made}\n\n{m[2]}",  # type: ignore[misc]
                text, flags=re.DOTALL,
            )
    return text


def run(check: bool) -> int:
    stale = 0
    for file in sorted({name for name, _ in parts()}):
        text = filled(file)
        if (DOCS / file).read_text(encoding="utf-8") != text:
            stale += 1
            if check:
                print(f"{file} is out of step: run python docs/make.py")
            else:
                (DOCS / file).write_text(text, encoding="utf-8")
    return stale if check else 0


if __name__ == "__main__":
    sys.exit(1 if run("--check" in sys.argv[1:]) else 0)
