"""Exports, read back by programs that are not ours."""

from __future__ import annotations

import csv
import json
import warnings
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from recorder.errors import FileError, SettingError
from recorder.recording import read
from recorder.recording.export import check_csvw, csvw, write_csvw, write_parquet, write_sheet
from tests.recording.test_recording_files import HEADER, sealed


def test_pandas_opens_a_recording(tmp_path: Path) -> None:
    path = sealed(tmp_path)
    table = pd.read_csv(path, comment="#")
    assert table["time_s"].tolist() == read(path).rows.time_s.tolist()


def test_csvw(tmp_path: Path) -> None:
    path = sealed(tmp_path)
    target = write_csvw(path)
    assert target.name == path.name + "-metadata.json"
    metadata = json.loads(target.read_text("utf-8"))
    assert check_csvw(metadata) == []
    assert metadata["dialect"]["commentPrefix"] == "#"
    titles = [c["titles"] for c in metadata["tableSchema"]["columns"]]
    assert titles == list(pd.read_csv(path, comment="#").columns)
    with pytest.raises(FileError, match="already"):
        write_csvw(path)


def outside(metadata: Path) -> tuple[list[str], list[dict[str, Any]]]:
    """The pair of files as a program that is not ours sees it: complaints, rows. The library csvw follows the
    W3C's 'Metadata Vocabulary for Tabular Data' and 'Model for Tabular Data' and checks every cell."""
    import csvw as library

    with warnings.catch_warnings():
        warnings.simplefilter("always")  # its complaints are warnings
        found = library.CSVW(str(metadata), validate=True)
        try:
            complaints = [] if found.is_valid else [str(w.message) for w in found.warnings]
        except ValueError as err:  # how it says that a primary key is given twice
            complaints = [str(err)]
        return complaints, [] if complaints else found.to_json(minimal=True)


def test_csvw_is_valid_and_complete_to_a_library(tmp_path: Path) -> None:
    path = sealed(tmp_path)
    complaints, table = outside(write_csvw(path))
    assert complaints == []
    rows = read(path).rows
    assert rows.seq is not None
    assert [row["pressure_kPa"] for row in table] == rows.pressure_kpa.tolist()
    assert [row["seq"] for row in table] == rows.seq.tolist()
    assert [row.get("flag", "") for row in table] == list(rows.flag or ())


@pytest.mark.parametrize(("file", "what", "instead"), [
    ("json", '"name": "seq"', '"name": "_seq"'),
    ("json", '"datatype": "nonNegativeInteger"', '"datatype": "date"'),
    ("csv", "\n0.000000,", "\nx0.000000,"), ("csv", "\n0.020000,", "\n0.000000,"),
])
def test_the_library_sees_what_is_broken(tmp_path: Path, file: str, what: str, instead: str) -> None:
    path = sealed(tmp_path)
    metadata = write_csvw(path)
    target = metadata if file == "json" else path
    text = target.read_text("utf-8")
    assert what in text
    target.write_text(text.replace(what, instead, 1), "utf-8")
    assert outside(metadata)[0]


def test_unknown_columns_are_described_too(tmp_path: Path) -> None:
    path = tmp_path / "two.csv"
    path.write_text('# test: "cap"\ntime_s,pressure_psi,my note,_x,oil-temp\n0,1.5,a,b,80\n0.5,1.6,"c, d",e,81\n',
                    "utf-8")
    complaints, table = outside(write_csvw(path))
    assert complaints == [] and table[1]["my%20note"] == "c, d" and table[1]["oil%2Dtemp"] == "81"


def test_another_column_that_is_called_a_pressure_may_be_empty_text(tmp_path: Path) -> None:
    path = tmp_path / "two.csv"
    path.write_text('# test: "cap"\ntime_s,pressure_psi,pressure_of_tyres\n0,1.5,\n0.5,1.6,low\n', "utf-8")
    complaints, table = outside(write_csvw(path))
    assert complaints == [] and table[1]["pressure_of_tyres"] == "low"


ODD = ('# test: "cap"\n# weather: {"rain": true}\ntime_s,pressure_psi,rpm,my note,pressure_kPa\n'
       '0,1.5,0800,"a ""b"", c",\n0.5,1.6,,=1+1,x\n# later: [1]\n1,1.7,3,é,y\n# mark: {"time_s": 1, "text": "drip"}\n')


def test_parquet_keeps_what_other_programs_added(tmp_path: Path) -> None:
    pq = pytest.importorskip("pyarrow.parquet")
    path = tmp_path / "odd.csv"
    path.write_text(ODD, "utf-8")
    table = pq.read_table(write_parquet(read(path), tmp_path / "x.parquet"))
    assert table.column_names == ["time_s", "pressure_kPa", "rpm", "my note", "pressure_kPa (file)"]
    assert table["rpm"].to_pylist() == ["0800", "", "3"]
    assert table["my note"].to_pylist() == ['a "b", c', "=1+1", "é"]
    assert table["pressure_kPa (file)"].to_pylist() == ["", "x", "y"]
    assert table.schema.metadata[b"annotations"] == b'# test: "cap"\n# weather: {"rain": true}\n# later: [1]\n'
    assert json.loads(table.schema.metadata[b"marks"]) == [{"time_s": 1.0, "text": "drip"}]


def test_the_spreadsheet_keeps_what_other_programs_added(tmp_path: Path) -> None:
    path = tmp_path / "odd.csv"
    path.write_text(ODD, "utf-8")
    rows = list(csv.reader(write_sheet(read(path), tmp_path / "x.txt").read_text("utf-8-sig").splitlines()))
    head = rows.index(["time_s", "pressure_kPa", "rpm", "my note", "pressure_kPa (file)"])
    assert rows[head + 2][2:] == ["", "'=1+1", "x"]


@pytest.mark.parametrize("cell", ["a\rb", "\ra", "a\x00b", "a\u2028b\x0c"])
def test_signs_within_a_text_of_another_program_are_kept(tmp_path: Path, cell: str) -> None:
    """A bare CR ends no line of a recording: the table of it is read, and so it has to be written."""
    pq = pytest.importorskip("pyarrow.parquet")
    path = tmp_path / "odd.csv"
    path.write_bytes(f'# test: "cap"\ntime_s,pressure_kPa,note,more\n0,1.5,{cell},x\n0.5,1.6,b,y\n'.encode())
    table = pq.read_table(write_parquet(read(path), tmp_path / "x.parquet"))
    assert table["note"].to_pylist() == [cell, "b"] and table["more"].to_pylist() == ["x", "y"]
    assert len(write_sheet(read(path), tmp_path / "x.txt").read_text("utf-8-sig").splitlines()) == 7


def test_a_file_that_was_cut_shorter_meanwhile_is_no_export(tmp_path: Path) -> None:
    path = tmp_path / "odd.csv"
    path.write_text(ODD, "utf-8")
    found = read(path)
    path.write_text(ODD[: ODD.index("# later")], "utf-8")
    with pytest.raises(FileError, match="changed while it was read"):
        write_sheet(found, tmp_path / "x.txt")
    path.write_text(ODD + "1.5,1.8,3,more,z\n", "utf-8")  # it runs on
    assert "more" not in write_sheet(found, tmp_path / "x.txt").read_text("utf-8-sig")


def test_an_export_says_that_its_file_was_altered_or_simulated(tmp_path: Path) -> None:
    pq = pytest.importorskip("pyarrow.parquet")
    path = sealed(tmp_path)
    path.write_bytes(path.read_bytes().replace(b"drip", b"drop").replace(b"# job", b"# simulated: true\n# job", 1))
    facts = pq.read_table(write_parquet(read(path), tmp_path / "x.parquet")).schema.metadata
    assert json.loads(facts[b"intact"]) is False and b"# simulated: true" in facts[b"annotations"]
    text = write_sheet(read(path), tmp_path / "x.txt").read_text("utf-8-sig")
    assert "seal,ALTERED since it was sealed" in text and "SIMULATED," in text


def test_csvw_rules_bite(tmp_path: Path) -> None:
    good = csvw(sealed(tmp_path))
    changes: list[dict[str, Any]] = [
        {"@context": "x"}, {"url": ""}, {"url": 3}, {"tableSchema": {}}, {"tableSchema": []}, {"color": 1},
        {"dialect": {"commentPrefix": 3}}, {"dialect": "#"},
    ]
    for change in changes:
        assert check_csvw({**good, **change})
    schema = good["tableSchema"]
    assert check_csvw({**good, "tableSchema": {**schema, "primaryKey": "nowhere"}})
    assert check_csvw({**good, "tableSchema": {**schema, "columns": [*schema["columns"], schema["columns"][0]]}})
    good["tableSchema"]["columns"][0]["name"] = "a b"
    assert check_csvw(good)
    good["tableSchema"]["columns"][0]["name"] = "_x"
    assert check_csvw(good)


def test_parquet(tmp_path: Path) -> None:
    pq = pytest.importorskip("pyarrow.parquet")
    found = read(sealed(tmp_path))
    table = pq.read_table(write_parquet(found, tmp_path / "x.parquet"))
    assert table["pressure_kPa"].to_pylist() == found.rows.pressure_kpa.tolist()
    assert table["supply"].null_count == len(found.rows)
    assert b"grad" not in table.schema.metadata[b"annotations"]
    assert HEADER.adapter["id"].encode() in table.schema.metadata[b"annotations"]


@pytest.mark.usefixtures("no_pyarrow")
def test_parquet_says_what_is_missing(tmp_path: Path) -> None:
    with pytest.raises(SettingError, match="parquet"):
        write_parquet(read(sealed(tmp_path)), tmp_path / "x.parquet")


def test_sheet_runs_no_formula(tmp_path: Path) -> None:
    data = sealed(tmp_path).read_bytes().replace(b"drip at", b"=2+3 at")
    path = tmp_path / "changed.csv"
    path.write_bytes(data)
    target = write_sheet(read(path), tmp_path / "sheet.txt")
    cells = [c for row in csv.reader(target.read_text("utf-8-sig").splitlines()) for c in row]
    assert "'=2+3 at the lower hose clamp" in cells
    assert not [c for c in cells if c[:1] in ("=", "@", "+", "\t")]


def test_a_folder_of_exports_is_one_table(tmp_path: Path) -> None:
    """A data program takes the first file's columns for all; the flags of the others must not be lost."""
    dataset = pytest.importorskip("pyarrow.dataset")
    head = '# test: "cap"\ntime_s,pressure_kPa,seq,device_us,host_s,counts,supply,temp_C,flag\n'
    exported = []
    for name, flag in (("a", ""), ("b", "gap")):
        path = tmp_path / f"{name}.csv"
        path.write_text(f"{head}0,0,0,0,0,100,,,\n0.1,0,5,100000,0.1,100,,,{flag}\n", encoding="utf-8")
        exported.append(write_parquet(read(path), tmp_path / f"{name}.parquet"))
    table = dataset.dataset(exported).to_table()
    assert table.column_names == head.splitlines()[1].split(",")
    assert table["flag"].to_pylist() == ["", "", "", "gap"]
