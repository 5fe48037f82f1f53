"""Tables for a spreadsheet: what goes out comes back, whole or not at all."""

import csv
import os
import sys
from datetime import UTC, datetime
from pathlib import Path

import openpyxl
import pandas as pd
import pyarrow as pa
import pytest
import xlsxwriter
from checkout import DATA
from command import run
from random_tables import random_table, with_values
from stored_sessions import ASKED, files_below, tables_of

from pipeline.errors import InputError, OutputError, UsageError
from pipeline.tables import export as stage
from pipeline.tables import folders, schema, work_folder, writing
from pipeline.tables.export import export_tables, heading

OLD = DATA / "old_lake"
SESSIONS = ("otter", "wren")


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    """Two sessions and every table of decisions; do not write here."""
    out = tmp_path_factory.mktemp("filled") / "out"
    for seed, session in enumerate(SESSIONS):
        writing.write_session(out, session, tables_of(session, seed, rows=20), ASKED)
    decisions = {name: random_table(name, rows=10) for name in schema.DECISIONS}
    writing.write_decisions(out, decisions, ASKED)
    return out


def rows_of(out: Path, name: str, sessions=SESSIONS) -> list[dict]:
    if name in schema.DECISIONS:
        return schema.read_part(folders.decision_path(out, name)).to_pylist()
    paths = [folders.part_path(out, name, session) for session in sessions]
    return [row for path in paths for row in schema.read_part(path).to_pylist()]


def lines_of(path: Path) -> list[list[str]]:
    text = path.read_bytes().decode("utf-8")
    assert text.count("\n") == text.count("\r\n")  # as RFC 4180 has it
    return list(csv.reader(text.splitlines()))


def value_of(column: schema.Column, cell: str):
    """A CSV's cell as the value it stands for."""
    if column.type.startswith(("string", "list")):
        cell = cell.removeprefix("'")
        if column.type == "string":
            return cell
        return cell.split("; ") if cell else []
    if not cell:
        return None
    if column.type == "bool":
        return {"true": True, "false": False}[cell]
    if column.type == "timestamp":
        return datetime.fromisoformat(cell)
    return float(cell) if column.type == "float64" else int(cell)


def as_text(value):
    """Null and empty text are the same in CSV and in a sheet."""
    return "" if value is None else value


# --- there and back -----------------------------------------------------------------------


@pytest.mark.parametrize("name", schema.ALL_TABLES)
def test_csv_holds_every_value_to_the_last_digit(filled, tmp_path, name):
    done = export_tables(filled, tmp_path / "table.csv", tables=[name])
    titles, *lines = lines_of(tmp_path / "table.csv")
    columns = schema.facts(name).columns
    wanted = rows_of(filled, name)
    assert titles == [heading(column) for column in columns]
    assert len(lines) == len(wanted) > 0
    assert done.rows == ((name, len(wanted)),)
    for line, row in zip(lines, wanted, strict=True):
        for column, cell in zip(columns, line, strict=True):
            text = column.type == "string"
            value = as_text(row[column.name]) if text else row[column.name]
            if text:
                assert value_of(column, cell) == value.removeprefix("'")
            else:
                assert value_of(column, cell) == value


def test_pandas_reads_the_csv(filled, tmp_path):
    export_tables(filled, tmp_path / "t.csv")
    frame = pd.read_csv(tmp_path / "t.csv", parse_dates=["zero_utc"])
    wanted = rows_of(filled, "exchanges")
    assert frame["zone_time_s"].dtype == float
    assert frame["exchange"].tolist() == [row["exchange"] for row in wanted]
    given = [None if pd.isna(value) else value for value in frame["zone_time_s"]]
    assert given == [row["zone_time_s"] for row in wanted]
    assert str(frame["zero_utc"].dt.tz) == "UTC"
    assert frame["zero_utc"].tolist() == [pd.Timestamp(row["zero_utc"]) for row in wanted]


def test_the_workbook_holds_numbers_dates_and_empty_cells(filled, tmp_path):
    done = export_tables(filled, tmp_path / "season.xlsx")
    book = openpyxl.load_workbook(tmp_path / "season.xlsx")
    names = [name for name in schema.ALL_TABLES if name != "speed_curves"]
    assert book.sheetnames == [*names, "columns"]
    assert [name for name, _ in done.rows] == names
    for name in names:
        sheet, columns = book[name], schema.facts(name).columns
        assert sheet.freeze_panes == "A2"
        titles, *rows = sheet.iter_rows(values_only=True)
        assert list(titles) == [heading(column) for column in columns]
        for cells, row in zip(rows, rows_of(filled, name), strict=True):
            for column, cell in zip(columns, cells, strict=True):
                value = row[column.name]
                match value:
                    case datetime():
                        wanted = value.replace(tzinfo=None)
                        assert abs((cell - wanted).total_seconds()) <= 0.001
                    case float():
                        assert cell == pytest.approx(value, rel=1e-12)
                    case list():
                        assert as_text(cell) == "; ".join(value)
                    case _:
                        assert cell == value


def test_the_workbook_says_what_its_columns_mean(filled, tmp_path):
    export_tables(filled, tmp_path / "t.xlsx", tables=["exchanges"])
    book = openpyxl.load_workbook(tmp_path / "t.xlsx")
    titles, *rows = book["columns"].iter_rows(values_only=True)
    said = [dict(zip(titles, row, strict=True)) for row in rows]
    for column, row in zip(schema.facts("exchanges").columns, said, strict=True):
        assert row["column"] == column.name
        assert (row["unit"] or "") == column.unit
        assert row["meaning"] == column.meaning
        assert (row["standard error"] or None) == column.sd


def test_pandas_reads_the_workbook(filled, tmp_path):
    export_tables(filled, tmp_path / "t.xlsx", tables=["exchanges", "marks"])
    frame = pd.read_excel(tmp_path / "t.xlsx", sheet_name="marks")
    assert frame["advised"].tolist() == [row["advised"] for row in rows_of(filled, "marks")]
    wanted = [row["mark_m"] for row in rows_of(filled, "marks")]
    assert frame["mark_m"].tolist() == pytest.approx(wanted, rel=1e-12)


def test_a_folder_holds_every_table_and_what_columns_mean(filled, tmp_path):
    done = export_tables(filled, tmp_path / "all")
    assert {path.name for path in done.paths} == {
        f"{n}.csv" for n in (*schema.ALL_TABLES, "columns")
    }
    assert {path.name for path in (tmp_path / "all").iterdir()} == {p.name for p in done.paths}
    titles, *lines = lines_of(tmp_path / "all" / "columns.csv")
    said = [(line[titles.index("table")], line[titles.index("column")]) for line in lines]
    assert said == [(n, column) for n in schema.ALL_TABLES for column in schema.facts(n).names]


def test_the_same_tables_give_the_same_bytes(filled, tmp_path):
    for name in ("a.csv", "a.xlsx"):
        export_tables(filled, tmp_path / name)
        first = (tmp_path / name).read_bytes()
        export_tables(filled, tmp_path / name)
        assert (tmp_path / name).read_bytes() == first


def test_an_old_lake_goes_out_too(tmp_path):
    export_tables(OLD, tmp_path / "old.csv")
    frame = pd.read_csv(tmp_path / "old.csv")
    assert frame["exchange"].tolist() == [1, 2]
    assert frame["foot_m"].isna().all()


def test_every_unit_stands_in_its_heading():
    columns = [column for name in schema.ALL_TABLES for column in schema.facts(name).columns]
    said = {heading(column): column.unit for column in columns}
    endings = ("_s", "_m", "_mps", "_mps2", "_hz", "_ppm", "_feet")
    for title, unit in said.items():
        assert bool(unit) == (title.endswith(endings) or title.endswith(f" [{unit}]"))
    assert said["steps_to_pass [steps]"] == "steps"
    assert said["a_mps2"] == "m/s²"


# --- texts that a spreadsheet could take for something else -----------------------------------

FORMULA = '=HYPERLINK("x")'


@pytest.fixture
def risky(tmp_path):
    out = tmp_path / "risky"
    tables = tables_of("-evening")
    remarks = ["+1", 'a "quoted", comma', "line\nbreak"]
    tables["exchanges"] = with_values(tables["exchanges"], incoming=FORMULA, remarks=remarks)
    writing.write_session(out, "-evening", tables, ASKED)
    return out


def test_a_formula_in_csv_is_text(risky, tmp_path):
    export_tables(risky, tmp_path / "t.csv")
    titles, *lines = lines_of(tmp_path / "t.csv")
    row = dict(zip(titles, lines[0], strict=True))
    assert row["incoming"] == "'" + FORMULA
    assert row["session"] == "'-evening"
    assert row["remarks"] == '\'+1; a "quoted", comma; line break'


@pytest.mark.parametrize(
    "before", ["", " ", "\t", "\r", "\n", "\0", "\u200b", "\ufeff", "\u00a0 \u202e"]
)
@pytest.mark.parametrize("sign", [*"=+-@", *"＝＋－＠", *"﹦﹢﹣﹫"])
def test_whatever_a_spreadsheet_takes_for_a_formula_is_text(tmp_path, before, sign):
    """Wide signs, small signs, and what cannot be seen before them."""
    written = f"{before}{sign}1+1|cmd"
    column = next(c for c in schema.facts("exchanges").columns if c.name == "incoming")
    values = pa.chunked_array([[written, "wren", f"a{sign}b", "", None, " wren", "9"]])
    cells = stage._csv_values(column, values).to_pylist()
    assert cells[0].startswith("'")
    assert cells[0].endswith(f"{sign}1+1|cmd")
    assert cells[1:] == ["wren", f"a{sign}b", "", None, " wren", "9"]
    with xlsxwriter.Workbook(str(tmp_path / "t.xlsx")) as book:
        stage._write_cell(book.add_worksheet(), 0, 0, written, None)
    cell = openpyxl.load_workbook(tmp_path / "t.xlsx").active.cell(1, 1)
    assert cell.data_type == "s"
    assert cell.value.endswith(f"{sign}1+1|cmd")


@pytest.mark.parametrize("start", ["\t", "\r", "\n"])
def test_a_tab_or_a_line_break_starts_no_cell(start):
    column = next(c for c in schema.facts("exchanges").columns if c.name == "incoming")
    (cell,) = stage._csv_values(column, pa.chunked_array([[f"{start}wren"]])).to_pylist()
    assert cell[0] not in "\t\r\n"


def test_numbers_below_zero_stay_numbers(risky, tmp_path):
    wanted = schema.read_part(folders.part_path(risky, "speed_curves", "-evening"))[
        "t_s"
    ].to_pylist()
    export_tables(risky, tmp_path / "t.csv", tables=["speed_curves"])
    titles, *lines = lines_of(tmp_path / "t.csv")
    assert [float(line[titles.index("t_s")]) for line in lines] == wanted
    assert min(wanted) < 0


def test_a_formula_in_a_workbook_is_text_as_it_was(risky, tmp_path):
    export_tables(risky, tmp_path / "t.xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "t.xlsx")["exchanges"]
    titles = [cell.value for cell in sheet[1]]
    cell = sheet.cell(2, titles.index("incoming") + 1)
    assert (cell.data_type, cell.value) == ("s", FORMULA)


def test_a_text_longer_than_a_cell_is_cut_and_says_so(tmp_path):
    tables = tables_of("otter")
    tables["exchanges"] = with_values(tables["exchanges"], remarks=["x" * 40_000])
    writing.write_session(tmp_path / "out", "otter", tables, ASKED)
    export_tables(tmp_path / "out", tmp_path / "t.xlsx", tables=["exchanges"])
    last = openpyxl.load_workbook(tmp_path / "t.xlsx")["exchanges"].cell(2, len(
        schema.facts("exchanges").columns
    )).value  # fmt: skip
    assert len(last) == stage.CELL_CHARACTERS
    assert last.endswith("x…")


def test_times_before_a_sheets_calendar_are_text(tmp_path):
    tables = tables_of("otter")
    early = datetime(1850, 1, 2, 3, 4, 5, tzinfo=UTC)
    tables["exchanges"] = with_values(tables["exchanges"], zero_utc=early)
    writing.write_session(tmp_path / "out", "otter", tables, ASKED)
    export_tables(tmp_path / "out", tmp_path / "t.xlsx")
    frame = pd.read_excel(tmp_path / "t.xlsx", sheet_name="exchanges")
    assert frame["zero_utc"].tolist() == [early.isoformat()] * 3


# --- what is asked, and what cannot be ---------------------------------------------------------


def test_sessions_narrow_what_has_a_session(filled, tmp_path):
    export_tables(filled, tmp_path / "one", sessions=["wren"])
    assert not (tmp_path / "one" / "marks.csv").exists()
    for name in schema.TABLES:
        titles, *lines = lines_of(tmp_path / "one" / f"{name}.csv")
        assert {line[titles.index("session")] for line in lines} == {"wren"}


@pytest.mark.parametrize(
    ("to", "asked", "words"),
    [
        ("t.txt", {}, "FILE.csv, FILE.xlsx or a folder"),
        ("t.csv", {"tables": ["exchanges", "marks"]}, "FILE.csv holds one"),
        ("t.csv", {"tables": ["takeovers"]}, "no such table"),
        ("t.csv", {"sessions": ["oter"]}, "one of otter"),
        ("t.csv", {"tables": ["marks"], "sessions": ["otter"]}, "all sessions together"),
        ("out/exchanges/t.csv", {}, "another place"),
        ("out/season/t.csv", {}, "another place"),
    ],
)
def test_what_cannot_be_is_said(filled, tmp_path, to, asked, words):
    where = filled.parent / to if to.startswith("out/") else tmp_path / to
    before = files_below(filled)
    with pytest.raises(UsageError, match=words):
        export_tables(filled, where, **asked)
    assert not list(tmp_path.iterdir())
    assert files_below(filled) == before


def test_tables_that_are_not_there(tmp_path):
    with pytest.raises(InputError, match="batontrace process"):
        export_tables(tmp_path / "none", tmp_path / "t.csv")
    with pytest.raises(InputError, match="batontrace order"):
        export_tables(OLD, tmp_path / "t.csv", tables=["orders"])
    assert not list(tmp_path.iterdir())


def test_a_broken_session_is_left_out_with_a_remark(tmp_path):
    out = tmp_path / "out"
    for session in SESSIONS:
        writing.write_session(out, session, tables_of(session), ASKED)
    folders.part_path(out, "exchanges", "otter").write_bytes(b"PAR1 and no more")
    done = export_tables(out, tmp_path / "t.csv")
    assert done.rows == (("exchanges", 3),)
    assert any("session=otter" in remark for remark in done.remarks)
    assert str(tmp_path) not in "".join(done.remarks)
    before = (tmp_path / "t.csv").read_bytes()
    folders.part_path(out, "exchanges", "wren").write_bytes(b"")
    with pytest.raises(InputError, match="process the session again"):
        export_tables(out, tmp_path / "t.csv")
    assert (tmp_path / "t.csv").read_bytes() == before


@pytest.mark.parametrize("to", ["t.csv", "t.xlsx", "folder"])
def test_a_failure_leaves_what_was_there(filled, tmp_path, monkeypatch, to):
    export_tables(filled, tmp_path / to)
    before = files_below(tmp_path)
    written = [0]

    def full(_path: Path) -> None:
        written[0] += 1
        if to != "folder" or written[0] == 3:
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(work_folder, "sync", full)
    with pytest.raises(OutputError, match=r"No space left.*choose another --to"):
        export_tables(filled, tmp_path / to, sessions=["otter"])
    assert files_below(tmp_path) == before
    assert not list(tmp_path.rglob(".*"))


def test_files_of_a_folder_are_replaced_together(filled, tmp_path, monkeypatch):
    export_tables(filled, tmp_path / "all")
    before = files_below(tmp_path)
    replace, moved = os.replace, []

    def third_fails(source, target):
        moved.extend([target] if target.suffix == ".csv" else [])
        if len(moved) == 3:
            raise OSError(13, "Permission denied")
        replace(source, target)

    monkeypatch.setattr(os, "replace", third_fails)
    with pytest.raises(OutputError, match=r"Permission denied.*choose another --to"):
        export_tables(filled, tmp_path / "all", sessions=["otter"])
    assert files_below(tmp_path) == before
    assert len(moved) > 3  # and back


@pytest.mark.parametrize("to", ["t.csv", "t.xlsx", "folder"])
def test_nothing_hidden_is_left_beside_an_export(filled, tmp_path, to):
    export_tables(filled, tmp_path / to)
    assert [path.name for path in tmp_path.iterdir()] == [to]
    assert not list(tmp_path.rglob(".*"))


def test_more_rows_than_a_sheet_holds(filled, tmp_path, monkeypatch):
    monkeypatch.setattr(stage, "SHEET_ROWS", 40)  # forty rows and a heading
    with pytest.raises(OutputError, match=r"40 rows.*as CSV, or fewer sessions"):
        export_tables(filled, tmp_path / "t.xlsx")
    assert not list(tmp_path.iterdir())
    monkeypatch.setattr(stage, "SHEET_ROWS", 41)
    export_tables(filled, tmp_path / "t.xlsx")


def test_without_xlsxwriter_it_says_what_to_install(filled, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "xlsxwriter", None)
    with pytest.raises(UsageError, match=r"pip install 'batontrace\[xlsx\]'"):
        export_tables(filled, tmp_path / "t.xlsx")
    export_tables(filled, tmp_path / "t.csv")
    assert [path.name for path in tmp_path.iterdir()] == ["t.csv"]


@pytest.mark.parametrize("to", ["t.csv", "t.xlsx"])
def test_a_session_at_a_time_is_in_memory(tmp_path, monkeypatch, to):
    out = tmp_path / "out"
    tables = tables_of("s00", rows=200)
    for i in range(8):
        name = f"s{i:02}"
        named = {}
        for key, table in tables.items():
            at = table.column_names.index("session")
            field = table.schema.field("session")
            named[key] = table.set_column(at, field, [[name] * table.num_rows])
        writing.write_session(out, name, named, ASKED)
    del tables, named, table
    used = []
    check = schema.check_part

    def watched(*given) -> schema.StoredPart:
        used.append(pa.total_allocated_bytes())
        return check(*given)

    monkeypatch.setattr(schema, "check_part", watched)
    export_tables(out, tmp_path / to, tables=["exchanges"])
    one = used[1] - used[0]
    assert len(used) == 8
    assert one > 0
    assert max(used[2:]) - used[0] < 3 * one


# --- the command --------------------------------------------------------------------------------


def test_the_command_writes_and_says_what(filled, tmp_path):
    code, said, complained = run("export", filled, "--to", tmp_path / "t.csv")
    assert (code, complained) == (0, "")
    assert "exchanges    40" in said
    assert str(tmp_path / "t.csv") in said


def test_the_command_takes_tables_and_sessions(filled, tmp_path):
    words = ("--table", "exchanges", "--table", "recordings", "--session", "otter")
    code, said, _ = run("export", filled, "--to", tmp_path / "t.xlsx", *words)
    assert code == 0
    assert openpyxl.load_workbook(tmp_path / "t.xlsx").sheetnames == [
        "exchanges", "recordings", "columns",
    ]  # fmt: skip
    assert "recordings    20" in said


@pytest.mark.parametrize(
    ("words", "code"),
    [(("--to", "t.txt"), 2), ((), 2), (("--to", "t.csv", "--table", "takeovers"), 2)],
)
def test_the_command_refuses(filled, words, code):
    given, _, complained = run("export", filled, *words)
    assert given == code
    assert complained


def test_the_commands_tables_are_all_there_are():
    from pipeline.cli import export

    assert tuple(export.TableName) == schema.ALL_TABLES
