"""The practice sheet into Reps: which rows can be used, and what each says."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path

from pipeline.base.values import Rep, Runner
from pipeline.read.practice.dates import moment_of_cell
from pipeline.read.practice.documents import PRACTICE_SHEET
from pipeline.read.practice.problems import MOST_PROBLEMS_SHOWN, shortened_remarks
from pipeline.read.practice.sheet_cells import (
    CELL_RANGES,
    UnusableRow,
    check_zone,
    mark_of_cells,
    number_cell,
    runner_of_cell,
    runners_by_name,
    whole_cell,
)
from pipeline.read.practice.sheet_rows import SheetForm, SheetRow, sheet_rows

SHEET_COLUMNS = (
    "rep",
    "zone",
    "lane",
    "incoming",
    "outgoing",
    "mark_m",
    "mark_feet",
    "outgoing_start_m",
    "incoming_start_m",
    "start_utc",
    "pass_m",
    "note",
)
REPS_FORM = SheetForm(
    PRACTICE_SHEET,
    SHEET_COLUMNS,
    needed=(("incoming",), ("outgoing",)),
    needed_in_words="incoming and outgoing, with runner ids",
    row_in_words="a practice sheet, one row a rep",
    if_wrong_file="correct reps in session.toml",
    if_empty="export it again, or drop reps from session.toml",
)


def read_sheet(
    path: Path,
    runners: Sequence[Runner],
    zones: Collection[tuple[int, int]],
    date: dt.date,
    lane: int | None,
) -> tuple[tuple[Rep, ...], list[str]]:
    """The sheet's usable rows in their order, and remarks on what was left out or passed over.

    `zones` are the venue's (lane, zone); `lane` is that of rows that name none. For times see
    `moment_of_cell`. Raises SessionError where the sheet as a whole cannot be read or a column is
    misspelt.
    """
    rows, remarks = sheet_rows(path, REPS_FORM, path.name)
    by_name = runners_by_name(runners)
    reps: list[Rep] = []
    before: float | None = None
    for row in rows:
        where = f"{path.name}, line {row.line}"
        try:
            rep, cell_remarks = _rep_of_row(row, by_name, zones, date, lane, before)
        except UnusableRow as why:
            # looking for what was meant takes longer than reading the row
            meant = why.meant() if len(remarks) < MOST_PROBLEMS_SHOWN else ""
            remarks.append(f"{where}: row left out: {why}{meant}")
            continue
        reps.append(rep)
        remarks += [f"{where}, {words}" for words in cell_remarks]
        before = rep.start_utc_s if rep.start_utc_s is not None else before
    remarks = shortened_remarks(path.name, remarks)
    twice = [n for n, k in Counter(r.rep for r in reps if r.rep is not None).items() if k > 1]
    if len(twice) > MOST_PROBLEMS_SHOWN:
        remarks.append(f"{path.name}: {len(twice)} reps stand on several lines; all are kept")
        twice = []
    remarks += [f"{path.name}: rep {n} stands on several lines; all are kept" for n in twice]
    if not reps:
        remarks.append(f"{path.name}: no usable row; takeovers are found in the traces alone")
    return tuple(reps), remarks


def _rep_of_row(
    row: SheetRow,
    runners: Mapping[str, Sequence[Runner]],
    zones: Collection[tuple[int, int]],
    date: dt.date,
    lane: int | None,
    before: float | None,
) -> tuple[Rep, list[str]]:
    """The row's Rep, and remarks on its cells ("mark_m: ..."). Raises UnusableRow."""
    cells, remarks = row.cells, list[str]()
    incoming = runner_of_cell(cells, "incoming", runners)
    outgoing = runner_of_cell(cells, "outgoing", runners)
    if incoming.id == outgoing.id:
        raise UnusableRow(f'"{incoming.id}" is both incoming and outgoing')
    zone, own_lane = whole_cell(cells, "zone"), whole_cell(cells, "lane")
    check_zone(zone, own_lane if own_lane is not None else lane, zones)
    rep_number: int | None = None
    try:
        rep_number = whole_cell(cells, "rep")
    except UnusableRow as why:
        remarks.append(str(why))
    numbers = {
        name: number_cell(cells, name, limits, remarks) for name, limits in CELL_RANGES.items()
    }
    start_s = moment_of_cell(cells, "start_utc", date, before, remarks)
    return Rep(
        line=row.line,
        incoming=incoming.id,
        outgoing=outgoing.id,
        rep=rep_number,
        zone=zone,
        lane=own_lane,
        mark_m=mark_of_cells(numbers["mark_m"], numbers["mark_feet"], outgoing, remarks),
        outgoing_start_m=numbers["outgoing_start_m"],
        incoming_start_m=numbers["incoming_start_m"],
        start_utc_s=start_s,
        pass_m=numbers["pass_m"],
        note=cells.get("note", ""),
    ), remarks
