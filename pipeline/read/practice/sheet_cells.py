"""The cells of a practice sheet's row: runners, whole numbers, distances and the check mark.

A cell that cannot be read is passed over with a remark; a row whose runners or zone cannot be right
is unusable as a whole.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping, Sequence

from pipeline.base.asking import MOST_LISTED, comma_list, did_you_mean
from pipeline.base.values import Runner
from pipeline.read.practice.csv_cells import parse_decimal, quoted_cell
from pipeline.read.practice.problems import MOST_PROBLEMS_SHOWN, FileRemark

CELL_RANGES = {  # what a practice can hold; a misplaced decimal point falls outside
    "mark_m": (0.3, 40.0),
    "mark_feet": (1.0, 130.0),
    "outgoing_start_m": (-2.0, 35.0),
    "incoming_start_m": (5.0, 450.0),
    "pass_m": (-25.0, 60.0),
    "wind_mps": (-20.0, 20.0),
    "effort": (1.0, 100.0),  # per cent of full speed
}
_UNIT_SPELLINGS = {  # by the end of the column's name
    "m": "m",
    "s": "s|sec",
    "feet": "feet|foot|ft",
    "mps": "m/s|mps",
    "effort": "%|percent|per cent|pct",
}
_MARKS_AGREE_M = 0.2  # mark_m and mark_feet, counted in feet, may differ by this


PASSED_OVER = "the cell is passed over"


class UnusableRow(Exception):
    """Why a row is left out. `meant` gives what may have been meant, worked out only when shown."""

    def __init__(self, why: str, meant: Callable[[], str] = str) -> None:
        super().__init__(why)
        self.meant = meant


class RowsLeftOut:
    """Remarks on the rows of one file that are left out. What was meant is looked for once for
    each reason, and not for more of them than are shown, since it takes longer than reading."""

    def __init__(self) -> None:
        self._meant: dict[str, str] = {}

    def remark(self, line: int, why: UnusableRow) -> FileRemark:
        """The remark on the row that stands on that line."""
        reason = str(why)
        if reason not in self._meant:
            is_shown = len(self._meant) < MOST_PROBLEMS_SHOWN
            self._meant[reason] = why.meant() if is_shown else ""
        meant = self._meant[reason]
        words = f"row left out: {reason}; {meant}" if meant else f"row left out: {reason}"
        return FileRemark(words, line)


def remarks_on_cells(
    line: int,
    cells: Mapping[str, str],
    remarks: Sequence[str],
    shown: Callable[[str], str] = quoted_cell,
) -> list[FileRemark]:
    """Remarks on a row's cells, each of which begins with its column, as remarks on the line.

    `shown` makes of the cell what the remark quotes.
    """
    return [
        FileRemark(words, line, shown(cell) if (cell := cells.get(words.partition(":")[0])) else "")
        for words in remarks
    ]


def runners_by_name(runners: Sequence[Runner]) -> dict[str, list[Runner]]:
    """Runners by their ids, capitals and small letters taken as the same."""
    found: dict[str, list[Runner]] = {}
    for runner in runners:
        found.setdefault(runner.id.casefold(), []).append(runner)
    return found


def runner_of_cell(
    cells: Mapping[str, str], column: str, runners: Mapping[str, Sequence[Runner]]
) -> Runner:
    """The runner whose id stands in the column. Raises UnusableRow where it is nobody's."""
    name = cells.get(column, "")
    if not name:
        raise UnusableRow(f"{column} is blank; expected a runner's id")
    # spreadsheets start cells with a capital on their own
    alike = runners.get(name.casefold(), ())
    found = [r for r in alike if r.id == name] or alike
    if len(found) != 1:

        def meant() -> str:
            ids = [r.id for every in runners.values() for r in every]
            return did_you_mean(name, ids) or f'add a [[runner]] with id = "{name}"'

        raise UnusableRow(f"{column} {quoted_cell(name)} is not a runner of the session", meant)
    return found[0]


def whole_cell(cells: Mapping[str, str], column: str) -> int | None:
    """The whole number in the column, None where blank. Raises UnusableRow where it is none."""
    text = cells.get(column, "")
    if not text:
        return None
    match = re.fullmatch(r"(\d{1,6})([.,]0*)?", text)
    if not match:
        raise UnusableRow(f"{column}: {quoted_cell(text)} is not a whole number")
    return int(match[1])


def check_zone(zone: int | None, lane: int | None, zones: Collection[tuple[int, int]]) -> None:
    """Raises UnusableRow where the venue has no such lane and zone; None: not stated."""
    fits = [
        (known_lane, known_zone)
        for known_lane, known_zone in zones
        if (lane is None or lane == known_lane) and (zone is None or zone == known_zone)
    ]
    if zones and not fits:
        asked = f"lane {lane} zone {zone}"
        if lane is None or zone is None:
            asked = f"zone {zone}" if lane is None else f"lane {lane}"
        there = comma_list([f"lane {a} zone {b}" for a, b in sorted(zones)], MOST_LISTED)
        raise UnusableRow(
            f"{asked} is not in the venue file, which has {there}",
            lambda: _meant_zone(lane, zone, zones),
        )


def _meant_zone(lane: int | None, zone: int | None, zones: Collection[tuple[int, int]]) -> str:
    """The zone that was probably meant, as a question: the two numbers exchanged, the only zone of
    that lane, the only lane of that zone; "" where there are none."""
    if (zone, lane) in zones:
        return f"did you mean lane {zone} zone {lane}, the other way round?"
    same_lane = [f"lane {a} zone {b}, the only one of that lane" for a, b in zones if a == lane]
    same_zone = [f"lane {a} zone {b}, the only one of that number" for a, b in zones if b == zone]
    near = [own[0] for own in (same_lane, same_zone) if len(own) == 1]
    if len(near) == 2:
        return f"did you mean {near[0]}, or {near[1]}?"
    return f"did you mean {near[0]}?" if near else ""


def number_cell(
    cells: Mapping[str, str],
    column: str,
    limits: tuple[float, float],
    remarks: list[str],
    shown: Callable[[str], str] = quoted_cell,
    otherwise: Callable[[str], str] = lambda _: PASSED_OVER,
) -> float | None:
    """A number of the sheet; None with a remark where the cell is no number or out of range.

    `shown` makes of the cell what the remark quotes, `otherwise` what follows for it.
    """
    text = cells.get(column, "")
    if not text:
        return None
    unit = _UNIT_SPELLINGS[column.rpartition("_")[2]]
    plain = re.sub(rf"\s*(?:{unit})$", "", text.replace("\u2212", "-").replace("\xa0", ""))
    low, high = limits
    if not re.fullmatch(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)", plain):
        remarks.append(f"{column}: {shown(text)} is not a number; {otherwise(text)}")
        return None
    value = parse_decimal(plain)
    if not low <= value <= high:
        within = f"{low:g} to {high:g}"
        remarks.append(f"{column}: {shown(text)} is not within {within}; {otherwise(text)}")
        return None
    return value


def mark_of_cells(
    mark_m: float | None, feet: float | None, outgoing: Runner, remarks: list[str]
) -> float | None:
    """The check mark in metres before the back line, from either column."""
    if feet is None:
        return mark_m
    if outgoing.foot_m is None:
        if mark_m is None:
            remarks.append(
                f"mark_feet: the length of {outgoing.id}'s shoe is not known, so neither is the "
                f'mark; add foot_m to the [[runner]] "{outgoing.id}"'
            )
        return mark_m
    counted = feet * outgoing.foot_m
    if mark_m is not None and abs(counted - mark_m) > max(_MARKS_AGREE_M, outgoing.foot_m):
        remarks.append(
            f"mark_m: {mark_m:g} m, but mark_feet: {feet:g} of {outgoing.foot_m:g} m make "
            f"{counted:.2f} m; neither is used; clear the wrong cell"
        )
        return None
    return counted if mark_m is None else mark_m
