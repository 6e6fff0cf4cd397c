"""Recordings: rows and text, the writer, the reader, the ledger."""

from recorder.recording.altered import altered_where
from recorder.recording.annotations import ended
from recorder.recording.differing import differing_keys
from recorder.recording.ledger import (
    LedgerCheck,
    is_ledger,
    ledger_lines,
    listed_in,
    other_order,
    verify_ledger,
)
from recorder.recording.ledger_append import append_ledger
from recorder.recording.named import of_file
from recorder.recording.program import program_of, program_versions
from recorder.recording.raw import RawDifference, verify_raw
from recorder.recording.reader import LARGEST_BYTES, parse, read, read_bytes
from recorder.recording.resaved import Legible, legible
from recorder.recording.rows import LARGEST_KPA, columns_line, rows_text
from recorder.recording.seal import seal_of
from recorder.recording.tester import latest_tester
from recorder.recording.writer import Writer, check_folder

__all__ = [
    "LARGEST_BYTES",
    "LARGEST_KPA",
    "LedgerCheck",
    "Legible",
    "RawDifference",
    "Writer",
    "altered_where",
    "append_ledger",
    "check_folder",
    "columns_line",
    "differing_keys",
    "ended",
    "is_ledger",
    "latest_tester",
    "ledger_lines",
    "legible",
    "listed_in",
    "of_file",
    "other_order",
    "parse",
    "program_of",
    "program_versions",
    "read",
    "read_bytes",
    "rows_text",
    "seal_of",
    "verify_ledger",
    "verify_raw",
]
