"""Rows to text and back. Pure. What the text says is the truth: time to 1 µs, pressure to 0.0001 of its unit; what the
adapter sent is kept as it was."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from recorder.errors import FileError, RecorderError
from recorder.model import Rows
from recorder.recording.cells import LARGEST_NUMBER, BadRow, Grid
from recorder.units import pressure_factor_kpa

if TYPE_CHECKING:
    from recorder.model import FloatArray, IntArray

__all__ = [
    "LARGEST_KPA", "RAW_COLUMNS", "BadRow", "columns_line", "parse_rows", "pressure_unit", "rows_text", "written",
]

RAW_COLUMNS = ("seq", "device_us", "host_s", "counts", "supply", "temp_C", "flag")
_CHUNK = 1 << 20  # bytes parsed at a time, so that memory stays bounded
_FEW_ROWS = 100  # up to here a plain loop is faster than arrays
LARGEST_KPA = 1e5  # 1000 bar: beyond any transducer this program could meet
_LARGEST_TIME_S = 1e9
_WHOLE = {
    "seq": True, "device_us": True, "host_s": False, "counts": True, "supply": False, "temp_C": False,
}


def columns_line(unit: str = "kPa", raw: Sequence[str] = RAW_COLUMNS) -> str:
    """The header row, without its line end."""
    return ",".join(("time_s", f"pressure_{unit}", *raw))


def pressure_unit(columns: Sequence[str], path: str, line: int) -> str:
    """The unit in the name of the pressure column; FileError unless the two columns come first."""
    if len(columns) < 2 or columns[0] != "time_s" or not columns[1].startswith("pressure_"):
        shown = ",".join(columns)[:80]
        for mark, name in ((";", "semicolons"), ("\t", "tabs")):
            if columns[0].partition(mark)[0].strip(' "') == "time_s" and mark in columns[0]:
                raise FileError(f"the columns are separated by {name}", path=path, line=line,
                                do="separate them by commas, and write numbers with decimal points")
        raise FileError(
            f"the header row begins '{shown}', and 'time_s,pressure_<unit>' has to come first",
            path=path, line=line, do="put the two columns first and name them so, like 'time_s,pressure_kPa'",
        )
    if len(set(columns)) != len(columns):
        raise FileError("two columns have the same name", path=path, line=line, do="rename one")
    unit = columns[1].removeprefix("pressure_")
    try:
        pressure_factor_kpa(unit)
    except RecorderError as err:
        raise FileError(err.what, path=path, line=line, do="name a unit such as kPa") from None
    return unit


# ---------------------------------------------------------------- to text


def _ints(values: IntArray | None, n: int) -> list[Any]:
    if values is None:
        return [""] * n
    out: list[Any] = np.asarray(values).tolist()
    return ["" if v < 0 else v for v in out] if min(out, default=0) < 0 else out


def _floats(values: FloatArray | None, n: int, form: str) -> list[str]:
    if values is None:
        return [""] * n
    return ["" if v != v else form % v for v in np.asarray(values, float).tolist()]


def _temperatures(values: FloatArray | None, n: int) -> list[str]:
    """With two decimals, as most sensors need no more; where that is another number, with as many as tell it."""
    texts = _floats(values, n, "%.2f")
    if values is None or not any(texts):
        return texts
    each = zip(np.asarray(values, float).tolist(), texts, strict=True)
    return [text if not text or float(text) == value else np.format_float_positional(value, trim="-")
            for value, text in each]


def rows_text(rows: Rows, unit: str = "kPa") -> str:
    """The data rows as they stand in a file, one line each, with all columns of the format."""
    n = len(rows)
    if not n:
        return ""
    pressure = np.asarray(rows.pressure_kpa, float)
    if unit != "kPa":
        pressure = pressure / pressure_factor_kpa(unit)
    flag = [""] * n if rows.flag is None else rows.flag
    cells = zip(
        np.asarray(rows.time_s, float).tolist(), pressure.tolist(),
        _ints(rows.seq, n), _ints(rows.device_us, n), _floats(rows.host_s, n, "%.6f"),
        _ints(rows.counts, n), _floats(rows.supply, n, "%.10g"), _temperatures(rows.temp_c, n),
        flag, strict=True,
    )
    return "".join(["%.6f,%.4f,%s,%s,%s,%s,%s,%s,%s\n" % row for row in cells])  # noqa: UP031 (faster)


# ---------------------------------------------------------------- and back

SAME_TIME = 0.05  # of the rows may have the time of the row above: they are kept, and not judged


def _check(time_s: FloatArray, pressure_kpa: FloatArray, same_time: float) -> None:
    """BadRow; same_time: of the rows may have the time of the row above."""
    bad = ~(np.abs(time_s) <= _LARGEST_TIME_S)
    if bad.any():
        raise BadRow(int(bad.argmax()), f"time_s is {time_s[bad.argmax()]:g}, which no test lasts")
    rises = time_s[1:] > time_s[:-1]
    if not rises.all():
        goes_back = time_s[1:] < time_s[:-1]
        if goes_back.any():
            i = int(goes_back.argmax())
            raise BadRow(
                i + 1, f"time_s is {time_s[i + 1]:.6f}, before the row above ({time_s[i]:.6f})",
                "time has to rise from row to row; are the columns swapped?",
            )
        same = np.flatnonzero(~rises)  # a few, of a clock that is read too coarsely now and then, do no harm
        if len(same) > same_time * len(time_s):
            i = int(same[0])
            raise BadRow(
                i + 1,
                f"time_s is {time_s[i + 1]:.6f}, the same as the row above, and so it is in {len(same)} of "
                f"{len(time_s)} rows",
                "time has to rise from row to row: write it with more decimals, or are the columns swapped?",
            )
    bad = ~(np.abs(pressure_kpa) <= LARGEST_KPA)
    if bad.any():
        i = int(bad.argmax())
        raise BadRow(
            i, f"the pressure is {pressure_kpa[i]:g} kPa, which no cooling system has",
            "check the unit in the name of the pressure column",
        )


def _chunks(body: bytes, start: int, stop: int) -> Iterable[tuple[int, int]]:
    while start < stop:
        end = stop
        if end - start > _CHUNK:
            end = body.rfind(b"\n", start, start + _CHUNK) + 1 or body.find(b"\n", start, stop) + 1
        yield start, end
        start = end


def _joined(parts: list[Any], whole: bool) -> Any:
    if len(parts) == 1:
        return parts[0]
    return np.concatenate([np.empty(0, np.int64 if whole else np.float64), *parts])


def parse_rows(
    body: bytes, columns: Sequence[str], unit: str, start: int = 0, stop: int | None = None, *,
    same_time: float = SAME_TIME,
) -> Rows:
    """Data rows (whole lines with LF, no annotations) as arrays: all of ``body``, or what is from start to stop.
    same_time: of the rows may have the time of the row above.

    Unknown columns are ignored. Raises BadRow with the index of the first row that cannot be used.
    """
    factor = pressure_factor_kpa(unit)
    wanted = {columns[0]: False, columns[1]: False, **{n: _WHOLE[n] for n in columns if n in _WHOLE}}
    parts: dict[str, list[Any]] = {name: [] for name in wanted}
    flags: list[str] = []
    first = 0
    for begin, end in _chunks(body, start, len(body) if stop is None else stop):
        grid = Grid.of(body, begin, end, len(columns), first)
        for i, (name, whole) in enumerate(wanted.items()):
            parts[name].append(grid.numbers(columns.index(name), name, whole, required=i < 2))
        words = grid.words(columns.index("flag")) if "flag" in columns else None
        if words is not None:
            flags += [""] * (first - len(flags)) + words
        first += len(grid)
    if flags:
        flags += [""] * (first - len(flags))
    arrays: dict[str, Any] = {name: _joined(p, wanted[name]) for name, p in parts.items()}
    pressure = arrays[columns[1]] if factor == 1.0 else arrays[columns[1]] * factor
    _check(arrays["time_s"], pressure, same_time)
    return Rows(
        time_s=arrays["time_s"], pressure_kpa=pressure, seq=arrays.get("seq"),
        device_us=arrays.get("device_us"), host_s=arrays.get("host_s"),
        counts=arrays.get("counts"), supply=arrays.get("supply"), temp_c=arrays.get("temp_C"),
        flag=flags or None,
    )


# ---------------------------------------------------------------- both


def written(rows: Rows, unit: str = "kPa") -> tuple[bytes, Rows]:
    """The rows as they stand in a file, and what is read back from there. Raises BadRow."""
    text = rows_text(rows, unit)
    if len(rows) <= _FEW_ROWS and unit == "kPa":
        back = _few_rows(text)
        if back is not None:
            return text.encode(), back
    encoded = text.encode()
    return encoded, parse_rows(encoded, columns_line(unit).split(","), unit, same_time=0.0)


def _few_rows(text: str) -> Rows | None:
    """What ``parse_rows`` gives for a few rows of all columns; None where one of them is anything but usual."""
    if '"' in text or len(text) > _FEW_ROWS * 200:
        return None
    cells = [line.split(",") for line in text.split("\n")[:-1]]
    columns: list[list[Any]] = []
    before = -_LARGEST_TIME_S
    try:
        time_s, pressure, *raw, flag = zip(*cells, strict=True)
        times, pressures = list(map(float, time_s)), list(map(float, pressure))
        for name, column in zip(_WHOLE, raw, strict=True):
            kind, none = (int, -1) if _WHOLE[name] else (float, math.nan)
            columns.append([kind(cell) if cell else none for cell in column])
    except ValueError:
        return None
    for now, kpa in zip(times, pressures, strict=True):
        if not (before < now <= _LARGEST_TIME_S and abs(kpa) <= LARGEST_KPA):
            return None
        before = now
    if any(abs(value) >= LARGEST_NUMBER for column in columns for value in column):
        return None
    arrays: list[Any] = [
        np.array(column, np.int64 if whole else np.float64)
        for whole, column in zip(_WHOLE.values(), columns, strict=True)
    ]
    seq, device_us, host_s, counts, supply, temp_c = arrays
    return Rows(
        np.array(times), np.array(pressures), seq, device_us, host_s, counts, supply, temp_c,
        list(flag) if any(flag) else None,
    )
