"""Where a terminal shows no more than ASCII: signs as plain words, and what is data as it is."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from recorder.cli import main
from recorder.errors import as_typed, printable
from recorder.limits import NAMED

ROOT = Path(__file__).parents[2]
ASCII = [{"PYTHONIOENCODING": "ascii"}, {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}]
UTF_8 = {"PYTHONIOENCODING": "utf-8"}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Two of the demo's recordings, one under a name that is not ASCII."""
    for path, name in zip(sorted((ROOT / "recordings").glob("*-*.csv")), ("a cap.csv", "Müller.csv"), strict=False):
        shutil.copy(path, tmp_path / name)
    return tmp_path


def said(env: dict[str, str], *args: str, cwd: Path = ROOT) -> tuple[bytes, bytes]:
    done = subprocess.run([sys.executable, "-m", "recorder", *args], cwd=cwd, capture_output=True, timeout=60,
                          env={**os.environ, "PYTHONPATH": str(ROOT), **env}, check=False)
    return done.stdout, done.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="its terminal is told every letter")
@pytest.mark.parametrize("env", ASCII)
def test_signs_are_plain_words_where_there_is_nothing_but_ascii(env: dict[str, str], folder: Path) -> None:
    plain, wide = (said(e, "judge", "a cap.csv", cwd=folder)[0] for e in (env, UTF_8))
    assert plain.isascii() and b"?" not in plain and b"udc" not in plain and "±" in wide.decode()
    assert plain.decode() == wide.decode().replace("±", "+-").replace("°", "deg").replace("–", "-")
    out, err = said(env, "audit", "--no-cache", ".", cwd=folder)
    assert out.isascii() and err.isascii() and b"udc" not in out
    assert b"M?ller.csv" in out  # a letter that is not there is none of another name
    heads = [line for line in out.decode().splitlines() if "  16 psi  " in line]
    assert len({line.index("  16 psi  ") for line in heads}) == 1, "a cut text does not move what stands behind it"
    assert said(env, "judge", "nö.csv", cwd=folder)[1] == b"n?.csv: there is no such file; check the name\n"


@pytest.mark.skipif(sys.platform == "win32", reason="its terminal is told every letter")
@pytest.mark.parametrize("env", ASCII)
def test_data_for_a_program_is_never_put_in_plain_words(env: dict[str, str], folder: Path) -> None:
    """RFC 8259 and the W3C tabular data model: UTF-8."""
    for args in (("judge", "--json", "a cap.csv"), ("audit", "--no-cache", "--csv", "a")):
        (folder / "a").mkdir(exist_ok=True)
        shutil.copy(folder / "Müller.csv", folder / "a")
        plain, wide = (said(e, *args, cwd=folder)[0] for e in (env, UTF_8))
        assert plain == wide and plain
    assert "±" in json.dumps(json.loads(said(env, "judge", "--json", "a cap.csv", cwd=folder)[0]), ensure_ascii=False)
    table = said(env, "audit", "--no-cache", "--csv", "a", cwd=folder)[0].decode("utf-8")
    assert next(csv.DictReader(io.StringIO(table)))["file"] == "a/Müller.csv"


def test_other_letters_than_ascii_are_kept_where_the_terminal_has_them(folder: Path) -> None:
    env = {"PYTHONIOENCODING": "latin-1"}
    assert re.search(r"\d\.\d ± \d", said(env, "judge", "a cap.csv", cwd=folder)[0].decode("latin-1"))
    assert b"demo data - no" in said(env, "judge", "a cap.csv", cwd=folder)[0]


def test_a_name_that_came_as_bytes_has_its_letters_back() -> None:
    """PEP 383: bytes that the locale cannot read are U+DC80 to U+DCFF."""
    given = b"M\xc3\xbcller \xff\xc2\x9b".decode("ascii", "surrogateescape")
    assert as_typed(given) == "Müller \udcff\x9b"
    assert printable(given) == "Müller \\udcff\\x9b"  # and nothing drives the terminal
    assert as_typed("\ud800") == "\ud800" and printable("\ud800") == "\\ud800"


@pytest.mark.skipif(sys.platform == "win32", reason="its help is the same")
@pytest.mark.parametrize("columns", [30, 40, 50])
def test_help_stays_within_a_narrow_terminal(columns: int) -> None:
    """All commands in one program: their help has to be laid out, not their libraries loaded anew."""
    code = ("from recorder.cli import COMMANDS, main\n"
            "for name in ('', *COMMANDS):\n"
            "    main([name, '--help'] if name else ['--help'], prog_name='recorder', standalone_mode=False)")
    env = {**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": str(columns)}
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=60,
                          check=True, env=env)
    lines = done.stdout.splitlines()
    too_long = [line for line in lines if len(line) > columns and len(line.split()) > 1]
    if columns < 40:  # an option's own name, or an example that is not to be broken, may be longer
        too_long = [line for line in too_long if not line.startswith("  --") and "recorder " not in line]
    assert len(lines) > 200 and not too_long


@pytest.mark.parametrize("width", [50, 60, 78, 88])
def test_no_name_is_broken_at_a_hyphen(width: int) -> None:
    """A name of a procedure is there to be copied."""
    # with its settings: click keeps the help option that the first context made
    top = main.context_class(main, info_name="recorder", terminal_width=width, **main.context_settings)
    record = main.get_command(top, "record")
    assert record is not None
    text = record.get_help(main.context_class(record, info_name="record", parent=top))
    for name in (*NAMED, "own-recordings"):
        assert name in text, name
    assert "\u2011" not in text
