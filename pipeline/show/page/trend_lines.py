"""What a week changes, in words: of a pair, of a runner, and since a mark was moved."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.base.values import Estimate
from pipeline.base.words import percent
from pipeline.language.phrases import phrase
from pipeline.show.page.sheet_lines import quantity, stands_out, surely
from pipeline.show.scenes import LakeRow, row_estimate
from pipeline.tables import schema


@dataclass(frozen=True, slots=True)
class Trend:
    """A column of changes, its unit ("share" of takeovers) and its decimals."""

    column: str
    unit: str
    digits: int

    def estimate(self, table_name: str, row: LakeRow) -> Estimate | None:
        return row_estimate(row, self.column, schema.sd_column(table_name, self.column))

    def sentence(self, change: Estimate) -> str:
        """By how much it changes, and how sure the direction is."""
        size = (
            phrase("{hundredths}\u00a0in\u00a0100", hundredths=percent(abs(change.value)))
            if self.unit == "share"
            else quantity(abs(change.value), self.digits, self.unit)
        )
        grows, falls = _change_sentences(size, surely(change))[self.column]
        return grows if change.value > 0.0 else falls


def _change_sentences(size: str, chance: str) -> Mapping[str, tuple[str, str]]:
    """What is said of each column where it grows, and where it falls."""
    given = {"size": size, "chance": chance}
    longer = phrase(
        "the zone time gets longer by {size} a week (sure of the direction: {chance})", **given
    )
    shorter = phrase(
        "the zone time gets shorter by {size} a week (sure of the direction: {chance})", **given
    )
    later = phrase(
        "the start comes later by {size} a week (sure of the direction: {chance})", **given
    )
    earlier = phrase(
        "the start comes earlier by {size} a week (sure of the direction: {chance})", **given
    )
    return {
        "zone_time_trend_s": (longer, shorter),
        "go_lag_trend_s": (later, earlier),
        "lag_trend_s": (later, earlier),
        "free_distance_trend_m": (
            phrase(
                "the gap at the pass gets wider by {size} a week (sure of the direction: {chance})",
                **given,
            ),
            phrase(
                "the gap at the pass gets narrower by {size} a week (sure of the direction: "
                "{chance})",
                **given,
            ),
        ),
        "p_in_zone_trend": (
            phrase(
                "more passes lie in the zone by {size} a week (sure of the direction: {chance})",
                **given,
            ),
            phrase(
                "fewer passes lie in the zone by {size} a week (sure of the direction: {chance})",
                **given,
            ),
        ),
        "t20_trend_s": (
            phrase(
                "the first 20 m take longer by {size} a week (sure of the direction: {chance})",
                **given,
            ),
            phrase(
                "the first 20 m get faster by {size} a week (sure of the direction: {chance})",
                **given,
            ),
        ),
        "v_in_entry_trend_mps": (
            phrase(
                "the speed brought into the zone grows by {size} a week (sure of the direction: "
                "{chance})",
                **given,
            ),
            phrase(
                "the speed brought into the zone falls by {size} a week (sure of the direction: "
                "{chance})",
                **given,
            ),
        ),
        "zone_time_change_s": (
            phrase("the zone time is longer by {size} (sure of the direction: {chance})", **given),
            phrase("the zone time is shorter by {size} (sure of the direction: {chance})", **given),
        ),
        "go_lag_change_s": (
            phrase("the start comes later by {size} (sure of the direction: {chance})", **given),
            phrase("the start comes earlier by {size} (sure of the direction: {chance})", **given),
        ),
        "p_in_zone_change": (
            phrase(
                "more passes lie in the zone by {size} (sure of the direction: {chance})", **given
            ),
            phrase(
                "fewer passes lie in the zone by {size} (sure of the direction: {chance})", **given
            ),
        ),
    }


PAIR_TRENDS = (
    Trend("zone_time_trend_s", "s", 2),
    Trend("go_lag_trend_s", "s", 2),
    Trend("free_distance_trend_m", "m", 2),
    Trend("p_in_zone_trend", "share", 2),
)
RECEIVER_TRENDS = (Trend("lag_trend_s", "s", 2), Trend("t20_trend_s", "s", 2))
INCOMING_TRENDS = (Trend("v_in_entry_trend_mps", "m/s", 2),)
_SINCE_THE_MOVE = (
    Trend("zone_time_change_s", "s", 2),
    Trend("go_lag_change_s", "s", 2),
    Trend("p_in_zone_change", "share", 2),
)


def clear_trends(table_name: str, row: LakeRow, kinds: tuple[Trend, ...]) -> list[str]:
    """A sentence for each trend of a row that stands out of its error."""
    found = [(kind, kind.estimate(table_name, row)) for kind in kinds]
    return [kind.sentence(change) for kind, change in found if change and stands_out(change)]


def since_the_move(row: LakeRow) -> list[str]:
    """What came of the last move of a pair's mark, as far as it stands out, from its row of
    `progress`."""
    if row["reps_since_move"] is None:
        return []
    changes = [(kind, kind.estimate("progress", row)) for kind in _SINCE_THE_MOVE]
    return [
        kind.sentence(change)
        for kind, change in changes
        if change is not None and stands_out(change)
    ]
