"""Files that were made to harm: every command answers with one clear line, in bounded time and memory.

    python -m tests.benchmarks.faults_hostile [--long] [--only NAME]

Each file of hostile_files.py goes through ``judge``, ``picture``, ``sheet`` and ``export`` (three formats), each a
process of its own that may take 2 GiB of memory at most; then all of them through ``judge`` and ``judge --json`` at
once, and a folder with all of them, and with a link back to itself, through ``audit`` (plain, --csv, --json) and
``jobs``. Root gives up its power over
permissions for it. Nothing that steers a terminal may be printed, no cell of a table may be a formula, and no mark-up
of a job may get into a sheet or picture.
"""

from __future__ import annotations

import argparse
import csv
import io
import json
import os
import re
import resource
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from recorder.errors import printable
from tests.benchmarks.faults_common import (
    CAP_DAC_OVERRIDE,
    CAP_DAC_READ_SEARCH,
    ROOT,
    broke,
    recorder,
    without,
)
from tests.benchmarks.hostile_files import Case, cases

ACCEPTED = "accepted (exit 0)"
_MOST_MEMORY = 2 << 30
_MOST_CPU_S = 120
_CONTROL = re.compile(r"[\x00-\x09\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")
_NUMBER = re.compile(r"[-+]?[0-9.]+(e[-+]?[0-9]+)?")


@dataclass(frozen=True)
class Answer:
    """What a command did. cpu_s and memory_mib of that process alone."""

    code: int
    out: str
    said: str
    seconds: float
    cpu_s: float
    memory_mib: float

    @property
    def lines(self) -> list[str]:
        return self.said.splitlines()


def ask(args: Sequence[str | Path], folder: Path) -> Answer:
    def limits() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (_MOST_MEMORY, _MOST_MEMORY))
        resource.setrlimit(resource.RLIMIT_CPU, (_MOST_CPU_S, _MOST_CPU_S))
        without(CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH)()

    began = time.monotonic()
    with (folder / "said").open("wb") as said, (folder / "printed").open("wb") as printed:
        process = subprocess.Popen(recorder(*args), stdout=printed, stderr=said, stdin=subprocess.DEVNULL,
                                   cwd=ROOT, preexec_fn=limits,
                                   env={**os.environ, "OPENBLAS_NUM_THREADS": "1", "XDG_CACHE_HOME": str(folder)})
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    return Answer(process.returncode, (folder / "printed").read_text(encoding="utf-8", errors="surrogateescape"),
                  (folder / "said").read_text(encoding="utf-8", errors="surrogateescape"),
                  time.monotonic() - began, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024)


def shown(answer: Answer) -> str:
    """What is wrong with anything printed, whatever it says."""
    if broke(answer.said + answer.out):
        return "traceback: " + answer.said[-300:]
    if _CONTROL.search(answer.out.replace("\r\n", "\n")) or _CONTROL.search(answer.said):
        return "a control character was printed"
    return ""


def wrong_with(answer: Answer, case: Case) -> str:
    wrong = shown(answer)
    if wrong:
        return wrong
    if answer.code not in (0, 2):
        return f"exit {answer.code}: {answer.said[-200:]}"
    if case.usable is True and answer.code != 0:
        return f"refused: {answer.said[-200:]}"
    if case.usable is False and answer.code != 2:
        return ACCEPTED
    if answer.code == 2 and len(answer.lines) != 1:
        return f"{len(answer.lines)} lines instead of one: {answer.said[:300]}"
    return ""


def formulas(text: str) -> list[str]:
    """Cells of a table that a spreadsheet would run."""
    cells = [cell for row in csv.reader(io.StringIO(text)) for cell in row]
    return [c for c in cells if c.lstrip(" \u00a0\ufeff").startswith(("=", "+", "-", "@", "\t", "\r"))
            and not _NUMBER.fullmatch(c)]


def _commands(path: Path, out: Path) -> dict[str, list[str | Path]]:
    return {
        "judge": ["judge", path],
        "picture": ["picture", path, "-o", out / "picture.svg"],
        "sheet": ["sheet", path, "-o", out / "sheet.html"],
        "export parquet": ["export", path, "--to", "parquet", "--folder", out],
        "export sheet": ["export", path, "--to", "sheet", "--folder", out],
        "export csvw": ["export", path, "--to", "csvw"],
    }


def made(case: Case, folder: Path) -> Path:
    path = folder / f"{case.name}.csv"
    if not os.path.lexists(path):
        case.make(path)
    return path


def one_file(case: Case, command: str, folder: Path) -> tuple[str, Answer]:
    """"" or what is wrong, and the answer, of one command on one file."""
    (folder / "files").mkdir(exist_ok=True)
    path = made(case, folder / "files")
    with tempfile.TemporaryDirectory(dir=folder) as name:
        out = Path(name)
        answer = ask(_commands(path, out)[command], folder)
        wrong = wrong_with(answer, case)
        if wrong == ACCEPTED and (command == "export csvw" or (case.only_judged and command.startswith("export"))):
            wrong = ""  # csvw describes columns and reads no row
        for file in out.iterdir():
            text = file.read_text(encoding="utf-8-sig", errors="replace") if file.suffix != ".parquet" else ""
            if file.suffix == ".txt" and (bad := formulas(text)):
                wrong = wrong or f"a formula in the table: {bad[0]!r}"
            if file.suffix in (".html", ".svg") and ("<script>alert" in text or "<img src=x" in text):
                wrong = wrong or f"the job's mark-up is in {file.name}"
    Path(f"{path}-metadata.json").unlink(missing_ok=True)
    return wrong, answer


def all_at_once(every: Sequence[Case], folder: Path, as_json: bool = False) -> tuple[str, str, Answer]:
    """judge over all files in one call: one line on standard error for every file that has to be refused."""
    paths = [made(case, folder / "files") for case in every]
    answer = ask(["judge", *(["--json"] if as_json else []), *paths], folder)
    wrong = shown(answer)
    refused = [case for case in every if case.usable is False]
    judged = [case for case in every if case.usable is True]
    least, most = len(refused), len(every) - len(judged)
    lines = len(answer.lines)
    if not wrong and as_json:  # notes of a file that is judged are lines on standard error as well
        told = [json.loads(line) for line in answer.out.splitlines()]
        names = [Path(str(one["file"])).name.removesuffix(".csv") for one in told]
        errors = sum("error" in one for one in told)
        not_once = [name for name, one in zip(names, told, strict=True)
                    if "error" in one and sum(f"/{printable(name)}.csv" in line for line in answer.lines) != 1]
        if names != [case.name for case in every] or not_once:
            wrong = f"{len(told)} lines of JSON for {len(every)} files; refused, but not in one line: {not_once}"
        lines = errors
    if not wrong and (answer.code != 2 or not least <= lines <= most):
        wrong = f"exit {answer.code}, {lines} refused of {least} to {most} files"
    return "judge --json" if as_json else "judge", wrong, answer


def _not_listed(answer: Answer, place: Path) -> str:
    """Files of the folder that have no row of their own in a table, as --csv or --json give it; or ""."""
    told: list[dict[str, str]] = ([json.loads(line) for line in answer.out.splitlines()] if answer.out[:1] == "{"
                                  else list(csv.DictReader(io.StringIO(answer.out))))
    rows = Counter(printable(Path(row["file"]).name) for row in told if "file" in row)
    there = [path.name for path in place.iterdir() if path.suffix == ".csv" and not path.is_dir()]
    odd = [name for name in there if rows[printable(name)] != 1]
    return f"not once in the table: {odd}" if odd else ""


def folder_of_all(every: Sequence[Case], folder: Path) -> list[tuple[str, str, Answer]]:
    """audit and jobs over a folder with all files: (command, "" or what is wrong, answer)."""
    place = folder / "files"
    place.mkdir(exist_ok=True)
    for case in every:
        made(case, place)
    (place / "loop").symlink_to(place, target_is_directory=True)
    out = [all_at_once(every, folder, as_json) for as_json in (False, True)]
    for command in (["audit"], ["audit", "--csv"], ["audit", "--json"], ["jobs"], ["jobs", "--json"]):
        more = ["--no-cache"] if command[0] == "audit" else []
        answer = ask([command[0], place, *command[1:], *more], folder)
        wrong = shown(answer)
        expected = 1 if command[0] == "audit" else 2
        if not wrong and answer.code != expected:
            wrong = f"exit {answer.code}: {answer.said[-300:]}"
        if not wrong and command == ["audit", "--csv"]:
            bad = formulas(answer.out)
            wrong = f"a formula in the table: {bad[0]!r}" if bad else ""
        if not wrong and command[0] == "audit" and len(command) > 1:
            wrong = _not_listed(answer, place)
        out.append((" ".join(command), wrong, answer))
    return out


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--long", action="store_true", help="a billion digits and ten million rows, too")
    parser.add_argument("--only", help="files whose name contains this")
    given = parser.parse_args()
    every = [case for case in cases(given.long) if not given.only or given.only in case.name]
    bad = asked = 0
    slowest, largest = (0.0, ""), (0.0, "")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        answers = ((f"{command} {case.name!r}", *one_file(case, command, folder))
                   for case in every for command in _commands(Path(), Path()))
        for what, wrong, answer in [*answers, *folder_of_all(every, folder)]:
            asked += 1
            bad += bool(wrong)
            slowest = max(slowest, (answer.cpu_s, what))
            largest = max(largest, (answer.memory_mib, what))
            if wrong or answer.cpu_s > 30:
                print(f"{what}: {answer.cpu_s:.1f} s, {answer.memory_mib:.0f} MiB: {wrong or 'right, but slow'}",
                      flush=True)
    print(f"{len(every)} files, {asked} commands: {bad} wrong answers; most processor time {slowest[0]:.1f} s "
          f"({slowest[1]}), most memory {largest[0]:.0f} MiB ({largest[1]})")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
