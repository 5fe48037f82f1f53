"""An observer's file into Sightings: which rows can be used, and what is odd about them."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

from pipeline.base.asking import comma_list
from pipeline.base.values import Observer, Sighting
from pipeline.errors import SessionError
from pipeline.read.practice.documents import OBSERVER_CSV
from pipeline.read.practice.observer_cells import SessionNames, sighting_of_row, time_column
from pipeline.read.practice.problems import (
    FileRemark,
    grouped_remarks,
    line_numbers_in_words,
    shortened_remarks,
)
from pipeline.read.practice.sheet_cells import RowsLeftOut, UnusableRow, remarks_on_cells
from pipeline.read.practice.sheet_rows import SheetForm, SheetRow, sheet_rows
from pipeline.read.quoting import quote_without_numbers

OBSERVER_COLUMNS = (
    "rep",
    "incoming",
    "outgoing",
    "event",
    "gate",
    "runner",
    "time_s",
    "time_utc",
    "place_m",
    "sd_s",
    "sd_m",
    "note",
)
OBSERVER_FORM = SheetForm(
    OBSERVER_CSV,
    OBSERVER_COLUMNS,
    short_columns=(),
    other_names={"time": "time_s", "place": "place_m"},
    needed=(("event",), ("time_s", "time_utc", "place_m")),
    needed_in_words="event, and a time or a place of each thing seen",
    row_in_words="what an observer saw, one row a thing",
    if_wrong_file="correct file of that [[observer]] in session.toml",
    if_empty="export it again, or delete the [[observer]] from session.toml",
)
# Of two things of one takeover the first comes first, whatever went wrong.
EVENT_ORDER = (
    ("mark", "entry"),
    ("mark", "exit"),
    ("entry", "exit"),
    ("go", "exit"),
    ("hand back", "pass"),
)
ORDER_SDS = 3.0  # standard errors by which two readings must be the wrong way round
WHOLE_SECONDS_SD_S = 1 / math.sqrt(12)  # of a time cut to whole seconds
FEWEST_WHOLE = 3  # times, all of them whole seconds, that tell of such a cut


def read_observer(observer: Observer, names: SessionNames) -> tuple[Observer, list[str]]:
    """The observer with what it saw, and remarks on what was left out, passed over or is odd.

    Where its file cannot be read at all, it has seen nothing, and a remark says why.
    """
    file = observer.file
    try:
        rows, head_remarks = sheet_rows(observer.path, OBSERVER_FORM)
    except SessionError as error:
        # Name the file as the session does: folders above it may bear a person's name.
        why = "; ".join(error.lines).replace(str(observer.path), file)
        return observer, [f'observer "{observer.id}" is left out: {why}']
    times_in = time_column(observer.clock, rows)
    sightings, row_remarks = _read_rows(rows, names, observer)
    remarks = grouped_remarks(file, head_remarks + row_remarks)
    near_utc_s = observer.near_utc_s
    if observer.clock == "own" and times_in == "time_utc":
        if near_utc_s is not None:
            remarks.append(f"{file}: near_utc is not used, since the rows have times in UTC")
        near_utc_s = 0.0
    if names.pairs is None and any(row.cells.get("rep") for row in rows):
        remarks.append(f"{file}: rep is not used, since the session has no practice sheet")
    if _are_whole_seconds(sightings):
        sightings = [_coarser(one, observer.sd_s or 0.0) for one in sightings]
        remarks.append(
            f"{file}: all times are whole seconds, so they are taken as good to "
            f"{WHOLE_SECONDS_SD_S:.2f} s; look whether a spreadsheet dropped the decimals"
        )
    remarks += _backward_remarks(file, observer, sightings)
    remarks += _event_order_remarks(file, sightings)
    remarks += _twice_remarks(file, sightings)
    remarks = shortened_remarks(file, remarks)
    if not sightings:
        remarks.append(f"{file}: no usable row")
    return replace(observer, near_utc_s=near_utc_s, sightings=tuple(sightings)), remarks


def _read_rows(
    rows: Sequence[SheetRow], names: SessionNames, observer: Observer
) -> tuple[list[Sighting], list[FileRemark]]:
    """The usable rows, and remarks on rows and cells."""
    times_in = time_column(observer.clock, rows)
    sightings: list[Sighting] = []
    remarks: list[FileRemark] = []
    left_out = RowsLeftOut()
    before: float | None = None
    for row in rows:
        try:
            sighting, cell_remarks = sighting_of_row(
                row, names, observer.clock, times_in, observer.sd_s or 0.0, before
            )
        except UnusableRow as why:
            remarks.append(left_out.remark(row.line, why))
            continue
        sightings.append(sighting)
        remarks += remarks_on_cells(row.line, row.cells, cell_remarks, quote_without_numbers)
        before = sighting.time_s if sighting.time_s is not None else before
    return sightings, remarks


# --- what is odd -----------------------------------------------------------------------------


def _takeover_of(sighting: Sighting) -> tuple[int | None, str | None, str | None]:
    return sighting.rep, sighting.incoming, sighting.outgoing


def _by_rep(sightings: Sequence[Sighting]) -> Iterator[tuple[str, list[Sighting]]]:
    """Each rep in words, with its rows. Rows without a rep may be of any takeover."""
    found: dict[tuple[int | None, str | None, str | None], list[Sighting]] = defaultdict(list)
    for sighting in sightings:
        if sighting.rep is not None:
            found[_takeover_of(sighting)].append(sighting)
    for (rep, _, _), own in found.items():
        yield f"rep {rep}", own


def _are_whole_seconds(sightings: Sequence[Sighting]) -> bool:
    times = [one.time_s for one in sightings if one.time_s is not None]
    return len(times) >= FEWEST_WHOLE and all(time.is_integer() for time in times)


def _coarser(sighting: Sighting, usual_sd_s: float) -> Sighting:
    """The sighting, its time taken as cut to whole seconds where its row states no error."""
    if sighting.sd_s is None or sighting.sd_s != usual_sd_s:
        return sighting
    return replace(sighting, sd_s=max(sighting.sd_s, WHOLE_SECONDS_SD_S))


def _backward_remarks(
    file: str, observer: Observer, sightings: Sequence[Sighting]
) -> Iterator[str]:
    """One remark where times run backwards from one takeover's rows to the next's.

    Within a takeover people write things down as they like.
    """
    if observer.clock == "rep":
        return
    timed = [one for one in sightings if one.time_s is not None]
    back = [
        later.line
        for earlier, later in pairwise(timed)
        if (later.time_s or 0.0) < (earlier.time_s or 0.0)
        and (earlier.rep is None or _takeover_of(earlier) != _takeover_of(later))
    ]
    if back:
        yield (
            f"{file}, {line_numbers_in_words(back)}: times run backwards from the row above; "
            "all are kept as they stand"
        )


def _event_order_remarks(file: str, sightings: Sequence[Sighting]) -> Iterator[str]:
    """A remark for each rep whose events come in an order that cannot be."""
    for rep, own in _by_rep(sightings):
        first_seen: dict[str, Sighting] = {}
        for one in own:
            if one.time_s is not None:
                first_seen.setdefault(one.event, one)
        pairs = [
            (first_seen[early], first_seen[late])
            for early, late in EVENT_ORDER
            if early in first_seen and late in first_seen
        ]
        wrong = [
            f"{late.event} (line {late.line}) is before {early.event} (line {early.line})"
            for early, late in pairs
            if _is_surely_before(late, early)
        ]
        if wrong:
            yield f"{file}, {rep}: {comma_list(wrong)}; all are kept as they stand"


def _is_surely_before(one: Sighting, other: Sighting) -> bool:
    ahead_s = (other.time_s or 0.0) - (one.time_s or 0.0)
    return ahead_s > ORDER_SDS * math.hypot(one.sd_s or 0.0, other.sd_s or 0.0)


def _twice_remarks(file: str, sightings: Sequence[Sighting]) -> Iterator[str]:
    """A remark for each event of a rep that several rows give a time, or several a place.

    A row with its time and another with its place say nothing twice.
    """
    for rep, own in _by_rep(sightings):
        events: dict[str, list[Sighting]] = defaultdict(list)
        for one in own:
            at_gate = f'gate "{one.gate}" with {one.runner}'
            events[one.event if one.gate is None else at_gate].append(one)
        for event, same in events.items():
            timed = [one.line for one in same if one.time_s is not None]
            placed = [one.line for one in same if one.place_m is not None]
            if max(len(timed), len(placed)) > 1:
                lines = line_numbers_in_words(sorted({*timed, *placed}))
                yield f"{file}, {rep}: {event} stands on {lines}; all are kept"
