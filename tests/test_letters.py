"""Letters that no font of the computer has, in pictures and sheets: real Qt, real fonts, one or none of them."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from recorder.picture.shapes import text_width, wrap

ROOT = Path(__file__).parents[1]
FONT = next(iter(sorted(Path("/usr/share/fonts").rglob("DejaVuSans.ttf"))), None)

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux") or FONT is None, reason="no fontconfig, no font")


def fonts(folder: Path, *files: Path) -> dict[str, str]:
    """The environment of a computer that has these fonts and no others (fontconfig's own setting)."""
    (folder / "fonts").mkdir()
    for file in files:
        (folder / "fonts" / file.name).symlink_to(file)
    conf = folder / "fonts.conf"
    conf.write_text('<?xml version="1.0"?><!DOCTYPE fontconfig SYSTEM "fonts.dtd"><fontconfig>'
                    f"<dir>{folder / 'fonts'}</dir><cachedir>{folder / 'cache'}</cachedir></fontconfig>", "utf-8")
    return {**os.environ, "PYTHONPATH": str(ROOT), "QT_QPA_PLATFORM": "offscreen", "FONTCONFIG_FILE": str(conf)}


def recorder(folder: Path, env: dict[str, str], *args: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "recorder", *args], capture_output=True, text=True, check=False,
                          timeout=60, env=env, cwd=folder, encoding="utf-8")


@pytest.fixture
def file(tmp_path: Path) -> Path:
    """A recording of the demo with the job of another country."""
    first = min((ROOT / "recordings").glob("*-cap-*.csv")).read_text("utf-8")
    text = re.sub("# job: .*", '# job: "青い 🚗 Привет van"', first)
    (tmp_path / "recorder.toml").write_text('[shop]\nname = "横 Garage"\n', "utf-8")
    out = tmp_path / "van.csv"
    out.write_text(text[: text.index("# sha256")], "utf-8")
    return out


def test_letters_that_cannot_be_drawn_are_said_and_those_that_can_are_not(tmp_path: Path, file: Path) -> None:
    assert FONT is not None
    env = fonts(tmp_path, FONT)
    for kind in ("png", "pdf"):
        done = recorder(tmp_path, env, "picture", file.name, "-o", f"x.{kind}")
        assert done.returncode == 0 and done.stdout == f"x.{kind}\n", done.stderr
        assert done.stderr.startswith(f"x.{kind}: no font of this computer has 青 (U+9752), い (U+3044), 🚗 (U+1F697), "
                                      "so \ufffd stands there; install a font")
        assert len(done.stderr.splitlines()) == 1
    done = recorder(tmp_path, env, "sheet", file.name, "-o", "sheet.pdf")
    assert done.returncode == 0 and "has 横 (U+6A2A), 青 (U+9752), " in done.stderr and "П" not in done.stderr


def test_what_is_drawn_has_the_stand_in_and_one_note(tmp_path: Path) -> None:
    assert FONT is not None
    code = ("from recorder.picture.letters import drawable\n"
            "told = []\n"
            "print(ascii(drawable(lambda note: '<title>青П</title>a' + note, told.append)), len(told))\n"
            "print(ascii(drawable(lambda note: '<b 青>Пa' + note, told.append)), len(told))\n")
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=60,
                          env=fonts(tmp_path, FONT))
    first, second = done.stdout.splitlines()
    assert first.startswith("'<title>\\ufffd\\u041f</title>aA \\ufffd stands for a letter") and first.endswith(" 1")
    assert second == "'<b \\u9752>\\u041fa' 1", done.stderr


def test_a_font_that_has_them_is_used(tmp_path: Path) -> None:
    """Script capitals are not in the first font of the list; the second one here has them."""
    assert FONT is not None
    other = FONT.with_name("DejaVuMathTeXGyre.ttf")
    if not other.exists():
        pytest.skip("no second font")
    code = "from recorder.picture.letters import undrawn; print(ascii(undrawn('a\U0001d4d0')))"
    for files, lost in (((FONT,), "'\\U0001d4d0'"), ((FONT, other), "''")):
        folder = tmp_path / str(len(files))
        folder.mkdir()
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=60,
                              env=fonts(folder, *files))
        assert done.stdout.strip() == lost, done.stderr


def test_a_computer_without_fonts(tmp_path: Path, file: Path) -> None:
    """A page of empty boxes is no picture."""
    env = fonts(tmp_path)
    for command, name in (("picture", "x.png"), ("picture", "x.pdf"), ("sheet", "x.pdf")):
        done = recorder(tmp_path, env, command, file.name, "-o", name)
        assert done.returncode == 2 and not (tmp_path / name).exists()
        assert done.stderr == ("there is no font on this computer to write with; install one, or make a picture as "
                               ".svg, a sheet as .html\n")
    done = recorder(tmp_path, env, "picture", file.name, "-o", "x.svg")
    assert done.returncode == 0 and not done.stderr
    drawn = (tmp_path / "x.svg").read_text("utf-8")
    assert "青い 🚗 Привет van" in drawn and "\ufffd" not in drawn
    done = recorder(tmp_path, env, "sheet", file.name, "-o", "x.html")
    assert done.returncode == 0 and not done.stderr and "横 Garage" in (tmp_path / "x.html").read_text("utf-8")


def test_wide_letters_do_not_run_off_the_page() -> None:
    text = "青い自動車の整備工場" * 12 + " van"
    lines = wrap(text, 600, 13)
    assert all(text_width(line, 13) <= 600 for line in lines)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
