"""The practice sheet into Reps: which rows can be used, and what each says."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

from pipeline.base.values import Race, Rep, Runner
from pipeline.read.practice.dates import moment_of_cell
from pipeline.read.practice.documents import PRACTICE_SHEET
from pipeline.read.practice.problems import (
    MOST_PROBLEMS_SHOWN,
    grouped_remarks,
    shortened_remarks,
)
from pipeline.read.practice.race_cells import race_of_row
from pipeline.read.practice.sheet_cells import (
    CELL_RANGES,
    RowsLeftOut,
    UnusableRow,
    check_zone,
    mark_of_cells,
    number_cell,
    remarks_on_cells,
    runner_of_cell,
    runners_by_name,
    whole_cell,
)
from pipeline.read.practice.sheet_rows import SheetForm, SheetRow, sheet_rows
from pipeline.read.practice.time_zones import zone_named
from pipeline.read.practice.word_cells import (
    RunKind,
    hand_of_cell,
    run_kind_of_cells,
    technique_of_cell,
    wind_of_cell,
)

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
    "effort",
    "drill",
    "use",
    "technique",
    "hand",
    "wind_mps",
    "race",
)
REPS_FORM = SheetForm(
    PRACTICE_SHEET,
    SHEET_COLUMNS,
    short_columns=("use", "hand", "race"),
    other_names={
        "start": "start_utc",
        "start_time": "start_utc",
        "start_local": "start_utc",
        "time": "start_utc",
        "wind": "wind_mps",
    },
    needed=(("incoming",), ("outgoing",)),
    needed_in_words="incoming and outgoing, with runner ids",
    row_in_words="a practice sheet, one row a rep",
    if_wrong_file="correct reps in session.toml",
    if_empty="export it again, or drop reps from session.toml",
)


class SheetContext(NamedTuple):
    """What a session says around its sheet, by which a row is read.

    `zones` are the venue's (lane, zone); `lane` is that of rows that name none; times without a
    zone are local to `time_zone`.
    """

    runners: Mapping[str, Sequence[Runner]]
    zones: Collection[tuple[int, int]]
    date: dt.date
    lane: int | None
    time_zone: dt.tzinfo
    races: Sequence[Race]


def read_sheet(
    path: Path,
    runners: Sequence[Runner],
    zones: Collection[tuple[int, int]],
    date: dt.date,
    lane: int | None,
    time_zone: str | None = None,
    races: Sequence[Race] = (),
) -> tuple[tuple[Rep, ...], list[str]]:
    """The sheet's usable rows in their order, and remarks on what was left out or passed over.

    `zones` are the venue's (lane, zone); `lane` is that of rows that name none. Times without a
    zone are local to `time_zone`, UTC where that is None; for how they may be written see
    `moment_of_cell`. Raises SessionError where the sheet as a whole cannot be read or a column is
    misspelt.
    """
    name = path.name
    rows, remarks = sheet_rows(path, REPS_FORM)
    context = SheetContext(
        runners_by_name(runners), zones, date, lane, zone_named(time_zone), races
    )
    left_out = RowsLeftOut()
    reps: list[Rep] = []
    before: float | None = None
    for row in rows:
        try:
            rep, cell_remarks = _rep_of_row(row, context, before)
        except UnusableRow as why:
            remarks.append(left_out.remark(row.line, why))
            continue
        reps.append(rep)
        remarks += remarks_on_cells(row.line, row.cells, cell_remarks)
        before = rep.start_utc_s if rep.start_utc_s is not None else before
    sentences = shortened_remarks(name, grouped_remarks(name, remarks))
    twice = [n for n, k in Counter(r.rep for r in reps if r.rep is not None).items() if k > 1]
    if len(twice) > MOST_PROBLEMS_SHOWN:
        sentences.append(f"{name}: {len(twice)} reps stand on several lines; all are kept")
        twice = []
    sentences += [f"{name}: rep {n} stands on several lines; all are kept" for n in twice]
    pairs = Counter((r.race, r.incoming, r.outgoing) for r in reps if r.race is not None)
    sentences += [
        f"{name}: {incoming} to {outgoing} of race {race} stands on several lines; all are kept"
        for (race, incoming, outgoing), lines in pairs.items()
        if lines > 1
    ]
    if not reps:
        sentences.append(f"{name}: no usable row; takeovers are found in the traces alone")
    return tuple(reps), sentences


def _rep_of_row(
    row: SheetRow, context: SheetContext, before: float | None
) -> tuple[Rep, list[str]]:
    """The row's Rep, and remarks on its cells ("mark_m: ..."). Raises UnusableRow."""
    cells, remarks = row.cells, list[str]()
    kind = run_kind_of_cells(cells, remarks)
    incoming, outgoing = _pair_of_row(cells, kind, context.runners)
    zone, lane = _zone_of_row(cells, kind, context, remarks)
    pair = (incoming.id, outgoing.id)
    race = race_of_row(cells, pair, zone, lane, kind.drill, context.races, remarks)
    if race is not None:
        zone, lane = race.team.index(incoming.id) + 1, race.lane
        check_zone(zone, lane, context.zones)
    rep_number: int | None = None
    try:
        rep_number = whole_cell(cells, "rep")
    except UnusableRow as why:
        remarks.append(str(why))
    numbers = {
        name: number_cell(cells, name, limits, remarks)
        for name, limits in CELL_RANGES.items()
        if name not in ("effort", "wind_mps")
    }
    start_s = moment_of_cell(
        cells, "start_utc", context.date, before, remarks, zone=context.time_zone
    )
    return Rep(
        line=row.line,
        incoming=incoming.id,
        outgoing=outgoing.id,
        rep=rep_number,
        zone=zone,
        lane=lane,
        mark_m=mark_of_cells(numbers["mark_m"], numbers["mark_feet"], outgoing, remarks),
        outgoing_start_m=numbers["outgoing_start_m"],
        incoming_start_m=numbers["incoming_start_m"],
        start_utc_s=start_s,
        pass_m=numbers["pass_m"],
        note=cells.get("note", ""),
        effort=kind.effort,
        drill=kind.drill,
        use=kind.use,
        technique=technique_of_cell(cells, remarks),
        hand=hand_of_cell(cells, remarks),
        wind_mps=wind_of_cell(cells, remarks),
        race=None if race is None else race.id,
    ), remarks


def _pair_of_row(
    cells: Mapping[str, str], kind: RunKind, runners: Mapping[str, Sequence[Runner]]
) -> tuple[Runner, Runner]:
    """The incoming and the outgoing runner. Raises UnusableRow where they are not two."""
    who = ""
    if kind.drill == "rotation":
        who = "; of a rotation incoming is the rear runner of the line, outgoing the front one"
    try:
        incoming = runner_of_cell(cells, "incoming", runners)
        outgoing = runner_of_cell(cells, "outgoing", runners)
    except UnusableRow as why:
        raise UnusableRow(f"{why}{who}", why.meant) from None
    if incoming.id == outgoing.id:
        raise UnusableRow(f'"{incoming.id}" is both incoming and outgoing{who}')
    return incoming, outgoing


def _zone_of_row(
    cells: Mapping[str, str], kind: RunKind, context: SheetContext, remarks: list[str]
) -> tuple[int | None, int | None]:
    """The zone and the lane that the row names. Raises UnusableRow where the venue has no such
    zone; an exercise, which needs none, loses the cells."""
    try:
        zone, lane = whole_cell(cells, "zone"), whole_cell(cells, "lane")
        usual = None if _is_exercise(kind) else context.lane
        check_zone(zone, lane if lane is not None else usual, context.zones)
    except UnusableRow as why:
        if not _is_exercise(kind):
            raise
        column = "lane" if cells.get("lane") else "zone"
        remarks.append(f"{column}: {why}; an exercise needs none, so it is passed over")
        return None, None
    return zone, lane


def _is_exercise(kind: RunKind) -> bool:
    return kind.drill not in (None, "build-up")
