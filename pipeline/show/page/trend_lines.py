"""What a week changes, in words: of a pair, of a runner, and since a mark was moved."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.base.values import Estimate
from pipeline.base.words import percent
from pipeline.show.page.sheet_lines import stands_out, surely
from pipeline.show.scenes import LakeRow, row_estimate
from pipeline.show.wording import NBSP, decimal
from pipeline.tables import schema


@dataclass(frozen=True, slots=True)
class TrendWords:
    """A column of trends, what is said where it grows or falls, its unit and its decimals."""

    column: str
    grows: str
    falls: str
    unit: str
    digits: int

    def estimate(self, table_name: str, row: LakeRow) -> Estimate | None:
        return row_estimate(row, self.column, schema.sd_column(table_name, self.column))

    def by_how_much(self, change: Estimate) -> str:
        size = (
            f"{percent(abs(change.value))}{NBSP}in{NBSP}100"
            if self.unit == "share"
            else f"{decimal(abs(change.value), self.digits)}{NBSP}{self.unit}"
        )
        return f"{self.grows if change.value > 0.0 else self.falls} by {size}"

    def a_week(self, change: Estimate) -> str:
        """How much a week changes, and how sure the direction is."""
        return f"{self.by_how_much(change)} a week (sure of the direction: {surely(change)})"


PAIR_TRENDS = (
    TrendWords(
        "zone_time_trend_s", "the zone time gets longer", "the zone time gets shorter", "s", 2
    ),
    TrendWords("go_lag_trend_s", "the start comes later", "the start comes earlier", "s", 2),
    TrendWords(
        "free_distance_trend_m",
        "the gap at the pass gets wider",
        "the gap at the pass gets narrower",
        "m",
        2,
    ),
    TrendWords(
        "p_in_zone_trend", "more passes lie in the zone", "fewer passes lie in the zone", "share", 2
    ),
)
RECEIVER_TRENDS = (
    TrendWords("lag_trend_s", "the start comes later", "the start comes earlier", "s", 2),
    TrendWords("t20_trend_s", "the first 20 m take longer", "the first 20 m get faster", "s", 2),
)
INCOMING_TRENDS = (
    TrendWords(
        "v_in_entry_trend_mps",
        "the speed brought into the zone grows",
        "the speed brought into the zone falls",
        "m/s",
        2,
    ),
)


_SINCE_THE_MOVE = (
    TrendWords("zone_time_change_s", "the zone time is longer", "the zone time is shorter", "s", 2),
    TrendWords("go_lag_change_s", "the start comes later", "the start comes earlier", "s", 2),
    TrendWords(
        "p_in_zone_change",
        "more passes lie in the zone",
        "fewer passes lie in the zone",
        "share",
        2,
    ),
)


def clear_trends(table_name: str, row: LakeRow, kinds: tuple[TrendWords, ...]) -> list[str]:
    """A sentence for each trend of a row that stands out of its error."""
    found = [(kind, kind.estimate(table_name, row)) for kind in kinds]
    return [kind.a_week(change) for kind, change in found if change and stands_out(change)]


def since_the_move(row: LakeRow) -> list[str]:
    """What came of the last move of a pair's mark, as far as it stands out, from its row of
    `progress`."""
    if row["reps_since_move"] is None:
        return []
    changes = [(kind, kind.estimate("progress", row)) for kind in _SINCE_THE_MOVE]
    return [
        f"{kind.by_how_much(change)} (sure of the direction: {surely(change)})"
        for kind, change in changes
        if change is not None and stands_out(change)
    ]
