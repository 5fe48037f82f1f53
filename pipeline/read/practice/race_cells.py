"""The cell race of a practice sheet's row: which [[race]] the row is a takeover of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pipeline.base.asking import did_you_mean, one_of
from pipeline.base.values import Drill, Race
from pipeline.read.practice.csv_cells import quoted_cell

_IS_NONE = "the row is taken as no part of a race"


def race_of_row(
    cells: Mapping[str, str],
    pair: tuple[str, str],
    zone: int | None,
    lane: int | None,
    drill: Drill | None,
    races: Sequence[Race],
    remarks: list[str],
) -> Race | None:
    """The race of a row, whose pair, zone, lane and drill the other cells say; None where the cell
    is blank, and None with a remark where they do not fit a race of that id."""
    text = cells.get("race", "")
    if not text:
        return None
    race = race_named(text, races)
    if race is None:
        ids = [one.id for one in races]
        meant = did_you_mean(text, ids) or (
            f"expected {one_of(ids, text)}" if ids else f'add a [[race]] with id = "{text}"'
        )
        remarks.append(
            f"race: {quoted_cell(text)} is not a [[race]] of the session; {meant}; {_IS_NONE}"
        )
        return None
    wrong = _misfit(race, pair, zone, lane, drill)
    if wrong:
        remarks.append(f"race: {wrong}; {_IS_NONE}")
    return None if wrong else race


def race_named(name: str, races: Sequence[Race]) -> Race | None:
    """The race of that id; capitals do not matter where only one fits without them."""
    alike = [race for race in races if race.id.casefold() == name.casefold()]
    same = [race for race in alike if race.id == name] or alike
    return same[0] if len(same) == 1 else None


def _misfit(
    race: Race, pair: tuple[str, str], zone: int | None, lane: int | None, drill: Drill | None
) -> str:
    """What of a row does not fit the race, in words; "" where all does."""
    takeovers = list(zip(race.team, race.team[1:], strict=False))
    names = " to ".join(pair)
    if pair not in takeovers:
        turned = pair[::-1] in takeovers
        order = ", ".join(race.team)
        hint = f"; did you mean {pair[1]} to {pair[0]}?" if turned else ""
        return f"{names} are no successive runners of {race.id}, which are {order}{hint}"
    right = takeovers.index(pair) + 1
    if zone not in (None, right):
        return f"{names} is zone {right} of {race.id}, not {zone}; did you mean zone {right}?"
    if lane not in (None, race.lane):
        return f"{race.id} is run in lane {race.lane}, not {lane}; did you mean lane {race.lane}?"
    if drill is not None:
        return f"a {drill} is no takeover of a race"
    return ""
