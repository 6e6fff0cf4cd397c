"""The page of the audit names every key of ``audit --json`` and ``jobs --json``, and none that is not there."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

from click.testing import CliRunner

from recorder.audit.row import DIGITS, OUTCOME
from recorder.cli import main

PAGE = (Path(__file__).parents[2] / "docs" / "audit.md").read_text(encoding="utf-8")
BY_NAME = {"outcomes", "other_program", "calibration_out_of_date", "calibration_of_another", "calibration_made_later",
           "calibration_without_date", "not_calibrated", "adapters", "months", "span_changes"}


def objects(*words: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in CliRunner().invoke(main, list(words)).stdout.splitlines()]


def named(text: str) -> set[str]:
    return set(re.findall(r"`(\w+)`", text))


def keys_of_rows(after: str) -> set[str]:
    """The keys in the first column of the table behind these words."""
    table = PAGE.split(after, 1)[1].split("\n\n")[1]
    return set().union(*(named(row.split("|")[1]) for row in table.splitlines()[2:]))


def keys_in_row(key: str) -> set[str]:
    return named(re.search(rf"^\| `{key}` \|(.*)$", PAGE, re.M)[1])  # type: ignore[index]


def test_every_key_of_the_audit_is_on_its_page(shop: Path) -> None:
    *files, last = objects("audit", str(shop), "--json", "--no-cache", "--last-hash", "0" * 64)
    assert files and all(set(one) == keys_of_rows("of each file:") for one in files)
    assert set(last) == keys_of_rows("Its last line:") - {"chosen"}
    assert set(last["totals"]) == keys_in_row("totals")
    assert set(last["totals"]) >= BY_NAME == {name for name, one in last["totals"].items() if isinstance(one, dict)}
    assert set(last["noted"][0]) == keys_in_row("noted")
    assert f"`{OUTCOME}` or `{DIGITS}`" in PAGE


def test_every_key_of_a_ledger_and_of_the_jobs_is_on_the_page(tmp_path: Path) -> None:
    assert CliRunner().invoke(main, ["try", "--fast", "--folder", str(tmp_path)]).exit_code == 0
    last = objects("audit", str(tmp_path), "--json", "--no-cache")[-1]
    assert set(last["ledgers"][0]) | {"file", "line"} == keys_in_row("ledgers")
    *jobs, rest = objects("jobs", str(tmp_path), "--json", "--open")
    told = PAGE.split("`recorder jobs FOLDER --json`, of each job ", 1)[1]
    assert set(jobs[0]) == named(told.split(";")[0])
    assert set(jobs[0]["tests"][0]) == keys_of_rows("of each job `job`, `state` and `tests`; of each test:")
    assert set(rest) == named(PAGE.split("Its last line has ", 1)[1].split("\n\n")[0])
