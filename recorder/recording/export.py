"""A recording for other programs: Parquet, CSV on the Web metadata, or a plain sheet. Nothing is overwritten."""

from __future__ import annotations

import json
import os
import re
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np

from recorder.errors import FileError, SettingError, as_text, printable
from recorder.model import Recording
from recorder.recording.foreign import annotation_lines, column_names, foreign_columns
from recorder.recording.reader import parse, read_bytes
from recorder.recording.spreadsheet import sheet_line
from recorder.recording.whole import write_whole

__all__ = ["check_csvw", "csvw", "write_csvw", "write_parquet", "write_sheet"]

_NOT_REAL = "invented demo data, no real vehicle was tested"
_SEALS = {True: "sealed and unchanged", False: "ALTERED since it was sealed", None: "none"}
MOST_SHEET_ROWS = 1_000_000  # spreadsheets commonly end at 2**20 rows; common practice, no source

# name -> CSVW datatype, meaning
_COLUMNS = {
    "time_s": ("decimal", "seconds since the first sample, on the adapter's clock"),
    "seq": ("nonNegativeInteger", "sequence number of the sample, wraps at 65536"),
    "device_us": ("nonNegativeInteger", "adapter clock in microseconds, wraps at 4294967296"),
    "host_s": ("decimal", "arrival on the host's clock, seconds, same origin as time_s"),
    "counts": ("nonNegativeInteger", "reading of the converter"),
    "supply": ("decimal", "supply counts"),
    "temp_C": ("decimal", "temperature, degrees Celsius"),
    "flag": ("string", "empty, or words joined by +"),
}


def _new_file(path: Path, data: bytes, do: str = "choose another place with --folder") -> Path:
    try:
        write_whole(path, data)
    except FileExistsError:
        raise FileError("the file is there already", path=str(path),
                        do="remove it, or pass over it with --skip-existing") from None
    except OSError as err:
        raise FileError(f"it cannot be written ({err.strerror})", path=str(path), do=do) from None
    return path


def csvw(path: str | os.PathLike[str]) -> dict[str, Any]:
    """The metadata of a recording as the W3C's 'Metadata Vocabulary for Tabular Data' (2015) has it."""
    data = read_bytes(path)
    recording = parse(data, os.fspath(path))
    columns = []
    for i, name in enumerate(column_names(data) or [""]):
        kind, meaning = _COLUMNS.get(name, ("string", "not a column of the format"))
        if i == 1:  # another one by such a name is somebody's own
            kind, meaning = "decimal", f"calibrated gauge pressure before zero correction, {name[9:]}"
        columns.append({
            "name": _variable(name).lstrip("_") or "column", "titles": name, "datatype": kind,
            "required": i < 2, "dc:description": meaning,
        })
    header = recording.header
    return {
        "@context": ["http://www.w3.org/ns/csvw", {"@language": "en"}],
        "url": quote(Path(path).name),
        "dc:title": f"Pressure test: {header.test}",
        "dc:date": header.started or "",
        "dialect": {"commentPrefix": "#", "header": True, "delimiter": ",", "encoding": "utf-8",
                    "quoteChar": '"', "doubleQuote": True},
        "tableSchema": {"columns": columns, "primaryKey": "time_s"},
    }


def _variable(name: str) -> str:
    """A column's name as RFC 6570, section 2.3, lets a variable be called: ``quote`` leaves two signs that it does
    not."""
    return quote(name, safe="").replace("-", "%2D").replace("~", "%7E")


_NAME = re.compile(r"(?:[A-Za-z0-9_.]|%[0-9A-Fa-f]{2})+")
_TYPES = {"decimal", "nonNegativeInteger", "string", "double", "integer", "dateTime", "boolean", "any"}


def check_csvw(metadata: Any) -> list[str]:
    """What breaks the W3C rules for a table description, as far as ours use them; empty when sound.

    Source: 'Metadata Vocabulary for Tabular Data', W3C Recommendation 17 December 2015, sections 5.1, 5.2,
    5.4, 5.5, 5.6 and 5.9.
    """
    if not isinstance(metadata, dict):
        return ["it is not an object"]
    found = []
    context = metadata.get("@context")
    if (context[0] if isinstance(context, list) and context else context) != "http://www.w3.org/ns/csvw":
        found.append("@context does not begin with http://www.w3.org/ns/csvw")
    if not isinstance(metadata.get("url"), str) or not metadata["url"]:
        found.append("url is missing")
    dialect = metadata.get("dialect", {})
    if not isinstance(dialect, dict) or not isinstance(dialect.get("commentPrefix", ""), str):
        found.append("dialect is not an object with a text commentPrefix")
    schema = metadata.get("tableSchema")
    columns = schema.get("columns") if isinstance(schema, dict) else None
    if not isinstance(columns, list) or not columns:
        return [*found, "tableSchema has no columns"]
    names = [c.get("name") if isinstance(c, dict) else None for c in columns]
    for name, column in zip(names, columns, strict=True):
        if not isinstance(name, str) or name.startswith("_") or not _NAME.fullmatch(name):
            found.append(f"column name {name!r} is not one")
        elif column.get("datatype", "string") not in _TYPES:
            found.append(f"column {name} has an unknown datatype")
    if len(set(map(str, names))) != len(names):
        found.append("two columns have the same name")
    key = schema.get("primaryKey", []) if isinstance(schema, dict) else []
    if any(k not in names for k in ([key] if isinstance(key, str) else key)):
        found.append("primaryKey names no column")
    for name in metadata:
        if ":" not in name and name not in ("@context", "@id", "@type", "url", "dialect", "tableSchema", "notes"):
            found.append(f"{name} is not a property of a table")
    return found


def write_csvw(path: str | os.PathLike[str]) -> Path:
    """``<file>-metadata.json`` beside the recording, where CSVW programs look for it."""
    metadata = csvw(path)
    wrong = check_csvw(metadata)
    if wrong:
        raise FileError(f"its columns cannot be described: {wrong[0]}", path=os.fspath(path))
    target = Path(f"{os.fspath(path)}-metadata.json")
    return _new_file(target, (json.dumps(metadata, indent=2, ensure_ascii=False) + "\n").encode(),
                     "it has to stand beside its recording: copy that to a folder that can be written to, and export "
                     "the copy")


def _table(recording: Recording, data: bytes) -> dict[str, Any]:
    """Columns by name. data: the file's bytes, for those of other programs, which are kept as text and come last."""
    rows = recording.rows
    flag = rows.flag
    if flag is None and "flag" in column_names(data)[2:]:  # none was set; of many exports the columns are the same
        flag = [""] * len(rows)
    table = {
        "time_s": rows.time_s, "pressure_kPa": rows.pressure_kpa, "seq": rows.seq, "device_us": rows.device_us,
        "host_s": rows.host_s, "counts": rows.counts, "supply": rows.supply, "temp_C": rows.temp_c,
        "flag": flag,
    }
    known = {name: column for name, column in table.items() if column is not None}
    for name, cells in foreign_columns(data, len(rows), recording.path).items():
        while name in known:  # say pressure_kPa beside pressure_psi
            name += " (file)"
        known[name] = cells
    return known


def _is_text(column: Any) -> bool:
    return not isinstance(column, np.ndarray)


def write_parquet(recording: Recording, target: str | os.PathLike[str]) -> Path:
    """Rows as Parquet, columns of other programs as text; annotations as they stand in the file, faults, marks,
    judgement and seal in the schema's metadata. The recording has to be one of a file. SettingError where pyarrow is
    not installed."""
    try:
        import pyarrow as pa  # type: ignore[import-untyped,unused-ignore]
        import pyarrow.parquet as pq  # type: ignore[import-untyped,unused-ignore]
    except ImportError:
        raise SettingError("Parquet needs the package pyarrow, which is not installed",
                           do="install this program with its extra 'parquet'") from None
    columns = {}
    data = read_bytes(recording.path)
    for name, column in _table(recording, data).items():
        if _is_text(column):
            columns[name] = pa.array(column, pa.string())
        elif np.issubdtype(column.dtype, np.integer):
            columns[name] = pa.array(column, pa.int64(), mask=column < 0)
        else:
            columns[name] = pa.array(column, pa.float64(), mask=np.isnan(column))
    facts = {"annotations": annotation_lines(data), "sha256": (recording.sha256 or "").encode(),
             "judgement": json.dumps(recording.judgement).encode(),
             "intact": json.dumps(recording.intact).encode(),
             "faults": json.dumps([run.to_json() for run in recording.faults]).encode(),
             "marks": json.dumps([{"time_s": m.time_s, "text": m.text} for m in recording.marks]).encode()}
    table = pa.table(columns).replace_schema_metadata(facts)
    sink = pa.BufferOutputStream()
    pq.write_table(table, sink)
    return _new_file(Path(target), sink.getvalue().to_pybytes())


def write_sheet(recording: Recording, target: str | os.PathLike[str]) -> Path:
    """A CSV for a spreadsheet: facts on top, then the rows; no cell can be run as a formula. FileError where it has
    more rows than a spreadsheet takes."""
    if len(recording.rows) > MOST_SHEET_ROWS:
        raise FileError(
            f"it has {len(recording.rows)} samples, and a spreadsheet holds {MOST_SHEET_ROWS} rows at most",
            path=recording.path, do="use '--to parquet' and a data program",
        )
    header, judgement = recording.header, recording.judgement or {}
    facts: list[tuple[str, Any]] = [
        ("file", Path(recording.path).name), ("SIMULATED", _NOT_REAL if header.simulated else None),
        ("seal", "MISSING" if recording.seal_missing else _SEALS[recording.intact]),
        ("test", header.test), ("started", header.started), ("job", header.job),
        ("repair before", header.other.get("repair")),
        ("marked", f"{header.marked.value:g} {header.marked.unit}" if header.marked else None),
        ("adapter", header.adapter.get("id")), ("stored outcome", judgement.get("outcome")),
        *((f"mark at {m.time_s:.2f} s", m.text) for m in recording.marks),
    ]
    lines = [sheet_line([k, printable(as_text(v))]) for k, v in facts if v not in (None, "")]
    table = _table(recording, read_bytes(recording.path))
    lines += [sheet_line([]), sheet_line([printable(name) for name in table])]
    columns: list[list[Any]] = []
    for column in table.values():
        if _is_text(column):
            columns.append([printable(cell) for cell in column])
        else:
            empty = column < 0 if np.issubdtype(column.dtype, np.integer) else np.isnan(column)
            columns.append([None if e else v for e, v in zip(empty.tolist(), column.tolist(), strict=True)])
    lines += [sheet_line(row) for row in zip(*columns, strict=True)]
    return _new_file(Path(target), "".join(lines).encode("utf-8-sig"))
