"""The lines that begin with ``#``: name and JSON value, to a Header and back. Pure."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from typing import Any, NoReturn, cast

from recorder.errors import FileError, RecorderError
from recorder.model import (
    LARGEST_COEFFICIENT_KPA,
    TEST_KINDS,
    Calibration,
    Header,
    Marking,
    TestKind,
)
from recorder.recording.procedure import with_air_pressure
from recorder.units import marking_from_json

__all__ = ["FORMAT", "annotation_line", "ended", "header_from", "header_text", "load_json", "load_value", "shown",
           "split_line"]

FORMAT = 1
_HIGHEST_MARKING_KPA = 1000.0  # as the limits: far beyond any test; common practice, no source
# Spreadsheets open recordings too: what they would run as a formula behind a comma is written as JSON escapes.
_FORMULA = re.compile(r"(?<=[,;])[=+@-]")
_EXAMPLES = {  # what somebody who writes a file by hand can write instead
    "test": '"cap"', "job": '"1042 blue van"', "marked": '{"value": 16, "unit": "psi"}',
    "started": '"2026-03-14T10:15:00Z"', "id": '"20260314T101500Z-4c1e"',
    "calibration": '{"coefficients_kPa": [-25.855, 258.55]}',
    "procedure": '{"hold": {"value": 60, "unit": "s"}}', "adapter": '{"id": "hose-7"}',
}
_ASIDE = ("id", "started", "job")  # nothing of a judgement hangs on them
_BARE_NUMBER = re.compile(r"[-+]?\d[\d.]*")
_LONGEST_SHOWN = 60
_KNOWN = ("recording-format", "id", "started", "test", "marked", "job", "adapter", "calibration", "procedure")


def _refuse(text: str) -> NoReturn:
    raise ValueError(f"{text} is not a JSON number")


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"{text[:40]} is too large a number")
    return value


_JSON = json.JSONDecoder(parse_constant=_refuse, parse_float=_finite)


def load_json(text: str) -> Any:
    """JSON of RFC 8259 only: no NaN, no infinity. ValueError for whatever cannot be used."""
    try:
        return _JSON.decode(text)
    except json.JSONDecodeError as err:  # its own words name a line and a column of this text, not of the file
        raise ValueError(f"no JSON from its character {err.pos + 1} on") from None
    except RecursionError:
        raise ValueError("the JSON is nested too deep") from None


def annotation_line(name: str, value: Any) -> bytes:
    """``# name: value`` and its line end, as bytes of UTF-8."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False)
    # JSON's own commas have a blank behind them, so that this is always inside of a text.
    text = _FORMULA.sub(lambda found: f"\\u{ord(found[0]):04x}", text)
    try:
        return f"# {name}: {text}\n".encode()
    except UnicodeEncodeError:  # half a surrogate pair, say from a file name
        return f"# {name}: {json.dumps(value, allow_nan=False)}\n".encode()


def header_text(header: Header) -> bytes:
    """All annotation lines above the header row."""
    values: dict[str, Any] = {
        "recording-format": FORMAT,
        "id": header.id,
        "started": header.started,
        "test": header.test,
        "marked": header.marked.to_json() if header.marked else None,
        "job": header.job or None,
        "adapter": dict(header.adapter) or None,
        "calibration": header.calibration.to_json() if header.calibration else None,
        "procedure": dict(header.procedure) or None,
    }
    values.update({k: v for k, v in header.other.items() if k not in _KNOWN})
    return b"".join(annotation_line(k, v) for k, v in values.items() if v is not None)


def split_line(line: str) -> tuple[str, str] | None:
    """Name and value text of an annotation line; None for a remark that is not ``# name: value``."""
    name, colon, value = line.lstrip("#").partition(":")
    name = name.strip()
    return (name, value.strip()) if colon and name and " " not in name else None


def ended(data: bytes) -> bytes:
    """With the end of the last line, where only that is missing, as some editors take it off: of an annotation whose
    value is shut, so that nothing was cut from it. A number, in a row or alone, may have had more digits."""
    last = data[data.rfind(b"\n") + 1 :].removeprefix(b"\xef\xbb\xbf")
    if not last.startswith(b"#") or not last.rstrip().endswith((b'"', b"}", b"]")):
        return data
    try:
        found = split_line(last.decode("utf-8"))
        if found is not None:
            load_json(found[1])
            return data + b"\n"
    except ValueError:
        pass
    return data


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError("not a number")
    out = float(value)
    if not abs(out) <= LARGEST_COEFFICIENT_KPA:
        raise ValueError("too large a number")
    return out


def _text(value: Any) -> str | None:
    if value is not None and not isinstance(value, str):
        raise TypeError("not a text")
    return value


def _mapping(value: Any) -> Mapping[str, Any]:
    if value is None:
        return {}
    if not isinstance(value, dict):
        raise TypeError("not an object")
    return value


def _calibration(value: Any) -> Calibration | None:
    if value is None:
        return None
    given = _mapping(value)
    coefficients = given.get("coefficients_kPa")
    if not isinstance(coefficients, list) or not coefficients:
        raise ValueError("coefficients_kPa is missing")
    uncertainty = given.get("standard_uncertainty_kPa")
    if uncertainty is not None and _number(uncertainty) < 0:
        raise ValueError("an uncertainty below zero")
    return Calibration(
        tuple(_number(c) for c in coefficients),
        None if uncertainty is None else _number(uncertainty),
        _text(given.get("date")), _text(given.get("reference")), _text(given.get("due")),
        _text(given.get("adapter")), given.get("bare") is True,
    )


def _marking(value: Any) -> Marking:
    if "unit" not in _mapping(value):
        raise ValueError("it has no unit")  # 16 of what, the stamp knows
    marked = marking_from_json(value)
    if not 0.0 < marked.kpa <= _HIGHEST_MARKING_KPA:
        raise ValueError("no cap opens there")
    return marked


def shown(text: str) -> str:
    """A value as it stands in a file, cut where long."""
    return text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 3] + "..."


def load_value(name: str, text: str) -> Any:
    """What an annotation of this name has. Of a job or an id a number is its text. ValueError as of ``load_json``."""
    if name in ("id", "job") and _BARE_NUMBER.fullmatch(text):
        return text
    return load_json(text)


def _value(name: str, value: Any) -> Any:
    """The value of a known annotation, as the header has it."""
    if name == "recording-format":
        if value != FORMAT:
            raise ValueError(f"this program reads format {FORMAT}")
        return value
    if name == "test":
        if value not in TEST_KINDS:
            raise ValueError("it is one of cap, system, tester")
        return value
    if name == "marked":
        return None if value is None else _marking(value)
    if name == "calibration":
        return _calibration(value)
    if name == "procedure":
        return with_air_pressure(_mapping(value))
    if name == "adapter":
        return _mapping(value)
    return _text(value)


def header_from(annotations: list[tuple[str, str, int]], path: str) -> tuple[Header, list[str]]:
    """The Header of (name, value text, line number) triples, and what was left out of it, in words. FileError names the
    line; of what a judgement does not hang on nothing is refused."""
    left_out: list[str] = []
    known: dict[str, Any] = {}
    other: dict[str, Any] = {}
    for name, text, line in annotations:
        if name not in _KNOWN:
            try:
                other[name] = load_json(text)
            except ValueError:
                other[name] = text  # not ours to judge: kept as it stands
            continue
        if name in known:
            raise FileError(f"'{name}' is given twice", path=path, line=line, do="remove one of the lines",
                            by_hand=True)
        try:
            known[name] = _value(name, load_value(name, text))
        except RecorderError as err:
            raise FileError(f"'{name}': {err.what}", path=path, line=line, do=err.do, by_hand=True) from None
        except (ValueError, TypeError, OverflowError) as err:
            what = f"'{name}' is {shown(text)} and cannot be used ({str(err)[:80]})"
            do = f"write it like '# {name}: {_EXAMPLES[name]}'" if name in _EXAMPLES \
                else "a newer version of the program may read it"
            if name not in _ASIDE:
                raise FileError(what, path=path, line=line, do=do, by_hand=name in _EXAMPLES) from None
            known[name] = None
            left_out.append(f"line {line}: {what}: it was left out; {do}")
    if "test" not in known:
        raise FileError(
            "there is no 'test' annotation, so this is not a recording", path=path,
            do="add a line like '# test: \"cap\"' above the header row", by_hand=True,
        )
    return Header(
        cast(TestKind, known["test"]), known.get("id"), known.get("started"), known.get("marked"),
        known.get("job") or "", known.get("adapter") or {}, known.get("calibration"),
        known.get("procedure") or {}, other,
    ), left_out
